"""From the stored values of a week to what the page and the PDF show: charts, tables, words, and what has changed."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction
from typing import Any

from clinic import formats
from clinic.units.models import CareSetting
from therapy.outcomes.charts import HALF, Axis, Chart, Mark, Row, Series, by_group, over_time
from therapy.outcomes.list_selectors import reason_words
from therapy.reassessment.models import ReassessmentOutcome
from therapy.reports import findings
from therapy.reports.weekly import STEPS, Values
from therapy.sessions.models import SputumState
from therapy.sessions.words import ADVERSE_EVENTS

__all__ = ["STEPS", "Drawn", "drawn"]

_PERCENT = Axis("% of treatments due", 0, (100,), write=lambda value: formats.number(round(value)))
_ML = Axis(
    "mL a day", 0, (30, 60, 120, 240), steps=3, write=lambda value: formats.number(round(value * 10), scale=1)
)
_NUMBER = Axis("treatments", 0, (10, 20, 50, 100, 200, 500, 1000, 2000, 5000), steps=2)
_APART_WORDS = dict(SputumState.choices)
_URGENCY_WORDS = {"urgent": "Urgent", "soon": "Soon", "routine": "Routine"}


@dataclass(frozen=True)
class Drawn:
    """Everything that a template needs to show one week."""

    values: Values
    title: str
    lead: str
    figures: list[dict[str, Any]]
    weeks: Chart
    reasons: Chart
    sputum: Chart | None
    units: list[dict[str, Any]]
    reason_rows: list[dict[str, Any]]
    sputum_rows: list[dict[str, Any]]
    reassessed: str
    outcomes: str
    overdue: list[dict[str, Any]]
    events: str
    event_rows: list[dict[str, Any]]
    first_treatment: list[dict[str, Any]]
    staff: list[dict[str, Any]]
    changes: list[str]


def drawn(values: Values, changed: Iterable[str] = (), earlier: Values | None = None) -> Drawn:
    """Draw one week.

    Args:
        values: as `weekly.collect` made them.
        changed: the places that differ from the revision before, as `weekly.changed_figures` found them.
        earlier: the values of that revision, for the list of changes.
    """
    marks = _Marks(changed)
    return Drawn(
        values=values,
        title=findings.week_words(values),
        lead=findings.lead(values),
        figures=_figures(values, marks),
        weeks=_weeks(values),
        reasons=_reasons_chart(values),
        sputum=_sputum_chart(values),
        units=[_unit(unit, marks, place) for place, unit in enumerate(values["units"])],
        reason_rows=_reason_rows(values, marks),
        sputum_rows=[_sputum_row(group, marks, place) for place, group in enumerate(values["sputum"])],
        reassessed=findings.reassessed(values),
        outcomes=findings.outcomes(values, dict(ReassessmentOutcome.choices)),
        overdue=[_overdue(row) for row in values["reassessments"]["overdue"]],
        events=findings.events(values),
        event_rows=[
            {
                "name": ADVERSE_EVENTS.get(kind, _words(kind)),
                "number": number,
                "changed": marks.under(f"events.kinds.{kind}"),
            }
            for kind, number in values["events"]["kinds"].items()
        ],
        first_treatment=_first_treatment(values, marks),
        staff=[row | {"changed": marks.under(f"staff.{place}")} for place, row in enumerate(values["staff"])],
        changes=_changes(values, earlier, marks) if earlier is not None else [],
    )


class _Marks:
    """Which places changed since the revision before."""

    def __init__(self, changed: Iterable[str]) -> None:
        self.places = tuple(changed)

    def under(self, *names: str) -> bool:
        """Whether anything at or below one of these places changed, or a list holding it as a whole did."""
        return any(
            place == name or place.startswith(f"{name}.") or name.startswith(f"{place}.")
            for place in self.places
            for name in names
        )


def _figures(values: Values, marks: _Marks) -> list[dict[str, Any]]:
    clinic, before = values["clinic"], values["before"]
    reassessments, events = values["reassessments"], values["events"]
    wilson = clinic["wilson"]
    interval = ""
    if wilson:
        low, high = findings.percent(wilson["low"]), findings.percent(wilson["high"])
        interval = f"In full, 95 %: {low} to {high}, not adjusted for repeated measures."
    return [
        {
            "value": findings.percent(clinic["share"]).capitalize(),
            "words": f"treatments delivered: {findings.counts(clinic)}; "
            f"four weeks before {findings.percent(before['share'])}",
            "small": interval,
            "changed": marks.under("clinic", "before"),
        },
        {
            "value": findings.percent(clinic["adherence"]).capitalize(),
            "words": f"patient adherence, of {formats.count(clinic['adherence_due'], 'treatment')} due without "
            "the service's own failures and what nobody recorded",
            "small": "",
            "changed": marks.under("clinic"),
        },
        {
            "value": f"{reassessments['on_time']:,} of {reassessments['due']:,}",
            "words": f"reassessments on time; {reassessments['late']:,} late, "
            f"{reassessments['still_overdue']:,} still to be done",
            "small": "",
            "changed": marks.under("reassessments"),
        },
        {
            "value": f"{events['number']:,}",
            "words": f"adverse events in {formats.count(events['treatments'], 'treatment')}; "
            f"{events['outside']:,} given outside the rules",
            "small": "",
            "changed": marks.under("events"),
        },
    ]


def _weeks(values: Values) -> Chart:
    marks = [
        Mark(day, None if share is None else _per_cent(share), "" if share is not None else "nothing due")
        for day, share in findings.weeks(values)
    ]
    if marks[-1].value is not None:
        last = marks[-1]
        marks[-1] = Mark(last.at, last.value, label=f"{round(last.value or 0)} %")
    title = findings.delivered(values)
    subtitle = "Treatments delivered of those due, whole clinic, by week; each point stands at its Monday"
    return over_time(title, subtitle, [Series("Delivered", marks)], _PERCENT, width=HALF)


def _per_cent(share: float) -> Fraction:
    return Fraction(share) * 100


def _reasons_chart(values: Values) -> Chart:
    totals = findings.group_totals(values["reasons"])
    rows = [
        Row(findings.GROUP_WORDS[group], totals[group], note=f"{totals[group]:,}")
        for group in findings.GROUPS
    ]
    rows += [
        Row(
            f"Not due: {findings.GROUP_WORDS[group].lower()}",
            totals[group],
            note=f"{totals[group]:,}",
            marked=True,
        )
        for group in findings.BESIDE
    ]
    subtitle = "Treatments not given by reason; rings are those that were not due and count in no share"
    return by_group(
        findings.not_given(values),
        subtitle,
        rows,
        _NUMBER,
        columns=("Reason group", "Treatments"),
        width=HALF,
    )


def _reason_words(reasons: Mapping[str, Any], group: str) -> str:
    named = [f"{_reason(code)} {number:,}" for code, number in reasons.get(group, ()) if code != group]
    return ", ".join(named)


def _reason(code: str) -> str:
    words = reason_words(code)
    return words[:1].lower() + words[1:]


def _words(code: str) -> str:
    return code.replace("_", " ")


def _reason_rows(values: Values, marks: _Marks) -> list[dict[str, Any]]:
    totals = findings.group_totals(values["reasons"])
    return [
        {
            "group": group,
            "name": findings.GROUP_WORDS[group],
            "number": totals[group],
            "reasons": _reason_words(values["reasons"], group),
            "due": group in findings.GROUPS,
            "changed": marks.under(f"reasons.{group}"),
        }
        for group in (*findings.GROUPS, *findings.BESIDE)
    ]


def _unit(unit: Values, marks: _Marks, place: int) -> dict[str, Any]:
    totals = findings.group_totals(unit["reasons"])
    return {
        "name": unit["name"],
        "patients": unit["patients"],
        "due": unit["due"],
        "full": unit["full"],
        "part": unit["part"],
        "share": findings.percent(unit["share"]).capitalize(),
        "adherence": findings.percent(unit["adherence"]).capitalize(),
        "adherence_due": unit["adherence_due"],
        "totals": totals,
        "few": unit["patients"] < 5,
        "changed": marks.under(f"units.{place}"),
    }


def _sputum_chart(values: Values) -> Chart | None:
    """Median and quartiles of the patients' medians; below five patients a ring."""
    if not any(group["volume_tenths_ml"] for group in values["sputum"]):
        return None
    rows = []
    for group in values["sputum"]:
        found = group["volume_tenths_ml"]
        if found is None:
            rows.append(Row(group["name"], None, note="no volume measured"))
            continue
        low, median, high = (Fraction(found[name]) / 10 for name in ("low", "median", "high"))
        note = formats.count(found["patients"], "patient") + (", few" if found["few"] else "")
        rows.append(Row(group["name"], median, low, high, note=note, marked=found["few"]))
    subtitle = "Median of the patients' own medians, with quartiles; a ring marks fewer than 5 patients"
    columns = ("Diagnosis group", "Median (mL a day)", "Quartiles (mL a day)", "From")
    return by_group(findings.sputum(values), subtitle, rows, _ML, columns=columns)


