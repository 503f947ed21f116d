"""What was due and given, read from the database."""

from datetime import timedelta
from fractions import Fraction

import pytest

from clinic import records
from clinic.access import NotPermitted
from clinic.models import Patient, Referral, Unit
from tests.conftest import NOW
from tests.therapy.made import measured, order, treatment, window
from therapy.outcomes import response_selectors, selectors
from therapy.outcomes.rules import ReasonGroup

pytestmark = pytest.mark.django_db

MONDAY = NOW.replace(hour=0, minute=0) - timedelta(days=2)
EIGHT = MONDAY + timedelta(hours=8)


def day(number, hour=8):
    return MONDAY + timedelta(days=number, hours=hour)


def figure(patients=None, start=MONDAY, end=NOW):
    rows = selectors.counted_windows(
        Patient.objects.all() if patients is None else patients, start=start, end=end
    )
    return selectors.delivered_of(rows, start=start, end=end)


def test_a_window_counts_by_the_treatment_that_fills_it(world, cast):
    of = order(world.mosswater, cast.lead, MONDAY)
    for hour, delivered, fields in (
        (8, "full", {}),
        (12, "part", {"sets_done": 3}),
        (16, "not_delivered", {"reason": "declined", "reason_group": "patient"}),
    ):
        due = window(of, day(0, hour), state=delivered)
        treatment(of, cast.therapist, day(0, hour) + timedelta(minutes=20), delivered, window=due, **fields)
    found = figure()
    assert (found.due, found.full, found.part) == (3, 1, 1)
    assert found.delivered == Fraction(7, 4)
    assert found.not_delivered["patient"] == 1


def test_minutes_count_where_no_sets_were_ordered(world, cast):
    of = order(world.mosswater, cast.lead, MONDAY, technique="hfcwo", sets=None, minutes=20)
    due = window(of, EIGHT, state="part")
    treatment(of, cast.therapist, EIGHT, "part", window=due, minutes_done=5)
    assert figure().delivered == Fraction(1, 4)


def test_a_part_of_unknown_size_counts_nothing_of_the_dose(world, cast):
    of = order(world.mosswater, cast.lead, MONDAY)
    treatment(of, cast.therapist, EIGHT, "part", window=window(of, EIGHT, state="part"))
    assert (figure().part, figure().delivered) == (1, 0)


def test_a_treatment_struck_as_entered_in_error_leaves_its_window_unfilled(world, cast):
    of = order(world.mosswater, cast.lead, MONDAY)
    row = treatment(of, cast.therapist, EIGHT, window=window(of, EIGHT, state="full"))
    assert figure().full == 1
    records.amend(
        row, by=cast.therapist, reason="wrong patient", changes={"entered_in_error": True}, expect_version=1
    )
    assert (figure().full, figure().not_delivered["not_recorded"]) == (0, 1)


def test_held_and_away_stand_beside_and_open_or_cancelled_count_nowhere(world, cast):
    of = order(world.mosswater, cast.lead, MONDAY)
    window(of, day(0, 8), state="not_delivered", reason_group="clinical", reason="guard_hold")
    window(of, day(0, 12), state="not_delivered", reason_group="away", reason="dialysis")
    window(of, day(0, 16), state="cancelled")
    window(of, day(1, 8))
    found = figure()
    assert (found.due, found.share) == (0, None)
    assert found.excluded == {"cancelled": 1, "open": 1, "clinical": 1, "away": 1}


def test_a_late_treatment_fills_the_earlier_window_of_its_day(world, cast):
    of = order(world.mosswater, cast.lead, MONDAY)
    window(of, EIGHT, state="not_delivered", reason_group="not_recorded")
    treatment(of, cast.therapist, EIGHT + timedelta(hours=4))
    assert figure().full == 1


