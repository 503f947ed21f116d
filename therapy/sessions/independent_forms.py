"""The forms of the diary: one more day of what was done alone, and the correction of a day."""

from collections.abc import Sequence
from typing import Any

from django import forms

from clinic.forms import ClinicForm, DateField, NumberField, OneOf
from therapy.orders.doses import TECHNIQUES
from therapy.orders.models import Order
from therapy.sessions.independent_services import MOST_SETS


class IndependentSetsForm(ClinicForm):
    """One day of the diary."""

    order = OneOf(label="Of which order", required=False, nothing="No order")
    service_date = DateField(label="Day", not_future=True)
    sets_done = NumberField(label="Sets done alone", hard=(0, MOST_SETS), called="the sets done alone")
    reported_by = OneOf(
        label="Told by", choices=[("patient", "Patient"), ("carer", "Carer")], initial="patient"
    )

    def __init__(self, *args: Any, orders: Sequence[Order], **kwargs: Any) -> None:
        self.orders = {str(one.pk): one for one in orders}
        super().__init__(*args, **kwargs)
        field = self.fields["order"]
        assert isinstance(field, OneOf)  # noqa: S101 (declared so above)
        field.choices = [(key, TECHNIQUES[one.technique]) for key, one in self.orders.items()]
        if not orders:
            del self.fields["order"]
        elif len(orders) == 1:
            self.initial.setdefault("order", str(orders[0].pk))

    def given(self) -> dict[str, Any]:
        """What the service takes."""
        return {**self.cleaned_data, "order": self.orders.get(self.cleaned_data.get("order", ""))}


class CorrectSetsForm(ClinicForm):
    """Another number for a day of the diary, or the day struck; why, and the version that was read."""

    sets_done = NumberField(label="Sets done alone", hard=(0, MOST_SETS), called="the sets done alone")
    reason = forms.CharField(
        label="Why it is corrected", max_length=500, error_messages={"required": "Enter why it is corrected"}
    )
    expect_version = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, strike: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["sets_done"].required = not strike
