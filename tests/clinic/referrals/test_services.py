"""Referrals: received, decided, first seen, first treated."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.utils import timezone

from clinic.access import NotPermitted
from clinic.audit.models import RecordVersion
from clinic.models import Notice, Patient, Referral
from clinic.patients.services import LikelyDuplicate, NumberInUse
from clinic.records import Changed, Refused
from clinic.referrals import selectors, services
from tests.conftest import Cast, World

pytestmark = pytest.mark.django_db
SAYS = {"urgency": "soon", "reason": "More sputum, weak cough.", "referrer": "Dr Larkspur"}
TAM = {
    "record_number": "204130001",
    "family_name": "Oakapple",
    "given_name": "Tam",
    "birth_date": date(1961, 7, 3),
}


def received(patient: Patient, cast: Cast, **changes: Any) -> Referral:
    return services.receive(patient, by=cast.lead, source="written", **{**SAYS, **changes})


def decided(referral: Referral, cast: Cast, outcome: str, **more: Any) -> Referral:
    return services.decide(referral, by=cast.lead, outcome=outcome, expect_version=referral.version, **more)


def test_a_telephone_referral_registers_the_patient_and_tells_the_lead(cast: Cast, world: World) -> None:
    referral = services.take_by_telephone(
        by=cast.therapist, identity=TAM, details={"unit": world.acute, "room": "9"}, referral=SAYS
    )
    assert (referral.source, referral.outcome, referral.patient.state) == ("telephone", "waiting", "referred")
    assert referral.patient.identity.record_number == "204130001"
    notice = Notice.objects.get(to=cast.lead)
    assert notice.kind == "referral"
    assert "Oakapple" not in notice.words


def test_a_caller_about_a_registered_patient_makes_no_second_one(cast: Cast, world: World) -> None:
    identity = {
        "record_number": "204118553",
        "family_name": "Moswater",
        "given_name": "Bryn",
        "birth_date": date(1958, 3, 14),
    }
    referral = services.take_by_telephone(by=cast.lead, identity=identity, details={}, referral=SAYS)
    assert referral.patient == world.mosswater


def test_a_number_of_somebody_else_or_a_likely_duplicate_stops_a_telephone_referral(
    cast: Cast, world: World
) -> None:
    with pytest.raises(NumberInUse):
        services.take_by_telephone(
            by=cast.lead, identity={**TAM, "record_number": "204118553"}, details={}, referral=SAYS
        )
    twin = {**TAM, "family_name": "Mosswater", "given_name": "Bryn", "birth_date": date(1958, 3, 14)}
    with pytest.raises(LikelyDuplicate):
        services.take_by_telephone(by=cast.lead, identity=twin, details={}, referral=SAYS)
    assert not Referral.objects.exists()


@pytest.mark.parametrize(
    ("field", "changes"),
    [
        ("urgency", {"urgency": "now"}),
        ("reason", {"reason": " "}),
        ("referrer", {"referrer": ""}),
        ("diagnosis_group", {"diagnosis_group": "flu"}),
        ("reason", {"reason": "a" * 501}),
        ("received_at", {"received_at": timezone.now() + timedelta(days=1)}),
        ("colour", {"colour": "red"}),
    ],
)
def test_a_referral_that_cannot_be_is_refused_by_the_field(
    cast: Cast, world: World, field: str, changes: Any
) -> None:
    with pytest.raises(Refused) as refused:
        received(world.mosswater, cast, **changes)
    assert refused.value.field == field


def test_managers_and_administrators_take_no_referral_and_only_the_lead_decides(
    cast: Cast, world: World
) -> None:
    for person in (cast.manager, cast.administrator):
        with pytest.raises(NotPermitted):
            services.receive(world.mosswater, by=person, source="written", **SAYS)
    referral = received(world.mosswater, cast)
    for person in (cast.therapist, cast.manager):
        with pytest.raises(NotPermitted):
            services.decide(referral, by=person, outcome="accepted", expect_version=1)


def test_accepting_takes_the_patient_on_the_caseload_and_keeps_who_triaged_when(
    cast: Cast, world: World
) -> None:
    referral = decided(received(world.unassigned, cast), cast, "accepted")
    assert referral.triaged_by == cast.lead
    assert referral.triaged_at is not None
    assert Patient.objects.get(pk=world.unassigned.pk).state == "active"


def test_not_indicated_is_an_outcome_with_its_reason_and_lets_a_referred_patient_go(
    cast: Cast, world: World
) -> None:
    referral = received(world.unassigned, cast)
    with pytest.raises(Refused, match="reason"):
        decided(referral, cast, "not_indicated")
    decided(referral, cast, "not_indicated", reason="Clears by cough, no retained secretions.")
    assert Patient.objects.get(pk=world.unassigned.pk).state == "discharged"


def test_a_patient_with_another_open_referral_stays(cast: Cast, world: World) -> None:
    referral = received(world.unassigned, cast)
    received(world.unassigned, cast, reason="Second.")
    decided(referral, cast, "redirected", reason="Community team.")
    assert Patient.objects.get(pk=world.unassigned.pk).state == "referred"


def test_a_patient_on_the_caseload_stays_there_when_a_further_referral_is_not_indicated(
    cast: Cast, world: World
) -> None:
    decided(received(world.mosswater, cast), cast, "not_indicated", reason="Under treatment.")
    assert Patient.objects.get(pk=world.mosswater.pk).state == "active"


def test_more_information_keeps_a_referral_waiting_and_the_first_triage_time(
    cast: Cast, world: World
) -> None:
    referral = decided(received(world.unassigned, cast), cast, "more_information", reason="Film of today.")
    assert referral in selectors.open_referrals(cast.lead)
    later = decided(referral, cast, "accepted")
    assert later.triaged_at == referral.triaged_at
    assert RecordVersion.objects.filter(subject_type="clinic.referral").count() == 2


def test_a_duplicate_names_another_referral_of_the_same_patient(cast: Cast, world: World) -> None:
    first, second = received(world.mosswater, cast), received(world.mosswater, cast, reason="Again.")
    other = received(world.pebblebrook, cast)
    for wrong in (None, second, other):
        with pytest.raises(Refused):
            decided(second, cast, "duplicate", duplicate_of=wrong)
    assert decided(second, cast, "duplicate", duplicate_of=first).duplicate_of == first
    with pytest.raises(Refused):
        decided(first, cast, "duplicate", duplicate_of=Referral.objects.get(pk=second.pk))


def test_a_decision_is_changed_only_with_a_reason_and_never_over_somebody_elses(
    cast: Cast, world: World
) -> None:
    referral = received(world.unassigned, cast)
    accepted = decided(referral, cast, "accepted")
    with pytest.raises(Changed):
        decided(referral, cast, "redirected", reason="Elsewhere.")
    with pytest.raises(Refused):
        decided(accepted, cast, "duplicate")
    with pytest.raises(Refused, match="why the outcome changes"):
        decided(accepted, cast, "duplicate", duplicate_of=received(world.unassigned, cast, reason="Other."))


def test_the_first_time_seen_is_kept_even_when_an_earlier_one_comes_in_late(cast: Cast, world: World) -> None:
    now = timezone.now()
    referral = received(world.unassigned, cast, received_at=now - timedelta(days=2))
    assert services.mark_first_seen(world.unassigned, at=now, by=cast.therapist) == 0, "not accepted yet"
    decided(referral, cast, "accepted")
    for hours in (1, 0, 3, 72):
        services.mark_first_seen(world.unassigned, at=now - timedelta(hours=hours), by=cast.therapist)
    assert Referral.objects.get(pk=referral.pk).first_seen_at == now - timedelta(hours=3)
    with pytest.raises(NotPermitted):
        services.mark_first_seen(world.unassigned, at=now, by=cast.manager)


def test_urgent_waits_first_and_within_it_the_longest_waiting(cast: Cast, world: World) -> None:
    now = timezone.now()
    rows = {
        name: received(
            world.mosswater, cast, urgency=urgency, received_at=now - timedelta(hours=hours), reason=name
        )
        for name, urgency, hours in [
            ("a", "routine", 90),
            ("b", "urgent", 1),
            ("c", "soon", 5),
            ("d", "urgent", 2),
        ]
    }
    assert [row.reason for row in selectors.open_referrals(cast.lead)] == ["d", "b", "c", "a"]
    assert selectors.waiting(rows["d"], now) == timedelta(hours=2)


def test_who_is_unassigned_waits_or_is_accepted_and_has_no_therapist(cast: Cast, world: World) -> None:
    mine, nobodys = received(world.mosswater, cast), received(world.unassigned, cast)
    assert list(selectors.unassigned(cast.lead)) == [nobodys]
    decided(nobodys, cast, "redirected", reason="Elsewhere.")
    assert list(selectors.unassigned(cast.lead)) == []
    assert mine in selectors.open_referrals(cast.therapist)
    assert mine not in selectors.visible_to(cast.outsider)


def test_a_corrected_referral_keeps_what_it_was(cast: Cast, world: World) -> None:
    referral = received(world.mosswater, cast)
    amended = services.amend(
        referral, by=cast.therapist, reason="Called back.", changes={"urgency": "urgent"}, expect_version=1
    )
    assert (amended.urgency, RecordVersion.objects.get().values["urgency"]) == ("urgent", "soon")
    with pytest.raises(NotPermitted):
        services.amend(amended, by=cast.outsider, reason="x", changes={"urgency": "soon"}, expect_version=2)


def test_no_referral_is_taken_for_somebody_who_died(cast: Cast, world: World) -> None:
    from clinic.patients import services as patients

    patients.record_death(world.mosswater, by=cast.lead)
    with pytest.raises(Refused):
        received(world.mosswater, cast)
