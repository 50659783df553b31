"""``warmtally texts``: how notices are worded, what of it is the keeper's own, and what it comes to."""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict
from pathlib import Path

from monitor.cli.attend import no_kind
from monitor.cli.new_file import unwritable
from monitor.cli.output import print_json, table
from monitor.cli.room import settings_if_any, settings_of
from monitor.core.notices.kinds import all_kinds
from monitor.core.notices.notice import Notice
from monitor.core.notices.notices import words_of
from monitor.core.terms.settings import Room
from monitor.core.terms.texts import PLACES, WORDINGS, WORDS, Texts
from monitor.errors import UsageError

# What is told beside the conditions, and the part of the file that its texts stand in.
_BESIDE = {"daily-line": "daily", "drill": "drill", "digest": "digest"}


def add_parsers(sub: argparse._SubParsersAction[argparse.ArgumentParser], parent: argparse.ArgumentParser) -> None:
    texts = sub.add_parser(
        "texts",
        parents=[parent],
        help="how notices are worded; change it, check it, and see what it comes to",
        description="Lists the texts of notices, and which of them are yours. With KIND: what a notice of that kind "
        "looks like, with invented values in your unit and zone.",
        epilog="examples: warmtally texts too-warm    warmtally texts --write texts.toml    "
        "warmtally texts --check texts.toml    (kinds: those of warmtally explain, and daily-line, drill and digest)",
    )
    texts.add_argument("kind", nargs="?", metavar="KIND", help="show the notices of this kind")
    what = texts.add_mutually_exclusive_group()
    what.add_argument(
        "--check",
        nargs="?",
        const="",
        metavar="FILE",
        help="name every mistake of a file of texts (default: the one that the room's file names)",
    )
    what.add_argument("--write", metavar="FILE", help="write all usual texts, with explanations, to a new file")
    texts.add_argument("--json", action="store_true")
    texts.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    if args.kind is not None and (args.check is not None or args.write is not None):
        raise UsageError("KIND goes with neither --check nor --write", fix="warmtally texts KIND")
    if args.write is not None:
        return _write(Path(args.write))
    if args.check is not None:
        return _check(args)
    room = _room(args)
    if args.kind is None:
        return _list(room.texts, as_json=args.json)
    return _show(args.kind, room, as_json=args.json)


def _room(args: argparse.Namespace) -> Room:
    """The keeper's room; an invented one as long as there is none."""
    settings = settings_if_any(args)
    return Room("Back room", "UTC", "C", (), (), ()) if settings is None else settings.room


# -- what is in force --------------------------------------------------------------------------------------------------


def _in_force(texts: Texts) -> list[dict[str, object]]:
    """Every text with its template: those for all kinds, each kind's words, and what the keeper made for one kind."""
    usual = {key: wording.default for key, wording in WORDINGS.items()}
    for kind in all_kinds():
        words = words_of(kind)
        usual |= {f"kinds.{kind.name}.{name}": getattr(words, name) for name in WORDS}
    keys = [*usual, *(key for key in texts.own if key not in usual)]
    return [{"key": key, "yours": key in texts.own, "text": texts.own.get(key, usual.get(key))} for key in keys]


def _list(texts: Texts, *, as_json: bool) -> int:
    found = _in_force(texts)
    if as_json:
        print_json({"texts": found, "left_out": list(texts.left_out), "places": PLACES})
        return 0
    rows = []
    for one in found:
        # The words of the kinds are many, and stand with their kind.
        if one["yours"] or not str(one["key"]).startswith("kinds."):
            first, *others = str(one["text"]).split("\n")
            rows.append([str(one["key"]), "yours" if one["yours"] else "", first])
            rows += [["", "", line] for line in others]
    print(table(["text", "", "template"], rows))
    own = sum(bool(one["yours"]) for one in found)
    print(
        f"\n{own or 'none'} of {len(found)} texts {'are' if own > 1 else 'is'} yours; each kind has texts of its own:"
    )
    print("  warmtally texts KIND           its notices, with invented values")
    print("  warmtally texts --write FILE   all usual texts, to change what you like; then name the file in [texts]")
    for line in texts.left_out:
        print(f"not used: {line}")
    return 0


