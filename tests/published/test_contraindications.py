"""The published lists, typed technique by technique from the prose of the guidelines, against the rule table.

Each item must be "clinician must decide" or stricter in its technique's column. Items called absolute, or listed
as bars, must be "do not start". Where an item maps to a narrower row or a different grade, the difference stands in
DIFFERENCES with its reason.
"""

import pytest

from screening import rules
from screening import table as tables
from screening.rules import Answer, Result

TABLE = tables.current()
ALL_NO = {key: Answer("no") for key in TABLE.conditions}

ICP = ["icp_above_20"]
BLEEDING_UNSTABLE = ["active_bleeding_unstable"]
HEAD_NECK = ["head_or_neck_injury_unstable"]
ACTIVE_HAEMOPTYSIS = ["haemoptysis_scant", "haemoptysis_5_to_240", "haemoptysis_massive"]
CLOTTING = ["anticoagulation_or_bleeding_tendency"]

# AARC 1991, Respir Care 36:1418: the list for every position, as restated in teaching texts.
EVERY_POSITION = {
    "intracranial pressure above 20 mmHg": ICP,
    "head or neck injury until stabilised": HEAD_NECK,
    "active bleeding with haemodynamic instability": BLEEDING_UNSTABLE,
    "acute spinal injury": ["spinal_injury_unstable"],
    "recent spinal surgery": ["spinal_surgery_recent"],
    "active haemoptysis": ACTIVE_HAEMOPTYSIS,
    "empyema": ["pleural_effusion_or_empyema"],
    "bronchopleural fistula": ["bronchopleural_fistula"],
    "pulmonary oedema from heart failure": ["pulmonary_oedema_cardiogenic"],
    "large pleural effusion": ["pleural_effusion_or_empyema"],
    "pulmonary embolism": ["pulmonary_embolism"],
    "frail, confused or anxious and not tolerating": ["not_cooperating_or_not_tolerating"],
    "rib fracture, with or without flail chest": ["rib_fracture", "flail_chest_or_several_ribs"],
    "surgical wound or healing tissue": ["chest_skin_wound_or_graft"],
}
# The same guideline: what head-down adds.
HEAD_DOWN = {
    "a rise of intracranial pressure to be avoided": ["icp_raised_unmonitored"],
    "uncontrolled hypertension": ["hypertension_uncontrolled"],
    "distended abdomen": ["abdomen_distended_or_acute"],
    "oesophageal surgery": ["upper_gi_surgery_recent"],
    "recent haemoptysis linked to lung cancer": ["haemoptysis_lung_cancer_recent"],
    "airway not protected, at risk of aspiration": ["aspiration_risk"],
    "recent meal or tube feed": ["meal_within_waiting_time"],
}
# From memory: what head-up adds to drainage in other positions.
HEAD_UP = {"hypotension or vasoactive drugs": ["hypotension_or_vasoactive_stable"]}
# The same guideline: what percussion and vibration add.
PERCUSSION = {
    "subcutaneous emphysema": ["subcutaneous_emphysema"],
    "recent epidural or spinal anaesthesia": ["epidural_or_spinal_recent"],
    "recent graft or flap on the chest": ["chest_skin_wound_or_graft"],
    "burns, open wounds, skin infection of the chest": ["chest_skin_wound_or_graft"],
    "recently placed pacemaker": ["pacemaker_new"],
    "suspected pulmonary tuberculosis": ["droplet_or_airborne_infection"],
    "lung contusion": ["lung_contusion"],
    "bronchospasm": ["bronchospasm_severe", "bronchospasm_mild"],
    "osteomyelitis of the ribs": ["rib_osteomyelitis"],
    "osteoporosis": ["osteoporosis"],
    "coagulopathy": [*CLOTTING, "platelets_20_to_49", "platelets_under_20"],
    "chest-wall pain": ["chest_wall_pain"],
}
# AARC 1993, Respir Care 38:516: evaluate carefully before any positive airway pressure.
PEP = {
    "cannot tolerate more work of breathing": ["acute_dyspnoea"],
    "intracranial pressure above 20 mmHg": ICP,
    "haemodynamic instability": ["haemodynamic_instability"],
    "recent facial, oral or skull surgery or trauma": [
        "facial_oral_skull_surgery_or_trauma",
        "facial_fracture",
        "skull_base_fracture_or_csf_leak",
    ],
    "acute sinusitis": ["acute_sinusitis"],
    "epistaxis": ["epistaxis"],
    "oesophageal surgery": ["upper_gi_surgery_recent"],
    "active haemoptysis": ACTIVE_HAEMOPTYSIS,
    "nausea": ["nausea_severe", "vomiting_now"],
    "ear-drum rupture or other middle-ear disease": ["ear_drum_or_middle_ear"],
    "untreated pneumothorax": ["pneumothorax_untreated", "pneumothorax_suspected_or_tension"],
    "does not cooperate": ["not_cooperating_or_not_tolerating"],
}
# AARC 1993, Respir Care 38:495: any directed cough; a huff is one.
DIRECTED_COUGH = {
    "infection by droplets that cannot be contained": ["droplet_or_airborne_infection"],
    "raised intracranial pressure": ["icp_above_20", "icp_raised_unmonitored"],
    "intracranial aneurysm": ["intracranial_aneurysm_stroke_neurosurgery"],
    "reduced coronary perfusion, as in acute myocardial infarction": ["acute_coronary_low_perfusion"],
    "unstable head, neck or spine injury": ["head_or_neck_injury_unstable", "spinal_injury_unstable"],
    "acute chest pain not explained": ["unstable_rhythm_or_chest_pain"],
    "severe bronchospasm": ["bronchospasm_severe"],
    "severe dyspnoea": ["acute_dyspnoea"],
    "untreated pneumothorax": ["pneumothorax_untreated"],
    "leaking aneurysm": ["aneurysm_graft_or_filter"],
    "recent eye surgery": ["eye_surgery_recent"],
    "recent neurosurgery": ["intracranial_aneurysm_stroke_neurosurgery"],
    "aspiration risk": ["aspiration_risk"],
}
# The same guideline and hospital policies: a thrust below the breastbone, and one on the ribs.
ASSISTED_COUGH = {
    "regurgitation risk or airway not protected": ["aspiration_risk"],
    "acute abdomen": ["abdomen_distended_or_acute"],
    "bowel obstruction": ["abdomen_distended_or_acute"],
    "abdominal aortic aneurysm": ["aneurysm_graft_or_filter"],
    "vena cava filter": ["aneurysm_graft_or_filter"],
    "abdominal vessel graft": ["aneurysm_graft_or_filter"],
    "hiatus hernia": ["hiatus_hernia_or_reflux"],
    "pregnancy": ["pregnancy_first_trimester", "pregnancy_second_or_third_trimester"],
    "recent abdominal surgery": ["abdominal_surgery_or_feeding_tube"],
    "feeding tube": ["abdominal_surgery_or_feeding_tube"],
    "diaphragm rupture": ["diaphragm_rupture"],
    "unstable spine": ["spinal_injury_unstable"],
    "bleeding diathesis": CLOTTING,
    "untreated pneumothorax": ["pneumothorax_untreated"],
    "osteoporosis": ["osteoporosis"],
    "rib metastases": ["bone_metastases"],
    "fractured rib": ["rib_fracture"],
    "flail chest": ["flail_chest_or_several_ribs"],
    "lung contusion": ["lung_contusion"],
}
# Insurers' and hospitals' policies on mechanical in-exsufflation: relative by their wording.
MI_E_RELATIVE = {
    "bullous emphysema": ["bullous_emphysema"],
    "prone to pneumothorax or pneumomediastinum": ["air_leak_tendency", "pneumothorax_recent_resolved"],
    "recent barotrauma": ["air_leak_tendency"],
}
# A children's hospital's page, and a teaching text citing an on-call handbook, 2004: listed as bars.
MI_E_BARS = {
    "pneumothorax without a drain": ["pneumothorax_untreated", "pneumothorax_suspected_or_tension"],
    "frank haemoptysis": ["haemoptysis_5_to_240", "haemoptysis_massive", "haemoptysis_fresh_amount_unknown"],
    "vomiting": ["vomiting_now"],
    "facial fracture": ["facial_fracture"],
    "cardiovascular instability": ["haemodynamic_instability", "active_bleeding_unstable"],
    "raised intracranial pressure": ["icp_above_20", "icp_raised_unmonitored"],
    "recent upper gastrointestinal surgery": ["upper_gi_surgery_recent"],
    "head or cervical spine injury": ["head_or_neck_injury_unstable", "spinal_injury_unstable"],
    "unrepaired tracheo-oesophageal fistula": ["tracheo_oesophageal_fistula"],
    "uncontrolled bronchospasm": ["bronchospasm_severe"],
}
# AARC 2011: incentive spirometry; the adapter after a hospital procedure, 2023.
INCENTIVE_BARS = {
    "cannot be taught or supervised": ["cannot_follow_instructions", "consciousness_reduced"],
    "does not cooperate": ["not_cooperating_or_not_tolerating"],
    "cannot take a deep breath, such as vital capacity under 10 mL/kg": ["cannot_breathe_deeply"],
}
INCENTIVE_RELATIVE = {"open stoma, which needs an adapter": ["tracheostomy_or_tube"]}

