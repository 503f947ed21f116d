"""Pages of a long list by key: the next page starts after the last row seen, whatever came in between.

The link names the row by its id only, so that no patient's data stands in an address or a log line.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from django.core.exceptions import ValidationError
from django.db.models import Model, Q, QuerySet

Row = TypeVar("Row", bound=Model)


@dataclass(frozen=True)
class Page(Generic[Row]):
    """One page of rows, with the ids to go on from; an empty id means there is nothing that way."""

    rows: list[Row]
    before: str
    after: str


def page(rows: QuerySet[Row], query: Mapping[str, str], *, order: Sequence[str], size: int = 50) -> Page[Row]:
    """Take one page of rows.

    Args:
        rows: what the person may see, already filtered; any order of its own is replaced.
        query: the request's GET parameters; `after` or `before` holds the id of the row to go on from.
        order: field names as for order_by, ending in the id; none of the columns may be null.
        size: rows on a page.
    """
    if order[-1].lstrip("-") not in ("id", "pk"):
        msg = "the order of a list ends in the id, so that no two rows are level"
        raise ValueError(msg)
    backwards = bool(query.get("before"))
    anchor_id = query.get("before") or query.get("after") or ""
    walked = [_turned(name) for name in order] if backwards else list(order)
    anchor = _anchor(rows, anchor_id, walked) if anchor_id else None
    if anchor is None:
        backwards, walked = False, list(order)
        found = list(rows.order_by(*walked)[: size + 1])
    else:
        found = list(rows.filter(_beyond(walked, anchor)).order_by(*walked)[: size + 1])
    more, shown = len(found) > size, found[:size]
    if backwards:
        shown.reverse()
    if not shown:
        return Page([], "", "")
    has_before = more if backwards else anchor is not None
    has_after = True if backwards else more
    return Page(shown, str(shown[0].pk) if has_before else "", str(shown[-1].pk) if has_after else "")


def _turned(name: str) -> str:
    return name[1:] if name.startswith("-") else f"-{name}"


def _anchor(rows: QuerySet[Row], anchor_id: str, order: Sequence[str]) -> tuple[Any, ...] | None:
    """The values of the row to go on from; an id that is not there (any more) starts at the top."""
    try:
        values = rows.filter(pk=anchor_id).order_by().values_list(*(name.lstrip("-") for name in order))
        return values.first()
    except (ValueError, ValidationError):
        return None


def _beyond(order: Sequence[str], anchor: Sequence[Any]) -> Q:
    """The rows that come after the anchor in this order."""
    beyond, level = Q(), Q()
    for name, value in zip(order, anchor, strict=True):
        column, side = name.lstrip("-"), "lt" if name.startswith("-") else "gt"
        beyond |= level & Q(**{f"{column}__{side}": value})
        level &= Q(**{column: value})
    return beyond
