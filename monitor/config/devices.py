"""Checks of what stands behind the probes or beside them: gateways that pass messages on, batteries, scales."""

from __future__ import annotations

from monitor.config.checks import instead
from monitor.config.mistakes import Findings
from monitor.config.shape import Contents, ProbePart, Read
from monitor.config.values import shown

# Keys that say where and how well a temperature or humidity is measured: nothing of that is true of a battery.
NOT_OF_A_BATTERY = (
    "box", "stack", "height_cm", "compared", "accuracy_c", "uncertainty_c", "correction_c", "accuracy_pct",
    "uncertainty_pct", "correction_pct",
)  # fmt: skip


# A scale is under a box, and how warm or damp it is there it does not know.
NOT_OF_A_SCALE = (
    "stack", "height_cm", "compared", "accuracy_c", "uncertainty_c", "correction_c", "accuracy_pct", "uncertainty_pct",
    "correction_pct", "low",
)  # fmt: skip
# An id has up to 64 signs, and a topic 65535 bytes.
LONGEST_STATUS = 65_000


def check_devices(contents: Contents, findings: Findings) -> None:
    """Every check of gateways, batteries and scales."""
    _check_gateways(contents, findings)
    _check_batteries(contents, findings)
    _check_scales(contents, findings)
    _check_status(contents, findings)


def _check_gateways(contents: Contents, findings: Findings) -> None:
    known = {g.part.id for g in contents.gateways}
    sound = all(g.sound("id") for g in contents.gateways)
    for probe in contents.probes:
        name = probe.part.gateway
        if name is not None and probe.sound("gateway") and sound and name not in known:
            what = f"there is no gateway {shown(name)}"
            fix = instead(name, "gateways", known) if known else "add [[gateways]]"
            findings.mistake("unknown-gateway", f"{probe.key}.gateway", what, fix)
    read_by = {p.part.topic: p.key for p in contents.probes if p.sound("topic")}
    used = {p.part.gateway for p in contents.probes}
    first: dict[tuple[str, str | None], str] = {}
    for gateway in contents.gateways:
        part = gateway.part
        if not gateway.sound("id", "topic", "gone", "here", "pointer"):
            continue
        if part.gone == part.here:
            what = f"{shown(part.gone)} would mean both that it is gone and that it is here"
            findings.mistake("gateway-unfit", f"{gateway.key}.gone", what, "give gone and here as it publishes them")
        if part.topic in read_by:
            what = f"{read_by[part.topic]} reads this topic"
            fix = "a gateway's will comes on a topic of its own, beside those of its probes"
            findings.mistake("gateway-unfit", f"{gateway.key}.topic", what, fix)
        same = first.setdefault((part.topic, part.pointer), gateway.key)
        if same != gateway.key:
            what = f"{same} has the same topic"
            findings.mistake("gateway-unfit", f"{gateway.key}.topic", what, "give each its own topic or pointer")
        if part.id not in used and all(p.sound("gateway") for p in contents.probes):
            what = "no probe names this gateway"
            fix = f'add gateway = "{part.id}" to each probe that it passes on'
            findings.advice("gateway-alone", gateway.key, what, fix)


def _check_batteries(contents: Contents, findings: Findings) -> None:
    probes = {p.part.id for p in contents.probes if p.part.battery_of is None}
    sound = all(p.sound("id", "battery_of") for p in contents.probes)
    for probe in contents.probes:
        part = probe.part
        if not probe.sound("unit", "battery_of", "low"):
            continue
        if part.battery_of is None:
            if part.unit == "V":
                what = "volts are those of a battery, but it is not said whose"
                findings.mistake("battery-unfit", f"{probe.key}.unit", what, 'add battery_of = "the probe\'s id"')
            if part.low is not None and part.unit != "g":
                what = "low is the level of a battery, and this is none"
                fix = "add battery_of, or drop low; limits of boxes stand under [limits]"
                findings.mistake("battery-unfit", f"{probe.key}.low", what, fix)
            continue
        _check_battery(probe, findings)
        if part.battery_of not in probes and sound:
            what = f"there is no probe {shown(part.battery_of)} whose battery this could be"
            fix = instead(part.battery_of, "probes", probes)
            findings.mistake("battery-unfit", f"{probe.key}.battery_of", what, fix)


def _check_battery(probe: Read[ProbePart], findings: Findings) -> None:
    part = probe.part
    if part.unit not in ("V", "%"):
        what = f"a battery is told in volts or per cent, not in {part.unit}"
        findings.mistake("battery-unfit", f"{probe.key}.unit", what, 'write unit = "V" or unit = "%"')
    elif part.unit == "V" and part.low is None:
        what = "at how many volts this battery is low depends on its kind"
        fix = "add low, for example 2.4 for two alkaline cells or 3.3 for one lithium cell"
        findings.mistake("battery-unfit", probe.key, what, fix)
    for name in NOT_OF_A_BATTERY:
        if name in part.model_fields_set and probe.sound(name):
            what = "a battery has no place and no accuracy of its own"
            findings.mistake("battery-unfit", f"{probe.key}.{name}", what, "drop it, or drop battery_of")


def _check_scales(contents: Contents, findings: Findings) -> None:
    under: dict[str, str] = {}
    for probe in contents.probes:
        part = probe.part
        if not probe.sound("unit", "box", "battery_of", "resolution_g"):
            continue
        if part.unit != "g":
            if part.resolution_g is not None:
                what = f"resolution_g is that of a scale, but this probe's unit is {part.unit}"
                findings.mistake("scale-unfit", f"{probe.key}.resolution_g", what, 'write unit = "g", or drop it')
            continue
        if part.battery_of is not None:
            continue
        for name in NOT_OF_A_SCALE:
            if name in part.model_fields_set and probe.sound(name):
                what = "a scale has a box and a resolution_g, nothing else of a probe"
                findings.mistake("scale-unfit", f"{probe.key}.{name}", what, "drop it")
        if part.box is None:
            findings.mistake("scale-unfit", probe.key, "it is not said which box is weighed", "add box")
        elif (first := under.setdefault(part.box, probe.key)) != probe.key:
            what = f"{first} weighs box {shown(part.box)} already"
            findings.mistake("scale-unfit", f"{probe.key}.box", what, "a box stands on one scale")


def _check_status(contents: Contents, findings: Findings) -> None:
    """Who reads what it says itself would take its own absence for that of a gateway, its own words for readings."""
    broker = contents.broker
    topic, state = broker.part.status_topic, broker.sound("state") and broker.part.state
    if not broker.sound("status_topic"):
        return
    if state and (topic is None or len(topic.encode()) > LONGEST_STATUS):
        what = "there is no topic below which it would be said" if topic is None else "status_topic is too long for it"
        findings.mistake("state-unfit", f"{broker.key}.state", what, 'write status_topic = "eggroom/warmtally"')
        return
    for read in (*contents.probes, *contents.gateways) if topic is not None else ():
        taken = getattr(read.part, "topic", None) if read.sound("topic") else None
        if taken is not None and (taken == topic or (state and taken.startswith(f"{topic}/"))):
            what = f"{read.key} reads {'this topic' if taken == topic else shown(taken)}"
            findings.mistake("status-topic-taken", f"{broker.key}.status_topic", what, "choose a topic of its own")
