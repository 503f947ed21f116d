"""Referrals from a file: stored once, refused with reasons, taken up again where it stopped."""

import time as clock
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from clinic.access import NotPermitted
from clinic.audit.models import AuditEvent
from clinic.jobs import running
from clinic.jobs.models import JobRun
from clinic.models import Flag, Patient, Referral, ReferralImport
from clinic.records import Refused
from clinic.referrals import importing
from tests.clinic.referrals.test_rules import GOOD, file_of
from tests.conftest import Cast, World

pytestmark = pytest.mark.django_db
ROW = {**GOOD, "received": "", "unit": "Acute ward", "conditions": ""}


@pytest.fixture(autouse=True)
def data_dir(tmp_path: Path, settings: Any) -> Path:
    settings.DATA_DIR = tmp_path
    return tmp_path


def row(number: int, **changes: str) -> dict[str, str]:
    """An invented patient per number; no two family names are close to each other."""
    received = (timezone.localdate() - timedelta(days=1)).isoformat()
    made = {
        **ROW, "record_number": str(300_000_000 + number), "national_number": "",
        "family_name": f"Demo{number:05d}{number * 7919 % 100_000:05d}", "given_name": f"Case{number}",
        "birth_date": date.fromordinal(date(1930, 1, 1).toordinal() + number * 3 % 30_000).isoformat(),
        "received": received,
    }  # fmt: skip
    return {**made, **changes}


def take(cast: Cast, content: bytes, progress: Any = lambda *_: None) -> ReferralImport:
    taken = importing.keep(by=cast.lead, file_name="referrals.csv", content=content)
    taken = importing.work_through(taken.pk, progress=progress)
    importing.finish(taken)
    return taken


def counts(taken: ReferralImport) -> tuple[int, int, int]:
    return taken.rows_created, taken.rows_known, taken.rows_refused


def test_good_rows_are_stored_and_bad_ones_come_back_with_their_reasons(cast: Cast, world: World) -> None:
    taken = take(cast, file_of(row(1), row(2, birth_date="04/05/1980"), row(3)))
    assert counts(taken) == (2, 0, 1)
    assert Patient.objects.filter(state="referred").count() == 3
    written = importing.refused_path(taken.pk).read_text(encoding="utf-8-sig")
    assert "3,birth_date: must be a real date" in written
    assert "Case2" in written
    assert "Case1" not in written


def test_the_same_file_twice_creates_nothing_twice(cast: Cast, world: World) -> None:
    content = file_of(row(1), row(2), row(1))
    assert counts(take(cast, content)) == (2, 1, 0)
    assert counts(take(cast, content)) == (0, 3, 0)
    assert Referral.objects.count() == 2


def test_a_second_referral_of_the_same_patient_is_added_to_the_patient(cast: Cast, world: World) -> None:
    take(cast, file_of(row(1), row(1, reason="Weak cough again")))
    assert Patient.objects.filter(referrals__isnull=False).distinct().count() == 1
    assert Referral.objects.count() == 2


def test_a_number_with_another_birth_date_is_refused_and_both_are_shown(cast: Cast, world: World) -> None:
    stored = row(
        1, record_number="204118553", family_name="Mosswater", given_name="Bryn", birth_date="14-Mar-1959"
    )
    taken = take(cast, file_of(stored, row(2), row(2, birth_date="01-Jan-2001")))
    assert counts(taken) == (1, 0, 2)
    written = importing.refused_path(taken.pk).read_text(encoding="utf-8-sig")
    assert "stored for MOSSWATER, Bryn, born 14-Mar-1958; this row says 14-Mar-1959" in written
    assert "this row says 01-Jan-2001" in written


def test_a_number_with_another_name_is_refused_too_and_one_slip_is_not(cast: Cast, world: World) -> None:
    mine = {"record_number": "204118553", "birth_date": "14-Mar-1958"}
    taken = take(
        cast,
        file_of(
            row(1, **mine, family_name="Elsewhere", given_name="Ann"),
            row(2, **mine, family_name="Moswater", given_name="Bryn", reason="Slip"),
        ),
    )
    assert counts(taken) == (1, 0, 1)
    assert Referral.objects.get().patient == world.mosswater


def test_somebody_who_may_be_here_under_another_number_is_flagged(cast: Cast, world: World) -> None:
    take(cast, file_of(row(1, family_name="Mosswater", given_name="Bryn", birth_date="14-Mar-1958")))
    flag = Flag.objects.get()
    assert flag.kind == "check_entry"
    assert "204118553" in flag.words
    assert "Mosswater" not in flag.words


def test_nothing_of_a_patient_stands_in_the_ledger_the_trail_or_the_import(cast: Cast, world: World) -> None:
    take(
        cast,
        file_of(row(1, family_name="Whortleberry"), row(2, family_name="Whortleberry", birth_date="bad")),
    )
    for model in (JobRun, AuditEvent, ReferralImport):
        assert "Whortleberry" not in str(list(model.objects.values()))


def test_the_file_is_deleted_after_the_work_and_only_the_service_may_read_it_before(
    cast: Cast, world: World, django_capture_on_commit_callbacks: Any
) -> None:
    taken = importing.keep(by=cast.lead, file_name="../../referrals.csv", content=file_of(row(1)))
    path = importing.uploaded_path(taken.pk)
    assert path.stat().st_mode & 0o777 == 0o600
    assert taken.file_name == "referrals.csv"
    with django_capture_on_commit_callbacks(execute=True):
        importing.finish(importing.work_through(taken.pk, progress=lambda *_: None))
    assert not path.exists()


