"""The shape of the configuration file: its parts, their keys, and what each value may be.

Each table of the file is one :class:`Part`. A part with a mistake is still read as far as it goes, so that the
checks across parts (:mod:`monitor.config.room_file`) can run on the rest and a keeper sees every mistake at once. What
was wrong is remembered as :attr:`Read.broken`, so that one slip is told once and not again as its consequence.

No value of a key that may hold a secret is ever put into a text.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
import stat
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, ClassVar, Final, Generic, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from monitor.config.mistakes import MISTAKES, Findings
from monitor.config.values import (
    Address,
    Clock,
    Degrees,
    Height,
    Id,
    Percent,
    Pointer,
    Span,
    TimeForm,
    Topic,
    UrgencyWord,
    Wait,
    WebAddress,
    Weekday,
    Words,
    Zone,
    kind_of,
    seconds,
    shown,
)
from monitor.core.terms.settings import URGENCIES, DisplayUnit, Form, Language, Unit
from monitor.values import dataclass

# ---------------------------------------------------------------- the parts


class Part(BaseModel):
    """One table of the file.

    ``needed`` names the keys that must be written; the default of such a key only stands in where the file has
    a mistake, so that the rest can still be checked. Kinds are strict: a number in quotes is not a number.
    """

    model_config = ConfigDict(
        extra="forbid",
        strict=True,
        frozen=True,
        allow_inf_nan=False,
        hide_input_in_errors=True,
        # Most files have few of the parts: a part's validator is made when one is there.
        defer_build=True,
    )
    needed: ClassVar[tuple[str, ...]] = ()


class RoomPart(Part):
    needed = ("name", "time_zone")
    name: Words = ""
    time_zone: Zone = "UTC"
    display_unit: DisplayUnit = "C"


class LineKeys(Part):
    """How a broker is reached."""

    host: Words = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    username: Words | None = None
    password_file: Words | None = None
    password_env: Words | None = None
    tls: bool = False
    ca_file: Words | None = None
    cert_file: Words | None = None
    key_file: Words | None = None


class BrokerPart(LineKeys):
    client_id: Id = "warmtally"
    keepalive: Annotated[float, BeforeValidator(seconds), Field(ge=1, le=65535)] = 30.0
    session_expiry: Annotated[float, BeforeValidator(seconds), Field(ge=60, le=366 * 86400)] = 7 * 86400.0
    status_topic: Topic | None = None
    state: bool = False


class LimitKeys(Part):
    too_warm_c: Degrees | None = None
    too_warm_f: Degrees | None = None
    too_cool_c: Degrees | None = None
    too_cool_f: Degrees | None = None


class LimitsPart(LimitKeys):
    too_dry_pct: Percent | None = None
    too_damp_pct: Percent | None = None
    deadband_c: Annotated[float, Field(ge=0, le=5)] = 0.2
    on_delay: Span = 900.0
    off_delay: Span = 900.0
    max_gap: Wait = 3600.0


class BoxPart(LimitKeys):
    needed = ("id", "height_cm")
    id: Id = ""
    height_cm: Height = 0.0


class StackPart(Part):
    needed = ("id", "boxes")
    id: Id = ""
    boxes: Annotated[list[Any], Field(min_length=1)] = []


class ProbePart(Part):
    needed = ("id", "topic")
    id: Id = ""
    topic: Topic = ""
    unit: Unit = "C"
    pointer: Pointer | None = None
    list_pointer: Pointer | None = None
    time_pointer: Pointer | None = None
    time_form: TimeForm | None = None
    interval: Annotated[float, BeforeValidator(seconds), Field(gt=0, le=86400)] = 60.0
    quiet_after: Wait | None = None
    box: Id | None = None
    stack: Id | None = None
    height_cm: Height | None = None
    compared: bool = False
    accuracy_c: Annotated[float, Field(gt=0, le=10)] | None = None
    uncertainty_c: Annotated[float, Field(gt=0, le=10)] | None = None
    correction_c: Annotated[float, Field(ge=-10, le=10)] | None = None
    accuracy_pct: Annotated[float, Field(gt=0, le=30)] | None = None
    uncertainty_pct: Annotated[float, Field(gt=0, le=30)] | None = None
    correction_pct: Annotated[float, Field(ge=-30, le=30)] | None = None
    gateway: Id | None = None
    battery_of: Id | None = None
    low: Annotated[float, Field(gt=0, le=100)] | None = None
    resolution_g: Annotated[float, Field(gt=0, le=100)] | None = None


class GatewayPart(Part):
    needed = ("id", "topic")
    id: Id = ""
    topic: Topic = ""
    gone: Words = "offline"
    here: Words = "online"
    pointer: Pointer | None = None


class WatchPart(Part):
    room_quiet_after: Wait = 900.0
    uneven_c: Annotated[float, Field(gt=0, le=20)] = 1.0
    uneven_over: Wait = 86400.0
    apart_days: Annotated[float, Field(gt=0, le=60)] = 2.0
    window_near_days: Annotated[float, Field(ge=0, le=60)] = 7.0
    heading: Span = 0.0
    disk_low_mb: Annotated[float, Field(ge=10, le=1e6)] = 200.0
    repeat_now: Span = 1800.0
    repeat_today: Span = 21600.0
    quiet_from: Clock | None = None
    quiet_until: Clock | None = None
    heater_since: dt.date | None = None


class ChannelPart(Part):
    needed = ("id",)
    id: Id = ""
    url: Address | None = None
    url_file: Words | None = None
    url_env: Words | None = None
    urgencies: Annotated[list[UrgencyWord], Field(min_length=1)] = list(URGENCIES)
    after: Span = 0.0
    kinds: list[Words] = []
    stacks: list[Id] = []
    form: Form = "usual"


class PagePart(Part):
    listen: Words = "127.0.0.1:8480"
    address: WebAddress | None = None
    language: Language = "en"


class AnswersPart(Part):
    listen: Words | None = None
    address: WebAddress | None = None
    topic: Topic | None = None
    bare_numbers: bool = False
    overview: bool = False


class ShippingPart(Part):
    needed = ("url", "org", "bucket")
    url: WebAddress = "http://127.0.0.1"
    org: Words = ""
    bucket: Words = ""
    token_file: Words | None = None
    token_env: Words | None = None


class HeartbeatPart(Part):
    url: WebAddress | None = None
    url_file: Words | None = None
    url_env: Words | None = None
    every: Annotated[float, BeforeValidator(seconds), Field(ge=1, le=86400)] = 300.0


class CalendarPart(Part):
    daily_line_at: Clock = "08:00"
    drill_on: Weekday = "sunday"
    drill_at: Clock = "10:00"
    thin_after_days: Annotated[int, Field(ge=730, le=36500)] = 1100
    keep_days: Annotated[int, Field(ge=400, le=36500)] = 3650
    file: Words | None = None
    feed: bool = False
    verify_on: Weekday = "wednesday"
    verify_at: Clock = "02:30"


class BackupPart(Part):
    needed = ("folder",)
    folder: Words = ""
    at: Clock = "03:30"
    keep: Annotated[int, Field(ge=1, le=1000)] = 14


class StorePart(Part):
    data_dir: Words = "data"


class ProfilesPart(Part):
    needed = ("dir",)
    dir: Words = ""


class TextsPart(Part):
    needed = ("file",)
    file: Words = ""


TABLES: Final[dict[str, type[Part]]] = {
    "room": RoomPart,
    "broker": BrokerPart,
    "stacks": StackPart,
    "stacks.boxes": BoxPart,
    "probes": ProbePart,
    "gateways": GatewayPart,
    "limits": LimitsPart,
    "watch": WatchPart,
    "channels": ChannelPart,
    "page": PagePart,
    "answers": AnswersPart,
    "shipping": ShippingPart,
    "heartbeat": HeartbeatPart,
    "calendar": CalendarPart,
    "backup": BackupPart,
    "store": StorePart,
    "profiles": ProfilesPart,
    "texts": TextsPart,
}
MANY: Final = frozenset({"stacks", "stacks.boxes", "probes", "gateways", "channels"})
NEEDED_TABLES: Final = ("room", "stacks", "probes")

GONE: Final[dict[type[Part], dict[str, str]]] = {
    BrokerPart: {"receive_maximum": "500 readings may be under way before they are on disk"},
    WatchPart: {
        "look_every": "everything is looked at every 15 s",
        "uneven_deadband_c": "a stack is even again 0.2 C below uneven_c, or at half of it where that is less",
        "past_window_share": "a clutch is past its window by half the window's width",
        "stuck_after": "a channel or heartbeat that takes nothing is told after 15 min",
        "shipping_behind": "an outside database that takes nothing is told after 30 min",
    },
    ChannelPart: {"timeout": "a channel has 20 s to answer"},
    ShippingPart: {"every": "readings are shipped every 10 s", "timeout": "the database has 10 s to answer"},
    StorePart: {"commit_every": "readings are on disk after 10 s at the latest, and those near a limit at once"},
}
"""Keys of before that are no longer read, and what holds instead: a room that still sets one is watched as well."""

P = TypeVar("P", bound=Part)
P_co = TypeVar("P_co", bound=Part, covariant=True)


@dataclass(frozen=True, slots=True)
class Read(Generic[P_co]):
    """A part as far as it could be read; ``broken`` names the keys whose value is not the keeper's."""

    key: str
    part: P_co
    broken: frozenset[str] = frozenset()

    def sound(self, *names: str) -> bool:
        """Whether a check that looks at these keys would speak of what the keeper wrote."""
        return self.broken.isdisjoint(names)


