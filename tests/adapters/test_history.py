"""History read back from a real database: equal to what was stored, whatever the names; what is no answer is told."""

from __future__ import annotations

import contextlib
import json
import random
import re
import threading
import time
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters import history as module
from monitor.adapters.history import RoomHistory
from monitor.adapters.shipping import DerivedPoint, Shipper, derived_points, line
from monitor.adapters.store import Store
from monitor.core.terms.events import Flag, Reading
from monitor.core.terms.settings import HistoryAt, Shipping
from monitor.errors import HistoryRefused, HistoryUnreachable, MonitorError, UnknownSubject, UsageError
from tests.adapters.test_shipping import a_room
from tests.adapters.test_shipping import settings as shipping_settings
from tests.peers import PROJECT, free_port, wait_for
from tests.v2front import BUCKET, Front, Influx, _get, influx_with_front, victoria

pytestmark = pytest.mark.xdist_group("shipping")

T0 = 1_780_000_000_000 // 3_600_000 * 3_600_000
END = T0 + 100 * 86_400_000
HOSTILE = ("it's", 'a"b', "x' OR 'x'='x", "back\\slash", "ü β", "' ; DROP MEASUREMENT box", "a=b,c d", "{room}", "''")


@pytest.fixture(scope="module")
def servers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Influx, Front]]:
    with influx_with_front(tmp_path_factory.mktemp("influx")) as both:
        yield both


@pytest.fixture
def influx(servers: tuple[Influx, Front]) -> tuple[Influx, Front]:
    servers[0].ask(f'DROP DATABASE "{BUCKET}"')
    servers[0].ask(f'CREATE DATABASE "{BUCKET}"')
    return servers


def read_from(database: Influx) -> RoomHistory:
    return RoomHistory(HistoryAt(database.url, "{room}"), BUCKET)


def written(database: Influx, *points: DerivedPoint) -> None:
    body = "\n".join(line(point) for point in points).encode()
    assert _get(f"{database.url}/write?db={BUCKET}&precision=ms", body)[0] == 204


def box_point(box: str, at_ms: int, value: float) -> DerivedPoint:
    return DerivedPoint("box", {"box": box, "stack": "s"}, {"temperature_c": value, "uncertainty_c": 0.3}, at_ms)


