"""Earlier versions of the rule table are kept, and what was screened under them replays and reads as it did."""

import csv
import datetime as dt
import re
import shutil

import pytest
import time_machine
from django.urls import reverse

from screening import rules, services, versions
from screening import table as tables
from screening.replayed import Stored, differences, replay
from screening.selectors import value_of
from screening.table import Grade, TableRefused
from tests.conftest import NOW
from therapy.pages.record_checks.care import results_follow_from_the_answers

ALL_NO = {key: "no" for key, row in tables.current().conditions.items() if "age_years" not in row.numbers}
HERE = tables.DIRECTORY
LATER = "999"


def rewrite(path, change):
    with path.open(encoding="utf-8", newline="") as lines:
        reader = csv.DictReader(lines)
        rows = [change(row) for row in reader]
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, reader.fieldnames)
        writer.writeheader()
        writer.writerows(row for row in rows if row)


def make_current(monkeypatch, directory):
    monkeypatch.setattr(tables, "DIRECTORY", directory)
    tables.current.cache_clear()


@pytest.fixture
def later_table(tmp_path, monkeypatch):
    """Puts another version of the table in force: every word, reason, grade and technique name is another one."""
    directory = tmp_path / "contraindications"

    def cells(row):
        if row["technique"] == "incentive_spirometry":
            return None
        if row["condition"] == "epistaxis" and row["technique"] == "pep":
            row |= {"grade": "A", "star": "no", "sources": "aarc-1993-pap", "reason": "Another reason."}
        return row

    def put_in_force(*, keep=True):
        shutil.copytree(HERE, directory)
        before = tables.current().version
        if keep:
            folder = directory / versions.KEPT / before
            folder.mkdir()
            for name in versions.FILES:
                shutil.copy(directory / name, folder / name)
        rewrite(directory / "cells.csv", cells)
        rewrite(directory / "conditions.csv", lambda row: row | {"words": f"Reworded: {row['words']}"})
        rewrite(directory / "sources.csv", lambda row: row | {"citation": "Another document."})
        rewrite(
            directory / "thresholds.csv",
            lambda row: row | ({"more_than": "15"} if row["number"] == "icp_mmhg" else {}),
        )
        head = (directory / "table.toml").read_text(encoding="utf-8")
        head = head.replace(f'version = "{before}"', f'version = "{LATER}"')
        head = head.replace('pep = "PEP"\n', 'pep = "Another name"\n', 1)
        head = re.sub(r"incentive_spirometry = .*\n", "", head)
        (directory / "table.toml").write_text(head, encoding="utf-8")
        make_current(monkeypatch, directory)
        assert tables.current().version == LATER

    yield put_in_force
    monkeypatch.undo()
    tables.current.cache_clear()


def test_the_table_in_force_is_the_one_whose_digest_was_recorded():
    """To change the table: keep the old files under versions/, raise the version, record the new digest."""
    recorded = versions.digests(HERE)
    assert recorded[tables.current().version] == versions.digest(HERE)
    assert list(recorded)[-1] == tables.current().version


def test_every_version_that_was_ever_in_force_is_kept_whole():
    for version in versions.digests(HERE):
        assert versions.of(version).version == version


def test_version_1_asked_neither_days_since_surgery_nor_peak_cough_flow_and_has_the_same_cells():
    first, second = versions.of("1"), versions.of("2")
    added = second.numbers.keys() - first.numbers.keys()
    assert added == {"days_since_surgery", "peak_cough_flow_l_per_min"}
    assert dict(first.cells) == dict(second.cells)


def test_a_version_that_is_not_kept_is_refused():
    with pytest.raises(TableRefused, match="version '0' of the rule table is not kept"):
        versions.of("0")
    assert versions.known("0") is None


@pytest.mark.parametrize("damage", ["edited", "missing file", "renamed"])
def test_a_kept_version_that_was_touched_is_refused(tmp_path, monkeypatch, damage):
    directory = tmp_path / "contraindications"
    shutil.copytree(HERE, directory)
    kept = directory / versions.KEPT / "1"
    if damage == "edited":
        rewrite(kept / "cells.csv", lambda row: row | {"reason": row["reason"].replace("air", "water")})
    elif damage == "missing file":
        shutil.rmtree(kept)
    else:
        kept.rename(kept.parent / "7")
        (kept.parent / versions.DIGESTS).write_text(f'7 = "{versions.digest(kept.parent / "7")}"\n')
    monkeypatch.setattr(tables, "DIRECTORY", directory)
    with pytest.raises(TableRefused, match=r"no longer those|not kept|says that it is version 1"):
        versions.of("7" if damage == "renamed" else "1")


