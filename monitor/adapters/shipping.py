"""Shipping to an outside database that speaks the InfluxDB 2.x write protocol. Off unless configured.

A thread of its own follows the store with a cursor and never stands in the way of readings coming in. Nothing is kept
in memory that a restart could lose: the cursor moves after the database said that it has the readings, and
whatever was under way is sent again, which changes nothing there (same measurement, tags and time).

What cannot be sent now is tried for ever, with growing pauses; a login or bucket that is refused is said and tried
seldom; a single line that is refused is set aside with its reason.
"""

from __future__ import annotations

import gzip
import logging
import math
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import closing
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Final, Literal

from monitor.adapters.store import Store
from monitor.adapters.store.shipping import DeadLetter, Fresh, Hour
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.settings import Shipping
from monitor.errors import MonitorError, ShippingRefused
from monitor.values import dataclass

log = logging.getLogger("warmtally.shipping")

State = Literal["starting", "whole", "sending", "waiting", "refused", "stopped"]

LINES_A_REQUEST: Final = 5000
_HOURS_A_LOOK: Final = 200
_LONGEST_WAIT_S: Final = 300.0
_LONGEST_ASKED_WAIT_S: Final = 3600.0
_DERIVED_EVERY_S: Final = 60.0
_NOTE_WHOLE_EVERY_S: Final = 300.0
_COUNT_EVERY_S: Final = 5.0
# So many single lines refused in a row, and none taken, are no bad lines: the bucket does not fit.
_REFUSED_IN_A_ROW: Final = 20


@dataclass(frozen=True, slots=True)
class DerivedPoint:
    """Something computed from readings, to be shown beside them. Fields that are None are left out."""

    measurement: str
    tags: Mapping[str, str]
    fields: Mapping[str, float | int | str | None]
    at_ms: int


@dataclass(frozen=True, slots=True)
class ShippingStatus:
    """How shipping fares. ``behind_since_ms``: when everything had last arrived; None when everything has."""

    state: State
    behind_rows: int = 0
    behind_since_ms: int | None = None
    last_error: str = ""
    sent_rows: int = 0


class _LaterError(Exception):
    """The database cannot take it now."""

    def __init__(self, text: str, wait_s: float = 0.0) -> None:
        super().__init__(text)
        self.wait_s = wait_s


