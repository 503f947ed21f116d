"""Which treatment fills which due window. Pure: the same rows always give the same answer, in whatever order."""

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from datetime import date, datetime

_GIVEN = ("full", "part")


@dataclass(frozen=True)
class Window:
    """A due window that can still be filled: one that was not cancelled."""

    id: Hashable
    order: Hashable
    service_date: date
    earliest: datetime
    latest: datetime


@dataclass(frozen=True)
class Treatment:
    """One recorded treatment: ``delivered`` is full, part or not_delivered; ``window`` the one it names, if any."""

    id: Hashable
    order: Hashable
    service_date: date
    started_at: datetime
    delivered: str
    window: Hashable = None


def match(windows: Iterable[Window], treatments: Iterable[Treatment]) -> dict[Hashable, Hashable]:
    """Give each treatment the id of the window it fills, or None where it was an extra one.

    A treatment fills the window it names; else the unfilled one of its order that contains its start (both ends
    included); else the nearest earlier unfilled one of its order on the same service date, and was then late;
    else none. A window is filled once. What was given goes before what was not: a patient who refused at nine and
    was treated at ten was treated. Of two that name one window the more complete fills it, then the earlier.
    """
    open_windows = {window.id: window for window in windows}
    by_order: dict[Hashable, list[Window]] = defaultdict(list)
    for window in sorted(open_windows.values(), key=lambda each: (each.earliest, str(each.id))):
        by_order[window.order].append(window)
    filled: dict[Hashable, Hashable] = {}
    rows = sorted(treatments, key=lambda each: (_completeness(each), each.started_at, str(each.id)))
    result: dict[Hashable, Hashable] = {row.id: None for row in rows}

    def fill(group: list[Treatment], find: Callable[[Treatment], Window | None]) -> list[Treatment]:
        left = []
        for row in group:
            window = find(row)
            if window is None or window.id in filled:
                left.append(row)
            else:
                filled[window.id], result[row.id] = row.id, window.id
        return left

    def free(row: Treatment) -> list[Window]:
        return [each for each in by_order[row.order] if each.id not in filled]

    def containing(row: Treatment) -> Window | None:
        return next((w for w in free(row) if w.earliest <= row.started_at <= w.latest), None)

    def earlier(row: Treatment) -> Window | None:
        passed = [w for w in free(row) if w.latest < row.started_at and w.service_date == row.service_date]
        return passed[-1] if passed else None

    for given in (True, False):
        group = [row for row in rows if (row.delivered in _GIVEN) is given]
        left = fill(group, lambda row: open_windows.get(row.window))
        left.sort(key=lambda row: (row.started_at, str(row.id)))
        fill(fill(left, containing), earlier)
    return result


def _completeness(row: Treatment) -> int:
    return _GIVEN.index(row.delivered) if row.delivered in _GIVEN else len(_GIVEN)
