"""From the file's words (C or F, "10 min", accuracy) to the core's (C, seconds, standard uncertainty).

A key goes to the field of its own name. What is called or reckoned otherwise stands here, each thing once.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
from pathlib import Path
from typing import Any, Final, TypeVar
from zoneinfo import ZoneInfo

from monitor.config.checks import limit
from monitor.config.mistakes import Findings
from monitor.config.page import listen_place, told_of_page
from monitor.config.secrets import Vault, carries_login
from monitor.config.shape import BrokerPart, Contents, LimitKeys, Part, ProbePart, Read
from monitor.core.terms.settings import (
    RESOLUTION_G,
    Answers,
    BackupPlan,
    Box,
    Broker,
    Calendar,
    Channel,
    Gateway,
    HeartbeatTarget,
    Limits,
    PagePlace,
    Probe,
    Room,
    Settings,
    Shipping,
    Watch,
    scale_sd,
)
from monitor.core.terms.texts import Texts
from monitor.values import dataclass

ACCURACY_C: Final = 0.5
"""Assumed when the file names none: what data sheets of small digital thermometers state (from memory)."""
ACCURACY_PCT: Final = 3.0
"""The same for relative humidity (from memory)."""
BATTERY_LOW_PCT: Final = 20.0
"""A battery that is told in per cent is low here (common practice, no source)."""
BATTERY_QUIET_S: Final = 2 * 86400.0
"""Many devices tell of their battery once a day only (common practice, no source)."""

SCALE_QUIET_S: Final = 86400.0
"""A box is weighed weekly (common practice, no source)."""

T = TypeVar("T")


@dataclass(frozen=True)
class Secrets:
    """What stands in files of its own or in the environment; kept out of ``repr``. ``urls`` as the channels stand."""

    password: str | None = dataclasses.field(repr=False)
    urls: tuple[str, ...] = dataclasses.field(repr=False)
    token: str = dataclasses.field(repr=False)
    heartbeat: str = dataclasses.field(repr=False)


def take_secrets(contents: Contents, vault: Vault) -> Secrets:
    """Look every secret up; what is wrong with them goes to the vault's findings, and the secret is empty."""
    password = vault.take(contents.broker, "password", needed=False)
    urls = tuple(vault.take(channel, "url", needed=True) or "" for channel in contents.channels)
    ship = contents.shipping
    token = vault.take(ship, "token", needed=False) if ship else None
    if ship is not None and ship.sound("url") and carries_login(ship.part.url):
        fix = "put the token in a file of its own and name it as token_file, or use token_env; change it too"
        vault.findings.mistake("secret-inline", "shipping.url", "a password or token is written in this address", fix)
    heartbeat = vault.take(contents.heartbeat, "url", needed=True) if contents.heartbeat else None
    return Secrets(password, urls, token or "", heartbeat or "")


def settings_of(
    contents: Contents, secrets: Secrets, path: Path, data_dir: str | Path | None, texts: Texts
) -> Settings:
    """The settings of a file without mistakes. Files that it names are looked for beside it, ``path``."""
    watch, ship, beat, saved = contents.watch.part, contents.shipping, contents.heartbeat, contents.backup
    told = [p.part for p in contents.probes if p.part.battery_of is None]
    own = [part for part in told if part.unit != "g"]
    interval_of = {part.id: part.interval for part in told}
    room = _by_name(
        Room,
        contents.room.part,
        zone=contents.room.part.time_zone,
        stacks=tuple(s.part.id for s in contents.stacks),
        boxes=tuple(_by_name(Box, b.part, stack=s.part.id, **_limits(b)) for b, s in contents.boxes),
        probes=tuple(_probe(part) for part in own),
        batteries=tuple(_battery(p.part, interval_of) for p in contents.probes if p.part.battery_of is not None),
        scales=tuple(_scale(part) for part in told if part.unit == "g"),
        gateways=tuple(_by_name(Gateway, g.part) for g in contents.gateways),
        limits=_by_name(Limits, contents.limits.part, **_limits(contents.limits)),
        watch=_by_name(Watch, watch, heater_since_ms=_noon_ms(watch.heater_since, contents.room.part.time_zone)),
        texts=texts,
    )

    data = str(path.parent / contents.store.part.data_dir if data_dir is None else data_dir)

    def beside(name: str | None) -> str | None:
        return str(path.parent / name) if name else None

    return Settings(
        room=room,
        broker=_broker(contents.broker.part, secrets.password, path.parent),
        channels=tuple(
            _by_name(Channel, c.part, url=url, urgencies=tuple(dict.fromkeys(c.part.urgencies)))
            for c, url in zip(contents.channels, secrets.urls, strict=True)
        ),
        page=_page(contents),
        answers=_answers(contents),
        shipping=_by_name(Shipping, ship.part, token=secrets.token) if ship else None,
        heartbeat=_by_name(HeartbeatTarget, beat.part, url=secrets.heartbeat) if beat else None,
        backup=_by_name(BackupPlan, saved.part, folder=beside(saved.part.folder)) if saved else None,
        calendar=_by_name(Calendar, contents.calendar.part, file=beside(contents.calendar.part.file)),
        data_dir=data,
        profiles_dir=beside(contents.profiles.part.dir) if contents.profiles else str(Path(data) / "species"),
        texts_file=beside(contents.texts.part.file) if contents.texts else None,
        file=str(path),
    )


