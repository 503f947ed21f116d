"""The pages of patients: search, entering, the record, what is in force."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from clinic import paging
from clinic.access import CLINICAL, Role, allow, signed_in
from clinic.audit import selectors as trail
from clinic.audit import services as audit
from clinic.forms import posted, refuse, respond_invalid
from clinic.patients import forms, selectors, services
from clinic.patients.models import Patient
from clinic.records import Changed, Refused

get_and_post = require_http_methods(["GET", "POST"])
MOST_FOUND = 50


@allow(*CLINICAL)
@get_and_post
def patient_list(request: HttpRequest) -> HttpResponse:
    """Everybody this person may open; or a search, sent as a form so that no name stands in an address."""
    person = signed_in(request)
    words = request.POST.get("words", "").strip()[:80]
    context: dict[str, Any] = {"words": words, "lead": person.role == Role.LEAD}
    if words:
        found = list(selectors.search(person, words).order_by(*selectors.NAME_ORDER)[: MOST_FOUND + 1])
        audit.record(action="search", by=person, subject="patients")
        context |= {
            "rows": selectors.in_list(found[:MOST_FOUND]),
            "more": len(found) > MOST_FOUND,
            "most": MOST_FOUND,
        }
    else:
        shown = "left" if request.GET.get("show") == "left" else ""
        found_all = selectors.left(person) if shown else selectors.on_the_caseload(person)
        page = paging.page(found_all, request.GET, order=selectors.NAME_ORDER)
        context |= {"rows": selectors.in_list(page.rows), "page": page, "shown": shown}
    return render(request, "patients/list.html", context)


@allow(*CLINICAL)
@get_and_post
def new_patient(request: HttpRequest) -> HttpResponse:
    """Enter a patient by hand."""
    form = forms.PatientForm(posted(request))
    context: dict[str, Any] = {"form": form}
    if request.method == "POST" and form.is_valid():
        try:
            services.register_patient(
                by=signed_in(request),
                not_the_same_reason=form.cleaned_data["not_the_same_reason"],
                **form.identity(),
                **form.details(),
            )
        except Refused as refused:
            refuse(form, refused)
            context |= similar_people(request, refused)
        else:
            messages.success(request, "The patient is registered. A referral can be added now.")
            return redirect("patients")
    answer = respond_invalid if request.method == "POST" else render
    return answer(request, "patients/new.html", context)


def similar_people(request: HttpRequest, refused: Refused) -> dict[str, Any]:
    """Whom a refusal is about, for the page: likely duplicates, or the holder of the number.

    They are shown whoever may open them, so each identity that is shown stands in the trail.
    """
    if isinstance(refused, services.LikelyDuplicate):
        shown = [(one.identity, one.why) for one in refused.found]
    elif isinstance(refused, services.NumberInUse):
        shown = [(refused.holder, "has this record number")]
    else:
        return {}
    page = request.resolver_match.url_name if request.resolver_match else ""
    for one, _ in shown:
        audit.read(by=signed_in(request), patient=one.patient_id, page=page or "similar-people")
    return {"duplicates": shown}


@allow(*CLINICAL)
@require_GET
def record(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Who the patient is, where, what is in force, who treats, and the referrals."""
    person, patient = signed_in(request), selectors.patient(signed_in(request), patient_id)
    audit.read(by=person, patient=patient, page="patient-record")
    return render(request, "patients/record.html", selectors.record_page(person, patient))


