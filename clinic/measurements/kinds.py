"""The kinds of measurement: name, unit, scale of the stored integer, hard and soft range, and the code.

A value outside the hard range cannot be true and is refused; one outside the soft range is possible but unusual
and is asked about once. The ranges are plausibility limits for typing errors, chosen here (L: local convention),
not limits for treatment. Codes: LOINC and UCUM where they were seen or are known, else empty.
"""

from dataclasses import dataclass
from decimal import Decimal


class UnknownKindError(LookupError):
    """There is no kind of measurement of this name."""


class OutOfRangeError(ValueError):
    """The value cannot be true; the message names the kind and its range."""


@dataclass(frozen=True)
class MeasurementKind:
    """One kind of number measured on a patient.

    Attributes:
        name: stored in Measurement.kind; carries the stored unit.
        words: how pages call it.
        unit: as pages write it; empty for a score.
        scale: decimal places the stored integer carries (1: tenths).
        hard: lowest and highest value that can be true, in the stored unit.
        soft: lowest and highest usual value, in the stored unit; None where every possible value is usual.
        steps: the only values there are, in the stored unit; empty where every integer in the range is one.
        loinc: LOINC code, empty where none was checked.
        ucum: UCUM code of the unit as pages write it.
        least_age_years: below this age the measure is not valid.
        soft_from_age_years: below this age the usual range, which is that of adults, does not hold: nothing is asked.
        only_apart: taken apart from a treatment only.
    """

    name: str
    words: str
    unit: str
    scale: int
    hard: tuple[int, int]
    soft: tuple[int, int] | None = None
    steps: tuple[int, ...] = ()
    loinc: str = ""
    ucum: str = ""
    least_age_years: int = 0
    soft_from_age_years: int = 0
    only_apart: bool = False

    @property
    def places(self) -> int:
        """Decimal places that may be typed: those the stored integer carries."""
        return self.scale

    @property
    def hard_as_written(self) -> tuple[Decimal, Decimal]:
        """The hard range in the unit that pages show, as form fields want it."""
        return self._written(self.hard[0]), self._written(self.hard[1])

    @property
    def soft_as_written(self) -> tuple[Decimal, Decimal] | None:
        """The soft range in the unit that pages show; None where there is none."""
        return None if self.soft is None else (self._written(self.soft[0]), self._written(self.soft[1]))

    def soft_at(self, age_years: int) -> tuple[Decimal, Decimal] | None:
        """The soft range as pages show it, at this age; None where there is none for it."""
        return self.soft_as_written if age_years >= self.soft_from_age_years else None

    def is_possible(self, value: int) -> bool:
        """Whether the stored value lies in the hard range and on a step of the scale."""
        return self.hard[0] <= value <= self.hard[1] and (not self.steps or value in self.steps)

    def is_usual(self, value: int) -> bool:
        """Whether the stored value needs no question."""
        return self.is_possible(value) and (self.soft is None or self.soft[0] <= value <= self.soft[1])

    def _written(self, value: int) -> Decimal:
        return Decimal(value).scaleb(-self.scale)


# Borg CR10: 0, 0.5, then whole numbers to 10 (Borg 1982; NINDS Common Data Elements, Borg Dyspnea Scale, 2019).
_BORG_STEPS = (0, 5, *range(10, 101, 10))

