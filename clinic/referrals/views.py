"""The pages of referrals: the list, one referral, by telephone, in writing, from a file."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from clinic import paging
from clinic.access import CLINICAL, Role, allow, signed_in
from clinic.audit import services as audit
from clinic.forms import differences, posted, refuse, respond_invalid
from clinic.patients import selectors as patients
from clinic.patients.models import DiagnosisGroup
from clinic.patients.views import similar_people
from clinic.records import Changed, Refused
from clinic.referrals import forms, importing, rules, selectors, services
from clinic.referrals.models import ReferralImport, ReferralOutcome

get_and_post = require_http_methods(["GET", "POST"])


@allow(Role.LEAD)
@require_GET
def referral_list(request: HttpRequest) -> HttpResponse:
    """Referrals that wait, urgent first; or those with one outcome."""
    person, now = signed_in(request), timezone.now()
    wanted = request.GET.get("outcome", "")
    outcome = wanted if wanted in ReferralOutcome.values else ""
    found = selectors.with_outcome(person, outcome) if outcome else selectors.open_referrals(person)
    page = paging.page(found, request.GET, order=selectors.BY_URGENCY)
    listed = {row.patient.pk: row for row in patients.in_list([one.patient for one in page.rows])}
    context = {
        "page": page,
        "rows": [(one, listed[one.patient_id], selectors.waiting(one, now)) for one in page.rows],
        "outcome": outcome,
        "outcomes": [("", "Waiting"), *forms.OUTCOMES],
    }
    return render(request, "referrals/list.html", context)


@allow(*CLINICAL)
@get_and_post
def by_telephone(request: HttpRequest) -> HttpResponse:
    """Take a referral by telephone: patient and referral on one page."""
    form = forms.TelephoneForm(posted(request))
    context: dict[str, Any] = {"form": form}
    if request.method == "POST" and form.is_valid():
        try:
            referral = services.take_by_telephone(
                by=signed_in(request),
                identity=form.identity(),
                details=form.details(),
                referral=form.referral(),
                not_the_same_reason=form.cleaned_data["not_the_same_reason"],
            )
        except Refused as refused:
            refuse(form, refused)
            context |= similar_people(request, refused)
        else:
            return _taken(request, referral)
    answer = respond_invalid if request.method == "POST" else render
    return answer(request, "referrals/telephone.html", context)


def _taken(request: HttpRequest, referral: Any) -> HttpResponse:
    if signed_in(request).role == Role.LEAD:
        messages.success(request, "The referral is taken.")
        return redirect("referral", referral_id=referral.pk)
    messages.success(request, "The referral is taken, and the lead is told.")
    return redirect("patients")


@allow(*CLINICAL)
@get_and_post
def in_writing(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Add a written referral of a patient who is registered."""
    patient = patients.patient(signed_in(request), patient_id)
    initial = {
        "received_at": timezone.now(),
        "diagnosis_group": patient.diagnosis_group,
        "diagnosis": patient.diagnosis,
    }
    form = forms.WrittenForm(posted(request), initial=initial)
    if request.method == "POST" and form.is_valid():
        received_at = form.cleaned_data["received_at"]
        services.receive(
            patient, by=signed_in(request), source="written", received_at=received_at, **form.referral()
        )
        messages.success(request, "The referral is stored.")
        return redirect("patient-record", patient_id=patient.pk)
    answer = respond_invalid if request.method == "POST" else render
    return answer(
        request,
        "referrals/written.html",
        {"form": form, "patient": patient, "banner": patients.banner(patient)},
    )


@allow(*CLINICAL)
@require_GET
def referral_page(request: HttpRequest, referral_id: UUID) -> HttpResponse:
    """One referral: what it says, how long it waited, and for the lead how it ends."""
    referral = selectors.referral(signed_in(request), referral_id)
    audit.read(by=signed_in(request), patient=referral.patient, page="referral")
    return render(request, "referrals/referral.html", _context(request, referral))


