"""The order pages as they are walked: from the choice of a technique to the stop."""

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from clinic import records
from clinic.models import AuditEvent
from tests.conftest import NOW
from tests.therapy.conftest import prescription
from therapy.orders import selectors, services
from therapy.orders.doses import TECHNIQUES, dose_fields, starting_dose
from therapy.orders.models import Order

pytestmark = pytest.mark.django_db


def _typed(technique: str, **changes: Any) -> dict[str, Any]:
    """What a browser posts for the starting values."""
    data: dict[str, Any] = {"times_a_day": "3", "source": "written", "prescriber": "Dr Larkspur"}
    for field in dose_fields(technique):
        value = starting_dose(technique)[field.name]
        data[field.name] = f"{value / 10:g}" if field.kind == "tenths" and isinstance(value, int) else value
    return data | changes


def _page(client: Any, name: str, **kwargs: Any) -> str:
    response = client.get(reverse(name, kwargs=kwargs))
    assert response.status_code == 200
    return response.content.decode()


def _post(client: Any, name: str, data: dict[str, Any], **kwargs: Any) -> Any:
    return client.post(reverse(name, kwargs=kwargs), data)


def test_every_technique_can_be_ordered_by_its_own_dose_fields(world, cast, clock, screened, sign_in):
    screened(world.mosswater)
    client = sign_in(cast.therapist)
    for technique, words in TECHNIQUES.items():
        at = {"patient_id": world.mosswater.pk, "technique": technique}
        page = _page(client, "new-order", **at)
        for field in dose_fields(technique):
            assert field.words in page
            assert field.source.split(",")[0] in page
        response = _post(client, "new-order", _typed(technique), **at)
        assert response.status_code == 302, (technique, response.context and response.context["form"].errors)
        draft = Order.objects.get(technique=technique, draft=True)
        page = _page(client, "start-order", order_id=draft.pk)
        assert f"Start {words} for MOSSWATER, Bryn" in page
        assert "14-Mar-1958" in page
        started = _post(client, "start-order", {}, order_id=draft.pk)
        order = Order.objects.get(technique=technique, draft=False)
        assert started.url == reverse("order", kwargs={"order_id": order.pk})
        assert order.dose == starting_dose(technique)
        assert "In force since" in _page(client, "order", order_id=order.pk)


def test_outside_the_published_range_the_form_asks_once_and_keeps_the_reason(
    world, cast, clock, screened, sign_in
):
    client = sign_in(cast.therapist)
    at = {"patient_id": world.mosswater.pk, "technique": "pep"}
    unusual = _typed("pep", target_pressure_cmh2o="25")
    response = _post(client, "new-order", unusual, **at)
    assert response.status_code == 422
    page = response.content.decode()
    assert "25 is unusual" in page
    assert 'value="25"' in page
    answered = unusual | {"target_pressure_cmh2o_asked": "25", "target_pressure_cmh2o_why": "used at home"}
    assert _post(client, "new-order", answered, **at).status_code == 302
    assert Order.objects.get().outside_range == {"target_pressure_cmh2o": "used at home"}


def test_a_long_drainage_is_asked_about_once(world, cast, clock, sign_in):
    client = sign_in(cast.therapist)
    at = {"patient_id": world.mosswater.pk, "technique": "drainage"}
    long = _typed("drainage", positions=["upright", "supine", "prone"], minutes_per_position="15")
    response = _post(client, "new-order", long, **at)
    assert response.status_code == 422
    assert "45 min in all" in response.content.decode()
    answered = long | {"minutes_per_position_asked": "15", "minutes_per_position_why": "tolerates it well"}
    assert _post(client, "new-order", answered, **at).status_code == 302


def test_beyond_a_hard_limit_the_field_and_its_range_are_named(world, cast, clock, sign_in):
    at = {"patient_id": world.mosswater.pk, "technique": "mi_e"}
    response = _post(sign_in(cast.therapist), "new-order", _typed("mi_e", in_pressure_cmh2o="60"), **at)
    assert response.status_code == 422
    assert "Pressure in must be between 5 and 50 cmH2O" in response.content.decode()
    assert not Order.objects.exists()


def test_inhaled_medicines_are_kept_in_sequence_and_another_sequence_is_asked_about(
    world, cast, clock, screened, sign_in
):
    screened(world.mosswater)
    client = sign_in(cast.therapist)
    at = {"patient_id": world.mosswater.pk, "technique": "pep"}
    usual = _typed(
        "pep",
        bronchodilator_timing="before",
        bronchodilator_place="1",
        bronchodilator_lead="15",
        hypertonic_saline_timing="before",
        hypertonic_saline_place="2",
        hypertonic_saline_words="as charted",
    )
    assert _post(client, "new-order", usual, **at).status_code == 302
    order = Order.objects.get()
    assert [(each.kind, each.lead_minutes) for each in order.medicines.order_by("position")] == [
        ("bronchodilator", 15),
        ("hypertonic_saline", None),
    ]
    turned = usual | {"bronchodilator_place": "2", "hypertonic_saline_place": "1"}
    response = _post(client, "new-order", turned, **at)
    assert response.status_code == 422
    assert "published sequence" in response.content.decode()
    answered = turned | {
        "medicines_asked": "hypertonic saline before, bronchodilator before",
        "medicines_why": "as at home",
    }
    assert _post(client, "new-order", answered, **at).status_code == 302


