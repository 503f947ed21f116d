"""The coded reasons of a decision, for proceeding and against it."""

PROCEED = {
    "benefit_outweighs": "Benefit outweighs the risk for this patient",
    "condition_controlled": "The condition is treated or controlled",
    "technique_adapted": "The technique is adapted to it",
    "specialist_agrees": "Agreed with the team that treats the condition",
    "with_monitoring": "With closer monitoring",
    "other": "Another reason",
}
AGAINST = {
    "risk_outweighs": "Risk outweighs the benefit for this patient",
    "other_technique": "Another technique is used",
    "wait": "Wait until the condition has changed",
    "patient_declines": "The patient does not want it",
    "other": "Another reason",
}
EITHER = PROCEED | AGAINST
