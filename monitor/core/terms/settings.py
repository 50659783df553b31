"""The settings that the core works with: frozen values, already checked.

``monitor.config.room_file`` reads the keeper's file and builds these; the core never sees the file. Durations are in
seconds, temperatures in degrees Celsius, heights in cm.
"""

from __future__ import annotations

import math
from dataclasses import field
from functools import cached_property
from typing import Final, Literal

from monitor.core.terms.texts import Texts
from monitor.values import dataclass

Quantity = Literal["temperature", "humidity", "battery", "weight"]
Unit = Literal["C", "F", "K", "%", "V", "g"]
DisplayUnit = Literal["C", "F"]
Urgency = Literal["now", "today", "later"]
URGENCIES: tuple[Urgency, ...] = ("now", "today", "later")
Form = Literal["usual", "short"]
Language = Literal["en", "de"]

RESOLUTION_G: Final = 1.0
"""Of a scale of which nobody said more. Judgement, no source: what household scales show."""


def scale_sd(resolution_g: float = RESOLUTION_G) -> float:
    """Standard uncertainty of one weighing: one digit to each side, rectangular (JCGM 100:2008, 4.3.7)."""
    return resolution_g / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Probe:
    """One measured quantity at one place.

    ``pointer`` is an RFC 6901 JSON pointer to the value, or None when the payload is the bare number.
    ``time_pointer`` points at the measured time, if the payload carries one (``time_form``: "iso", "s" or "ms"
    since 1970). A batch payload: ``list_pointer`` points at an array, and ``pointer``/``time_pointer`` are
    taken within each element. ``standard_uncertainty`` is in the probe's unit (C or per cent); ``correction``
    is added when read. ``interval_s`` is how often it is expected to report. ``common_c`` is the part of the standard
    uncertainty that it shares with every probe of the same ``session`` of comparison (none: a session of no name).
    ``gateway`` is the one that passes its messages on. A battery (``quantity`` "battery", in volts or per cent) is that
    of the probe ``battery_of`` and low at ``low``; it has no place, and stands in :attr:`Room.batteries`. A scale
    (``quantity`` "weight", in grams) weighs the box that stands on it, and stands in :attr:`Room.scales`.
    """

    id: str
    topic: str
    quantity: Quantity = "temperature"
    unit: Unit = "C"
    pointer: str | None = None
    time_pointer: str | None = None
    time_form: Literal["iso", "s", "ms"] = "iso"
    list_pointer: str | None = None
    interval_s: float = 60.0
    quiet_after_s: float = 600.0
    box: str | None = None
    stack: str | None = None
    height_cm: float | None = None
    standard_uncertainty: float = 0.29
    correction: float = 0.0
    compared: bool = False
    common_c: float = 0.0
    session: str = ""
    gateway: str | None = None
    battery_of: str | None = None
    low: float | None = None

    @property
    def max_gap_s(self) -> float:
        """Longest step between two readings that a straight line still joins.

        Three intervals, but two hours at least: a box of damp substrate follows its room with a time constant
        of hours, so a straight line over two is a measurement and not a guess.
        """
        return max(3.0 * self.interval_s, 7200.0)


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of a box with the delays that keep a passing moment from waking anybody (OPC UA Part 9 B.1.5).

    The limits are inclusive. None: no limit of that kind.
    """

    too_warm_c: float | None = None
    too_cool_c: float | None = None
    deadband_c: float = 0.2
    on_delay_s: float = 900.0
    off_delay_s: float = 900.0
    max_gap_s: float = 3600.0
    too_dry_pct: float | None = None
    too_damp_pct: float | None = None


@dataclass(frozen=True, slots=True)
class Box:
    """One egg container. Its own limits win over the profile's and the room's."""

    id: str
    stack: str
    height_cm: float
    too_warm_c: float | None = None
    too_cool_c: float | None = None


@dataclass(frozen=True, slots=True)
class Watch:
    """When the conditions beside the limits are raised.

    Two of them no keeper can judge better, so the file has no key for them: ``stuck_after_s``, for a way out that takes
    nothing (a router that starts anew takes minutes), and ``shipping_behind_s``, for an outside database, of which
    nothing hangs but charts.
    """

    room_quiet_after_s: float = 900.0
    uneven_c: float = 1.0
    uneven_over_s: float = 86400.0
    apart_days: float = 2.0
    window_near_days: float = 7.0
    stuck_after_s: float = 900.0
    shipping_behind_s: float = 1800.0
    disk_low_mb: float = 200.0
    heading_s: float = 0.0
    repeat_now_s: float = 1800.0
    repeat_today_s: float = 21600.0
    quiet_from: str | None = None
    quiet_until: str | None = None
    heater_since_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Gateway:
    """What passes the messages of several probes on, and has left a last will at the broker.

    On ``topic`` it says ``here`` when it connects, and the broker says ``gone`` in its name when its line has died;
    both as the whole payload, or where ``pointer`` (RFC 6901) points in a JSON payload.
    """

    id: str
    topic: str
    gone: str = "offline"
    here: str = "online"
    pointer: str | None = None


@dataclass(frozen=True)
class Room:
    """Everything about one installation that meaning depends on.

    ``probes`` measure temperature or humidity; ``batteries`` and ``scales`` are kept apart from them, so that neither a
    voltage nor a weight is ever taken for one of these.
    """

    name: str
    zone: str
    display_unit: DisplayUnit
    stacks: tuple[str, ...]
    boxes: tuple[Box, ...]
    probes: tuple[Probe, ...]
    limits: Limits = Limits()
    watch: Watch = Watch()
    texts: Texts = field(default_factory=Texts)
    gateways: tuple[Gateway, ...] = ()
    batteries: tuple[Probe, ...] = ()
    scales: tuple[Probe, ...] = ()

    def box(self, box_id: str) -> Box | None:
        return self._box_of.get(box_id)

    @cached_property
    def _box_of(self) -> dict[str, Box]:
        return {box.id: box for box in reversed(self.boxes)}

    @cached_property
    def _inside(self) -> dict[tuple[str | None, Quantity], tuple[Probe, ...]]:
        found: dict[tuple[str | None, Quantity], tuple[Probe, ...]] = {}
        for probe in self.probes:
            place = probe.box, probe.quantity
            found[place] = (*found.get(place, ()), probe)
        return found

    @property
    def all_probes(self) -> tuple[Probe, ...]:
        """All that is read from the broker and kept."""
        return (*self.probes, *self.batteries, *self.scales)

    def probe(self, probe_id: str) -> Probe | None:
        return next((p for p in self.probes if p.id == probe_id), None)

    def probes_in(self, box_id: str, quantity: Quantity = "temperature") -> tuple[Probe, ...]:
        return self._inside.get((box_id, quantity), ())

    def height_of(self, probe: Probe) -> tuple[str, float] | None:
        """Stack and height in cm of a probe, by its box or its own place."""
        if probe.box is not None:
            box = self.box(probe.box)
            return (box.stack, box.height_cm) if box else None
        if probe.stack is not None and probe.height_cm is not None:
            return probe.stack, probe.height_cm
        return None


@dataclass(frozen=True, slots=True)
class Broker:
    """Where readings come from. The password is kept out of ``repr``.

    On ``status_topic``, if any, the service says that it is here, and the broker that it is gone; with ``state`` on
    topics below it how the room and its boxes are.
    """

    host: str = "127.0.0.1"
    port: int = 1883
    client_id: str = "warmtally"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None
    keepalive_s: int = 30
    session_expiry_s: int = 7 * 86400
    status_topic: str | None = None
    state: bool = False


@dataclass(frozen=True, slots=True)
class Channel:
    """One way to the keeper. ``url`` is an Apprise address, a secret: kept out of ``repr``.

    ``timeout_s`` has no key in the file: mail servers take seconds, and a shorter one would send a notice twice.
    ``form``: how much of a notice it is given.
    """

    id: str
    url: str = field(repr=False)
    urgencies: tuple[Urgency, ...] = URGENCIES
    timeout_s: float = 20.0
    after_s: float = 0.0
    kinds: tuple[str, ...] = ()
    stacks: tuple[str, ...] = ()
    form: Form = "usual"


@dataclass(frozen=True, slots=True)
class Answers:
    """The way back from the keeper by a topic at the broker.

    ``bare_numbers``: the number of a notice answers it without a code. ``overview``: the codes of what nobody has
    answered stand at the broker, for an overview of many rooms.
    """

    topic: str
    bare_numbers: bool = False
    overview: bool = False


@dataclass(frozen=True, slots=True)
class PagePlace:
    """Where the page is: ``listen`` is host and port. ``address`` is how others get there, and stands in links and in
    the codes of labels; empty: there are none. ``language``: of the page's own words."""

    listen: tuple[str, int] = ("127.0.0.1", 8480)
    address: str = ""
    language: Language = "en"

    @property
    def here(self) -> str:
        """The address by which this computer itself gets there."""
        host, port = self.listen
        host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104 - looked for, not listened at
        return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