class Shipper:
    """Sends what is stored to one bucket.

    ``quantities``: probe -> "temperature", "humidity", "battery" or "weight", a tag of its readings; ``units`` another,
    for those whose unit the quantity does not tell. ``derived`` gives what is to be shown beside them; it is called
    from this thread, at most once a minute, and only while the database answers.
    """

    def __init__(
        self,
        settings: Shipping,
        data_dir: str | Path,
        now_ms: Callable[[], int],
        *,
        quantities: Mapping[str, str] | None = None,
        units: Mapping[str, str] | None = None,
        derived: Callable[[], Sequence[DerivedPoint]] | None = None,
        hold_s: float = 300.0,
        first_wait_s: float = 1.0,
    ) -> None:
        self._settings = settings
        self._data_dir = data_dir
        self._now_ms = now_ms
        self._quantities = dict(quantities or {})
        self._units = dict(units or {})
        self._derived = derived
        self._hold_s = hold_s
        self._first_wait_s = first_wait_s
        self._destination = f"{settings.url} {settings.org}/{settings.bucket}"
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._status = ShippingStatus("starting")
        self._failures = 0
        self._refused_in_a_row = 0
        self._refused_series: set[str] = set()
        self._sent_rows = 0
        self._whole_ms: int | None = None
        self._noted_whole = -math.inf
        self._derived_at = -math.inf
        self._counted_at = -math.inf
        self._behind = 0

    def start(self) -> None:
        self._thread = threading.Thread(target=self._run, name="shipping", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float | None = None) -> None:
        """Ask the thread to end and wait for it; a request under way may take its time-out."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(self._settings.timeout_s + 5.0 if timeout_s is None else timeout_s)

    def status(self) -> ShippingStatus:
        return self._status

    # -- the thread ----------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                with Store(self._data_dir) as store, closing(_Endpoint(self._settings, self._now_ms)) as endpoint:
                    if store.shipping.begin(self._destination, self._now_ms()):
                        log.info("a new destination: all readings that are stored will be shipped")
                    self._whole_ms = store.shipping.whole_at(self._destination)
                    self._follow(store, endpoint)
            except MonitorError as error:
                self._pause("waiting", error.what, self._next_wait_s())
            except Exception:
                # Whatever this is, readings must go on coming in and the next round may work.
                log.exception("shipping failed unexpectedly; it starts anew")
                self._pause("waiting", "an unexpected failure; see the log", self._next_wait_s())
        self._show("stopped", self._status.last_error)

    def _follow(self, store: Store, endpoint: _Endpoint) -> None:
        while not self._stop.is_set():
            try:
                more = self._round(store, endpoint)
            except _LaterError as error:
                if self._stop.is_set():
                    return
                self._count(store, at_once=True)
                self._pause("waiting", str(error), max(self._next_wait_s(), error.wait_s))
                continue
            except ShippingRefused as error:
                self._count(store, at_once=True)
                self._pause("refused", str(error), self._hold_s)
                continue
            self._failures = 0
            if more:
                self._count(store, at_once=False)
                self._show("sending", "")
                continue
            self._whole(store)
            self._stop.wait(self._settings.every_s)
            # To count takes longer than to send what came meanwhile: it is for what takes a while.
            self._counted_at = time.monotonic()

    def _round(self, store: Store, endpoint: _Endpoint) -> bool:
        """Send one request's worth; True when there may be more."""
        fresh = store.shipping.fresh(self._destination, LINES_A_REQUEST)
        if fresh:
            dead = self._send(endpoint, [self._reading(r.probe, r.at_ms, r.value, r.flag) for r in _first_of(fresh)])
            store.shipping.sent(self._destination, self._now_ms(), seq=fresh[-1].seq, dead=dead)
            self._sent_rows += len(fresh)
            return True
        hours = store.shipping.hours(self._destination, _HOURS_A_LOOK)
        if hours:
            batch = _as_many(hours, LINES_A_REQUEST)
            lines = [line for hour in batch for line in self._lines_of(hour)]
            dead = []
            for start in range(0, len(lines), LINES_A_REQUEST):
                dead += self._send(endpoint, lines[start : start + LINES_A_REQUEST])
            store.shipping.sent(self._destination, self._now_ms(), hours=batch, dead=dead)
            self._sent_rows += len(lines)
            return True
        if time.monotonic() - self._derived_at >= _DERIVED_EVERY_S:
            self._derived_at = time.monotonic()
            self._send_derived(store, endpoint)
        return False

    def _send_derived(self, store: Store, endpoint: _Endpoint) -> None:
        try:
            points = self._derived() if self._derived is not None else ()
        except Exception:
            log.exception("what is derived could not be computed; readings go on being shipped")
            return
        lines = [text for point in points if (text := line(point)) and _series(text) not in self._refused_series]
        dead = self._send(endpoint, lines)
        if dead:
            # They come anew each minute: once is enough to be set aside.
            self._refused_series.update(_series(letter.line) for letter in dead)
            store.shipping.sent(self._destination, self._now_ms(), dead=dead)

    def _reading(
        self, probe: str, at_ms: int, value: float, flag: int, more: Mapping[str, float | int | None] | None = None
    ) -> str:
        quantity = self._quantities.get(probe, "unknown")
        tags = {"probe": probe, "quantity": quantity}
        if probe in self._units:
            tags["unit"] = self._units[probe]
        return line(DerivedPoint("reading", tags, {"value": value, "flag": flag, **(more or {})}, at_ms))

    def _lines_of(self, hour: Hour) -> Iterable[str]:
        columns = hour.columns
        spread = columns.spread
        rows = zip(columns.at.tolist(), columns.value.tolist(), columns.flag.tolist(), strict=True)
        for k, (at, value, flag) in enumerate(rows):
            more = None
            if spread is not None and spread.count[k] > 1:
                more = {
                    "lowest": float(spread.lowest[k]),
                    "highest": float(spread.highest[k]),
                    "readings": int(spread.count[k]),
                }
            yield self._reading(hour.probe, at, value, flag, more)

    def _send(self, endpoint: _Endpoint, lines: Sequence[str]) -> list[DeadLetter]:
        """Send all lines; returns those that will never be taken. Raises _LaterError or ShippingRefused."""
        if not lines or self._stop.is_set():
            if lines:
                raise _LaterError("stopping")
            return []
        answer = endpoint.write("\n".join(lines))
        if answer is None:
            self._refused_in_a_row = 0
            return []
        if len(lines) > 1:
            middle = len(lines) // 2
            return self._send(endpoint, lines[:middle]) + self._send(endpoint, lines[middle:])
        self._refused_in_a_row += 1
        if self._refused_in_a_row >= _REFUSED_IN_A_ROW:
            self._refused_in_a_row = 0
            raise ShippingRefused(
                f"the bucket takes none of {_REFUSED_IN_A_ROW} lines one after the other ({answer})",
                where=endpoint.name,
                fix="ship into an empty bucket of its own; what is there has other types under the same names",
            )
        log.warning("a line was refused and set aside: %s", answer)
        return [DeadLetter(lines[0], answer)]

    # -- how it fares --------------------------------------------------------------------------------------

    def _next_wait_s(self) -> float:
        self._failures += 1
        return min(self._first_wait_s * 2.0 ** min(self._failures - 1, 16), _LONGEST_WAIT_S)

    def _pause(self, state: State, error: str, wait_s: float) -> None:
        if error != self._status.last_error or state != self._status.state:
            log.warning("shipping is behind: %s", error)
        self._show(state, error)
        self._stop.wait(wait_s)

    def _count(self, store: Store, *, at_once: bool) -> None:
        if at_once or time.monotonic() - self._counted_at >= _COUNT_EVERY_S:
            self._behind = store.shipping.behind(self._destination)
            self._counted_at = time.monotonic()

    def _whole(self, store: Store) -> None:
        # Readings that came since the last look are sent in the next round; that is not being behind.
        self._whole_ms = self._now_ms()
        self._behind = 0
        if time.monotonic() - self._noted_whole >= _NOTE_WHOLE_EVERY_S:
            store.shipping.note_whole(self._destination, self._whole_ms)
            self._noted_whole = time.monotonic()
        if self._status.last_error:
            log.info("shipping has caught up")
        self._show("whole", "")

    def _show(self, state: State, error: str) -> None:
        since = None if state == "whole" else self._whole_ms
        self._status = ShippingStatus(state, self._behind, since, error, self._sent_rows)


