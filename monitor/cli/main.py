"""The command ``warmtally``: one verb per job; every failure becomes a clear line and its exit code.

Examples of a verb's ``--help`` (its ``epilog``) are parted by four spaces or stand in lines; it shows
them a line each.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import importlib
import os
import re
import sys
import textwrap
from collections.abc import Sequence
from typing import Final

from monitor import __version__
from monitor.errors import FileUnreadable, MonitorError, UsageError

LONGEST_WORD: Final = 4096
# Before numpy is loaded, which starts a thread for each core: no matrix here is large enough to be worth one.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

DESCRIPTION = """\
Watches the egg room: adds up each box's development, says when to expect the first pip and how sure it is,
and tells the keeper what needs a hand. It measures and tells; it never switches a heater and is no safety device."""

EPILOG = """\
first steps:
  warmtally rehearse                 see it work on a simulated room
  warmtally setup                    set your room up by questions
  warmtally listen                   what arrives on your broker
  warmtally check                    every mistake of the configuration at once
  warmtally drill                    a test notice through every channel
  warmtally run                      the service

Electric heat in damp rooms: use a residual-current device, an independent over-temperature cut-out and a smoke
alarm; ask a licensed electrician. Wash your hands after handling animals and eggs (Salmonella). For sick animals ask
a veterinarian. Dates are estimates: no egg is opened on the program's word."""


# Each verb with its module in this folder and what the list of verbs says of it: so that a verb loads no other's
# module, and the list none. A test holds it to what the modules say.
VERBS: Final = {
    "run": ("service", "the service: watch, tally, tell; until stopped"),
    "check": ("service", "read the configuration and name every mistake at once"),
    "setup": (
        "setup",
        "set a room up by questions: broker, probes, boxes, limits, a way to you; later, what is new",
    ),
    "listen": ("listen", "show what the broker sends, with entries for new probes to paste into the configuration"),
    "clutch": ("clutch", "add, show and list clutches; bring them in from a file, or write them to one"),
    "record": ("record", "tell what happened to eggs"),
    "boxes": ("show", "every box: temperature, limits, what develops in it"),
    "notices": ("told", "what was told, and what is still true"),
    "answer": ("told", "answer a notice: you know, and see to it"),
    "species": ("species", "the profiles: list them, show one with its sources, or write one of your own"),
    "forecast": ("forecast", "when to expect the first pip, and how sure that is"),
    "probes": (
        "probes",
        (
            "every probe: what is told of it, last heard, how good its readings are and which test flagged how many, "
            "noise, corrected when and by how much, drifting or not"
        ),
    ),
    "weights": ("weights", "what each box weighed when set and last, what it loses a week, and the water to give back"),
    "tasks": ("todo", "what is to be done: candle, look, weigh, water, prepare, first sheds and meals, compare"),
    "calendar": ("todo", "windows and tasks as a calendar file (iCalendar) for any calendar program"),
    "unread": ("unread", "messages that could not be read: from where, how many, why, and how they begin"),
    "stack": (
        "stack",
        "how warm a stack is by height, which boxes really differ, by how many days, and what would mend it",
    ),
    "compare": ("compare", "find what the probes differ by, and correct it"),
    "learn": ("learn", "what your own clutches say of a species' days; --apply makes it your profile"),
    "season": (
        "season",
        "a season looked back on: eggs, warmth, what was told, what to change; in print with --html or --pdf",
    ),
    "course": ("course", "how warm a box was, from a day to a season, as a plot"),
    "labels": ("labels", "labels to print for boxes and clutches, each with a code that a telephone reads"),
    "explain": ("attend", "a kind of condition: what raises and clears it, and why"),
    "shelve": (
        "attend",
        "say nothing about a condition for a while; it stays listed and is told again when the time is up",
    ),
    "attention": ("attend", "how much attention the notices asked for, and what could be quieter"),
    "texts": ("texts", "how notices are worded; change it, check it, and see what it comes to"),
    "drill": ("drill", "send a test notice through every channel"),
    "rooms": ("rooms", "many rooms at once: what needs a hand, who sees to it, what will hatch; as a page with serve"),
    "people": ("people", "who may look at the page and who may enter; alone: list them"),
    "import": ("files", "bring the readings of a logger's file into the store"),
    "export": ("files", "write readings as CSV or as JSON lines"),
    "backup": ("backup", "a verified copy of the store, the room's file, species and secrets, while the service runs"),
    "restore": ("backup", "put a backup in its place, on a new computer or after the store was lost"),
    "verify": ("damage", "look a store or a backup through for damage"),
    "repair": ("damage", "set aside what is damaged in the store, and make what is left whole again"),
    "rehearse": ("rehearse", "play five simulated days to the real service and check every notice"),
}


