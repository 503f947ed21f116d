"""All techniques for one patient, beside the floor: a bare loop over the same cells in the same run.

.venv/bin/python -m tests.bench.techniques
"""

from timeit import repeat

from screening import calculation, rules
from screening.table import Grade, current

RUNS, TARGET_MS = 300, 1.0


def main() -> None:
    table = current()
    answers = {key: rules.Answer(value) for key, value in calculation.example()["answers"].items()}
    yes = {key for key, one in answers.items() if one.value != rules.NO}

    def floor() -> dict[str, int]:
        worst = dict.fromkeys(table.techniques, 0)
        for (row, technique), cell in table.cells.items():
            if row in yes and cell.grade is not Grade.NONE_LISTED:
                worst[technique] += 1
        return worst

    rules.screen(answers, table)
    ours, bare = (
        min(repeat(each, number=RUNS, repeat=5)) / RUNS
        for each in (lambda: rules.screen(answers, table), floor)
    )
    print(
        f"all techniques: {ours * 1000:.3f} ms (target {TARGET_MS:g} ms), {ours / bare:.1f} times the floor"
    )


if __name__ == "__main__":
    main()