@pytest.mark.parametrize("seed", range(3))
def test_every_reading_that_was_stored_is_read_back_as_it_was(
    tmp_path: Path, influx: tuple[Influx, Front], monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    # Several pages, the last of them full, or not.
    monkeypatch.setattr(module, "ROWS_A_PAGE", 50)
    draw = random.Random(seed)
    database, front = influx
    stored: dict[str, dict[int, tuple[float, int]]] = {}
    with Store(tmp_path, create=True) as store:
        for probe in ("left-upper", "left-lower"):
            times = draw.sample(range(T0, T0 + 3_600_000), draw.choice((50, 100, 133)))
            kept = [Reading(probe, at, draw.uniform(-20, 60), at, draw.choice(list(Flag)[:4])) for at in times]
            store.journal.ingest(kept)
            stored[probe] = {r.at_ms: (r.value, int(r.flag)) for r in kept}
        shipper = Shipper(shipping_settings(front.url), tmp_path, lambda: END, first_wait_s=0.05)
        shipper.start()
        wait_for(lambda: shipper.status().state == "whole", "everything to be shipped")
        shipper.stop()
    history = read_from(database)
    for probe, those in stored.items():
        found = list(history.readings(probe, T0, END))
        assert [x.at_ms for x in found] == sorted(those)
        assert {x.at_ms: (x.value, x.flag) for x in found} == those
        middle = T0 + 1_800_000
        assert {x.at_ms for x in history.readings(probe, T0, middle)} == {at for at in those if at < middle}
    assert list(history.readings("no-such-probe", T0, END)) == []


@pytest.mark.parametrize("seed", range(3))
def test_steps_of_a_box_are_what_its_values_come_to(influx: tuple[Influx, Front], seed: int) -> None:
    draw = random.Random(seed)
    every = draw.choice((60_000, 600_000, 3_600_000))
    values = {T0 + 60_000 * n: draw.uniform(24, 33) for n in draw.sample(range(600), 200)}
    written(influx[0], *(box_point("upper", at, value) for at, value in values.items()), box_point("other", T0, 99.0))
    found = {step.from_ms: step for step in read_from(influx[0]).box("upper", T0, T0 + 36_000_000, every)}
    groups: dict[int, list[float]] = {}
    for at, value in values.items():
        groups.setdefault(at // every * every, []).append(value)
    assert set(found) == set(groups)
    for at, those in groups.items():
        assert (found[at].count, found[at].low, found[at].high) == (len(those), min(those), max(those))
        assert found[at].mean == pytest.approx(sum(those) / len(those), rel=1e-12)
    whole = read_from(influx[0]).boxes(T0, T0 + 36_000_000)
    assert list(whole) == ["other", "upper"]
    assert (whole["upper"].count, whole["upper"].low) == (len(values), min(values.values()))


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_means_itself_and_nothing_else(influx: tuple[Influx, Front], name: str) -> None:
    # A backslash cannot be shipped in a tag (it becomes a slash), so nothing is found under it.
    written(influx[0], box_point(name, T0, 28.0), box_point("another", T0, 29.0))
    found = read_from(influx[0]).box(name, T0, T0 + 1000, 1000)
    assert [step.mean for step in found] == ([] if "\\" in name else [28.0])
    assert set(read_from(influx[0]).boxes(T0, T0 + 1000)) == {name.replace("\\", "/"), "another"}


@pytest.mark.parametrize("name", ["", "a\nb", "\x00", "a" * 201])
def test_what_cannot_be_a_name_is_not_asked_for(name: str) -> None:
    with pytest.raises(UsageError, match="no name of a box or probe"):
        RoomHistory(HistoryAt("http://127.0.0.1:9"), "room").box(name, 0, 1000, 1000)


def test_a_database_that_is_not_there_is_told_with_what_to_do(influx: tuple[Influx, Front]) -> None:
    with pytest.raises(UnknownSubject, match="no database 'cellar'") as told:
        RoomHistory(HistoryAt(influx[0].url), "cellar").boxes(T0, END)
    assert "influx v1 dbrp create" in (told.value.fix or "")
    with pytest.raises(HistoryUnreachable, match="does not answer"):
        RoomHistory(HistoryAt(f"http://127.0.0.1:{free_port()}"), "cellar").boxes(T0, END)


def test_one_that_speaks_no_influxql_has_nothing_to_say(tmp_path: Path) -> None:
    """victoria-metrics takes what is shipped, and answers every such question with nothing."""
    with victoria(tmp_path) as server:
        assert _get(f"{server.url}/write?precision=ms", line(box_point("upper", T0, 28.0)).encode())[0] == 204
        wait_for(lambda: server.held("box_temperature_c", box="upper") == {T0: 28.0}, "the value to be there")
        assert RoomHistory(HistoryAt(server.url), BUCKET).boxes(T0, END) == {}


@contextlib.contextmanager
def answering(answer: Callable[[BaseHTTPRequestHandler], None]) -> Iterator[str]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            with contextlib.suppress(OSError):
                answer(self)

        def log_message(self, *_: object) -> None: ...

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        server.server_close()


def says(status: int, body: bytes, **headers: str) -> Callable[[BaseHTTPRequestHandler], None]:
    def answer(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(status)
        for name, value in headers.items():
            handler.send_header(name, value)
        handler.end_headers()
        handler.wfile.write(body)

    return answer


def drips(handler: BaseHTTPRequestHandler) -> None:
    handler.send_response(200)
    handler.end_headers()
    while True:
        handler.wfile.write(b" ")
        handler.wfile.flush()
        time.sleep(0.05)


def endless(handler: BaseHTTPRequestHandler) -> None:
    handler.send_response(200)
    handler.end_headers()
    while True:
        handler.wfile.write(b" " * 65_536)


@pytest.mark.parametrize(
    ("answer", "error", "words"),
    [
        (says(200, b"<html>"), HistoryRefused, "no JSON"),
        (says(200, b"[" * 100_000), HistoryRefused, "no JSON"),
        (says(200, b"[]"), HistoryRefused, "no JSON"),
        (says(200, b"{}"), HistoryRefused, "it says"),
        (says(200, b'{"results": [3]}'), HistoryRefused, "it says"),
        (says(200, b'{"results": [{"series": [{"columns": 1}]}]}'), HistoryRefused, "a series is"),
        (says(200, b'{"results": [{"series": [], "partial": true}]}'), HistoryRefused, "a part of the answer"),
        (says(200, b'{"results": [{"error": "no such thing"}]}'), HistoryRefused, "no such thing"),
        (says(401, b'{"error": "s3cret is no token"}'), HistoryRefused, r"\(token\) is no token"),
        (says(404, b'{"message": "no dbrp mapping found"}'), UnknownSubject, "no database"),
        (says(500, b"\xff\xfe"), HistoryRefused, "status 500"),
        (says(302, b"", Location="http://127.0.0.1:9/elsewhere"), HistoryRefused, "status 302"),
        (drips, HistoryUnreachable, "takes more than"),
        (endless, HistoryUnreachable, "more than 1 MiB"),
    ],
)
def test_what_is_no_answer_is_told_in_time_and_within_bounds(
    monkeypatch: pytest.MonkeyPatch,
    answer: Callable[[BaseHTTPRequestHandler], None],
    error: type[MonitorError],
    words: str,
) -> None:
    monkeypatch.setattr(module, "ANSWER_S", 1.0)
    monkeypatch.setattr(module, "LARGEST_ANSWER", 2**20)
    with answering(answer) as url, pytest.raises(error, match=words) as told:
        RoomHistory(HistoryAt(url, token="s3cret"), "attic").boxes(T0, END)
    assert "s3cret" not in str(told.value)


def test_rows_of_another_form_are_left_out_and_the_token_goes_in_the_header() -> None:
    heads: list[str] = []
    rows: list[Any] = [[T0, 28.0, 1], None, "row", [T0 + 1], [T0 + 2, None, 1], [T0 + 3, True, 1], [T0 + 4, "28", 1]]
    rows.append([T0 + 5, 29.0, 4])
    body = json.dumps({"results": [{"series": [{"columns": ["time", "value", "flag"], "values": rows}]}]}).encode()

    def answer(handler: BaseHTTPRequestHandler) -> None:
        heads.append(handler.headers["Authorization"])
        says(200, body)(handler)

    with answering(answer) as url:
        found = list(RoomHistory(HistoryAt(url, token="s3cret"), "attic").readings("p", T0, END))
    assert [(x.at_ms, x.value, x.flag) for x in found] == [(T0, 28.0, 1), (T0 + 5, 29.0, 4)]
    assert heads == ["Token s3cret"]


def test_the_document_says_what_is_shipped(influx: tuple[Influx, Front]) -> None:
    """Measurements, tags and fields as deploy/README.md has them are those of every line that is sent."""
    text = (PROJECT / "deploy" / "README.md").read_text().partition("what lies there")[2].partition("## ")[0]
    documented = {
        m[1]: (set(re.findall(r"`(\w+)`", m[2])), set(re.findall(r"`(\w+)`", m[3])))
        for m in re.finditer(r"^\| `(\w+)` \| (.*?) \| (.*?) \|", text, re.M)
    }
    sent: dict[str, tuple[set[str], set[str]]] = {}
    shipper = Shipper(Shipping("http://x", "o", "b", "t"), ".", lambda: 0, quantities={"p": "weight"}, units={"p": "g"})
    for told in (shipper._reading("p", T0, 1.0, 1), *(line(p) for p in derived_points(a_room()))):
        name, fields, _ = re.split(r"(?<!\\) ", told)
        tags, keys = sent.setdefault(name.split(",")[0], (set(), set()))
        tags.update(part.partition("=")[0] for part in name.split(",")[1:])
        keys.update(part.partition("=")[0] for part in fields.split(","))
    assert documented == sent
