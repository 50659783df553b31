"""``warmtally compare``: probes side by side, in ice, or swapped; what was found becomes a correction.

Nothing is corrected without a yes, and nothing that was corrected is overwritten: ``undo`` takes a correction back.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final, TextIO

from monitor.cli.output import print_json, table
from monitor.cli.room import now_ms, number, parse_time, room_at_hand, whole
from monitor.core.readings.calibration import Session, Track
from monitor.core.readings.correction_line import LEAST_SPAN_C, CorrectionLine, FoundAt, over_temperature
from monitor.core.readings.corrections import Correction, How
from monitor.core.readings.ice_point import KITCHEN_ICE_C, ice_note, ice_point
from monitor.core.readings.side_by_side import STEADY_MINUTES, side_by_side, swap_test
from monitor.core.terms.formats import show_difference, show_signed, show_span, show_temperature, show_time
from monitor.core.terms.settings import Probe
from monitor.errors import ComparisonRefused, UnknownSubject, UsageError
from monitor.telling.as_json import rounded, utc
from monitor.telling.at_hand import RoomAtHand

# Looked at so often while a session runs; a line is printed when something changed, or each minute.
LOOK_EVERY_S: Final = 5.0
SAY_EVERY_S: Final = 60.0
# Without any common reading for so long, a session is given up: somebody is not heard.
PATIENCE_S: Final = 6 * 3600.0

# From, to, and whether it must last until now.
Judge = Callable[[int, int, bool], Session]

TOGETHER: Final = (
    "Put these probes together in one place, as close as their cables allow: in one box of damp substrate. Close the",
    "lid, keep it out of sun and draught, wait. Or in a water-tight bag in water as warm as the eggs: only sealed",
    "probes of low voltage, never anything on the mains; no heater in that water.",
    "Until the end nobody measures their boxes: what the probes say is not counted for the boxes, and a notice may",
    "come. The eggs stay where they are. Wash your hands after eggs, boxes and substrate.",
)
UNMOVED_BEFORE_MS: Final = 90 * 60_000
UNMOVED: Final = (
    "caution: before the session the probes stood to each other just as in it. If they were not in one place then, "
    "they were not in it either: do not apply this, a difference between their boxes would be taken for theirs."
)
ICE: Final = (
    "Crushed ice of clean water, with just so much water that the gaps are full; the probe in a water-tight bag, in",
    "the middle, not touching the vessel: only a sealed probe of low voltage. Stir now and then. Its box is not",
    "measured meanwhile: a notice may come.",
)


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    compare = sub.add_parser(
        "compare",
        parents=[parent],
        help="find what the probes differ by, and correct it",
        description="Put the probes side by side in one box of damp substrate (in water or ice only sealed ones of low "
        "voltage), then: warmtally compare. It waits until they are steady, prints what is to be added to each, how "
        "sure that is, and asks. With WHAT: another way to find it, or what was found until now.",
        epilog="examples: warmtally compare --probes left-upper-warmth left-lower-warmth    "
        "warmtally compare ice --probe left-upper-warmth    warmtally compare list    warmtally compare undo 3",
    )
    compare.add_argument("--probes", nargs="+", metavar="ID", help="which ones (default: all temperature probes)")
    compare.add_argument("--reference", metavar="ID", help="the probe that is right (default: the mean of all)")
    compare.add_argument(
        "--reference-uncertainty",
        type=number,
        metavar="C",
        help="its standard uncertainty in °C: half of what a certificate gives for 95 %% (default: as configured)",
    )
    compare.add_argument(
        "--minutes", type=number, default=STEADY_MINUTES, help="how long it must be steady (default: %(default)g)"
    )
    _span(compare)
    _apply(compare)
    compare.set_defaults(run=run_compare, what=None)
    inner = compare.add_subparsers(dest="what", metavar="WHAT", required=False)

    ice = inner.add_parser("ice", parents=[parent], help="one probe in melting ice: its error at 0 °C")
    ice.add_argument("--probe", required=True, metavar="ID", help="which probe")
    ice.add_argument(
        "--uncertainty",
        type=number,
        default=KITCHEN_ICE_C,
        metavar="C",
        help="standard uncertainty of the ice bath in °C (default: %(default)g, a kitchen's)",
    )
    ice.add_argument("--minutes", type=number, default=10.0, help="how long it must be steady (default: %(default)g)")
    _span(ice)
    _apply(ice)
    ice.set_defaults(run=run_ice)

    swap = inner.add_parser(
        "swap",
        parents=[parent],
        help="two probes that changed places: is it the places or the probes",
        epilog="example: warmtally compare swap --probes upper lower --before 2026-05-01 2026-05-02T12:00 "
        "--after 2026-05-03 2026-05-04T12:00",
    )
    swap.add_argument("--probes", nargs=2, required=True, metavar=("A", "B"), help="the two that changed places")
    swap.add_argument("--before", nargs=2, required=True, metavar=("FROM", "TO"), help="A in its own place, B in its")
    swap.add_argument("--after", nargs=2, required=True, metavar=("FROM", "TO"), help="A in B's place and B in A's")
    swap.add_argument("--json", action="store_true")
    swap.set_defaults(run=run_swap)

    by_hand = inner.add_parser("by-hand", parents=[parent], help="tell a correction that was found elsewhere")
    by_hand.add_argument("--probe", required=True, metavar="ID", help="which probe")
    by_hand.add_argument(
        "--add", required=True, type=number, metavar="C", help="what is to be added to its readings, °C"
    )
    by_hand.add_argument(
        "--uncertainty", required=True, type=number, metavar="C", help="its standard uncertainty in °C"
    )
    by_hand.add_argument("--at", default="now", metavar="WHEN", help="holds from then on (default: now)")
    by_hand.add_argument("--only-after", action="store_true", help="not for readings from before, if it is the first")
    by_hand.set_defaults(run=run_by_hand)

    undo = inner.add_parser("undo", parents=[parent], help="take corrections back")
    undo.add_argument("id", type=whole, nargs="+", metavar="ID", help="numbers: warmtally compare list")
    undo.set_defaults(run=run_undo)

    listed = inner.add_parser("list", parents=[parent], help="every correction, those taken back included")
    listed.add_argument("--json", action="store_true")
    listed.set_defaults(run=run_list)


def _span(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--from", dest="from_time", metavar="WHEN", help="a session of the past: since when together")
    parser.add_argument("--to", dest="to_time", metavar="WHEN", default="now", help="... and until when")


def _apply(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--apply", action="store_true", help="apply what is found, without asking")
    parser.add_argument("--json", action="store_true")


# -- side by side ---------------------------------------------------------------------------------------------


def run_compare(args: argparse.Namespace) -> int:
    """Side by side, live or in the past."""
    with room_at_hand(args) as room:
        probes = _probes(room, args.probes, args.reference)

        def judge(from_ms: int, to_ms: int, ends_now: bool) -> Session:
            return side_by_side(
                _tracks(room, probes, from_ms, to_ms),
                args.reference,
                reference_uncertainty_c=args.reference_uncertainty,
                steady_minutes=args.minutes,
                ends_now=ends_now,
                unit=room.unit,
            )

        if args.reference_uncertainty is not None and not 0.0 <= args.reference_uncertainty <= 2.0:
            raise UsageError(
                "a standard uncertainty lies between 0 and 2 °C",
                where="--reference-uncertainty",
                fix="give half of what the certificate says for 95 %",
            )
        from_ms, to_ms, session = _session(args, room, TOGETHER, [p.id for p in probes], judge)
        if _unmoved(session, judge(from_ms - UNMOVED_BEFORE_MS, from_ms, True)):
            print(UNMOVED, file=sys.stderr)
        return _conclude(args, room, (from_ms, to_ms), session, "side by side")


def _unmoved(session: Session, before: Session) -> bool:
    """Whether the probes stood to each other before the session just as in it, while they do differ."""
    was = {f.probe: f.correction_c for f in before.found}
    now = {f.probe: f.correction_c for f in session.found}
    alike = was.keys() == now.keys() and all(abs(was[n] - now[n]) < 0.05 for n in now)
    return alike and max(now.values()) - min(now.values()) > 0.1


def run_ice(args: argparse.Namespace) -> int:
    """One probe at the ice point."""
    with room_at_hand(args) as room:
        (probe,) = _probes(room, [args.probe], None, least=1)

        def judge(from_ms: int, to_ms: int, _: bool) -> Session:
            track = _tracks(room, [probe], from_ms, to_ms)[probe.id]
            found = ice_point(track, uncertainty_c=args.uncertainty, steady_minutes=args.minutes, unit=room.unit)
            return replace(found, found=tuple(replace(f, probe=probe.id) for f in found.found))

        from_ms, to_ms, session = _session(args, room, ICE, [probe.id], judge)
        code = _conclude(args, room, (from_ms, to_ms), session, "ice point")
        if not args.json:
            print(ice_note(room.unit))
        return code


def _probes(room: RoomAtHand, names: Sequence[str] | None, reference: str | None, least: int = 2) -> list[Probe]:
    known = {p.id: p for p in room.settings.room.probes if p.quantity == "temperature"}
    wanted = list(dict.fromkeys([*(names or known), *([reference] if reference else [])]))
    for name in wanted:
        if name not in known:
            raise UnknownSubject(
                f"no temperature probe {name!r} in the configuration",
                where=room.settings.file,
                fix=f"temperature probes: {', '.join(known) or 'none'}",
            )
    if len(wanted) < least:
        raise UsageError("two probes at least are compared", fix="name them: --probes A B")
    return [known[n] for n in wanted]


def _tracks(room: RoomAtHand, probes: Sequence[Probe], from_ms: int, to_ms: int) -> dict[str, Track]:
    """What the probes said, with the configuration's correction and without any dated one: those are replaced."""
    found = room.store.readings.load([p.id for p in probes], from_ms, to_ms + 1)
    return {
        p.id: Track(
            found[p.id].at[found[p.id].usable],
            found[p.id].value[found[p.id].usable] + p.correction,
            standard_uncertainty_c=p.standard_uncertainty,
        )
        for p in probes
    }


