"""Setting limits: dated, with author and reason, never a default; who may, and what is refused."""

from datetime import UTC, datetime, timedelta

import pytest
from django.utils import timezone

from clinic.access import NotPermitted
from clinic.limits import selectors, services
from clinic.limits.models import SpO2Scale, StopLimits
from clinic.limits.rules import AgeBand, Limits
from clinic.models import AuditEvent
from clinic.patients import services as patients
from clinic.records import Refused

pytestmark = pytest.mark.django_db
PULSE = {"pulse_below": 50, "pulse_above": 120}


def test_nobody_has_stop_limits_until_somebody_sets_them(world):
    assert selectors.stop_limits(world.mosswater) is None
    assert selectors.watch(world.mosswater).stop_words == "No stop limits set."


def test_stop_limits_carry_author_reason_and_date_and_the_older_ones_stay_readable(world, cast):
    first = services.set_stop_limits(
        world.mosswater, by=cast.therapist, limits=PULSE, reason="Dr Larkspur, ward round"
    )
    between = timezone.now()
    second = services.set_stop_limits(
        world.mosswater, by=cast.lead, limits={"pulse_above": 110}, reason="New arrhythmia"
    )
    first.refresh_from_db()
    assert second.replaces == first
    assert (first.ended_at, first.ended_by, first.reason) == (
        second.started_at,
        cast.lead,
        "Dr Larkspur, ward round",
    )
    assert selectors.watch(world.mosswater).stop == Limits(pulse_above=110)
    assert selectors.watch(world.mosswater, between).stop == Limits(pulse_below=50, pulse_above=120)
    assert AuditEvent.objects.filter(action="stop limits set", patient_id=world.mosswater.pk).count() == 2


def test_a_time_before_the_first_limits_has_none(world, cast):
    services.set_stop_limits(world.mosswater, by=cast.therapist, limits=PULSE, reason="Ward round")
    assert selectors.watch(world.mosswater, timezone.now() - timedelta(days=1)).stop is None


def test_with_every_limit_taken_away_it_is_said_that_none_are_set(world, cast):
    services.set_stop_limits(world.mosswater, by=cast.therapist, limits=PULSE, reason="Ward round")
    services.set_stop_limits(world.mosswater, by=cast.therapist, limits={}, reason="Stable, no longer needed")
    assert selectors.watch(world.mosswater).stop_words == "No stop limits set."


@pytest.mark.parametrize(
    ("limits", "field"),
    [
        ({"pulse_below": 19}, "pulse_below"),
        ({"pulse_above": 251}, "pulse_above"),
        ({"pulse_below": 100, "pulse_above": 100}, "pulse_above"),
        ({"systolic_below": 39}, "systolic_below"),
        ({"respiratory_rate_above": 81}, "respiratory_rate_above"),
        ({"pulse_change_percent": 0}, "pulse_change_percent"),
        ({"temperature_above": 39}, "temperature_above"),
    ],
)
def test_a_limit_that_cannot_be_is_refused_at_its_field(world, cast, limits, field):
    with pytest.raises(Refused) as refused:
        services.set_stop_limits(world.mosswater, by=cast.therapist, limits=limits, reason="Ward round")
    assert refused.value.field == field
    assert not StopLimits.objects.exists()


def test_limits_without_a_reason_are_refused(world, cast):
    with pytest.raises(Refused, match="reason"):
        services.set_stop_limits(world.mosswater, by=cast.therapist, limits=PULSE, reason="  ")


def test_only_whoever_treats_the_patient_sets_stop_limits(world, cast):
    for person in (cast.outsider, cast.colleague, cast.manager, cast.administrator):
        with pytest.raises(NotPermitted):
            services.set_stop_limits(world.mosswater, by=person, limits=PULSE, reason="Ward round")


