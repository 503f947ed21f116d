"""The file import: keeps an uploaded file, and works through it in pieces that can be taken up again.

Part of the services of referrals: it writes. Names stand in the file, which lies under CLINIC_DATA_DIR/imports
until it is worked through, and in the file of refused rows, which is deleted a week after; never in the ledger.
"""

import hashlib
from collections.abc import Callable, Iterator
from datetime import datetime, time, timedelta
from itertools import islice
from pathlib import Path
from typing import Any
from uuid import UUID

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from clinic import calendar, records
from clinic.access import Role, require
from clinic.attention import services as attention
from clinic.attention.models import FlagKind
from clinic.audit import services as audit
from clinic.formats import count, date, name
from clinic.ids import new_id
from clinic.jobs import services as jobs
from clinic.patients import rules as identities
from clinic.patients import selectors as patients
from clinic.patients.models import DiagnosisGroup, Patient, PatientIdentity, PatientState
from clinic.records import Refused
from clinic.referrals import followers, rules
from clinic.referrals.models import Referral, ReferralImport, ReferralSource
from clinic.referrals.rules import Line, Problem, ReferralRow
from clinic.referrals.services import is_same_person
from clinic.staff.models import Person
from clinic.units.models import Unit

KIND = "referral-import"
MOST_BYTES = 25 * 1024 * 1024
PIECE = 250
REFUSED_FILES_KEPT = timedelta(days=7)
REVIEW_WITHIN = timedelta(days=1)

Progress = Callable[[int, int, str], None]


def folder() -> Path:
    """Where files lie while they are worked on; only the service's own account may read it."""
    path = Path(settings.DATA_DIR) / "imports"
    path.mkdir(parents=True, exist_ok=True, mode=0o700)
    return path


def uploaded_path(import_id: UUID) -> Path:
    """Where the file of an import lies until it is worked through."""
    return folder() / f"{import_id}.csv"


def refused_path(import_id: UUID) -> Path:
    """Where the refused rows of an import lie, with the reasons, until they are deleted."""
    return folder() / f"{import_id}-refused.csv"


def upload(*, by: Person, file_name: str, content: bytes) -> ReferralImport:
    """Keep an uploaded file and queue its import.

    Raises: NotPermitted unless the lead; Refused where it is empty or too large.
    """
    require(by, Role.LEAD)
    taken = keep(by=by, file_name=file_name, content=content)
    with transaction.atomic():
        job = jobs.enqueue(KIND, str(taken.pk), by=by)
        ReferralImport.objects.filter(pk=taken.pk).update(job=job)
        taken.job = job
    return taken


def keep(*, by: Person | None, file_name: str, content: bytes, source: str = "web") -> ReferralImport:
    """Keep a file to be worked through. The row holds no patient's data."""
    if not content:
        raise Refused("file", "The file is empty")
    if len(content) > MOST_BYTES:
        raise Refused("file", f"The file must be {MOST_BYTES // 1024 // 1024} MB or smaller")
    delete_old_files()
    taken = ReferralImport(
        file_name=Path(file_name).name[:200] or "file",
        content_sha256=hashlib.sha256(content).hexdigest(),
        uploaded_by=by,
    )
    path = uploaded_path(taken.pk)
    path.touch(mode=0o600)
    path.write_bytes(content)
    with transaction.atomic():
        taken.save(force_insert=True)
        audit.record(action="referral file taken", by=by, subject=taken, source=source)
    return taken


def delete_old_files() -> None:
    """Delete files of refused rows, and files that were never worked through, after a week."""
    oldest = timezone.now() - REFUSED_FILES_KEPT
    for path in folder().glob("*.csv"):
        if datetime.fromtimestamp(path.stat().st_mtime, tz=oldest.tzinfo) < oldest:
            path.unlink(missing_ok=True)