# -- a session, live or past ----------------------------------------------------------------------------------


def _session(
    args: argparse.Namespace, room: RoomAtHand, words: Sequence[str], names: Sequence[str], judge: Judge
) -> tuple[int, int, Session]:
    """Begin and end of the session, and what it came to. Raises ComparisonRefused for a bad one."""
    if args.from_time is not None:
        from_ms, to_ms = parse_time(args.from_time, room.zone)[0], parse_time(args.to_time, room.zone)[0]
        if to_ms <= from_ms:
            raise UsageError("--to is not after --from", fix="give the earlier time to --from")
        session = judge(from_ms, to_ms, False)
        if not session.steady:
            raise ComparisonRefused(session.refused, where=_span_text(room, from_ms, to_ms), fix=session.fix)
        return from_ms, to_ms, session
    if args.to_time != "now":
        raise UsageError("--to without --from", fix="give both, for a session of the past")
    return _watch(room, words, names, judge, sys.stderr if args.json else sys.stdout)


def _watch(
    room: RoomAtHand, words: Sequence[str], names: Sequence[str], judge: Judge, out: TextIO
) -> tuple[int, int, Session]:
    from_ms = now_ms()
    print(
        f"probes: {', '.join(names)}",
        *words,
        "",
        "Watching (Ctrl-C ends it, nothing is changed then):",
        sep="\n",
        file=out,
    )
    said, said_at = "", -SAY_EVERY_S
    while True:
        session = judge(from_ms, now_ms(), True)
        if session.steady:
            to_ms = now_ms()
            print(f"{_clock(room)}  steady. Put the probes back into their boxes.", "", sep="\n", file=out, flush=True)
            return from_ms, to_ms, session
        what = _progress(session, room)
        if (what != said and time.monotonic() - said_at >= LOOK_EVERY_S) or time.monotonic() - said_at >= SAY_EVERY_S:
            print(f"{_clock(room)}  {what}", file=out, flush=True)
            said, said_at = what, time.monotonic()
        if now_ms() - from_ms > PATIENCE_S * 1000:
            raise ComparisonRefused(
                f"not steady within {show_span(PATIENCE_S)}: {session.refused}",
                where=_span_text(room, from_ms, now_ms()),
                fix=session.fix,
            )
        time.sleep(min(LOOK_EVERY_S, max(session.to_go_s or LOOK_EVERY_S, 0.2)))


