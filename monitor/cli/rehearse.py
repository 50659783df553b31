"""``warmtally rehearse``: five simulated days in under a minute, with everything going wrong once."""

from __future__ import annotations

import argparse
import json
import logging
import shlex
import signal
import tempfile
import threading
import time
from collections import deque
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from monitor.cli.room import number, whole
from monitor.core.development.lots import LotNow
from monitor.core.notices.notice import Notice
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.formats import name_eggs
from monitor.core.terms.settings import PagePlace, Settings, Watch
from monitor.errors import UsageError
from monitor.service.start import RoomService
from monitor.simulation.broker import need_broker
from monitor.simulation.rehearsal import DAY, HOUR, LENGTH_MIN, START_MS, Audience, Rehearsal, Summary, Verdict

# Simulated minutes per second: five days in three quarters of a minute.
SPEED: Final = 160.0
_REFRESH_S: Final = 0.15
_STATUS_EVERY_MIN: Final = 12 * HOUR
_SHOWN: Final = 12
PAGE_PORT: Final = 8480
_LOOK_S: Final = 0.25

SIMULATED: Final = (
    "SIMULATED: an invented room with invented eggs, played to the real service over real MQTT on this computer. "
    "Nothing here is measured, and nothing of yours is touched."
)
CAUTION: Final = (
    "Warmtally measures and tells; it switches nothing and is no safety device. A window is an estimate: no egg is "
    "opened on its word."
)
_STYLE: Final = {"now": "bold red", "today": "yellow", "later": "cyan"}


