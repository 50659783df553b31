"""Installing for good, updating, going back and removing: on a computer of its own, under a real systemd.

The computer has the root of this one, and a package index of one small package: the libraries lie beside the versions
that are installed there, so that a test needs no network and no minute. What `deploy/measure install` does takes both,
and a Debian that was made from nothing.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path

import pytest

from tests.bench.installed import DATA, HOME, PROBE, ROOM, Installed, first_checkout
from tests.bench.new_computer import guide
from tests.bench.process import room, timed, toml
from tests.cli.test_setup import publish
from tests.machine import machine
from tests.peers import mosquitto, wait_for
from tests.system.test_packaging import index_of_one_package, locked

# One computer serves all tests here, on which the service runs before and after each.
pytestmark = pytest.mark.xdist_group("install")


def libraries(folder: Path) -> Path:
    """What the lock file names, as it is installed here: names that lead below /site, where this environment is seen.

    Returns what must be seen there.
    """
    folder.mkdir()
    places = set()
    for name in locked("run"):
        for top in {Path(f).parts[0] for f in metadata.files(name) or () if Path(f).parts[0] not in ("..", "bin")}:
            source = Path(str(metadata.distribution(name).locate_file(top)))
            if source.exists() and top != "__pycache__" and not (folder / top).is_symlink():
                places.add(source.parent)
                (folder / top).symlink_to(Path("/site") / top)
    (place,) = places
    return place


def set_up_by_questions(house: Installed) -> None:
    """The example becomes a keeper's room, by a keeper; what the installer wrote of the store stays."""
    publish(house.port, [("eggroom/left/upper", "28.4")])
    answers = ["Shed", "Europe/Vienna", "C", "127.0.0.1", str(house.port), ""]
    answers += ["upper", "left", "150", "", "", "", "elaphe-taeniura", "31", "25", "", ""]
    told = "printf '%s\\n' " + " ".join(f"'{answer}'" for answer in answers)
    said = house.computer.says(f"{told} | warmtally setup --seconds 2", user="anna")
    assert "no mistakes" in said
    text = house.computer.says(f"cat {ROOM}", user="anna")
    assert f'data_dir = "{DATA}"' in text
    assert 'topic = "eggroom/left/upper"' in text
    assert house.computer.says(f"stat -c '%a %G' {ROOM}") == "660 warmtally\n"


def from_nothing(house: Installed) -> None:
    """Install, make the room one's own, start, and enter a clutch."""
    install, says = "/checkouts/first/deploy/install", house.computer.says
    assert "only root" in says(install, user="bert", code=1)
    assert "nothing was changed" in says(f"{install} --dry-run", user="bert")
    assert says(f"ls -d {HOME} {DATA} /etc/warmtally 2>/dev/null || true") == ""
    said = says(install, environ={"SUDO_USER": "anna"})
    assert "what to do:\ninstall: warmtally setup" in said.lower()
    # The example is nobody's room and not watched, but all that the command needs is there.
    assert says("systemctl is-enabled warmtally || true") == "disabled\n"
    assert "no mistakes" in says("warmtally check", user="anna")
    set_up_by_questions(house)
    backup = {"folder": "/var/backups/warmtally", "at": "04:30", "keep": 2}
    tables = room(["upper"], [timed(PROBE, "upper")], port=house.port, answers={"topic": "eggs/answer"}, backup=backup)
    text = toml({name: table for name, table in tables.items() if name != "pace"})
    says(f"cat >{ROOM} <<'END'\n{text}END", user="anna")
    assert "the service runs" in says(f"{install} --watch 0")
    add = "cd && warmtally clutch add K01 --species elaphe-taeniura --laid 2025-05-01 --eggs 6"
    assert "K01 laid" in says(add, user="anna")


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Installed]:
    folder = tmp_path_factory.mktemp("install")
    same = "import sys, venv, ensurepip; print(*sys.version_info[:2])"
    told = subprocess.run(["/usr/bin/python3", "-c", same], capture_output=True, text=True)
    if told.stdout.split() != [str(n) for n in sys.version_info[:2]]:
        pytest.skip("the system's Python is missing, without venv, or of another version than the tests' own")
    first = first_checkout(folder / "checkouts")
    (first / "deploy" / "requirements.lock").write_text(index_of_one_package(folder / "checkouts" / "wheels"))
    seen = {
        str(folder / "checkouts"): "/checkouts",
        str(folder / "libraries"): "/libraries",
        str(libraries(folder / "libraries")): "/site",
    }
    environ = {"PYTHONPATH": "/libraries", "PIP_NO_INDEX": "1", "PIP_FIND_LINKS": "/checkouts/wheels"}
    with (
        machine(folder / "computer", binds=seen, environ=environ) as computer,
        mosquitto(folder / "broker") as broker,
    ):
        unit = "/etc/systemd/system/warmtally.service.d"
        computer.says(f"mkdir -p {unit} && printf '[Service]\\nEnvironment=PYTHONPATH=/libraries\\n' >{unit}/test.conf")
        computer.says("for name in anna bert; do useradd --create-home --shell /bin/bash $name; done")
        house = Installed(computer, folder / "checkouts", broker.port)
        from_nothing(house)
        yield house


