"""Forms of what is told of eggs: lots with their forecast, the story of a late box, clutches with their account."""

from __future__ import annotations

from typing import TypedDict

from monitor.telling.forms import FromJson, Moment


class HeatOfLotJson(TypedDict):
    """Hours of a lot at or above a temperature at which harm begins."""

    limit_c: float
    total_h: float
    longest_h: float


class CauseJson(TypedDict):
    """A cause of a window's width, and the days that it makes."""

    cause: str
    days: float


class SexOfLotJson(TypedDict):
    """What the warmth so far came to, of a species whose sex it decides."""

    behind: float
    temperature_c: float
    uncertainty_c: float
    pivotal_c: float
    more: str
    females: float | None
    females_p10: float | None
    females_p90: float | None
    papers: list[str]
    text: str | None


class SilenceJson(TypedDict):
    """Of eggs that lie still: nothing before the window opens."""

    chance_only_late: float | None
    chance_each_lives: float | None
    wait_until: Moment | None
    rest: dict[str, Moment] | None


class LotJson(SilenceJson):
    """The eggs of a clutch in a box: how far they are, and when the first pip is expected. ``first_pip``: moments by
    their probability in per cent, p10, p50, p90 and more."""

    lot: str
    clutch: str
    box: str
    species: str
    counts: str
    confidence: str
    at: Moment
    eggs: int
    waiting: int
    pipped: int
    open: bool
    development: float | None
    degree_days: float | None
    base_c: float | None
    filled_share: float | None
    filled: dict[str, float]
    mean_c: float | None
    heat: HeatOfLotJson | None
    expected_c: float | None
    rate_per_day: float | None
    first_pip: dict[str, Moment] | None
    overdue: bool | None
    causes: list[CauseJson]
    sex: SexOfLotJson | None
    no_sex: str | None
    refused: str | None
    still_open: str | None
    notes: list[str]


class SeenAliveJson(TypedDict):
    """How many eggs were seen alive last, and when."""

    eggs: int
    at: Moment


class BesideJson(TypedDict):
    """What pipped before a lot that lies still, and what that says of it."""

    lot: str
    pipped_days_ago: float
    done: Moment | None
    temperature_days: float
    probe_days: float
    probes_explain: bool
    compared: bool
    follows_days: dict[str, float]


class StoryJson(TypedDict):
    """A lot that lies still while others of its clutch have pipped, or past its window: until when to wait, what was
    seen, what to do and what not."""

    wait_until: Moment
    waits: bool
    verdict: str | None
    looked: Moment | None
    seen_alive: SeenAliveJson | None
    due: dict[str, Moment]
    beside: BesideJson | None
    do: list[str]
    do_not: list[str]


class SetPointJson(TypedDict):
    """When the first pip would be at a temperature kept from now on."""

    temperature_c: float
    first_pip: dict[str, Moment] | None


class ForecastJson(LotJson):
    """A lot with its story, where it lies still."""

    story: StoryJson | None


class ForecastBySetPointJson(ForecastJson):
    """The same, with the date over the temperatures that could be set."""

    set_points: list[SetPointJson]


class BalanceJson(TypedDict):
    """What became of all that were laid: laid = not set + in boxes + hatched + lost + removed."""

    laid: int
    not_set: int
    in_boxes: int
    hatched: int
    lost: dict[str, int]
    removed: int
    not_accounted_for: int


class StayJson(FromJson):
    """Eggs in a box; ``to``: null while they lie there."""

    box: str
    to: Moment | None


class PipJson(TypedDict):
    """Eggs that pipped between two looks."""

    after: Moment | None
    by: Moment
    eggs: int


class AccountOfLotJson(TypedDict):
    """What became of the eggs of a clutch in a box, and the way they came."""

    lot: str
    box: str
    eggs: int
    eggs_set: int
    waiting: int
    pipped: int
    hatched: int
    dead: int
    lost: dict[str, int]
    removed: int
    infertile: int
    open: bool
    stays: list[StayJson]
    pips: list[PipJson]


class EntryJson(TypedDict):
    """An entry of the account, as it stands now."""

    entry: int
    kind: str
    at: Moment
    recorded: Moment
    box: str | None
    to: str | None
    eggs: int | None
    fertile: int | None
    alive: int | None
    doubtful: int | None
    clear: int | None
    how: str | None
    not_yet_at: Moment | None
    by: str | None
    note: str | None


class ClutchJson(TypedDict):
    """A clutch with its whole account."""

    clutch: str
    species: str
    dam: str | None
    sire: str | None
    line: str | None
    laid: Moment
    laid_day_only: bool
    developed_when_laid: float
    eggs: int
    unplaced: int
    balance: BalanceJson
    shed: int
    fed: int
    ended: Moment | None
    finished: Moment | None
    lots: list[AccountOfLotJson]
    account: list[EntryJson]


class ToldEntryJson(EntryJson):
    """An entry as it was told; ``corrects``: the number of the one that it puts right, or takes back."""

    clutch: str | None
    day_only: bool
    species: str | None
    developed: float | None
    slugs: int
    gone: int
    dam: str | None
    sire: str | None
    line: str | None
    not_set: bool
    grams: float | None
    corrects: int | None
    withdrawn: bool
    says: str