@allow(*CLINICAL)
@get_and_post
def correct(request: HttpRequest, referral_id: UUID) -> HttpResponse:
    """Correct what was written down; what it was stays readable."""
    referral = selectors.referral(signed_in(request), referral_id)
    initial = {name: getattr(referral, name) for name in services.REFERRAL_FIELDS} | {
        "version": referral.version
    }
    form = forms.AmendForm(posted(request), initial=initial)
    conflict: dict[str, Any] = {}
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        try:
            services.amend(
                referral,
                by=signed_in(request),
                reason=given["why"],
                changes=form.referral(),
                expect_version=given["version"],
            )
        except Refused as refused:
            refuse(form, refused)
            if isinstance(refused, Changed):
                conflict = {"changed": True, "differs": differences(form, initial)}
        else:
            messages.success(request, "Stored. What it said before can still be read.")
            return redirect("referral", referral_id=referral.pk)
    context = {"form": form, "referral": referral, "banner": patients.banner(referral.patient), **conflict}
    answer = respond_invalid if request.method == "POST" else render
    return answer(request, "referrals/correct.html", context)


@allow(Role.LEAD)
@require_http_methods(["POST"])
def decide(request: HttpRequest, referral_id: UUID) -> HttpResponse:
    """End a referral, or ask for more."""
    referral = selectors.referral(signed_in(request), referral_id)
    form = forms.DecisionForm(request.POST, others=selectors.others_of(referral))
    changed = False
    if form.is_valid():
        given = dict(form.cleaned_data)
        try:
            services.decide(referral, by=signed_in(request), expect_version=given.pop("version"), **given)
        except Changed:
            changed = True
            form.add_error(None, "Somebody else has decided meanwhile. Look at the referral as it is now")
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, f"Stored: {ReferralOutcome(given['outcome']).label}.")
            return redirect("referral", referral_id=referral.pk)
    context = _context(request, referral) | {"form": form, "changed": changed}
    return respond_invalid(request, "referrals/referral.html", context)


def _context(request: HttpRequest, referral: Any) -> dict[str, Any]:
    lead = signed_in(request).role == Role.LEAD
    initial = {"version": referral.version}
    if referral.outcome != ReferralOutcome.WAITING:
        initial["outcome"] = referral.outcome
    return {
        "referral": referral,
        "banner": patients.banner(referral.patient),
        "patient": referral.patient,
        "patient_address": patients.address(referral.patient_id),
        "waiting": selectors.waiting(referral, timezone.now()),
        "is_open": referral.outcome in selectors.OPEN,
        "lead": lead,
        "form": forms.DecisionForm(initial=initial, others=selectors.others_of(referral)) if lead else None,
    }


@allow(Role.LEAD)
@get_and_post
def upload(request: HttpRequest) -> HttpResponse:
    """Take a file of referrals, and say what it must look like."""
    form = forms.UploadForm(posted(request), request.FILES if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            taken = importing.upload(by=signed_in(request), file_name=file.name, content=file.read())
        except Refused as refused:
            refuse(form, refused)
        else:
            return redirect("job", run_id=taken.job.pk)
    context = {
        "form": form, "columns": rules.COLUMNS, "groups": DiagnosisGroup.labels,
        "imports": list(selectors.imports(signed_in(request))[:20]),
    }  # fmt: skip
    answer = respond_invalid if request.method == "POST" else render
    return answer(request, "referrals/upload.html", context)


@allow(Role.LEAD)
@require_GET
def import_page(request: HttpRequest, import_id: UUID) -> HttpResponse:
    """What came of a file."""
    taken = _import(request, import_id)
    context = {"taken": taken, "refused_file": importing.refused_path(taken.pk).exists()}
    return render(request, "referrals/import.html", context)


@allow(Role.LEAD)
@require_GET
def refused_rows(request: HttpRequest, import_id: UUID) -> HttpResponse | FileResponse:
    """The refused rows as a file, each with its reasons."""
    taken = _import(request, import_id)
    path = importing.refused_path(taken.pk)
    if not path.exists():
        raise Http404
    audit.record(action="export", by=signed_in(request), subject=taken)
    return FileResponse(
        path.open("rb"), as_attachment=True, filename="refused-rows.csv", content_type="text/csv"
    )


def _import(request: HttpRequest, import_id: UUID) -> ReferralImport:
    taken = selectors.imports(signed_in(request)).filter(pk=import_id).first()
    if taken is None:
        raise Http404
    return taken
