"""What happens in the demo through the services that the pages call: new findings, holds, changes, and the jobs."""

from datetime import timedelta
from uuid import uuid4

from clinic.limits.rules import OxygenGiven
from clinic.models import Person
from clinic.patients import services as patients
from clinic.referrals import services as referrals
from screening import hold_services
from screening import services as screenings
from screening.lifts import services as lifts
from screening.lifts.models import SignatureGiven
from screening.models import Screening
from therapy.models import Order, TreatmentSession
from therapy.orders import services as orders
from therapy.orders.models import OrderSource
from therapy.orders.selectors import prescription_of
from therapy.pages.demo.cases import Case
from therapy.pages.demo.patients import born, received, record_number
from therapy.pages.demo.scene import Scene
from therapy.pages.demo.teller import Told
from therapy.reassessment import services as reassessments
from therapy.scheduling import window_services
from therapy.sessions import alerts, stops


def tell(scene: Scene, cases: list[Case], told: Told, *, now_is_now: bool) -> None:
    """Do it. What the services date by the clock themselves is left out where the demo is told for another day."""
    for case in cases:
        if case.story == "blood_today":
            _find(
                scene,
                case,
                told,
                {"haemoptysis_24h_ml": 8.0, "haemoptysis_5_to_240": "yes"},
                "Coughed up blood",
            )
        if case.story == "film_yesterday":
            open_again: dict[str, str | float] = {
                "pneumothorax_suspected_or_tension": "unknown",
                "pneumothorax_untreated": "unknown",
            }
            _find(scene, case, told, open_again, "Sudden chest pain; film to be read")
        if case.story == "lifted":
            _find(scene, case, told, {"bullous_emphysema": "yes"}, "Bullae on an earlier film, found today")
            _lift(scene, case, told)
        if now_is_now and case.story == "held_by_person":
            _hold(scene, case, told)
        if now_is_now and case.story == "stopped":
            _stop(scene, case, told)
        if now_is_now and case.story == "moved":
            _move(scene, case, told)
        if now_is_now and case.story == "student":
            _change_by_telephone(scene, case, told)
    _ask_for_signatures()
    now = scene.clock.now
    hold_services.tell_all_holds(at=now)
    window_services.close_windows(now)
    reassessments.open_overdue_flags(now=now)


def receive(scene: Scene, cases: list[tuple[int, Case]]) -> None:
    """Register those who were referred and on whom nobody has decided, as the lead does; each with its place."""
    lead, units = scene.service.lead, scene.service.units
    for number, case in cases:
        patient = patients.register_patient(
            by=lead,
            record_number=record_number(number),
            family_name=case.family,
            given_name=case.given,
            birth_date=born(scene.clock.today, case.age, number),
            sex=case.sex,
            unit=units[case.unit],
            room=case.room,
            diagnosis_group=case.group,
            diagnosis=case.diagnosis,
            source="command",
        )
        row = referrals.receive(
            patient,
            by=lead,
            source="telephone" if case.urgency == "urgent" else "written",
            received_at=received(scene, case),
            urgency=case.urgency,
            reason=case.reason,
            referrer="Dr Larkspur",
            referrer_phone="4471",
            diagnosis_group=case.group,
            diagnosis=case.diagnosis,
        )
        if case.outcome != "waiting":
            referrals.decide(
                row, by=lead, outcome=case.outcome, reason=case.outcome_reason, expect_version=row.version
            )


def _find(scene: Scene, case: Case, told: Told, answers: dict[str, str | float], reason: str) -> None:
    kept = told.screenings[case.key]
    in_force = Screening.objects.get(patient=kept.patient, ended_at__isnull=True)
    at = max(scene.clock.told_until - timedelta(minutes=25), in_force.started_at + timedelta(minutes=2))
    at = min(at, scene.clock.now)
    screenings.record_screening(
        by=_owner(scene, case),
        patient=kept.patient,
        answers=answers,
        at=at,
        reason=reason,
        keep="all",
        source="command",
    )


