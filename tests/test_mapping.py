"""A drafted fleet.toml for unknown files: every guess marked, and a folder that loads once it is in place."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fleet_files import (
    POSITIONS,
    READINGS,
    SERVICES,
    TODAY,
    TOML,
    UNITS,
    account,
    aside,
    load,
    load_into,
    write_folder,
)
from wearlab.evidence import DataError
from wearlab.history.config_reader import read_config
from wearlab.history.load import load_folder
from wearlab.history.mapping import draft_mapping
from wearlab.history.store import IN_MEMORY, open_store

VEHICLES = """Unit No;Vocation;In Service;Start Odometer;Terminal
101;LH;01/15/2019;0;North
102;VOC;02/20/2020;1.200,5;South
"""
ORDERS = """WO Number,Truck,Completed,Odometer (km),Job,Component,Reason for Repair,Description,Tech,Labor Hrs,Shop
1,101,1/31/2021,10000,PM-LUBE,,,"lube DL",Ann,1.5,North
2,101,2/28/2021,20000,R&R,U-JOINT,BROKE,"R&R u-joint frt",Bo,2.5,North
3,102,3/28/2021,20000,INSP,,,"",Bo,2.5,North
4,102,4/28/2021,20000,ZZZ,CARRIER BRG,SCHED,"carrier brg noisy",Bo,2.5,North
"""
METER = "asset\tday\tmileage\n101\t2021-01-02\t100\n102\t2021-03-02\t100\n"
PLACES = "Truck;Position;Part\n101;main.1;U-JOINT\n102;main.cb;CARRIER BRG\n"


def write_exports(folder: Path) -> Path:
    folder.mkdir()
    (folder / "Vehicle_List.csv").write_text(VEHICLES)
    (folder / "WO_export_2023.csv").write_text(ORDERS)
    (folder / "odometer.tsv").write_text(METER)
    (folder / "driveline build.csv").write_text(PLACES)
    return folder


def test_a_draft_for_real_looking_exports_is_a_fleet_toml_with_which_they_load(tmp_path: Path) -> None:
    folder = write_exports(tmp_path / "f")
    draft = draft_mapping(folder)
    (folder / "fleet.toml").write_text(draft.replace("records_from", "max_set_aside_share = 1\nrecords_from", 1))
    with open_store(IN_MEMORY) as store:
        loaded = load_folder(folder, store, today=TODAY, progress=lambda _: None)
        assert account(loaded) == {
            "units": (2, 2, 0, 0),
            "positions": (2, 2, 0, 0),
            "services": (4, 3, 1, 0),
            "readings": (2, 2, 0, 0),
        }
        assert aside(loaded) == [("WO_export_2023.csv", 5, "action", "ZZZ")]
        kept = store.rows(
            "select service_id, action, component, reason, crew, labor_hours from services order by row_id"
        )
        assert kept == [
            ("1", "regrease", None, None, "Ann", 1.5),
            ("2", "replace", "joint", "failure", "Bo", 2.5),
            ("3", "inspect", None, None, "Bo", 2.5),
        ]
        # 1 mile = 1.609344 km exactly (NIST Special Publication 811, appendix B.8)
        assert store.rows("select miles from services where service_id = '1'")[0][0] == pytest.approx(10_000 / 1.609344)


def test_every_guess_is_marked_and_what_cannot_be_placed_is_listed(tmp_path: Path) -> None:
    draft = draft_mapping(write_exports(tmp_path / "f"))
    for line in draft.splitlines():
        if "=" in line and not line.startswith("#"):
            assert "# CHECK" in line
    assert '# "ZZZ" = ?  # 1 rows set aside until this is one of regrease, inspect, replace' in draft
    assert '# kept as attributes by their own names: "Terminal"' in draft


def test_a_folder_to_the_contract_needs_no_mapping(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    draft = draft_mapping(folder)
    assert "tables" not in tomllib.loads(draft)
    (folder / "fleet.toml").write_text(draft)
    assert read_config(folder).tables == {}
    assert account(load(folder))["services"] == (2, 2, 0, 0)


def test_a_table_that_no_file_looks_like_is_named_with_its_columns(tmp_path: Path) -> None:
    draft = draft_mapping(write_folder(tmp_path / "f", positions=None))
    assert "Write positions.csv with the columns unit_id,position,component" in draft


def test_an_unknown_or_unreadable_file_is_listed_not_guessed(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", weather="town,rain\nA,3\n")
    (folder / "broken.parquet").write_bytes(b"PAR1")
    draft = draft_mapping(folder)
    assert '# "weather.csv": no table could be told from its columns; it is not read.' in draft
    assert '# "broken.parquet" could not be read' in draft


def test_dates_that_could_be_of_two_formats_are_said_so(tmp_path: Path) -> None:
    services = SERVICES.replace("2020-01-01", "01/02/2020").replace("2021-01-01", "02/01/2021")
    draft = draft_mapping(write_folder(tmp_path / "f", services=services))
    assert 'dates = ["%m/%d/%Y"]  # CHECK: from the values; %d/%m/%Y would fit some columns as well' in draft


def test_what_is_not_a_folder_or_holds_no_data_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="no CSV"):
        draft_mapping(tmp_path)
    with pytest.raises(DataError, match="folder of exports"):
        draft_mapping(tmp_path / "none")


@settings(max_examples=20, deadline=None)
@given(
    names=st.lists(st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=12), min_size=1, max_size=6)
)
def test_a_draft_is_valid_toml_whatever_the_file_holds(
    tmp_path_factory: pytest.TempPathFactory, names: list[str]
) -> None:
    header = ",".join('"' + name.replace('"', '""') + '"' for name in ["WO", "unit", "date", "action", *names])
    row = ",".join('"' + name.replace('"', '""') + '"' for name in ["1", "T1", "2020-01-01", *names, "x"])
    folder = write_folder(tmp_path_factory.mktemp("odd") / "f", services=f"{header}\n{row}\n")
    tomllib.loads(draft_mapping(folder))


RULES = """
[tables.services.keywords]
look_in = "note"
action = [["r&r", "replace"], ["lube", "regrease"], ["greas", "regrease"], ["noisy", "inspect"]]
component = [["u-joint", "joint"], ["brg", "center_bearing"]]
"""


def test_keyword_rules_tell_blank_values_and_mark_them_so(tmp_path: Path) -> None:
    services = (
        "service_id,unit_id,date,action,component,note\n"
        "S1,T1,2020-01-01,,,R&R U-joint frt after LUBE\n"
        "S2,T1,2020-01-01,inspect,,lube DL\n"
        "S3,T1,2020-01-01,,,washed\n"
        "S4,T1,2020-01-01,,joint,lube\n"
    )
    with open_store(IN_MEMORY) as store:
        loaded = load_into(write_folder(tmp_path / "f", TOML + RULES, services=services), store)
        assert store.rows("select service_id, action, component, attributes from services order by row_id") == [
            ("S1", "replace", "joint", {"inferred action": "r&r", "inferred component": "u-joint"}),
            ("S2", "inspect", None, {}),
            ("S4", "regrease", "joint", {"inferred action": "lube"}),
        ]
        assert aside(loaded) == [("services.csv", 4, "action", "washed")]
        rules = loaded.tables()["rules"]
        assert rules[rules["column"] == "action"]["rows"].tolist() == [1, 1, 0, 0, 0]
        assert rules[rules["column"] == "component"]["rows"].tolist() == [1, 0, 1]
        unmatched = loaded.tables()["unmatched"]
        assert unmatched.to_numpy().tolist() == [
            ["services", "action", "washed", 1],
            ["services", "component", "lube DL", 1],
        ]
        assert account(load_into(tmp_path / "f", store))["services"] == (4, 0, 1, 3)


def test_where_only_a_free_text_tells_the_action_rules_are_drafted_with_their_hits(tmp_path: Path) -> None:
    services = (
        "service_id,unit_id,date,note\n"
        "S1,T1,2020-01-01,R&R u-joint frt\nS2,T1,2020-01-01,lube DL\n"
        "S3,T1,2020-01-01,washed\nS4,T1,2020-01-02,lube DL\n"
    )
    folder = write_folder(tmp_path / "f", services=services)
    draft = draft_mapping(folder)
    assert 'action = [["r&r", "replace"], ["lube", "regrease"]]  # CHECK: rows told by each: r&r 1, lube 2' in draft
    assert '# action: no rule fits "washed", 1 rows' in draft
    (folder / "fleet.toml").write_text(draft.replace("records_from", "max_set_aside_share = 1\nrecords_from", 1))
    assert account(load(folder))["services"] == (4, 3, 1, 0)


def test_a_rule_for_what_the_contract_does_not_know_is_refused(tmp_path: Path) -> None:
    for text in ("actoin = [['a', 'b']]", "action = [['a', 'mend']]", "action = ['a']", "action = 'a'"):
        with pytest.raises(DataError, match=r"action|actoin"):
            load(write_folder(tmp_path / "f", TOML + "[tables.services.keywords]\n" + text + "\n"))


def test_a_corrected_row_replaces_the_old_one_and_the_change_is_listed(tmp_path: Path) -> None:
    header = "service_id,unit_id,date,action,updated_at\n"
    folder = write_folder(
        tmp_path / "f",
        units=UNITS + "T2,line_haul,2020-01-01\n",
        services=header + "S1,T1,2020-01-01,regrease,2020-03-01\nS2,T1,2020-01-01,regrease,\n",
        **{"services-2": header + "S1,T1,2020-01-01,inspect,2020-02-01\nS2,T1,2020-01-01,inspect,\n"},
    )
    changes = load(folder).tables()["changes"]
    assert [tuple(row) for row in changes.itertuples(index=False)] == [
        ("units", "T2", "units.csv", 3, "units.csv", 4),
        ("services", "S1", "services-2.csv", 2, "services.csv", 2),
        ("services", "S2", "services.csv", 3, "services-2.csv", 3),
    ]


def test_a_clean_load_lists_neither_rules_nor_changes(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", positions=POSITIONS, readings=READINGS)
    assert set(load(folder).tables()) == {"tables", "set_aside"}


FOREIGN = {
    "Fahrzeuge": "Fahrzeug;Einsatz;Erstzulassung;Ort\n"
    + "".join(f"K-{number};{'Bau' if number % 2 else 'Fern'};{number + 10}.02.2018;Nord\n" for number in range(1, 10)),
    "export": "WO No\tTruck\tCompleted\tJob text\n1\tK-1\t01/31/2020\tlube DL\n"
    "2\tK-2\t02/15/2020\tR&R u-joint frt + lube\n"
    "3\tK-2\t02/16/2020\tcarrier brg noisy - inspected\n4\tK-2\t03/01/2020\twash\n",
    "meters": "unit,when,km\nK-1,2020-01-05,5000\nK-2,2020-01-06,7000\n",
    "weather": "town,rain\nA,3\n",
}


def test_columns_are_told_by_their_values_where_their_names_say_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "f"
    folder.mkdir()
    for name, text in FOREIGN.items():
        (folder / f"{name}.csv").write_text(text)
    draft = draft_mapping(folder)
    tables = tomllib.loads(draft)["tables"]
    assert tables["units"]["columns"] == {
        "unit_id": "Fahrzeug", "duty_cycle": "Einsatz", "in_service_date": "Erstzulassung",
    }  # fmt: skip
    assert tables["readings"]["columns"] == {"unit_id": "unit", "date": "when", "miles": "km"}
    assert 'in_service_date = "Erstzulassung"  # CHECK: by its values' in draft
    assert 'Its columns: "town" (such as "A"), "rain" (such as "3").' in draft


def test_a_job_that_names_its_part_is_read_by_keywords_with_replacements_first(tmp_path: Path) -> None:
    folder = write_folder(
        tmp_path / "f", services=None, export=FOREIGN["export"].replace("K-1", "T2").replace("K-2", "T1")
    )
    (folder / "fleet.toml").write_text(
        draft_mapping(folder).replace("records_from", "max_set_aside_share = 1\nrecords_from", 1)
    )
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        rows = store.rows("select service_id, action, component from services order by row_id")
    assert rows == [("1", "regrease", None), ("2", "replace", "joint"), ("3", "inspect", "center_bearing")]


def test_two_columns_of_dates_are_not_guessed_by_their_values(tmp_path: Path) -> None:
    meters = "unit,when,then,km\nT1,2020-01-05,2020-01-06,5000\nT2,2020-01-06,2020-01-07,7000\n"
    draft = draft_mapping(write_folder(tmp_path / "f", readings=None, meters=meters))
    assert '"when"' not in "".join(line for line in draft.splitlines() if line.startswith("date ="))