@dataclass(slots=True)
class Contents:
    """The whole file, part by part. ``boxes`` pairs each box with the stack it stands in."""

    room: Read[RoomPart]
    broker: Read[BrokerPart]
    limits: Read[LimitsPart]
    watch: Read[WatchPart]
    calendar: Read[CalendarPart]
    store: Read[StorePart]
    page: Read[PagePart] | None
    answers: Read[AnswersPart] | None
    shipping: Read[ShippingPart] | None
    heartbeat: Read[HeartbeatPart] | None
    backup: Read[BackupPart] | None
    profiles: Read[ProfilesPart] | None
    texts: Read[TextsPart] | None
    stacks: list[Read[StackPart]]
    boxes: list[tuple[Read[BoxPart], Read[StackPart]]]
    probes: list[Read[ProbePart]]
    gateways: list[Read[GatewayPart]]
    channels: list[Read[ChannelPart]]


# ---------------------------------------------------------------- reading


def is_there(path: Path) -> Literal["file", "folder", "nothing"]:
    """What is at a path, as far as this process may see it."""
    try:
        mode = path.stat().st_mode
    except OSError:
        return "nothing"
    return "folder" if stat.S_ISDIR(mode) else "file"


def read_file(path: Path, findings: Findings) -> Contents | None:
    """Read the file's shape; None when it is no TOML at all. Every mistake goes to ``findings``."""
    tables = read_toml(path, findings)
    return None if tables is None else _read_tables(tables, findings)


