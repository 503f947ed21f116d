"""However many tablets send the same treatment in the same instant, it is stored once, on either database."""

from tests.operation.installation import Installation
from tests.operation.record_at_once import TABLETS


def test_several_tablets_at_once_make_one_record(installation: Installation) -> None:
    found = installation.python(
        "import json; from tests.operation.record_at_once import go; print(json.dumps(go()))"
    )
    assert found == {
        "outcomes": ["already_recorded"] * (TABLETS - 1) + ["recorded"],
        "conflicts": ["kept_beside"] * TABLETS,
        "treatments": 1,
        "notes": "",
        "beside": 1,
        "flags": 1,
        "audited": 1,
        "window": "full",
    }
