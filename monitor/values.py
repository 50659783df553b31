"""Values: dataclasses whose methods are made when they are needed.

To make a dataclass is to write a text for each of its methods and to compile it: half a millisecond a class (Python
3.11). A command loads some 170 of them, makes values of half of these, and compares or shows hardly any. So a class
gets stand-ins, and the first one that is called or looked at has :func:`dataclasses.dataclass` make what it stands for.
"""

from __future__ import annotations

import dataclasses
import inspect
from collections.abc import Callable, Sequence
from typing import Any, Final, NoReturn, TypeVar, dataclass_transform

T = TypeVar("T")

# What is made together: with the first value, and with the first that is compared or shown.
_AT_FIRST: Final = ("__init__", "__dataclass_fields__", "__dataclass_params__", "__match_args__")
_COMPARED: Final = ("__repr__", "__eq__", "__hash__")


@dataclass_transform(field_specifiers=(dataclasses.field,))
def dataclass(*, frozen: bool = False, slots: bool = False, eq: bool = True) -> Callable[[type[T]], type[T]]:
    """As :func:`dataclasses.dataclass`, for a class without a base in which each annotation is a field.

    What is wrong with a class (a mutable default) is raised with its first use.
    """
    return lambda cls: _Later(cls, frozen=frozen, slots=slots, eq=eq).cls


class _Later:
    """A class with stand-ins, and what is to be made for it."""

    def __init__(self, cls: type[Any], *, frozen: bool, slots: bool, eq: bool) -> None:
        self._told: Final = {name: what for name, what in vars(cls).items() if name not in ("__dict__", "__weakref__")}
        self._told["__qualname__"] = cls.__qualname__
        self._parts: dict[tuple[str, ...], dict[str, bool]] = {
            _AT_FIRST: {"frozen": frozen, "repr": False, "eq": False},
            _COMPARED[: 3 if eq else 1]: {"init": False, "eq": eq, "unsafe_hash": frozen and eq},
        }
        new: dict[str, Any] = {name: _StandIn(self, part, name) for part in self._parts for name in part}
        new |= {"__setattr__": _refuse_to_set, "__delattr__": _refuse_to_delete} if frozen else {}
        new |= {"__getstate__": _state, "__setstate__": _restore} if frozen and slots else {}
        new = {name: what for name, what in new.items() if name not in self._told}
        names = inspect.get_annotations(cls)
        self.cls: type[Any] = cls
        if slots:
            kept = {name: what for name, what in self._told.items() if name not in names}
            self.cls = _class_like(cls, kept | new | {"__slots__": tuple(names)})
            return
        for name in names:
            # A default that stands in a field is the class's own, as one that stands there bare.
            if isinstance(field := self._told.get(name), dataclasses.Field):
                delattr(cls, name)
                new |= {} if field.default is dataclasses.MISSING else {name: field.default}
        for name, what in new.items():
            setattr(cls, name, what)

    def make(self, part: tuple[str, ...]) -> None:
        """Have a part made for a class that is thrown away, and take it over."""
        if (options := self._parts.get(part)) is None:
            return
        make: Callable[[type[Any]], type[Any]] = dataclasses.dataclass(**options)
        made = vars(make(_class_like(self.cls, self._told)))
        # Each goes where its stand-in is. Another thread finds the one or the other, or makes the same once more.
        for name in part:
            if name not in self._told:
                setattr(self.cls, name, made[name])
        self._parts.pop(part, None)


class _StandIn:
    """What stands for a method or an attribute until it is called or looked at."""

    def __init__(self, later: _Later, part: tuple[str, ...], name: str) -> None:
        self._later, self._part, self._name = later, part, name

    def __get__(self, value: object, owner: type[object]) -> Any:
        self._later.make(self._part)
        made = getattr(self._later.cls, self._name)
        return made if value is None or not callable(made) else made.__get__(value, owner)


def _class_like(cls: type[Any], namespace: dict[str, Any]) -> type[Any]:
    made: type[Any] = type(cls)(cls.__name__, cls.__bases__, namespace)  # type: ignore[misc]
    return made


def _refuse_to_set(_: object, name: str, __: object) -> NoReturn:
    raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")


def _refuse_to_delete(_: object, name: str) -> NoReturn:
    raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")


def _state(value: Any) -> Sequence[object]:
    return [getattr(value, field.name) for field in dataclasses.fields(value)]


def _restore(value: Any, state: Sequence[object]) -> None:
    for field, told in zip(dataclasses.fields(value), state, strict=True):
        object.__setattr__(value, field.name, told)
