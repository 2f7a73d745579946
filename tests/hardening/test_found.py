"""Cases that hostile input found: each once ended in an exception, a warning or a number that cannot be."""

import os
import pickle
import subprocess
import sys
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from matplotlib.figure import Figure

from tests.command import run_here
from tests.fleet_files import write_folder
from tests.hardening.numbers import find_faults
from wearlab.answers.wear_rates import Readings, fit_paths
from wearlab.evidence import DataError
from wearlab.history.config import FleetConfig
from wearlab.history.load_files import open_file
from wearlab.history.load_rows import DataFile
from wearlab.show.plots_failures import draw_fan
from wearlab.show.plots_practice import Marks, draw_cost
from wearlab.show.sentences import widest_lives


def answer(*words: str | Path) -> tuple[int, dict[str, Any], str]:
    """The status, the document and the words on standard error of one command; no warning, no bug, no number amiss."""
    ran = run_here(*words, "--json")
    assert "Warning" not in ran.err
    assert "should not have happened" not in ran.err
    document = ran.document()
    assert find_faults(document) == []
    return ran.status, document, ran.err


def lives(folder: Path, text: str) -> Path:
    path = folder / "lives.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_half_of_a_failure_has_its_place_on_paper_or_none(tmp_path: Path) -> None:
    rows = "".join(f"{100 + 40 * number},1,{count}\n" for number, count in enumerate((0.5, 0.1, 1, 2, 0.5, 1)))
    status, document, _ = answer("fit", lives(tmp_path, "exit,failed,count\n" + rows))
    assert status == 0
    assert all(0 < row["failed_share"] < 1 and row["y"] is not None for row in document["paper"])


