"""Plain words of which a passphrase is made up: short, easily told apart, and none of them of the trade."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

_ALL: Final = """
able acorn actor adapt agree album alley almond alpine amber anchor angle ankle answer apple apron arch arena arrow
artist aspen atlas attic autumn avenue award axis bacon badge bagel baker balance balcony ballad bamboo banana banjo
banner barley barn barrel basil basin basket beach beacon beaker beam beard beaver bed beech beetroot bell bench berry
bicycle birch biscuit blanket blaze block bloom blossom blue board boat bonfire bonnet book border bottle boulder bowl
bracket branch brass bread breeze brick bridge bright brisk broad bronze brook broom brother brown brush bubble bucket
buckle budget buffet bugle builder bulb bundle bunny butter button cabbage cabin cable cactus cafe camel camera camp
canal canary candle candy canoe canvas canyon captain caravan carbon card cargo carnival carpet carrot castle cattle
cedar celery cellar cello cement cereal chain chair chalk chapel chapter charm chart cheese cherry chess chest chief
chimney chorus cider cinema circle circus citrus city clam clarity cliff clock cloth cloud clover coach coal coast
cobalt cocoa coconut coffee coin collar column comb comet common compass concert cookie copper coral cork cotton couch
country cousin cove cow crane crater crayon cream creek crew cricket crisp crocus crown cruise crumb crystal cube
cuckoo cup curb curtain curve cushion cycle cymbal daily dairy daisy damson dance dawn deck delta denim desert dial
diamond diary digit dinner dish dollar dolphin donkey door double dough dozen drama drawer dream drift drum dune dust
duty eagle early earth easel east echo edge eight elbow elder elm ember emerald empire engine envoy equal errand
estate evening event exact exit fabric factor falcon family fancy farm feast feather fence fennel fern ferry fiddle
field fig finch finger flag flame flannel flask fleet flint float flock floor flour flower fluid flute foam focus
folder forest forge formal fortune fossil fox frame freckle fresh friend fringe frost fruit funnel future gadget
galaxy gallery garage garden garlic garnet gate gazebo gem general gentle giant ginger giraffe glacier glass globe
glove glow gold goose grain grand granite grape graph grass gravel gravy great green grid grocer ground group grove
guest guide guitar gulf habit hair half hammer hammock hamster harp harvest hat haven hawk hazel head hedge helmet
herb heron hill hinge hobby holiday hollow holly honey hood horizon horn horse hotel hour house humble hundred
hyacinth ice icicle idea igloo image impulse indigo ink inlet iris iron island ivory ivy jacket jade jam january
jasmine jelly jersey jewel jigsaw job joke journal journey jug juice jumper jungle junior jury kayak kernel kettle key
kilo kind kiosk kitchen kite kitten kiwi knee knight knot label lace ladder lagoon lantern large lark latch lattice
laundry laurel lava lavender layer leaf league leather ledge legend lemon lens lentil lesson letter lettuce level
library light lilac lily lime linen lion liquid list little lobby local locket lodge log loop lotus lounge lucky
lumber lunar lunch lynx lyric machine magnet magpie mallet mammoth mango mantle maple marble margin marina market
maroon marsh mask match matter meadow meal measure medal medium mellow melody melon member memory merit merry mesh
metal meteor middle midnight mild mineral minnow mint minute mirror mitten mixer mobile model modern modest moment
monday monkey month moon moose morning mosaic moss motor mountain muffin mulberry mural museum music mustard myrtle
napkin narrow nation native nature navy near nectar needle nephew neutral never nickel night nimble nine noble noodle
normal north notch note novel nugget number nut nylon oak oasis oats ocean octave october office olive one onion opal
open opera orange orbit orchard orchid order oregano organ origin osprey otter oxygen oyster pacific paddle page paint
palace palm pancake panda panel panther paper parade parcel parent parrot parsley partner party pasta paste pastry
patch path patrol pattern pause pavement peach peacock peak peanut pebble pedal pelican pencil penguin pepper perfume
petal phone photo piano picnic picture pier pigeon pilgrim pillow pilot pioneer pipe pixel pizza planet plank plant
plate platter player plaza plenty plum pocket poem point polar polish pollen polo pond poplar poppy porch port postal
potato potter powder prairie present pretty prime prince print prism prize profit promise prune public pudding puffin
pulley pulp puppet purple puzzle pyramid quarry quart queen quest quick quiet quill quilt quince quiz rabbit racket
radar radio radish raft railway raisin ranch range rapid raven ravine razor record reef region relay relief remedy
ribbon riddle ridge ring ripple river road robin robot rocket rodeo roof rope rotor round route royal ruby rudder
ruler rural rye saddle safari saffron sail salad salmon salt salute sample sand sapling satin saturn saucer scarf
scarlet school science scissors scooter scout screen screw sea second secret seed senior sequel seven shadow shape
shawl sheep sheet shelf shield ship shirt shoe shore short shoulder shovel shrub shuttle siesta signal silence silk
silver simple singer single siren sister six sketch ski slate sleeve slice slope small smart smile smooth snail snow
soap soccer social sock sofa solar solid sonata song source south space spark sparrow spinach spiral spoon spring
spruce square squash squid stable stadium staff stage stair stamp station statue steam steel step stereo stitch stone
stool storm straw stream street string strong studio sturdy sugar suit summer summit sunday sunset super surf swallow
swan sweater sweet swift swing symbol syrup talent tall tandem tanker tape target tart tassel taxi temple ten theory
thimble thirty thistle thread three thrush thumb thunder thursday thyme ticket tidal tide tiger timber title toddler
toffee tomato tonic tooth topaz total totem toucan towel town track tractor travel tray treasure treaty trellis
tribute trio tripod trolley trophy trout trumpet trunk tuba tuesday tulip tundra tunnel turban turbine turnip tutor
tweed twelve twenty twig twist two ultra umbrella uncle under uniform unique unit upper upright useful usual vacuum
valley value vanilla vase vault velvet vendor venture veranda verse vessel veteran viaduct video view villa violet
violin visit vivid voice volcano volume voyage waffle wagon waiter walk walnut walrus waltz wave wax weather weaver
week west whale wheat wheel whisker whistle white wicker willow winter wire wisdom wonder wool word wren wrist writer
yacht yellow yoga yogurt young zebra zenith zero zigzag zinc zither zoo
"""
WORDS: Final = tuple(_ALL.split())
WORDS_TAKEN: Final = 5
BITS: Final = WORDS_TAKEN * math.log2(len(WORDS))
"""What a passphrase of words holds that were drawn at random: so many times a coin would have to be thrown."""


def made_up(drawn: Sequence[int]) -> str:
    """The passphrase of those words, each drawn from ``len(WORDS)`` alike."""
    return " ".join(WORDS[number] for number in drawn)
