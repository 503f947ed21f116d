"""Whether a prescriber named in words is a person who has an account: then that person signs. Pure."""

import re

TITLES = frozenset({"dr", "doctor", "prof", "professor", "mr", "mrs", "ms", "miss", "mx"})


def names(words: str, given_name: str, family_name: str) -> bool:
    """Whether words such as "Dr M. Saltmarsh" may mean this person.

    A family name alone does; beside another given name or initial it does not.
    """
    said = _parts(words)
    family = _parts(family_name)
    if not family or not set(family) <= set(said):
        return False
    rest = [part for part in said if part not in family and part not in TITLES]
    given = _parts(given_name)
    return not rest or not given or any(part in (given[0], given[0][:1]) for part in rest)


def _parts(text: str) -> list[str]:
    return re.findall(r"\w+", text.casefold())
