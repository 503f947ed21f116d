"""What the screening pages ask first, and what they show of each answer, finding and conflict."""

import re

import pytest
import time_machine

from screening import ordered
from screening.models import Screening
from tests.conftest import NOW
from tests.screening.test_views import EVERY_GROUP, HOUR, at, screen, send

pytestmark = pytest.mark.django_db


@pytest.fixture
def clock():
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def orders():
    before = ordered.told_by(lambda patients: dict.fromkeys(patients, ("oscillating_pep",)))
    yield
    ordered.told_by(before)


# What is asked first


def parts_of(page):
    """The form in three: what settles the ordered technique, what follows for the others, the rest."""
    settling, _, others = page[page.index("which is ordered") :].partition("For all other techniques")
    return settling, others


@pytest.mark.usefixtures("clock", "orders")
def test_the_form_asks_first_what_settles_the_ordered_technique(world, cast, sign_in):
    """No row of the chest wall bears on oscillating PEP; what could bar it stands before what could not."""
    page = sign_in(cast.therapist).get(at("screening-new", world.mosswater)).content.decode()
    assert "6 questions settle Oscillating PEP, which is ordered" in page
    settling, others = parts_of(page)
    assert 'id="group-chest_wall"' in others
    assert 'name="none_lungs"' in settling
    places = [
        settling.index(f'name="{key}"') for key in ("consciousness_reduced", "epistaxis", "nausea_severe")
    ]
    assert places[0] < places[2]
    lungs = settling[settling.index('id="group-lungs"') :]
    assert lungs.index("pneumothorax_untreated") < lungs.index("not bearing on Oscillating PEP")
    assert lungs.index("not bearing on Oscillating PEP") < lungs.index("lung_abscess")


@pytest.fixture
def spirometry_ordered():
    before = ordered.told_by(lambda patients: dict.fromkeys(patients, ("incentive_spirometry",)))
    yield
    ordered.told_by(before)


@pytest.mark.usefixtures("spirometry_ordered", "clock")
def test_a_question_asked_alone_is_answered_by_no_groups_tick(world, cast, sign_in):
    """Of the chest wall only pain bears on incentive spirometry, of the belly only vomiting: each stands alone."""
    client = sign_in(cast.therapist)
    page = client.get(at("screening-new", world.mosswater)).content.decode()
    settling, others = parts_of(page)
    assert 'name="asked_alone" value="chest_wall_pain vomiting_now"' in page
    for key in ("chest_wall_pain", "vomiting_now"):
        assert f'name="{key}"' in settling
        assert f'name="{key}"' not in others
    assert 'name="none_chest_wall"' in others, "the tick stands beside other questions"
    # What the page that was sent showed alone counts too, whatever is ordered by then.
    send(client, world, **EVERY_GROUP, asked_alone="epistaxis")
    row = Screening.objects.get()
    assert not row.answers.filter(condition__in=["chest_wall_pain", "vomiting_now", "epistaxis"]).exists()
    assert row.results.get(technique="incentive_spirometry").result == "incomplete"
    assert row.answers.get(condition="rib_fracture").by_group


def test_an_answer_past_its_life_is_greyed_with_its_age_on_the_form_and_the_result(
    world, cast, sign_in, clock, orders
):
    screen(world, cast, epistaxis="no", osteoporosis="yes")
    clock.shift(3 * HOUR)
    client = sign_in(cast.therapist)
    form = client.get(at("screening-new", world.mosswater)).content.decode()
    block = form[form.rindex("<fieldset", 0, form.index('name="epistaxis"')) :][:900]
    assert "has-aged" in block
    assert "Last answer no, asked 3 h ago, ask again" in block
    assert not re.search(r'name="epistaxis"[^>]* checked', form), "it does not count as answered"
    result = client.get(at("screening", world.mosswater)).content.decode()
    assert re.search(r'<li class="aged">Epistaxis: no, asked 3 h ago, ask again</li>', result)
    assert re.search(r'<tr class="aged"><th scope="row">Epistaxis</th>', result)
    assert re.search(r'<tr><th scope="row">Osteoporosis</th>', result), "it holds until it is changed"


# What is shown


def test_the_result_shows_who_said_that_there_is_no_reason_to_measure_and_what_was_asked(
    world, cast, sign_in, clock
):
    screen(world, cast, icp_mmhg="no_reason_to_measure", icp_above_20="unknown")
    page = sign_in(cast.therapist).get(at("screening", world.mosswater)).content.decode()
    line = page[page.index('<th scope="row">Intracranial pressure</th>') :][:400]
    assert "no reason to measure" in line
    assert "Head injury, brain bleed, tumour, shunt or recent neurosurgery?" in line
    assert str(cast.therapist) in line


