"""What a contradiction is answered with on a page: the way out in the words of its buttons instead of a command's."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final

# What stands in the words of commands -> the page's text for it, the longest first; a group is its ``what``.
_SAID: Final = tuple(
    (re.compile(pattern), f"way_out.{key}")
    for pattern, key in (
        (r"give --not-yet-at a time before --at", "look_before_this"),
        (r"see(?: the numbers)?: warmtally clutch show(?: CLUTCH)?", "account"),
        (r"warmtally record correct (?P<what>[0-9]+)", "correct"),
        (r"warmtally record correct", "correct_there"),
        (r"use: record correct", "correct_there"),
        (r"use: record moved", "moved"),
        (r"(?:warmtally )?clutch add --developed", "new_developed"),
        (r"warmtally clutch add", "new"),
        (r"warmtally record (?P<what>[a-z]+)", "tell"),
        (r"another --at", "another_time"),
        (r"give --box with one of", "one_of"),
        (r"give --box(?: BOX)?", "which_box"),
        (r"--box(?: BOX)?", "box"),
        (r"--to(?: BOX)?\b", "to"),
        (r"--eggs(?: N)?", "eggs"),
        (r"--gone", "gone"),
        (r"--grams", "grams"),
        (r"write --developed 0\.2 or --developed 20%", "share"),
        (r"--developed 0\.2", "share_like"),
        (r"--note \"\.\.\.\"", "words"),
        (r"--not-yet-at", "look_before"),
        (r"--not-set", "not_set"),
        (r"--at", "time"),
        (r"--withdraw", "withdraw"),
    )
)


def way_out(fix: str, say: Callable[..., str]) -> str:
    """What to do, as a page says it."""
    for pattern, key in _SAID:
        fix = pattern.sub(lambda found, key=key: _put(found, key, say), fix)  # type: ignore[misc]
    return fix


def _put(found: re.Match[str], key: str, say: Callable[..., str]) -> str:
    places = found.groupdict()
    return say(key, **places) if places else say(key)
