"""Payloads and orders that the tests of treatments start from."""

from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

from clinic.ids import new_id
from therapy.orders.models import Order
from therapy.scheduling.models import DueWindow

START = datetime(2026, 11, 25, 9, 5, tzinfo=UTC)
AIR = {"device": "air", "flow_ml_per_min": None, "fio2_percent": None}
TWO_LITRES = {"device": "nasal_cannula", "flow_ml_per_min": 2000, "fio2_percent": None}


def measured(
    kind: str, moment: str, value: int, oxygen: Any = None, unusual_because: str = ""
) -> dict[str, Any]:
    return {
        "kind": kind,
        "moment": moment,
        "value": value,
        "oxygen": oxygen,
        "unusual_because": unusual_because,
    }


def done(**amounts: Any) -> dict[str, Any]:
    nothing = dict.fromkeys(
        ("sets", "breaths_per_set", "minutes", "positions", "cycles", "huffs", "exhalation")
    )
    return {**nothing, "settings": {}, **amounts}


def payload(patient: UUID, person: int, **changes: Any) -> dict[str, Any]:
    """Three sets of oscillating PEP in full, with 6 mL of sputum; `changes` replace whole fields."""
    return {
        "format": "session/1",
        "id": str(new_id()),
        "patient": str(patient),
        "order": None,
        "window": None,
        "visit": None,
        "technique": "oscillating_pep",
        "teaching": False,
        "started_at": START.isoformat(),
        "ended_at": (START + timedelta(minutes=20)).isoformat(),
        "delivered": "full",
        "reason": None,
        "reason_words": "",
        "done": done(sets=3, breaths_per_set=10, huffs=3, exhalation="3_to_4_s"),
        "measurements": [
            measured("spo2_percent", "before", 94, AIR),
            measured("spo2_percent", "after", 95, AIR),
            measured("pulse_per_min", "before", 88),
            measured("borg_tenths", "before", 5),
        ],
        "sputum": {
            "state": "measured", "volume_tenths_ml": 60, "mass_tenths_g": None, "method": "pot",
            "colour": 2, "consistency": "thick",
        },
        "blood": {"seen": "none", "volume_ml": None},
        "tolerance": "well",
        "adverse_events": [],
        "delivered_by": "therapist",
        "staff": [{"person": person, "minutes": 25}],
        "notes": "",
        "device": {"name": "", "clock_offset_ms": None},
        **changes,
    }  # fmt: skip


def not_given(patient: UUID, person: int, reason: str = "declined", **changes: Any) -> dict[str, Any]:
    nothing: dict[str, Any] = {
        "delivered": "not_delivered", "reason": reason, "ended_at": None, "done": done(), "measurements": [],
        "sputum": None, "blood": None, "tolerance": None, "delivered_by": None, "staff": [],
    }  # fmt: skip
    return payload(patient, person, **{**nothing, **changes})


def event(kind: str, **changes: Any) -> dict[str, Any]:
    return {
        "id": str(new_id()), "kind": kind, "at": START.isoformat(), "action_taken": "stopped, sat up",
        "told": "ward nurse", **changes,
    }  # fmt: skip


def make_order(patient: Any, by: Any, **changes: Any) -> Order:
    """An order of oscillating PEP, 3 sets of 10, twice a day, in force since yesterday."""
    return Order.objects.create(
        **{
            "patient": patient, "technique": "oscillating_pep", "sets": 3, "breaths_per_set": 10, "times_a_day": 2,
            "source": "written", "prescriber": "Dr Larkspur", "started_at": START - timedelta(days=1), "by": by,
            "dose": {
                "sets": 3, "breaths_per_set": 10, "huffs_per_set": 2, "resistance_setting": 2,
                "target_pressure_cmh2o": 10, "exhalation_tenths_s": 30,
            },
            **changes,
        }
    )  # fmt: skip


def make_window(order: Order, hours: float = -1, ordinal: int = 1, length: float = 2) -> DueWindow:
    """A due window from `hours` after START, `length` hours long."""
    earliest = START + timedelta(hours=hours)
    return DueWindow.objects.create(
        order=order, patient=order.patient, technique=order.technique, service_date=earliest.date(),
        ordinal=ordinal, earliest=earliest, latest=earliest + timedelta(hours=length), minutes=30,
    )  # fmt: skip
