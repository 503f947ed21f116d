"""The pages of what needs attention."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from clinic import paging
from clinic.access import EVERYONE, Role, allow, signed_in
from clinic.attention import forms, selectors, services
from clinic.attention.models import Flag
from clinic.forms import refuse, respond_invalid
from clinic.patients import selectors as patients
from clinic.records import Refused
from clinic.staff.models import Person


@allow(*EVERYONE)
@require_GET
def needs_attention(request: HttpRequest) -> HttpResponse:
    """Open flags, unread notices, and what was put off."""
    person, now = signed_in(request), timezone.now()
    page = paging.page(selectors.open_flags(person, now=now), request.GET, order=("due_at", "pk"))
    notices = list(selectors.unread_notices(person)[:50])
    put_off = list(selectors.put_off_flags(person, now=now)[:50])
    rows = {
        row.patient.pk: row
        for row in patients.in_list(
            list(
                {
                    one.patient.pk: one.patient for one in [*page.rows, *notices, *put_off] if one.patient
                }.values()
            )
        )
    }
    context = {
        "page": page,
        "flags": [
            (flag, rows.get(flag.patient_id), flag.due_at - now, selectors.way(flag)) for flag in page.rows
        ],
        "notices": [(notice, rows.get(notice.patient_id)) for notice in notices],
        "put_off": [(flag, rows.get(flag.patient_id)) for flag in put_off],
    }
    return render(request, "attention/list.html", context)


@allow(*EVERYONE)
@require_GET
def flag_page(request: HttpRequest, flag_id: UUID) -> HttpResponse:
    """One flag, and what can be done about it."""
    return render(request, "attention/flag.html", _context(signed_in(request), _flag(request, flag_id)))


@allow(*EVERYONE)
@require_http_methods(["POST"])
def close(request: HttpRequest, flag_id: UUID) -> HttpResponse:
    """Close a flag with what was done."""
    flag, form = _flag(request, flag_id), forms.CloseForm(request.POST)
    if form.is_valid():
        try:
            done = services.close_by_hand(flag, by=signed_in(request), words=form.cleaned_data["words"])
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, "Closed." if done else "It was closed already.")
            return redirect("attention")
    return respond_invalid(
        request, "attention/flag.html", _context(signed_in(request), flag, close_form=form)
    )


@allow(*EVERYONE)
@require_POST
def put_off(request: HttpRequest, flag_id: UUID) -> HttpResponse:
    """Put a flag off until a time."""
    flag, form = _flag(request, flag_id), forms.PutOffForm(request.POST)
    if form.is_valid():
        try:
            services.put_off(flag, by=signed_in(request), **form.cleaned_data)
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, "Put off. It comes back by itself.")
            return redirect("attention")
    return respond_invalid(
        request, "attention/flag.html", _context(signed_in(request), flag, put_off_form=form)
    )


@allow(Role.LEAD)
@require_POST
def hand_on(request: HttpRequest, flag_id: UUID) -> HttpResponse:
    """Give a flag another owner."""
    flag, form = _flag(request, flag_id), forms.HandOnForm(request.POST)
    if form.is_valid():
        services.hand_on(flag, by=signed_in(request), owner=form.cleaned_data["owner"])
        messages.success(request, f"{form.cleaned_data['owner']} looks after it now.")
        return redirect("attention-flag", flag_id=flag.pk)
    return respond_invalid(
        request, "attention/flag.html", _context(signed_in(request), flag, hand_on_form=form)
    )


@allow(*EVERYONE)
@require_POST
def answer(request: HttpRequest, notice_id: UUID) -> HttpResponse:
    """Mark a notice as read, with a word back if there is one."""
    notice = selectors.unread_notices(signed_in(request)).filter(pk=notice_id).first()
    form = forms.AnswerForm(request.POST)
    if notice is None:
        messages.success(request, "It was read already.")
    elif form.is_valid():
        services.answer(notice, by=signed_in(request), words=form.cleaned_data["words"])
        messages.success(request, "Marked as read.")
    else:
        messages.error(request, "The answer must be 500 characters or fewer. Nothing was stored.")
    # A note read on the round leads back to the round.
    return redirect("home" if request.POST.get("next") == "home" else "attention")


def _flag(request: HttpRequest, flag_id: UUID) -> Flag:
    flag = selectors.flag(signed_in(request), flag_id)
    if flag is None:
        raise Http404
    return flag


def _context(person: Person, flag: Flag, **bound: Any) -> dict[str, Any]:
    lead = person.role == Role.LEAD
    return {
        "flag": flag,
        "closed": flag.state == "closed",
        "banner": patients.banner(flag.patient) if flag.patient else None,
        "patient_address": patients.address(flag.patient.pk) if flag.patient else "",
        "way": selectors.way(flag),
        "close_form": forms.CloseForm() if flag.kind in services.BY_HAND else None,
        "put_off_form": forms.PutOffForm(),
        "hand_on_form": forms.HandOnForm() if lead else None,
        **bound,
    }
