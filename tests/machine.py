"""A computer inside this one: a root of its own under a real systemd, which starts and stops real services.

The root is an overlay over a folder ("/" for all that is installed here, or one that debootstrap made): nothing that
is written in it outlives it. It has its own processes, mounts and control groups, and shares the network. Needs root,
and a kernel that lets root make name spaces; where it does not, whoever asks for one is skipped with the reason.
"""

from __future__ import annotations

import contextlib
import os
import shlex
import subprocess
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.peers import MOMENT_S, wait_for

BOOT = r"""
set -e
mount -t tmpfs -o mode=755 own "$AT"
mkdir "$AT/upper" "$AT/work" "$AT/root"
mount -t overlay -o "lowerdir=$LOWER,upperdir=$AT/upper,workdir=$AT/work" root "$AT/root"
cd "$AT/root"
mkdir -p proc sys dev run tmp
mount -t proc proc proc
mount -t sysfs -o ro sysfs sys
mount -t tmpfs groups sys/fs/cgroup || true
mount -t cgroup2 groups sys/fs/cgroup
mount -t tmpfs -o mode=755 dev dev
for name in null zero full random urandom tty; do touch dev/$name; mount --bind /dev/$name dev/$name; done
mkdir dev/pts dev/shm
mount -t devpts -o newinstance,ptmxmode=0666,mode=620 devpts dev/pts
ln -s pts/ptmx dev/ptmx
ln -s /proc/self/fd dev/fd
mount -t tmpfs -o mode=1777 shm dev/shm
mount -t tmpfs -o mode=755 run run
mount -t tmpfs -o mode=1777 tmp tmp
while read -r from to; do
    [ -n "$from" ] || continue
    if [ -d "$from" ]; then mkdir -p "$AT/root$to"; else mkdir -p "$AT/root${to%/*}"; touch "$AT/root$to"; fi
    mount --bind "$from" "$AT/root$to"
    mount -o remount,ro,bind "$AT/root$to"
done <<<"$BINDS"
# Nothing that this computer would start by itself, but what is asked for; and a clock that nobody waits for.
mkdir -p etc/systemd/system
printf '[Unit]\nDescription=Nothing more\nDefaultDependencies=no\n' >etc/systemd/system/bare.target
for name in network-online.target time-sync.target systemd-udevd.service systemd-udev-trigger.service; do
    ln -sf /dev/null etc/systemd/system/$name
done
# Not only chroot: who is in one may make no name space for users, and services have theirs.
mkdir -p .outside
pivot_root . .outside
exec env -i container=other PATH=/usr/sbin:/usr/bin:/sbin:/bin \
    sh -c 'umount -l /.outside; exec "$@"' sh \
    /lib/systemd/systemd systemd.unit=bare.target --log-target=journal --show-status=0
"""


@dataclass
class Machine:
    """A computer that runs."""

    init: int
    environ: Mapping[str, str]

    def run(
        self, command: str, *, user: str = "root", environ: Mapping[str, str] | None = None
    ) -> subprocess.CompletedProcess[str]:
        """A shell's command in it, and what it said on both channels. Nobody is at the keyboard."""
        inside = [
            "nsenter",
            f"--target={self.init}",
            "--mount",
            "--pid",
            "--uts",
            "--ipc",
            "--cgroup",
            "--root",
            "--wd",
        ]
        variables = {
            "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
            **self.environ,
            **(environ or {}),
        }
        if user == "root":
            words = ["env", "-i", "HOME=/root", *(f"{k}={v}" for k, v in variables.items()), "bash", "-c", command]
        else:
            asked = " ".join(f"{k}={shlex.quote(v)}" for k, v in variables.items())
            words = ["env", "-i", "su", "--login", user, "-c", f"export {asked}; {command}"]
        return subprocess.run(
            [*inside, *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
            text=True,
            timeout=20 * MOMENT_S,
        )

    def says(self, command: str, *, user: str = "root", code: int = 0, environ: Mapping[str, str] | None = None) -> str:
        """What a command says that must end with this code."""
        done = self.run(command, user=user, environ=environ)
        assert done.returncode == code, f"{command}: {done.returncode}\n{done.stdout}"
        return done.stdout


@contextlib.contextmanager
def machine(
    folder: Path, *, lower: str = "/", binds: Mapping[str, str] | None = None, environ: Mapping[str, str] | None = None
) -> Iterator[Machine]:
    """A computer with the root of ``lower``; ``binds``: what of here is seen there, and where, to be read alone."""
    if os.geteuid() != 0:
        pytest.skip("only root can start a computer inside this one")
    if not Path(lower, "lib/systemd/systemd").exists():
        pytest.skip(f"there is no systemd at {lower}")
    folder.mkdir(parents=True, exist_ok=True)
    alone = ["unshare", "--mount", "--pid", "--uts", "--ipc", "--cgroup", "--fork", "--kill-child"]
    told = {"LOWER": lower, "AT": str(folder), "BINDS": "\n".join(f"{a} {b}" for a, b in (binds or {}).items())}
    with (folder.parent / f"{folder.name}.log").open("w+") as log:
        process = subprocess.Popen(
            ["setpriv", "--pdeathsig", "KILL", *alone, "bash", "-c", BOOT],
            env={"PATH": os.environ["PATH"], **told},
            stdout=log,
            stderr=log,
            stdin=subprocess.DEVNULL,
        )
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
        try:
            wait_for(lambda: process.poll() is not None or bool(children.read_text().split()), "a process of its own")
            init = int(children.read_text().split()[0]) if process.poll() is None else 0
            one = Machine(init, environ or {})
            wait_for(lambda: process.poll() is not None or _booted(one), "systemd to start")
            if process.poll() is not None:
                log.seek(0)
                pytest.skip(f"no computer can be started inside this one: {log.read()[-300:]}")
            yield one
        finally:
            process.kill()
            process.wait(MOMENT_S)


def _booted(one: Machine) -> bool:
    if Path(f"/proc/{one.init}/comm").read_text().strip() != "systemd":
        return False
    return one.run("systemctl is-system-running").stdout.strip() in ("running", "degraded")
