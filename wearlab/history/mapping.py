"""Unknown files to a drafted fleet.toml: what each file and column most likely is, every guess marked."""

import json
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime
from itertools import islice
from pathlib import Path

from wearlab.evidence import DataError
from wearlab.history.config import FleetConfig
from wearlab.history.contract import TABLES, Column, Kind, Table
from wearlab.history.load_files import is_data_file, list_files, matches_default, open_file
from wearlab.history.load_rows import DataFile
from wearlab.history.load_sheets import list_sheets
from wearlab.history.mapping_columns import (
    Guess,
    Placed,
    Profile,
    guess_table,
    profile_column,
    propose_code,
    split_words,
)
from wearlab.history.mapping_words import CODE_WORDS

_BATCHES = 4  # of a file that are looked at
_CODES_SHOWN = 60
_COLUMNS_SHOWN = 12
_VALUE_SHOWN = 30  # characters
_FREE = ("component", "failure_mode")  # columns whose codes may keep their own names


def draft_mapping(folder: Path) -> str:
    """Return a commented fleet.toml for a folder of unknown files; every guess is marked CHECK.

    Files are matched to tables and columns by their names and values; codes are listed with how often each occurs and
    a proposal where a word of the trade tells what it means. What cannot be placed is listed, never guessed. Refuses
    (DataError) what is not a folder, and a folder without any data file.
    """
    if not folder.is_dir():
        raise DataError("not-a-folder", "a folder of exports is wanted", "give the path of a folder", folder.name)
    names = [name for name in list_files(folder) if is_data_file(name)]
    if not names:
        raise DataError(
            "no-table", "the folder holds no CSV, Parquet or XLSX files", "give the folder of the exports", folder.name
        )
    looked, failed = _look_at(folder, names)
    guesses, unplaced = _guess_all(looked)
    lines = [*_draft_head(guesses), *_draft_tables(guesses)]
    for table in TABLES:
        if table.required and table.name not in {guess.table.name for guess in guesses}:
            lines += _draft_missing(table)
    lines += unplaced
    lines += [f"# {_quote(name)} could not be read: {_quote(why)}" for name, why in failed]
    return "\n".join(lines) + "\n"


def _look_at(
    folder: Path, names: list[str]
) -> tuple[list[tuple[DataFile, str, tuple[Profile, ...]]], list[tuple[str, str]]]:
    """Return every file or sheet that can be read, with label and columns; and those that cannot, with the reason."""
    looked, failed = [], []
    for name in names:
        try:
            for file, label in _list_parts(DataFile(name, folder / name, TABLES[0].name, {})):
                looked.append((file, label, _profile(file)))
        except DataError as error:
            failed.append((name, error.text))
    return looked, failed


def _list_parts(file: DataFile) -> Iterator[tuple[DataFile, str]]:
    if file.path.suffix.lower() != ".xlsx":
        yield file, file.name.split(".")[0]
        return
    sheets = list_sheets(file)
    if len(sheets) == 1:
        yield file, file.name.split(".")[0]
        return
    for sheet in sheets:
        yield replace(file, options={"sheet": sheet}), sheet


def _profile(file: DataFile) -> tuple[Profile, ...]:
    sheet = open_file(file, FleetConfig())
    batches = [batch for batch in islice(sheet.batches, _BATCHES) if batch.rows.num_rows]
    columns = ([batch.rows.column(f"c{n}").to_pylist() for batch in batches] for n in range(len(sheet.header)))
    return tuple(
        profile_column(name, (value for part in parts for value in part))
        for name, parts in zip(sheet.header, columns, strict=True)
        if name
    )


def _guess_all(looked: list[tuple[DataFile, str, tuple[Profile, ...]]]) -> tuple[list[Guess], list[str]]:
    """Return the best guess for each file, unit numbers learnt from the first round told to the second."""
    first = [guess_table(file, label, profiles, frozenset()) for file, label, profiles in looked]
    units = frozenset(
        value
        for guess in first
        if guess
        for one in guess.placed
        if one.column.name == "unit_id"
        for value in one.profile.values
    )
    second = [(file, guess_table(file, label, profiles, units)) for file, label, profiles in looked]
    order = {table.name: number for number, table in enumerate(TABLES)}
    guesses = sorted((guess for _, guess in second if guess), key=lambda guess: order[guess.table.name])
    left = zip(second, looked, strict=True)
    return guesses, [_describe_left(file, profiles) for (file, guess), (_, _, profiles) in left if guess is None]


