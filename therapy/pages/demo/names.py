"""Invented names, from a list kept apart so that anybody can see that nobody is meant."""

import csv
import random
from collections.abc import Iterable
from functools import cache
from pathlib import Path

NAMES = Path(__file__).resolve().parents[3] / "fixtures" / "demo-names.csv"


@cache
def of_kind(kind: str) -> tuple[str, ...]:
    """The family or given names of the list, in its order."""
    with NAMES.open(newline="", encoding="utf-8") as file:
        return tuple(row["name"] for row in csv.DictReader(file) if row["kind"] == kind)


def family_names(chance: random.Random, *, besides: Iterable[str]) -> list[str]:
    """Family names in a chance order, without those that are taken."""
    taken = set(besides)
    names = [name for name in of_kind("family") if name not in taken]
    chance.shuffle(names)
    return names
