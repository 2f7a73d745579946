"""XLSX files to rows of text, with the numbers of their rows."""

import zipfile

import fastexcel
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from wearlab.evidence import DataError
from wearlab.history.load_rows import Batch, DataFile, Sheet, unreadable

_LARGEST_WORKBOOK = 1 << 30  # bytes unpacked
_LARGEST_RATIO = 200  # unpacked over packed: real workbooks stay below about 30


def read_workbook(file: DataFile) -> Sheet:
    """Return one sheet of an XLSX file as rows of text; ``line`` is the row number of the sheet.

    The sheet is the one named in ``options``, else the one named as the table, else the first. Refuses (DataError)
    what cannot be read, and a workbook that would unpack to far more than its size.
    """
    _check_size(file)
    try:
        book = fastexcel.read_excel(str(file.path))
        name = _choose_sheet(file, book.sheet_names)
        rows = book.load_sheet(name, header_row=None, skip_rows=0, dtypes="string").to_arrow()
    except fastexcel.FastExcelError as error:
        raise unreadable(file.name, f"it is no whole workbook ({_first_line(error)})") from None
    table = pa.Table.from_batches([rows])
    filled = _find_filled(table)
    if not filled:
        raise DataError("empty-file", f"the sheet {name!r} is empty: not even a header", "export it again", file.name)
    header = tuple((cell or "").strip() for cell in _cells(table, filled[0]))
    body = table.take(pa.array(filled[1:], pa.int64()))
    lines = pa.array([number + 1 for number in filled[1:]], pa.int64())
    names = ["line", *(f"c{number}" for number in range(len(header)))]
    batch = Batch(pa.table([lines, *body.columns], names=names), ())
    return Sheet(header, filled[0] + 1, iter([batch]), len(filled) - 1)


def list_sheets(file: DataFile) -> tuple[str, ...]:
    """Return the names of the sheets of an XLSX file. Refuses (DataError) what cannot be read."""
    _check_size(file)
    try:
        return tuple(fastexcel.read_excel(str(file.path)).sheet_names)
    except fastexcel.FastExcelError as error:
        raise unreadable(file.name, f"it is no whole workbook ({_first_line(error)})") from None


def _find_filled(table: pa.Table) -> list[int]:
    """Return the numbers of the rows, from 0, in which at least one cell holds something."""
    filled = np.zeros(table.num_rows, dtype=bool)
    for column in table.columns:
        filled |= np.asarray(pc.fill_null(pc.not_equal(column, ""), fill_value=False))
    return [int(number) for number in np.flatnonzero(filled)]


def _cells(table: pa.Table, row: int) -> list[str | None]:
    return [column[row].as_py() for column in table.columns]


def _choose_sheet(file: DataFile, names: list[str]) -> str:
    wanted = file.options.get("sheet", file.table)
    if "sheet" in file.options and wanted not in names:
        raise DataError(
            "no-sheet",
            f"there is no sheet {wanted!r}; there are {', '.join(names)}",
            f"set options.sheet of [tables.{file.table}] to one of them",
            file.name,
        )
    return next((name for name in names if name.lower() == wanted.lower()), names[0])


def _check_size(file: DataFile) -> None:
    try:
        with zipfile.ZipFile(file.path) as archive:
            sizes = [(item.file_size, item.compress_size) for item in archive.infolist()]
    except (OSError, zipfile.BadZipFile) as error:
        raise unreadable(file.name, f"it is no whole workbook ({_first_line(error)})") from None
    unpacked, packed = sum(size for size, _ in sizes), sum(size for _, size in sizes)
    if unpacked > _LARGEST_WORKBOOK or unpacked > _LARGEST_RATIO * max(packed, 1 << 16):
        raise unreadable(file.name, f"its {packed:,} bytes would unpack to {unpacked:,}")


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]
