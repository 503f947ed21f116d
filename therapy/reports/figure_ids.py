"""The input of any shown figure, by its id, in the very shape that `python -m therapy.calculate` reads.

delivered/clinic/2026-W47                     proportion/... the same, for the interval of the share
delivered/unit/3/2026-W47
delivered/patient/<uuid>/2026-W47             delivered/patient/<uuid>/28d/2026-11-25T09:41:00+00:00
reassessment-due/patient/<uuid>/2026-11-25T09:41:00+00:00
screening-result/screening/<uuid>
due-windows/order/<uuid>/2026-11-16/2026-11-22
news2/set/<uuid>        device-range/set/<uuid>        peak-cough-flow/set/<uuid>
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.utils import timezone

from clinic.calendar import Week
from clinic.measurements.models import MeasurementSet, SetKind
from clinic.models import Patient, SpO2Scale
from screening.models import Screening
from screening.numbers import selectors as numbers
from screening.policy import selectors as policies
from screening.policy.rules import as_plain
from screening.selectors import answers_of
from therapy.calculations import plain
from therapy.orders.models import Order
from therapy.outcomes import rules, selectors
from therapy.outcomes.selectors import Counted
from therapy.reassessment import selectors as reassessments
from therapy.scheduling.window_services import day_of, times_of

Case = dict[str, Any]


class UnknownFigureError(LookupError):
    """No figure has this id; the message says what ids look like."""


def input_of(figure_id: str) -> tuple[str, Case]:
    """The name of the calculation and its input.

    Raises: UnknownFigureError where the id names no calculation, no record or no time.
    """
    name, *rest = figure_id.split("/")
    read = _READERS.get(name)
    if read is None:
        raise UnknownFigureError(f"{figure_id!r}: an id begins with one of {', '.join(_READERS)}.")
    try:
        return name, {"case": figure_id} | read(rest)
    except (ValueError, IndexError, LookupError, Patient.DoesNotExist) as error:
        raise UnknownFigureError(f"{figure_id!r} is no figure: {error}") from error
    except (Screening.DoesNotExist, Order.DoesNotExist) as error:
        raise UnknownFigureError(f"{figure_id!r} is no figure: {error}") from error


def _delivered(parts: Sequence[str]) -> Case:
    rows, start, end = _windows(parts)
    return {
        "windows": [_window(row) for row in rows],
        "from": plain(start),
        "to": plain(end),
    }


def _window(row: Counted) -> Case:
    window: Case = plain(row.outcome)
    return window


def _proportion(parts: Sequence[str]) -> Case:
    rows, start, end = _windows(parts)
    figure = rules.delivered((row.outcome for row in rows), start=start, end=end)
    return {"successes": figure.full, "trials": figure.due}


def _windows(parts: Sequence[str]) -> tuple[list[Counted], datetime, datetime]:
    """The windows of clinic, unit or patient over a week, or of a patient over the days up to an instant."""
    scope, rest = parts[0], list(parts[1:])
    patients = Patient.objects.filter(entered_in_error=False)
    if scope == "patient":
        patients = Patient.objects.filter(pk=Patient.objects.get(pk=UUID(rest.pop(0))).pk)
    unit = int(rest.pop(0)) if scope == "unit" else None
    if scope not in ("clinic", "unit", "patient"):
        raise ValueError("a figure is of clinic, unit or patient")
    if len(rest) == 2 and rest[0].endswith("d"):
        start, end = selectors.spell_of_days(int(rest[0].removesuffix("d")), _instant(rest[1]))
    else:
        start, end = Week.parse(rest[0]).bounds(selectors.clinic_zone())
    rows = selectors.counted_windows(patients, start=start, end=end)
    return [row for row in rows if unit is None or row.unit_id == unit], start, end


def _reassessment_due(parts: Sequence[str]) -> Case:
    if parts[0] != "patient":
        raise ValueError("a reassessment is due for a patient")
    patient, now = UUID(parts[1]), _instant(parts[2])
    asked = reassessments.questions(Patient.objects.filter(pk=patient), now)[patient]
    settings = {
        "time_zone": asked.settings.zone.key,
        "intervals": {name: plain(spell) for name, spell in asked.settings.spells.items()},
    }
    question: Case = plain(replace(asked, settings=settings))  # type: ignore[arg-type]  # in the shape of the input
    return question


def _screening_result(parts: Sequence[str]) -> Case:
    if parts[0] != "screening":
        raise ValueError("a result belongs to a screening")
    row = Screening.objects.get(pk=UUID(parts[1]))
    return {
        "answers": {key: answer.value for key, answer in answers_of(row).items()},
        "policy": as_plain(policies.noted([row.policy_version])[row.policy_version]),
    }


def _news2(parts: Sequence[str]) -> Case:
    row = _set(parts, SetKind.VITAL_SIGNS)
    scales = list(SpO2Scale.objects.filter(patient=row.patient).order_by("-started_at", "-pk"))
    found: Case = plain(numbers.news2_input(row, row.patient, scales))
    return found


def _device_range(parts: Sequence[str]) -> Case:
    found: Case = plain(numbers.device_range_input(_set(parts, SetKind.EXHALATION)))
    return found


def _peak_cough_flow(parts: Sequence[str]) -> Case:
    row = _set(parts, SetKind.FORCED)
    given = numbers.cough_input(row, row.patient)
    if given is None:
        raise ValueError("the set has no peak cough flow")
    found: Case = plain(given)
    return found


def _set(parts: Sequence[str], kind: SetKind) -> MeasurementSet:
    if parts[0] != "set":
        raise ValueError("a measured figure belongs to a set")
    found = numbers.stored_set(UUID(parts[1]))
    if found is None or found.kind != kind:
        raise ValueError("there is no such set")
    return found


def _due_windows(parts: Sequence[str]) -> Case:
    if parts[0] != "order":
        raise ValueError("windows belong to an order")
    order = Order.objects.select_related("patient__unit").get(pk=UUID(parts[1]))
    first, last = date.fromisoformat(parts[2]), date.fromisoformat(parts[3])
    day = day_of(order.patient.unit, order.times_a_day or 0)
    return {
        "order": plain(times_of(order)),
        "day": {
            "wake": day.wake.isoformat("minutes"),
            "sleep": day.sleep.isoformat("minutes"),
            "meals": [meal.isoformat("minutes") for meal in day.meals],
            "fixed_times": [each.isoformat("minutes") for each in day.fixed_times],
        },
        "time_zone": timezone.get_default_timezone_name(),
        "date_from": first.isoformat(),
        "date_to": last.isoformat(),
        "holds": [],
    }


def _instant(text: str) -> datetime:
    instant = datetime.fromisoformat(text)
    if instant.tzinfo is None:
        raise ValueError("an instant must carry its offset")
    return instant


_READERS: dict[str, Callable[[Sequence[str]], Case]] = {
    "delivered": _delivered,
    "proportion": _proportion,
    "reassessment-due": _reassessment_due,
    "screening-result": _screening_result,
    "due-windows": _due_windows,
    "news2": _news2,
    "device-range": _device_range,
    "peak-cough-flow": _peak_cough_flow,
}