def _clock(room: RoomAtHand) -> str:
    return show_time(now_ms(), room.zone)[-5:]


def _span_text(room: RoomAtHand, from_ms: int, to_ms: int) -> str:
    return f"{show_time(from_ms, room.zone)} to {show_time(to_ms, room.zone)}"


def _progress(session: Session, room: RoomAtHand) -> str:
    """How steady it is, and how long it still takes."""
    if session.at_c is None or session.slope_c_per_h is None:
        return f"waiting for readings: {session.refused}"
    slope = show_difference(session.slope_c_per_h, room.unit, 2)
    text = f"at {show_temperature(session.at_c, room.unit)}, moving by {slope} an hour"
    if session.slowest and session.settling_c_per_h is not None:
        text += f", {session.slowest} by {show_difference(session.settling_c_per_h, room.unit, 2)} against the others"
    if session.to_go_s is None:
        return f"{text}; not steady yet"
    return f"{text}; steady, {show_span(session.to_go_s)} to go"


def _conclude(args: argparse.Namespace, room: RoomAtHand, span_ms: tuple[int, int], session: Session, how: How) -> int:
    """Print what was found, and apply it when told to."""
    from_ms, to_ms = span_ms
    recorded = now_ms()
    name = f"{how.replace(' ', '-')}-{utc(from_ms)}" if len(session.found) > 1 else ""
    corrections = [
        Correction(f.probe, from_ms, f.correction_c, f.uncertainty_c, f.common_c, how, recorded, name, to_ms)
        for f in session.found
    ]
    if not args.json:
        _print_found(room, session)
    apply = args.apply or (not args.json and sys.stdin.isatty() and _yes("Apply these corrections?"))
    told = room.store.corrections.tell(corrections) if apply else corrections
    if args.json:
        print_json(
            {
                "from": utc(session.from_ms),
                "to": utc(session.to_ms),
                "pairs": session.pairs,
                "at_c": rounded(session.at_c, 3),
                "reference": session.reference,
                "applied": apply,
                "corrections": [
                    _correction_json(c)
                    | {"type_a_c": rounded(f.type_a_c, 4), "resolution_c": rounded(f.resolution_c, 4)}
                    for c, f in zip(told, session.found, strict=True)
                ],
            }
        )
    elif apply:
        print(f"applied as {', '.join(str(c.id) for c in told)}; to take one back: warmtally compare undo ID")
        print("Everything that rests on these readings follows: development, windows, differences between boxes.")
    else:
        print(
            f"nothing was changed; to apply it, say the same again with --from {utc(from_ms)} --to {utc(to_ms)} --apply"
        )
    return 0


