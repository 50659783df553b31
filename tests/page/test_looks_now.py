"""What is to be done, the probes, a stack: as the commands tell it."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from monitor.adapters.store import Columns, Store
from monitor.adapters.store.readings import Readings
from monitor.adapters.store.unread import Quarantined
from monitor.core.terms.times import DAY_MS
from monitor.page.looks import task_way
from monitor.page.room import PageRoom
from tests.page.rooms import ShownRoom


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> ShownRoom:
    return ShownRoom.small(tmp_path_factory.mktemp("room"))


def test_what_is_to_be_done_stands_by_its_day(shown: ShownRoom) -> None:
    page = shown.text("/tasks")
    assert page.index("look at K01 in left-upper") < page.index("coming")
    assert "Do not disturb the eggs" in page


@pytest.mark.parametrize(
    ("task", "way"),
    [
        ("look/K01/left-upper/20260601", "/box/left-upper"),
        ("look/K01/left-upper#2/20260601", "/box/left-upper"),
        ("candle/K01/left-upper/10", "/box/left-upper/enter/candled"),
        ("weigh/left-upper/20260601", "/box/left-upper/enter/weighed"),
        ("water/left-upper/20260601", "/box/left-upper/enter/watered"),
        ("prepare/K01", "/clutch/K01"),
        ("shed/K01/20260601", "/clutch/K01/enter/shed"),
        ("compare/left/20260601", "/stack/left"),
    ],
)
def test_a_task_leads_to_where_it_is_seen_to(shown: ShownRoom, task: str, way: str) -> None:
    assert task_way(task) == way
    if not task.startswith("shed"):  # Nothing has hatched here.
        assert shown.client().get(way).status_code == 200


def test_probes_tell_their_health_and_what_could_not_be_read(shown: ShownRoom) -> None:
    page = shown.text("/probes")
    assert page.count("box left-upper") == 1
    assert "Every message could be read." in page
    with Store(shown.settings.data_dir) as store:
        store.unread.keep([Quarantined(shown.clock_ms, "room/<b>x</b>", b"\x1b[31m?", "no number in it")])
    page = shown.client().get("/probes").text
    assert "no number in it" in page
    assert "<b>x</b>" not in page


def test_a_stack_tells_its_levels_and_what_would_mend_it(shown: ShownRoom) -> None:
    page = shown.text("/stack/left")
    assert "± 0.58 °C" in page
    assert "box left-upper, 150 cm" in page
    assert "compare them" in page
    assert shown.client().get("/stack/left?hours=1000000").status_code == 200
    assert shown.client().get("/stack/attic").status_code == 404


def test_what_has_to_be_worked_out_waits_for_its_turn_and_is_refused_in_plain_words(
    shown: ShownRoom, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.page.room.BUSY_S", 0.05)
    app = shown.app()
    room = app.state.room
    assert isinstance(room, PageRoom)
    from starlette.testclient import TestClient

    client = TestClient(app, base_url="http://localhost")
    with room.working_out():
        answer = client.get("/probes")
        assert answer.status_code == 503
        assert "try again" in answer.text
        assert client.get("/tasks").status_code == 200, "what the round knows waits for nobody"
    assert client.get("/probes").status_code == 200


def test_probes_are_read_one_after_the_other_and_no_more_of_each_than_its_day(
    shown: ShownRoom, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All at once, sixty-four fast ones took some sixty megabytes of the service."""
    asked: list[tuple[int, int]] = []
    load = Readings.load

    def watched(self: Readings, probes: Iterable[str], from_ms: int, to_ms: int) -> dict[str, Columns]:
        names = list(probes)
        asked.append((len(names), to_ms - from_ms))
        return load(self, names, from_ms, to_ms)

    monkeypatch.setattr(Readings, "load", watched)
    shown.text("/probes")
    assert {n for n, _ in asked} == {1}
    assert max(ms for _, ms in asked) == DAY_MS + 1
