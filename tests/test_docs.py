"""The documents are true: their tables are what the code says, their commands run, their recipes work.

Tables between ``<!-- table: NAME -->`` and ``<!-- end -->`` are written by ``python -m tests.test_docs --write``, and
so are pictures (``<!-- picture: NAME -->``), which show what commands say of an invented room. A fenced block after
``<!-- run: STORY -->`` is run; all blocks of one story, in whichever document they stand, are one script. A fenced
block after ``<!-- file: PATH -->`` is a file of a recipe.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import json
import math
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import textwrap
import time
import tomllib
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from pydantic import BeforeValidator

from monitor import errors
from monitor.adapters import account_files
from monitor.cli.main import parser
from monitor.config.mistakes import MISTAKES
from monitor.config.shape import MANY, TABLES, Part
from monitor.config.values import seconds
from monitor.core.notices.kinds import all_kinds
from monitor.errors import MonitorError
from monitor.page.api import ENDPOINTS
from monitor.page.described import fields_of
from tests.bench.__main__ import available
from tests.desk import Desk, room_text
from tests.peers import MOMENT_S, PROJECT, free_port, need
from tests.sinks import http_sink

README = PROJECT / "README.md"
DEVELOPERS = PROJECT / "DEVELOPERS.md"
DOCUMENTS = (README, DEVELOPERS, PROJECT / "config" / "README.md", PROJECT / "deploy" / "README.md")
MOST_LINES = {README: 420, DEVELOPERS: 480}
WRITTEN = re.compile(r"<!-- (?P<what>table|picture): (?P<name>[a-z-]+) -->\n(?P<body>.*?)<!-- end -->", re.DOTALL)
BLOCK = re.compile(
    r"<!-- (?P<what>run|file): (?P<name>\S+) -->\n```(?P<language>\w*)\n(?P<text>.*?)^```", re.DOTALL | re.M
)

Rows = list[list[str]]

# The invented season that the pictures show.
LAID = datetime(2025, 5, 1, 6, tzinfo=UTC)
SEEN = datetime(2025, 6, 30, 6, tzinfo=UTC)


def name_of(document: Path) -> str:
    return document.relative_to(PROJECT).as_posix()


# -- what the code says ----------------------------------------------------------------------------------------------


def markdown(head: list[str], rows: Rows) -> str:
    """A table. A bar inside a cell would end it."""
    lines = [head, ["---"] * len(head), *([c.replace("|", "\\|") for c in row] for row in rows)]
    return "".join(f"| {' | '.join(line)} |\n" for line in lines)


def verbs() -> Iterator[tuple[str, str]]:
    """Every command with its help, those of two words included."""
    yield from _verbs(whole_parser(), "warmtally")


def _verbs(at: argparse.ArgumentParser, words: str) -> Iterator[tuple[str, str]]:
    for action in at._actions:
        if isinstance(action, argparse._SubParsersAction):
            helps = {choice.dest: choice.help or "" for choice in action._choices_actions}
            for name, below in action.choices.items():
                deeper = list(_verbs(below, f"{words} {name}"))
                alone = not any(isinstance(x, argparse._SubParsersAction) and x.required for x in below._actions)
                yield from [(f"{words} {name}", helps[name])] if alone else []
                yield from deeper


def leaves(of: type[MonitorError] = MonitorError) -> Iterator[type[MonitorError]]:
    """Every failure with an exit code of its own, in the order in which they stand."""
    for kind in of.__subclasses__():
        if kind.id and kind.__module__ == errors.__name__:
            yield kind
        yield from leaves(kind)


def comments() -> dict[tuple[str, str], str]:
    """(part, key) -> what the example says right above it; (part, "") -> what it says above the part."""
    found: dict[tuple[str, str], str] = {}
    part, lines = "", list[str]()
    for line in (PROJECT / "config" / "all-keys.toml").read_text(encoding="utf-8").splitlines():
        if header := re.fullmatch(r"#?\[\[?([a-z.]+)\]\]?", line):
            part = header[1]
            found.setdefault((part, ""), " ".join(lines))
        elif key := re.match(r"#?([a-z_]+) = ", line):
            found.setdefault((part, key[1]), " ".join(lines))
        elif line.startswith("# "):
            lines.append(line[2:])
            continue
        lines = []
    return found


def span(value: float) -> str:
    """Seconds as the file has them."""
    for size, unit in ((86400.0, "d"), (3600.0, "h"), (60.0, "min")):
        if value >= size and value % size == 0 and value != 86400.0:
            return f'"{value / size:g} {unit}"'
    return '"24 h"' if value == 86400.0 else f'"{value:g} s"'


def left_out(part: type[Part], name: str) -> str:
    """What a key is when it is left out."""
    field = part.model_fields[name]
    if name in part.needed:
        return "must be there"
    if field.default is None:
        return "-"
    timed = any(isinstance(m, BeforeValidator) and m.func is seconds for m in field.metadata)
    if timed:
        return f"`{span(field.default)}`"
    default: Any = field.default
    if isinstance(default, bool):
        return f"`{str(default).lower()}`"
    if isinstance(default, list):
        return f"`[{', '.join(chr(34) + x + chr(34) for x in default)}]`"
    return f'`"{default}"`' if isinstance(default, str) else f"`{default:g}`"


def table_verbs() -> str:
    return markdown(["command", "what it does"], [[f"`{words}`", text] for words, text in verbs()])


def table_exit_codes() -> str:
    rows = [["0", "", "done; also when the reader of the output has left", ""]]
    kinds = sorted(leaves(), key=lambda kind: kind.exit_code)
    rows += [[str(k.exit_code), f"`{k.id}`", k.meaning, "yes" if k.retry else ""] for k in kinds]
    rows.append(["130", "", "stopped from the keyboard", ""])
    return markdown(["code", "id", "meaning", "may work later by itself"], rows)


def table_keys() -> str:
    said, rows = comments(), []
    for name, part in TABLES.items():
        brackets = f"`[[{name}]]`" if name in MANY else f"`[{name}]`"
        rows.append([brackets, "", "", said[name, ""]])
        # What must be there comes first, the rest as the example has it, whose texts follow each other.
        order = [key for of, key in said if of == name]
        for key in sorted(
            part.model_fields, key=lambda key: (key not in part.needed, key in order and order.index(key))
        ):
            text = said.get((name, key), "") or "The boxes, each a part of its own." * (key == "boxes")
            rows.append(["", f"`{key}`", left_out(part, key), text])
    return markdown(["part", "key", "left out", "what it is"], rows)


def table_mistakes() -> str:
    return markdown(["id", "meaning"], [[f"`{name}`", text] for name, text in MISTAKES.items()])


def table_kinds() -> str:
    return markdown(
        ["kind", "heading", "urgency", "raised by", "cleared by"],
        [[f"`{k.name}`", k.says, k.urgency, k.raises, k.clears] for k in all_kinds()],
    )


def table_measurements() -> str:
    rows = [[f"`deploy/measure {name}`", text] for name, text in available().items()]
    return markdown(["command", "what it measures"], rows)


def table_state() -> str:
    """Every key of what stands at the broker, as its schema says it."""
    schema = json.loads((PROJECT / "monitor/adapters/mqtt/state_schema.json").read_text(encoding="utf-8"))["$defs"]
    where = {
        "room": "STATUS_TOPIC/room",
        "need": "one of `needs`",
        "box": "STATUS_TOPIC/box/ID",
        "eggs": "one of `eggs`",
        "codes": "STATUS_TOPIC/codes",
    }
    rows = []
    for name, text in where.items():
        of = schema[name]["properties"].items()
        rows += [["" if n else text, f"`{key}`", told["description"]] for n, (key, told) in enumerate(of)]
    return markdown(["where", "key", "what it is"], rows)


def table_api() -> str:
    """Every address of the API, with what may be asked for or has to be told."""
    rows = []
    for x in ENDPOINTS:
        told = {} if x.body is None else fields_of(x.body)
        # What must be told comes first.
        keys = [*(a.name for a in x.asking), *sorted(told, key=lambda key: not told[key][1])]
        rows.append([f"`{x.method} /api{x.path}`", x.says, ", ".join(f"`{key}`" for key in keys)])
    return markdown(["address", "what it answers or does", "asked for, or told"], rows)


def table_map() -> str:
    """Every folder of the package with the first line of its docstring."""
    rows = []
    for path in sorted((PROJECT / "monitor").rglob("__init__.py")):
        first = (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").partition("\n")[0]
        rows.append([f"`{path.parent.relative_to(PROJECT)}/`", first])
    return markdown(["folder", "what it is"], rows)


def story_of_two_boxes(folder: Path) -> Desk:
    """One clutch in two boxes of one stack, the lower one cooler by about a degree; the upper one has pipped."""
    desk = Desk(folder)
    desk.write(room_text(zone="Europe/Vienna", limits={"too_warm_c": 31.0, "too_cool_c": 25.0}))
    lines = ["time,upper,lower"]
    for hour in range(int((SEEN - LAID) / timedelta(hours=1)) + 1):
        swing_c = 0.3 * math.sin(hour * math.tau / 24.0)
        lines.append(f"{LAID + timedelta(hours=hour):%Y-%m-%dT%H:%MZ},{28.4 + swing_c:.2f},{27.5 + swing_c:.2f}")
    (folder / "log.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    for box in ("upper", "lower"):
        desk.took(f'import "{folder}/log.csv" --probe {box}-warmth --time-column time --value-column {box} --unit C')
    desk.does("clutch add K01 --species elaphe-taeniura --laid 2025-05-01 --eggs 12")
    for box in ("upper", "lower"):
        desk.does(f'record set K01 --box {box} --eggs 6 --at "2025-05-01 18:00"')
    desk.does('record candled K01 --box lower --fertile 6 --at "2025-06-27 20:00"')
    desk.does('record pipped K01 --box upper --eggs 1 --at "2025-06-28 07:30" --not-yet-at "2025-06-27 20:00"')
    return desk


@cache
def told_of_two_boxes() -> tuple[str, str]:
    """What ``warmtally forecast`` says of the lower one, and of their clutch."""
    stands = mock.patch.object(time, "time_ns", return_value=round(SEEN.timestamp() * 1e9))
    with tempfile.TemporaryDirectory() as folder, stands:
        desk = story_of_two_boxes(Path(folder))
        return desk.does("forecast K01/lower"), desk.does("forecast K01")


def shown(command: str, text: str, columns: int = 110) -> str:
    """A picture of a terminal, or of a screen as narrow as a telephone's."""
    lines = [f"$ {command}"] if command else []
    for line in text.splitlines():
        indent = " " * (len(line) - len(line.lstrip()) + 2 * bool(command))
        lines += textwrap.wrap(line, columns, subsequent_indent=indent, break_on_hyphens=False) or [""]
    return "".join(f"{line}\n" for line in ["```text", *lines, "```"])


