"""A plain lives file as a source: one row per life, read whole or refused with the first bad line named."""

import csv
import hashlib
import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from wearlab.evidence import Basis, DataError, SourceFile, readable_name
from wearlab.history.config import FleetConfig
from wearlab.history.groups import count_groups
from wearlab.history.lives import History
from wearlab.history.load_parquet import open_parquet, read_batches

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_TRUE = {"1", "1.0", "true", "yes"}
_FALSE = {"0", "0.0", "false", "no"}
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_AGES = ("entry", "exit", "lower", "upper", "count")
_TEXTS = ("unit_id", "component", "mode", "duty_cycle", "position", "hardware", "shaft", "found_at")
_TAKEN = (
    "life_id", "life_number", "start_date", "end_date", "entry_date", "ending", "running", "fittable", "entry_miles",
    "exit_miles", "entry_hours", "exit_hours", "entry_days", "exit_days", "entry_cycles", "exit_cycles",
    "start_meter_miles", "end_meter_miles", "end_cost", "end_labor_hours", "regreases", "longest_gap_miles",
    "cups_purged_mean", "days_since_service", "miles_since_service", "unknown_ending",
)  # fmt: skip
_EMPTY: Mapping[str, Mapping[str, str]] = {
    "episodes": {
        "life_id": "int64", "unit_id": "object", "position": "object", "component": "object", "duty_cycle": "object",
        "hardware": "object", "shop": "object", "entry": "float64", "exit": "float64", "failed": "bool",
        "lower": "float64", "upper": "float64", "practised_miles": "float64", "practice_source": "object",
        "raw_practised_miles": "float64", "gaps_behind": "int64", "entry_date": "datetime64[us]",
        "exit_date": "datetime64[us]", "entry_miles": "float64", "exit_miles": "float64",
        "cups_purged_before": "float64", "grease_grade_before": "object", "count": "float64",
    },
    "gaps": {
        "unit_id": "object", "start_date": "datetime64[us]", "end_date": "datetime64[us]", "start_miles": "float64",
        "end_miles": "float64", "miles": "float64", "days": "float64", "hours": "float64", "duty_cycle": "object",
        "shop": "object", "counted": "bool", "why_not": "object",
    },
    "stops": {
        "unit_id": "object", "date": "datetime64[us]", "miles": "float64", "hours": "float64", "positions": "object",
        "shop": "object", "crew": "object", "cups_purged": "float64", "grease_grade": "object",
        "miles_source": "object",
    },
    "units": {
        "unit_id": "object", "duty_cycle": "object", "in_service_date": "datetime64[us]",
        "out_of_service_date": "datetime64[us]", "in_service": "bool", "shop": "object", "axle_ratio": "float64",
        "tire_turns_per_mile": "float64", "first_date": "datetime64[us]", "last_date": "datetime64[us]",
        "last_miles": "float64", "last_hours": "float64", "last_miles_date": "datetime64[us]",
        "miles_per_day": "float64", "hours_per_day": "float64", "exposure_miles": "float64",
        "exposure_days": "float64",
    },
    "plan": {
        "duty_cycle": "object", "unit_id": "object", "from_date": "datetime64[us]", "interval_miles": "float64",
        "interval_hours": "float64", "interval_months": "float64",
    },
    "measurements": {
        "unit_id": "object", "position": "object", "component": "object", "duty_cycle": "object",
        "life_id": "float64", "date": "datetime64[us]", "miles": "float64", "age_miles": "float64",
        "quantity": "object", "value": "float64", "unit": "object",
    },
    "left_out": {
        "component": "object", "duty_cycle": "object", "unit_id": "object", "position": "object", "reason": "object",
        "lives": "int64",
    },
    "meters": {
        "unit_id": "object", "date": "datetime64[us]", "origin": "object", "raw_miles": "float64", "miles": "float64",
        "disregarded": "bool", "reason": "object", "filled": "object",
    },
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Rows:
    """The file as text, column by column; ``line`` is the physical line, or the row number of a Parquet file."""

    name: str
    sha256: str
    columns: Mapping[str, list[str]]
    line: list[int]


def read_lives_file(path: Path, *, scale: str | None, level: float) -> History:
    """Return the lives of a CSV or Parquet file with one row per life, as a History without episodes or as_of.

    Columns: ``exit`` and ``failed`` (1/0, true/false, yes/no), ``entry`` (0), ``lower`` and ``upper`` (a failure found
    at inspection lies in (lower, upper]; then ``exit`` may be blank; a failure with ``upper`` alone happened at any
    age up to it), ``count`` (1), ``mode``, ``unit_id`` (the row), ``component``, ``duty_cycle``; every further column
    is a factor. ``scale`` is the word for the unit of the ages; None: "life units". Lines before the header that begin
    with # are notes. The whole file is refused (DataError: file, line, column) at its first bad value.
    """
    content = _read_bytes(path)
    rows = _read_parquet(path, content) if path.suffix.lower() == ".parquet" else _read_csv(path, content)
    _check_header(rows)
    lives, factors = _make_lives(rows, scale)
    exposure = lives[["component", "duty_cycle"]].assign(exposure=(lives["exit"] - lives["entry"]) * lives["count"])
    tables = {name: _empty(columns) for name, columns in _EMPTY.items()}
    unplaced = pd.DataFrame({"component": [], "duty_cycle": [], "orders": []}).astype({"orders": "int64"})
    groups = count_groups(lives, exposure, tables["left_out"], unplaced)
    word = scale or "life units"
    read = len(rows.line)
    basis = Basis(
        source=rows.name,
        files=(SourceFile(rows.name, rows.sha256, "lives", read, read, 0, 0),),
        as_of=None,
        scale=word,
        level=level,
        stratum=(),
        lives=round(float(lives["count"].sum())),
        failures=round(float(lives["count"][lives["failed"]].sum())),
    )
    return History(basis, (), FleetConfig(), None, word, factors, lives=lives, groups=groups, **tables)


def _read_bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise DataError("file-unreadable", f"cannot be read ({error.strerror})", "check the path", path.name) from error


def _read_csv(path: Path, content: bytes) -> _Rows:
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise DataError("not-utf8", "is not UTF-8 text", "save it as CSV in UTF-8", path.name, line) from error
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    header: list[str] = []
    values: list[list[str]] = []
    lines: list[int] = []
    begins = 1
    try:
        for record in reader:
            line, begins = begins, reader.line_num + 1
            if not record or (not header and record[0].startswith("#")):
                continue
            if not header:
                header = [name.strip() for name in record]
                continue
            if len(record) != len(header):
                raise DataError(
                    "fields",
                    f"{len(record)} fields found, {len(header)} wanted",
                    "quote values that hold a comma",
                    path.name,
                    line,
                )
            values.append(record)
            lines.append(line)
    except csv.Error as error:
        raise DataError("not-csv", f"is not CSV ({error})", "close the open quote", path.name, begins) from error
    _check_names(path.name, header)
    columns = {name: [row[i].strip() for row in values] for i, name in enumerate(header)}
    return _Rows(readable_name(path.name), hashlib.sha256(content).hexdigest(), columns, lines)


def _read_parquet(path: Path, content: bytes) -> _Rows:
    name, size = readable_name(path.name), len(content)
    try:
        with open_parquet(io.BytesIO(content), name, size) as parquet:
            header = list(parquet.schema_arrow.names)
            _check_names(path.name, header)
            batches = [[column.to_pylist() for column in batch.columns] for batch in read_batches(parquet, name, size)]
    except (OSError, ValueError, pa.ArrowException) as error:
        raise DataError("not-parquet", "is not a Parquet file", "write it again", path.name) from error
    columns = {
        column: [_as_text(value) for batch in batches for value in batch[at]] for at, column in enumerate(header)
    }
    rows = len(columns[header[0]])
    return _Rows(name, hashlib.sha256(content).hexdigest(), columns, list(range(1, rows + 1)))


def _as_text(value: object) -> str:
    if isinstance(value, float) and math.isfinite(value) and value == int(value) and abs(value) < 2**53:
        return str(int(value))
    return "" if value is None else str(value).strip()


def _check_names(name: str, header: list[str]) -> None:
    if not header:
        raise DataError("empty-file", "holds no header", "the first line names the columns", name)
    for column in header:
        if not column or header.count(column) > 1:
            what = "stands twice in the header" if column else "has no name in the header"
            raise DataError("header", f"a column {what}", "give each column its own name", name, 1, column or None)


def _check_header(rows: _Rows) -> None:
    found = ", ".join(rows.columns)
    if "failed" not in rows.columns:
        raise DataError(
            "column-missing", f"no column 'failed'; found: {found}", "add it: 1 or 0", rows.name, 1, "failed"
        )
    if not {"exit", "lower", "upper"} & set(rows.columns):
        raise DataError(
            "column-missing", f"no column 'exit'; found: {found}", "add the age at the end", rows.name, 1, "exit"
        )
    for column in rows.columns:
        if column in _TAKEN:
            raise DataError(
                "column-taken", "wearlab makes a column of this name itself", "rename it", rows.name, 1, column
            )
    if not rows.line:
        raise DataError("no-rows", "holds no lives", "one row per life", rows.name)


def _make_lives(rows: _Rows, scale: str | None) -> tuple[pd.DataFrame, tuple[str, ...]]:
    ages = {column: _numbers(rows, column) for column in _AGES}
    failed = _booleans(rows)
    ages["entry"] = np.where(np.isnan(ages["entry"]), 0.0, ages["entry"])
    ages["count"] = np.where(np.isnan(ages["count"]), 1.0, ages["count"])
    _settle_ages(rows, ages, failed)
    texts = {column: _texts(rows, column) for column in _TEXTS}
    many = len(rows.line)
    units = [unit or f"row {i + 1}" for i, unit in enumerate(texts["unit_id"])]
    nothing = np.full(many, np.nan)
    no_date = np.full(many, np.datetime64("NaT"), dtype="datetime64[us]")
    own_scale = {"miles": "miles", "engine_hours": "hours", "days": "days", "joint_cycles": "cycles"}.get(scale or "")
    in_scale = {
        f"{end}_{word}": ages[end] if word == own_scale else nothing
        for word in ("miles", "hours", "days", "cycles")
        for end in ("entry", "exit")
    }
    lives = pd.DataFrame(
        {
            "life_id": np.arange(1, many + 1),
            "unit_id": _objects(units),
            "position": _objects(texts["position"]),
            "component": _objects(texts["component"]),
            "duty_cycle": _objects(texts["duty_cycle"]),
            "hardware": _objects(texts["hardware"]),
            "shaft": _objects(texts["shaft"]),
            "life_number": np.ones(many, dtype=np.int64),
            "start_date": no_date,
            "end_date": no_date,
            "entry_date": no_date,
            "entry": ages["entry"],
            "exit": ages["exit"],
            "failed": failed,
            "lower": ages["lower"],
            "upper": ages["upper"],
            "count": ages["count"],
            "mode": _objects([m if f else None for m, f in zip(texts["mode"], failed, strict=True)]),
            "found_at": _objects(texts["found_at"]),
            "ending": np.where(failed, "failure", "running").astype(object),
            "running": ~failed,
            "fittable": np.ones(many, dtype=bool),
            **in_scale,
            **dict.fromkeys(
                (
                    "start_meter_miles",
                    "end_meter_miles",
                    "end_cost",
                    "end_labor_hours",
                    "regreases",
                    "longest_gap_miles",
                    "cups_purged_mean",
                    "days_since_service",
                    "miles_since_service",
                ),
                nothing,
            ),
            "unknown_ending": np.zeros(many, dtype=bool),
        }
    )
    factors = tuple(c for c in rows.columns if c not in (*_AGES, *_TEXTS, "failed"))
    for factor in factors:
        lives[factor] = _objects(_texts(rows, factor))
    return lives, factors


def _objects(values: Sequence[str | None]) -> pd.Series:
    return pd.Series(values, dtype=object)


def _texts(rows: _Rows, column: str) -> list[str | None]:
    return [value or None for value in rows.columns.get(column, [""] * len(rows.line))]


def _numbers(rows: _Rows, column: str) -> Floats:
    texts = rows.columns.get(column)
    if texts is None:
        return np.full(len(rows.line), np.nan)
    good = [not text or _NUMBER.fullmatch(text) is not None for text in texts]
    if not all(good):
        at = good.index(False)
        raise _bad(rows, at, column, f"{texts[at]!r} found, a number wanted", "write a plain decimal such as 12500.5")
    values = np.array([float(text) if text else np.nan for text in texts])
    _refuse(rows, ~np.isnan(values) & ~np.isfinite(values), column, "the number is too large", "correct it")
    _refuse(rows, values < 0, column, "a negative number found", "ages and counts are not negative")
    if column == "count":
        _refuse(rows, values == 0, column, "0 found, a positive number wanted", "leave the row out")
    return values


def _booleans(rows: _Rows) -> Bools:
    words = [text.lower() for text in rows.columns["failed"]]
    good = [word in _TRUE or word in _FALSE for word in words]
    if not all(good):
        at = good.index(False)
        found = repr(rows.columns["failed"][at]) if words[at] else "nothing"
        raise _bad(rows, at, "failed", f"{found} found, 1 or 0 (true/false, yes/no) wanted", "say how the life ended")
    return np.array([word in _TRUE for word in words])


def _settle_ages(rows: _Rows, ages: dict[str, Floats], failed: Bools) -> None:
    """Bring exit, lower and upper into the form of the lives table, or refuse the first row that contradicts itself."""
    entry, exit_, lower, upper = (ages[name] for name in ("entry", "exit", "lower", "upper"))
    has_exit, has_lower, has_upper = (~np.isnan(values) for values in (exit_, lower, upper))
    _refuse(rows, lower > upper, "lower", "lower is above upper", "swap or correct them")
    wrong = ~failed & has_upper & ~(has_exit & (upper == exit_))
    _refuse(rows, wrong, "upper", "a life that did not fail has an upper age", "leave upper blank, or set failed to 1")
    exit_ = np.where(has_exit, exit_, np.where(failed, upper, lower))
    _refuse(rows, np.isnan(exit_), "exit", "no age at the end", "give exit, or lower and upper")
    bounded = failed & (has_lower | has_upper)
    upper = np.where(has_upper, upper, exit_)
    outside = bounded & has_exit & ((exit_ > upper) | (has_lower & (exit_ < lower)))
    _refuse(rows, outside, "exit", "exit lies outside lower to upper", "leave exit blank, or correct it")
    exit_ = np.where(bounded, upper, exit_)
    _refuse(
        rows, entry >= exit_, "entry", "entry is not below the age at the end", "entry is the age when watching began"
    )
    lower = np.maximum(np.where(has_lower, lower, 0.0), entry)
    between = bounded & (lower < upper)
    ages["exit"] = exit_
    ages["lower"] = np.where(between, lower, np.nan)
    ages["upper"] = np.where(between, upper, np.nan)


def _refuse(rows: _Rows, wrong: Bools, column: str, text: str, fix: str) -> None:
    if wrong.any():
        raise _bad(rows, int(np.argmax(wrong)), column, text, fix)


def _bad(rows: _Rows, at: int, column: str, text: str, fix: str) -> DataError:
    return DataError("bad-value", text, fix, rows.name, rows.line[at], column)


def _empty(columns: Mapping[str, str]) -> pd.DataFrame:
    return pd.DataFrame({name: np.zeros(0, dtype=kind) for name, kind in columns.items()})
