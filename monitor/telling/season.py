"""A season looked back on: clutches, boxes, stacks, what was told, what to change; as JSON and as a table."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Final

from monitor.core.climate.stacks import StackProfile
from monitor.core.season.figures import (
    ASKED_AT,
    BoxSeason,
    ClutchSeason,
    EggsInBox,
    Season,
    SpeciesSeason,
    StackSeason,
    WindowTold,
)
from monitor.core.season.met import Matter
from monitor.core.season.next_season import Advised, next_season
from monitor.core.terms.events import LOST, Clutch
from monitor.derived.season import Seasons
from monitor.errors import UnknownSubject
from monitor.telling.as_json import rounded, utc
from monitor.telling.season_words import SeasonScene, days_to

if TYPE_CHECKING:
    from monitor.telling.at_hand import RoomAtHand
    from monitor.telling.forms_season import (
        AdvisedJson,
        BoxSeasonJson,
        ClutchSeasonJson,
        EggsInBoxJson,
        MatterJson,
        SeasonJson,
        StackSeasonJson,
        StackSpanJson,
        WindowToldJson,
    )

# What the table for other programs has of each clutch's eggs in a box, in this order.
LOST_COLUMNS: Final = tuple(f"lost_{how.replace('-', '_')}" for how in LOST)
NO_PIP: Final = "no pip was recorded"


def laid_in(room: RoomAtHand, at_ms: int, year: int | None = None) -> tuple[str, list[Clutch]]:
    """A season's name and the clutches that were laid in it, in the order of laying; None: the newest that has any.
    Raises UnknownSubject."""
    every = _every_clutch(room, at_ms)
    wanted = max(_year(c, room) for c in every) if year is None else year
    return str(wanted), _some([c for c in every if _year(c, room) == wanted], str(wanted), every, room)


def years_laid(room: RoomAtHand, at_ms: int) -> list[int]:
    """The years in which clutches were laid, the newest first."""
    return sorted({_year(c, room) for c in room.store.account.clutches(at_ms).values()}, reverse=True)


def laid_between(room: RoomAtHand, at_ms: int, name: str, from_ms: int, to_ms: int) -> list[Clutch]:
    """The clutches that were laid in a span, which has a name. Raises UnknownSubject."""
    every = _every_clutch(room, at_ms)
    return _some([c for c in every if from_ms <= c.laid_ms < to_ms], name, every, room)


def _every_clutch(room: RoomAtHand, at_ms: int) -> list[Clutch]:
    """All there are by then, one at least, in the order of laying."""
    every = sorted(room.store.account.clutches(at_ms).values(), key=lambda c: (c.laid_ms, c.id))
    if not every:
        raise UnknownSubject("no clutch is there yet", fix="warmtally clutch add NAME --species ID --laid DAY --eggs N")
    return every


def _year(clutch: Clutch, room: RoomAtHand) -> int:
    return datetime.fromtimestamp(clutch.laid_ms / 1000, room.zone).year


def _some(found: list[Clutch], name: str, every: Iterable[Clutch], room: RoomAtHand) -> list[Clutch]:
    if not found:
        years = ", ".join(map(str, sorted({_year(c, room) for c in every})))
        raise UnknownSubject(f"no clutch was laid in {name}", fix=f"years with clutches: {years}")
    return found


def scene_of_season(room: RoomAtHand, name: str, clutches: Sequence[Clutch], at_ms: int, today_ms: int) -> SeasonScene:
    """The season of these clutches as it was at ``at_ms``, with all that is told of it."""
    seasons = Seasons(room.store, room.settings.room, room.derived)
    season = seasons.of(name, clutches, _learned_of(room, clutches, at_ms), at_ms, today_ms)
    return SeasonScene(season, next_season(season, room.unit), at_ms, room.zone, room.unit)


def _learned_of(room: RoomAtHand, clutches: Sequence[Clutch], at_ms: int) -> list[SpeciesSeason]:
    """What own clutches say of the species of these, as ``warmtally learn`` says it."""
    wanted = dict.fromkeys(c.species for c in clutches)
    if not any(lot.pips for clutch in room.store.account.clutches(at_ms).values() for lot in clutch.lots):
        return [SpeciesSeason(name, refused=NO_PIP) for name in wanted]
    # What learns is loaded where there is something to learn from.
    from monitor.telling.learned import everything_learned, is_learned, own_dir

    found, refused = everything_learned(room, None, at_ms)
    told = {name: SpeciesSeason(name, refused=error.what) for name, error in refused}
    for x in found:
        path = own_dir(room) / f"{x.profile.id}.toml"
        told[x.profile.id] = SpeciesSeason(
            x.profile.id,
            len(x.used),
            None if x.own_table else x.factor - 1.0,
            None if x.own_table else x.shift_sd,
            x.error_before_days,
            x.error_after_days,
            path.is_file() and is_learned(path),
        )
    return [told.get(name, SpeciesSeason(name, refused=NO_PIP)) for name in wanted]


# -- for other programs -----------------------------------------------------------------------------------------------


def season_csv(season: Season) -> str:
    """A line for the eggs of each clutch in each box; one without a box for those that never lay in one. The numbers of
    eggs of all lines of a clutch add up to its account. Temperatures in °C, times in UTC."""
    out = io.StringIO()
    windows = [f"told_{100 * s:.0f}_{p}" for s in ASKED_AT for p in ("at", "p10", "p50", "p90", "came")]
    head = [
        "clutch",
        "lot",
        "box",
        "species",
        "laid_at",
        "laid",
        "not_set",
        "in_boxes",
        "hatched",
        *LOST_COLUMNS,
        "removed",
    ]
    head += ["first_pip_after", "first_pip_by", "days_to_first_pip", "days_to_last_hatched", "development", "mean_c"]
    head += ["coldest_hour_c", "warmest_hour_c", "degree_days", "base_c", "filled_share", *windows]
    writer = csv.DictWriter(out, head, restval="", lineterminator="\n")
    writer.writeheader()
    for c in season.clutches:
        writer.writerows(_csv_rows(c))
    return out.getvalue()


def _csv_rows(c: ClutchSeason) -> list[dict[str, object]]:
    clutch = c.clutch
    same: dict[str, object] = {
        "clutch": clutch.id, "species": clutch.species, "laid_at": utc(clutch.laid_ms),
        "days_to_last_hatched": _cell(rounded(c.days_to_hatched, 2)),
    }  # fmt: skip
    rows = []
    for x in c.eggs:
        lot, pip = x.lot, x.first_pip
        row = same | {
            "lot": lot.id, "box": lot.box, "laid": lot.eggs_set, "not_set": 0, "in_boxes": lot.eggs,
            "hatched": lot.hatched,
            "removed": lot.removed, **_lost(lot.lost),
            "first_pip_after": _cell(utc(pip.after_ms) if pip else None),
            "first_pip_by": _cell(utc(pip.by_ms) if pip else None),
            "days_to_first_pip": _cell(rounded(days_to(c, x), 2)),
            "development": _cell(rounded(x.development, 6)), "mean_c": _cell(rounded(x.mean_c, 3)),
            "coldest_hour_c": _cell(rounded(x.low_c, 3)), "warmest_hour_c": _cell(rounded(x.high_c, 3)),
            "degree_days": _cell(rounded(x.degree_days, 4)), "base_c": _cell(rounded(x.base_c, 3)),
            "filled_share": round(x.filled_share, 6),
        }  # fmt: skip
        for t in x.told:
            name = f"told_{100 * t.share:.0f}"
            row |= {
                f"{name}_at": utc(t.at_ms),
                f"{name}_p10": _cell(utc(t.p10_ms)),
                f"{name}_p50": _cell(utc(t.p50_ms)),
            }
            row |= {f"{name}_p90": _cell(utc(t.p90_ms)), f"{name}_came": t.came(pip)}
        rows.append(row)
    left = clutch.eggs + clutch.slugs - sum(x.lot.eggs_set for x in c.eggs)
    if left or not c.eggs:
        rows.append(
            same
            | {"box": "", "laid": left, "not_set": clutch.unplaced, "in_boxes": 0, "hatched": 0, "removed": clutch.gone}
            | _lost(clutch.lost)
        )
    return rows


def _cell(value: object) -> object:
    return "" if value is None else value


def _lost(lost: Sequence[tuple[str, int]]) -> dict[str, object]:
    counts = dict(lost)
    return {column: counts.get(how, 0) for column, how in zip(LOST_COLUMNS, LOST, strict=True)}


def season_json(scene: SeasonScene) -> SeasonJson:
    """A season looked back on."""
    s = scene.season
    return {
        "season": s.name,
        "from": utc(s.from_ms),
        "to": utc(s.to_ms),
        "clutches": [_clutch_json(c) for c in s.clutches],
        "boxes": [_box_json(x) for x in s.boxes],
        "stacks": [_stack_json(x) for x in s.stacks],
        "species": [
            {
                "species": x.species,
                "clutches": x.clutches,
                "later": rounded(x.later, 5),
                "later_sd": rounded(x.later_sd, 5),
                "error_before_days": x.before_days,
                "error_by_others_days": x.after_days,
                "in_use": x.in_use,
                "refused": x.refused or None,
            }
            for x in s.species
        ],
        "notices": [_matter_json(m) for m in s.matters],
        "notices_whole": s.told_whole,
        "next_season": [_advised_json(a) for a in scene.advised],
    }


def _clutch_json(c: ClutchSeason) -> ClutchSeasonJson:
    b, range_c = c.balance, c.range_c
    return {
        "clutch": c.clutch.id,
        "species": c.clutch.species,
        "laid_at": utc(c.clutch.laid_ms),
        "ended": utc(c.ended_ms),
        "laid": b.laid,
        "fertile": b.fertile,
        "not_set": b.not_set,
        "in_boxes": b.in_boxes,
        "hatched": b.hatched,
        "lost": dict(b.lost),
        "removed": b.removed,
        "not_accounted_for": b.odd,
        "days_to_first_pip": rounded(c.days_to_pip, 3),
        "days_to_last_hatched": rounded(c.days_to_hatched, 3),
        "mean_c": rounded(c.mean_c, 3),
        "coldest_hour_c": rounded(range_c[0], 3) if range_c else None,
        "warmest_hour_c": rounded(range_c[1], 3) if range_c else None,
        "degree_days": rounded(c.degree_days, 4),
        "eggs": [_eggs_json(c, x) for x in c.eggs],
        "notices": [m.notice for m in c.matters],
    }


def _eggs_json(c: ClutchSeason, x: EggsInBox) -> EggsInBoxJson:
    pip = x.first_pip
    return {
        "lot": x.lot.id,
        "box": x.lot.box,
        "eggs_set": x.lot.eggs_set,
        "hatched": x.lot.hatched,
        "lost": dict(x.lot.lost),
        "removed": x.lot.removed,
        "first_pip": None if pip is None else {"after": utc(pip.after_ms), "by": utc(pip.by_ms)},
        "days_to_first_pip": rounded(days_to(c, x), 3),
        "development": rounded(x.development, 6),
        "mean_c": rounded(x.mean_c, 3),
        "coldest_hour_c": rounded(x.low_c, 3),
        "warmest_hour_c": rounded(x.high_c, 3),
        "degree_days": rounded(x.degree_days, 4),
        "base_c": rounded(x.base_c, 3),
        "filled_share": rounded(x.filled_share, 6),
        "told": [_told_json(t, x) for t in x.told],
        "refused": x.refused or None,
    }


def _told_json(t: WindowTold, x: EggsInBox) -> WindowToldJson:
    return {
        "development": t.share,
        "at": utc(t.at_ms),
        "p10": utc(t.p10_ms),
        "p50": utc(t.p50_ms),
        "p90": utc(t.p90_ms),
        "refused": t.refused or None,
        "came": t.came(x.first_pip) or None,
        "later_days": rounded(t.off_days(x.first_pip), 3),
    }


def _box_json(x: BoxSeason) -> BoxSeasonJson:
    return {
        "box": x.box.id,
        "from": utc(x.from_ms),
        "to": utc(x.to_ms),
        "mean_c": rounded(x.mean_c, 3),
        "lowest_c": rounded(float(x.temperature_c.min()), 3) if len(x.temperature_c) else None,
        "highest_c": rounded(float(x.temperature_c.max()), 3) if len(x.temperature_c) else None,
        "too_warm_c": x.limits.too_warm_c,
        "too_cool_c": x.limits.too_cool_c,
        "above_h": round(x.above_s / 3600, 2),
        "below_h": round(x.below_s / 3600, 2),
        "gaps": [{"from": utc(a), "to": utc(b)} for a, b in x.gaps],
        "measured_by": x.source,
    }


def _stack_json(s: StackSeason) -> StackSeasonJson:
    return {
        "stack": s.stack,
        "season": _span_json(s.whole) if s.whole is not None else None,
        "weeks": [{"to": utc(at_ms), "difference_c": None} if p is None else _span_json(p) for at_ms, p in s.weeks],
        "costs": [
            {"species": c.species, "days_at_coolest": round(c.at_coolest, 3), "days_at_warmest": round(c.at_warmest, 3)}
            for c in s.costs
        ],
        "apart": [
            {
                "clutch": a.clutch,
                "early": a.early.id,
                "late": a.late.id,
                "days": round(a.days, 3),
                "first_pips_apart_days": rounded(a.seen_days, 3),
            }
            for a in s.apart
        ],
    }


def _span_json(p: StackProfile) -> StackSpanJson:
    return {
        "from": utc(p.from_ms),
        "to": utc(p.to_ms),
        "warmest": p.warmest,
        "coolest": p.coolest,
        "difference_c": rounded(p.difference_c, 4),
        "difference_standard_uncertainty_c": rounded(p.difference_sd_c, 4),
        "gradient_c_per_m": rounded(p.gradient.c_per_m, 4) if p.gradient else None,
        "beyond_probes": p.beyond_probes,
        "compared": p.compared,
    }


def _matter_json(m: Matter) -> MatterJson:
    return {
        "notice": m.notice,
        "kind": m.kind,
        "subjects": list(m.subjects),
        "urgency": m.urgency,
        "title": m.title,
        "told": utc(m.told_ms),
        "messages": m.messages,
        "answered": m.answered,
        "answered_after_s": m.answered_after_s,
        "answered_by": m.answer or None,
        "over": utc(m.over_ms),
    }


def _advised_json(a: Advised) -> AdvisedJson:
    return {"what": a.what, "why": a.why}
