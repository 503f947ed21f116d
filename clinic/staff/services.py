"""Writes accounts, shifts, absences and competencies, each change audited."""

from collections.abc import Iterable, Mapping
from datetime import date, datetime, time
from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from clinic import calendar, formats
from clinic.access import require
from clinic.audit import services as audit
from clinic.records import Refused
from clinic.staff.models import Absence, AbsenceReason, Competency, Person, Profession, Shift, ShiftState
from clinic.staff.roles import Role

ACCOUNT_FIELDS = ("given_name", "family_name", "role", "profession", "licensed", "phone")
PRESENT_ROLES = (Role.THERAPIST, Role.LEAD)


@transaction.atomic
def add_account(*, by: Person, username: str, password: str, **fields: Any) -> Person:
    """Open an account. Raises: NotPermitted unless the administrator; Refused by the field."""
    require(by, Role.ADMINISTRATOR)
    username = username.strip().lower()
    if not username:
        raise Refused("username", "Enter the name to sign in with")
    if Person.objects.filter(username__iexact=username).exists():
        raise Refused("username", "Somebody signs in with this name already")
    _check_account(fields)
    person = Person(username=username, **fields)
    _check_password(password, person)
    person.set_password(password)
    person.save(force_insert=True)
    audit.record(action="account opened", by=by, subject=person, changed=sorted(fields))
    return person


@transaction.atomic
def change_account(person: Person, *, by: Person, changes: Mapping[str, Any]) -> Person:
    """Change name, role, profession, licence or telephone. The last administrator stays one."""
    require(by, Role.ADMINISTRATOR)
    current: Person = Person.objects.select_for_update().get(pk=person.pk)
    different = {name: value for name, value in changes.items() if getattr(current, name) != value}
    _check_account(
        {name: changes.get(name, getattr(current, name)) for name in ACCOUNT_FIELDS} | dict(changes)
    )
    if "role" in different and current.role == Role.ADMINISTRATOR:
        _keep_an_administrator(current)
    if not different:
        return current
    # Names stay out of the trail; of role and licence it must show what they were.
    told = [
        f"{name}: {getattr(current, name)} to {value}" if name in ("role", "licensed", "profession") else name
        for name, value in different.items()
    ]
    for name, value in different.items():
        setattr(current, name, value)
    current.save(update_fields=list(different))
    audit.record(action="account changed", by=by, subject=current, changed=told)
    return current


@transaction.atomic
def set_password(person: Person, *, by: Person, password: str) -> None:
    """Give an account a new password; every session that was signed in with the old one ends."""
    require(by, Role.ADMINISTRATOR)
    _check_password(password, person)
    person.set_password(password)
    person.save(update_fields=["password"])
    audit.record(action="password set", by=by, subject=person)


@transaction.atomic
def close_account(person: Person, *, by: Person) -> None:
    """Close an account: all its sessions end at once, and opening it again needs a new password."""
    require(by, Role.ADMINISTRATOR)
    if person.pk == by.pk:
        raise Refused("person", "You cannot close your own account.")
    if person.role == Role.ADMINISTRATOR:
        _keep_an_administrator(person)
    person.is_active = False
    # The session hash is made from the password: without one, no session of before is ever valid again.
    person.set_unusable_password()
    person.save(update_fields=["is_active", "password"])
    audit.record(action="account closed", by=by, subject=person)


@transaction.atomic
def reopen_account(person: Person, *, by: Person, password: str) -> None:
    """Open a closed account again, with a new password."""
    require(by, Role.ADMINISTRATOR)
    _check_password(password, person)
    person.is_active = True
    person.set_password(password)
    person.save(update_fields=["is_active", "password"])
    audit.record(action="account reopened", by=by, subject=person)


@transaction.atomic
def add_shifts(
    person: Person,
    *,
    by: Person,
    days: Iterable[date],
    starts_at: time,
    ends_at: time,
    break_from: time | None = None,
    break_to: time | None = None,
) -> list[Shift]:
    """Add one shift on each day, in wall time; an end before the start lies on the next day.

    Raises: NotPermitted unless the lead; Refused where a shift would overlap another: then none is added.
    """
    require(by, Role.LEAD)
    if person.role not in PRESENT_ROLES or not person.is_active:
        raise Refused("person", "Shifts are for therapists and the lead, with an open account.")
    added = []
    for day in sorted(set(days)):
        start, end = _span(day, starts_at, ends_at)
        shift = Shift(person=person, start=start, end=end)
        if break_from is not None or break_to is not None:
            shift.break_start, shift.break_end = _break(day, break_from, break_to, start, end)
        try:
            with transaction.atomic():
                shift.save(force_insert=True)
        except IntegrityError as error:
            raise Refused("days", f"{person} has a shift on {formats.date(day)} already.") from error
        audit.record(action="shift added", by=by, subject=shift)
        added.append(shift)
    if not added:
        raise Refused("days", "Choose at least one day.")
    return added