def read_toml(path: Path, findings: Findings) -> dict[str, Any] | None:
    """The tables of a TOML file; None when it cannot be read or is no TOML at all, which goes to ``findings``."""
    try:
        raw = path.read_bytes()
    except OSError as error:
        findings.mistake("no-file", "", f"cannot be read ({error.strerror})", "check the path and its permissions")
        return None
    try:
        # Some editors put a byte order mark in front; TOML has none.
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        findings.mistake("not-text", "", f"byte {error.start} is not UTF-8", "save the file as plain UTF-8 text")
        return None
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        # tomllib tells line and column; a number of thousands of digits or brackets comes as another error.
        told = str(error) if isinstance(error, tomllib.TOMLDecodeError) else "a number or nesting beyond all measure"
        told = told.replace("end of document", f"the end, line {text.count(chr(10)) + 1}")
        fix = "close the quotes there" if "Illegal character '\\n'" in told else "correct that place"
        findings.mistake("syntax", "", f"not TOML: {told}", fix)
        return None


def _read_tables(tables: dict[str, Any], findings: Findings) -> Contents:
    for name in tables:
        if name not in TABLES:
            near = near_names(name, [t for t in TABLES if "." not in t])
            fix = f"did you mean {_brackets(near[0])}?" if near else f"parts are: {', '.join(sorted(TABLES))}"
            findings.mistake("unknown-key", _plain(name), "there is no such part", fix)
    guessed = {n for name in tables if name not in TABLES for n in near_names(name, list(TABLES))}
    for name in NEEDED_TABLES:
        if name not in tables and name not in guessed:
            findings.mistake("missing-part", name, "is not there", f"add {_brackets(name)}")

    def one(name: str, model: type[P]) -> Read[P]:
        return read_part(model, tables.get(name, {}), name, findings, told=name not in tables)

    def maybe(name: str, model: type[P]) -> Read[P] | None:
        return one(name, model) if name in tables else None

    def many(name: str, model: type[P]) -> list[Read[P]]:
        return list(_read_list(model, tables.get(name, []), name, findings))

    stacks = many("stacks", StackPart)
    boxes = [
        (box, stack)
        for stack in stacks
        for box in _read_list(BoxPart, stack.part.boxes, f"{stack.key}.boxes", findings)
    ]
    return Contents(
        room=one("room", RoomPart),
        broker=one("broker", BrokerPart),
        limits=one("limits", LimitsPart),
        watch=one("watch", WatchPart),
        calendar=one("calendar", CalendarPart),
        store=one("store", StorePart),
        page=maybe("page", PagePart),
        answers=maybe("answers", AnswersPart),
        shipping=maybe("shipping", ShippingPart),
        heartbeat=maybe("heartbeat", HeartbeatPart),
        backup=maybe("backup", BackupPart),
        profiles=maybe("profiles", ProfilesPart),
        texts=maybe("texts", TextsPart),
        stacks=stacks,
        boxes=boxes,
        probes=many("probes", ProbePart),
        gateways=many("gateways", GatewayPart),
        channels=many("channels", ChannelPart),
    )


def _read_list(model: type[P], raw: object, key: str, findings: Findings) -> Iterator[Read[P]]:
    if not isinstance(raw, list):
        findings.mistake("wrong-kind", key, f"is {kind_of(raw)}", f"write {_brackets(key)} above each of them")
        return
    for i, item in enumerate(raw):
        yield read_part(model, item, f"{key}[{i}]", findings)


