"""The payload session/1: it reads back to the same, names every mistake, and its schema is published."""

import json
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clinic.measurements import kinds
from clinic.measurements.models import OxygenDevice
from tests.therapy.sessions.samples import AIR, TWO_LITRES, done, measured, not_given, payload
from therapy.sessions import content, models
from therapy.sessions.payload import PayloadRefused, as_json, fingerprint, json_schema, parse

PATIENT = UUID("01999999-0000-7000-8000-000000000001")
AT_A_TREATMENT = [name for name, kind in kinds.KINDS.items() if not kind.only_apart]
SCHEMA = Path(__file__).resolve().parents[3] / "fixtures" / "session-1.schema.json"


def problems_of(sent: dict[str, Any]) -> dict[str, str]:
    with pytest.raises(PayloadRefused) as refused:
        parse(sent)
    assert all(each.message for each in refused.value.problems)
    return {each.field: each.code for each in refused.value.problems}


# Round trip


uuids = st.uuids()
instants = st.datetimes(
    datetime(2026, 1, 1),  # noqa: DTZ001 (Hypothesis puts the zone on)
    datetime(2026, 12, 31),  # noqa: DTZ001 (as above)
    timezones=st.sampled_from([UTC, timezone(timedelta(hours=5, minutes=30))]),
)
oxygens = st.one_of(
    st.just(AIR),
    st.just({"device": "unknown", "flow_ml_per_min": None, "fio2_percent": None}),
    st.builds(
        lambda device, flow, share: {"device": device, "flow_ml_per_min": flow, "fio2_percent": share},
        st.sampled_from([each for each in content.OXYGEN_DEVICES if each not in {"air", "unknown"}]),
        st.integers(0, 80_000),
        st.one_of(st.none(), st.integers(21, 100)),
    ),
)
texts = st.text(max_size=40).map(str.strip)


@st.composite
def measurements(draw: Any) -> list[dict[str, Any]]:
    found = []
    for name in draw(
        st.lists(
            st.sampled_from(AT_A_TREATMENT),
            unique=True,
            max_size=6,
        )
    ):
        kind = kinds.kind(name)
        for moment in draw(st.lists(st.sampled_from(["before", "after"]), unique=True, max_size=2)):
            value = draw(st.sampled_from(kind.steps) if kind.steps else st.integers(*kind.hard))
            oxygen = draw(oxygens) if name == "spo2_percent" else None
            found.append(measured(name, moment, value, oxygen, "seen twice"))
    return found


@st.composite
def payloads(draw: Any) -> dict[str, Any]:
    started = draw(instants)
    ended = draw(st.one_of(st.none(), st.integers(0, 480)))
    state = draw(st.sampled_from(content.SPUTUM_STATES))
    in_grams = draw(st.booleans())
    measured_sputum = state == "measured"
    seen = state not in {"none", "saliva_only"}
    sputum = {
        "state": state,
        "volume_tenths_ml": draw(st.integers(0, 5000)) if measured_sputum and not in_grams else None,
        "mass_tenths_g": draw(st.integers(0, 5000)) if measured_sputum and in_grams else None,
        "method": draw(st.sampled_from(["estimated", "scale" if in_grams else "pot"]))
        if measured_sputum
        else None,
        "colour": draw(st.one_of(st.none(), st.integers(1, 4))) if seen else None,
        "consistency": draw(st.one_of(st.none(), st.sampled_from(content.CONSISTENCIES))) if seen else None,
    }
    part = draw(st.booleans())
    return payload(
        draw(uuids),
        draw(st.integers(1, 10_000)),
        id=str(draw(uuids)),
        order=draw(st.one_of(st.none(), uuids.map(str))),
        started_at=started.isoformat(),
        ended_at=(started + timedelta(minutes=ended)).isoformat() if ended is not None else None,
        delivered="part" if part else "full",
        reason=draw(st.sampled_from(["declined", "too_tired", "imaging"])) if part else None,
        reason_words=draw(texts),
        done=done(
            sets=draw(st.integers(0, 60)),
            settings=draw(
                st.fixed_dictionaries(
                    {}, optional={"resistance_setting": st.integers(1, 10), "sets": st.integers(1, 12)}
                )
            ),
        ),
        measurements=draw(measurements()),
        sputum=draw(st.one_of(st.none(), st.just(sputum))),
        blood=draw(
            st.sampled_from([None, {"seen": "fresh", "volume_ml": 8}, {"seen": "old", "volume_ml": None}])
        ),
        tolerance=draw(st.one_of(st.none(), st.sampled_from(content.TOLERANCES))),
        notes=draw(texts),
        device={
            "name": draw(texts),
            "clock_offset_ms": draw(st.one_of(st.none(), st.integers(-10_000, 10_000))),
        },
    )