class _Endpoint:
    """The write endpoint, and what its answers mean. Nothing it says holds the token."""

    def __init__(self, settings: Shipping, now_ms: Callable[[], int]) -> None:
        self._settings = settings
        self._now_ms = now_ms
        self.name = f"shipping to {settings.url}"
        # Only for those who ship.
        from monitor.adapters.influx_loading import writer

        self._writer = writer(settings.url, settings.token, round(settings.timeout_s * 1000))

    def close(self) -> None:
        self._writer.service.api_client.rest_client.pool_manager.clear()

    def write(self, lines: str) -> str | None:
        """None when the lines were taken; the reason when they never will be as they are.

        Raises _LaterError for what may work later, ShippingRefused for what needs the keeper's hand.
        """
        from urllib3.exceptions import HTTPError

        s = self._settings
        try:
            self._writer.service.post_write(
                s.org,
                s.bucket,
                gzip.compress(lines.encode(), compresslevel=6),
                precision="ms",
                content_encoding="gzip",
                content_type="text/plain; charset=utf-8",
            )
        except self._writer.refused as error:
            return self._judged(int(error.status or 0), dict(error.headers or {}), str(error.body or ""))
        except (HTTPError, OSError) as error:
            raise _LaterError(self._clean(f"no answer from {s.url} ({type(error).__name__})")) from error
        return None

    def _judged(self, status: int, headers: Mapping[str, str], body: str) -> str:
        said = self._clean(f"status {status}: {' '.join(body.split())[:300]}")
        if status in (400, 413, 422):
            return said
        if status in (401, 403):
            raise ShippingRefused(
                f"the login is refused ({said})", where=self.name, fix="check the token and what it may write to"
            )
        if status == 404:
            raise ShippingRefused(
                f"there is no such bucket or organisation, or no write endpoint ({said})",
                where=self.name,
                fix="check url, org and bucket under [shipping]",
            )
        asked = {name.lower(): value for name, value in headers.items()}.get("retry-after", "")
        raise _LaterError(f"the database cannot take it now ({said})", _asked_wait_s(asked, self._now_ms()))

    def _clean(self, text: str) -> str:
        return text.replace(self._settings.token, "(token)") if self._settings.token else text


