"""The room's file (TOML) to frozen settings, all mistakes at once.

``load`` gives :class:`monitor.core.terms.settings.Settings` or raises one ConfigError with a line for every mistake;
``check`` gives the same mistakes, and advice, as values; ``load_rest`` does with what is right in a file with mistakes.
The file's shape is in :mod:`monitor.config.shape`, the
checks across its parts in :mod:`monitor.config.checks`, the way to the core's words in
:mod:`monitor.config.to_settings`.

Secrets come from files or environment variables. They are only ever put into fields that ``repr`` leaves out.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final, TypeVar

from monitor.config.checks import check_all
from monitor.config.devices import check_devices
from monitor.config.mistakes import Findings, Mistake
from monitor.config.secrets import Vault
from monitor.config.shape import (
    TABLES,
    BoxPart,
    BrokerPart,
    Contents,
    Part,
    Read,
    StackPart,
    WatchPart,
    near_names,
    read_file,
)
from monitor.config.texts import own_texts
from monitor.config.to_settings import settings_of, take_secrets
from monitor.core.terms.settings import Settings
from monitor.errors import ConfigError, SecretMissing

# Without these nobody knows when something happened, or where the account lies.
NEEDED_BY_ALL: Final = ("room", "store")

P = TypeVar("P", bound=Part)


def load(
    path: str | Path,
    *,
    data_dir: str | Path | None = None,
    environ: Mapping[str, str] = os.environ,
    secrets: bool = True,
) -> Settings:
    """Read the file.

    ``data_dir`` replaces the file's. ``secrets`` False reads no secret (passwords and addresses that come from
    files or the environment stay empty): for a command that only looks into the store and may not be allowed to
    read them. Raises ConfigError with all mistakes, one per line; SecretMissing when nothing but secrets is wrong.
    """
    return load_advised(path, data_dir=data_dir, environ=environ, secrets=secrets)[0]


def load_advised(
    path: str | Path,
    *,
    data_dir: str | Path | None = None,
    environ: Mapping[str, str] = os.environ,
    secrets: bool = True,
) -> tuple[Settings, list[Mistake]]:
    """As :func:`load`, and with the settings the advice about the file and what is wrong with texts of one's own."""
    settings, findings = _examine(Path(path), data_dir, environ, secrets=secrets)
    mistakes = findings.mistakes
    if settings is None:
        kind = SecretMissing if all(m.id.startswith("secret-") for m in mistakes) else ConfigError
        raise kind("\n".join(str(m) for m in mistakes))
    return settings, findings.all


def load_rest(
    path: str | Path,
    *,
    needed: Collection[str] = NEEDED_BY_ALL,
    data_dir: str | Path | None = None,
    environ: Mapping[str, str] = os.environ,
    secrets: bool = False,
) -> tuple[Settings, list[Mistake]]:
    """What is right in a file, and the mistakes of the rest: for commands of the account, which look at no probe and
    send nothing, and for those that help to write the file.

    A probe, gateway or channel with a mistake is left out, and so is a box without an id; of the other parts what is
    wrong counts as left out. Raises as :func:`load`, with all mistakes, when the file is no TOML, or when one of them
    lies in a part that is ``needed``, or in one of which nobody knows what it was to be.
    """
    path = Path(path)
    findings = Findings(str(path))
    contents = read_file(path, findings)
    if contents is not None:
        check_all(contents, path.parent, findings)
        check_devices(contents, findings)
        take_secrets(contents, Vault(path.parent, environ, findings, secrets))
    wrong = {m.key for m in findings.mistakes}
    fatal = [m for m in findings.mistakes if contents is None or _part_of(m.key) in needed]
    if contents is None or fatal:
        kind = SecretMissing if all(m.id.startswith("secret-") for m in fatal) else ConfigError
        raise kind("\n".join(str(m) for m in findings.mistakes))
    rest = _without(contents, wrong)
    texts, _ = own_texts(rest, path)
    taken = take_secrets(rest, Vault(path.parent, environ, Findings(str(path)), secrets))
    return settings_of(rest, taken, path, data_dir, texts), findings.mistakes


def _part_of(key: str) -> str:
    """The part of the file that a mistake's key lies in; of an unknown one that which was meant, [store] where nobody
    can tell: it may have been to say where the account lies."""
    name = key.replace("[", ".").partition(".")[0]
    return name if name in TABLES else next(iter(near_names(name, list(TABLES))), "store")


def _without(contents: Contents, wrong: set[str]) -> Contents:
    """The parts of a file that none of these keys lies in."""

    def right(read: Read[P]) -> bool:
        return not any(key == read.key or key.startswith(f"{read.key}.") for key in wrong)

    def those(reads: Sequence[Read[P]]) -> list[Read[P]]:
        return [read for read in reads if right(read)]

    def maybe(read: Read[P] | None) -> Read[P] | None:
        return read if read is not None and right(read) else None

    ids: dict[str, tuple[Read[BoxPart], Read[StackPart]]] = {}
    for box, stack in contents.boxes:
        if box.sound("id"):
            ids.setdefault(box.part.id, (box, stack))
    return replace(
        contents,
        broker=contents.broker if right(contents.broker) else Read("broker", BrokerPart()),
        watch=contents.watch if right(contents.watch) else Read("watch", WatchPart()),
        page=maybe(contents.page),
        answers=maybe(contents.answers),
        shipping=maybe(contents.shipping),
        heartbeat=maybe(contents.heartbeat),
        backup=maybe(contents.backup),
        profiles=contents.profiles if contents.profiles is not None and contents.profiles.sound("dir") else None,
        texts=maybe(contents.texts),
        # A box may have lost its height or limits: no command of the account asks for them.
        stacks=[stack for stack in contents.stacks if stack.sound("id")],
        boxes=list(ids.values()),
        probes=those(contents.probes),
        gateways=those(contents.gateways),
        channels=those(contents.channels),
    )


def check(
    path: str | Path, *, data_dir: str | Path | None = None, environ: Mapping[str, str] = os.environ
) -> list[Mistake]:
    """Every mistake and every piece of advice about the file; nothing is raised."""
    return checked(path, data_dir=data_dir, environ=environ)[1]


def checked(
    path: str | Path, *, data_dir: str | Path | None = None, environ: Mapping[str, str] = os.environ
) -> tuple[Settings | None, list[Mistake]]:
    """As :func:`check`, and with the settings, secrets too, where there is no mistake."""
    settings, findings = _examine(Path(path), data_dir, environ, secrets=True)
    return settings, findings.all


def _examine(
    path: Path, data_dir: str | Path | None, environ: Mapping[str, str], *, secrets: bool
) -> tuple[Settings | None, Findings]:
    findings = Findings(str(path))
    contents = read_file(path, findings)
    if contents is None:
        return None, findings
    vault = Vault(path.parent, environ, findings, secrets)
    check_all(contents, path.parent, findings)
    check_devices(contents, findings)
    texts, of_texts = own_texts(contents, path)
    # Looked up whatever else is wrong, so that what is wrong with them is told too.
    taken = take_secrets(contents, vault)
    settings = None if findings.mistakes else settings_of(contents, taken, path, data_dir, texts)
    findings.all += of_texts
    return settings, findings
