"""Settings as they were read last: the same as if the file were read, never stale, without secrets, never needed."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import pytest

from monitor.config import at_hand
from monitor.config.at_hand import KEPT, keep_settings, kept_settings, without_secrets
from monitor.config.room_file import load
from monitor.core.terms.settings import Settings
from tests.desk import Desk
from tests.peers import PROJECT

ROOM = """\
[room]
name = "Back room"
time_zone = "Europe/Vienna"

[broker]
username = "warmtally"
password_file = "password"

[texts]
file = "texts.toml"

[[stacks]]
id = "left"

[[stacks.boxes]]
id = "upper"
height_cm = 150

[[probes]]
id = "upper-warmth"
topic = "room/upper"
unit = "C"
box = "upper"

[[channels]]
id = "bell"
url = "json://127.0.0.1:8080/bell"
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    (tmp_path / "data").mkdir()
    (tmp_path / "texts.toml").write_text('[daily]\ncalm = "All is well."\n')
    (tmp_path / "password").write_text("hush-hush\n")
    (tmp_path / "password").chmod(0o600)
    (tmp_path / "room.toml").write_text(ROOM)
    return tmp_path / "room.toml"


def read(path: Path) -> Settings:
    return without_secrets(load(path, secrets=False))


def keep(path: Path) -> Settings:
    settings = read(path)
    keep_settings(path, None, settings, lambda: read(path))
    assert kept_settings(path, None) == settings
    return settings


def test_what_is_kept_is_what_the_file_says_of_every_key(tmp_path: Path) -> None:
    """The file that has every key there is."""
    for name in ("room.toml", "texts.toml", "broker-ca.pem"):
        (tmp_path / name).write_text("")
    text = (PROJECT / "config" / "all-keys.toml").read_text()
    (tmp_path / "room.toml").write_text(text)
    told = load(PROJECT / "config" / "all-keys.toml", data_dir=tmp_path, secrets=False)
    assert without_secrets(told) == at_hand._read(json.loads(json.dumps(at_hand._told(told))))
    # Nothing but what ``repr`` leaves out is another.
    assert repr(without_secrets(told)) == repr(told)


def test_no_secret_is_kept(path: Path) -> None:
    whole = load(path)
    assert whole.broker.password == "hush-hush"
    keep_settings(path, None, whole, lambda: whole)
    kept = path.parent / "data" / KEPT
    text = kept.read_text()
    assert "hush-hush" not in text
    assert "127.0.0.1:8080" not in text
    assert kept.stat().st_mode & 0o077 == 0
    found = kept_settings(path, None)
    assert found is not None
    assert (found.broker.password, found.channels[0].url) == (None, "")


CHANGES: dict[str, Callable[[Path], object]] = {
    "the room's file": lambda p: p.write_text(ROOM.replace("Back room", "Fore room")),
    "one byte of it, at the same size and time": lambda p: same_time(p, ROOM.replace("150", "151")),
    "the texts": lambda p: (p.parent / "texts.toml").write_text('[daily]\ncalm = "All is quiet."\n'),
    "the texts are gone": lambda p: (p.parent / "texts.toml").unlink(),
    "a folder of profiles": lambda p: (p.parent / "data" / "species").mkdir(),
    "what is kept is cut": lambda p: kept_file(p).write_text(kept_file(p).read_text()[:400]),
    "what is kept is no JSON": lambda p: kept_file(p).write_bytes(b"\xff\x00{"),
    "what is kept is another's": lambda p: kept_file(p).write_text('{"of": "", "beside": [], "settings": 3}'),
    "what is kept is deeply nested": lambda p: kept_file(p).write_text("[" * 100_000),
    "what is kept is a folder": lambda p: as_folder(kept_file(p)),
    "what is kept is gone": lambda p: kept_file(p).unlink(),
    "the store is gone": lambda p: shutil.rmtree(p.parent / "data"),
}


def kept_file(path: Path) -> Path:
    return path.parent / "data" / KEPT


def as_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def same_time(path: Path, text: str) -> None:
    found = path.stat()
    path.write_text(text)
    os.utime(path, ns=(found.st_atime_ns, found.st_mtime_ns))


def test_what_is_written_while_the_file_is_read_is_not_kept(path: Path) -> None:
    """Read with the old texts or the old file, it must not stand for the new ones."""
    old = read(path)
    for change in (CHANGES["the texts"], CHANGES["the room's file"]):
        change(path)
        keep_settings(path, None, old, lambda: read(path))
        assert kept_settings(path, None) is None


@pytest.mark.parametrize("what", CHANGES)
def test_whatever_changes_the_file_is_read_again(path: Path, what: str) -> None:
    keep(path)
    CHANGES[what](path)
    assert kept_settings(path, None) is None


def test_settings_of_another_program_or_asked_for_otherwise_are_not_taken(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = keep(path)
    monkeypatch.chdir(path.parent)
    assert kept_settings(Path("room.toml"), None) is None
    monkeypatch.undo()
    assert kept_settings(path, str(path.parent / "elsewhere")) is None
    assert kept_settings(path, None) == settings
    monkeypatch.setattr(at_hand, "__version__", "another")
    assert kept_settings(path, None) is None


def test_a_class_that_is_no_setting_is_not_made(path: Path) -> None:
    keep(path)
    told = json.loads(kept_file(path).read_text())
    told["settings"]["is"] = "Path"
    kept_file(path).write_text(json.dumps(told))
    assert kept_settings(path, None) is None


def test_commands_say_the_same_with_and_without_and_where_nothing_can_be_kept(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.write(ROOM.replace('[texts]\nfile = "texts.toml"\n', ""))
    (tmp_path / "password").write_text("hush-hush\n")
    desk.store().close()
    first = desk.does("boxes")
    assert (desk.data / KEPT).is_file()
    assert desk.does("boxes").splitlines()[1:] == first.splitlines()[1:]
    # A mistake is told at once, and not served from what was right before.
    desk.write(ROOM.replace('unit = "C"', 'unit = "Q"'))
    assert "unit" in desk("boxes").err
    desk.write(ROOM.replace('[texts]\nfile = "texts.toml"\n', ""))
    (desk.data / KEPT).unlink()
    (desk.data / KEPT).mkdir()
    assert desk.does("boxes").splitlines()[1:] == first.splitlines()[1:]
    assert sorted(p.name for p in desk.data.iterdir() if p.name.startswith(f".{KEPT}")) == []


def test_every_field_of_every_setting_is_kept_or_hidden_on_purpose() -> None:
    hidden = {(name, f.name) for name, found in at_hand._CLASSES.items() for f in fields(found) if not f.repr}
    assert hidden == {
        ("Broker", "password"),
        ("Channel", "url"),
        ("Shipping", "token"),
        ("HeartbeatTarget", "url"),
        ("HistoryAt", "token"),
    }