def _print_found(room: RoomAtHand, session: Session) -> None:
    against = f"against {session.reference}" if session.reference else "against the mean of all"
    at = show_temperature(session.at_c, room.unit, 2) if session.at_c is not None else "?"
    print(f"{_span_text(room, session.from_ms, session.to_ms)}: {session.pairs} pairs of readings at {at}, {against}")
    rows = [
        [
            f.probe,
            show_signed(f.correction_c, room.unit, 2),
            f"± {show_difference(2 * f.uncertainty_c, room.unit, 2)}",
            f"± {show_difference(2 * f.total_c, room.unit, 2)}",
        ]
        for f in session.found
    ]
    print(table(["probe", "to be added", "against the others", "in all"], rows))
    common = max((f.common_c for f in session.found), default=0.0)
    if common and session.reference is None:
        print(
            f"What all are off together is not known better than ± {show_difference(2 * common, room.unit, 2)}: "
            "that takes a reference or ice. Differences between the boxes do not feel it."
        )


def _yes(question: str) -> bool:
    try:
        return input(f"{question} [y/N] ").strip().lower() in ("y", "yes")
    except EOFError:
        # Whoever ends the input says nothing, and so not yes.
        print()
        return False


# -- swap -----------------------------------------------------------------------------------------------------


def run_swap(args: argparse.Namespace) -> int:
    """A swap that was made: is it the places or the probes."""
    with room_at_hand(args) as room:
        a, b = _probes(room, args.probes, None)
        spans = [tuple(parse_time(t, room.zone)[0] for t in pair) for pair in (args.before, args.after)]
        (b0, b1), (a0, a1) = spans
        if not b0 < b1 <= a0 < a1:
            raise UsageError(
                "the span after the swap does not follow the one before it",
                fix="--before FROM TO --after FROM TO, in order of time",
            )
        before, after = _tracks(room, [a, b], b0, b1), _tracks(room, [a, b], a0, a1)
        try:
            swap = swap_test((before[a.id], before[b.id]), (after[a.id], after[b.id]))
        except ValueError as error:
            raise ComparisonRefused(str(error), fix="give longer spans, whole days at best") from None
        if args.json:
            print_json(
                {
                    "gradient_c": rounded(swap.gradient_c, 4),
                    "probes_c": rounded(swap.probes_c, 4),
                    "standard_uncertainty_c": rounded(swap.uncertainty_c, 4),
                    "gradient_real": swap.gradient_real,
                    "probes_differ": swap.probes_differ,
                    "pairs": list(swap.pairs),
                }
            )
            return 0
        within = f"± {show_difference(2 * swap.uncertainty_c, room.unit, 2)}"
        size = show_difference(abs(swap.gradient_c), room.unit, 2)
        if swap.gradient_real:
            warmer = a.id if swap.gradient_c > 0 else b.id
            print(f"The places differ: where {warmer} lay at first it is {size} {within} warmer than at the other.")
        else:
            print(f"The places are alike as far as this can tell: {size} {within}.")
        size = show_difference(abs(swap.probes_c), room.unit, 2)
        if swap.probes_differ:
            more = a.id if swap.probes_c > 0 else b.id
            print(f"The probes differ: in one and the same place {more} says {size} {within} more than the other.")
        else:
            print(f"The probes agree as far as this can tell: {size} {within}.")
        if min(b1 - b0, a1 - a0) < 20 * 3_600_000:
            print("Spans of a whole day or more would be better: places differ by the hour of the day.")
    return 0


