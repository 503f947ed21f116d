"""Reads vital signs with their score, measured exhalations with their range, and forced breathing tests."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any
from uuid import UUID

from django.db.models import Prefetch, QuerySet
from django.http import Http404
from django.utils import timezone

from clinic import formats
from clinic.calculation import NotCalculable
from clinic.limits import selectors as limits
from clinic.limits.models import SpO2Scale
from clinic.limits.rules import (
    KIND_OF_SIGN,
    SCALE_2_TARGET,
    Finding,
    OxygenGiven,
    Saturation,
    Watch,
    fall_findings,
    level_findings,
    sign_findings,
)
from clinic.measurements.kinds import kind as kind_of
from clinic.measurements.models import Measurement, MeasurementSet, SetKind
from clinic.patients.models import Patient, SpO2Target
from clinic.staff.models import Person
from screening import pages, rules, table
from screening.measures import CoughFlow, DeviceRange, Range, device_range, peak_cough_flow
from screening.news2 import BAND_WORDS, PARAMETERS, RESPONSE, News2, news2
from screening.numbers import forced
from screening.numbers.services import COUGH_FLOW
from screening.selectors import answers_of

MOST_SHOWN = 24
SCALE_TO_DECIDE = (
    "No score: scale 2 was set for a target range of 88 to 92 %, and that range does not hold. A licensed clinician "
    "sets the scale again."
)
_MISSING_WORDS = {
    "/pregnant": "whether the patient is pregnant",
    "/respiratory_rate_per_min": "respiratory rate",
    "/spo2_percent": "SpO2",
    "/on_oxygen": "air or oxygen",
    "/systolic_mmhg": "systolic blood pressure",
    "/pulse_per_min": "pulse",
    "/consciousness": "consciousness",
    "/temperature_c": "temperature",
}


def visible_set(person: Person, set_id: UUID) -> MeasurementSet:
    """One set of a patient whom this person may open. Raises: Http404."""
    from clinic.access import patients_visible_to

    rows = _sets(MeasurementSet.objects.filter(pk=set_id, patient__in=patients_visible_to(person)))
    found = rows.select_related("patient__identity", "patient__unit").first()
    if found is None:
        raise Http404
    return found


def stored_set(set_id: UUID) -> MeasurementSet | None:
    """One set with its patient, whoever asks: for the command that prints a figure's input only."""
    rows = _sets(MeasurementSet.objects.filter(pk=set_id, entered_in_error=False))
    return rows.select_related("patient__identity").first()


@dataclass(frozen=True)
class VitalSigns:
    """One set of vital signs with its score, or why there is none."""

    row: MeasurementSet
    values: Mapping[str, Measurement]
    scale: int
    score: News2 | None
    why_not: str

    @property
    def saturation(self) -> Saturation | None:
        found = self.values.get("spo2_percent")
        if found is None:
            return None
        oxygen = OxygenGiven(found.oxygen_device, found.oxygen_flow_ml_per_min, found.fio2_percent)
        return Saturation(found.value, oxygen)

    @property
    def signs(self) -> dict[str, int | None]:
        return {
            sign: found.value
            for sign, kind in KIND_OF_SIGN.items()
            if (found := self.values.get(kind)) is not None
        }

    @property
    def shown(self) -> dict[str, str]:
        """Each sign in words, SpO2 always with its oxygen."""
        said = {name: _written(self.values.get(name)) for name in _COLUMNS}
        oxygen = self.values.get("spo2_percent")
        return {
            "respiratory_rate": said["respiratory_rate_per_min"],
            "spo2": said["spo2_percent"],
            "oxygen": oxygen_words(oxygen) if oxygen else formats.NOT_RECORDED,
            "systolic": said["systolic_mmhg"],
            "pulse": said["pulse_per_min"],
            "consciousness": self.row.get_consciousness_display().capitalize()
            if self.row.consciousness
            else formats.NOT_RECORDED,
            "temperature": said["temperature_tenths_c"],
        }

    @property
    def lines(self) -> list[tuple[str, str, str]]:
        """Each parameter: its name with the unit, what was measured, its points."""
        shown, units = self.shown, _UNITS
        return [
            (
                f"{words}{f', {units[name]}' if name in units else ''}",
                shown[name],
                str(self.score.points[name]) if self.score else "None",
            )
            for name, words in PARAMETERS.items()
        ]

    @property
    def band_words(self) -> str:
        return BAND_WORDS[self.score.band] if self.score else ""

    @property
    def response(self) -> str:
        return RESPONSE[self.score.band] if self.score else ""

    @property
    def tone(self) -> str:
        if self.score is None or self.score.total == 0:
            return ""
        return "stop-text" if self.score.total >= 5 or 3 in self.score.points.values() else "look-text"


