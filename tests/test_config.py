"""fleet.toml: every key known, every number possible, every distance in miles."""

from datetime import date
from pathlib import Path

import pytest

from wearlab.evidence import DataError
from wearlab.history.config_reader import read_config

FIRST = "records_from = 2019-01-01\n"


def read(folder: Path, text: str):
    (folder / "fleet.toml").write_text(text, encoding="utf-8")
    return read_config(folder)


def refuse(folder: Path, text: str) -> DataError:
    with pytest.raises(DataError) as caught:
        read(folder, text)
    assert caught.value.file == "fleet.toml"
    assert caught.value.fix
    return caught.value


def test_what_is_not_given_has_the_defaults_of_the_contract(tmp_path: Path) -> None:
    config = read(tmp_path, FIRST)
    assert config.records_from == date(2019, 1, 1)
    assert (config.distance, config.as_of, config.duty_cycles, config.scale) == ("mi", None, None, "miles")
    assert (config.same_event_days, config.same_event_miles, config.max_set_aside_share) == (7, 500.0, 0.05)
    assert (config.interval_grid, config.currency, config.allow_beyond_published) == (500.0, "USD", False)


def test_every_part_of_the_contract_is_read(tmp_path: Path) -> None:
    config = read(
        tmp_path,
        """
distance = "mi"
records_from = 2019-01-01
as_of = 2026-06-30
duty_cycles = ["line_haul", "regional", "vocational"]
same_event_days = 0
same_event_miles = 0
[tables.services]
files = ["wo_export_*.csv"]
columns = { service_id = "WO No", clamp_tool = "Tool" }
dates = ["%m/%d/%Y"]
codes.action = { "PM-LUBE" = "regrease", "R&R" = "replace" }
options = { decimal = ",", thousands = "." }
[costs]
regrease_stop = 45
harm_per_stop = 2
ownership_miles = { line_haul = 600000, vocational = 250000 }
joint = { planned = 380, failure = 2400 }
boot = { planned = 160, failure = 300 }
[costs.by_duty_cycle.vocational]
regrease_stop = 60
joint = { failure = 1800 }
[published_interval]
vocational = { miles = 8000, hours = 400, months = 3, source = "table, 2024" }
[limits]
b10_miles = { vocational = 60000 }
failures_per_truck_year = 0.5
joint_play = { value = 0.006, unit = "in", source = "manual" }
[shop]
interval_grid = 250
allow_beyond_published = true
""",
    )
    services = config.tables["services"]
    assert services.files == ("wo_export_*.csv",)
    assert services.columns == {"service_id": "WO No", "clamp_tool": "Tool"}
    assert services.codes == {"action": {"PM-LUBE": "regrease", "R&R": "replace"}}
    assert (config.same_event_days, config.same_event_miles) == (0, 0.0)
    vocational = config.costs.part("joint", "vocational")
    assert vocational is not None
    assert (vocational.planned, vocational.failure) == (380, 1800)
    boot = config.costs.part("boot", "vocational")
    assert boot is not None
    assert boot.failure == 300
    assert (config.costs.stop("vocational"), config.costs.stop("line_haul")) == (60, 45)
    assert config.published_interval["vocational"].hours == 400
    assert config.limits.wear["joint_play"].value == 0.006
    assert config.allow_beyond_published


def test_kilometres_become_miles_wherever_a_distance_is_given(tmp_path: Path) -> None:
    # 1 mile = 1.609344 km exactly (NIST Special Publication 811, appendix B.8)
    config = read(
        tmp_path,
        FIRST
        + """distance = "km"
same_event_miles = 1609.344
[costs]
ownership_miles = { a = 160934.4 }
[published_interval]
a = { miles = 16093.44 }
[limits]
b10_miles = { a = 1609344 }
[shop]
interval_grid = 1609.344
""",
    )
    assert config.same_event_miles == pytest.approx(1000, rel=1e-12)
    assert config.costs.ownership_miles["a"] == pytest.approx(100_000, rel=1e-12)
    assert config.published_interval["a"].miles == pytest.approx(10_000, rel=1e-12)
    assert config.limits.b10_miles["a"] == pytest.approx(1_000_000, rel=1e-12)
    assert config.interval_grid == pytest.approx(1000, rel=1e-12)


