"""The weekly caseload report: what it says, its revisions, its bytes, and the job that builds it."""

import io
import json
import re
from datetime import timedelta

import pytest
import time_machine
from django.core.management import call_command
from pypdf import PdfReader

from clinic import records
from clinic.access import NotPermitted
from clinic.calendar import Week
from clinic.jobs import running
from clinic.jobs import services as jobs
from clinic.models import AuditEvent, JobRun, Patient, Referral
from clinic.patients import services as patients
from clinic.records import Refused
from tests.conftest import NOW
from tests.therapy.made import order, treatment, window
from therapy.calculate import main as calculate
from therapy.models import AdverseEvent, Reassessment, StoredReport
from therapy.reports import services, weekly
from therapy.reports.drawing import drawn

pytestmark = pytest.mark.django_db

WEEK = Week.parse("2026-W47")
MONDAY = WEEK.bounds(weekly.clinic_zone())[0]


@pytest.fixture
def busy_week(world, cast):
    """Two patients, six windows: 3 in full, 1 in part (half), 1 refused, 1 for want of a therapist; 1 held."""
    of = order(world.mosswater, cast.lead, MONDAY - timedelta(days=1))
    other = order(world.pebblebrook, cast.lead, MONDAY)
    for number in range(3):
        at = MONDAY + timedelta(days=number, hours=8)
        treatment(
            of, cast.therapist, at, window=window(of, at, state="full"),
            sputum="measured", sputum_volume_tenths_ml=50 + number * 10,
        )  # fmt: skip
    at = MONDAY + timedelta(hours=12)
    treatment(other, cast.colleague, at, "part", window=window(other, at, state="part"), sets_done=2)
    at = MONDAY + timedelta(hours=16)
    treatment(
        other, cast.colleague, at, "not_delivered", window=window(other, at, state="not_delivered"),
        reason="declined", reason_group="patient",
    )  # fmt: skip
    for hour, group, reason in ((20, "service", "no_therapist"), (22, "clinical", "guard_hold")):
        window(
            other, MONDAY + timedelta(hours=hour), hours=1, state="not_delivered", reason_group=group,
            reason=reason,
        )  # fmt: skip
    Reassessment.objects.create(
        patient=world.mosswater, at=MONDAY + timedelta(days=1), due_at=MONDAY + timedelta(days=2),
        by=cast.therapist, outcome="continue", findings="Clears well.",
    )  # fmt: skip
    return of


def build(as_of=NOW, week=WEEK, **fields):
    return services.build_weekly(week, as_of=as_of, by=None, **fields)


def test_the_figures_of_a_week_are_those_counted_by_hand(busy_week, world):
    values = weekly.collect(WEEK, as_of=NOW)
    clinic = values["clinic"]
    assert (clinic["due"], clinic["full"], clinic["part"]) == (6, 3, 1)
    assert clinic["delivered"] == 3.5
    assert clinic["share"] == pytest.approx(3.5 / 6)
    assert clinic["adherence"] == pytest.approx(3.5 / 5)
    assert clinic["excluded"]["clinical"] == 1
    assert values["units"][0]["name"] == "Acute ward"
    assert values["reasons"]["service"] == [["no_therapist", 1]]
    assert values["sputum"][0]["volume_tenths_ml"]["median"] == 60
    reassessed = values["reassessments"]
    assert (reassessed["on_time"], reassessed["late"]) == (1, 0)
    assert [row["name"] for row in values["staff"]] == ["T. Lindqvale", "R. Quillfeather"]


def test_staff_stand_with_workload_and_open_items_only(busy_week):
    row = weekly.collect(WEEK, as_of=NOW)["staff"][0]
    assert set(row) == {
        "name", "patients", "treatments", "minutes_given", "minutes_present", "open_flags", "unsigned",
    }  # fmt: skip
    names = [row["name"] for row in weekly.collect(WEEK, as_of=NOW)["staff"]]
    assert names == sorted(names, key=lambda name: name.split(". ")[1])


