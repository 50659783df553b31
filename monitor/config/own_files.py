"""The files that a room is made of beside its store: the room's file itself and what it names."""

from __future__ import annotations

import os
import stat
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from monitor.core.terms.settings import Settings
from monitor.values import dataclass

LARGEST: Final = 4_000_000
"""No file of a room is larger; what is may be a device or a mistake. Judgement, no source."""
_WRITTEN_BY_US: Final = frozenset({("calendar", "file")})


@dataclass(frozen=True, slots=True)
class OwnFiles:
    """``room``: path relative to the room file's folder -> where it lies; ``data``: the same, relative to the folder of
    the store; ``elsewhere``: what is needed as well and must be kept by hand, in words."""

    room: dict[str, Path]
    data: dict[str, Path]
    elsewhere: tuple[str, ...]


def own_files(settings: Settings) -> OwnFiles:
    """What a copy of the room needs beside its store.

    Files beside the room's file, in its folder or below, and the species of the keeper's own; what lies elsewhere, as
    with the service manager's credentials, or in a variable, or that this user may not read, is only named.
    """
    path = Path(settings.file)
    folder, data_dir = path.parent.absolute(), Path(settings.data_dir).absolute()
    room, data, elsewhere = {path.name: path}, dict[str, Path](), list[str]()
    for key, name in _named(path):
        if key.endswith("_env"):
            elsewhere.append(f"{key}: the variable {name}")
            continue
        file = folder / name
        inside = Path(os.path.normpath(file))
        if not inside.is_relative_to(folder) or _in_credentials(name) or not _readable(file):
            elsewhere.append(f"{key}: {name}")
        else:
            room[str(inside.relative_to(folder))] = file
    # What deploy/broker made up for those that speak to the broker, and how it was called.
    for file in sorted((*folder.glob("*.password"), *folder.glob("broker.words"))):
        if _readable(file):
            room[file.name] = file
        elif file.name not in room:
            elsewhere.append(f"broker: {file}")
    species = Path(settings.profiles_dir or data_dir / "species").absolute()
    for file in sorted(species.glob("*.toml")) if species.is_dir() else ():
        if not _readable(file):
            elsewhere.append(f"species: {file}")
        elif file.is_relative_to(data_dir):
            data[str(file.relative_to(data_dir))] = file
        elif file.is_relative_to(folder):
            room[str(file.relative_to(folder))] = file
        else:
            elsewhere.append(f"species: {file}")
    return OwnFiles(room, data, tuple(elsewhere))


def _named(path: Path) -> Iterator[tuple[str, str]]:
    """Every key of the room's file that names a file or a variable, with the name; also of one with mistakes."""
    try:
        tables: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        return
    for part, content in tables.items():
        for table in content if isinstance(content, list) else [content]:
            for key, value in table.items() if isinstance(table, dict) else ():
                is_file = key == "file" and (part, key) not in _WRITTEN_BY_US
                if isinstance(value, str) and (is_file or key.endswith(("_file", "_env"))):
                    yield f"{part}.{key}", value


def _in_credentials(name: str) -> bool:
    """Whether the service manager hands it over: it stands elsewhere, for root alone."""
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    return name.startswith("/run/credentials/") or bool(folder and (Path(folder) / Path(name).name).exists())


def _readable(path: Path) -> bool:
    try:
        found = path.stat()
    except OSError:
        return False
    return stat.S_ISREG(found.st_mode) and found.st_size <= LARGEST and os.access(path, os.R_OK)
