"""Which techniques are less constrained than a barred one: an order over findings, and no recommendation."""

from screening.comparison import Weighed, less_constrained
from screening.rules import Result

WEIGHED = {
    "hfcwo": Weighed(Result.DO_NOT_START, ["Haemothorax"], 0),
    "pep": Weighed(Result.CLINICIAN_MUST_DECIDE, ["Haemothorax", "Epistaxis"], 0),
    "oscillating_pep": Weighed(Result.CLINICIAN_MUST_DECIDE, ["Haemothorax"], 0),
    "mi_e": Weighed(Result.INCOMPLETE, [], 2),
    "breathing_techniques": Weighed(Result.NONE_FOUND, [], 0),
    "assisted_cough": Weighed(Result.DO_NOT_START, ["Haemothorax"], 0),
}


def test_the_milder_result_stands_first_then_the_fewer_findings():
    found = less_constrained("hfcwo", WEIGHED)
    assert [one.technique for one in found] == ["breathing_techniques", "oscillating_pep", "pep", "mi_e"]


def test_a_technique_that_is_as_strict_is_not_listed_nor_the_technique_itself():
    assert {"hfcwo", "assisted_cough"}.isdisjoint(one.technique for one in less_constrained("hfcwo", WEIGHED))
    assert [one.technique for one in less_constrained("oscillating_pep", WEIGHED)] == ["breathing_techniques"]


def test_each_says_why_by_its_findings_the_strictest_and_what_is_open():
    found = {one.technique: one for one in less_constrained("hfcwo", WEIGHED)}
    assert (found["pep"].findings, found["pep"].strictest, found["pep"].open_rows) == (2, "Haemothorax", 0)
    assert (found["mi_e"].findings, found["mi_e"].strictest, found["mi_e"].open_rows) == (0, "", 2)
