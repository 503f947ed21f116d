"""The tables of the therapy app; each lies in the part it belongs to."""

from therapy.orders.models import InhaledMedicine, Order, OrderHold, OrderSignature
from therapy.reassessment.models import Reassessment
from therapy.reports.models import StoredReport
from therapy.scheduling.models import DueWindow, ScheduledVisit, VisitStaff
from therapy.sessions.models import (
    AdverseEvent,
    IndependentSets,
    StopRecheck,
    TreatmentSession,
    TreatmentStaff,
    TreatmentStop,
)

__all__ = [
    "AdverseEvent",
    "DueWindow",
    "IndependentSets",
    "InhaledMedicine",
    "Order",
    "OrderHold",
    "OrderSignature",
    "Reassessment",
    "ScheduledVisit",
    "StopRecheck",
    "StoredReport",
    "TreatmentSession",
    "TreatmentStaff",
    "TreatmentStop",
    "VisitStaff",
]
