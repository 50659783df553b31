"""Files that a command writes: named by what they hold, whole, and never over another unasked."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.cli.new_file import named, new_file, write_text
from monitor.errors import FileUnreadable, UsageError


def test_a_file_is_named_by_what_it_will_hold(tmp_path: Path) -> None:
    assert named(str(tmp_path / "a.PDF"), ".pdf").name == "a.PDF"
    with pytest.raises(UsageError):
        named("room.toml", ".html", ".htm")
    with pytest.raises(FileUnreadable):
        named(str(tmp_path / "nowhere" / "a.pdf"), ".pdf")


def test_a_file_that_is_there_is_replaced_only_when_asked(tmp_path: Path) -> None:
    file = tmp_path / "account.csv"
    for text in ("one", "two"):
        with new_file(file, replace=text == "two") as beside:
            beside.write_text(text, "utf-8")
    with pytest.raises(FileUnreadable, match="is there already"), new_file(file, replace=False):
        pass
    assert file.read_text("utf-8") == "two"
    assert list(tmp_path.iterdir()) == [file]


def test_what_cannot_be_written_is_told_alike(tmp_path: Path) -> None:
    file = tmp_path / "nowhere" / "a.svg"
    with pytest.raises(FileUnreadable) as drawn:
        write_text(file, "<svg/>")
    with pytest.raises(FileUnreadable) as written, new_file(file, replace=False):
        pass
    assert str(drawn.value) == str(written.value)
    assert str(file) in str(drawn.value)
    assert "cannot be written: No such file" in str(drawn.value)
