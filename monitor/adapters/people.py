"""The file of who may look at the page and who may enter, beside the store: read again whenever it has changed.

It holds no passphrase and no token, only what they can be checked by: a passphrase by argon2id (RFC 9106), which makes
each guess cost memory and time, a token, which nobody could guess, by SHA-256. A damaged file lets nobody in, and says
so; watching needs it for nothing. It is its owner's alone; where the folder is shared with a group, who may change any
file there, it is the group's as well.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import fcntl
import hashlib
import hmac
import json
import logging
import os
import re
import secrets
import stat
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, TypeVar

from monitor.core.terms.people import RIGHTS, People, Person, ProgramToken, Right, in_one_line, name_fault, name_key
from monitor.errors import PeopleUnreadable, UnknownSubject, UsageError
from monitor.whole_file import write_whole

log = logging.getLogger("warmtally.page")

FILE: Final = "people.json"
MEMORY_KIB: Final = 19456
PASSES: Final = 2
LANES: Final = 1
"""19 MiB, two passes, one lane: the OWASP Password Storage Cheat Sheet's least for argon2id (from memory)."""
NOBODYS: Final = "$argon2id$v=19$m=19456,t=2,p=1$YBbsYJtTrgUeUQLYML1YHg$u3Gf7rTu1ZizL7/rTnaPsA+qBEsjb1CL29o4TmJxRYI"
"""What a passphrase is checked by that belongs to a name nobody has: it takes as long, and fits nothing."""
MOST: Final = 200
"""So many people, and so many tokens. Judgement, no source."""
MOST_LEFT: Final = 64
"""So many sign-ins of one person are remembered as ended; before there are more, all of theirs end."""
LONGEST_WAIT_S: Final = 5.0
TOKEN_BYTES: Final = 24
LONGEST_TOKEN: Final = 128
_LONGEST_FILE: Final = 2_000_000
_FORM: Final = 1
_HASH: Final = re.compile(
    r"\$argon2id\$v=19\$m=([0-9]{1,6}),t=([0-9]{1,2}),p=([0-9])\$[A-Za-z0-9+/]{16,86}\$[A-Za-z0-9+/]{32,86}"
)
_MOST_MEMORY_KIB: Final = 262_144
_MOST_PASSES: Final = 16

T = TypeVar("T")


# -- passphrases and tokens


def hash_of(passphrase: str) -> str:
    """What a passphrase can be checked by. Takes 19 MiB for some hundredths of a second."""
    return str(_hasher().hash(in_one_line(passphrase)))


def fits(hashed: str, passphrase: str) -> bool:
    """Whether it is this passphrase; takes as long for a right as for a wrong one. Raises MemoryError."""
    from argon2.exceptions import VerificationError, VerifyMismatchError

    try:
        return bool(_hasher().verify(hashed, in_one_line(passphrase)))
    except VerifyMismatchError:
        return False
    except VerificationError as error:
        raise MemoryError(str(error)) from error


def _hasher() -> Any:
    from argon2 import PasswordHasher

    return PasswordHasher(time_cost=PASSES, memory_cost=MEMORY_KIB, parallelism=LANES)


def token_of(people: People, shown: str) -> ProgramToken | None:
    """The token that a program shows. Every one is compared, each in constant time."""
    digest = _digest(shown[:LONGEST_TOKEN])
    found = None
    for token in people.tokens:
        if hmac.compare_digest(token.digest, digest):
            found = token
    return found


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


# -- the file