def test_defaults_are_miles_also_where_distances_are_kilometres(tmp_path: Path) -> None:
    config = read(tmp_path, FIRST + 'distance = "km"\n')
    assert (config.same_event_miles, config.interval_grid) == (500.0, 500.0)


def test_a_missing_records_from_is_refused(tmp_path: Path) -> None:
    error = refuse(tmp_path, "as_of = 2024-01-01\n")
    assert error.code == "no-records-from"
    assert "records_from = 2019-01-01" in error.fix


def test_a_folder_without_fleet_toml_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError) as caught:
        read_config(tmp_path)
    assert caught.value.code == "no-config"


def test_an_as_of_before_the_records_begin_is_refused_with_its_line(tmp_path: Path) -> None:
    error = refuse(tmp_path, FIRST + "as_of = 2018-12-31\n")
    assert (error.code, error.line) == ("as-of-too-early", 2)


def test_an_unknown_setting_is_refused_with_the_nearest_name(tmp_path: Path) -> None:
    error = refuse(tmp_path, FIRST + "same_event_day = 7\n")
    assert (error.code, error.line) == ("unknown-setting", 2)
    assert "same_event_days" in error.fix


def test_bad_toml_is_refused_with_line_and_column(tmp_path: Path) -> None:
    error = refuse(tmp_path, FIRST + "\nas_of = = 3\n")
    assert (error.code, error.line, error.column) == ("bad-toml", 3, "9")


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(DataError, match="UTF-8"):
        read_config(tmp_path)


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("max_set_aside_share = 1.5", "max_set_aside_share"),
        ("max_set_aside_share = -0.1", "max_set_aside_share"),
        ('same_event_miles = "x"', "same_event_miles"),
        ("same_event_days = 1.5", "same_event_days"),
        ("same_event_days = true", "same_event_days"),
        ('distance = "furlong"', "distance"),
        ('scale = "years"', "scale"),
        ("records_from = 5\n", "records_from"),
        ('as_of = "tomorrow"', "as_of"),
        ("duty_cycles = [1]", "duty_cycles"),
        ("allow_beyond_published = 1", "allow_beyond_published"),
        ("[costs]\nregrease_stop = -1", "costs.regrease_stop"),
        ("[costs]\njoint = { planned = 'a', failure = 1 }", "costs.joint.planned"),
        ("[costs]\njoint = { planned = 5 }", "costs.joint.failure"),
        ("[costs]\njoint = { planned = nan, failure = 1 }", "costs.joint.planned"),
        ("[costs]\nownership_miles = { a = 0 }", "costs.ownership_miles.a"),
        ("[costs]\nregreese_stop = 4", "costs.regreese_stop"),
        ("[costs.by_duty_cycle.a]\nboot = { failure = 1 }", "costs.by_duty_cycle.a.boot.planned"),
        ("[published_interval]\na = { miles = -5 }", "published_interval.a.miles"),
        ("[published_interval]\na = { source = 'x' }", "published_interval.a"),
        ("[limits]\nfailures_per_truck_year = 0", "limits.failures_per_truck_year"),
        ("[limits]\nb10_miles = { a = inf }", "limits.b10_miles.a"),
        ("[limits]\njoint_play = { value = 1 }", "limits.joint_play.unit"),
        ("[shop]\ninterval_grid = 0", "shop.interval_grid"),
        ("[tables.servces]", "tables.servces"),
        ("[tables.services]\nfile = 'x.csv'", "tables.services.file"),
        ("[tables.services]\ncolumns = { servce_id = 'x' }", "tables.services.columns.servce_id"),
        ("[tables.services]\ncodes.action = { A = 'greese' }", "tables.services.codes.action.A"),
        ("[tables.services]\ndates = ['dd/mm']", "tables.services.dates"),
        ("[tables.services]\noptions = { delimiter = 'ab' }", "tables.services.options.delimiter"),
        ("costs = 4", "costs"),
    ],
)
def test_a_setting_that_cannot_be_right_is_refused_by_its_full_name(tmp_path: Path, text: str, key: str) -> None:
    first = "" if text.startswith("records_from") else FIRST
    error = refuse(tmp_path, first + text + "\n")
    assert error.text.startswith(key + ":")
    assert error.line is not None