def test_the_report_and_the_outside_calculation_give_the_same_figure(busy_week, capsys, monkeypatch):
    out = io.StringIO()
    call_command("figure_input", f"delivered/clinic/{WEEK}", stdout=out)
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(out.getvalue().encode())))
    assert calculate(["delivered"]) == 0
    outside = json.loads(capsys.readouterr().out)["result"]
    shown = weekly.collect(WEEK, as_of=NOW)["clinic"]
    assert {name: shown[name] for name in outside} == outside


def test_a_second_run_with_unchanged_data_stores_nothing(busy_week):
    first = build()
    again = build(as_of=NOW + timedelta(hours=5))
    assert (first.made, again.made) == (True, False)
    assert again.report == first.report
    assert StoredReport.objects.count() == 1


@pytest.mark.slow
def test_late_data_make_a_second_revision_with_the_changed_figures_marked_and_keep_the_first(
    busy_week, world, cast
):
    first = build().report
    kept = bytes(first.pdf)
    at = MONDAY + timedelta(days=3, hours=8)
    treatment(busy_week, cast.therapist, at, window=window(busy_week, at, state="full"))
    second = build(as_of=NOW + timedelta(days=1)).report
    assert (second.revision, StoredReport.objects.count()) == (2, 2)
    first.refresh_from_db()
    assert bytes(first.pdf) == kept
    changed = weekly.changed_figures(second.figures, first.figures)
    assert "clinic.full" in changed
    assert "events.number" not in changed
    shown = drawn(second.figures, changed, first.figures)
    assert shown.figures[0]["changed"]
    assert "clinic, full: 3, now 4" in shown.changes
    assert "changed" in text_of(second)


@pytest.mark.slow
def test_a_correction_also_makes_a_new_revision(busy_week, cast):
    build()
    row = busy_week.treatments.first()
    records.amend(
        row, by=cast.therapist, reason="wrong patient", changes={"entered_in_error": True}, expect_version=1
    )
    assert build().report.revision == 2


@pytest.mark.slow
def test_the_same_data_and_time_give_the_same_bytes(busy_week):
    values = weekly.collect(WEEK, as_of=NOW)
    with time_machine.travel(NOW):
        first = services.draw_pdf(values, as_of=NOW, earlier=None)
    with time_machine.travel(NOW + timedelta(days=9)):
        assert services.draw_pdf(values, as_of=NOW, earlier=None) == first


def text_of(report):
    pages = PdfReader(io.BytesIO(bytes(report.pdf))).pages
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in pages))


def test_the_pdf_says_what_it_is_as_of_when_and_until_when_and_names_no_patient(busy_week, world):
    report = build().report
    reader = PdfReader(io.BytesIO(bytes(report.pdf)))
    for number, page in enumerate(reader.pages, start=1):
        words = re.sub(r"\s+", " ", page.extract_text())
        assert f"Page {number} of {len(reader.pages)}" in words
        assert "May be out of date after 29-Nov-2026" in words
        assert abs(float(page.mediabox.width) - 595.28) < 0.1
    text = text_of(report)
    assert "Data as of Wed 25-Nov-2026 09:41" in text
    assert "revision 1" in text
    assert "local protocols and the licensed clinician" in text
    for patient in Patient.objects.select_related("identity"):
        assert patient.identity.family_name.lower() not in text.lower()
        assert patient.identity.family_name not in json.dumps(report.figures)


@pytest.mark.slow
def test_nothing_in_the_pdf_can_be_misread(busy_week):
    # Error-prone abbreviations (ISMP list; Joint Commission "Do not use" list) and numeric dates.
    text = text_of(build().report)
    assert not re.search(r"[<>]\s?\d|\bcc\b|µ|\bQD\b|\bQOD\b|\bQID\b|\d{2}/\d{2}/\d{4}", text)


def test_an_unfinished_week_says_so_and_counts_no_open_window(busy_week, world, cast):
    now = MONDAY + timedelta(days=3)
    window(busy_week, MONDAY + timedelta(days=3, hours=8))
    values = weekly.collect(WEEK, as_of=now)
    assert values["complete"] is False
    assert "The week is not over" in drawn(values).lead
    assert values["clinic"]["due"] == 6


def test_a_week_without_anything_due_has_no_percentage(world, cast):
    report = build().report
    text = text_of(report)
    assert "No treatment was due" in text
    assert "0 %" not in text


