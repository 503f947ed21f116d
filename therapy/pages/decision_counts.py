"""The lead's page of how often each condition made a clinician decide, month by month, and what came of it."""

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from django.http import Http404
from django.utils import timezone

from clinic import formats
from clinic.attention.models import Flag, FlagKind
from screening import table
from screening.decisions import counts as counting
from screening.decisions.counts import Act, Counts, Happened
from screening.decisions.rules import weighed
from screening.lifts.models import LiftSignature, SignaturePart
from screening.models import Decision, Screening, TechniqueResult
from screening.selectors import HOLD_KEY
from therapy.models import TreatmentSession

FIRST_YEAR = 2000


@dataclass(frozen=True)
class CountRow:
    """One condition of the table with its counts."""

    words: str
    counts: Counts


@dataclass(frozen=True)
class CountsPage:
    """One calendar month."""

    month: dt.date
    rows: tuple[CountRow, ...]
    earlier: str
    later: str
    running: bool

    @property
    def title(self) -> str:
        return f"{formats.MONTHS_IN_FULL[self.month.month - 1]} {self.month.year}"

    @property
    def to_review(self) -> tuple[CountRow, ...]:
        return tuple(row for row in self.rows if row.counts.to_review)


def of_month(asked: str, today: dt.date) -> CountsPage:
    """The page of a month such as "2026-11"; of this month where nothing is asked. Raises: Http404."""
    month = _month(asked) if asked else today.replace(day=1)
    if month > today:
        raise Http404
    rule_table = table.current()
    rows = counting.counts(happened(month), rule_table.conditions)
    after = _next(month)
    return CountsPage(
        month=month,
        rows=tuple(
            CountRow(
                rule_table.words(row.condition)
                if row.condition in rule_table.conditions
                else row.condition.replace("_", " "),
                row,
            )
            for row in rows
        ),
        earlier=f"{month - dt.timedelta(days=1):%Y-%m}" if month.year > FIRST_YEAR else "",
        later=f"{after:%Y-%m}" if after <= today else "",
        running=after > today,
    )


def happened(month: dt.date) -> list[Happened]:
    """Everything that counts in one local calendar month, from rows that are never deleted; six queries."""
    start, end = _instants(month)
    shown = [flag for flag in _holds(start, end) if flag is not None]
    decisions = list(
        Decision.objects.filter(started_at__gte=start, started_at__lt=end).order_by("started_at", "id")
    )
    outside = list(
        TreatmentSession.objects.filter(
            started_at__gte=start, started_at__lt=end, outside_rules=True, entered_in_error=False
        )
        .exclude(delivered="not_delivered")
        .order_by("started_at", "id")
    )
    in_force = _in_force(outside)
    places = [
        *shown,
        *((row.screening_id, row.technique) for row in decisions),
        *((found, row.technique) for row in outside if (found := in_force.get(row.pk))),
    ]
    found_by = _findings(places)
    return [
        *(_of(Act.SHOWN, found_by, place) for place in shown),
        *(
            _of(Act.PROCEED if row.proceed else Act.AGAINST, found_by, (row.screening_id, row.technique))
            for row in decisions
        ),
        *(
            _of(Act.OUTSIDE, found_by, (in_force[row.pk], row.technique))
            for row in outside
            if row.pk in in_force
        ),
        *(Happened(Act.LIFTED, frozenset({condition})) for condition in _lifted(start, end)),
    ]


Place = tuple[UUID, str]


def _of(act: Act, found_by: dict[Place, frozenset[str]], place: Place) -> Happened:
    return Happened(act, found_by.get(place, frozenset()))


def _holds(start: dt.datetime, end: dt.datetime) -> Iterable[Place | None]:
    flags = Flag.objects.filter(
        kind=FlagKind.DECIDE, key__startswith=HOLD_KEY, opened_at__gte=start, opened_at__lt=end
    )
    for key, technique in flags.order_by("opened_at", "id").values_list("key", "technique"):
        screening = key.removeprefix(HOLD_KEY).split(":", 1)[0]
        # Holds of a time before any screening have no findings to count.
        yield (UUID(screening), technique) if screening != "None" else None


def _in_force(treatments: list[TreatmentSession]) -> dict[UUID, UUID]:
    """The screening in force at each treatment's start, by the treatment's id."""
    if not treatments:
        return {}
    screenings: dict[UUID, list[Screening]] = defaultdict(list)
    rows = Screening.objects.filter(
        patient__in={row.patient_id for row in treatments},
        started_at__lte=max(row.started_at for row in treatments),
    )
    for one in rows.order_by("-started_at", "-created_at", "id"):
        screenings[one.patient_id].append(one)
    found = {}
    for row in treatments:
        for one in screenings[row.patient_id]:
            if one.started_at <= row.started_at and (one.ended_at is None or row.started_at < one.ended_at):
                found[row.pk] = one.pk
                break
    return found


def _findings(places: Iterable[Place]) -> dict[Place, frozenset[str]]:
    """The conditions found, not those still open, of each stored result; one query."""
    wanted = set(places)
    rows = TechniqueResult.objects.filter(
        screening__in={screening for screening, _ in wanted}, technique__in={key for _, key in wanted}
    )
    return {
        (row.screening_id, row.technique): frozenset(weighed(row.explanation))
        for row in rows
        if (row.screening_id, row.technique) in wanted
    }


def _lifted(start: dt.datetime, end: dt.datetime) -> list[str]:
    """The condition of each lift that began to count in the month: at the later of its two signatures."""
    last: dict[UUID, tuple[dt.datetime, str]] = {}
    parts: dict[UUID, set[str]] = defaultdict(set)
    rows = LiftSignature.objects.filter(lift__started_at__lt=end, lift__expires_at__gte=start)
    for row in rows.select_related("lift").order_by("at", "id"):
        last[row.lift_id] = (row.at, row.lift.condition)
        parts[row.lift_id].add(row.part)
    whole = set(SignaturePart.values)
    return [condition for key, (at, condition) in last.items() if parts[key] == whole and start <= at < end]


def _instants(month: dt.date) -> tuple[dt.datetime, dt.datetime]:
    zone = timezone.get_current_timezone()
    first, after = (dt.datetime.combine(day, dt.time(), zone) for day in (month, _next(month)))
    return first, after


def _next(month: dt.date) -> dt.date:
    return (month.replace(day=28) + dt.timedelta(days=4)).replace(day=1)


def _month(asked: str) -> dt.date:
    try:
        found = dt.datetime.strptime(asked, "%Y-%m").date()  # noqa: DTZ007 - a calendar month has no zone
    except ValueError:
        raise Http404 from None
    if found.year < FIRST_YEAR:
        raise Http404
    return found
