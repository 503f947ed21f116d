"""The pages of the weekly report."""

from datetime import date

import pytest
import time_machine

from clinic.models import AuditEvent, JobRun
from tests.conftest import NOW
from therapy.models import StoredReport
from therapy.reports import weekly
from therapy.reports.services import KIND

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def frozen():
    with time_machine.travel(NOW, tick=False):
        yield


def stored(revision=1, **changes):
    """A report of an empty week, with another file than a PDF so that no page has to be drawn for it."""
    values = weekly.collect(weekly.Week.parse("2026-W47"), as_of=NOW) | changes
    return StoredReport.objects.create(
        kind=KIND, period="2026-W47", first_day=date(2026, 11, 16), last_day=date(2026, 11, 22),
        revision=revision, data_as_of=NOW, input_hash=weekly.input_hash(values), figures=values,
        pdf=b"%PDF-1.7 training", pdf_sha256="0" * 64,
    )  # fmt: skip


def test_who_may_open_the_reports(cast, sign_in):
    row = stored()
    for address in ("/reports/", f"/reports/{row.pk}/", f"/reports/{row.pk}/pdf/"):
        expected = {cast.lead: 200, cast.manager: 200, cast.therapist: 403, cast.administrator: 403}
        assert {person: sign_in(person).get(address).status_code for person in expected} == expected


def test_the_list_says_when_there_is_no_report_yet(cast, sign_in):
    assert "No report is stored yet" in sign_in(cast.manager).get("/reports/").content.decode()


def test_the_file_comes_as_it_was_made_and_the_download_is_audited(cast, sign_in):
    row = stored()
    response = sign_in(cast.manager).get(f"/reports/{row.pk}/pdf/")
    assert response.content == b"%PDF-1.7 training"
    assert response["Content-Type"] == "application/pdf"
    assert "weekly-caseload-2026-W47-revision-1.pdf" in response["Content-Disposition"]
    assert AuditEvent.objects.filter(action="report downloaded", subject_id=str(row.pk)).count() == 1


def test_an_earlier_revision_points_to_the_one_in_force_and_changes_are_marked(cast, sign_in):
    first = stored()
    events = first.figures["events"] | {"number": 2}
    second = stored(revision=2, events=events)
    manager = sign_in(cast.manager)
    assert "An earlier revision" in manager.get(f"/reports/{first.pk}/").content.decode()
    page = manager.get(f"/reports/{second.pk}/").content.decode()
    assert "events, number: 0, now 2" in page
    assert "An earlier revision" not in page


def test_the_button_queues_the_report_of_this_week_and_shows_how_far_it_is(cast, sign_in):
    manager = sign_in(cast.manager)
    assert "Build this week's report" in manager.get("/reports/").content.decode()
    response = manager.post("/reports/build/", {"week": "2026-W48"})
    run = JobRun.objects.get()
    assert (response.status_code, response["Location"]) == (302, f"/jobs/{run.pk}/")
    assert (run.key, run.requested_by) == ("2026-W48", cast.manager)


@pytest.mark.parametrize("week", ["", "2026-W49", "2020-W01", "nonsense"])
def test_a_week_that_is_not_at_hand_is_refused_on_the_form(cast, sign_in, week):
    response = sign_in(cast.manager).post("/reports/build/", {"week": week})
    assert response.status_code == 422
    assert not JobRun.objects.exists()


def test_a_report_that_is_not_there_is_not_found(cast, sign_in, some_id):
    assert sign_in(cast.manager).get(f"/reports/{some_id}/").status_code == 404
    assert sign_in(cast.manager).get(f"/reports/{some_id}/pdf/").status_code == 404


def test_the_list_takes_as_many_queries_for_many_reports_as_for_one(
    cast, sign_in, django_assert_max_num_queries
):
    stored()
    manager = sign_in(cast.manager)
    with django_assert_max_num_queries(15) as few:
        manager.get("/reports/")
    for revision in range(2, 8):
        stored(revision=revision)
    with django_assert_max_num_queries(len(few.captured_queries)):
        manager.get("/reports/")
