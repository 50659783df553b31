"""A new computer from a backup: the four commands of deploy/README as they stand there, on a Debian made from nothing.

A first computer watches a room with boxes, entries, notices, people and a part that is broken, and is backed up while
it runs. A second one, on which users have other numbers, gets what the guide prints, typed by somebody who may use
sudo; then it must say what the first one said, in every command, and go on: readings come in, a backup is made at its
hour. A third takes the second's place at a broker that kept readings meanwhile. Before, it is given backups that are
damaged, half copied, newer or another room's. Needs what ``deploy/measure install`` needs.
"""

from __future__ import annotations

import contextlib
import json
import re
import shutil
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from monitor.adapters import backups
from monitor.adapters.store.database import FILE_NAME, newest_version
from tests.bench import Figures
from tests.bench.install import as_here, debian
from tests.bench.installed import DATA, ROOM, first_checkout
from tests.bench.process import Publisher, message, now_ms, room, timed, toml, until
from tests.machine import Machine, machine
from tests.peers import MOMENT_S, PROJECT, free_port
from tests.sinks import Sink, http_sink

GUIDE: Final = PROJECT / "deploy" / "README.md"
STICK: Final = "/mnt/stick"
BOXES: Final = ("upper", "lower")
LISTENS: Final = "127.0.0.2"
"""Where the broker listens beside 127.0.0.1: an address that every computer here has."""
WARM_C, HARM_C = 28.4, 33.0
NOTICE: Final = ("id", "key", "at", "kind", "subjects", "change", "urgency", "title", "text", "answered", "answered_by")
Found = dict[str, float | int | str | bool | None]


def guide() -> list[str]:
    """The commands for a new computer, one a line, as the guide prints them."""
    text = GUIDE.read_text("utf-8")
    (block,) = re.findall(r"^\*\*A new computer\*\*.*?\n\n```sh\n(.*?)^```", text, re.DOTALL | re.MULTILINE)
    return [line for line in block.splitlines() if line and not line.startswith("#")]


@dataclass
class Keeper:
    """Somebody at a computer, who may use sudo. ``checkout``: where the version that is to be installed lies."""

    computer: Machine
    name: str
    seconds: dict[str, float] = field(default_factory=dict)

    def types(self, command: str, code: int = 0) -> str:
        began = time.monotonic()
        said = self.computer.says(f"cd /checkouts/first && {command}", user=self.name, code=code)
        self.seconds[command] = time.monotonic() - began
        return said

    def json(self, words: str) -> Any:
        # Whatever is said beside it goes to the other channel.
        return json.loads(self.types(f"warmtally {words} --json 2>/dev/null"))


@dataclass
class House:
    """What all computers here share: the folders that they see, the ports, and what was published."""

    folder: Path
    port: int
    sink: Sink
    sent: dict[str, list[float]] = field(default_factory=lambda: {f"{box}-t": [] for box in BOXES})
    n: int = 0

    @contextlib.contextmanager
    def computer(self, name: str, keeper: str, before: int = 0) -> Iterator[Keeper]:
        """An empty Debian with somebody on it; ``before``: so many other users have their numbers already."""
        files, environ = as_here()
        stick = self.folder / "stick"
        stick.mkdir(exist_ok=True)
        binds = {str(self.folder / "checkouts"): "/checkouts", str(stick): STICK, **files}
        at = self.folder / name
        with machine(at, lower=str(self.folder / "debian"), binds=binds, environ=environ) as computer:
            for k in range(before):
                computer.says(f"useradd --system --user-group of-before-{k} && useradd --create-home guest{k}")
            computer.says("echo 127.0.0.1 $(hostname) >>/etc/hosts")
            computer.says(f"useradd --create-home --shell /bin/bash {keeper}")
            # The way to the network stands in variables here, which sudo would drop.
            rule = f"Defaults !env_reset\\n{keeper} ALL=(ALL) NOPASSWD: ALL\\n"
            computer.says(f"printf '{rule}' >/etc/sudoers.d/here && chmod 440 /etc/sudoers.d/here")
            yield Keeper(computer, keeper)

    def takes_the_stick(self, keeper: Keeper, folder: str) -> None:
        """What lies in a folder there, with its rights and the numbers of its owners, is on the stick."""
        target = self.folder / "stick" / "warmtally"
        shutil.rmtree(target, ignore_errors=True)
        source = Path(f"/proc/{keeper.computer.init}/root{folder}")
        subprocess.run(["cp", "-a", str(source), str(target)], check=True)

    def publish(self, login: tuple[str, str], count: int, warm_c: float = WARM_C) -> None:
        """``count`` readings of each probe, each with a value of its own and a time of its own."""
        with Publisher(self.port, f"gateway-{self.n}", login) as gateway:
            for _ in range(count):
                self.n += 1
                for k, (probe, sent) in enumerate(self.sent.items()):
                    sent.append(round(warm_c - k + self.n / 10_000, 4))
                    gateway.publish(f"eggs/{probe}", message(now_ms(), sent[-1]))
                gateway.publish("eggs/broken-t", "no number at all")
                time.sleep(0.01)
            gateway.wait_acknowledged()

    def stored(self, keeper: Keeper) -> dict[str, list[float]]:
        """Every stored reading of each probe, as often as it is stored."""
        rows = [row.split(",") for row in keeper.types("warmtally export 2>/dev/null").splitlines()[1:]]
        return {probe: sorted(float(row[2]) for row in rows if row[1] == probe) for probe in self.sent}

    def all_there(self, keeper: Keeper) -> bool:
        return self.stored(keeper) == {probe: sorted(sent) for probe, sent in self.sent.items()}


