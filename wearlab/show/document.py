"""Results as documents: one JSON document, and tables as CSV that a spreadsheet cannot be made to execute."""

import json
import math
import unicodedata
from collections.abc import Mapping
from dataclasses import asdict, is_dataclass
from datetime import date, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pandas as pd

from wearlab.evidence import DataError, Result, Unanswered
from wearlab.whole_file import whole_file, write_whole

DANGEROUS_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


class Answer(Result, Protocol):
    """A result that has tables."""

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return its tables by their public names."""


def plain_value(value: Any) -> Any:
    """Return a cell as JSON knows it: missing and non-finite as None, dates as ISO text, numpy numbers as Python's."""
    if isinstance(value, (list, tuple, set, np.ndarray)):
        return [plain_value(item) for item in value]
    if isinstance(value, Mapping):
        return {str(key): plain_value(item) for key, item in value.items()}
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, pd.Timestamp | datetime):
        midnight = value.hour == value.minute == value.second == 0
        return value.date().isoformat() if midnight else value.isoformat()
    return value.isoformat() if isinstance(value, date) else value


def table_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a frame as a list of rows of plain values."""
    columns = [str(name) for name in frame.columns]
    return [dict(zip(columns, map(plain_value, row), strict=True)) for row in frame.itertuples(index=False, name=None)]


def answer_document(
    command: str, result: Answer, *, currency: str, tables: Mapping[str, pd.DataFrame]
) -> dict[str, Any]:
    """Return one result as the document that ``--json`` prints (units in its ``scale`` and ``currency``)."""
    basis = result.basis
    document: dict[str, Any] = {
        "command": command,
        "version": version("wearlab"),
        "source": basis.source,
        "as_of": plain_value(basis.as_of),
        "scale": basis.scale,
        "currency": currency,
        "level": basis.level,
        "cautions": [caution.text for caution in result.cautions],
    }
    verdict = getattr(result, "verdict", None)
    if is_dataclass(verdict) and not isinstance(verdict, type):
        document["verdict"] = plain_value(asdict(verdict))
    document.update({name: table_rows(frame) for name, frame in tables.items() if name != "verdict"})
    return document


def error_document(command: str, problem: DataError | Unanswered) -> dict[str, Any]:
    """Return a refusal as the document that ``--json`` prints with exit status 1 or 2."""
    place = problem if isinstance(problem, DataError) else None
    return {
        "command": command,
        "version": version("wearlab"),
        "error": {
            "code": problem.code,
            "text": problem.text,
            "file": place.file if place else None,
            "line": place.line if place else None,
            "column": place.column if place else None,
            "fix": problem.fix or None,
        },
    }


def to_json(document: Mapping[str, Any]) -> str:
    """Return a document as JSON text, keys in their given order, never NaN."""
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False)


def show_text(value: object) -> str:
    """Return text from data on one line, control characters and marks that reorder text shown as their codes."""
    text = str(value)
    return text if text.isprintable() else "".join(map(_visible, text))


def _visible(character: str) -> str:
    if character.isprintable() or unicodedata.category(character) == "Zs":
        return character
    if character in "\t\n\r":
        return " "
    code = ord(character)
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def safe_cell(value: Any) -> Any:
    """Return a cell for CSV or a workbook: text that a spreadsheet would run gets a leading apostrophe.

    Control characters and marks that reorder text are shown as their codes.
    """
    value = plain_value(value)
    if isinstance(value, list):
        return safe_cell(" | ".join(str(item) for item in value))
    if not isinstance(value, str):
        return value
    return "'" + show_text(value) if value.startswith(DANGEROUS_STARTS) else show_text(value)


def _safe_column(column: pd.Series) -> pd.Series:
    """Return a column with every cell safe; one of numbers is only cleared of what is not finite."""
    if pd.api.types.is_bool_dtype(column.dtype) or pd.api.types.is_integer_dtype(column.dtype):
        return column
    if pd.api.types.is_float_dtype(column.dtype):
        return column.where(np.isfinite(column))
    return pd.Series([safe_cell(value) for value in column], index=column.index, dtype=object)


def write_csv(frame: pd.DataFrame, path: Path) -> None:
    """Write one table as CSV (UTF-8, comma, header), whole or not at all.

    Text that a spreadsheet would run is made harmless.
    """
    columns = {number: _safe_column(frame.iloc[:, number]) for number in range(frame.shape[1])}
    safe = pd.DataFrame(columns, index=frame.index)
    safe.columns = pd.Index([safe_cell(str(name)) for name in frame.columns])
    with whole_file(path) as beside:
        safe.to_csv(beside, index=False, lineterminator="\n", encoding="utf-8", errors="backslashreplace")


def write_tables(tables: Mapping[str, pd.DataFrame], folder: Path) -> tuple[Path, ...]:
    """Write each table as ``<name>.csv`` into ``folder`` and return the paths; refuses a folder that cannot be made.

    No name leads out of the folder.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        paths = []
        for name, frame in tables.items():
            path = folder / f"{plain_name(name)}.csv"
            write_csv(frame, path)
            paths.append(path)
    except OSError as error:
        raise DataError(
            "cannot-write", f"the folder cannot be written ({error.strerror})", "give --out another folder", str(folder)
        ) from error
    return tuple(paths)


def plain_name(name: str) -> str:
    """Return a name as part of a file's name: letters, digits, ``-`` and ``_`` alone, so that it leads nowhere else."""
    return "".join(character if character.isalnum() or character in "-_" else "_" for character in name)[:100] or "_"


def write_text(text: str, path: Path) -> None:
    """Write one text file, whole or not at all; refuses (DataError) a place that cannot be written."""
    try:
        write_whole(path, text.encode("utf-8", errors="backslashreplace"))
    except OSError as error:
        raise DataError(
            "cannot-write", f"the file cannot be written ({error.strerror})", "give another path", str(path)
        ) from error
