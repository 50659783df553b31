"""``deploy/measure NAME [--json] [--OPTION VALUE ...]``: one measurement, its figures, and what falls short.

Exit code 0 when every promise is kept, 1 when one is not, 2 when nothing could be measured.
"""

from __future__ import annotations

import ast
import difflib
import functools
import importlib
import inspect
import json
import math
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pytest

from tests.bench import Figures

FOLDER = Path(__file__).parent


class NotMeasured(Exception):
    """Nothing could be measured; the text says why and what to do."""


@functools.cache
def available() -> dict[str, str]:
    """Name -> what it measures (the first line of the module's docstring), of every module that measures something."""
    found = {}
    for path in sorted(FOLDER.glob("[!_]*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        if any(isinstance(node, ast.FunctionDef) and node.name == "measure" for node in tree.body):
            found[path.stem.replace("_", "-")] = (ast.get_docstring(tree) or "").partition("\n")[0]
    return found


def find(name: str) -> Callable[..., Figures]:
    """The measurement of that name; raises NotMeasured that names the close ones."""
    names = available()
    wanted = name.replace("_", "-")
    if wanted not in names:
        close = difflib.get_close_matches(wanted, names, n=3, cutoff=0.5)
        hint = f"did you mean {' or '.join(close)}?" if close else f"there are {', '.join(names)}"
        raise NotMeasured(f"there is no measurement {name!r}; {hint}")
    measure: Callable[..., Figures] = importlib.import_module(f"tests.bench.{wanted.replace('-', '_')}").measure
    return measure


def options(measure: Callable[..., Figures], words: Sequence[str]) -> dict[str, object]:
    """``--probes 8`` -> {"probes": 8}, for the parameters that the measurement has; raises NotMeasured otherwise."""
    takes = inspect.signature(measure, eval_str=True).parameters
    known = ", ".join(f"--{n.replace('_', '-')}" for n in takes) or "none"
    found: dict[str, object] = {}
    pairs = iter(words)
    for word in pairs:
        key = word.removeprefix("--").replace("-", "_")
        if not word.startswith("--") or key not in takes:
            raise NotMeasured(f"{word!r} is no option of this measurement; it takes: {known}")
        value = next(pairs, None)
        if value is None:
            raise NotMeasured(f"{word} needs a value")
        kind = takes[key].annotation
        try:
            found[key] = kind(value) if kind in (int, float, str) else value
        except ValueError:
            raise NotMeasured(f"{word} {value}: a number is needed") from None
    return found


def run(measure: Callable[..., Figures], chosen: Mapping[str, object]) -> Figures:
    """Measure; a value that is no number is a fault of the measurement, never a figure."""
    try:
        result = measure(**chosen)
    except (pytest.skip.Exception, pytest.fail.Exception) as reason:
        raise NotMeasured(str(reason)) from None
    figures, short = dict(result.figures), list(result.falls_short)
    for name, value in figures.items():
        if isinstance(value, float) and not math.isfinite(value):
            figures[name] = None
            short.append(f"{name} has no value")
    if not figures:
        short.append("it gave no figure")
    return Figures(figures, short, result.notes)


def plain(value: object) -> str:
    """A figure for people: four digits after the point are enough, and never fewer before it than there are."""
    if isinstance(value, float):
        return f"{value:.0f}" if abs(value) >= 1000 else f"{value:.4g}"
    return "-" if value is None else str(value)


def report(name: str, result: Figures, seconds: float, *, as_json: bool) -> str:
    """One JSON object of every figure and ``falls_short``, or a table to read."""
    if as_json:
        values = {**result.figures, "falls_short": list(result.falls_short)}
        # json knows Python's numbers alone; those of numpy turn into them.
        return json.dumps(values, indent=2, allow_nan=False, default=lambda number: number.item())
    width = max((len(n) for n in result.figures), default=0)
    lines = [f"{name} (measured in {seconds:.1f} s)", ""]
    lines += [f"  {n:<{width}}  {plain(v)}" for n, v in result.figures.items()]
    lines += ["", *(f"note: {text}" for text in result.notes)] if result.notes else []
    lines += (
        ["", *(f"FALLS SHORT: {text}" for text in result.falls_short)]
        if result.falls_short
        else ["", "every promise kept"]
    )
    return "\n".join(lines)


def main(argv: Sequence[str]) -> int:
    words = list(argv)
    if not words or words[0] in ("--list", "--help", "-h"):
        print("\n".join(f"  {name:<16} {text}" for name, text in available().items()))
        return 0 if words else 2
    as_json = "--json" in words
    name, *rest = [w for w in words if w != "--json"] or [""]
    try:
        measure = find(name)
        chosen = options(measure, rest)
        began = time.perf_counter()
        result = run(measure, chosen)
    except NotMeasured as reason:
        print(f"measure: {reason}", file=sys.stderr)
        return 2
    print(report(name, result, time.perf_counter() - began, as_json=as_json))
    return 1 if result.falls_short else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
