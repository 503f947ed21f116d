"""How what was recorded is said on pages. No Django."""

from collections.abc import Iterable

from clinic import formats
from therapy.orders.doses import dose_fields
from therapy.orders.rules import words_for
from therapy.sessions.content import BloodSeen, SputumSeen
from therapy.sessions.rules import REASONS

DELIVERED = {"full": "Given in full", "part": "Given in part", "not_delivered": "Not given"}
DELIVERED_BY = {
    "therapist": "Therapist",
    "assistant": "Assistant",
    "student": "Student",
    "nurse": "Nurse",
    "carer": "Carer",
}
DOSE_UNITS = {
    "sets": "Sets",
    "minutes": "Minutes",
    "positions": "Positions",
    "cycles": "Cycles",
    "breaths_per_set": "Breaths a set",
}
EXHALATION = {
    "under_3_s": "under 3 s",
    "3_to_4_s": "3 to 4 s",
    "over_4_s": "over 4 s",
    "not_timed": "not timed",
}
OXYGEN = {
    "air": "Air",
    "nasal_cannula": "Nasal cannula",
    "simple_mask": "Simple mask",
    "venturi_mask": "Venturi mask",
    "reservoir_mask": "Reservoir mask",
    "high_flow": "High-flow nasal oxygen",
    "tracheostomy_mask": "Tracheostomy mask",
    "ventilator": "Ventilator",
    "unknown": "Oxygen not recorded",
}
SPUTUM = {
    "measured": "Measured",
    "none": "None produced",
    "swallowed": "Swallowed",
    "suctioned": "Suctioned",
    "not_collected": "Not collected",
    "saliva_only": "Saliva only or contaminated",
}
METHOD = {"pot": "in a pot", "scale": "on a scale", "estimated": "estimated"}
# The 4-point chart of the European bronchiectasis registry (the abstract of Murray et al., Eur Respir J 2009;34:361
# reports three classes). Appearance: mucoid second hand, the rest from memory; hold the printed chart beside it.
COLOUR = {
    1: "1 Mucoid: clear, frothy, grey",
    2: "2 Mucopurulent: creamy yellow",
    3: "3 Purulent: dirty yellow-green",
    4: "4 Severely purulent: dark green to brown",
}
CONSISTENCY = {"thin": "Thin", "thick": "Thick", "sticky": "Sticky", "plugs": "Plugs"}
BLOOD = {"none": "None seen", "streaks": "Streaks", "fresh": "Fresh", "old": "Old, brown"}
TOLERANCE = {
    "well": "Well",
    "tired": "Tired",
    "distressed": "Distressed",
    "stopped": "Wanted to stop",
}
ADVERSE_EVENTS = {
    "hypoxaemia": "Low SpO2",
    "bronchospasm": "Bronchospasm",
    "bleeding": "Bleeding",
    "dizziness_or_hypotension": "Dizziness or low blood pressure",
    "dysrhythmia": "Change of heart rhythm",
    "nausea": "Severe nausea",
    "vomiting_or_aspiration": "Vomiting or aspiration",
    "pain_or_injury": "Pain or injury",
    "suspected_pneumothorax": "Pneumothorax suspected",
    "raised_icp_signs": "Signs of raised intracranial pressure",
    "swallowed_air": "Swallowed air",
    "other": "Other",
}
# Borg CR10 anchors: NINDS Common Data Elements, Borg Dyspnea Scale, 2019.
BORG = {
    0: "none", 5: "very, very slight", 10: "very slight", 20: "slight", 30: "moderate", 40: "somewhat severe",
    50: "severe", 70: "very severe", 90: "very, very severe", 100: "maximal",
}  # fmt: skip


def reason(code: str, more: str = "") -> str:
    """Why it was not given, or stopped early."""
    said = REASONS[code].words if code in REASONS else code.replace("_", " ").capitalize()
    return f"{said}: {more}" if more else said


def oxygen(device: str, flow_ml_per_min: int | None, fio2_percent: int | None) -> str:
    """The oxygen given, in words: `Nasal cannula, 2 L/min`."""
    parts = [OXYGEN.get(device, device)]
    if flow_ml_per_min is not None:
        whole, rest = divmod(flow_ml_per_min, 1000)
        fraction = f".{rest:03d}".rstrip("0") if rest else ""
        parts.append(f"{whole}{fraction} L/min")
    if fio2_percent is not None:
        parts.append(f"FiO2 {fio2_percent} %")
    return ", ".join(parts)


def sputum(seen: SputumSeen | None) -> str:
    """What came up: `6.0 mL in a pot, 2 Mucopurulent: creamy yellow, thick`."""
    if seen is None:
        return formats.NOT_RECORDED
    parts = [SPUTUM[seen.state]]
    if seen.volume_tenths_ml is not None:
        parts = [
            f"{formats.result(seen.volume_tenths_ml, places=1, scale=1)} mL {METHOD.get(seen.method or '', '')}"
        ]
    elif seen.mass_tenths_g is not None:
        parts = [
            f"{formats.result(seen.mass_tenths_g, places=1, scale=1)} g {METHOD.get(seen.method or '', '')}"
        ]
    if seen.colour is not None:
        parts.append(COLOUR[seen.colour])
    if seen.consistency:
        parts.append(CONSISTENCY[seen.consistency].lower())
    return ", ".join(part.strip() for part in parts)


def blood(seen: BloodSeen | None) -> str:
    """Blood, apart from the colour: `Fresh, 8 mL`; fresh without an amount says so."""
    if seen is None:
        return formats.NOT_RECORDED
    if seen.seen != "fresh":
        return BLOOD[seen.seen]
    amount = f"{seen.volume_ml} mL" if seen.volume_ml is not None else "amount not recorded"
    return f"{BLOOD['fresh']}, {amount}"


def settings_used(technique: str, used: Iterable[tuple[str, object]]) -> list[tuple[str, str]]:
    """Settings as they were used: words and value."""
    fields = {field.name: field for field in dose_fields(technique)}
    found = []
    for name, value in used:
        plain = list(value) if isinstance(value, tuple) else value
        if name in fields and isinstance(plain, (int, str, list)):
            found.append((fields[name].words, words_for(fields[name], plain)))
    return found
