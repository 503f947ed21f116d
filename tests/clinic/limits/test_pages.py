"""The pages of limits, and that limits stand where numbers are taken."""

import re
from html import unescape

import pytest
from django.urls import reverse

from clinic.limits import services
from clinic.limits.models import AgeBandLimits, SpO2Scale, StopLimits
from clinic.limits.rules import AgeBand
from clinic.patients import services as patients

pytestmark = pytest.mark.django_db


def text(response):
    """The words of a page, without its tags."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", response.content.decode())).split())


def test_stop_limits_are_set_on_their_page_and_stand_on_the_record_and_the_patients_page(
    world, cast, sign_in
):
    client = sign_in(cast.therapist)
    address = reverse("patient-stop-limits", args=[world.mosswater.pk])
    assert "No stop limits set." in text(client.get(reverse("patient-record", args=[world.mosswater.pk])))
    page = text(client.get(address))
    assert "A box left blank sets no limit" in page
    done = client.post(address, {"pulse_below": "50", "pulse_above": "120", "reason": "Dr Larkspur"})
    assert done.status_code == 302
    assert StopLimits.objects.get().reason == "Dr Larkspur"
    for name in ("patient", "patient-record"):
        said = text(client.get(reverse(name, args=[world.mosswater.pk])))
        assert "Stop: pulse below 50 or above 120 /min." in said, name


def test_a_wrong_limit_comes_back_beside_its_field_with_what_was_typed(world, cast, sign_in):
    address = reverse("patient-stop-limits", args=[world.mosswater.pk])
    back = sign_in(cast.therapist).post(
        address, {"pulse_below": "120", "pulse_above": "50", "reason": "Ward round"}
    )
    assert back.status_code == 422
    assert "The upper limit of pulse must be above the lower one, 120 /min" in text(back)
    assert 'value="120"' in back.content.decode()


def test_the_page_goes_back_to_where_it_was_opened_and_never_to_another_site(world, cast, sign_in):
    client = sign_in(cast.therapist)
    address = reverse("patient-stop-limits", args=[world.mosswater.pk])
    form = {"pulse_above": "120", "reason": "Ward round"}
    assert client.post(f"{address}?next=/patients/", form).url == "/patients/"
    assert client.post(f"{address}?next=https://elsewhere.example/", form).url == reverse(
        "patient", args=[world.mosswater.pk]
    )


def test_the_settings_page_shows_each_age_band_and_says_where_nothing_is_computed(cast, sign_in):
    client = sign_in(cast.administrator)
    said = text(client.get(reverse("settings")))
    assert "Adults, from 16 years : pulse below 40 or above 130 /min" in said.replace("years:", "years :")
    assert said.count("not set, no warning is computed") == 5
    address = reverse("age-band-limits", args=["5-7"])
    assert "never takes an adult's" in text(client.get(address))
    form = {"pulse_above": "150", "reason": "Children's protocol 4"}
    assert client.post(address, form).status_code == 302
    said = text(client.get(reverse("settings")))
    assert "pulse above 150 /min" in said
    assert "Children's protocol 4" in said
    assert AgeBandLimits.objects.get().by == cast.administrator


def test_an_age_band_that_does_not_exist_is_not_there(cast, sign_in):
    assert sign_in(cast.lead).get(reverse("age-band-limits", args=["2-3"])).status_code == 404


def test_a_licensed_clinician_decides_on_the_scale_and_the_record_says_who_and_why(world, cast, sign_in):
    patients.set_spo2_target(world.mosswater, by=cast.therapist, low_percent=88, high_percent=92)
    client = sign_in(cast.therapist)
    address = reverse("patient-spo2-scale", args=[world.mosswater.pk])
    record = reverse("patient-record", args=[world.mosswater.pk])
    assert "Scale 1: nobody has decided on scale 2" in text(client.get(record))
    refused = client.post(address, {"scale": "2", "reason": "COPD"})
    assert refused.status_code == 422
    assert "a clinician has confirmed" in text(refused)
    done = client.post(address, {"scale": "2", "hypercapnia_confirmed": "on", "reason": "Blood gas today"})
    assert done.status_code == 302
    assert SpO2Scale.objects.get().scale == 2
    said = text(client.get(record))
    assert "Scale 2" in said
    assert "decided by R. Quillfeather: Blood gas today." in said


def test_an_unlicensed_account_gets_no_page_to_decide_on(world, cast, sign_in):
    address = reverse("patient-spo2-scale", args=[world.thistledown.pk])
    assert sign_in(cast.colleague).get(address).status_code == 403
    record = sign_in(cast.colleague).get(reverse("patient-record", args=[world.thistledown.pk]))
    assert "A licensed clinician decides" in text(record)


def test_a_childs_pages_say_that_its_numbers_are_not_judged(world, cast, sign_in):
    client = sign_in(cast.colleague)
    for name in ("patient", "patient-record"):
        said = text(client.get(reverse(name, args=[world.thistledown.pk])))
        assert "No warning limits are set for children of 8 to 11 years" in said
        assert "40 or above 130" not in said
    services.set_band_limits(AgeBand.TO_11, by=cast.lead, limits={"pulse_above": 150}, reason="Protocol")
    assert "pulse above 150 /min" in text(client.get(reverse("patient", args=[world.thistledown.pk])))


def test_the_bedside_check_shows_target_stop_limits_and_limits_of_the_age(world, cast, sign_in):
    services.set_stop_limits(
        world.mosswater, by=cast.therapist, limits={"respiratory_rate_above": 35}, reason="Ward round"
    )
    page = sign_in(cast.therapist).get(reverse("bedside-check", args=[world.mosswater.pk, "pep"]))
    said = text(page)
    assert "No target range of SpO2 is set for this patient: ask." in said
    assert "Stop: breathing rate above 35 /min." in said
    assert "Warning limits for adults, from 16 years" in said


def test_the_pages_cost_the_same_however_often_limits_were_set(
    world, cast, sign_in, django_assert_max_num_queries
):
    client = sign_in(cast.therapist)
    address = reverse("patient-stop-limits", args=[world.mosswater.pk])
    services.set_stop_limits(world.mosswater, by=cast.therapist, limits={"pulse_above": 99}, reason="First")
    services.set_stop_limits(world.mosswater, by=cast.therapist, limits={"pulse_above": 98}, reason="Second")
    with django_assert_max_num_queries(20) as few:
        client.get(address)
    for high in range(100, 106):
        services.set_stop_limits(
            world.mosswater, by=cast.therapist, limits={"pulse_above": high}, reason="Again"
        )
    with django_assert_max_num_queries(len(few.captured_queries)):
        client.get(address)
