"""The API: what it answers is what the commands say and what its description promises, and nothing sent breaks it."""

from __future__ import annotations

import contextlib
import json
import re
import shutil
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator, FormatChecker
from schemathesis.specs.openapi.checks import negative_data_rejection, positive_data_acceptance
from starlette.testclient import TestClient
from starlette.types import Receive, Scope, Send

from monitor.adapters.people import PeopleFile
from monitor.adapters.store import Store
from monitor.config.room_file import load
from monitor.core.terms.people import RIGHTS
from monitor.page.api import ENDPOINTS
from monitor.page.api_calls import ApiAddress
from monitor.page.room import LatestRound
from tests.desk import Desk
from tests.page.rooms import NOW_MS, PHRASE, ShownRoom
from tests.season_room import NOW as SEASON_NOW
from tests.season_room import at_day, ms, season_desk

FORM: Final = "application/json"
PROBLEM: Final = "application/problem+json"
PIP: Final = {"kind": "pipped", "clutch": "K01", "box": "left-upper", "eggs": 1}
# Each address with what stands in its place, and the command that says the same.
SAME: Final = {
    "boxes": "boxes --json",
    "clutches": "clutch list --json",
    "clutches/K01": "clutch show K01 --json",
    "forecast": "forecast --json",
    "forecast?clutch=K01": "forecast K01 --json",
    "notices": "notices --limit 100 --json",
    "notices/1": "notices 1 --json",
    "probes": "probes --json",
    "tasks?days=60": "tasks --days 60 --json",
    "weights": "weights --json",
    "species": "species --json",
    "species/elaphe-taeniura": "species elaphe-taeniura --json",
}
OF_SEASON: Final = {
    "boxes/upper/course?days=2": "course upper --days 2 --json",
    "stacks/left?hours=48&wanted_c=28": "stack left --hours 48 --wanted 28 --json",
}


def seen(client: TestClient, place: str) -> Any:
    answer = client.get(f"/api/{place}")
    assert answer.status_code == 200, (place, answer.text)
    assert answer.headers["content-type"] == FORM
    return answer.json()


@contextlib.contextmanager
def clock_at(now_ms: int) -> Iterator[None]:
    """The clock of the commands."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(time, "time_ns", lambda: now_ms * 1_000_000)
        yield


@pytest.fixture(scope="module")
def season_room(tmp_path_factory: pytest.TempPathFactory) -> tuple[Desk, ShownRoom]:
    """A whole season, in which nothing is entered."""
    desk = season_desk(tmp_path_factory.mktemp("season"))
    settings_of_room = load(desk.folder / "room.toml", data_dir=desk.data)
    return desk, ShownRoom(settings_of_room, LatestRound(), ms(SEASON_NOW))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small room, made once."""
    folder = tmp_path_factory.mktemp("made")
    ShownRoom.small(folder, days=2)
    return folder


def room_in(made: Path, folder: Path) -> ShownRoom:
    """A room of one's own, as it was made."""
    shutil.copytree(made, folder, dirs_exist_ok=True)
    shown = ShownRoom(load(folder / "room.toml", data_dir=folder / "data"), LatestRound(), NOW_MS)
    shown.round()
    return shown


@pytest.fixture(scope="module")
def small(made: Path, tmp_path_factory: pytest.TempPathFactory) -> ShownRoom:
    """A room that is only looked at."""
    return room_in(made, tmp_path_factory.mktemp("small"))


# -- the same as the commands ------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_what_it_answers_is_what_the_commands_say(season_room: tuple[Desk, ShownRoom]) -> None:
    desk, shown = season_room
    for day in (30.0, 59.5, 72.1):
        shown.clock_ms = ms(at_day(day))
        with clock_at(shown.clock_ms):
            shown.round()
            for place, command in (SAME | OF_SEASON).items():
                said = desk(command).json
                assert seen(shown.client(), place) == (said[0] if place.startswith("stacks") else said), (day, place)


