"""A study as one self-contained page, its tables and the data of its pictures beside it; the only door to Jinja."""

import base64
import hashlib
from collections.abc import Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from wearlab.evidence import DataError
from wearlab.show.document import plain_name, to_json, write_tables
from wearlab.show.everything import study_document
from wearlab.show.page import AUDIENCES, Page, arrange, pictures_of
from wearlab.show.paper import print_page
from wearlab.show.plots import as_file
from wearlab.show.words import TERMS
from wearlab.show.workbook import write_workbook
from wearlab.study import Study
from wearlab.whole_file import write_whole

__all__ = ["AUDIENCES", "ReportWritten", "render_report", "write_report"]

TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True, slots=True)
class ReportWritten:
    """Where a report was written: page, tables, the data of its pictures, all of it as JSON, and more if asked.

    ``in_short`` are its decisions, a line each.
    """

    folder: Path
    page: Path
    tables: tuple[Path, ...]
    pictures: tuple[Path, ...]
    document: Path
    workbook: Path | None
    print: Path | None
    in_short: tuple[str, ...]


def render_report(study: Study, *, audience: str = "all") -> str:
    """Return a study as one self-contained HTML page for one reader (``AUDIENCES``); it asks the network for nothing.

    The same study gives the same text.
    """
    return _render(arrange(study, audience=audience))


def write_report(
    study: Study,
    folder: Path,
    *,
    audience: str = "all",
    sheet: bool = False,
    pdf: bool = False,
    paper: str = "A4",
    pool: Executor | None = None,
) -> ReportWritten:
    """Write ``report.html`` and, beside it, every table and the data of every picture as CSV, and ``report.json``.

    Every chart is a file of its own too, in the folder ``pictures``.

    ``sheet`` adds the tables as one workbook, ``report.xlsx``; ``pdf`` the page in print, ``report.pdf``, on ``paper``
    (``PAPERS``). With a ``pool`` tables and JSON are written there. Refuses (DataError) a folder that cannot be
    written, and ``pdf`` where no PDF writer is present.
    """
    asked = None if pool is None else pool.submit(_write_data, study, folder)
    page = arrange(study, audience=audience)
    html = _render(page)
    csv, document = _write_data(study, folder) if asked is None else asked.result()
    pictures = write_tables({f"picture_{picture.name}": picture.data for picture in pictures_of(page)}, folder)
    notes = (("Safety", page.safety), *page.settings, *page.versions, *(("Caution", text) for text in page.cautions))
    return ReportWritten(
        folder,
        _write(folder / "report.html", html.encode()),
        csv,
        (*pictures, *_write_charts(page, folder / "pictures")),
        document,
        write_workbook(study.tables(), folder / "report.xlsx", notes=notes)[0] if sheet else None,
        _write(folder / "report.pdf", print_page(html, paper=paper)) if pdf else None,
        tuple(
            f"{brief.area}: {headline}{f' ({evidence} evidence)' if evidence else ''}"
            for brief in page.in_short
            for headline, evidence, _ in brief.lines
        ),
    )


def _write_data(study: Study, folder: Path) -> tuple[tuple[Path, ...], Path]:
    """Write every table as CSV and all of it as JSON, and return the paths."""
    csv = write_tables(study.tables(), folder)
    return csv, _write(folder / "report.json", to_json(study_document(study)).encode())


def _write_charts(page: Page, folder: Path) -> Iterator[Path]:
    for picture in pictures_of(page):
        for number, panel in enumerate(picture.panels, start=1):
            yield _write(folder / f"{plain_name(picture.name)}_{number}.svg", as_file(panel.svg).encode())


def _write(path: Path, content: bytes) -> Path:
    try:
        write_whole(path, content)
    except OSError as error:
        raise DataError(
            "cannot-write", f"{path.name} cannot be written ({error.strerror})", "give --out another folder", str(path)
        ) from error
    return path


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
        told={text for chapter in page.chapters for section in chapter.sections for text in section.cautions},
        style=Markup((TEMPLATES / "page.css").read_text(encoding="utf-8")),  # noqa: S704 - our own file
        script=Markup(script),  # noqa: S704 - our own file
        script_hash=_hash(script),
        trusted=Markup,
        terms=sorted(TERMS.items(), key=lambda term: term[0].lower()),
    )


def _hash(script: str) -> str:
    """Return what a content security policy calls the script by, so that no other script on the page can run."""
    return "sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
