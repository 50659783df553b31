"""Small faults set into a copy of the code, one at a time: how many of them its own tests find, and which they do not.

Faults are drawn by seed from all that the syntax offers: a limit that includes or not, a sign, ``and`` for ``or``, a
number twice as large, a step left out, and the comparisons of the SQL. Text that people read, logging, annotations and
assertions stay. Nothing is written into the checkout: a copy in a temporary folder is changed, and each fault meets
first the tests that run through its line, then the whole test modules that mirror its module. ``--over`` names folders
or modules of the package, ``--by`` further places of tests beside those that mirror them, ``--of REVISION`` another
state of the code, as git has it. ``--learned FILE`` keeps which test runs through which lines, which takes longer than
many faults, and takes it from there while no source and no test has changed.

A fault that changes nothing that can be seen is counted as one that was not found; so all is never reached.
"""

from __future__ import annotations

import ast
import hashlib
import io
import json
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import tarfile
import tempfile
import threading
import time
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import pytest

from tests.bench import Figures
from tests.peers import PROJECT

OVER = "core/notices,core/development,adapters/store"
LEAST_CPU_S, TIMES_AS_LONG, LONGEST_WALL_S = 10.0, 2.0, 600.0
CALLS_LOOKED_AT = 50
"""Of a function's calls in one test: those after them hardly run another line, and looking costs more than running."""
COSTLY_S = 10.0
"""A test that takes longer by the processor is left out, and so are those of a module beyond this sum."""
OFFERED = {
    ast.Lt: ("<", "<="),
    ast.LtE: ("<=", "<"),
    ast.Gt: (">", ">="),
    ast.GtE: (">=", ">"),
    ast.Eq: ("==", "!="),
    ast.NotEq: ("!=", "=="),
    ast.In: ("in", "not in"),
    ast.NotIn: ("not in", "in"),
    ast.Is: ("is", "is not"),
    ast.IsNot: ("is not", "is"),
    ast.Add: ("+", "-"),
    ast.Sub: ("-", "+"),
    ast.Mult: ("*", "/"),
    ast.Div: ("/", "*"),
    ast.FloorDiv: ("//", "/"),
    ast.And: ("and", "or"),
    ast.Or: ("or", "and"),
}
OF_SQL = {"<=": "<", "<": "<=", ">=": ">", ">": ">=", " AND ": " OR ", " DESC": "", "min(": "max(", "max(": "min("}
OTHER_END = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum", "any": "all", "all": "any"}
SPOKEN = ("log", "logger", "warnings")
UNSEEN_KEYWORDS = ("strict", "repr", "slots", "frozen", "maxsize")


@dataclass(frozen=True, order=True)
class Mutant:
    """One fault: the bytes ``start`` to ``end`` of a source become ``after``."""

    path: str
    line: int
    start: int
    end: int
    after: str
    told: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.told}"


