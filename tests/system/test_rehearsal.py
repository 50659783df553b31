"""The rehearsal: the whole service in a simulated room, and whether its verdict can be trusted."""

from __future__ import annotations

import contextlib
import json
import os
import shlex
import socket
import subprocess
import sys
import urllib.request
from argparse import Namespace
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from monitor.adapters.store import Store
from monitor.cli import rehearse
from monitor.cli.main import main
from monitor.cli.rehearse import Silent
from monitor.config.room_file import load
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.events import EventKind, KeeperEvent
from monitor.core.terms.settings import PagePlace, Watch
from monitor.errors import UsageError
from monitor.service.start import RoomService
from monitor.simulation.rehearsal import (
    BEFORE,
    HOUR,
    Expected,
    Rehearsal,
    Scenario,
    Step,
    Summary,
    ToldSubject,
    judge,
    scenario,
)
from monitor.simulation.room import Act
from tests.peers import MOMENT_S, PROJECT, free_port, need, wait_for

COMMAND = (
    "import argparse, sys; from monitor.cli import rehearse; p = argparse.ArgumentParser(); "
    "rehearse.add_parsers(p.add_subparsers()); a = p.parse_args(['rehearse', *sys.argv[1:]]); sys.exit(a.run(a))"
)


def command(*words: str, temporary: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", COMMAND, *words],
        cwd=PROJECT,
        env={**os.environ, "TMPDIR": str(temporary)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@dataclass(frozen=True)
class Whole:
    """The whole rehearsal, by its command: how it ended, what it said, and what it left behind."""

    code: int
    out: str
    err: str
    left: list[Path]

    def summary(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.out)
        return found


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Whole:
    place = tmp_path_factory.mktemp("whole")
    with command("--json", "--speed", "0", temporary=place) as process:
        out, err = process.communicate(timeout=10 * MOMENT_S)
    return Whole(process.returncode, out, err, list(place.iterdir()))


@pytest.mark.slow
def test_the_whole_rehearsal_passes_and_leaves_nothing_behind(whole: Whole) -> None:
    assert whole.code == 0, whole.out + whole.err
    summary = whole.summary()
    assert summary["simulated"] is True
    assert summary["ok"] is True
    assert summary["unexpected"] == []
    assert [line for line in summary["expected"] if not line["ok"]] == []
    assert {line["kind"] for line in summary["expected"] if line["kind"]} >= {
        "too-warm",
        "probe-quiet",
        "stack-uneven",
        "siblings-apart",
        "window-near",
        "window-open",
    }
    assert len(summary["told"]) == sum(line["kind"] is not None for line in summary["expected"])
    assert whole.left == []


@pytest.mark.slow
def test_a_rehearsal_is_the_same_to_the_last_notice_however_fast_it_is_played(tmp_path: Path) -> None:
    """The first six hours, into which the heater's fault is moved, and in which the keeper is called to mend it."""
    play = scenario()
    (fault,) = (step for step in play.steps if any(act is Act.HEATER_STICKS_ON for act, _ in step.acts))
    morning = replace(play, length_min=6 * HOUR, steps=(replace(fault, at_min=10),))
    fast, paced = (
        Rehearsal(tmp_path / f"{speed}", Silent(), scenario=morning, speed=speed).play() for speed in (0.0, 800.0)
    )
    assert {a.kind for a in paced.told} >= {"too-warm", "window-near"}
    assert paced.told == fast.told
    assert [line.came_after_min for line in paced.lines] == [line.came_after_min for line in fast.lines]


def short(**changes: object) -> Scenario:
    """The first three hours, in which little happens."""
    whole = scenario()
    early = tuple(e for e in whole.expected if e.because == BEFORE and e.to_min <= 2 * HOUR)
    return replace(
        whole,
        length_min=3 * HOUR,
        steps=(),
        nothing_told=(),
        expected=early,
        **changes,  # type: ignore[arg-type]
    )


def play(scene: Scenario, tmp_path: Path) -> Summary:
    return Rehearsal(tmp_path / "data", Silent(), scenario=scene).play()


def test_a_notice_that_does_not_come_and_one_that_nobody_expected_fail_the_rehearsal(tmp_path: Path) -> None:
    scene = short()
    breaks = Step(30, "the probe breaks", acts=((Act.PROBE_QUIET, "lower-warmth"),))
    asked = Expected(BEFORE, "too-cool", "top", "raised", 0, 3 * HOUR)
    summary = play(replace(scene, steps=(breaks,), expected=(*scene.expected, asked)), tmp_path)
    assert [line.expected for line in summary.lines if not line.ok] == [asked]
    assert [(a.kind, a.subject, a.change) for a in summary.unexpected] == [("probe-quiet", "lower-warmth", "raised")]
    assert not summary.ok
    assert summary.undelivered == 0
    # Each of the two by itself is enough.
    assert replace(summary, unexpected=(), lines=tuple(x for x in summary.lines if x.ok)).ok
    assert not replace(summary, unexpected=()).ok
    assert not replace(summary, lines=tuple(x for x in summary.lines if x.ok)).ok


# -- the verdict itself --------------------------------------------------------------------------------------


WANT = Expected("a fault", "too-warm", "top", "raised", 10, 20)


def came(at_min: int, change: str = "raised", subject: str = "top") -> ToldSubject:
    return ToldSubject(at_min, "too-warm", subject, change, "now", "Too warm")


@pytest.mark.parametrize(
    ("arrival", "ok"),
    [
        (came(110), True),
        (came(120), True),
        (came(109), False),
        (came(121), False),
        (came(115, change="cleared"), False),
        (came(115, subject="lower"), False),
    ],
)
def test_an_arrival_meets_an_expectation_only_in_its_time_and_for_its_subject(arrival: ToldSubject, ok: bool) -> None:
    lines, unexpected = judge([WANT], [], {"a fault": 100}, [arrival])
    assert lines[0].ok is ok
    assert lines[0].came_after_min == (arrival.at_min - 100 if ok else None)
    assert unexpected == (() if ok else (arrival,))


def test_one_arrival_serves_one_expectation() -> None:
    lines, unexpected = judge([WANT, WANT], [], {"a fault": 100}, [came(112)])
    assert [line.ok for line in lines] == [True, False]
    assert unexpected == ()
    lines, unexpected = judge([WANT], [], {"a fault": 100}, [came(112), came(113)])
    assert lines[0].ok
    assert unexpected == (came(113),)


def test_what_follows_from_a_step_that_never_happened_is_missing() -> None:
    lines, unexpected = judge([WANT], ["a harmless step"], {}, [came(112)])
    assert [line.ok for line in lines] == [False, False]
    assert unexpected == (came(112),)


def test_its_page_is_live_while_it_plays_and_knows_at_the_end_what_is_entered(tmp_path: Path) -> None:
    seen: dict[str, str] = {}
    place = PagePlace(("127.0.0.1", free_port()))

    def get(path: str) -> str:
        with urllib.request.urlopen(f"{place.here}{path}", timeout=MOMENT_S) as answer:
            return str(answer.read().decode())

    class Looking(Silent):
        def moment(self, at_min: int, snapshot: Snapshot, said: dict[str, float]) -> None:
            if at_min == HOUR:
                wait_for(lambda: app_there(place), "the page")
                seen["during"] = get("/")

    def stays(app: RoomService, _: Summary) -> None:
        with Store(tmp_path / "data") as store:
            told = KeeperEvent(EventKind.LOOKED, "birch", app.parts.now_ms(), app.parts.now_ms(), box="upper")
            store.account.tell(told)
        app.round()
        seen["after"] = get("/clutch/birch")

    done = Rehearsal(tmp_path / "data", Looking(), scenario=short(), page=place, stays=stays).play()
    assert done.ok
    assert "simulated room" in seen["during"]
    assert "looked" in seen["after"]
    assert not app_there(place), "the page ends with the room"


def app_there(place: PagePlace) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(place.listen, timeout=1.0):
        return True
    return False


# -- the command ---------------------------------------------------------------------------------------------


def test_the_command_keeps_out_of_a_directory_that_holds_something(tmp_path: Path) -> None:
    (tmp_path / "mine").write_text("do not touch")
    args = Namespace(speed=0.0, plain=True, json=False, keep=str(tmp_path), seed=1, page=None)
    with pytest.raises(UsageError, match="new or empty directory"):
        rehearse.run(args)
    with pytest.raises(UsageError, match="speed below 0"):
        rehearse.run(Namespace(**{**vars(args), "speed": -1.0}))
    assert [p.name for p in tmp_path.iterdir()] == ["mine"]


def test_plain_lines_say_first_and_last_that_it_is_simulated(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # A fault that needs nobody is played in it, and is told to nobody.
    once = Step(30, "says 85 once", acts=((Act.PROBE_RESTARTS, "upper-warmth"),))
    scene = replace(short(), steps=(once,), nothing_told=(once.name,))
    monkeypatch.setattr(rehearse, "Rehearsal", partial(Rehearsal, scenario=scene))
    kept = tmp_path / "kept"
    code = rehearse.run(Namespace(speed=0.0, plain=True, json=False, keep=str(kept), seed=1, page=None))
    out = capsys.readouterr().out
    assert code == 0, out
    assert out.startswith("SIMULATED")
    assert "REHEARSAL PASSED" in out
    assert once.name in out
    assert out.rstrip().splitlines()[-2].startswith("SIMULATED")
    assert "Window near" in out
    assert (kept / "warmtally.db").is_file()
    assert (kept / "rehearsal.log").is_file()
    # What it says to type works, and shows the eggs of the play.
    (told,) = (line for line in out.splitlines() if "warmtally boxes --config" in line)
    words = shlex.split(told.partition("warmtally ")[2])
    assert main(words) == 0
    boxes = capsys.readouterr().out
    assert "no reading" not in boxes
    assert boxes.count("°C") >= 4, boxes
    for verb in (["forecast", *words[1:]], ["notices", *words[1:3]], ["check", *words[1:3]]):
        assert main(verb) == 0, verb
    shown = boxes + capsys.readouterr().out
    for word in ("amber in lower", "amber in top", "birch in upper", "cedar: ", "Window near"):
        assert word in shown


def test_the_rooms_file_that_is_kept_describes_the_room_that_was_played(tmp_path: Path) -> None:
    settings = scenario().settings
    (tmp_path / "room.toml").write_text(rehearse.room_file(settings))
    read = load(tmp_path / "room.toml")
    # How full the disk may be is no part of the play, and 0 is no limit that a file may give.
    watch = replace(settings.room.watch, disk_low_mb=Watch().disk_low_mb)
    assert read.room == replace(settings.room, watch=watch)
    assert Path(read.data_dir).resolve() == tmp_path.resolve()


# -- deploy/try ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("python", "told"),
    [
        ("exit 1", "apt-get install python3 python3-venv"),
        # A Python that is new enough, but lacks what makes environments.
        (f'case "$*" in *ensurepip*) exit 1;; esac; exec {sys.executable} "$@"', "apt-get install python3-venv"),
    ],
)
def test_trying_it_names_the_command_that_brings_what_is_missing(tmp_path: Path, python: str, told: str) -> None:
    for name in ("bash", "basename", "dirname", "id"):
        (tmp_path / name).symlink_to(need(name, "coreutils"))
    fake = tmp_path / "python3"
    fake.write_text(f"#!{tmp_path}/bash\n{python}\n")
    fake.chmod(0o755)
    # With no other program on the path, nothing can be installed, whoever runs this.
    done = subprocess.run(
        ["bash", PROJECT / "deploy" / "try"], env={"PATH": str(tmp_path)}, capture_output=True, text=True
    )
    assert done.returncode == 1
    assert f"what to do: {told}" in done.stderr
