"""A damaged store: what is found of bits that flip, what is salvaged, and that nothing is ever worse than before."""

from __future__ import annotations

import random
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.adapters.store import Store
from monitor.adapters.store.database import FILE_NAME
from monitor.adapters.store.salvage import MENDED, mend
from monitor.adapters.store.soundness import examined
from monitor.core.terms.events import EventKind, KeeperEvent, Reading
from monitor.core.terms.times import HOUR_MS
from monitor.errors import MonitorError, StoreCorrupt, StoreError, StoreVanished
from tests.peers import MOMENT_S, PROJECT

T0 = 1_780_000_000_000 // (24 * HOUR_MS) * 24 * HOUR_MS
Rows = dict[str, set[tuple[object, ...]]]


def filled(folder: Path) -> Path:
    """Three probes over six days, packed but for the last hours; an account of 60 entries. One file, without holes."""
    with Store(folder / "made") as store:
        for probe in range(3):
            rows = [
                Reading(f"p{probe}", T0 + i * 120_000, 28 + i % 7 / 10, T0 + i * 120_000 + 200) for i in range(4320)
            ]
            store.journal.ingest(rows)
        store.folding.fold(T0 + 200 * HOUR_MS)
        while store.folding.pack(T0 + 400 * HOUR_MS, 60.0):
            pass
        told = {"recorded_ms": T0, "species": "pituophis-melanoleucus", "eggs": 6}
        for k in range(60):
            store.account.tell(KeeperEvent(EventKind.LAID, clutch=f"K{k}", at_ms=T0, **told))  # type: ignore[arg-type]
    whole = folder / "whole.db"
    connection = sqlite3.connect(folder / "made" / FILE_NAME)
    connection.execute("VACUUM INTO ?", (str(whole),))
    connection.close()
    return whole


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return filled(tmp_path_factory.mktemp("store"))


