"""When the treatments of an order are due on each day: pure, right on both days when the clocks change.

A day is told by wall times: when patients wake and sleep, when they have eaten, and, where a ward works by
the clock, its fixed times. A window is the span in which one treatment may *begin*; it is never moved because
an earlier one was missed.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from clinic.calculation import NotCalculable
from clinic.calendar import instant_of

MOST_TIMES_A_DAY = 24
MOST_DAYS = 400
_DAY_MINUTES = 24 * 60


@dataclass(frozen=True, slots=True)
class OrderTimes:
    """What of an order decides when it is due.

    Args:
        times_a_day: treatments a day, 1 to 24.
        starts_at: from this instant the order is in force.
        ends_at: until this instant, or None while no end is known.
        minutes_after_meal: how long after a meal a treatment must not begin (90 for head-down drainage,
            evidence: teaching texts wait 1.5 to 2 h; a setting). 0 where it is only a wish.
    """

    times_a_day: int
    starts_at: datetime
    ends_at: datetime | None = None
    minutes_after_meal: int = 0


@dataclass(frozen=True, slots=True)
class Day:
    """The unit's day in wall times.

    Args:
        wake: when treatments may begin.
        sleep: when they no longer may; not later than ``wake`` on the clock means the next calendar day.
        meals: when each meal is over; the waiting time runs from here.
        fixed_times: the clock times a ward works by, in the order of its day (06:00, 12:00, 18:00, 00:00).
    """

    wake: time
    sleep: time
    meals: tuple[time, ...] = ()
    fixed_times: tuple[time, ...] = ()


@dataclass(frozen=True, slots=True)
class Hold:
    """A spell in which the order rests; without an end it still does."""

    starts_at: datetime
    ends_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Window:
    """One treatment that is due: it may begin from ``earliest`` to ``latest`` (UTC).

    ``ordinal`` counts the windows of the whole service date from 1, also those before an order began, so
    that a window keeps its number whatever is asked and however the order starts, rests or stops.
    """

    service_date: date
    ordinal: int
    earliest: datetime
    latest: datetime


class _Span(NamedTuple):
    """Minutes of wall time counted from midnight of the day on which the unit's day began."""

    start: int
    end: int

    @property
    def length(self) -> int:
        return self.end - self.start


def due_windows(
    order: OrderTimes,
    day: Day,
    *,
    time_zone: str,
    date_from: date,
    date_to: date,
    holds: Sequence[Hold] = (),
) -> tuple[Window, ...]:
    """The windows of an order whose service date lies from ``date_from`` to ``date_to``, both included.

    Where the fixed times can be shared out evenly (their number is a multiple of ``times_a_day``), windows
    begin at every so many of them. Otherwise the waking day, less the waiting times after meals, is cut into
    equal shares. Either way a window is open for the first half of its share, by the clock for half of the
    shortest time to the next one: the rest is the gap before it. Wall times in a gap move to its end, and in
    a fold take the first.
    What an order's start or end or a hold cuts off is not due; a window that it cuts in two keeps the longer
    part, and a remainder that would begin on a later date is not due at all.

    Raises:
        NotCalculable: the field and what would be allowed, also when the waits after meals fill the day.
    """
    zone = _checked(order, day, time_zone=time_zone, date_from=date_from, date_to=date_to, holds=holds)
    spans = _spans_of_day(order, day)
    rests = sorted(_rests(order, holds))
    windows: list[Window] = []
    for offset in range((date_to - date_from).days + 1):
        service_date = date_from + timedelta(days=offset)
        for ordinal, (earliest, latest) in enumerate(_nominal(service_date, spans, zone), start=1):
            left = _longest_free(earliest, latest, rests)
            if left is None or left[0].astimezone(zone).date() != service_date:
                continue
            windows.append(Window(service_date, ordinal, *left))
    return tuple(windows)


def is_held(earliest: datetime, latest: datetime, holds: Iterable[Hold]) -> bool:
    """Whether holds leave no time in which a treatment could have begun."""
    rests = sorted((hold.starts_at, hold.ends_at or _FOREVER) for hold in holds)
    return _longest_free(earliest, latest, rests) is None


_FOREVER = datetime.max.replace(tzinfo=UTC)
_LONG_AGO = datetime.min.replace(tzinfo=UTC)