def picture_forecast() -> str:
    return shown("warmtally forecast K01/lower", told_of_two_boxes()[0])


def picture_notice() -> str:
    """The first example of ``warmtally texts too-warm``: what comes to a telephone."""
    with tempfile.TemporaryDirectory() as folder:
        desk = Desk(Path(folder))
        desk.write(room_text(zone="Europe/Vienna"))
        said = desk.does("texts too-warm")
    raised = re.search(r"^\[raised, now\]\n(.*?)\n+^\[", said, re.DOTALL | re.M)
    assert raised is not None, said
    return shown("", raised[1], 72)


def picture_install() -> str:
    """The commands at the head of the unit."""
    head = (PROJECT / "deploy" / "warmtally.service").read_text(encoding="utf-8").partition("\n[Unit]")[0]
    lines = re.findall(r"^#   (.+)$", head.partition("\n# Once,")[0], re.M)
    return "".join(f"{line}\n" for line in ["```sh", *lines, "```"])


WRITTEN_BY: dict[tuple[str, str], Callable[[], str]] = {
    ("table", "verbs"): table_verbs,
    ("table", "exit-codes"): table_exit_codes,
    ("table", "keys"): table_keys,
    ("table", "mistakes"): table_mistakes,
    ("table", "kinds"): table_kinds,
    ("table", "measurements"): table_measurements,
    ("table", "state"): table_state,
    ("table", "map"): table_map,
    ("table", "api"): table_api,
    ("picture", "forecast"): picture_forecast,
    ("picture", "notice"): picture_notice,
    ("picture", "install"): picture_install,
}


