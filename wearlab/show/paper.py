"""The page on paper: PDF by WeasyPrint, where it is installed; the only door to it."""

import importlib
import re
from types import ModuleType

from wearlab.evidence import DataError
from wearlab.show.plots import ROLES

PAPERS = ("A4", "Letter")
FIX = "pip install 'wearlab[pdf]', and on Debian apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"


def find_printer() -> ModuleType:
    """Return WeasyPrint; refuses (DataError) where it or one of its system libraries is missing."""
    try:
        return importlib.import_module("weasyprint")
    except ImportError as error:
        raise DataError("no-pdf-writer", "the PDF writer WeasyPrint is not installed", FIX) from error
    except OSError as error:
        raise DataError("no-pdf-writer", "a system library of the PDF writer WeasyPrint is missing", FIX) from error


def print_page(html: str, *, paper: str) -> bytes:
    """Return a page as PDF in its print style on one of ``PAPERS``; refuses as ``find_printer`` does."""
    sized = in_plain_colours(html).replace("@page { size: auto;", f"@page {{ size: {paper};", 1)
    document: bytes = find_printer().HTML(string=sized, url_fetcher=_refuse).write_pdf()
    return document


def in_plain_colours(html: str) -> str:
    """Return a page whose charts name their colours themselves: a printer of pages knows no roles inside a chart."""
    colours = {role: colour for colour, role in ROLES.items()}
    return re.sub(r"var\((--[a-z0-9-]+)\)", lambda found: colours.get(found[1], found[0]), html)


def _refuse(url: str, *_: object, **__: object) -> dict[str, object]:
    """Refuse every address: a page that asks for nothing must not start to when it is printed."""
    message = f"the page asks for {url}"
    raise ValueError(message)
