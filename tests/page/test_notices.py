"""Notices on the page: what needs a hand, one notice, its answer, silence for a while."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.adapters.store import Store
from tests.page.rooms import ShownRoom


@pytest.fixture
def shown(tmp_path: Path) -> ShownRoom:
    return ShownRoom.small(tmp_path, days=30)


def _too_warm(shown: ShownRoom) -> int:
    with Store(shown.settings.data_dir) as store:
        return next(n.id for n in store.ledger.notices() if n.kind == "too-warm")


def test_the_room_tells_the_most_urgent_first_with_its_next_action(shown: ShownRoom) -> None:
    page = shown.client().get("/").text
    assert page.index("Too warm: left-upper") < page.index("First pip any day now")
    assert f'href="/notices/{_too_warm(shown)}"' in page
    assert 'href="/box/left-upper"' in page


def test_a_notice_is_answered_once_and_the_room_says_so_before_the_next_round(shown: ShownRoom) -> None:
    number, client = _too_warm(shown), shown.client()
    page = client.get(f"/notices/{number}").text
    assert "I know, and see to it" in page
    with Store(shown.settings.data_dir) as store:
        assert store.ledger.notice(number).answered_ms is None, "a look answers nothing"
    for _ in range(2):
        assert client.post(f"/notices/{number}/answer").status_code == 200
    with Store(shown.settings.data_dir) as store:
        answered = store.ledger.notice(number)
    assert (answered.answer, answered.answer_way) == ("the page", "page")
    assert "I know, and see to it" not in client.get(f"/notices/{number}").text
    assert "Somebody sees to it." in client.get("/").text


def test_a_condition_is_shelved_for_a_while_and_told_again(shown: ShownRoom) -> None:
    client = shown.client()
    what = {"kind": "too-warm", "subject": "left-upper"}
    assert client.post("/notices/shelve", data={**what, "for": "1d"}).status_code == 200
    assert "left-upper: until" in client.get("/notices").text
    client.post("/notices/shelve", data={**what, "for": "0"})
    assert "left-upper: until" not in client.get("/notices").text


@pytest.mark.parametrize("fields", [{}, {"for": "9999d"}, {"for": "-1"}, {"for": "1d", "kind": "x" * 9000}])
def test_what_cannot_be_shelved_is_refused(shown: ShownRoom, fields: dict[str, str]) -> None:
    assert 400 <= shown.client().post("/notices/shelve", data=fields).status_code < 500


def test_a_form_of_another_page_and_too_many_fields_are_refused(shown: ShownRoom) -> None:
    client, number = shown.client(), _too_warm(shown)
    assert client.post(f"/notices/{number}/answer", data={"form_key": "guessed"}).status_code == 403
    assert client.post(f"/notices/{number}/answer", data={f"f{i}": "x" for i in range(60)}).status_code == 400
    assert client.get(f"/notices/{number}/answer").status_code == 405
    assert client.post("/notices/99999/answer").status_code == 404
