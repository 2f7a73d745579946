"""A whole text file read by the database at once, and every line of it accounted for."""

import numpy as np
import pyarrow as pa

from wearlab.history.load_files import Layout
from wearlab.history.load_rows import Malformed, Sheet
from wearlab.history.load_sql import Reading, bind_values, write_insert
from wearlab.history.load_text import count_reason, cut_text, is_open_ended, split_line
from wearlab.history.store import Store, read_sql, read_table_sql

_FIRST_LINE = 2  # of the rows: the header is line 1


def stage_bulk(
    store: Store, reading: Reading, layout: Layout, sheet: Sheet, file_id: int
) -> tuple[int, list[Malformed], int | None] | None:
    """Return the rows staged, the lines that are no rows, and by how much the line is more than the staged row.

    The last is None where it is not the same for all rows. Returns None where the file must be read by record: where
    the rows and the rejected lines do not add up to the lines counted on the bytes, or a line was rejected for anything
    but its number of values; nothing of the file is then staged.
    """
    bulk, table = sheet.bulk, reading.table
    if bulk is None:
        return None
    for name in ("reject_errors", "reject_scans"):
        store.execute(f"drop table if exists {name}")
    statement = write_insert(reading, layout, bulk)
    malformed: list[Malformed] | None = None
    try:
        store.execute(statement, bind_values(reading, layout, statement, file_id, sheet))
        malformed = _list_malformed(store, sheet)
    except RuntimeError:  # the database's reader gave up: the other one says why, line by line
        pass
    rows, first = store.row(read_table_sql("load_table_first_row", table), {"file_id": file_id})
    if malformed is None or rows + len(malformed) != bulk.records:
        store.execute(read_table_sql("load_table_forget", table), {"file_id": file_id})
        return None
    first = first or 0
    _number_lines(store, file_id, first, [one.line for one in malformed])
    return rows, malformed, None if malformed else _FIRST_LINE - first


def _list_malformed(store: Store, sheet: Sheet) -> list[Malformed] | None:
    """Return the lines that were rejected, or None where one was rejected for more than its number of values."""
    bulk, width, found = sheet.bulk, len(sheet.header), []
    for line, text, whole in store.rows(read_sql("load_rejects")):
        fields = split_line(text.strip("\r\n"), bulk.delimiter, bulk.quote) if whole and bulk else None
        if fields is None or len(fields) == width or is_open_ended(fields, width):
            return None
        found.append(Malformed(line, cut_text(text), count_reason(len(fields), width)))
    return found


def _number_lines(store: Store, file_id: int, first: int, skipped: list[int]) -> None:
    """Note from which staged row on the line is how much more than the row, since skipped lines stand between."""
    steps = np.arange(len(skipped) + 1)
    rows = np.concatenate([[first], first + np.array(skipped, dtype=np.int64) - _FIRST_LINE - steps[:-1]])
    last = np.append(rows[1:] != rows[:-1], True)  # of lines skipped one after another the last counts
    batch = pa.table(
        {
            "file_id": pa.array([file_id] * int(last.sum()), pa.int32()),
            "from_row": pa.array(rows[last], pa.int64()),
            "shift": pa.array((steps + _FIRST_LINE - first)[last], pa.int64()),
        }
    )
    store.execute("insert into bulk_lines select * from batch", batch=batch)
