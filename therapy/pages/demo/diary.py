"""Who is free when in the demo: nobody, patient or therapist, is in two places at once."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import date, datetime, timedelta

from therapy.models import DueWindow
from therapy.pages.demo.service import Service

Span = tuple[datetime, datetime]
BREAK = timedelta(minutes=30)


class Diary:
    """Taken spells by person or patient and day."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self._taken: dict[tuple[object, date], list[Span]] = defaultdict(list)

    def find(
        self,
        names: Iterable[str],
        patient: object,
        window: DueWindow,
        *,
        minutes: int,
        after: datetime | None = None,
        by: datetime | None = None,
    ) -> tuple[str, datetime] | None:
        """The first of these therapists who can begin within the window, and when; the spell is not taken yet.

        `after` and `by` narrow the window further.
        """
        day, length = window.service_date, timedelta(minutes=minutes)
        earliest, latest = (
            max(window.earliest, after or window.earliest),
            min(window.latest, by or window.latest),
        )
        for name in names:
            present = self._service.present.get((name, day))
            if present is None:
                continue
            begins, ends = present
            pause = begins + timedelta(hours=4, minutes=30 if begins.minute == 0 and begins.hour < 11 else 0)
            busy = sorted([*self._taken[name, day], *self._taken[patient, day], (pause, pause + BREAK)])
            start = self._first_gap(busy, max(earliest, begins), length)
            if start <= latest and start + length <= ends:
                return name, start
        return None

    def take(self, names: Iterable[object], day: date, start: datetime, end: datetime) -> None:
        """Mark a spell as taken for all of these."""
        for name in names:
            self._taken[name, day].append((start, end))

    def is_free(self, name: object, day: date, start: datetime, end: datetime) -> bool:
        """Whether nothing of this person's or patient's falls into the spell."""
        return all(end <= begun or start >= done for begun, done in self._taken[name, day])

    @staticmethod
    def _first_gap(busy: list[Span], start: datetime, length: timedelta) -> datetime:
        for begun, done in busy:
            if start < done and begun < start + length:
                start = done
        return start
