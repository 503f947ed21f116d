"""The hazard log, the rule table and what is in force, as every role reads them."""

import csv
import html
import re
from typing import Any

import pytest
from django.urls import reverse

from clinic.safety import hazards
from screening.table import DIRECTORY, Grade
from screening.table import current as rule_table
from tests import safety_case
from tests.conftest import Cast
from tests.screening.test_services import wait_longer
from therapy.pages import safety_pages

pytestmark = pytest.mark.django_db


def words_of(page: Any) -> str:
    """What a person reads, tags and line ends taken out."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page.content.decode())).split())


def test_every_role_reads_purpose_hazards_rules_and_what_is_in_force(cast: Cast, sign_in: Any) -> None:
    """standards.md section 4, item 3: intended purpose and "not for" in the app's About."""
    for person in (cast.lead, cast.therapist, cast.manager, cast.administrator):
        client = sign_in(person)
        for name in ("about", "hazard-log", "rule-table", "rules-in-force"):
            answer = client.get(reverse(name))
            assert answer.status_code == 200
            assert 'aria-current="page"' in answer.content.decode()
        assert "Not for" in words_of(client.get(reverse("about")))


def test_the_hazard_log_shows_each_hazard_with_its_risks_controls_and_proofs(
    cast: Cast, sign_in: Any
) -> None:
    """Columns of the hazard log as seen in an open quality-management template: standards.md section 4."""
    shown = words_of(sign_in(cast.manager).get(reverse("hazard-log")))
    for hazard in hazards.current():
        for text in (hazard.id, hazard.hazard, hazard.causes, hazard.effect, hazard.comment):
            assert text in shown
        for control in hazard.controls:
            assert control.words in shown
            for test in control.tests:
                assert test in shown
    assert "A decision dies when one of the answers it weighed changes." in shown
    assert f"{len(hazards.current())} hazards" in shown
    assert f"{len(safety_case.named())} tests that prove them" in shown
    assert "Not signed off" in shown


def test_the_rule_table_shows_every_cell_once_with_its_star_and_source() -> None:
    """Held against the data file itself, read here a second time."""
    with (DIRECTORY / "cells.csv").open(encoding="utf-8", newline="") as lines:
        filed = {(row["condition"], row["technique"]): row for row in csv.DictReader(lines)}
    table = rule_table()
    names = {words: key for key, words in table.techniques.items()}
    grades = {"do not start": "A", "a clinician must decide": "R", "none listed": "N"}
    shown = {}
    for group in table.groups:
        for row in safety_pages.rule_group(group).rows:
            for cell in row.cells:
                for technique in cell.techniques:
                    key = (row.key, names[technique])
                    assert key not in shown
                    shown[key] = (
                        grades[cell.grade],
                        "yes" if cell.star else "no",
                        cell.reason,
                        cell.conflict,
                    )
                    assert bool(cell.sources) == (cell.grade != "none listed")
    assert len(shown) == 79 * 11
    for key, row in filed.items():
        reason = "" if row["grade"] == Grade.NONE_LISTED else row["reason"]
        assert shown[key] == (row["grade"], row["star"], reason, row["conflict"]), key


def test_a_group_reads_in_words_with_stars_conflicts_and_none_listed(cast: Cast, sign_in: Any) -> None:
    shown = words_of(sign_in(cast.therapist).get(reverse("rule-table-group", args=["lungs"])))
    for text in (
        "do not start",
        "a clinician must decide",
        "none listed",
        "Star: judgement",
        "needs local sign-off",
    ):
        assert text in shown
    assert "Sources differ" in shown
    assert "AARC 1991" in shown
    assert sign_in(cast.therapist).get(reverse("rule-table-group", args=["wings"])).status_code == 404


def test_the_strictest_cells_of_a_row_stand_on_top() -> None:
    order = ["do not start", "a clinician must decide", "none listed"]
    for group in rule_table().groups:
        for row in safety_pages.rule_group(group).rows:
            places = [order.index(cell.grade) for cell in row.cells]
            assert places == sorted(places)


def test_thresholds_are_told_in_words_and_in_no_sign(cast: Cast, sign_in: Any) -> None:
    """ISMP: the signs for less and more are read as digits or reversed."""
    shown = words_of(sign_in(cast.lead).get(reverse("rules-in-force")))
    for text in (
        "Intracranial pressure: more than 20 mmHg",
        "Platelets: at least 20 \u00d710\u2079/L and less than 50 \u00d710\u2079/L",
        "Blood coughed up in 24 h: at least 5 mL and at most 240 mL",
        "Minutes since the last meal or feed ended: less than 30 min, for high-frequency chest wall oscillation",
        "asked where blood coughed up in 24 h is more than 100 mL",
        "asked before each treatment",
        "Blood coughed up in 24 h: any number that is known answers no",
    ):
        assert text in shown
    assert not re.search(r"[<>\u2264\u2265]\s?\d", shown)


def test_the_clinics_own_rules_are_shown_beside_what_the_table_lists(cast: Cast, sign_in: Any) -> None:
    client = sign_in(cast.lead)
    assert "None: the rule table holds as it is." in words_of(client.get(reverse("rules-in-force")))
    wait_longer(cast, 120)
    shown = words_of(client.get(reverse("rules-in-force")))
    assert re.search(r"under 120 min counts as .* for Head-down drainage", shown)
    assert "Rule table: under 90 min. Our patients settle late" in shown