class PeopleFile:
    """Who was entered in the room whose store lies in this folder. Safe to use from several threads and processes."""

    def __init__(self, data_dir: str | Path) -> None:
        self.path = Path(data_dir) / FILE
        self._reading = threading.Lock()
        self._known: tuple[tuple[int, ...], People | PeopleUnreadable] | None = None

    def read(self) -> People:
        """All who were entered; nobody where there is no file. Raises PeopleUnreadable."""
        with self._reading:
            seen = self._seen()
            if self._known is None or self._known[0] != seen:
                self._known = seen, self._read(seen)
                if isinstance(self._known[1], PeopleUnreadable):
                    log.error("nobody may look or enter: %s", self._known[1])
            found = self._known[1]
        if isinstance(found, PeopleUnreadable):
            raise found
        return found

    def person(self, name: str) -> Person:
        """Somebody who was entered. Raises UnknownSubject and PeopleUnreadable."""
        return _found_person(self.read(), name)

    def add(self, name: str, may: Right, until: dt.date | None, passphrase: str, now_ms: int) -> Person:
        """Enter somebody. Raises UsageError for a name that is taken or none."""
        hashed = hash_of(passphrase)

        def change(people: People) -> tuple[People, Person]:
            person = Person(free_name(people, name), may, until, hashed, _stamp(), now_ms)
            return replace(people, people=_bounded((*people.people, person))), person

        return self._change(change)

    def add_token(self, name: str, may: Right, until: dt.date | None, now_ms: int) -> tuple[ProgramToken, str]:
        """Make a token for another program; it is given back this once. Raises UsageError."""
        shown = secrets.token_urlsafe(TOKEN_BYTES)

        def change(people: People) -> tuple[People, ProgramToken]:
            token = ProgramToken(free_name(people, name), may, until, _digest(shown), now_ms)
            return replace(people, tokens=_bounded((*people.tokens, token))), token

        return self._change(change), shown

    def remove(self, name: str) -> Person | ProgramToken:
        """Take a person or token out; their sign-ins end with it. Raises UnknownSubject."""

        def change(people: People) -> tuple[People, Person | ProgramToken]:
            found = _found(people, name)
            left = tuple(p for p in people.people if p is not found)
            return People(left, tuple(t for t in people.tokens if t is not found)), found

        return self._change(change)

    def set_passphrase(self, name: str, passphrase: str) -> Person:
        """Another passphrase; what was signed in by the old one ends. Raises UnknownSubject."""
        hashed = hash_of(passphrase)

        def change(people: People) -> tuple[People, Person]:
            was = _found_person(people, name)
            now = replace(was, hash=hashed, stamp=_stamp(), left=())
            return _with(people, was, now), now

        return self._change(change)

    def set_right(self, name: str, may: Right, until: dt.date | None) -> Person | ProgramToken:
        """Another right, at once. Raises UnknownSubject."""

        def change(people: People) -> tuple[People, Person | ProgramToken]:
            was = _found(people, name)
            if isinstance(was, Person):
                now = replace(was, may=may, until=until)
                return _with(people, was, now), now
            token = replace(was, may=may, until=until)
            return replace(people, tokens=tuple(token if t is was else t for t in people.tokens)), token

        return self._change(change)

    def leave(self, name: str, sign_in: str, ends_ms: int, now_ms: int) -> None:
        """End one sign-in of a person for good, whoever still has its cookie. Raises UnknownSubject."""

        def change(people: People) -> tuple[People, None]:
            was = _found_person(people, name)
            still = tuple(x for x in was.left if x[1] > now_ms)
            if len(still) >= MOST_LEFT:
                return _with(people, was, replace(was, stamp=_stamp(), left=())), None
            return _with(people, was, replace(was, left=(*still, (sign_in, ends_ms)))), None

        self._change(change)

    def _change(self, change: Callable[[People], tuple[People, T]]) -> T:
        """Read, change and write as one step, whoever else does so too."""
        with self._alone():
            seen = self._seen()
            before = self._read(seen)
            if isinstance(before, PeopleUnreadable):
                raise before
            people, result = change(before)
            data = json.dumps(_told(people), ensure_ascii=False, indent=1).encode("utf-8")
            try:
                shared = self.path.parent.stat().st_mode & stat.S_IWGRP
                mode = None if seen else 0o660 if shared else 0o600
                write_whole(self.path, data, mode)
            except OSError as error:
                raise PeopleUnreadable(
                    f"the file of who may look and enter cannot be written ({error.strerror})",
                    where=str(self.path),
                    fix="run the command as a user who may write to that folder",
                ) from error
        return result

    @contextlib.contextmanager
    def _alone(self) -> Iterator[None]:
        try:
            handle = os.open(self.path.parent, os.O_RDONLY | os.O_DIRECTORY)
        except OSError as error:
            raise PeopleUnreadable(
                f"there is no folder for the file of who may look and enter ({error.strerror})",
                where=str(self.path.parent),
                fix="start the service once, or give --data DIR",
            ) from error
        try:
            self._wait_for(handle)
            yield
        finally:
            os.close(handle)

    def _wait_for(self, handle: int) -> None:
        """Who else changes the file is done within milliseconds."""
        until = time.monotonic() + LONGEST_WAIT_S
        while True:
            with contextlib.suppress(BlockingIOError):
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                return
            if time.monotonic() > until:
                raise PeopleUnreadable(
                    "somebody else is changing who may look and enter, and does not end",
                    where=str(self.path),
                    fix="end the other warmtally people, and try again",
                )
            time.sleep(0.02)

    def _seen(self) -> tuple[int, ...]:
        """By what a change of the file is seen; empty where there is none."""
        try:
            found = self.path.stat()
        except (FileNotFoundError, NotADirectoryError):
            return ()
        except OSError:
            return (-1,)
        return found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_mode

    def _read(self, seen: tuple[int, ...]) -> People | PeopleUnreadable:
        if not seen:
            return People()
        try:
            found = self.path.stat()
            if not stat.S_ISREG(found.st_mode) or found.st_size > _LONGEST_FILE:
                return self._unreadable("is no file of people")
            if found.st_mode & 0o007:
                # As a copy may have come back. Where it is another's, the rest of the folder is as open.
                with contextlib.suppress(OSError):
                    self.path.chmod(found.st_mode & 0o770)
            return _people(json.loads(self.path.read_bytes()))
        except OSError as error:
            return self._unreadable(f"cannot be read ({error.strerror})")
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
            return self._unreadable("is damaged")

    def _unreadable(self, what: str) -> PeopleUnreadable:
        return PeopleUnreadable(
            f"the file of who may look and enter {what}",
            where=str(self.path),
            fix="bring it back from a copy; or delete it, and enter everybody anew: warmtally people add NAME",
        )


