"""A person's hold of an order is told like the guard's: a flag for who must decide, closed when the hold ends.

Part of the services of orders: it writes.
"""

from datetime import datetime

from clinic.attention import services as attention
from clinic.attention.models import Flag, FlagKind
from clinic.models import Person
from screening import hold_services
from therapy.orders import selectors
from therapy.orders.doses import TECHNIQUES
from therapy.orders.models import OrderHold

KEY = "order-hold:"


def tell_hold(held: OrderHold, *, by: Person, at: datetime) -> Flag:
    """Open the flag of a new hold, and tell the leads and whoever looks after the patient on this day."""
    patient = held.order.patient
    words = (
        f"{TECHNIQUES[held.order.technique]} on hold. {held.reason.rstrip('.')}. Must decide: {held.decides}."
    )
    flag, opened = attention.open_flag(
        kind=FlagKind.DECIDE,
        key=key_of(held),
        words=words,
        due_at=held.decide_by,
        patient=patient,
        owner=hold_services.who_is_to_act(patient),
        decides=held.decides,
        technique=held.order.technique,
        subject=held.order,
        by=by,
    )
    if opened:
        hold_services.tell_who_must_know(
            patient, kind=hold_services.NOTICE_KIND, words=words, by=by, flag=flag, at=at
        )
    return flag


def close(held: OrderHold, *, by: Person, outcome: str, words: str) -> None:
    """Close the flag of a hold that has ended."""
    flag = Flag.objects.filter(key=key_of(held)).first()
    if flag is not None:
        attention.close_flag(flag, by=by, outcome=outcome, words=words)


def key_of(held: OrderHold) -> str:
    """The key of a hold's flag: the same after a change of the order has carried the hold over."""
    return f"{KEY}{selectors.first_of(held).pk}"
