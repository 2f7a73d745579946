"""Loading a fleet folder: every row is loaded, set aside with its reason, or already there."""

import os
import signal
import subprocess
import sys
import time
from itertools import permutations
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tests.fleet_files import (
    POSITIONS,
    READINGS,
    SERVICES,
    TOML,
    UNITS,
    account,
    aside,
    load,
    load_into,
    write_folder,
)
from wearlab.evidence import DataError
from wearlab.history.store import IN_MEMORY, Store, open_store

WIDE = (
    "service_id,unit_id,date,miles,position,component,action,reason,found_at,cups_purged,labor_hours,note,updated_at\n"
)


def refused(folder: Path) -> DataError:
    with pytest.raises(DataError) as caught:
        load(folder)
    assert "\n" not in str(caught.value)
    assert caught.value.fix
    return caught.value


def snapshot(store: Store) -> dict[str, list[tuple[object, ...]]]:
    tables = ("units", "positions", "services", "readings", "files", "set_aside")
    return {name: store.rows(f"select * from {name} order by all") for name in tables}


def test_every_row_of_a_clean_folder_is_loaded(tmp_path: Path) -> None:
    loaded = load(write_folder(tmp_path / "f"))
    assert account(loaded) == {
        "units": (2, 2, 0, 0),
        "positions": (3, 3, 0, 0),
        "services": (2, 2, 0, 0),
        "readings": (2, 2, 0, 0),
    }
    assert aside(loaded) == []
    assert loaded.cautions == ()
    assert set(loaded.tables()) == {"tables", "set_aside"}
    assert list(loaded.set_aside.columns) == ["table", "file", "line", "column", "reason", "value"]
    assert loaded.basis.source == "f"
    assert (loaded.basis.files[0].name, loaded.basis.files[0].rows_loaded) == ("units.csv", 2)


def test_decimals_defaults_booleans_and_attributes_are_kept_as_they_are(tmp_path: Path) -> None:
    folder = write_folder(
        tmp_path / "f",
        units=UNITS.replace("in_service_date\n", "in_service_date,in_service_miles,home_shop\n")
        .replace("2019-01-01\n", "2019-01-01,,\n")
        .replace("2020-01-01\n", '2020-01-01,4.5,"North, ""main"""\n'),
        positions="unit_id,position,component,age_known\nT1,a,joint,YES\nT1,b,joint,0\nT1,c,joint,\nT2,d,boot,False\n",
        services=SERVICES + "S3,T1,2022-01-01,10000.1,regrease\n",
    )
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        assert store.rows("select in_service_miles, attributes from units order by unit_id") == [
            (0.0, {}),
            (4.5, {"home_shop": 'North, "main"'}),
        ]
        assert [row[0] for row in store.rows("select age_known from positions order by position")] == [
            True,
            False,
            True,
            False,
        ]
        assert store.rows("select miles from services order by service_id") == [(1000.5,), (9000.0,), (10000.1,)]


