"""The administrator's pages of accounts."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_http_methods

from clinic.access import Role, allow, signed_in
from clinic.forms import posted, refuse, respond_invalid
from clinic.records import Refused
from clinic.staff import forms, selectors, services
from clinic.staff.models import Person

get_and_post = require_http_methods(["GET", "POST"])


@allow(Role.ADMINISTRATOR)
@require_GET
def account_list(request: HttpRequest) -> HttpResponse:
    """Every account, the open ones first."""
    return render(request, "staff/accounts.html", {"accounts": list(selectors.accounts())})


@allow(Role.ADMINISTRATOR)
@get_and_post
def new_account(request: HttpRequest) -> HttpResponse:
    """Open an account."""
    form = forms.NewAccountForm(posted(request), initial={"role": Role.THERAPIST})
    return _done(
        request,
        form,
        "staff/account_new.html",
        lambda: services.add_account(by=signed_in(request), **form.cleaned_data),
        "The account is open.",
    )


@allow(Role.ADMINISTRATOR)
@get_and_post
def account(request: HttpRequest, person_id: int) -> HttpResponse:
    """Change an account."""
    row = get_object_or_404(Person, pk=person_id)
    form = forms.AccountForm(
        posted(request), initial={name: getattr(row, name) for name in services.ACCOUNT_FIELDS}
    )
    return _done(
        request,
        form,
        "staff/account.html",
        lambda: services.change_account(row, by=signed_in(request), changes=form.cleaned_data),
        "The account is changed.",
        account=row,
    )


@allow(Role.ADMINISTRATOR)
@get_and_post
def password(request: HttpRequest, person_id: int) -> HttpResponse:
    """Set a password; a closed account is opened again by it."""
    row = get_object_or_404(Person, pk=person_id)
    form = forms.PasswordForm(posted(request))
    act = services.set_password if row.is_active else services.reopen_account
    said = (
        "The password is set; sessions of before have ended."
        if row.is_active
        else "The account is open again."
    )
    return _done(
        request,
        form,
        "staff/password.html",
        lambda: act(row, by=signed_in(request), password=form.cleaned_data["password"]),
        said,
        account=row,
    )


@allow(Role.ADMINISTRATOR)
@get_and_post
def close_account(request: HttpRequest, person_id: int) -> HttpResponse:
    """Ask once, then close an account and end its sessions."""
    row = get_object_or_404(Person, pk=person_id, is_active=True)
    if request.method == "GET":
        return render(request, "staff/close.html", {"account": row})
    try:
        services.close_account(row, by=signed_in(request))
    except Refused as refused:
        return respond_invalid(request, "422.html", {"message": refused.message, "back": request.path})
    messages.success(request, f"The account of {row} is closed; all its sessions have ended.")
    return redirect("accounts")


def _done(
    request: HttpRequest, form: Any, template: str, act: Any, said: str, **context: Any
) -> HttpResponse:
    if request.method == "POST" and form.is_valid():
        try:
            act()
        except Refused as refused:
            refuse(form, refused)
        else:
            messages.success(request, said)
            return redirect("accounts")
    answer = respond_invalid if request.method == "POST" else render
    return answer(request, template, {"form": form, **context})