def test_a_window_is_counted_for_the_unit_in_which_the_patient_was_then(world, cast):
    of = order(world.mosswater, cast.lead, MONDAY)
    window(of, EIGHT, state="not_delivered", reason_group="service", reason="no_therapist")
    intensive = Unit.objects.create(name="Intensive care", care_setting="intensive")
    records.amend(
        world.mosswater, by=cast.lead, reason="moved", changes={"unit_id": intensive.pk}, expect_version=1
    )
    rows = selectors.counted_windows(Patient.objects.all(), start=MONDAY, end=NOW)
    assert [row.unit_id for row in rows] == [world.acute.pk]


def test_the_share_of_a_patient_over_seven_and_twenty_eight_days(world, cast):
    of = order(world.mosswater, cast.lead, MONDAY - timedelta(days=40))
    for days_ago in (2, 10, 35):
        at = EIGHT - timedelta(days=days_ago)
        treatment(of, cast.therapist, at, window=window(of, at, state="full"))
    week, month = selectors.patient_delivered(world.mosswater, now=NOW)
    assert (week.days, week.figure.due) == (7, 1)
    assert (month.days, month.figure.due) == (28, 2)


def test_reasons_are_counted_in_their_group(world, cast):
    of = order(world.mosswater, cast.lead, MONDAY)
    for hour, reason in ((8, "no_therapist"), (12, "no_therapist"), (16, "no_device")):
        window(of, day(0, hour), state="not_delivered", reason_group="service", reason=reason)
    found = selectors.reasons_of(selectors.counted_windows(Patient.objects.all(), start=MONDAY, end=NOW))
    assert found[ReasonGroup.SERVICE] == {"no_therapist": 2, "no_device": 1}


def test_the_number_of_queries_does_not_depend_on_the_rows(world, cast, django_assert_max_num_queries):
    of = order(world.mosswater, cast.lead, MONDAY)
    window(of, EIGHT)
    with django_assert_max_num_queries(6):
        figure()
    for patient in (world.pebblebrook, world.thistledown):
        other = order(patient, cast.lead, MONDAY)
        for hour in (8, 12, 16):
            due = window(other, day(0, hour), state="full")
            treatment(other, cast.therapist, day(0, hour), window=due)
    with django_assert_max_num_queries(6):
        assert figure().full == 6


def test_whose_figures_a_person_sees(world, cast):
    assert selectors.figures_scope(cast.manager).count() == 4
    assert selectors.figures_scope(cast.lead).count() == 4
    assert set(selectors.figures_scope(cast.therapist)) == {world.mosswater, world.pebblebrook}
    with pytest.raises(NotPermitted):
        selectors.figures_scope(cast.administrator)


def test_sputum_of_a_group_is_the_median_of_its_patients_and_says_from_how_many(world, cast):
    of = order(world.mosswater, cast.lead, MONDAY)
    for hour, fields in (
        (8, {"sputum": "measured", "sputum_volume_tenths_ml": 60}),
        (12, {"sputum": "none"}),
        (16, {"sputum": "swallowed"}),
        (20, {"sputum": ""}),
    ):
        treatment(of, cast.therapist, day(0, hour), **fields)
    (group,) = response_selectors.sputum_by_group(Patient.objects.all(), first=MONDAY.date(), last=NOW.date())
    assert group.group == "bronchiectasis"
    assert (group.patients, group.sessions, group.counted) == (1, 4, 2)
    assert group.volume_tenths_ml.median == 60
    assert group.volume_tenths_ml.few
    assert group.apart == {"swallowed": 1, "not_collected": 1}


def test_a_response_is_told_only_at_the_same_oxygen(world, cast):
    of = order(world.mosswater, cast.lead, MONDAY)
    on_two = {"oxygen_device": "nasal_cannula", "oxygen_flow_ml_per_min": 2000}
    on_three = {"oxygen_device": "nasal_cannula", "oxygen_flow_ml_per_min": 3000}
    same = treatment(of, cast.therapist, day(0, 8))
    other = treatment(of, cast.therapist, day(0, 12))
    unknown = treatment(of, cast.therapist, day(0, 16))
    for row, before, after in ((same, on_two, on_two), (other, on_two, on_three), (unknown, {}, {})):
        measured(row, "spo2_percent", "before", 91, cast.therapist, **before)
        measured(row, "spo2_percent", "after", 94, cast.therapist, **after)
    measured(same, "borg_tenths", "before", 50, cast.therapist)
    measured(same, "borg_tenths", "after", 30, cast.therapist)
    found = response_selectors.responses(world.mosswater, start=MONDAY, end=NOW)
    assert [row.change for row in found["spo2_percent"]] == [3, None, None]
    assert [row.change for row in found["borg_tenths"]] == [-20]


