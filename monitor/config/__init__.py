"""The keeper's configuration file (TOML) to frozen settings, all mistakes at once.

``load`` gives :class:`monitor.core.terms.settings.Settings` or raises one ConfigError with a line for every mistake;
``check`` gives the same mistakes, and advice, as values. The file's shape is in :mod:`monitor.config.shape`, the
checks across its parts in :mod:`monitor.config.checks`; here stands the way from the file's words (C or F,
"10 min", accuracy) to the core's (C, seconds, standard uncertainty).

Secrets come from files or environment variables. They are only ever put into fields that ``repr`` leaves out.
"""

from __future__ import annotations

import datetime as dt
import math
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from monitor.config.answers import answers_of
from monitor.config.checks import check_all, limit
from monitor.config.devices import check_devices
from monitor.config.mistakes import MISTAKES, Findings, Mistake
from monitor.config.secrets import Vault, carries_login
from monitor.config.shape import Contents, ProbePart, read_file
from monitor.config.texts import own_texts
from monitor.core.terms.settings import (
    Box,
    Broker,
    Calendar,
    Channel,
    Gateway,
    Heartbeat,
    Limits,
    Probe,
    Room,
    Settings,
    Shipping,
    Watch,
)
from monitor.core.terms.texts import Texts
from monitor.errors import ConfigError, SecretMissing

__all__ = ["MISTAKES", "Mistake", "check", "find_config", "load"]

ACCURACY_C: Final = 0.5
"""Assumed when the file names none: what data sheets of small digital thermometers state (from memory)."""
ACCURACY_PCT: Final = 3.0
"""The same for relative humidity (from memory)."""
BATTERY_LOW_PCT: Final = 20.0
"""A battery that is told in per cent is low here (common practice, no source)."""
BATTERY_QUIET_S: Final = 2 * 86400.0
"""Many devices tell of their battery once a day only (common practice, no source)."""


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
    settings, findings = _examine(Path(path), data_dir, environ, secrets=secrets)
    mistakes = findings.mistakes
    if settings is None:
        kind = SecretMissing if all(m.id.startswith("secret-") for m in mistakes) else ConfigError
        raise kind("\n".join(str(m) for m in mistakes))
    return settings


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
    settings = _build(contents, vault, path, data_dir, findings, texts)
    findings.all += of_texts
    return (None if findings.mistakes else settings), findings


def _standard_uncertainty(part: ProbePart) -> float:
    """Stated, or from the accuracy taken as a rectangular half-width a: u = a / sqrt(3) (JCGM 100:2008, 4.3.7)."""
    if part.unit == "%":
        stated, half_width = part.uncertainty_pct, part.accuracy_pct or ACCURACY_PCT
    else:
        stated, half_width = part.uncertainty_c, part.accuracy_c or ACCURACY_C
    return half_width / math.sqrt(3.0) if stated is None else stated


def _probe(part: ProbePart) -> Probe:
    humid = part.unit == "%"
    correction = part.correction_pct if humid else part.correction_c
    return Probe(
        id=part.id,
        topic=part.topic,
        quantity="humidity" if humid else "temperature",
        unit=part.unit,
        pointer=part.pointer,
        time_pointer=part.time_pointer,
        time_form=part.time_form or "iso",
        list_pointer=part.list_pointer,
        interval_s=part.interval,
        # Three readings missed in a row, but never so soon that a restart of the broker tells.
        quiet_after_s=max(3 * part.interval, 600.0) if part.quiet_after is None else part.quiet_after,
        box=part.box,
        stack=part.stack,
        height_cm=part.height_cm,
        standard_uncertainty=_standard_uncertainty(part),
        correction=correction or 0.0,
        compared=part.compared,
        gateway=part.gateway,
    )


def _battery(part: ProbePart, contents: Contents) -> Probe:
    """A battery reports as often as its probe unless it says otherwise, and is not missed for days."""
    own = {p.part.id: p.part for p in contents.probes}
    interval_s = part.interval
    if "interval" not in part.model_fields_set and part.battery_of in own:
        interval_s = own[part.battery_of].interval
    return Probe(
        id=part.id,
        topic=part.topic,
        quantity="battery",
        unit=part.unit,
        pointer=part.pointer,
        time_pointer=part.time_pointer,
        time_form=part.time_form or "iso",
        list_pointer=part.list_pointer,
        interval_s=interval_s,
        quiet_after_s=max(3 * interval_s, BATTERY_QUIET_S) if part.quiet_after is None else part.quiet_after,
        standard_uncertainty=0.0,
        gateway=part.gateway,
        battery_of=part.battery_of,
        low=BATTERY_LOW_PCT if part.low is None else part.low,
    )


def _noon_ms(day: dt.date | None, zone: str) -> int | None:
    """The middle of a day in the room's zone; a zone with a mistake is told elsewhere."""
    if day is None:
        return None
    at = dt.datetime(day.year, day.month, day.day, 12, tzinfo=dt.UTC if zone.upper() == "UTC" else ZoneInfo(zone))
    return round(at.timestamp() * 1000)


