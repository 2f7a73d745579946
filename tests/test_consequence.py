"""A guard's failure as the start of another part's: found where planted, not where absent."""

import numpy as np
import pandas as pd
import pytest

from tests.curve_histories import make_lives
from wearlab.curves.consequence import find_consequence, table_consequences


def shafts(seed: int, *, after: float, count: int = 400, per_truck: int = 1) -> pd.DataFrame:
    """Return spline and boot lives, one each per shaft; a torn boot multiplies its spline's hazard by ``after``."""
    rng = np.random.default_rng(seed)
    rows = []
    begin = pd.Timestamp("2020-01-01")
    for number in range(count):
        torn, watched = 500 * rng.exponential(), rng.uniform(300, 1000)
        full = rng.exponential()
        at_tear = (torn / 900) ** 2
        age = 900 * full**0.5 if full < at_tear else 900 * (at_tear + (full - at_tear) / after) ** 0.5
        for component, life in (("slip_spline", age), ("boot", torn)):
            end = min(life, watched)
            place = (f"T{number // per_truck:04d}", f"shaft-{number % per_truck}")
            rows.append((*place, component, end, life <= watched, begin + pd.Timedelta(days=end)))
    frame = pd.DataFrame(rows, columns=["unit_id", "shaft", "component", "exit", "failed", "end_date"])
    return make_lives(
        frame["exit"],
        frame["failed"],
        unit_id=frame["unit_id"],
        component=frame["component"],
        shaft=frame["shaft"],
        start_date=begin,
        end_date=frame["end_date"],
    )


def test_a_planted_consequence_is_found_with_its_ratio() -> None:
    ratios = []
    for seed in range(12):
        found = find_consequence(shafts(seed, after=3.0), "boot", "slip_spline", level=0.9)
        assert found is not None
        assert found.change is not None
        ratios.append(np.log(found.change.ratio))
    assert np.mean(ratios) == pytest.approx(np.log(3.0), abs=3 * np.std(ratios) / np.sqrt(12))


@pytest.mark.parametrize("per_truck", [1, 3])
def test_no_consequence_is_found_where_there_is_none(per_truck: int) -> None:
    low, ratios = 0, []
    for seed in range(60):
        found = find_consequence(
            shafts(seed, after=1.0, count=250, per_truck=per_truck), "boot", "slip_spline", level=0.9
        )
        assert found is not None
        assert found.change is not None
        low += found.change.p_value < 0.1
        ratios.append(np.log(found.change.ratio))
    assert low <= 6 + 3 * np.sqrt(60 * 0.09)
    assert abs(np.mean(ratios)) < 3 * np.std(ratios) / np.sqrt(60)


def test_another_shafts_boot_and_a_failure_on_the_same_day_are_no_exposure() -> None:
    days = pd.to_datetime(["2022-01-01", "2022-01-01", "2021-01-01"])
    lives = make_lives(
        [700.0, 700.0, 300.0],
        [1, 1, 1],
        unit_id="A",
        component=["slip_spline", "boot", "boot"],
        shaft=["main", "main", "coupling"],
        start_date=pd.Timestamp("2020-01-01"),
        end_date=days,
    )
    assert find_consequence(lives, "boot", "slip_spline", level=0.9) is None
    assert table_consequences(lives, level=0.9).empty


def test_lives_without_dates_have_no_consequence_table() -> None:
    assert table_consequences(make_lives([10.0], [1], component="boot"), level=0.9).empty
