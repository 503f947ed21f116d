"""The record page step by step: filled in, confirmed, stored; the same form corrects a stored treatment."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone

from clinic import formats
from clinic.forms import differences, refuse, respond_invalid
from clinic.ids import new_id
from clinic.limits.selectors import age_years
from clinic.measurements import kinds
from clinic.models import Patient, Person
from clinic.patients import selectors as patients
from clinic.records import Changed, Refused
from screening.check_page import watch_of
from screening.selectors import guard
from therapy.orders import selectors as orders
from therapy.orders.models import Order
from therapy.scheduling.selectors import active_therapists
from therapy.sessions import bedside, page_payload, selectors, services, stop_page
from therapy.sessions import words as words_of
from therapy.sessions.alerts import flags_of
from therapy.sessions.content import SessionPayload
from therapy.sessions.forms import AmendForm, TreatmentForm, form_for
from therapy.sessions.models import TreatmentSession, TreatmentStop
from therapy.sessions.parts import measurements_of, payload_of
from therapy.sessions.payload import PayloadRefused
from therapy.sessions.rules import GROUP_WORDS, REASONS

RECORD, CONFIRM, FINDINGS = (f"sessions/{name}.html" for name in ("record", "confirm", "findings"))


def answer(request: HttpRequest, by: Person, task: bedside.Task) -> HttpResponse:
    """One step of recording a new treatment."""
    people = active_therapists()
    data = request.POST if request.method == "POST" else None
    kind = form_for(task.order.technique, task.order, _age(task.patient))
    initial = page_payload.first_values(task.order, by.pk)
    stopped = stop_page.to_record(task, request.GET.get("stop"))
    if stopped is not None:
        initial |= stop_page.values_of(stopped)
    form = kind(data, people=people, initial=initial)
    context = _record_context(task, form) | {"stopped": stopped, "stop_id": new_id()}
    if stopped is None:
        context["waiting_stop"] = stop_page.waiting(task, timezone.now())
    if data is None:
        return render(request, RECORD, context)
    valid = form.is_valid()
    context |= _findings(form, context)
    if data.get("step") == "change":
        return render(request, RECORD, context)
    if not valid:
        return respond_invalid(request, RECORD, context)
    payload = page_payload.payload_from(form, **task.named)
    if stopped is not None:
        payload = replace(payload, id=stopped.pk)
    if data.get("step") != "record":
        return render(request, CONFIRM, context | _to_confirm(form, payload, people, data))
    try:
        recorded = services.record(by=by, payload=payload)
    except PayloadRefused as refused:
        page_payload.show_problems(form, refused.problems)
        return respond_invalid(request, RECORD, context)
    say = messages.success if recorded.outcome == "recorded" else messages.warning
    say(request, recorded.words)
    return redirect("treatment", treatment_id=recorded.treatment.pk)


def findings(request: HttpRequest, task: bedside.Task) -> HttpResponse:
    """The notes beside the numbers, for the page as it is filled so far."""
    kind = form_for(task.order.technique, task.order, _age(task.patient))
    form = kind(request.POST, people={})
    form.is_valid()
    standing = bedside.standing(task, timezone.now())
    return render(request, FINDINGS, {"findings": bedside.findings_of(form, standing.watch)})


def answer_amendment(request: HttpRequest, by: Person, treatment: TreatmentSession) -> HttpResponse:
    """One step of correcting a stored treatment."""
    if treatment.entered_in_error or treatment.delivered == "not_delivered":
        messages.warning(request, "This one is not corrected: strike it, and record what happened.")
        return redirect("treatment", treatment_id=treatment.pk)
    stored = payload_of(treatment)
    people = {
        **active_therapists(),
        **{row.person_id: row.person for row in treatment.staff.select_related("person")},
    }
    data = request.POST if request.method == "POST" else None
    kind = form_for(treatment.technique, treatment.order, _age(treatment.patient))
    form = kind(data, people=people, initial=page_payload.values_of(stored))
    why = AmendForm(data, initial={"expect_version": treatment.version})
    context = {
        "patient": treatment.patient,
        "banner": patients.banner(treatment.patient),
        "treatment": treatment,
        "form": form,
        "why": why,
        "title": orders.technique_words(treatment.technique),
    }
    if data is None:
        return render(request, RECORD, context)
    if form.is_valid() and why.is_valid():
        new = page_payload.payload_from(
            form,
            patient=treatment.patient,
            order=treatment.order,
            window=treatment.window,
            visit=treatment.visit,
        )
        new = page_payload.with_what_the_page_does_not_show(new, stored)
        try:
            services.amend(
                by=by,
                treatment=treatment,
                payload=new,
                reason=why.cleaned_data["amend_reason"],
                expect_version=why.cleaned_data["expect_version"],
            )
        except PayloadRefused as refused:
            page_payload.show_problems(form, refused.problems)
        except Changed as changed:
            now = page_payload.values_of(payload_of(TreatmentSession.objects.get(pk=treatment.pk)))
            context |= {"changed": True, "differs": differences(form, now)}
            refuse(why, changed)
        except Refused as refused:
            refuse(why, refused)
        else:
            messages.success(request, "Corrected. The older version stays readable.")
            return redirect("treatment", treatment_id=treatment.pk)
    why.is_valid()
    return respond_invalid(request, RECORD, context)


def about_treatment(person: Person, treatment: TreatmentSession) -> dict[str, Any]:
    """What the page of one treatment shows; it is judged by what held when it started, not by what holds today."""
    payload = payload_of(treatment)
    there = treatment.staff.filter(entered_in_error=False).select_related("person").order_by("id")
    measured = measurements_of(treatment)
    at = treatment.started_at
    verdict = guard(treatment.patient, treatment.technique, at, purpose="record")
    watch = watch_of(treatment.patient, verdict, at)
    return {
        "treatment": treatment,
        "patient": treatment.patient,
        "banner": patients.banner(treatment.patient),
        "title": selectors.in_short(treatment),
        "summary": bedside.summary(payload, [(str(row.person), row.minutes) for row in there]),
        "measured": measured_table(payload),
        "unusual": [
            f"{kinds.kind(row.kind).words} {row.moment}: {row.confirmed_reason}"
            for row in measured
            if row.confirmed_reason
        ],
        "findings": bedside.findings_in(payload, watch),
        "watch": watch,
        "history": selectors.history_of(treatment),
        "sent_again": selectors.sent_again(treatment),
        "flags": flags_of(treatment),
        "stopped": TreatmentStop.objects.filter(pk=treatment.pk).first(),
        "may_sign": person.licensed and treatment.needs_signature and treatment.signed_by_id is None,
        "may_amend": not treatment.entered_in_error and treatment.delivered != "not_delivered",
    }


def measured_table(payload: SessionPayload) -> list[dict[str, str]]:
    """Each kind with its value before and after, in words; "Not recorded" where there is none."""
    values = {(each.kind, each.moment): each for each in payload.measurements}
    rows = []
    taken = {each.kind for each in payload.measurements}
    for name in (each for each in kinds.KINDS if each in taken):
        kind = kinds.kind(name)
        row = {"words": kind.words[:1].upper() + kind.words[1:], "unit": kind.unit}
        for moment in ("before", "after"):
            each = values.get((name, moment))
            said = _written(kind, each.value if each else None)
            if each is not None and each.oxygen is not None:
                oxygen = each.oxygen
                said += f" ({words_of.oxygen(oxygen.device, oxygen.flow_ml_per_min, oxygen.fio2_percent)})"
            row[moment] = said
        rows.append(row)
    return rows


def _written(kind: kinds.MeasurementKind, value: int | None) -> str:
    """A measured value with its recorded precision; a score in the steps of its scale: 3, 0.5."""
    if kind.steps:
        return formats.number(value, scale=kind.scale)
    return formats.result(value, places=kind.places, scale=kind.scale)


def ordered_lines(order: Order) -> list[tuple[str, str]]:
    """What is ordered, line by line, with the inhaled medicines in their sequence."""
    lines = [(line.words, line.value) for line in orders.dose_lines(order)]
    lines += [
        (f"{line.words}, {line.timing} clearance", line.detail or "as ordered")
        for line in orders.medicine_lines(order)
    ]
    if order.notes:
        lines.append(("Notes", order.notes))
    return lines


def reason_groups() -> list[tuple[str, list[tuple[str, str]]]]:
    """Why a treatment was not given: buttons by whose reason it was."""
    groups: dict[str, list[tuple[str, str]]] = {}
    for reason in REASONS.values():
        if reason.for_not_given:
            groups.setdefault(GROUP_WORDS[reason.group], []).append((reason.code, reason.words))
    return list(groups.items())


def in_rows(treatments: Iterable[TreatmentSession]) -> list[dict[str, Any]]:
    """Treatments as a list shows them; people there must be read along."""
    rows = []
    for each in treatments:
        said = words_of.reason(each.reason, each.reason_words) if each.reason else ""
        people = ", ".join(str(row.person) for row in getattr(each, "people_there", ()))
        rows.append({"treatment": each, "words": selectors.in_short(each), "reason": said, "people": people})
    return rows


def _record_context(task: bedside.Task, form: TreatmentForm) -> dict[str, Any]:
    standing = bedside.standing(task, timezone.now())
    return {
        "task": task,
        "patient": task.patient,
        "banner": patients.banner(task.patient),
        "standing": standing,
        "title": task.title,
        "form": form,
        "why": None,
        "oxygen_help": bedside.oxygen_help(task.patient),
        "lines": ordered_lines(task.order),
    }


def _findings(form: TreatmentForm, context: Mapping[str, Any]) -> dict[str, Any]:
    """What the numbers say, beside the form as it was filled."""
    return {"findings": bedside.findings_of(form, context["standing"].watch)}


def _to_confirm(
    form: TreatmentForm, payload: SessionPayload, people: Mapping[int, Person], data: QueryDict
) -> dict[str, Any]:
    there = [(str(people[each.person]), each.minutes) for each in payload.staff]
    hidden = [
        (name, value)
        for name in data
        if name not in {"csrfmiddlewaretoken", "step"}
        for value in data.getlist(name)
    ]
    return {
        "summary": bedside.summary(payload, there),
        "measured": measured_table(payload),
        "hidden": hidden,
        "payload": payload,
    }


def _age(patient: Patient) -> int:
    return age_years(patient, timezone.localdate())