@pytest.mark.slow
def test_a_season_is_what_the_command_says(season_room: tuple[Desk, ShownRoom]) -> None:
    desk, shown = season_room
    shown.clock_ms = ms(SEASON_NOW)
    with clock_at(shown.clock_ms):
        said = desk("season 2026 --json").json
    assert said.pop("files") == []
    assert seen(shown.client(), "season/2026") == said


def test_one_box_is_the_one_of_all(small: ShownRoom) -> None:
    client = small.client()
    every = {box["box"]: box for box in seen(client, "boxes")}
    assert seen(client, "boxes/left-upper") == every["left-upper"]


def test_ages_are_of_now_though_the_service_hangs(small: ShownRoom) -> None:
    client, later_ms = small.client(), 2 * 3_600_000
    before = seen(client, "boxes/left-upper")
    assert before["temperature_c"] is not None
    small.clock_ms += later_ms
    try:
        after, told = seen(client, "boxes/left-upper"), seen(client, "state")
    finally:
        small.clock_ms = NOW_MS
    assert (after["temperature_c"], after["last_c"]) == (None, before["last_c"])
    assert after["age_s"] == before["age_s"] + later_ms / 1000
    assert after["lots"] == before["lots"], "eggs are told as they were when they were looked at"
    assert (told["watched"], told["round_age_s"]) == (False, later_ms / 1000)


def test_the_state_says_what_needs_a_hand(small: ShownRoom) -> None:
    told = seen(small.client(), "state")
    first = told["needs"][0]
    assert (first["urgency"], first["kind"], first["subjects"]) == ("now", "too-warm", ["left-upper"])
    notice = seen(small.client(), f"notices/{first['notice']}")
    assert (first["title"], first["first"]) == (notice["title"], notice["text"].splitlines()[0])
    assert {x["probe"]: x["age_s"] for x in told["probes"]}.keys() == {
        f"{b}-warmth" for b in ("left-upper", "left-lower", "right-upper", "right-lower")
    }
    assert all(0 <= x["age_s"] <= 600 for x in told["probes"])


# -- the same as its description ---------------------------------------------------------------------------------------


def described(client: TestClient) -> dict[str, Any]:
    found = client.get("/api/openapi.json").json()
    assert isinstance(found, dict)
    return found


FORMATS: Final = FormatChecker()


def _moment(value: object) -> bool:
    """ISO 8601 in UTC, which the library checks only with another one."""
    return not isinstance(value, str) or (value.endswith("Z") and datetime.fromisoformat(value).tzinfo is not None)


FORMATS.checks("date-time", raises=ValueError)(_moment)


def held_to(description: dict[str, Any], schema: dict[str, Any]) -> Draft202012Validator:
    return Draft202012Validator({**schema, "components": description["components"]}, format_checker=FORMATS)


def test_the_description_is_one(small: ShownRoom) -> None:
    told = described(small.client())
    assert told["openapi"] == "3.1.0"
    for schema in told["components"]["schemas"].values():
        Draft202012Validator.check_schema(schema)
        assert schema["description"], "every form says what it is"
    names = set(told["components"]["schemas"])
    assert set(re.findall(r"#/components/schemas/(\w+)", json.dumps(told))) == names, "no form is left over or missing"
    assert {(m.upper(), p) for p, ways in told["paths"].items() for m in ways} == {
        (x.method, x.path) for x in ENDPOINTS
    }
    operations = [way for ways in told["paths"].values() for way in ways.values()]
    assert len({x["operationId"] for x in operations}) == len(operations)
    bounds = [p["schema"] for x in operations for p in x["parameters"]]
    assert all("maximum" in b or "maxLength" in b for b in bounds), "every parameter has a bound"


