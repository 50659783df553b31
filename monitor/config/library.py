"""The species library: finds and reads profile files.

The program brings profiles along (``monitor/shipped/species`` in an installed package, ``config/species`` beside the
package in a checkout); the keeper may have a directory of own ones. An own profile of the same name wins over
the one that came along. A bad own file spoils itself alone: the others are listed, and it is named with its
mistakes.
"""

from __future__ import annotations

import re
import stat
import tomllib
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

from monitor.errors import ConfigError, UnknownSubject
from monitor.values import dataclass

if TYPE_CHECKING:
    from monitor.core.development.species import Profile

# How alike a misspelt name and a true one are at least (the ratio of difflib): the whole, and each word of it, or
# species of one genus and a rattlesnake would be taken for another's; written as one word, the whole. Judgement, no
# source: two letters wrong in ten, three in a word, one in ten.
CLOSE, WORD_CLOSE, JOINED_CLOSE = 0.8, 0.7, 0.9
# No name is longer, and of so many that a word may mean they are told.
LONGEST_NAME: Final = 100
MOST_TOLD: Final = 8
# Far above what a table needs; the longest that comes along has 6 kB. A key of as many dots as a longer file can hold
# takes tomllib minutes. Judgement, no source.
LONGEST_FILE: Final = 100_000
MOST_DOTS: Final = 500


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


def named(name: str, own_dir: Path | str | None = None) -> tuple[str, str]:
    """The id of the profile that a keeper means, and what has to be said of it: empty where the name is its own.

    A common name, an older scientific one, a part of a name, or one misspelt is taken where it means one profile, which
    is said. Raises UnknownSubject that names the profiles where it may mean several, and where it means none.
    """
    wanted = _plain(name)
    if len(wanted) > LONGEST_NAME:
        raise _unknown(name, own_dir)
    if wanted in _files(own_dir):
        return wanted, ""
    names = [(_plain(told), p) for p in list_profiles(own_dir).profiles for told in names_of(p)]
    words = f"-{wanted}-"
    # A name of three words is one of a subspecies.
    of_subspecies = wanted.rpartition("-")[0] if wanted.count("-") == 2 else wanted
    ways = (
        lambda told: told == wanted,
        lambda told: told == of_subspecies,
        lambda told: words in f"-{told}-",
        lambda told: _alike(wanted, told),
    )
    for way in ways:
        meant = {p.id: p for told, p in names if wanted and way(told)}
        if len(meant) == 1:
            found = next(iter(meant.values()))
            common = f", {found.common_name}" if found.common_name else ""
            return found.id, f"{name!r} is taken as {found.id} ({found.scientific_name}{common})"
        if meant:
            told = sorted(meant)
            more = f" and {len(told) - MOST_TOLD} more" if len(told) > MOST_TOLD else ""
            raise UnknownSubject(
                f"{name!r} may be several: {', '.join(told[:MOST_TOLD])}{more}", where="species", fix="name one of them"
            )
    raise _unknown(name, own_dir)


def _alike(wanted: str, told: str) -> bool:
    """Whether one is the other, misspelt."""
    ones, others = wanted.split("-"), told.split("-")
    if len(ones) != len(others):
        return _ratio("".join(ones), "".join(others)) >= JOINED_CLOSE
    return _ratio(wanted, told) >= CLOSE and all(map(lambda a, b: _ratio(a, b) >= WORD_CLOSE, ones, others))


def _ratio(one: str, other: str) -> float:
    import difflib

    return difflib.SequenceMatcher(None, one, other).ratio()


def called(name: str, own_dir: Path | str | None = None) -> Profile | None:
    """The profile one of whose names this is, letter for letter; None where there is none."""
    wanted = _plain(name)
    names = ((p, (p.id, *map(_plain, names_of(p)))) for p in list_profiles(own_dir).profiles)
    return next((p for p, told in names if wanted in told), None)


