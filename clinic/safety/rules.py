"""Words of a concern without the patient's name, and the page it is about without its secrets. Pure."""

import re
from collections.abc import Iterable, Mapping
from uuid import UUID

INSTEAD = "[the patient]"
# Parts of an address that are words of the app, not of a person; any other text in an address is left out.
PLAIN_PARTS = frozenset({"technique", "kind", "week", "group"})
_PART = re.compile(r"<(?:[^:<>]+:)?([^<>]+)>")


def without_names(words: str, names: Iterable[str]) -> str:
    """The words with each of these names, written as a whole word in capitals or not, taken out."""
    wanted = sorted({name.strip() for name in names if len(name.strip()) > 1}, key=len, reverse=True)
    if not wanted:
        return words
    pattern = "|".join(re.escape(name) for name in wanted)
    return re.sub(rf"(?<!\w)(?:{pattern})(?!\w)", INSTEAD, words, flags=re.IGNORECASE)


def address_without_secrets(route: str, parts: Mapping[str, object]) -> str:
    """The address of a route with its ids, but without any text that could be a token, a name or a search.

    Args:
        route: as the URL table writes it, like ``patients/<uuid:patient_id>/``.
        parts: the value of each part of this address.
    """

    def written(found: re.Match[str]) -> str:
        name = found.group(1)
        value = parts.get(name)
        plain = isinstance(value, (UUID, int)) or (name in PLAIN_PARTS and isinstance(value, str))
        return str(value) if plain else f"({name})"

    return "/" + _PART.sub(written, route)
