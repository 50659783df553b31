"""The room's file where it lies, and its settings as they were read last, for commands that should answer at once.

Reading and checking a room's file loads a large library and takes longer than most answers. So the settings of a file
without mistakes are kept beside the store, in ``settings.json``, and used as long as all that they were made of is as
it was: the file and that of the texts byte for byte, how they were asked for, whether what they name is there, and the
program that read them. Whatever is different, damaged or not there, the file is read; nothing hangs on what is kept.

No secret is kept: it holds what a command is given that may not read any (``secrets=False``), without the fields that
``repr`` leaves out. It is JSON of known classes, so that whoever may write there can make nothing run.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
import re
import stat
from collections.abc import Callable, Mapping
from hashlib import blake2b
from pathlib import Path
from typing import Any, Final

from monitor import __version__
from monitor.core.terms import settings as terms
from monitor.core.terms.settings import Settings
from monitor.core.terms.texts import Texts
from monitor.errors import ConfigError
from monitor.whole_file import write_whole

KEPT: Final = "settings.json"
# A room's file of a hundred probes has 20 kB, and what is kept of it is about twice as long. Judgement, no source.
LONGEST: Final = 4_000_000
_CLASSES: Final[dict[str, Any]] = {
    name: found for name, found in vars(terms).items() if isinstance(found, type) and found.__module__ == terms.__name__
} | {"Texts": Texts}


def find_config(explicit: str | None, environ: Mapping[str, str] = os.environ) -> Path:
    """The configuration file to use.

    What was asked for (``--config``), else WARMTALLY_CONFIG, else config/room.toml, else
    /etc/warmtally/room.toml. A file that was named is not replaced by another when it is missing.
    Raises ConfigError that lists where it looked.
    """
    named = [(explicit, "--config"), (environ.get("WARMTALLY_CONFIG"), "WARMTALLY_CONFIG")]
    for name, source in named:
        if name:
            if Path(name).is_file():
                return Path(name)
            raise ConfigError(f"no configuration file at {name}", where=source, fix="correct the path")
    usual = [Path("config/room.toml"), Path("/etc/warmtally/room.toml")]
    for path in usual:
        if path.is_file():
            return path
    looked = ", ".join(["--config (not given)", "WARMTALLY_CONFIG (not set)", *(str(p.absolute()) for p in usual)])
    raise ConfigError(
        f"no configuration file; looked at: {looked}",
        fix="to be asked for it: warmtally setup; or copy the example config/room.toml and give it by --config",
    )


def without_secrets(settings: Settings) -> Settings:
    """The settings for whoever may know no secret: each field that ``repr`` leaves out is empty."""
    return _read(_told(settings))  # type: ignore[no-any-return]


def kept_settings(path: Path, data_dir: str | Path | None) -> Settings | None:
    """The settings of a file as they were read last, if they still hold; None where the file has to be read."""
    with contextlib.suppress(OSError, ValueError, TypeError, KeyError, RecursionError):
        content = _content(path)
        kept = json.loads(_content(_place(path, content, data_dir)))
        if kept["of"] == _digest(path, content, data_dir):
            found = _read(kept["settings"])
            if isinstance(found, Settings) and kept["beside"] == _beside(found):
                return found
    return None


def keep_settings(path: Path, data_dir: str | Path | None, settings: Settings, again: Callable[[], Settings]) -> None:
    """Keep what :func:`without_secrets` gave; where that cannot be done, as without a store, nothing is lost.

    ``again`` reads the file once more: what somebody writes just now is not kept as if it had been there before.
    """
    with contextlib.suppress(OSError, ValueError, ConfigError):
        content = _content(path)
        place = _place(path, content, data_dir)
        if place.parent != Path(settings.data_dir) or not place.parent.is_dir():
            return
        told = {
            "of": _digest(path, content, data_dir),
            "beside": _beside(settings),
            "settings": _told(settings),
        }
        if again() != settings:
            return
        # Only its owner may read it.
        write_whole(place, json.dumps(told, ensure_ascii=False).encode(), 0o600)


def _content(path: Path) -> bytes:
    """Raises OSError and ValueError for what is no ordinary file, or a very long one."""
    found = path.stat()
    if not stat.S_ISREG(found.st_mode) or found.st_size > LONGEST:
        raise ValueError(path)
    return path.read_bytes()


def _place(path: Path, content: bytes, data_dir: str | Path | None) -> Path:
    """Where the settings of a file would be kept. Read wrongly here, they are only not found."""
    if data_dir is None:
        told = re.search(rb"^\s*data_dir\s*=\s*[\"']([^\"']*)[\"']", content, re.M)
        data_dir = path.parent / (told[1].decode() if told else "data")
    return Path(data_dir) / KEPT


def _digest(path: Path, content: bytes, data_dir: str | Path | None) -> str:
    """Of all that settings are made of, but for what :func:`_beside` looks at."""
    folder = Path(__file__).parent
    program = [folder.parent / "core" / "terms" / f"{name}.py" for name in ("settings", "texts", "events")]
    code = [(p.name, s.st_size, s.st_mtime_ns) for p in sorted([*folder.glob("*.py"), *program]) for s in [p.stat()]]
    # Where one stands matters only to names that do not begin at the root.
    whole = path.is_absolute() and (data_dir is None or Path(data_dir).is_absolute())
    here = "" if whole else str(Path.cwd())
    made_of = (__version__, here, str(path), None if data_dir is None else str(data_dir), code)
    return blake2b(repr(made_of).encode() + b"\0" + content, digest_size=16).hexdigest()


def _beside(settings: Settings) -> list[Any]:
    """What is looked up beside the file: whether the files that it names are there, and the texts."""
    named = [settings.broker.ca_file, settings.broker.cert_file, settings.broker.key_file, settings.profiles_dir]
    there = [None if name is None else [Path(name).is_file(), Path(name).is_dir()] for name in named]
    texts = settings.texts_file
    return [*there, None if texts is None else blake2b(_content(Path(texts)), digest_size=16).hexdigest()]


def _told(value: Any) -> Any:
    """As JSON: a settings class by its name and fields, a tuple as a list, a mapping as pairs."""
    if dataclasses.is_dataclass(value):
        fields = {f.name: _told(getattr(value, f.name)) for f in dataclasses.fields(value) if f.repr}
        # What no default stands in for.
        hidden = {f.name: "" for f in dataclasses.fields(value) if not f.repr and f.default is dataclasses.MISSING}
        return {"is": type(value).__name__, **fields, **hidden}
    if isinstance(value, tuple):
        return [_told(v) for v in value]
    if isinstance(value, Mapping):
        return {"is": "", "pairs": [[str(k), _told(v)] for k, v in value.items()]}
    if value is None or isinstance(value, bool | int | float | str):
        return value
    raise ValueError(f"{type(value).__name__} is not kept")


def _read(told: Any) -> Any:
    """From JSON; raises KeyError and TypeError for what :func:`_told` did not write."""
    if isinstance(told, list):
        return tuple(_read(v) for v in told)
    if not isinstance(told, dict):
        return told
    if told["is"] == "":
        return {k: _read(v) for k, v in told["pairs"]}
    return _CLASSES[told["is"]](**{k: _read(v) for k, v in told.items() if k != "is"})
