"""The forms of a reassessment: recording one, and correcting one."""

from typing import Any

from django import forms
from django.utils import timezone

from clinic.forms import ClinicForm, MomentField, OneOf
from therapy.orders.models import Order
from therapy.reassessment.models import ReassessmentOutcome
from therapy.reassessment.services import LONGEST_FINDINGS

HELPS = (("yes", "Yes"), ("no", "No"), ("unknown", "Cannot tell"))


class ReassessmentForm(ClinicForm):
    """What was found, whether treatment still helps, and what comes of it."""

    reassessment_id = forms.UUIDField(widget=forms.HiddenInput)
    at = MomentField(label="When the patient was looked at", not_future=True)
    findings = forms.CharField(
        label="What you found",
        help_text="Chest, cough, sputum, how treatment is tolerated.",
        widget=forms.Textarea(attrs={"rows": "4", "cols": "60"}),
        max_length=LONGEST_FINDINGS,
    )
    still_helps = OneOf(label="Does treatment still help?", choices=HELPS)
    outcome = OneOf(
        label="What comes of it?", choices=[(v, w.capitalize()) for v, w in ReassessmentOutcome.choices]
    )
    order = forms.ModelChoiceField(
        label="About one order",
        queryset=Order.objects.none(),
        required=False,
        empty_label="All orders in force",
    )

    def __init__(self, *args: Any, orders: Any, techniques: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field: Any = self.fields["order"]
        field.queryset = orders
        field.label_from_instance = lambda order: techniques.get(order.technique, order.technique)

    def clean_at(self) -> Any:
        """The instant; the service compares it with the clock again."""
        at = self.cleaned_data["at"]
        if at is not None and at > timezone.now():
            raise forms.ValidationError("The time must not lie in the future")
        return at


class CorrectionForm(ClinicForm):
    """A correction keeps the earlier version readable; a record of the wrong patient is struck, never deleted."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    findings = ReassessmentForm.base_fields["findings"]
    still_helps = OneOf(label="Does treatment still help?", choices=HELPS)
    outcome = OneOf(
        label="What comes of it?", choices=[(v, w.capitalize()) for v, w in ReassessmentOutcome.choices]
    )
    entered_in_error = forms.BooleanField(
        label="Entered in error: this was another patient, or did not happen", required=False
    )
    reason = forms.CharField(label="Reason for the correction", max_length=300)