class _Help(argparse.HelpFormatter):
    """Help in paragraphs that fit the screen, with examples and other indented lines a line each."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        told = []
        for paragraph in text.split("\n\n"):
            if paragraph.startswith("example"):
                head, _, rest = paragraph.partition(":")
                parted = rest.strip("\n").split("\n") if "\n" in rest else rest.split("    ")
                told += [head + ":", *(_folded(x.strip(), width - 2) for x in parted)]
            elif "\n  " in paragraph:
                for line in paragraph.split("\n"):
                    column = re.match(r" *\S.*? {2,}(?=\S)| *", line)
                    behind = " " * (len(column[0]) if column else 0)
                    told.append(textwrap.fill(line, width, subsequent_indent=behind))
            else:
                told.append(textwrap.fill(" ".join(paragraph.split()), width))
            told.append("")
        return "\n".join(indent + line for line in told[:-1])


def _folded(example: str, width: int) -> str:
    """A command that can be copied, over several lines where it is long; what stands in quotes stays together."""
    lines = [" "]
    for word in re.findall(r'"[^"]*"|\'[^\']*\'|[^\s"\']+(?:"[^"]*")?', example):
        if len(lines[-1]) + 1 + len(word) > width:
            lines[-1] += "" if example.startswith("(") else " \\"
            lines.append("     ")
        lines[-1] += f" {word}"
    return "\n".join(lines)


def parser(verb: str | None = None) -> argparse.ArgumentParser:
    """The whole command line; or, with a verb, as much of it as that one needs."""
    from monitor.cli.room import common_options

    top, sub = _top()
    parent = common_options()
    wanted = VERBS[verb][0] if verb in VERBS else None
    for family in dict.fromkeys(family for family, _ in VERBS.values()):
        if wanted in (None, family):
            importlib.import_module(f"monitor.cli.{family}").add_parsers(sub, parent)
    _explain(sub)
    return top


def _top() -> tuple[argparse.ArgumentParser, argparse._SubParsersAction[argparse.ArgumentParser]]:
    """The command line without its verbs, and where they go."""
    top = argparse.ArgumentParser(
        prog="warmtally",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=_Help,
    )
    top.add_argument("--version", action="version", version=f"warmtally {__version__}")
    return top, top.add_subparsers(dest="verb", required=True, metavar="VERB")


def _listing() -> argparse.ArgumentParser:
    """Every verb by name only, which is all that is needed to list them or to refuse another one."""
    top, sub = _top()
    for name, (_, text) in VERBS.items():
        sub.add_parser(name, help=text)
    return top


def _explain(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """At its own ``--help`` a verb says at least what the list of verbs says of it, and what each has is told alike."""
    listed = {choice.dest: choice.help for choice in verbs._choices_actions}
    for name, verb in verbs.choices.items():
        text = listed.get(name)
        verb.formatter_class = _Help
        if not verb.description and text:
            verb.description = f"{text[0].upper()}{text[1:]}."
        for action in verb._actions:
            if action.dest == "json" and action.help is None:
                action.help = "the same as JSON, for programs"
            if isinstance(action, argparse._SubParsersAction):
                _explain(action)


def _is_text(word: str) -> bool:
    """Whether a word can be shown, stored and used as the name of a file; of what it means the verb takes care."""
    # Bytes that are no UTF-8 arrive as single surrogates. Of "--probe=--" argparse makes a list, which no verb takes.
    return len(word) <= LONGEST_WORD and not re.search("[\0\ud800-\udfff]|=--$", word)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb; returns the exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    if not all(map(_is_text, words)):
        print(f"warmtally: words are UTF-8 text, each of {LONGEST_WORD} characters at most", file=sys.stderr)
        return UsageError.exit_code
    verb = next((word for word in words if not word.startswith("-")), None)
    alone = argv is None
    if alone:
        # What is loaded stays: to look through it again and again for what may go is a twentieth of a short command.
        gc.disable()
    args = (parser(verb) if verb in VERBS else _listing()).parse_args(words)
    if alone:
        gc.freeze()
        gc.enable()
    try:
        return int(args.run(args))
    except MonitorError as error:
        print(f"warmtally: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader of our output has left (head, less): that is no failure.
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        # A name that no file can have, a disk that went: what the system says of it is the whole story.
        what = f"the system refuses a file ({error.strerror or type(error).__name__})"
        failure = FileUnreadable(what, where=str(error.filename or "")[:200], fix="check its name, folder and rights")
        print(f"warmtally: {failure}", file=sys.stderr)
        return failure.exit_code
    finally:
        if alone:
            # Nor is it looked through when the process ends, which took an eighth of "check".
            gc.freeze()


if __name__ == "__main__":
    sys.exit(main())