# Common practice of the trade, no source: assess carefully before an oscillating PEP device, none of them absolute.
CAREFULLY_ASSESSED = {
    "untreated pneumothorax": ["pneumothorax_untreated"],
    "haemoptysis": ["haemoptysis_scant", "haemoptysis_5_to_240"],
    "intracranial pressure above 20 mmHg": ICP,
    "acute dyspnoea": ["acute_dyspnoea"],
    "severe nausea": ["nausea_severe"],
}

LISTS = [
    ("drainage", EVERY_POSITION | HEAD_UP),
    ("head_down_drainage", EVERY_POSITION | HEAD_DOWN),
    ("percussion_vibration", EVERY_POSITION | PERCUSSION),
    ("hfcwo", EVERY_POSITION | PERCUSSION),
    ("pep", PEP),
    ("oscillating_pep", PEP),
    ("directed_cough", DIRECTED_COUGH),
    ("assisted_cough", ASSISTED_COUGH),
    ("mi_e", MI_E_RELATIVE | MI_E_BARS),
    ("incentive_spirometry", INCENTIVE_RELATIVE | INCENTIVE_BARS),
    # A recipe that ends in huffs contains the directed-cough list.
    ("pep", DIRECTED_COUGH),
    ("oscillating_pep", DIRECTED_COUGH),
    ("breathing_techniques", DIRECTED_COUGH),
    # Any directed cough: also one that somebody's hands help.
    ("assisted_cough", DIRECTED_COUGH),
    ("oscillating_pep", CAREFULLY_ASSESSED),
]
# The only two items that AARC 1991 calls absolute, and the same two for HFCWO.
BY_THEIR_LISTS = [
    (technique, key)
    for technique in ("drainage", "head_down_drainage", "percussion_vibration", "hfcwo")
    for key in (*HEAD_NECK, *BLEEDING_UNSTABLE)
]
# What the pages on MI-E and AARC 2011 list as bars.
BARS_OF_LISTS = [
    *(("mi_e", key) for keys in MI_E_BARS.values() for key in keys),
    *(("incentive_spirometry", key) for keys in INCENTIVE_BARS.values() for key in keys),
]
ABSOLUTE = [
    *BY_THEIR_LISTS,
    *BARS_OF_LISTS,
    # CFF 2010: massive haemoptysis withholds all airway clearance.
    *((technique, "haemoptysis_massive") for technique in TABLE.techniques),
    # A hospital's HFCC policy, 2017.
    *(("hfcwo", key) for key in ("pneumothorax_untreated", "haemothorax", "age_under_2")),
]

