"""Passwords, tokens and addresses: from files, the service manager's credentials or the environment.

A secret is handed on and never put into a text. An address in the configuration itself is fine as long as it
carries no login.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from monitor.config.mistakes import Findings
from monitor.config.shape import HeartbeatPart, Part, Read
from monitor.config.values import shown
from monitor.values import dataclass

_OPEN_SCHEMES: Final = frozenset({"json", "jsons", "xml", "xmls", "form", "forms", "mailto", "mailtos", "syslog"})
_LONGEST_SECRET: Final = 16384


def carries_login(address: str) -> bool:
    """Whether an address has a password or token written into it.

    Errs to the safe side: a password may hold @, / or ?, so anything between a colon and an @ counts.
    """
    rest = address.partition("://")[2]
    before_query, _, query = rest.partition("?")
    user, at, _ = before_query.rpartition("@")
    if at and ":" in user:
        return True
    port = re.match(r"(?:\[[^\]]*\]|[^/#:]*):([^/#]*)", before_query)
    if port is not None and not re.fullmatch(r"[0-9]{0,5}", port[1]):
        return True
    names = [pair.partition("=")[0].lower() for pair in query.split("&")]
    return any(word in name for name in names for word in ("pass", "pwd", "token", "secret", "auth", "key"))


@dataclass(frozen=True)
class Vault:
    """Where secrets are taken from: files beside the configuration, the credentials folder, the environment."""

    folder: Path
    environ: Mapping[str, str]
    findings: Findings
    open: bool

    def take(self, read: Read[Part], name: str, *, needed: bool) -> str | None:
        """The secret ``name`` of a part: from name_file, name_env or (addresses) written as name."""
        keys = [f"{name}_file", f"{name}_env", name]
        if not read.sound(*keys):
            return None
        given = [key for key in keys if getattr(read.part, key, None) is not None]
        if len(given) > 1:
            what = f"{' and '.join(given)} are both there"
            self.findings.mistake("secret-source", read.key, what, "keep one of them")
            return None
        if not given:
            if needed:
                fix = f"add {name}_file, {name}_env" + (f" or {name}" if name in type(read.part).model_fields else "")
                self.findings.mistake("secret-source", read.key, f"there is no {name}", fix)
            return None
        value: str = getattr(read.part, given[0])
        place = f"{read.key}.{given[0]}"
        if given[0] == name:
            return self._written(value, place)
        if not self.open:
            return None
        secret = self._from_file(value, place) if given[0].endswith("_file") else self._from_environ(value, place)
        scheme = "https?" if isinstance(read.part, HeartbeatPart) else "[A-Za-z][A-Za-z0-9+.-]*"
        if secret is not None and name == "url" and not re.match(rf"{scheme}://\S", secret):
            begin = "http:// or https://" if isinstance(read.part, HeartbeatPart) else "scheme://"
            self.findings.mistake("bad-address", place, "what is there is not an address", f"it begins with {begin}")
        return secret

    def _written(self, address: str, place: str) -> str | None:
        if carries_login(address):
            what = "a password or token is written in this address"
            fix = "put the whole address in a file, name it as url_file (or use url_env), and change the password"
            self.findings.mistake("secret-inline", place, what, fix)
            return None
        if place.startswith("channels") and address.partition("://")[0].lower() not in _OPEN_SCHEMES:
            what = "addresses of this kind often carry a token"
            self.findings.advice("address-may-be-secret", place, what, "better name a file that holds it, as url_file")
        return address

    def _from_environ(self, name: str, place: str) -> str | None:
        value = self.environ.get(name)
        if value is None:
            # Whoever wrote the secret itself here must not find it in a log.
            known = shown(name) if re.fullmatch(r"[A-Z_][A-Z0-9_]*", name) else "named here"
            self.findings.mistake("secret-missing", place, f"the variable {known} is not set", "set it for the service")
            return None
        return self._usable(value, place, "the variable")

    def _from_file(self, name: str, place: str) -> str | None:
        if "://" in name:
            what = "this is an address, and here stands the name of the file that holds it"
            self.findings.mistake("secret-inline", place, what, "write the file's name here, and change the password")
            return None
        candidates = [self.folder / name]
        credentials = self.environ.get("CREDENTIALS_DIRECTORY")
        if credentials and Path(name).name == name:
            candidates.insert(0, Path(credentials) / name)
        for path in candidates:
            try:
                found = path.stat()
                # A pipe or a device would never end.
                small = stat.S_ISREG(found.st_mode) and found.st_size <= _LONGEST_SECRET
                text = path.read_bytes().decode("utf-8-sig") if small else None
            except (FileNotFoundError, NotADirectoryError):
                continue
            except (OSError, UnicodeDecodeError):
                text = None
            break
        else:
            looked = " and ".join(str(p) for p in candidates)
            fix = "create it, readable for the service only"
            self.findings.mistake("secret-missing", place, f"no file at {looked}", fix)
            return None
        if text is None:
            fix = "it must be a small text file that the service may read"
            self.findings.mistake("secret-unreadable", place, f"{path} cannot be read as a secret", fix)
            return None
        if os.name == "posix" and found.st_mode & stat.S_IROTH:
            what = f"everybody on this computer can read {path}"
            self.findings.advice("secret-open", place, what, f"chmod 600 {path}")
        return self._usable(text, place, str(path))

    def _usable(self, text: str, place: str, source: str) -> str | None:
        secret = text.strip("\r\n")
        if not secret.strip():
            self.findings.mistake("secret-empty", place, f"{source} is empty", "write the secret into it")
            return None
        if not secret.isprintable():
            what = f"{source} holds more than one line of text"
            self.findings.mistake("secret-unreadable", place, what, "write the secret alone, in one line")
            return None
        return secret