@pytest.mark.slow
def test_installed_again_nothing_is_changed(house: Installed) -> None:
    says, pid = house.computer.says, house.pid()
    assert house.running().startswith(f"{HOME}/versions/")
    assert says(f"tail -n 2 {ROOM}") == f'[store]\ndata_dir = "{DATA}"\n'
    # The first checkout's, or a later one's, as other tests have left it.
    installs = [f"{p}/deploy/install" for p in says("ls -d /checkouts/*/deploy").replace("/deploy", "").split()]
    current = [i for i in installs if f"version {house.running()}: is there" in says(f"{i} --dry-run")]
    assert "nothing to do" in says(current[0])
    assert house.pid() == pid
    assert says("systemctl is-enabled warmtally") == "enabled\n"
    assert says("systemd-analyze verify --man=no warmtally.service 2>&1 | grep warmtally || true") == ""


@pytest.mark.slow
def test_the_command_works_for_who_keeps_the_room_and_files_are_their_own(house: Installed) -> None:
    says = house.computer.says
    # Before anna has logged in anew, the session does not know the group; words stay what they are.
    stale = "setpriv --reuid anna --regid anna --clear-groups"
    said = says(f"""{stale} warmtally record note K01 --note "it's \\$HOME & \\"that\\"" --at 2025-05-02""")
    assert "K01 note" in said
    assert """it's $HOME & "that\"""" in says("warmtally clutch show K01")
    # Somebody else is told what to do; with sudo they come in, and stay who they are.
    assert "what to do: sudo warmtally" in says("warmtally clutch list", user="bert", code=1)
    assert says(f"cat {ROOM} {DATA}/warmtally.db", user="bert", code=1).count("Permission denied") == 2
    says("printf 'time,t\\n2025-05-01 20:00,28.1\\n' >~bert/log.csv && chown bert ~bert/log.csv")
    as_bert = {"SUDO_UID": says("id -u bert").strip(), "SUDO_GID": says("id -g bert").strip()}
    taken = "warmtally import log.csv --probe old-one --any-probe --time-column time --value-column t --unit C"
    assert "new 1" in says(f"cd ~bert && {taken}", environ=as_bert)
    says("cd ~bert && warmtally export --probe old-one --out out.csv", environ=as_bert)
    assert says("stat -c '%U %G' ~bert/out.csv") == "bert bert\n"
    assert says(f"stat -c '%a %G' {DATA} {DATA}/warmtally.db*") == "2770 warmtally\n" + "660 warmtally\n" * 3


@pytest.mark.slow
def test_backups_are_made_by_the_service_as_its_unit_lets_it_and_by_who_keeps_the_room(house: Installed) -> None:
    """The first one was due when the service started; whoever keeps the room may read it, and nobody else."""
    says, made = house.computer.says, "ls -d /var/backups/warmtally/*Z 2>/dev/null || true"
    wait_for(lambda: bool(says(made).strip()), says("journalctl -u warmtally | grep backup"))
    assert "whole" in says("warmtally verify /var/backups/warmtally", user="anna")
    first = says(made).split()
    says("warmtally backup", user="anna")
    assert len(says(made).split()) == len(first) + 1
    said = says("find /var/backups/warmtally/*Z -printf '%m %g\\n' | sort -u")
    assert said == "2770 warmtally\n660 warmtally\n"
    assert says("cat /var/backups/warmtally/*/manifest.json", user="bert", code=1).count("Permission denied") > 0


