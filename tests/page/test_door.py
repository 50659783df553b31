"""The door: who gets in, who is turned away and how that is said, and what no other site and no old cookie can do."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest
from starlette.requests import Request

from monitor.adapters.people import PeopleFile
from monitor.adapters.store import Store
from monitor.core.terms.settings import PagePlace
from monitor.core.terms.times import DAY_MS, HOUR_MS, MINUTE_MS
from monitor.page.door import Visit
from monitor.page.sessions import Tickets
from monitor.page.sign_in import inside
from tests.page.rooms import NOW_MS, PHRASE, Browser, ShownRoom

PROXIED = ["forwarded", "via", "x-forwarded-for", "X-Forwarded-Host", "x-forwarded-proto", "x-real-ip"]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> ShownRoom:
    return ShownRoom.small(tmp_path_factory.mktemp("room"), days=2)


@pytest.fixture
def shown(made: ShownRoom) -> Iterator[ShownRoom]:
    """The room, in which nobody is entered before or after."""
    before = made.settings
    yield made
    made.settings, made.clock_ms = before, NOW_MS
    PeopleFile(before.data_dir).path.unlink(missing_ok=True)


@pytest.fixture
def people(shown: ShownRoom) -> PeopleFile:
    """anna may enter, bea may look."""
    file = PeopleFile(shown.settings.data_dir)
    file.add("anna", "enter", None, PHRASE, NOW_MS)
    file.add("bea", "look", dt.date(2026, 6, 10), PHRASE, NOW_MS)
    return file


def elsewhere(shown: ShownRoom, address: str = "", listen: str = "0.0.0.0") -> None:
    """The page is where others get to it."""
    shown.settings = replace(shown.settings, page=PagePlace((listen, 8480), address))


def signed_in(shown: ShownRoom, name: str, **more: str) -> Browser:
    client = shown.client()
    answer = client.post("/enter", data={"name": name, "passphrase": PHRASE, **more}, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    return client


def shelves(client: Browser) -> int:
    """What becomes of an entry."""
    what = {"kind": "too-warm", "subject": "left-upper", "for": "6h"}
    return int(client.post("/notices/shelve", data=what, follow_redirects=False).status_code)


# -- nobody is entered


def test_as_long_as_nobody_is_entered_everybody_on_this_computer_may_look_and_enter(shown: ShownRoom) -> None:
    client = shown.client()
    assert client.get("/").status_code == 200
    assert "everybody on this computer" in client.get("/enter").text
    assert shelves(client) == 303
    for host in ("127.0.0.1:8480", "[::1]:8480", "localhost", "LOCALHOST:80"):
        assert client.get("/", headers={"host": host}).status_code == 200, host


@pytest.mark.parametrize("name", PROXIED)
def test_but_nobody_behind_a_proxy_may(shown: ShownRoom, name: str) -> None:
    client = shown.client()
    answer = client.get("/", headers={name: "127.0.0.1"})
    assert answer.status_code == 403
    assert "warmtally people add NAME" in answer.text
    assert client.post("/notices/shelve", headers={name: "for=127.0.0.1"}).status_code == 403


@pytest.mark.parametrize("host", ["eggs.invalid", "127.0.0.1.eggs.invalid", "192.0.2.1", "localhost.eggs.invalid", ""])
def test_nor_a_page_of_a_stranger_that_gave_this_computer_a_name_of_its_own(shown: ShownRoom, host: str) -> None:
    assert shown.client().get("/", headers={"host": host}).status_code == 403


@pytest.mark.parametrize(
    ("listen", "address"), [("0.0.0.0", ""), ("192.0.2.1", ""), ("127.0.0.1", "https://eggs.invalid")]
)
def test_where_others_get_to_the_page_it_says_what_to_do_and_shows_nothing(
    shown: ShownRoom, listen: str, address: str
) -> None:
    elsewhere(shown, address, listen)
    client = shown.client()
    for path in ("/", "/notices", "/box/left-upper", "/enter", "/nowhere"):
        answer = client.get(path, follow_redirects=False)
        assert answer.status_code == 403
        assert "nobody has a passphrase" in answer.text
        assert "warmtally people add NAME --may enter" in answer.text
        assert "left-upper" not in answer.text
        assert "°" not in answer.text
    for path in ("/static/page.css", "/manifest.webmanifest", "/offline", "/worker.js"):
        assert client.get(path).status_code == 200
    # Answer links and the calendar are nobody's to refuse here.
    assert client.get("/a/CODE", follow_redirects=False).status_code == 404
    assert client.get("/c/token.ics", follow_redirects=False).status_code == 404


def test_as_soon_as_somebody_is_entered_everybody_signs_in(shown: ShownRoom) -> None:
    client = shown.client()
    assert client.get("/").status_code == 200
    PeopleFile(shown.settings.data_dir).add("anna", "look", None, PHRASE, NOW_MS)
    answer = client.get("/box/left-upper?span=day", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/enter?to=%2Fbox%2Fleft-upper%3Fspan%3Dday")
    assert shelves(client) == 401


# -- signing in


def test_who_signs_in_comes_to_where_they_wanted_and_may_what_they_may(shown: ShownRoom, people: PeopleFile) -> None:
    client = shown.client()
    asked = client.get("/box/left-upper")
    assert asked.url.path == "/enter"
    assert 'name="to" value="/box/left-upper"' in asked.text
    assert "°" not in asked.text
    data = {"name": " Anna ", "passphrase": PHRASE, "to": "/box/left-upper"}
    assert client.post("/enter", data=data).url.path == "/box/left-upper"
    assert "anna is signed in" in client.get("/more").text
    assert shelves(client) == 303
    bea = signed_in(shown, "bea")
    assert bea.get("/").status_code == 200
    assert shelves(bea) == 403
    assert "may look here, and not enter" in bea.get("/more").text
    answer = bea.post("/notices/1/answer")
    assert answer.status_code == 403
    assert "warmtally people may NAME enter" in answer.text


def test_who_answers_is_named(shown: ShownRoom, people: PeopleFile) -> None:
    with Store(shown.settings.data_dir) as store:
        number = store.ledger.notices()[0].id
    assert signed_in(shown, "anna").post(f"/notices/{number}/answer").status_code == 200
    with Store(shown.settings.data_dir) as store:
        assert "anna" in store.ledger.notice(number).answer


@pytest.mark.parametrize(
    ("name", "passphrase"), [("anna", "violin quiet harbour too"), ("nobody", PHRASE), ("", ""), ("anna", "")]
)
def test_who_is_not_let_in_is_told_the_same(
    shown: ShownRoom, people: PeopleFile, name: str, passphrase: str, caplog: pytest.LogCaptureFixture
) -> None:
    answer = shown.client().post("/enter", data={"name": name, "passphrase": passphrase}, follow_redirects=False)
    assert answer.status_code == 401
    assert "Name and passphrase do not fit." in answer.text
    assert f'name="name" value="{name}"' in answer.text
    assert passphrase == "" or passphrase not in answer.text + caplog.text
    assert name == "" or name not in caplog.text, "it may be the passphrase, typed into the wrong field"


def test_guessing_ends_soon_and_says_so(shown: ShownRoom, people: PeopleFile) -> None:
    client, statuses = shown.client(), []
    for k in range(12):
        statuses.append(client.post("/enter", data={"name": "anna", "passphrase": f"guess {k}"}).status_code)
    assert statuses == [401] * 10 + [429] * 2
    shown.clock_ms += 10 * MINUTE_MS
    assert client.post("/enter", data={"name": "anna", "passphrase": PHRASE}).status_code == 200


@pytest.mark.parametrize(
    "to",
    [
        "//eggs.invalid",
        "https://eggs.invalid",
        "/\\eggs.invalid",
        "\\",
        "",
        "/enter",
        "/leave",
        "/a\nb",
        "/" + "a" * 999,
    ],
)
def test_nobody_is_sent_elsewhere(shown: ShownRoom, people: PeopleFile, to: str) -> None:
    assert inside(to) == "/"
    answer = shown.client().post(
        "/enter", data={"name": "anna", "passphrase": PHRASE, "to": to}, follow_redirects=False
    )
    assert answer.headers["location"] == "/"


def test_signing_in_gives_another_cookie_than_before(shown: ShownRoom, people: PeopleFile) -> None:
    client = shown.client()
    client.get("/enter")
    ((name, before),) = client.cookies.items()
    client.post("/enter", data={"name": "anna", "passphrase": PHRASE})
    ((same, after),) = client.cookies.items()
    assert same == name
    assert after != before
    # Somebody who put the first one there is not signed in by it.
    other = shown.client()
    other.cookies.set(name, before)
    assert other.get("/", follow_redirects=False).status_code == 303


def test_a_form_for_signing_in_needs_its_key_too(shown: ShownRoom, people: PeopleFile) -> None:
    data = {"name": "anna", "passphrase": PHRASE, "form_key": ""}
    assert shown.client().post("/enter", data=data).status_code == 403


# -- what others cannot do


def test_a_form_of_another_site_or_of_another_cookie_enters_nothing(shown: ShownRoom, people: PeopleFile) -> None:
    anna, bea = signed_in(shown, "anna"), signed_in(shown, "bea")
    what = {"kind": "too-warm", "subject": "left-upper", "for": "6h"}
    for key in ("", "0" * 32, bea.form_key(), shown.client().form_key(), "ä"):
        assert anna.post("/notices/shelve", data={**what, "form_key": key}).status_code == 403
    # Nor is what is no form, and comes without the key beside it.
    assert anna.post("/notices/shelve", json=what).status_code == 403
    assert anna.post("/notices/shelve", content=b"kind=too-warm").status_code == 403
    assert anna.post("/notices/shelve", json=what, headers={"x-form-key": bea.form_key()}).status_code == 403
    assert anna.post("/notices/shelve", data=what, follow_redirects=False).status_code == 303
    # Of the API nothing but JSON is taken, which no other site can send unasked.
    assert anna.post("/api/notices/1/answer", content=b"").status_code == 403
    assert anna.post("/api/entries", content=b"{}", headers={"content-type": "text/plain"}).status_code == 415


@pytest.mark.parametrize("host", ["localhost/static/", "localhost/a/?", "localhost/enter#", "localhost/worker.js?"])
def test_no_host_opens_what_the_path_does_not(shown: ShownRoom, people: PeopleFile, host: str) -> None:
    for path in ("/", "/notices", "/box/left-upper"):
        answer = shown.client().get(path, headers={"host": host}, follow_redirects=False)
        assert answer.status_code == 303
        assert answer.headers["location"].startswith("/enter?to=%2F")


WAYS = ["//static/", "/static/../notices", "/static%2f..%2fnotices", "/a/../notices", "/%61/x"]


@pytest.mark.parametrize("path", WAYS)
def test_no_way_round_leads_to_a_page_of_the_room(shown: ShownRoom, people: PeopleFile, path: str) -> None:
    answer = shown.client().get(path, follow_redirects=False)
    assert answer.status_code in (303, 404)
    assert "left-upper" not in answer.text


def test_what_somebody_was_let_in_by_is_asked_for_again_while_an_answer_lasts(
    shown: ShownRoom, people: PeopleFile
) -> None:
    app = shown.app()
    doors = app.state.doors
    _, token = people.add_token("chart", "look", dt.date(2026, 6, 1), NOW_MS)

    def asked(**headers: str) -> Callable[[], bool]:
        scope = {"type": "http", "headers": [(n.encode(), v.encode()) for n, v in headers.items()], "client": None}
        visit = doors.visit(Request(scope))
        assert isinstance(visit, Visit)
        still: Callable[[], bool] = doors.still(visit)
        return still

    cookies = signed_in(shown, "anna").cookies.items()
    anna = asked(cookie="; ".join(f"{name}={value}" for name, value in cookies))
    chart = asked(authorization=f"Bearer {token}")
    assert (anna(), chart()) == (True, True)
    shown.clock_ms += DAY_MS
    assert (anna(), chart()) == (True, False)
    people.remove("anna")
    assert not anna()
    people.remove("bea")
    people.remove("chart")
    here = asked(host="localhost")
    assert here()
    people.add("anna", "look", None, PHRASE, NOW_MS)
    assert not here()


def test_without_sign_ins_forms_need_their_key_as_well(shown: ShownRoom) -> None:
    client = shown.client()
    assert client.post("/notices/shelve", data={"form_key": ""}).status_code == 403
    assert client.post("/notices/shelve", data={"form_key": shown.client().form_key()}).status_code == 403


def test_a_cookie_of_another_room_is_none_here(shown: ShownRoom, people: PeopleFile) -> None:
    anna, now_ms = people.person("anna"), shown.clock_ms
    other, client = Tickets(bytes(32), secure=False), shown.client()
    value = other.cookie(other.made(now_ms, anna), now_ms).partition(";")[0].partition("=")[2]
    ((name, _),) = signed_in(shown, "anna").cookies.items()
    client.cookies.set(name, value)
    assert client.get("/", follow_redirects=False).status_code == 303


def test_a_sign_in_ends_with_the_person_the_passphrase_the_right_and_its_time(
    shown: ShownRoom, people: PeopleFile
) -> None:
    def there(client: Browser) -> bool:
        return bool(client.get("/notices", follow_redirects=False).status_code == 200)

    anna, bea = signed_in(shown, "anna"), signed_in(shown, "bea")
    assert (there(anna), there(bea)) == (True, True)
    people.set_right("bea", "enter", dt.date(2026, 6, 10))
    assert shelves(bea) == 303
    people.set_right("anna", "look", None)
    assert shelves(anna) == 403
    people.set_passphrase("anna", "another quiet harbour")
    assert not there(anna)
    shown.clock_ms += 10 * DAY_MS
    assert not there(bea)
    people.set_right("bea", "look", None)
    assert there(bea)
    kept = dict(bea.cookies)
    people.remove("bea")
    assert not there(bea)
    people.add("bea", "look", None, PHRASE, NOW_MS)
    bea.cookies.update(kept)
    assert not there(bea)
    again = signed_in(shown, "bea")
    shown.clock_ms += 30 * DAY_MS
    assert not there(again)


def test_a_cookie_is_renewed_by_visits(shown: ShownRoom, people: PeopleFile) -> None:
    client = signed_in(shown, "bea")
    people.set_right("bea", "look", None)
    assert "set-cookie" not in client.get("/").headers
    for _ in range(4):
        shown.clock_ms += 20 * DAY_MS
        assert "set-cookie" in client.get("/", follow_redirects=False).headers
    shown.clock_ms += 10 * DAY_MS
    assert client.get("/", follow_redirects=False).status_code == 303, "after ninety days"


def test_whoever_left_is_out_also_with_the_cookie_that_was_kept(shown: ShownRoom, people: PeopleFile) -> None:
    client, telephone = signed_in(shown, "anna"), signed_in(shown, "anna")
    kept = dict(client.cookies)
    assert client.post("/leave", data={"form_key": ""}).status_code == 403
    answer = client.post("/leave", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/enter")
    assert "Max-Age=0" in answer.headers["set-cookie"]
    thief = shown.client()
    thief.cookies.update(kept)
    assert thief.get("/", follow_redirects=False).status_code == 303
    shown.clock_ms += HOUR_MS
    assert thief.get("/", follow_redirects=False).status_code == 303
    assert telephone.get("/", follow_redirects=False).status_code == 200
    # Who may only look may leave as well.
    assert signed_in(shown, "bea").post("/leave", follow_redirects=False).status_code == 303


def test_a_damaged_file_lets_nobody_in_and_names_no_path(shown: ShownRoom, people: PeopleFile) -> None:
    client = signed_in(shown, "anna")
    whole = people.path.read_bytes()
    people.path.write_text("{", encoding="utf-8")
    for answer in (client.get("/"), client.get("/enter"), client.post("/notices/shelve"), shown.client().get("/")):
        assert answer.status_code == 503
        assert "warmtally people" in answer.text
        assert str(people.path) not in answer.text
        assert "left-upper" not in answer.text
    assert client.get("/static/page.css").status_code == 200
    people.path.write_bytes(whole)
    assert client.get("/").status_code == 200


# -- programs


def test_a_program_shows_its_token_and_needs_no_cookie_and_no_key(shown: ShownRoom, people: PeopleFile) -> None:
    _, looks = people.add_token("chart", "look", None, NOW_MS)
    _, enters = people.add_token("scale", "enter", dt.date(2026, 6, 2), NOW_MS)
    client = shown.client()
    what = {"kind": "too-warm", "subject": "left-upper", "for": "6h"}

    def asks(token: str, method: str = "GET") -> int:
        headers = {"authorization": f"Bearer {token}"}
        path = "/notices" if method == "GET" else "/notices/shelve"
        return int(client.request(method, path, headers=headers, json=what).status_code)

    assert (asks(looks), asks(enters)) == (200, 200)
    assert asks(looks, "POST") == 403
    assert client.cookies == {}
    assert asks("wrong") == 401
    assert client.get("/", headers={"authorization": "Basic YW5uYTp4"}).status_code == 401
    # A wrong token is not made good by a cookie.
    anna = signed_in(shown, "anna")
    assert anna.get("/", headers={"authorization": "Bearer wrong"}).status_code == 401
    answer = client.get("/api/room", headers={"authorization": "Bearer wrong"})
    assert answer.headers["www-authenticate"].startswith("Bearer")
    assert answer.json()["what"] == "This token is not known here."
    assert client.get("/api/room").json()["status"] == 401
    shown.clock_ms += 2 * DAY_MS
    assert asks(enters) == 403
    people.remove("chart")
    assert asks(looks) == 401


def test_a_token_is_good_where_nobody_has_a_passphrase_yet(shown: ShownRoom) -> None:
    elsewhere(shown)
    _, token = PeopleFile(shown.settings.data_dir).add_token("chart", "look", None, NOW_MS)
    client = shown.client()
    assert client.get("/notices", headers={"authorization": f"Bearer {token}"}).status_code == 200
    assert client.get("/notices").status_code == 403


def test_over_https_the_cookie_goes_by_https_alone(shown: ShownRoom, people: PeopleFile) -> None:
    elsewhere(shown, "https://eggs.invalid", "127.0.0.1")
    given = shown.client().get("/enter").headers["set-cookie"]
    assert re.fullmatch(r"__Host-warmtally-\w+=\S+; Path=/; Max-Age=\d+; HttpOnly; SameSite=Lax; Secure", given)
