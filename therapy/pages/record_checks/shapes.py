"""The five record shapes: versions without gaps, episodes that follow each other, states that are whole."""

import hashlib
import re
from collections import defaultdict
from collections.abc import Iterable
from typing import Any

from django.apps import apps
from django.db import models
from django.db.models import F, Q

from clinic.models import AuditEvent, ConcernAnswer, Flag, JobRun, PatientIdentity, SafetyConcern
from clinic.records import AmendableModel, EpisodeModel
from therapy.models import StoredReport
from therapy.pages.record_checks.registry import Finding, found, holds


def _models(base: type[models.Model]) -> list[Any]:
    return [model for model in apps.get_models() if issubclass(model, base)]


@holds("an amended record has every superseded state, numbered from 1 without a gap")
def versions_have_no_gap() -> Iterable[Finding]:
    numbers: dict[tuple[str, str], list[int]] = defaultdict(list)
    for table in {model.version_model() for model in _models(AmendableModel)}:
        for kind, row_id, number in table._default_manager.order_by("number").values_list(
            "subject_type", "subject_id", "number"
        ):
            numbers[kind, row_id].append(number)
    for model in _models(AmendableModel):
        for row in model.objects.only("pk", "version").iterator():
            kept = numbers.get((model._meta.label_lower, str(row.pk)), [])
            if kept != list(range(1, row.version)):
                yield found(row, f"is at version {row.version}, kept are {kept or 'none'}")


@holds("an episode ends after it starts, and says who ended it and why")
def episodes_end_after_they_start() -> Iterable[Finding]:
    for model in _models(EpisodeModel):
        for row in model.objects.filter(ended_at__lt=F("started_at")):
            yield found(row, "ended before it started")
        for row in model.objects.filter(ended_at__isnull=False, ended_reason=""):
            yield found(row, "ended without a reason")
        for row in model.objects.filter(ended_at__isnull=True).exclude(
            ended_reason="", ended_by__isnull=True
        ):
            yield found(row, "has an end's reason or author, but no end")


@holds("what replaces an episode belongs to the same subject and does not start before the old one ended")
def a_replacement_follows_what_it_replaces() -> Iterable[Finding]:
    for model in _models(EpisodeModel):
        owner = "order_id" if model._meta.model_name == "orderhold" else "patient_id"
        for row in model.objects.filter(replaces__isnull=False).select_related("replaces"):
            old = row.replaces
            if old.ended_at is None:
                yield found(row, "replaces one that never ended")
            elif row.started_at < old.ended_at:
                yield found(row, "starts before the one it replaces ended")
            elif owner == "patient_id" and row.patient_id != old.patient_id:
                yield found(row, "replaces another patient's")


@holds("a flag is open without an outcome, or closed with one; what is put off comes back")
def flags_are_whole() -> Iterable[Finding]:
    for row in Flag.objects.filter(state="closed").filter(Q(outcome="") | Q(closed_at__isnull=True)):
        yield found(row, "is closed without outcome or time")
    for row in Flag.objects.exclude(state="closed").exclude(outcome="", closed_at__isnull=True):
        yield found(row, "has an outcome, but is not closed")
    for row in Flag.objects.filter(state="put_off").filter(
        Q(put_off_until__isnull=True) | Q(put_off_reason="")
    ):
        yield found(row, "is put off without time or reason")


@holds("a job that ended says when, and one that runs has a claim")
def jobs_are_whole() -> Iterable[Finding]:
    ended = ("done", "failed", "cancelled")
    for row in JobRun.objects.filter(state__in=ended, finished_at__isnull=True):
        yield found(row, f"is {row.state} without a time")
    for row in JobRun.objects.filter(state="running").filter(
        Q(claim__isnull=True) | Q(claimed_at__isnull=True)
    ):
        yield found(row, "runs without a claim")


@holds("a stored report is the file that was stored, and its revisions count from 1")
def stored_reports_are_unchanged() -> Iterable[Finding]:
    revisions: dict[tuple[str, str], list[int]] = defaultdict(list)
    for row in StoredReport.objects.order_by("kind", "period", "revision").iterator():
        revisions[row.kind, row.period].append(row.revision)
        if hashlib.sha256(bytes(row.pdf)).hexdigest() != row.pdf_sha256:
            yield found(row, "its file is not the one whose hash was kept")
        if revisions[row.kind, row.period] != list(range(1, row.revision + 1)):
            yield found(row, f"revision {row.revision} without those before")


@holds("the audit trail, flags and safety concerns hold no patient's name")
def no_names_outside_identity() -> Iterable[Finding]:
    names = {
        identity.patient_id: identity.family_name.casefold()
        for identity in PatientIdentity.objects.only("patient_id", "family_name")
        if len(identity.family_name) > 3
    }
    texts: tuple[tuple[Any, str, str], ...] = (
        (AuditEvent, "reason", "patient_id"),
        (Flag, "words", "patient_id"),
        (Flag, "outcome_words", "patient_id"),
        (Flag, "put_off_reason", "patient_id"),
        (SafetyConcern, "words", "patient_id"),
        (ConcernAnswer, "words", "concern__patient_id"),
    )
    for model, column, patient in texts:
        rows = model._default_manager.filter(**{f"{patient}__isnull": False}).exclude(**{column: ""})
        for pk, patient_id, words in rows.values_list("pk", patient, column).iterator():
            name = names.get(patient_id)
            # As a whole word: a family name may be part of a plain word.
            if name and re.search(rf"(?<!\w){re.escape(name)}(?!\w)", words.casefold()):
                yield Finding(model._meta.label, str(pk), f"{column} holds the patient's family name")


@holds("a safety concern waits under an open flag until it is answered, and its flag is closed once it is")
def concerns_wait_under_their_flag() -> Iterable[Finding]:
    flags = dict(Flag.objects.filter(kind="concern").values_list("subject_id", "state"))
    for row in SafetyConcern.objects.select_related("answer").only("pk", "answer__id").iterator():
        state = flags.get(str(row.pk))
        if state is None:
            yield found(row, "has no flag")
        elif hasattr(row, "answer") != (state == "closed"):
            yield found(
                row,
                "is answered, but its flag is open"
                if hasattr(row, "answer")
                else "waits, but its flag is closed",
            )
