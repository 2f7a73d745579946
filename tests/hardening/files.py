"""Tables as files of every format that is read, well made or spoiled in the ways of its format."""

import csv
import gzip
import io
import random
from collections.abc import Callable, Sequence

import pyarrow as pa
import pyarrow.parquet as pq
import xlsxwriter

from tests.hardening.hostile import NAMES, pick_cell, spoil_bytes

Table = list[list[str]]  # the header first

_ENCODINGS = ("utf-8",) * 8 + ("utf-8-sig", "utf-16", "utf-16-le", "cp1252", "latin-1")


def spoil_table(rnd: random.Random, table: Table) -> Table:
    """Return a table with a few hostile changes to its cells, rows and columns."""
    rows = [list(row) for row in table]
    for _ in range(rnd.choice((0, 1, 1, 2, 3, 6))):
        if len(rows) < 2 or not rows[0]:
            return rows
        rnd.choice(_CHANGES)(rnd, rows)
    return rows


def _spoil_cell(rnd: random.Random, rows: Table) -> None:
    row = rnd.randrange(1, len(rows))
    if rows[row]:
        column = rnd.randrange(len(rows[row]))
        name = rows[0][column] if column < len(rows[0]) else ""
        rows[row][column] = pick_cell(rnd, name)


def _spoil_column(rnd: random.Random, rows: Table) -> None:
    column = rnd.randrange(len(rows[0]))
    value = pick_cell(rnd, rows[0][column])
    for row in rows[1:]:
        if column < len(row):
            row[column] = value if rnd.random() < 0.9 else pick_cell(rnd, rows[0][column])


def _take_row(rnd: random.Random, rows: Table) -> None:
    del rows[rnd.randrange(1, len(rows))]


def _double_row(rnd: random.Random, rows: Table) -> None:
    rows.insert(rnd.randrange(1, len(rows) + 1), list(rnd.choice(rows)))


def _cut_row(rnd: random.Random, rows: Table) -> None:
    row = rnd.choice(rows)
    del row[rnd.randrange(len(row) + 1) :]


def _stretch_row(rnd: random.Random, rows: Table) -> None:
    rnd.choice(rows).extend([""] * rnd.randint(1, 3) if rnd.random() < 0.5 else [pick_cell(rnd, "")])


def _shuffle_rows(rnd: random.Random, rows: Table) -> None:
    body = rows[1:]
    rnd.shuffle(body)
    rows[1:] = body


def _take_column(rnd: random.Random, rows: Table) -> None:
    column = rnd.randrange(len(rows[0]))
    for row in rows:
        del row[column : column + 1]


def _rename_column(rnd: random.Random, rows: Table) -> None:
    rows[0][rnd.randrange(len(rows[0]))] = rnd.choice(NAMES)


def _add_column(rnd: random.Random, rows: Table) -> None:
    name = rnd.choice(NAMES)
    for number, row in enumerate(rows):
        row.append(pick_cell(rnd, name) if number else name)


def _empty_rows(_: random.Random, rows: Table) -> None:
    del rows[1:]


def _scale_column(rnd: random.Random, rows: Table) -> None:
    column, factor = rnd.randrange(len(rows[0])), 10.0 ** rnd.randint(-9, 9)
    for row in rows[1:]:
        if column < len(row) and row[column].replace(".", "", 1).isdecimal():
            row[column] = repr(float(row[column]) * factor)


_CHANGES: tuple[Callable[[random.Random, Table], None], ...] = (
    *(_spoil_cell,) * 6, *(_spoil_column,) * 2, _take_row, _double_row, _cut_row, _stretch_row, _shuffle_rows,
    _take_column, _rename_column, _add_column, _scale_column, _empty_rows,
)  # fmt: skip