def _sputum_row(group: Values, marks: _Marks, place: int) -> dict[str, Any]:
    return {
        "name": group["name"],
        "ml": _spread(group["volume_tenths_ml"], "mL"),
        "g": _spread(group["mass_tenths_g"], "g"),
        "patients": group["patients"],
        "few": group["patients"] < 5,
        "sessions": group["sessions"],
        "counted": group["counted"],
        "apart": ", ".join(
            f"{str(_APART_WORDS.get(name, name)).lower()} {number:,}"
            for name, number in group["apart"].items()
        )
        or "None",
        "changed": marks.under(f"sputum.{place}"),
    }


def _spread(found: Values | None, unit: str) -> str:
    if found is None:
        return "Not measured"
    low, median, high = (formats.number(round(found[name]), scale=1) for name in ("low", "median", "high"))
    patients = formats.count(found["patients"], "patient")
    return f"{median}{findings.NO_BREAK}{unit} ({low} to {high}), {patients}"


def _overdue(row: Values) -> dict[str, Any]:
    return {
        "number": formats.patient_number(row["number"]),
        "care_setting": str(CareSetting(row["care_setting"]).label),
        "due_at": datetime.fromisoformat(row["due_at"]),
        "over": formats.minutes(row["minutes_over"] // 60 * 60) if row["minutes_over"] >= 60 else "under 1 h",
    }


def _first_treatment(values: Values, marks: _Marks) -> list[dict[str, Any]]:
    found = values["first_treatment"]
    rows = [("All", found)] + [(_URGENCY_WORDS[name], row) for name, row in found["by_urgency"].items()]
    return [
        {
            "name": name,
            "treated": row["treated"],
            "median": "Nobody"
            if row["median_minutes"] is None
            else formats.minutes(round(row["median_minutes"])),
            "changed": marks.under("first_treatment"),
        }
        for name, row in rows
    ]


def _changes(values: Values, earlier: Values, marks: _Marks) -> list[str]:
    """Each changed number with what it was, in words."""
    lines = []
    for place in marks.places:
        here, there = _at(values, place), _at(earlier, place)
        if isinstance(here, int) and isinstance(there, int):
            lines.append(f"{_place_words(values, place)}: {there:,}, now {here:,}")
    return lines


def _place_words(values: Values, place: str) -> str:
    parts, names = place.split("."), []
    for depth, part in enumerate(parts):
        around = _at(values, ".".join(parts[: depth + 1]))
        named = isinstance(around, dict) and (
            around.get("name") or around.get("number") or around.get("week")
        )
        names.append(str(named) if part.isdigit() and named else _words(part))
    return ", ".join(names)


def _at(values: Any, place: str) -> Any:
    for part in place.split("."):
        if isinstance(values, dict):
            values = values.get(part)
        elif isinstance(values, list) and part.isdigit() and int(part) < len(values):
            values = values[int(part)]
        else:
            return None
    return values


def last_day(values: Values) -> date:
    """The Sunday of the week."""
    return date.fromisoformat(values["last_day"])
