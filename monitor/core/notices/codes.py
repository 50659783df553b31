"""Short signed codes with which a notice is answered: which notice, through which channel it came, until when.

A code is typed or stands in a link, so it is short and has no letters that are mistaken for others: the 32 signs of
Crockford's base 32, in which I and L are read as 1 and O as 0, in either case, hyphens and blanks left out. Its parts:

    version      1 sign
    notice       4 bits a sign, highest first, the fifth bit says that more follow
    expiry       4 signs, days since 1970, the last day included
    signature   10 signs: the first 50 bits of HMAC-SHA256 (RFC 2104) under the room's secret

The channel does not stand in the code; it is signed with it, and found again by trying those that the notice went to.
A guess is right for one of them with a chance of 2^-50 each. The page looks at ten wrong ones a minute of each caller:
over the fortnight that a code lives, and four channels, 7e-10. A message at the broker names no sender; there every one
that has the form of a code is looked at, since whoever guesses would else keep the keeper out. At a thousand a second,
which is as many as are stored, that comes to 4e-6 in a fortnight. What a code can do is to end the reminders of one
notice.
"""

from __future__ import annotations

import hashlib
import hmac
import itertools
import re
from collections.abc import Iterable
from dataclasses import field
from typing import Final

from monitor.values import dataclass

VERSION: Final = 1
OVERVIEW: Final = "overview"
"""The channel of codes that go to none: they stand at the broker, for an overview of many rooms."""
SIGNS: Final = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
SECRET_BYTES: Final = 32
LONGEST_TEXT: Final = 64
"""So many characters of what somebody typed are looked at."""
LIVES_MS: Final = 14 * 86_400_000
"""A notice is tried for a week at most, and whoever gets it then has another week."""

_DAY_MS: Final = 86_400_000
_EXPIRY_SIGNS: Final = 4
_MARK_SIGNS: Final = 10
_MOST_NOTICE_SIGNS: Final = 10
_GROUP: Final = 5
_READ: Final = {sign: value for value, sign in enumerate(SIGNS)} | {"I": 1, "L": 1, "O": 0}


@dataclass(frozen=True, slots=True)
class Code:
    """A code as far as it can be read without the secret; whether it is genuine, :func:`channel_of` tells.

    ``day`` counts from 1970; the code is good to the end of it.
    """

    notice: int
    day: int
    mark: int = field(repr=False)

    def expired(self, now_ms: int) -> bool:
        return now_ms >= (self.day + 1) * _DAY_MS


def make(secret: bytes, notice: int, channel: str, at_ms: int) -> str:
    """The code with which a notice of ``at_ms`` is answered that goes out through ``channel``, in groups of 4 or 5.

    The same whenever it is made. Raises ValueError for a notice below 1 and for a secret that is too short.
    """
    day = max(at_ms + LIVES_MS, 0) // _DAY_MS
    if notice < 1 or day >= 32**_EXPIRY_SIGNS:
        raise ValueError(f"no code for notice {notice} of {at_ms}")
    digits = [VERSION, *_of_notice(notice), *_fixed(day, _EXPIRY_SIGNS)]
    digits += _fixed(_mark(secret, notice, day, channel), _MARK_SIGNS)
    text = "".join(SIGNS[d] for d in digits)
    # Groups as alike as can be: nobody likes to type a sign alone.
    groups = -(-len(text) // _GROUP)
    cuts = [-(-k * len(text) // groups) for k in range(groups + 1)]
    return "-".join(text[a:b] for a, b in itertools.pairwise(cuts))


def read(text: str) -> Code | None:
    """What stands in a code as somebody typed it; None for what is none."""
    if len(text) > LONGEST_TEXT:
        return None
    digits = [_READ.get(sign) for sign in re.sub(r"[\s-]", "", text).upper()]
    known = [d for d in digits if d is not None]
    if len(known) != len(digits) or not known or known[0] != VERSION:
        return None
    notice, count = 0, 0
    for digit in known[1 : 1 + _MOST_NOTICE_SIGNS]:
        notice, count = notice << 4 | digit & 15, count + 1
        if not digit & 16:
            break
    else:
        return None
    rest = known[1 + count :]
    # A number has one spelling only, so that a code has.
    if len(rest) != _EXPIRY_SIGNS + _MARK_SIGNS or notice < 1 or len(_of_notice(notice)) != count:
        return None
    return Code(notice, _number(rest[:_EXPIRY_SIGNS]), _number(rest[_EXPIRY_SIGNS:]))


def channel_of(secret: bytes, code: Code, channels: Iterable[str]) -> str | None:
    """The channel for which a code was made; None: for none of these, or not with this secret.

    Every channel is tried, and each compared in constant time, so that the time taken tells nothing of the mark.
    """
    found = None
    given = code.mark.to_bytes(8, "big")
    for channel in channels:
        right = _mark(secret, code.notice, code.day, channel).to_bytes(8, "big")
        if hmac.compare_digest(given, right):
            found = channel
    return found


def feed_token(secret: bytes) -> str:
    """What stands in the address of the calendar: 24 signs, 120 bits of HMAC-SHA256 under the room's secret."""
    digest = int.from_bytes(hmac.digest(secret, b"calendar feed", "sha256")[:15])
    return "".join(SIGNS[digit] for digit in _fixed(digest, 24)).lower()


def is_feed_token(secret: bytes, text: str) -> bool:
    """Whether somebody has the address of the calendar."""
    return hmac.compare_digest(feed_token(secret).encode(), text.lower().encode("utf-8", "replace"))


def _mark(secret: bytes, notice: int, day: int, channel: str) -> int:
    if len(secret) < SECRET_BYTES:
        raise ValueError("the secret is too short")
    signed = f"warmtally answer\n{VERSION}\n{notice}\n{day}\n{channel}".encode()
    digest = hmac.new(secret, signed, hashlib.sha256).digest()
    return int.from_bytes(digest[:8], "big") >> (64 - 5 * _MARK_SIGNS)


def _of_notice(notice: int) -> list[int]:
    digits = [notice & 15]
    while notice := notice >> 4:
        digits.append(notice & 15 | 16)
    return digits[::-1]


def _fixed(number: int, signs: int) -> list[int]:
    return [number >> 5 * k & 31 for k in range(signs - 1, -1, -1)]


def _number(digits: Iterable[int]) -> int:
    number = 0
    for digit in digits:
        number = number << 5 | digit
    return number


@dataclass(slots=True)
class Guesses:
    """Counts wrong codes of each caller, and says when one has had enough of them.

    ``most`` wrong ones within ``within_ms``; of at most ``callers`` it is remembered, the longest silent forgotten.
    """

    most: int = 10
    within_ms: int = 60_000
    callers: int = 256
    _wrong: dict[str, list[int]] = field(default_factory=dict)

    def enough(self, caller: str, now_ms: int) -> bool:
        """Whether nothing more is looked at from this caller at this moment."""
        # A clock that was set back must not keep anybody out.
        recent = [t for t in self._wrong.get(caller, []) if 0 <= now_ms - t < self.within_ms]
        return len(recent) >= self.most

    def wrong(self, caller: str, now_ms: int) -> None:
        """A wrong one came."""
        before = self._wrong.pop(caller, [])
        self._wrong[caller] = [*before, now_ms][-self.most :]
        while len(self._wrong) > self.callers:
            del self._wrong[next(iter(self._wrong))]