def flipped(whole: Path, folder: Path, rng: random.Random, bits: int) -> Path:
    """A store with so many bits turned over."""
    folder.mkdir()
    raw = bytearray(whole.read_bytes())
    for _ in range(bits):
        at = rng.randrange(len(raw) * 8)
        raw[at // 8] ^= 1 << at % 8
    (folder / FILE_NAME).write_bytes(raw)
    return folder


def held(path: Path) -> Rows:
    connection = sqlite3.connect(path)
    try:
        rows = {name: set(connection.execute(f"SELECT * FROM {name}")) for name in ("probe", "event")}
        rows["kept"] = set(connection.execute("SELECT probe, hour, hours, n, blob FROM kept"))
        return rows
    finally:
        connection.close()


def hours(rows: Rows) -> set[tuple[object, int]]:
    """(probe, hour) of all hours that chunks cover."""
    return {(r[0], int(str(r[1])) + k) for r in rows["kept"] for k in range(int(str(r[2])))}


def test_a_whole_store_has_nothing_to_be_found(whole: Path) -> None:
    assert examined(whole, still=True) == []
    assert [p.name for p in whole.parent.glob("whole.db*")] == ["whole.db"]


@pytest.mark.parametrize("seed", range(6))
def test_what_is_salvaged_is_whole_and_what_is_missing_is_named(whole: Path, tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    want = held(whole)
    data = flipped(whole, tmp_path / "data", rng, rng.choice((1, 3, 10, 30)))
    raw = (data / FILE_NAME).read_bytes()
    found = examined(data / FILE_NAME, still=True)
    try:
        outcome = mend(data, "1")
    except StoreCorrupt:
        # Where nothing can be read it is as it was.
        assert [(data / FILE_NAME).read_bytes(), [p.name for p in data.iterdir()]] == [raw, [FILE_NAME]]
        return
    assert (outcome.aside is not None) == bool(found)
    assert examined(data / FILE_NAME) == []
    if outcome.aside is not None:
        assert (outcome.aside / FILE_NAME).read_bytes() == raw
    got = held(data / FILE_NAME)
    assert got["kept"] <= want["kept"], "readings come back as they were, or not at all"
    if want["kept"] - got["kept"]:
        assert any(f.table in ("chunk", "") for f in outcome.lost)


@pytest.mark.parametrize("seed", range(4))
def test_with_a_backup_no_reading_is_missing(whole: Path, tmp_path: Path, seed: int) -> None:
    data = flipped(whole, tmp_path / "data", random.Random(seed), 12)
    try:
        mend(data, "1", [whole])
    except StoreCorrupt:
        return
    got = held(data / FILE_NAME)
    assert hours(got) == hours(held(whole))


def in_a_chunk(data: Path) -> None:
    connection = sqlite3.connect(data / FILE_NAME)
    with connection:
        connection.execute("UPDATE chunk SET blob=x'00' WHERE id=(SELECT MIN(id) FROM chunk)")
    connection.close()


SCRIPT = """
import sys
from pathlib import Path
from monitor.adapters.store.salvage import mend
mend(Path(sys.argv[1]), sys.argv[2])
"""


@pytest.mark.parametrize("point", ["repair-copied", "repair-before-swap", "repair-mid-swap:1", "repair-mid-swap:3"])
def test_killed_anywhere_it_is_run_again_and_nothing_is_lost(whole: Path, tmp_path: Path, point: str) -> None:
    data = flipped(whole, tmp_path / "data", random.Random(0), 0)
    Store(data).close()
    in_a_chunk(data)
    environ = {"WARMTALLY_CRASH_AT": point, "PYTHONPATH": str(PROJECT), "PATH": "/usr/bin:/bin"}
    done = subprocess.run([sys.executable, "-c", SCRIPT, str(data), "1"], env=environ, timeout=2 * MOMENT_S)
    assert done.returncode == -9
    if not (data / FILE_NAME).exists():
        # No service starts between the two, and none is begun anew.
        with pytest.raises(StoreVanished):
            Store(data)
    # Also within the same second, by which what goes aside is named.
    mend(data, "1")
    assert examined(data / FILE_NAME) == []
    assert not list(data.glob("damaged-*/work"))
    assert not (data / MENDED).exists()
    want, got = held(whole), held(data / FILE_NAME)
    assert len(want["kept"] - got["kept"]) == 1
    assert got["event"] == want["event"]
    assert any((aside / FILE_NAME).is_file() for aside in data.glob("damaged-*"))


def test_a_store_that_is_written_meanwhile_is_left_as_it_is(
    whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = flipped(whole, tmp_path / "data", random.Random(0), 0)
    in_a_chunk(data)

    def somebody_writes(_: str) -> None:
        with sqlite3.connect(data / FILE_NAME) as connection:
            connection.execute("INSERT INTO fact VALUES ('a', 'b')")
        connection.close()

    monkeypatch.setattr("monitor.adapters.store.salvage.crash_point", somebody_writes)
    with pytest.raises(StoreError, match="meanwhile"):
        mend(data, "1")
    assert [p.name for p in data.iterdir()] == [FILE_NAME]


def test_a_full_disk_changes_nothing(whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = flipped(whole, tmp_path / "data", random.Random(0), 0)
    in_a_chunk(data)
    before = (data / FILE_NAME).read_bytes()
    usage = shutil.disk_usage(data)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1000))
    with pytest.raises(MonitorError, match="MB are free"):
        mend(data, "1")
    assert (data / FILE_NAME).read_bytes() == before
    assert [p.name for p in data.iterdir()] == [FILE_NAME]


@pytest.mark.parametrize("name", ["recorded_ms", "species", "clutch"])
def test_an_entry_that_nobody_can_read_is_named_and_set_aside(whole: Path, tmp_path: Path, name: str) -> None:
    data = flipped(whole, tmp_path / "data", random.Random(0), 0)
    with sqlite3.connect(data / FILE_NAME) as table:
        ((number, body),) = table.execute("SELECT id, body FROM event ORDER BY id LIMIT 1").fetchall()
        table.execute("UPDATE event SET body=? WHERE id=?", (body.replace(name, f"q{name[1:]}", 1), number))
    table.close()
    with Store(data) as store, pytest.raises(StoreCorrupt, match=f"entry {number} is damaged"):
        store.account.events()
    assert mend(data, "1").aside is not None
    assert examined(data / FILE_NAME) == []
    with Store(data, create=False) as store:
        assert number not in [event.id for event in store.account.events()]
