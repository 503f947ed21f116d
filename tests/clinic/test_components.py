"""The component tags: what they say, what they escape, and that words carry the meaning."""

import datetime as dt
from typing import Any

import pytest
from django.template import engines
from django.test import RequestFactory

from clinic.banner import PatientBanner
from clinic.paging import Page


def draw(source: str, **context: Any) -> str:
    request = context.pop("request", None)
    return str(engines["django"].from_string(source).render(context, request))


def banner(**more: Any) -> PatientBanner:
    given = {
        "family": "Mosswater",
        "given": "Bryn",
        "birth_date": dt.date(1958, 3, 14),
        "gender": "male",
        "number": "204118553",
        "on": dt.date(2026, 11, 25),
        **more,
    }
    return PatientBanner.of(**given)


def test_the_banner_shows_name_born_gender_number_in_this_order() -> None:
    """NHS Common User Interface, patient banner (PAB-0009 to 0016)."""
    drawn = draw("{% patient_banner b %}", b=banner(place="Acute ward, room 12"))
    order = ["MOSSWATER, Bryn", "14-Mar-1958 (68 y)", "male", "204 118 553", "Acute ward, room 12"]
    places = [drawn.index(words) for words in order]
    assert places == sorted(places)


def test_the_banner_says_what_is_not_recorded_and_shows_its_signs() -> None:
    drawn = draw("{% patient_banner b %}", b=banner(gender="", signs=(("Contact: gown, gloves", "look"),)))
    assert "Not recorded" in drawn
    assert '<span class="sign look">Contact: gown, gloves</span>' in drawn


def test_a_name_with_markup_in_it_is_shown_and_not_run() -> None:
    drawn = draw(
        '{% patient_banner b %}{% sign w "look" %}{% note title=w %}{{ w }}{% endnote %}',
        b=banner(given="<b>x</b>"),
        w="<script>",
    )
    assert "<b>x" not in drawn
    assert "<script>" not in drawn
    assert "&lt;script&gt;" in drawn


@pytest.mark.parametrize(
    ("kind", "words"), [("stop", "Stop: No more."), ("look", "Look: No more."), ("plain", "No more.")]
)
def test_a_note_says_its_kind_in_words(kind: str, words: str) -> None:
    drawn = draw('{% note kind=k title="No more" %}Rest.{% endnote %}', k=kind)
    assert f"<strong>{words}</strong>" in drawn


def test_a_fourth_kind_of_note_is_refused() -> None:
    """Three tiers only; more are read past (standards, alert fatigue)."""
    with pytest.raises(ValueError, match="stop, look or plain"):
        draw('{% note kind="alarm" %}x{% endnote %}')


def test_values_and_units_are_kept_on_one_line() -> None:
    assert draw('{{ v|number:1|unit:"mL" }}', v=125) == "12.5\u00a0mL"
    assert draw('{{ v|tenths|unit:"mL" }}', v=120) == "12.0\u00a0mL"
    assert draw('{{ v|unit:"mL" }}', v=None) == "Not recorded"
    assert draw("{{ v|percent }}", v=0.831) == "83\u00a0%"
    assert draw("{{ v|result:2 }}", v=1.5) == "1.50"


def test_a_spell_is_written_by_its_length_whichever_way_it_ran() -> None:
    assert draw("{{ v|spell }}", v=dt.timedelta(hours=-26)) == "26 h"
    assert draw("{{ v|spell }}", v=None) == "Not recorded"


def test_a_bar_says_its_figures_and_never_outgrows_its_box() -> None:
    drawn = draw('{% bar 450 420 "450 of 420 minutes" %}')
    assert 'aria-label="450 of 420 minutes"' in drawn
    assert 'x="93.3" y="3" width="6.7"' in drawn
    assert 'width="0.0"' in draw('{% bar 0 0 "none" %}')


def test_the_pager_keeps_the_filters_and_names_only_ids() -> None:
    request = RequestFactory().get("/patients", {"unit": "7", "after": "old"})
    drawn = draw('{% pager page "patients" %}', page=Page([], "b-id", "a-id"), request=request)
    assert 'href="?unit=7&amp;before=b-id"' in drawn
    assert 'href="?unit=7&amp;after=a-id"' in drawn
    assert "Next patients" in drawn
    assert "<nav" not in draw("{% pager page %}", page=Page([], "", ""), request=request)


def test_progress_is_told_in_words_too() -> None:
    assert "Rows: 3 of 1,000" in draw('{% progress 3 1000 "Rows" %}')
    unknown = draw('{% progress 3 None "Rows" %}')
    assert "Rows: 3 so far" in unknown
    assert "max=" not in unknown


def test_the_caution_defers_to_protocol_and_clinician() -> None:
    drawn = draw("{% caution %}")
    assert "supports a decision and never makes it" in drawn
    assert "Local protocols and the licensed clinician" in drawn


def test_what_a_person_typed_ends_in_one_full_stop() -> None:
    assert (
        draw("{{ w|sentence }}", w="stop at the first sign of distress")
        == "stop at the first sign of distress."
    )
    assert draw("{{ w|sentence }}", w="Done. ") == "Done."
    assert draw("{{ w|sentence }}", w="") == ""


def test_a_choice_begins_with_a_capital_and_a_unit_stays_a_unit() -> None:
    for words, written in (
        ("off sick", "Off sick"),
        ("mL", "mL"),
        ("g", "g"),
        ("cmH2O", "cmH2O"),
        ("SpO2", "SpO2"),
    ):
        assert draw("{{ w|sentence_case }}", w=words) == written
