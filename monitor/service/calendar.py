"""What is done by the calendar: the daily line, the weekly drill, retention, backups and the look through the store.

APScheduler waits for the hour; what is to be done is put in order and carried out by the next round, in its thread; a
backup and a look through the store in their own. Rules (measured on APScheduler 3.11): it relies on a right clock, so
it is started only once the clock is trusted and made anew after a step; late runs count (no misfire limit) and are
folded into one. Each job is keyed by the local day, so that the hour that comes twice in autumn gives one notice.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from monitor.core.terms.settings import BackupPlan, Calendar


class CalendarJobs:
    """Puts "daily", "drill", "retention", "backup" and "verify" in order at their times, and "overdue" at the start."""

    def __init__(
        self, calendar: Calendar, zone: str, order: Callable[[str], None], backup: BackupPlan | None = None
    ) -> None:
        self._calendar = calendar
        self._backup_at = None if backup is None else backup.at
        self._zone = zone
        self._order = order
        self._scheduler: object | None = None

    @property
    def running(self) -> bool:
        return self._scheduler is not None

    def start(self, now_ms: int) -> None:
        """Begin; the daily line of a morning that was missed is ordered at once (its key keeps it single)."""
        from apscheduler.schedulers.background import BackgroundScheduler
        from apscheduler.triggers.cron import CronTrigger

        scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
        )
        zone = ZoneInfo(self._zone)
        for job, text, day in (
            ("daily", self._calendar.daily_line_at, None),
            ("drill", self._calendar.drill_at, self._calendar.drill_on[:3].lower()),
            ("retention", "12:00", None),
            ("backup", self._backup_at, None),
            ("verify", self._calendar.verify_at, self._calendar.verify_on[:3].lower()),
        ):
            if text is None:
                continue
            hour, minute = (int(x) for x in text.split(":"))
            scheduler.add_job(
                self._order, CronTrigger(day_of_week=day, hour=hour, minute=minute, timezone=zone), args=[job], id=job
            )
        scheduler.start()
        self._scheduler = scheduler
        local = datetime.fromtimestamp(now_ms / 1000, zone)
        if f"{local:%H:%M}" > self._calendar.daily_line_at:
            self._order("daily")
        self._order("overdue")

    def stop(self) -> None:
        if self._scheduler is not None:
            self._scheduler.shutdown(wait=False)  # type: ignore[attr-defined]
            self._scheduler = None
