"""``warmtally learn``: what the house's own clutches say of a species, and the keeper's own profile made from it."""

from __future__ import annotations

import argparse
import sys
import tomllib
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from monitor.cli.output import print_json, say, table
from monitor.cli.room import now_ms, room_at_hand
from monitor.config.library import named
from monitor.core.development.learning import Learned
from monitor.core.development.own_line import USUAL_BASE_C
from monitor.core.development.pooling import MOST_BETWEEN
from monitor.core.development.profile_file import parse_profile
from monitor.core.development.profile_text import profile_text
from monitor.core.terms.formats import name_eggs, show_bare, show_degree_days, show_difference, show_temperature
from monitor.errors import UnknownSubject, UsageError
from monitor.telling.at_hand import RoomAtHand
from monitor.telling.learned import (
    WRITTEN_BY,
    everything_learned,
    former_files,
    is_learned,
    learned_json,
    not_learned_json,
    own_dir,
)
from monitor.whole_file import write_whole


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    learn_verb = sub.add_parser(
        "learn",
        parents=[parent],
        help="what your own clutches say of a species' days; --apply makes it your profile",
        description=(
            "Compares every clutch in which pips were seen with its species' table: how much later or earlier it was, "
            "and what that is worth for the next one. Nothing changes without --apply."
        ),
        epilog="examples: warmtally learn    warmtally learn --species elaphe-taeniura --apply    "
        "warmtally learn --species elaphe-taeniura --undo",
    )
    learn_verb.add_argument("--species", help="this profile only (default: every species with pips)")
    learn_verb.add_argument("--apply", action="store_true", help="write your own profile; the former one is kept")
    learn_verb.add_argument("--undo", action="store_true", help="go back to the profile before the last --apply")
    learn_verb.add_argument("--json", action="store_true")
    learn_verb.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    if args.undo and (args.apply or not args.species):
        raise UsageError("--undo goes with --species alone", fix="warmtally learn --species ID --undo")
    with room_at_hand(args) as room:
        wanted = _id(args.species, room) if args.species else None
        if args.undo and wanted is not None:
            done = undo(own_dir(room), wanted)
            print_json({"undone": done}) if args.json else print(done)
            return 0
        found, refused = everything_learned(room, wanted, now_ms())
        applied = {x.profile.id: apply(own_dir(room), x) for x in found} if args.apply else {}
        if args.json:
            print_json(
                [learned_json(x, applied.get(x.profile.id)) for x in found] + [not_learned_json(*r) for r in refused]
            )
            return 0
        for x in found:
            say(_text(x, room))
            if x.profile.id in applied:
                say(f"  applied: {applied[x.profile.id]}\n")
            else:
                say(f"  not applied; to apply it: warmtally learn --species {x.profile.id} --apply\n")
        for _, error in refused:
            say(f"{error}\n")
        if not found and not refused:
            print('no pip has been recorded yet; tell them: warmtally record pipped CLUTCH --not-yet-at "WHEN"')
    return 0


def _id(species: str, room: RoomAtHand) -> str:
    """The profile's id; how the name was taken goes to standard error."""
    found, said = named(species, room.settings.profiles_dir)
    if said:
        print(said, file=sys.stderr)
    return found


# --- the keeper's own files -------------------------------------------------------------------------------------


def apply(folder: Path, learned: Learned) -> str:
    """Write the profile; the former own file stays beside it under a number. Returns what was done."""
    name = learned.profile.id
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.toml"
    day = datetime.fromtimestamp(now_ms() / 1000, UTC).isoformat(timespec="seconds")
    text = profile_text(learned.profile, [f"{WRITTEN_BY[2:]} --species {name} --apply, {day}"])
    parse_profile(tomllib.loads(text), path.name)
    kept = ""
    if path.exists():
        copies = former_files(folder, name)
        number = int(copies[-1].suffix[1:]) + 1 if copies else 1
        former = folder / f"{name}.toml.{number}"
        former.write_bytes(path.read_bytes())
        kept = f"; the former file is kept as {former.name}"
    write_whole(path, text.encode("utf-8"))
    return (
        f"{path} written{kept}. A running service takes it up at its next round. "
        f"To go back: warmtally learn --species {name} --undo"
    )


def undo(folder: Path, name: str) -> str:
    """Bring back the file before the last :func:`apply`. Raises UnknownSubject when there was none."""
    path = folder / f"{name}.toml"
    if not path.is_file() or not is_learned(path):
        raise UnknownSubject(f"no learned profile of {name!r} is in use", where=str(folder), fix="nothing to take back")
    copies = former_files(folder, name)
    undone = folder / f"{name}.toml.undone"
    path.replace(undone)
    if copies:
        copies[-1].replace(path)
        return f"{path} is as it was before; what was taken back is in {undone.name}"
    return f"{path} is gone, the profile that comes with the program serves again; it is kept as {undone.name}"


