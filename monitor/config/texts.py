"""The keeper's own texts of notices: the file that ``[texts]`` names, read and checked.

Nothing that is wrong with it stops the service, since a notice in other words is better than none: every mistake is of
level "text", and the usual text stands in for what cannot be used.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from monitor.config.mistakes import Findings, Mistake
from monitor.config.shape import Contents, is_there, read_toml
from monitor.core.terms.texts import Texts, read_texts


def texts_of(path: Path) -> tuple[Texts, list[Mistake]]:
    """The texts of a file, and everything that is wrong with it."""
    # Most rooms have no texts of their own, and need none of this to be read.
    from monitor.core.notices.kinds import all_kinds
    from monitor.core.notices.notices import words_of

    findings = Findings(str(path))
    tables = read_toml(path, findings)
    own: dict[str, str] = {}
    if tables is not None:
        own, slips = read_texts(tables, [words_of(kind) for kind in all_kinds()])
        for slip in slips:
            (findings.advice if slip.advice else findings.mistake)(slip.id, slip.key, slip.what, slip.fix)
    found = [replace(m, level="text") if m.level == "mistake" else m for m in findings.all]
    return Texts(own, tuple(str(m) for m in found if m.level == "text")), found


def own_texts(contents: Contents, room_file: Path) -> tuple[Texts, list[Mistake]]:
    """The texts that a room's file names; the usual ones when it names none."""
    if contents.texts is None or not contents.texts.sound("file"):
        return Texts(), []
    path = room_file.parent / contents.texts.part.file
    if is_there(path) != "file":
        fix = "correct the path; to start from the usual texts: warmtally texts --write FILE"
        missing = Mistake("file-missing", str(room_file), "texts.file", f"no file at {path}", fix, "text")
        return Texts(left_out=(str(missing),)), [missing]
    return texts_of(path)