@pytest.mark.slow
def test_answers_are_as_described(season_room: tuple[Desk, ShownRoom]) -> None:
    _, shown = season_room
    client = shown.client()
    told = described(client)
    asked = {
        "{box}": "upper", "{clutch}": "K01", "{stack}": "left", "{number}": "1", "{year}": "2026",
        "{species}": "caretta-caretta",
    }  # fmt: skip
    looked_at = set()
    for day in (0.05, 30.0, 59.5, 62.0, 72.1):
        shown.clock_ms = ms(at_day(day))
        shown.round()
        for path, ways in told["paths"].items():
            if "get" not in ways:
                continue
            place = re.sub(r"\{\w+\}", lambda m: asked[m[0]], path).lstrip("/")
            answer = client.get(f"/api/{place}")
            way = ways["get"]["responses"]["200" if answer.status_code == 200 else "default"]
            ((media, content),) = way["content"].items()
            assert answer.headers["content-type"] == media
            held_to(told, content["schema"]).validate(answer.json())
            looked_at |= {path} if answer.status_code == 200 else set()
    assert looked_at == {path for path, ways in told["paths"].items() if "get" in ways}


def test_a_description_that_does_not_fit_is_seen(small: ShownRoom) -> None:
    told = described(small.client())
    box = seen(small.client(), "boxes/left-upper")
    fits = held_to(told, {"$ref": "#/components/schemas/Box"})
    assert fits.is_valid(box)
    for wrong in (
        {**box, "more": 1},
        {**box, "height_cm": None},
        {**box, "last_at": "today"},
        {k: v for k, v in box.items() if k != "lots"},
    ):
        assert not fits.is_valid(wrong)


# -- refused -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("place", "status", "what"),
    [
        ("nothing", 404, "Not Found"),
        ("boxes/nobox", 404, "no box 'nobox'"),
        ("stacks/nostack", 404, "no stack 'nostack'"),
        ("clutches/K99", 404, "no clutch 'K99'"),
        ("forecast?clutch=K99", 404, "no clutch 'K99'"),
        ("species/..%2f..%2fetc", 404, ""),
        ("notices/9999", 404, "no notice 9999"),
        ("notices/first", 400, "number is not a whole number from 1"),
        ("notices/99999999999999999999", 400, "number is not a whole number from 1"),
        ("season/1899", 400, "year is not a whole number from 1990 to 2099"),
        ("season/2031", 404, "no clutch was laid in 2031"),
        ("account?limit=501", 400, "limit is not a whole number from 1 to 500"),
        ("account?offset=-1", 400, "offset is not a whole number from 0"),
        ("account?limit=1&limit=2", 400, "'limit' is there twice"),
        ("boxes?every=1", 400, "'every' is nothing to ask for here"),
        ("tasks?days=nan", 400, "days is not a whole number"),
        ("boxes/left-upper/course?days=401", 400, "days is not a number from 0.01 to 400"),
        ("boxes/left-upper/course?days=inf", 400, "days is not a number"),
        ("boxes/left-upper/course?days=1&from=yesterday", 400, "exclude each other"),
        ("boxes/left-upper/course?from=2020-01-01", 400, "more than 400 days"),
        ("boxes/left-upper/course?from=whenever", 400, "not a time"),
        ("stacks/left?hours=0", 400, "hours is not a number from 1"),
    ],
)
def test_what_cannot_be_answered_says_why_where_and_what_to_do(
    small: ShownRoom, place: str, status: int, what: str
) -> None:
    client = small.client()
    answer = client.get(f"/api/{place}")
    told = answer.json()
    assert (answer.status_code, told["status"], answer.headers["content-type"]) == (status, status, PROBLEM)
    assert what in told["what"]
    assert told["detail"].startswith(told["where"] or told["what"])
    held_to(described(client), {"$ref": "#/components/schemas/Problem"}).validate(told)
    if told["type"] != "about:blank":
        assert client.get(told["type"]).json() == {"id": told["id"], "title": told["title"]}


def test_before_the_first_round_it_says_so(small: ShownRoom) -> None:
    client = ShownRoom(small.settings, LatestRound(), NOW_MS).client()
    answer = client.get("/api/boxes")
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")
    assert answer.json()["what"] == "the service has looked at nothing yet"
    assert seen(client, "state")["round_at"] is None


# -- told --------------------------------------------------------------------------------------------------------------


