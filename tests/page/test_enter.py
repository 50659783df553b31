"""What a keeper enters on the page: one question a screen, told once, shown with what changed because of it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from monitor.adapters.store import Store
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.projection import effective
from monitor.core.terms.times import HOUR_MS, MINUTE_MS
from tests.page.forms import forms_in, main_of, press
from tests.page.rooms import NOW_MS, ShownRoom

_K = EventKind
FIRST = 7
"""The entry after those of the small room: two clutches laid, each set in two boxes."""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> ShownRoom:
    return ShownRoom.small(tmp_path_factory.mktemp("room"))


@pytest.fixture
def shown(made: ShownRoom, tmp_path: Path) -> ShownRoom:
    return made.copied(tmp_path)


@pytest.fixture
def phone(shown: ShownRoom) -> Iterator[TestClient]:
    with shown.client() as client:
        yield client


def account(shown: ShownRoom) -> list[KeeperEvent]:
    with Store(shown.settings.data_dir) as store:
        return store.account.events()


def told(shown: ShownRoom) -> KeeperEvent:
    return account(shown)[-1]


def test_two_pips_are_one_question_and_move_the_window_of_the_sibling(shown: ShownRoom, phone: TestClient) -> None:
    asked = phone.get("/box/left-upper/enter/pipped")
    assert "How many more have pipped?" in asked.text
    assert [v for n, v in forms_in(asked)[0].buttons if n == "eggs"] == ["1", "2", "3", "4", "5", "6"]
    saved = press(phone, asked, eggs="2")
    event = told(shown)
    assert (event.kind, event.clutch, event.box, event.eggs) == (_K.PIPPED, "K01", "left-upper", 2)
    assert (event.at_ms, event.recorded_ms) == (NOW_MS, NOW_MS)
    assert saved.url.path == f"/entered/{event.id}"
    days = r"\w{3} \d+ \w{3} to \w{3} \d+ \w{3}"
    assert re.search(rf"K01 in left-lower {days} was {days}", main_of(saved))


def test_what_changed_is_the_account_with_it_against_the_account_without_it(
    shown: ShownRoom, phone: TestClient
) -> None:
    """However late it is asked for, and whatever was told since."""
    saved = press(phone, phone.get("/box/left-upper/enter/pipped"), eggs="2")
    shown.clock_ms += MINUTE_MS
    press(phone, phone.get("/box/right-upper/enter/pipped"), eggs="1")
    assert main_of(phone.get(f"/entered/{FIRST}")) == main_of(saved)


def test_a_form_is_entered_once_however_often_it_is_sent(shown: ShownRoom, phone: TestClient) -> None:
    asked = phone.get("/box/left-upper/enter/pipped")
    first = press(phone, asked, eggs="2")
    shown.clock_ms += 1500
    assert press(phone, asked, eggs="2").url == first.url
    assert len(account(shown)) == FIRST
    changed = press(phone, asked, eggs="3")
    assert changed.status_code == 409
    assert f"saved already, as entry {FIRST}" in changed.text
    assert f'href="/entry/{FIRST}/correct"' in changed.text
    assert len(account(shown)) == FIRST


def test_a_form_that_comes_several_times_at_once_is_entered_once(shown: ShownRoom, phone: TestClient) -> None:
    (form,) = forms_in(phone.get("/box/left-upper/enter/pipped"))
    sent = {**form.filled(), "eggs": "1"}
    with ThreadPoolExecutor(4) as several:
        answers = [several.submit(phone.post, form.action, data=sent) for _ in range(8)]
    assert {answer.result().url.path for answer in answers} == {f"/entered/{FIRST}"}
    assert len(account(shown)) == FIRST


def test_where_no_egg_is_left_of_which_it_could_be_told_the_page_says_so(shown: ShownRoom, phone: TestClient) -> None:
    press(phone, phone.get("/box/left-upper/enter/pipped"), eggs="6")
    page = phone.get("/box/left-upper/enter/pipped")
    assert page.status_code == 409
    assert "K01 in left-upper, 6 eggs, 6 pipped: there is none left" in page.text
    assert phone.get("/clutch/K01/enter/shed").status_code == 409


def test_a_box_may_be_weighed_from_the_page_of_a_clutch(shown: ShownRoom, phone: TestClient) -> None:
    press(phone, press(phone, phone.get("/clutch/K01/enter/weighed"), box="left-lower"), grams_typed="700")
    assert (told(shown).kind, told(shown).box, told(shown).grams) == (_K.WEIGHED, "left-lower", 700.0)


def test_the_last_egg_of_a_box_is_entered_once_too(shown: ShownRoom, phone: TestClient) -> None:
    """When it is sent again there is no egg left of which it could be told."""
    asked = phone.get("/box/left-upper/enter/removed")
    first = press(phone, asked, eggs="6")
    assert press(phone, asked, eggs="6").url == first.url
    assert len(account(shown)) == FIRST


def test_a_contradiction_is_said_on_the_same_screen_with_what_was_typed(shown: ShownRoom, phone: TestClient) -> None:
    press(phone, phone.get("/box/left-upper/enter/pipped"), eggs="4")
    shown.clock_ms += HOUR_MS
    asked = phone.get("/box/left-upper/enter/pipped")
    (form,) = forms_in(asked)
    again = phone.post(form.action, data={**form.filled(note="by lamp", at="30 min ago"), "eggs": "5"})
    assert again.status_code == 409
    assert "5 more eggs pipped, but only 2 had not" in again.text
    assert "What to do: check the count" in again.text
    assert "by lamp" in again.text
    assert dict(forms_in(again)[0].fields)["at"] == "30 min ago"
    assert dict(forms_in(again)[0].fields)["key"] == dict(form.fields)["key"]
    assert len(account(shown)) == FIRST


@pytest.mark.parametrize(
    ("kind", "steps", "is_told"),
    [
        ("looked", [{"sure": "yes"}], {"kind": _K.LOOKED, "box": "K01/left-upper"}),
        ("hatched", [{"eggs": "1"}], {"kind": _K.HATCHED, "eggs": 1}),
        ("candled", [{"alive": "6"}], {"kind": _K.CANDLED, "alive": 6, "doubtful": None, "clear": None}),
        ("candled", [{"alive": "4"}, {"others": "doubtful"}], {"alive": 4, "doubtful": 2, "clear": None}),
        ("candled", [{"alive": "4"}, {"others": "clear"}], {"alive": 4, "doubtful": None, "clear": 2}),
        ("candled", [{"alive": "0"}, {"others": "unsaid"}], {"alive": 0, "doubtful": None, "clear": None}),
        ("dead", [{"how": "in-egg"}, {"eggs": "1"}], {"kind": _K.DEAD, "how": "in-egg", "eggs": 1}),
        ("removed", [{"eggs": "2"}], {"kind": _K.REMOVED, "eggs": 2}),
        ("moved", [{"to": "right-lower"}, {"eggs": "6"}], {"kind": _K.MOVED, "to_box": "right-lower", "eggs": 6}),
        ("moved", [{"to": "right-lower"}, {"eggs": "2"}], {"kind": _K.SPLIT, "to_box": "right-lower", "eggs": 2}),
        (
            "weighed",
            [{"grams_typed": "812,5"}],
            {"kind": _K.WEIGHED, "box": "left-upper", "grams": 812.5, "clutch": ""},
        ),
        ("watered", [{"grams_typed": "12"}], {"kind": _K.WATERED, "box": "left-upper", "grams": 12.0}),
        ("note", [{"note_typed": "two lie\r\napart"}], {"kind": _K.NOTE, "text": "two lie\napart", "box": ""}),
    ],
)
def test_each_kind_is_told_question_by_question(
    shown: ShownRoom, phone: TestClient, kind: str, steps: list[dict[str, str]], is_told: dict[str, object]
) -> None:
    page = phone.get(f"/box/left-upper/enter/{kind}")
    for number, step in enumerate(steps, 1):
        assert len(account(shown)) == FIRST - 1
        page = press(phone, page, **step)
        assert (page.url.path == f"/entered/{FIRST}") == (number == len(steps)), main_of(page)
    event = told(shown)
    assert {name: getattr(event, name) for name in is_told} == is_told
    assert event.clutch == is_told.get("clutch", "K01" if kind not in ("watered", "weighed") else "")


def test_a_clutch_is_laid_set_hatched_and_finished(shown: ShownRoom, phone: TestClient) -> None:
    page = phone.get("/clutches/new")
    for step in (
        {"species": "natrix-natrix"},
        {"eggs_typed": "14"},
        {"at": "yesterday"},
        {"clutch_typed": "K03", "slugs": "1", "dam": "the old one", "developed": "80"},
    ):
        page = press(phone, page, **step)
    laid = told(shown)
    assert (laid.kind, laid.clutch, laid.eggs, laid.slugs, laid.dam) == (_K.LAID, "K03", 14, 1, "the old one")
    assert (laid.day_only, laid.developed) == (True, 0.8)
    assert 'href="/clutch/K03/enter/set"' in page.text
    page = press(phone, press(phone, phone.get("/clutch/K03/enter/set"), box="right-upper"), eggs="14")
    assert (told(shown).kind, told(shown).box, told(shown).eggs) == (_K.SET, "right-upper", 14)
    shown.clock_ms += HOUR_MS
    # Two clutches lie in that box now: it is asked which.
    page = press(phone, phone.get("/box/right-upper/enter/hatched"), eggs_of="K03/right-upper")
    page = press(phone, page, eggs_typed="14")
    assert 'href="/clutch/K03/enter/finished"' in page.text
    for kind, step in (("shed", {"eggs_typed": "3"}), ("fed", {"eggs_typed": "14"}), ("finished", {"sure": "yes"})):
        shown.clock_ms += MINUTE_MS
        page = press(phone, phone.get(f"/clutch/K03/enter/{kind}"), **step)
        assert (told(shown).kind, told(shown).clutch) == (kind, "K03"), main_of(page)


def test_the_name_of_the_next_clutch_is_proposed(phone: TestClient) -> None:
    page = phone.get("/clutches/new")
    for step in ({"species": "natrix-natrix"}, {"eggs": "9"}, {"at": "today"}):
        page = press(phone, page, **step)
    assert dict(forms_in(page)[0].fields)["clutch_typed"] == "K03"


@pytest.mark.parametrize(
    ("at", "typed", "ms"),
    [
        ("now", "", NOW_MS),
        ("30 min ago", "", NOW_MS - 30 * MINUTE_MS),
        ("1 h ago", "", NOW_MS - HOUR_MS),
        ("06:00", "", NOW_MS - 2 * HOUR_MS),
        ("yesterday 20:00", "", NOW_MS - 12 * HOUR_MS),
        ("other", "2026-06-01T05:15", NOW_MS - 165 * MINUTE_MS),
    ],
)
def test_the_time_is_that_of_the_rooms_zone(shown: ShownRoom, phone: TestClient, at: str, typed: str, ms: int) -> None:
    """Eight in the morning in Vienna is six o'clock UTC."""
    press(phone, phone.get("/box/left-upper/enter/pipped"), eggs="1", at=at, at_typed=typed)
    assert told(shown).at_ms == ms


