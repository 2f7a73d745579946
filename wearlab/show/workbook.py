"""Tables as one XLSX workbook; the only door to XlsxWriter."""

import io
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter
from xlsxwriter.exceptions import XlsxWriterException
from xlsxwriter.worksheet import Worksheet

from wearlab.evidence import DataError
from wearlab.show.document import safe_cell
from wearlab.whole_file import write_whole

LONGEST_NAME, LONGEST_TEXT, MOST_ROWS = 31, 32_767, 1_048_576
WRITTEN = datetime(2000, 1, 1)  # noqa: DTZ001 - a workbook says when it was made; the same tables give the same bytes


def write_workbook(
    tables: Mapping[str, pd.DataFrame], path: Path, *, notes: Iterable[tuple[str, str]]
) -> tuple[Path, tuple[str, ...]]:
    """Write each table as a sheet of one workbook, ``notes`` (name, text) on its first; return the path and the sheets.

    Numbers, days and truth values keep their kind, missing cells are empty, headings stay in view; text never becomes
    a formula or a link, and text that a spreadsheet would run gets a leading apostrophe. Refuses (DataError) a path
    that cannot be written and a table with more rows than a sheet holds.
    """
    names = _sheet_names(tables)
    too_long = [name for name, frame in tables.items() if len(frame) >= MOST_ROWS]
    if too_long:
        raise DataError("too-many-rows", f"{too_long[0]} has more rows than a sheet holds", "use its CSV file")
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    content = io.BytesIO()
    book = xlsxwriter.Workbook(content, {**options, "in_memory": True})
    book.set_properties({"created": WRITTEN})
    bold = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    wrapped = book.add_format({"text_wrap": True, "valign": "top"})
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    about = book.add_worksheet("about")
    about.set_column(0, 0, 24)
    about.set_column(1, 1, 110)
    for row, (name, text) in enumerate(notes):
        about.write_string(row, 0, str(safe_cell(name)))
        about.write_string(row, 1, str(safe_cell(text))[:LONGEST_TEXT], wrapped)
    for name, sheet_name in names.items():
        _write_table(book.add_worksheet(sheet_name), tables[name], bold=bold, day=day)
    try:
        book.close()
        write_whole(path, content.getvalue())
    except (OSError, XlsxWriterException) as error:
        raise DataError("cannot-write", "the workbook cannot be written", "give another folder", str(path)) from error
    return path, ("about", *names.values())


def _sheet_names(tables: Mapping[str, pd.DataFrame]) -> dict[str, str]:
    names: dict[str, str] = {}
    for name in tables:
        plain = "".join(character if character.isalnum() or character in "_ -" else "_" for character in name)
        cut = plain[:LONGEST_NAME] or "table"
        number = 2
        while cut.lower() in {taken.lower() for taken in (*names.values(), "about", "history")}:
            ending = f"_{number}"
            cut, number = plain[: LONGEST_NAME - len(ending)] + ending, number + 1
        names[name] = cut
    return names


def _write_table(sheet: Worksheet, frame: pd.DataFrame, *, bold: Any, day: Any) -> None:
    for column, heading in enumerate(frame.columns):
        sheet.write_string(0, column, str(safe_cell(str(heading))), bold)
        longest = frame.iloc[:200, column].map(lambda value: len(str(value))).max() if len(frame) else 0
        sheet.set_column(column, column, min(max(len(str(heading)), int(longest), 6) + 2, 48))
    sheet.freeze_panes(1, 0)
    if len(frame.columns):
        sheet.autofilter(0, 0, max(len(frame), 1), len(frame.columns) - 1)
    for row, values in enumerate(frame.itertuples(index=False, name=None), start=1):
        for column, value in enumerate(values):
            _write_cell(sheet, row, column, value, day)


def _write_cell(sheet: Worksheet, row: int, column: int, value: Any, day: Any) -> None:
    if isinstance(value, pd.Timestamp | datetime | date) and value is not pd.NaT:
        sheet.write_datetime(row, column, pd.Timestamp(value).to_pydatetime(), day)
        return
    plain = safe_cell(value)
    if plain is None:
        return
    if isinstance(plain, bool):
        sheet.write_boolean(row, column, plain)
    elif isinstance(plain, int | float):
        sheet.write_number(row, column, plain)
    else:
        sheet.write_string(row, column, str(plain)[:LONGEST_TEXT])