def test_what_could_bar_the_ordered_technique_is_asked_first_on_the_result(
    world, cast, sign_in, clock, orders
):
    screen(world, cast, epistaxis="unknown", consciousness_reduced="unknown")
    page = sign_in(cast.therapist).get(at("screening", world.mosswater)).content.decode()
    note = page[page.index("2 answers settle Oscillating PEP, which is ordered") :]
    note = note[: note.index("</ol>")]
    assert note.index("Reduced consciousness") < note.index("Epistaxis")
    assert "(if yes: do not start)" in note
    assert "(if yes: a clinician must decide)" in note


def test_a_barred_technique_lists_which_are_less_constrained_and_why_and_recommends_none(
    world, cast, sign_in, clock
):
    ordered_before = ordered.told_by(lambda patients: dict.fromkeys(patients, ("mi_e",)))
    screen(world, cast, haemoptysis_24h_ml=8, haemoptysis_scant="no", haemoptysis_5_to_240="yes",
           epistaxis="yes")  # fmt: skip
    page = sign_in(cast.therapist).get(at("screening", world.mosswater)).content.decode()
    ordered.told_by(ordered_before)
    less = page[page.index("Less constrained for this patient: not a recommendation") :]
    less = less[: less.index("</details>")]
    assert less.index("Breathing techniques") < less.index("<strong>PEP</strong>")
    assert "Clinician must decide; 1 finding, the strictest: Haemoptysis, 5 to 240 mL in 24 h (8 mL)" in less
    assert "<strong>PEP</strong>: Clinician must decide; 2 findings" in less
    assert "Percussion" not in less, "it is barred as well"
    assert "The licensed clinician chooses" in less


@pytest.mark.parametrize(
    ("row", "sides"),
    [
        (
            "pneumothorax_untreated",
            ("AARC list says evaluate carefully", "cystic fibrosis pages withhold PEP"),
        ),
        ("haemoptysis_scant", ("one hospital policy gives no percussion", "one expert page changes nothing")),
        ("rib_fracture", ("a trauma study found it tolerated", "a hospital policy bars it")),
    ],
)
@pytest.mark.usefixtures("clock")
def test_each_known_conflict_of_sources_shows_both_sides_beside_the_finding(world, cast, sign_in, row, sides):
    """PEP with a pneumothorax, percussion with scant haemoptysis, chest wall oscillation with a rib fracture."""
    screen(world, cast, **{row: "yes"})
    page = sign_in(cast.therapist).get(at("screening", world.mosswater)).content.decode()
    shown = re.search(rf'<br><span class="small">[^<]*{sides[0]}[^<]*; [^<]*{sides[1]}', page)
    assert shown


@pytest.mark.usefixtures("clock")
def test_the_form_asks_first_what_settles_a_technique_whose_bar_is_lifted(world, cast):
    """What a lift leaves open keeps the technique from beginning: it is asked first like any other."""
    from screening import table
    from screening.forms import ScreeningForm
    from screening.lifts.rules import Lift
    from screening.services import record_screening

    rows = {key: "no" for key, one in table.current().conditions.items() if "age_years" not in one.numbers}
    previous = record_screening(
        by=cast.therapist, patient=world.mosswater, answers=rows | {"lung_abscess": "yes"}, at=NOW
    )
    lift = Lift(
        id="a",
        condition="lung_abscess",
        technique="mi_e",
        answer="yes",
        counts_from=NOW,
        expires_at=NOW + HOUR,
    )
    given = {"table": table.current(), "previous": previous, "at": NOW, "ordered": ("mi_e",)}
    assert ScreeningForm(**given).parts == []
    assert [part.words for part in ScreeningForm(**given, lifts=[lift]).parts] == [
        table.current().techniques["mi_e"]
    ]


@pytest.mark.usefixtures("clock")
def test_a_measured_peak_cough_flow_is_offered_where_the_screening_asks_it(world, cast, sign_in):
    from clinic.measurements.services import Value
    from screening.numbers import forced, services

    address = at("screening-new", world.mosswater)
    client = sign_in(cast.therapist)
    assert "Measured 25-Nov-2026" not in client.get(address).content.decode()
    services.record_forced_test(
        by=cast.therapist, patient=world.mosswater, measured_at=NOW,
        values=[Value("peak_cough_flow_l_per_min", 250)], answers={row.key: "no" for row in forced.rows()},
    )  # fmt: skip
    page = client.get(address).content.decode()
    field = page[page.index('name="peak_cough_flow_l_per_min"') - 900 :][:1800]
    assert "Measured 25-Nov-2026" in field
    assert "250" in field