@dataclass(frozen=True, slots=True)
class Shipping:
    """An outside InfluxDB 2.x write endpoint. Off unless configured.

    ``every_s`` and ``timeout_s`` have no key in the file: a chart looks the same, and nothing waits for the answer.
    """

    url: str
    org: str
    bucket: str
    token: str = field(repr=False)
    every_s: float = 10.0
    timeout_s: float = 10.0


@dataclass(frozen=True, slots=True)
class HeartbeatTarget:
    """An outside address that is called after each whole round; its silence is noticed elsewhere."""

    url: str = field(repr=False)
    every_s: float = 300.0


@dataclass(frozen=True, slots=True)
class Calendar:
    """Jobs by the calendar, at local times of the room's zone (HH:MM). And the calendar that others read: into
    ``file``, with ``feed`` from the page. ``verify_on`` and ``verify_at``: when the store is looked through."""

    daily_line_at: str = "08:00"
    drill_on: str = "sunday"
    drill_at: str = "10:00"
    keep_days: int = 3650
    thin_after_days: int = 1100
    file: str | None = None
    feed: bool = False
    verify_on: str = "wednesday"
    verify_at: str = "02:30"


@dataclass(frozen=True, slots=True)
class BackupPlan:
    """A backup each day ``at`` a local time (HH:MM) into ``folder``, of which the newest ``keep`` stay."""

    folder: str
    at: str = "03:30"
    keep: int = 14


