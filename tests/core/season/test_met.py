"""How notices were met: each told matter is answered, over by itself, or still true, whatever came in which order."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.core.notices.conditions import Transition
from monitor.core.notices.notice import Notice, NoticeChange
from monitor.core.season.met import by_kind, matters

KIND, BOX = "too-warm", "upper"


def notice(
    number: int,
    at_ms: int,
    change: NoticeChange,
    subjects: tuple[str, ...] = (BOX,),
    answered_ms: int | None = None,
) -> Notice:
    return Notice(f"n{number}", at_ms, KIND, subjects, change, "now", "Too warm", "", number, answered_ms, "Ada")


def over(at_ms: int, subject: str = BOX) -> Transition:
    return Transition(KIND, subject, "cleared", at_ms, at_ms, "")


def test_an_answer_to_a_reminder_answers_the_matter() -> None:
    (found,) = matters(
        [notice(2, 1_800_000, "still", answered_ms=2_400_000), notice(1, 0, "raised")], [over(9_000_000)]
    )
    assert (found.notice, found.messages, found.answered_after_s, found.lasted_s) == (1, 2, 2400.0, 9000.0)
    assert found.answered
    assert found.answer == "Ada"


def test_an_answer_after_the_end_is_none() -> None:
    (found,) = matters([notice(1, 0, "raised", answered_ms=8_000)], [over(5_000)])
    assert not found.answered
    assert found.answered_after_s is None
    (kind,) = by_kind([found])
    assert (kind.answered, kind.by_itself, kind.open) == (0, 1, 0)


def test_a_matter_is_over_when_all_that_it_told_of_is() -> None:
    told = [notice(1, 0, "raised", ("upper", "lower"))]
    assert matters(told, [over(4_000, "upper")])[0].over_ms is None
    assert matters(told, [over(4_000, "upper"), over(6_000, "lower")])[0].over_ms == 6_000
    # What ended before it began again ended another one.
    assert matters([notice(1, 5_000, "raised")], [over(4_000)])[0].over_ms is None


@settings(max_examples=40)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 50),
            st.sampled_from(["raised", "still", "cleared", "daily", "drill"]),
            st.sets(st.sampled_from(["upper", "lower", "top"]), min_size=1),
            st.one_of(st.none(), st.integers(0, 60)),
        ),
        max_size=12,
    ),
    st.lists(st.tuples(st.integers(0, 60), st.sampled_from(["upper", "lower", "top"])), max_size=8),
)
def test_every_matter_is_counted_once_and_every_message_at_most_once(
    told: list[tuple[int, NoticeChange, set[str], int | None]], ends: list[tuple[int, str]]
) -> None:
    notices = [
        notice(i, at, change, tuple(sorted(subjects)), None if waits is None else at + waits)
        for i, (at, change, subjects, waits) in enumerate(told, 1)
    ]
    found = matters(notices, [over(at, subject) for at, subject in ends])
    assert sorted(m.notice for m in found) == sorted(n.id for n in notices if n.change == "raised")
    assert sum(m.messages for m in found) >= len(found)
    assert all(m.over_ms is None or m.over_ms >= m.told_ms for m in found)
    for kind in by_kind(found):
        assert kind.times == kind.answered + kind.by_itself + kind.open
    assert sum(k.times for k in by_kind(found)) == len(found)
