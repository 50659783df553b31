"""What is to be done, and by when."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

from monitor.core.notices.tasks import Task
from monitor.telling.as_json import utc

if TYPE_CHECKING:
    from monitor.telling.forms import TaskJson


def task_rows(still: Sequence[Task], today: date) -> list[list[str]]:
    """A line for each; what is to be done on each of the days to come, in one."""
    daily: dict[str, list[Task]] = {}
    for task in still:
        if task.state(today) == "coming":
            daily.setdefault(task.says, []).append(task)
    rows = []
    for task in still:
        when, same = _when(task.due, today), daily.get(task.says, [task])
        if task in same[1:]:
            continue
        if task in same and len(same) > 1:
            when = f"{when} to {_when(same[-1].due, today)}"
        rows.append([when, task.state(today), task.says])
    return rows


def _when(day: date, today: date) -> str:
    """ "today", or the day."""
    if day == today:
        return "today"
    return f"{day:%a} {day.day} {day:%b}" + (f" {day.year}" if day.year != today.year else "")


def task_json(task: Task, today: date) -> TaskJson:
    """A task, with how it stands today."""
    return {
        "id": task.id,
        "what": task.says,
        "state": task.state(today),
        "begins": task.begins.isoformat(),
        "due": task.due.isoformat(),
        "done_at": utc(task.done_ms),
        "more": task.more or None,
    }
