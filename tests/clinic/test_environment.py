"""A setting that is missing or wrong stops the start, and the message says how to mend it."""

from pathlib import Path

import pytest

from clinic.environment import SettingMissing, load

PRODUCTION = {
    "CLINIC_PRODUCTION": "1",
    "CLINIC_SECRET_KEY": "k" * 60,
    "CLINIC_HOSTS": "clinic.example, tablet.clinic.example",
    "DATABASE_URL": "postgres://clinic:x@database:5432/clinic",
    "CLINIC_BROKER_URL": "redis://redis:6379/0",
}


def test_production_starts_with_what_it_needs_and_nothing_is_assumed(tmp_path: Path) -> None:
    found = load(PRODUCTION, tmp_path)
    assert found.production
    assert found.tls
    assert not found.training_data
    assert found.allowed_hosts == ("clinic.example", "tablet.clinic.example")


@pytest.mark.parametrize("name", ["CLINIC_SECRET_KEY", "CLINIC_HOSTS", "DATABASE_URL", "CLINIC_BROKER_URL"])
def test_production_does_not_start_without(name: str, tmp_path: Path) -> None:
    with pytest.raises(SettingMissing, match=name):
        load({key: value for key, value in PRODUCTION.items() if key != name}, tmp_path)
    assert not (tmp_path / "var" / "secret-key").exists()


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("CLINIC_SECRET_KEY", "short", "at least 50 random characters"),
        ("DATABASE_URL", "sqlite:///clinic.sqlite3", "PostgreSQL"),
        ("CLINIC_BROKER_URL", "filesystem://", "Redis"),
        ("CLINIC_PRODUCTION", "perhaps", "use 1 or 0"),
        ("CLINIC_TIME_ZONE", "GMT+1", "IANA name"),
        ("PORT", "eighty", "from 1 to 65535"),
        ("PORT", "70000", "from 1 to 65535"),
    ],
)
def test_a_wrong_value_is_named_with_what_is_allowed(
    name: str, value: str, said: str, tmp_path: Path
) -> None:
    with pytest.raises(SettingMissing, match=said) as refusal:
        load(PRODUCTION | {name: value}, tmp_path)
    assert name in str(refusal.value)


def test_a_secret_may_come_from_a_file(tmp_path: Path) -> None:
    file = tmp_path / "key"
    file.write_text("f" * 64 + "\n", encoding="utf-8")
    given = PRODUCTION | {"CLINIC_SECRET_KEY": "", "CLINIC_SECRET_KEY_FILE": str(file)}
    assert load(given, tmp_path).secret_key == "f" * 64
    with pytest.raises(SettingMissing, match=r"CLINIC_SECRET_KEY_FILE points to .*cannot be read"):
        load(given | {"CLINIC_SECRET_KEY_FILE": str(tmp_path / "gone")}, tmp_path)


def test_trying_out_needs_no_setting_and_keeps_its_key(tmp_path: Path) -> None:
    first, second = load({}, tmp_path), load({}, tmp_path)
    assert first.secret_key == second.secret_key
    assert len(first.secret_key) > 50
    assert (first.data_dir, first.port, first.training_data) == (tmp_path / "var", 8000, True)
    assert (tmp_path / "var" / "secret-key").stat().st_mode & 0o077 == 0
