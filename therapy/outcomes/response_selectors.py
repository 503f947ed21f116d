"""Reads what treatment was followed by: sputum, saturation and breathlessness, and how long the first one took."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from fractions import Fraction
from uuid import UUID

from django.db.models import QuerySet

from clinic.limits.rules import OxygenGiven, same_oxygen
from clinic.measurements.models import Measurement, Moment
from clinic.models import Patient, Referral
from clinic.patients.models import DiagnosisGroup
from clinic.referrals.models import ReferralOutcome, Urgency
from therapy.outcomes.response import (
    Quartiles,
    Sputum,
    SputumOfDay,
    SputumState,
    SputumUnit,
    over_patients,
    response,
    sputum_of_day,
    units_measured,
)
from therapy.outcomes.whereabouts import Whereabouts
from therapy.sessions.models import TreatmentSession

COMPARED = ("spo2_percent", "borg_tenths")


@dataclass(frozen=True)
class SputumOfGroup:
    """Sputum a day in one diagnosis group; patients are the unit, mL and g stand apart."""

    group: DiagnosisGroup
    volume_tenths_ml: Quartiles | None
    mass_tenths_g: Quartiles | None
    patients: int
    sessions: int
    counted: int
    apart: dict[str, int]


@dataclass(frozen=True)
class Response:
    """One treatment's value before and after, and whether the two may be compared."""

    treatment_id: UUID
    at: datetime
    before: int | None
    after: int | None
    comparable: bool

    @property
    def change(self) -> int | None:
        """After less before, only where it means something."""
        return response(self.before, self.after, comparable=self.comparable)


@dataclass(frozen=True)
class SputumPoint:
    """The sputum of one treatment as a chart shows it."""

    treatment_id: UUID
    day: date
    at: datetime
    state: str
    volume_tenths_ml: int | None
    mass_tenths_g: int | None
    colour: int | None


@dataclass(frozen=True)
class FirstTreatment:
    """From referral to first treatment: of how many, the median, by urgency; and how many still wait."""

    minutes: Sequence[int]
    by_urgency: Mapping[str, Sequence[int]]
    still_waiting: int
    waiting_by_urgency: Mapping[str, int] = field(default_factory=dict)

    @property
    def median_minutes(self) -> Fraction | None:
        """The median over all of them, None where there were none."""
        return median(self.minutes)


def median(values: Iterable[int]) -> Fraction | None:
    """The middle value, exactly; None of nothing."""
    found = over_patients([[value] for value in values])
    return found.median if found else None


def sputum_by_group(patients: QuerySet[Patient], *, first: date, last: date) -> list[SputumOfGroup]:
    """Sputum a day of the treatments given on these dates, by diagnosis group. One query."""
    rows = (
        TreatmentSession.objects.filter(
            patient__in=patients,
            service_date__range=(first, last),
            entered_in_error=False,
            delivered__in=("full", "part"),
            teaching=False,
        )
        .order_by("patient_id", "service_date", "id")
        .values_list(
            "patient__diagnosis_group",
            "patient_id",
            "service_date",
            "sputum",
            "sputum_volume_tenths_ml",
            "sputum_mass_tenths_g",
        )
    )
    groups: dict[str, dict[UUID, dict[date, list[Sputum]]]] = defaultdict(
        lambda: defaultdict(lambda: defaultdict(list))
    )
    for group, patient_id, day, state, volume, mass in rows:
        groups[group][patient_id][day].append(_sputum(state, volume, mass))
    return [_sputum_of_group(group, groups[group]) for group in DiagnosisGroup if group in groups]


def _sputum_of_group(
    group: DiagnosisGroup, by_patient: dict[UUID, dict[date, list[Sputum]]]
) -> SputumOfGroup:
    days: dict[UUID, list[SputumOfDay]] = {}
    for patient, by_day in by_patient.items():
        units = units_measured(row for rows in by_day.values() for row in rows)
        days[patient] = [sputum_of_day(rows, units=units) for rows in by_day.values()]
    every = [day for patient_days in days.values() for day in patient_days]
    apart: Counter[str] = Counter()
    for day in every:
        apart.update(day.apart)
    return SputumOfGroup(
        group=group,
        volume_tenths_ml=over_patients(
            [[d.volume_tenths_ml for d in each if d.volume_tenths_ml is not None] for each in days.values()]
        ),
        mass_tenths_g=over_patients(
            [[d.mass_tenths_g for d in each if d.mass_tenths_g is not None] for each in days.values()]
        ),
        patients=len(days),
        sessions=sum(day.sessions for day in every),
        counted=sum(day.counted for day in every),
        apart=dict(apart),
    )


