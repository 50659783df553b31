"""What a command loads before it does anything: a verb its own module, the list of verbs nothing large."""

from __future__ import annotations

import argparse
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.cli.main import VERBS, parser
from tests.desk import Desk, room_text
from tests.peers import PROJECT


def modules_after(*words: str) -> set[str]:
    """What a process has loaded when it has answered these words."""
    code = (
        "import sys\nfrom monitor.cli.main import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit:\n    pass\n"
        "print(*sys.modules, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code, *words], cwd=PROJECT, capture_output=True, text=True, check=True)
    return set(done.stderr.split())


def verbs_of(whole: argparse.ArgumentParser) -> dict[str, str | None]:
    """Verb -> what the list says of it."""
    for action in whole._actions:
        if isinstance(action, argparse._SubParsersAction):
            return {choice.dest: choice.help for choice in action._choices_actions}
    raise AssertionError("no verbs")


def test_the_list_of_verbs_says_what_each_verbs_module_says() -> None:
    assert verbs_of(parser()) == {verb: text for verb, (_, text) in VERBS.items()}


@pytest.mark.parametrize("verb", VERBS)
def test_each_verb_is_in_the_module_that_the_list_names(verb: str) -> None:
    assert verb in verbs_of(parser(verb))


@pytest.mark.parametrize("words", [("--help",), ("--version",), ("nosuchverb",), ()])
def test_what_needs_no_room_loads_no_large_library(words: tuple[str, ...]) -> None:
    loaded = modules_after(*words)
    assert not loaded & {"numpy", "pydantic", "paho", "rich", "apprise", "influxdb_client", "sqlite3"}


def test_a_verb_loads_no_other_verbs_module() -> None:
    loaded = modules_after("run", "--help")
    assert "monitor.cli.service" in loaded
    assert not loaded & {
        "monitor.cli.learn",
        "monitor.cli.rehearse",
        "monitor.simulation.rehearsal",
        "rich.console",
        "apprise",
    }


def test_an_option_before_the_verb_does_not_hide_it() -> None:
    assert "monitor.cli.show" in modules_after("--", "boxes", "--help")


def test_what_a_keeper_tells_and_answers_loads_no_arrays_and_reads_no_configuration_twice(tmp_path: Path) -> None:
    """Once the settings of a room's file are kept beside its store."""
    desk = Desk(tmp_path)
    desk.write(room_text())
    desk.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 12")
    desk.does("boxes")
    where = ("--config", str(tmp_path / "room.toml"), "--data", str(desk.data))
    heavy = {"numpy", "pydantic", "pydantic_core", "apprise", "paho", "rich", "scipy"}
    for line in ("clutch show K01", "record note K01 --note x", "notices", "unread"):
        assert not modules_after(*line.split(), *where) & heavy, line
    assert not modules_after("boxes", *where) & (heavy - {"numpy"} | {"numpy.ma", "numpy.polynomial"})
