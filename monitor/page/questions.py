"""What a keeper is asked of an entry: one question after another, the likely answer first, until it is whole.

Nothing here reads or writes: an entry grows in the fields of its form, and what is asked next follows from them and
from what lies in the boxes.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import field, replace
from typing import Any, Final

from monitor.core.terms.balance import ended_ms
from monitor.core.terms.entries import place_of
from monitor.core.terms.events import LOST, OF_BOXES, Clutch, EventKind, Lot
from monitor.core.terms.formats import name_eggs
from monitor.errors import EntryUndecided, EventRefused, UnknownSubject, UsageError
from monitor.values import dataclass

MOST_BUTTONS: Final = 12
"""Up to so many a number is a button; beyond, it is typed."""
_K = EventKind
OF_EGGS: Final = (_K.LOOKED, _K.PIPPED, _K.HATCHED, _K.CANDLED, _K.DEAD, _K.MOVED, _K.REMOVED, _K.NOTE)
"""What is told of eggs that lie in boxes, in the order in which it is offered."""
SEEN_FIRST: Final = (_K.PIPPED, _K.HATCHED)
"""Of these the look before, at which it had not happened yet, sharpens the date."""
_LEFT_OUT: Final = ""


@dataclass(frozen=True)
class Choice:
    """An answer that is pressed: what it fills in, and its words."""

    value: str
    words: str


@dataclass(frozen=True)
class Question:
    """One question: the field that its answer fills, its words, and what it is about.

    ``likely`` answers come first and large, ``others`` after them; ``typed`` is how an answer is typed that is no
    button: "number", "decimal", "line", "text", "day" or "list" (one of ``listed``), empty where it is not.
    ``given``: what was typed already. ``last``: with its answer the entry is whole.
    """

    name: str
    words: str
    about: str = ""
    likely: tuple[Choice, ...] = ()
    others: tuple[Choice, ...] = ()
    typed: str = ""
    given: str = ""
    listed: tuple[Choice, ...] = ()
    last: bool = True


@dataclass(frozen=True)
class KnownEggs:
    """What there is to tell of: the account, the room's boxes from above, the species to choose from, by which of them
    were kept lately, and the words of the page."""

    clutches: Mapping[str, Clutch]
    boxes: Sequence[str]
    say: Callable[..., str]
    species: Sequence[tuple[str, str]] = ()
    weighed_g: Mapping[str, float] = field(default_factory=dict)
    water_ml: Mapping[str, int] = field(default_factory=dict)

    def lots(self, box: str = "", clutch: str = "") -> list[Lot]:
        """The eggs that lie in a box, or that are of a clutch."""
        found = [lot for c in self.clutches.values() for lot in c.lots if lot.open and lot.eggs > 0]
        return [lot for lot in found if box in ("", lot.box) and clutch in ("", lot.clutch)]

    def unplaced(self) -> list[Clutch]:
        return [c for c in self.clutches.values() if c.unplaced]


@dataclass(frozen=True)
class Growing:
    """An entry that is being made: its kind, the box or the clutch from which it was begun, and what was told so far.

    :meth:`next` is the question that is still open; None when it is whole, and :meth:`told` says it as
    :func:`~monitor.telling.entering.entry_of` reads it.
    """

    kind: EventKind
    fields: Mapping[str, str]
    known: KnownEggs
    box: str = ""
    clutch: str = ""

    def without(self, name: str) -> Growing:
        """The same, with one question open again."""
        return replace(self, fields={k: v for k, v in self.fields.items() if k != name})

    def _say(self, key: str, **places: object) -> str:
        return self.known.say(f"entry.{key}", **places)

    def _eggs(self, count: int) -> str:
        return self._say("one_egg") if count == 1 else self._say("some_eggs", count=count)

    def said(self, name: str) -> str:
        return self.fields.get(name, _LEFT_OUT)

    def next(self) -> Question | None:
        """The question that is to be asked now."""
        if self.kind is _K.LAID:
            return self._next_of_laid()
        if self.kind in OF_BOXES:
            return self._grams(self.box or self.said("box"))
        asked = self._which_eggs()
        if asked is not None:
            return asked
        return _ASKS.get(self.kind, Growing._if_sure)(self)

    # -- which eggs ------------------------------------------------------------------------------------------------

    def subjects(self) -> list[tuple[str, str]]:
        """Eggs that it can be about: what names them, and their words."""
        if self.kind in (_K.SHED, _K.FED, _K.FINISHED) or (self.kind is _K.NOTE and self.clutch):
            return [(self.clutch, self.clutch)]
        if self.kind is _K.SET:
            loose = [c for c in self.known.unplaced() if self.clutch in ("", c.id)]
            return [(c.id, f"{c.id}: {self._eggs(c.unplaced)}") for c in loose]
        found = [(x.id, f"{name_eggs(x.id)}: {self._eggs(x.eggs)}") for x in self.known.lots(self.box, self.clutch)]
        clutch = self.known.clutches.get(self.clutch)
        if clutch is not None and clutch.unplaced and self.kind in (_K.DEAD, _K.REMOVED):
            found.append((clutch.id, self._say("not_set", eggs=self._eggs(clutch.unplaced))))
        return found

    def _which_eggs(self) -> Question | None:
        """None where it is clear of which eggs it is told. Raises UnknownSubject where there are none."""
        subjects = self.subjects()
        if not subjects:
            raise UnknownSubject(self._say("no_eggs", where=self.box or self.clutch), fix=self._say("no_eggs_fix"))
        if self.kind is _K.LOOKED and self.box:
            return None
        if self._subject in dict(subjects):
            return None
        return Question("eggs_of", self._say("which_eggs"), others=tuple(Choice(*x) for x in subjects), last=False)

    @property
    def _subject(self) -> str:
        """What names the eggs that it is about: a lot, or a clutch."""
        subjects = self.subjects()
        return self.said("eggs_of") or (subjects[0][0] if len(subjects) == 1 else "")

    @property
    def lot(self) -> Lot | None:
        """The eggs in a box that it is about; None where they are in none, or it is about all in a box."""
        return next((x for x in self.known.lots() if x.id == self._subject), None)

    @property
    def _clutch_id(self) -> str:
        return self.lot.clutch if self.lot is not None else self._subject

    def _about(self) -> str:
        lot = self.lot
        if lot is None:
            return self._clutch_id
        parts = [name_eggs(lot.id), self._eggs(lot.eggs)]
        if lot.pipped:
            parts.append(self._say("pipped_already", count=lot.pipped))
        return ", ".join(parts)

    # -- questions -------------------------------------------------------------------------------------------------

    def _number(
        self, name: str, words: str, most: int, likely: Iterable[int] = (), *, least: int = 1, last: bool = True
    ) -> Question:
        """How many: a button for each while they are few, else the likely ones and a field. Raises EventRefused where
        there are none."""
        if most < least:
            raise EventRefused(self._say("none_left", eggs=self._about()), fix=self._say("none_left_fix"))
        first = [n for n in dict.fromkeys(likely) if least <= n <= most]
        few = most <= MOST_BUTTONS
        rest = [n for n in range(least, most + 1) if n not in first] if few else []
        return Question(
            name,
            words,
            self._about(),
            tuple(Choice(str(n), self._all_of(n, most)) for n in first),
            tuple(Choice(str(n), str(n)) for n in rest),
            "" if few else "number",
            self.said(name),
            last=last,
        )

    def _all_of(self, n: int, most: int) -> str:
        return self._say("all_of", count=n) if n == most > 1 else str(n)

    def _pipped(self) -> Question | None:
        lot = self.lot
        if self.said("eggs") or lot is None:
            return None
        return self._number("eggs", self._say("how_many_pipped"), lot.still, (1, 2))

    def _hatched(self) -> Question | None:
        lot = self.lot
        if self.said("eggs") or lot is None:
            return None
        likely = (lot.inside,) if lot.inside else (1,)
        return self._number("eggs", self._say("how_many_hatched"), lot.eggs, likely)

    def _candled(self) -> Question | None:
        lot = self.lot
        if lot is None:
            return None
        if not self.said("alive"):
            words = self._say("how_many_alive", count=lot.still)
            return self._number("alive", words, lot.still, (lot.still,), least=0, last=False)
        others = lot.still - whole(self.said("alive"), self._say("how_many_alive", count=lot.still))
        if self.said("others") or others <= 0:
            return None
        choices = [Choice(name, self._say(f"others_{name}")) for name in ("doubtful", "clear", "unsaid")]
        words = self._say("what_of_others", count=others)
        return Question("others", words, self._about(), tuple(choices[:1]), tuple(choices[1:]))

    def _dead(self) -> Question | None:
        if not self.said("how"):
            choices = tuple(Choice(how, self._say(f"how_{how.replace('-', '_')}")) for how in LOST)
            return Question("how", self._say("how_lost"), self._about(), (), choices, last=False)
        return self._how_many_out(self._say("how_many_lost"), (1,))

    def _removed(self) -> Question | None:
        return self._how_many_out(self._say("how_many_removed"), ())

    def _how_many_out(self, words: str, likely: Iterable[int]) -> Question | None:
        if self.said("eggs"):
            return None
        lot, clutch = self.lot, self.known.clutches.get(self._clutch_id)
        most = lot.eggs if lot is not None else clutch.unplaced if clutch is not None else 0
        return self._number("eggs", words, most, likely)

    def _moved(self) -> Question | None:
        lot = self.lot
        if lot is None:
            return None
        if not self.said("to"):
            return self._which_box("to", lot.box)
        if self.said("eggs") or lot.eggs == 1:
            return None
        return self._number("eggs", self._say("how_many_moved", box=self.said("to")), lot.eggs, (lot.eggs,))

    def _set(self) -> Question | None:
        if not self.box and not self.said("box"):
            return self._which_box("box")
        clutch = self.known.clutches.get(self._clutch_id)
        if self.said("eggs") or clutch is None:
            return None
        words = self._say("how_many_set", box=self.box or self.said("box"))
        return self._number("eggs", words, clutch.unplaced, (clutch.unplaced,))

    def _which_box(self, name: str, but: str = "") -> Question | None:
        if self.said(name):
            return None
        boxes = tuple(Choice(box, box) for box in self.known.boxes if box != but)
        about = "" if self.kind in OF_BOXES else self._about()
        return Question(name, self._say(f"which_box_{name}"), about, (), boxes, last=False)

    def _hatchlings(self) -> Question | None:
        clutch = self.known.clutches.get(self.clutch)
        if self.said("eggs") or clutch is None:
            return None
        had = clutch.shed if self.kind is _K.SHED else clutch.fed
        left = sum(lot.hatched for lot in clutch.lots if not lot.moved_on) - had
        return self._number("eggs", self._say(f"how_many_{self.kind.value}"), left, (left,))

    def _grams(self, box: str) -> Question | None:
        if not box:
            return self._which_box("box")
        if self.said("grams"):
            return None
        about = box
        if self.kind is _K.WEIGHED and box in self.known.weighed_g:
            about = self._say("weighed_last", box=box, grams=f"{self.known.weighed_g[box]:g}")
        ml = self.known.water_ml.get(box, 0) if self.kind is _K.WATERED else 0
        likely = (Choice(str(ml), self._say("water_owed", ml=ml)),) if ml else ()
        return Question("grams", self._say(f"grams_{self.kind.value}"), about, likely, typed="decimal")

    def _note(self) -> Question | None:
        if self.said("note"):
            return None
        return Question("note", self._say("note_words"), self._about(), typed="text")

    def _if_sure(self) -> Question | None:
        return None if self.said("sure") else self.sure()

    def sure(self) -> Question:
        """Whether what is told already is right."""
        words = f"sure_{self.kind.value}" if self.kind in (_K.LOOKED, _K.FINISHED) else "sure"
        return Question("sure", self._say(words), self.box or self._about(), (Choice("yes", self._say("save")),))

    def _next_of_laid(self) -> Question | None:
        if not self.said("species"):
            used = dict.fromkeys(c.species for c in sorted(self.known.clutches.values(), key=lambda c: -c.laid_ms))
            likely = tuple(Choice(s, dict(self.known.species).get(s, s)) for s in list(used)[:4])
            listed = tuple(Choice(*x) for x in self.known.species)
            return Question("species", self._say("which_species"), "", likely, (), "list", listed=listed, last=False)
        about = dict(self.known.species).get(self.said("species"), self.said("species"))
        if not self.said("eggs"):
            few = tuple(Choice(str(n), str(n)) for n in range(1, MOST_BUTTONS + 1))
            return Question("eggs", self._say("how_many_laid"), about, (), few, "number", last=False)
        if not self.said("at"):
            days = tuple(Choice(x, self._say(f"laid_{x}")) for x in ("today", "yesterday"))
            return Question("at", self._say("when_laid"), about, days, typed="day", last=False)
        if not self.said("clutch"):
            return Question("clutch", self._say("clutch_name"), about, typed="line", given=self._next_name())
        return None

    def _next_name(self) -> str:
        """The name after that of the newest clutch: K04 after K03."""
        newest = max(self.known.clutches.values(), key=lambda c: c.events[0].recorded_ms, default=None)
        found = None if newest is None else re.fullmatch(r"(.*?)([0-9]{1,6})", newest.id)
        if found is None:
            return "K01" if newest is None else ""
        number = int(found[2])
        while (name := f"{found[1]}{number:0{len(found[2])}d}") in self.known.clutches:
            number += 1
        return name

    def undecided(self, error: EntryUndecided) -> Question:
        """The question that the account asks of what was told, where it could mean more than one thing."""
        if error.asks == "eggs":
            return self._number("eggs", self._say("how_many"), error.most)
        return Question("place", self._say("which_eggs"), "", (), tuple(Choice(x, name_eggs(x)) for x in error.choices))

    # -- when it is whole ------------------------------------------------------------------------------------------

    def told(self) -> dict[str, Any]:
        """What was told, by the names of an entry. Raises UsageError for a number that is none."""
        lot = self.lot
        told: dict[str, Any] = {
            "clutch": "" if self.kind in OF_BOXES else self._clutch_id,
            **{name: self.said(name) for name in ("at", "not_yet_at", "note", "to", "how") if self.said(name)},
        }
        if self.said("eggs"):
            told["eggs"] = whole(self.said("eggs"), self._say("how_many"))
        if self.kind in OF_BOXES:
            told |= {"box": self.box or self.said("box"), "grams": decimal(self.said("grams"))}
        elif self.kind is _K.SET:
            told["box"] = self.box or self.said("box")
        elif self.kind is _K.LAID:
            told |= {"clutch": self.said("clutch"), **self._told_of_laid()}
        elif lot is not None:
            told["box"] = self.said("place") or place_of(lot, self.known.lots(clutch=lot.clutch))
        elif self.kind in (_K.DEAD, _K.REMOVED):
            told["not_set"] = True
        if self.kind is _K.CANDLED and lot is not None:
            told |= self._told_of_candled(lot)
        if self.kind is _K.NOTE:
            told.pop("box", None)
        return told

    def entry_kind(self) -> EventKind:
        """A part of the eggs that goes to another box is split off."""
        lot = self.lot
        if self.kind is _K.MOVED and lot is not None and self.said("eggs"):
            return _K.MOVED if whole(self.said("eggs"), self._say("how_many")) >= lot.eggs else _K.SPLIT
        return self.kind

    def _told_of_candled(self, lot: Lot) -> dict[str, int]:
        alive = whole(self.said("alive"), self._say("how_many_alive", count=lot.still))
        others = {"doubtful": "doubtful", "clear": "clear"}.get(self.said("others"))
        return {"alive": alive, **({others: lot.still - alive} if others and alive < lot.still else {})}

    def _told_of_laid(self) -> dict[str, Any]:
        counts = {n: whole(self.said(n), self._say(n)) for n in ("slugs", "gone") if self.said(n)}
        texts = {n: self.said(n) for n in ("species", "dam", "sire", "line") if self.said(n)}
        return {
            **counts,
            **texts,
            **({"developed": per_cent(self.said("developed"))} if self.said("developed") else {}),
        }


_ASKS: Final[Mapping[EventKind, Callable[[Growing], Question | None]]] = {
    _K.PIPPED: Growing._pipped,
    _K.HATCHED: Growing._hatched,
    _K.CANDLED: Growing._candled,
    _K.DEAD: Growing._dead,
    _K.REMOVED: Growing._removed,
    _K.MOVED: Growing._moved,
    _K.SPLIT: Growing._moved,
    _K.SET: Growing._set,
    _K.SHED: Growing._hatchlings,
    _K.FED: Growing._hatchlings,
    _K.NOTE: Growing._note,
}


def whole(text: str, what: str) -> int:
    """A number of eggs as it was typed. Raises UsageError."""
    if re.fullmatch("[0-9]{1,6}", text.strip()) is None:
        raise UsageError(f"{text[:40]!r} is not a whole number", where=what)
    return int(text)


def per_cent(text: str) -> str:
    """A share as it was typed in per cent, with its sign or without."""
    return text if text.endswith("%") else f"{text}%"


def decimal(text: str) -> float:
    """Grams as they were typed, with a point or a comma. Raises UsageError."""
    if re.fullmatch(r"[0-9]{1,7}([.,][0-9]{1,3})?", text.strip()) is None:
        raise UsageError(f"{text[:40]!r} is not a number of grams")
    return float(text.replace(",", "."))


def offered(known: KnownEggs, *, box: str = "", clutch: str = "") -> list[EventKind]:
    """All that can be told of a box or of a clutch now."""
    lots = known.lots(box, clutch)
    kinds = list(OF_EGGS) if lots else []
    loose = [c for c in known.unplaced() if clutch in ("", c.id)]
    if loose:
        kinds.append(_K.SET)
    if box:
        return [*kinds, *OF_BOXES]
    told = known.clutches[clutch]
    if loose and not lots:
        kinds += [_K.DEAD, _K.REMOVED]
    hatched = sum(lot.hatched for lot in told.lots if not lot.moved_on)
    kinds += [k for k, had in ((_K.SHED, told.shed), (_K.FED, told.fed)) if had < hatched]
    kinds += [_K.NOTE] if _K.NOTE not in kinds else []
    return [*kinds, _K.FINISHED] if ended_ms(told) is not None and told.finished_ms is None else kinds
