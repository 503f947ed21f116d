"""Identifiers that a person or a device makes before the database has seen the row."""

import os
import time
import uuid


def new_id() -> uuid.UUID:
    """A UUIDv7 (RFC 9562, section 5.7). Never read as a time, never used for order: it only keeps an index compact."""
    milliseconds = time.time_ns() // 1_000_000
    random = int.from_bytes(os.urandom(10), "big")
    value = (milliseconds & (1 << 48) - 1) << 80 | 0x7 << 76 | (random >> 68 & 0xFFF) << 64
    value |= 0b10 << 62 | random & (1 << 62) - 1
    return uuid.UUID(int=value)
