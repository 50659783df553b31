"""The page under attack while readings arrive and notices are due: what was refused, what was harmless, what it cost.

The real command with a page, a real broker, a real receiver of notices. Two hundred slow clients stay all the while;
meanwhile come requests from elsewhere, under other names, too large, climbing out of their place, with two meanings,
forged, flooding; codes are guessed from many addresses, and more telephones listen than are allowed. A box gets too
warm again and again, before and meanwhile, and each notice is timed until it is received. At last every page that links
lead to is read as a browser would: what a keeper, a device or a stranger wrote must stand there as words.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import socket
import statistics
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from monitor.config.room_file import check
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.errors import MonitorError
from monitor.page.bounds import Bounds
from tests.bench import Figures
from tests.bench.footprint import process_facts, unit_environment
from tests.bench.hostile_asking import ELSEWHERE, MARK, REFUSED, RawAnswer, seen, send, shapes
from tests.bench.page_room import ask
from tests.bench.process import Beat, Publisher, Service, message, now_ms, room, service, timed, toml, until
from tests.bench.sign_ins import KEEPER, PHRASE, ask_with, asked, enter_people, tried, try_wrong
from tests.bench.slow_clients import SlowClients
from tests.peers import free_port, mosquitto, wait_for
from tests.sinks import Sink, http_sink

IN_NAME: Final = MARK.replace("mark()", "mark(0)")
"""Stands on every page; so the other one shows whether pages have what others wrote."""
EVERY_S: Final = 0.1
WARM_C: Final = 31.0
USUAL_C: Final = 28.0
MOST_RATIO: Final = 1.5
MOST_LATER_S: Final = 1.0
MOST_GROWTH_MB: Final = 25.0
MOST_PAGES: Final = 150
BEGIN_AT: Final = ("/", "/probes", "/notices", "/clutches", "/season", "/tasks", "/labels", "/enter")


@dataclass
class Harm:
    """Counts, and what did harm."""

    figures: dict[str, float | int | str | bool | None] = field(default_factory=dict)
    short: list[str] = field(default_factory=list)

    def wrong(self, what: str) -> None:
        if len(self.short) < 40:
            self.short.append(what)


@dataclass
class Attacked:
    """The running service, its page, and what comes in and goes out meanwhile."""

    run: Service
    page: int
    publisher: Publisher
    hook: Sink
    sent: dict[int, float] = field(default_factory=dict)
    others: tuple[str, ...] = ()
    hot: set[str] = field(default_factory=set)
    _last_ms: int = 0

    def reading(self, _: int) -> None:
        """One reading of each box; those in ``hot`` are too warm."""
        self._last_ms = max(now_ms(), self._last_ms + 1)
        value = round(USUAL_C + len(self.sent) % 7 / 100, 2)
        self.sent[self._last_ms] = value
        self.publisher.publish("eggs/upper", message(self._last_ms, value))
        for box in self.others:
            self.publisher.publish(f"eggs/{box}", message(self._last_ms, WARM_C + 2.0 if box in self.hot else value))

    def notice_s(self) -> float:
        """From a reading that is too warm to its notice at the receiver. Each time of another box: one that comes and
        goes would be watched for longer."""
        box = next(b for b in self.others if b not in self.hot)
        began = time.monotonic()
        self.hot.add(box)
        wait_for(
            lambda: any(a.title.startswith(f"Too warm: box {box} ") for a in list(self.hook.arrivals)),
            f"the notice of box {box}, which is too warm",
        )
        return time.monotonic() - began


# -- names that are scripts ----------------------------------------------------------------------------------------


def hostile_tables(broker: int, hook: int, page: int, others: Sequence[str]) -> dict[str, Any]:
    """A room whose names are scripts, wherever its file takes them."""
    tables: dict[str, Any] = dict(
        room(
            ["upper", "lower", *others],
            [timed(box, box) for box in ("upper", *others)],
            port=broker,
            limits={"too_warm_c": WARM_C, "deadband_c": 0.5},
            page={"listen": f"127.0.0.1:{page}"},
        )
    )
    probes = [*tables["probes"], {"id": "third", "topic": f"eggs/{MARK}", "unit": "C", "box": "lower", "interval": 60}]
    # Each box has people of its own: else the second would wait for more to be told with it.
    channels = [
        {"id": f"to-{box}", "url": f"json://127.0.0.1:{hook}/{box}", "stacks": [f"stack-{box}"]}
        for box in ("upper", "lower", *others)
    ]
    tables |= {
        "channels": channels,
        "room": {**tables["room"], "name": f"Room {IN_NAME}"},
        "calendar": {**tables["calendar"], "feed": True},
        "probes": probes,
    }
    return tables


def names_refused(tables: dict[str, Any], folder: Path, harm: Harm) -> None:
    """Ids that are scripts: the file is refused for each."""
    file = folder / "refused.toml"
    for part, inner in (("probes", ""), ("stacks", ""), ("stacks", "boxes"), ("channels", "")):
        changed = {name: value for name, value in tables.items() if name != "pace"}
        first, *rest = changed[part]
        first = {**first, inner: [{**first[inner][0], "id": MARK}]} if inner else {**first, "id": MARK}
        file.write_text(toml({**changed, part: [first, *rest]}))
        if not check(file):
            harm.wrong(f"the file takes a script as the id of {inner or part}")
        harm.figures["ids that are scripts: refused by the file"] = (
            int(harm.figures.get("ids that are scripts: refused by the file") or 0) + 1
        )


def told_scripts(run: Service, harm: Harm) -> None:
    """Entries whose every text is a script: what the account does not refuse stands on pages."""
    at = now_ms() - 86_400_000
    laid = {"kind": EventKind.LAID, "clutch": "K01", "species": "natrix-natrix", "eggs": 8, "at_ms": at}
    entries: list[dict[str, object]] = [{**laid, "clutch": MARK}, {**laid, "species": MARK}]
    entries += [{**laid, "dam": MARK, "sire": MARK, "line": MARK, "text": MARK, "by": MARK}, laid]
    entries.append({"kind": EventKind.SET, "clutch": "K01", "box": MARK, "eggs": 1, "at_ms": at + 500})
    entries.append({"kind": EventKind.SET, "clutch": "K01", "box": "lower", "eggs": 6, "at_ms": at + 1000})
    entries.append({"kind": EventKind.NOTE, "clutch": "K01", "text": MARK, "by": MARK, "at_ms": at + 2000})
    counts = Counter[str]()
    with run.store() as store:
        for entry in entries:
            try:
                store.account.tell(KeeperEvent(**{"recorded_ms": at, **entry}))  # type: ignore[arg-type]
                counts["taken"] += 1
            except MonitorError:
                counts["refused"] += 1
    harm.figures |= {f"entries of scripts: {name}": n for name, n in counts.items()}


def read_pages(attacked: Attacked, harm: Harm) -> None:
    """Every page that links lead to, as a browser would take it."""
    todo, done, marked = [*BEGIN_AT], set[str](), 0
    while todo and len(done) < MOST_PAGES:
        path = todo.pop(0)
        if path in done:
            continue
        done.add(path)
        answer = ask(attacked.page, path, f"127.0.3.{1 + len(done) % 50}")
        if answer.status >= 500:
            harm.wrong(f"{path}: {answer.status}")
        if "html" not in answer.headers.get("content-type", ""):
            continue
        page = seen(answer.body.decode())
        marked += "mark()" in answer.body.decode()
        for what in page.wrong:
            harm.wrong(f"{path} holds {what}")
        todo += [x for x in page.links if x not in done]
    harm.figures |= {"pages read as a browser does": len(done), "of them with a script as words": marked}
    if not marked:
        harm.wrong("no page showed a script as words: nothing was proved")


# -- requests ------------------------------------------------------------------------------------------------------


def ask_hostile(attacked: Attacked, harm: Harm) -> None:
    """Every hostile request, each from an address of its own."""
    counts = Counter[str]()
    form = asked(attacked.page, "/enter", "127.0.4.250")
    for n, shape in enumerate(shapes(form.cookie, form.form_key)):
        answer = send(attacked.page, shape.data, f"127.0.4.{1 + n % 200}")
        counts[f"{shape.family}: asked"] += 1
        for status in answer.statuses[:1]:
            counts[f"{shape.family}: answered with {status}"] += 1
        first = shape.data[:60]
        # What hides behind a request may be refused by itself, but never answered.
        if not set(answer.statuses[:1]) <= shape.may or not set(answer.statuses[1:]) <= REFUSED:
            harm.wrong(f"{shape.family}: {first!r} was answered with {answer.statuses}")
        if b"root:" in answer.data or b"smuggled" in answer.data:
            harm.wrong(f"{shape.family}: {first!r} got what it should not")
        harm_by_answer(answer, f"{shape.family}: {first!r}", harm)
    harm.figures |= dict(sorted(counts.items()))


def harm_by_answer(answer: RawAnswer, name: str, harm: Harm) -> None:
    for to in answer.leads:
        if (ELSEWHERE in to.partition("?")[0] and not to.startswith("/enter")) or to.startswith(("//", "/\\")):
            harm.wrong(f"{name} leads to {to[:80]!r}")
    if b"\r\nset-cookie: a=b" in answer.data.lower():
        harm.wrong(f"{name} set a cookie")


def guess_codes(attacked: Attacked, harm: Harm, callers: int = 40, each: int = 16) -> None:
    """Codes of notices and of the calendar, from many addresses."""
    counts = Counter[int]()
    for caller, n in itertools.product(range(callers), range(each)):
        path = f"/a/{caller:06}ABCDEFGH{n:04}" if n % 2 else f"/c/{caller:030}{n:04}.ics"
        counts[ask(attacked.page, path, f"127.0.5.{1 + caller}").status] += 1
    harm.figures |= {f"guessed codes: answered with {status}": n for status, n in sorted(counts.items())}
    if set(counts) - {404, 429, 503}:
        harm.wrong(f"guessed codes were answered with {sorted(counts)}")
    if not counts[429]:
        harm.wrong("nobody was told that these were enough wrong codes")


@contextlib.contextmanager
def listeners(attacked: Attacked, harm: Harm) -> Iterator[None]:
    """More telephones than are allowed, of one caller and then of others: for each too many an older one is cut."""
    lines: list[socket.socket] = []
    with contextlib.ExitStack() as stack:
        for name, sources, most in (
            ("ten of one caller", ["127.0.6.1"] * 10, Bounds().streams_of_one),
            ("forty others beside", [f"127.0.6.{n}" for n in range(10, 50)], Bounds().streams),
        ):
            for source in sources:
                place = ("127.0.0.1", attacked.page)
                line = stack.enter_context(socket.create_connection(place, timeout=30, source_address=(source, 0)))
                line.sendall(b"GET /live HTTP/1.1\r\nHost: localhost\r\n\r\n")
                line.recv(12)
                lines.append(line)
            time.sleep(1.0)
            stand = sum(_stands(line) for line in lines)
            harm.figures[f"listeners, {name}: lines that stand"] = stand
            if not 0 < stand <= most:
                harm.wrong(f"listeners, {name}: {stand} stand, {most} are allowed")
        yield


def _stands(line: socket.socket) -> bool:
    """Whether a line stands, once all that came by it was read."""
    line.setblocking(False)
    try:
        while line.recv(65536):
            pass
    except BlockingIOError:
        return True
    except OSError:
        return False
    return False


def sign_in_wrongly(attacked: Attacked, harm: Harm) -> list[float]:
    """Somebody is entered from now on; what gets in without being let in, and how long a notice takes meanwhile."""
    cookies, refused = enter_people(attacked.run.data)
    if not refused:
        harm.wrong("a script was taken as the name of a person")
    found = ask_with(attacked.page, cookies)
    harm.figures |= {f"cookies forged or old: {what}": n for what, n in sorted(found.items())}
    if any(x.endswith(" 200") for x in found) or "to enter, answered with 303" in found:
        harm.wrong(f"a forged or old cookie opened something: {dict(found)}")
    took: list[float] = []
    before = tried(attacked.page, "127.0.9.2", KEEPER, PHRASE)
    wrong = try_wrong(attacked.page, lambda: took.append(attacked.notice_s()))
    harm.figures |= {f"wrong passphrases: answered with {status}": n for status, n in sorted(wrong.items())}
    if set(wrong) - {401, 429, 503}:
        harm.wrong(f"wrong passphrases were answered with {dict(wrong)}")
    # From where somebody signed in already they get in again, however many guess elsewhere.
    again = tried(attacked.page, "127.0.9.2", KEEPER, PHRASE)
    looked = asked(attacked.page, "/notices", "127.0.9.2", again.cookie)
    harm.figures["the keeper signs in before them, again after them, looks"] = (
        f"{before.status}, {again.status}, {looked.status}"
    )
    if (before.status, again.status, looked.status) != (303, 303, 200):
        harm.wrong(f"the keeper was kept out: {before.status}, {again.status}, {looked.status}")
    return took


# -- the run -------------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def attacked_room(folder: Path, harm: Harm, cycles: int) -> Iterator[Attacked]:
    page, others = free_port(), tuple(f"box{n}" for n in range(2 * cycles + 2))
    with http_sink() as hook, mosquitto(folder / "broker") as broker:
        tables = hostile_tables(broker.port, hook.port, page, others)
        names_refused(tables, folder, harm)
        with service(folder / "room", tables) as run, Publisher(broker.port) as publisher:
            run.start(**unit_environment())
            run.wait_up()
            told_scripts(run, harm)
            attacked = Attacked(run, page, publisher, hook, others=others)
            for topic in ("eggs/upper", f"eggs/{MARK}"):
                publisher.publish(topic, MARK)
            with Beat(attacked.reading, EVERY_S):
                yield attacked
            publisher.wait_acknowledged()
            sent = set(attacked.sent.items())

            def lost() -> int:
                return len(sent - set(zip(*(x.tolist() for x in run.readings("upper")), strict=True)))

            until(lambda: lost() == 0, 15.0, 0.5)
            harm.figures |= {"readings sent": len(sent), "readings lost": lost()}
            if lost():
                harm.wrong(f"{lost()} readings were lost")


def measure(slow: int = 200, callers: int = 40, cycles: int = 5) -> Figures:
    """``slow`` clients from ``callers`` addresses; ``cycles`` notices before, and as many meanwhile."""
    harm = Harm()
    with tempfile.TemporaryDirectory() as name, attacked_room(Path(name), harm, cycles) as attacked:
        assert attacked.run.process is not None
        pid = attacked.run.process.pid
        wait_for(lambda: ask(attacked.page, "/").status == 200, "the page")
        usual = [attacked.notice_s() for _ in range(cycles)]
        # Whatever is loaded when a page is first asked for is no growth.
        read_pages(attacked, Harm())
        before_mb = process_facts(pid)["resident_mb"]
        clients = SlowClients(attacked.page, slow, callers)
        clients.start()
        time.sleep(2.0)
        keeper: list[float] = []
        statuses = Counter[int]()

        def look(_: int) -> None:
            answer = ask(attacked.page, "/", "127.0.9.1")
            statuses[answer.status] += 1
            keeper.append(answer.first_s)

        with Beat(look, 1.0):
            meanwhile = [attacked.notice_s() for _ in range(max(cycles // 2, 1))]
            ask_hostile(attacked, harm)
            with listeners(attacked, harm):
                guess_codes(attacked, harm)
                meanwhile += [attacked.notice_s() for _ in range(max(cycles - cycles // 2, 1))]
            read_pages(attacked, harm)
        meanwhile += sign_in_wrongly(attacked, harm)
        clients.stop()
        facts = process_facts(pid)
        harm.figures |= {f"slow clients: {what}": n for what, n in sorted(clients.came.items())}
        _judge(harm, usual, meanwhile, keeper, statuses)
        harm.figures |= {"resident before_mb": before_mb, "resident after_mb": facts["resident_mb"]}
        harm.figures |= {"peak_mb": facts["peak_mb"], "load of the computer": f"{os.getloadavg()[0]:.1f}"}
        if facts["resident_mb"] - before_mb > MOST_GROWTH_MB:
            harm.wrong(f"memory grew by {facts['resident_mb'] - before_mb:.0f} MB")
        if "Traceback" in attacked.run.log() or "could not be made" in attacked.run.log():
            harm.wrong(f"the log tells of mistakes: {attacked.run.log()[-600:]}")
    return Figures(
        harm.figures,
        harm.short,
        [f"{os.cpu_count()} cores; times are by the clock, and whatever else the computer does is in both of a ratio"],
    )


def _judge(harm: Harm, usual: list[float], meanwhile: list[float], keeper: list[float], statuses: Counter[int]) -> None:
    """The notices, and the keeper who looks at the room each second."""
    before_s, during_s = statistics.median(usual), statistics.median(meanwhile)
    harm.figures |= {
        "notice, before: median_s": before_s,
        "notice, meanwhile: median_s": during_s,
        "notice, before: worst_s": max(usual),
        "notice, meanwhile: worst_s": max(meanwhile),
        "notice, meanwhile to before: ratio": during_s / before_s,
        "a keeper's room meanwhile: asked": len(keeper),
        "a keeper's room meanwhile: not answered": len(keeper) - statuses[200],
    }
    if keeper:
        harm.figures["a keeper's room meanwhile: first byte, median_ms"] = 1000 * statistics.median(keeper)
        harm.figures["a keeper's room meanwhile: first byte, worst_ms"] = 1000 * max(keeper)
    if during_s > MOST_RATIO * before_s + MOST_LATER_S:
        harm.wrong(f"a notice takes {during_s:.1f} s meanwhile, {before_s:.1f} s before")
    if not keeper or statuses[200] < len(keeper):
        harm.wrong(f"a keeper who looked meanwhile was answered with {dict(statuses)}")