@settings(max_examples=40)
@given(payloads())
def test_what_is_read_is_written_back_the_same(sent: dict[str, Any]) -> None:
    read = parse(sent)
    assert as_json(read) == sent
    assert parse(json.loads(json.dumps(as_json(read)))) == read


@settings(max_examples=40)
@given(payloads(), st.randoms())
def test_the_fingerprint_knows_the_same_content_in_another_order_and_another_time_zone(
    sent: dict[str, Any], random: Any
) -> None:
    again = json.loads(json.dumps(sent))
    random.shuffle(again["measurements"])
    again["started_at"] = datetime.fromisoformat(sent["started_at"]).astimezone(UTC).isoformat()
    again["device"] = {"name": "another tablet", "clock_offset_ms": 5}
    assert fingerprint(parse(again)) == fingerprint(parse(sent))
    again["notes"] = sent["notes"] + "x"
    assert fingerprint(parse(again)) != fingerprint(parse(sent))


# Mistakes


def test_every_mistake_is_named_at_once_with_its_json_pointer() -> None:
    sent = payload(PATIENT, 1, technique="singing", delivered_by="passer-by", colour="green")
    sent["staff"] = [{"person": "one", "minutes": 5}]
    del sent["notes"]
    assert problems_of(sent) == {
        "/colour": "unknown_field",
        "/technique": "out_of_range",
        "/delivered_by": "out_of_range",
        "/staff/0/person": "wrong_type",
        "/notes": "missing",
    }


def test_a_pointer_escapes_what_rfc_6901_section_3_escapes() -> None:
    sent = payload(PATIENT, 1) | {"a/b~c": 1}
    assert problems_of(sent) == {"/a~1b~0c": "unknown_field"}


@pytest.mark.parametrize(
    ("started", "ended"),
    [
        ("2026-11-25T09:05:00", None),
        ("25/11/2026", None),
        ("2026-11-25T09:05:00+00:00", "2026-13-01T00:00:00Z"),
    ],
)
def test_times_are_taken_by_rfc_3339_with_an_offset_only(started: str, ended: str | None) -> None:
    assert set(problems_of(payload(PATIENT, 1, started_at=started, ended_at=ended)).values()) == {
        "wrong_type"
    }


def test_a_saturation_without_its_oxygen_is_refused_and_one_with_oxygen_not_recorded_is_taken() -> None:
    # British Thoracic Society oxygen guideline 2017: a saturation cannot be read without the oxygen given.
    sent = payload(PATIENT, 1, measurements=[measured("spo2_percent", "before", 91)])
    assert problems_of(sent) == {"/measurements/0/oxygen": "missing"}
    unknown = {"device": "unknown", "flow_ml_per_min": None, "fio2_percent": None}
    assert parse(payload(PATIENT, 1, measurements=[measured("spo2_percent", "before", 91, unknown)]))


def test_a_device_needs_its_flow_or_fraction_and_air_has_none() -> None:
    mask = {"device": "venturi_mask", "flow_ml_per_min": None, "fio2_percent": None}
    air = {"device": "air", "flow_ml_per_min": 2000, "fio2_percent": None}
    sent = payload(
        PATIENT,
        1,
        measurements=[
            measured("spo2_percent", "before", 91, mask),
            measured("spo2_percent", "after", 91, air),
        ],
    )
    assert problems_of(sent) == {
        "/measurements/0/oxygen/flow_ml_per_min": "missing",
        "/measurements/1/oxygen/flow_ml_per_min": "inconsistent",
    }
    assert parse(payload(PATIENT, 1, measurements=[measured("spo2_percent", "before", 91, TWO_LITRES)]))


def test_a_value_that_cannot_be_true_is_refused_with_its_range_and_an_unusual_one_asks_why() -> None:
    sent = payload(
        PATIENT,
        1,
        measurements=[
            measured("pulse_per_min", "before", 900),
            measured("temperature_tenths_c", "after", 410),
        ],
    )
    with pytest.raises(PayloadRefused) as refused:
        parse(sent)
    assert [(each.field, each.allowed) for each in refused.value.problems] == [
        ("/measurements/0/value", "20..250"),
        ("/measurements/1/unusual_because", "usually 345..400"),
    ]


