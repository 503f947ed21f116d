"""What a payload writes into the columns of a treatment."""

from datetime import date
from typing import Any

from therapy.sessions.checks import Named, local_date
from therapy.sessions.content import SessionPayload
from therapy.sessions.rules import REASONS


def columns_of(read: SessionPayload, named: Named) -> dict[str, Any]:
    """The columns that a payload fills, without the window: which one is filled is decided by the matching."""
    done, sputum, blood = read.done, read.sputum, read.blood
    reason = REASONS[read.reason] if read.reason else None
    return {
        "order_id": named.order.pk if named.order else None,
        "visit_id": named.visit.pk if named.visit else None,
        "window_id": named.window.pk if named.window else None,
        "technique": read.technique,
        "teaching": read.teaching,
        "started_at": read.started_at,
        "ended_at": read.ended_at,
        "delivered": read.delivered,
        "reason": reason.code if reason else "",
        "reason_group": reason.group if reason else "",
        "reason_words": read.reason_words,
        "sets_done": done.sets,
        "breaths_per_set_done": done.breaths_per_set,
        "minutes_done": done.minutes,
        "positions_done": done.positions,
        "cycles_done": done.cycles,
        "huffs_done": done.huffs,
        "exhalation": done.exhalation or "",
        "done_details": {
            name: list(value) if isinstance(value, tuple) else value for name, value in done.settings.items()
        },
        "sputum": sputum.state if sputum else "",
        "sputum_volume_tenths_ml": sputum.volume_tenths_ml if sputum else None,
        "sputum_mass_tenths_g": sputum.mass_tenths_g if sputum else None,
        "sputum_method": (sputum.method if sputum else None) or "",
        "sputum_colour": sputum.colour if sputum else None,
        "sputum_consistency": (sputum.consistency if sputum else None) or "",
        "blood": blood.seen if blood else "",
        "blood_volume_ml": blood.volume_ml if blood else None,
        "tolerance": read.tolerance or "",
        "notes": read.notes,
        "delivered_by": read.delivered_by or "",
        "device": read.device.name,
        "clock_offset_ms": read.device.clock_offset_ms,
    }


def service_date_of(read: SessionPayload, named: Named) -> date:
    """The local date on which the window starts; without a window the local start. Fixed at write."""
    return named.window.service_date if named.window else local_date(read.started_at)
