"""What the patient page shows of outcomes: treatments delivered, sputum, saturation and breathlessness, as charts."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any

from django.utils import timezone

from clinic import formats
from clinic.measurements.kinds import kind
from clinic.models import Patient
from clinic.patients.models import SpO2Target
from clinic.units.selectors import number
from therapy.outcomes import response_selectors, selectors
from therapy.outcomes.charts import Axis, Chart, Mark, Series, over_time
from therapy.outcomes.response_selectors import Response, SputumPoint, median
from therapy.outcomes.rules import BandLimits, Delivered, band
from therapy.sessions.models import SputumState

CHART_DAYS = 28
_SPUTUM = Axis("mL a treatment", 0, (30, 60, 120, 240), steps=3, write=lambda v: formats.number(float(v)))
_SPO2 = Axis("SpO2, %", 70, (100,), steps=3, write=lambda v: formats.number(round(v)))
_BORG = Axis("Borg CR10", 0, (10,), steps=5, write=lambda v: formats.number(float(v)))
_AXES = {"spo2_percent": _SPO2, "borg_tenths": _BORG}
_STATE_WORDS = dict(SputumState.choices)


@dataclass(frozen=True)
class SpellShown:
    """Treatments delivered over some days, in words with its counts."""

    days: int
    delivered: str
    counts: str
    adherence: str
    adherence_counts: str
    band: str
    beside: str
    figure_id: str


@dataclass(frozen=True)
class Outcomes:
    """Everything of the outcome section of one patient."""

    spells: list[SpellShown]
    sputum: Chart | None
    grams: Chart | None
    responses: list[Chart]
    not_comparable: int
    target: SpO2Target | None


def outcomes_of(patient: Patient, *, now: datetime) -> Outcomes:
    """The outcome section of a patient as of `now`, in a constant number of queries."""
    start, end = selectors.spell_of_days(CHART_DAYS, now)
    points = response_selectors.sputum_of_patient(patient, start=start, end=end)
    found = response_selectors.responses(patient, start=start, end=end)
    limits = BandLimits(number("adherence_low_below_percent"), number("adherence_high_from_percent"))
    charts = [_response_chart(name, rows) for name, rows in found.items()]
    return Outcomes(
        spells=[_spell(patient, spell, limits) for spell in selectors.patient_delivered(patient, now=now)],
        sputum=_sputum_chart(points, "volume_tenths_ml", _SPUTUM),
        grams=_sputum_chart(points, "mass_tenths_g", Axis("g a treatment", 0, (30, 60, 120, 240), steps=3)),
        responses=[chart for chart in charts if chart is not None],
        not_comparable=sum(not row.comparable for row in found["spo2_percent"]),
        target=SpO2Target.objects.filter(patient=patient, ended_at__isnull=True).first(),
    )


def _spell(patient: Patient, spell: selectors.Spell, limits: BandLimits) -> SpellShown:
    figure = spell.figure
    held, away = figure.excluded["clinical"], figure.excluded["away"]
    return SpellShown(
        days=spell.days,
        delivered=_share(figure.share),
        counts=counts(figure),
        adherence=_share(figure.adherence),
        adherence_counts=f"of {figure.adherence_due:,} due to the patient",
        band="" if figure.adherence is None else str(band(figure.adherence, limits)),
        beside=f"not due: on hold {held:,}, away {away:,}",
        figure_id=f"delivered/patient/{patient.pk}/{spell.days}d/{spell.end.isoformat()}",
    )


def counts(figure: Delivered) -> str:
    """The counts behind a share."""
    return f"{figure.full:,} in full, {figure.part:,} in part, of {figure.due:,} due"


def _share(share: Fraction | None) -> str:
    return "Nothing due" if share is None else formats.percent(float(share)).replace(" ", "\u00a0")


def _sputum_chart(points: Iterable[SputumPoint], column: str, axis: Axis) -> Chart | None:
    """Every treatment is a point at its day; what was not measured is a gap with its reason."""
    rows = list(points)
    values = [getattr(row, column) for row in rows if getattr(row, column) is not None]
    if not values:
        return None
    marks = [_sputum_mark(row, column) for row in rows]
    unit = axis.unit.split(" ", maxsplit=1)[0]
    low, high = (formats.number(end, scale=1) for end in (min(values), max(values)))
    middle = formats.number(round(median(values) or 0), scale=1)
    title = f"Median {middle} {unit} a treatment, from {low} to {high}"
    given = formats.count(len(rows), "treatment")
    subtitle = (
        f"Sputum of each treatment in the last {CHART_DAYS} days; measured in {len(values):,} of {given}"
    )
    return over_time(title, subtitle, [Series("Sputum", marks)], axis)


def _sputum_mark(row: SputumPoint, column: str) -> Mark:
    tenths = getattr(row, column)
    if tenths is None:
        measured_otherwise = row.state == SputumState.MEASURED
        words = "other unit" if measured_otherwise else str(_STATE_WORDS.get(row.state, "not recorded"))
        return Mark(row.day, None, words.lower())
    return Mark(row.day, Fraction(tenths, 10))


def _response_chart(name: str, rows: list[Response]) -> Chart | None:
    """Before and after each treatment, only where the oxygen was the same; else a gap that says so."""
    changes = [row.change for row in rows if row.change is not None]
    if not rows:
        return None
    measured = kind(name)
    before = [_response_mark(row, row.before, measured.scale) for row in rows]
    after = [_response_mark(row, row.after, measured.scale) for row in rows]
    words = f"{measured.words[:1].upper()}{measured.words[1:]}"
    if not changes:
        title = f"{words}: no two values at the same oxygen"
    else:
        middle = median(changes) or Fraction(0)
        amount = formats.number(float(abs(middle)), scale=measured.scale)
        unit = "" if measured.unit != "%" else " point" if amount == "1" else " points"
        way = "unchanged" if not middle else f"{'up' if middle > 0 else 'down'} by {amount}{unit}"
        title = f"{words} after treatment: median {way}"
    subtitle = (
        f"Last {CHART_DAYS} days, before and after, only at the same oxygen: "
        f"{len(changes):,} of {formats.count(len(rows), 'treatment')}"
    )
    return over_time(
        title, subtitle, [Series("before", before, hollow=True), Series("after", after)], _AXES[name]
    )


def _response_mark(row: Response, value: int | None, scale: int) -> Mark:
    day = timezone.localtime(row.at).date()
    if value is None:
        return Mark(day, None, "not measured")
    if not row.comparable:
        return Mark(day, None, "other oxygen")
    return Mark(day, Fraction(value, 10**scale))


def context(patient: Patient, *, now: datetime | None = None) -> dict[str, Any]:
    """For `templates/outcomes/patient_section.html`."""
    return {"outcomes": outcomes_of(patient, now=now or timezone.now())}
