"""A policy preview over 2,000 active patients, beside the floor: a bare loop over the same cells in the same run.

.venv/bin/python -m tests.bench.policy_preview
"""

import datetime as dt
import os
from time import perf_counter
from uuid import UUID

import django

PATIENTS, TARGET_S = 2_000, 2.0


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.settings")
    django.setup()
    from screening import rules, selectors
    from screening.holds import GivenScreening
    from screening.models import Screening
    from screening.policy.rules import CellRule, ShelfLifeRule
    from screening.policy.selectors import History
    from screening.table import Grade, Life, current
    from therapy.pages import policy_preview

    table, now = current(), dt.datetime(2026, 11, 25, 9, 41, tzinfo=dt.UTC)
    known = {}
    for place in range(PATIENTS):
        answers = {
            key: rules.Answer(
                rules.YES if (place * 7 + at) % 40 == 0 else rules.NO, now - dt.timedelta(minutes=45)
            )
            for at, key in enumerate(table.conditions)
        }
        given = GivenScreening(id=UUID(int=place + 1), at=now, answers=answers)
        known[UUID(int=place + 1)] = [(Screening(started_at=now), given)]
    read = selectors.Known(screenings=known, decisions={}, lifts={}, flags={}, moves={}, policy=History(()))
    wanted = dict.fromkeys(known, ("pep", "drainage"))
    began = perf_counter()
    for of_patient in known.values():
        said = of_patient[0][1].answers
        for (row, _), cell in table.cells.items():
            _ = said[row].value != rules.NO and cell.grade is not Grade.NONE_LISTED
    floor = perf_counter() - began
    for words, held in (
        ("a cell", [CellRule(condition="osteoporosis", technique="pep", grade=Grade.ABSOLUTE)]),
        ("a shelf life", [ShelfLifeRule(life=Life.NOW, minutes=30)]),
    ):
        began = perf_counter()
        found = policy_preview.compare(read, wanted, (), held, now)
        took = perf_counter() - began
        print(
            f"{words}: {took:.2f} s for {PATIENTS:,} patients (target {TARGET_S:g} s, reading not counted), "
            f"{len(found.changes):,} change, {took / floor:.1f} times the floor"
        )


if __name__ == "__main__":
    main()