def test_from_referral_to_first_treatment_is_the_median_and_who_waits_is_counted(world, cast):
    for patient, urgency, hours in (
        (world.mosswater, "urgent", 2),
        (world.pebblebrook, "routine", 10),
        (world.thistledown, "routine", None),
    ):
        Referral.objects.create(
            patient=patient,
            source="written",
            urgency=urgency,
            reason="Retained secretions",
            referrer="Dr Alder",
            received_at=EIGHT,
            outcome="accepted",
            first_treated_at=EIGHT + timedelta(hours=hours) if hours else None,
        )
    found = response_selectors.first_treatments(Patient.objects.all(), start=MONDAY, end=NOW)
    assert found.median_minutes == 360
    assert found.by_urgency["urgent"] == [120]
    assert found.still_waiting == 1


def test_who_left_after_the_range_still_waits_at_its_end_and_who_left_before_does_not(world, cast):
    for patient in (world.mosswater, world.pebblebrook, world.thistledown):
        Referral.objects.create(
            patient=patient, source="written", urgency="routine", reason="Retained secretions",
            referrer="Dr Alder", received_at=EIGHT, outcome="accepted",
        )  # fmt: skip
    _left(world.mosswater, cast.lead, day(0, 20))
    _left(world.pebblebrook, cast.lead, day(1, 20))
    found = response_selectors.first_treatments(Patient.objects.all(), start=MONDAY, end=day(1, 0))
    assert found.waiting_by_urgency == {"routine": 2}
    # Discharged on Monday and back on Tuesday: whoever asks about Monday night is told that nobody waited then.
    back = Patient.objects.get(pk=world.mosswater.pk)
    records.amend(
        back, by=cast.lead, reason="back", changes={"state": "active", "state_since": day(1, 9)},
        expect_version=back.version,
    )  # fmt: skip
    for end, waiting in ((day(1, 0), 2), (day(1, 10), 3), (NOW, 2)):
        found = response_selectors.first_treatments(Patient.objects.all(), start=MONDAY, end=end)
        assert found.still_waiting == waiting


def _left(patient, by, at):
    records.amend(
        patient, by=by, reason="went home", changes={"state": "discharged", "state_since": at},
        expect_version=patient.version,
    )  # fmt: skip


def test_none_produced_by_a_patient_measured_in_grams_lowers_no_millilitres(world, cast):
    of = order(world.mosswater, cast.lead, MONDAY)
    treatment(of, cast.therapist, day(0, 8), sputum="measured", sputum_mass_tenths_g=40)
    treatment(of, cast.therapist, day(1, 8), sputum="none")
    other = order(world.pebblebrook, cast.lead, MONDAY)
    treatment(other, cast.therapist, day(0, 9), sputum="none")
    by_name = {
        group.group: group
        for group in response_selectors.sputum_by_group(
            Patient.objects.all(), first=MONDAY.date(), last=NOW.date()
        )
    }
    grams = by_name["bronchiectasis"]
    assert grams.volume_tenths_ml is None
    assert (grams.mass_tenths_g.median, grams.mass_tenths_g.sessions, grams.counted) == (20, 2, 2)
    never = by_name["other"]
    assert (never.volume_tenths_ml, never.mass_tenths_g) == (None, None)
    assert (never.counted, never.sessions, never.apart) == (0, 1, {"none": 1})
    points = response_selectors.sputum_of_patient(world.mosswater, start=MONDAY, end=NOW)
    assert [(point.volume_tenths_ml, point.mass_tenths_g) for point in points] == [(None, 40), (None, 0)]