@transaction.atomic
def cancel_shift(shift: Shift, *, by: Person) -> bool:
    """Take a shift out that was entered by mistake; it stays in the table. False where it was out already."""
    require(by, Role.LEAD)
    done = Shift.objects.filter(pk=shift.pk, state=ShiftState.PLANNED).update(state=ShiftState.CANCELLED) == 1
    if done:
        audit.record(action="shift cancelled", by=by, subject=shift)
    return done


@transaction.atomic
def mark_absent(
    person: Person, *, by: Person, start: datetime, end: datetime, reason: str, words: str = ""
) -> Absence:
    """Note that a person is not there; the lead for everybody, a therapist for themselves."""
    if by.pk != person.pk:
        require(by, Role.LEAD)
    else:
        require(by, *PRESENT_ROLES)
    if end <= start:
        raise Refused("end", "The absence must end after it begins.")
    if reason not in AbsenceReason.values:
        raise Refused("reason", "Choose the reason.")
    overlapping = Absence.objects.filter(person=person, cancelled=False, start__lt=end, end__gt=start)
    if overlapping.exists():
        raise Refused("start", f"{person} is marked absent for part of this time already.")
    absence = Absence.objects.create(person=person, start=start, end=end, reason=reason, words=words.strip())
    audit.record(action="absence marked", by=by, subject=absence)
    return absence


@transaction.atomic
def end_absence(absence: Absence, *, by: Person) -> None:
    """The person is back: an absence that has begun ends now, one still ahead is cancelled."""
    if by.pk != absence.person_id:
        require(by, Role.LEAD)
    now = timezone.now()
    if absence.cancelled or absence.end <= now:
        raise Refused("absence", "The absence has ended already.")
    if absence.start >= now:
        absence.cancelled = True
    else:
        absence.end = now
    absence.save(update_fields=["cancelled", "end"])
    audit.record(action="absence ended", by=by, subject=absence)


@transaction.atomic
def set_competency(
    person: Person, *, by: Person, technique: str, valid_from: date, valid_until: date | None = None
) -> Competency:
    """Note that a person is trained for a technique, from a day until another or until further notice."""
    require(by, Role.LEAD)
    if valid_until is not None and valid_until < valid_from:
        raise Refused("valid_until", "The last day must not lie before the first.")
    row, created = Competency.objects.get_or_create(
        person=person, technique=technique, valid_from=valid_from, defaults={"valid_until": valid_until}
    )
    if created or row.valid_until != valid_until:
        before = row.valid_until
        row.valid_until = valid_until
        row.save(update_fields=["valid_until"])
        told = [f"{technique} until {before} to {valid_until}"] if not created else [technique]
        audit.record(action="competency set", by=by, subject=row, changed=told)
    return row


def _check_account(fields: Mapping[str, Any]) -> None:
    if unknown := set(fields) - set(ACCOUNT_FIELDS):
        raise Refused(min(unknown), "This is no part of an account.")
    if not str(fields.get("given_name", "")).strip():
        raise Refused("given_name", "Enter the given name")
    if not str(fields.get("family_name", "")).strip():
        raise Refused("family_name", "Enter the family name")
    if fields.get("role") not in Role.values:
        raise Refused("role", "Choose the role")
    if fields.get("profession", Profession.THERAPIST) not in Profession.values:
        raise Refused("profession", "Choose the profession")
    if fields.get("licensed") and fields["role"] not in (Role.LEAD, Role.THERAPIST):
        raise Refused("licensed", "Only a lead or a therapist documents decisions")


def _check_password(password: str, person: Person) -> None:
    try:
        validate_password(password, person)
    except ValidationError as error:
        raise Refused("password", " ".join(error.messages)) from error


def _keep_an_administrator(person: Person) -> None:
    others = Person.objects.filter(role=Role.ADMINISTRATOR, is_active=True).exclude(pk=person.pk)
    if not others.exists():
        raise Refused("role", "At least one administrator must keep an open account.")


def _span(day: date, starts_at: time, ends_at: time) -> tuple[datetime, datetime]:
    zone = timezone.get_default_timezone()
    start = calendar.instant_of(day, starts_at, zone)
    last = day if ends_at > starts_at else day.fromordinal(day.toordinal() + 1)
    end = calendar.instant_of(last, ends_at, zone)
    if end <= start:
        raise Refused("ends_at", "The shift must end after it begins.")
    return start, end


def _break(
    day: date, break_from: time | None, break_to: time | None, start: datetime, end: datetime
) -> tuple[datetime, datetime]:
    if break_from is None or break_to is None:
        raise Refused("break_to", "Enter the beginning and the end of the break, or neither.")
    first, last = _span(day, break_from, break_to)
    if first < start:
        first, last = _span(day.fromordinal(day.toordinal() + 1), break_from, break_to)
    if first < start or last > end:
        raise Refused("break_from", "The break must lie within the shift.")
    return first, last