def _build(
    contents: Contents,
    vault: Vault,
    path: Path,
    data_dir: str | Path | None,
    findings: Findings,
    texts: Texts,
) -> Settings | None:
    """The settings, or None when there are mistakes; secrets are looked up either way so that theirs are told too."""
    password = vault.take(contents.broker, "password", needed=False)
    urls = [vault.take(channel, "url", needed=True) for channel in contents.channels]
    token = vault.take(contents.shipping, "token", needed=False) if contents.shipping else None
    ship = contents.shipping
    if ship is not None and ship.sound("url") and carries_login(ship.part.url):
        fix = "put the token in a file of its own and name it as token_file, or use token_env; change it too"
        findings.mistake("secret-inline", "shipping.url", "a password or token is written in this address", fix)
    beat_url = vault.take(contents.heartbeat, "url", needed=True) if contents.heartbeat else None
    if findings.mistakes:
        return None
    quiet = Findings(findings.file)
    broker, limits, watch = contents.broker.part, contents.limits, contents.watch.part
    beat, calendar = contents.heartbeat, contents.calendar.part

    def beside(name: str) -> str:
        return str(path.parent / name)

    return Settings(
        room=Room(
            name=contents.room.part.name,
            zone=contents.room.part.time_zone,
            display_unit=contents.room.part.display_unit,
            stacks=tuple(s.part.id for s in contents.stacks),
            boxes=tuple(
                Box(
                    id=box.part.id,
                    stack=stack.part.id,
                    height_cm=box.part.height_cm,
                    too_warm_c=limit(box, "too_warm", quiet),
                    too_cool_c=limit(box, "too_cool", quiet),
                )
                for box, stack in contents.boxes
            ),
            probes=tuple(_probe(p.part) for p in contents.probes if p.part.battery_of is None),
            batteries=tuple(_battery(p.part, contents) for p in contents.probes if p.part.battery_of is not None),
            gateways=tuple(
                Gateway(g.part.id, g.part.topic, g.part.gone, g.part.here, g.part.pointer) for g in contents.gateways
            ),
            limits=Limits(
                too_warm_c=limit(limits, "too_warm", quiet),
                too_cool_c=limit(limits, "too_cool", quiet),
                deadband_c=limits.part.deadband_c,
                on_delay_s=limits.part.on_delay,
                off_delay_s=limits.part.off_delay,
                max_gap_s=limits.part.max_gap,
                too_dry_pct=limits.part.too_dry_pct,
                too_damp_pct=limits.part.too_damp_pct,
            ),
            watch=Watch(
                room_quiet_after_s=watch.room_quiet_after,
                uneven_c=watch.uneven_c,
                uneven_deadband_c=watch.uneven_deadband_c,
                uneven_over_s=watch.uneven_over,
                apart_days=watch.apart_days,
                window_near_days=watch.window_near_days,
                past_window_share=watch.past_window_share,
                stuck_after_s=watch.stuck_after,
                shipping_behind_s=watch.shipping_behind,
                disk_low_mb=watch.disk_low_mb,
                heading_s=watch.heading,
                repeat_now_s=watch.repeat_now,
                repeat_today_s=watch.repeat_today,
                quiet_from=watch.quiet_from,
                quiet_until=watch.quiet_until,
                heater_since_ms=_noon_ms(watch.heater_since, contents.room.part.time_zone),
            ),
            texts=texts,
        ),
        broker=Broker(
            host=broker.host,
            port=broker.port if broker.port is not None else (8883 if broker.tls else 1883),
            client_id=broker.client_id,
            username=broker.username,
            password=password,
            tls=broker.tls,
            ca_file=beside(broker.ca_file) if broker.ca_file else None,
            cert_file=beside(broker.cert_file) if broker.cert_file else None,
            key_file=beside(broker.key_file) if broker.key_file else None,
            keepalive_s=round(broker.keepalive),
            session_expiry_s=round(broker.session_expiry),
            receive_maximum=broker.receive_maximum,
            status_topic=broker.status_topic,
        ),
        channels=tuple(
            Channel(
                id=c.part.id,
                url=url or "",
                urgencies=tuple(dict.fromkeys(c.part.urgencies)),
                timeout_s=c.part.timeout,
                after_s=c.part.after,
                kinds=tuple(c.part.kinds),
                stacks=tuple(c.part.stacks),
            )
            for c, url in zip(contents.channels, urls, strict=True)
        ),
        answers=answers_of(contents.answers),
        shipping=Shipping(
            url=ship.part.url,
            org=ship.part.org,
            bucket=ship.part.bucket,
            token=token or "",
            every_s=ship.part.every,
            timeout_s=ship.part.timeout,
        )
        if ship
        else None,
        heartbeat=Heartbeat(url=beat_url or "", every_s=beat.part.every) if beat else None,
        calendar=Calendar(
            daily_line_at=calendar.daily_line_at,
            drill_on=calendar.drill_on,
            drill_at=calendar.drill_at,
            keep_days=calendar.keep_days,
        ),
        data_dir=str(data_dir) if data_dir is not None else beside(contents.store.part.data_dir),
        profiles_dir=beside(contents.profiles.part.dir) if contents.profiles else None,
        texts_file=beside(contents.texts.part.file) if contents.texts else None,
        tick_s=watch.look_every,
        commit_every_s=contents.store.part.commit_every,
        file=str(path),
    )