def _by_name(made: type[T], part: Part, **own: Any) -> T:
    """Settings of one kind from a part of the file, key by key: each goes to the field of its name, a time span to the
    one that ends in _s, and one that is left out to what the core assumes. ``own`` goes as it is."""
    fields = {f.name for f in dataclasses.fields(made)}  # type: ignore[arg-type]
    values: dict[str, Any] = {}
    for key, value in part:
        name = key if key in fields else f"{key}_s"
        if name in fields and value is not None:
            values[name] = tuple(value) if isinstance(value, list) else value
    return made(**(values | own))


def _limits(read: Read[LimitKeys]) -> dict[str, float | None]:
    """In C, whichever unit they were written in."""
    told_before = Findings("")
    return {f"{name}_c": limit(read, name, told_before) for name in ("too_warm", "too_cool")}


def _probe(part: ProbePart) -> Probe:
    humid = part.unit == "%"
    return _by_name(
        Probe,
        part,
        quantity="humidity" if humid else "temperature",
        # Three readings missed in a row, but never so soon that a restart of the broker tells.
        quiet_after_s=max(3 * part.interval, 600.0) if part.quiet_after is None else part.quiet_after,
        standard_uncertainty=_standard_uncertainty(part),
        correction=(part.correction_pct if humid else part.correction_c) or 0.0,
    )


def _battery(part: ProbePart, interval_of: dict[str, float]) -> Probe:
    """A battery reports as often as its probe unless it says otherwise, and is not missed for days."""
    told = "interval" in part.model_fields_set
    interval_s = part.interval if told else interval_of.get(part.battery_of or "", part.interval)
    return _by_name(
        Probe,
        part,
        quantity="battery",
        interval_s=interval_s,
        quiet_after_s=max(3 * interval_s, BATTERY_QUIET_S) if part.quiet_after is None else part.quiet_after,
        standard_uncertainty=0.0,
        low=BATTERY_LOW_PCT if part.low is None else part.low,
    )


def _scale(part: ProbePart) -> Probe:
    """A scale is not missed as a probe is: the box is weighed by hand, or not this week."""
    return _by_name(
        Probe,
        part,
        quantity="weight",
        quiet_after_s=max(3 * part.interval, SCALE_QUIET_S) if part.quiet_after is None else part.quiet_after,
        standard_uncertainty=scale_sd(RESOLUTION_G if part.resolution_g is None else part.resolution_g),
    )


def _standard_uncertainty(part: ProbePart) -> float:
    """Stated, or from the accuracy taken as a rectangular half-width a: u = a / sqrt(3) (JCGM 100:2008, 4.3.7)."""
    if part.unit == "%":
        stated, half_width = part.uncertainty_pct, part.accuracy_pct or ACCURACY_PCT
    else:
        stated, half_width = part.uncertainty_c, part.accuracy_c or ACCURACY_C
    return half_width / math.sqrt(3.0) if stated is None else stated


def _broker(part: BrokerPart, password: str | None, folder: Path) -> Broker:
    files = {name: getattr(part, name) for name in ("ca_file", "cert_file", "key_file")}
    return _by_name(
        Broker,
        part,
        port=part.port if part.port is not None else (8883 if part.tls else 1883),
        password=password,
        **{name: str(folder / file) if file else None for name, file in files.items()},
        keepalive_s=round(part.keepalive),
        session_expiry_s=round(part.session_expiry),
    )


def _page(contents: Contents) -> PagePlace | None:
    """Where the page is; None where neither its part nor the old names are there."""
    listen, address = told_of_page(contents, "listen"), told_of_page(contents, "address")
    place = None if listen is None else listen_place(listen.value)
    if contents.page is None and place is None:
        return None
    usual = PagePlace()
    return PagePlace(
        usual.listen if place is None else place,
        "" if address is None else address.value,
        usual.language if contents.page is None else contents.page.part.language,
    )


def _answers(contents: Contents) -> Answers | None:
    part = contents.answers.part if contents.answers is not None else None
    return None if part is None or part.topic is None else _by_name(Answers, part)


def _noon_ms(day: dt.date | None, zone: str) -> int | None:
    """The middle of a day in the room's zone."""
    if day is None:
        return None
    at = dt.datetime(day.year, day.month, day.day, 12, tzinfo=dt.UTC if zone.upper() == "UTC" else ZoneInfo(zone))
    return round(at.timestamp() * 1000)
