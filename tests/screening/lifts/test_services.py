"""Two people lift a starred bar for one patient: who signs, from when it counts, and what ends it."""

import datetime as dt

import pytest
import time_machine
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from clinic import access
from clinic.attention.models import Flag, FlagKind
from clinic.audit.models import AuditEvent
from clinic.models import AccessGrant
from clinic.records import Refused
from screening import hold_services, ordered, selectors, services, table
from screening.holds import Bar
from screening.lifts import services as lifts
from screening.lifts.models import Lift, LiftSignature
from tests.conftest import NOW, make_person

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)
ALL_NO = {
    key: "no" for key, condition in table.current().conditions.items() if "age_years" not in condition.numbers
}


@pytest.fixture(autouse=True)
def clock():
    before = ordered.told_by(lambda patients: dict.fromkeys(patients, ("mi_e",)))
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller
    ordered.told_by(before)


@pytest.fixture(autouse=True)
def covering(world, cast):
    """The colleague, who is not licensed, looks after the patient too."""
    AccessGrant.objects.create(
        patient=world.mosswater, person=cast.colleague, why="covering", from_at=NOW - HOUR
    )


@pytest.fixture
def abscess(world, cast):
    """A screening whose only finding is a lung abscess: mechanical in-exsufflation is barred by judgement."""
    return screen(world, cast, lung_abscess="yes")


def screen(world, cast, at=NOW, **changed):
    return services.record_screening(
        by=cast.therapist, patient=world.mosswater, answers=ALL_NO | changed, at=at
    )


def propose(world, by, account=None, **changed):
    arguments = {
        "technique": "mi_e",
        "condition": "lung_abscess",
        "prescriber": "" if account else "Dr Larkspur",
        "prescriber_account": account,
        "given": "" if account else "written",
        "reason": "Sputum cannot be cleared otherwise; the abscess drains.",
        "expires_at": NOW + 48 * HOUR,
        "at": NOW,
    } | changed
    return lifts.propose(by=by, patient=world.mosswater, **arguments)


def guard(world, at=NOW, purpose="begin"):
    return selectors.guard(world.mosswater, "mi_e", at, purpose=purpose)


def refused(field, words, act):
    with pytest.raises(Refused) as error:
        act()
    assert error.value.field == field
    assert words in error.value.message


# Two signatures


def test_until_both_have_signed_a_lift_does_not_count(world, cast, abscess, clock):
    lift = propose(world, cast.colleague, cast.lead)
    assert not lift.signatures.exists(), "each signs himself: entering it signs for nobody"
    assert guard(world).bar is Bar.DO_NOT_START
    lifts.sign(by=cast.therapist, lift=lift, at=NOW)
    assert guard(world).bar is Bar.DO_NOT_START
    clock.move_to(NOW + dt.timedelta(minutes=20))
    lifts.sign(by=cast.lead, lift=lift, at=NOW + dt.timedelta(minutes=20))
    assert dict(lift.signatures.values_list("part", "by__username")) == {
        "prescriber": "saltmarsh", "second": "quillfeather",
    }  # fmt: skip
    found = guard(world, NOW + dt.timedelta(minutes=20))
    assert found.allowed
    assert (found.lifts[0].prescriber, found.lifts[0].second) == ("M. Saltmarsh", "R. Quillfeather")
    assert not guard(world, NOW + dt.timedelta(minutes=19)).allowed, "never earlier than the second signature"


def test_a_prescriber_who_enters_it_signs_by_that_and_cannot_sign_twice(world, cast, abscess):
    lift = propose(world, cast.lead, cast.lead)
    assert lift.signatures.get().part == "prescriber"
    refused("lift", "two people's", lambda: lifts.sign(by=cast.lead, lift=lift, at=NOW))
    lifts.sign(by=cast.therapist, lift=lift, at=NOW)
    assert guard(world).allowed


def test_a_prescriber_without_an_account_is_entered_by_one_person_and_another_signs_second(
    world, cast, abscess
):
    lift = propose(world, cast.therapist, given="telephone")
    entered = lift.signatures.get()
    assert (entered.part, entered.given, entered.by) == ("prescriber", "telephone", cast.therapist)
    refused("lift", "two people's", lambda: lifts.sign(by=cast.therapist, lift=lift, at=NOW))
    lifts.sign(by=cast.lead, lift=lift, at=NOW)
    assert guard(world).lifts[0].prescriber == "Dr Larkspur"


