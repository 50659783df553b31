"""Checks across the parts of a configuration: what each key alone cannot know.

A check is silent where a key it looks at could not be read: that was told already.
"""

from __future__ import annotations

import difflib
import math
import re
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path
from typing import Final, get_args

from monitor.config.mistakes import Findings
from monitor.config.page import check_page
from monitor.config.shape import Contents, LimitKeys, LineKeys, Part, Read, is_there
from monitor.config.values import shown
from monitor.core.notices.conditions import KindName

COLDEST_LIMIT_C: Final = -10.0
WARMEST_LIMIT_C: Final = 50.0
NOT_WARMTH: Final = ("%", "V", "g")

_LOCAL: Final = frozenset({"localhost", "127.0.0.1", "::1", "[::1]"})


def check_all(contents: Contents, folder: Path, findings: Findings) -> None:
    """Every check across parts; ``folder`` is where named files are looked for."""
    _check_ids(contents, findings)
    _check_places(contents, findings)
    _check_payloads(contents, findings)
    _check_probes(contents, findings)
    _check_limits(contents, findings)
    _check_rhythm(contents, findings)
    _check_broker(contents, findings, folder)
    _check_watchers(contents, findings, folder)
    check_page(contents, findings)


def celsius(temperature_f: float) -> float:
    """Degrees Fahrenheit to Celsius, by definition; rounded so that 82.4 F is 28.0 C and not a hair beside it."""
    return round((temperature_f - 32.0) * 5.0 / 9.0, 9)


def _check_ids(contents: Contents, findings: Findings) -> None:
    boxes = [box for box, _ in contents.boxes]
    kinds: list[tuple[str, Iterable[Read[Part]]]] = [
        ("stack", contents.stacks),
        ("box", boxes),
        ("probe", contents.probes),
        ("gateway", contents.gateways),
        ("channel", contents.channels),
    ]
    for kind, reads in kinds:
        first: dict[str, str] = {}
        for read in reads:
            name = getattr(read.part, "id", "")
            if not read.sound("id"):
                continue
            if name in first:
                what = f"{kind} {shown(name)} is there already, at {first[name]}"
                findings.mistake("id-twice", f"{read.key}.id", what, "give each its own id")
            first.setdefault(name, read.key)


def _check_places(contents: Contents, findings: Findings) -> None:
    boxes = {box.part.id for box, _ in contents.boxes}
    stacks = {stack.part.id for stack in contents.stacks}
    # With an id that could not be read, "there is no such box" may be a consequence and not a mistake.
    all_boxes = all(b.sound("id") for b, _ in contents.boxes) and all(s.sound("boxes") for s in contents.stacks)
    all_stacks = all(s.sound("id") for s in contents.stacks)
    for probe in contents.probes:
        part = probe.part
        if not probe.sound("box", "stack", "height_cm", "unit", "battery_of") or part.battery_of is not None:
            continue
        if part.unit != "g" and part.box is not None and (part.stack is not None or part.height_cm is not None):
            what = "the probe has a box and a place of its own"
            fix = "keep box, or stack and height_cm; a box has its height already"
            findings.mistake("place-twice", f"{probe.key}.box", what, fix)
        elif part.unit != "g" and part.box is None and (part.stack is None or part.height_cm is None):
            what = "it is not said where the probe is"
            findings.mistake("no-place", probe.key, what, "add box, or both stack and height_cm")
        if part.box is not None and part.box not in boxes and contents.stacks and all_boxes:
            what = f"there is no box {shown(part.box)}"
            findings.mistake("unknown-box", f"{probe.key}.box", what, instead(part.box, "boxes", boxes))
        if part.stack is not None and part.stack not in stacks and contents.stacks and all_stacks:
            what = f"there is no stack {shown(part.stack)}"
            findings.mistake("unknown-stack", f"{probe.key}.stack", what, instead(part.stack, "stacks", stacks))
    unsure = {"id-twice", "no-place", "place-twice", "unknown-box", "unknown-stack"} & {m.id for m in findings.mistakes}
    sound = all(p.sound("box", "stack", "height_cm", "unit") for p in contents.probes)
    if unsure or not (contents.probes and sound and all_boxes and all_stacks):
        return
    stack_of = {box.part.id: stack.part.id for box, stack in contents.boxes}
    warm = [p.part for p in contents.probes if p.part.unit not in NOT_WARMTH and p.part.battery_of is None]
    measured = {p.stack for p in warm} | {stack_of.get(p.box) for p in warm if p.box is not None}
    for box, stack in contents.boxes:
        if stack.part.id not in measured:
            what = f"no temperature probe is in box {shown(box.part.id)} or elsewhere in its stack"
            findings.advice("box-unmeasured", box.key, what, "add a probe, or its eggs get no forecast")