@allow(*CLINICAL)
@get_and_post
def identity(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Correct who the patient is."""
    patient = selectors.patient(signed_in(request), patient_id)
    row = patient.identity
    initial = {name: getattr(row, name) for name in services.IDENTITY_FIELDS} | {"version": row.version}
    form = forms.AmendIdentityForm(posted(request), initial=initial)
    if request.method == "POST" and form.is_valid():
        return _write(
            request, patient, form, "patients/identity.html",
            lambda: services.amend_identity(
                row, by=signed_in(request), reason=form.cleaned_data["reason"], changes=form.identity(),
                expect_version=form.cleaned_data["version"],
            ),
        )  # fmt: skip
    return _form_page(request, patient, form, "patients/identity.html")


@allow(*CLINICAL)
@get_and_post
def details(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Change place and diagnosis."""
    patient = selectors.patient(signed_in(request), patient_id)
    initial = {name: getattr(patient, name) for name in services.PATIENT_FIELDS} | {
        "version": patient.version
    }
    form = forms.AmendDetailsForm(posted(request), initial=initial)
    if request.method == "POST" and form.is_valid():
        changes = {name: form.cleaned_data[name] for name in services.PATIENT_FIELDS}
        return _write(
            request, patient, form, "patients/details.html",
            lambda: services.amend_patient(
                patient, by=signed_in(request), reason=form.cleaned_data["reason"], changes=changes,
                expect_version=form.cleaned_data["version"],
            ),
        )  # fmt: skip
    return _form_page(request, patient, form, "patients/details.html")


@allow(*CLINICAL)
@get_and_post
def isolation(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Set the precautions in force."""
    patient = selectors.patient(signed_in(request), patient_id)
    note = selectors.isolation(patient)
    form = forms.IsolationForm(posted(request), initial={"kind": note.kind if note else "standard"})
    return _in_force(request, patient, form, services.set_isolation, "Precautions")


@allow(*CLINICAL)
@get_and_post
def goal(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Set the goal of care."""
    patient = selectors.patient(signed_in(request), patient_id)
    return _in_force(
        request, patient, forms.GoalForm(posted(request)), services.set_goal_of_care, "Goal of care"
    )


@allow(*CLINICAL)
@get_and_post
def spo2_target(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Set the target range of oxygen saturation."""
    patient = selectors.patient(signed_in(request), patient_id)
    return _in_force(
        request,
        patient,
        forms.TargetForm(posted(request)),
        services.set_spo2_target,
        "SpO2 target range",
    )


@allow(*CLINICAL)
@get_and_post
def leaving(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Record a discharge or a death."""
    patient = selectors.patient(signed_in(request), patient_id)
    form = forms.LeavingForm(posted(request), initial={"at": timezone.now()})
    if request.method == "POST" and form.is_valid():
        act = services.record_death if form.cleaned_data["how"] == "died" else services.discharge
        try:
            act(
                patient, by=signed_in(request), at=form.cleaned_data["at"], reason=form.cleaned_data["reason"]
            )
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, "Recorded. Orders, assignment and open flags have ended.")
            return redirect("patients")
    return _form_page(request, patient, form, "patients/leaving.html")


@allow(Role.LEAD)
@require_GET
def trail_page(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Who opened and changed this record."""
    patient = selectors.patient(signed_in(request), patient_id)
    page = paging.page(trail.trail_of(signed_in(request), patient.pk), request.GET, order=("-at", "-pk"))
    audit.read(by=signed_in(request), patient=patient, page="patient-trail")
    context = {
        "banner": selectors.banner(patient),
        "patient": patient,
        "page": page,
        "rows": trail.with_actors(page.rows),
    }
    return render(request, "patients/trail.html", context)


def _in_force(request: HttpRequest, patient: Patient, form: Any, act: Any, title: str) -> HttpResponse:
    if request.method == "POST" and form.is_valid():
        try:
            act(patient, by=signed_in(request), **form.cleaned_data)
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, f"{title}: stored, in force from now.")
            return redirect(selectors.address(patient.pk))
    return _form_page(request, patient, form, "patients/in_force.html", title=title)


def _write(request: HttpRequest, patient: Patient, form: Any, template: str, act: Any) -> HttpResponse:
    """Do a change; where somebody else was first, show what the record is now beside what was typed."""
    try:
        act()
    except Changed as changed:
        differs = [
            (form[name].label, getattr(changed.current, name), form.cleaned_data[name])
            for name in form.cleaned_data
            if hasattr(changed.current, name) and name != "version"
            and getattr(changed.current, name) != form.cleaned_data[name]
        ]  # fmt: skip
        return _form_page(request, patient, form, template, differs=differs, changed=True)
    except Refused as refused:
        refuse(form, refused)
        return _form_page(request, patient, form, template, **similar_people(request, refused))
    messages.success(request, "Stored. What it was before can still be read.")
    return redirect("patient-record", patient_id=patient.pk)


def _form_page(request: HttpRequest, patient: Patient, form: Any, template: str, **more: Any) -> HttpResponse:
    context = {"form": form, "patient": patient, "banner": selectors.banner(patient), **more}
    answer = respond_invalid if request.method == "POST" else render
    return answer(request, template, context)