def work_through(import_id: UUID, *, progress: Progress, source: str = "job") -> ReferralImport:
    """Store the good rows of a kept file, and write the refused ones with their reasons.

    May be stopped anywhere and called again: pieces that are stored are found again by the key of each row, and
    the counts come out as if it had never stopped. Closing it is `finish`, in the caller's transaction.
    Raises: rules.FileRefused where the file cannot be read at all.
    """
    taken = ReferralImport.objects.select_related("uploaded_by").get(pk=import_id)
    table = rules.read_table(uploaded_path(taken.pk).read_bytes())
    known = _known()
    total = len(table.rows)
    done = 0
    refused: list[Line] = []
    for piece in _pieces(_answerable(taken, line) for line in rules.check_rows(table, known)):
        refused += [line for line in piece if line.row is None]
        refused += _store(taken, piece, source=source)
        done += len(piece)
        progress(done, total, "Rows")
    refused.sort(key=lambda line: line.number)
    if refused:
        path = refused_path(taken.pk)
        path.touch(mode=0o600)
        path.write_text(
            rules.write_refused(table.header, table.delimiter, refused), encoding="utf-8-sig", newline=""
        )
    taken.rows_total = total
    taken.rows_created = Referral.objects.filter(from_import=taken).count()
    taken.rows_refused = len(refused)
    taken.rows_known = total - taken.rows_created - len(refused)
    return taken


def finish(taken: ReferralImport, *, refusal: str = "", source: str = "job") -> dict[str, Any]:
    """Store what came of an import; in the transaction in which its job is done. Returns the job's result."""
    with transaction.atomic():
        ReferralImport.objects.filter(pk=taken.pk).update(
            state="refused" if refusal else "done",
            rows_total=taken.rows_total,
            rows_created=taken.rows_created,
            rows_known=taken.rows_known,
            rows_refused=taken.rows_refused,
            refusal=refusal[:300],
        )
        audit.record(
            action="referral file worked through", by=taken.uploaded_by, subject=taken, source=source
        )
        transaction.on_commit(lambda: uploaded_path(taken.pk).unlink(missing_ok=True))
    return {"words": refusal or summary(taken)}


def summary(taken: ReferralImport) -> str:
    """`9,990 referrals stored, 3 known already, 7 rows refused.`"""
    return (
        f"{count(taken.rows_created, 'referral')} stored, {taken.rows_known:,} known already, "
        f"{count(taken.rows_refused, 'row')} refused."
    )


def _pieces(lines: Iterator[Line]) -> Iterator[list[Line]]:
    while piece := list(islice(lines, PIECE)):
        yield piece


def _known() -> rules.Known:
    groups = {identities.folded(value): value for value in DiagnosisGroup.values}
    groups |= {identities.folded(label): value for value, label in DiagnosisGroup.choices}
    units = {identities.folded(unit.name): unit.pk for unit in Unit.objects.filter(in_use=True)}
    return rules.Known(
        units=units,
        diagnosis_groups=groups,
        today=timezone.localdate(),
        conditions=followers.known_conditions(),
    )


def _answerable(taken: ReferralImport, line: Line) -> Line:
    """Refuse a row that says what is so where nobody answers for it: a lead does, on whose behalf it is imported."""
    by = taken.uploaded_by
    if (
        line.row is None
        or not line.row.conditions
        or (by is not None and by.role == Role.LEAD and by.is_active)
    ):
        return line
    return Line(
        line.number, line.cells, problems=(Problem("conditions", "is taken only on behalf of a lead"),)
    )


@transaction.atomic
def _store(taken: ReferralImport, piece: list[Line], *, source: str) -> list[Line]:
    """Store one piece: the number of queries does not grow with its rows. Returns what the tables refused."""
    rows = [(line, line.row, line.row.key) for line in piece if line.row is not None]
    stored = {
        one.row_key: one
        for one in Referral.objects.filter(row_key__in=[key for _, _, key in rows]).select_related("patient")
    }
    stored_keys = set(stored)
    holders = {
        holder.record_number: holder
        for holder in PatientIdentity.objects.filter(
            record_number__in=[row.record_number for _, row, _ in rows]
        ).select_related("patient")
    }
    new: dict[str, tuple[Patient, PatientIdentity]] = {}
    referrals: list[Referral] = []
    refused: list[Line] = []
    for line, row, key in rows:
        if key in stored_keys:
            continue
        holder = holders.get(row.record_number)
        if holder is not None and (problem := _conflict(row, holder)):
            refused.append(Line(line.number, line.cells, problems=(problem,)))
            continue
        if holder is None:
            patient, holder = _new_patient(row)
            new[row.record_number] = (patient, holder)
            holders[row.record_number] = holder
        referrals.append(_new_referral(taken, row, key, holder))
        stored_keys.add(key)
    Patient.objects.bulk_create([patient for patient, _ in new.values()])
    PatientIdentity.objects.bulk_create([identity for _, identity in new.values()])
    Referral.objects.bulk_create(referrals)
    by = taken.uploaded_by
    audit.record_each(
        action="patient registered",
        by=by,
        subjects=[(patient, patient.pk) for patient, _ in new.values()],
        source=source,
    )
    audit.record_each(
        action="referral received",
        by=by,
        subjects=[(one, one.patient_id) for one in referrals],
        source=source,
    )
    _flag_likely_duplicates([identity for _, identity in new.values()], source=source)
    by_key = stored | {one.row_key: one for one in referrals}
    _tell_conditions(taken, [(by_key[key], row) for _, row, key in rows if key in by_key], source=source)
    return refused