@pytest.mark.slow
def test_a_backup_of_another_computers_users_is_read_by_sudo_and_nobody_else(house: Installed) -> None:
    says = house.computer.says
    says("warmtally backup", user="anna")
    says("cp -a /var/backups/warmtally /stick && chown -R 4711:4711 /stick && chmod -R go-rwx /stick")
    as_bert = {"SUDO_UID": says("id -u bert").strip(), "SUDO_GID": says("id -g bert").strip()}
    assert ": whole" in says("warmtally verify /stick", environ=as_bert)
    assert ": whole" in says("warmtally verify /stick")
    # The store is there, and the service runs on it: refused, once the backup was read.
    assert "another Warmtally service" in says("warmtally restore /stick", environ=as_bert, code=12)
    assert "only root may read: sudo warmtally" in says("warmtally restore /stick", user="anna", code=16)
    # What else is root's stays so.
    says("warmtally import /etc/shadow --probe x --any-probe --time-column a --value-column b --unit C",
         environ=as_bert, code=25)  # fmt: skip


def test_the_guide_has_its_four_commands_for_a_new_computer() -> None:
    assert [line.split()[1 if line.startswith("sudo") else 0] for line in guide()] == [
        "deploy/install", "warmtally", "deploy/install", "warmtally",
    ]  # fmt: skip


@pytest.mark.slow
def test_a_new_version_takes_the_old_ones_place_and_no_reading_is_lost(house: Installed) -> None:
    before, pid = house.running(), house.pid()
    # A number that only the new one knows.
    install = house.checkout("second", **{"__init__.py": ('"0.', '"1.0.')})
    house.ready_made(install, "second")
    said = house.while_probes_report(f"{install} --watch 1", 0)
    assert "trying the new version on a copy" in said
    assert house.running() != before
    assert house.pid() != pid
    assert "warmtally 1.0." in house.computer.says("warmtally --version", user="anna")
    assert before in house.computer.says(f"ls -d {HOME}/versions/*")
    assert house.computer.says(f"ls {DATA}/before-updates/*") == "warmtally.db\n"
    assert house.computer.says("warmtally clutch list", user="anna").count("K01") == 1


@pytest.mark.slow
def test_a_version_that_cannot_use_the_store_is_refused_before_the_old_one_is_stopped(house: Installed) -> None:
    pid, before = house.pid(), house.running()
    broken = {"adapters/store/schema/0900_broken.sql": ("", "CREATE TABLE probe (a INTEGER);\n")}
    install = house.checkout("broken", **broken)
    house.ready_made(install, "broken")
    said = house.computer.says(install, code=1)
    assert "cannot use the store" in said
    assert "the version that runs was left as it is" in said
    assert (house.pid(), house.running()) == (pid, before)


@pytest.mark.slow
def test_a_version_that_moves_the_store_takes_readings_and_dies_is_taken_back(house: Installed) -> None:
    before = house.running()
    moved = {
        "adapters/store/schema/0900_later.sql": ("", "CREATE TABLE of_later (a INTEGER);\n"),
        # Its first round ends only after readings have come in, and then it fails.
        "service/round.py": (
            "        began = time.monotonic()\n",
            "        time.sleep(1.0)\n        raise RuntimeError('this version is no good')\n",
        ),
    }
    install = house.checkout("moved", **moved)
    house.ready_made(install, "moved")
    said = house.while_probes_report(f"{install} --watch 1", 1)
    assert "this version is no good" in said
    assert "the copy from before is back in its place" in said
    assert "the old version runs again" in said
    assert "its readings are in the old store now" in said
    assert house.running() == before
    assert house.computer.says("warmtally clutch list", user="anna").count("K01") == 1


@pytest.mark.slow
def test_it_is_removed_and_the_store_and_the_rooms_file_stay(house: Installed) -> None:
    says, remove = house.computer.says, "/checkouts/first/deploy/remove"
    assert "only root" in says(remove, user="bert", code=1)
    assert "nothing was changed" in says(f"{remove} --dry-run")
    assert "no terminal" in says(remove, code=1)
    assert house.running()
    # Kept for later, as if it had been made again.
    before = says(f"cp -a {HOME}/versions /kept && sha256sum {ROOM}")
    said = says(f"{remove} --yes --user")
    assert DATA in said
    assert "/etc/warmtally" in said
    gone = f"{HOME} /usr/local/bin/warmtally /etc/systemd/system/warmtally.service"
    assert says(f"ls -d {gone} 2>/dev/null || true; getent passwd warmtally || true; pgrep -x warmtally || true") == ""
    assert "nothing of it is here" in says(f"{remove} --yes")
    # Put back, it finds all of it again, though the user is another one.
    says(f"groupadd --system taken && useradd --system --gid taken taken && mkdir {HOME} && mv /kept {HOME}/versions")
    assert "the service runs" in says("/checkouts/first/deploy/install --watch 0 --keeper anna")
    assert says(f"sha256sum {ROOM}") == before
    assert house.values() == pytest.approx(house.published())
    assert says("warmtally clutch list", user="anna").count("K01") == 1