def sputum_of_patient(patient: Patient, *, start: datetime, end: datetime) -> list[SputumPoint]:
    """Every treatment given to a patient in a range with its sputum, oldest first. One query.

    "None produced" is a zero in what the patient is measured in over the range, as in `sputum_of_day`.
    """
    rows = TreatmentSession.objects.filter(
        patient=patient,
        started_at__gte=start,
        started_at__lt=end,
        entered_in_error=False,
        delivered__in=("full", "part"),
    ).order_by("started_at", "id")
    sputum = [_sputum(row.sputum, row.sputum_volume_tenths_ml, row.sputum_mass_tenths_g) for row in rows]
    units = units_measured(sputum)
    zero_ml, zero_g = (0 if unit in units else None for unit in (SputumUnit.ML, SputumUnit.G))
    return [
        SputumPoint(
            row.pk,
            row.service_date,
            row.started_at,
            row.sputum,
            zero_ml if known.state is SputumState.NONE else known.volume_tenths_ml,
            zero_g if known.state is SputumState.NONE else known.mass_tenths_g,
            row.sputum_colour,
        )
        for row, known in zip(rows, sputum, strict=True)
    ]


def _sputum(state: str, volume_tenths_ml: int | None, mass_tenths_g: int | None) -> Sputum:
    """A treatment without an entry on sputum is one where it was not collected."""
    return Sputum(SputumState(state or SputumState.NOT_COLLECTED), volume_tenths_ml, mass_tenths_g)


def responses(patient: Patient, *, start: datetime, end: datetime) -> dict[str, list[Response]]:
    """SpO2 and Borg score before and after each treatment of a patient in a range. Two queries.

    A Borg score is given with the same oxygen as the saturation beside it, unless it carries its own.
    """
    times = dict(
        TreatmentSession.objects.filter(
            patient=patient, started_at__gte=start, started_at__lt=end, entered_in_error=False
        ).values_list("pk", "started_at")
    )
    values: dict[tuple[UUID, str], dict[str, Measurement]] = defaultdict(dict)
    for row in Measurement.objects.filter(
        patient=patient,
        treatment_id__in=list(times),
        kind__in=COMPARED,
        moment__in=(Moment.BEFORE, Moment.AFTER),
        entered_in_error=False,
    ).order_by("measured_at", "id"):
        if row.treatment_id is not None:
            values[row.treatment_id, row.kind][row.moment] = row
    found: dict[str, list[Response]] = {kind: [] for kind in COMPARED}
    for treatment_id, at in sorted(times.items(), key=lambda item: (item[1], item[0])):
        for kind in COMPARED:
            pair = values.get((treatment_id, kind), {})
            before, after = pair.get(Moment.BEFORE), pair.get(Moment.AFTER)
            if before is None and after is None:
                continue
            oxygen = [_oxygen(treatment_id, moment, kind, values) for moment in (Moment.BEFORE, Moment.AFTER)]
            found[kind].append(
                Response(
                    treatment_id,
                    at,
                    before.value if before else None,
                    after.value if after else None,
                    same_oxygen(*oxygen),
                )
            )
    return found


def _oxygen(
    treatment_id: UUID, moment: str, kind: str, values: dict[tuple[UUID, str], dict[str, Measurement]]
) -> OxygenGiven | None:
    for name in (kind, "spo2_percent"):
        row = values.get((treatment_id, name), {}).get(moment)
        if row is not None and row.oxygen_device:
            return OxygenGiven(row.oxygen_device, row.oxygen_flow_ml_per_min, row.fio2_percent)
    return None


def first_treatments(patients: QuerySet[Patient], *, start: datetime, end: datetime) -> FirstTreatment:
    """How long those first treated in a range had waited since their referral, and who waits at its end.

    Only accepted referrals wait for a treatment, of patients who had not left by the end of the range; the
    others ended otherwise. Four queries.
    """
    rows = Referral.objects.filter(
        patient__in=patients, entered_in_error=False, outcome=ReferralOutcome.ACCEPTED, received_at__lt=end
    ).values("urgency", "received_at", "first_treated_at", "patient_id")
    waited: dict[str, list[int]] = {urgency: [] for urgency in Urgency}
    untreated: list[tuple[UUID, str]] = []
    for row in rows:
        treated = row["first_treated_at"]
        if treated is None or treated >= end:
            untreated.append((row["patient_id"], row["urgency"]))
        elif treated >= start:
            waited[row["urgency"]].append((treated - row["received_at"]) // timedelta(minutes=1))
    where = Whereabouts(Patient.objects.filter(pk__in={patient_id for patient_id, _ in untreated}))
    waiting = Counter(urgency for patient_id, urgency in untreated if not where.had_left(patient_id, end))
    every = sorted(minutes for group in waited.values() for minutes in group)
    return FirstTreatment(every, waited, sum(waiting.values()), dict(waiting))