def _check_payloads(contents: Contents, findings: Findings) -> None:
    seen: dict[tuple[str, str | None, str | None], str] = {}
    bare: dict[str, dict[bool, str]] = defaultdict(dict)
    for probe in contents.probes:
        part = probe.part
        if not probe.sound("topic", "pointer", "list_pointer", "time_pointer"):
            continue
        whole = part.pointer is None and part.list_pointer is None
        if whole and part.time_pointer is not None:
            what = "a payload that is the bare number carries no time"
            findings.mistake("pointers-unfit", f"{probe.key}.time_pointer", what, "add pointer, or drop time_pointer")
        elif part.list_pointer is not None and part.time_pointer is None:
            what = "without a time of their own, all readings of the list would fall on one moment"
            findings.mistake("pointers-unfit", f"{probe.key}.list_pointer", what, "add time_pointer")
        elif part.time_form is not None and part.time_pointer is None:
            what = "time_form says how a time is written, but no time_pointer says where"
            findings.mistake("pointers-unfit", f"{probe.key}.time_form", what, "add time_pointer, or drop time_form")
        same = seen.setdefault((part.topic, part.list_pointer, part.pointer), probe.key)
        if same != probe.key:
            what = f"{same} reads the same value of topic {shown(part.topic)}"
            findings.mistake("same-reading-twice", f"{probe.key}.topic", what, "give each its own topic or pointer")
        forms = bare[part.topic]
        forms.setdefault(whole, probe.key)
        if len(forms) == 2 and forms[whole] == probe.key:
            what = f"{forms[not whole]} takes the payload of topic {shown(part.topic)} differently"
            fix = "one topic is either a bare number (no pointer) or JSON (pointer)"
            findings.mistake("two-payload-forms", f"{probe.key}.topic", what, fix)


def _check_probes(contents: Contents, findings: Findings) -> None:
    for probe in contents.probes:
        part = probe.part
        if not probe.sound("unit", "battery_of") or part.battery_of is not None or part.unit in ("V", "g"):
            continue
        own, other = ("pct", "c") if part.unit == "%" else ("c", "pct")
        for name in ("accuracy", "uncertainty", "correction"):
            if getattr(part, f"{name}_{other}") is not None:
                what = f"this probe's unit is {part.unit}"
                findings.mistake("unit-unfit", f"{probe.key}.{name}_{other}", what, f"use {name}_{own}")
        if getattr(part, f"accuracy_{own}") is not None and getattr(part, f"uncertainty_{own}") is not None:
            what = "both say how far the probe may be off"
            fix = f"keep uncertainty_{own} (from a comparison), or accuracy_{own} (from the data sheet)"
            findings.mistake("uncertainty-twice", f"{probe.key}.uncertainty_{own}", what, fix)


def _check_limits(contents: Contents, findings: Findings) -> None:
    limits = contents.limits
    room_warm, room_cool = limit(limits, "too_warm", findings), limit(limits, "too_cool", findings)
    deadband = limits.part.deadband_c if limits.sound("deadband_c") else 0.0
    _check_span(limits, room_warm, room_cool, deadband, findings)
    dry, damp = limits.part.too_dry_pct, limits.part.too_damp_pct
    if limits.sound("too_dry_pct", "too_damp_pct") and dry is not None and damp is not None and dry >= damp:
        what = f"too dry from {dry:g} % down and too damp from {damp:g} % up leave nothing between"
        findings.mistake("limits-crossed", f"{limits.key}.too_dry_pct", what, "set too_dry_pct below too_damp_pct")
    found = room_warm is not None or room_cool is not None or not limits.sound(*LimitKeys.model_fields)
    for box, _ in contents.boxes:
        warm, cool = limit(box, "too_warm", findings), limit(box, "too_cool", findings)
        if warm is not None or cool is not None:
            found = True
            in_force = room_warm if warm is None else warm, room_cool if cool is None else cool
            _check_span(box, *in_force, deadband, findings)
        found = found or not box.sound(*LimitKeys.model_fields)
    if not found:
        what = "neither the room nor any box has a limit of its own; only a species' profile has"
        findings.advice("no-limits", "limits", what, "add too_warm_c and too_cool_c")


def limit(read: Read[LimitKeys], name: str, findings: Findings) -> float | None:
    """One limit in C, whichever unit it was written in; None also when it has a mistake."""
    in_c, in_f = getattr(read.part, f"{name}_c"), getattr(read.part, f"{name}_f")
    if not read.sound(f"{name}_c", f"{name}_f"):
        return None
    if in_c is not None and in_f is not None:
        what = f"{name} is there in C and in F"
        findings.mistake("limit-twice", f"{read.key}.{name}_f", what, f"keep {name}_c or {name}_f")
        return None
    found: float | None = celsius(in_f) if in_f is not None else in_c
    if found is not None and not COLDEST_LIMIT_C <= found <= WARMEST_LIMIT_C:
        unit = "c" if in_f is None else "f"
        what = f"{in_c if in_f is None else in_f:g} {unit.upper()} is no limit for eggs"
        fix = f"a limit is {COLDEST_LIMIT_C:g} to {WARMEST_LIMIT_C:g} C (14 to 122 F)"
        if unit == "c" and COLDEST_LIMIT_C <= celsius(found) <= WARMEST_LIMIT_C:
            fix += f"; if it is in F, write {name}_f"
        findings.mistake("limit-out-of-range", f"{read.key}.{name}_{unit}", what, fix)
        return None
    return found