def rewritten(text: str) -> str:
    """A document with its tables and pictures as the code makes them."""
    return WRITTEN.sub(
        lambda m: f"<!-- {m['what']}: {m['name']} -->\n{WRITTEN_BY[m['what'], m['name']]()}<!-- end -->", text
    )


# -- tables ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("document", DOCUMENTS, ids=name_of)
def test_every_table_says_what_the_code_says(document: Path) -> None:
    for found in WRITTEN.finditer(document.read_text(encoding="utf-8")):
        want = WRITTEN_BY[found["what"], found["name"]]().splitlines()
        have = found["body"].splitlines()
        assert have == want, f"{name_of(document)}, {found['what']} {found['name']}: python -m tests.test_docs --write"


def test_every_table_stands_in_a_document_once() -> None:
    names = [(m["what"], m["name"]) for d in DOCUMENTS for m in WRITTEN.finditer(d.read_text(encoding="utf-8"))]
    assert sorted(names) == sorted(WRITTEN_BY)


@pytest.mark.parametrize("document", MOST_LINES, ids=name_of)
def test_a_document_stays_short_enough_to_be_read(document: Path) -> None:
    assert len(document.read_text(encoding="utf-8").splitlines()) <= MOST_LINES[document]


def test_every_key_of_the_configuration_is_explained_by_the_example() -> None:
    said = comments()
    missing = [
        f"[{name}] {key}" for name, part in TABLES.items() for key in part.model_fields if not said.get((name, key))
    ]
    # A list of stacks has its boxes as a list of its own, which has no line with an equals sign.
    assert [m for m in missing if m != "[stacks] boxes"] == []
    assert [name for name in TABLES if not said.get((name, ""))] == []


