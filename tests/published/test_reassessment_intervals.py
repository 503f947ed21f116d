"""How often patients are looked at again unless the clinic says otherwise."""

from clinic.units.defaults import REASSESSMENT


def test_the_published_intervals_stand_as_printed():
    # AARC Clinical Practice Guideline, Postural Drainage Therapy, Respir Care 1991;36:1418, from memory: intensive
    # care at least every 48 h, acute ward every 72 h or on change, home every 3 months or on change.
    rows = {row.care_setting: (row.every, row.spell) for row in REASSESSMENT}
    assert rows["intensive"] == (48, "hours")
    assert rows["acute"] == (72, "hours")
    assert rows["home"] == (3, "months")


def test_where_nothing_is_published_the_source_says_so():
    # Local: step-down as intensive care until the clinic sets its own; outpatient as home.
    rows = {row.care_setting: row for row in REASSESSMENT}
    assert (rows["step_down"].every, rows["step_down"].spell) == (48, "hours")
    assert (rows["outpatient"].every, rows["outpatient"].spell) == (3, "months")
    assert "local" in rows["outpatient"].source