def _check_span(
    read: Read[LimitKeys], warm: float | None, cool: float | None, deadband: float, findings: Findings
) -> None:
    if warm is None or cool is None:
        return
    if cool >= warm:
        what = f"too cool from {cool:g} C down and too warm from {warm:g} C up leave nothing between"
        findings.mistake("limits-crossed", read.key, what, "set too_cool below too_warm")
    elif deadband >= warm - cool:
        what = f"a deadband of {deadband:g} C does not fit between {cool:g} and {warm:g} C"
        findings.mistake("deadband-too-wide", read.key, what, "lower deadband_c, or move the limits apart")


def _check_rhythm(contents: Contents, findings: Findings) -> None:
    max_gap = contents.limits.part.max_gap if contents.limits.sound("max_gap") else math.inf
    for probe in contents.probes:
        part = probe.part
        if not probe.sound("interval", "quiet_after"):
            continue
        if part.quiet_after is not None and part.quiet_after < part.interval:
            what = f"quiet after {part.quiet_after:g} s, but a reading is only due every {part.interval:g} s"
            fix = f"raise it to {3 * part.interval:g} s or more, or leave it out"
            findings.mistake("quiet-before-interval", f"{probe.key}.quiet_after", what, fix)
        elif part.quiet_after is not None and part.quiet_after < 2 * part.interval:
            what = "one lost message is enough to call this probe quiet"
            findings.advice("quiet-too-soon", f"{probe.key}.quiet_after", what, f"try {3 * part.interval:g} s")
        judged = part.unit not in NOT_WARMTH and part.battery_of is None and probe.sound("unit", "battery_of")
        if judged and part.interval > max_gap:
            what = f"readings every {part.interval:g} s are farther apart than limits.max_gap, {max_gap:g} s"
            fix = "raise max_gap above the interval; else no limit ever counts as passed long enough"
            findings.mistake("gap-below-interval", f"{probe.key}.interval", what, fix)
    watch = contents.watch
    probes = [p for p in contents.probes if p.part.battery_of is None and p.part.unit != "g"]
    sound = [p.part.interval for p in probes if p.sound("interval")]
    if sound and len(sound) == len(probes) and watch.sound("room_quiet_after"):
        quiet = watch.part.room_quiet_after
        if quiet < min(sound):
            what = f"the room counts as quiet after {quiet:g} s, but no probe reports oftener than {min(sound):g} s"
            fix = f"raise it to {3 * min(sound):g} s or more"
            findings.mistake("quiet-before-interval", f"{watch.key}.room_quiet_after", what, fix)


FILES_OF_A_LINE: Final = ("ca_file", "cert_file", "key_file")


def check_line(broker: Read[LineKeys], findings: Findings, folder: Path) -> None:
    """Whether what is told of a line to a broker fits together, its files beside the file in ``folder``."""
    part = broker.part
    for name in FILES_OF_A_LINE:
        value = getattr(part, name)
        if value is not None and is_there(folder / value) != "file":
            findings.mistake("file-missing", f"{broker.key}.{name}", f"no file at {folder / value}", "correct the path")
        if value is not None and not part.tls and broker.sound("tls"):
            findings.mistake("tls-unfit", f"{broker.key}.{name}", "certificates need TLS", "add tls = true")
    if (part.cert_file is None) != (part.key_file is None) and broker.sound("cert_file", "key_file"):
        findings.mistake("tls-unfit", broker.key, "cert_file and key_file go together", "give both or none")
    if (
        broker.sound("username", "password_file", "password_env")
        and part.username is None
        and (part.password_file or part.password_env)
    ):
        findings.mistake("password-alone", broker.key, "a password without username", "add username")


def _check_broker(contents: Contents, findings: Findings, folder: Path) -> None:
    broker, part = contents.broker, contents.broker.part
    check_line(broker, findings, folder)
    known = broker.sound("username", "password_file", "password_env", "tls", "host")
    if known and part.username is not None and not part.tls and part.host not in _LOCAL:
        what = "the login crosses the network in the clear"
        findings.advice("login-in-clear", f"{broker.key}.tls", what, "set tls = true and port 8883")
    if broker.sound("port", "tls") and part.port == (1883 if part.tls else 8883):
        what = f"port {part.port} is usually {'without' if part.tls else 'with'} TLS"
        findings.advice("port-unlike-tls", f"{broker.key}.port", what, "check port and tls")