@pytest.mark.parametrize("words", ["Dr Mina Saltmarsh", "M. Saltmarsh", "Dr Saltmarsh"])
def test_a_prescriber_with_an_account_is_not_entered_in_words(world, cast, abscess, words):
    refused("prescriber", "has an account", lambda: propose(world, cast.therapist, prescriber=words))


def test_the_prescriber_named_in_words_does_not_sign_second(world, cast, abscess):
    lift = propose(world, cast.therapist, prescriber="Dr Ondine Marsh")
    later = make_person("marsh", "lead", given_name="Ondine", family_name="Marsh", licensed=True)
    refused("lift", "is you", lambda: lifts.sign(by=later, lift=lift, at=NOW))


def test_only_a_licensed_clinician_who_looks_after_the_patient_signs(world, cast, abscess):
    lift = propose(world, cast.therapist)
    for person in (cast.colleague, cast.manager, cast.administrator):
        with pytest.raises(access.NotPermitted):
            lifts.sign(by=person, lift=lift, at=NOW)
    stranger = make_person("ferngate", "therapist", licensed=True)
    with pytest.raises(access.NotPermitted):
        lifts.sign(by=stranger, lift=lift, at=NOW)
    with pytest.raises(access.NotPermitted):
        propose(world, stranger)


def test_the_database_itself_refuses_one_person_twice(world, cast, abscess):
    lift = propose(world, cast.therapist)
    with pytest.raises(IntegrityError), transaction.atomic():
        LiftSignature.objects.create(lift=lift, part="second", by=cast.therapist)


# What may be lifted


def test_a_published_bar_is_refused_with_reason_and_source(world, cast):
    screen(world, cast, vomiting_now="yes")
    cell = table.current().cells["vomiting_now", "mi_e"]
    refused("condition", cell.reason, lambda: propose(world, cast.lead, cast.lead, condition="vomiting_now"))
    refused(
        "condition",
        table.current().cite(cell),
        lambda: propose(world, cast.lead, cast.lead, condition="vomiting_now"),
    )
    assert not Lift.objects.exists()


@pytest.mark.parametrize("answer", ["no", "unknown"])
def test_what_was_not_answered_yes_cannot_be_lifted(world, cast, answer):
    screen(world, cast, lung_abscess=answer)
    refused("condition", "nothing to lift", lambda: propose(world, cast.lead, cast.lead))


def test_a_clinician_must_decide_is_decided_not_lifted(world, cast):
    screen(world, cast, rib_fracture="yes")
    refused(
        "condition", "does not say", lambda: propose(world, cast.lead, cast.lead, condition="rib_fracture")
    )


@pytest.mark.parametrize("days", [0, 8, 400])
def test_the_end_is_bounded(world, cast, abscess, days):
    end = NOW + dt.timedelta(days=days)
    refused("expires_at", "within 7 days", lambda: propose(world, cast.lead, cast.lead, expires_at=end))


def test_a_reason_is_wanted_and_one_lift_at_a_time_waits(world, cast, abscess):
    refused("reason", "reason", lambda: propose(world, cast.lead, cast.lead, reason=" "))
    propose(world, cast.therapist)
    refused("condition", "waits", lambda: propose(world, cast.therapist))


# What ends it


def lifted(world, cast, **changed):
    lift = propose(world, cast.lead, cast.lead, **changed)
    lifts.sign(by=cast.therapist, lift=lift, at=NOW)
    return lift


def test_an_unchanged_answer_asked_again_keeps_the_lift(world, cast, abscess, clock):
    lifted(world, cast)
    clock.move_to(NOW + HOUR)
    screen(world, cast, NOW + HOUR, lung_abscess="yes", epistaxis="no")
    assert guard(world, NOW + HOUR).allowed


@pytest.mark.parametrize("answer", ["no", "unknown"])
def test_another_answer_ends_it_for_good(world, cast, abscess, clock, answer):
    lift = lifted(world, cast)
    clock.move_to(NOW + HOUR)
    screen(world, cast, NOW + HOUR, lung_abscess=answer)
    lift.refresh_from_db()
    assert lift.ended_at == NOW + HOUR
    assert AuditEvent.objects.filter(action="lift ended", subject_id=str(lift.pk)).count() == 1
    clock.move_to(NOW + 2 * HOUR)
    screen(world, cast, NOW + 2 * HOUR, lung_abscess="yes")
    assert guard(world, NOW + 2 * HOUR).bar is Bar.DO_NOT_START, "the old answer does not bring it back"


