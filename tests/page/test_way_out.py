"""The way out of a contradiction is said in the words of a page."""

from __future__ import annotations

import ast
from collections.abc import Iterator

import pytest

from monitor.page.texts import saying
from monitor.page.way_out import way_out
from tests.peers import PROJECT

SAY = saying("en")
WHERE = (
    "monitor/core/terms/entries.py",
    "monitor/core/terms/projection.py",
    "monitor/core/terms/times.py",
    "monitor/telling/entering.py",
    "monitor/telling/times_told.py",
    "monitor/adapters/store/account.py",
)
"""Where what is entered may be refused."""


def fixes() -> Iterator[str]:
    """What those modules say is to be done; what stands in a place of it is a 7."""
    for name in WHERE:
        tree = ast.parse((PROJECT / name).read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.keyword) and node.arg == "fix":
                for part in ast.walk(node.value):
                    if isinstance(part, ast.JoinedStr):
                        yield "".join(x.value if isinstance(x, ast.Constant) else "7" for x in part.values)  # type: ignore[misc]
                    elif isinstance(part, ast.Constant) and isinstance(part.value, str):
                        yield part.value


def test_no_way_out_names_a_command_or_an_option() -> None:
    found = list(fixes())
    assert len(found) > 40
    assert any("--" in fix for fix in found)
    for fix in found:
        said = way_out(fix, SAY)
        assert "--" not in said, fix
        assert "warmtally" not in said, fix
        assert "record " not in said, fix


@pytest.mark.parametrize(
    ("fix", "said"),
    [
        (
            "if it happened twice, give another --at; to change it: warmtally record correct 12",
            "if it happened twice, give another time; to change it: put entry 12 right",
        ),
        ("give --not-yet-at a time before --at", "the look before must be earlier than this one"),
        ("see: warmtally clutch show; or check the time", "see the clutch's account; or check the time"),
        (
            "say what became of them first: warmtally record hatched, dead, removed",
            "say what became of them first: hatched, dead, removed",
        ),
        ("check the count", "check the count"),
    ],
)
def test_it_says_the_same(fix: str, said: str) -> None:
    assert way_out(fix, SAY) == said
