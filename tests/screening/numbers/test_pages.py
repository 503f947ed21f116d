"""The pages of measured numbers, as a therapist walks through them."""

import re
from html import unescape

import pytest
from django.urls import reverse
from django.utils import timezone

from clinic.limits import services as limits
from clinic.limits.rules import AgeBand
from clinic.measurements.services import Value
from clinic.models import AuditEvent, Measurement, MeasurementSet
from screening.models import ForcedTestCheck, TechniqueResult
from screening.numbers import forced, services
from tests.screening.numbers.test_services import record, signs
from tests.screening.test_selectors import screened
from tests.therapy.sessions.samples import make_order

pytestmark = pytest.mark.django_db
FULL = {
    "respiratory_rate_per_min": "22", "spo2_percent": "93", "oxygen_device": "nasal_cannula", "oxygen_flow": "2",
    "systolic_mmhg": "105", "pulse_per_min": "95", "temperature_tenths_c": "38.2", "consciousness": "A",
    "pregnant": "no",
}  # fmt: skip
ALL_NO = {f"list_{row.key}": "no" for row in forced.rows()}


def text(response):
    """The words of a page, without its tags."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", response.content.decode())).split())


def at(name, patient):
    return reverse(name, args=[patient.pk])


def hidden(client, address):
    """What the form sends of itself: its id, and the time that stands in it."""
    page = client.get(address).content.decode()
    found = dict(re.findall(r'name="(set_id|measured_at_\w+)"[^>]*?value="([^"]*)"', page))
    found |= {
        name: value
        for value, name in re.findall(r'value="([^"]*)"[^>]*?name="(set_id|measured_at_\w+)"', page)
    }
    assert {"set_id", "measured_at_time"} <= set(found)
    return found


def test_vital_signs_are_entered_and_their_score_stands_on_their_page_and_the_patients(world, cast, sign_in):
    client, address = sign_in(cast.therapist), at("vital-signs-new", world.mosswater)
    done = client.post(address, hidden(client, address) | FULL)
    assert done.status_code == 302, text(done)
    said = text(client.get(at("vital-signs", world.mosswater)))
    # 2+2+2+1+1+0+1 by the chart of the Royal College of Physicians, 2017.
    assert "NEWS2 9 High" in said
    assert "Pulse, /min 95 1" in said
    assert "SpO2, % 93 2 Air or oxygen 2 L/min by nasal cannula 2" in said
    assert "The app supports; local protocol decides." in said
    assert "NEWS2 9 , High" in text(client.get(at("patient", world.mosswater)))
    assert AuditEvent.objects.filter(action="read", patient_id=world.mosswater.pk).exists()


def test_spo2_without_its_oxygen_comes_back_with_what_was_typed(world, cast, sign_in):
    client, address = sign_in(cast.therapist), at("vital-signs-new", world.mosswater)
    sent = hidden(client, address) | dict.fromkeys(FULL, "") | {"spo2_percent": "93"}
    back = client.post(address, sent)
    assert back.status_code == 422
    assert "SpO2 cannot be read without it" in text(back)
    assert not MeasurementSet.objects.exists()


def test_an_unusual_value_asks_an_adult_once_and_a_child_never(world, cast, sign_in):
    client, address = sign_in(cast.therapist), at("vital-signs-new", world.mosswater)
    asked = client.post(address, hidden(client, address) | FULL | {"pulse_per_min": "170"})
    assert asked.status_code == 422
    assert "170 is unusual" in text(asked)
    client, address = sign_in(cast.colleague), at("vital-signs-new", world.thistledown)
    child = {name: value for name, value in FULL.items() if name != "pregnant"}
    done = client.post(address, hidden(client, address) | child | {"pulse_per_min": "170"})
    assert done.status_code == 302
    said = text(client.get(at("vital-signs", world.thistledown)))
    assert "The score is not for use under 16 years." in said
    assert "No warning limits are set for children of 8 to 11 years" in said
    assert "outside" not in said


def test_a_childs_own_band_warns_once_the_clinic_has_set_it(world, cast, sign_in):
    limits.set_band_limits(AgeBand.TO_11, by=cast.lead, limits={"pulse_above": 150}, reason="Protocol 4")
    record(world, cast, patient=world.thistledown, by=cast.colleague, values=signs(pulse=151), pregnant=None)
    said = text(sign_in(cast.colleague).get(at("vital-signs", world.thistledown)))
    assert "Look: Pulse is 151 /min, above 150 /min." in said
    assert "Protocol 4" in said


def test_a_set_entered_in_error_is_struck_and_its_score_goes(world, cast, sign_in):
    row = record(world, cast)
    client, address = sign_in(cast.therapist), reverse("measured-strike", args=[row.pk])
    assert client.post(address, {"expect_version": "1", "reason": ""}).status_code == 422
    assert client.post(address, {"expect_version": "1", "reason": "Another patient's"}).status_code == 302
    assert "No vital signs have been entered." in text(client.get(at("vital-signs", world.mosswater)))


def test_an_exhalation_leads_to_its_range_and_the_order_form_shows_it(world, cast, sign_in):
    client, address = sign_in(cast.therapist), at("exhalation", world.mosswater)
    order_form = reverse("new-order", args=[world.mosswater.pk, "oscillating_pep"])
    assert "No exhalation was measured" in text(client.get(order_form))
    sent = hidden(client, address) | {"exhaled_volume_ml": "900", "exhalation_time_tenths_s": "3.6"}
    assert client.post(address, sent).status_code == 302
    said = text(client.get(address))
    assert "Repeat the measurement 900 mL in 3.6 s: 15 L/min on average." in said
    sent = hidden(client, address) | {"exhaled_volume_ml": "901", "exhalation_time_tenths_s": "3.6"}
    client.post(address, sent)
    assert "High-flow range (harder) 901 mL in 3.6 s: 15.02 L/min on average." in text(client.get(address))
    assert "High-flow range (harder)" in text(client.get(order_form))
    assert "No exhalation" not in text(client.get(reverse("new-order", args=[world.mosswater.pk, "pep"])))


def test_time_alone_is_refused_at_the_volume(world, cast, sign_in):
    client, address = sign_in(cast.therapist), at("exhalation", world.mosswater)
    sent = hidden(client, address) | {"exhaled_volume_ml": "", "exhalation_time_tenths_s": "3.6"}
    back = client.post(address, sent)
    assert back.status_code == 422
    assert "Enter exhaled volume" in text(back)


def test_a_forced_test_asks_its_list_first_and_every_row_wants_an_answer(world, cast, sign_in):
    client, address = sign_in(cast.therapist), at("forced-test", world.mosswater)
    flow = {"peak_cough_flow_l_per_min": "150"}
    back = client.post(address, hidden(client, address) | flow)
    assert back.status_code == 422
    assert not Measurement.objects.exists()
    assert client.post(address, hidden(client, address) | flow | ALL_NO).status_code == 302
    said = text(client.get(address))
    assert "Peak cough flow 150 L/min Below 160 L/min: more is needed for an effective cough." in said
    assert "Every row of the list was answered no." in said


def test_a_yes_of_the_list_wants_a_reason_which_stands_beside_the_test(world, cast, sign_in):
    client, address = sign_in(cast.therapist), at("forced-test", world.mosswater)
    sent = ALL_NO | {"list_haemoptysis": "yes", "peak_cough_flow_ml_per_s": "4.27"}
    back = client.post(address, hidden(client, address) | sent)
    assert back.status_code == 422
    assert "Enter why the test is done all the same" in text(back)
    done = client.post(address, hidden(client, address) | sent | {"reason": "Streaks only, for months"})
    assert done.status_code == 302
    said = text(client.get(address))
    assert "Peak cough flow 256.2 L/min (read as 4.27 L/s) Below 270 L/min" in said
    assert "Blood coughed up: yes. Decided by R. Quillfeather: Streaks only, for months." in said
    assert ForcedTestCheck.objects.get().decided_by == cast.therapist


def test_an_unlicensed_account_is_told_that_a_licensed_clinician_must_decide(world, cast, sign_in):
    client, address = sign_in(cast.colleague), at("forced-test", world.thistledown)
    sent = ALL_NO | {"list_aneurysm": "unknown", "fev1_ml": "1.2", "reason": "Seems fine"}
    back = client.post(address, hidden(client, address) | sent)
    assert back.status_code == 422
    assert "a licensed clinician must decide" in text(back)
    assert not MeasurementSet.objects.exists()


def test_a_cough_flow_stands_beside_the_order_and_the_screening_of_what_helps_a_cough(world, cast, sign_in):
    services.record_forced_test(
        by=cast.therapist, patient=world.mosswater, measured_at=timezone.now(),
        values=[Value("peak_cough_flow_l_per_min", 150)], answers={row.key: "no" for row in forced.rows()},
    )  # fmt: skip
    client = sign_in(cast.therapist)
    for technique in ("mi_e", "assisted_cough"):
        form = text(client.get(reverse("new-order", args=[world.mosswater.pk, technique])))
        assert "150 L/min. Below 160 L/min" in form, technique
    make_order(world.mosswater, cast.therapist, technique="mi_e")
    row = screened(world.mosswater, cast.therapist)
    TechniqueResult.objects.create(
        screening=row, technique="mi_e", result="none_found", explanation={"because": [], "missing": []}
    )
    assert "Mechanical in-exsufflation: Peak cough flow 150 L/min. Below 160 L/min" in text(
        client.get(at("screening", world.mosswater))
    )


def test_the_pages_cost_the_same_however_much_was_measured(
    world, cast, sign_in, django_assert_max_num_queries
):
    client = sign_in(cast.therapist)

    def measure():
        record(world, cast)
        services.record_exhalation(
            by=cast.therapist, patient=world.mosswater, measured_at=timezone.now(),
            values=[Value("exhaled_volume_ml", 900), Value("exhalation_time_tenths_s", 36)],
        )  # fmt: skip
        services.record_forced_test(
            by=cast.therapist, patient=world.mosswater, measured_at=timezone.now(),
            values=[Value("peak_cough_flow_l_per_min", 150)], answers={row.key: "no" for row in forced.rows()},
        )  # fmt: skip

    measure()
    few = {}
    for name in ("vital-signs", "exhalation", "forced-test"):
        with django_assert_max_num_queries(24) as asked:
            client.get(at(name, world.mosswater))
        few[name] = len(asked.captured_queries)
    for _ in range(4):
        measure()
    for name, most in few.items():
        with django_assert_max_num_queries(most):
            client.get(at(name, world.mosswater))