# Replay


def record(world, cast, **changed):
    with time_machine.travel(NOW, tick=False):
        return services.record_screening(
            by=cast.therapist, patient=world.mosswater, answers=ALL_NO | changed, at=NOW
        )


def stored_of(row):
    return [Stored(one.technique, one.result, one.explanation) for one in row.results.all()]


def answers_of(row):
    return {one.condition: rules.Answer(value_of(one)) for one in row.answers.all()}


FINDINGS = {"epistaxis": "yes", "icp_mmhg": 18, "icp_above_20": "no", "ear_drum_or_middle_ear": "unknown"}


@pytest.mark.django_db
def test_a_screening_replays_by_its_own_version_after_the_table_has_changed(world, cast, later_table):
    row = record(world, cast, **FINDINGS)
    version = row.table_version
    later_table()
    again = replay(answers_of(row), versions.of(version))
    assert differences(stored_of(row), again) == ()
    assert not list(results_follow_from_the_answers())
    # By the table in force now, the same answers would give something else.
    assert tables.current().cells["epistaxis", "pep"].grade is Grade.ABSOLUTE
    del (answers := answers_of(row))["icp_above_20"]
    assert rules.screen(answers, tables.current())["mi_e"].result is rules.Result.DO_NOT_START
    assert again["mi_e"].result is rules.Result.INCOMPLETE


@pytest.mark.django_db
def test_where_its_version_is_not_kept_the_records_check_says_so(world, cast, later_table):
    row = record(world, cast)
    later_table(keep=False)
    (finding,) = results_follow_from_the_answers()
    assert finding.id == str(row.pk)
    assert "cannot be replayed" in finding.words


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda kept: kept.pop(), "no result is stored"),
        (lambda kept: kept.append(Stored("massage", "none_found", {"because": []})), "no such technique"),
        (
            lambda kept: kept.__setitem__(0, Stored(kept[0].technique, "none_found", kept[0].explanation)),
            "its answers give clinician_must_decide",
        ),
        (
            lambda kept: kept.__setitem__(0, Stored(kept[0].technique, kept[0].result, {"because": []})),
            "its explanation is not that of its answers",
        ),
    ],
)
@pytest.mark.django_db
def test_each_way_in_which_what_is_stored_can_differ_is_told(world, cast, spoil, words):
    row = record(world, cast, rib_fracture="yes")
    kept = stored_of(row)
    assert differences(kept, replay(answers_of(row), versions.of(row.table_version))) == ()
    spoil(kept)
    (line,) = differences(kept, replay(answers_of(row), versions.of(row.table_version)))
    assert words in line


# The page


def main_of(client, address):
    page = client.get(address).content.decode()
    return page[page.index("<main") : page.index("</main>")]


@pytest.fixture
def an_earlier_one(world, cast, sign_in):
    """A screening with findings that another one has replaced, and how its page reads."""
    old = record(world, cast, **FINDINGS)
    with time_machine.travel(NOW + dt.timedelta(hours=1), tick=False):
        services.record_screening(
            by=cast.therapist, patient=world.mosswater, answers=ALL_NO, at=NOW + dt.timedelta(hours=1)
        )
        client = sign_in(cast.therapist)
        address = reverse(
            "screening-earlier", kwargs={"patient_id": world.mosswater.pk, "screening_id": old.pk}
        )
        yield lambda: main_of(client, address)


@pytest.mark.django_db
def test_an_earlier_screening_reads_as_it_was_after_the_table_has_changed(an_earlier_one, later_table):
    before = an_earlier_one()
    for words in ("Incentive spirometry", "Epistaxis", "Intracranial pressure", "18 mmHg", "AARC 1993 (PAP)"):
        assert words in before
    later_table()
    assert an_earlier_one() == before


@pytest.mark.django_db
def test_without_its_table_an_earlier_screening_still_reads_what_was_stored(an_earlier_one, later_table):
    before = an_earlier_one()
    later_table(keep=False)
    after = an_earlier_one()
    results = slice(before.index('<table class="stack results">'), before.index('id="all-answers"'))
    assert before[results] in after
    assert "Reworded" not in after


@pytest.mark.django_db
def test_the_one_in_force_says_that_the_table_has_changed_and_what_it_makes_of_it_now(
    world, cast, sign_in, later_table
):
    with time_machine.travel(NOW, tick=False):
        record(world, cast, epistaxis="yes")
        later_table()
        page = main_of(sign_in(cast.therapist), reverse("screening", args=[world.mosswater.pk]))
    assert "The rule table has changed since" in page
    assert f"judged by version {LATER}" in page
    assert "By the rules in force now: Contraindicated: do not start." in page
