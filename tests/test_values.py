"""Values: a class whose methods are made later is the class that dataclasses would have made at once."""

from __future__ import annotations

import copy
import dataclasses
import importlib
import inspect
import pickle
import pkgutil
import subprocess
import sys
import threading
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import monitor
from monitor.values import dataclass

OPTIONS = [
    {"frozen": frozen, "slots": slots, "eq": eq}
    for frozen in (False, True)
    for slots in (False, True)
    for eq in (False, True)
]


@dataclass(frozen=True, slots=True)
class _Kept:
    name: str
    others: tuple[int, ...] = ()


@dataclass(frozen=True)
class _Loose:
    name: str
    secret: str = dataclasses.field(default="", repr=False)
    others: list[int] = dataclasses.field(default_factory=list)


def _plain(defaults: list[object]) -> type[Any]:
    """A class as it is written, with a field for each entry; those after the first entry have that as default."""
    names = {f"field_{i}": "object" for i in range(len(defaults))}
    given = {f"field_{i}": what for i, what in enumerate(defaults) if i}
    return type("Plain", (), {"__annotations__": names, "__module__": __name__, "__doc__": "Fields.", **given})


def _outcome(do: Any) -> object:
    """What comes of something: what it gives, or how it fails."""
    try:
        return do()
    except (TypeError, AttributeError) as failure:
        return type(failure), str(failure)


@given(
    st.lists(st.one_of(st.integers(), st.text(max_size=5), st.none()), min_size=1, max_size=5),
    st.sampled_from(OPTIONS),
    st.permutations(["repr", "eq", "hash", "fields", "match", "signature", "replace", "refuse", "copy", "few"]),
)
def test_it_is_what_dataclasses_would_have_made(
    defaults: list[object], options: dict[str, bool], order: list[str]
) -> None:
    later = dataclass(**options)(_plain(defaults))
    make: Callable[[type[Any]], type[Any]] = dataclasses.dataclass(**options)
    at_once = make(_plain(defaults))

    def looked(cls: Any, what: str) -> object:
        value, same, other = cls(defaults[0]), cls(defaults[0]), cls("another")
        if what == "eq":
            return value == same, value == other, value != same, value == 3
        if what == "hash":
            # By its fields or by itself, as the fields are the same each time.
            return _outcome(lambda: hash(value) == hash(same))
        if what == "refuse":
            return _outcome(lambda: setattr(value, "field_0", 3)), _outcome(lambda: delattr(value, "field_0"))
        if what == "copy":
            return [getattr(copy.copy(value), f.name) for f in dataclasses.fields(cls)]
        told: dict[str, Callable[[], object]] = {
            "repr": lambda: repr(value) if cls.__repr__ is not object.__repr__ else "",
            "fields": lambda: [(f.name, f.type, f.default, f.repr) for f in dataclasses.fields(cls)],
            "match": lambda: cls.__match_args__,
            "signature": lambda: str(inspect.signature(cls)),
            "replace": lambda: vars_of(dataclasses.replace(value, field_0="new")),
            "few": lambda: _outcome(cls),
        }
        return told[what]()

    def vars_of(value: Any) -> list[object]:
        return [getattr(value, f.name) for f in dataclasses.fields(value)]

    for what in order:
        assert looked(later, what) == looked(at_once, what), what


@pytest.mark.parametrize("first", ["repr(value)", "value == value", "hash(value)", "dataclasses.replace(value)"])
@pytest.mark.parametrize("name", ["_Kept", "_Loose"])
def test_what_comes_from_another_process_needs_no_value_made_before(name: str, first: str) -> None:
    made: Any = {"_Kept": _Kept("a name", (1, 2)), "_Loose": _Loose("a name", "hidden", [1])}[name]
    program = (
        "import dataclasses, pickle, sys\n"
        "value = pickle.loads(bytes.fromhex(sys.argv[1]))\n"
        f"try: {first}\n"
        "except TypeError as failure: assert 'unhashable' in str(failure), failure\n"
        "print(value, getattr(value, 'secret', ''), value.others)"
    )
    words = [sys.executable, "-c", program, pickle.dumps(made).hex()]
    told = subprocess.run(words, capture_output=True, text=True, check=False, env={"PYTHONPATH": ":".join(sys.path)})
    assert told.stderr == ""
    assert told.stdout.strip() == f"{made} {getattr(made, 'secret', '')} {made.others}"


def test_threads_that_come_to_a_class_at_once_all_find_it_whole() -> None:
    for _ in range(100):
        cls = dataclass(frozen=True, slots=True)(_plain([0, 1, 2]))
        start = threading.Barrier(8)
        found: list[object] = []

        def use(cls: Any = cls, start: threading.Barrier = start, found: list[object] = found) -> None:
            start.wait()
            found.append((repr(cls(5)), cls(5) == cls(5), hash(cls(5)) == hash(cls(5)), cls(5).field_2))

        threads = [threading.Thread(target=use) for _ in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert found == [("Plain(field_0=5, field_1=1, field_2=2)", True, True, 2)] * 8


def test_a_method_of_its_own_is_kept() -> None:
    @dataclass(frozen=True, slots=True)
    class Named:
        name: str

        def __repr__(self) -> str:
            return f"<{self.name}>"

    assert repr(Named("own")) == "<own>"
    assert Named("own") == Named("own")


def test_every_class_of_the_program_can_be_made() -> None:
    seen = 0
    for module in pkgutil.walk_packages(monitor.__path__, "monitor."):
        if module.name == "monitor.__main__":
            continue
        for cls in vars(importlib.import_module(module.name)).values():
            if isinstance(cls, type) and cls.__module__ == module.name and dataclasses.is_dataclass(cls):
                assert {f.name for f in dataclasses.fields(cls)} == set(inspect.get_annotations(cls))
                assert "_StandIn" not in repr(vars(cls)["__init__"])
                seen += 1
    assert seen > 300