def add_parsers(sub: Any, _parent: argparse.ArgumentParser | None = None) -> None:
    """Add the verb to a parser's subcommands; it has a room of its own, so it takes no options that name one."""
    parser = sub.add_parser(
        "rehearse",
        help="play five simulated days to the real service and check every notice",
        description="Plays a simulated room to the real service over MQTT: a heater that sticks, a probe that goes "
        "quiet, a fan that stops, a first pip. Ends with what was expected and what came; exit code 0 only when "
        "everything expected came and nothing else did. Needs no network, no broker and no configuration.",
    )
    parser.add_argument(
        "--speed",
        type=number,
        default=SPEED,
        metavar="N",
        help=f"simulated minutes per second; 0 is as fast as it goes (default {SPEED:.0f}: "
        f"{LENGTH_MIN // DAY} days in {LENGTH_MIN / SPEED:.0f} s)",
    )
    parser.add_argument("--plain", action="store_true", help="plain lines (so anyway when this is no terminal)")
    parser.add_argument("--json", action="store_true", help="nothing but the summary, as JSON")
    parser.add_argument("--keep", metavar="DIR", help="keep the rehearsal's data in this new or empty directory")
    parser.add_argument("--seed", type=whole, default=1, metavar="N", help="seed of the probes' noise (default 1)")
    parser.add_argument(
        "--page",
        nargs="?",
        type=whole,
        const=PAGE_PORT,
        metavar="PORT",
        help=f"also the room's page on this computer, live while it plays and until you end it (port {PAGE_PORT})",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Play it, show it, judge it."""
    if args.speed < 0:
        raise UsageError("a speed below 0", where="--speed", fix="give simulated minutes per second, or 0")
    if args.seed < 0:
        raise UsageError("a seed below 0", where="--seed", fix="give 0 or a whole number above it")
    # Before anything is written into --keep, which takes a new or empty directory only.
    need_broker()
    console = Console(stderr=bool(args.json), soft_wrap=True, highlight=False)
    with ExitStack() as stack:
        folder = _folder(args.keep, stack)
        _log_into(folder, stack)
        audience: Audience
        if args.json:
            audience = Silent()
        elif args.plain or not console.is_terminal:
            audience = Plain(console)
        else:
            audience = stack.enter_context(OnScreen(console))
        rehearsal = Rehearsal(folder, audience, seed=args.seed, speed=args.speed)
        if args.page is not None:
            place = _page(args.page)
            console.print(f"The room's page, live while it plays: {place.here}", markup=False)
            rehearsal = replace(rehearsal, page=place, stays=lambda app, done: _stay(app, done, console, place, args))
        if args.keep:
            (folder / "room.toml").write_text(room_file(rehearsal.scenario.settings), encoding="utf-8")
        summary = rehearsal.play()
    if args.page is None:
        _tell(summary, console, args)
    return 0 if summary.ok else 1


def _tell(summary: Summary, console: Console, args: argparse.Namespace) -> None:
    if args.json:
        print(json.dumps(summary.as_json(), indent=2))
        return
    show(summary, console, kept=args.keep, page=args.page is None)


def _page(port: int) -> PagePlace:
    if not 1024 <= port <= 65535:
        raise UsageError(f"{port} is no port for the page", where="--page", fix="give 1024 to 65535")
    return PagePlace(("127.0.0.1", port))


def _stay(app: RoomService, summary: Summary, console: Console, place: PagePlace, args: argparse.Namespace) -> None:
    """The page stays as the room was at the end, and knows what is entered, until somebody ends it."""
    _tell(summary, console, args)
    console.print(f"The clock of the room stands; its page stays: {place.here}   (Ctrl-C ends it)", markup=False)
    ended = threading.Event()
    before = {n: signal.signal(n, lambda *_: ended.set()) for n in (signal.SIGINT, signal.SIGTERM)}
    try:
        while not ended.is_set():
            time.sleep(_LOOK_S)
            if app.parts.last.asked.is_set():
                app.parts.last.asked.clear()
                app.round()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _folder(keep: str | None, stack: ExitStack) -> Path:
    if keep is None:
        return Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="warmtally-rehearsal-")))
    folder = Path(keep)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(
            "a rehearsal only writes into a new or empty directory", where=f"--keep {keep}", fix="name another one"
        )
    return folder


def _log_into(folder: Path, stack: ExitStack) -> None:
    """The service's log goes beside its data: among the lines of the rehearsal it would only confuse."""
    folder.mkdir(parents=True, exist_ok=True)
    handler = logging.FileHandler(folder / "rehearsal.log", encoding="utf-8")
    handler.setFormatter(logging.Formatter("%(levelname)s %(name)s: %(message)s"))
    root = logging.getLogger()
    before, level = root.handlers[:], root.level
    root.handlers[:] = [handler]
    root.setLevel(logging.INFO)

    def back() -> None:
        root.handlers[:] = before
        root.setLevel(level)
        handler.close()

    stack.callback(back)


def room_file(settings: Settings) -> str:
    """The simulated room as a room's file that lies beside its data, so that every command works on what was kept."""
    room, known = settings.room, Watch()
    lines = [
        "# The simulated room of a rehearsal. Its data lie beside this file; no broker sends it anything any more.",
        *_part("[room]", name=room.name, time_zone=room.zone, display_unit=room.display_unit),
        *_part("[broker]", host=settings.broker.host, client_id=settings.broker.client_id),
        *_part("[store]", data_dir="."),
        *_part(
            "[limits]",
            deadband_c=room.limits.deadband_c,
            on_delay=f"{room.limits.on_delay_s:g} s",
            off_delay=f"{room.limits.off_delay_s:g} s",
        ),
        *_part(
            "[watch]",
            uneven_c=room.watch.uneven_c,
            uneven_over=f"{room.watch.uneven_over_s:g} s",
            apart_days=room.watch.apart_days,
            window_near_days=room.watch.window_near_days,
            heading=f"{room.watch.heading_s:g} s",
            disk_low_mb=room.watch.disk_low_mb or known.disk_low_mb,
        ),
    ]
    for stack in room.stacks:
        lines += _part("[[stacks]]", id=stack)
        for box in (b for b in room.boxes if b.stack == stack):
            limits = {"too_warm_c": box.too_warm_c, "too_cool_c": box.too_cool_c}
            lines += _part("[[stacks.boxes]]", id=box.id, height_cm=box.height_cm, **limits)
    for p in room.probes:
        kind = "c" if p.quantity == "temperature" else "pct"
        lines += _part(
            "[[probes]]",
            id=p.id,
            topic=p.topic,
            unit=p.unit,
            list_pointer=p.list_pointer,
            pointer=p.pointer,
            time_pointer=p.time_pointer,
            time_form=p.time_form,
            interval=f"{p.interval_s:g} s",
            quiet_after=f"{p.quiet_after_s:g} s",
            box=p.box,
            stack=p.stack,
            height_cm=p.height_cm,
            compared=p.compared or None,
            **{f"uncertainty_{kind}": p.standard_uncertainty},
        )
    return "\n".join(lines) + "\n"


def _part(head: str, **keys: str | float | bool | None) -> list[str]:
    """A table of the file; what is None is left out. A JSON value of these kinds is a TOML value."""
    return ["", head, *(f"{key} = {json.dumps(value)}" for key, value in keys.items() if value is not None)]


def clock(at_min: int) -> str:
    """A simulated moment: day 0 is the first."""
    return f"day {at_min // DAY} {at_min % DAY // HOUR:02d}:{at_min % HOUR:02d}"


# -- who watches -------------------------------------------------------------------------------------------------


class Silent:
    """Nobody: only the summary is wanted."""

    def happened(self, at_min: int, name: str) -> None: ...
    def told(self, at_min: int, notice: Notice) -> None: ...
    def moment(self, at_min: int, snapshot: Snapshot, said: dict[str, float]) -> None: ...


class Plain:
    """One line for each thing that happens."""

    def __init__(self, console: Console) -> None:
        self.console = console
        console.print(SIMULATED, markup=False)

    def happened(self, at_min: int, name: str) -> None:
        self.console.print(f"{clock(at_min)}  script   {name}", markup=False)

    def told(self, at_min: int, notice: Notice) -> None:
        self.console.print(f"{clock(at_min)}  {notice.urgency:<7}  {notice.title}", markup=False)

    def moment(self, at_min: int, snapshot: Snapshot, _said: dict[str, float]) -> None:
        if at_min % _STATUS_EVERY_MIN == 0:
            parts = [f"{b.box.id} {b.now_c:.1f}" for b in snapshot.boxes if b.now_c is not None]
            parts += [
                f"{name_eggs(x.lot.id)} {100 * x.past.development:.0f} %" for x in snapshot.lots if x.past is not None
            ]
            self.console.print(f"{clock(at_min)}  all      {', '.join(parts)}", markup=False)


class OnScreen:
    """A picture of the room that changes."""

    def __init__(self, console: Console) -> None:
        self.console = console
        self.events: deque[Text] = deque(maxlen=_SHOWN)
        self.live = Live(console=console, auto_refresh=False, transient=True)
        self.drawn = 0.0
        self.began = time.monotonic()

    def __enter__(self) -> OnScreen:
        self.live.__enter__()
        return self

    def __exit__(self, *error: object) -> None:
        self.live.__exit__(None, None, None)

    def happened(self, at_min: int, name: str) -> None:
        self.events.append(Text(f"{clock(at_min)}  script   {name}", style="dim"))

    def told(self, at_min: int, notice: Notice) -> None:
        style = "green" if notice.change == "cleared" else _STYLE[notice.urgency]
        self.events.append(Text(f"{clock(at_min)}  {notice.urgency:<7}  {notice.title}", style=style))

    def moment(self, at_min: int, snapshot: Snapshot, said: dict[str, float]) -> None:
        now = time.monotonic()
        if now - self.drawn >= _REFRESH_S:
            self.drawn = now
            self.live.update(self._picture(at_min, snapshot, said), refresh=True)

    def _picture(self, at_min: int, snapshot: Snapshot, said: dict[str, float]) -> Group:
        table = Table(title=f"SIMULATED ROOM   {clock(at_min)}   ({100 * at_min / LENGTH_MIN:.0f} %)", expand=True)
        for name in ("box", "probe says", "box", "eggs", "development", "first pip, 8 chances in 10"):
            table.add_column(name, no_wrap=True)
        lots = {x.lot.box: x for x in snapshot.lots if x.lot.open}
        for box in reversed(snapshot.boxes):
            value = said.get(f"{box.box.id}-warmth")
            lot = lots.get(box.box.id)
            warm = box.now_c is not None and box.limits.too_warm_c is not None and box.now_c >= box.limits.too_warm_c
            table.add_row(
                f"{box.box.id} ({box.box.height_cm:.0f} cm)",
                "nothing" if value is None else f"{value:.2f} °C",
                Text("" if box.now_c is None else f"{box.now_c:.1f} °C", style="bold red" if warm else ""),
                "" if lot is None else f"{lot.clutch.id}, {lot.lot.eggs}",
                "" if lot is None or lot.past is None else f"{100 * lot.past.development:.1f} %",
                "" if lot is None else _window(lot),
            )
        return Group(Text(SIMULATED, style="reverse"), table, *self.events)


def _window(lot: LotNow) -> str:
    if lot.lot.pipped:
        return f"{lot.lot.pipped} of {lot.lot.eggs_set} pipped"
    if lot.first_pip is None:
        return lot.refused
    window = lot.first_pip.window
    first, last = ((at_ms - START_MS) / 60_000 / DAY for at_ms in (window.p10_ms, window.p90_ms))
    return f"day {first:.1f} to day {last:.1f}"


# -- the end -----------------------------------------------------------------------------------------------------


def show(summary: Summary, console: Console, kept: str | None = None, *, page: bool = False) -> None:
    """The summary table and the verdict; ``page``: with how to see the room on its page."""
    console.print(Text("\nWhat was scripted, which notice was expected of it, and when it came", "bold"))
    before = None
    for line in summary.lines:
        if line.because != before:
            before = line.because
            at = "never" if line.because_at_min is None else clock(line.because_at_min)
            console.print(f"{at}  {line.because}", markup=False)
        verdict, style = ("ok", "green") if line.ok else ("MISSING", "bold red")
        console.print(Text(f"  {verdict:<8}", style), Text(_expectation(line)), sep="")
    for arrival in summary.unexpected:
        console.print(
            Text(f"UNEXPECTED  {clock(arrival.at_min)}  {arrival.kind} {arrival.change}: {arrival.subject}", "bold red")
        )
    met = sum(line.ok for line in summary.lines)
    console.print(
        f"{met} of {len(summary.lines)} lines as expected, {len(summary.unexpected)} unexpected; {summary.notices} "
        f"notices, {summary.undelivered} of them not delivered to the log; {summary.readings} readings in "
        f"{summary.rounds} rounds; {summary.simulated_min / DAY:.0f} simulated days in {summary.real_s:.1f} s.",
        markup=False,
    )
    console.print(
        Text("REHEARSAL PASSED" if summary.ok else "REHEARSAL FAILED", "bold green" if summary.ok else "bold red")
    )
    if kept is not None:
        file = shlex.quote(str(Path(kept) / "room.toml"))
        # The room's zone is UTC. As of today nothing was heard of it for years.
        end = datetime.fromtimestamp(START_MS / 1000 + 60 * summary.simulated_min, UTC)
        console.print(
            f"Its data and log stay in {kept}; look at them as they were at the end:\n"
            f'warmtally boxes --config {file} --at "{end:%Y-%m-%d %H:%M}"',
            markup=False,
        )
    if page:
        console.print("To see this room on its page, live while it plays: warmtally rehearse --page", markup=False)
    console.print(f"{SIMULATED}\n{CAUTION}", markup=False)


def _expectation(line: Verdict) -> str:
    want = line.expected
    if want is None:
        return "no notice expected of it"
    came = "-" if line.came_after_min is None else f"after {_span(line.came_after_min)}"
    allowed = f"{_span(want.from_min)} to {_span(want.to_min)}"
    return f"{want.kind:<16}{want.change:<8}{want.subject:<14}{came:<13} (allowed {allowed})"


def _span(minutes: int) -> str:
    return f"{minutes} min" if abs(minutes) < 2 * HOUR else f"{minutes / HOUR:.1f} h"
