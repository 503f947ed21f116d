"""The settings pages, walked as administrator and lead."""

from typing import Any

import pytest
from django.urls import reverse

from clinic.models import CareSettingRule, ClinicNumber, StandardMinutes, Unit
from clinic.units import selectors, services
from tests.conftest import Cast, World

pytestmark = pytest.mark.django_db
UNIT = {
    "name": "Step-down", "care_setting": "step_down", "wakes_at": "07:00", "sleeps_at": "22:00",
    "breakfast_at": "08:00", "midday_meal_at": "12:30", "evening_meal_at": "18:00", "in_use": "on",
    "fixed_times": "08:00 20:00\n08:00, 12:00, 16:00, 20:00",
}  # fmt: skip


def test_a_unit_is_added_with_its_fixed_times_and_changed(cast: Cast, world: World, sign_in: Any) -> None:
    client = sign_in(cast.administrator)
    assert "Step-down" in client.post(reverse("unit-new"), UNIT, follow=True).content.decode()
    unit = Unit.objects.get(name="Step-down")
    assert unit.fixed_times == {"2": ["08:00", "20:00"], "4": ["08:00", "12:00", "16:00", "20:00"]}
    page = client.get(reverse("unit", args=[unit.pk])).content.decode()
    assert "08:00 20:00" in page
    for wrong in (
        {"fixed_times": "20:00 08:00"},
        {"fixed_times": "08:00\n09:00"},
        {"name": "Acute ward"},
        {"wakes_at": "7"},
    ):
        assert client.post(reverse("unit", args=[unit.pk]), UNIT | wrong).status_code == 422


def test_interval_minutes_and_number_are_set_with_their_source(cast: Cast, sign_in: Any) -> None:
    services.ensure_defaults()
    client = sign_in(cast.lead)
    page = client.get(reverse("settings")).content.decode()
    assert "every 72 hours" in page
    assert "AARC 1991" in page
    rule, row = CareSettingRule.objects.get(care_setting="acute"), StandardMinutes.objects.get(name="pep")
    client.post(
        reverse("reassessment-rule", args=[rule.pk]),
        {"every": "48", "spell": "hours", "source": "House rule"},
    )
    client.post(reverse("standard-minutes", args=[row.pk]), {"minutes": "25", "source": "Own times"})
    client.post(
        reverse("clinic-number", args=["adherence_high_from_percent"]),
        {"value": "85", "reason": "House rule"},
    )
    page = client.get(reverse("settings")).content.decode()
    assert "every 48 hours" in page
    assert "Own times" in page
    assert selectors.number("adherence_high_from_percent") == 85
    assert (
        client.post(
            reverse("clinic-number", args=["decide_by_minutes"]), {"value": "1", "reason": "x"}
        ).status_code
        == 422
    )
    assert client.get(reverse("clinic-number", args=["shoe_size"])).status_code == 404
    assert ClinicNumber.objects.count() == 1


def test_therapist_and_manager_reach_no_settings(cast: Cast, world: World, sign_in: Any) -> None:
    services.ensure_defaults()
    addresses = [
        reverse("settings"), reverse("unit-new"), reverse("unit", args=[world.acute.pk]),
        reverse("clinic-number", args=["decide_by_minutes"]),
        reverse("reassessment-rule", args=[CareSettingRule.objects.earliest("pk").pk]),
        reverse("standard-minutes", args=[StandardMinutes.objects.earliest("pk").pk]),
    ]  # fmt: skip
    for person in (cast.therapist, cast.manager):
        client = sign_in(person)
        for address in addresses:
            assert client.get(address).status_code == 403
            assert client.post(address, {}).status_code == 403