def test_a_time_to_come_is_refused(shown: ShownRoom, phone: TestClient) -> None:
    page = press(phone, phone.get("/box/left-upper/enter/pipped"), eggs="1", at="other", at_typed="2026-06-01T09:00")
    assert page.status_code == 409
    assert "lies in the future" in page.text
    assert 'value="2026-06-01T09:00"' in page.text
    assert "At which other time?" in press(phone, page, eggs="1", at="other", at_typed="").text
    assert len(account(shown)) == FIRST - 1


def test_the_look_before_is_shown_and_may_be_told(shown: ShownRoom, phone: TestClient) -> None:
    assert "No look before this was told." in phone.get("/box/left-upper/enter/pipped").text
    press(phone, phone.get("/box/left-upper/enter/looked"), sure="yes")
    shown.clock_ms += HOUR_MS
    asked = phone.get("/box/left-upper/enter/pipped")
    assert "Not yet at the last look, Mon 08:00." in asked.text
    press(phone, asked, eggs="1", not_yet_at="2026-06-01T08:30")
    assert told(shown).not_yet_at_ms == NOW_MS + 30 * MINUTE_MS


def test_all_boxes_are_looked_at_with_one_press_and_taken_back_with_another(
    shown: ShownRoom, phone: TestClient
) -> None:
    (form,) = [f for f in forms_in(phone.get("/")) if f.action == "/looked-all"]
    fields = form.filled()
    page = phone.post("/looked-all", data=fields)
    assert [(e.clutch, e.box) for e in account(shown)[FIRST - 1 :]] == [
        ("K01", "K01/left-upper"), ("K01", "K01/left-lower"), ("K02", "K02/right-upper"), ("K02", "K02/right-lower"),
    ]  # fmt: skip
    assert phone.post("/looked-all", data=fields).url == page.url
    (undo,) = [f for f in forms_in(page) if f.action.endswith("/undo")]
    back = phone.post(undo.action, data=undo.filled())
    assert "Taken back" in back.text
    assert len(effective(account(shown))) == FIRST - 1
    assert phone.post(undo.action, data=undo.filled()).url == back.url
    assert len(account(shown)) == FIRST + 7


