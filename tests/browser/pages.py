"""Every page of the app: whose it is, how its fullest state is reached, and how it goes wrong.

Each part keeps its own list in tests/browser/parts/: PAGES; PDFS, what is printed; EMPTY, pages that take arguments
and can be shown in the clinic before its first record; NOT_PAGES, addresses that only take a form, answer data or send
a file. A test fails when an address that shows a page is in none of them.
"""

from importlib import import_module
from pkgutil import iter_modules

from tests.browser import parts
from tests.browser.seen import Seen

_MODULES = [import_module(f"{parts.__name__}.{module.name}") for module in iter_modules(parts.__path__)]


def _listed(name: str) -> list[Seen]:
    return [seen for module in _MODULES for seen in getattr(module, name, [])]


PAGES = _listed("PAGES")
PDFS = _listed("PDFS")
NOT_PAGES: set[str] = set().union(*(getattr(module, "NOT_PAGES", set()) for module in _MODULES))
# What the empty clinic can show: pages without arguments, and those of its one patient.
EMPTY = [seen for seen in PAGES if seen.arguments is dict] + _listed("EMPTY")
