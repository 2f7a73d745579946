"""Trucks as repairable systems: failures counted by truck, also those without a position."""

from datetime import date
from pathlib import Path

import pytest

from tests.command import run_here
from tests.fleet_files import write_folder
from wearlab.answers.systems import Systems, count_systems
from wearlab.evidence import Unanswered
from wearlab.history.removals import list_removals
from wearlab.history.source import View, open_fleet, read_source
from wearlab.history.store import IN_MEMORY

VIEW = View(None, None, 0.9, date(2026, 11, 24), unknown_as_failure=False)
HEADER = "service_id,unit_id,date,miles,action,position,component,reason\n"
UNITS = (
    "unit_id,duty_cycle,in_service_date\nT1,line_haul,2020-01-01\nT2,line_haul,2020-01-01\nT3,line_haul,2018-01-01\n"
)
POSITIONS = "unit_id,position,component\n" + "".join(f"T{n},joint.{k},joint\n" for n in (1, 2, 3) for k in (1, 2))
ROWS = (
    "A1,T1,2020-07-01,,replace,joint.1,,failure\n"
    "A2,T1,2020-07-03,,replace,joint.1,,failure\n"  # the same event
    "A3,T1,2022-07-01,,replace,,joint,failure\n"  # no position
    "A4,T2,2021-07-01,,replace,,joint,failure\n"
    "A5,T2,2021-07-01,,replace,,joint,failure\n"  # two orders without a position are two
    "A6,T2,2022-07-01,,replace,joint.1,,planned\n"
    "A7,T3,2018-07-01,,replace,joint.1,,failure\n"  # before the record
    "A8,T3,2019-07-02,,replace,joint.1,,failure\n"
)


def count(tmp_path: Path) -> Systems:
    folder = write_folder(tmp_path / "f", units=UNITS, positions=POSITIONS, services=HEADER + ROWS, readings=None)
    with open_fleet(folder, store_path=IN_MEMORY, today=VIEW.today, strict=False, progress=lambda _: None) as fleet:
        history = fleet.history(VIEW, known_then=False, progress=lambda _: None)
        assert history.as_of is not None
        made = count_systems(history, list_removals(fleet.store, fleet.config, history.as_of), level=0.9)
    assert isinstance(made, Systems)
    return made


def test_failures_are_counted_by_truck_whether_or_not_the_place_is_known(tmp_path: Path) -> None:
    made = count(tmp_path)
    row = made.orders.iloc[0]
    assert (row["trucks"], row["failures"], row["without_position"]) == (3, 5, 3)
    numbers = made.systems.set_index("truck_years")["mean_failures"]
    # By hand: two trucks watched from new, the third from its second year. Up to one year: 1 failure of 2 trucks. In
    # the second year all three are watched: 2 + 1 failures of 3. In the third year 1 of 3.
    assert numbers[1] == pytest.approx(1 / 2)
    assert numbers[2] == pytest.approx(1 / 2 + 3 / 3)
    assert numbers[3] == pytest.approx(1 / 2 + 3 / 3 + 1 / 3)
    low, high = made.systems["mean_failures_low"], made.systems["mean_failures_high"]
    assert (low <= made.systems["mean_failures"]).all()
    assert (high >= made.systems["mean_failures"]).all()
    assert "3 of 5 failures" in " ".join(caution.text for caution in made.cautions)


def test_a_lives_file_has_no_trucks_to_count_by(tmp_path: Path) -> None:
    path = tmp_path / "lives.csv"
    path.write_text("exit,failed\n100,1\n200,0\n")
    history, _ = read_source(path, VIEW, store_path=IN_MEMORY, progress=lambda _: None)
    empty = history.lives.iloc[:0].assign(placed=None, date=None)
    assert isinstance(count_systems(history, empty, level=0.9), Unanswered)


def test_the_command_shows_the_count(tmp_path: Path) -> None:
    count(tmp_path)
    done = run_here("lives", tmp_path / "f", "--systems", "--store", ":memory:", "--json")
    assert done.status == 0, done.err
    assert done.document()["orders"][0]["without_position"] == 3