def _describe_left(file: DataFile, profiles: tuple[Profile, ...]) -> str:
    """Return the comment on a file that no table takes: its columns, each with its commonest value."""
    columns = [f"{_quote(one.name)}{_show_value(one)}" for one in profiles[:_COLUMNS_SHOWN]]
    more = " and more" if len(profiles) > _COLUMNS_SHOWN else ""
    return (
        f"# {_quote(_describe_file(file))}: no table could be told from its columns; it is not read. "
        f"Its columns: {', '.join(columns)}{more}."
    )


def _show_value(profile: Profile) -> str:
    value = next(iter(profile.values), None)
    return "" if value is None else f" (such as {_quote(value[:_VALUE_SHOWN])})"


def _describe_file(file: DataFile) -> str:
    return f"{file.name}, sheet {file.options['sheet']}" if "sheet" in file.options else file.name


def _draft_head(guesses: list[Guess]) -> list[str]:
    lines = [
        "# A draft of fleet.toml, from the names and values of the files in this folder.",
        "# Every line marked CHECK is a guess: look at it before you trust a number that rests on it.",
        "",
    ]
    metric = [
        placed.profile.name
        for guess in guesses
        for placed in guess.placed
        if placed.column.kind is Kind.DISTANCE
        and {"km", "kms", "kilometers", "kilometres"} & set(split_words(placed.profile.name))
    ]
    if metric:
        lines.append(f'distance = "km"  # CHECK: from the name of the column {_quote(metric[0])}')
    else:
        lines.append('distance = "mi"  # CHECK: no column says km')
    first = min((day for guess in guesses if guess.table.name == "services" for day in _days(guess)), default=None)
    if first:
        lines.append(
            f"records_from = {first}  # CHECK: the first service seen; the history must be complete from this day"
        )
    else:
        lines.append("# records_from = 2019-01-01  # required: the day from which the history is complete")
    lines.append("# as_of = 2026-06-30  # the history is complete up to this day")
    classes = Counter[str]()
    for guess in guesses:
        for placed in guess.placed:
            if placed.column.name == "duty_cycle" and guess.table.name == "units":
                classes.update(placed.profile.values)
    if classes:
        seen = ", ".join(_quote(name) for name, _ in classes.most_common(_CODES_SHOWN))
        lines.append(f"# duty_cycles = [{seen}]  # seen in units; listed, any other sets its row aside")
    return lines


def _days(guess: Guess) -> Iterator[str]:
    for placed in guess.placed:
        if placed.column.name == "date" and placed.profile.dates:
            form = "%Y-%m-%d" if placed.profile.dates[0] == "ISO" else placed.profile.dates[0]
            yield from _read_days(placed.profile.values, form)


def _read_days(values: Iterable[str], form: str) -> Iterator[str]:
    for value in values:
        text = value[:10] if form == "%Y-%m-%d" else value
        try:
            yield datetime.strptime(text, form).date().isoformat()  # noqa: DTZ007 - records carry no time zone
        except ValueError:
            continue


def _draft_tables(guesses: list[Guess]) -> list[str]:
    lines = []
    for table in TABLES:
        mine = [guess for guess in guesses if guess.table.name == table.name]
        drafted = _draft_table(table, mine) if mine else []
        if len(drafted) > 2:
            lines += drafted
    return lines


def _draft_table(table: Table, guesses: list[Guess]) -> list[str]:
    """Return the lines of one table; files whose columns differ from those of the first are named in a comment."""
    first = guesses[0]
    names = {placed.column.name: placed.profile.name for placed in first.placed}
    alike: list[Guess] = []
    other: list[Guess] = []
    for guess in guesses:
        same = {placed.column.name: placed.profile.name for placed in guess.placed} == names
        (alike if same and guess.file.options == first.file.options else other).append(guess)
    lines = ["", f"[tables.{table.name}]"]
    if not all(matches_default(table, guess.file.name) for guess in alike):
        files = ", ".join(_quote(guess.file.name) for guess in alike)
        lines.append(f"files = [{files}]  # CHECK: taken as {table.name} from its name and columns")
    lines += [
        f"# CHECK: {_quote(_describe_file(guess.file))} looks like {table.name} too, but names its columns otherwise."
        for guess in other
    ]
    lines += _draft_reading(alike)
    lines += [f"# required and not found: {name}" for name in first.missing]
    left = ", ".join(_quote(profile.name) for profile in first.left)
    lines += [f"# kept as attributes by their own names: {left}"] if left else []
    renamed = [placed for placed in first.placed if placed.why != "name"]
    if renamed:
        lines += ["", f"[tables.{table.name}.columns]"]
        lines += [
            f"{placed.column.name} = {_quote(placed.profile.name)}  # CHECK: {_explain(placed)}" for placed in renamed
        ]
    for placed in first.placed:
        lines += _draft_codes(table, placed.column, _sum_values(alike, placed.column))
    note = next((placed.column for placed in first.placed if placed.column.name == "note"), None)
    if note is not None and "action" in first.missing:
        lines += _draft_keywords(table, _sum_values(alike, note))
    return lines


