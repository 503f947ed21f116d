"""What contradicts itself in a recorded treatment, beyond the shape of the payload. Pure."""

from datetime import timedelta

from clinic.measurements import kinds
from therapy.orders.doses import DoseField, dose_fields
from therapy.sessions.content import (
    DELIVERED_BY,
    OXYGEN_DEVICES,
    SPUTUM_METHODS,
    Measured,
    SessionPayload,
)
from therapy.sessions.rules import DOSE_UNITS, REASONS
from therapy.sessions.shape import Code, Problem, problem

LONGEST_HOURS = 8


def contradictions(payload: SessionPayload) -> list[Problem]:
    """Every contradiction, with the field to put right and what is allowed."""
    return [
        *_times(payload),
        *_how_delivered(payload),
        *_what_was_done(payload),
        *_measurements(payload),
        *_sputum(payload),
        *_people(payload),
    ]


def _times(payload: SessionPayload) -> list[Problem]:
    ended = payload.ended_at
    if ended is None:
        return []
    if ended < payload.started_at:
        return [
            problem("/ended_at", "inconsistent", "A treatment ends after it starts.", "after /started_at")
        ]
    if ended - payload.started_at > timedelta(hours=LONGEST_HOURS):
        words = f"A treatment lasts {LONGEST_HOURS} hours at most."
        return [problem("/ended_at", "out_of_range", words, f"at most {LONGEST_HOURS} h after /started_at")]
    return []


def _how_delivered(payload: SessionPayload) -> list[Problem]:
    found = []
    given = payload.delivered != "not_delivered"
    if payload.delivered == "full" and payload.reason is not None:
        words = "A treatment given in full has no reason for not being given."
        found.append(problem("/reason", "inconsistent", words, "null", payload.reason))
    if payload.delivered != "full":
        fitting = [r.code for r in REASONS.values() if (r.for_part if given else r.for_not_given)]
        if payload.reason not in fitting:
            words = (
                "Say why it was stopped early."
                if payload.delivered == "part"
                else "Say why it was not given."
            )
            code: Code = "missing" if payload.reason is None else "inconsistent"
            found.append(problem("/reason", code, words, ", ".join(fitting), payload.reason))
    if given and payload.delivered_by is None:
        words = "Say who gave the treatment."
        found.append(problem("/delivered_by", "missing", words, ", ".join(DELIVERED_BY)))
    if not given:
        for name in ("ended_at", "tolerance", "sputum"):
            if getattr(payload, name) is not None:
                words = "A treatment that was not given has none."
                found.append(problem(f"/{name}", "not_applicable", words, "null"))
    return found


def _what_was_done(payload: SessionPayload) -> list[Problem]:
    fields = {each.name: each for each in dose_fields(payload.technique)}
    counted = {each.counts_as for each in fields.values()} | {"minutes", "huffs", "exhalation"}
    found = []
    for name in (*DOSE_UNITS, "huffs", "exhalation"):
        value = getattr(payload.done, name)
        if value is None:
            continue
        if payload.delivered == "not_delivered":
            words = "A treatment that was not given has none."
            found.append(problem(f"/done/{name}", "not_applicable", words, "null", value))
        elif name not in counted:
            words = "This technique is not counted so."
            found.append(problem(f"/done/{name}", "not_applicable", words, "null", value))
    for name, used in payload.done.settings.items():
        at = f"/done/settings/{name}"
        if name not in fields:
            words = "This technique has no such setting."
            found.append(problem(at, "unknown_field", words, ", ".join(fields)))
        else:
            found += _setting(fields[name], used, at)
    return found


def _setting(asked: DoseField, used: int | str | tuple[str, ...], at: str) -> list[Problem]:
    if asked.is_number:
        low, high = asked.hard_low, asked.hard_high
        allowed = f"{low}..{high}"
        if isinstance(used, bool) or not isinstance(used, int):
            return [problem(at, "wrong_type", "This must be a whole number.", allowed, used)]
        if low is not None and high is not None and not low <= used <= high:
            return [problem(at, "out_of_range", f"This must be from {low} to {high}.", allowed, used)]
        return []
    chosen = used if asked.kind == "some of" else (used,)
    if not isinstance(chosen, tuple) or not chosen or any(each not in asked.choices for each in chosen):
        allowed = ", ".join(asked.choices)
        return [problem(at, "out_of_range", f"This must be of {allowed}.", allowed, used)]
    return []


