"""Answers that come with a code: what it stands for, and the answer itself, in one transaction.

The secret under which codes are signed is a file of its own in the data directory, made at the first start, readable
for the service alone. It is no part of the store's file, so that a copy of the store answers nothing.
"""

from __future__ import annotations

import os
import secrets
from pathlib import Path
from typing import Final

from monitor.adapters.store.database import rights_in
from monitor.adapters.store.ledger import Ledger
from monitor.adapters.store.outbox import Outbox
from monitor.core.notices.answers import UNKNOWN, Answer, AnswerResult, Status, Way
from monitor.core.notices.codes import OVERVIEW, SECRET_BYTES, Code, channel_of, read
from monitor.errors import StoreError, UnknownSubject
from monitor.whole_file import write_whole

SECRET_FILE: Final = "answers.secret"  # noqa: S105 - the file's name


def secret_of(data_dir: str | Path) -> bytes:
    """The room's secret for codes; made when there is none. Raises StoreError, which never tells what is in it.

    Who keeps the room may read it where they may write to the store (:func:`rights_in`): a backup holds it.
    """
    path = Path(data_dir) / SECRET_FILE
    try:
        rights = rights_in(path.parent)
        if not path.exists():
            write_whole(path, f"{secrets.token_hex(SECRET_BYTES)}\n".encode(), rights)
        there = path.stat()
        # What somebody else of the group has put there is theirs to change.
        if there.st_mode & 0o777 != rights and (there.st_uid == os.geteuid() or there.st_mode & 0o077 & ~rights):
            path.chmod(rights)
        found = bytes.fromhex(path.read_text("ascii"))
    except OSError as error:
        raise StoreError(
            f"the secret of the codes that answer notices cannot be read or made ({error.strerror})",
            where=str(path),
            fix="let this user own the file and write to its folder, or remove [page] and [answers]",
        ) from error
    except ValueError:
        found = b""
    if len(found) != SECRET_BYTES:
        raise StoreError(
            "the secret of the codes that answer notices is damaged",
            where=str(path),
            fix="delete the file: another is made at the next start, and codes that were sent before are void",
        )
    return found


class AnswerBook:
    """Answers by code or number."""

    def __init__(self, ledger: Ledger, outbox: Outbox) -> None:
        self._ledger = ledger
        self._outbox = outbox

    def look(self, secret: bytes, text: str, now_ms: int) -> AnswerResult:
        """What a code stands for; changes nothing."""
        with self._ledger.db.read():
            code = read(text)
            return UNKNOWN if code is None else self._genuine(secret, code, now_ms)

    def give(
        self, secret: bytes, text: str, now_ms: int, way: Way, by: str = "", *, again: bool = False
    ) -> AnswerResult:
        """Answer the notice of a code, if it can be answered. ``again``: this message may have come before."""
        found = self.look(secret, text, now_ms)
        if found.notice is None or found.status == "expired":
            return found
        return self._given(found.notice.id, now_ms, Answer(way, found.channel, by), again=again)

    def give_number(self, number: int, now_ms: int, by: str = "", *, again: bool = False) -> AnswerResult:
        """Answer a notice by its number alone."""
        try:
            return self._given(number, now_ms, Answer("number", by=by), again=again)
        except UnknownSubject:
            return UNKNOWN

    def _genuine(self, secret: bytes, code: Code, now_ms: int) -> AnswerResult:
        try:
            notice = self._ledger.notice(code.notice)
        except UnknownSubject:
            return UNKNOWN
        channels = [*(o.channel for o in self._outbox.outgoing(code.notice)), OVERVIEW]
        channel = channel_of(secret, code, channels)
        if channel is None:
            return UNKNOWN
        # Answered comes first: that is what somebody with an old link wants to know.
        status: Status = "before" if notice.answered_ms is not None else "expired" if code.expired(now_ms) else "open"
        return AnswerResult(status, notice, channel, over=not self._ledger.still_true(notice))

    def _given(self, number: int, now_ms: int, answer: Answer, *, again: bool) -> AnswerResult:
        notice, first = self._ledger.answer_once(number, now_ms, answer)
        same = again and (notice.answer_way, notice.answer) == (answer.way, answer.words)
        over = not self._ledger.still_true(notice)
        return AnswerResult("given" if first else "before", notice, answer.channel, over=over, again=same)
