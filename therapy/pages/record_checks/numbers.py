"""Values measured apart from a treatment, and what was decided about them: what must stay true."""

from collections.abc import Iterable

from clinic.models import Measurement, MeasurementSet, SpO2Scale
from screening.models import ForcedTestCheck
from screening.numbers import forced
from therapy.pages.record_checks.registry import Finding, found, holds


@holds(
    "a value taken apart from a treatment is its set's, and SpO2 stands with the oxygen it was measured on"
)
def measured_values_belong_to_their_set() -> Iterable[Finding]:
    rows = Measurement.objects.filter(taken_with__isnull=False).select_related("taken_with")
    for row in rows.order_by("pk").iterator():
        of = row.taken_with
        if of is not None and (row.patient_id, row.measured_at) != (of.patient_id, of.measured_at):
            yield found(row, "patient or time is not that of its set")
        if row.kind == "spo2_percent" and not row.oxygen_device:
            yield found(row, "SpO2 stands without its oxygen")


@holds("a forced breathing test has the answers to its list, and a reason where they asked for a clinician")
def forced_tests_were_asked_about() -> Iterable[Finding]:
    for row in MeasurementSet.objects.filter(kind="forced", forced_check__isnull=True):
        yield found(row, "its list was not asked")
    for check in ForcedTestCheck.objects.order_by("pk").iterator():
        if forced.outcome(check.answers).clinician_must_decide and (
            check.decided_by_id is None or not check.reason.strip()
        ):
            yield found(check, "asked for a clinician, and nobody decided")


@holds("a scale of the saturation other than 1 was decided by a licensed clinician, with a reason")
def scales_were_decided() -> Iterable[Finding]:
    for row in SpO2Scale.objects.filter(scale=2).select_related("by"):
        if not row.by.licensed or not row.reason.strip():
            yield found(row, "was not decided by a licensed clinician with a reason")