def _nominal(service_date: date, spans: Sequence[_Span], zone: ZoneInfo) -> list[tuple[datetime, datetime]]:
    """All windows that begin on a local date, in order, before start, end and holds are looked at.

    A unit's day may run past midnight: the late windows of the day before begin on this date too.
    """
    found = []
    for day_before in (service_date - timedelta(days=1), service_date):
        for span in spans:
            earliest = _instant(day_before, span.start, zone)
            latest = _instant(day_before, span.end, zone)
            if earliest >= latest:
                # Both ends lay in the same gap: the window keeps its length behind it.
                latest = earliest + timedelta(minutes=span.length)
            wall_date = day_before + timedelta(days=span.start // _DAY_MINUTES)
            if earliest.astimezone(zone).date() == service_date and _exists(wall_date, zone):
                found.append((earliest, latest))
    return sorted(found)


def _exists(wall_date: date, zone: ZoneInfo) -> bool:
    """Whether the zone has this date at all: Samoa went from 29 to 31 December in 2011."""
    midnight = time(0)
    return instant_of(wall_date, midnight, zone) < instant_of(wall_date + timedelta(days=1), midnight, zone)


def _instant(day: date, minutes: int, zone: ZoneInfo) -> datetime:
    days, minute = divmod(minutes, _DAY_MINUTES)
    return instant_of(day + timedelta(days=days), time(minute // 60, minute % 60), zone)


def _spans_of_day(order: OrderTimes, day: Day) -> list[_Span]:
    number = order.times_a_day
    if day.fixed_times and len(day.fixed_times) % number == 0:
        return _at_fixed_times(order, day)
    free = _free_of_meals(_waking(day), order.minutes_after_meal, day.meals)
    total = sum(span.length for span in free)
    if total < 2 * number:
        raise NotCalculable(
            "/order/minutes_after_meal",
            "inconsistent",
            "The waits after meals leave no time in the day for this many treatments.",
            allowed="a shorter wait, fewer meals or fewer treatments a day",
            got=order.minutes_after_meal,
        )
    spans = []
    for share in range(number):
        pieces = _cut(free, total * share // number, total * (share + 1) // number)
        # On ties the earlier piece: max keeps the first.
        piece = max(pieces, key=lambda span: span.length)
        spans.append(_Span(piece.start, min(piece.end, piece.start + max(1, total // number // 2))))
    return spans


def _at_fixed_times(order: OrderTimes, day: Day) -> list[_Span]:
    starts = [_minute(each) for each in day.fixed_times[:: len(day.fixed_times) // order.times_a_day]]
    starts = [start if start >= starts[0] else start + _DAY_MINUTES for start in starts]
    gaps = [
        following - start
        for start, following in zip(starts, [*starts[1:], starts[0] + _DAY_MINUTES], strict=True)
    ]
    spans = []
    for start in starts:
        # By the shortest gap, so that the last one before the night does not stay open into it.
        half = _Span(start, start + max(1, min(gaps) // 2))
        free = _free_of_meals(half, order.minutes_after_meal, day.meals)
        if free:
            spans.append(max(free, key=lambda span: span.length))
        else:
            # The whole half lies in the wait after a meal: the window opens when the wait is over.
            opens = start
            for begin, end in _waits(order.minutes_after_meal, day.meals):
                if begin <= opens < end:
                    opens = end
            spans.append(_Span(opens, opens + half.length))
    return spans


def _waking(day: Day) -> _Span:
    start, end = _minute(day.wake), _minute(day.sleep)
    return _Span(start, end if end > start else end + _DAY_MINUTES)


def _waits(minutes_after_meal: int, meals: Sequence[time]) -> list[tuple[int, int]]:
    """The spells after meals in which nothing may begin, on the day before, the day and the day after."""
    if not minutes_after_meal:
        return []
    return sorted(
        (_minute(meal) + shift, _minute(meal) + shift + minutes_after_meal)
        for meal in meals
        for shift in (-_DAY_MINUTES, 0, _DAY_MINUTES)
    )


def _free_of_meals(span: _Span, minutes_after_meal: int, meals: Sequence[time]) -> list[_Span]:
    free, start = [], span.start
    for begin, end in _waits(minutes_after_meal, meals):
        if end <= start or begin >= span.end:
            continue
        if begin > start:
            free.append(_Span(start, begin))
        start = end
    if start < span.end:
        free.append(_Span(start, span.end))
    return free


def _cut(free: Sequence[_Span], begin: int, end: int) -> list[_Span]:
    """The pieces of the free time between two amounts of it."""
    pieces, passed = [], 0
    for span in free:
        low, high = max(begin, passed), min(end, passed + span.length)
        if low < high:
            pieces.append(_Span(span.start + low - passed, span.start + high - passed))
        passed += span.length
    return pieces


def _rests(order: OrderTimes, holds: Iterable[Hold]) -> list[tuple[datetime, datetime]]:
    rests = [(hold.starts_at, hold.ends_at or _FOREVER) for hold in holds]
    rests.append((_LONG_AGO, order.starts_at))
    if order.ends_at is not None:
        rests.append((order.ends_at, _FOREVER))
    return rests


def _longest_free(
    earliest: datetime, latest: datetime, rests: Sequence[tuple[datetime, datetime]]
) -> tuple[datetime, datetime] | None:
    """The longest part of a window that no rest covers, the first of equals; ``rests`` are sorted."""
    best: tuple[datetime, datetime] | None = None
    start = earliest
    for begin, end in [*rests, (_FOREVER, _FOREVER)]:
        stop = min(begin, latest)
        if start < stop and (best is None or stop - start > best[1] - best[0]):
            best = (start.astimezone(UTC), stop.astimezone(UTC))
        start = max(start, end)
    return best


def _minute(wall_time: time) -> int:
    return wall_time.hour * 60 + wall_time.minute


def _checked(
    order: OrderTimes,
    day: Day,
    *,
    time_zone: str,
    date_from: date,
    date_to: date,
    holds: Sequence[Hold],
) -> ZoneInfo:
    if not 1 <= order.times_a_day <= MOST_TIMES_A_DAY:
        raise NotCalculable(
            "/order/times_a_day",
            "out_of_range",
            f"Times a day must be from 1 to {MOST_TIMES_A_DAY}.",
            allowed=f"1..{MOST_TIMES_A_DAY}",
            got=order.times_a_day,
        )
    if not 0 <= order.minutes_after_meal <= _DAY_MINUTES:
        raise NotCalculable(
            "/order/minutes_after_meal",
            "out_of_range",
            "The wait after a meal must be from 0 to 1440 minutes.",
            allowed="0..1440",
            got=order.minutes_after_meal,
        )
    if not 0 <= (date_to - date_from).days < MOST_DAYS:
        raise NotCalculable(
            "/date_to",
            "inconsistent",
            f"The last date must not lie before the first, nor {MOST_DAYS} days or more after it.",
            got=date_to,
        )
    _check_spell("/order", order)
    for number, hold in enumerate(holds):
        _check_spell(f"/holds/{number}", hold)
    _check_fixed_times(day)
    try:
        return ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise NotCalculable(
            "/time_zone",
            "out_of_range",
            "The time zone must be an IANA name.",
            allowed="a name such as Europe/London",
            got=time_zone,
        ) from error


def _check_spell(pointer: str, spell: OrderTimes | Hold) -> None:
    for name, instant in (("starts_at", spell.starts_at), ("ends_at", spell.ends_at)):
        if instant is not None and instant.utcoffset() is None:
            raise NotCalculable(
                f"{pointer}/{name}", "wrong_type", "An instant must carry its offset.", got=str(instant)
            )
    if spell.ends_at is not None and spell.ends_at < spell.starts_at:
        raise NotCalculable(
            f"{pointer}/ends_at", "inconsistent", "The end must not lie before the start.", got=spell.ends_at
        )


def _check_fixed_times(day: Day) -> None:
    minutes = [_minute(each) for each in day.fixed_times]
    after_first = [(minute - minutes[0]) % _DAY_MINUTES for minute in minutes]
    if after_first != sorted(set(after_first)):
        raise NotCalculable(
            "/day/fixed_times",
            "inconsistent",
            "Fixed times must be different and stand in the order of the unit's day.",
            got=[each.isoformat(timespec="minutes") for each in day.fixed_times],
        )
