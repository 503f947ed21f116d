"""A safety concern is kept with page and version, waits under a flag, and is answered."""

from datetime import timedelta

import pytest
from django.db import DatabaseError, transaction
from django.urls import reverse
from django.utils import timezone

from clinic.access import NotPermitted
from clinic.attention import selectors as attention
from clinic.attention.services import close_by_hand
from clinic.ids import new_id
from clinic.models import AuditEvent, ConcernAnswer, Flag, Notice, SafetyConcern
from clinic.records import Refused, ShapeViolation
from clinic.request_context import working_on
from clinic.safety import selectors, services
from clinic.units import selectors as units
from clinic.version import version
from tests.conftest import Cast, World

pytestmark = pytest.mark.django_db


def reported(by, **fields) -> SafetyConcern:
    fields.setdefault("page", "/reports/")
    fields.setdefault("words", "The figure is wrong.")
    return services.report(by=by, **fields)[0]


def test_a_concern_keeps_page_version_person_time_and_request(cast: Cast) -> None:
    """standards.md section 4, item 19: a record with the page and version."""
    before = timezone.now()
    with working_on("a-request-id-1"):
        kept = reported(cast.manager, kind="wrong_rule", harmed="no", severity=4)
    assert (kept.page, kept.page_name, kept.app_version) == ("/reports/", "reports", version())
    assert (kept.by, kept.role, kept.request_id) == (cast.manager, "manager", "a-request-id-1")
    assert (kept.kind, kept.harmed, kept.severity) == ("wrong_rule", "no", 4)
    assert before <= kept.at <= timezone.now()
    assert AuditEvent.objects.filter(action="safety concern reported", actor_id=cast.manager.pk).count() == 1


def test_words_alone_are_enough_and_what_was_not_said_is_unknown(cast: Cast) -> None:
    kept = reported(cast.administrator)
    assert (kept.kind, kept.harmed, kept.severity, kept.patient) == ("", "unknown", None, None)


def test_the_page_is_kept_without_its_query_and_what_is_no_page_is_kept_as_none(cast: Cast) -> None:
    assert reported(cast.lead, page="/reports/?q=MOSSWATER").page == "/reports/"
    for nowhere in ("https://elsewhere.example/", "//elsewhere.example/", "/no/such/page", ""):
        assert (reported(cast.lead, page=nowhere).page, reported(cast.lead, page=nowhere).page_name) == (
            "",
            "",
        )


def test_the_patient_is_the_page_s_and_only_one_whom_the_person_may_open(cast: Cast, world: World) -> None:
    page = reverse("patient-record", args=[world.mosswater.pk])
    assert reported(cast.therapist, page=page, patient_id=world.mosswater.pk).patient == world.mosswater
    assert reported(cast.outsider, page=page, patient_id=world.mosswater.pk).patient is None
    assert reported(cast.manager, page=page, patient_id=world.mosswater.pk).patient is None
    assert reported(cast.lead, page=page, patient_id="no id").patient is None


def test_no_name_of_the_patient_is_stored_in_report_answer_or_flag(cast: Cast, world: World) -> None:
    kept = reported(
        cast.therapist,
        patient_id=world.mosswater.pk,
        words="Mr MOSSWATER (Bryn) was shown as Mosswater, Oona.",
    )
    answer, _ = services.answer(kept, by=cast.lead, words="Put right on the page of Bryn Mosswater.")
    told = [kept.words, answer.words, *Flag.objects.values_list("words", flat=True)]
    told += Notice.objects.values_list("words", flat=True)
    assert len(told) == 4
    assert not [words for words in told if "mosswater" in words.casefold() or "bryn" in words.casefold()]


