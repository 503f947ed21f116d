"""Reads what was due and what was given, and counts it with the rules: for a patient, a unit, the clinic.

Every figure is made of the rows of one call to `counted_windows`, so that a share, its counts and the list behind it
cannot differ. The number of queries does not depend on how many patients or treatments there are.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, TypeVar
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Q, QuerySet
from django.utils import timezone

from clinic.access import NotPermitted, patients_visible_to
from clinic.calendar import instant_of, to_the_minute
from clinic.models import Patient, Person
from clinic.staff.roles import Role
from therapy.orders.selectors import first_of_line
from therapy.outcomes import rules
from therapy.outcomes.rules import ReasonGroup, WindowOutcome, WindowState
from therapy.outcomes.whereabouts import Whereabouts
from therapy.scheduling.models import DueWindow
from therapy.sessions.matching import Treatment, Window, match
from therapy.sessions.models import TreatmentSession
from therapy.sessions.rules import dose_of

SPELLS_DAYS = (7, 28)
_DOSE = ("sets", "minutes", "positions", "cycles", "breaths_per_set")
_GIVEN = {"full": WindowState.FULL, "part": WindowState.PART}
Key = TypeVar("Key", bound=Hashable)


@dataclass(frozen=True)
class Counted:
    """One due window with what became of it; `unit_id` is where the patient was when it opened."""

    window_id: UUID
    patient_id: UUID
    order_id: UUID
    technique: str
    unit_id: int | None
    outcome: WindowOutcome
    reason: str
    treatment_id: UUID | None


@dataclass(frozen=True)
class Spell:
    """Treatments delivered over the last days up to now, with the range they were counted in."""

    days: int
    start: datetime
    end: datetime
    figure: rules.Delivered


def figures_scope(person: Person) -> QuerySet[Patient]:
    """The patients whose treatments are counted for a person: the whole clinic for lead and manager.

    Raises: NotPermitted for whoever sees nothing clinical.
    """
    if person.role in {Role.LEAD, Role.MANAGER} and person.is_active:
        return Patient.objects.filter(entered_in_error=False)
    if person.role == Role.THERAPIST:
        return patients_visible_to(person)
    raise NotPermitted("Figures are for: department lead, therapist, manager.")


def clinic_zone() -> ZoneInfo:
    """The zone in which the clinic's days begin."""
    return ZoneInfo(timezone.get_default_timezone_name())


def counted_windows(patients: QuerySet[Patient], *, start: datetime, end: datetime) -> list[Counted]:
    """Every window of these patients that ends in [start, end), matched with the treatments. Five queries."""
    # A late treatment fills a window of its own service date, so whole days are matched on both edges.
    first, last = start.date() - timedelta(days=2), end.date() + timedelta(days=1)
    windows = list(
        DueWindow.objects.filter(patient__in=patients, service_date__range=(first, last))
        .order_by("latest", "id")
        .values(
            "id", "patient_id", "order_id", "technique", "service_date", "earliest", "latest", "state", "reason",
            "reason_group", *(f"order__{name}" for name in _DOSE),
        )
    )  # fmt: skip
    treatments = _treatments(patients, first, last)
    filled = _filled(windows, treatments, first_of_line(patients))
    whereabouts = Whereabouts(patients)
    return [
        _counted(row, filled.get(row["id"]), whereabouts.unit_id(row["patient_id"], row["earliest"]))
        for row in windows
        if start <= row["latest"] < end
    ]


def delivered_by(
    rows: Iterable[Counted], key: Callable[[Counted], Key], *, start: datetime, end: datetime
) -> dict[Key, rules.Delivered]:
    """The figure of each group of windows, in the order in which the groups come first."""
    groups: dict[Key, list[WindowOutcome]] = defaultdict(list)
    for row in rows:
        groups[key(row)].append(row.outcome)
    return {name: rules.delivered(group, start=start, end=end) for name, group in groups.items()}


def delivered_of(rows: Iterable[Counted], *, start: datetime, end: datetime) -> rules.Delivered:
    """The figure of all these windows together."""
    return rules.delivered((row.outcome for row in rows), start=start, end=end)


def reasons_of(rows: Iterable[Counted]) -> dict[ReasonGroup, Counter[str]]:
    """Why what was not given was not given: reasons counted in their group, held and away included."""
    found: dict[ReasonGroup, Counter[str]] = {group: Counter() for group in ReasonGroup}
    for row in rows:
        group = row.outcome.reason_group
        if row.outcome.state is WindowState.NOT_DELIVERED and group is not None:
            found[group][row.reason or "not_recorded"] += 1
    return found


