"""The short form: whatever a notice says, it fits into one text message, with what and what to do in it."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from monitor.adapters.delivery.senders import wording
from monitor.adapters.delivery.text_message import fits, plain, short_form
from monitor.core.notices.notice import Notice

NOTICE = Notice(
    "k",
    0,
    "too-warm",
    ("upper",),
    "raised",
    "now",
    "Too warm: box upper 31.9 °C, limit 31.0",
    "Go now: heater off.\nBox upper: 31.9 ± 0.6 °C. It holds K01. It stands high up, far away from others.\nIf not: x",
    id=12,
)


@given(st.text(max_size=80), st.text(max_size=400), st.text(max_size=200))
def test_it_fits_into_one_message_whatever_it_says(title: str, text: str, invitation: str) -> None:
    title, body = short_form(title, text, invitation, "notice 12")
    assert fits(f"{title}\r\n{body}")
    assert body.endswith("notice 12")


def test_what_and_what_to_do_and_the_way_to_answer_stand_in_it() -> None:
    title, body = wording(NOTICE, "Answer: http://eggs.local/a/CODE", "short")
    assert title == "Too warm: box upper 31.9 C, limit 31.0"
    assert body.splitlines() == [
        "Go now: heater off.",
        "Box upper: 31.9 +/- 0.6 C. It holds K01.",
        "Answer: http://eggs.local/a/CODE",
        "notice 12",
    ]


def test_one_sign_that_is_not_shared_leaves_less_room() -> None:
    assert fits("x" * 160)
    assert not fits("x" * 161)
    assert not fits("€" * 81)
    assert fits("ł" * 70)
    assert not fits("ł" * 71)
    assert plain("−1.5 °C ± 0.2 °C") == "-1.5 C +/- 0.2 C"
