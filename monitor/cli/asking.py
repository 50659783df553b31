"""Asking a keeper: one question after the other at a terminal, or the answers line by line from standard input."""

from __future__ import annotations

import getpass
import re
import sys
from collections.abc import Callable
from typing import Final

from monitor.cli.output import say
from monitor.errors import UsageError

LONGEST_ANSWER: Final = 4096
# Whoever gives so many answers in a row that cannot be is no keeper.
MOST_TRIES: Final = 20

Wrong = Callable[[str], str]
"""Why an answer cannot be; empty where it can."""


class Asker:
    """Asks until an answer can be. The end of the answers is an EOFError."""

    def __init__(self) -> None:
        # Closed, there is none.
        self.terminal = sys.stdin is not None and sys.stdin.isatty()

    def ask(self, question: str, wrong: Wrong = lambda _: "", *, default: str = "") -> str:
        """One line; ``default`` is what Enter alone says."""
        shown = f"{question} [{default}]: " if default else f"{question}: "
        for _ in range(MOST_TRIES):
            told = self._line(shown)
            answer = " ".join(told.split()) or default
            why = _unfit(answer) or wrong(answer)
            if not why:
                return answer
            say(f"  {why}")
        raise UsageError(f"no answer to {question!r} could be taken, {MOST_TRIES} times", fix="run it again")

    def sure(self, question: str, *, default: bool) -> bool:
        """Yes or no."""
        known = {"y": True, "yes": True, "n": False, "no": False}

        def wrong(told: str) -> str:
            return "" if told.lower() in known else "y or n"

        answer = self.ask(f"{question} (y/n)", wrong, default="y" if default else "n")
        return known[answer.lower()]

    def secret(self, question: str, wrong: Wrong = lambda _: "") -> str:
        """One line that is not shown while it is typed; empty where there is none."""
        for _ in range(MOST_TRIES):
            told = self._line(f"{question}: ", hidden=True).strip()
            why = _unfit(told) or wrong(told)
            if not why:
                return told
            say(f"  {why}")
        raise UsageError(f"no answer to {question!r} could be taken, {MOST_TRIES} times", fix="run it again")

    def _line(self, shown: str, *, hidden: bool = False) -> str:
        if self.terminal:
            from rich.console import Console

            try:
                # This one stops showing what is typed before it asks, so that nothing of it is seen.
                return getpass.getpass(shown) if hidden else Console(highlight=False).input(shown, markup=False)
            except UnicodeDecodeError:
                return "\0"
        print(shown, flush=True)
        told = b"" if sys.stdin is None else sys.stdin.buffer.readline(LONGEST_ANSWER + 2)
        if not told:
            raise EOFError
        return told.decode("utf-8", "surrogateescape").rstrip("\r\n")


def _unfit(told: str) -> str:
    if len(told) > LONGEST_ANSWER:
        return "that is too long: write it once more"
    if not told.isprintable() or re.search("[\ud800-\udfff]", told):
        return "a sign in it cannot be shown: write it once more"
    return ""