def _measurements(payload: SessionPayload) -> list[Problem]:
    found = []
    seen: set[tuple[str, str]] = set()
    for place, each in enumerate(payload.measurements):
        at = f"/measurements/{place}"
        if (each.kind, each.moment) in seen:
            words = "One value of a kind before, and one after."
            found.append(problem(at, "inconsistent", words, "once each", each.kind))
        seen.add((each.kind, each.moment))
        kind = kinds.kind(each.kind)
        try:
            usual = kinds.check(each.kind, each.value)
        except kinds.OutOfRangeError as error:
            steps = ", ".join(map(str, kind.steps)) if kind.steps else f"{kind.hard[0]}..{kind.hard[1]}"
            found.append(problem(f"{at}/value", "out_of_range", f"{error}.", steps, each.value))
            continue
        if not usual and not kind.soft_from_age_years:
            found += unexplained(each, at)
        found += _oxygen(each, f"{at}/oxygen")
    return found


def unexplained(measured: Measured, at: str) -> list[Problem]:
    """An unusual value without the reason why it is right."""
    soft = kinds.kind(measured.kind).soft
    if soft is None or measured.unusual_because:
        return []
    words = f"{measured.value} is unusual: correct it, or say why it is right."
    allowed = f"usually {soft[0]}..{soft[1]}"
    return [problem(f"{at}/unusual_because", "missing", words, allowed, measured.value)]


def _oxygen(measured: Measured, at: str) -> list[Problem]:
    oxygen = measured.oxygen
    if measured.kind != "spo2_percent":
        if oxygen is None:
            return []
        return [problem(at, "not_applicable", "Oxygen stands with SpO2 only.", "null")]
    if oxygen is None:
        words = 'Say which oxygen was given: air, a device, or "unknown".'
        return [problem(at, "missing", words, ", ".join(OXYGEN_DEVICES))]
    amount = oxygen.flow_ml_per_min is not None or oxygen.fio2_percent is not None
    if oxygen.device in {"air", "unknown"}:
        words = "On air, or where the oxygen was not recorded, there is no flow."
        return [problem(f"{at}/flow_ml_per_min", "inconsistent", words, "null")] if amount else []
    if not amount:
        words = "Enter the flow or the inspired fraction, or say that the oxygen was not recorded."
        return [problem(f"{at}/flow_ml_per_min", "missing", words, "0..80000")]
    return []


def _sputum(payload: SessionPayload) -> list[Problem]:
    found = []
    sputum, blood = payload.sputum, payload.blood
    if sputum is not None:
        amounts = (sputum.volume_tenths_ml, sputum.mass_tenths_g)
        given = sum(each is not None for each in amounts)
        if sputum.state == "measured" and given != 1:
            words = "Measured sputum has one amount, in mL or in g."
            found.append(problem("/sputum/volume_tenths_ml", "inconsistent", words, "exactly one of the two"))
        if sputum.state == "measured" and sputum.method is None:
            words = "Say how it was measured."
            found.append(problem("/sputum/method", "missing", words, ", ".join(SPUTUM_METHODS)))
        if sputum.state != "measured" and (given or sputum.method is not None):
            words = "Only measured sputum has an amount."
            found.append(problem("/sputum/state", "inconsistent", words, "measured", sputum.state))
        if sputum.method == "scale" and sputum.volume_tenths_ml is not None:
            words = "A scale gives g, a pot mL."
            found.append(problem("/sputum/method", "inconsistent", words, "pot, estimated", "scale"))
        if sputum.method == "pot" and sputum.mass_tenths_g is not None:
            words = "A scale gives g, a pot mL."
            found.append(problem("/sputum/method", "inconsistent", words, "scale, estimated", "pot"))
        seen = sputum.colour is not None or sputum.consistency is not None
        if sputum.state in {"none", "saliva_only"} and seen:
            words = "Where no sputum came up it has no colour and no consistency."
            found.append(problem("/sputum/colour", "inconsistent", words, "null", sputum.colour))
    if blood is not None and blood.seen != "fresh" and blood.volume_ml is not None:
        words = "Only fresh blood has an amount."
        found.append(problem("/blood/volume_ml", "inconsistent", words, "null", blood.volume_ml))
    return found


def _people(payload: SessionPayload) -> list[Problem]:
    found = []
    people = [each.person for each in payload.staff]
    if len(set(people)) != len(people):
        found.append(problem("/staff", "inconsistent", "Each person once.", "once each"))
    ours = payload.delivered_by in {"therapist", "assistant", "student"}
    if payload.delivered != "not_delivered" and ours and not people:
        words = "Say who of the service was there, with the minutes."
        found.append(problem("/staff", "missing", words, "at least one"))
    events = [each.id for each in payload.adverse_events]
    if len(set(events)) != len(events):
        found.append(problem("/adverse_events", "inconsistent", "Each event once.", "once each"))
    return found