def read_part(model: type[P], raw: object, key: str, findings: Findings, *, told: bool = False) -> Read[P]:
    """Read one table. ``told``: that its needed keys are absent was said already."""
    if not isinstance(raw, dict):
        findings.mistake("wrong-kind", key, f"is {kind_of(raw)}", f"write it as a table: {_brackets(key)}")
        return Read(key, model(), frozenset(model.model_fields))
    broken: set[str] = set()
    kept = dict(raw)
    try:
        part = model.model_validate(kept)
    except ValidationError as error:
        for detail in error.errors(include_url=False, include_input=True):
            broken.update(_tell(model, detail, key, findings))
            kept.pop(str(detail["loc"][0]), None)
        part = model.model_validate(kept)
    for name in model.needed:
        if name not in raw and name not in broken:
            broken.add(name)
            if not told:
                place = f"{key}.{name}"
                fix = f"add {_brackets(place)}" if _table(place) in MANY else f"add {name} = ..."
                findings.mistake("missing-key", place, "is not there", fix)
    return Read(key, part, frozenset(broken))


_WANTED: Final = {
    "string_type": "text in quotes",
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "list_type": "a list in square brackets",
    "date_type": "a day without quotes, such as 2026-05-01",
}
_BOUND: Final = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}
_SECRET_KEYS: Final = {"password": "password", "passwd": "password", "pass": "password", "token": "token"}


def _tell(model: type[Part], detail: ErrorDetails, key: str, findings: Findings) -> set[str]:
    """Turn one of pydantic's errors into a mistake; returns the keys it breaks."""
    name = str(detail["loc"][0])
    place = key + "." + _plain(name) + "".join(f"[{i}]" for i in detail["loc"][1:] if isinstance(i, int))
    kind, ctx, value = detail["type"], detail.get("ctx", {}), detail["input"]
    if kind == "extra_forbidden" and (instead := GONE.get(model, {}).get(name)) is not None:
        findings.advice("key-gone", place, f"this key is no longer read: {instead}", "drop it")
        return set()
    if kind == "extra_forbidden":
        secret = _SECRET_KEYS.get(name)
        if secret is not None and f"{secret}_file" in model.model_fields:
            fix = f"put it in a file of its own and name that as {secret}_file, or use {secret}_env; change it too"
            findings.mistake("secret-inline", place, "a secret does not belong into this file", fix)
            return {name, f"{secret}_file", f"{secret}_env"}
        near = near_names(name, list(model.model_fields))
        fix = f"did you mean {' or '.join(near)}?" if near else f"keys here are: {', '.join(model.model_fields)}"
        findings.mistake("unknown-key", place, "there is no such key", fix)
        return {name, *near}
    said = "this value" if _may_be_secret(name) else shown(value)
    if kind in MISTAKES:
        findings.mistake(kind, place, str(ctx["what"]), str(ctx["fix"]))
    elif kind == "literal_error":
        allowed = str(ctx["expected"]).replace("'", '"')
        findings.mistake("not-one-of", place, f"{said} is not allowed", f"use {allowed}")
    elif kind in _WANTED and not (kind == "float_type" and type(value) is int):  # an int no float can hold
        wanted = _WANTED[kind]
        if kind == "list_type" and isinstance(value, dict):
            wanted = f"{_brackets(place)}, with two brackets"
        is_kind = "has a fraction" if kind == "int_from_float" else f"is {kind_of(value)}"
        findings.mistake("wrong-kind", place, is_kind, f"write {wanted}")
    else:
        bounds = [f"{_BOUND[b]} {ctx[b]:g}" for b in _BOUND if b in ctx]
        if "min_length" in ctx or "max_length" in ctx:
            bounds = ["something" if "min_length" in ctx else f"up to {ctx['max_length']} characters"]
        findings.mistake("out-of-bounds", place, f"{said} cannot be meant", f"use {' and '.join(bounds) or 'a number'}")
    return {name}


def near_names(name: str, names: list[str]) -> list[str]:
    """Existing names that were probably meant: a slip of the fingers, or the unit left off."""
    with_unit = [n for n in names if n.rsplit("_", 1)[0] == name or n == f"{name}s"]
    return with_unit or difflib.get_close_matches(name, names, n=1, cutoff=0.7)


def _may_be_secret(name: str) -> bool:
    return any(part in name for part in ("pass", "token", "url", "user", "secret", "_env", "_file"))


def _plain(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]{1,60}", name) else shown(name)


def _table(key: str) -> str:
    return re.sub(r"\[[0-9]+\]", "", key)


def _brackets(key: str) -> str:
    table = _table(key)
    return f"[[{table}]]" if table in MANY else f"[{table}]"
