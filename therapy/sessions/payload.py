"""The versioned payload `session/1`: what a page or a tablet sends when a treatment is recorded. Pure.

Every field is sent; null means "not recorded". A field that is not described here is refused. Quantities are whole
numbers in the smallest unit of the trade, the unit stands in the name; times carry their offset. The payload holds no
name. `parse` finds every problem at once; what needs the database (whose order, who may) is checked by the service.
"""

import hashlib
import json
from collections.abc import Mapping
from typing import Any
from uuid import UUID

from clinic.measurements import kinds
from therapy.orders.doses import TECHNIQUES
from therapy.sessions.consistency import contradictions
from therapy.sessions.content import (
    ADVERSE_EVENTS,
    BLOOD_SEEN,
    CONSISTENCIES,
    DELIVERED,
    DELIVERED_BY,
    EXHALATIONS,
    MOMENTS,
    OXYGEN_DEVICES,
    SPUTUM_METHODS,
    SPUTUM_STATES,
    TOLERANCES,
    AdverseEventSeen,
    BloodSeen,
    Done,
    Measured,
    Oxygen,
    RecordingDevice,
    SessionPayload,
    SputumSeen,
    StaffTime,
)
from therapy.sessions.rules import DOSE_UNITS, REASONS
from therapy.sessions.shape import (
    Const,
    Id,
    Instant,
    ListOf,
    Maybe,
    OneOf,
    Problem,
    Settings,
    Shape,
    Text,
    Whole,
    YesNo,
)

FORMAT = "session/1"

_SHAPE = Shape(
    {
        "format": Const(FORMAT),
        "id": Id(),
        "patient": Id(),
        "order": Maybe(Id()),
        "window": Maybe(Id()),
        "visit": Maybe(Id()),
        "technique": OneOf(tuple(TECHNIQUES)),
        "teaching": YesNo(),
        "started_at": Instant(),
        "ended_at": Maybe(Instant()),
        "delivered": OneOf(DELIVERED),
        "reason": Maybe(OneOf(tuple(REASONS))),
        "reason_words": Text(300),
        "done": Shape(
            {
                "sets": Maybe(Whole(0, 60)),
                "breaths_per_set": Maybe(Whole(0, 100)),
                "minutes": Maybe(Whole(0, 240)),
                "positions": Maybe(Whole(0, 12)),
                "cycles": Maybe(Whole(0, 60)),
                "huffs": Maybe(Whole(0, 60)),
                "exhalation": Maybe(OneOf(EXHALATIONS)),
                "settings": Settings(),
            }
        ),
        "measurements": ListOf(
            Shape(
                {
                    "kind": OneOf(tuple(name for name, kind in kinds.KINDS.items() if not kind.only_apart)),
                    "moment": OneOf(MOMENTS),
                    "value": Whole(-10_000, 10_000),
                    "oxygen": Maybe(
                        Shape(
                            {
                                "device": OneOf(OXYGEN_DEVICES),
                                "flow_ml_per_min": Maybe(Whole(0, 80_000)),
                                "fio2_percent": Maybe(Whole(21, 100)),
                            }
                        )
                    ),
                    "unusual_because": Text(200),
                }
            ),
            40,
        ),
        "sputum": Maybe(
            Shape(
                {
                    "state": OneOf(SPUTUM_STATES),
                    "volume_tenths_ml": Maybe(Whole(0, 5_000)),
                    "mass_tenths_g": Maybe(Whole(0, 5_000)),
                    "method": Maybe(OneOf(SPUTUM_METHODS)),
                    "colour": Maybe(Whole(1, 4)),
                    "consistency": Maybe(OneOf(CONSISTENCIES)),
                }
            )
        ),
        "blood": Maybe(Shape({"seen": OneOf(BLOOD_SEEN), "volume_ml": Maybe(Whole(0, 2_000))})),
        "tolerance": Maybe(OneOf(TOLERANCES)),
        "adverse_events": ListOf(
            Shape(
                {
                    "id": Id(),
                    "kind": OneOf(ADVERSE_EVENTS),
                    "at": Instant(),
                    "action_taken": Text(300, 1),
                    "told": Text(200, 1),
                }
            ),
            12,
        ),
        "delivered_by": Maybe(OneOf(DELIVERED_BY)),
        "staff": ListOf(Shape({"person": Whole(1, 2**53 - 1), "minutes": Whole(0, 480)}), 8),
        "notes": Text(1000),
        "device": Shape({"name": Text(80), "clock_offset_ms": Maybe(Whole(-(2**40), 2**40))}),
    }
)


