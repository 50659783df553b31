"""A keeper's desk for tests: a room's file, its store, and the commands typed one after the other."""

from __future__ import annotations

import contextlib
import io
import json
import shlex
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.store import Store
from monitor.cli.main import main

UPPER_AND_LOWER = {"upper": 150.0, "lower": 60.0}


def part(head: str, **keys: str | float) -> str:
    """A table of a room's file; a JSON text or number is a TOML one."""
    return "\n".join([head, *(f"{key} = {json.dumps(value)}" for key, value in keys.items())]) + "\n"


def probe(name: str, topic: str, **keys: str | float) -> str:
    return part("[[probes]]", id=name, topic=topic, **{"unit": "C", **keys})


def room_text(
    boxes: Mapping[str, float] = UPPER_AND_LOWER,
    *,
    name: str = "Back room",
    zone: str = "UTC",
    unit: str = "C",
    probes: Iterable[str] | None = None,
    limits: Mapping[str, str | float] | None = None,
) -> str:
    """A room's file: one stack of boxes (name to height in cm), each with a probe ``BOX-warmth`` unless others are
    given."""
    known = (probe(f"{box}-warmth", f"room/{box}", box=box) for box in boxes) if probes is None else probes
    return "\n".join(
        [
            part("[room]", name=name, time_zone=zone, display_unit=unit),
            part("[broker]", host="127.0.0.1"),
            part("[[stacks]]", id="left"),
            *(part("[[stacks.boxes]]", id=box, height_cm=height_cm) for box, height_cm in boxes.items()),
            *known,
            *([part("[limits]", **limits)] if limits else []),
        ]
    )


def _no_number(word: str) -> None:
    pytest.fail(f"{word} is no JSON")


@dataclass
class Answer:
    """What a command came to."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out, parse_constant=_no_number)

    @property
    def text(self) -> str:
        return self.out + self.err


@dataclass
class Desk:
    """A configuration, a data directory, and the command line."""

    folder: Path

    @property
    def data(self) -> Path:
        return self.folder / "data"

    def write(self, text: str) -> None:
        (self.folder / "room.toml").write_text(text, encoding="utf-8")

    def __call__(self, line: str, *, where: bool = True, tail: bool = True) -> Answer:
        """``where``: with the options that name the room; behind the words, or (not ``tail``) after the verb."""
        out, err = io.StringIO(), io.StringIO()
        words = shlex.split(line)
        if where:
            place = ["--config", str(self.folder / "room.toml"), "--data", str(self.data)]
            words = words + place if tail else words[:2] + place + words[2:]
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                code = main(words)
            except SystemExit as ended:
                code = int(ended.code or 0)
        return Answer(code, out.getvalue(), err.getvalue())

    def took(self, line: str) -> Answer:
        """A command that must end well."""
        answer = self(line)
        assert answer.code == 0, answer.err
        return answer

    def does(self, line: str) -> str:
        """What a command says that must end well and without a word on standard error."""
        answer = self.took(line)
        assert answer.err == ""
        return answer.out

    def store(self) -> Store:
        return Store(self.data)

    def events(self) -> int:
        with self.store() as store:
            return len(store.account.events())
