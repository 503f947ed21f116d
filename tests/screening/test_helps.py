"""What is published on whether a technique helps here, on the page of the screening."""

import pytest
import time_machine
from django.urls import reverse

from clinic import records
from screening import selectors, services, table
from tests.conftest import NOW

pytestmark = pytest.mark.django_db
ALL_NO = {
    key: "no" for key, condition in table.current().conditions.items() if "age_years" not in condition.numbers
}


@time_machine.travel(NOW, tick=False)
def test_whether_it_helps_here_stands_beside_the_result_and_changes_nothing(world, cast, sign_in):
    # NICE cystic fibrosis 2017: chest wall oscillation only in exceptional cases.
    records.amend(
        world.mosswater, by=cast.lead, reason="r", changes={"diagnosis_group": "cystic_fibrosis"},
        expect_version=world.mosswater.version,
    )  # fmt: skip
    services.record_screening(by=cast.therapist, patient=world.mosswater, answers=ALL_NO, at=NOW)
    page = sign_in(cast.therapist).get(reverse("screening", args=[world.mosswater.pk])).content.decode()
    assert "Not to be offered in cystic fibrosis except in exceptional cases." in page
    assert "It never stops anything" in page
    assert selectors.guard(world.mosswater, "hfcwo", NOW, purpose="begin").allowed
