"""The probes and boxes of ``warmtally setup``: where each number that arrives is measured, and what stands there."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import partial
from typing import Final

from monitor.adapters.mqtt.ear import Overheard
from monitor.cli.asking import Asker
from monitor.cli.listen import cut, guess_text
from monitor.cli.output import say
from monitor.cli.probe_entries import (
    Candidate,
    battery_keys,
    fits,
    keys_of,
    name_of,
    plain,
    unread,
)
from monitor.config.room_edit import Change, RoomFile, Tables, toml, wrong_key
from monitor.config.shape import BoxPart, ProbePart, StackPart
from monitor.core.readings.decode import to_unit
from monitor.core.readings.quality import ERROR_VALUES, POWER_ON_C
from monitor.core.terms.settings import Probe
from monitor.errors import ConfigError
from monitor.telling.probe_entry import Value, entry

# So many are asked for in one run, and so many numbers of unknown meaning are listed.
MOST_ASKED: Final = 60
MOST_LISTED: Final = 20
MOST_BOXES: Final = 200
AIR, NEVER = "air", "no"
NO_MEASUREMENTS: Final = (POWER_ON_C, *ERROR_VALUES)
_NO_PROBE: Final = re.compile(r'(?m)^# no probe: ("(?:[^"\\\n]|\\.)*") ("(?:[^"\\\n]|\\.)*")[ \t\r]*$')
_UNITS: Final = {"c": "C", "f": "F", "k": "K", "%": "%", "g": "g"}
_BLOCK = tuple[str, Change]


class ProbeQuestions:
    """Asks for what is new and writes each part as soon as it is told."""

    def __init__(self, asker: Asker, file: RoomFile) -> None:
        self._asker = asker
        self._file = file
        self._stack = ""

    def ask_probes(self, heard: Sequence[Overheard], probes: Sequence[Probe]) -> None:
        """``probes``: those that the file has already."""
        refused = {(m[1], m[2]) for m in _NO_PROBE.finditer(self._file.text)}
        new = list(unread(heard, probes, lambda c: not refused or _key(c) not in refused))
        known = [c for of_topic in new for c in of_topic if c.guess.quantity is not None]
        warm = [c for c in known if c.guess.quantity != "battery"]
        unsure = [c for of_topic in new for c in of_topic if c.guess.quantity is None]
        if heard and not known and not unsure:
            say(f"Heard {_topics(len(heard))}; nothing of it is new.")
            return
        if heard:
            say(f"\nHeard {_topics(len(heard))}; {len(warm)} new that may be of a probe.")
        owner = {p.topic: p.id for p in probes if p.quantity != "battery"}
        taken = set(self._file.ids["probes"])
        for todo in (warm[:MOST_ASKED], None):
            some = self._chosen(unsure) if todo is None else todo
            for n, candidate in enumerate(some, 1):
                name = self._ask_probe(candidate, f"{n} of {len(some)}", taken)
                if name:
                    owner.setdefault(candidate.heard.topic, name)
        for candidate in [c for c in known if c.guess.quantity == "battery"][:MOST_ASKED]:
            if candidate.heard.topic in owner:
                self._ask_battery(candidate, owner[candidate.heard.topic], taken)
        if len(warm) > MOST_ASKED:
            say(f"There are {len(warm) - MOST_ASKED} more; run it again for them, or narrower: --topic FILTER")

    def ask_boxes(self) -> None:
        """Boxes that no probe lies in: one at least, or there is no room."""
        for _ in range(MOST_BOXES):
            there = self._file.ids["boxes"]
            if there:
                question = f"\nBoxes: {', '.join(there[:12])}{' ...' if len(there) > 12 else ''}. One more (Enter: no)"
            else:
                question = "\nThe first box: its name"
            name = self._asker.ask(question, partial(self._no_new_box, needed=not there))
            if not name:
                return
            self._add(self._new_box(name))

    # -- one probe -------------------------------------------------------------------------------------------------

    def _ask_probe(self, c: Candidate, which: str, taken: set[str]) -> str:
        """The id of the new probe; empty where it is none, or not yet."""
        old = "  (kept by the broker: old news)" if not c.heard.arrivals else ""
        say(f"\n{which}: {plain(c.heard.topic)}  {cut(c.heard.last)}{old}\n  {plain(guess_text(c.guess), 200)}")
        if c.guess.time_pointer is not None:
            say(f"  with a time of its own: {plain(c.guess.time_pointer)}")
        boxes = self._file.ids["boxes"]
        there = f" (there: {', '.join(boxes[:12])}{' ...' if len(boxes) > 12 else ''})" if boxes else ""
        say(f'  Enter: not now; "{AIR}": it hangs in the air; "{NEVER}": no probe, never ask again')
        box = self._asker.ask(f"  In which box does it lie{there}", self._no_box)
        if not box:
            return ""
        if box == NEVER:
            topic, pointer = _key(c)
            self._add([], remark=f"no probe: {topic} {pointer}")
            return ""
        place: Tables = {}
        parts: list[_BLOCK] = []
        if box == AIR:
            if not self._file.ids["stacks"]:
                say("  A stack needs a box first.")
                first = self._asker.ask("  That box: its name", partial(self._no_new_box, needed=True))
                if not self._add(self._new_box(first, "  ")):
                    return ""
            place["stack"] = self._asker.ask("  In the air of which stack", self._no_known_stack, default=self._usual())
            place["height_cm"] = self._height("  How high above the floor does it hang, in cm")
        else:
            place["box"] = box
            if box not in boxes:
                parts = self._new_box(box, "  ")
        unit = self._ask_unit(c)
        interval = c.interval
        if interval is None:
            wrong = partial(wrong_key, ProbePart, "interval")
            interval = self._asker.ask("  How often does it report", wrong, default="1 min")
        else:
            say(f"  It reports every {interval}, as measured.")
        before = set(taken)
        name = name_of(c, taken)
        keys = keys_of(c, name, unit) | place | {"interval": interval}
        if not self._add([*parts, _probe_part(keys, {"interval": "measured"} if c.interval else {})]):
            taken.clear()
            taken.update(before)
            return ""
        say(f"  Written: probe {name}")
        return name

    def _ask_unit(self, c: Candidate) -> str:
        value = c.guess.value
        # Where no unit fits there is none that Enter alone would say.
        usual = next((u for u in (c.guess.unit or "C", "C", "F", "K", "%") if fits(value, u)), "")
        warned: set[str] = set()
        if usual in ("F", "K"):
            say(f"  {value:g} is hardly °C in a room for eggs; {_as_c(value, usual)}")
        if value in NO_MEASUREMENTS:
            say(f"  {value:g} is also what a probe says that measures nothing: look at what it says next")

        def wrong(told: str) -> str:
            unit = _UNITS.get(told.lower(), "")
            if not unit:
                return "C, F or K for a temperature, % for relative humidity, g for a scale"
            named = c.guess.quantity is not None
            other_kind = named and (unit == "g" or (unit == "%") != (c.guess.quantity == "humidity"))
            if (fits(value, unit) and not other_kind) or unit in warned:
                return ""
            warned.add(unit)
            if other_kind:
                return f"by its name it is a {c.guess.quantity}. The same once more takes it as {told}"
            other = next((u for u in ("C", "F", "K", "%") if fits(value, u)), "")
            better = f"; {_as_c(value, other)}" if other in ("F", "K") else ""
            said = f"{value:g} {'' if unit in ('%', 'K') else '°'}{unit}"
            return f"{said} is hardly what a room for eggs is at{better}. The same once more takes it as it is"

        return _UNITS[self._asker.ask("  Its unit", wrong, default=usual).lower()]

    def _ask_battery(self, c: Candidate, owner: str, taken: set[str]) -> None:
        said = f"{c.guess.value:g} {c.guess.unit}"
        if self._asker.sure(f"\nThe battery of {owner} says {said}. Watch it", default=True):
            name = name_of(c, taken)
            remarks = {"low": "the volts at which it has to be renewed: 2.4 for two alkaline cells, 3.3 for lithium"}
            self._add([_probe_part(battery_keys(c, name, owner), remarks)])
        else:
            topic, pointer = _key(c)
            self._add([], remark=f"no probe: {topic} {pointer}")

    def _chosen(self, unsure: Sequence[Candidate]) -> list[Candidate]:
        """Of numbers whose meaning nothing tells those that the keeper knows to be probes."""
        if not unsure:
            return []
        say("\nNumbers whose meaning cannot be told:")
        for n, c in enumerate(unsure[:MOST_LISTED], 1):
            say(f"  {n}: {plain(c.heard.topic)}  {plain(guess_text(c.guess).partition(': unknown')[0], 100)}")
        if len(unsure) > MOST_LISTED:
            say(f"  and {len(unsure) - MOST_LISTED} more; narrower: --topic FILTER")
        most = min(len(unsure), MOST_LISTED)

        def wrong(told: str) -> str:
            good = all(x.isascii() and x.isdigit() and 1 <= int(x) <= most for x in told.replace(",", " ").split())
            return "" if good else f"numbers from 1 to {most}, with commas between"

        told = self._asker.ask("Which of them are of probes (Enter: none)", wrong)
        return [unsure[int(x) - 1] for x in dict.fromkeys(told.replace(",", " ").split())]

    # -- boxes and stacks ------------------------------------------------------------------------------------------

    def _new_box(self, name: str, indent: str = "") -> list[_BLOCK]:
        """Asks for what a new box needs; the part that it makes, with its stack if that is new too."""
        stacks = self._file.ids["stacks"]
        there = f" (there: {', '.join(stacks[:12])}{' ...' if len(stacks) > 12 else ''})" if stacks else ""
        stack = self._asker.ask(
            f"{indent}In which stack does {name} stand{there}",
            partial(wrong_key, StackPart, "id"),
            default=self._usual(),
        )
        self._stack = stack
        height = self._height(f"{indent}How high above the floor are its eggs, in cm")
        box = {"id": name, "height_cm": height}
        block = f"[[stacks.boxes]]\nid = {toml(name)}\nheight_cm = {height:g}"

        def into(tables: Tables) -> None:
            next(s for s in tables["stacks"] if s.get("id") == stack)["boxes"].append(box)

        def with_stack(tables: Tables) -> None:
            tables.setdefault("stacks", []).append({"id": stack, "boxes": [box]})

        if stack in stacks:
            return [(block, into)]
        said = "# Boxes stand in a stack; the height is that of the eggs above the floor."
        return [(f"{said}\n[[stacks]]\nid = {toml(stack)}\n\n{block}", with_stack)]

    def _usual(self) -> str:
        stacks = self._file.ids["stacks"]
        return self._stack or (stacks[-1] if stacks else "left")

    def _height(self, question: str) -> float:
        def wrong(told: str) -> str:
            found = _height_cm(told)
            if found is None:
                return 'a number of cm, such as 120; or inches: "47 in"'
            return wrong_key(BoxPart, "height_cm", found)

        return _height_cm(self._asker.ask(question, wrong)) or 0.0

    def _no_box(self, told: str) -> str:
        if told in ("", AIR, NEVER):
            return ""
        return wrong_key(BoxPart, "id", told)

    def _no_new_box(self, told: str, *, needed: bool) -> str:
        if not told:
            return "without a box there is no room; a name such as upper" if needed else ""
        if told in (AIR, NEVER):
            return "choose another name: that word means something else here"
        return "that one is there already" if told in self._file.ids["boxes"] else wrong_key(BoxPart, "id", told)

    def _no_known_stack(self, told: str) -> str:
        stacks = self._file.ids["stacks"]
        if told in stacks:
            return ""
        if not stacks:
            return "no stack is there yet: tell of a box first. A probe in the air comes later: Ctrl-C, and begin again"
        return f"there is no such stack; there: {', '.join(stacks[:12])}"

    # -- writing ---------------------------------------------------------------------------------------------------

    def _add(self, parts: list[_BLOCK], *, remark: str = "") -> bool:
        """Write; what cannot be is told, and the questions go on, unless no answer could be written any more."""
        try:
            if parts:
                self._file.add(*parts)
            if remark:
                self._file.remark(remark)
        except ConfigError as error:
            if self._file.overtaken:
                raise
            say(f"  {error}")
            return False
        return True


def _probe_part(keys: dict[str, Value | None], remarks: dict[str, str]) -> _BLOCK:
    said = {key: value for key, value in keys.items() if value is not None}
    return entry(keys, remarks), lambda tables: tables.setdefault("probes", []).append(said)


def _key(c: Candidate) -> tuple[str, str]:
    """A number as the remark in the file names it."""
    return toml(c.heard.topic), toml((c.guess.list_pointer or "") + (c.guess.pointer or ""))


def _as_c(value: float, unit: str) -> str:
    return f"in {'K' if unit == 'K' else '°F'} it is {to_unit(value, 'K' if unit == 'K' else 'F'):.1f} °C"


def _height_cm(told: str) -> float | None:
    found = re.fullmatch(r'(-?[0-9]{1,4}(?:\.[0-9]{1,2})?) ?(cm|in|"|m)?', told)
    if found is None:
        return None
    return round(float(found[1]) * {"in": 2.54, '"': 2.54, "m": 100.0}.get(found[2] or "", 1.0), 1)


def _topics(count: int) -> str:
    return "1 topic" if count == 1 else f"{count} topics"