# -- the account of corrections -------------------------------------------------------------------------------


def run_by_hand(args: argparse.Namespace) -> int:
    """A correction that was found elsewhere."""
    with room_at_hand(args, create=True) as room:
        (probe,) = _probes(room, [args.probe], None, least=1)
        if abs(args.add) > 5.0 or not 0.0 <= args.uncertainty <= 2.0:
            raise UsageError(
                "a correction of more than 5 °C, or an uncertainty outside 0 to 2 °C, is a mistake or a broken probe",
                fix="replace the probe",
            )
        at, _ = parse_time(args.at, room.zone)
        made = Correction(
            probe.id, at, args.add, args.uncertainty, 0.0, "by hand", now_ms(), only_after=args.only_after
        )
        (told,) = room.store.corrections.tell([made])
        print(f"correction {told.id}: {_sentence(told, room)}")
    return 0


def run_undo(args: argparse.Namespace) -> int:
    """Take corrections back; the one before holds again."""
    with room_at_hand(args) as room:
        for number in args.id:
            gone = room.store.corrections.withdraw(number, now_ms())
            left = room.store.corrections.standing().holding(gone.probe, now_ms())
            holds = f"correction {left.id} holds again" if left is not None else "none holds now"
            print(f"correction {number} of {gone.probe} is taken back; {holds}")
    return 0