@pytest.mark.parametrize(
    ("row", "column", "value"),
    [
        (",T1,2020-01-01,1,,,regrease,,,,,,", "service_id", None),
        ("S1,,2020-01-01,1,,,regrease,,,,,,", "unit_id", None),
        ("S1,T9,2020-01-01,1,,,regrease,,,,,,", "unit_id", "T9"),
        ("S1,T1,,1,,,regrease,,,,,,", "date", None),
        ("S1,T1,2020-02-30,1,,,regrease,,,,,,", "date", "2020-02-30"),
        ("S1,T1,2020-1-5,1,,,regrease,,,,,,", "date", "2020-1-5"),
        ("S1,T1,01/05/2020,1,,,regrease,,,,,,", "date", "01/05/2020"),
        ("S1,T1,infinity,1,,,regrease,,,,,,", "date", "infinity"),
        ("S1,T1,2024-07-01,1,,,regrease,,,,,,", "date", "2024-07-01"),
        ("S1,T1,2018-12-31,1,,,regrease,,,,,,", "date", "2018-12-31"),
        ("S1,T1,2020-01-01,-1,,,regrease,,,,,,", "miles", "-1"),
        ("S1,T1,2020-01-01,12o5,,,regrease,,,,,,", "miles", "12o5"),
        ('S1,T1,2020-01-01,"1,000",,,regrease,,,,,,', "miles", "1,000"),
        ("S1,T1,2020-01-01,nan,,,regrease,,,,,,", "miles", "nan"),
        ("S1,T1,2020-01-01,inf,,,regrease,,,,,,", "miles", "inf"),
        ("S1,T1,2020-01-01,1e999,,,regrease,,,,,,", "miles", "1e999"),
        ("S1,T1,2020-01-01,1_000,,,regrease,,,,,,", "miles", "1_000"),
        ("S1,T1,2020-01-01,0x10,,,regrease,,,,,,", "miles", "0x10"),
        ("S1,T1,2020-01-01,1,main.joint.9,,replace,failure,,,,,", "position", "main.joint.9"),
        ("S1,T1,2020-01-01,1,main.boot,,regrease,,,,,,", "position", "main.boot"),
        ("S1,T1,2020-01-01,1,,,replace,failure,,,,,", "position", None),
        ("S1,T1,2020-01-01,1,,boot,replace,failure,,,,,", "component", "boot"),
        ("S1,T1,2020-01-01,1,,,,,,,,,", "action", None),
        ("S1,T1,2020-01-01,1,,,Replace,,,,,,", "action", "Replace"),
        ("S1,T1,2020-01-01,1,,joint,replace,broken,,,,,", "reason", "broken"),
        ("S1,T1,2020-01-01,1,,joint,replace,failure,road,,,,", "found_at", "road"),
        ("S1,T1,2020-01-01,1,,,regrease,,,5,,,", "cups_purged", "5"),
        ("S1,T1,2020-01-01,1,,,regrease,,,-1,,,", "cups_purged", "-1"),
        ("S1,T1,2020-01-01,1,,,regrease,,,3.5,,,", "cups_purged", "3.5"),
        ("S1,T1,2020-01-01,1,,,regrease,,,,-2,,", "labor_hours", "-2"),
        ("S1,T1,2020-01-01,1,,,regrease,,,,,,2020-13-01", "updated_at", "2020-13-01"),
        ("S1,T1,2020-01-01,1,,,regrease,,,,,,2031-01-01", "updated_at", "2031-01-01"),
    ],
)
def test_a_bad_value_in_any_column_sets_its_row_aside(tmp_path: Path, row: str, column: str, value: str) -> None:
    good = "S8,T1,2020-01-01,1,,,regrease,,,4.0,,,2026-11-24 10:00:00\n"
    loaded = load(write_folder(tmp_path / "f", services=WIDE + good + row + "\n" + good.replace("S8", "S9")))
    assert aside(loaded) == [("services.csv", 3, column, value)]
    assert account(loaded)["services"] == (3, 2, 1, 0)
    assert loaded.set_aside["reason"][0]
    assert [caution.code for caution in loaded.cautions] == ["rows-set-aside"]