def _check_watchers(contents: Contents, findings: Findings, folder: Path) -> None:
    if not contents.channels:
        findings.advice("no-channels", "channels", "notices only reach the log", "add [[channels]]")
    elif all(c.sound("urgencies") and "now" not in c.part.urgencies for c in contents.channels):
        what = 'no channel takes urgency "now": nobody is woken'
        findings.advice("nobody-woken", "channels", what, 'add "now" to the urgencies of one')
    _check_ways(contents, findings)
    _check_calendar(contents, findings, folder)
    _check_backup(contents, findings, folder)
    if contents.heartbeat is None:
        what = "if this computer stops, nothing tells"
        fix = "add [heartbeat] with an address elsewhere that misses the calls"
        findings.advice("no-heartbeat", "heartbeat", what, fix)
    if contents.profiles is not None and contents.profiles.sound("dir"):
        named = folder / contents.profiles.part.dir
        if is_there(named) != "folder":
            findings.mistake("file-missing", "profiles.dir", f"no folder at {named}", "create it or correct the path")
    shipping = contents.shipping
    if shipping is not None and shipping.sound("url") and (shipping.part.token_file or shipping.part.token_env):
        host = re.match(r"http://(\[[^\]]*\]|[^/:?#]*)", shipping.part.url)
        if host is not None and host[1] not in _LOCAL:
            what = "the token crosses the network in the clear"
            findings.advice("login-in-clear", "shipping.url", what, "use https://")


def _check_calendar(contents: Contents, findings: Findings, folder: Path) -> None:
    calendar, answers = contents.calendar, contents.answers
    no_page = contents.page is None and (answers is None or answers.part.listen is None)
    name = calendar.part.file
    if name is not None and calendar.sound("file") and is_there((folder / name).parent) != "folder":
        what = f"no folder at {(folder / name).parent}"
        findings.mistake("calendar-unfit", f"{calendar.key}.file", what, "create it or correct the path")
    if calendar.part.feed and calendar.sound("feed") and no_page:
        what = "the page serves it, and there is no page"
        findings.mistake("calendar-unfit", f"{calendar.key}.feed", what, "add [page]")


def _check_backup(contents: Contents, findings: Findings, folder: Path) -> None:
    if contents.backup is None or not contents.backup.sound("folder") or not contents.store.sound("data_dir"):
        return
    places = [folder / contents.backup.part.folder, folder / contents.store.part.data_dir]
    if _disk_of(places[0]) == _disk_of(places[1]):
        what = "backups lie on the disk on which the store lies: when it dies, both are gone"
        findings.advice("backup-beside", f"{contents.backup.key}.folder", what, "better name a folder on another disk")


def _disk_of(path: Path) -> int | None:
    """The disk of a path, or of the nearest folder above it that is there."""
    for each in (path.absolute(), *path.absolute().parents):
        try:
            return each.stat().st_dev
        except OSError:
            continue
    return None


def _check_ways(contents: Contents, findings: Findings) -> None:
    """Which notices go to which channel, and when none does."""
    kinds = get_args(KindName)
    stacks = [s.part.id for s in contents.stacks]
    for channel in contents.channels:
        if channel.part.id == "log" and channel.sound("id"):
            findings.mistake("reserved-id", f"{channel.key}.id", "the log is always there", "choose another id")
        for name in channel.part.kinds if channel.sound("kinds") else ():
            if name not in kinds:
                what, fix = f'there is no kind "{name}"', instead(name, "kind", kinds)
                findings.mistake("unknown-kind", f"{channel.key}.kinds", what, fix)
        for name in channel.part.stacks if channel.sound("stacks") else ():
            if name not in stacks:
                what, fix = f'there is no stack "{name}"', instead(name, "stack", stacks)
                findings.mistake("unknown-stack", f"{channel.key}.stacks", what, fix)
    watch = contents.watch
    ends = (watch.part.quiet_from, watch.part.quiet_until)
    if watch.sound("quiet_from", "quiet_until") and (
        ends.count(None) == 1 or (ends[0] is not None and ends[0] == ends[1])
    ):
        what = "quiet hours need a beginning and another end"
        findings.mistake("quiet-hours-unfit", watch.key, what, "give quiet_from and quiet_until, or neither")


def instead(name: str, kind: str, names: Iterable[str]) -> str:
    """What to write in place of a name that does not exist."""
    near = difflib.get_close_matches(name, list(names), n=1)
    if near:
        return f"did you mean {near[0]}?"
    listed = sorted(names)
    return f"{kind} are: {', '.join(listed[:12])}{' ...' if len(listed) > 12 else ''}"
