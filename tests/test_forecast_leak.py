"""A back-test's forecast knows nothing of what came later: with the later rows cut off or changed it is the same."""

import shutil
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from wearlab.answers.forecast import Forecast, forecast_failures
from wearlab.history.lives import History
from wearlab.history.source import View, open_fleet

DAY = date(2024, 3, 31)
TODAY = date(2026, 7, 31)
AFTER = {"readings": "date", "measurements": "date", "duty_changes": "date", "services": "posted_date"}


def _quiet(text: str) -> None:
    del text


def _as_known_then(folder: Path) -> History:
    with open_fleet(folder, store_path=":memory:", today=TODAY, strict=False, progress=_quiet) as fleet:
        return fleet.history(View(DAY, None, 0.9, TODAY, False), known_then=True, progress=_quiet)


def _rewrite(folder: Path, target: Path, *, cut: bool) -> Path:
    """Copy a fleet with every row known after DAY cut off, or made into something else."""
    target.mkdir()
    shutil.copy(folder / "fleet.toml", target)
    for path in sorted(folder.glob("*.csv")):
        rows = pd.read_csv(path, dtype=str, keep_default_na=False)
        table = path.stem.split("-")[0]
        if table in AFTER:
            later = rows[AFTER[table]] > DAY.isoformat()
            rows = rows[~later] if cut else _other(rows, later, table)
        if table == "units":
            rows["out_of_service_date"] = rows["out_of_service_date"].where(
                rows["out_of_service_date"] <= DAY.isoformat(), "" if cut else "2024-04-01"
            )
        rows.to_csv(target / path.name, index=False)
        if table in ("units", "positions") and not cut:
            _snapshot(rows, table).to_csv(target / f"{table}-2026.csv", index=False)
    return target


def _snapshot(rows: pd.DataFrame, table: str) -> pd.DataFrame:
    """Return the trucks or places as a list of a later day would have them: moved, changed in class and hardware."""
    later = rows.assign(snapshot_date="2026-01-15")
    if table == "positions":
        return later.assign(hardware=later["hardware"].mask(later["component"] == "joint", "sealed"))
    return later.assign(duty_cycle="regional", home_shop="harbor", out_of_service_date="", axle_ratio="4.10")


def _other(rows: pd.DataFrame, later: pd.Series, table: str) -> pd.DataFrame:
    """Turn later repairs into failures of another kind, and drop every second later row."""
    if table == "services":
        repair = later & (rows["action"] == "replace")
        rows["reason"] = rows["reason"].where(~repair, "failure")
        rows["failure_mode"] = rows["failure_mode"].where(~repair, "something_else")
    return rows[~later | (rows.index % 2 == 0)]


@pytest.fixture(scope="module")
def then(small_fleet: Path) -> Forecast:
    return _forecast(small_fleet)


def _forecast(folder: Path) -> Forecast:
    made = forecast_failures(_as_known_then(folder), months=12, ahead=None, level=0.9, seed=1, progress=_quiet)
    assert isinstance(made, Forecast)
    return made


@pytest.mark.parametrize("cut", [True, False], ids=["cut off", "changed"])
def test_later_rows_do_not_move_the_forecast_of_an_earlier_day(
    then: Forecast, small_fleet: Path, tmp_path: Path, cut: bool
) -> None:
    other = _forecast(_rewrite(small_fleet, tmp_path / "fleet", cut=cut))
    for name, table in then.tables().items():
        pd.testing.assert_frame_equal(table, other.tables()[name])