class Offers(ast.NodeVisitor):
    """All mutants of one source, in its order."""

    def __init__(self, path: str, source: str) -> None:
        self.path, self.source = path, source.encode()
        self.starts = [0]
        for line in self.source.splitlines(keepends=True):
            self.starts.append(self.starts[-1] + len(line))
        self.found: set[Mutant] = set()
        self.visit(ast.parse(source))

    def _span(self, node: Any) -> tuple[int, int]:
        return self.starts[node.lineno - 1] + node.col_offset, self.starts[node.end_lineno - 1] + node.end_col_offset

    def _text(self, start: int, end: int) -> str:
        return self.source[start:end].decode()

    def _offer(self, start: int, end: int, after: str) -> None:
        """One more, told by the lines that it changes, from a little before the change."""
        line = self.source.count(b"\n", 0, start)
        first, last = self.starts[line], self.starts[self.source.count(b"\n", 0, end) + 1]
        head, tail = self._text(first, start)[-40:], self._text(end, last)[:40]
        told = " -> ".join(" ".join((head + part + tail).split()) for part in (self._text(start, end), after))
        self.found.add(Mutant(self.path, line + 1, start, end, after, told))

    def _between(self, left: ast.AST, right: ast.AST, op: ast.AST) -> None:
        if type(op) not in OFFERED:
            return
        sign, other = OFFERED[type(op)]
        start, end = self._span(left)[1], self._span(right)[0]
        # Between two operands stand brackets, comments and line ends; the sign is looked for outside of comments.
        found = re.search(re.escape(sign).replace(r"\ ", r"\s+"), re.sub(r"#[^\n]*", "", self._text(start, end)))
        if found and "#" not in self._text(start, end):
            self._offer(start + found.start(), start + found.end(), other)

    def visit_Compare(self, node: ast.Compare) -> None:
        for left, op, right in zip([node.left, *node.comparators], node.ops, node.comparators, strict=False):
            self._between(left, right, op)
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        for left, right in zip(node.values, node.values[1:], strict=False):
            self._between(left, right, node.op)
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        sides = (node.left, node.right)
        if not any(isinstance(s, ast.JoinedStr | ast.List | ast.Tuple) or _is_text(s) for s in sides):
            self._between(node.left, node.right, node.op)
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        if isinstance(node.op, ast.Not | ast.USub):
            self._offer(self._span(node)[0], self._span(node.operand)[0], "")
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        start, end = self._span(node)
        match node.value:
            case bool():
                self._offer(start, end, str(not node.value))
            case 0:
                self._offer(start, end, "1")
            case int():
                self._offer(start, end, str(node.value + 1))
            case float():
                self._offer(start, end, repr(2 * node.value))
            case str():
                self._sql(node)

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        self._sql(node)

    def _sql(self, node: ast.expr) -> None:
        start, end = self._span(node)
        text = self._text(start, end)
        if not re.search(r"\b(SELECT .* FROM|UPDATE .* SET|DELETE FROM|INSERT .*INTO)\b", text, re.DOTALL):
            return
        plain = re.sub(r"\{[^}]*\}", lambda m: " " * len(m.group()), text)
        for found in re.finditer(r"<=|>=|<|>| AND | DESC\b|\bmin\(|\bmax\(", plain):
            at = start + len(text[: found.start()].encode())
            self._offer(at, at + len(found.group().encode()), OF_SQL[found.group()])

    def visit_Call(self, node: ast.Call) -> None:
        name = node.func
        if isinstance(name, ast.Name | ast.Attribute):
            word = name.id if isinstance(name, ast.Name) else name.attr
            end = self._span(name)[1]
            if word in OTHER_END:
                self._offer(end - len(word), end, OTHER_END[word])
            if word == "sorted" and not any(k.arg == "reverse" for k in node.keywords):
                close = self._span(node)[1] - 1
                more = "reverse=True" if self._text(end, close).rstrip().endswith(",") else ", reverse=True"
                if not isinstance(node.args[0], ast.GeneratorExp) or len(node.args) + len(node.keywords) > 1:
                    self._offer(close, close, more)
        self.generic_visit(node)

    def visit_keyword(self, node: ast.keyword) -> None:
        if node.arg not in UNSEEN_KEYWORDS:
            self.generic_visit(node)

    def _condition(self, test: ast.expr) -> None:
        if not isinstance(test, ast.UnaryOp):
            start, end = self._span(test)
            self._offer(start, end, f"not ({self._text(start, end)})")

    def visit_If(self, node: ast.If) -> None:
        if not (isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"):
            self._condition(node.test)
            self.generic_visit(node)

    def visit_IfExp(self, node: ast.IfExp) -> None:
        self._condition(node.test)
        self.generic_visit(node)

    def visit_Return(self, node: ast.Return) -> None:
        if isinstance(node.value, ast.Compare | ast.BoolOp):
            self._condition(node.value)
        self.generic_visit(node)

    def _left_out(self, node: ast.stmt) -> None:
        self._offer(*self._span(node), "pass")

    def visit_Raise(self, node: ast.Raise) -> None:
        self._left_out(node)  # what the error says is for people

    def visit_Continue(self, node: ast.Continue) -> None:
        self._left_out(node)

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        self._left_out(node)
        self.generic_visit(node)

    def visit_Expr(self, node: ast.Expr) -> None:
        if isinstance(node.value, ast.Constant) or _base(node.value) in SPOKEN:
            return
        if isinstance(node.value, ast.Call):
            self._left_out(node)
        self.generic_visit(node)

    def visit_Assert(self, node: ast.Assert) -> None:
        """An assertion tells the reader and the type checker; it is no behaviour."""

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value:
            self.visit(node.value)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        if node.name in ("__repr__", "__str__"):
            return
        for default in [*node.args.defaults, *node.args.kw_defaults]:
            if default:
                self.visit(default)
        for statement in node.body:
            self.visit(statement)

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        for statement in node.body:
            self.visit(statement)


def _is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str | bytes)


def _base(node: ast.expr) -> str:
    """The first name of ``a.b.c(...)``, without the underscore of a private one."""
    while isinstance(node, ast.Call | ast.Attribute):
        node = node.func if isinstance(node, ast.Call) else node.value
    return node.id.lstrip("_") if isinstance(node, ast.Name) else ""


