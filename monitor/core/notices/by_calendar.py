"""What comes by the calendar: the daily line, and the weekly drill.

The daily line says that all is watched, what is still true, and what was for later since the last one: for that no
message comes by itself (``routing``).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from monitor.core.development.lots import LotNow
from monitor.core.development.siblings import Story, stories
from monitor.core.notices.conditions import name_subject
from monitor.core.notices.fitting import LINE_MOST, fit_lines, fit_list, fit_title
from monitor.core.notices.kinds import all_kinds
from monitor.core.notices.notice import DAILY_LINE, Notice
from monitor.core.notices.notices import count, low, since_of, words_of
from monitor.core.notices.snapshot import BoxNow, Snapshot
from monitor.core.notices.tasks import due
from monitor.core.terms.formats import name_eggs, show_date, show_developed, show_temperature, show_time


def nothing_to_tell(snapshot: Snapshot) -> bool:
    """Whether a room is not in use yet, or no longer: no eggs lie in a box, no box has a reading, nothing is wrong.

    Then there is no daily line: who reads every morning that nothing is measured soon reads no morning's.
    """
    used = any(box.occupied_by or box.at_ms is not None for box in snapshot.boxes)
    return not used and not any(c.up for c in snapshot.conditions.values())


def daily(snapshot: Snapshot, lately: Sequence[Notice] = ()) -> Notice:
    """The daily line of every box, in the keeper's unit and zone; one for each local day.

    ``lately``: what was for later since the last one, oldest first. What has begun of it is told with what to do,
    what has come and gone in one line.
    """
    texts, zone = snapshot.room.texts, snapshot.zone
    day = show_time(snapshot.now_ms, zone)[:10]
    lots = {lot.lot.id: lot for lot in snapshot.lots}
    still_lying = {story.late: story for story in stories(snapshot.lots, snapshot.now_ms, zone)}
    # What is not measured goes before what is, and what is waited for before what is well.
    late = {b.box.id for b in snapshot.boxes if any(still_lying[i].verdict for i in b.occupied_by if i in still_lying)}
    boxes = sorted(snapshot.boxes, key=lambda b: (_measured_c(b, snapshot) is not None, b.box.id not in late))
    lines = [
        _daily_box(box, "".join(_daily_lot(lots[i], still_lying.get(i), snapshot) for i in box.occupied_by), snapshot)
        for box in boxes
    ]
    up = sorted((c for c in snapshot.conditions.values() if c.up), key=lambda c: c.key)
    says = {kind.name: texts.words(words_of(kind), {})["says"] for kind in all_kinds()}
    begun, over = _lately(lately, snapshot)
    told_whole = {(n.kind, s) for n in begun for s in n.subjects}
    still = [texts.fill("daily.begun", {"title": n.title, "first": n.text.partition("\n")[0]}) for n in begun]
    asked = []
    for c in up:
        said = says.get(c.kind, c.kind)
        places = {
            "kind": c.kind,
            "subject": name_subject(c.kind, c.subject),
            "since": since_of(c.since_ms or snapshot.now_ms, snapshot),
            "says": said,
            "says_low": low(said),
        }
        if c.back_ms is not None:
            still.append(texts.fill("daily.back", {**places, "back": since_of(c.back_ms, snapshot)}))
        elif c.key not in told_whole:
            still.append(texts.fill("daily.answered" if c.answered else "daily.open", places))
        if not c.answered and c.back_ms is None:
            asked.append(f"{low(said)} ({name_subject(c.kind, c.subject)})")
    todo = [task.says for task in due(snapshot)]
    to_do = texts.fill("daily.tasks", {"others": fit_list(todo, LINE_MOST)}) if todo else ""
    places = {
        "room": snapshot.room.name,
        "day": day,
        "boxes": count(len(snapshot.boxes), "box", "boxes"),
        "box_count": str(len(snapshot.boxes)),
        "conditions": f"{len(up)} to look at" if up else "nothing wrong",
        "condition_count": str(len(up)),
        "first": texts.fill("daily.hand", {"others": fit_list(asked, LINE_MOST)})
        if asked
        else to_do or texts.fill("daily.calm", {}),
    }

    def fill(told: Sequence[str]) -> str:
        return texts.fill("daily.text", {**places, "lines": "\n".join(told)}).strip()

    gone = [f"{low(says.get(kind, kind))} ({name_subject(kind, subject)})" for kind, subject in over]
    if gone:
        still.append(texts.fill("daily.over", {"others": fit_list(gone, LINE_MOST)}))
    if asked and to_do:
        still.append(to_do)
    # Of what has no room the boxes are left out first, the last of them first.
    shorter = [[*still, *lines[:n], *_rest(boxes[n:], snapshot)] for n in range(len(lines), -1, -1)]
    shorter += [[*still[:n], *_rest(boxes, snapshot)] for n in range(len(still) - 1, -1, -1)]
    ends = [texts.fill("digest.line", {"at": since_of(n.at_ms, snapshot), "title": n.title}) for n in over.values()]
    text, whole = fit_lines(fill, shorter), fill([*still, *lines, *ends])
    return Notice(
        key=f"daily/{snapshot.room.name}/{day}",
        at_ms=snapshot.now_ms,
        kind=DAILY_LINE,
        subjects=tuple(b.box.id for b in snapshot.boxes),
        change="daily",
        urgency="later",
        title=fit_title(
            lambda room: texts.fill("daily.title", {**places, "room": room}), [places["room"]], places["room"], ()
        ),
        text=text,
        story=whole if whole != text else "",
    )


def _lately(lately: Sequence[Notice], snapshot: Snapshot) -> tuple[list[Notice], dict[tuple[str, str], Notice]]:
    """Of what was for later: what has begun and is so still (and not back, which has a line of its own), the newest
    word of each; and what is over, with the last that was said of it."""
    begun: dict[tuple[str, str], Notice] = {}
    over: dict[tuple[str, str], Notice] = {}
    for n in lately:
        for subject in n.subjects:
            c = snapshot.conditions.get((n.kind, subject))
            if c is None or not c.up:
                over[n.kind, subject] = n
            elif n.change == "raised" and c.back_ms is None:
                begun[n.kind, subject] = n
    return list(dict.fromkeys(begun.values())), over


def _measured_c(box: BoxNow, snapshot: Snapshot) -> float | None:
    """What a box is at; None where nothing was heard of it that may be called now."""
    return box.current_c(snapshot.now_ms)


def _rest(boxes: Sequence[BoxNow], snapshot: Snapshot) -> Iterable[str]:
    """The boxes that have no room of their own, in one line."""
    spans = [b.temperature_c for b in boxes if _measured_c(b, snapshot) is not None]
    if not boxes:
        return []
    if not spans:
        return [count(len(boxes), "box", "boxes") + " more: no reading."]
    low, high = min(float(x.min()) for x in spans), max(float(x.max()) for x in spans)
    places = {
        "boxes": count(len(boxes), "box", "boxes"),
        "box_count": str(len(boxes)),
        "low": show_temperature(low, snapshot.unit),
        "high": show_temperature(high, snapshot.unit),
    }
    return [snapshot.room.texts.fill("daily.more", places)]


def _daily_box(box: BoxNow, inside: str, snapshot: Snapshot) -> str:
    texts, unit = snapshot.room.texts, snapshot.unit
    places = {"box": box.box.id, "lots": inside}
    if box.at_ms is None:
        return texts.fill("daily.silent", places)
    value = box.current(snapshot.now_ms, unit)
    if not value:
        return texts.fill("daily.silent_since", places | {"since": since_of(box.at_ms, snapshot)})
    low, high = float(box.temperature_c.min()), float(box.temperature_c.max())
    span = {"low": show_temperature(low, unit), "high": show_temperature(high, unit)}
    return texts.fill("daily.box", places | {"value": value} | span)


def _daily_lot(lot: LotNow, story: Story | None, snapshot: Snapshot) -> str:
    texts, zone = snapshot.room.texts, snapshot.zone
    if lot.past is None or lot.still_open:
        why = lot.still_open or lot.refused or "no development yet"
        return texts.fill("daily.lot_refused", {"lot": name_eggs(lot.lot.id), "why": why})
    # Where hatchlings may be met.
    bites = " (venomous)" if lot.venomous and (lot.lot.pipped or story is not None) else ""
    places = {"lot": name_eggs(lot.lot.id) + bites, "percent": show_developed(lot.past.development)}
    if lot.lot.pipped:
        return texts.fill("daily.lot_pipped", places | {"pipped": str(lot.lot.pipped), "eggs": str(lot.lot.eggs_set)})
    if story is not None and story.verdict is not None:
        until = show_date(story.silence.wait_until_ms, zone)
        waits = f"wait until {until}" if story.waits else str(story.verdict)
        return texts.fill("daily.lot_waits", places | {"waits": waits})
    if lot.first_pip is None:
        return texts.fill("daily.lot", places)
    window = lot.first_pip.window
    due = {"earliest": show_date(window.p10_ms, zone), "latest": show_date(window.p90_ms, zone)}
    return texts.fill("daily.lot_due", places | due)


def drill(snapshot: Snapshot) -> Notice:
    """The weekly test notice, which travels the whole way that a real one does."""
    day = show_time(snapshot.now_ms, snapshot.zone)[:10]
    places = {"room": snapshot.room.name, "day": day}
    return Notice(
        key=f"drill/{snapshot.room.name}/{day}",
        at_ms=snapshot.now_ms,
        kind="drill",
        subjects=(),
        change="drill",
        urgency="later",
        title=snapshot.room.texts.fill("drill.title", places),
        text=snapshot.room.texts.fill("drill.text", places).strip(),
    )
