"""Whole copies of the store, and whether anything was taken in since one was made: for an update and its way back.

Nothing here brings a store to this version, as opening it does: what an older or a newer program wrote is copied,
compared and put back as it is. For deploy/install, as a program of its own:

    python -m monitor.adapters.store.copies copy DATA FOLDER          a copy of what stands in DATA, into FOLDER
    python -m monitor.adapters.store.copies since FOLDER DATA         what became of DATA since: as it was, brought to
                                                                      another version, or taken in: how much and what
    python -m monitor.adapters.store.copies back FOLDER DATA ASIDE    the copy in place of what stands in DATA, which is
                                                                      kept in ASIDE
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import sys
from collections.abc import Sequence
from pathlib import Path

from monitor.adapters.store.database import BUSY_S, FILE_NAME, rights_in, translated
from monitor.errors import MonitorError, StoreError, UsageError
from monitor.whole_file import to_disk

SAME, MOVED = "same", "moved"
# What the service makes by itself: rounds tell and remember, whether or not anything came in.
_OF_ROUNDS = frozenset({"history", "notice", "outbox"})
_ENDS = ("", "-wal", "-shm")


def copy(data_dir: Path, folder: Path) -> None:
    """A whole copy of the store into an empty folder, also while others use it. Raises MonitorError."""
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / FILE_NAME
    if target.exists():
        raise StoreError("there is a copy already", where=str(target), fix="name an empty folder")
    part = target.with_suffix(".part")
    part.unlink(missing_ok=True)
    with contextlib.closing(_opened(data_dir)) as connection:
        try:
            connection.execute("VACUUM INTO ?", (str(part),))
        except sqlite3.Error as error:
            part.unlink(missing_ok=True)
            raise translated(error, data_dir / FILE_NAME) from error
    part.chmod(rights_in(folder))
    to_disk(part)
    part.replace(target)
    to_disk(folder)


def since(folder: Path, data_dir: Path) -> tuple[str, str]:
    """What became of a store since it was copied; nobody may be writing to it meanwhile.

    ``same``: it has the version of the copy. ``moved``: it has another one, and the second text tells what was taken in
    since (readings, messages, entries); that is empty when it was nothing, and the copy may go back in its place.
    """
    before, after = _taken_in(folder), _taken_in(data_dir)
    if before.pop("schema") == after.pop("schema"):
        return SAME, ""
    changed = [name for name in sorted(before.keys() | after.keys()) if before.get(name) != after.get(name)]
    return MOVED, ", ".join(changed)


def back(folder: Path, data_dir: Path, aside: Path) -> None:
    """The copy in place of the store; nobody may have it open. What stood there is kept in ``aside``, whole."""
    aside.mkdir(parents=True, exist_ok=True)
    fresh = data_dir / f"{FILE_NAME}.fresh"
    shutil.copyfile(folder / FILE_NAME, fresh)
    fresh.chmod(rights_in(data_dir))
    to_disk(fresh)
    for end in _ENDS[::-1]:
        with contextlib.suppress(FileNotFoundError):
            (data_dir / f"{FILE_NAME}{end}").replace(aside / f"{FILE_NAME}{end}")
    fresh.replace(data_dir / FILE_NAME)
    to_disk(data_dir)


def _taken_in(data_dir: Path) -> dict[str, object]:
    """What only grows when something is taken in and acknowledged, by name, and the version ("schema").

    The numbers that were given out in each table never become smaller, whatever was folded or dropped since. The names
    of another version count as a change: rather too much is taken for acknowledged than too little.
    """
    with contextlib.closing(_opened(data_dir)) as connection:
        try:
            found: dict[str, object] = {"schema": connection.execute("PRAGMA user_version").fetchone()[0]}
            rows = connection.execute("SELECT name, seq FROM sqlite_sequence").fetchall()
            found |= {str(name): seq for name, seq in rows if name not in _OF_ROUNDS}
            tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type='table'")}
            if "batch" in tables:
                last = connection.execute("SELECT COALESCE(MAX(seq), 0) FROM batch").fetchone()[0]
                found["journal"] = max(last, dict(rows).get("journal", 0))
            found["inbox"] = connection.execute("SELECT * FROM inbox ORDER BY mid").fetchall()
            found["answer"] = connection.execute("SELECT count(*) FROM answer").fetchone()[0]
        except sqlite3.Error as error:
            raise translated(error, data_dir / FILE_NAME) from error
    return found


def _opened(data_dir: Path) -> sqlite3.Connection:
    path = data_dir / FILE_NAME
    if not path.is_file():
        raise StoreError("there is no store here", where=str(path), fix="give the folder of the store")
    return sqlite3.connect(path, isolation_level=None, timeout=BUSY_S)


def main(words: Sequence[str]) -> int:
    try:
        match [words[0], *map(Path, words[1:])] if words else []:
            case ["copy", Path() as data_dir, Path() as folder]:
                copy(data_dir, folder)
            case ["since", Path() as folder, Path() as data_dir]:
                print(*since(folder, data_dir))
            case ["back", Path() as folder, Path() as data_dir, Path() as aside]:
                back(folder, data_dir, aside)
            case _:
                raise UsageError("no such words", fix="copy DATA FOLDER, since FOLDER DATA, or back FOLDER DATA ASIDE")
    except (MonitorError, OSError) as error:
        print(f"store: {error}", file=sys.stderr)
        return error.exit_code if isinstance(error, MonitorError) else StoreError.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