def draw(sources: Mapping[str, str], sample: int, seed: int) -> tuple[int, list[Mutant]]:
    """How many faults there are for all sources (by path), and ``sample`` of them that are still Python, in order."""
    everything = sorted(mutant for path, source in sources.items() for mutant in Offers(path, source).found)
    random.Random(seed).shuffle(everything)
    drawn = list[Mutant]()
    for mutant in everything:
        if len(drawn) == sample:
            break
        try:
            compile(changed(sources[mutant.path], mutant), mutant.path, "exec")
        except SyntaxError:
            continue
        drawn.append(mutant)
    return len(everything), sorted(drawn)


def changed(source: str, mutant: Mutant) -> str:
    whole = source.encode()
    return (whole[: mutant.start] + mutant.after.encode() + whole[mutant.end :]).decode()


@dataclass
class Lines:
    """A part of pytest that notes for each test function which lines of the looked-at sources it runs, and how long."""

    root: Path
    paths: frozenset[str]
    ran: dict[str, set[tuple[str, int]]] = field(default_factory=lambda: defaultdict(set))
    cpu_s: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    failed: set[str] = field(default_factory=set)
    _unseen: dict[CodeType, set[int]] = field(default_factory=dict)
    _calls: Counter[CodeType] = field(default_factory=Counter)
    _now: str = ""

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self._now = item.nodeid.partition("[")[0]
        self._unseen, self._calls = {}, Counter()
        began = time.process_time()
        threading.settrace(self._call)
        sys.settrace(self._call)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            threading.settrace(None)
            self.cpu_s[self._now] += time.process_time() - began

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.add(report.nodeid.partition("[")[0])

    def _call(self, frame: FrameType, event: str, arg: object) -> Any:
        code = frame.f_code
        if code.co_filename not in self.paths:
            return None
        unseen = self._unseen.get(code)
        if unseen is None:
            unseen = self._unseen[code] = {line for *_, line in code.co_lines() if line}
        self._calls[code] += 1
        return self._line if unseen and self._calls[code] <= CALLS_LOOKED_AT else None

    def _line(self, frame: FrameType, event: str, arg: object) -> Any:
        unseen = self._unseen[frame.f_code]
        if frame.f_lineno in unseen:
            unseen.discard(frame.f_lineno)
            self.ran[self._now].add((Path(frame.f_code.co_filename).relative_to(self.root).as_posix(), frame.f_lineno))
        return self._line if unseen else None


@dataclass(frozen=True)
class Learned:
    """Which test function runs through which (path, line), and its seconds of the processor; failing ones left out."""

    ran: Mapping[str, frozenset[tuple[str, int]]]
    cpu_s: Mapping[str, float]
    left_out: Sequence[str]

    def through(self, path: str, lines: set[int]) -> list[str]:
        """The tests that run any of these lines, quickest first."""
        return self.within([t for t, ran in self.ran.items() if any((path, line) in ran for line in lines)])

    def within(self, tests: Sequence[str]) -> list[str]:
        """As many of the quickest as may be asked."""
        found, spent = [], 0.0
        for test in sorted(tests, key=lambda t: (self.cpu_s[t], t)):
            spent += self.cpu_s[test]
            if spent > COSTLY_S:
                break
            found.append(test)
        return found


def _in_child(
    root: Path, words: Sequence[str], cpu_s: float, plugin: Lines | None = None, out: Path | None = None
) -> str:
    """Run pytest in a fork, on the copy: ``passed``, ``failed`` or ``timed out``; the fork shares what is loaded."""
    child = os.fork()
    if child == 0:
        status = 70
        try:
            os.setsid()
            resource.setrlimit(resource.RLIMIT_CPU, (int(cpu_s) + 1, int(cpu_s) + 2))
            quiet = os.open(os.devnull, os.O_RDWR)
            for stream in (0, 1, 2):
                os.dup2(quiet, stream)
            os.chdir(root)
            for name in [n for n in sys.modules if n.split(".")[0] in ("tests", "monitor")]:
                del sys.modules[name]
            sys.path[:] = [str(root), *(p for p in sys.path if Path(p or ".").resolve() != PROJECT)]
            sys.dont_write_bytecode = False
            from hypothesis import HealthCheck, settings

            settings.register_profile("same", derandomize=True, database=None, deadline=None,
                                      suppress_health_check=list(HealthCheck))  # fmt: skip
            settings.load_profile("same")
            common = ["-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--rootdir", str(root), "--basetemp"]
            status = int(pytest.main([*common, str(root / ".basetemp"), *words], plugins=[plugin] if plugin else []))
            if plugin and out:
                out.write_text(json.dumps({
                    "ran": {test: sorted(ran) for test, ran in plugin.ran.items()},
                    "cpu_s": plugin.cpu_s, "failed": sorted(plugin.failed), "status": status,
                }))  # fmt: skip
        finally:
            os._exit(status)
    deadline = time.monotonic() + max(LONGEST_WALL_S, 10 * cpu_s)
    pause = 0.02
    while True:
        ended, how = os.waitpid(child, os.WNOHANG)
        if ended:
            break
        if time.monotonic() > deadline:
            os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return "timed out"
        time.sleep(pause)
        pause = min(0.2, pause * 1.5)
    if os.WIFSIGNALED(how):
        return "timed out" if os.WTERMSIG(how) in (signal.SIGXCPU, signal.SIGKILL) else "failed"
    return "passed" if os.WEXITSTATUS(how) == 0 else "failed"