def _asked_wait_s(text: str, now_ms: int) -> float:
    """Seconds of a Retry-After header, which holds a number or a date (RFC 9110, 10.2.3)."""
    try:
        seconds = float(text)
    except ValueError:
        try:
            asked = parsedate_to_datetime(text) - datetime.fromtimestamp(now_ms / 1000, UTC)
            seconds = asked.total_seconds()
        except (ValueError, TypeError):
            return 0.0
    return min(max(seconds, 0.0), _LONGEST_ASKED_WAIT_S) if math.isfinite(seconds) else 0.0


def _first_of(rows: Iterable[Fresh]) -> Iterable[Fresh]:
    """Of several readings of one moment the first counts; the outside database would keep the last."""
    seen: set[tuple[str, int]] = set()
    for row in rows:
        if (row.probe, row.at_ms) not in seen:
            seen.add((row.probe, row.at_ms))
            yield row


def _as_many(hours: Sequence[Hour], lines: int) -> list[Hour]:
    """The first hours that fit into a request, one at least."""
    taken: list[Hour] = []
    total = 0
    for hour in hours:
        total += len(hour.columns)
        if taken and total > lines:
            break
        taken.append(hour)
    return taken


def derived_points(snapshot: Snapshot) -> list[DerivedPoint]:
    """What is shown beside the readings: each box's temperature, each lot's development."""
    points = []
    for box in snapshot.boxes:
        if box.at_ms is not None:
            fields = {"temperature_c": box.now_c, "uncertainty_c": box.uncertainty_c, "humidity_pct": box.humidity_pct}
            points.append(DerivedPoint("box", {"box": box.box.id, "stack": box.box.stack}, fields, box.at_ms))
    for now in snapshot.lots:
        if now.lot.open:
            tags = {"lot": now.lot.id, "clutch": now.lot.clutch, "box": now.lot.box, "species": now.clutch.species}
            fields = {
                "development": now.past.development if now.past else None,
                "degree_days": now.past.degree_days if now.past else None,
                "filled_share": now.past.filled_share if now.past else 0.0,
            }
            points.append(DerivedPoint("lot", tags, fields, snapshot.now_ms))
    return points


# -- line protocol ------------------------------------------------------------------------------------------


def line(point: DerivedPoint) -> str:
    """One line of line protocol with milliseconds; empty when no field has a value."""
    fields = ",".join(
        f"{_escaped(name, ',= ')}={text}" for name, value in point.fields.items() if (text := _field(value))
    )
    if not fields:
        return ""
    tags = "".join(
        f",{_escaped(name, ',= ')}={_escaped(value, ',= ')}" for name, value in sorted(point.tags.items()) if value
    )
    return f"{_escaped(point.measurement, ', ')}{tags} {fields} {point.at_ms}"


def _field(value: float | int | str | None) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return f"{value}i"
    if isinstance(value, float):
        return repr(float(value)) if math.isfinite(value) else ""
    if value is None:
        return ""
    quoted = " ".join(value.split("\n")).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{quoted}"'


def _series(text: str) -> str:
    """What names the series: all before the first space that is not escaped."""
    end = 0
    while (end := text.index(" ", end)) and text[end - 1] == "\\":
        end += 1
    return text[:end]


def _escaped(text: str, signs: str) -> str:
    # A backslash before the next sign would change its meaning, and cannot itself be escaped in a tag.
    text = text.replace("\\", "/").replace("\n", " ").replace("\r", " ")
    for sign in signs:
        text = text.replace(sign, f"\\{sign}")
    return text