def test_what_meant_one_thing_now_and_two_then_is_asked(shown: ShownRoom, phone: TestClient) -> None:
    """Two eggs of the lower box lay in the upper one until an hour ago: a pip of yesterday may be of either."""
    with Store(shown.settings.data_dir) as store:
        for event in (
            KeeperEvent(_K.SPLIT, "K01", NOW_MS - 20 * HOUR_MS, NOW_MS, box="left-lower", to_box="left-upper", eggs=2),
            KeeperEvent(_K.MOVED, "K01", NOW_MS - HOUR_MS, NOW_MS, box="K01/left-upper#2", to_box="right-lower"),
        ):
            store.account.tell(event)
    page = press(phone, phone.get("/box/left-upper/enter/pipped"), eggs="1", at="yesterday 20:00")
    assert "Which eggs?" in page.text
    press(phone, page, place="K01/left-upper#2")
    event = told(shown)
    assert (event.kind, event.box, event.eggs, event.at_ms) == (_K.PIPPED, "K01/left-upper#2", 1, NOW_MS - 12 * HOUR_MS)


def test_eggs_that_are_in_no_box_yet_can_be_lost_too(shown: ShownRoom, phone: TestClient) -> None:
    with Store(shown.settings.data_dir) as store:
        store.account.tell(KeeperEvent(_K.LAID, "K03", NOW_MS - HOUR_MS, NOW_MS, eggs=3, species="natrix-natrix"))
    page = press(phone, phone.get("/clutch/K03/enter/dead"), how="slug")
    press(phone, page, eggs="1")
    assert (told(shown).kind, told(shown).not_set, told(shown).eggs) == (_K.DEAD, True, 1)


