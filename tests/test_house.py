"""The rules of the house that a machine can check."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import sys
import tomllib
from collections import ChainMap
from collections.abc import Mapping
from functools import cache
from pathlib import Path

import pytest

from monitor.errors import MonitorError
from tests.bench.house import LONG_FUNCTIONS, LONGEST_FUNCTION, House, house
from tests.peers import PROJECT

# What these tests share is made once: they stay on one worker.
pytestmark = pytest.mark.xdist_group("house")

TOP = {
    ".ci",
    ".gitignore",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "config",
    "deploy",
    "monitor",
    "pyproject.toml",
    "tests",
}
# Text that has no place in any file of the project; each with what it would give away.
STRANGE = {
    "a folder of somebody's computer": r"(?<![\w.])/(?:work|root|home/\w+|Users/\w+|tmp)/",
    "the host of a package index": r"pypi\.org|pythonhosted|(?:deb|security)\.debian\.org|npmjs\.|debian\.org/debian",
    "a number in somebody's list of work": r"(?i)\b(?:issue|ticket|pull request|task) (?:#|no\.? ?)?\d+|\bissues? #",
    "the making instead of the thing": (
        r"(?i)\b(?:this|previous) session\b|\bworkplace\b|\bas (?:requested|instructed)\b|\bthe brief\b"
    ),
    "work that was left undone": r"\b(?:TODO|FIXME|XXX|HACK)\b",
}
TOO_HEAVY = {"scipy", "pandas"}


@cache
def files() -> tuple[Path, ...]:
    """Every file that belongs to the project: as git sees it, or in an unpacked archive all but what is made."""
    git = shutil.which("git") if (PROJECT / ".git").exists() else None
    command = ["ls-files", "--cached", "--others", "--exclude-standard", "-z"]
    listing = subprocess.run([git, *command], cwd=PROJECT, capture_output=True, text=True) if git else None
    if listing is not None and listing.returncode == 0:
        found = [PROJECT / name for name in listing.stdout.split("\0") if name]
    else:
        found = [p for top in TOP for p in (PROJECT / top, *(PROJECT / top).rglob("*")) if "__pycache__" not in p.parts]
    return tuple(sorted(p for p in found if p.is_file()))


@cache
def text_of(path: Path) -> str:
    """What can be read in a file; in a picture nothing can."""
    return "" if path.suffix == ".png" else path.read_text(encoding="utf-8")


@cache
def package() -> House:
    return house()


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(text_of(path))


@cache
def nodes_of(node: ast.AST) -> tuple[ast.AST, ...]:
    """All that stands in it; most functions are looked through for many tests."""
    return tuple(ast.walk(node))


def relative(path: Path) -> str:
    return path.relative_to(PROJECT).as_posix()


def modules(top: str) -> list[Path]:
    return [p for p in files() if p.suffix == ".py" and p.relative_to(PROJECT).parts[0] == top]


def leaves(kind: type[MonitorError] = MonitorError) -> list[type[MonitorError]]:
    return [x for sub in kind.__subclasses__() for x in (sub, *leaves(sub)) if sub.__module__ == "monitor.errors"]


def test_there_is_something_to_look_at() -> None:
    assert len(modules("monitor")) > 30
    assert len(modules("tests")) > 20


def test_the_top_level_holds_nothing_but_what_it_should() -> None:
    tops = {p.relative_to(PROJECT).parts[0] for p in files()}
    assert tops == TOP


@pytest.mark.parametrize("what", STRANGE)
def test_no_file_mentions(what: str) -> None:
    pattern = re.compile(STRANGE[what])
    found = [
        f"{relative(path)}:{number}: {line.strip()[:100]}"
        for path in files()
        if path != Path(__file__).resolve() and "__pycache__" not in path.parts
        for number, line in enumerate(text_of(path).splitlines(), 1)
        if pattern.search(line)
    ]
    assert found == []


@pytest.mark.parametrize(
    ("what", "line", "hit"),
    [
        ("a folder of somebody's computer", "open('/tmp/x')", True),
        ("a folder of somebody's computer", "see /home/anna/room.toml", True),
        ("a folder of somebody's computer", "topic eggroom/work/left", False),
        ("a folder of somebody's computer", "https://example.org/tmp/x", False),
        ("a number in somebody's list of work", "fixes issue #12", True),
        ("a number in somebody's list of work", "the broker issues 12 warnings", False),
        ("the making instead of the thing", "done in this session", True),
        ("the making instead of the thing", "the broker forgets this client's session", False),
        ("work that was left undone", "# TODO later", True),
    ],
)
def test_the_patterns_hit_what_they_should(what: str, line: str, hit: bool) -> None:
    assert bool(re.search(STRANGE[what], line)) is hit


def test_every_failure_has_an_id_an_exit_code_and_a_meaning_of_its_own() -> None:
    kinds = leaves()
    assert len(kinds) > 10
    assert len({k.id for k in kinds}) == len(kinds)
    assert len({k.exit_code for k in kinds}) == len(kinds)
    for kind in kinds:
        # 0 is success, 1 any other failure of Python, 126 and above belong to the shell.
        assert 2 <= kind.exit_code < 126, kind
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", kind.id), kind
        assert "meaning" in vars(kind), kind
        assert kind.__doc__, kind


def test_nothing_is_too_long_to_be_read_in_one_go() -> None:
    found = package()
    assert found.too_long() == []
    names = {f"{f.path}:{f.name}" for f in found.functions if f.lines > LONGEST_FUNCTION}
    assert set(LONG_FUNCTIONS) <= names, "these need no exception any more"


def test_one_name_of_a_class_means_one_thing() -> None:
    assert package().named_twice() == {}


@pytest.mark.parametrize("top", ["monitor", "tests"])
def test_every_module_says_what_it_is(top: str) -> None:
    # By its first words: to parse all of them for this would take many times as long as all other looks here.
    begins = re.compile(r'(?:#.*\n|\s)*r?"""\s*[^"\s]')
    assert begins.match('# why\n"""What it is."""')
    assert not begins.match("import os\n")
    assert [relative(p) for p in modules(top) if text_of(p).strip() and not begins.match(text_of(p))] == []


@pytest.mark.slow
def test_the_service_never_loads_what_is_too_heavy_for_it() -> None:
    found = []
    for path in modules("monitor"):
        for node in nodes_of(tree_of(path)):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            found += [f"{relative(path)}: {n}" for n in names if n.partition(".")[0] in TOO_HEAVY]
    assert found == []
    needs = tomllib.loads(text_of(PROJECT / "pyproject.toml"))["project"]["dependencies"]
    assert not any(re.match(rf"{name}\b", need) for name in TOO_HEAVY for need in needs)


def test_starting_the_service_loads_no_library_that_only_reading_the_configuration_takes() -> None:
    """It is read in a child process, so that its megabytes are not kept for months."""
    code = "import sys, monitor.service.start; print(*sorted(m for m in sys.modules if m.startswith('pydantic')))"
    done = subprocess.run([sys.executable, "-c", code], cwd=PROJECT, capture_output=True, text=True, check=True)
    assert done.stdout.split() == []


def test_two_places_ask_the_wall_clock() -> None:
    """The service's root, which hands it to its parts, and the commands' room: everywhere else ``now`` is given."""
    asking = re.compile(r"\btime\.(?:time|time_ns|localtime|gmtime)\b|\bdate(?:time)?\.(?:now|utcnow|today)\b")
    assert asking.search("at = time.time()")
    assert asking.search("day = datetime.now(UTC)")
    found = {relative(p) for p in modules("monitor") if asking.search(text_of(p))}
    assert found == {"monitor/service/start.py", "monitor/cli/room.py"}


def numbered_placeholders(tree: ast.Module) -> list[int]:
    """Lines with a text in which stands ``?1``: with a tuple of values Python 3.14 refuses it."""
    found = []
    for node in nodes_of(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and re.search(r"\?\d", node.value):
            found.append(node.lineno)
        if isinstance(node, ast.JoinedStr):
            parts = [str(n.value) if isinstance(n, ast.Constant) else "{}" for n in node.values]
            # Words in capitals are those of a statement: no address has any.
            if "?{}" in "".join(parts) and re.search(r"\b[A-Z]{2,}\b", "".join(parts)):
                found.append(node.lineno)
    return found


def test_no_statement_numbers_its_placeholders() -> None:
    speaks_sql = [p for p in modules("monitor") if "adapters" in p.parts]
    assert any("execute(" in text_of(p) for p in speaks_sql)
    assert [f"{relative(p)}:{line}" for p in speaks_sql for line in numbered_placeholders(tree_of(p))] == []


@pytest.mark.parametrize(
    ("line", "hit"),
    [
        ("db.rows('SELECT a FROM b WHERE c=?1', (1,))", True),
        ("db.rows('SELECT a FROM b'\n  ' WHERE c=?1 OR d=?1', (1,))", True),
        ("db.rows(f'SELECT a FROM {b} WHERE c=?{n}', (1,))", True),
        ("db.rows(f'SELECT a FROM {b} WHERE c=?', (1,))", False),
        ("db.rows('SELECT a FROM b WHERE c IN (?, ?)', (1, 2))", False),
        ("db.rows('SELECT a FROM b WHERE c=:c', {'c': 1})", False),
    ],
)
def test_a_numbered_placeholder_is_found(line: str, hit: bool) -> None:
    assert bool(numbered_placeholders(ast.parse(line))) is hit


def test_modules_are_named_by_their_idea() -> None:
    vague = {
        "utils",
        "util",
        "helpers",
        "helper",
        "manager",
        "managers",
        "common",
        "misc",
        "base",
        "models",
        "services",
    }
    assert [relative(p) for p in modules("monitor") if p.stem in vague] == []


def _checks(function: ast.AST, local: Mapping[str, ast.AST], seen: frozenset[str] = frozenset()) -> bool:
    """Whether a function can fail by what it finds: an assertion, itself or in a function of its file that it calls."""
    for node in nodes_of(function):
        if isinstance(node, ast.Assert | ast.Raise):
            return True
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if name in {"raises", "fail", "wait_for", "warns", "assert_allclose", "run_state_machine_as_test"}:
                return True
            if any(k.arg == "check" and getattr(k.value, "value", False) for k in node.keywords):
                return True
            if name in local and name not in seen and _checks(local[name], local, seen | {name}):
                return True
    return False


@pytest.mark.slow
def test_every_test_can_fail() -> None:
    """A test without an assertion shows nothing; one that only calls must at least call something that asserts."""
    hollow = []
    shared: dict[str, ast.AST] = {}
    trees = {p: tree_of(p) for p in modules("tests")}
    for tree in trees.values():
        shared |= {
            n.name: n for n in nodes_of(tree) if isinstance(n, ast.FunctionDef) and not n.name.startswith("test_")
        }
    for path, tree in trees.items():
        own: dict[str, ast.AST] = {n.name: n for n in nodes_of(tree) if isinstance(n, ast.FunctionDef)}
        local = ChainMap(own, shared)
        for name, function in own.items():
            if name.startswith("test_") and path.name.startswith("test_") and not _checks(function, local):
                hollow.append(f"{relative(path)}: {name}")
    assert hollow == []