def test_dornase_in_bronchiectasis_without_cystic_fibrosis_is_refused_on_the_form(
    world, cast, clock, screened, sign_in
):
    screened(world.mosswater)
    at = {"patient_id": world.mosswater.pk, "technique": "pep"}
    response = _post(sign_in(cast.therapist), "new-order", _typed("pep", dornase_timing="before"), **at)
    assert response.status_code == 422
    assert "Dornase should not be used in bronchiectasis" in response.content.decode()


def test_a_second_press_of_the_same_form_keeps_one_draft(world, cast, clock, sign_in, some_id):
    client = sign_in(cast.therapist)
    at = {"patient_id": world.mosswater.pk, "technique": "pep"}
    for _ in range(2):
        assert _post(client, "new-order", _typed("pep", order_id=str(some_id)), **at).status_code == 302
    assert Order.objects.count() == 1


def test_a_draft_on_hold_by_the_guard_shows_why_and_has_no_button_to_start(world, cast, clock, sign_in):
    draft = services.prescribe(by=cast.therapist, patient=world.mosswater, prescription=prescription())
    client = sign_in(cast.therapist)
    page = _page(client, "start-order", order_id=draft.pk)
    assert "No screening has been recorded" in page
    assert "Start PEP for" not in page
    assert _post(client, "start-order", {}, order_id=draft.pk).status_code == 422


def test_a_telephone_order_starts_only_with_the_read_back_ticked(world, cast, clock, screened, sign_in):
    screened(world.mosswater)
    draft = services.prescribe(
        by=cast.therapist, patient=world.mosswater, prescription=prescription(source="telephone")
    )
    client = sign_in(cast.therapist)
    assert _post(client, "start-order", {}, order_id=draft.pk).status_code == 422
    assert _post(client, "start-order", {"read_back": "on"}, order_id=draft.pk).status_code == 302
    order = Order.objects.get(draft=False)
    lead = sign_in(cast.lead)
    assert "MOSSWATER, Bryn" in _page(lead, "orders")
    assert _post(lead, "sign-order", {}, order_id=order.pk).status_code == 302
    assert selectors.to_sign(cast.lead) == []


def test_a_change_is_confirmed_with_the_identity_and_what_differs(world, cast, ordered, sign_in):
    order = ordered(world.mosswater)
    client = sign_in(cast.therapist)
    typed = _typed("pep", sets="4", reason="more sputum")
    response = _post(client, "change-order", typed, order_id=order.pk)
    page = response.content.decode()
    assert response.status_code == 200
    assert "Change PEP for MOSSWATER, Bryn" in page
    assert "born 14-Mar-1958" in page
    assert selectors.orders_in_force(NOW).get() == order
    assert (
        "Look at the change"
        in _post(client, "change-order", typed | {"step": "edit"}, order_id=order.pk).content.decode()
    )
    done = _post(client, "change-order", typed | {"step": "record"}, order_id=order.pk)
    new = Order.objects.get(replaces=order)
    assert done.url == reverse("order", kwargs={"order_id": new.pk})
    assert (new.sets, new.change_reason) == (4, "more sputum")
    # A resend is sent on to what came of the first.
    again = _post(client, "change-order", typed | {"step": "record"}, order_id=order.pk)
    assert again.url == reverse("order", kwargs={"order_id": new.pk})


def test_an_unchanged_unusual_value_is_not_asked_about_again(world, cast, ordered, sign_in):
    reasons = {"target_pressure_cmh2o": "used at home"}
    order = ordered(world.mosswater, dose={"target_pressure_cmh2o": 25}, reasons=reasons)
    typed = _typed("pep", target_pressure_cmh2o="25", sets="4", reason="more sputum", step="record")
    assert _post(sign_in(cast.therapist), "change-order", typed, order_id=order.pk).status_code == 302
    assert Order.objects.get(replaces=order).outside_range == reasons


