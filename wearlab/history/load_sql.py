"""The statement that turns the text of a file into typed rows, written from the contract.

Every identifier in it is one of the contract's own names or a column number; every value is bound.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from wearlab.history.config import FleetConfig, Privacy, TableMap
from wearlab.history.config_reader import MILES_PER_KM
from wearlab.history.config_tables import EXCEL_SERIAL
from wearlab.history.contract import Column, Kind, Table
from wearlab.history.load_files import Layout
from wearlab.history.load_rows import Bulk
from wearlab.history.privacy import pad_key
from wearlab.history.store import quote_name, read_sql

LEFT = -1  # the fault of a row that was not judged: it is read again, carefully
_JUDGED = ("unit_id", "position", "component", "duty_cycle", "out_of_service_date")  # by the SQL of load_judge_*
_SPACES = " \t\r\n\u00a0"
_TYPES = {
    Kind.TEXT: "varchar",
    Kind.DATE: "date",
    Kind.TIME: "timestamp",
    Kind.NUMBER: "double",
    Kind.WHOLE: "integer",
    Kind.DISTANCE: "double",
    Kind.FLAG: "boolean",
}
_UNREADABLE = {
    Kind.DATE: "not a date",
    Kind.TIME: "not a date or time",
    Kind.NUMBER: "not a number",
    Kind.WHOLE: "not a whole number",
    Kind.DISTANCE: "not a number",
    Kind.FLAG: "not true/false, yes/no or 1/0",
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One way in which one column of a row can be bad; ``condition`` is SQL over ``raw_<column>`` and ``<column>``."""

    column: str
    reason: str
    condition: str
    value: str  # SQL for the text that is shown


@dataclass(frozen=True, slots=True)
class Reading:
    """How the text of one table is read: its faults in order of judgement, and the values its statements bind."""

    table: Table
    faults: tuple[Fault, ...]
    mapping: TableMap
    values: Mapping[str, Any]
    plain_numbers: bool
    present: frozenset[str]  # columns that at least one of the files to be staged has, or a rule tells
    privacy: Privacy
    trim: bool = True  # values may have blanks at their edges


def plan_reading(
    table: Table, config: FleetConfig, today: date, *, plain_numbers: bool, present: Iterable[str], key: bytes | None
) -> Reading:
    """Return how one table is read; dates after ``as_of`` (``today`` where it is not set) are faults."""
    mapping = config.tables.get(table.name, TableMap())
    last = config.as_of or today
    values: dict[str, Any] = {
        "spaces": _SPACES,
        "last_day": last,
        "last_record_day": max(last, today),
        "miles": MILES_PER_KM if config.distance == "km" else 1.0,
        "formats": [form for form in mapping.dates if form != EXCEL_SERIAL],
        "thousands": mapping.options.get("thousands", ""),
        "decimal_mark": mapping.options.get("decimal", "."),
    }
    faults: list[Fault] = []
    private = {*config.privacy.pseudonyms, *config.privacy.leave_out}
    for column in table.columns:
        choices = column.choices
        if column.name == "duty_cycle" and config.duty_cycles is not None:
            choices = config.duty_cycles
        values[f"choices_{column.name}"] = list(choices)
        seen = "null" if mapping.keywords.look_in in private else "look_in"
        told = seen if column.name in mapping.keywords.rules else None
        faults += _list_faults(column, choices, values, told=told)
    for name, codes in mapping.codes.items():
        number = _code_number(mapping, name)
        values[f"codes_{number}"], values[f"meanings_{number}"] = list(codes), list(codes.values())
    for number, rules in enumerate(mapping.keywords.rules.values()):
        values[f"parts_{number}"] = [part for part, _ in rules]
        values[f"told_{number}"] = [means for _, means in rules]
    plain = plain_numbers or ("thousands" not in mapping.options and "decimal" not in mapping.options)
    if key is not None:
        values["inner_pad"], values["outer_pad"] = pad_key(key)
    ruled = mapping.keywords.rules.keys()
    return Reading(table, tuple(faults), mapping, values, plain, frozenset(present) | ruled, config.privacy)


