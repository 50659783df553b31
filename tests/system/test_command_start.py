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
    beside = {"numpy.ma", "numpy.polynomial", "statistics", "difflib", "monitor.telling.drawing.season_page"}
    for line in ("boxes", "tasks", "season", "probes"):
        assert not modules_after(*line.split(), *where) & (heavy - {"numpy"} | beside), line


def test_a_verb_makes_no_methods_of_values_that_it_has_no_use_for(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.write(room_text())
    desk.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 12")
    code = (
        "import sys\nfrom monitor.cli.main import main\nfrom monitor.values import _StandIn\n"
        "assert main(sys.argv[1:]) == 0\n"
        "there = {c for n, m in sys.modules.items() if n.startswith('monitor.') for c in vars(m).values()"
        " if isinstance(c, type) and '__match_args__' in vars(c)}\n"
        "for name in ('__init__', '__eq__'):\n"
        "    left = sum(isinstance(vars(c).get(name), _StandIn) for c in there)\n"
        "    print(len(there), left, file=sys.stderr)"
    )
    words = [sys.executable, "-c", code, "boxes", "--config", str(tmp_path / "room.toml"), "--data", str(desk.data)]
    done = subprocess.run(words, cwd=PROJECT, capture_output=True, text=True, check=True)
    (there, unused), (_, never_compared) = ([int(n) for n in line.split()] for line in done.stderr.splitlines())
    assert there > 100
    assert unused > there / 3
    assert never_compared > there * 2 / 3