def says(keeper: Keeper, at: str, data: str = DATA) -> dict[str, Any]:
    """What a room says in every way, as of one moment where that can be asked for."""
    where = f"--data {data}"
    told = {
        words: keeper.json(f"{words} {where}")
        for words in (
            f'forecast --all --at "{at}"',
            "clutch show K01",
            "clutch show K02",
            "people",
            "compare list",
            "species of-my-own",
        )
    }
    notices = keeper.json(f"notices --limit 1000 {where}")
    told["notices"] = [{k: n[k] for k in NOTICE} for n in notices["notices"]]
    told["conditions"] = [{k: c[k] for k in ("kind", "subject", "state", "since")} for c in notices["conditions"]]
    told["account"] = keeper.types(f"warmtally clutch export {where} 2>/dev/null")
    told["readings"] = keeper.types(f"warmtally export {where} 2>/dev/null")
    told["unread"] = [keeper.json(f"unread {where}")["messages"]]
    told["texts"] = keeper.types(f"warmtally texts too-warm {where} 2>/dev/null")
    return told


def _files(keeper: Keeper) -> dict[str, str]:
    """Each file of the room and beside its store that must be the same on the new computer -> its sum."""
    found = keeper.computer.says(
        f"cd / && sha256sum etc/warmtally/*.* {DATA[1:]}/answers.secret {DATA[1:]}/people.json {DATA[1:]}/species/*"
    )
    return {name: each for each, name in (line.split() for line in found.splitlines())}


def measure() -> Figures:
    """Three computers, one after the other; the guide's commands are typed on two of them."""
    figures: Found = {}
    short: list[str] = []
    with tempfile.TemporaryDirectory() as folder_name, http_sink() as sink:
        folder = Path(folder_name)
        debian(folder / "debian")
        moved(folder, sink, figures, short)
    return Figures(figures, short, ["the commands are read from deploy/README: " + "; ".join(guide())])


def moved(folder: Path, sink: Sink, figures: Found, short: list[str]) -> None:
    first_checkout(folder / "checkouts")
    house = House(folder, free_port(), sink)
    with house.computer("first", "anna") as keeper:
        at, before, files, login = _first(house, keeper, short)
    with house.computer("second", "berta", before=3) as keeper:
        _four_commands(keeper, guide(), figures, short)
        _the_same(house, keeper, at, before, files, figures, short)
        _goes_on(house, keeper, login, figures, short)
        before = says(keeper, at)
        house.takes_the_stick(keeper, "/var/backups/warmtally")
        # Its service ends for good, its broker keeps what is reported from now on.
        keeper.computer.says("systemctl stop warmtally")
        house.publish(login, 50)
        with house.computer("third", "carl", before=1) as next_keeper:
            commands = [line.replace(" --broker", "") for line in guide()]
            next_keeper.types(commands[0])
            _enemies(house, next_keeper, figures, short)
            _four_commands(next_keeper, commands, {}, short)
            _not_empty(house, next_keeper, short)
            if not until(lambda: house.all_there(next_keeper), MOMENT_S, 1.0):
                short.append("what the broker kept meanwhile is not in the store once each")
            figures["readings that the broker kept meanwhile, and that came in"] = 50 * len(BOXES)