def _code_number(mapping: TableMap, name: str) -> int:
    return list(mapping.codes).index(name)


def _list_faults(
    column: Column, choices: tuple[str, ...], values: Mapping[str, Any], *, told: str | None
) -> list[Fault]:
    """Return what can be wrong with one column; ``told`` is what is shown where keyword rules give no value for it."""
    name = column.name
    typed, raw = quote_name(name), quote_name(f"raw_{name}")
    found: list[Fault] = []

    def add(reason: str, condition: str) -> None:
        found.append(Fault(name, reason, condition, raw))

    if column.required and told is not None:
        found.append(Fault(name, "a value is required, and no keyword rule fits the text", f"{raw} is null", told))
    elif column.required:
        add("a value is required", f"{raw} is null")
    if column.kind in _UNREADABLE:
        add(_UNREADABLE[column.kind], f"{raw} is not null and {typed} is null")
    if choices:
        words = f"not one of {', '.join(choices)}"
        add(words, f"not list_contains($choices_{name}, {typed})")
    if column.kind in {Kind.DATE, Kind.TIME}:
        last = "last_record_day" if column.record_keeping else "last_day"
        add(f"after {values[last]}, the end of the history", f"{typed}::date > ${last}")
        add("before 1900", f"{typed} < date '1900-01-01'")
    for bound, sign, words in ((column.low, "<", "less than"), (column.high, ">", "more than")):
        if bound is not None:
            add(f"{words} {bound:g}", f"{typed} {sign} {bound!r}")
    if column.above is not None:
        add(f"not more than {column.above:g}", f"{typed} <= {column.above!r}")
    return found


def write_create(table: Table, present: Iterable[str]) -> str:
    """Return the statement that makes the empty temporary table in which a table's rows are judged.

    A column that none of its files has, and that no rule looks at, is left out: it costs time and says nothing.
    """
    columns = ", ".join(f"{quote_name(c.name)} {_TYPES[c.kind]}" for c in table.columns if _is_staged(c, present))
    return (
        f"create or replace temp table staged_{table.name} ({columns}, attributes map(varchar, varchar), "
        "file_id integer, line bigint, fault integer, fault_value varchar)"
    )


def write_whole(table: Table, present: Iterable[str]) -> str:
    """Return the statement that makes the view ``whole_<table>``: the staged rows with every column of the contract."""
    columns = ", ".join(
        quote_name(column.name)
        if _is_staged(column, present)
        else f"null::{_TYPES[column.kind]} as {quote_name(column.name)}"
        for column in table.columns
    )
    what = f"rowid as staged_row, {columns}, attributes, file_id, line, fault"
    return f"create or replace temp view whole_{table.name} as select {what} from staged_{table.name}"  # noqa: S608


def _is_staged(column: Column, present: Iterable[str]) -> bool:
    return column.required or column.default is not None or column.name in {*present, *_JUDGED}


def write_insert(reading: Reading, layout: Layout) -> str:
    """Return the statement that reads the text rows of ``batch`` into the staged table, each with its first fault."""
    table = reading.table
    typed = ", ".join(f"{_write_typed(column, reading)} as {quote_name(column.name)}" for column in table.columns)
    faults = " ".join(f"when {fault.condition} then {number}" for number, fault in enumerate(reading.faults))
    rows = _write_rows(reading, layout, typed, "line", "batch")
    return (  # every part is a name of the contract, a number, or SQL from this file: no text of the data
        f"{_write_into(reading, layout, reading.present)}, $file_id, line, fault, {_write_fault_value(reading)} "  # noqa: S608
        f"from (select *, case {faults} end as fault from ({rows}))"
    )


