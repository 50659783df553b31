"""A store that was there and is gone is never replaced by an empty one without a word."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.adapters.store import Store
from monitor.core.terms.events import Reading
from monitor.errors import StoreError, StoreVanished

READING = Reading("p", 1_800_000_000_000, 29.5, 1_800_000_000_000)


def deleted(path: Path) -> None:
    for each in path.parent.glob(f"{path.name}*"):
        each.unlink()


def moved(path: Path) -> None:
    path.rename(path.with_name("elsewhere.db"))


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def replaced(path: Path) -> None:
    with Store(path.parent / "other"):
        pass
    (path.parent / "other" / path.name).replace(path)


GONE: list[Callable[[Path], None]] = [deleted, moved, emptied]


def test_the_first_start_needs_nothing(tmp_path: Path) -> None:
    for k in range(2):
        with Store(tmp_path / "a" / "new") as store:
            store.journal.ingest([READING._replace(at_ms=READING.at_ms + k)])
    with Store(tmp_path / "a" / "new", create=False) as store:
        assert store.readings.counts() == {"p": 2}


@pytest.mark.parametrize("how", GONE)
@pytest.mark.parametrize("create", [True, False])
def test_before_a_start_it_is_refused_until_the_file_is_back(
    tmp_path: Path, how: Callable[[Path], None], create: bool
) -> None:
    path = tmp_path / "warmtally.db"
    with Store(tmp_path) as store:
        store.journal.ingest([READING])
    shutil.copy(path, tmp_path / "backup")
    how(path)
    for _ in range(2):
        with pytest.raises(StoreVanished, match="gone or empty"):
            Store(tmp_path, create=create)
    assert not path.exists() or path.stat().st_size == 0
    shutil.copy(tmp_path / "backup", path)
    with Store(tmp_path, create=create) as store:
        assert store.readings.counts() == {"p": 1}


def test_whoever_means_it_begins_anew_by_deleting_what_the_refusal_names(tmp_path: Path) -> None:
    Store(tmp_path).close()
    deleted(tmp_path / "warmtally.db")
    with pytest.raises(StoreVanished) as refused:
        Store(tmp_path)
    mark = tmp_path / "store.mark"
    assert str(mark) in refused.value.fix
    mark.unlink()
    with Store(tmp_path) as store:
        assert store.readings.counts() == {}


def test_a_disk_that_is_not_mounted_is_known_by_the_mark_that_lies_elsewhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "state").mkdir()
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    disk = tmp_path / "disk"
    Store(disk / "eggs").close()
    disk.rename(tmp_path / "unmounted")
    with pytest.raises(StoreVanished):
        Store(disk / "eggs")
    with Store(tmp_path / "another") as other:
        assert other.db.lost() == ""
    shutil.rmtree(disk, ignore_errors=True)
    (tmp_path / "unmounted").rename(disk)
    with Store(disk / "eggs") as store:
        assert store.db.lost() == ""


@pytest.mark.parametrize("how", [*GONE, replaced])
def test_under_a_running_service_no_reading_is_taken_into_a_lost_file(
    tmp_path: Path, how: Callable[[Path], None]
) -> None:
    with Store(tmp_path) as store:
        store.journal.ingest([READING])
        assert store.db.lost() == ""
        how(tmp_path / "warmtally.db")
        assert store.db.lost()
        assert store.db.replaced() == (how is replaced)
        with pytest.raises(StoreVanished):
            store.journal.ingest([READING._replace(at_ms=READING.at_ms + 1)])


def test_a_file_that_is_moved_back_is_the_store_again(tmp_path: Path) -> None:
    path = tmp_path / "warmtally.db"
    with Store(tmp_path) as store:
        moved(path)
        with pytest.raises(StoreError):
            store.journal.ingest([READING])
        (tmp_path / "elsewhere.db").rename(path)
        store.journal.ingest([READING])
        assert store.readings.counts() == {"p": 1}