@pytest.fixture
def told_to(made: Path, tmp_path: Path) -> tuple[ShownRoom, TestClient]:
    """A room that is entered into."""
    shown = room_in(made, tmp_path)
    return shown, shown.client()


def account(shown: ShownRoom) -> int:
    with Store(shown.settings.data_dir) as store:
        return len(store.account.events())


@pytest.mark.slow
def test_what_is_told_with_a_key_is_entered_once(told_to: tuple[ShownRoom, TestClient]) -> None:
    shown, client = told_to
    before = account(shown)
    pip = {"kind": "pipped", "clutch": "K01", "box": "left-upper", "eggs": 2, "at": "05:30", "by": "Ada"}
    first = client.post("/api/entries", json=pip, headers={"Idempotency-Key": "a-1"})
    shown.clock_ms += 60_000
    assert client.post("/api/entries", json={**pip, "key": "a-1"}).json() == first.json()
    assert account(shown) == before + 1
    (entry,) = first.json()["entries"]
    assert first.status_code == 201
    assert entry["says"] == "K01 pipped, 2026-06-01 05:30, 2 eggs, box left-upper, by Ada"
    held_to(described(client), {"$ref": "#/components/schemas/Entered"}).validate(first.json())
    other = client.post("/api/entries", json={**pip, "eggs": 3, "key": "a-1"})
    assert (other.status_code, other.json()["entry"]) == (409, entry["entry"])
    corrected = client.post(f"/api/entries/{entry['entry']}/correct", json={"eggs": 1}).json()["entries"][0]
    assert (corrected["corrects"], corrected["eggs"]) == (entry["entry"], 1)
    assert [e["entry"] for e in seen(client, f"account?offset={before}")] == [entry["entry"], corrected["entry"]]
    shown.round()
    (lot,) = (x for x in seen(client, "forecast?clutch=K01") if x["box"] == "left-upper")
    assert lot["pipped"] == 1
    for key in ("a-2", "a-2", "a-3"):
        taken = client.post(f"/api/entries/{entry['entry']}/correct", json={"withdraw": True, "key": key})
        assert taken.status_code == (201 if key == "a-2" else 404), "with its key it is taken back once"
        assert key != "a-2" or taken.json()["entries"][0]["withdrawn"] is True
    (lot,) = (x for x in seen(client, "clutches/K01")["lots"] if x["box"] == "left-upper")
    assert lot["pipped"] == 0


@pytest.mark.slow
def test_notices_are_answered_and_conditions_shelved(told_to: tuple[ShownRoom, TestClient]) -> None:
    shown, client = told_to
    hand = seen(client, "state")["needs"][0]
    for who in ("Ada", "Bert"):
        told = client.post(f"/api/notices/{hand['notice']}/answer", json={"by": who}).json()
        assert told["answered_by"] == "Ada, by a program"
    assert client.post(f"/api/notices/{hand['notice']}/answer", json={}).status_code == 200, "nothing has to be told"
    assert next(x for x in seen(client, "state")["needs"] if x["kind"] == hand["kind"])["state"] == "answered"
    shelf = {"kind": hand["kind"], "subject": hand["subjects"][0]}
    for span, until in ((3600, "2026-06-01T07:00:00Z"), (0, None)):
        assert client.post("/api/shelve", json={**shelf, "for_s": span}).json() == {**shelf, "until": until}
    with Store(shown.settings.data_dir) as store:
        assert store.ledger.conditions()[hand["kind"], hand["subjects"][0]].shelved_until_ms is None