def test_every_key_of_the_configuration_has_a_text_of_its_own() -> None:
    said = comments()
    for name, part in TABLES.items():
        texts = [text for key in ("", *part.model_fields) if (text := said.get((name, key)))]
        assert sorted(texts) == sorted(set(texts)), name


def test_every_exit_code_belongs_to_one_failure() -> None:
    codes = [kind.exit_code for kind in leaves()]
    assert len(codes) == len(set(codes))
    assert all(kind.meaning for kind in leaves())


def test_every_command_has_help() -> None:
    assert [words for words, text in verbs() if not text] == []


# -- what is named exists --------------------------------------------------------------------------------------------


def sources() -> list[Path]:
    """Everything that may name a command."""
    named = [
        p for folder in ("monitor", "config", "deploy") for p in sorted((PROJECT / folder).rglob("*")) if p.is_file()
    ]
    return [
        *DOCUMENTS,
        *(p for p in named if p.suffix in (".py", ".toml", ".service", "") and "__pycache__" not in p.parts),
    ]


def test_every_command_that_is_named_anywhere_exists() -> None:
    words = {w for w, _ in verbs()}
    wrong = []
    for path in sources():
        # In a text of ours a command stands in backticks, behind a colon, or alone on its line.
        for found in re.finditer(r"(?:`|: |bin/|^ *)warmtally ([a-z]+)(?: ([a-z]+))?", path.read_text("utf-8"), re.M):
            one = f"warmtally {found[1]}"
            family = any(w.startswith(f"{one} ") for w in words)
            if one not in words and not (family if found[2] is None else f"{one} {found[2]}" in words):
                wrong.append(f"{path.relative_to(PROJECT)}: {found[0].strip()}")
    assert wrong == []


@cache
def whole_parser() -> argparse.ArgumentParser:
    """Of all commands; to make it takes longer than to ask it."""
    return parser()


def options_of(words: list[str]) -> set[str]:
    """The options that may stand in a command of these words."""
    at, known = whole_parser(), set[str]()
    for word in words:
        known |= set(at._option_string_actions)
        below = next((x.choices for x in at._actions if isinstance(x, argparse._SubParsersAction)), {})
        if word not in below:
            break
        at = below[word]
    return known | set(at._option_string_actions)


