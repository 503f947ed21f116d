"""Everything the parts of the demo share while it is made."""

from dataclasses import dataclass

from therapy.pages.demo.book import Book
from therapy.pages.demo.clock import DemoClock
from therapy.pages.demo.diary import Diary
from therapy.pages.demo.service import Service


@dataclass(frozen=True)
class Scene:
    """The rows so far, the times, the clinic, and who is free when."""

    book: Book
    clock: DemoClock
    service: Service
    diary: Diary
