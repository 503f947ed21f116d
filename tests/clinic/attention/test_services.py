"""Flags and notices: opened once, put off, closed by an outcome; told and answered."""

from datetime import timedelta

import pytest
from django.utils import timezone

from clinic.access import NotPermitted
from clinic.attention import selectors, services
from clinic.attention.models import Flag, Notice
from clinic.audit.models import AuditEvent
from clinic.models import Patient
from clinic.records import Refused
from tests.conftest import Cast, World

pytestmark = pytest.mark.django_db


def flag_on(patient: Patient | None, key: str = "reassess:1", **fields: object) -> Flag:
    fields.setdefault("due_at", timezone.now() + timedelta(hours=1))
    return services.open_flag(kind="reassess", key=key, words="Look again.", patient=patient, **fields)[0]  # type: ignore[arg-type]


def test_opening_a_flag_twice_under_one_key_makes_one_flag_even_after_it_was_closed(
    world: World, cast: Cast
) -> None:
    first = flag_on(world.mosswater)
    services.close_flag(first, by=cast.lead, words="Seen.")
    assert flag_on(world.mosswater) == first
    assert Flag.objects.count() == 1
    assert AuditEvent.objects.filter(action="flag opened").count() == 1


def test_a_flag_is_closed_once_and_keeps_who_and_how(world: World, cast: Cast) -> None:
    flag = flag_on(world.mosswater)
    assert services.close_flag(flag, by=cast.therapist, words="Reassessed at 10:00.")
    assert not services.close_flag(flag, by=cast.lead, words="Again.")
    assert (flag.state, flag.closed_by, flag.outcome) == ("closed", cast.therapist, "done")
    assert flag.outcome_words == "Reassessed at 10:00."


def test_a_flag_is_closed_by_a_known_outcome_only(world: World, cast: Cast) -> None:
    with pytest.raises(Refused, match="superseded"):
        services.close_flag(flag_on(world.mosswater), by=cast.lead, outcome="forgotten")


def test_a_flag_of_a_patient_one_does_not_treat_is_not_ones_to_close_or_put_off(
    world: World, cast: Cast
) -> None:
    flag = flag_on(world.mosswater)
    with pytest.raises(NotPermitted):
        services.close_flag(flag, by=cast.outsider, words="Seen.")
    with pytest.raises(NotPermitted):
        services.put_off(flag, by=cast.manager, until=timezone.now() + timedelta(days=1), reason="Later.")


def test_what_was_put_off_comes_back_at_its_time(world: World, cast: Cast) -> None:
    flag = flag_on(world.mosswater)
    until = timezone.now() + timedelta(hours=4)
    assert services.put_off(flag, by=cast.therapist, until=until, reason="At theatre.")
    assert list(selectors.open_flags(cast.therapist)) == []
    assert list(selectors.put_off_flags(cast.therapist)) == [flag]
    assert list(selectors.open_flags(cast.therapist, now=until)) == [flag]


@pytest.mark.parametrize(("hours", "reason"), [(-1, "Later."), (1, " ")])
def test_putting_off_wants_a_reason_and_a_time_ahead(
    world: World, cast: Cast, hours: int, reason: str
) -> None:
    with pytest.raises(Refused):
        services.put_off(
            flag_on(world.mosswater),
            by=cast.lead,
            until=timezone.now() + timedelta(hours=hours),
            reason=reason,
        )


def test_each_person_sees_the_flags_of_their_own_patients(world: World, cast: Cast) -> None:
    flag = flag_on(world.mosswater)
    assert list(selectors.open_flags(cast.lead)) == [flag]
    assert list(selectors.open_flags(cast.therapist)) == [flag]
    for other in (cast.colleague, cast.outsider, cast.manager, cast.administrator):
        assert list(selectors.open_flags(other)) == []
        assert selectors.flag(other, flag.pk) is None


def test_a_flag_with_another_owner_stands_on_the_patient_and_not_on_my_list(world: World, cast: Cast) -> None:
    flag = flag_on(world.mosswater, owner=cast.lead)
    assert list(selectors.open_flags(cast.therapist)) == []
    assert list(selectors.open_flags_of(cast.therapist, world.mosswater.pk)) == [flag]


def test_only_the_lead_hands_a_flag_on(world: World, cast: Cast) -> None:
    flag = flag_on(world.mosswater)
    with pytest.raises(NotPermitted):
        services.hand_on(flag, by=cast.therapist, owner=cast.colleague)
    assert services.hand_on(flag, by=cast.lead, owner=cast.therapist)
    assert flag.owner == cast.therapist


def test_flags_of_a_patient_close_together_by_what_happened(world: World, cast: Cast) -> None:
    (
        flag_on(world.mosswater),
        flag_on(world.mosswater, key="reassess:2"),
        flag_on(world.pebblebrook, key="other"),
    )
    assert (
        services.close_flags_of(world.mosswater, by=None, outcome="died", words="Died on 24-Nov-2026.") == 2
    )
    assert services.close_flags_of(world.mosswater, by=None, outcome="died", words="Again.") == 0
    assert Flag.objects.filter(state="open").count() == 1


def test_a_notice_is_answered_once_and_only_by_the_one_who_was_told(world: World, cast: Cast) -> None:
    notice = services.tell(
        to=cast.therapist, by=cast.lead, kind="handover", words="Tires.", patient=world.mosswater
    )
    assert list(selectors.unread_notices(cast.therapist)) == [notice]
    with pytest.raises(NotPermitted):
        services.answer(notice, by=cast.colleague)
    services.answer(notice, by=cast.therapist, words="Thank you.")
    services.answer(notice, by=cast.therapist, words="Other words.")
    assert Notice.objects.get().answer.words == "Thank you."
    assert list(selectors.unread_notices(cast.therapist)) == []


def test_a_notice_about_a_patient_is_shown_only_while_the_patient_may_be_opened(
    world: World, cast: Cast
) -> None:
    services.tell(to=cast.outsider, by=cast.lead, kind="handover", words="Tires.", patient=world.mosswater)
    assert list(selectors.unread_notices(cast.outsider)) == []


def test_every_lead_with_an_open_account_is_told(world: World, cast: Cast) -> None:
    notices = services.tell_leads(words="Emergency access.", kind="emergency", by=cast.outsider)
    assert [notice.to for notice in notices] == [cast.lead]


def test_an_empty_note_is_refused(cast: Cast) -> None:
    with pytest.raises(Refused):
        services.tell(to=cast.lead, words=" ", kind="handover")
