"""What a referral file says is so: it holds at once, says nothing of what it leaves out, and is told once."""

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from clinic.attention.models import Flag, Notice
from clinic.models import Referral
from clinic.referrals import importing
from screening import ordered, selectors, services, table
from screening.models import Screening
from tests.clinic.referrals.test_rules import GOOD, file_of

pytestmark = pytest.mark.django_db
ALL_NO = {
    key: "no" for key, condition in table.current().conditions.items() if "age_years" not in condition.numbers
}


@pytest.fixture(autouse=True)
def data_dir(tmp_path, settings: Any):
    settings.DATA_DIR = tmp_path


@pytest.fixture(autouse=True)
def pep_is_ordered():
    before = ordered.told_by(lambda patients: dict.fromkeys(patients, ("pep",)))
    yield
    ordered.told_by(before)


def mosswater(**changes):
    received = (timezone.localdate() - timedelta(days=1)).isoformat()
    return {
        **GOOD, "record_number": "204118553", "family_name": "Mosswater", "given_name": "Bryn",
        "birth_date": "14-Mar-1958", "national_number": "", "unit": "Acute ward", "received": received,
        "conditions": "", **changes,
    }  # fmt: skip


def take(by, *rows):
    taken = importing.keep(by=by, file_name="referrals.csv", content=file_of(*rows))
    taken = importing.work_through(taken.pk, progress=lambda *_: None)
    importing.finish(taken)
    return taken


def guard(patient, technique="pep"):
    return selectors.guard(patient, technique, timezone.now(), purpose="begin")


def test_a_condition_in_the_file_holds_what_was_free_at_once_and_is_told(world, cast):
    services.record_screening(by=cast.lead, patient=world.mosswater, answers=ALL_NO, at=timezone.now())
    assert guard(world.mosswater).allowed
    take(cast.lead, mosswater(conditions="epistaxis"))
    held = guard(world.mosswater)
    assert (held.allowed, held.bar) == (False, "decision_wanted")
    assert Flag.objects.get(kind="decide").technique == "pep"
    assert [notice.to for notice in Notice.objects.filter(kind="hold")] == [cast.therapist]
    answer = Screening.objects.get(patient=world.mosswater, ended_at__isnull=True).answers.get(
        condition="epistaxis"
    )
    assert (answer.kind, answer.answered_by) == ("yes", cast.lead)


def test_what_the_file_leaves_out_is_never_no(world, cast):
    take(cast.lead, mosswater(conditions="epistaxis | osteoporosis"))
    row = Screening.objects.get(patient=world.mosswater)
    said = dict(row.answers.values_list("condition", "kind"))
    assert {key for key, kind in said.items() if kind == "yes"} == {"epistaxis", "osteoporosis"}
    assert "no" not in said.values()
    assert not guard(world.mosswater, "incentive_spirometry").allowed


def test_the_file_is_not_the_patient_seen_and_not_screening_again(world, cast):
    take(cast.lead, mosswater(conditions="epistaxis"))
    assert Referral.objects.get(patient=world.mosswater).first_seen_at is None
    assert Screening.objects.get(patient=world.mosswater).whole_at is None


def test_the_same_file_again_changes_nothing_even_after_the_answer_was_no(world, cast):
    take(cast.lead, mosswater(conditions="epistaxis"))
    services.record_screening(by=cast.lead, patient=world.mosswater, answers=ALL_NO, at=timezone.now())
    again = take(cast.lead, mosswater(conditions="epistaxis"))
    assert again.rows_known == 1
    assert guard(world.mosswater).allowed
    assert Screening.objects.filter(patient=world.mosswater).count() == 2


def test_a_condition_added_to_a_known_row_holds_too(world, cast):
    take(cast.lead, mosswater())
    assert not Screening.objects.exists()
    take(cast.lead, mosswater(conditions="epistaxis"))
    assert Referral.objects.get(patient=world.mosswater).conditions == "epistaxis"
    assert Screening.objects.get(patient=world.mosswater).answers.filter(condition="epistaxis").exists()


def test_a_key_that_the_table_does_not_know_refuses_the_row(world, cast):
    taken = take(cast.lead, mosswater(conditions="epistaxis nosebleed"))
    assert taken.rows_refused == 1
    assert not Screening.objects.exists()


def test_what_contradicts_a_number_is_asked_again_and_told(world, cast):
    answers = {key: value for key, value in ALL_NO.items() if not key.startswith("icp_")} | {"icp_mmhg": 12}
    services.record_screening(by=cast.therapist, patient=world.mosswater, answers=answers, at=timezone.now())
    take(cast.lead, mosswater(conditions="icp_above_20"))
    assert not guard(world.mosswater).allowed, "the word takes the number's place, or somebody is asked"


@pytest.mark.parametrize("who", ["nobody", "therapist"])
def test_what_a_file_says_is_so_is_taken_only_on_behalf_of_a_lead(world, cast, who):
    by = None if who == "nobody" else cast.therapist
    assert take(by, mosswater(conditions="epistaxis")).rows_refused == 1
    assert not Referral.objects.exists()
    assert take(by, mosswater()).rows_refused == 0