@pytest.mark.parametrize(
    ("name", "text", "column"),
    [
        ("units", "unit_id,duty_cycle,in_service_date,out_of_service_date\nT9,a,2020-01-01,2019-01-01\n",
         "out_of_service_date"),
        ("units", "unit_id,duty_cycle,in_service_date,axle_ratio\nT9,a,2020-01-01,0\n", "axle_ratio"),
        ("units", "unit_id,duty_cycle,in_service_date\nT9,a,1492-01-01\n", "in_service_date"),
        ("positions", "unit_id,position,component,hardware\nT1,x,joint,odd\n", "hardware"),
        ("positions", "unit_id,position,component,age_known\nT1,x,joint,perhaps\n", "age_known"),
        ("positions", "unit_id,position,component\nT7,x,joint\n", "unit_id"),
        ("positions", "unit_id,position,component,installed_miles\nT1,x,joint,-4\n", "installed_miles"),
        ("readings", "unit_id,date,miles\nT1,2020-01-01,\n", "miles"),
        ("readings", "unit_id,date,miles\nT2,2019-12-31,5\n", "date"),
        ("readings", "unit_id,date,miles,meter_replaced\nT1,2020-01-01,5,y\n", "meter_replaced"),
        ("duty_changes", "unit_id,date,duty_cycle\nT8,2020-01-01,a\n", "unit_id"),
        ("lube_plan", "duty_cycle,unit_id,from_date,interval_miles\n,,2020-01-01,5000\n", "duty_cycle"),
        ("lube_plan", "duty_cycle,unit_id,from_date,interval_miles\n,T9,2020-01-01,5000\n", "unit_id"),
        ("lube_plan", "duty_cycle,from_date,interval_miles\nline_haul,2020-01-01,0\n", "interval_miles"),
        ("measurements", "unit_id,position,date,quantity,value,unit\nT1,no,2020-01-01,joint_play,1,in\n", "position"),
        ("measurements", "unit_id,position,date,quantity,value,unit\nT1,main.joint.1,2020-01-01,play,,in\n", "value"),
    ],
)  # fmt: skip
def test_each_table_has_its_own_rules(tmp_path: Path, name: str, text: str, column: str) -> None:
    loaded = load(write_folder(tmp_path / "f", **{f"{name}-2": text}))
    assert [(file, line, found) for file, line, found, _ in aside(loaded)] == [(f"{name}-2.csv", 2, column)]


def test_a_duty_cycle_outside_the_list_sets_its_row_aside_and_what_hangs_on_it(tmp_path: Path) -> None:
    loaded = load(write_folder(tmp_path / "f", TOML + 'duty_cycles = ["line_haul"]\n'))
    assert aside(loaded) == [
        ("units.csv", 3, "duty_cycle", "vocational"),
        ("positions.csv", 4, "unit_id", "T2"),
        ("readings.csv", 3, "unit_id", "T2"),
    ]


def test_without_as_of_the_day_of_the_run_bounds_the_dates(tmp_path: Path) -> None:
    toml = TOML.replace("as_of = 2024-06-30\n", "")
    rows = "S8,T1,2026-11-24,1,regrease\nS9,T1,2026-11-25,1,regrease\n"
    assert aside(load(write_folder(tmp_path / "f", toml, services=SERVICES + rows))) == [
        ("services.csv", 5, "date", "2026-11-25")
    ]


def test_the_line_is_the_physical_line_whatever_stands_before_it(tmp_path: Path) -> None:
    services = (
        "service_id,unit_id,date,action,note\n\n"
        'S1,T1,2020-01-01,regrease,"two\nlines"\n'
        "\n\n"
        'S2,T1,2020-01-01,regrease,"three\n\nlines"\n'
        "S3,T1,2020-01-01,wash,\n"
    )
    loaded = load(write_folder(tmp_path / "f", services=services))
    assert aside(loaded) == [("services.csv", 10, "action", "wash")]
    assert account(loaded)["services"] == (3, 2, 1, 0)


def test_an_open_quote_costs_its_own_line_and_no_other(tmp_path: Path) -> None:
    rows = [
        f"S{number},T1,2020-01-01,regrease,{'open' if number != 3 else chr(34) + 'open'},x" for number in range(500)
    ]
    header = "service_id,unit_id,date,action,note,extra\n"
    loaded = load(write_folder(tmp_path / "f", services=header + "\n".join(rows) + "\n"))
    assert account(loaded)["services"] == (500, 499, 1, 0)
    assert aside(loaded) == [("services.csv", 5, None, rows[3])]


def test_two_open_quotes_that_pair_up_by_chance_swallow_nothing(tmp_path: Path) -> None:
    rows = [f"S{number},T1,2020-01-01,regrease,n{number},x" for number in range(50)]
    rows[3] = 'S3,T1,2020-01-01,regrease,"n3,x'
    rows[40] = 'S40,T1,2020-01-01,regrease,n40",x'
    loaded = load(
        write_folder(tmp_path / "f", services="service_id,unit_id,date,action,note,extra\n" + "\n".join(rows))
    )
    assert account(loaded)["services"] == (50, 49, 1, 0)
    assert aside(loaded)[0][:2] == ("services.csv", 5)


