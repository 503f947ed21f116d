"""What the stop page shows, and what a stop says already where its treatment is recorded; nothing here writes."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.http import Http404
from django.urls import reverse
from django.utils import timezone

from clinic import formats
from clinic.access import patients_visible_to
from clinic.attention.models import Told
from clinic.forms import ClinicForm
from clinic.ids import new_id
from clinic.limits.rules import Finding, OxygenGiven, Saturation, Watch, level_findings, sign_findings
from clinic.limits.selectors import age_years
from clinic.models import Person
from clinic.patients import selectors as patients
from screening.check_page import watch_of
from screening.selectors import guard
from therapy.orders import contacts
from therapy.orders import selectors as orders
from therapy.sessions import bedside, stop_rules, stops
from therapy.sessions import words as words_of
from therapy.sessions.models import Delivered, StopRecheck, TreatmentSession, TreatmentStop
from therapy.sessions.stop_forms import RecheckForm, SignForm, ToldForm, recheck_form

# A typed end may lie a few minutes before the press that stopped the treatment.
CLOSE = timedelta(minutes=5)


@dataclass(frozen=True)
class CheckLine:
    """One check after the stop: when it is due, and what was measured, or the form for it."""

    minutes: int
    due: datetime
    over: str
    row: StopRecheck | None
    said: str
    findings: tuple[Finding, ...]
    form: RecheckForm | None


def visible_stop(person: Person, stop_id: UUID) -> TreatmentStop:
    """A stop that the person may see. Raises: Http404."""
    found = (
        TreatmentStop.objects.filter(
            pk=stop_id, patient__in=patients_visible_to(person).values("pk"), entered_in_error=False
        )
        .select_related("patient__identity", "patient__unit", "order", "by")
        .first()
    )
    if found is None:
        raise Http404
    return found


def about(stopped: TreatmentStop, now: datetime, **bound: ClinicForm) -> dict[str, Any]:
    """The page of one stop. `bound`: the form that was sent, by its name on the page."""
    patient = stopped.patient
    watch = watch_of(patient, guard(patient, stopped.technique, now, purpose="display"))
    treatment = recorded_as(stopped)
    return {
        "stopped": stopped,
        "patient": patient,
        "banner": patients.banner(patient),
        "title": orders.technique_words(stopped.technique),
        "steps": stop_rules.STEPS,
        "watch": watch,
        "calls": stop_rules.CALLS,
        "call": stop_rules.call_for(stopped.sign),
        "advice": stop_rules.ADVICE.get(stopped.sign, ""),
        "source": stop_rules.SOURCE,
        "sign": words_of.ADVERSE_EVENTS.get(stopped.sign, ""),
        "signs": list(words_of.ADVERSE_EVENTS.items()),
        "contacts": contacts.whom_to_ring(patient, [stopped.order]),
        "told": told_of(stopped),
        "hold": orders.hold_in_force(orders.by_then(stopped.order, now)),
        "checks": _checks(stopped, now, watch, bound.get("recheck_form")),
        "treatment": treatment,
        "record_address": _record_address(stopped, "treat-record") if treatment is None else "",
        "not_given_address": _record_address(stopped, "treat-not-given") if treatment is None else "",
        "sign_form": bound.get("sign_form") or SignForm(),
        "told_form": bound.get("told_form") or ToldForm(initial={"told_id": new_id(), "at": now}),
        "sent_form": next(iter(bound.values()), None),
    }


def recorded_as(stopped: TreatmentStop) -> TreatmentSession | None:
    """The treatment that was stopped, however it was recorded: under the stop's id, else the one under way then."""
    own = TreatmentSession.objects.filter(pk=stopped.pk).first()
    if own is not None:
        return own
    begun = stopped.started_at or stopped.at - CLOSE
    return (
        TreatmentSession.objects.filter(
            patient=stopped.patient_id,
            technique=stopped.technique,
            started_at__lte=stopped.at,
            ended_at__gte=begun,
            entered_in_error=False,
        )
        .exclude(delivered=Delivered.NOT_DELIVERED)
        .order_by("started_at", "id")
        .first()
    )


def waiting(task: bedside.Task, now: datetime) -> TreatmentStop | None:
    """The newest stop of this technique whose treatment was not recorded yet; its page leads to the record."""
    rows = TreatmentStop.objects.filter(
        patient=task.patient,
        technique=task.order.technique,
        at__gt=now - stops.LONGEST,
        entered_in_error=False,
    )
    return next((one for one in rows.order_by("-at", "-pk") if recorded_as(one) is None), None)