def as_csv(rnd: random.Random, table: Table) -> bytes:
    """Return a table as delimited text: any usual delimiter, quoting, line end and encoding."""
    out = io.StringIO(newline="")
    quoting = rnd.choice((csv.QUOTE_MINIMAL, csv.QUOTE_MINIMAL, csv.QUOTE_ALL))
    end = rnd.choice(("\n", "\n", "\n", "\r\n", "\r"))
    writer = csv.writer(out, delimiter=rnd.choice((",",) * 6 + (";", "\t", "|")), quoting=quoting, lineterminator=end)
    writer.writerows(table)
    text = out.getvalue()
    if rnd.random() < 0.1:
        text = text.rstrip("\r\n")
    return text.encode(rnd.choice(_ENCODINGS), errors="replace")


def as_plain_csv(_: random.Random, table: Table) -> bytes:
    """Return a table as delimited text of the plainest kind."""
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\n").writerows(table)
    return out.getvalue().encode("utf-8", errors="replace")


def as_gzip(rnd: random.Random, table: Table) -> bytes:
    """Return a table as compressed text; now and then two members, or rubbish after the end."""
    packed = gzip.compress(as_csv(rnd, table), compresslevel=1, mtime=0)
    return packed + rnd.choice((b"",) * 6 + (packed, b"\x00" * 9, b"rubbish"))


def as_parquet(rnd: random.Random, table: Table) -> bytes:
    """Return a table as Parquet, its columns of text or of some other type where their values allow it."""
    width = len(table[0])
    rows = [(row + [""] * width)[:width] for row in table[1:]]
    columns = [_typed(rnd, [row[at] for row in rows]) for at in range(width)]
    out = io.BytesIO()
    pq.write_table(pa.table(columns, names=list(table[0])), out, compression=rnd.choice(("none", "snappy", "gzip")))
    return out.getvalue()


def _typed(rnd: random.Random, values: Sequence[str]) -> pa.Array:
    texts = [value.encode("utf-8", errors="replace").decode() or None for value in values]
    kinds = (
        pa.float64(), pa.float32(), pa.int64(), pa.int8(), pa.bool_(), pa.date32(), pa.date64(), pa.timestamp("us"),
        pa.timestamp("ns", "UTC"), pa.decimal128(12, 3), pa.binary(), pa.large_string(), pa.time64("us"),
    )  # fmt: skip
    way = rnd.random()
    try:
        if way < 0.5:
            return pa.array(texts, pa.string())
        if way < 0.9:
            return pa.array(texts, pa.string()).cast(rnd.choice(kinds))
        if way < 0.95:
            return pa.array([[text] for text in texts], pa.list_(pa.string()))
        return pa.array(texts, pa.string()).dictionary_encode()
    except pa.ArrowException:
        return pa.array(texts, pa.string())


def as_workbook(rnd: random.Random, table: Table) -> bytes:
    """Return a table as a workbook: cells as text, numbers, truth values, errors, blanks and formulas."""
    out = io.BytesIO()
    book = xlsxwriter.Workbook(
        out, {"in_memory": True, "strings_to_numbers": rnd.random() < 0.5, "nan_inf_to_errors": True}
    )
    for name in rnd.choice((("services",), ("Sheet1",), ("Sheet1", "services"), ("services", "units"))):
        sheet = book.add_worksheet(name)
        first = rnd.choice((0, 0, 0, 2))
        for row, cells in enumerate(table[:60]):
            for column, cell in enumerate(cells[:40]):
                if cell.startswith("=") and rnd.random() < 0.5:
                    sheet.write_formula(row + first, column, cell)
                else:
                    sheet.write(row + first, column, cell[:30_000])
    book.close()
    return out.getvalue()


FORMATS: dict[str, Callable[[random.Random, Table], bytes]] = {
    "csv": as_csv,
    "csv.gz": as_gzip,
    "parquet": as_parquet,
    "xlsx": as_workbook,
}


def write_spoiled(rnd: random.Random, table: Table, kind: str) -> bytes:
    """Return a spoiled table in one format, its bytes spoiled too now and then."""
    content = FORMATS[kind](rnd, spoil_table(rnd, table))
    return spoil_bytes(rnd, content) if rnd.random() < 0.25 else content