def test_a_line_with_too_few_or_too_many_values_is_set_aside_as_it_stands(tmp_path: Path) -> None:
    loaded = load(write_folder(tmp_path / "f", services=SERVICES + "S3,T1\nS4,T1,2020-01-01,1,regrease,more\n,,,,\n"))
    assert aside(loaded) == [
        ("services.csv", 4, None, "S3,T1"),
        ("services.csv", 5, None, "S4,T1,2020-01-01,1,regrease,more"),
        ("services.csv", 6, "service_id", None),
    ]


def test_delimiters_at_the_end_of_a_line_say_nothing(tmp_path: Path) -> None:
    rows = "S3,T1,2020-01-01,1,regrease,\nS4,T1,2020-01-01,1,inspect,,,\nS5,T1,2020-01-01,1,,,,\n"
    rows += "S6,T1,2020-01-01,1,inspect,,more\n"
    loaded = load(write_folder(tmp_path / "f", services=SERVICES + rows))
    assert account(loaded)["services"] == (6, 4, 2, 0)
    assert aside(loaded) == [
        ("services.csv", 6, "action", None),
        ("services.csv", 7, None, "S6,T1,2020-01-01,1,inspect,,more"),
    ]


def test_an_exact_repeat_is_already_loaded_within_a_file_and_across_files(tmp_path: Path) -> None:
    again = SERVICES + "S1,T1,2020-01-01,1000.50,regrease\n"
    loaded = load(
        write_folder(tmp_path / "f", services=again, **{"services-2": SERVICES + "S3,T1,2022-01-01,1,inspect\n"})
    )
    assert account(loaded)["services"] == (6, 3, 0, 3)


def test_of_two_rows_with_one_id_and_other_content_both_are_kept(tmp_path: Path) -> None:
    with open_store(IN_MEMORY) as store:
        loaded = load_into(write_folder(tmp_path / "f", services=SERVICES + "S1,T1,2020-01-01,1001,regrease\n"), store)
        assert account(loaded)["services"] == (3, 3, 0, 0)
        assert store.rows("select miles from services where service_id = 'S1' order by row_id") == [
            (1000.5,),
            (1001.0,),
        ]


def test_the_same_row_is_a_repeat_whatever_the_order_of_columns_and_blank_attributes(tmp_path: Path) -> None:
    other = "miles,action,tool,shelf,date,unit_id,service_id\n1000.5,regrease,,,2020-01-01,T1,S1\n"
    loaded = load(write_folder(tmp_path / "f", **{"services-2": other}))
    assert account(loaded)["services"] == (3, 2, 0, 1)