def _tell_conditions(taken: ReferralImport, rows: list[tuple[Referral, ReferralRow]], *, source: str) -> None:
    """Hand on what the file says is so and had not said before; a file sent again tells nothing."""
    by = taken.uploaded_by
    told: dict[Any, tuple[Referral, dict[str, None]]] = {}
    for referral, row in rows:
        news = {key: None for key in row.conditions if key not in referral.conditions.split()}
        if news:
            told.setdefault(referral.pk, (referral, {}))[1].update(news)
    for referral, conditions in told.values():
        if by is None:
            continue
        records.amend(
            referral,
            by=by,
            reason="the file says so",
            changes={"conditions": " ".join([*referral.conditions.split(), *conditions])[:500]},
            expect_version=referral.version,
        )
        followers.tell(followers.ConditionsTold(referral.patient, tuple(conditions), by, source))


def _conflict(row: ReferralRow, holder: PatientIdentity) -> Problem | None:
    """The number is somebody else's: both identities are shown, and a person decides which is right."""
    theirs = f"{name(holder.family_name, holder.given_name)}, born {date(holder.birth_date)}"
    if holder.birth_date != row.birth_date:
        return Problem(
            "birth_date",
            f"record number {row.record_number} is stored for {theirs}; this row says {date(row.birth_date)}",
        )
    if not is_same_person(holder, row.family_name, row.given_name, row.birth_date):
        return Problem(
            "family_name", f"record number {row.record_number} is stored for {theirs}; the names differ"
        )
    if holder.patient.state == PatientState.DIED:
        return Problem("record_number", "the patient is recorded as died")
    return None


def _new_patient(row: ReferralRow) -> tuple[Patient, PatientIdentity]:
    patient = Patient(
        id=new_id(),
        birth_year=row.birth_date.year,
        sex=row.sex,
        unit_id=row.unit,
        room=row.room,
        diagnosis_group=row.diagnosis_group,
        diagnosis=row.diagnosis,
    )
    identity = PatientIdentity(
        patient=patient,
        record_number=row.record_number,
        national_number=row.national_number,
        family_name=row.family_name,
        given_name=row.given_name,
        birth_date=row.birth_date,
        name_sound=identities.folded(row.family_name)[:80],
    )
    return patient, identity


def _new_referral(taken: ReferralImport, row: ReferralRow, key: str, holder: PatientIdentity) -> Referral:
    zone = timezone.get_default_timezone()

    def instant_of(day: Any, clock: time) -> datetime:
        return calendar.instant_of(day, clock, zone)

    return Referral(
        patient_id=holder.patient_id,
        source=ReferralSource.FILE,
        from_import=taken,
        row_key=key,
        urgency=row.urgency,
        reason=row.reason,
        diagnosis_group=row.diagnosis_group,
        diagnosis=row.diagnosis,
        referrer=row.referrer,
        referrer_phone=row.referrer_phone,
        received_at=rules.received_at(row, instant_of, timezone.now()),
        entered_by=taken.uploaded_by,
    )


def _flag_likely_duplicates(new: list[PatientIdentity], *, source: str) -> None:
    """Flag new patients who may be here already under another number; the row is stored all the same."""
    if not new:
        return
    there: dict[Any, list[PatientIdentity]] = {}
    for other in PatientIdentity.objects.filter(birth_date__in={one.birth_date for one in new}):
        there.setdefault(other.birth_date, []).append(other)
    for one in new:
        for other in there.get(one.birth_date, ()):
            if other.pk == one.pk:
                continue
            why = identities.likely_same_person(patients.identity_of(one), patients.identity_of(other))
            if why:
                attention.open_flag(
                    kind=FlagKind.CHECK_ENTRY,
                    key=f"likely-duplicate:{':'.join(sorted((str(one.pk), str(other.pk))))}",
                    words=f"From a file. May be the same person as no. {other.record_number}: {why}.",
                    due_at=timezone.now() + REVIEW_WITHIN,
                    patient=one.patient,
                    subject=one.patient,
                    source=source,
                )
