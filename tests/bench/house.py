"""The house itself: its rooms with their modules and lines, what is too long, names of two things, and contracts.

``--of REVISION`` looks at another state of the code, as git has it (the contracts are then those of that state, not
checked). Lines are those of the files; a class and a function are counted from their first line to their last.
"""

from __future__ import annotations

import ast
import subprocess
import tomllib
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

from tests.bench import Figures
from tests.peers import PROJECT

LONGEST_MODULE, LONGEST_CLASS, LONGEST_FUNCTION = 600, 300, 80
LONG_FUNCTIONS: dict[str, str] = {}
"""Functions that may be longer, as ``path:name``, each with the reason."""


@dataclass(frozen=True)
class Piece:
    """A class or function: where it stands, its name, its lines."""

    path: str
    name: str
    lines: int

    def __str__(self) -> str:
        return f"{self.path}:{self.name} ({self.lines} lines)"


@dataclass(frozen=True)
class House:
    """The sources of the package by path, and the pieces in them."""

    sources: Mapping[str, str]
    classes: tuple[Piece, ...]
    functions: tuple[Piece, ...]

    def lines(self, path: str) -> int:
        return len(self.sources[path].splitlines())

    def too_long(self) -> list[str]:
        """What is longer than the house allows, in words."""
        long = [f"{p} ({self.lines(p)} lines)" for p in self.sources if self.lines(p) > LONGEST_MODULE]
        long += [str(c) for c in self.classes if c.lines > LONGEST_CLASS]
        return long + [
            str(f) for f in self.functions if f.lines > LONGEST_FUNCTION and f"{f.path}:{f.name}" not in LONG_FUNCTIONS
        ]

    def named_twice(self) -> dict[str, list[str]]:
        """Names of classes that stand in more than one module; a leading underscore makes no other name."""
        found: dict[str, list[str]] = defaultdict(list)
        for piece in self.classes:
            found[piece.name.lstrip("_")].append(piece.path)
        return {name: paths for name, paths in sorted(found.items()) if len(paths) > 1}

    def rooms(self) -> Iterator[tuple[str, int, int]]:
        """(folder, modules, lines), each folder by itself; an ``__init__`` that only says what belongs there counts."""
        folders: dict[str, list[str]] = defaultdict(list)
        for path in self.sources:
            folders[str(PurePosixPath(path).parent)].append(path)
        for folder, paths in sorted(folders.items()):
            yield folder, len(paths), sum(self.lines(p) for p in paths)


def house(of: str = "") -> House:
    """The package in the working tree, or as it was at a revision."""
    if of:
        names = _git("ls-tree", "-r", "--name-only", of, "monitor").splitlines()
        sources = {name: _git("show", f"{of}:{name}") for name in names if name.endswith(".py")}
    else:
        paths = sorted((PROJECT / "monitor").rglob("*.py"))
        sources = {p.relative_to(PROJECT).as_posix(): p.read_text(encoding="utf-8") for p in paths}
    classes, functions = list[Piece](), list[Piece]()
    for path, text in sources.items():
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
                piece = Piece(path, node.name, (node.end_lineno or node.lineno) - node.lineno + 1)
                (classes if isinstance(node, ast.ClassDef) else functions).append(piece)
    return House(sources, tuple(classes), tuple(functions))


def _git(*words: str) -> str:
    return subprocess.run(["git", *words], cwd=PROJECT, capture_output=True, text=True, check=True).stdout


def packages(lock: str, of: str = "") -> int | None:
    """How many packages a lock file names; None where it is not there."""
    path = PROJECT / "deploy" / lock
    try:
        text = _git("show", f"{of}:deploy/{lock}") if of else path.read_text(encoding="utf-8")
    except (OSError, subprocess.CalledProcessError):
        return None
    return sum("==" in line for line in text.splitlines())


def contracts() -> tuple[int, list[str]]:
    """How many contracts of imports there are, and the last lines of what is broken (empty: none)."""
    names = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"]["contracts"]
    found = subprocess.run(
        ["lint-imports", "--no-cache", "--no-logo"], cwd=PROJECT, capture_output=True, text=True, check=False
    )
    return len(names), [] if found.returncode == 0 else found.stdout.splitlines()[-20:]


def measure(of: str = "") -> Figures:
    """Modules, lines and lengths; falls short where something is too long, named twice, or a contract is broken."""
    looked = house(of)
    longest = max(looked.sources, key=looked.lines)
    big, long = max(looked.classes, key=lambda c: c.lines), max(looked.functions, key=lambda f: f.lines)
    rooms, twice = list(looked.rooms()), looked.named_twice()
    figures: dict[str, float | int | str | bool | None] = {
        "modules": len(looked.sources),
        "lines": sum(lines for _, _, lines in rooms),
        "folders": len(rooms),
        "most_modules_in_a_folder": max(modules for _, modules, _ in rooms),
        "longest_module": f"{longest} ({looked.lines(longest)} lines)",
        "largest_class": str(big),
        "longest_function": str(long),
        "class_names_of_two_things": len(twice),
        "packages_to_run": packages("requirements.lock", of),
        "packages_to_test": packages("requirements-test.lock", of),
    }
    short = [f"too long: {text}" for text in looked.too_long()]
    short += [f"{name} is a class in {', '.join(paths)}" for name, paths in twice.items()]
    if not of:
        figures["contracts"], broken = contracts()
        short += [f"a contract of imports is broken: {' | '.join(broken)}"] if broken else []
    width = max(len(folder) for folder, _, _ in rooms)
    tree = [f"{folder:<{width}}  {modules:>3} modules {lines:>6} lines" for folder, modules, lines in rooms]
    return Figures(figures, short, tree)
