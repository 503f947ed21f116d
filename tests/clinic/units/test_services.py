"""Units and the clinic's own numbers: what may be set, by whom, and that it is audited."""

from datetime import time

import pytest

from clinic.access import NotPermitted
from clinic.audit.models import AuditEvent
from clinic.models import CareSettingRule, ClinicNumber, StandardMinutes
from clinic.records import Refused
from clinic.units import selectors, services
from clinic.units.numbers import NUMBERS
from tests.conftest import Cast, World

pytestmark = pytest.mark.django_db


def test_a_new_clinic_starts_with_the_published_reassessment_intervals() -> None:
    """AARC 1991 (Respir Care 36:1418), from memory: intensive care 48 h, acute ward 72 h, home 3 months."""
    assert services.ensure_defaults() > 0
    intervals = {
        rule.care_setting: (rule.reassess_every, rule.reassess_every_spell)
        for rule in CareSettingRule.objects.all()
    }
    assert intervals["intensive"] == intervals["step_down"] == (48, "hours")
    assert intervals["acute"] == (72, "hours")
    assert intervals["home"] == intervals["outpatient"] == (3, "months")


def test_starting_values_never_touch_what_the_clinic_set(cast: Cast) -> None:
    services.ensure_defaults()
    rule = CareSettingRule.objects.get(care_setting="acute")
    services.set_reassessment(rule, by=cast.lead, every=24, spell="hours", source="house protocol")
    assert services.ensure_defaults() == 0
    assert CareSettingRule.objects.get(care_setting="acute").reassess_every == 24


def test_the_default_of_a_number_holds_until_the_clinic_sets_its_own(cast: Cast) -> None:
    assert selectors.number("adherence_low_below_percent") == 35
    services.set_number(
        by=cast.administrator, name="adherence_low_below_percent", value=40, reason="House rule."
    )
    assert selectors.number("adherence_low_below_percent") == 40
    row = AuditEvent.objects.get(action="number changed")
    assert row.changed == ["adherence_low_below_percent: 35 to 40"]
    assert row.reason == "House rule."


def test_every_default_lies_in_its_own_range_and_says_where_it_comes_from() -> None:
    for number in NUMBERS.values():
        assert number.low <= number.default <= number.high, number.name
        assert number.source


@pytest.mark.parametrize("value", [0, 100, 80, 85])
def test_a_number_outside_its_range_or_beyond_the_other_band_is_refused(cast: Cast, value: int) -> None:
    with pytest.raises(Refused):
        services.set_number(by=cast.lead, name="adherence_low_below_percent", value=value, reason="Try.")
    assert not ClinicNumber.objects.exists()


def test_therapists_and_managers_set_nothing(cast: Cast, world: World) -> None:
    for person in (cast.therapist, cast.manager):
        with pytest.raises(NotPermitted):
            services.set_number(by=person, name="decide_by_minutes", value=30, reason="Try.")
        with pytest.raises(NotPermitted):
            services.add_unit(by=person, name="New", care_setting="acute")
        with pytest.raises(NotPermitted):
            services.change_unit(world.acute, by=person, changes={"name": "Other"})


def test_a_changed_unit_is_audited_with_the_values_before_and_after(cast: Cast, world: World) -> None:
    services.change_unit(world.acute, by=cast.lead, changes={"wakes_at": time(6, 30), "name": "Acute ward"})
    assert AuditEvent.objects.get(action="unit changed").changed == ["wakes_at: 07:00 to 06:30"]


@pytest.mark.parametrize(
    ("field", "changes"),
    [
        ("name", {"name": "home ROUND"}),
        ("name", {"name": " "}),
        ("sleeps_at", {"sleeps_at": time(6)}),
        ("midday_meal_at", {"midday_meal_at": time(7, 30)}),
        ("care_setting", {"care_setting": "spa"}),
        ("fixed_times", {"fixed_times": {"4": ["08:00", "12:00"]}}),
        ("fixed_times", {"fixed_times": {"2": ["12:00", "08:00"]}}),
        ("fixed_times", {"fixed_times": {"1": ["8"]}}),
    ],
)
def test_a_unit_that_cannot_be_is_refused_by_the_field(
    cast: Cast, world: World, field: str, changes: dict[str, object]
) -> None:
    with pytest.raises(Refused) as refused:
        services.change_unit(world.acute, by=cast.lead, changes=changes)
    assert refused.value.field == field


def test_standard_minutes_keep_their_source(cast: Cast) -> None:
    services.ensure_defaults()
    row = StandardMinutes.objects.get(kind="technique", name="pep")
    services.set_standard_minutes(row, by=cast.lead, minutes=25, source="own times of 20 treatments")
    assert selectors.standard_minutes()["technique", "pep"] == 25
    with pytest.raises(Refused):
        services.set_standard_minutes(row, by=cast.lead, minutes=0, source="")


@pytest.mark.parametrize(("every", "spell"), [(0, "hours"), (25, "months"), (3, "fortnights")])
def test_an_interval_that_cannot_be_is_refused(cast: Cast, every: int, spell: str) -> None:
    services.ensure_defaults()
    with pytest.raises(Refused):
        services.set_reassessment(
            CareSettingRule.objects.get(care_setting="home"),
            by=cast.lead,
            every=every,
            spell=spell,
            source="x",
        )
