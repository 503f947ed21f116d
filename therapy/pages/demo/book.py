"""Collects the rows of the demo and writes them in an order in which each finds what it points to."""

import random
from collections import defaultdict
from collections.abc import Callable
from datetime import datetime
from typing import Any, TypeVar
from uuid import UUID

from django.db import models

M = TypeVar("M", bound=models.Model)
BATCH = 500


class Book:
    """The rows to write, by table; ids come from the seed, so that the same seed makes the same clinic."""

    def __init__(self, chance: random.Random) -> None:
        self.chance = chance
        self._rows: dict[type[models.Model], list[Any]] = defaultdict(list)

    def add(self, row: M) -> M:
        """Keep a row for writing."""
        self._rows[type(row)].append(row)
        return row

    def new_id(self, at: datetime) -> UUID:
        """A UUIDv7 as the app makes them, with the seed's chance in place of the computer's."""
        milliseconds = int(at.timestamp() * 1000)
        value = (milliseconds & (1 << 48) - 1) << 80 | 0x7 << 76 | self.chance.getrandbits(12) << 64
        return UUID(int=value | 0b10 << 62 | self.chance.getrandbits(62))

    def of(self, model: type[M]) -> list[M]:
        """The rows of one table kept so far."""
        return self._rows[model]

    def pop(self, model: type[M], belongs: Callable[[M], bool]) -> list[M]:
        """Take the rows of one table that belong to something out of the book."""
        rows: list[M] = self._rows[model]
        self._rows[model] = [row for row in rows if not belongs(row)]
        return [row for row in rows if belongs(row)]

    def write(self, *tables: type[models.Model]) -> None:
        """Insert the rows of these tables, in this order."""
        for table in tables:
            table._default_manager.bulk_create(self._rows[table], batch_size=BATCH)

    def counts(self) -> dict[str, int]:
        """How many rows of each table."""
        return {str(table._meta.verbose_name_plural): len(rows) for table, rows in self._rows.items()}