BARRED = "The list calls it relative; it bars here by judgement, starred, for local sign-off: "
# Where the table says something else than the list of its column, and why: stricter, or known only by judgement.
DIFFERENCES = {
    ("head_down_drainage", "icp_above_20"): BARRED + "head-down raises the pressure further.",
    ("head_down_drainage", "icp_raised_unmonitored"): BARRED
    + "head-down raises a pressure that nobody reads.",
    ("head_down_drainage", "spinal_injury_unstable"): BARRED + "tipping moves the spine.",
    ("head_down_drainage", "upper_gi_surgery_recent"): BARRED + "reflux reaches a fresh suture.",
    ("head_down_drainage", "aspiration_risk"): BARRED + "what comes up runs into the airway.",
    ("head_down_drainage", "haemoptysis_5_to_240"): BARRED + "tipping may start a larger bleed.",
    (
        "head_down_drainage",
        "haemoptysis_massive",
    ): "CFF 2010: massive haemoptysis withholds all airway clearance.",
    ("drainage", "haemoptysis_massive"): "CFF 2010: massive haemoptysis withholds all airway clearance.",
    (
        "percussion_vibration",
        "haemoptysis_massive",
    ): "CFF 2010: massive haemoptysis withholds all airway clearance.",
    ("hfcwo", "haemoptysis_massive"): "CFF 2010: massive haemoptysis withholds all airway clearance.",
    ("pep", "haemoptysis_massive"): "CFF 2010, where AARC 1993 only asks to evaluate carefully.",
    ("oscillating_pep", "haemoptysis_massive"): "CFF 2010, where the list only does not recommend it.",
    ("percussion_vibration", "haemoptysis_5_to_240"): BARRED + "shaking may start a larger bleed.",
    ("percussion_vibration", "flail_chest_or_several_ribs"): BARRED + "it moves the broken ribs.",
    (
        "percussion_vibration",
        "platelets_20_to_49",
    ): "The list says coagulopathy; the count is local convention.",
    ("percussion_vibration", "platelets_under_20"): BARRED + "the count is local convention.",
    ("hfcwo", "haemoptysis_5_to_240"): BARRED + "shaking may start a larger bleed.",
    ("hfcwo", "flail_chest_or_several_ribs"): BARRED + "sources differ, and both are shown.",
    ("hfcwo", "platelets_20_to_49"): "The list says coagulopathy; the count is local convention.",
    ("hfcwo", "platelets_under_20"): BARRED + "the count is local convention.",
    ("pep", "skull_base_fracture_or_csf_leak"): BARRED + "pressure may drive air into the skull.",
    ("oscillating_pep", "skull_base_fracture_or_csf_leak"): BARRED + "pressure may drive air into the skull.",
    ("pep", "pneumothorax_suspected_or_tension"): BARRED + "the list knows only an untreated one.",
    ("oscillating_pep", "pneumothorax_suspected_or_tension"): BARRED
    + "the list knows only an untreated one.",
    ("mi_e", "bullous_emphysema"): BARRED + "the policies call it relative.",
    ("assisted_cough", "aneurysm_graft_or_filter"): BARRED + "the thrust lands on it.",
    ("assisted_cough", "diaphragm_rupture"): BARRED + "the thrust lands on it.",
    ("assisted_cough", "spinal_injury_unstable"): BARRED + "the thrust moves the spine.",
    ("assisted_cough", "rib_fracture"): BARRED + "the thrust lands on it.",
    ("assisted_cough", "flail_chest_or_several_ribs"): BARRED + "the thrust lands on it.",
    (
        "drainage",
        "hypotension_or_vasoactive_stable",
    ): "What head-up positions add is only recalled from memory.",
}
# Rows that say less than the item on the list, in their own words, and why.
NARROWER = {
    (
        "nausea_severe",
        "Severe nausea",
    ): "The list says nausea; common practice of the trade says severe nausea.",
    ("head_or_neck_injury_unstable", "Head or neck injury, not stabilised"): (
        "Ends once the injury is stabilised; the list for MI-E has no such end."
    ),
    ("spinal_injury_unstable", "Acute spinal injury, not stabilised"): (
        "Ends once the injury is stabilised; the lists for drainage and MI-E have no such end."
    ),
}


