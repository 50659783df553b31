"""Backups: a folder for each, with a copy of the store, of the files that the room is made of, and a list of sums.

    DIR/20260601T013000Z/manifest.json        what is in it, with size and SHA-256 of each file
                         data/warmtally.db    and the secret of the answers, who may look, species of the keeper's own
                         room/room.toml       and the files that it names, where they lie beside it

It is made under a name with ``.part`` behind it, examined as :func:`verified` does, and only then gets its own: what
has a name without that was good when it was made. A backup can be looked into in its place (``--data DIR/.../data``).
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import os
import re
import shutil
import sqlite3
import stat
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any, Final

from monitor import __version__
from monitor.adapters.crashpoints import crash_point
from monitor.adapters.store.database import FILE_NAME, MARK_NAME, ServiceLock, rights_in, translated
from monitor.adapters.store.salvage import ENDS, MENDED
from monitor.adapters.store.soundness import Finding, Progress, examined, reading_only
from monitor.errors import BackupUnfit, MonitorError, StoreError
from monitor.values import dataclass
from monitor.whole_file import to_disk, write_new

MANIFEST: Final = "manifest.json"
FORM: Final = 1
SPARE_BYTES: Final = 50_000_000
"""So much stays free on the disk of a backup. Judgement, no source."""
_NAME: Final = re.compile(r"\d{8}T\d{6}Z")
_PART: Final = ".part"
_LOCK: Final = ".warmtally.lock"
_LONGEST_MANIFEST: Final = 4_000_000
_STEP: Final = 1 << 20
# A copy's progress is asked for after so many steps of SQLite's machine.
_EVERY_STEPS: Final = 20_000


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup says of itself. ``files``: path -> (bytes, SHA-256); ``elsewhere``: what is not in it."""

    made_at_ms: int
    made_by: str
    schema: int
    room: str
    room_file: str
    data_dir: str
    files: Mapping[str, tuple[int, str]]
    elsewhere: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Made:
    """A good backup, how large it is, which older ones it took the place of, and what there is to say of it."""

    folder: Path
    size_bytes: int
    pruned: tuple[str, ...]
    elsewhere: tuple[str, ...]
    open_to_others: bool


@dataclass(frozen=True, slots=True)
class Origin:
    """What is to be copied: the store's folder, and files by the path that they get in ``data`` and in ``room``."""

    room: str
    room_file: Path
    data_dir: Path
    in_room: Mapping[str, Path]
    in_data: Mapping[str, Path]
    elsewhere: tuple[str, ...] = ()


# -- making one ------------------------------------------------------------------------------------------------------


def make(
    folder: Path, origin: Origin, now_ms: int, *, keep: int | None = None, progress: Progress | None = None
) -> Made:
    """A backup of the room in ``folder``, also while others use the store; older ones beyond ``keep`` go.

    Raises BackupUnfit, and whatever is wrong with the store. Then none of before is gone, and no half one is left.
    """
    with _alone(folder):
        size = _size_of(origin)
        _refuse_without_room(folder, size)
        stamps = (f"{datetime.fromtimestamp(now_ms / 1000 + k, UTC):%Y%m%dT%H%M%SZ}" for k in count())
        name = next(stamp for stamp in stamps if not (folder / stamp).exists())
        for left in folder.glob(f"*{_PART}"):
            if _NAME.fullmatch(left.name.removesuffix(_PART)):
                shutil.rmtree(left)
        part = folder / f"{name}{_PART}"
        try:
            part.mkdir(mode=_folder_rights(folder))
            manifest = _filled(part, origin, now_ms, progress)
            wrong = verified(part)
            if wrong:
                raise BackupUnfit(
                    f"the copy is not whole: {wrong[0].what}",
                    where=str(part),
                    fix="warmtally verify tells whether it is the store; else look at the disk",
                )
            _open_to_its_group(part, folder)
            crash_point("backup-before-good")
            part.replace(folder / name)
            to_disk(folder)
        except BaseException as error:
            shutil.rmtree(part, ignore_errors=True)
            if isinstance(error, OSError):
                raise _of_system(error, folder) from error
            raise
        crash_point("backup-before-prune")
        pruned = _pruned(folder, name, keep)
    total = sum(n for n, _ in manifest.files.values())
    opened = bool((folder / name).stat().st_mode & 0o007)
    return Made(folder / name, total, pruned, manifest.elsewhere, opened)


