"""The room's file (TOML) to frozen settings, all mistakes at once.

``load`` gives :class:`monitor.core.terms.settings.Settings` or raises one ConfigError with a line for every mistake;
``check`` gives the same mistakes, and advice, as values. The file's shape is in :mod:`monitor.config.shape`, the
checks across its parts in :mod:`monitor.config.checks`, the way to the core's words in
:mod:`monitor.config.to_settings`.

Secrets come from files or environment variables. They are only ever put into fields that ``repr`` leaves out.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from monitor.config.checks import check_all
from monitor.config.devices import check_devices
from monitor.config.mistakes import Findings, Mistake
from monitor.config.secrets import Vault
from monitor.config.shape import read_file
from monitor.config.texts import own_texts
from monitor.config.to_settings import settings_of, take_secrets
from monitor.core.terms.settings import Settings
from monitor.errors import ConfigError, SecretMissing


def find_config(explicit: str | None, environ: Mapping[str, str] = os.environ) -> Path:
    """The configuration file to use.

    What was asked for (``--config``), else WARMTALLY_CONFIG, else config/room.toml, else
    /etc/warmtally/room.toml. A file that was named is not replaced by another when it is missing.
    Raises ConfigError that lists where it looked.
    """
    named = [(explicit, "--config"), (environ.get("WARMTALLY_CONFIG"), "WARMTALLY_CONFIG")]
    for name, source in named:
        if name:
            if Path(name).is_file():
                return Path(name)
            raise ConfigError(f"no configuration file at {name}", where=source, fix="correct the path")
    usual = [Path("config/room.toml"), Path("/etc/warmtally/room.toml")]
    for path in usual:
        if path.is_file():
            return path
    looked = ", ".join(["--config (not given)", "WARMTALLY_CONFIG (not set)", *(str(p.absolute()) for p in usual)])
    raise ConfigError(
        f"no configuration file; looked at: {looked}", fix="copy the example config/room.toml and give it by --config"
    )


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


def check(
    path: str | Path, *, data_dir: str | Path | None = None, environ: Mapping[str, str] = os.environ
) -> list[Mistake]:
    """Every mistake and every piece of advice about the file; nothing is raised."""
    return _examine(Path(path), data_dir, environ, secrets=True)[1].all


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
