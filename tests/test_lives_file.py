"""A plain lives file: what it may hold, and how a bad one is refused."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from wearlab.evidence import DataError
from wearlab.history.lives import History
from wearlab.history.lives_file import read_lives_file


def write(folder: Path, text: str, name: str = "lives.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def read(folder: Path, text: str, scale: str | None = None) -> History:
    return read_lives_file(write(folder, text), scale=scale, level=0.9)


def refusal(folder: Path, text: str) -> DataError:
    with pytest.raises(DataError) as refused:
        read(folder, text)
    return refused.value


def test_ages_and_endings_are_read_with_their_usual_values(tmp_path: Path) -> None:
    made = read(tmp_path, "exit,failed\n100,1\n250.5,0\n")
    lives = made.lives
    assert lives[["entry", "exit", "failed", "count", "unit_id"]].to_numpy().tolist() == [
        [0.0, 100.0, True, 1.0, "row 1"],
        [0.0, 250.5, False, 1.0, "row 2"],
    ]
    assert lives["running"].tolist() == [False, True]
    assert (made.as_of, made.scale, made.basis.lives, made.basis.failures) == (None, "life units", 2, 1)
    assert made.groups[["lives", "failures", "exposure"]].to_numpy().tolist() == [[2, 1, 350.5]]


@pytest.mark.parametrize(
    ("word", "failed"), [("TRUE", True), ("Yes", True), ("1.0", True), ("no", False), ("0", False)]
)
def test_failed_may_be_said_in_any_of_these_words(tmp_path: Path, word: str, failed: bool) -> None:
    assert read(tmp_path, f"exit,failed\n100,{word}\n").lives["failed"].tolist() == [failed]


def test_a_failure_between_two_ages_ends_at_the_upper(tmp_path: Path) -> None:
    lives = read(tmp_path, "exit,failed,lower,upper\n,1,40,60\n60,1,40,60\n60,1,40,\n").lives
    assert lives[["exit", "lower", "upper"]].to_numpy().tolist() == [[60, 40, 60]] * 3


def test_a_failure_with_an_upper_age_alone_happened_at_any_age_up_to_it(tmp_path: Path) -> None:
    lives = read(tmp_path, "exit,failed,lower,upper\n,1,,60\n").lives
    assert lives[["exit", "lower", "upper"]].to_numpy().tolist() == [[60, 0, 60]]


def test_a_suspension_may_give_its_age_as_lower(tmp_path: Path) -> None:
    lives = read(tmp_path, "exit,failed,lower,upper\n,0,45,\n").lives
    assert lives["exit"].tolist() == [45.0]
    assert np.isnan(lives["lower"]).all()


def test_equal_bounds_are_an_exact_failure(tmp_path: Path) -> None:
    lives = read(tmp_path, "failed,lower,upper\n1,60,60\n").lives
    assert lives["exit"].tolist() == [60.0]
    assert np.isnan(lives["upper"]).all()


def test_counts_stand_for_so_many_lives(tmp_path: Path) -> None:
    made = read(tmp_path, "exit,failed,count,entry\n100,1,3,0\n200,0,10,50\n")
    assert (made.basis.lives, made.basis.failures) == (13, 3)
    assert made.groups[["lives", "failures", "suspensions", "entered_late", "exposure"]].to_numpy().tolist() == [
        [13, 3, 10, 10, 1800]
    ]


def test_every_further_column_is_a_factor_and_a_number_in_it_stays_as_it_is_written(tmp_path: Path) -> None:
    made = read(tmp_path, "exit,failed,duty_cycle,lot,bolt_torque\n100,1,line_haul,A,030\n200,0,vocational,,28\n")
    assert made.factors == ("lot", "bolt_torque")
    assert made.lives[["lot", "bolt_torque"]].to_numpy().tolist() == [["A", "030"], [None, "28"]]
    assert made.lives["duty_cycle"].tolist() == ["line_haul", "vocational"]
    assert made.groups["duty_cycle"].tolist() == ["line_haul", "vocational"]


def test_a_parquet_file_gives_the_same_lives(tmp_path: Path) -> None:
    text = "exit,failed,entry,lot\n100.25,1,0,7\n200,0,50,8\n"
    frame = pd.DataFrame({"exit": [100.25, 200.0], "failed": [True, False], "entry": [0, 50], "lot": [7, 8]})
    frame.to_parquet(tmp_path / "lives.parquet")
    made = read_lives_file(tmp_path / "lives.parquet", scale="miles", level=0.9)
    pd.testing.assert_frame_equal(made.lives, read(tmp_path, text, "miles").lives)
    assert made.lives["exit_miles"].tolist() == [100.25, 200.0]
    assert made.lives["exit_days"].isna().all()


def test_notes_before_the_header_and_empty_lines_are_passed_over(tmp_path: Path) -> None:
    assert len(read(tmp_path, "# a source, with a comma\nexit,failed\n\n100,1\n").lives) == 1


def test_the_other_tables_are_empty_with_their_columns(tmp_path: Path) -> None:
    made = read(tmp_path, "exit,failed\n100,1\n")
    for table in (made.episodes, made.gaps, made.stops, made.units, made.plan, made.measurements, made.meters):
        assert table.empty
        assert len(table.columns) > 3


@pytest.mark.parametrize(
    ("text", "line", "column", "says"),
    [
        ("exit,failed\n100,1\n,0\n", 3, "exit", "no age at the end"),
        ("exit,failed\n100,maybe\n", 2, "failed", "'maybe' found"),
        ("exit,failed\n100,\n", 2, "failed", "nothing found"),
        ("exit,failed\nnan,1\n", 2, "exit", "'nan' found"),
        ("exit,failed\ninf,0\n", 2, "exit", "'inf' found"),
        ('exit,failed\n"1,000",0\n', 2, "exit", "'1,000' found"),
        ("exit,failed\n1_000,0\n", 2, "exit", "'1_000' found"),
        ("exit,failed\n1e999,0\n", 2, "exit", "too large"),
        ("exit,failed\n-5,0\n", 2, "exit", "negative"),
        ("exit,failed,entry\n5,0,5\n", 2, "entry", "not below"),
        ("exit,failed\n0,1\n", 2, "entry", "not below"),
        ("exit,failed,lower,upper\n,1,60,40\n", 2, "lower", "above upper"),
        ("exit,failed,lower,upper\n70,1,40,60\n", 2, "exit", "outside"),
        ("exit,failed,lower,upper\n50,0,40,60\n", 2, "upper", "did not fail"),
        ("exit,failed,count\n5,0,0\n", 2, "count", "positive"),
        ("exit,failed\n5,0,9\n", 2, None, "3 fields found, 2 wanted"),
        ("exit,failed\n5\n", 2, None, "1 fields found, 2 wanted"),
        ('# note\nexit,failed,note\n"5",0,"two\nlines"\n5,x,\n', 5, "failed", "'x' found"),
        ("failed\n1\n", 1, "exit", "no column"),
        ("exit\n1\n", 1, "failed", "no column"),
        ("exit,exit,failed\n1,1,1\n", 1, "exit", "twice"),
        ("exit,failed,\n1,1,1\n", 1, None, "no name"),
        ("exit,failed,running\n1,1,1\n", 1, "running", "itself"),
        ("exit,failed\n", None, None, "no lives"),
        ("", None, None, "no header"),
        ('exit,failed\n5,1\n"6,1\n', 3, None, "not CSV"),
    ],
)
def test_the_first_bad_value_refuses_the_whole_file_by_line_and_column(
    tmp_path: Path, text: str, line: int | None, column: str | None, says: str
) -> None:
    error = refusal(tmp_path, text)
    assert (error.file, error.line, error.column) == ("lives.csv", line, column)
    assert says in error.text
    assert error.fix


def test_what_is_not_text_or_not_there_is_refused(tmp_path: Path) -> None:
    (tmp_path / "latin.csv").write_bytes("exit,failed,shop\n5,1,Köln\n".encode("latin-1"))
    (tmp_path / "not.parquet").write_bytes(b"exit,failed\n5,1\n")
    for name, code in (("latin.csv", "not-utf8"), ("not.parquet", "not-parquet"), ("absent.csv", "file-unreadable")):
        with pytest.raises(DataError) as refused:
            read_lives_file(tmp_path / name, scale=None, level=0.9)
        assert refused.value.code == code


def test_the_same_file_gives_the_same_bytes_of_evidence(tmp_path: Path) -> None:
    first, second = (read(tmp_path, "exit,failed\n100,1\n") for _ in range(2))
    assert first.basis == second.basis
    assert len(first.basis.files[0].sha256) == 64
