"""One patient travels the whole way over HTTP, as the people of the service would bring her: referral, screening,
decision, order, schedule, treatment, figure, reassessment flag, weekly report.
"""

import io
from datetime import timedelta

import pytest
import time_machine
from django.core.management import call_command
from pypdf import PdfReader

from clinic.jobs.running import run_job
from clinic.models import Flag, JobRun, Patient
from screening.table import current as rule_table
from tests.conftest import NOW
from tests.visitor import Visitor
from therapy.models import DueWindow, Order, TreatmentSession

pytestmark = [pytest.mark.django_db, pytest.mark.slow]
PHRASE = "a long demo phrase"
NOON = NOW.replace(hour=12, minute=8)


@pytest.fixture
def visitor(cast, world, settings):
    """Signs somebody of the cast in through the page."""
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # quick, for this test only

    def signed_in(person):
        person.set_password(PHRASE)
        person.save()
        return Visitor(person.username, PHRASE)

    return signed_in


def answers(visitor, **found):
    """The screening form as somebody fills it in: what was found, and "none of these apply" for the other groups."""
    table, form = rule_table(), visitor.form_with("Record screening")
    with_finding = {table.conditions[key].group for key in found}
    told = {name: "on" for name in form.names if name.startswith("none_") and name[5:] not in with_finding}
    told |= {name: "no_reason_to_measure" for name in form.names if name.endswith("_word")}
    told |= {
        key: "no" for key, row in table.conditions.items() if row.group in with_finding and key in form.names
    }
    del told["minutes_since_meal_word"]
    return told | {"minutes_since_meal": "120"} | found


def refer(lead, unit):
    lead.go("/").follow("Referrals").follow("By telephone")
    lead.send(
        "Take the referral",
        family_name="Campionby",
        given_name="Wren",
        birth_date_day="14",
        birth_date_month="Mar",
        birth_date_year="1958",
        record_number="204130001",
        unit=str(unit.pk),
        room="7",
        reason="Cannot clear sputum",
        referrer="Dr Larkspur",
        referrer_phone="4471",
        diagnosis_group="bronchiectasis",
        diagnosis="Bronchiectasis",
        urgency="urgent",
    )
    assert "CAMPIONBY, Wren" in lead.go("/").text
    lead.follow("Triage").send("Store the outcome", outcome="accepted")
    assert "No referral waits for a decision." in lead.go("/").text
    return Patient.objects.get(identity__record_number="204130001")


def screen_and_decide(therapist, patient):
    therapist.go(f"/patients/{patient.pk}/").follow("Start the first screening")
    therapist.send_values("Record screening", answers(therapist, air_leak_tendency="yes"))
    assert "Clinician must decide" in therapist.text
    therapist.follow("Document a decision on Oscillating PEP")
    therapist.send(
        "Check before recording",
        proceed="yes",
        reason_code="benefit_outweighs",
        reason="Sputum is the greater risk",
        conditions="Low pressure first",
        stop_below_spo2_percent="88",
    )
    assert "Nothing is recorded yet" in therapist.text
    therapist.send("Record decision for CAMPIONBY, Wren")


def order(therapist, patient):
    """Three sets lie outside the published range: asked once, and kept with the reason."""
    therapist.go(f"/patients/{patient.pk}/orders/new/oscillating_pep/")
    therapist.send(
        "Keep and go on to start",
        expect=422,
        times_a_day="3",
        source="written",
        prescriber="Dr Larkspur",
        sets="3",
    )
    therapist.send("Keep and go on to start", sets_asked="3", sets_why="Tires easily")
    therapist.send("Start Oscillating PEP for CAMPIONBY, Wren")
    assert Order.objects.get(patient=patient, draft=False).outside_range == {"sets": "Tires easily"}


def treat(therapist):
    """At the bedside the guard asks again what may have changed since the morning; then the treatment is recorded."""
    therapist.go("/")
    assert "Next, due from 12:00 to 14:30 CAMPIONBY, Wren" in therapist.text
    therapist.follow("Check and start")
    assert "Only what bears on Oscillating PEP" in therapist.text
    therapist.send("Record the check for CAMPIONBY, Wren", none="checked")
    therapist.send("Start now with CAMPIONBY, Wren")