def write_bulk(reading: Reading, layout: Layout, bulk: Bulk) -> str:
    """Return the statement that reads whole files into the staged table, their lines to be told from their order.

    It takes a value only where it reads just as ``write_insert`` would read it; every other row is left to that
    statement, and marked so (fault ``LEFT``).
    """
    table = reading.table
    reading = replace(reading, trim=bulk.trim)
    typed = ", ".join(f"{_write_quick(column, reading)} as {quote_name(column.name)}" for column in table.columns)
    doubts = " or ".join([fault.condition for fault in reading.faults] + _list_doubts(reading))
    rows = _write_rows(reading, layout, typed, "filename", f"({read_sql('load_read_text')})")
    file_id = "$file_ids[list_position($paths, filename)]" if len(bulk.paths) > 1 else "$file_ids[1]"
    into = _write_into(reading, layout, reading.present)
    return f"{into}, {file_id}, null, case when {doubts} then {LEFT} end, null from ({rows})"


def _write_into(reading: Reading, layout: Layout, present: Iterable[str]) -> str:
    names = ", ".join(quote_name(column.name) for column in reading.table.columns if _is_staged(column, present))
    count = len(_list_attributes(reading, layout))
    return f"insert into staged_{reading.table.name} select {names}, {_write_map(count)}"


def _write_rows(reading: Reading, layout: Layout, typed: str, place: str, source: str) -> str:
    """Return the query that gives each row its texts and typed values, and where it stands."""
    raw = [f"{_find_text(reading, layout)} as look_in"]
    raw += [_write_raw(column, reading, layout) for column in reading.table.columns]
    extra = [text for _, text in _list_attributes(reading, layout)]
    raw += [f"{text} as attribute_{number}" for number, text in enumerate(extra)]
    return f"select *, {typed} from (select {place}, {', '.join(raw)} from {source})"  # noqa: S608


def _is_plain(column: Column, reading: Reading) -> bool:
    """Return whether the values of a column most often are written as the database itself writes them."""
    if column.kind is Kind.DATE:
        return not reading.mapping.dates
    return column.kind in {Kind.NUMBER, Kind.DISTANCE, Kind.WHOLE} and reading.plain_numbers


def _write_quick(column: Column, reading: Reading) -> str:
    if not _is_plain(column, reading):
        return _write_typed(column, reading)
    raw = quote_name(f"raw_{column.name}")
    typed = f"try_cast({raw} as {_TYPES[column.kind]})"
    if column.kind is Kind.DISTANCE:
        typed += " * $miles"
    return typed if column.default is None else f"case when {raw} is null then {column.default} else {typed} end"


def _list_doubts(reading: Reading) -> list[str]:
    """Return when a value that was read quickly might read otherwise: SQL over ``raw_<column>`` and ``<column>``."""
    found = []
    for column in reading.table.columns:
        typed, raw = quote_name(column.name), quote_name(f"raw_{column.name}")
        if not _is_plain(column, reading):
            continue
        if column.kind in {Kind.DATE, Kind.WHOLE}:
            found.append(f"{typed}::varchar <> {raw}")
        else:
            found += [f"not isfinite({typed})", f"contains({raw}, '_')"]
    return found