def _show(name: str, room: Room, *, as_json: bool) -> int:
    from monitor.cli.example import examples, examples_beside

    kinds = {kind.name: kind for kind in all_kinds()}
    if name in _BESIDE:
        made = [n for n in examples_beside(room) if n.kind == name]
    elif name in kinds:
        made = examples(kinds[name], room)
    else:
        raise no_kind(name, [*kinds, *_BESIDE])
    if as_json:
        print_json([_as_json(n) for n in made])
        return 0
    print("Examples with invented values; what is said of your room depends on your room.")
    for notice in made:
        print(f"\n[{notice.change}, {notice.urgency}]\n{notice.title}\n\n{notice.text}")
    part = _BESIDE.get(name, "all")
    own = [key for key in room.texts.own if key.startswith(f"kinds.{name}.") or key.partition(".")[0] == part]
    stands = f"[{part}]" if name in _BESIDE else f"[kinds.{name}], or [all...] for every kind"
    print(f"\nto change it: {stands}, in the file that [texts] names" + (f"; yours: {', '.join(own)}" if own else ""))
    return 0


def _as_json(notice: Notice) -> dict[str, object]:
    return {"change": notice.change, "urgency": notice.urgency, "title": notice.title, "text": notice.text}


# -- a file of texts ---------------------------------------------------------------------------------------------------


def _check(args: argparse.Namespace) -> int:
    if args.check:
        from monitor.config.texts import texts_of

        texts, found = texts_of(Path(args.check))
        where = args.check
    else:
        settings = settings_of(args)
        named = settings.texts_file
        if named is None:
            raise UsageError(
                "the room's file names no file of texts",
                where=settings.file,
                fix="write one, and name it there: warmtally texts --write texts.toml",
            )
        from monitor.config.texts import texts_of

        texts, found = texts_of(Path(named))
        where = named
    if args.json:
        print_json({"file": where, "yours": len(texts.own), "mistakes": [asdict(m) for m in found]})
    else:
        for m in found:
            print(m)
        count = len(texts.left_out)
        own = f"{len(texts.own)} text{'' if len(texts.own) == 1 else 's'} of yours"
        said = "no mistakes" if not count else f"{count} mistake{'' if count == 1 else 's'}; the usual text stands in"
        print(f"{where}: {own}, {said}")
    return 3 if texts.left_out else 0


def _write(path: Path) -> int:
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(file_of_texts())
    except FileExistsError:
        raise UsageError(f"{path} is there already, and stays as it is", fix="name another file") from None
    except OSError as error:
        raise unwritable(path, error) from error
    print(f"{path} written: every usual text, switched off. Take the # away where you want another one, then name the")
    print("file in the room's file:\n    [texts]\n    file = \"" + path.name + '"')
    print(f"To see what it comes to: warmtally texts --check {path}, and warmtally texts too-warm")
    return 0


_HEAD = """\
# The texts of notices. Each line that begins with "#" and no space is a usual text, switched off: take the # away and
# write your own. What stays switched off follows the program.
#
# ${...} is a place: what belongs there is put in. A dollar sign itself is written $$. What may not be left out is said
# beside it: a notice must say what, where and how much; the caution of a severe notice is added if it is not there.
# Check it with: warmtally texts --check FILE     See it with: warmtally texts KIND
# A running service takes it up when it is started anew.
#
# The places, as far as a text has them:
"""


def file_of_texts() -> str:
    """A file of all usual texts, commented, that changes nothing as it stands."""
    lines = [_HEAD.rstrip("\n")]
    lines += [f"#   {'${' + place + '}':<20}{meaning}" for place, meaning in PLACES.items()]
    part = ""
    for key, wording in WORDINGS.items():
        within, name = key.rsplit(".", 1)
        if within != part:
            lines += ["", f"[{within}]"]
            part = within
        needs = f"; must have {', '.join(f'${{{x}}}' for x in wording.needs)}" if wording.needs else ""
        lines += [
            f"# {wording.about[0].upper()}{wording.about[1:]}. Places: {', '.join(wording.places)}{needs}.",
            f"#{name} = {_quoted(wording.default)}",
        ]
    lines += [
        "",
        "# Each kind: its heading, the heading when it is over, what to do first, and what happens if nothing is done.",
        "# A kind may also have [kinds.KIND.raised], [kinds.KIND.still] and [kinds.KIND.cleared], as [all...] above.",
    ]
    for kind in all_kinds():
        words = words_of(kind)
        lines += ["", f"[kinds.{kind.name}]"]
        lines += [
            f"#{name} = {_quoted(getattr(words, name))}" for name in WORDS if name != "cleared" or kind.tell_cleared
        ]
        if words.shows:
            lines.append(f"# Its lines may also have: {', '.join(f'${{{x}}}' for x in words.shows)}.")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A text between quotes: what JSON writes there is a basic string of TOML."""
    return json.dumps(text, ensure_ascii=False)