def test_who_entered_is_told_and_a_form_of_another_page_is_not_taken(shown: ShownRoom) -> None:
    keeper = shown.visitor("Ada", "enter")
    page = keeper.get("/box/left-upper/enter/pipped")
    (form,) = forms_in(page)
    assert keeper.post(form.action, data={**form.filled(), "form_key": "x", "eggs": "1"}).status_code == 403
    press(keeper, page, eggs="1")
    assert (told(shown).kind, told(shown).by) == (_K.PIPPED, "Ada")
    assert "by Ada" in keeper.get(f"/entered/{FIRST}").text
    press(keeper, keeper.get(f"/entry/{FIRST}/correct?field=eggs"), eggs_typed="2")
    assert (told(shown).corrects, told(shown).by) == (FIRST, "Ada")


def test_who_may_only_look_is_offered_nothing_and_enters_nothing(shown: ShownRoom) -> None:
    helper = shown.visitor("Bo", "look")
    for path in ("/", "/box/left-upper", "/clutch/K01"):
        assert not any("/enter/" in f.action or "looked" in f.action for f in forms_in(helper.get(path))), path
    (form,) = forms_in(helper.get("/box/left-upper/enter/pipped"))
    assert helper.post(form.action, data={**form.filled(), "eggs": "1"}).status_code == 403
    assert len(account(shown)) == FIRST - 1


def test_undo_takes_an_entry_back_and_what_rests_on_it_keeps_it(shown: ShownRoom, phone: TestClient) -> None:
    saved = press(phone, phone.get("/box/left-upper/enter/moved"), to="right-lower")
    saved = press(phone, saved, eggs="6")
    shown.clock_ms += MINUTE_MS
    press(phone, phone.get("/box/right-lower/enter/pipped?eggs_of=K01/right-lower"), eggs="1")
    (undo,) = [f for f in forms_in(saved) if f.action.endswith("/undo")]
    refused = phone.post(undo.action, data=undo.filled())
    assert refused.status_code == 409
    assert "would not fit any more" in refused.text
    (undo_pip,) = [f for f in forms_in(phone.get(f"/entered/{FIRST + 1}")) if f.action.endswith("/undo")]
    phone.post(undo_pip.action, data=undo_pip.filled())
    assert "Taken back" in phone.post(undo.action, data=undo.filled()).text


@pytest.mark.parametrize(
    ("field", "typed", "name", "value"),
    [
        ("eggs", {"eggs_typed": "3"}, "eggs", 3),
        ("at", {"at_typed": "2026-06-01T07:15"}, "at_ms", NOW_MS - 45 * MINUTE_MS),
        ("not_yet_at", {"not_yet_at_typed": "2026-06-01T06:00"}, "not_yet_at_ms", NOW_MS - 2 * HOUR_MS),
        ("box", {"box": "left-lower"}, "box", "left-lower"),
        ("note", {"note_typed": "seen late"}, "text", "seen late"),
    ],
)
def test_one_thing_of_an_entry_is_put_right(
    shown: ShownRoom, phone: TestClient, field: str, typed: dict[str, str], name: str, value: object
) -> None:
    press(phone, phone.get("/box/left-upper/enter/pipped"), eggs="2")
    what = phone.get(f"/entry/{FIRST}/correct")
    assert f'href="?field={field}"' in what.text
    press(phone, phone.get(f"/entry/{FIRST}/correct?field={field}"), **typed)
    (now,) = [e for e in effective(account(shown)) if e.id == FIRST]
    assert getattr(now, name) == value
    assert (now.kind, told(shown).corrects) == (_K.PIPPED, FIRST)