@pytest.mark.slow
def test_what_cannot_be_taken_is_refused_and_nothing_written(told_to: tuple[ShownRoom, TestClient]) -> None:
    shown, client = told_to
    before = account(shown)
    wrong: list[tuple[str, Any, int, str]] = [
        ("entries", {"kind": "pipped", "clutch": "K01", "eggs": 1}, 422, "entry-undecided"),
        ("entries", {**PIP, "eggs": 100}, 409, "event-refused"),
        ("entries", {**PIP, "at": "2031-01-01"}, 409, "event-refused"),
        ("entries", {**PIP, "key": "no blanks"}, 400, "usage"),
        ("entries", {"kind": "set", "clutch": "K01", "box": "nobox", "eggs": 1}, 404, "unknown"),
        ("entries", {"kind": "laid", "clutch": "K09"}, 400, "usage"),
        ("entries", {"kind": "laid", "clutch": "K09", "species": "nothing-such", "eggs": 3}, 404, "unknown"),
        ("entries", {"kind": "weighed", "box": "left-upper"}, 400, "usage"),
        ("entries", {"kind": "note", "clutch": "K01"}, 400, "usage"),
        ("entries", {"kind": "eaten", "clutch": "K01"}, 400, "usage"),
        ("entries", {"kind": "note", "clutch": "K01", "note": "x" * 2001}, 400, "usage"),
        ("entries", {"kind": "note", "clutch": "K01", "note": "a\0b"}, 400, "usage"),
        ("entries", {"kind": "note", "clutch": "K01", "note": "a\x1b[2Jb"}, 400, "usage"),
        ("entries", {"kind": "pipped", "clutch": "K01", "eggs": True}, 400, "usage"),
        ("entries", {"kind": "pipped", "clutch": "K01", "eggs": 1.5}, 400, "usage"),
        ("entries", {"kind": "finished", "clutch": "K01", "all": True}, 400, "usage"),
        ("entries", {"kind": "note", "clutch": "K01", "note": "x", "more": 1}, 400, "usage"),
        ("entries", ["note"], 400, "usage"),
        ("entries/1/correct", {}, 400, "usage"),
        ("entries/77/correct", {"eggs": 1}, 404, "unknown"),
        ("notices/77/answer", {}, 404, "unknown"),
        ("shelve", {"kind": "too-warm", "subject": "nobox", "for_s": 60}, 404, "unknown"),
        ("shelve", {"kind": "too-warm", "subject": "left-upper", "for_s": 604_801}, 400, "usage"),
    ]  # fmt: skip
    for place, body, status, name in wrong:
        answer = client.post(f"/api/{place}", json=body)
        assert (answer.status_code, answer.json()["id"]) == (status, name), (body, answer.text)
        assert "--" not in answer.json()["detail"], "a program tells by keys"
    asks = client.post("/api/entries", json=wrong[0][1]).json()
    assert (asks["asks"], asks["choices"]) == ("box", ["left-upper", "left-lower"])
    for content, kind, status in (
        (b"{", FORM, 400), (b"\xff", FORM, 400), (b"NaN", FORM, 400), (b"[" * 60_000, FORM, 400),
        (rb'{"kind": "note", "clutch": "K01", "note": "\ud800"}', FORM, 400),
        (b'{"kind": "note"}', "text/plain", 415), (b"kind=note", "application/x-www-form-urlencoded", 415),
        (b" " * 70_000, FORM, 413),
    ):  # fmt: skip
        answer = client.post("/api/entries", content=content, headers={"content-type": kind})
        assert (answer.status_code, answer.headers["content-type"]) == (status, PROBLEM), content[:20]
    assert client.delete("/api/boxes").status_code == 405
    assert account(shown) == before


def test_whoever_may_only_look_tells_nothing(told_to: tuple[ShownRoom, TestClient]) -> None:
    shown, _ = told_to
    client, before = shown.visitor("Guest", "look"), account(shown)
    assert client.get("/api/boxes").status_code == 200
    for x in ENDPOINTS:
        if x.method == "POST":
            answer = client.post(f"/api{x.path.replace('{number}', '1')}", json={})
            assert (answer.status_code, answer.headers["content-type"]) == (403, PROBLEM), x.path
    assert account(shown) == before