def record(therapist):
    therapist.send(
        "Check and record for CAMPIONBY, Wren",
        ended="12:38",
        before_spo2="93",
        after_spo2="95",
        before_pulse="88",
        after_pulse="90",
        before_breaths="20",
        after_breaths="18",
        before_borg="4",
        after_borg="3",
        before_oxygen_device="air",
        done_sets="3",
        done_huffs="6",
        done_exhalation="3_to_4_s",
        sputum="measured",
        sputum_amount="12.5",
        sputum_method="pot",
        sputum_colour="2",
        sputum_consistency="thick",
        blood="none",
        tolerance="well",
        minutes="30",
    )
    for words in ("CAMPIONBY, Wren", "14-Mar-1958", "204 130 001", "Acute ward, room 7"):
        assert words in therapist.text, "the confirm step repeats the identity"
    sent = therapist.form_with("Record for CAMPIONBY, Wren")
    therapist.send("Record for CAMPIONBY, Wren")
    return sent


def test_one_patient_travels_the_whole_way(cast, world, visitor):
    with time_machine.travel(NOW, tick=False):
        lead, therapist = visitor(cast.lead), visitor(cast.therapist)
        patient = refer(lead, world.acute)
        lead.go(f"/patients/{patient.pk}/assign/").send("Assign", therapist=str(cast.therapist.pk))
        screen_and_decide(therapist, patient)
        order(therapist, patient)
        lead.go("/schedule/").follow("due 12:00 to 14:30")
        lead.send("Give Oscillating PEP of CAMPIONBY, Wren", start="12:10")

    with time_machine.travel(NOON, tick=False):
        treat(therapist)
    with time_machine.travel(NOON + timedelta(minutes=32), tick=False):
        sent = record(therapist)
        assert "Median 12.5 mL a treatment" in therapist.go(f"/patients/{patient.pk}/").text

        # A second tap, or the page sent again, makes no second record.
        again = {**sent.values, "step": "record"}
        visit = TreatmentSession.objects.get(patient=patient).visit_id
        therapist.client.post(f"/treat/visit/{visit}/record/", again, follow=True)
        treatment = TreatmentSession.objects.get(patient=patient)
    assert treatment.delivered == "full"
    assert treatment.sputum_volume_tenths_ml == 125
    assert not treatment.outside_rules
    assert DueWindow.objects.get(pk=treatment.window_id).state == "full"

    # A window counts as due once it has ended, at 14:30.
    with time_machine.travel(NOW.replace(hour=15), tick=False):
        assert "1 in full, 0 in part, of 1 due" in therapist.go(f"/patients/{patient.pk}/").text

    # An acute ward looks again every 72 hours (AARC 1991, from memory): at 80 hours nobody has.
    with time_machine.travel(NOW + timedelta(hours=80), tick=False):
        call_command("flag_overdue", verbosity=0)
        assert Flag.objects.filter(kind="reassess", patient=patient, state="open").count() == 1
        lead = visitor(cast.lead)  # a sign-in lasts 12 hours
        assert "8 h over" in lead.go("/").text.split("Reassessments")[1]
        lead.go(f"/patients/{patient.pk}/reassessments/new/")
        lead.send(
            "Record reassessment for CAMPIONBY, Wren",
            outcome="continue",
            findings="Clears more sputum; chest clearer",
            still_helps="yes",
        )
        assert not Flag.objects.filter(kind="reassess", patient=patient, state="open").exists()

    with time_machine.travel(NOW + timedelta(days=6), tick=False):
        call_command("close_windows", verbosity=0)
        manager = visitor(cast.manager)
        assert manager.client.get(f"/patients/{patient.pk}/").status_code == 403
        manager.go("/reports/").send_values("Build the report of this week", {"week": "2026-W48"})
        run_job(JobRun.objects.get(kind="weekly-report", key="2026-W48").pk)
        manager.go("/")
        assert "Weekly report 2026-W48 (PDF)" in manager.response.content.decode()
        manager.follow("Weekly report 2026-W48 (PDF)")
    assert manager.response["Content-Type"] == "application/pdf"
    report = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(manager.response.content)).pages)
    report = report.replace("\xa0", " ")
    # One in full of three: two closed without an entry; once the decision had run out the rest was held, not due.
    assert "33 % of the treatments due" in report
    assert "CAMPIONBY" not in report.upper()