def _first(
    house: House, keeper: Keeper, short: list[str]
) -> tuple[str, dict[str, Any], dict[str, str], tuple[str, str]]:
    """A room that is watched, with something of everything; what it says, and a backup of it on the stick."""
    os_says, types = keeper.computer.says, keeper.types
    broker = f"--topic eggs --port {house.port} --listen"
    types(f"sudo deploy/install --broker -- --make-passwords {broker} {LISTENS} </dev/null")
    # An address for documents (RFC 5737) is nobody's.
    if "no address of this computer" not in types(f"sudo deploy/broker --yes {broker} 192.0.2.5", code=1):
        short.append("a broker was set up to listen at an address that is not this computer's")
    login = ("probes", os_says("cat /etc/warmtally/probes.password").strip())
    probes = [timed(f"{box}-t", box) for box in BOXES] + [timed("broken-t", "upper", quiet_after="10 s", interval=5)]
    tables = room(
        BOXES,
        probes,
        port=house.port,
        limits={"too_warm_c": 31.0, "too_cool_c": 20.0},
        broker={"username": "warmtally", "password_file": "broker.password"},
        channels={"bell": house.sink.port},
        answers={"topic": "eggs/answer"},
        texts={"file": "texts.toml"},
        page={"listen": f"127.0.0.1:{free_port()}"},
        backup={"folder": "/var/backups/warmtally", "at": "04:30", "keep": 14},
    )
    text = toml({name: table for name, table in tables.items() if name not in ("pace", "channels")})
    text += '[[channels]]\nid = "bell"\nurl_file = "bell.address"\n'
    os_says(f"cat >{ROOM} <<'END'\n{text}END", user=keeper.name)
    types(f"echo json://127.0.0.1:{house.sink.port}/bell >/etc/warmtally/bell.address")
    types("cd /etc/warmtally && warmtally texts --write texts.toml && sed -i '0,/Go now/s//Go at once/' texts.toml")
    # A species of one's own, under its own name.
    types(f"mkdir {DATA}/species && cp config/species/elaphe-taeniura.toml {DATA}/species/of-my-own.toml")
    types(f"sed -i 's/elaphe-taeniura/of-my-own/' {DATA}/species/of-my-own.toml")
    types("sudo deploy/install --watch 0")
    laid = datetime.now(UTC) - timedelta(days=40)
    rows = [f"{laid + timedelta(hours=h):%Y-%m-%dT%H:%MZ},{WARM_C + h % 5 / 10:.2f}" for h in range(24 * 40 - 1)]
    os_says("cat >log.csv <<'END'\ntime,t\n" + "\n".join(rows) + "\nEND", user=keeper.name)
    house.sent["upper-t"] += [float(row.partition(",")[2]) for row in rows]
    types("warmtally import ~/log.csv --probe upper-t --time-column time --value-column t --unit C")
    day = f"{laid:%Y-%m-%d}"
    for clutch, species, box in (("K01", "elaphe-taeniura", "upper"), ("K02", "of-my-own", "lower")):
        types(f"warmtally clutch add {clutch} --species {species} --laid {day} --eggs 8")
        types(f"warmtally record set {clutch} --box {box} --eggs 8 --at '{laid + timedelta(hours=12):%Y-%m-%d %H:%M}'")
    types(f"warmtally record candled K01 --box upper --alive 7 --at '{laid + timedelta(days=9):%Y-%m-%d}'")
    types("warmtally record correct 5 --alive 8")
    types("warmtally people add anna --may enter --make-up && warmtally people token chart --may look")
    house.publish(login, 40, HARM_C)
    if not until(lambda: len(house.sink.taken) > 0, 2 * MOMENT_S, 1.0):
        short.append("nothing of the first room was told")
    ids = [n["id"] for n in keeper.json("notices")["notices"]]
    types(f"warmtally answer {ids[0]} --by anna")
    house.publish(login, 40)
    if not until(lambda: house.all_there(keeper), MOMENT_S, 1.0):
        short.append("the first computer has not stored what was reported")
    # What was too warm is judged to its end, and from then on what is true stays so.
    if not until(lambda: '"too-warm"' not in json.dumps(keeper.json("notices")["conditions"]), 5 * MOMENT_S, 2.0):
        short.append("the first room stays too warm")
    types("warmtally backup")
    at = f"{datetime.now(UTC):%Y-%m-%d %H:%MZ}"
    before, files = says(keeper, at), _files(keeper)
    if not before["notices"] or not before["conditions"]:
        short.append(f"the first room has nothing to tell: {before['notices']} {before['conditions']}")
    house.takes_the_stick(keeper, "/var/backups/warmtally")
    return at, before, files, login


