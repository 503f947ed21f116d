"""Light, dark, or as the device: a cookie, so that the server draws the right one from the first byte."""

from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_POST

from clinic.access import public

COOKIE = "theme"
THEMES = ("light", "dark")
A_YEAR = 365 * 24 * 3600


def chosen(request: HttpRequest) -> str:
    """The theme the person chose on this device; empty means as the device."""
    theme = request.COOKIES.get(COOKIE, "")
    return theme if theme in THEMES else ""


@public
@require_POST
def choose_theme(request: HttpRequest) -> HttpResponse:
    """Keep the choice and go back to where it was made."""
    back = request.POST.get("next", "")
    if not url_has_allowed_host_and_scheme(back, {request.get_host()}, require_https=request.is_secure()):
        back = "/"
    response = HttpResponseRedirect(back)
    theme = request.POST.get("theme", "")
    if theme in THEMES:
        response.set_cookie(
            COOKIE, theme, max_age=A_YEAR, samesite="Lax", secure=request.is_secure(), httponly=True
        )
    else:
        response.delete_cookie(COOKIE)
    return response