def test_loading_twice_changes_nothing(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", services=SERVICES + "S3,T1,2020-01-01,x,regrease\n")
    with open_store(IN_MEMORY) as store:
        first = load_into(folder, store)
        before = snapshot(store)
        second = load_into(folder, store)
        assert snapshot(store) == before
    assert account(second)["services"] == (3, 0, 1, 2)
    assert account(second)["units"] == (2, 0, 0, 2)
    assert aside(second) == aside(first)
    assert second.cautions == first.cautions
    assert second.basis == first.basis


def test_next_months_export_adds_just_what_is_new(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        write_folder(
            folder,
            services=SERVICES + "S3,T1,2022-01-01,1,inspect\n",
            **{"readings-2": "unit_id,date,miles\nT1,2023-01-01,9\n"},
        )
        loaded = load_into(folder, store)
    assert account(loaded)["services"] == (3, 1, 0, 2)
    assert account(loaded)["readings"] == (3, 1, 0, 2)


def test_rows_set_aside_are_tried_again_when_what_they_lacked_arrives(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", services=SERVICES + "S3,T3,2022-01-01,1,regrease\n")
    with open_store(IN_MEMORY) as store:
        assert len(aside(load_into(folder, store))) == 1
        (folder / "units-2.csv").write_text("unit_id,duty_cycle,in_service_date\nT3,line_haul,2019-01-01\n")
        loaded = load_into(folder, store)
        assert aside(loaded) == []
        assert account(loaded)["services"] == (3, 1, 0, 2)
        assert loaded.basis.files[-2].rows_loaded == 3
        assert store.count("set_aside") == 0


def test_rows_that_went_out_of_a_changed_file_are_kept_with_a_caution(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        write_folder(folder, readings=READINGS.replace("1000.5", "1000.7"))
        loaded = load_into(folder, store)
        assert store.count("readings") == 3
        assert [caution.code for caution in loaded.cautions] == ["earlier-version-kept"]
        assert load_into(folder, store).cautions == loaded.cautions


def test_a_file_gone_from_the_folder_keeps_its_rows_with_a_caution(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        (folder / "readings.csv").unlink()
        loaded = load_into(folder, store)
        assert store.count("readings") == 2
        assert {caution.code for caution in loaded.cautions} == {"no-readings", "file-gone"}


def test_a_renamed_file_is_the_same_file(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        (folder / "readings.csv").rename(folder / "readings-all.csv")
        loaded = load_into(folder, store)
        assert loaded.cautions == ()
        assert account(loaded)["readings"] == (2, 0, 0, 2)
        assert "readings-all.csv" in set(store.table("files")["name"])


def test_a_changed_mapping_reads_all_rows_afresh_and_says_so(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    messages: list[str] = []
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        (folder / "fleet.toml").write_text('distance = "km"\n' + TOML)
        loaded = load_into(folder, store, messages=messages)
        assert any("afresh" in message for message in messages)
        assert account(loaded)["services"] == (2, 2, 0, 0)
        # 1 mile = 1.609344 km exactly (NIST Special Publication 811, appendix B.8)
        assert store.rows("select miles from services where service_id = 'S1'")[0][0] == pytest.approx(
            1000.5 / 1.609344
        )
        assert store.count("files") == 4


def test_a_changed_mapping_is_refused_while_a_loaded_file_is_gone(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        before = snapshot(store)
        (folder / "readings.csv").unlink()
        (folder / "fleet.toml").write_text('distance = "km"\n' + TOML)
        with pytest.raises(DataError, match=r"readings\.csv"):
            load_into(folder, store)
        assert snapshot(store) == before


def test_an_earlier_as_of_takes_later_rows_out_again(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        (folder / "fleet.toml").write_text(TOML.replace("2024-06-30", "2020-06-30"))
        assert aside(load_into(folder, store)) == [
            ("services.csv", 3, "date", "2021-01-01"),
            ("readings.csv", 3, "date", "2021-01-01"),
        ]


def test_a_load_that_sets_too_much_aside_is_refused_and_changes_nothing(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", TOML.replace("1.0", "0.25"))
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        before = snapshot(store)
        write_folder(
            folder, TOML.replace("1.0", "0.25"), services=SERVICES + "S3,T1,2020-01-01,x,regrease\nS4,T1,?,1,regrease\n"
        )
        with pytest.raises(DataError) as caught:
            load_into(folder, store)
        assert snapshot(store) == before
    assert caught.value.code == "too-many-set-aside"
    assert "2 of 4 rows of services" in caught.value.text
    assert len(caught.value.details) == 2


def test_a_share_just_at_the_limit_is_loaded(tmp_path: Path) -> None:
    folder = write_folder(
        tmp_path / "f",
        TOML.replace("1.0", "0.25"),
        services=SERVICES + "S3,T1,2020-01-01,x,regrease\nS4,T1,2020-01-01,1,regrease\n",
    )
    assert account(load(folder))["services"] == (4, 3, 1, 0)


def test_a_strict_load_refuses_any_row_set_aside(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", services=SERVICES + "S3,T1,2020-01-01,x,regrease\n")
    with open_store(IN_MEMORY) as store, pytest.raises(DataError, match="--strict") as caught:
        load_into(folder, store, strict=True)
    assert (caught.value.file, caught.value.line, caught.value.column) == ("services.csv", 4, "miles")


def test_a_class_or_component_that_no_unit_has_is_a_caution(tmp_path: Path) -> None:
    toml = (
        TOML + "[costs]\nsleeve = { planned = 1, failure = 2 }\n[costs.by_duty_cycle.quarry]\n"
        "[limits]\nb10_miles = { quary = 5 }\n"
    )
    loaded = load(write_folder(tmp_path / "f", toml))
    assert [caution.code for caution in loaded.cautions] == [
        "class-without-units",
        "class-without-units",
        "component-without-positions",
    ]
    assert "'quarry'" in loaded.cautions[0].text


def test_a_missing_required_column_is_refused_with_the_nearest_name_and_how_to_map_it(tmp_path: Path) -> None:
    error = refused(write_folder(tmp_path / "f", services=SERVICES.replace("date", "Date ")))
    assert (error.code, error.file, error.line, error.column) == ("missing-column", "services.csv", 1, "date")
    assert 'columns = { date = "Date" }' in error.fix


def test_a_column_that_only_looks_like_one_of_the_contract_is_an_attribute_with_a_caution(tmp_path: Path) -> None:
    loaded = load(write_folder(tmp_path / "f", services=SERVICES.replace("miles", "Miles")))
    assert [caution.code for caution in loaded.cautions] == ["lookalike-column"]
    assert 'miles = "Miles"' in loaded.cautions[0].text


def test_a_mapped_column_that_no_file_has_is_refused(tmp_path: Path) -> None:
    error = refused(write_folder(tmp_path / "f", TOML + '[tables.services]\ncolumns = { note = "Remarks" }\n'))
    assert (error.code, error.column) == ("missing-column", "note")


def test_a_folder_without_required_tables_is_refused_by_name(tmp_path: Path) -> None:
    error = refused(write_folder(tmp_path / "f", units=None, positions=None))
    assert error.code == "no-table"
    assert "units, positions" in error.text


def test_a_column_of_dates_in_another_format_is_refused_with_the_line_to_add(tmp_path: Path) -> None:
    services = SERVICES.replace("2020-01-01", "01/31/2020").replace("2021-01-01", "02/01/2021")
    error = refused(write_folder(tmp_path / "f", services=services))
    assert (error.code, error.file, error.line, error.column) == ("unreadable-dates", "services.csv", 2, "date")
    assert "01/31/2020" in error.text
    assert '[tables.services] dates = ["%m/%d/%Y"]' in error.fix


def test_dates_that_could_be_of_two_formats_are_not_guessed(tmp_path: Path) -> None:
    services = SERVICES.replace("2020-01-01", "01/02/2020").replace("2021-01-01", "02/01/2021")
    error = refused(write_folder(tmp_path / "f", services=services))
    assert "%m/%d/%Y" in error.text
    assert "%d/%m/%Y" in error.text


def test_what_is_not_a_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "f").write_text("x")
    assert refused(tmp_path / "f").code == "not-a-folder"
    assert refused(tmp_path / "g").code == "not-a-folder"


def test_an_empty_required_file_is_refused(tmp_path: Path) -> None:
    assert refused(write_folder(tmp_path / "f", services="")).code == "empty-file"


def test_a_column_named_twice_is_refused(tmp_path: Path) -> None:
    error = refused(write_folder(tmp_path / "f", services=SERVICES.replace("miles", "date")))
    assert (error.code, error.column) == ("double-column", "date")


def test_a_folder_or_a_pipe_in_place_of_a_file_is_refused(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", services=None)
    (folder / "services.csv").mkdir()
    assert refused(folder).code == "unreadable"
    (folder / "services.csv").rmdir()
    os.mkfifo(folder / "services.csv")
    assert refused(folder).code == "unreadable"


def test_the_mapping_of_an_export_needs_no_change_to_the_export(tmp_path: Path) -> None:
    toml = (
        TOML
        + """
[tables.services]
files = ["wo_[export]_*.csv", "odd [1].csv"]
columns = { service_id = "WO", unit_id = "Unit", date = "Completed", miles = "Meter", action = "Code", tool = "Tool" }
dates = ["%m/%d/%Y", "%d-%b-%y"]
codes.action = { "PM-LUBE" = "regrease", "R&R" = "replace" }
codes.component = { "U-JT" = "joint" }
"""
    )
    header = "WO;Unit;Completed;Meter;Code;component;Tool;date\n"
    folder = write_folder(tmp_path / "f", toml, services=None)
    (folder / "wo_x_2020.csv").write_text(header + "1;T1;1/31/2020;10.5;PM-LUBE;;K1;posted\n", encoding="utf-8-sig")
    (folder / "odd [1].csv").write_text(header + "2;T1;05-Feb-21;11;R&R;U-JT;;\n3;T1;2021-02-06;11;R&R;U-JT;;\n")
    with open_store(IN_MEMORY) as store:
        loaded = load_into(folder, store)
        assert account(loaded)["services"] == (3, 3, 0, 0)
        assert store.rows(
            "select service_id, date::varchar, miles, action, component, attributes from services order by service_id"
        ) == [
            ("1", "2020-01-31", 10.5, "regrease", None, {"tool": "K1", "date (export)": "posted"}),
            ("2", "2021-02-05", 11.0, "replace", "joint", {}),
            ("3", "2021-02-06", 11.0, "replace", "joint", {}),
        ]


def test_a_file_to_the_contract_is_read_beside_mapped_exports(tmp_path: Path) -> None:
    toml = TOML + '[tables.services]\ncolumns = { service_id = "WO", date = "Completed" }\n'
    export = "WO,unit_id,Completed,action\nW1,T1,2022-01-01,inspect\n"
    loaded = load(write_folder(tmp_path / "f", toml, **{"services-2": export}))
    assert account(loaded)["services"] == (3, 3, 0, 0)


def test_all_missing_columns_are_named_at_once(tmp_path: Path) -> None:
    error = refused(write_folder(tmp_path / "f", services=SERVICES.upper()))
    for name in ("service_id", "unit_id", "date", "action"):
        assert f'{name} = "{name.upper()}"' in error.fix


def test_text_from_the_data_stays_text(tmp_path: Path) -> None:
    odd = ["=1+1", "'; drop table units; --", '"quoted"', "$name", "{x}", "\u202egnp", "日本", "a\tb", "c0", "%(x)s"]
    rows = "".join('S{},T1,2020-01-01,regrease,"{}"\n'.format(n, text.replace('"', '""')) for n, text in enumerate(odd))
    header = 'service_id,unit_id,date,action,"x""; drop table units; --"\n'
    with open_store(IN_MEMORY) as store:
        load_into(write_folder(tmp_path / "f", services=header + rows), store)
        kept = store.rows("select attributes from services order by row_id")
        assert kept == [({'x"; drop table units; --': text},) for text in odd]
        assert store.count("units") == 2


def test_the_order_of_files_does_not_matter(tmp_path: Path) -> None:
    header, rows = (
        SERVICES.splitlines()[0],
        ["S1,T1,2020-01-01,1,regrease", "S2,T3,2020-01-01,2,inspect", "S3,T1,2020-01-01,3,wash"],
    )
    kept = set()
    for number, order in enumerate(permutations(range(3))):
        names = {f"services-{place}": f"{header}\n{rows[row]}\n" for place, row in enumerate(order)}
        with open_store(IN_MEMORY) as store:
            load_into(write_folder(tmp_path / f"f{number}", services=None, **names), store)
            kept.add(str(store.rows("select service_id, date, miles, action, note from services order by all")))
    assert len(kept) == 1


def test_a_load_killed_at_any_moment_leaves_the_store_as_it_was_or_complete(tmp_path: Path) -> None:
    rows = "".join(f"S{number},T1,2020-01-01,{number},regrease\n" for number in range(10, 4000))
    folder = write_folder(tmp_path / "f")
    path = tmp_path / "s.duckdb"
    with open_store(str(path)) as store:
        load_into(folder, store)
    write_folder(folder, services=SERVICES + rows)
    program = (
        "import sys\nfrom pathlib import Path\nfrom tests.fleet_files import load_into\n"
        "from wearlab.history.store import open_store\nprint('go', flush=True)\n"
        "with open_store(sys.argv[2]) as store:\n    load_into(Path(sys.argv[1]), store)\n"
    )
    seen = set()
    for step in range(4):
        with subprocess.Popen(
            [sys.executable, "-c", program, str(folder), str(path)], stdout=subprocess.PIPE
        ) as process:
            assert process.stdout is not None
            process.stdout.readline()
            time.sleep(0.05 * step)
            process.send_signal(signal.SIGKILL)
        with open_store(str(path)) as store:
            seen.add((store.count("services"), store.count("files")))
    assert seen <= {(2, 4), (3992, 5)}


cells = st.one_of(
    st.sampled_from(
        ["", "T1", "T9", "2020-01-01", "2030-01-01", "regrease", "replace", "1000", "-5", "x", "4.5", "main.joint.1"]
    ),
    st.text(st.characters(exclude_characters="\r\n\x00", exclude_categories=["Cs"]), max_size=8),
    st.sampled_from(['a"b', "a,b", "a\nb", '"', '""', "\n", "a\r\nb", ";", " "]),
)


def quote(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if set(cell) & set(',"\r\n ') else cell


@example(
    rows=[["", "a\nb", "", "", ",", "a\nb"]], blank=False, crlf=False
)  # its middle line has as many commas as a row
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(st.lists(cells, min_size=6, max_size=6), max_size=12), blank=st.booleans(), crlf=st.booleans())
def test_every_row_of_a_messy_file_is_accounted_for(
    tmp_path_factory: pytest.TempPathFactory, rows: list[list[str]], blank: bool, crlf: bool
) -> None:
    end = "\r\n" if crlf else "\n"
    lines = [",".join(map(quote, row)) + end + (end if blank else "") for row in rows]
    good = "S0,T1,2020-01-01,regrease,,5" + end  # a date that can be read, so that the format is the expected one
    text = "service_id,unit_id,date,action,position,miles" + end + good + "".join(lines)
    folder = write_folder(tmp_path_factory.mktemp("messy") / "f", services=text)
    with open_store(IN_MEMORY) as store:
        loaded = load_into(folder, store)
        read, kept, set_aside, already = account(loaded)["services"]
        assert read == len(rows) + 1 == kept + set_aside + already
        assert store.count("services") == kept
        assert store.number("select count(*) from services where unit_id not in (select unit_id from units)") == 0
        again = load_into(folder, store)
        assert account(again)["services"] == (read, 0, set_aside, kept + already)
        assert aside(again) == aside(loaded)
    starts = [3 + sum(line.count("\n") for line in lines[:number]) for number in range(len(rows))]
    assert {line for _, line, _, _ in aside(loaded)} <= set(starts)


@settings(max_examples=15, deadline=None)
@given(data=st.binary(max_size=300))
def test_any_bytes_at_all_are_loaded_or_refused_in_one_line(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    folder = write_folder(tmp_path_factory.mktemp("bytes") / "f", services=SERVICES.encode() + data)
    try:
        loaded = load(folder)
    except DataError as error:
        assert "\n" not in str(error)  # noqa: PT017 - a refusal is one of two good ends
    else:
        read, kept, set_aside, already = account(loaded)["services"]
        assert read == kept + set_aside + already


def test_positions_and_services_may_stand_in_any_order_of_files(tmp_path: Path) -> None:
    more = "unit_id,position,component\nT1,zz,joint\n"
    services = "service_id,unit_id,date,position,action\nS1,T1,2020-01-01,zz,replace\n"
    assert (
        aside(load(write_folder(tmp_path / "f", services=services, positions=POSITIONS, **{"positions-9": more}))) == []
    )