_COLUMNS = (
    "respiratory_rate_per_min", "spo2_percent", "systolic_mmhg", "pulse_per_min", "temperature_tenths_c",
)  # fmt: skip
_UNITS = {
    "respiratory_rate": "/min", "spo2": "%", "systolic": "mmHg", "pulse": "/min", "temperature": "°C",
}  # fmt: skip


def vital_signs(patient: Patient, *, most: int = MOST_SHOWN) -> list[VitalSigns]:
    """The newest sets of a patient, the newest first. Four queries at most."""
    rows = _sets(_of(patient, SetKind.VITAL_SIGNS)).order_by("-measured_at", "-id")[:most]
    scales = list(SpO2Scale.objects.filter(patient=patient).order_by("-started_at", "-pk"))
    targets: list[SpO2Target] = []
    if any(each.scale == 2 for each in scales):
        targets = list(SpO2Target.objects.filter(patient=patient).order_by("-started_at", "-pk"))
    return [scored(row, patient, scales, targets) for row in rows]


def scored(
    row: MeasurementSet, patient: Patient, scales: Sequence[SpO2Scale], targets: Sequence[SpO2Target]
) -> VitalSigns:
    """One set, scored on the scale that held when it was measured.

    Scale 2 was decided for one target range; once another one holds, nothing is scored until it is decided again:
    a low saturation would lose its points.
    """
    values = {each.kind: each for each in row.measurements.all()}
    given = news2_input(row, patient, scales)
    if given["spo2_scale"] == 2 and not _target_of_scale_2(targets, row.measured_at):
        return VitalSigns(row, values, 2, None, SCALE_TO_DECIDE)
    try:
        score, why = news2(**given), ""
    except NotCalculable as refusal:
        score, why = None, _why_not(refusal, given)
    return VitalSigns(row, values, given["spo2_scale"], score, why)


def news2_input(row: MeasurementSet, patient: Patient, scales: Sequence[SpO2Scale]) -> dict[str, Any]:
    """What the score is computed from; None for what was not measured or is not known."""
    values = {each.kind: each for each in row.measurements.all()}
    number = {name: each.value for name, each in values.items()}
    saturation, tenths = values.get("spo2_percent"), number.get("temperature_tenths_c")
    oxygen = saturation.oxygen_device if saturation is not None else "unknown"
    return {
        "age_years": limits.age_years(patient, timezone.localdate(row.measured_at)),
        "pregnant": row.pregnant,
        "respiratory_rate_per_min": number.get("respiratory_rate_per_min"),
        "spo2_percent": number.get("spo2_percent"),
        "spo2_scale": scale_at(scales, row.measured_at),
        "on_oxygen": None if oxygen in ("", "unknown") else oxygen != "air",
        "systolic_mmhg": number.get("systolic_mmhg"),
        "pulse_per_min": number.get("pulse_per_min"),
        "consciousness": row.consciousness or None,
        "temperature_c": None if tenths is None else Decimal(tenths) / 10,
    }


def scale_at(scales: Sequence[SpO2Scale], at: datetime) -> int:
    """The scale in force at a time: 1 unless a clinician had set 2 by then."""
    held = [
        each for each in scales if each.started_at <= at and (each.ended_at is None or each.ended_at > at)
    ]
    return max(held, key=lambda each: each.started_at).scale if held else 1


def _target_of_scale_2(targets: Sequence[SpO2Target], at: datetime) -> bool:
    """Whether the target range in force at a time is the one for which scale 2 is."""
    held = [
        each for each in targets if each.started_at <= at and (each.ended_at is None or each.ended_at > at)
    ]
    if not held:
        return False
    newest = max(held, key=lambda each: each.started_at)
    return (newest.low_percent, newest.high_percent) == SCALE_2_TARGET


def findings(sets: Sequence[VitalSigns], watch: Watch) -> list[Finding]:
    """What the newest set says: against target and limits, and against the set before at the same oxygen."""
    if not sets:
        return []
    now = sets[0]
    before = next((each.saturation for each in sets[1:] if each.saturation is not None), None)
    return [
        *level_findings(now.saturation, watch.target, "after", "SpO2"),
        *fall_findings(before, now.saturation),
        *sign_findings({}, now.signs, stop=watch.stop, band=watch.band, names=("", "")),
    ]


@dataclass(frozen=True)
class Exhalation:
    """One measured exhalation with the range that follows from it."""

    row: MeasurementSet
    volume_ml: int
    time_tenths_s: int
    found: DeviceRange

    @property
    def measured(self) -> str:
        time = formats.result(self.time_tenths_s, places=1, scale=1)
        return f"{self.volume_ml:,} mL in {time} s"

    @property
    def flow(self) -> str:
        return f"{formats.number(_two_places(self.found.mean_flow_l_per_min))} L/min"

    @property
    def range_words(self) -> str:
        return RANGE_WORDS[self.found.range]


