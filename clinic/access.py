"""Who may open which page, and whose patients a person sees: the one door of each."""

from collections.abc import Callable, Iterator
from functools import wraps
from typing import TYPE_CHECKING, Any

from django.core.checks import CheckMessage, Error, register
from django.core.exceptions import PermissionDenied
from django.db import models
from django.db.models import Q
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.template.loader import render_to_string
from django.urls import URLPattern, URLResolver, get_resolver
from django.utils import timezone

from clinic.staff.roles import CLINICAL, EVERYONE, Role

if TYPE_CHECKING:
    from clinic.patients.models import Patient
    from clinic.staff.models import Person

View = Callable[..., HttpResponse]
__all__ = [
    "CLINICAL",
    "EVERYONE",
    "NotPermitted",
    "Role",
    "allow",
    "endpoints",
    "patients_visible_to",
    "public",
    "require",
    "require_licensed",
    "signed_in",
]


class NotPermitted(PermissionDenied):
    """The person's role does not do this; shown as 403."""


def require(person: "Person", *roles: Role) -> None:
    """Raises NotPermitted unless the person is active and has one of `roles`."""
    if not person.is_active or person.role not in roles:
        wanted = ", ".join(str(role.label) for role in roles)
        raise NotPermitted(f"Only for: {wanted}.")


def require_licensed(person: "Person") -> None:
    """Raises NotPermitted unless the account is marked as a licensed clinician's."""
    require(person, *CLINICAL)
    if not person.licensed:
        raise NotPermitted("Only an account marked as a licensed clinician may decide.")


def allow(*roles: Role, api: bool = False) -> Callable[[View], View]:
    """Names who may use a view: not signed in goes to the sign-in page (api: 401), another role gets 403."""

    def decorate(view: View) -> View:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            person = request.user
            if not person.is_authenticated:
                if api:
                    return JsonResponse({"detail": "Sign in first."}, status=401)
                if getattr(request, "htmx", False):
                    return _signed_out(request)
                from django.contrib.auth.views import redirect_to_login  # needs the loaded Person model

                return redirect_to_login(request.get_full_path())
            if person.role not in roles:
                from clinic.audit import services as audit

                audit.record(action="refused", by=person, subject=request.path, source="web")
                raise PermissionDenied
            return view(request, *args, **kwargs)

        guarded.allowed_roles = roles  # type: ignore[attr-defined]  # read by the check and by the URL table test
        return guarded

    return decorate


def _signed_out(request: HttpRequest) -> HttpResponse:
    """The answer to a part of a page that is asked for after the session has run out.

    A redirect would be followed in silence, and the sign-in page would stand among the numbers of a patient.
    """
    here = request.htmx.current_url_abs_path or "/"  # type: ignore[attr-defined]  # set by django-htmx
    words = render_to_string("components/signed_out.html", {"here": here}, request=request)
    # Whatever part of the answer the page wanted: here it is the only one.
    return HttpResponse(words, status=401, headers={"HX-Reselect": ".signed-out"})


def public(view: View) -> View:
    """Marks a view that needs no sign-in."""
    view.allowed_roles = ()  # type: ignore[attr-defined]  # as in allow
    return view


def endpoints(patterns: Any = None, prefix: str = "") -> Iterator[tuple[str, str | None, View]]:
    """Every URL of the app: (route, name, view)."""
    for pattern in get_resolver().url_patterns if patterns is None else patterns:
        route = prefix + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from endpoints(pattern.url_patterns, route)
        elif isinstance(pattern, URLPattern):
            yield route, pattern.name, pattern.callback


def signed_in(request: HttpRequest) -> "Person":
    """The person of a request that came through `allow`."""
    person: Person = request.user  # type: ignore[assignment]  # `allow` let nobody else through
    return person


@register()
def every_page_names_who_may_use_it(app_configs: Any, **kwargs: Any) -> list[CheckMessage]:
    return [
        Error(
            f"The view at /{route} does not name who may use it.",
            hint="Decorate it with @allow(...) or @public.",
            id="clinic.E001",
        )
        for route, _, view in endpoints()
        if not hasattr(view, "allowed_roles")
    ]


def patients_visible_to(person: "Person") -> "models.QuerySet[Patient]":
    """The patients whose clinical pages this person may open now."""
    from clinic.assignments.models import AccessGrant
    from clinic.patients.models import Patient

    patients = Patient.objects.filter(entered_in_error=False)
    if not person.is_active:
        return patients.none()
    if person.role == Role.LEAD:
        return patients
    if person.role == Role.THERAPIST:
        now = timezone.now()
        grants = AccessGrant.objects.filter(
            Q(until_at__isnull=True) | Q(until_at__gt=now), person=person, from_at__lte=now
        )
        return patients.filter(pk__in=grants.values("patient_id"))
    return patients.none()