def test_files_of_refused_rows_are_deleted_after_a_week(cast: Cast, world: World) -> None:
    import os

    taken = take(cast, file_of(row(1, sex="x")))
    old = clock.time() - 8 * 24 * 3600
    os.utime(importing.refused_path(taken.pk), (old, old))
    importing.delete_old_files()
    assert not importing.refused_path(taken.pk).exists()


def test_work_that_was_stopped_is_taken_up_again_and_counts_as_if_it_never_stopped(
    cast: Cast, world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importing, "PIECE", 3)
    content = file_of(
        *(row(number, **({"sex": "x"} if number % 4 == 0 else {})) for number in range(1, 13)), row(1)
    )

    class Stopped(Exception):
        pass

    def stop(done: int, total: int, words: str) -> None:
        if done >= 6:
            raise Stopped

    taken = importing.keep(by=cast.lead, file_name="r.csv", content=content)
    with pytest.raises(Stopped):
        importing.work_through(taken.pk, progress=stop)
    assert 0 < Referral.objects.count() < 9
    taken = importing.work_through(taken.pk, progress=lambda *_: None)
    assert counts(taken) == (9, 1, 3)
    assert importing.refused_path(taken.pk).read_text(encoding="utf-8-sig").count("sex: must be") == 3


def test_the_number_of_queries_grows_with_the_pieces_and_not_with_the_rows(cast: Cast, world: World) -> None:
    def queries(first: int, rows: int) -> int:
        with CaptureQueriesContext(connection) as seen:
            take(cast, file_of(*(row(number) for number in range(first, first + rows))))
        return len(seen)

    # SQLite takes some 50 rows in one insert, so that 200 rows of five tables need a few statements more.
    assert queries(100, 200) <= queries(1, 2) + 20


def test_only_the_lead_uploads_and_an_empty_or_huge_file_is_refused(
    cast: Cast, monkeypatch: pytest.MonkeyPatch
) -> None:
    for person in (cast.therapist, cast.manager, cast.administrator):
        with pytest.raises(NotPermitted):
            importing.upload(by=person, file_name="r.csv", content=b"x")
    with pytest.raises(Refused):
        importing.upload(by=cast.lead, file_name="r.csv", content=b"")
    monkeypatch.setattr(importing, "MOST_BYTES", 10)
    with pytest.raises(Refused):
        importing.upload(by=cast.lead, file_name="r.csv", content=b"x" * 11)


def test_the_job_does_the_work_with_progress_and_leads_to_its_result(cast: Cast, world: World) -> None:
    taken = importing.upload(by=cast.lead, file_name="r.csv", content=file_of(row(1), row(2, sex="x")))
    assert taken.job is not None
    assert running.run_job(taken.job.pk)
    job = JobRun.objects.get(pk=taken.job.pk)
    assert (job.state, job.progress_done, job.progress_total) == ("done", 2, 2)
    assert job.result["link"] == f"/referrals/imports/{taken.pk}/"
    assert job.result["words"] == "1 referral stored, 0 known already, 1 row refused."
    assert ReferralImport.objects.get(pk=taken.pk).state == "done"


def test_a_file_that_cannot_be_read_ends_its_job_with_the_reason_and_stores_nothing(
    cast: Cast, world: World
) -> None:
    taken = importing.upload(by=cast.lead, file_name="r.csv", content=b"hello\n")
    assert taken.job is not None
    running.run_job(taken.job.pk)
    stored = ReferralImport.objects.get(pk=taken.pk)
    assert (stored.state, JobRun.objects.get(pk=taken.job.pk).state) == ("refused", "done")
    assert "lacks the columns" in stored.refusal
    assert not Referral.objects.exists()


def test_the_command_stores_the_rows_and_writes_the_refused_ones_beside_the_file(
    cast: Cast, world: World, tmp_path: Path
) -> None:
    path = tmp_path / "list.csv"
    path.write_bytes(file_of(row(1)))
    call_command("import_referrals", str(path), by="saltmarsh")
    assert Referral.objects.get().entered_by == cast.lead
    path.write_bytes(file_of(row(1), row(2, sex="x")))
    with pytest.raises(CommandError) as ended:
        call_command("import_referrals", str(path))
    assert ended.value.returncode == 1
    assert "sex: must be" in (tmp_path / "list.csv.refused.csv").read_text(encoding="utf-8-sig")
    for arguments in ([str(tmp_path / "none.csv")], [str(path), "--by", "nobody"]):
        with pytest.raises(CommandError) as ended:
            call_command("import_referrals", *arguments)
        assert ended.value.returncode == 2


@pytest.mark.slow
def test_ten_thousand_rows_take_well_under_two_minutes(cast: Cast, world: World) -> None:
    content = file_of(*(row(number) for number in range(10_000)))
    started, seen = clock.monotonic(), []
    taken = take(cast, content, progress=lambda done, total, words: seen.append((done, total)))
    assert counts(taken) == (10_000, 0, 0)
    assert clock.monotonic() - started < 100
    assert seen[-1] == (10_000, 10_000)
    assert len(seen) >= 20
