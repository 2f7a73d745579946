"""The files of a fleet folder: which table each belongs to, and which of its columns is which."""

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from fnmatch import fnmatchcase
from pathlib import Path

from wearlab.evidence import Caution, DataError, readable_name
from wearlab.history.config import FleetConfig, TableMap
from wearlab.history.config_section import CONFIG_NAME
from wearlab.history.contract import TABLES, Table, find_table
from wearlab.history.load_parquet import read_parquet
from wearlab.history.load_rows import DataFile, Sheet, check_regular, unreadable
from wearlab.history.load_sheets import read_workbook
from wearlab.history.load_text import read_text

_ENDINGS = r"\.(csv|tsv|txt|parquet|xlsx|csv\.gz|tsv\.gz|txt\.gz)$"


@dataclass(frozen=True, slots=True)
class Layout:
    """Which column of a file holds what, by number: contract columns, and attributes in the order of their names."""

    columns: Mapping[str, int]
    attributes: tuple[tuple[str, int], ...]
    unmatched: tuple[str, ...]  # names that fleet.toml maps to a column that the file does not have
    cautions: tuple[Caution, ...]


def find_files(folder: Path, config: FleetConfig) -> tuple[tuple[DataFile, ...], tuple[str, ...]]:
    """Return the folder's files by table and name, and the names of data files that no table takes.

    Refuses (DataError) a folder without a required table, a ``files`` pattern that nothing matches, and a path that
    leaves the folder.
    """
    if not folder.is_dir():
        raise DataError("not-a-folder", "a fleet folder is wanted", "give the path of a folder", folder.name)
    patterns = {table.name: config.tables.get(table.name, TableMap()).files for table in TABLES}
    names = list_files(folder, deep=any("/" in pattern for given in patterns.values() for pattern in given))
    found = []
    for table in TABLES:
        given = patterns[table.name]
        mine = _match_given(table, given, names) if given else [name for name in names if matches_default(table, name)]
        options = config.tables.get(table.name, TableMap()).options
        found += [DataFile(name, folder / name, table.name, options) for name in mine]
    missing = [table.name for table in TABLES if table.required and table.name not in {file.table for file in found}]
    if missing:
        raise _missing_tables(folder, missing, names)
    for file in found:
        if readable_name(file.name) != file.name:
            raise unreadable(file.name, "its name is not UTF-8 text; rename it")
        check_regular(file.path, file.name)
    taken = {file.name for file in found}
    return tuple(found), tuple(readable_name(name) for name in names if is_data_file(name) and name not in taken)


def list_files(folder: Path, *, deep: bool = False) -> list[str]:
    """Return the names of what a folder holds, hidden files left out, in natural order; ``deep`` looks below it."""
    paths = folder.rglob("*") if deep else folder.iterdir()
    names = (path.relative_to(folder).as_posix() for path in paths if deep is False or not path.is_dir())
    return sorted((name for name in names if not name.startswith((".", "~$"))), key=_natural_order)


def _natural_order(name: str) -> tuple[tuple[str, ...], str]:
    """Return what sorts export-2 before export-10, and a bare name before the same name with an addition."""
    parts = re.split(r"(\d+)", name.split(".", maxsplit=1)[0])
    return tuple(part.zfill(20) if part.isdecimal() else part for part in parts), name


def is_data_file(name: str) -> bool:
    """Return whether a file of this name is one of the formats that are read."""
    return re.search(_ENDINGS, name, re.IGNORECASE) is not None


def matches_default(table: Table, name: str) -> bool:
    """Return whether a file of this name is read into the table without being named in fleet.toml."""
    return re.match(rf"{table.name}([-_. ][^/]*)?{_ENDINGS}", name, re.IGNORECASE) is not None


def _match_given(table: Table, patterns: Iterable[str], names: list[str]) -> list[str]:
    found: list[str] = []
    for pattern in patterns:
        matched = [name for name in names if name == pattern] or [name for name in names if fnmatchcase(name, pattern)]
        if not matched:
            raise DataError(
                "no-file",
                f"tables.{table.name}.files: no file of the folder matches {pattern!r}",
                "give the name of a file in the folder, or a pattern such as export_*.csv",
                CONFIG_NAME,
            )
        found += matched
    return sorted(set(found), key=_natural_order)


def _missing_tables(folder: Path, missing: list[str], names: list[str]) -> DataError:
    data = [name for name in names if is_data_file(name)]
    there = f"the folder holds {', '.join(data[:8])}" if data else "the folder holds no data files"
    first = missing[0]
    example = data[0] if data else f"{first}.csv"
    return DataError(
        "no-table",
        f"there is no file for {', '.join(missing)}: {there}",
        f'name the file {first}.csv, or add to {CONFIG_NAME}: [tables.{first}] files = ["{example}"]',
        folder.name,
    )


def fingerprint(file: DataFile) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal."""
    try:
        with file.path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise unreadable(file.name, str(error.strerror)) from None


def open_file(file: DataFile, config: FleetConfig) -> Sheet:
    """Return a file's header and rows, whatever its format. Refuses (DataError) what cannot be read."""
    ending = file.path.name.lower().rsplit(".", 1)[-1]
    if ending == "parquet":
        return read_parquet(file)
    if ending == "xlsx":
        return read_workbook(file)
    table = find_table(file.table)
    mapped = config.tables.get(file.table, TableMap()).columns
    return read_text(file, frozenset(table.names) | frozenset(mapped.values()))