def test_sending_the_same_report_twice_keeps_it_once(cast: Cast) -> None:
    mark = new_id()
    first, new = services.report(by=cast.therapist, page="/", words="Twice?", concern_id=mark)
    again, new_again = services.report(by=cast.therapist, page="/", words="Twice?", concern_id=mark)
    assert (first, new, new_again) == (again, True, False)
    assert SafetyConcern.objects.count() == Flag.objects.count() == 1
    with pytest.raises(NotPermitted):
        services.report(by=cast.manager, page="/", words="Mine?", concern_id=mark)


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"words": "  "}, "words"),
        ({"words": "x" * 2001}, "words"),
        ({"kind": "gossip"}, "kind"),
        ({"harmed": "maybe"}, "harmed"),
        ({"severity": 6}, "severity"),
    ],
)
def test_what_is_no_answer_is_refused_by_field(cast: Cast, fields: dict, field: str) -> None:
    with pytest.raises(Refused) as refused:
        reported(cast.lead, **fields)
    assert refused.value.field == field
    assert not SafetyConcern.objects.exists()


def test_a_closed_account_reports_nothing(cast: Cast) -> None:
    cast.outsider.is_active = False
    cast.outsider.save()
    with pytest.raises(NotPermitted):
        reported(cast.outsider)


def test_the_lead_has_a_flag_until_it_is_answered_and_nobody_else_has(cast: Cast, world: World) -> None:
    now = timezone.now()
    kept = reported(cast.therapist, patient_id=world.mosswater.pk, at=now)
    (flag,) = attention.open_flags(cast.lead)
    assert flag.due_at == now + timedelta(hours=units.number("safety_review_hours"))
    assert attention.way(flag).address == reverse("safety-concern", args=[kept.pk])
    assert not attention.open_flags(cast.therapist).exists()
    # Closing it unread is not the way: the answer closes it.
    with pytest.raises(Refused):
        close_by_hand(flag, by=cast.lead, words="Seen.")
    services.answer(kept, by=cast.lead, words="The limit was put right.")
    assert not attention.open_flags(cast.lead).exists()


def test_harm_is_told_to_the_lead_at_once(cast: Cast) -> None:
    reported(cast.therapist, harmed="no")
    assert not Notice.objects.exists()
    reported(cast.therapist, harmed="yes")
    assert Notice.objects.get().to == cast.lead


def test_only_a_lead_answers_once_and_whoever_reported_it_is_told(cast: Cast) -> None:
    kept = reported(cast.manager)
    for person in (cast.manager, cast.therapist, cast.administrator):
        with pytest.raises(NotPermitted):
            services.answer(kept, by=person, words="Done.")
    with pytest.raises(Refused):
        services.answer(kept, by=cast.lead, words=" ")
    first, new = services.answer(kept, by=cast.lead, words="The list was put right.")
    again, new_again = services.answer(kept, by=cast.lead, words="Something else.")
    assert (first, new, new_again) == (again, True, False)
    assert Notice.objects.get().to == cast.manager
    assert "The list was put right." in Notice.objects.get().words


def test_lead_and_manager_read_all_and_everybody_else_their_own(cast: Cast) -> None:
    mine, other = reported(cast.therapist), reported(cast.administrator)
    assert set(selectors.concerns(cast.lead)) == set(selectors.concerns(cast.manager)) == {mine, other}
    assert set(selectors.concerns(cast.therapist)) == {mine}
    assert selectors.concern(cast.therapist, other.pk) is None
    assert not selectors.concerns(cast.outsider).exists()


def test_a_concern_and_its_answer_are_never_changed(cast: Cast) -> None:
    kept = reported(cast.therapist)
    answer, _ = services.answer(kept, by=cast.lead, words="Done.")
    for row, model in ((kept, SafetyConcern), (answer, ConcernAnswer)):
        row.words = "Nothing happened."
        with pytest.raises(ShapeViolation):
            row.save()
        with pytest.raises(ShapeViolation):
            model.objects.all().delete()


@pytest.mark.server
def test_postgresql_itself_refuses_to_change_a_concern(cast: Cast) -> None:
    from django.db import models

    kept = reported(cast.therapist)
    with pytest.raises(DatabaseError), transaction.atomic():
        models.QuerySet(SafetyConcern).filter(pk=kept.pk).update(words="Nothing happened.")