def _four_commands(keeper: Keeper, commands: list[str], figures: Found, short: list[str]) -> None:
    """Type them as they stand, one after the other."""
    began = time.monotonic()
    for command in commands:
        try:
            said = keeper.types(command)
        except AssertionError as error:
            short.append(f"{keeper.name} typed what the guide says: {str(error)[-1500:]}")
            return
        figures[f"{command}, s"] = round(keeper.seconds[command], 1)
    figures["all four, s"] = round(time.monotonic() - began, 1)
    if not all(box in said for box in BOXES):
        short.append(f"the last of them does not show the boxes: {said[-500:]}")


def _the_same(
    house: House, keeper: Keeper, at: str, before: dict[str, Any], files: dict[str, str], figures: Found,
    short: list[str],
) -> None:  # fmt: skip
    after = says(keeper, at)
    for name, told in before.items():
        if name in ("notices", "conditions"):
            missing = [x for x in told if x not in after[name]]
            if missing:
                short.append(f"{name}: the new computer does not say {missing[:2]}, but {after[name][:3]}")
        elif after[name] != told:
            short.append(f"{name}: {_apart(told, after[name])}")
    figures["ways in which it was asked"] = len(before)
    now = _files(keeper)
    other = [name for name, each in files.items() if now.get(name) != each]
    figures["files that are the same"] = len(files) - len(other)
    if other:
        short.append(f"files that are missing or differ: {', '.join(other)}")
    if f"\nlistener {house.port} {LISTENS}\n" not in keeper.computer.says("cat /etc/mosquitto/conf.d/warmtally.conf"):
        short.append("the broker does not listen where it did")
    doubled = len(after["notices"]) - len({n["id"] for n in after["notices"]})
    if doubled or not house.all_there(keeper):
        short.append("readings or notices are lost or doubled on the new computer")


def _apart(told: Any, after: Any) -> str:
    old, new = json.dumps(told, indent=1).splitlines(), json.dumps(after, indent=1).splitlines()
    lines = [f"{a.strip()} -> {b.strip()}" for a, b in zip(old, new, strict=False) if a != b]
    return f"{len(old)} lines, {len(new)} lines; {'; '.join(lines[:4])}"[:600]


def _goes_on(house: House, keeper: Keeper, login: tuple[str, str], figures: Found, short: list[str]) -> None:
    """Readings of the same probes with the same passwords come in; a backup is made at its hour."""
    began = time.monotonic()
    house.publish(login, 40)
    if not until(lambda: house.all_there(keeper), MOMENT_S, 1.0):
        short.append("what is reported afterwards does not come in")
    figures["a reading is in the store after, s"] = round(time.monotonic() - began, 1)
    try:
        keeper.types("warmtally record note K01 --note 'the new one'; warmtally people add carl --may look --make-up")
        keeper.types("sudo warmtally verify")
    except AssertionError as error:
        short.append(f"afterwards: {str(error)[-500:]}")
    soon = datetime.now(UTC) + timedelta(seconds=100)
    zone = re.search(r'time_zone = "(.*?)"', keeper.computer.says(f"cat {ROOM}"))
    assert zone is not None
    at = keeper.computer.says(f"TZ={zone[1]} date -d @{soon.timestamp():.0f} +%H:%M").strip()
    keeper.types(f'sed -i \'s/^at = "04:30"/at = "{at}"/\' {ROOM} && sudo systemctl restart warmtally')
    made = "ls -d /var/backups/warmtally/*Z 2>/dev/null | wc -l"
    # The first was made as soon as the service was there.
    first = int(keeper.computer.says(made))
    figures["backups before the hour"] = first
    if not first:
        short.append("no backup was made when the service began")
    if not until(lambda: int(keeper.computer.says(made)) > first, 160.0, 2.0):
        short.append("no backup was made at its hour")
        keeper.types("warmtally backup")


# -- backups that must be refused ------------------------------------------------------------------------------------


