"""Signing in: Django's own views, with the words and the layout of this app."""

from typing import Any

from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView
from django.http import HttpResponse

from clinic.forms import ClinicFormMixin, respond_invalid


class SignInForm(ClinicFormMixin, AuthenticationForm):
    """Name and password; a password manager may fill it, nothing stops pasting."""

    error_messages = {
        "invalid_login": "The name and the password do not belong together. Check both and try again",
        "inactive": "This account is closed. Ask the administrator",
    }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["username"].label = "Name"


class SignIn(LoginView):
    """The sign-in page; whoever is signed in already goes on to the home page."""

    authentication_form = SignInForm
    redirect_authenticated_user = True

    def form_invalid(self, form: AuthenticationForm) -> HttpResponse:
        return respond_invalid(self.request, "registration/login.html", self.get_context_data(form=form))
