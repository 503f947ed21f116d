"""Local policy: what is in force, and each change with what it would do before it is saved."""

from collections.abc import Collection
from typing import Any, cast
from uuid import UUID

from django.contrib import messages
from django.forms import BaseForm
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone

from clinic import paging
from clinic.access import Role, allow, signed_in
from clinic.audit import services as audit
from clinic.forms import differences, refuse, respond_invalid
from clinic.ids import new_id
from clinic.patients import selectors as patients
from clinic.patients.models import Patient
from clinic.records import Changed, Refused
from screening.forms import posted
from screening.policy import rules, selectors, services
from screening.policy.models import PolicyKind, PolicyRule
from therapy.pages.policy_forms import FORMS, EndForm, as_entered
from therapy.pages.policy_preview import preview

LIST, NEW, END, PREVIEW = (f"pages/policy_{name}.html" for name in ("list", "new", "end", "preview"))
ON_A_PAGE = 25


@allow(Role.LEAD, Role.MANAGER)
def policy_list(request: HttpRequest) -> HttpResponse:
    """The rules in force, those to be looked at again first, and those that have ended."""
    person = signed_in(request)
    ended = paging.page(selectors.ended_rules(), request.GET, order=("-ended_at", "id"))
    today = timezone.localdate()
    context = {
        "lines": selectors.lines_in_force(),
        "ended": ended,
        "ended_lines": [selectors.line_of(row, today) for row in ended.rows],
        "kinds": PolicyKind.choices,
        "may_set": person.role == Role.LEAD and person.licensed,
    }
    return render(request, LIST, context)


@allow(Role.LEAD)
def policy_new(request: HttpRequest, policy_kind: str) -> HttpResponse:
    """Enter a rule, see what it would do, save it."""
    services.require_may_set(signed_in(request))
    if policy_kind not in FORMS:
        raise Http404
    data = request.POST if request.method == "POST" else None
    form = FORMS[policy_kind](data, initial={"rule_id": new_id()} | _as_it_is(request, policy_kind))
    context = {"form": form, "kind": PolicyKind(policy_kind).label}
    if data is None or data.get("step") == "change":
        return render(request, NEW, context)
    try:
        if not form.is_valid():
            return respond_invalid(request, NEW, context)
        given = form.cleaned_data
        services.check(form.rule, review_on=given["review_on"])
        seen = services.seen_by(form.rule, given["replacing"], saving=data.get("step") == "save")
        if data.get("step") == "save":
            services.set_rule(
                by=signed_in(request),
                rule=form.rule,
                review_on=given["review_on"],
                replacing=given["replacing"],
                rule_id=given["rule_id"],
            )
            messages.success(request, "Saved: it holds from now on.")
            return redirect("policy")
    except Changed as changed:
        return respond_invalid(request, NEW, context | _both(form, cast("PolicyRule", changed.current)))
    except Refused as refused:
        refuse(form, refused)
        return respond_invalid(request, NEW, context)
    after = rules.with_rule(selectors.in_force(), form.rule)
    return _preview(request, form, after, "Save this rule", seen=seen)


@allow(Role.LEAD)
def policy_end(request: HttpRequest, policy_id: UUID) -> HttpResponse:
    """End a rule: the table holds again; first what that would do."""
    services.require_may_set(signed_in(request))
    row = get_object_or_404(PolicyRule, pk=policy_id)
    if row.ended_at is not None:
        messages.warning(request, "That rule was changed or ended meanwhile: below is what holds now.")
        return redirect("policy")
    data = request.POST if request.method == "POST" else None
    form = EndForm(data)
    context = {"form": form, "line": selectors.line_of(row, timezone.localdate())}
    if data is None or data.get("step") == "change":
        return render(request, END, context)
    try:
        if not form.is_valid():
            return respond_invalid(request, END, context)
        services.check_end(row)
        if data.get("step") == "save":
            services.end_rule(by=signed_in(request), row=row, reason=form.cleaned_data["reason"])
            messages.success(request, "Ended: the rule table holds again.")
            return redirect("policy")
    except Refused as refused:
        refuse(form, refused)
        return respond_invalid(request, END, context)
    left = rules.without(selectors.in_force(), selectors.rule_of(row))
    return _preview(request, form, left, "End this rule")


def _as_it_is(request: HttpRequest, kind: str) -> dict[str, object]:
    """What the form of a change starts with: the rule in force that is to be changed; nothing for a new one."""
    wanted = request.GET.get("of", "")
    row = next((one for one in selectors.open_rules().filter(kind=kind) if str(one.pk) == wanted), None)
    return as_entered(row) | {"replacing": str(row.pk)} if row is not None else {}


def _both(form: Any, current: PolicyRule) -> dict[str, object]:
    """What holds now beside what was entered; entering it again is then on top of what is shown."""
    differs = differences(form, as_entered(current))
    ended = current.ended_at is not None
    form.data = form.data.copy()
    form.data["replacing"] = "" if ended else str(current.pk)
    if ended:
        differs = [("The rule", f"ended: {current.ended_reason}", "a change of it"), *differs]
    elif current.by is not None:
        differs = [("By", str(current.by), "you"), *differs]
    return {"changed": True, "differs": differs}


def _preview(
    request: HttpRequest,
    form: BaseForm,
    after: Collection[rules.Rule],
    act: str,
    *,
    seen: PolicyRule | None = None,
) -> HttpResponse:
    found = preview(after, timezone.now())
    changed = Patient.objects.filter(pk__in=found.changes).select_related("identity", "unit")
    page = paging.page(changed, request.POST, order=patients.NAME_ORDER, size=ON_A_PAGE)
    audit.record(action="policy preview read", by=signed_in(request), reason=f"{len(found.changes)} patients")
    context = {
        "found": found,
        "count": len(found.changes),
        "page": page,
        "lines": [(row, found.changes[row.patient.pk]) for row in patients.in_list(page.rows)],
        "seen": selectors.line_of(seen, timezone.localdate()) if seen is not None else None,
        "hidden": [
            *posted(
                form, request.POST, without=("csrfmiddlewaretoken", "step", "after", "before", "replacing")
            ),
            ("replacing", "" if seen is None else str(seen.pk)),
        ],
        "act": act,
    }
    return render(request, PREVIEW, context)