def test_an_adverse_event_stands_beside_how_many_treatments_there_were(busy_week, cast):
    row = busy_week.treatments.order_by("started_at").first()
    AdverseEvent.objects.create(
        treatment=row, patient=row.patient, kind="dizziness", action_taken="Stopped, sat up.", told="Ward nurse",
        at=row.started_at, by=cast.therapist,
    )  # fmt: skip
    shown = drawn(weekly.collect(WEEK, as_of=NOW))
    assert shown.events == "1 adverse event in 4 treatments"


def test_how_many_queries_it_takes_does_not_depend_on_the_caseload(
    busy_week, world, cast, django_assert_max_num_queries
):
    with django_assert_max_num_queries(60) as first:
        weekly.collect(WEEK, as_of=NOW)
    third = order(world.thistledown, cast.lead, MONDAY)
    for number in range(5):
        at = MONDAY + timedelta(days=number, hours=9)
        treatment(third, cast.colleague, at, window=window(third, at, state="full"))
    with django_assert_max_num_queries(len(first.captured_queries)):
        weekly.collect(WEEK, as_of=NOW)


def test_only_lead_and_manager_ask_for_a_report_and_only_for_weeks_at_hand(cast):
    with pytest.raises(NotPermitted):
        services.ask_for(WEEK, by=cast.therapist, now=NOW)
    with pytest.raises(Refused, match="Choose this week"):
        services.ask_for(WEEK.shifted(2), by=cast.manager, now=NOW)
    run = services.ask_for(WEEK, by=cast.manager, now=NOW)
    assert (run.kind, run.key, run.state) == ("weekly-report", "2026-W47", "queued")


def test_the_job_builds_the_report_for_the_time_at_which_it_was_asked_for(busy_week, cast):
    run = services.ask_for(WEEK, by=cast.manager, now=NOW)
    assert running.run_job(run.pk)
    run.refresh_from_db()
    report = StoredReport.objects.get()
    assert (run.state, run.result["report"], run.input_hash) == ("done", str(report.pk), report.input_hash)
    assert (report.data_as_of, report.made_by) == (NOW, cast.manager)
    again = services.ask_for(WEEK, by=cast.manager, now=NOW + timedelta(hours=1))
    assert running.run_job(again.pk)
    again.refresh_from_db()
    assert again.result["made"] is False
    assert StoredReport.objects.count() == 1


@pytest.mark.slow
def test_a_run_whose_claim_was_given_away_stores_nothing_and_the_next_stores_the_same_file(
    busy_week, cast, monkeypatch
):
    run = services.ask_for(WEEK, by=cast.manager, now=NOW)
    draw = services.draw_pdf
    lost_pdf = []

    def draw_while_the_sweep_comes(values, **context):
        lost_pdf.append(draw(values, **context))
        JobRun.objects.filter(pk=run.pk).update(state="queued", claim=None, rung_at=None)
        return lost_pdf[0]

    monkeypatch.setattr(services, "draw_pdf", draw_while_the_sweep_comes)
    running.run_job(run.pk)
    assert not StoredReport.objects.exists()
    monkeypatch.setattr(services, "draw_pdf", draw)
    assert running.run_job(run.pk)
    assert bytes(StoredReport.objects.get().pdf) == lost_pdf[0]


def ring(now):
    return [run.key for run in jobs.start_scheduled("weekly-report", now=now)]


def do_what_is_queued():
    for run in JobRun.objects.filter(kind="weekly-report", state="queued").order_by("key"):
        assert running.run_job(run.pk)


def stored():
    return list(StoredReport.objects.order_by("period", "revision").values_list("period", "revision"))


def test_the_clock_asks_once_for_the_week_that_is_over(busy_week):
    assert ring(NOW) == ring(NOW + timedelta(hours=1)) == ["2026-W47"]
    assert AuditEvent.objects.filter(action="job_queued").count() == 1
    do_what_is_queued()
    assert ring(NOW + timedelta(hours=2)) == []
    assert AuditEvent.objects.filter(action="job_queued").count() == 1
    assert stored() == [("2026-W47", 1)]


