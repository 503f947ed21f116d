"""The numbers a clinic may set for itself: what each is for, its default, unit, range and source.

A row in ClinicNumber overrides the default; without a row the default holds. Read them with
`clinic.units.selectors.number(name)`.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class NumberKind:
    """One number of the clinic.

    Attributes:
        name: stored in ClinicNumber.name.
        words: how the settings page calls it.
        unit: as pages write it.
        default: what holds until the clinic sets its own.
        low, high: what may be set, both included.
        source: where the default comes from, or that it is a local convention.
    """

    name: str
    words: str
    unit: str
    default: int
    low: int
    high: int
    source: str


LOCAL = "local convention, no published number"

_NUMBERS = (
    NumberKind(
        "adherence_low_below_percent",
        "Patient adherence is called low below",
        "%",
        35,
        1,
        99,
        "adherence study with device log: low under 35 %; the printed bands leave gaps, which are closed here",
    ),
    NumberKind(
        "adherence_high_from_percent",
        "Patient adherence is called high from",
        "%",
        80,
        1,
        100,
        "adherence study with device log: high over 80 %; the printed bands leave gaps, which are closed here",
    ),
    NumberKind("decide_by_minutes", "A clinician decides on a hold within", "min", 60, 5, 1440, LOCAL),
    NumberKind(
        "screen_again_minutes",
        "After a change of care setting a patient is screened again within",
        "min",
        120,
        15,
        1440,
        LOCAL,
    ),
    NumberKind("emergency_access_hours", "Emergency access lasts", "h", 8, 1, 24, LOCAL),
    NumberKind(
        "co_sign_hours", "A student's or assistant's record is co-signed within", "h", 24, 1, 168, LOCAL
    ),
    NumberKind("lift_longest_days", "A lifted 'do not start' counts at most", "days", 7, 1, 31, LOCAL),
    NumberKind("order_sign_hours", "A telephone order is signed within", "h", 24, 1, 168, LOCAL),
    NumberKind(
        "late_entry_minutes",
        "A treatment is a late entry when recorded later than",
        "min",
        120,
        15,
        1440,
        LOCAL,
    ),
    NumberKind("safety_review_hours", "An adverse event is reviewed within", "h", 24, 1, 168, LOCAL),
    NumberKind(
        "covering_access_hours", "Access for covering goes on after the absence for", "h", 12, 0, 72, LOCAL
    ),
)

NUMBERS: dict[str, NumberKind] = {number.name: number for number in _NUMBERS}