class PayloadRefused(ValueError):
    """A payload that is not taken; `problems` names every field that is wrong."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("; ".join(f"{each.field}: {each.message}" for each in problems))
        self.problems = problems


def parse(payload: Mapping[str, Any]) -> SessionPayload:
    """Read a payload `session/1`.

    Raises: PayloadRefused with every problem, each with its JSON pointer and what is allowed.
    """
    problems: list[Problem] = []
    raw = _SHAPE.read(payload, "", problems)
    if problems:
        raise PayloadRefused(problems)
    read = _built(raw)
    problems = contradictions(read)
    if problems:
        raise PayloadRefused(problems)
    return read


def as_json(payload: SessionPayload) -> dict[str, Any]:
    """The payload as it is sent; `parse` reads it back to the same."""
    done = payload.done
    return {
        "format": FORMAT,
        "id": str(payload.id),
        "patient": str(payload.patient),
        "order": _text(payload.order),
        "window": _text(payload.window),
        "visit": _text(payload.visit),
        "technique": payload.technique,
        "teaching": payload.teaching,
        "started_at": payload.started_at.isoformat(),
        "ended_at": payload.ended_at.isoformat() if payload.ended_at else None,
        "delivered": payload.delivered,
        "reason": payload.reason,
        "reason_words": payload.reason_words,
        "done": {
            **{name: getattr(done, name) for name in (*DOSE_UNITS, "huffs", "exhalation")},
            "settings": {
                name: list(each) if isinstance(each, tuple) else each for name, each in done.settings.items()
            },
        },
        "measurements": [
            {**vars(each), "oxygen": vars(each.oxygen) if each.oxygen else None}
            for each in payload.measurements
        ],
        "sputum": vars(payload.sputum) if payload.sputum else None,
        "blood": vars(payload.blood) if payload.blood else None,
        "tolerance": payload.tolerance,
        "adverse_events": [
            {**vars(each), "id": str(each.id), "at": each.at.isoformat()} for each in payload.adverse_events
        ],
        "delivered_by": payload.delivered_by,
        "staff": [vars(each) for each in payload.staff],
        "notes": payload.notes,
        "device": vars(payload.device),
    }


def fingerprint(payload: SessionPayload) -> str:
    """SHA-256 of what was said about the treatment: the same however often and from wherever it is sent.

    The order within a list says nothing. Left out is the device, whose clock may be put right between two sendings.
    """
    said = {name: value for name, value in as_json(payload).items() if name != "device"}
    for name in ("started_at", "ended_at"):
        moment = getattr(payload, name)
        said[name] = moment.timestamp() if moment else None
    events = [
        {**sent, "at": each.at.timestamp()}
        for sent, each in zip(said["adverse_events"], payload.adverse_events, strict=True)
    ]
    said["adverse_events"] = sorted(events, key=lambda each: str(each["id"]))
    said["measurements"] = sorted(said["measurements"], key=lambda each: (each["moment"], each["kind"]))
    said["staff"] = sorted(said["staff"], key=lambda each: int(each["person"]))
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()


def json_schema() -> dict[str, Any]:
    """The published description, fixtures/session-1.schema.json."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A recorded treatment, session/1",
        "description": "Null means not recorded. What contradicts itself is refused beyond this schema.",
        **_SHAPE.schema(),
    }


def _text(value: UUID | None) -> str | None:
    return str(value) if value else None


def _built(raw: dict[str, Any]) -> SessionPayload:
    rest = {name: value for name, value in raw.items() if name != "format"}
    return SessionPayload(
        **{
            **rest,
            "done": Done(**raw["done"]),
            "measurements": tuple(
                Measured(**{**each, "oxygen": Oxygen(**each["oxygen"]) if each["oxygen"] else None})
                for each in raw["measurements"]
            ),
            "sputum": SputumSeen(**raw["sputum"]) if raw["sputum"] else None,
            "blood": BloodSeen(**raw["blood"]) if raw["blood"] else None,
            "adverse_events": tuple(AdverseEventSeen(**each) for each in raw["adverse_events"]),
            "staff": tuple(StaffTime(**each) for each in raw["staff"]),
            "device": RecordingDevice(**raw["device"]),
        }
    )
