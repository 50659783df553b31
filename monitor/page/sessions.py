"""Sign-ins: the cookie by which a browser is known again, the key of its forms, and how often somebody may try.

A cookie holds a name and when it was made and last renewed, signed under a key that is derived from the room's secret;
nothing is kept of it here. It is good for thirty days from its last renewal and for ninety at most, and ends with the
person, with their passphrase, and with their right, since each is looked up again at every request. Who is not signed
in gets one too, without a name: the keys of their forms hang on it, so that nobody else's page can send one.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import hmac
import secrets
import threading
from collections.abc import Callable, Iterator
from dataclasses import field, replace
from typing import Final, Literal

from itsdangerous import BadData, URLSafeSerializer

from monitor.adapters.people import NOBODYS, PeopleFile, fits, token_of
from monitor.core.notices.codes import Guesses
from monitor.core.terms.people import LONGEST_PASSPHRASE, People, Person, ProgramToken, is_over
from monitor.core.terms.times import DAY_MS, HOUR_MS, MINUTE_MS
from monitor.values import dataclass

IDLE_MS: Final = 30 * DAY_MS
LONGEST_MS: Final = 90 * DAY_MS
RENEWED_MS: Final = HOUR_MS
"""A cookie is not made anew at every request."""
AHEAD_MS: Final = 5 * MINUTE_MS
"""So much later than now a cookie may have been made: a clock that was set right. One of next year would never end."""
MOST_WAITING: Final = 2
WAIT_S: Final = 5.0
"""A passphrase is checked after the one before: each takes 19 MiB and a core. So many wait, for so long."""
_LONGEST_COOKIE: Final = 1024
_TRIED_MS: Final = 10 * MINUTE_MS

Refused = Literal["wrong", "over", "enough", "busy"]
"""Why somebody is not let in: name and passphrase do not fit, their right has ended, there were too many wrong ones, or
too many try just now."""


@dataclass(frozen=True, slots=True)
class Ticket:
    """What a cookie says. ``name`` and ``seal`` are empty for who is not signed in; ``id`` names one sign-in."""

    id: str
    name: str
    seal: str
    begun_ms: int
    seen_ms: int

    @property
    def ends_ms(self) -> int:
        return min(self.seen_ms + IDLE_MS, self.last_ms)

    @property
    def last_ms(self) -> int:
        """Until when it could be renewed."""
        return self.begun_ms + LONGEST_MS

    def good(self, now_ms: int) -> bool:
        return max(self.begun_ms, self.seen_ms) - AHEAD_MS <= now_ms < self.ends_ms


class Tickets:
    """Makes cookies of one room, and reads them. ``secure``: the page is reached by https."""

    def __init__(self, secret: bytes, *, secure: bool) -> None:
        """``secret`` is the room's; see :func:`monitor.adapters.store.secret_of`."""
        self._key = hmac.digest(secret, b"warmtally sign-in", "sha256")
        self._signed = URLSafeSerializer(
            self._key,
            salt="warmtally cookie",
            signer_kwargs={"digest_method": hashlib.sha256, "key_derivation": "hmac"},
        )
        self._secure = secure
        # Cookies do not tell ports apart: two rooms on one computer would sign each other out.
        room = hmac.new(self._key, b"name of the cookie", "sha256").hexdigest()[:8]
        self.name = f"{'__Host-' if secure else ''}warmtally-{room}"

    def read(self, header: str, now_ms: int) -> Ticket | None:
        """The ticket in the request's header ``Cookie``; None where there is none of ours that is still good."""
        for value in self._values(header):
            try:
                told = self._signed.loads(value)
                ticket = Ticket(*told)
            except (BadData, TypeError):
                continue
            if ticket.good(now_ms):
                return ticket
        return None

    def _values(self, header: str) -> Iterator[str]:
        for part in header.split(";"):
            name, _, value = part.strip().partition("=")
            if name == self.name and len(value) <= _LONGEST_COOKIE:
                yield value

    def made(self, now_ms: int, person: Person | None = None) -> Ticket:
        """A new one; never that of before, which somebody else may have put there."""
        name, seal = ("", "") if person is None else (person.name, self._seal(person))
        return Ticket(secrets.token_urlsafe(12), name, seal, now_ms, now_ms)

    def renewed(self, ticket: Ticket, now_ms: int) -> Ticket | None:
        """The same for longer; None while that is not due."""
        return replace(ticket, seen_ms=now_ms) if now_ms - ticket.seen_ms >= RENEWED_MS else None

    def person_of(self, ticket: Ticket, people: People, today: dt.date) -> Person | None:
        """Who is signed in by it, as of now."""
        person = people.person(ticket.name) if ticket.name else None
        if person is None or is_over(person, today):
            return None
        if not hmac.compare_digest(ticket.seal, self._seal(person)):
            return None
        return None if any(ticket.id == left for left, _ in person.left) else person

    def _seal(self, person: Person) -> str:
        """What changes with the passphrase, and when somebody was removed and came back."""
        told = f"{person.name}\n{person.hash}\n{person.stamp}".encode()
        return hmac.new(self._key, b"seal\n" + told, "sha256").hexdigest()[:32]

    def form_key(self, ticket: Ticket) -> str:
        """What a form must bring along that belongs to this cookie."""
        return hmac.new(self._key, f"form\n{ticket.id}\n{ticket.name}".encode(), "sha256").hexdigest()[:32]

    def cookie(self, ticket: Ticket, now_ms: int) -> str:
        """The header ``Set-Cookie`` that hands it out."""
        return self._header(str(self._signed.dumps(_list(ticket))), max(0, ticket.ends_ms - now_ms) // 1000)

    def no_cookie(self) -> str:
        """The header that takes it back."""
        return self._header("", 0)

    def _header(self, value: str, seconds: int) -> str:
        end = "; Secure" if self._secure else ""
        return f"{self.name}={value}; Path=/; Max-Age={seconds}; HttpOnly; SameSite=Lax{end}"


def _list(ticket: Ticket) -> list[str | int]:
    return [ticket.id, ticket.name, ticket.seal, ticket.begun_ms, ticket.seen_ms]


@dataclass(slots=True)
class Tries:
    """Who tries a passphrase or a token, within bounds. Safe to use from several threads.

    Ten wrong ones in ten minutes are looked at from one caller, and sixty from all of them together but for those from
    whom somebody signed in already: else whoever guesses would keep everybody out. Every passphrase takes one
    computation, whether or not there is such a name.
    """

    file: PeopleFile
    fits: Callable[[str, str], bool] = fits
    _of_one: Guesses = field(default_factory=lambda: Guesses(10, _TRIED_MS, 1024))
    _of_all: Guesses = field(default_factory=lambda: Guesses(60, _TRIED_MS, 1))
    _known: dict[str, None] = field(default_factory=dict)
    _counting: threading.Lock = field(default_factory=threading.Lock)
    _computing: threading.Lock = field(default_factory=threading.Lock)
    _waiting: int = 0

    def sign_in(self, name: str, passphrase: str, caller: str, now_ms: int, today: dt.date) -> Person | Refused:
        """Whoever has this name and passphrase. Raises PeopleUnreadable."""
        people = self.file.read()
        with self._counting:
            if self._enough(caller, now_ms):
                return "enough"
            if self._waiting > MOST_WAITING:
                return "busy"
            self._waiting += 1
        try:
            if not self._computing.acquire(timeout=WAIT_S):
                return "busy"
            try:
                return self._checked(people, name, passphrase, (caller, now_ms), today)
            except MemoryError:
                return "busy"
            finally:
                self._computing.release()
        finally:
            with self._counting:
                self._waiting -= 1

    def _checked(
        self, people: People, name: str, passphrase: str, who: tuple[str, int], today: dt.date
    ) -> Person | Refused:
        """One at a time, so that no more wrong ones are looked at than may be."""
        with self._counting:
            if self._enough(*who):
                return "enough"
        person = people.person(name)
        right = self.fits(NOBODYS if person is None else person.hash, passphrase[: LONGEST_PASSPHRASE + 1])
        if person is None or not right:
            self._wrong(*who)
            return "wrong"
        with self._counting:
            self._known[who[0]] = self._known.pop(who[0], None)
            while len(self._known) > self._of_one.callers:
                del self._known[next(iter(self._known))]
        return "over" if is_over(person, today) else person

    def token(self, shown: str, caller: str, now_ms: int, today: dt.date) -> ProgramToken | Refused:
        """The token that a program shows. Raises PeopleUnreadable."""
        people = self.file.read()
        with self._counting:
            if self._enough(caller, now_ms):
                return "enough"
        found = token_of(people, shown)
        if found is None:
            self._wrong(caller, now_ms)
            return "wrong"
        return "over" if is_over(found, today) else found

    def _enough(self, caller: str, now_ms: int) -> bool:
        all_too = caller not in self._known and self._of_all.enough("all", now_ms)
        return all_too or self._of_one.enough(caller, now_ms)

    def _wrong(self, caller: str, now_ms: int) -> None:
        with self._counting:
            self._of_one.wrong(caller, now_ms)
            self._of_all.wrong("all", now_ms)