def _copy(root: Path, of: str) -> None:
    """The tree of the checkout, or of a revision, without what is not looked at."""
    if of:
        packed = subprocess.run(["git", "archive", of], cwd=PROJECT, capture_output=True, check=True).stdout
        with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
            archive.extractall(root, filter="data")
        return
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=PROJECT, capture_output=True, check=True).stdout
    for name in filter(None, listed.decode().split("\0")):
        if (PROJECT / name).is_file():
            (root / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(PROJECT / name, root / name)


def _modules(root: Path, over: str) -> list[str]:
    found = []
    for part in over.split(","):
        place = root / "monitor" / part
        paths = sorted(place.rglob("*.py")) if place.is_dir() else [place.with_suffix(".py")]
        if not all(p.is_file() for p in paths) or not paths:
            pytest.fail(f"--over {part}: monitor/{part} is neither a folder nor a module")
        found += [p.relative_to(root).as_posix() for p in paths]
    return sorted(set(found))


def _mirrors(root: Path, path: str) -> list[str]:
    """The test modules of a module: ``test_NAME.py`` and ``test_NAME_more.py`` at the place that mirrors it."""
    module = Path("tests", *Path(path).parts[1:])
    near = [
        *(root / module.parent).glob(f"test_{module.stem}.py"),
        *(root / module.parent).glob(f"test_{module.stem}_*"),
    ]
    near += (root / module.parent.parent).glob(f"test_{module.parent.name}_{module.stem}*.py")
    return sorted(p.relative_to(root).as_posix() for p in near)


def _test_modules(root: Path, over: str, modules: Sequence[str], by: str) -> list[str]:
    found = {mirror for path in modules for mirror in _mirrors(root, path)}
    for place in filter(None, [*over.split(","), *by.split(",")]):
        found |= {p.relative_to(root).as_posix() for p in (root / "tests" / place).rglob("test_*.py")}
        found |= {p.relative_to(root).as_posix() for p in root.glob(f"tests/{place}.py")}
    return sorted(found)


def learn(root: Path, modules: Sequence[str], test_modules: Sequence[str], kept: str) -> Learned:
    """Run each test module once, and note what its tests run through; from ``kept`` where nothing has changed."""
    sources = hashlib.sha256()
    for path in sorted([*root.glob("monitor/**/*.py"), *root.glob("tests/*.py")]):
        sources.update(path.read_bytes())
    memory: dict[str, Any] = json.loads(Path(kept).read_text()) if kept and Path(kept).is_file() else {}
    looked = frozenset(str(root / m) for m in modules)
    ran, cpu_s, left_out = dict[str, frozenset[tuple[str, int]]](), dict[str, float](), list[str]()
    for name in test_modules:
        key = f"{name} {hashlib.sha256(sources.digest() + (root / name).read_bytes()).hexdigest()}"
        if key not in memory:
            out = root / ".learned.json"
            out.unlink(missing_ok=True)
            _in_child(root, [name], 600.0, Lines(root, looked), out)
            memory[key] = json.loads(out.read_text()) if out.is_file() else {"ran": {}, "cpu_s": {}, "failed": [name]}
            if kept:
                Path(kept).write_text(json.dumps(memory))
        of_this = memory[key]
        left_out += of_this["failed"]
        for test, seconds in of_this["cpu_s"].items():
            if test not in of_this["failed"]:
                cpu_s[test] = seconds
                ran[test] = frozenset((path, line) for path, line in of_this["ran"].get(test, []))
    if not any(ran.values()):
        pytest.fail("no test runs through any of these modules")
    return Learned(ran, cpu_s, left_out)


def _lines_of(mutant: Mutant, source: str) -> set[int]:
    """The lines that a test must run to meet a fault; of a named number of the module, those that use the name."""
    tree = ast.parse(source)
    last = mutant.line + source.encode()[mutant.start : mutant.end].count(b"\n")
    for node in tree.body:
        if node.lineno <= mutant.line <= (node.end_lineno or node.lineno):
            if isinstance(node, ast.Assign | ast.AnnAssign):
                targets = node.targets if isinstance(node, ast.Assign) else [node.target]
                names = {n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)}
                return {n.lineno for n in ast.walk(tree) if isinstance(n, ast.Name) and n.id in names}
            break
    # A statement of several lines is run at any of them.
    inside = [
        n
        for n in ast.walk(tree)
        if isinstance(n, ast.stmt) and n.lineno <= mutant.line and last <= (n.end_lineno or n.lineno)
    ]
    least = min(inside, key=lambda n: (n.end_lineno or n.lineno) - n.lineno)
    if isinstance(least, ast.FunctionDef) and mutant.line < least.body[0].lineno:
        return set(range(least.body[0].lineno, (least.end_lineno or last) + 1))  # a default, met by who calls it
    whole = not isinstance(least, ast.If | ast.For | ast.While | ast.With | ast.FunctionDef | ast.ClassDef | ast.Try)
    return set(range(least.lineno, (least.end_lineno or last) + 1)) if whole else set(range(mutant.line, last + 1))


