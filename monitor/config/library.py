"""The species library: finds and reads profile files.

The program brings profiles along (``monitor/shipped/species`` in an installed package, ``config/species`` beside the
package in a checkout); the keeper may have a directory of own ones. An own profile of the same name wins over
the one that came along. A bad own file spoils itself alone: the others are listed, and it is named with its
mistakes.
"""

from __future__ import annotations

import difflib
import tomllib
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from monitor.core.development.profile_file import parse_profile
from monitor.core.development.species import Profile
from monitor.errors import ConfigError, UnknownSubject


@dataclass(frozen=True, slots=True)
class Listing:
    """What the library holds: the readable profiles by id, those of the keeper's own, and the bad files."""

    profiles: tuple[Profile, ...]
    own: frozenset[str]
    bad: tuple[ConfigError, ...]


def shipped_dir() -> Path:
    """Where the profiles that come with the program lie."""
    package = Path(__file__).resolve().parents[1]
    places = (package / "shipped" / "species", package.parent / "config" / "species")
    for place in places:
        if place.is_dir():
            return place
    raise ConfigError(
        "the species profiles that belong to the program are not there",
        where=str(places[0]),
        fix="install the program again",
    )


def load_profile(species_id: str, own_dir: Path | str | None = None) -> Profile:
    """The profile of that id (``elaphe-taeniura``) or scientific name (``Elaphe taeniura``).

    Raises UnknownSubject that names close matches, and ConfigError when the file itself has mistakes, or when the
    directory of own profiles does not exist.
    """
    wanted = "-".join(species_id.lower().split())
    files = _files(own_dir)
    if wanted in files:
        return _read(files[wanted])
    close = difflib.get_close_matches(wanted, files, n=3, cutoff=0.6)
    raise UnknownSubject(
        f"there is no species profile {species_id!r}" + (f"; did you mean {' or '.join(close)}?" if close else ""),
        where="species",
        fix="list them: warmtally species; or give it a small file of your own in the folder that [profiles] names",
    )


def list_profiles(own_dir: Path | str | None = None) -> Listing:
    """Every profile, sorted by id. A file with mistakes is named in ``bad`` and does not hide the others."""
    profiles, bad = [], []
    files = _files(own_dir)
    for _, path in sorted(files.items()):
        try:
            profiles.append(_read(path))
        except ConfigError as error:
            bad.append(error)
    shipped = shipped_dir()
    own = frozenset(name for name, path in files.items() if path.parent != shipped)
    return Listing(tuple(profiles), own, tuple(bad))


def own_stamp(own_dir: Path | str | None) -> tuple[tuple[str, int, int, int], ...]:
    """What changes when one of the keeper's own profiles is written, comes or goes: name, time, size and number."""
    if own_dir is None:
        return ()
    found = []
    for path in Path(own_dir).glob("*.toml"):
        with suppress(FileNotFoundError):
            stat = path.stat()
            found.append((path.name, stat.st_mtime_ns, stat.st_size, stat.st_ino))
    return tuple(sorted(found))


def _files(own_dir: Path | str | None) -> dict[str, Path]:
    files = {path.stem: path for path in shipped_dir().glob("*.toml")}
    if own_dir is not None:
        # There is no such folder until something is learned or written.
        files.update({path.stem: path for path in Path(own_dir).glob("*.toml")})
    return files


def _read(path: Path) -> Profile:
    try:
        mapping = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(
            f"cannot be read: {error}", where=str(path), fix="make the file readable UTF-8 text"
        ) from error
    except (ValueError, RecursionError) as error:
        # A number of thousands of digits or brackets comes as another error than the others.
        told = str(error) if isinstance(error, tomllib.TOMLDecodeError) else "a number or nesting beyond all measure"
        raise ConfigError(f"is not valid TOML: {told}", where=str(path), fix="correct the line named") from error
    return parse_profile(mapping, path.name)
