"""The progress page: how far a job is, a button to cancel it, and the way to its result."""

import pytest

from clinic.jobs import services
from clinic.jobs.models import JobState
from clinic.jobs.running import claim, run_job

pytestmark = pytest.mark.django_db


def test_a_waiting_job_shows_its_title_and_asks_again_each_second(job_of, cast, sign_in) -> None:
    run = services.enqueue(job_of(lambda running: None), "one", by=cast.therapist)
    page = sign_in(cast.therapist).get(f"/jobs/{run.pk}/").content.decode()
    assert "<h1>Count pebbles</h1>" in page
    assert f'hx-get="/jobs/{run.pk}/state/" hx-trigger="every 1s"' in page
    assert "Waiting to start." in page
    assert "Cancel this job" in page


def test_a_running_job_shows_a_bar_with_its_count_in_words(job_of, cast, sign_in) -> None:
    run = services.enqueue(job_of(lambda running: None), "one", by=cast.therapist)
    claim(run.pk).progress(1200, 4000, "Rows checked")
    part = sign_in(cast.therapist).get(f"/jobs/{run.pk}/state/").content.decode()
    assert "<html" not in part
    assert 'max="4000" value="1200"' in part
    assert "Rows checked" in part


def test_a_job_that_has_ended_asks_no_more_and_leads_to_its_result(job_of, cast, sign_in) -> None:
    result = {"words": "4,000 rows read.", "link": "/reports/1/", "link_words": "Open the report"}
    run = services.enqueue(job_of(lambda running: result), "one", by=cast.therapist)
    run_job(run.pk)
    part = sign_in(cast.therapist).get(f"/jobs/{run.pk}/state/").content.decode()
    assert "hx-trigger" not in part
    assert "Cancel this job" not in part
    assert '<a class="button" href="/reports/1/">Open the report</a>' in part
    assert "4,000 rows read." in part


def test_cancelling_comes_back_to_the_page_and_says_so(job_of, cast, sign_in) -> None:
    run = services.enqueue(job_of(lambda running: None), "one", by=cast.therapist)
    client = sign_in(cast.therapist)
    page = client.post(f"/jobs/{run.pk}/cancel/", follow=True)
    assert page.redirect_chain == [(f"/jobs/{run.pk}/", 302)]
    assert "The job is cancelled" in page.content.decode()
    run.refresh_from_db()
    assert run.state == JobState.CANCELLED
    assert (
        "The job had already ended." in client.post(f"/jobs/{run.pk}/cancel/", follow=True).content.decode()
    )
    assert client.get(f"/jobs/{run.pk}/cancel/").status_code == 405


def test_others_jobs_are_not_there_except_for_lead_and_manager(job_of, cast, sign_in) -> None:
    run = services.enqueue(job_of(lambda running: None), "one", by=cast.therapist)
    expected = {"therapist": 200, "lead": 200, "manager": 200, "colleague": 404, "administrator": 404}
    for name, status in expected.items():
        client = sign_in(getattr(cast, name))
        assert client.get(f"/jobs/{run.pk}/").status_code == status, name
        assert client.get(f"/jobs/{run.pk}/state/").status_code == status, name
    assert sign_in(cast.colleague).post(f"/jobs/{run.pk}/cancel/").status_code == 404