def names_of(profile: Profile) -> tuple[str, ...]:
    """Every name that a profile is found by."""
    return tuple(x for x in (profile.scientific_name, profile.common_name, *profile.other_names) if x)


def _plain(name: str) -> str:
    """A name as ids are written: lower case, hyphens, no apostrophes."""
    return "-".join(name.lower().replace("-", " ").replace("'", "").replace("’", "").split())


def _unknown(name: str, own_dir: Path | str | None) -> UnknownSubject:
    told = name if len(name) <= LONGEST_NAME else f"{name[:LONGEST_NAME]} ..."
    import difflib

    close = difflib.get_close_matches(_plain(told), _files(own_dir), n=3, cutoff=0.6)
    return UnknownSubject(
        f"there is no species profile {told!r}" + (f"; did you mean {' or '.join(close)}?" if close else ""),
        where="species",
        fix="list them: warmtally species; or tell what you know of it: warmtally species new",
    )


def load_profile(species_id: str, own_dir: Path | str | None = None) -> Profile:
    """The profile of that id (``elaphe-taeniura``) or scientific name (``Elaphe taeniura``).

    Raises UnknownSubject that names close matches, and ConfigError when the file itself has mistakes, or when the
    directory of own profiles does not exist.
    """
    wanted = "-".join(species_id.lower().split())
    files = _files(own_dir)
    if wanted in files:
        return read_profile(files[wanted])
    raise _unknown(species_id, own_dir)


def list_profiles(own_dir: Path | str | None = None) -> Listing:
    """Every profile, sorted by id. A file with mistakes is named in ``bad`` and does not hide the others."""
    profiles, bad = [], []
    files = _files(own_dir)
    for _, path in sorted(files.items()):
        try:
            profiles.append(read_profile(path))
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
        # One that leads nowhere, or round in a circle, changes nothing.
        with suppress(OSError):
            told = path.stat()
            found.append((path.name, told.st_mtime_ns, told.st_size, told.st_ino))
    return tuple(sorted(found))


def _files(own_dir: Path | str | None) -> dict[str, Path]:
    files = {path.stem: path for path in shipped_dir().glob("*.toml")}
    if own_dir is not None:
        # There is no such folder until something is learned or written.
        files.update({path.stem: path for path in Path(own_dir).glob("*.toml")})
    return files


def read_profile(path: Path, file_name: str = "") -> Profile:
    """The profile in one file; ``file_name`` where it stands in for another. Raises ConfigError."""
    # Who only asks whether there is a profile of a name needs no curve.
    from monitor.core.development.profile_file import parse_profile

    place = str(path)
    if not place.isprintable():
        # It is told in lists and in the log.
        place = place.encode("unicode_escape", "replace").decode("ascii")
    try:
        found = path.stat()
        # A pipe or a device would never end, and the service reads these files while it watches.
        if not stat.S_ISREG(found.st_mode) or found.st_size > LONGEST_FILE:
            raise ConfigError(
                f"cannot be read: it is no file of at most {LONGEST_FILE // 1000} kB",
                where=place,
                fix="a species file is a short text; take the other away",
            )
        text = path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(
            f"cannot be read: {_reason(error)}", where=place, fix="make the file readable UTF-8 text"
        ) from error
    try:
        if max(part.count(".") for part in re.split(r"[=\r\n]", text)) > MOST_DOTS:
            raise RecursionError
        mapping = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        # A number of thousands of digits or brackets comes as another error than the others.
        told = str(error) if isinstance(error, tomllib.TOMLDecodeError) else "a number or nesting beyond all measure"
        raise ConfigError(f"is not valid TOML: {told}", where=place, fix="correct the line named") from error
    return parse_profile(mapping, file_name or place.rpartition("/")[2])


def _reason(error: OSError | UnicodeDecodeError) -> str:
    """Without the name of the file, which is told beside it."""
    return str(error.strerror) if isinstance(error, OSError) else str(error)
