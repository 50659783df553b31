"""Every verb with words that nobody in their right mind would type: each is refused or done, none ends in a traceback.

The words are drawn by seed for the options that each verb really has, so that a new verb or option is tried as well.
"""

from __future__ import annotations

import argparse
import io
import random
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest

from monitor.adapters.store import Store
from monitor.cli.main import main, parser
from monitor.core.notices.notice import Notice
from monitor.core.terms.events import EventKind, Flag, KeeperEvent, Reading
from monitor.errors import MonitorError
from tests.desk import Desk, room_text

# They wait for a broker, for a channel or for minutes; what they are given is read by the same functions.
ELSEWHERE = {"run", "listen", "drill", "rehearse"}
DRAWS = 12
PLACES = {"config", "data"}
NOW_MS = 1_800_000_000_000
"""Of the readings in the store; what is asked for may lie anywhere."""

NUMBERS = ("0", "-1", "-0", "1e400", "-1e400", "nan", "inf", "1_000", "٣", "0x10", "1e-320", "9" * 400, "9" * 5000)
TIMES = (
    "0001-01-01 00:00+23:59",
    "0001-01-01",
    "0001-01-01T00:00",
    "9999-12-31 23:59-23:59",
    "9999-12-31",
    "9999-12-31T23:59:59.999999",
    "1970-01-01",
    "2026-W01-1",
    "now",
    "20260501T070000Z",
)
TEXTS = (
    "",
    " ",
    "-",
    "--",
    "=",
    "a=",
    "\0",
    "a\0b",
    "\udce9\udc90",
    "\ud800",
    "\u202e\u200b",
    "\n\r\t",
    "%s%n{0}{}",
    "../" * 400,
    "/",
    ".",
    "/dev/null",
    "a" * 5000,
    "[" * 2000,
    "'; DROP TABLE fact; --",
    "*",
    "é" * 300,
)


def codes() -> set[int]:
    """The documented exit codes: of each failure, and of success."""
    found, todo = {0}, [MonitorError]
    while todo:
        kind = todo.pop()
        todo += kind.__subclasses__()
        if kind.id:
            found.add(kind.exit_code)
    return found


def leaves(
    at: argparse.ArgumentParser, words: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], list[argparse.Action]]]:
    """Each verb with its sub-verbs, and what it may be given."""
    subs = [a for a in at._actions if isinstance(a, argparse._SubParsersAction)]
    for sub in subs:
        for name, child in sub.choices.items():
            yield from leaves(child, (*words, name))
    if not subs:
        left_out = (argparse._HelpAction, argparse._VersionAction)
        yield words, [a for a in at._actions if not isinstance(a, left_out) and a.dest not in PLACES]


def word(rng: random.Random, known: tuple[str, ...]) -> str:
    """A word: hostile, or one that means something here."""
    pool = rng.choice((NUMBERS, TIMES, TEXTS, known, known))
    found = rng.choice(pool)
    if rng.random() < 0.15:
        found = found[: rng.randrange(len(found) + 1)] + rng.choice(TEXTS + NUMBERS)
    if rng.random() < 0.1:
        found = "9" * rng.choice((18, 19, 20, 40, 310, 4400))
    return found


def line(
    rng: random.Random, words: tuple[str, ...], actions: list[argparse.Action], known: tuple[str, ...]
) -> list[str]:
    """A command line of a verb: what it needs and some of what it may have."""
    result = list(words)
    options = [a for a in actions if a.option_strings]
    for action in options:
        if not action.required and rng.random() < 0.6:
            continue
        for _ in range(1 if rng.random() < 0.8 else 2):
            result.append(rng.choice(action.option_strings))
            if action.nargs != 0:
                fits = tuple(map(str, action.choices)) if action.choices and rng.random() < 0.9 else known
                # As one word, or a word that begins with a hyphen would be taken for an option.
                result[-1] += "=" + (rng.choice(fits) if action.choices else word(rng, fits))
    for action in actions:
        if not action.option_strings:
            some = action.nargs in ("+", "*")
            for _ in range(rng.randint(1, 4) if some else 1):
                result.append(rng.choice(tuple(map(str, action.choices))) if action.choices else word(rng, known))
    return result


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """A room in which something lies, was measured and was told."""
    desk = Desk(tmp_path)
    (tmp_path / "room.toml").write_text(room_text())
    with Store(tmp_path / "data") as store:
        readings = [
            Reading(f"{box}-warmth", NOW_MS + k * 600_000, 29.0 + k % 3, NOW_MS + k * 600_000, Flag.GOOD, "", True)
            for box in ("upper", "lower")
            for k in range(300)
        ]
        store.journal.ingest(readings)
        told = Notice("a/b/raised/1", NOW_MS, "too-warm", ("upper",), "raised", "now", "Too warm", "It is.")
        store.ledger.commit((), (), [told], {})
        for kind, eggs, box, species in (
            (EventKind.LAID, 6, "", "pituophis-melanoleucus"),
            (EventKind.SET, 6, "upper", ""),
        ):
            store.account.tell(KeeperEvent(kind, "K01", NOW_MS, NOW_MS, box=box, eggs=eggs, species=species))
    return desk


LEAVES = [(words, actions) for words, actions in leaves(parser()) if words[0] not in ELSEWHERE]


@pytest.mark.slow
@pytest.mark.parametrize(("words", "actions"), LEAVES, ids=[" ".join(words) for words, _ in LEAVES])
def test_no_words_end_a_verb_in_a_traceback(
    desk: Desk, words: tuple[str, ...], actions: list[argparse.Action], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(desk.folder)
    rng = random.Random(" ".join(words))
    (desk.folder / "rubbish.csv").write_bytes(b"time,value\n" + rng.randbytes(300) + b"\n0001-01-01,1\n")
    known = (
        "upper",
        "lower",
        "upper-warmth",
        "K01",
        "K01/upper",
        "1",
        "0.5",
        "left",
        "too-warm",
        "2027-02-01",
        "pituophis-melanoleucus",
        str(desk.folder / "rubbish.csv"),
        "time",
        "value",
        "UTC",
        "title.too-warm",
    )
    seen = set()
    for _ in range(DRAWS):
        typed = line(rng, words, actions, known)
        out = io.StringIO()
        with redirect_stdout(out), redirect_stderr(out):
            try:
                code = main(
                    [
                        *words,
                        "--config",
                        str(desk.folder / "room.toml"),
                        "--data",
                        str(desk.folder / "data"),
                        *typed[len(words) :],
                    ]
                )
            except SystemExit as ended:
                code = int(ended.code or 0)
            except Exception as error:
                raise AssertionError(f"{type(error).__name__}: {error} at {[w[:60] for w in typed]}") from error
        assert code in codes(), (code, typed)
        # What was said can be shown, and a refusal says what is wrong.
        assert out.getvalue().encode("utf-8"), typed
        seen.add(code)
    assert seen