@pytest.mark.parametrize("encoding", ["rot13", "hex", "no such"])
def test_an_encoding_that_is_none_of_text_is_refused(encoding: str, tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_text("unit_id,duty_cycle,in_service_date\nT1,line_haul,2020-01-01\n", encoding="utf-8")
    with pytest.raises(DataError, match="no such encoding"):
        open_file(DataFile(path.name, path, "units", {"encoding": encoding}), FleetConfig())


def test_a_refusal_that_quotes_a_long_value_stays_one_line_of_bounded_length(tmp_path: Path) -> None:
    status, document, said = answer("fit", lives(tmp_path, f"exit,failed,{'y' * 99_000}\n1,1,1\nx,1,1\n"))
    assert status == 2
    assert document["error"]["fix"]
    assert len(said) < 3_000


def test_a_file_whose_name_is_no_text_is_refused_by_a_name_that_can_be_read(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    (folder / "services.csv").rename(folder / os.fsdecode(b"services-\xfe.csv"))
    status, document, _ = answer("lives", folder, "--store", ":memory:")
    assert status == 2
    assert document["error"]["file"] == "services-\\udcfe.csv"


def test_a_folder_whose_name_is_no_text_is_answered(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / os.fsdecode(b"fl\xffeet"))
    status, document, _ = answer("lives", folder, "--store", ":memory:")
    assert (status, document["source"]) == (0, "fl\\udcffeet")
    assert answer("lives", folder)[0] == 2  # the database cannot name a store there


def test_a_terminal_of_few_letters_gets_codes_for_the_others(tmp_path: Path) -> None:
    path = lives(tmp_path, "exit,failed,lot\n" + "".join(f"{100 + 40 * n},1,日本\n" for n in range(9)))
    done = subprocess.run(
        [sys.executable, "-m", "wearlab", "fit", str(path), "--by", "lot"],
        capture_output=True,
        check=False,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )
    assert done.returncode == 0, done.stderr
    assert rb"\u65e5\u672c" in done.stdout


def test_a_parquet_file_whose_column_name_is_no_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "units.parquet"
    pq.write_table(pa.table({"unit_id": ["T1"], "abcdef": ["T1"]}), path, store_schema=False)
    path.write_bytes(path.read_bytes().replace(b"abcdef", b"\xe6bcdef"))
    with pytest.raises(DataError, match="no whole Parquet file"):
        open_file(DataFile(path.name, path, "units", {}), FleetConfig())
    status, document, _ = answer("fit", path)
    assert (status, document["error"]["code"]) == (2, "not-parquet")


def test_costs_of_nothing_are_drawn_without_a_warning() -> None:
    costs = pd.DataFrame({"interval": [1000.0, 2000.0], "cost": 0.0, "low": 0.0, "high": 0.0})
    ax = Figure().subplots()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        draw_cost(costs, ax=ax, marks=Marks(1000.0, 1000.0, 1000.0, 2000.0), currency="USD", scale="miles")
    assert ax.get_ylim()[1] > 0


def test_a_forecast_of_no_failure_is_drawn_without_a_warning() -> None:
    months = pd.DataFrame({"months": [1.0, 2.0], "expected": 0.0, "low": 0.0, "high": 0.0})
    ax = Figure().subplots()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        draw_fan(months, ax=ax)
    assert ax.get_ylim()[1] > 0


def test_a_curve_too_flat_for_a_number_of_its_b10_has_no_ratio(tmp_path: Path) -> None:
    rows = (
        "530.8,1,477.7,C,L1\n862.2,1,776,B,\n1e308,1,0,B,L1\n847,0,0,D,L2\n969.6,1,290.9,A,L3\n108.7,1,0,C,L3\n"
        "1027.3,0,0,C,L3\n486.8,1,0,C,\n"
    )
    status, document, _ = answer(
        "compare", lives(tmp_path, "exit,failed,entry,unit_id,lot\n" + rows), "--factor", "lot"
    )
    assert status == 0
    assert any(row["b10_ratio"] is None for row in document["contrasts"])


def write_joints(folder: Path) -> Path:
    """Three trucks whose joint fails each year and is never greased; the meter of one shows no engine hours."""
    trucks, years = ("T1", "T2", "T3"), (20, 21, 22)
    replaced = "".join(
        f"{unit}-{year},{unit},20{year}-01-01,{9000 * (year - 18)},replace,failure,main.joint.1\n"
        for unit in trucks
        for year in years
    )
    read = "".join(
        f"{unit},20{year}-06-01,{9000 * (year - 18)},{300 * (year - 18) if unit != 'T3' else ''}\n"
        for unit in trucks
        for year in (19, *years, 23)
    )
    return write_folder(
        folder,
        units="unit_id,duty_cycle,in_service_date\n" + "".join(f"{unit},line_haul,2019-01-01\n" for unit in trucks),
        positions="unit_id,position,component\n" + "".join(f"{unit},main.joint.1,joint\n" for unit in trucks),
        services="service_id,unit_id,date,miles,action,reason,position\n" + replaced,
        readings="unit_id,date,miles,engine_hours\n" + read,
    )


def test_failures_of_parts_without_an_age_on_the_scale_are_no_failures_of_a_place(tmp_path: Path) -> None:
    status, document, _ = answer("fit", write_joints(tmp_path / "f"), "--scale", "engine_hours")
    assert status == 0
    assert [(row["places"], row["failures"]) for row in document["trend"]] == [(2, 6)]


def test_stops_of_a_class_that_shows_no_grease_are_not_known(tmp_path: Path) -> None:
    status, document, _ = answer("forecast", write_joints(tmp_path / "f"), "--adopt", "line_haul=9000")
    assert status == 0
    assert [(row["stops_now"], row["stops_then"] is None) for row in document["stops"]] == [(None, False)]


@pytest.mark.parametrize("ahead", ["nan", "inf", "-inf", "0"])
def test_no_forecast_reaches_without_end_or_nowhere(ahead: str, tmp_path: Path) -> None:
    rows = "".join(f"{100 + 40 * number},{number % 2}\n" for number in range(12))
    status, document, _ = answer("forecast", lives(tmp_path, "exit,failed\n" + rows), "--ahead", ahead)
    assert status == 1
    assert document["error"]["code"] == "no-reach"


def test_a_curve_whose_drawn_ages_lie_beyond_all_doubt_has_no_band(tmp_path: Path) -> None:
    rows = "8.704910007417439,1,7.834419006675695\n31.54714556019555,1,28.392431004175993\n"
    status, document, _ = answer("fit", lives(tmp_path, "exit,failed,entry\n" + rows))
    assert status == 0
    assert all(row["low"] <= row["survival"] <= row["high"] for row in document["curves"])


def test_a_name_too_long_for_a_path_is_refused() -> None:
    status, document, said = answer("fit", "x" * 5_000)
    assert status == 2
    assert document["error"]["code"] == "path-too-long"
    assert len(said) < 300


def test_no_forecast_reaches_further_than_lives_can_say(tmp_path: Path) -> None:
    rows = "".join(f"{100 + 40 * number},{number % 2}\n" for number in range(12))
    status, document, _ = answer("forecast", lives(tmp_path, "exit,failed\n" + rows), "--ahead", "1e9")
    assert status == 1
    assert document["error"]["code"] == "too-far"


def write_unwatched(folder: Path) -> Path:
    """A truck that came into service on the last day: its parts have been watched for no time."""
    return write_folder(
        folder,
        "records_from = 2019-01-01\nas_of = 2020-01-01\n",
        units="unit_id,duty_cycle,in_service_date\nT1,line_haul,2020-01-01\n",
        positions="unit_id,position,component\nT1,main.boot,boot\n",
        services="service_id,unit_id,date,miles,action\nS1,T1,2020-01-01,0,inspect\n",
        readings="unit_id,date,miles\nT1,2020-01-01,0\n",
    )


@pytest.mark.parametrize(
    ("question", "status"), [(("compare",), 1), (("cluster", "--component", "boot"), 1), (("due",), 0)]
)
def test_parts_watched_for_no_time_leave_a_question_open(
    question: tuple[str, ...], status: int, tmp_path: Path
) -> None:
    command, *options = question
    found, document, said = answer(command, write_unwatched(tmp_path / "f"), *options)
    assert found == status, said
    assert status == 0 or document["error"]["fix"]


def test_a_report_of_parts_watched_for_no_time_says_what_is_not_answered(tmp_path: Path) -> None:
    ran = run_here("report", write_unwatched(tmp_path / "f"), "--out", tmp_path / "page")
    assert ran.status == 0
    assert "Not answered" in ran.out


def test_a_refusal_is_the_same_in_another_process() -> None:
    error = DataError("code", "text", "fix", "file", 3, "column", ("one", "two"))
    assert vars(pickle.loads(pickle.dumps(error))) == vars(error)  # noqa: S301


def test_wear_of_parts_that_tell_nearly_nothing_has_a_spread_that_is_a_number() -> None:
    age = [8094.1, 21142.9, 42285.3, 63428.2, 84571.0, 105713.3, 8216.0, 16433.0, 24649.3, 32865.3, 41082.2]
    value = [0.00071, 0.00093, 0.00133, 0.00072, 0.00205, 0.00306, 0.0002, 0.00085, 0.00058, 0.00274, 0.0029]
    part = [0, 1, 1, 1, 1, 1, 2, 2, 2, 2, 2]
    lines = fit_paths(Readings(np.array(age), np.array(value), np.array(part), np.arange(3)))
    assert lines is not None
    assert np.isfinite(lines.rate_spread).all()


def test_the_widest_difference_leaves_out_a_life_too_short_for_a_number() -> None:
    fits = pd.DataFrame({"component": "joint", "duty_cycle": ["a", "b", "c"], "b10": [0.0, 5.0, 9.0]})
    pair = widest_lives(fits)
    assert pair is not None
    assert [row["b10"] for row in pair] == [5.0, 9.0]
