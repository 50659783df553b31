"""A season looked back on in words: alike in the terminal, on the page and in print."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import tzinfo
from typing import Final

from monitor.core.season.figures import ClutchSeason, EggsInBox, Season, StackSeason, WindowTold
from monitor.core.season.met import KindMet, by_kind
from monitor.core.season.next_season import Advised
from monitor.core.terms.events import LOST
from monitor.core.terms.formats import (
    name_eggs,
    show_date,
    show_difference,
    show_eggs,
    show_span,
    show_temperature,
    show_time,
    show_within_difference,
)
from monitor.core.terms.settings import DisplayUnit
from monitor.values import dataclass

MET_HEAD: Final = ["what", "urgency", "times", "answered", "over without an answer", "still true"]


@dataclass(frozen=True)
class SeasonScene:
    """What is told of a season: the figures, what to change, when it was made, and how a keeper reads it."""

    season: Season
    advised: tuple[Advised, ...]
    made_ms: int
    zone: tzinfo
    unit: DisplayUnit

    def day(self, at_ms: int | None) -> str:
        return "-" if at_ms is None else show_date(at_ms, self.zone)


@dataclass(frozen=True, slots=True)
class ClutchWords:
    """A clutch's figures as they are shown ("-": none). ``told``: what the forecast said on the way: eggs, share of
    the development, window, and how the pip came."""

    name: str
    species: str
    laid_on: str
    laid: str
    fertile: str
    hatched: str
    dead: str
    lost: str
    to_pip: str
    to_last: str
    mean: str
    range: str
    told: tuple[tuple[str, str, str, str], ...]

    @classmethod
    def of(cls, c: ClutchSeason, scene: SeasonScene) -> ClutchWords:
        b, unit, (low, high) = c.balance, scene.unit, c.range_c or (None, None)
        told = tuple(
            (name_eggs(x.lot.id), f"{100 * t.share:.0f} %", told_words(t, scene.zone), came_words(t, x))
            for x in c.eggs
            for t in x.told
        )
        return cls(
            c.clutch.id, c.clutch.species, show_time(c.clutch.laid_ms, scene.zone)[:10], str(b.laid), str(b.fertile),
            str(b.hatched), str(b.dead), lost_words(b.lost), days(c.days_to_pip), days(c.days_to_hatched),
            celsius(c.mean_c, unit), low_high(low, high, unit), told,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class SeasonWords:
    """What is said of a season as a whole; ``met``: rows below MET_HEAD."""

    short: list[str]
    stacks: list[tuple[str, list[str]]]
    species: list[str]
    met: list[list[str]]
    not_kept: list[str]

    @classmethod
    def of(cls, scene: SeasonScene) -> SeasonWords:
        season = scene.season
        return cls(
            sums_in_short(season),
            [(s.stack, stack_words(s, scene.unit)) for s in season.stacks],
            species_words(season),
            [met_row(k) for k in by_kind(season.matters)],
            not_kept(season),
        )


def sums_in_short(season: Season) -> list[str]:
    """The season in some sentences, as the page and the terminal have them."""
    n = len(season.clutches)
    clutches = "1 clutch" if n == 1 else f"{n} clutches"
    lines = [f"{clutches}: {season.balance.words()}."]
    if season.balance.fertile and not season.balance.in_boxes + season.balance.not_set:
        share = season.balance.hatched / season.balance.fertile
        lines.append(f"Of {show_eggs(season.balance.fertile)} that were fertile, {100 * share:.0f} % hatched.")
    told = [(t, x) for c in season.clutches for x in c.eggs for t in x.told if t.share == 0.5 and t.came(x.first_pip)]
    if told:
        inside = sum(t.came(x.first_pip) == "inside" for t, x in told)
        lines.append(
            f"Of {len(told)} window{'s' if len(told) != 1 else ''} told half way, {inside} held the first pip "
            "(8 in 10 are meant to)."
        )
    asked = [m for m in season.matters if m.urgency != "later"]
    if asked:
        answered = sum(m.answered for m in asked)
        notices = "1 notice" if len(asked) == 1 else f"{len(asked)} notices"
        lines.append(f"Answered while they were true: {answered} of {notices} that asked for a hand.")
    if season.ongoing:
        names = ", ".join(c.clutch.id for c in season.ongoing)
        lines.append(f"Not ended yet: {names}; figures of these are as they stood at the end.")
    return lines


def lost_words(lost: Iterable[tuple[str, int]]) -> str:
    return ", ".join(f"{n} {LOST[how]}" for how, n in lost) or "-"


def days(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"


def celsius(value: float | None, unit: DisplayUnit, places: int = 2) -> str:
    return "-" if value is None else show_temperature(value, unit, places)


def low_high(low_c: float | None, high_c: float | None, unit: DisplayUnit) -> str:
    if low_c is None or high_c is None:
        return "-"
    return f"{show_temperature(low_c, unit).removesuffix(f' °{unit}')} to {show_temperature(high_c, unit)}"


def days_to(c: ClutchSeason, x: EggsInBox) -> float | None:
    """From laid to the first pip of one box."""
    return ClutchSeason(c.clutch, (x,), ()).days_to_pip


def told_words(t: WindowTold | None, zone: tzinfo) -> str:
    if t is None:
        return "-"
    if t.p10_ms is None or t.p90_ms is None or t.p50_ms is None:
        return "no date"
    first, last, middle = (show_date(at, zone)[4:] for at in (t.p10_ms, t.p90_ms, t.p50_ms))
    return f"{first} to {last} ({middle})"


def came_words(t: WindowTold | None, x: EggsInBox) -> str:
    """Whether a window held the pip, and by how much its middle was off."""
    if t is None:
        return "-"
    came, off = t.came(x.first_pip), t.off_days(x.first_pip)
    if not came or off is None:
        return "-" if x.first_pip is not None else "not yet" if x.lot.open else "no pip seen"
    words = {"inside": "inside", "early": "before it", "late": "after it"}[came]
    return f"{words}, {abs(off):.1f} d {'later' if off >= 0 else 'earlier'}"


def stack_words(s: StackSeason, unit: DisplayUnit) -> list[str]:
    """How uneven a stack was over the season, and what that cost."""
    w = s.whole
    if w is None:
        return ["Not two of its boxes were measured together: nothing can be said of its gradient."]
    g = w.gradient
    rise = f", {show_difference(g.c_per_m, unit, 2)} warmer with each metre of height" if g is not None else ""
    doubt = "more than the probes alone explain" if w.beyond_probes else "which the probes alone could explain"
    compared = "" if w.compared else "; they were never compared"
    first = (
        f"Over the season {w.warmest} was {show_within_difference(w.difference_c, 2 * w.difference_sd_c, unit)} warmer "
        f"than {w.coolest}{rise}: {doubt}{compared}."
    )
    lines = [first]
    lines += [
        f"{c.species}: {c.at_coolest:.1f} days as warm as the coolest, {c.at_warmest:.1f} as the warmest: "
        f"{abs(c.days):.1f} days of a whole incubation."
        for c in s.costs
    ]
    for a in s.apart:
        seen = "" if a.seen_days is None else f", and their first pips were seen {a.seen_days:.1f} days apart"
        lines.append(
            f"{a.clutch}: by its measured temperatures {a.early.box} was {a.days:.1f} days ahead of {a.late.box}{seen}."
        )
    return lines


def species_words(season: Season) -> list[str]:
    """What own clutches say, a sentence for each species."""
    lines = []
    for s in season.species:
        if s.refused:
            lines.append(f"{s.species}: nothing yet: {s.refused}.")
            continue
        n = "1 own clutch" if s.clutches == 1 else f"{s.clutches} own clutches"
        text = f"{s.species}: from {n} with pips, of all seasons"
        if s.later is not None and s.later_sd is not None:
            side = "later" if s.later >= 0 else "earlier"
            text += f", {abs(100 * s.later):.1f} % {side} than the table (± {100 * s.later_sd:.1f} %)"
        else:
            text += ", a table of your own"
        if s.after_days is not None:
            before = f" instead of {s.before_days:.1f}" if s.before_days is not None else ""
            text += f"; each clutch forecast by the others is {s.after_days:.1f} days off on average{before}"
        use = "in use" if s.in_use else f"not in use; to take it: warmtally learn --species {s.species} --apply"
        lines.append(f"{text}; {use}.")
    return lines


def met_row(k: KindMet) -> list[str]:
    answered = f"{k.answered}" + (f", after {show_span(k.answered_after_s)}" if k.answered_after_s is not None else "")
    alone = f"{k.by_itself}" + (f", after {show_span(k.lasted_s)}" if k.lasted_s is not None else "")
    return [k.kind, k.urgency, str(k.times), answered, alone, str(k.open)]


def not_kept(season: Season) -> list[str]:
    """That of what was told not all is known any more."""
    return [] if season.told_whole else ["Notices are kept for two years: of this season some or all are gone."]
