"""Limits and measured numbers of the demo: vital signs over a day and a half, an exhalation, cough flows."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from clinic.limits.models import SpO2Scale, StopLimits
from clinic.measurements.services import Value
from clinic.models import Patient, Person
from screening.numbers import forced, services
from therapy.pages.demo.scene import Scene


@dataclass(frozen=True)
class _Signs:
    hours_ago: int
    rate: int
    spo2: int
    systolic: int
    pulse: int
    temperature: int | None
    consciousness: str = "A"
    litres: int = 1


_BETTER_THEN_WORSE = (
    _Signs(34, 18, 92, 128, 84, 371),
    _Signs(22, 20, 91, 124, 92, 378),
    _Signs(10, 22, 91, 118, 98, None),
    _Signs(2, 24, 89, 108, 104, 384, litres=2),
)
_STEADY = (_Signs(26, 19, 90, 136, 88, 368), _Signs(4, 18, 90, 132, 86, 366))
_CHILD = (_Signs(5, 28, 96, 104, 118, 374, litres=0),)


def tell(scene: Scene, rows: Mapping[str, Patient]) -> None:
    """Write the numbers of a few patients, by the lead, at the time of the demo."""
    lead, now = scene.service.lead, scene.clock.now
    for key, course in (
        ("mosswater", _BETTER_THEN_WORSE),
        ("fernhill-alder", _STEADY),
        ("fernhill-alda", _CHILD),
    ):
        if key not in rows:
            continue
        if key == "fernhill-alder":
            _scale_two(rows[key], lead, now - timedelta(days=2))
        for signs in course:
            _vital_signs(rows[key], lead, now, signs)
    if "mosswater" in rows:
        _stop_limits(rows["mosswater"], lead, now)
        _exhalation(rows["mosswater"], lead, now - timedelta(days=3), 900, 28)
        _exhalation(rows["mosswater"], lead, now - timedelta(hours=20), 820, 41)
    if "larchwood" in rows:
        _cough_flow(rows["larchwood"], lead, now - timedelta(days=1), 140)


def _vital_signs(patient: Patient, by: Person, now: datetime, signs: _Signs) -> None:
    oxygen = (
        {"oxygen_device": "nasal_cannula", "oxygen_flow_ml_per_min": signs.litres * 1000}
        if signs.litres
        else {"oxygen_device": "air"}
    )
    values = [
        Value("respiratory_rate_per_min", signs.rate),
        Value("spo2_percent", signs.spo2, **oxygen),
        Value("systolic_mmhg", signs.systolic),
        Value("pulse_per_min", signs.pulse),
    ]
    if signs.temperature is not None:
        values.append(Value("temperature_tenths_c", signs.temperature))
    services.record_vital_signs(
        by=by, patient=patient, measured_at=now - timedelta(hours=signs.hours_ago), values=values,
        consciousness=signs.consciousness, pregnant=False,
    )  # fmt: skip


def _scale_two(patient: Patient, by: Person, at: datetime) -> None:
    SpO2Scale.objects.create(
        patient=patient, scale=2, by=by, started_at=at, created_at=at,
        reason="Hypercapnic failure confirmed by blood gas on admission",
    )  # fmt: skip


def _stop_limits(patient: Patient, by: Person, now: datetime) -> None:
    first, second = now - timedelta(days=4), now - timedelta(days=1)
    old = StopLimits.objects.create(
        patient=patient, pulse_above=130, by=by, started_at=first, created_at=first, ended_at=second, ended_by=by,
        ended_reason="Ward round: pulse has settled", reason="Dr Larkspur, on admission",
    )  # fmt: skip
    StopLimits.objects.create(
        patient=patient, pulse_below=50, pulse_above=120, respiratory_rate_above=32, by=by, started_at=second,
        created_at=second, replaces=old, reason="Dr Larkspur, ward round: pulse has settled",
    )  # fmt: skip


def _exhalation(patient: Patient, by: Person, at: datetime, volume_ml: int, tenths_s: int) -> None:
    values = [Value("exhaled_volume_ml", volume_ml), Value("exhalation_time_tenths_s", tenths_s)]
    services.record_exhalation(by=by, patient=patient, measured_at=at, values=values)


def _cough_flow(patient: Patient, by: Person, at: datetime, flow: int) -> None:
    answers = {row.key: forced.NO for row in forced.rows()} | {"aneurysm": forced.UNKNOWN}
    services.record_forced_test(
        by=by, patient=patient, measured_at=at, values=[Value("peak_cough_flow_l_per_min", flow)],
        answers=answers, reason="No scan to hand; a gentle effort, seated, somebody beside",
    )  # fmt: skip