def run_list(args: argparse.Namespace) -> int:
    """Every correction, in the order of telling."""
    with room_at_hand(args) as room:
        told = room.store.corrections.all()
        if args.json:
            print_json([_correction_json(c) for c in told])
            return 0
        if not told:
            print("no correction yet; compare the probes side by side: warmtally compare")
            return 0
        rows = [[str(c.id), _sentence(c, room), "taken back" if c.withdrawn else ""] for c in told]
        print(table(["id", "correction", ""], rows))
        for probe in room.settings.room.probes:
            found = [f for c in told if c.probe == probe.id and (f := _found_at(c, probe, room)) is not None]
            line = over_temperature(found)
            if line is not None:
                print(_over_temperature_text(probe.id, found, line, room))
    return 0


def _found_at(c: Correction, probe: Probe, room: RoomAtHand) -> FoundAt | None:
    """A correction with the temperature at which it was found; None for one that was told by hand or taken back."""
    if c.withdrawn or c.to_ms is None:
        return None
    if c.how == "ice point":
        return FoundAt(0.0, c.offset_c, c.uncertainty_c, c.common_c)
    told = room.store.readings.load([probe.id], c.from_ms, c.to_ms + 1)[probe.id]
    if not told.usable.any():
        return None
    at_c = float(told.value[told.usable].mean()) + probe.correction + c.offset_c
    return FoundAt(at_c, c.offset_c, c.uncertainty_c, c.common_c)


def _over_temperature_text(probe: str, found: Sequence[FoundAt], line: CorrectionLine, room: RoomAtHand) -> str:
    """Whether one offset does for all temperatures at which eggs lie."""
    degrees = ", ".join(show_temperature(f.temperature_c, room.unit) for f in found)
    off = show_difference(abs(line.y2) * LEAST_SPAN_C, room.unit, 2)
    away, last = show_difference(LEAST_SPAN_C, room.unit, 0), show_temperature(line.t0, room.unit)
    slope = f"{line.y2:+.3f}".replace("-", "−")
    return (
        f"{probe}, compared at {degrees}: for each degree warmer its correction is {slope} ± {2 * line.u_y2:.3f} of a "
        f"degree more; {away} away from the last, {last}, the one that holds is off by {off}"
    )


def _sentence(c: Correction, room: RoomAtHand) -> str:
    own = f"± {show_difference(2 * c.uncertainty_c, room.unit, 2)}"
    if c.common_c:
        own += f" against the others, ± {show_difference(2 * c.total_c, room.unit, 2)} in all"
    return f"{c.probe} {show_signed(c.offset_c, room.unit, 2)} {own}, from {show_time(c.from_ms, room.zone)} ({c.how})"


def _correction_json(c: Correction) -> dict[str, object]:
    return {
        "id": c.id or None,
        "probe": c.probe,
        "from": utc(c.from_ms),
        "away_until": utc(c.to_ms),
        "offset_c": rounded(c.offset_c, 4),
        "uncertainty_c": rounded(c.uncertainty_c, 4),
        "common_c": rounded(c.common_c, 4),
        "how": c.how,
        "session": c.session or None,
        "only_after": c.only_after,
        "recorded": utc(c.recorded_ms),
        "withdrawn": c.withdrawn,
    }
