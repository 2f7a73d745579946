"""Parquet files to rows of text, with the numbers of their rows; none may unpack to far more than its size."""

from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from wearlab.history.load_rows import BATCH_ROWS, Batch, DataFile, Sheet, unreadable

_MOST_ROWS_PER_BYTE = 100  # a row of a real table takes at least some bits
_LARGEST_RATIO = 200  # bytes unpacked over bytes of the file: real exports stay below about 30
_SMALL = 64 << 20  # bytes that any file may unpack to
_BATCH_CELLS = 5_000_000


def read_parquet(file: DataFile) -> Sheet:
    """Return a Parquet file as rows of text; the first row is line 1. Refuses (DataError) what cannot be read."""
    try:
        size = file.path.stat().st_size
        parquet = open_parquet(file.path, file.name, size)
    except (OSError, UnicodeError, pa.ArrowException) as error:
        raise unreadable(file.name, f"it is no whole Parquet file ({_first_line(error)})") from None
    header = tuple(name.strip() for name in parquet.schema_arrow.names)
    return Sheet(header, 1, _batches(file, parquet, size), parquet.metadata.num_rows)


def open_parquet(source: Path | BytesIO, name: str, size: int) -> pq.ParquetFile:
    """Return a Parquet file of ``size`` bytes, opened so that its texts are read as numbers of a dictionary.

    Refuses (DataError) what would unpack to far more than its size, as far as its own bookkeeping tells; raises
    ArrowException for what is no Parquet file.
    """
    told = pq.read_metadata(source)
    rows = told.num_rows
    if rows > _MOST_ROWS_PER_BYTE * size:
        raise unreadable(name, f"its {size:,} bytes would unpack to {rows:,} rows")
    leaves = [told.schema.column(number) for number in range(told.num_columns)]
    unpacked = sum(told.row_group(number).total_byte_size for number in range(told.num_row_groups))
    unpacked += rows * len(leaves)  # a value takes a byte at least, as its delimiter does in a text file
    unpacked += rows * sum(leaf.length for leaf in leaves if leaf.physical_type == "FIXED_LEN_BYTE_ARRAY")
    _check_size(unpacked, name, size)
    texts = [leaf.path for leaf in leaves if leaf.physical_type == "BYTE_ARRAY"]
    return pq.ParquetFile(source, memory_map=False, read_dictionary=texts)


def read_batches(parquet: pq.ParquetFile, name: str, size: int) -> Iterator[pa.RecordBatch]:
    """Yield the rows of an opened file of ``size`` bytes; refuses (DataError) more text than a file of it may hold."""
    width, unpacked = max(1, len(parquet.schema_arrow.names)), 0
    for batch in parquet.iter_batches(batch_size=max(1, min(BATCH_ROWS, _BATCH_CELLS // width))):
        unpacked += sum(_count_bytes(column) for column in batch.columns)
        _check_size(unpacked, name, size)
        yield batch


def _check_size(unpacked: int, name: str, size: int) -> None:
    if unpacked > max(_SMALL, _LARGEST_RATIO * size):
        raise unreadable(name, f"its {size:,} bytes would unpack to far more: {unpacked:,} and on")


def _count_bytes(column: pa.Array) -> int:
    """Return how many bytes the texts of a column take when each stands by itself."""
    if pa.types.is_dictionary(column.type):
        lengths = pc.take(pc.binary_length(column.dictionary), column.indices)
        return pc.sum(pc.cast(lengths, pa.int64())).as_py() or 0
    if pa.types.is_map(column.type):
        return _count_bytes(column.keys) + _count_bytes(column.items)
    if pa.types.is_struct(column.type):
        return sum(map(_count_bytes, column.flatten()))
    return _count_bytes(column.flatten()) if pa.types.is_nested(column.type) else 0


def _batches(file: DataFile, parquet: pq.ParquetFile, size: int) -> Iterator[Batch]:
    line = 1
    try:
        with parquet:
            for batch in read_batches(parquet, file.name, size):
                columns = [_as_text(column) for column in batch.columns]
                lines = pa.array(range(line, line + batch.num_rows), pa.int64())
                names = ["line", *(f"c{number}" for number in range(len(columns)))]
                yield Batch(pa.table([lines, *columns], names=names), ())
                line += batch.num_rows
    except (OSError, UnicodeError, pa.ArrowException) as error:
        raise unreadable(file.name, f"it breaks off after row {line - 1} ({_first_line(error)})") from None


def _as_text(column: pa.Array) -> pa.Array:
    """Return a column as text: numbers in full precision, NaN as missing, dates as ISO 8601."""
    if pa.types.is_dictionary(column.type):
        column = column.dictionary_decode()
    if pa.types.is_floating(column.type):
        column = pc.if_else(pc.is_nan(column), pa.scalar(None, column.type), column)
    if pa.types.is_nested(column.type):
        return pa.array([None if value is None else str(value) for value in column.to_pylist()], pa.string())
    return pc.cast(column, pa.string())


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]
