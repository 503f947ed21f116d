"""What a new clinic starts with: reassessment by care setting, and standard minutes, each with its source."""

from dataclasses import dataclass

LOCAL = "local convention, no published number"
BTS_2009 = "BTS/ACPRC 2009: treatment 0.5 h when uncomplicated; to be checked against the printed table"


@dataclass(frozen=True)
class ReassessmentDefault:
    """How often a patient in a care setting is looked at again."""

    care_setting: str
    every: int
    spell: str
    source: str


# AARC Clinical Practice Guideline: Postural Drainage Therapy, Respir Care 1991;36:1418, from memory.
REASSESSMENT = (
    ReassessmentDefault("intensive", 48, "hours", "AARC 1991, at least every 48 h (from memory)"),
    ReassessmentDefault("step_down", 48, "hours", "as intensive care until the clinic sets its own"),
    ReassessmentDefault("acute", 72, "hours", "AARC 1991, every 72 h or on change (from memory)"),
    ReassessmentDefault("home", 3, "months", "AARC 1991, every 3 months or on change (from memory)"),
    ReassessmentDefault("outpatient", 3, "months", LOCAL),
)


@dataclass(frozen=True)
class MinutesDefault:
    """True minutes of one treatment by technique, or of one task."""

    kind: str
    name: str
    words: str
    minutes: int
    source: str


STANDARD_MINUTES = (
    MinutesDefault("technique", "drainage", "Drainage", 30, BTS_2009),
    MinutesDefault("technique", "head_down_drainage", "Head-down drainage", 30, BTS_2009),
    MinutesDefault("technique", "percussion_vibration", "Percussion and vibration", 30, BTS_2009),
    MinutesDefault("technique", "pep", "PEP", 30, BTS_2009),
    MinutesDefault("technique", "oscillating_pep", "Oscillating PEP", 30, BTS_2009),
    MinutesDefault("technique", "hfcwo", "HFCWO", 30, BTS_2009),
    MinutesDefault("technique", "mi_e", "MI-E", 30, BTS_2009),
    MinutesDefault("technique", "breathing_techniques", "Breathing techniques", 30, BTS_2009),
    MinutesDefault("technique", "directed_cough", "Directed cough", 15, LOCAL),
    MinutesDefault("technique", "assisted_cough", "Assisted cough", 15, LOCAL),
    MinutesDefault("technique", "incentive_spirometry", "Incentive spirometry", 10, LOCAL),
    MinutesDefault("task", "set_up", "Set-up and cleaning", 5, LOCAL),
    MinutesDefault("task", "gown", "Gown and gloves", 5, LOCAL),
    MinutesDefault("task", "notes", "Notes", 5, LOCAL),
    MinutesDefault("task", "travel", "Way to the next patient at home", 20, LOCAL),
    MinutesDefault("task", "teaching", "First teaching, on top", 15, LOCAL),
)

MINUTES_WORDS = {(row.kind, row.name): row.words for row in STANDARD_MINUTES}
