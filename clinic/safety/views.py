"""The pages of safety concerns: report one, read them, answer one."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from clinic import paging
from clinic.access import CLINICAL, EVERYONE, Role, allow, signed_in
from clinic.audit import services as audit
from clinic.forms import posted, refuse, respond_invalid
from clinic.ids import new_id
from clinic.patients import selectors as patients
from clinic.records import Refused
from clinic.safety import forms, selectors, services
from clinic.safety.models import SafetyConcern
from clinic.staff.models import Person
from clinic.version import version


@allow(*EVERYONE)
@require_http_methods(["GET", "POST"])
def report(request: HttpRequest) -> HttpResponse:
    """Report a safety concern about the page one comes from."""
    asked = {"page": request.GET.get("page", ""), "patient_id": request.GET.get("patient", "")}
    form = forms.ConcernForm(
        posted(request), initial={**asked, "app_version": version(), "concern_id": new_id()}
    )
    if form.is_valid():
        try:
            concern, new = services.report(by=signed_in(request), **form.concern())
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(
                request, "Reported. The department lead reads it." if new else "It was reported already."
            )
            return redirect("safety-concern", concern_id=concern.pk)
    context = _report_context(signed_in(request), form)
    if form.is_bound:
        return respond_invalid(request, "safety/report.html", context)
    return render(request, "safety/report.html", context)


@allow(*EVERYONE)
@require_GET
def concerns(request: HttpRequest) -> HttpResponse:
    """Every concern for lead and manager, one's own for everybody else."""
    person = signed_in(request)
    page = paging.page(selectors.concerns(person), request.GET, order=("-at", "-pk"))
    return render(
        request,
        "safety/concerns.html",
        {
            "page": page,
            "lines": _lines(person, page.rows),
            "sees_all": person.role in selectors.SEES_ALL,
        },
    )


@allow(*EVERYONE)
@require_GET
def concern(request: HttpRequest, concern_id: UUID) -> HttpResponse:
    """One concern, and what was done."""
    person = signed_in(request)
    context = _context(person, _concern(person, concern_id))
    if context["banner"]:
        audit.read(by=person, patient=context["concern"].patient_id, page="safety-concern")
    return render(request, "safety/concern.html", context)


@allow(Role.LEAD)
@require_POST
def answer(request: HttpRequest, concern_id: UUID) -> HttpResponse:
    """Say what was done about a concern."""
    person = signed_in(request)
    found, form = _concern(person, concern_id), forms.AnswerForm(request.POST)
    if form.is_valid():
        _, new = services.answer(found, by=person, words=form.cleaned_data["words"])
        messages.success(request, "Answered." if new else "It was answered already.")
        return redirect("safety-concern", concern_id=found.pk)
    return respond_invalid(request, "safety/concern.html", _context(person, found, answer_form=form))


def _concern(person: Person, concern_id: UUID) -> SafetyConcern:
    found = selectors.concern(person, concern_id)
    if found is None:
        raise Http404
    return found


def _report_context(person: Person, form: forms.ConcernForm) -> dict[str, Any]:
    patient = selectors.patient_of_page(person, form["patient_id"].value())
    return {
        "form": form,
        "shown": selectors.page_at(form["page"].value() or ""),
        "version": form["app_version"].value() or version(),
        "banner": patients.banner(patient) if patient else None,
    }


def _lines(person: Person, rows: list[SafetyConcern]) -> list[dict[str, Any]]:
    """Each concern with its patient, where this person may open that patient now."""
    open_to = set(
        patients.patients(person).filter(pk__in=[row.patient_id for row in rows]).values_list("pk", flat=True)
    )
    named = {
        row.patient.pk: row
        for row in patients.in_list([one.patient for one in rows if one.patient_id in open_to])
    }
    return [
        {"concern": row, "row": named.get(row.patient_id), "page": selectors.page_words(row.page_name)}
        for row in rows
    ]


def _context(person: Person, found: SafetyConcern, **bound: Any) -> dict[str, Any]:
    answered = getattr(found, "answer", None)
    may_answer = person.role == Role.LEAD and answered is None
    line = _lines(person, [found])[0]
    return {
        **line,
        "banner": patients.banner(found.patient) if line["row"] and found.patient else None,
        "answered": answered,
        "severity": dict(forms.SEVERITIES).get(str(found.severity), ""),
        "leads_to": found.page if person.role in CLINICAL and "(" not in found.page else "",
        "answer_form": forms.AnswerForm() if may_answer else None,
        **bound,
    }