def bind_values(reading: Reading, layout: Layout, statement: str, own: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values that ``statement`` binds, and no others; ``own`` are those of the files it reads."""
    names = [name for name, _ in _list_attributes(reading, layout)]
    values = {**reading.values, "attribute_names": names, **own}
    used = set(re.findall(r"\$([a-z0-9_]+)", statement))
    return {name: value for name, value in values.items() if name in used}


def bind_bulk(bulk: Bulk, width: int, file_ids: Sequence[int]) -> dict[str, Any]:
    """Return the values by which the statement of ``write_bulk`` reads its files."""
    return {
        "paths": list(bulk.paths),
        "file_ids": list(file_ids),
        "columns": {f"c{number}": "VARCHAR" for number in range(width)},
        "delimiter": bulk.delimiter,
        "quote": bulk.quote,
    }


def _list_attributes(reading: Reading, layout: Layout) -> list[tuple[str, str]]:
    """Return the name and the text of each attribute, by name: further columns, and what keyword rules told."""
    extra = [(name, _write_text(name, number, reading)) for name, number in layout.attributes]
    for number, name in enumerate(reading.mapping.keywords.rules):
        given = _write_given(name, reading, layout)
        part = f"$parts_{number}[{_write_hit(number, reading, layout)}]"
        extra.append((f"inferred {name}", f"case when {given} is null then {part} end"))
    return sorted(extra)


def _find_text(reading: Reading, layout: Layout) -> str:
    """Return the text in which keyword rules look, null where the file has no such column."""
    name = reading.mapping.keywords.look_in
    number = layout.columns.get(name, dict(layout.attributes).get(name))
    return "null::varchar" if number is None else _write_meaning(name, number, reading)


def _write_hit(number: int, reading: Reading, layout: Layout) -> str:
    text = _find_text(reading, layout)
    return f"list_position(list_transform($parts_{number}, lambda part: contains(lower({text}), part)), true)"


def _write_given(name: str, reading: Reading, layout: Layout) -> str:
    number = layout.columns.get(name)
    return "null::varchar" if number is None else _write_text(name, number, reading)


def _write_raw(column: Column, reading: Reading, layout: Layout) -> str:
    text = _write_given(column.name, reading, layout)
    if column.name in reading.mapping.keywords.rules:
        number = list(reading.mapping.keywords.rules).index(column.name)
        text = f"coalesce({text}, $told_{number}[{_write_hit(number, reading, layout)}])"
    return f"{text} as {quote_name(f'raw_{column.name}')}"


def _write_text(name: str, number: int, reading: Reading) -> str:
    """Return the text of one column of the file as it is kept: its meaning, or its pseudonym, or nothing."""
    if name in reading.privacy.leave_out:
        return "null::varchar"
    text = _write_meaning(name, number, reading)
    return f"pseudonym({text}, $inner_pad, $outer_pad)" if name in reading.privacy.pseudonyms else text


def _write_meaning(name: str, number: int, reading: Reading) -> str:
    """Return the trimmed text of one column of the file, its code replaced by what fleet.toml says it means."""
    text = f"nullif(trim(c{number}, $spaces), '')" if reading.trim else f"c{number}"
    if name not in reading.mapping.codes:
        return text
    code = _code_number(reading.mapping, name)
    return f"coalesce($meanings_{code}[list_position($codes_{code}, {text})], {text})"


def _write_typed(column: Column, reading: Reading) -> str:
    raw = quote_name(f"raw_{column.name}")
    if column.kind is Kind.TEXT:
        typed = raw
    elif column.kind is Kind.FLAG:
        typed = f"read_flag({raw})"
    elif column.kind in {Kind.DATE, Kind.TIME}:
        typed = _write_date(column, raw, reading)
    else:
        plain = raw if reading.plain_numbers else f"plain_number({raw}, $thousands, $decimal_mark)"
        typed = f"read_number({plain})"
        if column.kind is Kind.DISTANCE:
            typed += " * $miles"
        if column.kind is Kind.WHOLE:
            typed = f"case when {typed} = trunc({typed}) and abs({typed}) < 1e9 then {typed}::integer end"
    if column.default is None:
        return typed
    return f"case when {raw} is null then {column.default} else {typed} end"


def _write_date(column: Column, raw: str, reading: Reading) -> str:
    reader = "read_time" if column.kind is Kind.TIME else "read_day"
    kind = _TYPES[column.kind]
    ways = [f"{reader}({raw})"]
    if reading.values["formats"]:
        ways.append(f"try_strptime({raw}, $formats)::{kind}")
    if EXCEL_SERIAL in reading.mapping.dates:
        ways.append(f"read_serial({raw})::{kind}")
    return f"coalesce({', '.join(ways)})" if len(ways) > 1 else ways[0]


def _write_map(count: int) -> str:
    if not count:
        return "map([]::varchar[], []::varchar[])"
    values = ", ".join(f"attribute_{place}" for place in range(count))
    return (
        f"map_from_entries(list_filter(map_entries(map($attribute_names, [{values}])), "
        "lambda entry: entry.value is not null))"
    )


def _write_fault_value(reading: Reading) -> str:
    parts = " ".join(f"when {number} then {fault.value}" for number, fault in enumerate(reading.faults))
    return f"case fault {parts} end"
