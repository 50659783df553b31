"""The store kept elsewhere, and whole: backups that are missing, and damage that was found."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from monitor.core.notices.conditions import holds
from monitor.core.notices.fitting import in_full, said
from monitor.core.notices.kinds import Kind, Look
from monitor.core.notices.snapshot import Snapshot
from monitor.core.terms.formats import show_span, show_time
from monitor.core.terms.times import HOUR_MS

MISSING_MS: Final = 49 * HOUR_MS
"""A backup is made each day: then two are missing. Judgement, no source."""
LONG: Final = 100


def _backup(snapshot: Snapshot) -> Iterable[Look]:
    backup = snapshot.service.backup
    if backup is None:
        return
    newest_ms, now_ms = backup.newest_ms, snapshot.now_ms
    age_ms = now_ms - (backup.awaited_ms if newest_ms is None else newest_ms)
    state = bool(backup.why) or age_ms > MISSING_MS
    look = Look("backup", holds(now_ms, state), "the backup", "a good backup was made", name="")
    if state:
        last = "There is none yet." if newest_ms is None else f"The newest is of {show_time(newest_ms, snapshot.zone)}."
        line = f"no backup: {said(backup.why, LONG)}" if backup.why else f"no backup for {show_span(age_ms / 1000)}"
        look = replace(look, line=line, more=(last, *in_full(backup.why, LONG)))
    yield look


def _damage(snapshot: Snapshot) -> Iterable[Look]:
    damage = snapshot.service.damage
    if damage is None:
        return
    look = Look("store", holds(snapshot.now_ms, bool(damage.found)), "the store", "the store is whole", name="")
    if damage.found:
        first, *others = damage.found
        more = tuple(f"{said(text, LONG)}." for text in others)
        look = replace(look, line=f"damaged: {said(first, LONG)}", more=(*in_full(first, LONG), *more))
    yield look


KINDS = (
    Kind(
        name="backup-missing",
        says="No good backup",
        urgency="today",
        raises="a backup failed, or none was made for two days though [backup] asks for it",
        clears="a backup was made and is good",
        why="a disk that dies takes every reading and the whole account with it",
        first="Look at the backup's disk. Then try: warmtally backup.",
        otherwise="When this disk dies, the account of every egg is gone.",
        look=_backup,
        of_service=True,
        cleared_says="A backup is made again",
    ),
    Kind(
        name="store-damaged",
        says="The store is damaged",
        urgency="today",
        raises="the weekly look through the store or the newest backup found damage",
        clears="it was looked through again and is whole",
        why="bits flip by themselves on a wearing memory card, and it does not stop at one",
        first="See all of it: warmtally verify. Then repair, and change the disk.",
        otherwise="What is damaged is left out of sums, and more may follow.",
        look=_damage,
        of_service=True,
        cleared_says="The store is whole again",
    ),
)