def test_a_childs_numbers_are_not_judged_until_the_clinic_has_set_limits_for_the_age(world, cast):
    # Thistledown was born on 30-May-2015: 11 years.
    before = selectors.watch(world.thistledown)
    assert before.band.band is AgeBand.TO_11
    assert before.band.limits is None
    assert "No warning limits are set for children of 8 to 11 years" in before.band_words
    services.set_band_limits(
        AgeBand.TO_11, by=cast.lead, limits={"pulse_above": 150}, reason="Children's protocol 4"
    )
    after = selectors.watch(world.thistledown)
    assert after.band.limits == Limits(pulse_above=150)
    assert after.band.source == "Children's protocol 4"
    # What was judged before the limits were set is not judged by them now.
    assert selectors.watch(world.thistledown, timezone.now() - timedelta(days=1)).band.limits is None


def test_the_limits_of_one_band_bear_on_no_other(world, cast):
    services.set_band_limits(AgeBand.TO_7, by=cast.lead, limits={"pulse_above": 150}, reason="Protocol")
    assert selectors.watch(world.thistledown).band.limits is None
    assert selectors.watch(world.mosswater).band.limits == Limits(40, 130, 5, 40, 90, 180)


def test_a_clinic_may_take_the_limits_of_adults_away_and_it_is_said(world, cast):
    services.set_band_limits(AgeBand.ADULT, by=cast.administrator, limits={}, reason="Judged at the bedside")
    assert selectors.watch(world.mosswater).band.limits is None
    assert "No warning limits are set for adults" in selectors.watch(world.mosswater).band_words


def test_age_bands_are_set_by_lead_and_administrator_only(world, cast):
    for person in (cast.therapist, cast.manager):
        with pytest.raises(NotPermitted):
            services.set_band_limits(AgeBand.TO_7, by=person, limits={"pulse_above": 150}, reason="Protocol")


def set_scale(world, by, scale=2, *, confirmed=True, reason="Blood gas of 24-Nov-2026"):
    return services.set_spo2_scale(
        world.mosswater, by=by, scale=scale, hypercapnia_confirmed=confirmed, reason=reason
    )


def test_scale_two_is_a_licensed_decision_with_author_reason_and_date(world, cast):
    patients.set_spo2_target(world.mosswater, by=cast.therapist, low_percent=88, high_percent=92)
    two = set_scale(world, cast.therapist)
    assert (two.by, two.reason) == (cast.therapist, "Blood gas of 24-Nov-2026")
    between = timezone.now()
    one = set_scale(world, cast.lead, 1, confirmed=False, reason="Gas normal for a week")
    assert one.replaces == two
    assert selectors.spo2_scale(world.mosswater).scale == 1
    assert selectors.spo2_scale(world.mosswater, between).scale == 2
    assert selectors.spo2_scale(world.mosswater, datetime(2020, 1, 1, tzinfo=UTC)) is None


def test_scale_two_is_never_set_by_an_unlicensed_account_not_even_for_an_own_patient(world, cast):
    patients.set_spo2_target(world.thistledown, by=cast.lead, low_percent=88, high_percent=92)
    with pytest.raises(NotPermitted):
        services.set_spo2_scale(
            world.thistledown, by=cast.colleague, scale=2, hypercapnia_confirmed=True, reason="Gas"
        )
    assert not SpO2Scale.objects.exists()


@pytest.mark.parametrize(("low", "high"), [(94, 98), (88, 93), (87, 92)])
def test_scale_two_wants_the_target_range_that_it_was_published_for(world, cast, low, high):
    # Royal College of Physicians 2017: hypercapnic respiratory failure, target range 88 to 92 %.
    patients.set_spo2_target(world.mosswater, by=cast.therapist, low_percent=low, high_percent=high)
    with pytest.raises(Refused, match="88 to 92"):
        set_scale(world, cast.therapist)


def test_scale_two_wants_a_target_range_and_a_confirmed_failure(world, cast):
    with pytest.raises(Refused, match="range first"):
        set_scale(world, cast.therapist)
    patients.set_spo2_target(world.mosswater, by=cast.therapist, low_percent=88, high_percent=92)
    with pytest.raises(Refused, match="confirmed"):
        set_scale(world, cast.therapist, confirmed=False)
    with pytest.raises(Refused, match="reason"):
        set_scale(world, cast.therapist, reason="")
