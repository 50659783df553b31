"""Every verb's help reads on a screen of 80 columns, and its examples stand a line each, ready to be copied."""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Iterator

import pytest

from monitor.cli.main import parser


def verbs(of: argparse.ArgumentParser) -> Iterator[argparse.ArgumentParser]:
    yield of
    for action in of._actions:
        if isinstance(action, argparse._SubParsersAction):
            for verb in action.choices.values():
                yield from verbs(verb)


def test_help_fits_eighty_columns_and_examples_are_commands(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    whole, examples = parser(), 0
    for verb in verbs(whole):
        told = verb.format_help()
        assert [line for line in told.splitlines() if len(line) > 80 and not line.strip().startswith("[")] == [], (
            "but for what cannot be parted"
        )
        if not (verb.epilog or "").startswith("example"):
            continue
        after = told.replace(" \\\n", " ").rpartition("\nexample")[2].splitlines()[1:]
        for line in after:
            if line.strip().startswith("("):
                continue
            program, *words = shlex.split(line)
            assert program == "warmtally"
            whole.parse_args(words)
            examples += 1
    assert examples > 20
