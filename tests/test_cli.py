"""The command line as a user types it: documents, exit statuses, one line per problem."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.command import answer_of, run_here, run_wearlab

TABLES = {
    "load": {
        "tables": "table rows_read rows_loaded rows_set_aside rows_already_loaded",
        "set_aside": "table file line column reason value",
    },
    "lives": {
        "groups": "component duty_cycle lives failures suspensions entered_late age_unknown position_unknown exposure"
    },
    "fit": {
        "fits": "component duty_cycle lives failures beta beta_low beta_high eta eta_low eta_high b10 b10_low b10_high "
        "log_likelihood beta_pooled eta_pooled b10_pooled frailty_variance method cautions"
    },
    "compare": {
        "classes": "component level lives failures b10 b10_low b10_high rate_per_million rate_per_million_low "
        "rate_per_million_high cost_per_1000 cost_per_1000_low cost_per_1000_high",
        "contrasts": "component level reference b10_ratio b10_ratio_low b10_ratio_high p_value",
    },
    "intervals": {
        "regrease": "duty_cycle recommended cost_optimal low high current saving_per_truck_year saving_low saving_high "
        "probability_better evidence limited_by cautions",
        "effects": "duty_cycle component theta theta_low theta_high failures trucks reliability_ratio",
        "replacement": "component duty_cycle replace_at policy",
    },
    "early": {
        "units": "unit_id component observed expected ratio shrunken_ratio ratio_low ratio_high p_value q_value "
        "flagged",
        "lives": "unit_id position age u q_value flagged",
    },
    "cluster": {
        "levels": "factor level lives observed expected ratio ratio_low ratio_high p_value p_adjusted",
        "at_risk": "unit_id position",
    },
    "forecast": {"totals": "group expected low high", "parts": "", "units": "unit_id position probability"},
    "wear": {"parts": "unit_id position quantity latest rate miles_to_limit low high"},
    "due": {"work": "unit_id position task due_miles due_date status why"},
}
LIVES_FILE = "exit,failed,machine\n" + "".join(f"{100 + 37 * i % 900},{int(i % 3 > 0)},m{i % 4}\n" for i in range(60))


def write_lives(folder: Path, text: str = LIVES_FILE) -> Path:
    """Write a plain lives file."""
    path = folder / "lives.csv"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("command", TABLES)
def test_every_document_has_the_promised_keys_and_columns(command: str, small_fleet: Path) -> None:
    extra = ("--component", "boot", "--factor", "lot") if command == "cluster" else ()
    document = answer_of(command, small_fleet, *extra)
    assert document["command"] == command
    assert {"version", "source", "as_of", "scale", "level", "currency", "cautions"} <= set(document)
    assert all(isinstance(text, str) for text in document["cautions"])
    if command == "cluster":
        assert {"found", "factor", "level", "p_adjusted", "text"} <= set(document["verdict"])
    for table, columns in TABLES[command].items():
        rows = document[table]
        assert isinstance(rows, list)
        for row in rows:
            assert set(columns.split()) <= set(row), (table, set(columns.split()) - set(row))


def test_intervals_hold_their_estimates_in_every_document(small_fleet: Path) -> None:
    for command, estimate, table in (
        ("fit", "beta", "fits"),
        ("fit", "eta", "fits"),
        ("fit", "b10", "fits"),
        ("compare", "b10", "classes"),
        ("compare", "rate_per_million", "classes"),
        ("compare", "b10_ratio", "contrasts"),
        ("intervals", "theta", "effects"),
    ):
        for row in answer_of(command, small_fleet)[table]:
            if row[estimate] is not None and row[f"{estimate}_low"] is not None:
                assert row[f"{estimate}_low"] <= row[estimate] <= row[f"{estimate}_high"], (command, estimate, row)


@pytest.mark.parametrize("command", ["compare", "intervals"])
def test_the_same_seed_gives_the_same_answer(command: str, small_fleet: Path) -> None:
    assert run_wearlab(command, small_fleet, "--json").document() == answer_of(command, small_fleet)


def test_a_lives_file_is_a_source_in_any_scale(tmp_path: Path) -> None:
    path = write_lives(tmp_path)
    for command in ("fit", "early"):
        document = run_here(command, path, "--scale", "hours", "--json").document()
        assert document["scale"] == "hours"
    compared = run_here("compare", path, "--factor", "machine", "--json")
    assert compared.status == 0, compared.err
    ahead = run_here("forecast", path, "--ahead", "300", "--json").document()
    assert ahead["totals"][0]["group"] == "all"
    assert ahead["totals"][0]["low"] <= ahead["totals"][0]["expected"] <= ahead["totals"][0]["high"]
    assert not list(tmp_path.glob("*.duckdb"))


def test_a_question_that_the_data_cannot_answer_leaves_with_status_1_and_says_what_is_missing(tmp_path: Path) -> None:
    path = write_lives(tmp_path, "exit,failed\n100,0\n200,0\n300,0\n")
    ran = run_wearlab("compare", path, "--json")
    assert ran.status == 1
    error = ran.document()["error"]
    assert set(error) == {"code", "text", "file", "line", "column", "fix"}
    assert error["text"] in ran.err
    assert "Traceback" not in ran.err


def bad_folder(tmp_path: Path, small_fleet: Path) -> Path:
    """A copy of the small fleet, without its store, to spoil."""
    folder = tmp_path / "bad"
    shutil.copytree(small_fleet, folder, ignore=shutil.ignore_patterns("*.duckdb*"))
    return folder


def spoil(folder: Path, file: str, old: str, new: str) -> None:
    """Replace the first occurrence of a text in a file of the folder."""
    path = folder / file
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_a_missing_required_column_is_named_with_the_nearest_one_and_its_mapping(
    tmp_path: Path, small_fleet: Path
) -> None:
    folder = bad_folder(tmp_path, small_fleet)
    spoil(folder, "units.csv", "duty_cycle", "duty cycle")
    ran = run_wearlab("lives", folder, "--json")
    assert ran.status == 2
    error = ran.document()["error"]
    assert error["file"] == "units.csv"
    assert error["column"] == "duty_cycle"
    assert "duty cycle" in error["text"] + error["fix"]
    assert "columns" in error["fix"]


def test_records_from_must_be_there(tmp_path: Path, small_fleet: Path) -> None:
    folder = bad_folder(tmp_path, small_fleet)
    spoil(folder, "fleet.toml", "records_from", "# records_from")
    ran = run_wearlab("lives", folder)
    assert ran.status == 2
    assert "records_from" in ran.err
    assert len(ran.err.strip().splitlines()) == 1


def test_a_day_before_the_records_begin_is_refused(small_fleet: Path) -> None:
    ran = run_wearlab("lives", small_fleet, "--as-of", "1990-01-01")
    assert ran.status == 2
    assert "1990-01-01" in ran.err


@pytest.mark.parametrize(
    "arguments",
    [
        ("fit",),
        ("fit", "nowhere"),
        ("nonsense",),
        ("fit", "x.csv", "--level", "7"),
        ("fit", "x.csv", "--as-of", "yesterday"),
        ("explain", "no such word"),
    ],
)
def test_wrong_usage_leaves_with_status_2_and_one_line(arguments: tuple[str, ...], tmp_path: Path) -> None:
    ran = run_wearlab(*arguments, folder=tmp_path)
    assert ran.status == 2
    assert ran.err.startswith("wearlab: ")
    assert len(ran.err.strip().splitlines()) == 1
    assert not ran.out


def test_wrong_usage_with_json_is_a_document_too(tmp_path: Path) -> None:
    ran = run_wearlab("fit", "nowhere", "--json", folder=tmp_path)
    assert ran.status == 2
    assert ran.document()["error"]["fix"]


def test_text_from_data_cannot_steer_a_terminal_or_a_spreadsheet(tmp_path: Path) -> None:
    rows = "".join(f"{100 + 31 * i % 700},1,=cmd()\x1b[31m\n" for i in range(30))
    path = write_lives(tmp_path, "exit,failed,maker\n" + rows)
    ran = run_wearlab("fit", path, "--by", "maker", "--out", tmp_path / "out")
    assert ran.status == 0, ran.err
    assert "\x1b[31m" not in ran.out + ran.err
    assert ",=cmd" not in (tmp_path / "out" / "fits.csv").read_text(encoding="utf-8")
    assert not (tmp_path / "out" / "fits.csv").read_text(encoding="utf-8").splitlines()[1].startswith("=")


def test_help_starts_without_the_heavy_libraries() -> None:
    code = (
        "import sys; from wearlab.cli import run; status = run(['--help']); "
        "heavy = {'duckdb', 'pandas', 'numpy', 'scipy', 'lifelines', 'matplotlib', 'sklearn'} & set(sys.modules); "
        "assert not heavy, heavy"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, check=False).returncode == 0


def test_loading_starts_without_the_fitting_libraries(small_fleet: Path) -> None:
    code = (
        "import sys; from wearlab.cli import run; "
        f"assert run(['lives', {str(small_fleet)!r}]) == 0; "
        "heavy = {'lifelines', 'matplotlib', 'sklearn'} & set(sys.modules); assert not heavy, heavy"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_nothing_but_the_document_stands_on_standard_output(small_fleet: Path) -> None:
    ran = run_wearlab("lives", small_fleet, "--json")
    assert json.loads(ran.out)
    assert ran.out.count('"command"') == 1