@pytest.mark.parametrize("document", DOCUMENTS, ids=name_of)
def test_every_option_that_a_document_names_is_one_of_its_command(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    assert "--not-yet-at" in options_of(["record", "pipped", "K01"])
    assert "--not-yet-at" not in options_of(["record", "dead", "K01"])
    verbs_ = {words.split()[1] for words, _ in verbs()}
    commands = [said.split() for said in re.findall(r"warmtally((?: +[^\s`|>&()]+)+)", text)]
    wrong = [
        (words, word)
        for words in commands
        for word in words
        # What stands behind a user or folder of this name is no command of ours.
        if words[0] in verbs_ and word.startswith("--") and word not in options_of(words)
    ]
    assert wrong == []


@pytest.mark.parametrize("document", DOCUMENTS, ids=name_of)
def test_every_file_that_a_document_names_is_there(document: Path) -> None:
    text = BLOCK.sub("", document.read_text(encoding="utf-8"))
    made = {m["name"] for m in BLOCK.finditer(document.read_text(encoding="utf-8")) if m["what"] == "file"}
    missing = []
    for name in re.findall(r"`((?:monitor|tests|deploy|config|\.ci)/[^`\s]*)`", text):
        if "<" not in name and name not in made and not list(PROJECT.glob(name.rstrip("/"))):
            missing.append(name)
    for link in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text):
        if not (document.parent / link).exists():
            missing.append(link)
    assert missing == []


def headings(document: Path) -> list[str]:
    """The anchors of a document's headings."""
    found = re.findall(r"^#+ (.+)$", BLOCK.sub("", document.read_text(encoding="utf-8")), re.M)
    return [re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in found]


