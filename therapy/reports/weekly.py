"""What the weekly caseload report says: every figure of one ISO week as plain values, read once and kept.

The page, the PDF and the next revision are drawn from these values and from nothing else, so a stored report can be
drawn again at any time. Patients stand here by record number only; staff by name, with workload and open items, and
never with an outcome.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Count, Q, QuerySet

from clinic.calendar import Week
from clinic.models import Patient
from therapy.calculations import plain
from therapy.outcomes import response_selectors
from therapy.outcomes import selectors as outcomes
from therapy.outcomes.response import Quartiles
from therapy.outcomes.selectors import Counted, clinic_zone
from therapy.outcomes.whereabouts import Whereabouts
from therapy.reassessment import selectors as reassessments
from therapy.reports.workload import workload
from therapy.sessions.models import AdverseEvent, TreatmentSession

Values = dict[str, Any]
Progress = Callable[[int, int, str], None]
WEEKS_BEFORE = 4
STEPS = ("Treatments", "Sputum", "Reassessments", "Adverse events", "Workload", "Drawing the pages")


@dataclass(frozen=True)
class Span:
    """The part of a week that had passed when the report was made."""

    week: Week
    start: datetime
    end: datetime
    complete: bool


def span_of(week: Week, as_of: datetime) -> Span:
    """A week up to `as_of`; complete once its last midnight has passed."""
    start, end = week.bounds(clinic_zone())
    return Span(week, start, min(end, as_of), as_of >= end)


def collect(week: Week, *, as_of: datetime, progress: Progress | None = None) -> Values:
    """Every figure of the week, as plain values. The number of queries does not depend on the caseload."""
    tell = progress or (lambda *_: None)
    span = span_of(week, as_of)
    patients = Patient.objects.filter(entered_in_error=False)
    tell(0, len(STEPS), STEPS[0])
    values: Values = {
        "week": str(week),
        "first_day": week.first_day.isoformat(),
        "last_day": week.last_day.isoformat(),
        "complete": span.complete,
    }
    values |= _treatments(patients, span)
    tell(1, len(STEPS), STEPS[1])
    values["sputum"] = _sputum(patients, span)
    tell(2, len(STEPS), STEPS[2])
    values["reassessments"] = _reassessments(patients, span)
    values["first_treatment"] = _first_treatment(patients, span)
    tell(3, len(STEPS), STEPS[3])
    values["events"] = _events(span)
    tell(4, len(STEPS), STEPS[4])
    values["staff"] = workload(span.start, span.end)
    tell(5, len(STEPS), STEPS[5])
    # As they will stand in the store, so that a stored report and a new one compare equal.
    stored: Values = json.loads(json.dumps(values))
    return stored


def input_hash(values: Values) -> str:
    """SHA-256 over the figures in one written form: the same data give the same hash."""
    written = json.dumps(values, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(written.encode()).hexdigest()


def _treatments(patients: QuerySet[Patient], span: Span) -> Values:
    earliest, _ = span.week.shifted(-WEEKS_BEFORE).bounds(clinic_zone())
    rows = outcomes.counted_windows(patients, start=earliest, end=span.end)
    this_week = [row for row in rows if row.outcome.end >= span.start]
    before = [row for row in rows if row.outcome.end < span.start]
    return {
        "clinic": _figure(this_week, span.start, span.end),
        "before": _figure(before, earliest, span.start),
        "weeks": [_one_week(rows, span, weeks) for weeks in range(-WEEKS_BEFORE, 1)],
        "units": _units(this_week, patients, span),
        "reasons": _reasons(this_week),
        "patients": _by_number(this_week, span),
    }


def _figure(rows: Iterable[Counted], start: datetime, end: datetime) -> Values:
    kept = list(rows)
    if end <= start:
        end = start + timedelta(minutes=1)
    figure: Values = plain(outcomes.delivered_of(kept, start=start, end=end))
    return figure | {"patients": len({row.patient_id for row in kept})}


def _one_week(rows: Iterable[Counted], span: Span, weeks: int) -> Values:
    week = span.week.shifted(weeks)
    start, end = week.bounds(clinic_zone())
    end = min(end, span.end)
    inside = [row for row in rows if start <= row.outcome.end < end]
    figure = _figure(inside, start, end)
    return {"week": str(week), "first_day": week.first_day.isoformat()} | {
        name: figure[name] for name in ("due", "full", "part", "share", "adherence")
    }


def _units(rows: list[Counted], patients: QuerySet[Patient], span: Span) -> list[Values]:
    """In the order of their names: units are listed, not ranked."""
    units = Whereabouts(patients.none()).units
    found: list[Values] = []
    for unit in units.values():
        inside = [row for row in rows if row.unit_id == unit.pk]
        if inside:
            found.append(
                {
                    "id": unit.pk,
                    "name": unit.name,
                    "care_setting": unit.care_setting,
                    "reasons": _reasons(inside),
                }
                | _figure(inside, span.start, span.end)
            )
    elsewhere = [row for row in rows if row.unit_id not in units]
    if elsewhere:
        found.append(
            {"id": None, "name": "No unit recorded", "care_setting": "", "reasons": _reasons(elsewhere)}
            | _figure(elsewhere, span.start, span.end)
        )
    return found


def _reasons(rows: Iterable[Counted]) -> dict[str, list[tuple[str, int]]]:
    return {
        group.value: sorted(counts.items(), key=lambda item: (-item[1], item[0]))
        for group, counts in outcomes.reasons_of(rows).items()
    }


def _by_number(rows: Iterable[Counted], span: Span) -> list[Values]:
    """The list behind the figure: each patient by record number, in the order of the numbers."""
    kept = list(rows)
    numbers = dict(
        Patient.objects.filter(pk__in={row.patient_id for row in kept}).values_list(
            "pk", "identity__record_number"
        )
    )
    figures = outcomes.delivered_by(kept, lambda row: row.patient_id, start=span.start, end=span.end)
    listed = [
        {"number": numbers[patient] or ""}
        | {name: plain(getattr(figure, name)) for name in ("due", "full", "part", "share", "adherence")}
        for patient, figure in figures.items()
    ]
    return sorted(listed, key=lambda row: row["number"])


def _sputum(patients: QuerySet[Patient], span: Span) -> list[Values]:
    groups = response_selectors.sputum_by_group(patients, first=span.week.first_day, last=span.week.last_day)
    return [
        {
            "group": group.group.value,
            "name": str(group.group.label),
            "volume_tenths_ml": _quartiles(group.volume_tenths_ml),
            "mass_tenths_g": _quartiles(group.mass_tenths_g),
            "patients": group.patients,
            "sessions": group.sessions,
            "counted": group.counted,
            "apart": dict(sorted(group.apart.items())),
        }
        for group in groups
    ]


def _quartiles(found: Quartiles | None) -> Values | None:
    return None if found is None else plain(found)


def _reassessments(patients: QuerySet[Patient], span: Span) -> Values:
    counted = reassessments.on_time(patients, start=span.start, end=span.end, now=span.end)
    overdue = reassessments.overdue_by_number(patients, span.end)
    figures: Values = plain(counted)
    return figures | {
        "overdue": [
            {
                "number": number,
                "care_setting": due.care_setting,
                "due_at": due.due_at.isoformat(),
                "minutes_over": (span.end - due.due_at) // timedelta(minutes=1),
            }
            for number, due in overdue
        ]
    }


def _first_treatment(patients: QuerySet[Patient], span: Span) -> Values:
    found = response_selectors.first_treatments(patients, start=span.start, end=span.end)
    return {
        "treated": len(found.minutes),
        "median_minutes": plain(found.median_minutes),
        "by_urgency": {
            urgency: {"treated": len(values), "median_minutes": plain(response_selectors.median(values))}
            for urgency, values in found.by_urgency.items()
        },
        "still_waiting": found.still_waiting,
    }


def _events(span: Span) -> Values:
    kinds = (
        AdverseEvent.objects.filter(at__gte=span.start, at__lt=span.end, entered_in_error=False)
        .values("kind")
        .annotate(number=Count("id"))
        .order_by("kind")
    )
    given = TreatmentSession.objects.filter(
        started_at__gte=span.start,
        started_at__lt=span.end,
        delivered__in=("full", "part"),
        entered_in_error=False,
    )
    counts = given.aggregate(treatments=Count("id"), outside=Count("id", filter=Q(outside_rules=True)))
    by_kind = {row["kind"]: row["number"] for row in kinds}
    return {"number": sum(by_kind.values()), "kinds": by_kind} | counts


def changed_figures(values: Mapping[str, Any], earlier: Mapping[str, Any], at: str = "") -> list[str]:
    """The places at which two reports of one week differ, as dotted names; lists of one length by their place."""
    found: list[str] = []
    for name in sorted(set(values) | set(earlier)):
        here, there = values.get(name), earlier.get(name)
        place = f"{at}.{name}" if at else name
        if here == there:
            continue
        if isinstance(here, dict) and isinstance(there, dict):
            found += changed_figures(here, there, place)
        elif isinstance(here, list) and isinstance(there, list) and len(here) == len(there):
            found += changed_figures(_numbered(here), _numbered(there), place)
        else:
            found.append(place)
    return found


def _numbered(rows: list[Any]) -> dict[str, Any]:
    return {str(place): row for place, row in enumerate(rows)}