def free_name(people: People, name: str) -> str:
    """A name as it is kept. Raises UsageError where it is none, or somebody's already."""
    told = in_one_line(name)
    why = name_fault(told)
    if why:
        raise UsageError(why, fix="give a name such as anna")
    taken = people.named(told)
    if taken is not None:
        kind = "person" if isinstance(taken, Person) else "token"
        raise UsageError(
            f"there is a {kind} {taken.name!r} already",
            fix="another right: warmtally people may NAME look|enter; another passphrase: warmtally people passphrase "
            "NAME; or take another name",
        )
    return told


def _bounded(all_of_them: tuple[T, ...]) -> tuple[T, ...]:
    if len(all_of_them) > MOST:
        raise UsageError(f"there are {MOST} already", fix="remove somebody first: warmtally people remove NAME")
    return all_of_them


def _found(people: People, name: str) -> Person | ProgramToken:
    found = people.named(name)
    if found is None:
        raise UnknownSubject(f"nobody is called {in_one_line(name)[:60]!r}", fix="see them all: warmtally people")
    return found


def _found_person(people: People, name: str) -> Person:
    found = _found(people, name)
    if not isinstance(found, Person):
        raise UnknownSubject(f"{found.name!r} is a token, not a person", fix="remove it, and make another one")
    return found


def _with(people: People, was: Person, now: Person) -> People:
    return replace(people, people=tuple(now if p is was else p for p in people.people))


def _stamp() -> str:
    return secrets.token_hex(8)


# -- what is in it


def _told(people: People) -> dict[str, Any]:
    def right(of: Person | ProgramToken) -> dict[str, Any]:
        until = None if of.until is None else of.until.isoformat()
        return {"name": of.name, "may": of.may, "until": until, "since_ms": of.since_ms}

    return {
        "form": _FORM,
        "people": [right(p) | {"hash": p.hash, "stamp": p.stamp, "left": p.left} for p in people.people],
        "tokens": [right(t) | {"digest": t.digest} for t in people.tokens],
    }


def _people(told: Any) -> People:
    """From JSON. Raises ValueError, KeyError, TypeError and AttributeError for what :func:`_told` did not write."""
    people = tuple(_person(p) for p in told["people"])
    tokens = tuple(ProgramToken(**_right(t), digest=_matching(r"[0-9a-f]{64}", t["digest"])) for t in told["tokens"])
    both: tuple[Person | ProgramToken, ...] = (*people, *tokens)
    names = [name_key(x.name) for x in both]
    if told["form"] != _FORM or len(names) != len(set(names)) or max(len(people), len(tokens)) > MOST:
        raise ValueError("not ours")
    return People(people, tokens)


def _person(told: Any) -> Person:
    hashed = _HASH.fullmatch(told["hash"])
    # What would take the whole memory, or hours, for one guess, is none of ours.
    if hashed is None or int(hashed[1]) > _MOST_MEMORY_KIB or not 0 < int(hashed[2]) <= _MOST_PASSES:
        raise ValueError("no hash of ours")
    left = tuple((_matching(r"[0-9A-Za-z_-]{1,64}", name), _whole(ends_ms)) for name, ends_ms in told["left"])
    stamp = _matching(r"[0-9a-f]{16}", told["stamp"])
    return Person(**_right(told), hash=told["hash"], stamp=stamp, left=left)


def _right(told: Any) -> dict[str, Any]:
    name, may, until = told["name"], told["may"], told["until"]
    if not isinstance(name, str) or in_one_line(name) != name or name_fault(name) or may not in RIGHTS:
        raise ValueError("no right of ours")
    day = None if until is None else dt.date.fromisoformat(until)
    return {"name": name, "may": may, "until": day, "since_ms": _whole(told["since_ms"])}


def _matching(pattern: str, text: str) -> str:
    if re.fullmatch(pattern, text) is None:
        raise ValueError(pattern)
    return text


def _whole(number: Any) -> int:
    if type(number) is not int:
        raise TypeError("no whole number")
    return number