def result(technique, *conditions):
    answers = ALL_NO | {key: Answer("yes") for key in conditions}
    return rules.screen(answers, TABLE, techniques=[technique])[technique].result


@pytest.mark.parametrize(("technique", "items"), LISTS)
def test_each_published_item_asks_for_a_decision_or_bars(technique, items):
    for item, conditions in items.items():
        for condition in conditions:
            assert result(technique, condition) in (
                Result.CLINICIAN_MUST_DECIDE,
                Result.DO_NOT_START,
            ), f"{technique}: {item} ({condition})"


def test_what_the_sources_call_absolute_or_a_bar_is_not_started():
    for technique, condition in ABSOLUTE:
        assert result(technique, condition) is Result.DO_NOT_START, f"{technique}: {condition}"


def test_pep_bars_nothing_by_its_published_list():
    """AARC 1993: no absolute contraindication has been reported. What bars here is starred, or massive bleeding."""
    for technique in ("pep", "oscillating_pep"):
        barred = [
            cell.condition
            for cell in TABLE.cells.values()
            if cell.technique == technique and cell.grade == "A" and not cell.star
        ]
        assert barred == ["haemoptysis_massive"]


def test_each_difference_from_a_list_is_listed_with_its_reason():
    """A starred cell would hide the published source of an item; another grade would hide its strength."""
    found = set()
    for technique, items in LISTS[:10]:
        for condition in {key for keys in items.values() for key in keys}:
            cell = TABLE.cells[condition, technique]
            of_this_list = "A" if (technique, condition) in (*BY_THEIR_LISTS, *BARS_OF_LISTS) else "R"
            if cell.star or cell.grade != of_this_list:
                found.add((technique, condition))
    assert found == set(DIFFERENCES)


def test_each_narrower_row_reads_as_its_difference_says():
    for key, words in NARROWER:
        assert TABLE.conditions[key].words == words
    assert all(len(reason) > 30 for reason in (*DIFFERENCES.values(), *NARROWER.values()))


def test_suction_and_what_has_no_published_list_have_no_column():
    """Suction and airway care are never blocked; techniques without a typed-in list cannot be ordered."""
    assert not {"suction", "ipv", "exercise", "positioning"} & set(TABLE.techniques)
