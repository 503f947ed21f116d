"""What the administrator's home page shows: counts of accounts and settings, nothing clinical."""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Q

from clinic.models import CareSettingRule, ClinicNumber, Person, StandardMinutes, Unit
from clinic.staff.roles import Role


@dataclass(frozen=True)
class RoleCount:
    """Open and closed accounts of one role."""

    words: str
    open: int
    closed: int


@dataclass(frozen=True)
class AccountsHome:
    """The whole page."""

    roles: list[RoleCount]
    open: int
    closed: int
    units: int
    units_out_of_use: int
    numbers_changed: int
    reassessment_rules: int
    standard_minutes: int
    updated_at: datetime


def accounts_home(now: datetime) -> AccountsHome:
    """Everything on the page, in six queries."""
    counts = {
        row["role"]: row
        for row in Person.objects.values("role")
        .annotate(open=Count("pk", filter=Q(is_active=True)), closed=Count("pk", filter=Q(is_active=False)))
        .order_by("role")
    }
    roles = [
        RoleCount(str(role.label), counts.get(role, {}).get("open", 0), counts.get(role, {}).get("closed", 0))
        for role in Role
    ]
    units = Unit.objects.aggregate(
        used=Count("pk", filter=Q(in_use=True)), out=Count("pk", filter=Q(in_use=False))
    )
    return AccountsHome(
        roles=roles,
        open=sum(role.open for role in roles),
        closed=sum(role.closed for role in roles),
        units=units["used"],
        units_out_of_use=units["out"],
        numbers_changed=ClinicNumber.objects.count(),
        reassessment_rules=CareSettingRule.objects.count(),
        standard_minutes=StandardMinutes.objects.count(),
        updated_at=now,
    )