def lay_out(file: DataFile, sheet: Sheet, table: Table, mapping: TableMap) -> Layout:
    """Return which column of the file is which.

    Refuses (DataError) a required column that is missing, with the nearest name there is and how to map it, and a
    column that stands twice in the header.
    """
    header = sheet.header
    source = {name: _find_source(name, mapping, header) for name in (*table.names, *mapping.columns)}
    for name, wanted in source.items():
        if header.count(wanted) > 1:
            text = f"the header has {wanted!r} {header.count(wanted)} times"
            raise DataError("double-column", text, "give each column its own name", file.name, sheet.header_line, name)
    told = {name for name in mapping.keywords.rules if name not in mapping.columns}
    required = [column.name for column in table.columns if column.required and column.name not in told]
    missing = {name: source[name] for name in required if source[name] not in header}
    if missing:
        raise _missing_columns(file, sheet, missing)
    columns = {name: header.index(source[name]) for name in table.names if source[name] in header}
    renamed = {wanted: name for name, wanted in mapping.columns.items() if name not in table.names}
    attributes = _name_attributes(header, set(columns.values()), renamed, table)
    unmatched = tuple(name for name in mapping.columns if source[name] not in header)
    return Layout(columns, attributes, unmatched, _find_lookalikes(file, sheet, table, columns))


def _find_source(name: str, mapping: TableMap, header: tuple[str, ...]) -> str:
    """Return the column that holds ``name``: the one it is mapped to, else, where the file lacks that, its own name."""
    mapped = mapping.columns.get(name, name)
    return name if mapped not in header and name in header else mapped


def _name_attributes(
    header: tuple[str, ...], taken: set[int], renamed: Mapping[str, str], table: Table
) -> tuple[tuple[str, int], ...]:
    """Return a name of its own for each further column, never one of the contract's."""
    names: dict[str, int] = {}
    for number, given in enumerate(header):
        if number in taken:
            continue
        name = renamed.get(given, given) or f"column {number + 1}"
        if name in table.names:
            name = f"{name} (export)"
        while name in names:
            name += " (again)"
        names[name] = number
    return tuple(sorted(names.items()))


def _letters(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.lower())


def _missing_columns(file: DataFile, sheet: Sheet, missing: Mapping[str, str]) -> DataError:
    """Return the error for required columns that a file lacks; ``missing`` holds the name looked for under each."""
    nearest = {name: _find_nearest(wanted, sheet.header) for name, wanted in missing.items()}
    first, wanted = next(iter(missing.items()))
    mapped = f" (fleet.toml maps it to {wanted!r})" if wanted != first else ""
    near = nearest[first]
    seen = ", ".join(repr(name) for name in sheet.header[:12])
    text = f"the required column {first!r} is missing{mapped}; "
    text += f"the nearest name is {near!r}" if near else f"the header has {seen}"
    others = [name for name in missing if name != first]
    text += f"; missing too: {', '.join(others)}" if others else ""
    pairs = [f"{name} = {_toml_text(found)}" for name, found in nearest.items() if found]
    example = ", ".join(pairs) if near else f'{first} = "its name in this file"'
    return DataError(
        "missing-column",
        text,
        f"add to {CONFIG_NAME}: [tables.{file.table}] columns = {{ {example} }}",
        file.name,
        sheet.header_line,
        first,
    )


def _find_nearest(wanted: str, header: tuple[str, ...]) -> str | None:
    """Return the name of a header that is nearest to the one wanted: the same letters, else the likest spelling."""
    same = [name for name in header if name and _letters(name) == _letters(wanted)]
    near = same or get_close_matches(wanted, header, n=1, cutoff=0.5) or _close_letters(wanted, header)
    return near[0] if near else None


def check_mapping(table: str, mapping: TableMap, unmatched: Iterable[tuple[DataFile, tuple[str, ...]]]) -> None:
    """Refuse (DataError) a mapped column that none of a table's files has."""
    files = list(unmatched)
    for name, wanted in mapping.columns.items():
        if files and all(name in missing for _, missing in files):
            raise DataError(
                "missing-column",
                f"fleet.toml maps {name} to {wanted!r}, which no file of {table} has",
                f"mend or take out {name} under [tables.{table}] columns",
                files[0][0].name,
                1,
                name,
            )


def _close_letters(wanted: str, header: tuple[str, ...]) -> list[str]:
    by_letters = {_letters(name): name for name in header}
    return [by_letters[near] for near in get_close_matches(_letters(wanted), by_letters, n=1, cutoff=0.4)]


def _toml_text(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'


def _find_lookalikes(file: DataFile, sheet: Sheet, table: Table, columns: Mapping[str, int]) -> tuple[Caution, ...]:
    """Return a caution for each column kept as an attribute whose name is a contract name but for case and spaces."""
    letters = {_letters(name): name for name in table.names if name not in columns}
    return tuple(
        Caution(
            "lookalike-column",
            f"{file.name}: column {name!r} was kept as an attribute, not read as {letters[_letters(name)]}; if it is, "
            f"add to {CONFIG_NAME}: [tables.{file.table}] columns = {{ {letters[_letters(name)]} = "
            f"{_toml_text(name)} }}.",
        )
        for number, name in enumerate(sheet.header)
        if number not in columns.values() and _letters(name) in letters
    )