# --- telling ----------------------------------------------------------------------------------------------------


def _percent(log: float) -> str:
    return f"{100 * log:+.1f} %".replace("-", "−")


def _days(days: float | None) -> str:
    return "-" if days is None else f"{days:+.1f} d".replace("-", "−")


def _text(x: Learned, room: RoomAtHand) -> str:
    unit = room.unit
    n = len(x.used)
    lines = [
        f"{x.profile.id}: {n} own clutch{'es' if n > 1 else ''} with pips",
        table(
            ["clutch", "eggs", "mean", "days", "against the table", "forecast was off", "if learned from the others"],
            [
                [
                    c.clutch,
                    str(c.eggs),
                    show_temperature(c.mean_c, unit),
                    f"{c.days:.1f} d",
                    f"{_percent(c.shift)} ± {100 * c.sd:.1f}" if not x.own_table else "-",
                    _days(c.before_days),
                    _days(c.after_days),
                ]
                for c in x.used
            ],
        ),
    ]
    lines += [
        f"  {c.clutch} counts {c.weight:.1f} times as much as the surest: {c.why}" for c in x.used if c.weighed_down
    ]
    lines += [
        f"  left out: {', '.join(map(name_eggs, names))}: {reason}" for reason, names in _by_reason(x.left_out).items()
    ]
    if not x.own_table:
        lines.append(
            f"  your clutches pip {abs(100 * (x.factor - 1)):.1f} % {'later' if x.shift >= 0 else 'earlier'} than the "
            f"table (± {100 * x.shift_sd:.1f} %), as far as {n} can tell; the table's days times {x.factor:.4f}"
        )
    lines.append(f"  {_between_text(x)}")
    if x.probes:
        lines.append(f"  {_probes_text(x)}")
    if x.line is not None:
        lines.append(
            f"  straight line of your own: base temperature {show_temperature(x.line.base_c, unit)} ± "
            f"{show_difference(x.line.base_se_c, unit)}, thermal constant "
            f"{show_degree_days(x.line.constant_degree_days, unit, error_degree_days=x.line.constant_se_degree_days)} "
            f"(°{unit})"
        )
    else:
        lines.append(f"  no base temperature of your own: {x.line_problem}")
        if x.own_table:
            lines.append(f"  taken instead: the usual {show_temperature(USUAL_BASE_C, unit)}")
    if x.own_table:
        lines.append(
            table([f"°{unit}", "days"], [[show_bare(r.temperature_c, unit), f"{r.days:.1f}"] for r in x.profile.rows])
        )
    else:
        pairs = zip(x.base.rows, x.profile.rows, strict=True)
        lines.append(
            table(
                [f"°{unit}", "days before", "days after"],
                [[show_bare(a.temperature_c, unit), f"{a.days:.1f}", f"{b.days:.1f}"] for a, b in pairs],
            )
        )
    lines.append(
        f"  how far a whole clutch may be off: ± {100 * x.shared_before:.1f} % before, ± {100 * x.shared:.1f} % after"
    )
    before, after = x.error_before_days, x.error_after_days
    if after is None:
        lines.append("  one clutch cannot be checked against others: how far to trust it shows with the second")
    else:
        told = f"; by the table as it was {before:.1f} days" if before is not None else ""
        lines.append(f"  forecasts of each clutch from the others were {after:.1f} days off on average{told}")
    return "\n".join(lines)


def _by_reason(left_out: Sequence[tuple[str, str]]) -> dict[str, list[str]]:
    reasons: dict[str, list[str]] = {}
    for name, reason in left_out:
        reasons.setdefault(reason, []).append(name)
    return reasons


def _between_text(x: Learned) -> str:
    """What can be told of how clutches differ among themselves, and what cannot."""
    n, taken = len(x.used), f"the windows take {100 * x.between_taken:.1f} %"
    if x.between_fits is None:
        return f"how much your clutches differ among themselves shows from the second on; {taken}"
    low, high = (100 * tau for tau in x.between_fits)
    most = "20 % and more" if high >= 100 * MOST_BETWEEN else f"{high:.1f} %"
    if low > 0.0:
        return f"your clutches differ among themselves by {low:.1f} to {most} (8 in 10, {n} clutches); {taken}"
    if high <= 0.0:
        return f"your clutches differ less than looks and eggs alone would let them ({n} clutches); {taken}"
    return (
        f"whether your clutches differ among themselves cannot be told from {n}: anything from nothing to {most} fits "
        f"(8 in 10); {taken}"
    )


def _probes_text(x: Learned) -> str:
    names = ", ".join(dict.fromkeys(share.behind for share in x.probes))
    return (
        f"what {names} may be off by is in these days already, and left out of their windows: learn again once probes "
        "were compared or exchanged"
    )