@dataclass(frozen=True, slots=True)
class Settings:
    """All of it.

    ``tick_s`` and ``commit_every_s`` have no key in the file. Everything is looked at every ``tick_s``: far below each
    delay of a limit, and a quarter of the service manager's watchdog. Readings reach the disk, and are acknowledged,
    after ``commit_every_s`` at the latest, those near a limit at once: a commit writes one or two pages of the system's
    (6 KB in the mean), and one every other second alone would write 260 MB a day to a memory card.
    """

    room: Room
    broker: Broker
    channels: tuple[Channel, ...] = ()
    page: PagePlace | None = None
    answers: Answers | None = None
    shipping: Shipping | None = None
    heartbeat: HeartbeatTarget | None = None
    calendar: Calendar = Calendar()
    backup: BackupPlan | None = None
    data_dir: str = "data"
    profiles_dir: str | None = None
    texts_file: str | None = None
    tick_s: float = 15.0
    commit_every_s: float = 10.0
    file: str = ""


@dataclass(frozen=True, slots=True)
class RoomsAt:
    """A broker at which rooms speak. ``topic``: the status topic of each, ``answers``: its answer topic, both with one
    + in the place of the room's id; ``expected``: rooms that are told of as silent though they never spoke."""

    id: str
    broker: Broker
    topic: str = "+/warmtally"
    answers: str = "+/answer"
    expected: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class HistoryAt:
    """A time-series database to which rooms ship. ``database``: its name there, with {room} for the room's id."""

    url: str
    database: str = "{room}"
    token: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True)
class OverviewSettings:
    """An overview of many rooms. ``page`` None: it has none; ``data_dir``: who may look there, and answers on their
    way."""

    name: str
    zone: str
    brokers: tuple[RoomsAt, ...]
    page: PagePlace | None = None
    data_dir: str = "rooms-data"
    display_unit: DisplayUnit = "C"
    history: HistoryAt | None = None