def test_a_correction_that_does_not_fit_is_said_where_it_is_asked(shown: ShownRoom, phone: TestClient) -> None:
    press(phone, phone.get("/box/left-upper/enter/pipped"), eggs="2")
    page = press(phone, phone.get(f"/entry/{FIRST}/correct?field=eggs"), eggs_typed="7")
    assert page.status_code == 409
    assert "7 more eggs pipped, but only 6 had not" in page.text
    assert 'value="7"' in page.text


def test_what_is_pressed_on_the_page_of_a_box_is_told_at_once(shown: ShownRoom, phone: TestClient) -> None:
    box = phone.get("/box/left-lower")
    (looked,) = [f for f in forms_in(box) if f.action.endswith("/enter/looked")]
    phone.post(looked.action, data=looked.filled())
    assert (told(shown).kind, told(shown).box) == (_K.LOOKED, "K01/left-lower")


def test_looking_at_a_page_tells_nothing(shown: ShownRoom, phone: TestClient) -> None:
    phone.get("/box/left-upper/enter/removed?eggs_of=K01/left-upper&eggs=2&sure=yes")
    phone.get("/looked-all")
    assert len(account(shown)) == FIRST - 1


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/box/attic/enter/pipped", 404),
        ("/box/left-upper/enter/laid", 404),
        ("/box/left-upper/enter/correct", 404),
        ("/box/left-upper/enter/boiled", 404),
        ("/clutch/K99/enter/note", 404),
        ("/box/attic/enter", 404),
        ("/entered/99", 404),
        ("/entry/99/correct", 404),
    ],
)
def test_what_is_not_there_says_so(phone: TestClient, path: str, status: int) -> None:
    assert phone.get(path).status_code == status
    assert phone.get(path.replace("left-upper", "right-upper")).status_code == status


def test_what_a_telephone_kept_is_told_of_when_it_was_pressed(shown: ShownRoom, phone: TestClient) -> None:
    """By how long it waited there: the telephone's clock may be wrong."""
    (form,) = forms_in(phone.get("/box/left-upper/enter/pipped"))
    sent = {**form.filled(), "eggs": "2", "waited_s": "5400"}
    answer = phone.post(form.action, data=sent, headers={"accept": "application/json"})
    assert answer.json() == {"entered": [FIRST], "address": f"/entered/{FIRST}"}
    assert (told(shown).at_ms, told(shown).recorded_ms) == (NOW_MS - 90 * MINUTE_MS, NOW_MS)
    # It never heard the answer, and sends it again later.
    shown.clock_ms += MINUTE_MS
    again = phone.post(form.action, data={**sent, "waited_s": "5460"}, headers={"accept": "application/json"})
    assert again.json() == answer.json()
    assert len(account(shown)) == FIRST


def test_a_time_of_day_that_a_telephone_kept_is_of_the_day_on_which_it_was_pressed(
    shown: ShownRoom, phone: TestClient
) -> None:
    """Pressed at half past six of the day before, and sent a day and an hour and a half later."""
    (form,) = forms_in(phone.get("/box/left-upper/enter/pipped"))
    phone.post(form.action, data={**form.filled(), "eggs": "1", "at": "06:00", "waited_s": str(25 * 3600 + 1800)})
    assert told(shown).at_ms == NOW_MS - 26 * HOUR_MS


def test_what_a_telephone_kept_and_is_refused_says_why(shown: ShownRoom, phone: TestClient) -> None:
    (form,) = forms_in(phone.get("/box/left-upper/enter/pipped"))
    answer = phone.post(form.action, data={**form.filled(), "eggs": "9"}, headers={"accept": "application/json"})
    assert answer.status_code == 409
    assert answer.json()["what"].endswith("9 more eggs pipped, but only 6 had not")
    answer = phone.post(form.action, data=form.filled(), headers={"accept": "application/json"})
    assert (answer.status_code, answer.json()["what"]) == (422, "How many more have pipped?")
    odd = {**form.filled(), "eggs": "1", "waited_s": "999999999"}
    assert phone.post(form.action, data=odd, headers={"accept": "application/json"}).status_code == 409
    assert len(account(shown)) == FIRST - 1
