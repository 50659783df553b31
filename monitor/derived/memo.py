"""What was computed and is good for a while: one value for each name, as long as its key stays the same."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

Value = TypeVar("Value")


class Memo(Generic[Value]):
    """Values by name. A value lives until its name is asked for with another key; then it is made anew."""

    def __init__(self) -> None:
        self._known: dict[Hashable, tuple[object, Value]] = {}

    def holds(self, name: Hashable, key: object) -> bool:
        """Whether :meth:`of` would answer without making anything."""
        known = self._known.get(name)
        return known is not None and known[0] == key

    def of(self, name: Hashable, key: object, make: Callable[[], Value]) -> Value:
        known = self._known.get(name)
        if known is None or known[0] != key:
            known = self._known[name] = key, make()
        return known[1]