def test_hold_resume_and_stop_each_repeat_the_identity_and_name_the_act(world, cast, ordered, sign_in):
    order = ordered(world.mosswater)
    client = sign_in(cast.therapist)
    for name, button in (("hold-order", "Put PEP on hold for"), ("stop-order", "Stop PEP for")):
        page = _page(client, name, order_id=order.pk)
        assert f"{button} MOSSWATER, Bryn" in page
        assert "born 14-Mar-1958" in page
        assert _post(client, name, {}, order_id=order.pk).status_code == 422
    tomorrow = {
        "decide_by_day": "26",
        "decide_by_month": "11",
        "decide_by_year": "2026",
        "decide_by_time": "10:00",
    }
    held = {"reason": "fever", "decides": "Dr Larkspur", **tomorrow}
    assert _post(client, "hold-order", held, order_id=order.pk).status_code == 302
    assert "26-Nov-2026 10:00" in _page(client, "patient-orders", patient_id=world.mosswater.pk)
    assert _post(client, "resume-order", {"reason": "settled"}, order_id=order.pk).status_code == 302
    assert _post(client, "stop-order", {"reason": "clears by coughing"}, order_id=order.pk).status_code == 302
    order.refresh_from_db()
    assert order.ended_reason == "clears by coughing"


def test_what_is_published_on_whether_it_helps_stands_beside_the_order(world, cast, clock, sign_in):
    page = _page(sign_in(cast.lead), "choose-technique", patient_id=world.mosswater.pk)
    assert "Tried first in bronchiectasis" in page


def test_an_order_against_what_is_published_asks_once_why_it_should_help_here(
    world, cast, clock, screened, sign_in
):
    records.amend(
        world.mosswater, by=cast.lead, reason="r", changes={"diagnosis_group": "pneumonia"},
        expect_version=world.mosswater.version,
    )  # fmt: skip
    screened(world.mosswater)
    client, at = sign_in(cast.therapist), {"patient_id": world.mosswater.pk, "technique": "oscillating_pep"}
    answer = _post(client, "new-order", _typed("oscillating_pep"), **at)
    assert answer.status_code == 422
    assert "not recommended in uncomplicated pneumonia. Say why it should help this patient" in (
        answer.content.decode()
    )
    assert not Order.objects.exists()
    why = "Plugging on the film"
    assert (
        _post(client, "new-order", _typed("oscillating_pep", helps_here_reason=why), **at).status_code == 302
    )
    draft = Order.objects.get()
    _post(client, "start-order", {}, order_id=draft.pk)
    order = Order.objects.get(draft=False)
    assert order.helps_here_reason == why, "kept with the order, and it started: nothing is blocked"
    assert why in _page(client, "change-order", order_id=order.pk), "filled in again: asked once"


def test_reading_a_page_of_a_patients_orders_is_audited(world, cast, ordered, sign_in):
    order = ordered(world.mosswater)
    client = sign_in(cast.therapist)
    names = ("order", "change-order", "hold-order", "stop-order")
    for name in names:
        _page(client, name, order_id=order.pk)
    read = AuditEvent.objects.filter(action="read", patient_id=world.mosswater.pk, actor_id=cast.therapist.pk)
    assert set(read.values_list("subject_id", flat=True)) == set(names)


def test_the_page_of_waiting_orders_takes_the_same_queries_for_one_and_for_many(
    world, cast, clock, sign_in, django_assert_max_num_queries
):
    client = sign_in(cast.lead)
    counts = []
    for patients in ([world.mosswater], [world.pebblebrook, world.thistledown]):
        for patient in patients:
            for technique in ("pep", "hfcwo", "mi_e"):
                services.prescribe(by=cast.lead, patient=patient, prescription=prescription(technique))
        with django_assert_max_num_queries(40) as captured:
            _page(client, "orders")
        counts.append(len(captured))
    assert counts[0] == counts[1]


def test_the_orders_of_a_patient_take_the_same_queries_for_one_and_for_many(
    world, cast, ordered, sign_in, django_assert_max_num_queries
):
    client = sign_in(cast.lead)
    counts = []
    for techniques in (["pep"], ["hfcwo", "mi_e", "drainage"]):
        for technique in techniques:
            order = ordered(world.mosswater, technique)
            services.hold(
                by=cast.lead, order=order, reason="f", decides="d", decide_by=NOW + timedelta(hours=1)
            )
        with django_assert_max_num_queries(40) as captured:
            _page(client, "patient-orders", patient_id=world.mosswater.pk)
        counts.append(len(captured))
    assert counts[0] == counts[1]


@pytest.mark.parametrize(
    ("who", "status"),
    [("lead", 200), ("therapist", 200), ("outsider", 404), ("manager", 403), ("administrator", 403)],
)
def test_who_may_open_the_order_pages(request, world, ordered, who, status):
    order = ordered(world.mosswater)
    cast, sign_in = request.getfixturevalue("cast"), request.getfixturevalue("sign_in")
    client = sign_in(getattr(cast, who))
    for name in ("order", "change-order", "hold-order", "stop-order"):
        assert client.get(reverse(name, kwargs={"order_id": order.pk})).status_code == status
    for name in ("patient-orders", "choose-technique"):
        assert client.get(reverse(name, kwargs={"patient_id": world.mosswater.pk})).status_code == status