RANGE_WORDS = {
    Range.LOW_FLOW: "Low-flow range (easier)",
    Range.HIGH_FLOW: "High-flow range (harder)",
    Range.REPEAT: "Repeat the measurement",
}


def exhalations(patient: Patient, *, most: int = MOST_SHOWN) -> list[Exhalation]:
    """The newest measured exhalations, the newest first. Two queries."""
    rows = _sets(_of(patient, SetKind.EXHALATION)).order_by("-measured_at", "-id")[:most]
    return [exhalation(row) for row in rows]


def exhalation(row: MeasurementSet) -> Exhalation:
    """One set with its range."""
    values = {each.kind: each.value for each in row.measurements.all()}
    given = device_range_input(row)
    return Exhalation(
        row, values["exhaled_volume_ml"], values["exhalation_time_tenths_s"], device_range(**given)
    )


def device_range_input(row: MeasurementSet) -> dict[str, Any]:
    """What the range is computed from, exactly as it was measured."""
    values = {each.kind: each.value for each in row.measurements.all()}
    return {
        "exhaled_volume_ml": values["exhaled_volume_ml"],
        "exhalation_time_s": Decimal(values["exhalation_time_tenths_s"]) / 10,
    }


@dataclass(frozen=True)
class ForcedTest:
    """One forced breathing test: what was measured, what the cough flow says, and what the list found."""

    row: MeasurementSet
    measured: list[tuple[str, str]]
    cough: "Cough | None"
    list_found: list[str]
    decided: str


@dataclass(frozen=True)
class Cough:
    """A peak cough flow against its published limits, or why it is not judged."""

    measured: str
    found: CoughFlow | None
    why_not: str

    @property
    def said(self) -> str:
        if self.found is None:
            return self.why_not
        if self.found.below_160:
            return "Below 160 L/min: more is needed for an effective cough."
        if self.found.below_270:
            return "Below 270 L/min: secretions are kept more often, and infection is more frequent."
        return "Not below 270 L/min."

    @property
    def tone(self) -> str:
        return "look-text" if self.found is not None and self.found.below_270 else ""


def forced_tests(patient: Patient, *, most: int = MOST_SHOWN) -> list[ForcedTest]:
    """The newest forced breathing tests, the newest first. Two queries."""
    rows = _sets(_of(patient, SetKind.FORCED)).select_related("forced_check__decided_by")
    return [_forced_test(row, patient) for row in rows.order_by("-measured_at", "-id")[:most]]


def cough_input(row: MeasurementSet, patient: Patient) -> dict[str, Any] | None:
    """What the cough flow's limits are held against; None where the set has none."""
    values = {each.kind: each.value for each in row.measurements.all()}
    age = limits.age_years(patient, timezone.localdate(row.measured_at))
    if "peak_cough_flow_ml_per_s" in values:
        return {"flow_l_per_s": Decimal(values["peak_cough_flow_ml_per_s"]) / 1000, "age_years": age}
    if "peak_cough_flow_l_per_min" in values:
        return {"flow_l_per_min": values["peak_cough_flow_l_per_min"], "age_years": age}
    return None


@dataclass(frozen=True)
class Beside:
    """A measured number that bears on a technique, shown beside its result and its order; never a rule."""

    technique: str
    words: str
    said: str
    at: datetime | None
    address_name: str

    @property
    def technique_words(self) -> str:
        return table.current().techniques[self.technique]


BESIDE_COUGH = ("mi_e", "assisted_cough")


def beside(patient: Patient, techniques: Sequence[str]) -> list[Beside]:
    """What was measured that bears on these techniques. Four queries at most."""
    found: list[Beside] = []
    if "oscillating_pep" in techniques:
        newest = next(iter(exhalations(patient, most=1)), None)
        found.append(
            Beside("oscillating_pep", "Device range", _range_said(newest), _at(newest), "exhalation")
        )
    wanted = [key for key in BESIDE_COUGH if key in techniques]
    if wanted:
        row = _newest_cough(patient)
        cough = _cough(row, patient) if row is not None else None
        said = f"{cough.measured}. {cough.said}" if cough else "No peak cough flow was measured."
        at = row.measured_at if row is not None else None
        found += [Beside(key, "Peak cough flow", said, at, "forced-test") for key in wanted]
    return found


def offered(patient: Patient) -> dict[str, str]:
    """What was measured already of the numbers that a screening asks, in words; typed in by who relies on it."""
    row = _newest_cough(patient)
    cough = _cough(row, patient) if row is not None else None
    if row is None or cough is None:
        return {}
    return {COUGH_FLOW[0]: f"Measured {formats.date_time(row.measured_at)}: {cough.measured}"}


