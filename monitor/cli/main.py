"""The command ``warmtally``: one verb per job; every failure becomes a clear line and its exit code."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections.abc import Sequence

from monitor import __version__
from monitor.cli import keep, service, show
from monitor.cli.room import common_options
from monitor.errors import MonitorError

DESCRIPTION = """\
Watches the egg room: adds up each box's development, says when to expect the first pip and how sure it is,
and tells the keeper what needs a hand. It measures and tells; it never switches a heater and is no safety device."""

EPILOG = """\
first steps:
  warmtally rehearse                 see it work on a simulated room
  warmtally listen                   what arrives on your broker, with ready probe entries
  warmtally check                    every mistake of the configuration at once
  warmtally drill                    a test notice through every channel
  warmtally run                      the service

Electric heat in damp rooms: use a residual-current device, an independent over-temperature cut-out and a smoke
alarm; ask a licensed electrician. Wash your hands after handling animals and eggs (Salmonella). For sick animals ask
a veterinarian. Dates are estimates: no egg is opened on the program's word."""


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    from monitor.cli import (
        attend,
        compare,
        drill,
        files,
        forecast,
        learn,
        listen,
        probes,
        rehearse,
        species,
        stack,
        texts,
    )

    top = argparse.ArgumentParser(
        prog="warmtally",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action="version", version=f"warmtally {__version__}")
    sub = top.add_subparsers(dest="verb", required=True, metavar="VERB")
    parent = common_options()
    service.add_parsers(sub, parent)
    listen.add_parser(sub, [parent])
    keep.add_parsers(sub, parent)
    show.add_parsers(sub, parent)
    species.add_parser(sub, [parent])
    forecast.add_parser(sub, parent)
    probes.add_parsers(sub, parent)
    stack.add_parser(sub, parent)
    compare.add_parsers(sub, parent)
    learn.add_parser(sub, [parent])
    attend.add_parsers(sub, parent)
    texts.add_parser(sub, [parent])
    drill.add_parser(sub, [parent])
    files.add_parsers(sub, [parent])
    rehearse.add_parser(sub)
    _explain(sub)
    return top


def _explain(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """At its own ``--help`` a verb says at least what the list of verbs says of it."""
    listed = {choice.dest: choice.help for choice in verbs._choices_actions}
    for name, verb in verbs.choices.items():
        text = listed.get(name)
        if not verb.description and text:
            verb.description = f"{text[0].upper()}{text[1:]}."
        for action in verb._actions:
            if isinstance(action, argparse._SubParsersAction):
                _explain(action)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb; returns the exit code."""
    args = parser().parse_args(argv)
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


if __name__ == "__main__":
    sys.exit(main())
