"""Sentences of the program on a page: days as one says them, commands as the page's own ways."""

from __future__ import annotations

from datetime import date

import pytest

from monitor.core.notices.kinds import all_kinds
from monitor.page.said import commands_said, days_said, short_said, weekday_said
from monitor.page.texts import saying, table

SAY = saying("en")
GERMAN = saying("de")
TODAY = date(2026, 12, 1)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("between Tue 2026-12-01 and Mon 2026-12-07 (8 in 10)", "between Tue 1 Dec and Mon 7 Dec (8 in 10)"),
        ("laid 2026-11-01", "laid Sun 1 Nov"),
        ("2026-11-01 21:12", "Sun 1 Nov 21:12"),
        ("until 2027-12-07", "until 7 Dec 2027"),
        ("since 2025-02-28.", "since 28 Feb 2025."),
        ("2026-13-40 and 12026-11-01 are no days", "2026-13-40 and 12026-11-01 are no days"),
        ("box 2026-12-01-a, 2026-12-01T06:00", "box 2026-12-01-a, 2026-12-01T06:00"),
    ],
)
def test_days_are_said_with_their_weekday_or_far_away_with_their_year(text: str, said: str) -> None:
    assert days_said(text, TODAY, SAY) == said


def test_german_days() -> None:
    assert days_said("2026-12-01 06:10", TODAY, GERMAN) == "Di 1. Dez. 06:10"
    assert weekday_said("Fri 05:40", GERMAN) == "Fr 05:40"
    assert weekday_said("05:40", GERMAN) == "05:40"


@pytest.mark.parametrize(
    ("text", "german"),
    [
        ("± 0.6, 5 min ago", "± 0.6, vor 5 min"),
        ("25 to 31 °C", "25 bis 31 °C"),
        ("1 to 7 Dec", "1 bis 7. Dez."),
        ("today Tue 1 Dec", "today Di 1. Dez."),
        ("K01 in May", "K01 in May"),
    ],
)
def test_a_few_words_beside_a_figure(text: str, german: str) -> None:
    assert short_said(text, SAY) == text
    assert short_said(text, GERMAN) == german


def test_every_kind_of_what_is_true_has_a_name_on_pages() -> None:
    names = {kind.name for kind in all_kinds()}
    assert {key.removeprefix("kind.") for key in table("en") if key.startswith("kind.")} == names


@pytest.mark.parametrize(
    ("text", "box", "said"),
    [
        (
            "record it: warmtally record looked, or pipped.",
            "a b",
            (
                'record it: <a href="/box/a%20b/enter/looked">Looked: nothing to see</a> or '
                '<a href="/box/a%20b/enter/pipped">Pipped</a>.'
            ),
        ),
        (
            "(warmtally record looked, or candled --alive N)",
            "",
            '(<a href="/#all">Looked at all: nothing to see</a> or <b>Candled</b>)',
        ),
        ("see: warmtally clutch show K01.", "", 'see: <a href="/clutch/K01">K01</a>.'),
        ("what to do: warmtally forecast K01/upper", "", 'what to do: <a href="/clutch/K01">K01</a>'),
        ("What it rests on: warmtally probes", "", 'What it rests on: <a href="/probes">Probes</a>'),
        ("then: warmtally compare.", "", "then: warmtally compare (at the computer)."),
        ("warmtally learn --apply", "", "warmtally learn --apply (at the computer)"),
        ("warmtally record guessed", "x", "warmtally record guessed (at the computer)"),
        ("a <b> & no command", "x", "a &lt;b&gt; &amp; no command"),
    ],
)
def test_a_command_is_the_way_to_what_does_the_same(text: str, box: str, said: str) -> None:
    assert str(commands_said(text, SAY, box)) == said