def meet(root: Path, mutant: Mutant, learned: Learned, moment: int) -> tuple[str, bool]:
    """Set the fault, ask the tests, take it back: how it ended, and whether a test ran its line at all."""
    place = root / mutant.path
    source, stood = place.read_text(encoding="utf-8"), place.stat()
    through = learned.through(mutant.path, _lines_of(mutant, source))
    names = _mirrors(root, mutant.path)
    rest = learned.within([t for t in learned.cpu_s if t.partition("::")[0] in names and t not in through])
    place.write_text(changed(source, mutant), encoding="utf-8")
    # What Python has compiled it trusts by second and size; so each change has a second of its own.
    os.utime(place, (moment, moment))
    try:
        for tests in (through, rest):
            if tests:
                limit = LEAST_CPU_S + TIMES_AS_LONG * sum(learned.cpu_s[t] for t in tests)
                how = _in_child(root, ["-x", *tests], limit)
                if how != "passed":
                    return how, bool(through)
        return "survived", bool(through)
    finally:
        place.write_text(source, encoding="utf-8")
        os.utime(place, ns=(stood.st_atime_ns, stood.st_mtime_ns))


def measure(
    sample: int = 120, seed: int = 1, over: str = OVER, by: str = "", of: str = "", learned: str = ""
) -> Figures:
    """Faults that were found by tests, that were not, and that ran without end; each survivor is a note."""
    with tempfile.TemporaryDirectory(prefix="mutations-") as folder:
        root = Path(folder).resolve()
        _copy(root, of)
        modules = _modules(root, over)
        offered, drawn = draw({path: (root / path).read_text(encoding="utf-8") for path in modules}, sample, seed)
        known = learn(root, modules, _test_modules(root, over, modules, by), learned)
        ends: dict[str, list[Mutant]] = defaultdict(list)
        unrun = list[Mutant]()
        for i, mutant in enumerate(drawn):
            how, met = meet(root, mutant, known, 1_000_000_000 + i)
            ends[how].append(mutant)
            if how == "survived" and not met:
                unrun.append(mutant)
            print(f"{i + 1}/{len(drawn)} {how}: {mutant}", file=sys.stderr, flush=True)
    survived, ran_on = ends["survived"], ends["timed out"]
    return Figures(
        {
            "modules": len(modules),
            "offered": offered,
            "drawn": len(drawn),
            "found": len(ends["failed"]),
            "survived": len(survived),
            "survived_where_no_test_runs": len(unrun),
            "ran_without_end": len(ran_on),
            "survived_pct": 100.0 * len(survived) / max(1, len(drawn)),
            "tests": len(known.cpu_s),
            "tests_left_out": len(known.left_out),
        },
        [],
        [f"survived{' (no test runs it)' if m in unrun else ''}: {m}" for m in survived]
        + [f"ran without end: {m}" for m in ran_on]
        + [f"left out, fails in the copy: {name}" for name in known.left_out],
    )
