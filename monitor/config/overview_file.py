"""The file of an overview of many rooms (TOML) to its settings, all mistakes at once.

    name = "All rooms"
    time_zone = "Europe/Vienna"

    [[brokers]]
    id = "house"
    host = "192.0.2.5"
    username = "overview"
    password_file = "overview.password"
    expected = ["attic", "cellar"]

    [page]
    listen = "127.0.0.1:8481"

    [history]
    url = "http://192.0.2.6:8086"
    token_file = "history.token"

With mistakes named as in a room's file.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Final

from pydantic import Field

from monitor.config.checks import FILES_OF_A_LINE, check_line
from monitor.config.mistakes import Findings
from monitor.config.page import listen_place
from monitor.config.secrets import Vault
from monitor.config.shape import LineKeys, PagePart, Part, Read, read_part, read_toml
from monitor.config.values import Id, WebAddress, Words, Zone, shown
from monitor.core.terms.settings import (
    Broker,
    DisplayUnit,
    HistoryAt,
    OverviewSettings,
    PagePlace,
    Room,
    RoomsAt,
    Settings,
)
from monitor.errors import ConfigError, SecretMissing

USUAL: Final = (Path("config/rooms.toml"), Path("/etc/warmtally/rooms.toml"))
VARIABLE: Final = "WARMTALLY_ROOMS"
MOST_BROKERS: Final = 50
_FILTER: Final = re.compile(r"(?:[^+#\x00/]+/)*\+(?:/[^+#\x00/]+)+")


class RoomsAtPart(LineKeys):
    needed = ("id",)
    id: Id = ""
    rooms: Words = "+/warmtally"
    answers: Words = "+/answer"
    expected: Annotated[list[Id], Field(max_length=2000)] = []  # noqa: RUF012 - pydantic copies it


class OverviewPagePart(PagePart):
    listen: Words = "127.0.0.1:8481"


class HistoryPart(Part):
    needed = ("url",)
    url: WebAddress = "http://127.0.0.1"
    database: Words = "{room}"
    token_file: Words | None = None
    token_env: Words | None = None


class OverviewPart(Part):
    needed = ("name", "time_zone")
    name: Words = ""
    time_zone: Zone = "UTC"
    display_unit: DisplayUnit = "C"
    data_dir: Words = "rooms-data"


def find_overview(explicit: str | None, environ: Mapping[str, str] = os.environ) -> Path | None:
    """The overview's file: the one that was asked for (``--file``), else WARMTALLY_ROOMS, else config/rooms.toml, else
    /etc/warmtally/rooms.toml; None where there is none. Raises ConfigError for one that was named and is not there."""
    for name, source in ((explicit, "--file"), (environ.get(VARIABLE), VARIABLE)):
        if name:
            if Path(name).is_file():
                return Path(name)
            raise ConfigError(f"no file of an overview at {name}", where=source, fix="correct the path")
    return next((path for path in USUAL if path.is_file()), None)


def load_overview(path: Path, environ: Mapping[str, str] = os.environ) -> OverviewSettings:
    """Read the file. Raises ConfigError with all mistakes, a line each; SecretMissing when only secrets are wrong."""
    findings = Findings(str(path))
    tables = read_toml(path, findings)
    settings = None if tables is None else _settings(tables, path, Vault(path.parent, environ, findings, open=True))
    if settings is None or findings.mistakes:
        kind = SecretMissing if all(m.id.startswith("secret-") for m in findings.mistakes) else ConfigError
        raise kind("\n".join(str(m) for m in findings.mistakes))
    return settings


def room_of_overview(settings: OverviewSettings) -> Settings:
    """The overview as a room without boxes: what the page's frame, its doors and its people are about."""
    room = Room(settings.name, settings.zone, settings.display_unit, (), (), ())
    return Settings(room, Broker(), page=settings.page, data_dir=settings.data_dir)


def _settings(tables: dict[str, Any], path: Path, vault: Vault) -> OverviewSettings:
    findings = vault.findings
    own = {key: value for key, value in tables.items() if key not in ("brokers", "page", "history")}
    head = read_part(OverviewPart, own, "overview", findings).part
    brokers = tables.get("brokers", [])
    if not isinstance(brokers, list) or not brokers or len(brokers) > MOST_BROKERS:
        what = "is not there" if not brokers else f"is no list of up to {MOST_BROKERS} brokers"
        findings.mistake("missing-part", "brokers", what, "add [[brokers]] with id and host")
        brokers = []
    places: dict[str, RoomsAt] = {}
    for n, raw in enumerate(brokers):
        read = read_part(RoomsAtPart, raw, f"brokers[{n}]", findings)
        if read.part.id in places and read.sound("id"):
            findings.mistake("id-twice", f"{read.key}.id", f"{shown(read.part.id)} is there twice", "choose another id")
        places[read.part.id] = _place(read, path.parent, vault)
    page = None
    if "page" in tables:
        part = read_part(OverviewPagePart, tables["page"], "page", findings)
        page = _page(part, findings)
    history = None
    if "history" in tables:
        at = read_part(HistoryPart, tables["history"], "history", findings)
        history = HistoryAt(at.part.url, at.part.database, vault.take(at, "token", needed=False) or "")
    folder = str(path.parent / head.data_dir)
    return OverviewSettings(head.name, head.time_zone, tuple(places.values()), page, folder, head.display_unit, history)


def _place(read: Read[RoomsAtPart], folder: Path, vault: Vault) -> RoomsAt:
    part, findings = read.part, vault.findings
    for name in ("rooms", "answers"):
        if read.sound(name) and not _FILTER.fullmatch(getattr(part, name)):
            what = f"{shown(getattr(part, name))} does not say where the room's id stands"
            fix = f'write it with one + for the room, such as "{RoomsAtPart.model_fields[name].default}"'
            findings.mistake("bad-topic", f"{read.key}.{name}", what, fix)
    password = vault.take(read, "password", needed=False)
    check_line(read, findings, folder)
    files = {name: None if (file := getattr(part, name)) is None else str(folder / file) for name in FILES_OF_A_LINE}
    broker = Broker(
        part.host,
        part.port or (8883 if part.tls else 1883),
        username=part.username,
        password=password,
        tls=part.tls,
        ca_file=files["ca_file"],
        cert_file=files["cert_file"],
        key_file=files["key_file"],
    )
    return RoomsAt(part.id, broker, part.rooms, part.answers, tuple(part.expected))


def _page(read: Read[PagePart], findings: Findings) -> PagePlace:
    place = listen_place(read.part.listen)
    if place is None:
        what = f"{shown(read.part.listen)} is not a host with a port"
        findings.mistake("bad-listen", f"{read.key}.listen", what, 'write "0.0.0.0:8481", or "127.0.0.1:8481"')
    return PagePlace(place or ("127.0.0.1", 8481), (read.part.address or "").rstrip("/"), read.part.language)
