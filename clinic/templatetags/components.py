"""The template tags and filters of every page; built in, so that no template loads them."""

import datetime as dt
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString

from clinic import formats

register = template.Library()

NO_BREAK = "\u00a0"
KINDS = {"plain": "", "look": "Look", "stop": "Stop"}

register.filter("clinic_date", formats.date)
register.filter("clinic_weekday", formats.weekday_date)
register.filter("clinic_time", formats.time)
register.filter("clinic_datetime", formats.date_time)
register.filter("date_in_words", formats.date_in_words)
register.filter("minutes", formats.minutes)
register.filter("patient_number", formats.patient_number)
register.filter("or_not_recorded", formats.or_not_recorded)


@register.filter
def spell(value: dt.timedelta | None) -> str:
    """Write an elapsed time; a time that ran the other way is written by its length."""
    return formats.spell(abs(value) if value is not None else None)


@register.filter
def number(value: Decimal | float | None, scale: int = 0) -> str:
    """Write a prescribed value: `{{ dose|number }}`, or `{{ flow_tenths|number:1 }}` for stored tenths."""
    return formats.number(value, scale=scale)


@register.filter
def result(value: Decimal | float | None, places: int) -> str:
    """Write a measured value with the precision it was recorded with: `{{ fev1|result:2 }}`."""
    return formats.result(value, places=places)


@register.filter
def tenths(value: int | None) -> str:
    """Write a measured value that is stored in tenths, with its one decimal place."""
    return formats.result(value, places=1, scale=1)


@register.filter
def percent(share: Decimal | float | None, places: int = 0) -> str:
    """Write a share of 1 as a percentage."""
    return formats.percent(share, places=places).replace(" %", f"{NO_BREAK}%")


@register.filter
def sentence(words: str) -> str:
    """End what a person typed with a full stop, so that the next sentence starts anew."""
    text = str(words).rstrip()
    return text if not text or text.endswith((".", "!", "?", ":")) else f"{text}."


@register.filter
def sentence_case(words: Any) -> str:
    """Begin a choice with a capital; units and names with capitals of their own (mL, SpO2) stay as they are."""
    text = str(words)
    first = text.split(" ", 1)[0].rstrip(",;:")
    plain = first.isalpha() and first.islower() and len(first) > 2
    return text[:1].upper() + text[1:] if plain else text


@register.filter
def unit(value: Any, name: str) -> str:
    """Put a unit after a value with a no-break space; a missing value stays "Not recorded"."""
    text = value if isinstance(value, str) else formats.number(value)
    return text if text in ("", formats.NOT_RECORDED) else f"{text}{NO_BREAK}{name}"


@register.simple_tag
def field(bound: Any) -> SafeString:
    """Draw a form field whole: label with unit and range, help, error, control, and the question it asks."""
    return bound.as_field_group()


@register.inclusion_tag("components/error_summary.html")
def error_summary(*forms: Any) -> dict[str, Any]:
    """List what is wrong in one or more forms or formsets, each line a link to its field."""
    return {"problems": [problem for form in forms if form is not None for problem in _problems(form)]}


def _problems(form: Any) -> Iterable[dict[str, str]]:
    if not form.is_bound:
        return
    if hasattr(form, "management_form"):
        yield from ({"words": words, "target": ""} for words in form.non_form_errors())
        for one in form.forms:
            yield from _problems(one)
        return
    in_order = sorted(form.errors.items(), key=lambda item: _place(form, item[0]))
    for name, errors in in_order:
        bound = form[name] if name in form.fields else None
        target = "" if bound is None else getattr(bound, "first_id", bound.auto_id)
        yield from ({"words": words, "target": target} for words in errors)


def _place(form: Any, name: str) -> int:
    return list(form.fields).index(name) if name in form.fields else -1


@register.inclusion_tag("components/patient_banner.html")
def patient_banner(banner: Any) -> dict[str, Any]:
    """Draw the identity banner of a single-patient page: name, birth date, gender, number, place, signs."""
    return {"banner": banner}


@register.simple_block_tag
def note(content: str, kind: str = "plain", title: str = "") -> SafeString:
    """Draw a note: `{% note kind="look" title="SpO2 fell" %}...{% endnote %}`; stop, look or plain."""
    if kind not in KINDS:
        msg = f"a note is stop, look or plain, not {kind}"
        raise ValueError(msg)
    said = ": ".join(part for part in (KINDS[kind], title) if part)
    lead = (
        format_html("<strong>{}</strong> ", said if said.endswith((".", "?")) else f"{said}.") if said else ""
    )
    return format_html('<div class="note {}"><div>{}{}</div></div>', kind, lead, content)


@register.inclusion_tag("components/caution.html")
def caution() -> dict[str, Any]:
    """Draw the usual caution: the app supports a decision and never makes it."""
    return {}


@register.inclusion_tag("components/pager.html", takes_context=True)
def pager(context: template.Context, page: Any, label: str = "rows") -> dict[str, Any]:
    """Draw the links to the next and the previous page of a list, keeping its filters."""
    return {"page": page, "label": label, "request": context.get("request")}


@register.inclusion_tag("components/progress.html")
def progress(done: int, total: int | None, label: str) -> dict[str, Any]:
    """Draw a progress bar with its count in words."""
    return {"done": done, "total": total, "label": label}


@register.inclusion_tag("components/bar.html")
def bar(value: Decimal | float, limit: Decimal | float, label: str) -> dict[str, Any]:
    """Draw a bar of a value against a limit (a tick mark); the label says both in words."""
    value, limit = Decimal(str(value)), Decimal(str(limit))
    whole = max(value, limit, Decimal(1))
    drawn = {"filled": min(value, limit), "over": max(value - limit, Decimal(0)), "tick": limit}
    return {"label": label, **{name: f"{at / whole * 100:.1f}" for name, at in drawn.items()}}


@register.simple_tag
def sign(words: str, kind: str = "plain") -> SafeString:
    """Draw a short sign: a status, an isolation note, "Similar name"; the words carry it."""
    return format_html('<span class="sign {}">{}</span>', kind, words)


@register.simple_block_tag
def disclosure(content: str, summary: str) -> SafeString:
    """Fold something away behind its summary."""
    return format_html("<details><summary>{}</summary>{}</details>", summary, content)
