"""Lifts of a "do not start" for one patient: what must stay true."""

from collections import defaultdict
from collections.abc import Iterable
from uuid import UUID

from django.db.models import F
from django.utils import timezone

from screening import table
from screening.lifts.models import Lift, LiftSignature, SignatureGiven
from screening.lifts.rules import answer_text
from screening.models import TechniqueResult
from screening.table import Grade
from therapy.pages.record_checks.registry import Finding, found, holds


@holds("what is lifted is judgement: a published 'do not start' is never lifted")
def lifts_lift_judgement_only() -> Iterable[Finding]:
    cells = table.current().cells
    for row in Lift.objects.order_by("pk"):
        cell = cells.get((row.condition, row.technique))
        if cell is not None and cell.grade is Grade.ABSOLUTE and not cell.star:
            yield found(row, "lifts a published 'do not start'")


@holds("a lift is signed by licensed clinicians, two people, and not before it was entered")
def lifts_are_signed_by_two() -> Iterable[Finding]:
    people: dict[UUID, set[int]] = defaultdict(set)
    for row in LiftSignature.objects.select_related("by", "lift").order_by("pk"):
        if row.given == SignatureGiven.SIGNED_IN and not row.by.licensed:
            yield found(row, "was given by an account that is not a licensed clinician's")
        if row.by_id in people[row.lift_id]:
            yield found(row, "is the second signature of one person")
        if row.at < row.lift.started_at:
            yield found(row, "was given before the lift was entered")
        people[row.lift_id].add(row.by_id)


@holds("a lift that has not ended was made for the answer that counts now")
def lifts_follow_the_answer() -> Iterable[Finding]:
    running = Lift.objects.filter(ended_at__isnull=True, expires_at__gt=timezone.now()).order_by("pk")
    rows = list(running)
    results = TechniqueResult.objects.filter(
        screening__ended_at__isnull=True, screening__patient__in={row.patient_id for row in rows}
    ).annotate(patient=F("screening__patient_id"))
    said = {(one.patient, one.technique): one for one in results}
    for row in rows:
        now = said.get((row.patient_id, row.technique))
        if now is None:
            yield found(row, "no screening in force carries its answer")
            continue
        answers = {one["condition"]: one["answer"] for one in now.explanation["because"]}
        if row.condition not in answers or answer_text(answers[row.condition]) != row.answer:
            yield found(row, "was made for another answer than the one that counts")
