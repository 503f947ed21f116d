"""Turns the record page's cleaned form into the payload session/1, and a stored treatment back into the form."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any
from uuid import UUID

from django.utils import timezone

from clinic.ids import new_id
from clinic.models import Patient
from therapy.orders.models import Order
from therapy.sessions.content import (
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
from therapy.sessions.forms import EVENTS_ON_PAGE, GRID, MOMENTS, TreatmentForm
from therapy.sessions.rules import DOSE_UNITS
from therapy.sessions.shape import Problem

# Where a problem of the payload is shown on the page.
_FIELD_OF = {
    "/started_at": "started",
    "/ended_at": "ended",
    "/reason": "stopped",
    "/delivered": "stopped",
    "/delivered_by": "delivered_by",
    "/blood/volume_ml": "blood_amount",
    "/tolerance": "tolerance",
    "/notes": "notes",
}


def payload_from(
    form: TreatmentForm, *, patient: Patient, order: Order | None, window: Any = None, visit: Any = None
) -> SessionPayload:
    """What the cleaned form says."""
    given = form.cleaned_data
    delivered = given["delivered"]
    return SessionPayload(
        id=given["record_id"],
        patient=patient.pk,
        order=order.pk if order else None,
        window=window.pk if window else None,
        visit=visit.pk if visit else None,
        technique=form.technique,
        teaching=given["teaching"],
        started_at=given["started_at"],
        ended_at=given["ended_at"],
        delivered=delivered,
        reason=given["stopped"] or None if delivered == "part" else None,
        reason_words=given["stopped_words"].strip() if delivered == "part" else "",
        done=_done(given),
        measurements=tuple(_measurements(form)),
        sputum=_sputum(given),
        blood=BloodSeen(given["blood"], given["blood_amount"]) if given["blood"] else None,
        tolerance=given["tolerance"] or None,
        adverse_events=tuple(_events(given)),
        delivered_by=given["delivered_by"],
        staff=tuple(_staff(given)),
        notes=given["notes"].strip(),
        device=RecordingDevice(),
    )


def not_given_payload(
    *,
    record_id: UUID,
    patient: Patient,
    order: Order,
    reason: str,
    reason_words: str,
    window: Any = None,
    visit: Any = None,
) -> SessionPayload:
    """That a treatment was not given, now, and why."""
    return SessionPayload(
        id=record_id,
        patient=patient.pk,
        order=order.pk,
        window=window.pk if window else None,
        visit=visit.pk if visit else None,
        technique=order.technique,
        started_at=timezone.now(),
        delivered="not_delivered",
        reason=reason,
        reason_words=reason_words.strip(),
    )


def first_values(order: Order | None, person: int) -> dict[str, Any]:
    """How the form of a new treatment is filled: now, the settings as ordered, whoever records."""
    now = timezone.localtime()
    dose: Mapping[str, Any] = order.dose if order is not None else {}
    values: dict[str, Any] = {
        "record_id": new_id(),
        "day": now.date(),
        "started": now.time().replace(second=0, microsecond=0),
        "person": person,
        "done_breaths_per_set": order.breaths_per_set if order is not None else None,
    }
    values |= {f"setting_{name}": value for name, value in dose.items()}
    values |= {f"event{number}_id": new_id() for number in range(EVENTS_ON_PAGE)}
    return values


def values_of(payload: SessionPayload) -> dict[str, Any]:
    """A stored treatment as the form shows it."""
    started = timezone.localtime(payload.started_at)
    done, sputum, blood = payload.done, payload.sputum, payload.blood
    values: dict[str, Any] = {
        "record_id": payload.id,
        "day": started.date(),
        "started": started.time(),
        "ended": timezone.localtime(payload.ended_at).time() if payload.ended_at else None,
        **{f"done_{unit}": getattr(done, unit) for unit in DOSE_UNITS},
        "done_huffs": done.huffs,
        "done_exhalation": done.exhalation or "",
        **{
            f"setting_{name}": list(value) if isinstance(value, tuple) else value
            for name, value in done.settings.items()
        },
        "stopped": payload.reason or "",
        "stopped_words": payload.reason_words,
        "tolerance": payload.tolerance or "",
        "blood": blood.seen if blood else "",
        "blood_amount": blood.volume_ml if blood else None,
        "delivered_by": payload.delivered_by or "",
        "teaching": payload.teaching,
        "notes": payload.notes,
        **_sputum_values(sputum),
        **_measured_values(payload.measurements),
    }
    for name, place in zip(("person", "second_person"), payload.staff, strict=False):
        values[name] = place.person
        values["minutes" if name == "person" else "second_minutes"] = place.minutes
    for number in range(EVENTS_ON_PAGE):
        event = payload.adverse_events[number] if number < len(payload.adverse_events) else None
        values[f"event{number}_id"] = event.id if event else new_id()
        if event:
            values |= {
                f"event{number}_kind": event.kind,
                f"event{number}_action": event.action_taken,
                f"event{number}_told": event.told,
            }
    return values


def with_what_the_page_does_not_show(new: SessionPayload, stored: SessionPayload) -> SessionPayload:
    """An amended treatment with the parts of the stored one that the page has no field for, unchanged."""
    on_page = {kind for _, kind, _ in GRID}
    events = {each.id: each for each in stored.adverse_events}
    return replace(
        new,
        id=stored.id,
        measurements=(
            *new.measurements,
            *(each for each in stored.measurements if each.kind not in on_page),
        ),
        staff=(*new.staff, *stored.staff[2:]),
        adverse_events=(
            *(
                replace(each, at=events[each.id].at) if each.id in events else each
                for each in new.adverse_events
            ),
            *stored.adverse_events[EVENTS_ON_PAGE:],
        ),
        device=stored.device,
    )


def show_problems(form: TreatmentForm, problems: Iterable[Problem]) -> None:
    """Put what the service found wrong beside the field it came from."""
    for each in problems:
        name = _FIELD_OF.get(each.field) or _done_field(each.field)
        words = f"{each.message.rstrip('.')}"
        form.add_error(name if name in form.fields else None, words)


def _done_field(pointer: str) -> str:
    parts = pointer.strip("/").split("/")
    if parts[:2] == ["done", "settings"]:
        return f"setting_{parts[-1]}"
    if parts[0] == "done":
        return f"done_{parts[-1]}"
    return "sputum_amount" if parts[0] == "sputum" else ""


def _done(given: Mapping[str, Any]) -> Done:
    amounts = given["amounts"]
    settings = {
        name.removeprefix("setting_"): tuple(value) if isinstance(value, list) else value
        for name, value in given.items()
        if name.startswith("setting_") and value not in (None, "", [])
    }
    return Done(
        **amounts,
        huffs=given.get("done_huffs"),
        exhalation=given.get("done_exhalation") or None,
        settings=settings,
    )


def _measurements(form: TreatmentForm) -> Iterable[Measured]:
    given = form.cleaned_data
    for moment in MOMENTS:
        for name, kind, _ in form.grid:
            field = f"{moment}_{name}"
            if given.get(field) is None:
                continue
            oxygen = _oxygen(given, moment) if name == "spo2" else None
            yield Measured(kind, moment, given[field], oxygen, form.kept_reasons.get(field, ""))


def _oxygen(given: Mapping[str, Any], moment: str) -> Oxygen:
    source = "before" if given["same_oxygen"] else moment
    device = given[f"{source}_oxygen_device"]
    if device in {"air", "unknown"}:
        return Oxygen(device)
    return Oxygen(device, given.get(f"{source}_oxygen_flow"), given.get(f"{source}_oxygen_fio2"))


def _sputum(given: Mapping[str, Any]) -> SputumSeen | None:
    state = given["sputum"]
    if not state:
        return None
    measured = state == "measured"
    in_grams = given["sputum_unit"] == "g"
    seen = state not in {"none", "saliva_only"}
    return SputumSeen(
        state=state,
        volume_tenths_ml=given["sputum_amount"] if measured and not in_grams else None,
        mass_tenths_g=given["sputum_amount"] if measured and in_grams else None,
        method=given["sputum_method"] or None if measured else None,
        colour=given["sputum_colour"] if seen else None,
        consistency=given["sputum_consistency"] or None if seen else None,
    )


def _events(given: Mapping[str, Any]) -> Iterable[AdverseEventSeen]:
    for number in range(EVENTS_ON_PAGE):
        name = f"event{number}"
        if given.get(f"{name}_kind"):
            yield AdverseEventSeen(
                id=given[f"{name}_id"] or new_id(),
                kind=given[f"{name}_kind"],
                at=given["ended_at"] or given["started_at"],
                action_taken=given[f"{name}_action"].strip(),
                told=given[f"{name}_told"].strip(),
            )


def _staff(given: Mapping[str, Any]) -> Iterable[StaffTime]:
    took = 0
    if given["ended_at"] is not None:
        took = round((given["ended_at"] - given["started_at"]).total_seconds() / 60)
    for person, minutes in (("person", "minutes"), ("second_person", "second_minutes")):
        if given.get(person) is not None:
            yield StaffTime(given[person], took if given[minutes] is None else given[minutes])


def _sputum_values(sputum: SputumSeen | None) -> dict[str, Any]:
    if sputum is None:
        return {"sputum": ""}
    in_grams = sputum.mass_tenths_g is not None
    return {
        "sputum": sputum.state,
        "sputum_amount": sputum.mass_tenths_g if in_grams else sputum.volume_tenths_ml,
        "sputum_unit": "g" if in_grams else "ml",
        "sputum_method": sputum.method or "",
        "sputum_colour": sputum.colour or "",
        "sputum_consistency": sputum.consistency or "",
    }


def _measured_values(measurements: Iterable[Measured]) -> dict[str, Any]:
    names = {kind: name for name, kind, _ in GRID}
    values: dict[str, Any] = {}
    oxygen: dict[str, Oxygen | None] = {}
    for each in measurements:
        if each.kind in names:
            values[f"{each.moment}_{names[each.kind]}"] = each.value
        if each.oxygen is not None:
            oxygen[each.moment] = each.oxygen
            values[f"{each.moment}_oxygen_device"] = each.oxygen.device
            values[f"{each.moment}_oxygen_flow"] = each.oxygen.flow_ml_per_min
            values[f"{each.moment}_oxygen_fio2"] = each.oxygen.fio2_percent
    values["same_oxygen"] = oxygen.get("after") is None or oxygen.get("after") == oxygen.get("before")
    return values