_KINDS = (
    MeasurementKind(
        "spo2_percent", "SpO2", "%", 0, (50, 100), (80, 100), loinc="59408-5", ucum="%"
    ),
    # What is usual for an adult is never held against a child: without a source for its age nothing is asked.
    MeasurementKind(
        "pulse_per_min", "pulse", "/min", 0, (20, 250), (40, 160), loinc="8867-4", ucum="/min", soft_from_age_years=16
    ),
    MeasurementKind(
        "respiratory_rate_per_min", "respiratory rate", "/min", 0, (4, 80), (8, 40), loinc="9279-1", ucum="/min",
        soft_from_age_years=16,
    ),
    # Not asked of young children: under 8 years a score is not relied on (common practice, no source).
    MeasurementKind(
        "borg_tenths", "Borg CR10", "", 1, (0, 100), steps=_BORG_STEPS, ucum="{score}", least_age_years=8
    ),
    MeasurementKind(
        "systolic_mmhg", "systolic blood pressure", "mmHg", 0, (40, 280), (80, 200), loinc="8480-6", ucum="mm[Hg]",
        soft_from_age_years=16,
    ),
    MeasurementKind(
        "diastolic_mmhg", "diastolic blood pressure", "mmHg", 0, (20, 180), (40, 120), loinc="8462-4", ucum="mm[Hg]",
        soft_from_age_years=16,
    ),
    MeasurementKind(
        "temperature_tenths_c", "temperature", "°C", 1, (300, 430), (345, 400), loinc="8310-5", ucum="Cel"
    ),
    # Peak cough flow is not validated below about 12 years (Respir Med 2022;106740).
    MeasurementKind(
        "peak_cough_flow_l_per_min", "peak cough flow", "L/min", 0, (10, 900), (60, 700), ucum="L/min",
        least_age_years=12,
    ),
    # The same flow where the meter reads in litres a second: kept as it was read, so that nothing is rounded.
    MeasurementKind(
        "peak_cough_flow_ml_per_s", "peak cough flow", "L/s", 3, (160, 15000), (1000, 11700), ucum="L/s",
        least_age_years=12, only_apart=True,
    ),
    MeasurementKind(
        "peak_expiratory_flow_l_per_min", "peak expiratory flow", "L/min", 0, (30, 900), (60, 750),
        loinc="33452-4", ucum="L/min",
    ),
    MeasurementKind("fev1_ml", "FEV1", "L", 3, (100, 8000), (300, 6500), loinc="20150-9", ucum="L"),
    MeasurementKind("fvc_ml", "FVC", "L", 3, (200, 10000), (500, 8000), loinc="19868-9", ucum="L"),
    MeasurementKind("vital_capacity_ml", "vital capacity", "L", 3, (100, 10000), (500, 8000), ucum="L"),
    MeasurementKind("pep_pressure_cmh2o", "expiratory pressure", "cmH2O", 0, (0, 60), (5, 30), ucum="cm[H2O]"),
    MeasurementKind("exhalation_time_tenths_s", "exhalation time", "s", 1, (1, 200), (10, 80), ucum="s"),
    MeasurementKind("exhaled_volume_ml", "exhaled volume", "mL", 0, (50, 8000), (200, 5000), ucum="mL"),
    # A height below 3 means metres typed as centimetres: the hard range refuses it.
    MeasurementKind("height_mm", "height", "cm", 1, (300, 2500), (450, 2100), loinc="8302-2", ucum="cm"),
    MeasurementKind("weight_tenths_kg", "weight", "kg", 1, (5, 4000), (25, 2000), loinc="29463-7", ucum="kg"),
)  # fmt: skip

KINDS: dict[str, MeasurementKind] = {kind.name: kind for kind in _KINDS}


def kind(name: str) -> MeasurementKind:
    """The kind of this name. Raises: UnknownKindError naming those there are."""
    try:
        return KINDS[name]
    except KeyError:
        raise UnknownKindError(f"No kind of measurement {name!r}; there are {', '.join(KINDS)}.") from None


def check(name: str, value: int) -> bool:
    """Tell whether a stored value is usual.

    Raises:
        UnknownKindError: there is no such kind.
        OutOfRangeError: the value cannot be true; says which values can.
    """
    measured = kind(name)
    if not measured.is_possible(value):
        low, high = measured.hard_as_written
        beside = f" {measured.unit}" if measured.unit else ""
        steps = (
            " in steps of the scale"
            if measured.steps and measured.hard[0] <= value <= measured.hard[1]
            else ""
        )
        raise OutOfRangeError(
            f"{measured.words[:1].upper()}{measured.words[1:]} must be between {low} and {high}{beside}{steps}"
        )
    return measured.is_usual(value)
