"""``warmtally setup`` stopped and disturbed at every point: the file is whole, and nobody is asked in vain."""

from __future__ import annotations

import errno
import os
import random
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

from monitor.cli.asking import Asker
from monitor.config import room_edit
from monitor.config.room_file import check
from tests.cli.test_setup import MESSAGES, NOBODY, PROBES, REST, ROOM, desk, hear, told, whole  # noqa: F401 - a fixture
from tests.desk import Answer, Desk

ANSWERS = [*ROOM, *NOBODY, *PROBES, *REST]


def said_with(desk: Desk, at: Callable[[int], None], answers: list[str] = ANSWERS) -> Answer:  # noqa: F811
    """Setup, where before each question something is done."""
    asked = [0]
    line = Asker._line

    def disturbed(self: Asker, shown: str, *, hidden: bool = False) -> str:
        asked[0] += 1
        at(asked[0])
        return line(self, shown, hidden=hidden)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Asker, "_line", disturbed)
        return told(desk, answers)


def is_whole(desk: Desk) -> dict[str, Any]:  # noqa: F811
    """What the file says: right, and with nothing half written beside it."""
    file = desk.folder / "room.toml"
    assert not [x.name for x in desk.folder.iterdir() if x.name.startswith(".room.toml")]
    if not file.exists():
        return {}
    assert {m.id for m in check(file) if m.level == "mistake"} <= {"missing-part"}
    return tomllib.loads(file.read_text("utf-8"))


def anew(desk: Desk) -> Path:  # noqa: F811
    for file in desk.folder.iterdir():
        file.unlink()
    return desk.folder / "room.toml"


def test_an_interrupt_at_any_question_keeps_what_was_told(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:  # noqa: F811
    hear(monkeypatch, MESSAGES)
    before: dict[str, Any] = {}
    for question in range(1, len(ANSWERS) + 1):
        anew(desk)

        def stop(n: int, question: int = question) -> None:
            if n == question:
                raise KeyboardInterrupt

        said = said_with(desk, stop)
        assert said.code == 130
        assert ("nothing was written" in said.err) == (question <= len(ROOM)), said.err
        now = is_whole(desk)
        assert whole(before, now)
        before = now


def test_an_interrupt_while_it_writes_leaves_the_file_as_it_was_or_with_the_part(
    desk: Desk,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """At a line of the module that writes, drawn at random."""
    hear(monkeypatch, MESSAGES)
    rng, module, lines = random.Random(5), room_edit.__file__, [0]

    def run(stop_at: int) -> Answer:
        anew(desk)
        lines[0] = 0

        def look(frame: FrameType, event: str, _: object) -> Any:
            if frame.f_code.co_filename != module:
                return None
            if event == "line":
                lines[0] += 1
                if lines[0] == stop_at:
                    raise KeyboardInterrupt
            return look

        usual = sys.gettrace()
        sys.settrace(look)
        try:
            return told(desk, ANSWERS)
        finally:
            sys.settrace(usual)

    assert run(0).code == 0
    last = is_whole(desk)
    for stop_at in sorted(rng.sample(range(1, lines[0]), 25)):
        assert run(stop_at).code == 130
        assert whole(is_whole(desk), last)


def test_what_somebody_else_writes_meanwhile_stays_and_ends_the_questions(
    desk: Desk,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    hear(monkeypatch, MESSAGES)
    for question in range(len(ROOM) + 1, len(ANSWERS) + 1):
        file = anew(desk)
        theirs = b""
        asked = 0

        def write(n: int, question: int = question, file: Path = file) -> None:
            nonlocal theirs, asked
            asked = n
            if n == question:
                theirs = file.read_bytes() + b"# theirs\n"
                file.write_bytes(theirs)

        said = said_with(desk, write)
        assert file.read_bytes() == theirs
        if said.code:
            assert "somebody else changed it meanwhile" in said.err
            # No more than the questions of one part are asked in vain.
            assert asked - question < 6
    assert said.code == 0, "the last answer adds nothing"


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EIO])
def test_a_disk_that_refuses_is_told_and_leaves_what_was_there(
    desk: Desk,  # noqa: F811
    monkeypatch: pytest.MonkeyPatch,
    number: int,
) -> None:
    hear(monkeypatch, MESSAGES)
    flush = os.fsync
    for allowed in range(1, 5):
        anew(desk)
        left = [allowed]

        def refuse(handle: int, left: list[int] = left) -> None:
            left[0] -= 1
            if left[0] < 0:
                raise OSError(number, os.strerror(number))
            flush(handle)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(os, "fsync", refuse)
            said = told(desk, ANSWERS)
        assert said.code not in (0, 130)
        assert os.strerror(number) in said.err
        is_whole(desk)