def _newest_cough(patient: Patient) -> MeasurementSet | None:
    rows = _sets(_of(patient, SetKind.FORCED).filter(measurements__kind__in=COUGH_FLOW)).distinct()
    return rows.order_by("-measured_at", "-id").first()


def screening_says(patient: Patient) -> dict[str, str]:
    """What the screening in force says of each row of the rule table; empty without one."""
    row = pages.in_force(patient)
    if row is None:
        return {}
    answers, rule_table = answers_of(row), table.current()
    found = {}
    for key in rule_table.conditions:
        try:
            found[key] = rules.row_state(key, answers, rule_table)[0]
        except NotCalculable:
            found[key] = rules.UNKNOWN
    return found


def pregnancy_says(states: Mapping[str, str]) -> str:
    """Yes where the screening found a pregnancy, no where each of its rows was answered no, else nothing."""
    rows = [states.get(f"pregnancy_{which}_trimester") for which in ("first", "second_or_third")]
    if rules.YES in rows:
        return rules.YES
    return rules.NO if all(each == rules.NO for each in rows) else ""


def oxygen_words(row: Measurement) -> str:
    """`2 L/min by nasal cannula`, `28 % by Venturi mask`, `air`."""
    device = str(row.get_oxygen_device_display())
    if row.oxygen_flow_ml_per_min is not None:
        return f"{formats.number(row.oxygen_flow_ml_per_min, scale=3)} L/min by {device}"
    if row.fio2_percent is not None:
        return f"{row.fio2_percent} % by {device}"
    return "Oxygen not recorded" if row.oxygen_device in ("", "unknown") else device.capitalize()


def _of(patient: Patient, kind: SetKind) -> QuerySet[MeasurementSet]:
    return MeasurementSet.objects.filter(patient=patient, kind=kind, entered_in_error=False)


def _sets(rows: QuerySet[MeasurementSet]) -> QuerySet[MeasurementSet]:
    there = Measurement.objects.filter(entered_in_error=False).order_by("id")
    return rows.select_related("by").prefetch_related(Prefetch("measurements", queryset=there))


def _forced_test(row: MeasurementSet, patient: Patient) -> ForcedTest:
    check = getattr(row, "forced_check", None)
    answers = check.answers if check is not None else {}
    decided = f"{check.decided_by}: {check.reason}" if check is not None and check.decided_by else ""
    return ForcedTest(
        row=row,
        measured=[
            (kind_of(each.kind).words, f"{_written(each)} {kind_of(each.kind).unit}")
            for each in row.measurements.all()
        ],
        cough=_cough(row, patient),
        list_found=[
            f"{each.words}: {answers.get(each.key, forced.UNKNOWN)}"
            for each in forced.rows()
            if answers.get(each.key, forced.UNKNOWN) != forced.NO
        ],
        decided=decided,
    )


def _cough(row: MeasurementSet, patient: Patient) -> Cough | None:
    given = cough_input(row, patient)
    if given is None:
        return None
    flow = (
        Fraction(given["flow_l_per_min"])
        if "flow_l_per_min" in given
        else 60 * Fraction(given["flow_l_per_s"])
    )
    measured = f"{formats.number(_two_places(flow))} L/min"
    if "flow_l_per_s" in given:
        measured += f" (read as {formats.result(given['flow_l_per_s'], places=2)} L/s)"
    try:
        return Cough(measured, peak_cough_flow(**given), "")
    except NotCalculable:
        return Cough(measured, None, "Not judged: its limits are not validated below 12 years.")


def _range_said(newest: Exhalation | None) -> str:
    if newest is None:
        return "No exhalation was measured: a range needs a measured volume and at least 3 s."
    hint = newest.found.hints[0] if newest.found.hints else ""
    return f"{newest.measured}, {newest.flow}. {newest.range_words}. {hint}".strip()


def _at(newest: Exhalation | None) -> datetime | None:
    return newest.row.measured_at if newest is not None else None


def _written(row: Measurement | None) -> str:
    if row is None:
        return formats.NOT_RECORDED
    kind = kind_of(row.kind)
    return formats.result(row.value, places=kind.places, scale=kind.scale)


def _two_places(flow: Fraction) -> Decimal:
    return (Decimal(flow.numerator) / Decimal(flow.denominator)).quantize(Decimal("0.01"))


def _why_not(refusal: NotCalculable, given: Mapping[str, Any]) -> str:
    if refusal.code != "missing":
        return refusal.message
    words = [said for at, said in _MISSING_WORDS.items() if given[at.removeprefix("/")] is None]
    return f"No score: it is only computed from complete vital signs. Not recorded: {', '.join(words)}."
