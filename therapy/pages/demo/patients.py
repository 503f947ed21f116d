"""Patients of the demo with identity, referral, isolation, goals of care, target range, therapist and access."""

from datetime import date, datetime, timedelta

from clinic.models import (
    AccessGrant,
    Assignment,
    GoalOfCare,
    IsolationNote,
    Patient,
    PatientIdentity,
    Referral,
    SpO2Target,
)
from clinic.patients.rules import folded
from therapy.pages.demo.cases import Case
from therapy.pages.demo.scene import Scene

_LANES = ("Heron Lane", "Sedge Row", "Alder Walk", "Kingfisher Yard", "Reed Street")


def build(scene: Scene, cases: list[tuple[int, Case]]) -> dict[str, Patient]:
    """Keep the rows of every case, given with its place in the list; returns the patients by the case's key."""
    return {case.key: _patient(scene, case, number) for number, case in cases}


def record_number(number: int) -> str:
    """The record number of the case with this place in the list."""
    return f"2041{17000 + number * 271 + 553 % (number + 7):05d}"


def received(scene: Scene, case: Case) -> datetime:
    """When the referral came in: in the morning, and today before now."""
    at = scene.clock.at(case.referred, "08:20") + timedelta(minutes=sum(map(ord, case.key)) % 200)
    return min(at, scene.clock.now - timedelta(minutes=38 if case.urgency == "urgent" else 190))


def ended(scene: Scene, case: Case) -> datetime | None:
    """When the case was closed, if it was."""
    return None if case.ended is None else scene.clock.at(case.ended, "11:30")


def _patient(scene: Scene, case: Case, number: int) -> Patient:
    birth_date = born(scene.clock.today, case.age, number)
    came, went = received(scene, case), ended(scene, case)
    accepted = case.outcome == "accepted"
    state = case.ending if went else "active" if accepted else "referred"
    triaged = came + timedelta(minutes=20 if case.urgency == "urgent" else 95)
    patient = scene.book.add(
        Patient(
            id=scene.book.new_id(came),
            state=state,
            state_since=went or (triaged if accepted else came),
            birth_year=birth_date.year,
            sex=case.sex,
            unit=scene.service.units[case.unit],
            room=case.room,
            diagnosis_group=case.group,
            diagnosis=case.diagnosis,
            language=case.language,
            created_at=came,
        )
    )
    scene.book.add(
        PatientIdentity(
            patient=patient,
            record_number=record_number(number),
            family_name=case.family,
            given_name=case.given,
            birth_date=birth_date,
            address=f"{3 + number * 2} {_LANES[number % len(_LANES)]}, Mossford"
            if case.unit == "home"
            else "",
            # Numbers kept free for invented people: Ofcom, telephone numbers for drama use, 01632 960000 to 960999.
            phone=f"01632 960{100 + number}",
            contact_name=f"{case.helper} of the patient" if case.helper else "",
            name_sound=folded(case.family),
            created_at=came,
        )
    )
    _referral(scene, case, patient, came, triaged)
    if accepted:
        _care(scene, case, patient, triaged, went)
    return patient


def born(today: date, age: float, number: int) -> date:
    """A birth date that gives the case's age, spread over the year."""
    return today - timedelta(days=round(age * 365.25) + number * 37 % 330)


def _referral(scene: Scene, case: Case, patient: Patient, came: datetime, triaged: datetime) -> None:
    decided = case.outcome != "waiting"
    scene.book.add(
        Referral(
            id=scene.book.new_id(came),
            patient=patient,
            source="telephone" if case.urgency == "urgent" else "written",
            urgency=case.urgency,
            reason=case.reason or "Cannot clear sputum alone",
            diagnosis_group=case.group,
            diagnosis=case.diagnosis,
            referrer="Dr Larkspur" if case.unit != "home" else "Dr Burnet",
            referrer_phone="4471",
            received_at=came,
            triaged_at=triaged if decided else None,
            triaged_by=scene.service.lead if decided else None,
            outcome=case.outcome,
            outcome_reason=case.outcome_reason,
            entered_by=scene.service.lead,
            created_at=came,
        )
    )


def _care(scene: Scene, case: Case, patient: Patient, since: datetime, until: datetime | None) -> None:
    therapist = scene.service.people[case.therapist]
    closing = {
        "ended_at": until,
        "ended_by": scene.service.lead if until else None,
        "ended_reason": case.ending if until else "",
    }
    scene.book.add(
        Assignment(
            id=scene.book.new_id(since), patient=patient, therapist=therapist, by=scene.service.lead, started_at=since,
            created_at=since, reason="accepted referral", **closing,
        )
    )  # fmt: skip
    scene.book.add(
        AccessGrant(
            id=scene.book.new_id(since), person=therapist, patient=patient, why="assigned", from_at=since,
            until_at=until, by=scene.service.lead, created_at=since,
        )
    )  # fmt: skip
    if case.isolation[0]:
        scene.book.add(
            IsolationNote(
                patient=patient, kind=case.isolation[0], words=case.isolation[1], by=therapist, started_at=since,
                created_at=since, **closing,
            )
        )  # fmt: skip
    if case.target:
        low, high, stop = case.target
        scene.book.add(
            SpO2Target(
                patient=patient, low_percent=low, high_percent=high, stop_below_percent=stop, by=scene.service.lead,
                started_at=since, created_at=since, **closing,
            )
        )  # fmt: skip
    if case.goal[0]:
        scene.book.add(
            GoalOfCare(
                patient=patient, words=case.goal[0], comfort_only=case.goal[1], by=scene.service.lead,
                started_at=since + timedelta(days=2), created_at=since + timedelta(days=2), **closing,
            )
        )  # fmt: skip
