"""Tables as a workbook: numbers stay numbers, days stay days, and no cell can act."""

import zipfile
from datetime import date
from pathlib import Path

import fastexcel
import numpy as np
import pandas as pd
import pytest

from wearlab.evidence import DataError
from wearlab.show.workbook import write_workbook

FRAME = pd.DataFrame(
    {
        "unit_id": ["T1", "=1+1", "@SUM(A1)", "\x1b[31mred"],
        "failures": [3, 0, 1, 2],
        "b10": [1234.5, np.nan, -2.0, 1e9],
        "flagged": [True, False, True, False],
        "due_date": pd.to_datetime(["2026-06-30", None, "2026-07-01", None]),
        "cautions": [["one", "two"], [], None, ["three"]],
    }
)


def write(tmp_path: Path, tables: dict[str, pd.DataFrame] | None = None) -> Path:
    path, _ = write_workbook(tables or {"units": FRAME}, tmp_path / "w.xlsx", notes=(("Safety", "=first"),))
    return path


def test_numbers_days_and_truth_values_keep_their_kind(tmp_path: Path) -> None:
    read = fastexcel.read_excel(write(tmp_path)).load_sheet("units").to_pandas()
    assert read["failures"].tolist() == [3.0, 0.0, 1.0, 2.0]
    assert read["b10"].tolist()[0] == 1234.5
    assert pd.isna(read["b10"][1])
    assert read["flagged"].tolist() == [True, False, True, False]
    assert read["due_date"][0].date() == date(2026, 6, 30)
    assert pd.isna(read["due_date"][1])


def test_no_cell_can_act(tmp_path: Path) -> None:
    path = write(tmp_path)
    read = fastexcel.read_excel(path).load_sheet("units").to_pandas()
    assert read["unit_id"].tolist() == ["T1", "'=1+1", "'@SUM(A1)", "\\u001b[31mred"]
    with zipfile.ZipFile(path) as parts:
        sheets = [parts.read(name).decode() for name in parts.namelist() if name.startswith("xl/worksheets/")]
    assert all("<f>" not in sheet and "hyperlink" not in sheet for sheet in sheets)


def test_headings_stay_in_view_and_the_first_sheet_is_about_the_rest(tmp_path: Path) -> None:
    path = write(tmp_path)
    assert fastexcel.read_excel(path).sheet_names == ["about", "units"]
    with zipfile.ZipFile(path) as parts:
        assert 'state="frozen"' in parts.read("xl/worksheets/sheet2.xml").decode()


def test_names_that_a_sheet_cannot_bear_are_cut_and_kept_apart(tmp_path: Path) -> None:
    long = "a" * 40
    frames = {long: FRAME, f"{long}b": FRAME, "with/slash": FRAME, "About": FRAME}
    names = fastexcel.read_excel(write(tmp_path, frames)).sheet_names
    assert len({name.lower() for name in names}) == 5
    assert all(len(name) <= 31 for name in names)


def test_an_empty_table_is_a_sheet_with_its_headings(tmp_path: Path) -> None:
    sheet = fastexcel.read_excel(write(tmp_path, {"none": FRAME.head(0)})).load_sheet("none")
    assert [column.name for column in sheet.available_columns()] == list(FRAME.columns)


def test_the_same_tables_give_the_same_bytes(tmp_path: Path) -> None:
    first = write(tmp_path).read_bytes()
    assert write(tmp_path).read_bytes() == first


def test_a_place_that_cannot_be_written_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with pytest.raises(DataError, match="another folder"):
        write_workbook({"units": FRAME}, tmp_path / "file" / "w.xlsx", notes=())
