"""Counts per condition: what is added up, and when a rule is worth looking at."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from screening.decisions.counts import Act, Counts, Happened, counts

CONDITIONS = ("rib_fracture", "osteoporosis", "epistaxis")
HAPPENED = st.lists(
    st.builds(Happened, st.sampled_from(list(Act)), st.frozensets(st.sampled_from(CONDITIONS))), max_size=30
)


def test_one_act_counts_once_for_each_condition_that_it_was_about():
    found = counts(
        [
            Happened(Act.SHOWN, frozenset({"rib_fracture", "osteoporosis"})),
            Happened(Act.SHOWN, frozenset({"osteoporosis"})),
            Happened(Act.PROCEED, frozenset({"osteoporosis"})),
            Happened(Act.AGAINST, frozenset({"rib_fracture"})),
            Happened(Act.OUTSIDE, frozenset({"rib_fracture"})),
            Happened(Act.LIFTED, frozenset({"epistaxis"})),
        ],
        CONDITIONS,
    )
    assert [(row.condition, row.shown, row.decided, row.outside, row.lifted) for row in found] == [
        ("osteoporosis", 2, 1, 0, 0),
        ("rib_fracture", 1, 1, 1, 0),
        ("epistaxis", 0, 0, 0, 1),
    ]


@given(HAPPENED)
def test_every_act_is_found_again_in_its_column_whatever_the_order(happened):
    found = {row.condition: row for row in counts(happened, CONDITIONS)}
    assert found == {row.condition: row for row in counts(reversed(happened), CONDITIONS)}
    for act in Act:
        for condition in CONDITIONS:
            expected = sum(one.act is act and condition in one.conditions for one in happened)
            assert (getattr(found[condition], act) if condition in found else 0) == expected


# Safety conventions, section 5: above 90 % in 20 firings.
@pytest.mark.parametrize(
    ("shown", "proceed", "outside", "expected"),
    [(20, 18, 0, False), (20, 19, 0, True), (20, 10, 9, True), (19, 19, 0, False), (0, 0, 3, False)],
)
def test_a_rule_gone_past_more_than_nine_times_in_ten_over_twenty_occasions_is_looked_at(
    shown, proceed, outside, expected
):
    row = Counts(condition="epistaxis", shown=shown, proceed=proceed, outside=outside)
    assert row.to_review is expected


def test_deciding_not_to_proceed_is_not_going_past():
    assert not Counts(condition="epistaxis", shown=20, against=20).to_review