@pytest.mark.slow
def test_a_report_built_during_its_week_is_followed_by_that_of_the_full_week(busy_week, cast):
    sunday = MONDAY + timedelta(days=6, hours=20)
    services.ask_for(WEEK, by=cast.manager, now=sunday)
    do_what_is_queued()
    assert not services.latest(WEEK).figures["complete"]
    assert ring(MONDAY + timedelta(days=7) - timedelta(minutes=1)) == ["2026-W46"]
    monday = MONDAY + timedelta(days=7, minutes=20)
    assert ring(monday) == ["2026-W47"]
    do_what_is_queued()
    newest = services.latest(WEEK)
    assert (newest.revision, newest.data_as_of, newest.figures["complete"]) == (2, monday, True)
    assert ring(monday + timedelta(hours=1)) == []


def test_weeks_in_which_the_service_was_down_are_caught_up_since_the_first_treatment(busy_week):
    three_weeks_on = NOW + timedelta(weeks=3)
    assert ring(three_weeks_on) == ["2026-W47", "2026-W48", "2026-W49", "2026-W50"]
    build(as_of=three_weeks_on)
    assert ring(three_weeks_on) == ["2026-W48", "2026-W49", "2026-W50"]


def test_no_week_is_caught_up_that_is_more_than_half_a_year_gone(busy_week):
    assert services.weeks_due(NOW + timedelta(weeks=40))[0] == Week.of(NOW.date()).shifted(40 - 26)
    assert len(services.weeks_due(NOW + timedelta(weeks=40))) == 26


def test_a_run_that_failed_leaves_its_week_due(busy_week):
    ring(NOW)
    JobRun.objects.update(state="failed", finished_at=NOW)
    later = NOW + timedelta(hours=1)
    assert ring(later) == ["2026-W47"]
    do_what_is_queued()
    assert services.latest(WEEK).data_as_of == later


def test_the_command_builds_stores_and_writes_the_file(busy_week, tmp_path):
    out = io.StringIO()
    call_command("weekly_report", "2026-W47", out=tmp_path / "w.pdf", stdout=out)
    assert "revision 1: stored" in out.getvalue()
    assert (tmp_path / "w.pdf").read_bytes().startswith(b"%PDF")
    call_command("weekly_report", "2026-W47", stdout=out)
    assert "revision 1: unchanged" in out.getvalue()


@pytest.mark.slow
def test_the_command_builds_the_weeks_that_the_clock_would_queue(busy_week):
    out = io.StringIO()
    with time_machine.travel(NOW + timedelta(weeks=1), tick=False):
        assert services.weeks_due(NOW + timedelta(weeks=1)) == [WEEK, WEEK.shifted(1)]
        call_command("weekly_report", stdout=out)
        assert stored() == [("2026-W47", 1), ("2026-W48", 1)]
        assert ring(NOW + timedelta(weeks=1)) == []
        call_command("weekly_report", stdout=out)
    assert out.getvalue().splitlines() == [
        "2026-W47 revision 1: stored",
        "2026-W48 revision 1: stored",
        "2026-W48 revision 1: unchanged",
    ]


def test_a_patient_who_leaves_after_the_week_stays_in_its_report(world, cast):
    order(world.mosswater, cast.lead, MONDAY)  # every 72 hours on an acute ward: due on Thursday
    Referral.objects.create(
        patient=world.mosswater, source="written", urgency="soon", reason="Retained secretions",
        referrer="Dr Alder", received_at=MONDAY, outcome="accepted",
    )  # fmt: skip
    made = build(as_of=MONDAY + timedelta(days=7, hours=1)).report
    assert [row["number"] for row in made.figures["reassessments"]["overdue"]] == ["204118553"]
    assert made.figures["first_treatment"]["still_waiting"] == 1
    tuesday = MONDAY + timedelta(days=8)
    with time_machine.travel(tuesday + timedelta(hours=1)):
        patients.discharge(world.mosswater, by=cast.lead, reason="gone home", at=tuesday)
    rebuilt = build(as_of=NOW)
    assert (rebuilt.made, rebuilt.report) == (False, made)
