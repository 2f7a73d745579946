"""The valve-seat replacements of 41 diesel engines, written as a fleet: 48 failures and their mean cumulative number.

Data: Nelson and Doganaksoy (1989), Nelson (1995), Technometrics 37, 147. The mean cumulative numbers were worked out
by two independent programs (plain Python, and R's survival package: survfit with id), which agree to 12 digits; the
values at 100, 300 and 500 days stand, to three digits, in the documentation output of R's survival package.
"""

import csv
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from tests.fleet_rows import history_of
from wearlab.history.config import FleetConfig
from wearlab.history.lives import History

DATA = Path(__file__).parent.parent / "data" / "valve_seat.csv"
FIRST = date(2001, 1, 1)
MEAN_CUMULATIVE_NUMBER = {
    100: 0.146341463415,
    300: 0.463414634146,
    500: 0.808536585366,
    600: 1.01426413955,
    653: 1.54268751356,
}


@pytest.fixture(scope="module")
def engines() -> History:
    with DATA.open(encoding="utf-8") as file:
        next(file)
        seen = list(csv.DictReader(file))
    units = [
        {
            "unit_id": row["unit"],
            "duty_cycle": "one",
            "in_service_date": FIRST,
            "out_of_service_date": FIRST + timedelta(days=int(row["time"])),
        }
        for row in seen
        if row["event"] == "end"
    ]
    positions = [{"unit_id": unit["unit_id"], "position": "seats", "component": "valve_seat"} for unit in units]
    services: list[dict[str, Any]] = [
        {
            "service_id": f"r{n}",
            "unit_id": row["unit"],
            "date": FIRST + timedelta(days=int(row["time"])),
            "position": "seats",
            "action": "replace",
            "reason": "failure",
        }
        for n, row in enumerate(seen)
        if row["event"] == "repair"
    ]
    rows = {"units": units, "positions": positions, "services": services}
    config = FleetConfig(records_from=FIRST, same_event_days=0, scale="days")
    return history_of(rows, config=config)


def mean_cumulative_number(lives: pd.DataFrame, day: int) -> float:
    """Sum failures over the engines still watched, day by day; one whose watch ends on a day is still at risk then."""
    ends = (lives.groupby("unit_id")["end_date"].max() - pd.Timestamp(FIRST)).dt.days
    failed = (lives.loc[lives["failed"], "end_date"] - pd.Timestamp(FIRST)).dt.days
    return sum(1 / (ends >= at).sum() for at in failed if at <= day)


def test_every_replacement_is_one_failure_and_two_on_one_day_are_two(engines: History) -> None:
    assert engines.basis.failures == 48
    assert len(engines.lives) == 48 + 41
    assert engines.groups["zero_length"].tolist() == [2]
    assert engines.groups["failures"].tolist() == [48]


def test_the_mean_cumulative_number_is_the_published_one(engines: History) -> None:
    for day, expected in MEAN_CUMULATIVE_NUMBER.items():
        assert mean_cumulative_number(engines.lives, day) == pytest.approx(expected, rel=1e-9)


def test_the_lives_of_an_engine_cover_its_whole_watch(engines: History) -> None:
    covered = engines.lives.groupby("unit_id")["exit"].sum()
    watched = (engines.units.set_index("unit_id")["out_of_service_date"] - pd.Timestamp(FIRST)).dt.days
    assert (covered == watched.reindex(covered.index)).all()
    assert engines.groups["exposure"].tolist() == [watched.sum()]