def told_of(stopped: TreatmentStop) -> list[Told]:
    """Who was told of a stop, the first first."""
    return list(
        Told.objects.filter(subject_type=TreatmentStop._meta.label_lower, subject_id=str(stopped.pk))
        .select_related("by")
        .order_by("at", "pk")
    )


def to_record(task: bedside.Task, stop_id: str | None) -> TreatmentStop | None:
    """The stop of this treatment that is named in the address, where its treatment was not recorded yet."""
    try:
        wanted = UUID(stop_id or "")
    except ValueError:
        return None
    if TreatmentSession.objects.filter(pk=wanted).exists():
        return None
    return TreatmentStop.objects.filter(
        pk=wanted, patient=task.patient, technique=task.order.technique, entered_in_error=False
    ).first()


def values_of(stopped: TreatmentStop) -> dict[str, Any]:
    """What the record page need not ask again."""
    started, ended = (timezone.localtime(each) for each in (stopped.started_at or stopped.at, stopped.at))
    values: dict[str, Any] = {
        "record_id": stopped.pk,
        "day": started.date(),
        "started": started.time().replace(second=0, microsecond=0),
        "ended": ended.time().replace(second=0, microsecond=0),
    }
    if stopped.sign:
        values |= {
            "stopped": "adverse_event",
            "stopped_words": stopped.sign_words,
            "event0_kind": stopped.sign,
            "event0_action": stopped.action_taken or "Stopped",
            "event0_told": "; ".join(dict.fromkeys(row.who for row in told_of(stopped)))[:200],
        }
    return values


def _checks(stopped: TreatmentStop, now: datetime, watch: Watch, sent: ClinicForm | None) -> list[CheckLine]:
    done = {
        row.minutes: row
        for row in StopRecheck.objects.filter(stop=stopped).select_related(
            "spo2", "pulse", "breaths", "borg", "by"
        )
    }
    kind = recheck_form(age_years(stopped.patient, timezone.localdate(now)))
    lines = []
    for minutes, due in stop_rules.due(stopped.at):
        row, prefix = done.get(minutes), f"after{minutes}"
        form = sent if isinstance(sent, RecheckForm) and sent.prefix == prefix else kind(prefix=prefix)
        lines.append(
            CheckLine(
                minutes=minutes,
                due=due,
                over=formats.spell(now - due) if row is None and now > due else "",
                row=row,
                said=_said(row) if row is not None else "",
                findings=_findings(row, watch) if row is not None else (),
                form=form if row is None else None,
            )
        )
    return lines


def _findings(row: StopRecheck, watch: Watch) -> tuple[Finding, ...]:
    """What the numbers of a check say against the patient's own limits."""
    saturation = None
    if row.spo2 is not None:
        one = row.spo2
        oxygen = OxygenGiven(one.oxygen_device, one.oxygen_flow_ml_per_min, one.fio2_percent)
        saturation = Saturation(one.value, oxygen)
    signs = {
        "pulse": row.pulse.value if row.pulse is not None else None,
        "respiratory_rate": row.breaths.value if row.breaths is not None else None,
    }
    return (
        *level_findings(saturation, watch.target, "after", "SpO2"),
        *sign_findings({}, signs, stop=watch.stop, band=watch.band),
    )


def _said(row: StopRecheck) -> str:
    parts = []
    if row.spo2 is not None:
        one = row.spo2
        oxygen = words_of.oxygen(one.oxygen_device, one.oxygen_flow_ml_per_min, one.fio2_percent)
        parts.append(f"SpO2 {one.value} % ({oxygen})")
    parts += [
        f"{words} {value.value} /min"
        for words, value in (("pulse", row.pulse), ("breaths", row.breaths))
        if value is not None
    ]
    if row.borg is not None:
        parts.append(f"Borg {formats.number(row.borg.value, scale=1)}")
    return ", ".join(parts)


def _record_address(stopped: TreatmentStop, name: str) -> str:
    kind, pk = "order", stopped.order_id
    if stopped.visit_id is not None:
        kind, pk = "visit", stopped.visit_id
    elif stopped.window_id is not None:
        kind, pk = "window", stopped.window_id
    return f"{reverse(name, args=[kind, pk])}?stop={stopped.pk}"
