"""The wheel as somebody installs it, away from the checkout; and the lock files that it is installed with."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import sys
import tomllib
import venv
import zipfile
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import canonicalize_name

from monitor import __version__
from monitor.errors import NotInstalled
from tests.peers import MOMENT_S, PROJECT

# What these tests share is made once: they stay on one worker.
pytestmark = pytest.mark.xdist_group("packaging")

LOCKS = {
    "run": PROJECT / "deploy" / "requirements.lock",
    "try": PROJECT / "deploy" / "requirements-try.lock",
    "test": PROJECT / "deploy" / "requirements-test.lock",
}
PROJECT_FILE = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
VERBS = ["--version", "--help", "run --help", "check --help", "species", "rehearse --help"]

# Where the program is meant to run: Python and processor. Linux alone, CPython alone.
PLACES = [
    {
        "python_version": version,
        "python_full_version": f"{version}.0",
        "platform_machine": machine,
        "sys_platform": "linux",
        "platform_system": "Linux",
        "os_name": "posix",
        "implementation_name": "cpython",
        "platform_python_implementation": "CPython",
        "implementation_version": f"{version}.0",
        "platform_release": "",
        "platform_version": "",
    }
    for version in ("3.11", "3.12", "3.13", "3.14")
    for machine in ("x86_64", "aarch64")
]


def locked(kind: str) -> dict[str, str]:
    """Package -> version of a lock file."""
    text = LOCKS[kind].read_text(encoding="utf-8")
    return {canonicalize_name(n): v for n, v in re.findall(r"^([A-Za-z0-9._-]+)==(\S+) \\$", text, re.MULTILINE)}


def index_of_one_package(folder: Path) -> str:
    """A wheel of nothing in ``folder``; the line of a lock file that names it."""
    folder.mkdir()
    wheel, info = folder / "nothing_much-1.0-py3-none-any.whl", "nothing_much-1.0.dist-info"
    with zipfile.ZipFile(wheel, "w") as archive:
        archive.writestr("nothing_much.py", "")
        archive.writestr(f"{info}/METADATA", "Metadata-Version: 2.1\nName: nothing-much\nVersion: 1.0\n")
        archive.writestr(
            f"{info}/WHEEL", "Wheel-Version: 1.0\nGenerator: t\nRoot-Is-Purelib: true\nTag: py3-none-any\n"
        )
        archive.writestr(f"{info}/RECORD", f"nothing_much.py,,\n{info}/METADATA,,\n{info}/WHEEL,,\n{info}/RECORD,,\n")
    return f"nothing-much==1.0 --hash=sha256:{hashlib.sha256(wheel.read_bytes()).hexdigest()}\n"


def installed(name: str, version: str) -> metadata.Distribution:
    """The package as it is here; skip (or fail in CI) where the tests run in an environment of other packages."""
    try:
        distribution = metadata.distribution(name)
    except metadata.PackageNotFoundError:
        distribution = None
    if distribution is None or distribution.version != version:
        text = f"{name} {version} is not what is installed here: run deploy/test, which makes its own environment"
        if os.environ.get("CI") == "true":
            pytest.fail(text)
        pytest.skip(text)
    return distribution


def python_of(environment: Path, code: str, cwd: Path) -> str:
    """What a program in that environment prints, run outside the checkout with nothing else on its path."""
    done = subprocess.run(
        [environment / "bin" / "python", "-I", "-c", code],
        capture_output=True,
        text=True,
        cwd=cwd,
        timeout=10 * MOMENT_S,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def command(environment: Path, *words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """The command ``warmtally`` of that environment."""
    return subprocess.run(
        [environment / "bin" / "warmtally", *words],
        capture_output=True,
        text=True,
        cwd=cwd,
        stdin=subprocess.DEVNULL,
        env={"PATH": "/usr/bin:/bin", "LANG": "C.UTF-8", "HOME": str(cwd)},
        timeout=10 * MOMENT_S,
    )


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built from a copy of what belongs to the wheel, so that nothing is left behind in the checkout."""
    source, out = tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("wheel")
    for name in ("monitor", "config"):
        shutil.copytree(PROJECT / name, source / name, ignore=shutil.ignore_patterns("__pycache__", "data"))
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md", "LICENSE"):
        shutil.copy(PROJECT / name, source)
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(source)]
    done = subprocess.run(build, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    (built,) = out.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def environment(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An environment with the wheel, and this one's libraries beside it; of the checkout it knows nothing."""
    place = tmp_path_factory.mktemp("installed") / "venv"
    venv.create(place, with_pip=False, symlinks=True)
    install = [sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check", "--no-input"]
    install += ["--python", str(place / "bin" / "python"), "install", "--no-deps", "--no-index", str(wheel)]
    subprocess.run(install, check=True, capture_output=True)
    (site,) = place.glob("lib/python*/site-packages")
    libraries = site.parent / "libraries"
    libraries.mkdir()
    (site / "libraries.pth").write_text(f"{libraries}\n")
    # Only what the lock file names, one by one: neither the tests' packages nor the checkout come along.
    for name in locked("run"):
        for top in sorted(
            {Path(f).parts[0] for f in metadata.files(name) or () if Path(f).parts[0] not in ("..", "bin")}
        ):
            source = Path(str(metadata.distribution(name).locate_file(top)))
            if source.exists() and top != "__pycache__" and not (libraries / top).exists():
                (libraries / top).symlink_to(source)
    return place


def test_the_wheel_holds_the_program_and_its_data_and_nothing_else(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    assert {n.split("/")[0] for n in names} == {"monitor", f"warmtally-{__version__}.dist-info"}
    checkout = {
        str(p.relative_to(PROJECT))
        for p in (PROJECT / "monitor").rglob("*")
        if p.is_file() and "__pycache__" not in p.parts
    }
    assert checkout <= names
    profiles = {f"monitor/shipped/species/{p.name}" for p in (PROJECT / "config" / "species").glob("*.toml")}
    assert len(profiles) > 0
    assert profiles <= names
    assert {"monitor/py.typed", "monitor/shipped/room.toml", "monitor/shipped/all-keys.toml"} <= names
    assert "monitor/adapters/mqtt/state_schema.json" in names
    assert f"warmtally-{__version__}.dist-info/licenses/LICENSE" in names


def test_the_installed_package_is_the_wheels_and_not_the_checkouts(environment: Path, tmp_path: Path) -> None:
    place = python_of(environment, "import monitor; print(monitor.__file__)", tmp_path).strip()
    assert Path(place).is_relative_to(environment)


@pytest.mark.parametrize("words", VERBS)
def test_the_installed_command_answers(environment: Path, tmp_path: Path, words: str) -> None:
    done = command(environment, *words.split(), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()
    assert list(tmp_path.iterdir()) == []


def test_every_module_can_be_imported_without_the_tests_packages(environment: Path, tmp_path: Path) -> None:
    code = (
        "import importlib, pkgutil, sys, monitor\n"
        "names = [m.name for m in pkgutil.walk_packages(monitor.__path__, 'monitor.') if '__main__' not in m.name]\n"
        "for name in names: importlib.import_module(name)\n"
        "print(len(names)); print(*[m for m in ('scipy', 'pandas', 'pytest', 'hypothesis') if m in sys.modules])"
    )
    count, _, heavy = python_of(environment, code, tmp_path).partition("\n")
    assert int(count) >= len(list((PROJECT / "monitor").rglob("*.py"))) - 2
    assert heavy.strip() == ""


def test_installed_it_finds_its_profiles_its_example_and_its_tables(environment: Path, tmp_path: Path) -> None:
    code = (
        "from pathlib import Path\n"
        "from monitor.adapters.store import Store\n"
        "from monitor.config.room_file import load\n"
        "from monitor.config.library import load_profile, shipped_dir\n"
        "print(shipped_dir())\n"
        "print(load_profile('elaphe-taeniura').id)\n"
        "room = load(shipped_dir().parent / 'all-keys.toml', data_dir='data')\n"
        "print(len(room.room.probes))\n"
        "store = Store(room.data_dir)\n"
        "print(len(store.readings.counts()), Path('data').is_dir())\n"
        "store.close()\n"
    )
    where, profile, probes, stored = python_of(environment, code, tmp_path).splitlines()
    assert Path(where).is_relative_to(environment)
    assert profile == "elaphe-taeniura"
    assert int(probes) >= 3
    assert stored == "0 True"


@pytest.mark.parametrize("name", ["room.toml", "all-keys.toml"])
def test_the_installed_command_checks_the_example_that_came_along(environment: Path, tmp_path: Path, name: str) -> None:
    (site,) = environment.glob("lib/python*/site-packages")
    shutil.copy(site / "monitor" / "shipped" / name, tmp_path)
    done = command(environment, "check", "--config", name, cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr


# -- lock files ------------------------------------------------------------------------------------------------------


def test_the_lock_files_fit_what_the_project_asks_for() -> None:
    wanted = [Requirement(r) for r in PROJECT_FILE["dependencies"]]
    extra = [Requirement(r) for r in PROJECT_FILE["optional-dependencies"]["test"]]
    build = [Requirement(r) for r in ("hatchling>=1.27", "editables")]
    broker = [Requirement(r) for r in PROJECT_FILE["optional-dependencies"]["rehearse"]]
    for kind, needs in (
        ("run", wanted + build),
        ("try", wanted + build + broker),
        ("test", wanted + build + broker + extra),
    ):
        have = locked(kind)
        for need in needs:
            version = have.get(canonicalize_name(need.name))
            assert version is not None, f"{need.name} is not in {LOCKS[kind].name}: run deploy/lock"
            assert need.specifier.contains(version), f"{need} against {version}: run deploy/lock"
    assert locked("run").items() <= locked("try").items() <= locked("test").items()


def test_what_a_rehearsal_alone_needs_is_in_no_room_that_runs() -> None:
    more = locked("try").keys() - locked("run").keys()
    assert "amqtt" in more
    # The broker does not come alone; none of what comes with it is wanted by anything that runs.
    assert len(more) > 5


def test_without_the_rehearsals_broker_the_command_says_what_to_install(environment: Path, tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    done = command(environment, "rehearse", "--plain", "--keep", str(kept), cwd=tmp_path)
    assert done.returncode == NotInstalled.exit_code
    assert "amqtt, is not installed" in done.stderr
    assert "-r deploy/requirements-try.lock" in done.stderr
    assert "Traceback" not in done.stderr
    assert not kept.exists()


@pytest.mark.parametrize("kind", LOCKS)
def test_nothing_is_missing_on_another_python_or_processor(kind: str) -> None:
    """A lock file is made on one computer; what its packages need elsewhere must be in it too."""
    have = locked(kind)
    looked = 0
    for name, version in have.items():
        distribution = installed(name, version)
        for text in distribution.requires or ():
            need = Requirement(text)
            for place in PLACES:
                if need.marker is None or need.marker.evaluate({**place, "extra": ""}):
                    looked += 1
                    found = have.get(canonicalize_name(need.name))
                    assert found is not None, (
                        f"{name} needs {need} on {place['python_version']} {place['platform_machine']}"
                    )
                    assert need.specifier.contains(found, prereleases=True), f"{name} needs {need}, {found} is locked"
        for place in PLACES:
            if "Requires-Python" in distribution.metadata:
                python = SpecifierSet(distribution.metadata["Requires-Python"])
                assert python.contains(place["python_full_version"]), (
                    f"{name} does not run on {place['python_version']}"
                )
    assert looked > len(PLACES) * len(PROJECT_FILE["dependencies"])


@pytest.mark.parametrize("kind", LOCKS)
def test_every_package_is_locked_by_hash_and_no_address_is_in_the_file(kind: str) -> None:
    text = LOCKS[kind].read_text(encoding="utf-8")
    head, *lines = text.splitlines()
    assert head.startswith("# Made by deploy/lock")
    for line in lines:
        assert re.fullmatch(r"[a-z0-9-]+==\S+ \\|    --hash=sha256:[0-9a-f]{64}( \\)?", line), line
    for block in re.split(r"^(?=[a-z0-9-]+==)", text, flags=re.MULTILINE)[1:]:
        assert "--hash=sha256:" in block, block


@pytest.mark.slow
def test_a_bare_environment_gets_all_it_needs_from_the_lock_file(wheel: Path, tmp_path: Path) -> None:
    """The documented way: pip checks each file against its hash; then the wheel, and not a package more."""
    place = tmp_path / "venv"
    venv.create(place, with_pip=False)
    # This one's pip installs into it, so that none has to be unpacked there.
    here = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--python", str(place / "bin" / "python")]
    pip = [*here, "--quiet", "--no-input", "install", "--no-compile"]
    done = subprocess.run([*pip, "--require-hashes", "-r", LOCKS["run"]], capture_output=True, text=True)
    if done.returncode != 0 and re.search(r"NewConnectionError|Temporary failure in name resolution", done.stderr):
        if os.environ.get("CI") == "true":
            pytest.fail(f"no package index can be reached: {done.stderr[-500:]}")
        pytest.skip("no package index can be reached")
    assert done.returncode == 0, done.stderr
    subprocess.run([*pip, "--no-deps", "--no-index", str(wheel)], check=True, capture_output=True)
    assert command(place, "--version", cwd=tmp_path).stdout == f"warmtally {__version__}\n"
    assert command(place, "species", cwd=tmp_path).returncode == 0
    subprocess.run([*here, "check"], check=True)
    test_every_module_can_be_imported_without_the_tests_packages(place, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("mark", "kept", "code", "says"),
    [
        ("", "", 0, "1 locked versions looked up: 0 taken back, 0 more on purpose"),
        ('data-yanked="it eats files"', "", 1, "taken back: nothing-much==1.0"),
        ('data-yanked=""', "nothing-much==1.0", 0, "0 taken back, 1 more on purpose"),
        (None, "", 0, "skipped: the index does not answer"),
    ],
)
def test_a_locked_version_that_the_index_took_back_is_named(
    tmp_path: Path, mark: str | None, kept: str, code: int, says: str
) -> None:
    """By an index of one package in a folder; ``kept``: what stays on purpose."""
    if shutil.which("python3.11") is None:
        pytest.skip("deploy/lock needs Python 3.11 under that name")
    line = index_of_one_package(tmp_path / "index")
    (wheel,) = (tmp_path / "index").glob("*.whl")
    if mark is not None:
        page = tmp_path / "index" / "nothing-much" / "index.html"
        page.parent.mkdir()
        page.write_text(f'<!doctype html><a href="../{wheel.name}" {mark}>{wheel.name}</a>')
    (tmp_path / "deploy").mkdir()
    (tmp_path / "deploy" / "requirements-test.lock").write_text(line)
    text = (PROJECT / "deploy" / "lock").read_text("utf-8")
    assert "yanked_and_kept=()" in text
    script = tmp_path / "deploy" / "lock"
    script.write_text(text.replace("yanked_and_kept=()", f"yanked_and_kept=({kept})"))
    environ = {k: v for k, v in os.environ.items() if not k.startswith("PIP_")}
    environ |= {"PIP_CONFIG_FILE": os.devnull, "PIP_INDEX_URL": (tmp_path / "index").as_uri()}
    done = subprocess.run(
        ["bash", script, "--yanked"], env=environ, capture_output=True, text=True, timeout=10 * MOMENT_S
    )
    assert says in done.stderr, done.stderr
    assert done.returncode == code, done.stderr
