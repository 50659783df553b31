"""A season looked back on: ``warmtally season``, in the terminal, as a page to print, and as a table."""

from __future__ import annotations

import argparse
import csv
import io
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Final

from monitor.cli.learn import everything_learned, is_learned, own_dir
from monitor.cli.new_file import named, write_text
from monitor.cli.output import WIDEST_TABLE, print_json, say, table
from monitor.cli.printing import write_pdf
from monitor.cli.room import now_ms, parse_time, room_at_hand
from monitor.core.season.figures import (
    ASKED_AT,
    ClutchSeason,
    EggsInBox,
    Season,
    SpeciesSeason,
    StackSeason,
    WindowTold,
)
from monitor.core.season.met import Matter, by_kind
from monitor.core.season.next_season import Advised, next_season
from monitor.core.terms.events import LOST, Clutch
from monitor.core.terms.formats import name_eggs, show_time
from monitor.core.terms.times import FIRST_YEAR, LAST_YEAR
from monitor.derived.season import Seasons
from monitor.errors import UnknownSubject, UsageError
from monitor.telling.as_json import rounded, utc
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.drawing.season_page import (
    MET_HEAD,
    SeasonScene,
    came_words,
    celsius,
    days,
    days_to,
    lost_words,
    low_high,
    met_row,
    not_kept,
    page,
    species_words,
    stack_words,
    sums_in_short,
    told_words,
)

# What the table for other programs has of each clutch's eggs in a box, in this order.
LOST_COLUMNS: Final = tuple(f"lost_{how.replace('-', '_')}" for how in LOST)


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    season = sub.add_parser(
        "season",
        parents=[parent],
        help="a season looked back on: eggs, warmth, what was told, what to change; in print with --html or --pdf",
        description="The clutches laid in a year: what became of their eggs, how warm they lay and how long, what was "
        "told and what happened, how notices were met, how even the stacks were, and what to change next season.",
        epilog="examples: warmtally season    warmtally season 2026 --html season.html    "
        "warmtally season 2026 --pdf season.pdf    warmtally season --from 2025-10-01 --to 2026-03-01",
    )
    season.add_argument("year", nargs="?", metavar="YEAR", help="the year of laying (default: the newest that has any)")
    season.add_argument("--from", dest="from_day", metavar="DAY", help="instead: clutches laid from that day on")
    season.add_argument("--to", dest="to_day", metavar="DAY", help="instead: clutches laid before that day")
    season.add_argument("--at", metavar="WHEN", default="now", help="as it was then (default: now)")
    season.add_argument("--html", metavar="FILE", help="write the report as one page with drawings, to read or print")
    season.add_argument("--pdf", metavar="FILE", help="write it as PDF (by Chromium, else by WeasyPrint)")
    season.add_argument("--csv", metavar="FILE", help="write a table: a line for the eggs of each clutch in each box")
    season.add_argument("--json", action="store_true")
    season.set_defaults(run=run_season)


def run_season(args: argparse.Namespace) -> int:
    files = [
        named(text, *suffixes)
        for text, suffixes in ((args.html, (".html", ".htm")), (args.pdf, (".pdf",)), (args.csv, (".csv",)))
        if text is not None
    ]
    with room_at_hand(args) as now:
        at = min(parse_time(args.at, now.zone)[0], now_ms())
        room = now if args.at == "now" else now.as_of(at)
        name, clutches = _chosen(args, room, at)
        seasons = Seasons(room.store, room.settings.room, room.derived)
        season = seasons.of(name, clutches, _learned_of(room, clutches, at), at, now_ms())
        scene = SeasonScene(season, next_season(season, room.unit), at, room.zone, room.unit)
    made = []
    for path in files:
        made.append(_write(path, scene))
    if args.json:
        print_json(_json(scene) | {"files": [str(path) for path in files]})
        return 0
    if files:
        for line in made:
            print(line)
        return 0
    say(_text(scene), WIDEST_TABLE)
    return 0


def _write(path: Path, scene: SeasonScene) -> str:
    """One file; returns what was done."""
    if path.suffix.lower() == ".csv":
        write_text(path, csv_text(scene.season))
        return f"{path}: a line for the eggs of each clutch in each box"
    if path.suffix.lower() == ".pdf":
        by = write_pdf(path, page(scene))
        return f"{path}: the report, made by {by}"
    write_text(path, page(scene))
    return f"{path}: the report; open it in a browser, or print it from there"


def _chosen(args: argparse.Namespace, room: RoomAtHand, at_ms: int) -> tuple[str, list[Clutch]]:
    """The season's name and its clutches, in the order of laying. Raises UsageError and UnknownSubject."""
    every = sorted(room.store.account.clutches(at_ms).values(), key=lambda c: (c.laid_ms, c.id))
    if not every:
        raise UnknownSubject("no clutch is there yet", fix="warmtally clutch add NAME --species ID --laid DAY --eggs N")
    if args.from_day is not None or args.to_day is not None:
        if args.year is not None:
            raise UsageError("give a year, or --from and --to, not both", fix="warmtally season 2026")
        from_ms = _midnight(args.from_day, room) if args.from_day else 0
        to_ms = _midnight(args.to_day, room) if args.to_day else 2**53
        if to_ms <= from_ms:
            raise UsageError("--to is not after --from", fix="give the earlier day to --from")
        found = [c for c in every if from_ms <= c.laid_ms < to_ms]
        ends = [t for t in (args.from_day, args.to_day) if t]
        name = " to ".join(ends) if len(ends) == 2 else f"from {ends[0]}" if args.from_day else f"before {ends[0]}"
    else:
        years = {c.id: datetime.fromtimestamp(c.laid_ms / 1000, room.zone).year for c in every}
        year = max(years.values()) if args.year is None else year_asked(args.year)
        found = [c for c in every if years[c.id] == year]
        name = str(year)
    if not found:
        years_known = sorted({datetime.fromtimestamp(c.laid_ms / 1000, room.zone).year for c in every})
        raise UnknownSubject(f"no clutch was laid in {name}", fix=f"years with clutches: {_list(years_known)}")
    return name, found


