"""Adding to the room's file: a part at a time, so that what the keeper wrote stays as it stands, comments included.

What is added is put where TOML takes it for what was meant, which is tried and not assumed. The file is replaced as a
whole or not at all, and never by one with a mistake that was not there before.
"""

from __future__ import annotations

import contextlib
import copy
import json
import re
import stat
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

from monitor.config.library import shipped_dir
from monitor.config.mistakes import Findings
from monitor.config.room_file import check
from monitor.config.shape import Part, read_part
from monitor.errors import ConfigError, UsageError
from monitor.whole_file import whole_file, write_new

LARGEST_FILE: Final = 1_000_000
# A part is tried at so many places at most.
MOST_PLACES: Final = 300
OF_THE_SYSTEM: Final = Path("/etc/warmtally")
MARK: Final = "# This is the example, not your room: the service is not started while this line stands here."
"""As deploy/install has it."""

Tables = dict[str, Any]
Change = Callable[[Tables], None]


def is_the_example(path: Path) -> bool:
    """Whether a file is the example that came along, and nobody's room."""
    with contextlib.suppress(OSError, ValueError):
        # What is no ordinary file might never end.
        text = path.read_text("utf-8") if path.is_file() and path.stat().st_size <= LARGEST_FILE else ""
        return MARK in text or text == shipped_dir().with_name("room.toml").read_text("utf-8")
    return False


def kept_of_the_example(path: Path) -> str:
    """Of an example what whoever installed it made right for this computer: where the store is, and the broker."""
    tables = _parsed(path.read_text("utf-8"), path)
    usual = _parsed(shipped_dir().with_name("room.toml").read_text("utf-8"), path)
    kept = {name: tables[name] for name in ("store", "broker") if name in tables and tables[name] != usual.get(name)}
    return "".join(
        f"\n[{name}]\n" + "".join(f"{key} = {toml(value)}\n" for key, value in part.items())
        for name, part in kept.items()
    )


def toml(value: str | float | bool) -> str:
    """A value as TOML has it; of a text everything that cannot be shown is written out as its number."""
    if not isinstance(value, str):
        return json.dumps(value)
    # What JSON writes between quotes is a basic string of TOML.
    text = json.dumps(value, ensure_ascii=False)
    return text if text.isprintable() else "".join(c if c.isprintable() else _escaped(c) for c in text)


def _escaped(sign: str) -> str:
    # A half of a pair, which no text holds that came over the line, is none in TOML either.
    code = 0xFFFD if 0xD800 <= ord(sign) < 0xE000 else ord(sign)
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def wrong_key(part: type[Part], key: str, value: object) -> str:
    """Why a key of the file cannot have this value, and what to do; empty where it can."""
    findings = Findings("")
    read_part(part, {key: value}, key, findings, told=True)
    return "; ".join(f"{m.what}: {m.fix}" for m in findings.mistakes[:1])