def _draft_keywords(table: Table, texts: Counter[str]) -> list[str]:
    """Return keyword rules for the columns that only the free text can tell, with their hits and what none fits."""
    lines = ["", f"[tables.{table.name}.keywords]", 'look_in = "note"  # CHECK: no column of codes tells the action']
    for name in ("action", "component", "reason"):
        hits, none = Counter[tuple[str, str]](), Counter[str]()
        for text, rows in texts.items():
            rule = next((rule for rule in CODE_WORDS[name] if rule[0] in text.lower()), None)
            if rule is None:
                none[text] += rows
            else:
                hits[rule] += rows
        pairs = ", ".join(f"[{_quote(part)}, {_quote(means)}]" for part, means in CODE_WORDS[name] if hits[part, means])
        told = ", ".join(f"{part} {hits[part, means]:,}" for part, means in CODE_WORDS[name] if hits[part, means])
        if pairs:
            lines.append(f"{name} = [{pairs}]  # CHECK: rows told by each: {told}")
        if name != "reason":  # most rows need none
            lines += [
                f"# {name}: no rule fits {_quote(text[:80])}, {rows:,} rows" for text, rows in none.most_common(10)
            ]
    return lines


def _explain(placed: Placed) -> str:
    return "by its name" if placed.why == "alike" else "by its values"


def _draft_reading(guesses: list[Guess]) -> list[str]:
    """Return the lines on date formats, number marks and sheet of one table."""
    placed = [placed for guess in guesses for placed in guess.placed]
    lines = []
    forms = [one.profile.dates for one in placed if one.profile.dates and one.column.kind in {Kind.DATE, Kind.TIME}]
    wanted = list(dict.fromkeys(form[0] for form in forms if form[0] != "ISO"))
    if wanted:
        doubt = {other for form in forms for other in form[1:]}
        also = f"; {', '.join(sorted(doubt))} would fit some columns as well" if doubt else ""
        lines.append(f"dates = [{', '.join(map(_quote, wanted))}]  # CHECK: from the values{also}")
    options = dict(guesses[0].file.options)
    kinds = {Kind.NUMBER, Kind.WHOLE, Kind.DISTANCE}
    marks = [one.profile.numbers for one in placed if one.column.kind in kinds and one.profile.numbers]
    odd = [form for form in marks if ("", ".") not in form]
    if odd:
        options["thousands"], options["decimal"] = odd[0][0]
    if options:
        pairs = ", ".join(f"{name} = {_quote(value)}" for name, value in options.items())
        lines.append(f"options = {{ {pairs} }}  # CHECK")
    return lines


def _sum_values(guesses: list[Guess], column: Column) -> Counter[str]:
    counts = Counter[str]()
    for guess in guesses:
        for placed in guess.placed:
            if placed.column.name == column.name:
                counts.update(placed.profile.values)
    return counts


def _draft_codes(table: Table, column: Column, counts: Counter[str]) -> list[str]:
    """Return the codes seen in one column, each with its number of rows and a proposal, or none where no word tells."""
    if column.name not in CODE_WORDS or all(value in column.choices for value in counts):
        return []
    lines = ["", f"[tables.{table.name}.codes.{column.name}]"]
    known = {means for _, means in CODE_WORDS[column.name]}
    for value, rows in counts.most_common(_CODES_SHOWN):
        means = propose_code(column, value)
        if means == value or value in known:
            continue
        if means:
            lines.append(f"{_quote(value)} = {_quote(means)}  # CHECK: {rows:,} rows")
        elif column.name in _FREE:
            lines.append(f"# {_quote(value)} = {_quote(value)}  # {rows:,} rows: kept as it is")
        else:
            words = ", ".join(column.choices)
            lines.append(f"# {_quote(value)} = ?  # {rows:,} rows set aside until this is one of {words}")
    if len(counts) > _CODES_SHOWN:
        lines.append(f"# and {len(counts) - _CODES_SHOWN:,} more codes")
    return lines if len(lines) > 2 else []


def _draft_missing(table: Table) -> list[str]:
    needed = ",".join(column.name for column in table.columns if column.required)
    return [
        "",
        f"# {table.name}: no file looks like it, and it is required. Write {table.name}.csv with the columns {needed}",
    ]


def _quote(text: str) -> str:
    """Return a text as a TOML string on one line, whatever characters it holds."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