def _flipped(backup: Path) -> None:
    file = backup / "data" / FILE_NAME
    raw = bytearray(file.read_bytes())
    raw[len(raw) // 2] ^= 4
    file.write_bytes(raw)


def _cut(backup: Path) -> None:
    file = backup / "data" / FILE_NAME
    file.write_bytes(file.read_bytes()[: file.stat().st_size // 2])


def _without_store(backup: Path) -> None:
    (backup / "data" / FILE_NAME).unlink()


def _without_list(backup: Path) -> None:
    (backup / backups.MANIFEST).unlink()


def _empty(backup: Path) -> None:
    shutil.rmtree(backup)


def _told(backup: Path, **changes: object) -> None:
    """The list of files with other words, and a sum that fits them."""
    file = backup / backups.MANIFEST
    told = {**json.loads(file.read_bytes()), **changes}
    told.pop("sum")
    told["sum"] = backups._sum_of_told(told)
    file.write_text(json.dumps(told))


def _newer_form(backup: Path) -> None:
    _told(backup, form=backups.FORM + 1)


def _newer_store(backup: Path) -> None:
    file = backup / "data" / FILE_NAME
    with contextlib.closing(sqlite3.connect(file)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE").fetchall()
        connection.execute("CREATE TABLE of_later (a INTEGER)")
        connection.execute(f"PRAGMA user_version={newest_version() + 1}")
    told = json.loads((backup / backups.MANIFEST).read_bytes())
    _told(backup, files={**told["files"], f"data/{FILE_NAME}": list(backups._sum_of(file))})


BAD: Final[dict[str, tuple[Callable[[Path], None], int, str]]] = {
    "a bit flipped": (_flipped, 16, "not as it was when the backup was made"),
    "the store is half copied": (_cut, 16, "has not the size that it had"),
    "the store was not copied": (_without_store, 16, f"{FILE_NAME} cannot be read"),
    "the list was not copied": (_without_list, 16, "its list of files is not there"),
    "nothing is on the stick": (_empty, 16, "no good backup"),
    "another form of list": (_newer_form, 16, "newer version"),
    "of a newer version": (_newer_store, 13, "or a newer one"),
}


def _enemies(house: House, keeper: Keeper, figures: Found, short: list[str]) -> None:
    """On a computer that has the program alone: each is refused, and nothing was put in place."""
    stick = house.folder / "stick"
    kept = house.folder / "kept"
    shutil.move(stick / "warmtally", kept)
    restore = next(line for line in guide() if " restore " in line)
    untouched = f"find {DATA} /etc/warmtally -type f ! -name service.lock -exec sha256sum {{}} + | sort"
    was = keeper.computer.says(untouched)
    refused = 0
    for name, (spoil, code, word) in BAD.items():
        subprocess.run(["cp", "-a", str(kept), str(stick / "warmtally")], check=True)
        # The newest alone: an older good one would be taken in its place.
        *older, backup = sorted(path for path in (stick / "warmtally").iterdir() if path.is_dir())
        for path in older:
            shutil.rmtree(path)
        spoil(backup)
        done = keeper.computer.run(f"cd /checkouts/first && {restore}", user=keeper.name)
        good = done.returncode == code and word in done.stdout and "what to do" in done.stdout
        refused += good
        if not good:
            short.append(f"{name}: {done.returncode}, {done.stdout[-400:]}")
        if keeper.computer.says(untouched) != was:
            short.append(f"{name}: something was put in place")
        shutil.rmtree(stick / "warmtally")
    figures["bad backups refused, and nothing changed"] = refused
    shutil.move(kept, stick / "warmtally")


def _not_empty(house: House, keeper: Keeper, short: list[str]) -> None:
    """Onto a computer that has a room: refused while its service runs, and where its store is."""
    restore = next(line for line in guide() if " restore " in line)
    before = house.stored(keeper)
    for stop, code, word in ("true", 12, "stop"), ("sudo systemctl stop warmtally", 10, "--aside"):
        done = keeper.computer.run(f"cd /checkouts/first && {stop} && {restore}", user=keeper.name)
        if done.returncode != code or word not in done.stdout:
            short.append(f"onto a computer with a room: {done.returncode}, {done.stdout[-400:]}")
    keeper.types("sudo systemctl start warmtally")
    if house.stored(keeper) != before:
        short.append("a restore that was refused changed the store")