def test_it_ends_early_with_a_reason_and_holds_again_at_once(world, cast, abscess):
    lift = lifted(world, cast)
    refused("reason", "reason", lambda: lifts.end(by=cast.colleague, lift=lift, at=NOW, reason=""))
    lifts.end(by=cast.colleague, lift=lift, at=NOW + HOUR, reason="He coughs blood.")
    assert guard(world, NOW + HOUR).bar is Bar.DO_NOT_START
    assert guard(world, NOW + dt.timedelta(minutes=30)).allowed, "what was given meanwhile was given under it"
    refused("lift", "ended", lambda: lifts.end(by=cast.lead, lift=lift, at=NOW + 2 * HOUR, reason="again"))
    refused("lift", "ended", lambda: lifts.sign(by=cast.lead, lift=lift, at=NOW + 2 * HOUR))


def test_a_new_lift_replaces_the_one_that_counts_only_when_it_is_signed(world, cast, abscess):
    first = lifted(world, cast)
    second = propose(world, cast.lead, cast.lead, expires_at=NOW + 100 * HOUR)
    first.refresh_from_db()
    assert first.ended_at is None
    lifts.sign(by=cast.therapist, lift=second, at=NOW)
    first.refresh_from_db()
    assert (first.ended_reason, guard(world, NOW, "display").lifts[0].id) == ("Lifted anew", str(second.pk))


def test_when_it_runs_out_the_job_tells_of_the_hold_once(world, cast, abscess):
    hold = Flag.objects.get(kind=FlagKind.DECIDE)
    lifted(world, cast)
    hold.refresh_from_db()
    assert (hold.state, hold.outcome) == ("closed", "done")
    assert hold_services.tell_all_holds(at=NOW + 47 * HOUR) == 0
    assert hold_services.tell_all_holds(at=NOW + 48 * HOUR) == 1
    assert hold_services.tell_all_holds(at=NOW + 48 * HOUR) == 0
    assert Flag.objects.filter(kind=FlagKind.DECIDE, state="open").count() == 1


def test_a_signature_is_asked_for_until_it_is_given_or_void(world, cast, abscess):
    propose(world, cast.therapist, cast.lead)
    flag = Flag.objects.get(kind=FlagKind.CO_SIGN)
    assert (flag.state, flag.owner, flag.subject_type) == ("open", cast.lead, "screening.lift")
    assert lifts.close_run_out(at=NOW + 47 * HOUR) == 0
    assert lifts.close_run_out(at=NOW + 48 * HOUR) == 1
    assert lifts.close_run_out(at=NOW + 48 * HOUR) == 0
    lifted(world, cast, at=NOW + 49 * HOUR, expires_at=NOW + 60 * HOUR)
    assert [one.outcome for one in Flag.objects.filter(kind=FlagKind.CO_SIGN).order_by("opened_at")] == [
        "void", "done",
    ]  # fmt: skip


def test_a_lift_is_sent_twice_and_kept_once(world, cast, abscess, some_id):
    propose(world, cast.therapist, lift_id=some_id)
    propose(world, cast.therapist, lift_id=some_id)
    assert Lift.objects.count() == 1


def test_every_act_on_a_lift_is_audited(world, cast, abscess):
    lift = lifted(world, cast)
    lifts.end(by=cast.therapist, lift=lift, at=NOW, reason="Not wanted.")
    acts = AuditEvent.objects.filter(subject_id=str(lift.pk)).order_by("id").values_list("action", flat=True)
    assert list(acts) == ["lift proposed", "lift signed", "lift signed", "lift ended"]


def test_lifts_cost_the_guard_no_more_queries_however_many_there_are(world, cast, abscess):
    pairs = [(world.mosswater.pk, key) for key in table.current().techniques]

    def queries():
        with CaptureQueriesContext(connection) as asked:
            selectors.guards(pairs, NOW, purpose="display")
        return len(asked)

    without = queries()
    for _ in range(3):
        lifted(world, cast)
    assert queries() == without
