"""A study as one self-contained page, its tables and the data of its pictures beside it; the only door to Jinja."""

import base64
import hashlib
from dataclasses import dataclass
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from wearlab.evidence import DataError
from wearlab.show.document import write_tables
from wearlab.show.page import AUDIENCES, Page, arrange, picture_data
from wearlab.show.words import TERMS
from wearlab.study import Study

__all__ = ["AUDIENCES", "ReportWritten", "render_report", "write_report"]

TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True, slots=True)
class ReportWritten:
    """Where a report was written: its page, its tables, and the data of its pictures."""

    folder: Path
    page: Path
    tables: tuple[Path, ...]
    pictures: tuple[Path, ...]


def render_report(study: Study, *, audience: str = "all") -> str:
    """Return a study as one self-contained HTML page for one reader (``AUDIENCES``); it asks the network for nothing.

    The same study gives the same text.
    """
    return _render(arrange(study, audience=audience))


def write_report(study: Study, folder: Path, *, audience: str = "all") -> ReportWritten:
    """Write ``report.html`` and, beside it, every table and the data of every picture as CSV; return where.

    Refuses (DataError) a folder that cannot be written.
    """
    page = arrange(study, audience=audience)
    tables = write_tables(study.tables(), folder)
    pictures = write_tables({f"picture_{name}": frame for name, frame in picture_data(page).items()}, folder)
    path = folder / "report.html"
    try:
        path.write_text(_render(page), encoding="utf-8", newline="\n")
    except OSError as error:
        raise DataError(
            "cannot-write", f"the page cannot be written ({error.strerror})", "give --out another folder", str(path)
        ) from error
    return ReportWritten(folder, path, tables, pictures)


def _render(page: Page) -> str:
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    script = (TEMPLATES / "page.js").read_text(encoding="utf-8")
    return environment.get_template("page.html").render(
        page=page,
        sections={section.name for chapter in page.chapters for section in chapter.sections},
        style=Markup((TEMPLATES / "page.css").read_text(encoding="utf-8")),  # noqa: S704 - our own file
        script=Markup(script),  # noqa: S704 - our own file
        script_hash=_hash(script),
        trusted=Markup,
        terms=sorted(TERMS.items(), key=lambda term: term[0].lower()),
    )


def _hash(script: str) -> str:
    """Return what a content security policy calls the script by, so that no other script on the page can run."""
    return "sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
