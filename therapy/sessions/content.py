"""What a recorded treatment says, as values: the words it may use and its parts. Pure.

Null (None) means "not recorded". Quantities are whole numbers in the smallest unit of the trade, the unit stands in
the name.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from uuid import UUID

DELIVERED = ("full", "part", "not_delivered")
DELIVERED_BY = ("therapist", "assistant", "student", "nurse", "carer")
MOMENTS = ("before", "after")
OXYGEN_DEVICES = (
    "air", "nasal_cannula", "simple_mask", "venturi_mask", "reservoir_mask", "high_flow", "tracheostomy_mask",
    "ventilator", "unknown",
)  # fmt: skip
SPUTUM_STATES = ("measured", "none", "swallowed", "suctioned", "not_collected", "saliva_only")
SPUTUM_METHODS = ("pot", "scale", "estimated")
CONSISTENCIES = ("thin", "thick", "sticky", "plugs")
BLOOD_SEEN = ("none", "streaks", "fresh", "old")
EXHALATIONS = ("under_3_s", "3_to_4_s", "over_4_s", "not_timed")
TOLERANCES = ("well", "tired", "distressed", "stopped")
ADVERSE_EVENTS = (
    "hypoxaemia", "bronchospasm", "bleeding", "dizziness_or_hypotension", "dysrhythmia", "nausea",
    "vomiting_or_aspiration", "pain_or_injury", "suspected_pneumothorax", "raised_icp_signs", "swallowed_air", "other",
)  # fmt: skip


@dataclass(frozen=True)
class Oxygen:
    """The oxygen at a measurement; device "unknown" says that it was not recorded."""

    device: str
    flow_ml_per_min: int | None = None
    fio2_percent: int | None = None


@dataclass(frozen=True)
class Measured:
    """One value before or after, in the stored unit of its kind (clinic/measurements/kinds.py)."""

    kind: str
    moment: str
    value: int
    oxygen: Oxygen | None = None
    unusual_because: str = ""


@dataclass(frozen=True)
class Done:
    """What was done. `settings` holds dose fields of the technique as they were used: no figure is made of them."""

    sets: int | None = None
    breaths_per_set: int | None = None
    minutes: int | None = None
    positions: int | None = None
    cycles: int | None = None
    huffs: int | None = None
    exhalation: str | None = None
    settings: Mapping[str, int | str | tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class SputumSeen:
    """What came up: one of six states, an amount only where it was measured."""

    state: str
    volume_tenths_ml: int | None = None
    mass_tenths_g: int | None = None
    method: str | None = None
    colour: int | None = None
    consistency: str | None = None


@dataclass(frozen=True)
class BloodSeen:
    """Blood, apart from the colour of the sputum; the amount only where it is fresh."""

    seen: str
    volume_ml: int | None = None


@dataclass(frozen=True)
class AdverseEventSeen:
    """What went wrong, what was done, and who was told."""

    id: UUID
    kind: str
    at: datetime
    action_taken: str
    told: str


@dataclass(frozen=True)
class StaffTime:
    """A person of the service who was there, and for how many minutes."""

    person: int
    minutes: int


@dataclass(frozen=True)
class RecordingDevice:
    """What it was recorded on, and how far its clock is from the server's (device less server)."""

    name: str = ""
    clock_offset_ms: int | None = None


@dataclass(frozen=True)
class SessionPayload:
    """One treatment as it is sent. `id` is made by whoever records it and never changes."""

    id: UUID
    patient: UUID
    technique: str
    started_at: datetime
    delivered: str
    order: UUID | None = None
    window: UUID | None = None
    visit: UUID | None = None
    teaching: bool = False
    ended_at: datetime | None = None
    reason: str | None = None
    reason_words: str = ""
    done: Done = field(default_factory=Done)
    measurements: tuple[Measured, ...] = ()
    sputum: SputumSeen | None = None
    blood: BloodSeen | None = None
    tolerance: str | None = None
    adverse_events: tuple[AdverseEventSeen, ...] = ()
    delivered_by: str | None = None
    staff: tuple[StaffTime, ...] = ()
    notes: str = ""
    device: RecordingDevice = field(default_factory=RecordingDevice)