@pytest.mark.parametrize("document", DOCUMENTS, ids=name_of)
def test_every_link_inside_and_between_documents_leads_to_a_heading(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    there = headings(document)
    assert [a for a in re.findall(r"\]\(#([^)]+)\)", text) if a not in there] == []
    assert len(there) == len(set(there))
    others = {path.resolve(): headings(path) for path in DOCUMENTS}
    links = re.findall(r"\]\(([^)#:\s]+)#([^)]+)\)", text)
    assert [(to, a) for to, a in links if a not in others.get((document.parent / to).resolve(), [])] == []


def test_every_measurement_that_is_named_exists() -> None:
    names = {n for d in DOCUMENTS for n in re.findall(r"deploy/measure ([a-z][a-z-]*)", d.read_text(encoding="utf-8"))}
    assert names <= set(available())


def test_every_place_to_die_is_explained() -> None:
    code = "".join(p.read_text(encoding="utf-8") for p in (PROJECT / "monitor").rglob("*.py"))
    points = set(re.findall(r'crash_point\("([a-z-]+)"\)', code))
    assert points
    text = DEVELOPERS.read_text(encoding="utf-8")
    assert [point for point in sorted(points) if f"`{point}`" not in text] == []


@pytest.mark.parametrize("document", DOCUMENTS, ids=name_of)
def test_no_document_names_a_path_of_somebodys_computer(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    assert re.findall(r"(?<![\w.])/(?:home|work|root|tmp|Users)/\S*", text) == []


def test_the_readme_begins_with_the_job_and_the_two_commands() -> None:
    head = README.read_text(encoding="utf-8")[:1800]
    assert "./deploy/try" in head
    assert "./deploy/test" in head
    ci = (PROJECT / ".ci" / "run").read_text(encoding="utf-8")
    assert "deploy/test" in ci, "what runs before a change is taken is the test command of the README"


def test_the_parts_and_keys_that_documents_show_are_those_of_the_example() -> None:
    example = re.sub(r"^#(?! )", "", (PROJECT / "config" / "all-keys.toml").read_text(encoding="utf-8"), flags=re.M)
    assert "[[channels]]" in example
    texts = [document.read_text(encoding="utf-8") for document in DOCUMENTS]
    blocks = [block for text in texts for block in re.findall(r"^```toml\n(.*?)^```", text, re.M | re.S)]
    assert len(blocks) > 1
    for block in blocks:
        for name, value in tomllib.loads(block).items():
            assert name in TABLES, name
            for one in value if isinstance(value, list) else [value]:
                assert set(one) <= set(TABLES[name].model_fields), (name, one)


# -- what is told to be done works -----------------------------------------------------------------------------------


def stories() -> dict[str, str]:
    """Every story with its script: its blocks in the order of the documents."""
    found: dict[str, list[str]] = {}
    for document in DOCUMENTS:
        for block in BLOCK.finditer(document.read_text(encoding="utf-8")):
            if block["what"] == "run":
                found.setdefault(block["name"], []).append(block["text"])
    return {name: "\n".join(blocks) for name, blocks in found.items()}


def test_every_story_is_run() -> None:
    assert set(stories()) == {"five-minutes", "record", "own-species", "species-table", "files"}


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A folder that looks like a checkout, with the command where the README has it."""
    folder = tmp_path / "checkout"
    command = folder / ".venv" / "bin" / "warmtally"
    command.parent.mkdir(parents=True)
    command.write_text(f'#!/bin/sh\nPYTHONPATH="{PROJECT}" exec "{sys.executable}" -m monitor "$@"\n')
    command.chmod(0o755)
    shutil.copytree(PROJECT / "config", folder / "config", ignore=shutil.ignore_patterns("data"))
    (folder / "deploy").symlink_to(PROJECT / "deploy")
    return folder


def played(script: str, folder: Path, seconds_: float = 10 * MOMENT_S) -> str:
    """Run a script as a keeper would type it; all that was said. Fails when a command does."""
    environ = {k: v for k, v in os.environ.items() if not k.startswith("WARMTALLY_")} | {"TZ": "Europe/Vienna"}
    log = folder / "said"
    with (
        log.open("wb") as said,
        subprocess.Popen(
            ["bash", "-euo", "pipefail", "-c", script],
            cwd=folder,
            env=environ,
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        ) as process,
    ):
        try:
            code = process.wait(seconds_)
        finally:
            # What it left in the background (broker, probe, service) belongs to its group, and ends with it.
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGTERM)
    text = log.read_text(encoding="utf-8")
    assert code == 0, text
    return text


@pytest.mark.slow
def test_a_room_is_set_up_by_what_the_readme_tells(checkout: Path) -> None:
    need("mosquitto", "mosquitto")
    need("mosquitto_pub", "mosquitto-clients")
    port = free_port()
    with http_sink() as sink:
        script = stories()["five-minutes"]
        for old, new in (
            ("--make-passwords", f"--make-passwords --port {port}"),
            ("port = 1883", f"port = {port}"),
            ("mosquitto_pub ", f"mosquitto_pub -p {port} "),
            ("--host 127.0.0.1", f"--host 127.0.0.1 --port {port}"),
            ("127.0.0.1:8080", f"127.0.0.1:{sink.port}"),
            ("sleep 10", "sleep 0.3"),
            ("--seconds 25", "--seconds 4"),
            ("sleep 120", "until warmtally boxes | grep '28[.]4'; do sleep 1; done"),
        ):
            assert old in script, old
            script = script.replace(old, new)
        said = played(script, checkout)
        assert "no mistakes; the service can start" in said
        assert 'topic = "eggroom/left/upper"' in said, "listen proposes the probe"
        assert "bell  accepted it" in said
        assert re.search(r"left-upper .*28\.4 °C", said), said
        assert re.search(r"left-upper .*K01: 12", said), said
        assert any("test" in arrival.title.lower() for arrival in sink.arrivals), "the drill reached the receiver"


@pytest.mark.slow
def test_the_keepers_record_is_kept_as_the_readme_tells(checkout: Path) -> None:
    said = played(f"PATH=$PWD/.venv/bin:$PATH\n{stories()['record']}", checkout)
    assert "entry 6 now: K02 pipped" in said
    assert "2 pipped" in said
    assert len(list((checkout / "backup").glob("*/data/warmtally.db"))) == 1
    assert said.rstrip().splitlines()[-2].startswith("K02 "), "the backup can be read"
    assert said.rstrip().endswith(": whole"), "and to look into it changes nothing of it"


@pytest.mark.slow
def test_a_species_of_ones_own_takes_three_lines(checkout: Path) -> None:
    said = played(f"PATH=$PWD/.venv/bin:$PATH\n{stories()['own-species']}", checkout)
    assert "T01 laid" in said
    assert "58 to 62" in said
    assert "confidence: no source" in said


@pytest.mark.slow
def test_a_species_with_a_table_is_written_as_its_document_tells(checkout: Path) -> None:
    said = played(f"PATH=$PWD/.venv/bin:$PATH\n{stories()['species-table']}", checkout)
    assert "Inventa exempli" in said
    assert "Example AB (2020) An invented paper." in said


@pytest.mark.slow
def test_files_come_in_and_go_out_as_their_document_tells(checkout: Path) -> None:
    played(f"PATH=$PWD/.venv/bin:$PATH\n{stories()['files']}", checkout)
    assert (checkout / "account.csv").read_text(encoding="utf-8").count("A1,") == 3
    assert "A1,A1/left-upper,left-upper," in (checkout / "season.csv").read_text(encoding="utf-8")
    assert all((checkout / name).stat().st_size > 1000 for name in ("season.html", "left-upper.svg", "labels.svg"))
    rows = (checkout / "readings.csv").read_text(encoding="utf-8").splitlines()
    assert [row for row in rows if "28.1" in row or "28.2" in row] == rows[1:]
    assert len(rows) == 3


def test_every_column_of_an_account_is_told_of() -> None:
    told = (
        (PROJECT / "deploy" / "README.md")
        .read_text(encoding="utf-8")
        .partition("### The account as a file")[2]
        .partition("\n##")[0]
    )
    named = [
        name for row in told.splitlines() if row.startswith("| `") for name in re.findall(r"`(\w+)`", row.split("|")[1])
    ]
    assert set(account_files.COLUMNS) == {*named, "day_only"}


def recipe() -> dict[str, str]:
    return {m["name"]: m["text"] for m in BLOCK.finditer(DEVELOPERS.read_text(encoding="utf-8")) if m["what"] == "file"}


@pytest.mark.slow
def test_a_newcomer_adds_a_condition_with_one_file_and_its_test(tmp_path: Path) -> None:
    files = recipe()
    assert len(files) == 2
    copy = tmp_path / "copy"
    copy.mkdir()
    # What was compiled comes along, so that it is not compiled anew.
    ignore = shutil.ignore_patterns(".venv*", ".git")
    for name in ("monitor", "tests", "config"):
        shutil.copytree(PROJECT / name, copy / name, ignore=ignore)
    shutil.copy(PROJECT / "pyproject.toml", copy)
    for name, text in files.items():
        assert not (copy / name).exists(), f"{name} is there already: choose another example"
        (copy / name).write_text(text, encoding="utf-8")
    environ = {**os.environ, "PYTHONPATH": str(copy)}
    environ.pop("PYTEST_XDIST_WORKER", None)

    def run(*words: str) -> str:
        done = subprocess.run(
            [sys.executable, *words], cwd=copy, env=environ, capture_output=True, text=True, timeout=10 * MOMENT_S
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    (test,) = (name for name in files if name.startswith("tests/"))
    (module,) = (name for name in files if name.startswith("monitor/"))
    assert "passed" in run("-m", "pytest", "-p", "no:cacheprovider", test)
    (kind,) = re.findall(r'name="([a-z-]+)"', files[module])
    look = "from monitor.core.notices.kinds import all_kinds; print(*(k.name for k in all_kinds()))"
    assert kind in run("-c", look).split()
    run("-m", "ruff", "check", module, test)
    run("-m", "ruff", "format", "--check", module, test)


# -- writing ---------------------------------------------------------------------------------------------------------


def main(argv: list[str]) -> int:
    if argv != ["--write"]:
        print("python -m tests.test_docs --write   writes the tables and pictures of all documents anew")
        return 2
    for document in DOCUMENTS:
        text = document.read_text(encoding="utf-8")
        new = rewritten(text)
        document.write_text(new, encoding="utf-8")
        print(f"{name_of(document)}: {'written anew' if new != text else 'nothing to change'}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
