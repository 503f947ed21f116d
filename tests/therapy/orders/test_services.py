"""What a person may do with an order, and what it leaves behind."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction
from django.http import Http404

from clinic import records
from clinic.access import NotPermitted
from clinic.models import AuditEvent, Flag
from clinic.patients import services as patients
from clinic.records import Refused
from tests.conftest import NOW
from tests.therapy.conftest import prescription
from therapy.orders import selectors, services
from therapy.orders.models import Order, OrderHold
from therapy.orders.prescription import Medicine

pytestmark = pytest.mark.django_db


def test_a_draft_is_not_in_force_until_it_is_activated(world, cast, clock, screened):
    screened(world.mosswater)
    draft = services.prescribe(by=cast.therapist, patient=world.mosswater, prescription=prescription())
    assert draft.draft
    assert not selectors.orders_in_force(NOW).exists()
    order = services.activate(by=cast.therapist, order=draft)
    assert [order] == list(selectors.orders_in_force(NOW))
    assert (order.sets, order.breaths_per_set, order.replaces_id) == (3, 10, draft.pk)
    assert selectors.drafts_of(world.mosswater) == []
    actions = AuditEvent.objects.filter(patient_id=world.mosswater.pk).values_list("action", flat=True)
    assert {"order drafted", "order activated"} <= set(actions)


@pytest.mark.parametrize("who", ["manager", "administrator"])
def test_only_those_who_treat_may_order_hold_or_stop(world, cast, ordered, who):
    order = ordered(world.mosswater)
    person = getattr(cast, who)
    with pytest.raises(NotPermitted):
        services.prescribe(by=person, patient=world.mosswater, prescription=prescription())
    with pytest.raises(NotPermitted):
        services.stop(by=person, order=order, reason="finished")
    with pytest.raises(NotPermitted):
        services.hold(by=person, order=order, reason="x", decides="y", decide_by=NOW + timedelta(hours=1))


def test_a_therapist_without_a_grant_does_not_find_the_patient(world, cast, ordered):
    order = ordered(world.mosswater)
    with pytest.raises(Http404):
        services.prescribe(by=cast.outsider, patient=world.mosswater, prescription=prescription())
    with pytest.raises(Http404):
        services.stop(by=cast.outsider, order=order, reason="finished")


def test_an_order_against_what_is_published_wants_its_reason_also_past_the_form(world, cast, clock):
    records.amend(
        world.mosswater, by=cast.lead, reason="r", changes={"diagnosis_group": "copd"},
        expect_version=world.mosswater.version,
    )  # fmt: skip
    with pytest.raises(Refused) as refused:
        services.prescribe(by=cast.therapist, patient=world.mosswater, prescription=prescription())
    assert refused.value.field == "helps_here_reason"
    given = prescription(helps_here_reason="Retains sputum, tires")
    assert services.prescribe(by=cast.therapist, patient=world.mosswater, prescription=given).draft


def test_a_department_protocol_is_started_by_a_licensed_clinician_only(world, cast, clock):
    by_protocol = prescription(source="protocol")
    with pytest.raises(NotPermitted):
        services.prescribe(by=cast.colleague, patient=world.thistledown, prescription=by_protocol)
    assert services.prescribe(by=cast.lead, patient=world.thistledown, prescription=by_protocol).draft


def test_a_telephone_order_is_not_active_before_it_is_read_back(world, cast, clock, screened):
    screened(world.mosswater)
    by_telephone = prescription(source="telephone")
    draft = services.prescribe(by=cast.therapist, patient=world.mosswater, prescription=by_telephone)
    with pytest.raises(Refused) as refused:
        services.activate(by=cast.therapist, order=draft)
    assert refused.value.field == "read_back"
    order = services.activate(by=cast.therapist, order=draft, read_back=True)
    assert order.needs_signature
    assert selectors.to_sign(cast.lead) == [order]
    assert Flag.objects.get(kind="co_sign").due_at == NOW + timedelta(hours=24)


def test_the_database_itself_refuses_an_active_telephone_order_without_read_back(world, cast, clock):
    with pytest.raises(IntegrityError), transaction.atomic():
        Order.objects.create(
            patient=world.mosswater, technique="pep", source="telephone", prescriber="x", by=cast.lead
        )


def test_a_telephone_order_is_signed_by_a_licensed_person_who_did_not_take_it(world, cast, clock, screened):
    screened(world.mosswater)
    by_telephone = prescription(source="telephone")
    draft = services.prescribe(by=cast.therapist, patient=world.mosswater, prescription=by_telephone)
    order = services.activate(by=cast.therapist, order=draft, read_back=True)
    with pytest.raises(Refused):
        services.sign(by=cast.therapist, order=order)
    services.sign(by=cast.lead, order=order)
    assert selectors.to_sign(cast.lead) == []
    assert Flag.objects.get(kind="co_sign").state == "closed"
    with pytest.raises(Refused):
        services.sign(by=cast.lead, order=order)


def test_without_a_screening_or_a_decision_an_order_waits_as_a_draft(world, cast, clock, screened):
    draft = services.prescribe(by=cast.therapist, patient=world.mosswater, prescription=prescription())
    with pytest.raises(Refused, match="No screening"):
        services.activate(by=cast.therapist, order=draft)
    screened(world.mosswater, pneumothorax_untreated="yes")
    with pytest.raises(Refused, match="clinician must decide"):
        services.activate(by=cast.therapist, order=draft)
    assert selectors.drafts_of(world.mosswater) == [draft]
    screened(world.mosswater)
    assert services.activate(by=cast.therapist, order=draft).technique == "pep"


def test_beyond_a_hard_limit_is_refused_and_outside_the_published_range_wants_a_reason(world, cast, clock):
    def prescribe(**changes):
        return services.prescribe(by=cast.lead, patient=world.mosswater, prescription=prescription(**changes))

    with pytest.raises(Refused) as refused:
        prescribe(dose={"target_pressure_cmh2o": 60})
    assert refused.value.field == "target_pressure_cmh2o"
    assert "5 to 30 cmH2O" in refused.value.message
    with pytest.raises(Refused, match="say why"):
        prescribe(dose={"target_pressure_cmh2o": 25})
    with pytest.raises(Refused, match="first use"):
        prescribe(dose={"resistance_setting": 4})
    with pytest.raises(Refused, match="more than the usual"):
        prescribe(times_a_day=6)
    reasons = {"target_pressure_cmh2o": "Used at home for years."}
    order = prescribe(dose={"target_pressure_cmh2o": 25}, reasons=reasons)
    assert order.outside_range == reasons


def test_nothing_inhaled_while_bleeding_and_no_dornase_without_cystic_fibrosis(world, cast, clock, screened):
    # Mosswater has bronchiectasis without cystic fibrosis.
    screened(world.mosswater)
    dornase = prescription(medicines=(Medicine("dornase", "before"),))
    with pytest.raises(Refused, match="Dornase"):
        services.prescribe(by=cast.lead, patient=world.mosswater, prescription=dornase)
    relieved = prescription(medicines=(Medicine("bronchodilator", "before", "as charted", 15),))
    draft = services.prescribe(by=cast.lead, patient=world.mosswater, prescription=relieved)
    screened(world.mosswater, haemoptysis_scant="yes", at=NOW)
    with pytest.raises(Refused, match="coughs blood"):
        services.activate(by=cast.lead, order=draft)
    screened(world.mosswater, haemoptysis_24h_ml=0, at=NOW)
    order = services.activate(by=cast.lead, order=draft)
    assert [(each.position, each.kind) for each in order.medicines.all()] == [(1, "bronchodilator")]


def test_a_second_order_of_the_same_technique_is_refused(world, cast, ordered):
    ordered(world.mosswater)
    with pytest.raises(Refused, match="change that one"):
        ordered(world.mosswater)


def test_two_drafts_of_a_technique_started_in_the_same_instant_leave_one_in_force(
    world, cast, ordered, monkeypatch
):
    ordered(world.mosswater, "breathing_techniques")
    drafts = [
        services.prescribe(by=cast.lead, patient=world.mosswater, prescription=prescription()) for _ in "12"
    ]
    look = services._check_none_in_force
    started = []

    def meanwhile(patient, technique, at):
        look(patient, technique, at)
        if not started:
            started.append(drafts[1])
            services.activate(by=cast.lead, order=drafts[1])

    monkeypatch.setattr(services, "_check_none_in_force", meanwhile)
    with pytest.raises(Refused, match="change that one"):
        services.activate(by=cast.lead, order=drafts[0])
    drafts[0].refresh_from_db()
    # The refusal undoes the whole act, so this draft still waits.
    assert started
    assert drafts[0].ended_at is None


def test_the_database_itself_refuses_a_second_order_in_force_and_takes_drafts_beside_it(world, cast, ordered):
    order = ordered(world.mosswater)
    again = {"patient": order.patient, "technique": "pep", "source": "written", "by": cast.lead}
    with pytest.raises(IntegrityError), transaction.atomic():
        Order.objects.create(**again)
    Order.objects.create(**again, draft=True)
    Order.objects.create(**again, draft=True)
    Order.objects.create(**again | {"patient": world.pebblebrook})


def test_an_order_that_ran_out_is_ended_at_its_own_time_with_its_hold_when_the_next_one_starts(
    world, cast, ordered, clock
):
    runs_out = NOW + timedelta(hours=4)
    first = ordered(world.mosswater, valid_until=runs_out)
    services.hold(by=cast.lead, order=first, reason="f", decides="d", decide_by=NOW + timedelta(hours=1))
    clock.shift(timedelta(hours=6))
    second = ordered(world.mosswater)
    first.refresh_from_db()
    assert (first.ended_at, first.ended_reason) == (runs_out, "valid until this time")
    assert second.ended_at is None
    assert not OrderHold.objects.filter(ended_at__isnull=True).exists()


def test_a_change_replaces_the_order_and_keeps_the_old_one_readable(world, cast, ordered, clock):
    order = ordered(world.mosswater)
    clock.shift(timedelta(hours=2))
    new = services.change(
        by=cast.therapist, order=order, prescription=prescription(times_a_day=2), reason="tires easily"
    )
    order.refresh_from_db()
    assert (order.ended_at, order.ended_reason, order.ended_by) == (
        NOW + timedelta(hours=2),
        "tires easily",
        cast.therapist,
    )
    assert (new.replaces_id, new.times_a_day, new.started_at) == (order.pk, 2, order.ended_at)
    assert selectors.history_of(new) == [order]


def test_a_change_of_technique_or_without_a_reason_is_refused(world, cast, ordered):
    order = ordered(world.mosswater)
    with pytest.raises(Refused) as refused:
        services.change(by=cast.lead, order=order, prescription=prescription("hfcwo"), reason="x")
    assert refused.value.field == "technique"
    with pytest.raises(Refused) as refused:
        services.change(by=cast.lead, order=order, prescription=prescription(), reason=" ")
    assert refused.value.field == "reason"


def test_a_hold_names_who_decides_by_when_and_survives_a_change(world, cast, ordered, clock):
    order = ordered(world.mosswater)
    by_when = NOW + timedelta(hours=3)
    services.hold(by=cast.therapist, order=order, reason="fever", decides="Dr Larkspur", decide_by=by_when)
    assert [each.order_id for each in selectors.holds_in_force(cast.lead)] == [order.pk]
    with pytest.raises(Refused, match="on hold already"):
        services.hold(by=cast.therapist, order=order, reason="x", decides="y", decide_by=by_when)
    new = services.change(by=cast.lead, order=order, prescription=prescription(times_a_day=2), reason="less")
    held = selectors.hold_in_force(new)
    assert held is not None
    assert (held.reason, held.decides, held.decide_by) == ("fever", "Dr Larkspur", by_when)
    clock.shift(timedelta(hours=1))
    services.resume(by=cast.lead, order=new, reason="fever settled")
    assert selectors.hold_in_force(new) is None
    assert OrderHold.objects.count() == 2


def test_a_hold_is_not_resumed_while_the_guard_bars_the_technique(world, cast, ordered, screened):
    order = ordered(world.mosswater)
    services.hold(
        by=cast.lead, order=order, reason="fever", decides="Dr L", decide_by=NOW + timedelta(hours=1)
    )
    screened(world.mosswater, pneumothorax_suspected_or_tension="yes")
    with pytest.raises(Refused, match="On hold"):
        services.resume(by=cast.lead, order=order, reason="settled")


def test_a_stop_ends_the_order_and_its_hold_once(world, cast, ordered):
    order = ordered(world.mosswater)
    services.hold(by=cast.lead, order=order, reason="f", decides="d", decide_by=NOW + timedelta(hours=1))
    services.stop(by=cast.therapist, order=order, reason="clears by coughing")
    assert not selectors.orders_in_force(NOW).exists()
    assert selectors.holds_in_force(cast.lead) == []
    with pytest.raises(Refused, match="ended already"):
        services.stop(by=cast.therapist, order=order, reason="again")


def test_an_order_of_a_patient_who_is_not_on_the_caseload_does_not_start(world, cast, clock, screened):
    screened(world.unassigned)
    draft = services.prescribe(by=cast.lead, patient=world.unassigned, prescription=prescription())
    with pytest.raises(Refused, match="not on the caseload"):
        services.activate(by=cast.lead, order=draft)


def test_when_a_patient_leaves_the_caseload_every_order_draft_and_hold_ends(world, cast, ordered, clock):
    order = ordered(world.mosswater)
    draft = services.prescribe(by=cast.lead, patient=world.mosswater, prescription=prescription("hfcwo"))
    services.hold(by=cast.lead, order=order, reason="f", decides="d", decide_by=NOW + timedelta(hours=1))
    patients.discharge(world.mosswater, by=cast.lead, reason="went home")
    for row in (order, draft):
        row.refresh_from_db()
        assert (row.ended_at, row.ended_reason) == (NOW, "discharged: went home")
    assert not OrderHold.objects.filter(ended_at__isnull=True).exists()
    assert set(order.windows.filter(earliest__gt=NOW).values_list("state", flat=True)) == {"cancelled"}
