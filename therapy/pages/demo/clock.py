"""The times of the demo, all told from one day."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from clinic.calendar import instant_of

FIRST_MINUTE, LAST_MINUTE = time(9, 40), time(15, 0)


@dataclass(frozen=True)
class DemoClock:
    """`now` is when the demo is loaded; treatments are told up to `told_until`, so that some of today is left."""

    today: date
    now: datetime
    zone: ZoneInfo

    def day(self, days_ago: int) -> date:
        """The date so many days ago; below zero lies ahead."""
        return self.today - timedelta(days=days_ago)

    def at(self, days_ago: int, wall_time: str) -> datetime:
        """An instant by wall time, like at(1, "16:20") for yesterday."""
        return instant_of(self.day(days_ago), time.fromisoformat(wall_time), self.zone).astimezone(UTC)

    def on(self, day: date, wall_time: time) -> datetime:
        """An instant by date and wall time."""
        return instant_of(day, wall_time, self.zone).astimezone(UTC)

    @property
    def told_until(self) -> datetime:
        """Now, but late enough that something has happened today and early enough that something is left."""
        first, last = self.on(self.today, FIRST_MINUTE), self.on(self.today, LAST_MINUTE)
        return min(max(self.now, first), last, self.now)