def _list(years: Sequence[int]) -> str:
    return ", ".join(map(str, years))


def year_asked(text: str) -> int:
    """A year as it was typed. Raises UsageError."""
    if not (text.isdecimal() and FIRST_YEAR <= int(text) <= LAST_YEAR):
        raise UsageError(f"{text[:20]!r} is no year from {FIRST_YEAR} to {LAST_YEAR}", fix="write it as 2026")
    return int(text)


def _midnight(text: str, room: RoomAtHand) -> int:
    """The beginning of a day."""
    at_ms, day_only = parse_time(text, room.zone)
    if not day_only:
        return at_ms
    noon = datetime.fromtimestamp(at_ms / 1000, room.zone)
    return round(noon.replace(hour=0, minute=0).timestamp() * 1000)


def _learned_of(room: RoomAtHand, clutches: Sequence[Clutch], at_ms: int) -> list[SpeciesSeason]:
    """What own clutches say of the species of these, as ``warmtally learn`` says it."""
    wanted = dict.fromkeys(c.species for c in clutches)
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
    return [told.get(name, SpeciesSeason(name, refused="no pip was recorded")) for name in wanted]


# -- in the terminal --------------------------------------------------------------------------------------------------


def _text(scene: SeasonScene) -> str:
    season, zone, unit = scene.season, scene.zone, scene.unit
    span = f"{show_time(season.from_ms, zone)[:10]} to {show_time(season.to_ms, zone)[:10]}"
    lines = [f"season {season.name}, {season.room}, {span}", *sums_in_short(season), ""]
    rows, losses = [], []
    for c in season.clutches:
        b = c.balance
        low, high = c.range_c or (None, None)
        rows.append(
            [
                c.clutch.id, show_time(c.clutch.laid_ms, zone)[:10], str(b.laid), str(b.fertile), str(b.hatched),
                str(b.dead), days(c.days_to_pip), days(c.days_to_hatched), celsius(c.mean_c, unit),
                low_high(low, high, unit),
            ]
        )  # fmt: skip
        if b.dead:
            losses.append(f"{c.clutch.id} lost: {lost_words(b.lost)}")
    head = ["clutch", "laid on", "laid", "fertile", "hatched", "lost", "to pip", "to last", "mean", "range"]
    lines += [table(head, rows), *losses, ""]
    told = [
        [name_eggs(x.lot.id), f"{100 * t.share:.0f} %", told_words(t, scene), came_words(t, x)]
        for c in season.clutches
        for x in c.eggs
        for t in x.told
    ]
    if told:
        lines += [table(["eggs", "at", "window told (middle)", "the pip came"], told), ""]
    for s in season.stacks:
        lines += [f"stack {s.stack}:", *(f"  {line}" for line in stack_words(s, unit)), ""]
    lines += [*species_words(season), ""] if season.species else []
    kinds = by_kind(season.matters)
    if kinds:
        lines += [table(MET_HEAD, [met_row(k) for k in kinds]), ""]
    lines += [f"{gone}\n" for gone in not_kept(season)]
    lines.append("what to change next season:" if scene.advised else "what to change next season: nothing stands out")
    for i, a in enumerate(scene.advised, 1):
        lines += [f"  {i}. {a.what}", f"     why: {a.why}"]
    lines += ["", f"as a page with drawings: warmtally season {_again(season.name)}--html season.html"]
    return "\n".join(lines)


def _again(name: str) -> str:
    return f"{name} " if name.isdecimal() else ""


# -- for other programs -----------------------------------------------------------------------------------------------


def csv_text(season: Season) -> str:
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


def _json(scene: SeasonScene) -> dict[str, object]:
    s = scene.season
    return {
        "season": s.name,
        "from": utc(s.from_ms),
        "to": utc(s.to_ms),
        "clutches": [_clutch_json(c) for c in s.clutches],
        "boxes": [
            {
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
            for x in s.boxes
        ],
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


def _clutch_json(c: ClutchSeason) -> dict[str, object]:
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


def _eggs_json(c: ClutchSeason, x: EggsInBox) -> dict[str, object]:
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


def _told_json(t: WindowTold, x: EggsInBox) -> dict[str, object]:
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


def _stack_json(s: StackSeason) -> dict[str, object]:
    def one(at_ms: int, index: int) -> dict[str, object]:
        p = s.weeks[index][1] if index >= 0 else s.whole
        if p is None:
            return {"to": utc(at_ms), "difference_c": None}
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

    return {
        "stack": s.stack,
        "season": one(0, -1) if s.whole is not None else None,
        "weeks": [one(at_ms, i) for i, (at_ms, _) in enumerate(s.weeks)],
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


def _matter_json(m: Matter) -> dict[str, object]:
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


def _advised_json(a: Advised) -> dict[str, object]:
    return {"what": a.what, "why": a.why}
