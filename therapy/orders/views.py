"""The order pages: choose the technique, order, start, change, hold, resume, stop, sign."""

from collections.abc import Callable
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET

from clinic import formats
from clinic.access import CLINICAL, allow
from clinic.audit import services as audit
from clinic.forms import ClinicForm, refuse, respond_invalid
from clinic.ids import new_id
from clinic.patients import selectors as patients
from clinic.records import Refused
from therapy.orders import pages, selectors, services
from therapy.orders.doses import TECHNIQUES
from therapy.orders.forms import ChangeForm, HoldForm, OrderForm, ReasonForm, StartForm
from therapy.orders.models import Order

FORM, ACT, CONFIRM = "orders/form.html", "orders/act.html", "orders/change_confirm.html"


@allow(*CLINICAL)
@require_GET
def waiting(request: HttpRequest) -> HttpResponse:
    """Orders that wait for somebody: to be started, decided on, or signed."""
    return render(request, "orders/waiting.html", pages.waiting(request.user, timezone.now()))


@allow(*CLINICAL)
@require_GET
def orders_of_patient(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """Every order of one patient."""
    patient = patients.patient(request.user, patient_id)
    return _shown(request, "orders/of_patient.html", pages.of_patient(patient, timezone.now()))


@allow(*CLINICAL)
@require_GET
def choose_technique(request: HttpRequest, patient_id: UUID) -> HttpResponse:
    """The techniques, each with what the screening says and whether it helps here."""
    patient = patients.patient(request.user, patient_id)
    return _shown(request, "orders/choose.html", pages.techniques_for(patient, timezone.now()))


@allow(*CLINICAL)
def new_order(request: HttpRequest, patient_id: UUID, technique: str) -> HttpResponse:
    """The order form of one technique; a valid one is kept as a draft, to be started on the next page."""
    if technique not in TECHNIQUES:
        raise Http404
    patient = patients.patient(request.user, patient_id)
    form = OrderForm(_data(request), initial={"order_id": new_id()}, **pages.bearing_on(patient, technique))
    context = pages.for_form(patient, technique, timezone.now()) | {"form": form}
    if request.method != "POST":
        return _shown(request, FORM, context)
    order = form.is_valid() and _taken(form, lambda: _drafted(request, patient, form))
    return redirect("start-order", order_id=order.pk) if order else respond_invalid(request, FORM, context)


@allow(*CLINICAL)
@require_GET
def order_page(request: HttpRequest, order_id: UUID) -> HttpResponse:
    """One order in full, with its history."""
    order = selectors.visible_order(request.user, order_id)
    return _shown(request, "orders/order.html", pages.of_order(order, timezone.now()))


@allow(*CLINICAL)
def start(request: HttpRequest, order_id: UUID) -> HttpResponse:
    """Start a draft: what stands in the way is shown, and the identity is repeated."""
    order = selectors.visible_order(request.user, order_id)
    if not order.draft or order.ended_at:
        return _already(request, order)
    form = StartForm(_data(request))
    context = pages.of_order(order, timezone.now()) | {"form": form}
    if request.method != "POST":
        return _shown(request, "orders/start.html", context)
    started = form.is_valid() and _taken(
        form, lambda: services.activate(by=request.user, order=order, **form.cleaned_data)
    )
    if not started:
        return respond_invalid(request, "orders/start.html", context)
    messages.success(request, f"{TECHNIQUES[order.technique]} is in force.")
    return redirect("order", order_id=started.pk)


@allow(*CLINICAL)
def change(request: HttpRequest, order_id: UUID) -> HttpResponse:
    """Change dose or frequency: filled in, then confirmed with the identity before the eyes."""
    order = selectors.visible_order(request.user, order_id)
    if order.ended_at:
        return _already(request, order)
    step = request.POST.get("step", "")
    about = pages.bearing_on(order.patient, order.technique)
    form = ChangeForm(_data(request), order=order, **about)
    context = pages.for_form(order.patient, order.technique, timezone.now()) | {"form": form, "order": order}
    if request.method != "POST":
        return _shown(request, FORM, context)
    if not form.is_valid():
        return respond_invalid(request, FORM, context)
    if step == "edit":
        return render(request, FORM, context)
    if step != "record":
        return render(request, CONFIRM, context | pages.compared(order, form, request.POST))
    changed = _taken(form, lambda: _changed(request, order, form))
    return redirect("order", order_id=changed.pk) if changed else respond_invalid(request, FORM, context)


@allow(*CLINICAL)
def hold(request: HttpRequest, order_id: UUID) -> HttpResponse:
    """Put an order on hold."""
    return _act(request, order_id, HoldForm, services.hold, "Put on hold", "is on hold")


@allow(*CLINICAL)
def resume(request: HttpRequest, order_id: UUID) -> HttpResponse:
    """Resume an order."""
    return _act(request, order_id, ReasonForm, services.resume, "Resume", "is in force again")


@allow(*CLINICAL)
def stop(request: HttpRequest, order_id: UUID) -> HttpResponse:
    """Stop an order, or withdraw a draft."""
    return _act(request, order_id, ReasonForm, services.stop, "Stop", "is stopped")


@allow(*CLINICAL)
def sign(request: HttpRequest, order_id: UUID) -> HttpResponse:
    """Co-sign a telephone order."""
    return _act(request, order_id, ClinicForm, services.sign, "Sign", "is signed")


def _act(  # noqa: PLR0917 - which act, its form, its service and its two wordings
    request: HttpRequest,
    order_id: UUID,
    form_class: type[ClinicForm],
    service: Callable[..., Any],
    verb: str,
    done: str,
) -> HttpResponse:
    """One page per act: the order, the identity again, a form, and a button that names the act."""
    order = selectors.visible_order(request.user, order_id)
    form = form_class(_data(request))
    context = pages.of_order(order, timezone.now()) | {"form": form, "verb": verb}
    if request.method != "POST":
        return _shown(request, ACT, context)

    def act() -> bool:
        service(by=request.user, order=order, **form.cleaned_data)
        return True

    if not (form.is_valid() and _taken(form, act)):
        return respond_invalid(request, ACT, context)
    messages.success(request, f"{TECHNIQUES[order.technique]} {done}.")
    return redirect("order", order_id=order.pk)


def _shown(request: HttpRequest, template: str, context: dict[str, Any]) -> HttpResponse:
    """A page of one patient, noted as read."""
    page = request.resolver_match.url_name if request.resolver_match else template
    audit.read(by=request.user, patient=context["patient"], page=page or template)  # type: ignore[arg-type]  # allow() lets only a Person through
    return render(request, template, context)


def _data(request: HttpRequest) -> Any:
    return request.POST if request.method == "POST" else None


def _taken(form: ClinicForm, act: Callable[[], Any]) -> Any:
    """What a service gives, or None with its refusal put on the form."""
    try:
        return act()
    except Refused as refused:
        refuse(form, refused)
        return None


def _drafted(request: HttpRequest, patient: Any, form: OrderForm) -> Order:
    return services.prescribe(
        by=request.user,  # type: ignore[arg-type]  # allow() lets only a Person through
        patient=patient,
        prescription=form.prescription(),
        order_id=form.cleaned_data["order_id"],
    )


def _changed(request: HttpRequest, order: Order, form: ChangeForm) -> Order:
    return services.change(
        by=request.user,  # type: ignore[arg-type]  # as above
        order=order,
        prescription=form.prescription(),
        reason=form.cleaned_data["reason"],
    )


def _already(request: HttpRequest, order: Order) -> HttpResponse:
    """A second press, or somebody else was first: show what came of it."""
    if order.ended_at:
        messages.info(request, f"Already recorded at {formats.time(order.ended_at)}.")
    after = Order.objects.filter(replaces=order).first()
    return redirect("order", order_id=(after or order).pk)