def test_borg_takes_the_steps_of_the_cr10_scale_only() -> None:
    # Borg CR10 runs 0, 0.5, 1, 2 ... 10 (NINDS Common Data Elements, Borg Dyspnea Scale, 2019).
    for tenths in (0, 5, 10, 20, 100):
        assert parse(payload(PATIENT, 1, measurements=[measured("borg_tenths", "before", tenths)]))
    for tenths in (1, 15, 25, 110):
        sent = payload(PATIENT, 1, measurements=[measured("borg_tenths", "before", tenths)])
        assert problems_of(sent) == {"/measurements/0/value": "out_of_range"}


def test_measured_sputum_has_exactly_one_amount_and_a_method() -> None:
    sputum = payload(PATIENT, 1)["sputum"]
    for changes, field in (
        ({"volume_tenths_ml": None}, "/sputum/volume_tenths_ml"),
        ({"mass_tenths_g": 10}, "/sputum/volume_tenths_ml"),
        ({"method": None}, "/sputum/method"),
        ({"method": "scale"}, "/sputum/method"),
        ({"state": "swallowed"}, "/sputum/state"),
    ):
        assert field in problems_of(payload(PATIENT, 1, sputum={**sputum, **changes})), changes


def test_the_colour_stands_on_the_four_point_scale_and_blood_apart_from_it() -> None:
    # Murray et al., Sputum colour, Eur Respir J 2009;34:361: four points.
    sputum = payload(PATIENT, 1)["sputum"]
    assert problems_of(payload(PATIENT, 1, sputum={**sputum, "colour": 5})) == {
        "/sputum/colour": "out_of_range"
    }
    assert problems_of(payload(PATIENT, 1, blood={"seen": "streaks", "volume_ml": 3})) == {
        "/blood/volume_ml": "inconsistent"
    }


def test_what_was_not_given_needs_its_reason_and_has_no_dose() -> None:
    assert parse(not_given(PATIENT, 1))
    assert problems_of(not_given(PATIENT, 1, reason=None)) == {"/reason": "missing"}
    assert problems_of(not_given(PATIENT, 1, reason="too_tired")) == {"/reason": "inconsistent"}
    assert problems_of(not_given(PATIENT, 1, done=done(sets=2))) == {"/done/sets": "not_applicable"}
    assert problems_of(payload(PATIENT, 1, reason="declined")) == {"/reason": "inconsistent"}
    assert problems_of(payload(PATIENT, 1, delivered="part")) == {"/reason": "missing"}


def test_blood_seen_before_beginning_is_kept_although_nothing_was_given() -> None:
    assert parse(not_given(PATIENT, 1, reason="on_hold", blood={"seen": "fresh", "volume_ml": None}))


def test_a_technique_takes_its_own_dose_and_settings_only() -> None:
    sent = payload(
        PATIENT, 1, done=done(sets=3, positions=2, settings={"frequency_hz": 12, "resistance_setting": 99})
    )
    assert problems_of(sent) == {
        "/done/positions": "not_applicable",
        "/done/settings/frequency_hz": "unknown_field",
        "/done/settings/resistance_setting": "out_of_range",
    }
    hands = done(sets=2, settings={"hands": "belly"})
    assert parse(payload(PATIENT, 1, technique="assisted_cough", done=hands))
    areas = done(minutes=10, settings={"areas": ["left_lower", "right_lower"]})
    assert parse(payload(PATIENT, 1, technique="percussion_vibration", done=areas)).done.settings == {
        "areas": ("left_lower", "right_lower")
    }


def test_who_gave_it_is_named_and_a_carer_needs_no_account() -> None:
    assert problems_of(payload(PATIENT, 1, staff=[])) == {"/staff": "missing"}
    assert parse(payload(PATIENT, 1, staff=[], delivered_by="carer"))
    twice = [{"person": 1, "minutes": 5}, {"person": 1, "minutes": 10}]
    assert problems_of(payload(PATIENT, 1, staff=twice)) == {"/staff": "inconsistent"}


# What is published


def test_the_published_schema_is_the_one_the_parser_reads_by() -> None:
    assert json.loads(SCHEMA.read_text(encoding="utf-8")) == json_schema()


def test_the_words_of_the_payload_are_those_of_the_tables() -> None:
    assert tuple(models.Delivered.values) == content.DELIVERED
    assert tuple(models.DeliveredBy.values) == content.DELIVERED_BY
    assert tuple(models.SputumState.values) == content.SPUTUM_STATES
    assert tuple(OxygenDevice.values) == content.OXYGEN_DEVICES