def test_a_program_is_known_by_its_token(told_to: tuple[ShownRoom, TestClient]) -> None:
    shown, client = told_to
    people = PeopleFile(shown.settings.data_dir)
    people.add("Ada", "enter", None, PHRASE, shown.clock_ms)
    looks, enters = (people.add_token(f"{may}s", may, None, shown.clock_ms)[1] for may in RIGHTS)

    def sent(token: str, place: str = "boxes", body: Any = None) -> Any:
        head = {"Authorization": f"Bearer {token}"} if token else {}
        answer = client.request("POST" if body else "GET", f"/api/{place}", headers=head, json=body)
        assert answer.headers["content-type"] == (FORM if answer.status_code < 300 else PROBLEM)
        return answer

    assert [sent(token).status_code for token in ("", "nobodys", looks, enters)] == [401, 401, 200, 200]
    pip, before = {**PIP, "by": "somebody else"}, account(shown)
    assert [sent(token, "entries", pip).status_code for token in ("", "nobodys", looks)] == [401, 401, 403]
    assert account(shown) == before
    made = sent(enters, "entries", pip)
    assert (made.status_code, made.json()["entries"][0]["by"]) == (201, "enters")
    hand = sent(enters, "state").json()["needs"][0]["notice"]
    answered = sent(enters, f"notices/{hand}/answer", {"by": "somebody else"}).json()
    assert (answered["answered_by"], answered["answered_way"]) == ("enters, by a program", "program")


# -- whatever is sent --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def fuzzed(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The description as a fuzzer reads it, of a room that takes what it sends."""
    shown = room_in(made, tmp_path_factory.mktemp("fuzzed"))
    _, token = PeopleFile(shown.settings.data_dir).add_token("fuzzer", "enter", None, shown.clock_ms)
    app = shown.app()
    ours = [(b"host", b"localhost"), (b"authorization", f"Bearer {token}".encode())]

    async def let_in(scope: Scope, receive: Receive, send: Send) -> None:
        kept = [x for x in scope.get("headers", ()) if x[0] not in dict(ours)]
        await app({**scope, "headers": [*kept, *ours]} if scope["type"] == "http" else scope, receive, send)

    return schemathesis.openapi.from_asgi("/api/openapi.json", let_in)


REAL: Final = {
    "box": "left-upper", "clutch": "K01", "stack": "left", "species": "natrix-natrix", "number": 1, "year": 2026,
    "kind": "too-warm", "subject": "left-upper",
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("endpoint", ENDPOINTS, ids=lambda x: f"{x.method}{x.path.replace('/', ' ')}")
def test_nothing_that_is_sent_breaks_it(fuzzed: Any, endpoint: ApiAddress) -> None:
    """What fits the description and what does not, with names of the room and others: each is answered as described,
    and never by a failure of ours."""
    operation, statuses = fuzzed[endpoint.path][endpoint.method], []
    # What fits the form may still be no time, or an entry that cannot have happened.
    by_meaning = endpoint.body is not None or endpoint.path.endswith("/course")
    for mode in schemathesis.GenerationMode:
        if mode is schemathesis.GenerationMode.NEGATIVE and not (endpoint.in_path or endpoint.asking or endpoint.body):
            continue

        @settings(
            max_examples=12, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck)
        )
        @given(case=operation.as_strategy(generation_mode=mode), real=st.booleans())
        def sent(case: Any, *, real: bool) -> None:
            if real:
                case.path_parameters = {name: REAL[name] for name in endpoint.in_path}
                if isinstance(case.body, dict) and endpoint.path.startswith("/entries"):
                    words = {name: case.body[name] for name in ("note", "by") if name in case.body}
                    what = {"kind": "note", "clutch": "K01"} if endpoint.path == "/entries" else {}
                    case.body = {"note": "seen", **what, **words}
                elif isinstance(case.body, dict):
                    case.body |= {name: REAL[name] for name in case.body if name in REAL}
            response = case.call()
            statuses.append(response.status_code)
            left_out = [positive_data_acceptance] if by_meaning else []
            case.validate_response(response, excluded_checks=[*left_out, negative_data_rejection] if real else left_out)

        sent()
    assert max(statuses) < 500
    assert min(statuses) in (200, 201), "what it is about was reached"
