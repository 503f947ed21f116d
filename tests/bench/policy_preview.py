"""A policy preview over 2,000 active patients, beside the floor: a bare loop over the same cells in the same run.

.venv/bin/python -m tests.bench.policy_preview
"""

import datetime as dt
import os
from time import perf_counter, process_time
from typing import TYPE_CHECKING
from uuid import UUID

import django

if TYPE_CHECKING:
    from screening.holds import GivenDecision

PATIENTS, TARGET_S = 2_000, 2.0
DECIDED_EACH = 10  # every tenth patient has a decision


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.settings")
    django.setup()
    from screening import rules, selectors
    from screening.holds import GivenScreening
    from screening.models import Screening
    from screening.policy.rules import CellRule, ShelfLifeRule, ThresholdRule
    from screening.policy.selectors import History
    from screening.table import Grade, Life, current
    from therapy.pages import policy_preview

    table, now = current(), dt.datetime(2026, 11, 25, 9, 41, tzinfo=dt.UTC)
    known, decisions = {}, {}
    for place in range(PATIENTS):
        answers = {
            key: rules.Answer(
                rules.YES if (place * 7 + at) % 40 == 0 else rules.NO, now - dt.timedelta(minutes=45)
            )
            for at, key in enumerate(table.conditions)
        }
        answers["icp_mmhg"] = rules.Answer(12 + place % 7, now - dt.timedelta(minutes=45))
        answers.pop("icp_above_20")
        given = GivenScreening(id=UUID(int=place + 1), at=now, answers=answers)
        known[UUID(int=place + 1)] = [(Screening(started_at=now), given)]
        if place % DECIDED_EACH == 0:
            decisions[UUID(int=place + 1)] = [decision_on("pep", now)]
    read = selectors.Known(
        screenings=known, decisions=decisions, lifts={}, flags={}, moves={}, policy=History(())
    )
    wanted = dict.fromkeys(known, ("pep", "drainage"))
    began = process_time()
    for of_patient in known.values():
        said = of_patient[0][1].answers
        for (row, _), cell in table.cells.items():
            _ = row in said and said[row].value != rules.NO and cell.grade is not Grade.NONE_LISTED
    floor = process_time() - began
    for words, held in (
        ("a cell", [CellRule(condition="osteoporosis", technique="pep", grade=Grade.ABSOLUTE)]),
        ("a threshold", [ThresholdRule(condition="icp_above_20", number="icp_mmhg", value=15)]),
        ("a shelf life", [ShelfLifeRule(life=Life.NOW, minutes=30)]),
    ):
        began, worked = perf_counter(), process_time()
        found = policy_preview.compare(read, wanted, (), held, now)
        took, work = perf_counter() - began, process_time() - worked
        print(
            f"{words}: {took:.2f} s, of the processor {work:.2f} s, for {PATIENTS:,} patients (target {TARGET_S:g} s, "
            f"reading not counted), {len(found.changes):,} change, {work / floor:.1f} times the floor"
        )


def decision_on(technique: str, at: dt.datetime) -> "GivenDecision":
    from screening.holds import GivenDecision

    return GivenDecision(
        id=UUID(int=1), technique=technique, proceed=True, reason="because", conditions="", by="a clinician",
        stop_below_spo2_percent=None, at=at - dt.timedelta(hours=1), expires_at=at + dt.timedelta(hours=1),
        fingerprint="0" * 64,
    )  # fmt: skip


if __name__ == "__main__":
    main()
