"""A file is there whole or not at all: what stands there, its rights, and what is left when writing it fails."""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.whole_file import whole_file, write_new, write_whole


@pytest.fixture(autouse=True)
def _umask() -> Iterator[None]:
    before = os.umask(0o027)
    yield
    os.umask(before)


def rights(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_it_takes_the_place_of_another_and_leaves_nothing_beside_it(tmp_path: Path) -> None:
    file = tmp_path / "eggs.ics"
    write_whole(file, b"one, and longer")
    write_whole(file, b"two")
    assert file.read_bytes() == b"two"
    assert list(tmp_path.iterdir()) == [file]


def test_a_new_one_has_the_rights_that_the_umask_leaves_and_another_keeps_its_own(tmp_path: Path) -> None:
    file = tmp_path / "eggs.ics"
    write_whole(file, b"one")
    assert rights(file) == 0o640
    file.chmod(0o664)
    write_whole(file, b"two")
    assert rights(file) == 0o664
    write_whole(file, b"three", 0o600)
    assert rights(file) == 0o600


def test_nobody_reads_it_meanwhile_who_may_not_read_it_then(tmp_path: Path) -> None:
    secret, shared = tmp_path / "secret", tmp_path / "shared"
    secret.touch(0o600)
    with whole_file(secret) as beside:
        assert rights(beside) == 0o600
    with whole_file(shared, 0o600) as beside:
        assert rights(beside) == 0o600


def test_what_fails_on_the_way_leaves_it_as_it_was(tmp_path: Path) -> None:
    file = tmp_path / "eggs.ics"
    file.write_bytes(b"one")
    with contextlib.suppress(RuntimeError), whole_file(file) as beside:
        beside.write_bytes(b"tw")
        raise RuntimeError
    assert file.read_bytes() == b"one"
    assert list(tmp_path.iterdir()) == [file]
    with pytest.raises(FileNotFoundError):
        write_whole(tmp_path / "gone" / "eggs.ics", b"two")


def test_it_is_on_the_disk_before_it_takes_its_place_and_so_is_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file, done = tmp_path / "eggs.ics", list[tuple[str, bool]]()

    def seen(handle: int) -> None:
        at = Path(f"/proc/self/fd/{handle}").resolve()
        done.append(("folder" if at.is_dir() else at.read_text(), file.exists()))

    monkeypatch.setattr(os, "fsync", seen)
    write_whole(file, b"one")
    assert done == [("one", False), ("folder", True)]


def test_a_new_one_takes_no_others_place(tmp_path: Path) -> None:
    file = tmp_path / "phone.address"
    write_new(file, b"one", 0o600)
    with pytest.raises(FileExistsError):
        write_new(file, b"two", 0o600)
    assert (file.read_bytes(), rights(file)) == (b"one", 0o600)