def _lift(scene: Scene, case: Case, told: Told) -> None:
    """One "do not start" lifted by two signatures, and its renewal, which waits for the second."""
    patient, lead = told.screenings[case.key].patient, scene.service.lead
    at = Screening.objects.get(patient=patient, ended_at__isnull=True).started_at
    for days, reason in (
        (3, "Used for months without harm; secretions cannot be cleared otherwise"),
        (6, "The chest physician looks at it next week; as before until then"),
    ):
        lift = lifts.propose(
            by=_owner(scene, case),
            patient=patient,
            technique="mi_e",
            condition="bullous_emphysema",
            prescriber="Dr Larkspur",
            prescriber_account=None,
            given=SignatureGiven.WRITTEN,
            reason=reason,
            expires_at=at + timedelta(days=days),
            at=at,
        )
        if days == 3:
            lifts.sign(by=lead, lift=lift, at=at)


def _hold(scene: Scene, case: Case, told: Told) -> None:
    order = Order.objects.get(pk=told.orders[case.key][1].pk)
    orders.hold(
        by=_owner(scene, case),
        order=order,
        reason="New belly pain: surgeons look first",
        decides="Dr Burnet",
        decide_by=scene.clock.now + timedelta(hours=3),
    )


def _stop(scene: Scene, case: Case, told: Told) -> None:
    """A treatment that was stopped some minutes ago: told by telephone, checked once, the second check to come."""
    order = Order.objects.get(pk=told.orders[case.key][0].pk)
    by, at = _owner(scene, case), max(scene.clock.now - timedelta(minutes=11), order.started_at)
    stopped = stops.stop(
        by=by,
        patient=order.patient,
        order=order,
        stop_id=uuid4(),
        at=at,
        started_at=at - timedelta(minutes=9),
    )
    stopped = stops.name_sign(
        stopped, by=by, sign="hypoxaemia", sign_words="tired, breathing fast", action_taken="Stopped, sat up"
    )
    stops.tell(
        stopped,
        by=by,
        who="Dr Burnet, on call",
        how="phone",
        at=at + timedelta(minutes=3),
        said="Oxygen to the target range; comes to see the patient.",
        told_id=uuid4(),
    )
    stops.check_again(
        stopped,
        by=by,
        minutes=5,
        checked=stops.Checked(
            values={"spo2": 91, "pulse": 104, "breaths": 24}, oxygen=OxygenGiven("nasal_cannula", 2000)
        ),
        at=at + timedelta(minutes=5),
    )


def _move(scene: Scene, case: Case, told: Told) -> None:
    """A patient who has just come to another care setting and is to be screened again."""
    patient = Order.objects.get(pk=told.orders[case.key][0].pk).patient
    patients.amend_patient(
        patient,
        by=scene.service.lead,
        changes={"unit": scene.service.units["step_down"], "room": "7"},
        expect_version=patient.version,
    )


def _change_by_telephone(scene: Scene, case: Case, told: Told) -> None:
    """A telephone order that was read back and waits for its signature."""
    order = Order.objects.get(pk=told.orders[case.key][0].pk)
    before = prescription_of(order)
    changed = type(before)(
        technique=before.technique,
        dose={**before.dose, "sets": 5},
        times_a_day=before.times_a_day,
        source=OrderSource.TELEPHONE,
        prescriber="Dr Larkspur",
        read_back=True,
        reasons=before.reasons or {"resistance_setting": "Used for years"},
        medicines=before.medicines,
        independent_sets_a_day=before.independent_sets_a_day,
    )
    orders.change(
        by=_owner(scene, case), order=order, prescription=changed, reason="More sputum since yesterday"
    )


def _ask_for_signatures() -> None:
    """Treatments by the student that came in bulk wait for a signature like all others."""
    waiting = TreatmentSession.objects.filter(
        needs_signature=True, signed_at__isnull=True, entered_in_error=False
    )
    for treatment in waiting.select_related("patient", "recorded_by").order_by("started_at", "id"):
        alerts.ask_for_signature(
            treatment, by=treatment.recorded_by, at=treatment.recorded_at, source="command"
        )


def _owner(scene: Scene, case: Case) -> Person:
    return scene.service.people[case.therapist]