def _filled(part: Path, origin: Origin, now_ms: int, progress: Progress | None) -> Manifest:
    """Copy everything into a new folder, and write down what it is."""
    sums: dict[str, tuple[int, str]] = {}
    rights = _folder_rights(part.parent)
    (part / "data").mkdir(mode=rights)
    db = part / "data" / FILE_NAME
    schema = _copied_store(origin.data_dir / FILE_NAME, db, progress)
    crash_point("backup-copied")
    sums[f"data/{FILE_NAME}"] = _sum_of(db)
    others = {f"data/{name}": path for name, path in origin.in_data.items()}
    others |= {f"room/{name}": path for name, path in origin.in_room.items()}
    for name, path in others.items():
        content = path.read_bytes()
        (part / name).parent.mkdir(mode=rights, parents=True, exist_ok=True)
        write_new(part / name, content, 0o600)
        # Of what was read, not of what arrived: so the examination sees whether it arrived.
        sums[name] = len(content), hashlib.sha256(content).hexdigest()
    manifest = Manifest(
        now_ms,
        __version__,
        schema,
        origin.room,
        str(origin.room_file.absolute()),
        str(origin.data_dir.absolute()),
        sums,
        origin.elsewhere,
    )
    told = asdict(manifest)
    told = {"form": FORM, **told, "sum": _sum_of_told({"form": FORM, **told})}
    write_new(part / MANIFEST, json.dumps(told, indent=1, ensure_ascii=False).encode(), 0o600)
    for inside in (*(p for p in part.rglob("*") if p.is_dir()), part):
        to_disk(inside)
    return manifest


def _folder_rights(folder: Path) -> int:
    """Rights of a folder of a backup that is made in ``folder``, without the bit that hands its group on."""
    return 0o770 if rights_in(folder) & 0o070 else 0o700


def _open_to_its_group(part: Path, folder: Path) -> None:
    """A backup is its owner's alone; the group's too where its folder is (:func:`rights_in`): who keeps the room is in
    it, and may read all of it where it lies as well.

    Folders have the group's bit from the folder that they were made in. It is not set here where it is there: the
    service may set it on nothing (RestrictSUIDSGID of its unit).
    """
    rights = rights_in(folder)
    folders = 0o2770 if rights & 0o070 else 0o700
    for path in (part, *part.rglob("*")):
        wanted = rights if path.is_file() else folders
        if stat.S_IMODE(path.stat().st_mode) != wanted:
            path.chmod(wanted)


