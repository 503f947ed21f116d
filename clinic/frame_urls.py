"""The addresses of the frame: signing in and out, and the colours."""

from django.contrib.auth.views import LogoutView
from django.urls import path

from clinic import appearance
from clinic.access import public
from clinic.sign_in import SignIn

urlpatterns = [
    path("sign-in", public(SignIn.as_view()), name="sign-in"),
    path("sign-out", public(LogoutView.as_view()), name="sign-out"),
    path("theme", appearance.choose_theme, name="theme"),
]