def spell_of_days(days: int, now: datetime) -> tuple[datetime, datetime]:
    """The last days up to now as a range: from the local midnight that begins the first of them."""
    zone = clinic_zone()
    first = now.astimezone(zone).date() - timedelta(days=days - 1)
    return instant_of(first, time(0), zone), to_the_minute(now)


def patient_delivered(patient: Patient, *, now: datetime) -> list[Spell]:
    """Treatments delivered and patient adherence over the last 7 and 28 days. Four queries."""
    start, end = spell_of_days(max(SPELLS_DAYS), now)
    rows = counted_windows(Patient.objects.filter(pk=patient.pk), start=start, end=end)
    spells = []
    for days in SPELLS_DAYS:
        begin, _ = spell_of_days(days, now)
        figure = delivered_of((row for row in rows if row.outcome.end >= begin), start=begin, end=end)
        spells.append(Spell(days, begin, end, figure))
    return spells


def _treatments(patients: QuerySet[Patient], first: date, last: date) -> list[dict[str, Any]]:
    in_range = Q(service_date__range=(first, last)) | Q(window__service_date__range=(first, last))
    return list(
        TreatmentSession.objects.filter(in_range, patient__in=patients, entered_in_error=False)
        .exclude(teaching=True, window__isnull=True)
        .order_by("started_at", "id")
        .values(
            "id", "order_id", "window_id", "service_date", "started_at", "delivered", "reason", "reason_group",
            *(f"{name}_done" for name in _DOSE), *(f"order__{name}" for name in _DOSE),
        )
    )  # fmt: skip


def _filled(
    windows: Iterable[Mapping[str, Any]],
    treatments: Iterable[Mapping[str, Any]],
    care: Mapping[UUID, UUID],
) -> dict[UUID, Mapping[str, Any]]:
    """The treatment that fills each window, by the one rule for it; a changed order goes on in the new one."""
    by_id = {row["id"]: row for row in treatments}

    def of(order: UUID) -> UUID:
        return care.get(order, order)

    matched = match(
        (
            Window(row["id"], of(row["order_id"]), row["service_date"], row["earliest"], row["latest"])
            for row in windows
            if row["state"] != WindowState.CANCELLED
        ),
        (
            Treatment(
                row["id"],
                of(row["order_id"]),
                row["service_date"],
                row["started_at"],
                row["delivered"],
                row["window_id"],
            )
            for row in by_id.values()
        ),
    )
    return {
        window: by_id[treatment]
        for treatment, window in matched.items()
        if isinstance(window, UUID) and isinstance(treatment, UUID)
    }


def _counted(window: Mapping[str, Any], treatment: Mapping[str, Any] | None, unit_id: int | None) -> Counted:
    state, group, reason, ordered, done = _what_became(window, treatment)
    return Counted(
        window_id=window["id"],
        patient_id=window["patient_id"],
        order_id=window["order_id"],
        technique=window["technique"],
        unit_id=unit_id,
        outcome=WindowOutcome(window["earliest"], window["latest"], state, group, ordered, done),
        reason=reason,
        treatment_id=treatment["id"] if treatment else None,
    )


def _what_became(
    window: Mapping[str, Any], treatment: Mapping[str, Any] | None
) -> tuple[WindowState, ReasonGroup | None, str, int | None, int | None]:
    if treatment is None:
        return *_without_treatment(window), None, None
    state = _GIVEN.get(treatment["delivered"], WindowState.NOT_DELIVERED)
    if state is WindowState.FULL:
        return state, None, "", None, None
    group = ReasonGroup(treatment["reason_group"]) if treatment["reason_group"] else None
    if state is WindowState.NOT_DELIVERED:
        return state, group or ReasonGroup.NOT_RECORDED, treatment["reason"], None, None
    dose = dose_of(
        # What was ordered when it was given: the order may have been changed since the window was made.
        {name: (treatment if treatment["order_id"] else window)[f"order__{name}"] for name in _DOSE},
        {name: treatment[f"{name}_done"] for name in _DOSE},
    )
    # A part of an unknown size counts as begun, with nothing of the dose: too low rather than made up.
    ordered, done = (dose.ordered, dose.done or 0) if dose else (1, 0)
    return state, group, treatment["reason"], ordered, done


def _without_treatment(window: Mapping[str, Any]) -> tuple[WindowState, ReasonGroup | None, str]:
    if window["state"] == WindowState.CANCELLED:
        return WindowState.CANCELLED, None, window["reason"]
    if window["state"] == WindowState.OPEN:
        return WindowState.OPEN, None, ""
    # A window that says "given" without a treatment behind it lost that treatment to a correction.
    group = ReasonGroup(window["reason_group"] or ReasonGroup.NOT_RECORDED)
    return WindowState.NOT_DELIVERED, group, window["reason"]