def _copied_store(source: Path, target: Path, progress: Progress | None) -> int:
    """The store as it is at one moment, in one file; its schema's number. Raises MonitorError."""
    with contextlib.closing(reading_only(source)) as connection:
        try:
            pages, page = (int(connection.execute(f"PRAGMA {n}").fetchone()[0]) for n in ("page_count", "page_size"))
            schema = int(connection.execute("PRAGMA user_version").fetchone()[0])
            if progress is not None:
                told, whole = progress, max(pages * page, 1)

                def tell() -> int:
                    told(min(100, 100 * (target.stat().st_size if target.exists() else 0) // whole))
                    return 0

                connection.set_progress_handler(tell, _EVERY_STEPS)
            os.close(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
            connection.execute("PRAGMA query_only=OFF")
            connection.execute("VACUUM INTO ?", (str(target),))
            # As a store has it, so that whoever looks into the backup where it lies changes nothing of it.
            with contextlib.closing(sqlite3.connect(target, isolation_level=None)) as copied:
                copied.execute("PRAGMA journal_mode=WAL").fetchall()
        except sqlite3.Error as error:
            raise translated(error, source) from error
    to_disk(target)
    return schema


def _size_of(origin: Origin) -> int:
    names = [origin.data_dir / f"{FILE_NAME}{end}" for end in ENDS[:2]]
    return sum(p.stat().st_size for p in (*names, *origin.in_data.values(), *origin.in_room.values()) if p.exists())


def _refuse_without_room(folder: Path, size: int) -> None:
    try:
        free = shutil.disk_usage(folder).free
    except OSError as error:
        raise _of_system(error, folder) from error
    if free < size + SPARE_BYTES:
        raise BackupUnfit(
            f"{free / 1e6:.0f} MB are free there, and {(size + SPARE_BYTES) / 1e6:.0f} MB are needed",
            where=str(folder),
            fix="free some space, keep fewer, or take another disk",
        )


def _of_system(error: OSError, folder: Path) -> BackupUnfit:
    return BackupUnfit(
        f"the system refuses a file ({error.strerror or type(error).__name__})",
        where=str(error.filename or folder)[:200],
        fix="look at the folder, its rights and its disk",
    )


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """One backup at a time in a folder, which is made where only it is missing."""
    try:
        if not folder.exists():
            folder.mkdir(mode=0o700)
        lock = (folder / _LOCK).open("a")
    except OSError as error:
        raise BackupUnfit(
            f"nothing can be written there ({error.strerror})",
            where=str(folder),
            fix="mount its disk, make the folder, or let this user write there",
        ) from error
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise BackupUnfit(
                "another backup is being made there", where=str(folder), fix="wait for its end"
            ) from error
        yield


def _pruned(folder: Path, newest: str, keep: int | None) -> tuple[str, ...]:
    """Drop the oldest good ones beyond ``keep``; never the one that was just made, whatever the clock said then."""
    if keep is None:
        return ()
    others = [path for path in good(folder) if path.name != newest]
    gone = others[max(keep - 1, 0) :]
    for path in gone:
        # Out of the names first: killed in the middle, no half one is taken for a good one.
        away = path.with_name(f"{path.name}{_PART}")
        path.replace(away)
        shutil.rmtree(away, ignore_errors=True)
    return tuple(path.name for path in gone)


# -- which there are, and whether they are whole ---------------------------------------------------------------------


def good(folder: Path) -> list[Path]:
    """The backups in a folder that were good when they were made and have all their files, the newest first; none where
    it cannot be read."""
    return [path for path in _named(folder) if _lacks(path) is None]


def _named(folder: Path) -> list[Path]:
    try:
        return sorted((p for p in folder.iterdir() if _NAME.fullmatch(p.name)), reverse=True)
    except OSError:
        return []


def _lacks(path: Path) -> str | None:
    """Why one cannot be good, without looking through it; None: it may be."""
    try:
        for name, (size, _) in manifest_of(path).files.items():
            if (path / name).stat().st_size != size:
                return f"{name} has not the size that it had"
    except MonitorError as error:
        return error.what
    except OSError as error:
        return f"{name} cannot be read ({error.strerror})"
    return None


def is_backup(path: Path) -> bool:
    """Whether a folder is one backup, whole or not; of one that cannot be looked into its name tells."""
    with contextlib.suppress(OSError):
        if (path / MANIFEST).exists():
            return True
    return bool(_NAME.fullmatch(path.name))


def chosen(path: Path) -> Path:
    """The backup that is meant: the folder itself, or the newest good one in it. Raises BackupUnfit."""
    if is_backup(path):
        return path
    found = good(path)
    if not found:
        newest = next((f" ({p.name}: {_lacks(p)})" for p in _named(path)), "")
        raise BackupUnfit(
            f"there is no good backup here that can be read{newest}",
            where=str(path),
            fix="name the folder that backups were made in; one of another computer only root may read: sudo warmtally",
        )
    return found[0]


def manifest_of(path: Path) -> Manifest:
    """What a backup says of itself. Raises BackupUnfit where that is not there, or not as it was written."""
    file = path / MANIFEST
    fix = "take another backup"
    try:
        if file.stat().st_size > _LONGEST_MANIFEST:
            raise BackupUnfit("its list of files is no such list", where=str(file), fix=fix)
        told: dict[str, Any] = json.loads(file.read_bytes())
        said = told.pop("sum")
        if said != _sum_of_told(told) or told.pop("form") != FORM:
            raise BackupUnfit("its list of files is damaged, or of a newer version", where=str(file), fix=fix)
        files = {str(name): (int(n), str(sha)) for name, (n, sha) in told.pop("files").items()}
        if not all(_inside(name) for name in files):
            raise BackupUnfit("its list names files elsewhere", where=str(file), fix=fix)
        return Manifest(**{**told, "files": files, "elsewhere": tuple(told["elsewhere"])})
    except OSError as error:
        raise BackupUnfit(
            f"it is no whole backup: its list of files is not there ({error.strerror})", where=str(file), fix=fix
        ) from error
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise BackupUnfit("its list of files is damaged", where=str(file), fix=fix) from error


def _inside(name: str) -> bool:
    parts = Path(name).parts
    return parts[0] in ("data", "room") and ".." not in parts and not Path(name).is_absolute()


def _sum_of_told(told: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(told, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def _sum_of(path: Path) -> tuple[int, str]:
    """Bytes and SHA-256 of a file, as the disk has it where the system can be asked to look there."""
    digest, size = hashlib.sha256(), 0
    with path.open("rb") as file:
        with contextlib.suppress(OSError, AttributeError):
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        while block := file.read(_STEP):
            digest.update(block)
            size += len(block)
    return size, digest.hexdigest()


def verified(path: Path, progress: Progress | None = None) -> list[Finding]:
    """Everything that is damaged in a backup; empty when it is as it was made.

    The sums of its files find any bit that changed; where one did, the store's own checks say what it hits.
    """
    try:
        manifest = manifest_of(path)
    except BackupUnfit as error:
        return [Finding("sum", MANIFEST, error.what)]
    found = []
    for name, (size, sha) in manifest.files.items():
        try:
            if (size, sha) != _sum_of(path / name):
                found.append(Finding("sum", name, f"{name} is not as it was when the backup was made"))
        except OSError as error:
            found.append(Finding("sum", name, f"{name} cannot be read ({error.strerror})"))
    for extra in (path / "data").glob(f"{FILE_NAME}-*"):
        if extra.stat().st_size:
            found.append(Finding("sum", f"data/{extra.name}", f"data/{extra.name} does not belong to it"))
    store = path / "data" / FILE_NAME
    return found + (examined(store, still=True, progress=progress) if store.is_file() else [])


# -- putting one back ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PutBack:
    """A room that was put back. ``aside``: where what stood there was kept; empty where nothing did."""

    manifest: Manifest
    room_file: Path
    data_dir: Path
    aside: tuple[Path, ...]


def restore(
    backup: Path, room_file: Path, data_dir: Path, now_ms: int, *, aside: bool = False, progress: Progress | None = None
) -> PutBack:
    """Verify a backup and put everything that is in it in its place, the store last.

    Killed before its end, it is run again. ``aside``: a store that is there is moved aside first, with its log; files
    of the room that differ are so in any case. Raises BackupUnfit, StoreError where there is a store, and StoreLocked
    where a service runs on it.
    """
    wrong = verified(backup, progress)
    if wrong:
        raise BackupUnfit(
            f"the backup is damaged: {wrong[0].what}",
            where=str(backup),
            fix="take another one; warmtally verify tells more",
        )
    manifest = manifest_of(backup)
    lock = ServiceLock(data_dir)
    try:
        there = [p for end in ENDS if (p := data_dir / f"{FILE_NAME}{end}").exists() and p.stat().st_size]
        if there and not aside and there[0].name == FILE_NAME:
            raise StoreError(
                "there is a store here already",
                where=str(there[0]),
                fix="give --aside, which moves it to a folder beside it first, or another --data DIR",
            )
        _refuse_without_room(data_dir, sum(n for n, _ in manifest.files.values()))
        stamp = f"before-restore-{datetime.fromtimestamp(now_ms / 1000, UTC):%Y%m%dT%H%M%SZ}"
        kept: list[Path] = []
        for name in sorted(manifest.files.keys() - {f"data/{FILE_NAME}"}):
            top, _, inner = name.partition("/")
            if name == f"room/{Path(manifest.room_file).name}":
                inner = room_file.name
            base = data_dir if top == "data" else room_file.parent
            kept += _placed(backup / name, base / inner, base / stamp / inner)
        crash_point("restore-before-store")
        fresh = data_dir / f"{FILE_NAME}.restored"
        shutil.copyfile(backup / "data" / FILE_NAME, fresh)
        fresh.chmod(rights_in(data_dir))
        to_disk(fresh)
        if _sum_of(fresh) != manifest.files[f"data/{FILE_NAME}"]:
            fresh.unlink()
            raise BackupUnfit("what arrived is not what is in the backup", where=str(fresh), fix="look at the disk")
        # Without its file the service does not start: nothing is written between the old one and the new one.
        (data_dir / MARK_NAME).touch(0o600)
        for path in (*there, *(p for p in [data_dir / MENDED] if p.exists())):
            (data_dir / stamp).mkdir(mode=0o700, exist_ok=True)
            path.replace(data_dir / stamp / path.name)
            kept.append(data_dir / stamp / path.name)
        crash_point("restore-mid-swap")
        fresh.replace(data_dir / FILE_NAME)
        to_disk(data_dir)
    except OSError as error:
        raise _of_system(error, data_dir) from error
    finally:
        lock.release()
    return PutBack(manifest, room_file, data_dir, tuple(kept))


def _placed(source: Path, target: Path, aside: Path) -> list[Path]:
    """A file of the room in its place; what stood there and differs goes aside. What was kept so."""
    content, kept = source.read_bytes(), list[Path]()
    if target.exists():
        if target.is_file() and target.read_bytes() == content:
            return []
        aside.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        target.replace(aside)
        kept.append(aside)
    target.parent.mkdir(parents=True, exist_ok=True)
    fresh = target.with_name(f".{target.name}.restored")
    fresh.unlink(missing_ok=True)
    mode = rights_in(target.parent)
    write_new(fresh, content, mode)
    fresh.chmod(mode)
    fresh.replace(target)
    to_disk(target.parent)
    return kept


def knows(folder: Path, data_dir: Path) -> Path | None:
    """The newest good backup of a store that lay in this very folder; None: there is none."""
    for path in good(folder):
        with contextlib.suppress(BackupUnfit):
            if manifest_of(path).data_dir == str(data_dir.absolute()):
                return path
    return None