class RoomFile:
    """A room's file that is added to; it need not be there yet. ``tables``: what it says now.

    ``fresh``: text that a new one begins with, or one that takes the place of an untouched example.
    """

    def __init__(self, path: Path, *, fresh: str | None = None) -> None:
        # What a link points at is replaced, not the link.
        self.path = path.resolve()
        self._before: bytes | None = None
        self._copied = False
        self.kept_as: Path | None = None
        # Somebody else has written it since: nothing more can be added.
        self.overtaken = False
        self.text = fresh or ""
        self.fresh = fresh is not None
        if self.path.exists():
            if not self.path.is_file() or self.path.stat().st_size > LARGEST_FILE:
                raise ConfigError("is no room's file", where=str(path), fix="name another one")
            self._before = self.path.read_bytes()
            if fresh is None:
                self.text = _decoded(self._before, self.path)
        self.tables: Tables = _parsed(self.text, self.path)

    @property
    def ids(self) -> dict[str, list[str]]:
        """The ids of stacks, boxes, probes and channels."""
        stacks = _those(self.tables, "stacks")
        boxes = [box for s in stacks for box in _those(s, "boxes")]
        parts = {"stacks": stacks, "boxes": boxes}
        parts |= {name: _those(self.tables, name) for name in ("probes", "gateways", "channels")}
        return {name: [str(x.get("id", "")) for x in found] for name, found in parts.items()}

    def add(self, *parts: tuple[str, Change]) -> None:
        """Add parts, each a text and what it changes of the tables, and write the file.

        Raises ConfigError, with nothing written, where a part would make the file wrong, where TOML takes it nowhere
        for what it is, and where somebody else has changed the file meanwhile.
        """
        text = self.text
        for block, change in parts:
            text = _with(text, block, change, self.path)
        self._write(text)
        self.text, self.tables = text, _parsed(text, self.path)

    def remark(self, line: str) -> None:
        """Add a line of comment."""
        self.add((f"# {line}\n", lambda _: None))

    def _write(self, text: str) -> None:
        now = self.path.read_bytes() if self.path.exists() else None
        if now != self._before:
            self.overtaken = True
            what = "somebody else changed it meanwhile; nothing is written over that"
            raise ConfigError(what, where=str(self.path), fix="run setup again: it goes on from there")
        self.path.parent.mkdir(parents=True, exist_ok=True)
        data = text.encode("utf-8")
        rights = (0o660 if self._shared else 0o644) if now is None else None
        with whole_file(self.path, rights) as beside:
            beside.write_bytes(data)
            new = {(m.id, m.key): m for m in check(beside) if m.level == "mistake" and m.id != "missing-part"}
            known = {(m.id, m.key) for m in check(self.path)} if now is not None else set()
            wrong = [m for key, m in new.items() if key not in known]
            if wrong:
                told = "\n".join(f"{m.key}: {m.what}; {m.fix}" for m in wrong[:5])
                raise ConfigError(f"this would make the file wrong, so it is not written:\n{told}")
            if now is not None:
                self._keep_a_copy()
        self._before = data
        self._copied = True

    @property
    def _shared(self) -> bool:
        """Whether the folder is a group's, as deploy/install makes it: what a keeper writes there the service reads."""
        return bool(self.path.parent.stat().st_mode & stat.S_ISGID)

    def _keep_a_copy(self) -> None:
        """Of the file as it was before this run."""
        if self._copied:
            return
        for n in range(1, 1000):
            name = self.path.with_name(f"{self.path.name}.before-setup" + (f"-{n}" if n > 1 else ""))
            try:
                write_new(name, self._before or b"", stat.S_IMODE(self.path.stat().st_mode))
            except FileExistsError:
                continue
            self.kept_as = name
            return
        raise ConfigError("there are a thousand copies of it", where=str(self.path), fix="remove some")

    def keep_secret(self, name: str, secret: str) -> str:
        """Put a secret into a file of its own beside the room's, which takes the place of none; its name. Nobody
        else may read it, but for the group of a folder that is a group's."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        stem, dot, end = name.partition(".")
        for n in range(1, 1000):
            file = self.path.with_name(name if n == 1 else f"{stem}-{n}{dot}{end}")
            try:
                write_new(file, f"{secret}\n".encode(), 0o640 if self._shared else 0o600)
            except FileExistsError:
                continue
            return file.name
        raise UsageError(f"there are a thousand files like {name}", where=str(self.path.parent), fix="remove some")


def _decoded(data: bytes, path: Path) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise ConfigError("is not UTF-8 text", where=str(path), fix="save it as plain UTF-8 text") from error


def _parsed(text: str, path: Path) -> Tables:
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except (ValueError, RecursionError) as error:
        raise ConfigError("is not TOML", where=str(path), fix="correct it: warmtally check names the place") from error


def _those(table: Tables, name: str) -> list[Tables]:
    found = table.get(name)
    return [x for x in found if isinstance(x, dict)] if isinstance(found, list) else []


def _with(text: str, block: str, change: Change, path: Path) -> str:
    """The text with a part, at the first place from its end where it is taken for what it is."""
    wanted = copy.deepcopy(_parsed(text, path))
    change(wanted)
    if wanted.get("probes"):
        # "probes = []" says that there is none yet.
        text = re.sub(r"(?m)^probes[ \t]*=[ \t]*\[[ \t]*\][^\n]*\n", "", text, count=1)
    end = "\r\n" if "\r\n" in text else "\n"
    added = block.strip("\n").replace("\n", end) + end
    for place in _places(text):
        before, after = text[:place], text[place:]
        gap = end if before and not before.endswith("\n") else ""
        gap += end if before.strip("\ufeff") else ""
        made = f"{before}{gap}{added}{end if after else ''}{after}"
        try:
            if tomllib.loads(made.removeprefix("\ufeff")) == wanted:
                return made
        except (ValueError, RecursionError):
            continue
    raise ConfigError(
        "its way of writing leaves no place for this part", where=str(path), fix=f"add it by hand:\n{block}"
    )


def _places(text: str) -> Iterator[int]:
    """Where a part may go: the end, then from there on up before each other part and the comment right above it."""
    yield len(text)
    lines = text.splitlines(keepends=True)
    starts = [0]
    for line in lines:
        starts.append(starts[-1] + len(line))
    heads = [i for i, line in enumerate(lines) if line.lstrip().startswith("[")]
    for head in reversed(heads[-MOST_PLACES:]):
        at = head
        while at and lines[at - 1].lstrip().startswith("#"):
            at -= 1
        yield starts[at]
