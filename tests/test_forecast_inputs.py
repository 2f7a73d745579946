"""What a forecast takes in besides the curve: season, new trucks, hardware, other replacements, old trucks."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.studies.forecast_fleet import Plan, look, simulate_fleet
from wearlab.answers.forecast import Forecast, forecast_failures
from wearlab.answers.forecast.before import look_before
from wearlab.answers.forecast.hardware import learn_hardware
from wearlab.answers.forecast.places import Span, find_places
from wearlab.answers.forecast.removal import learn_removals
from wearlab.answers.forecast.season import chance_of, find_season
from wearlab.history.config_reader import read_config
from wearlab.history.lives import History

DAY = date(2023, 6, 30)
NOW = look(simulate_fleet(Plan(trucks=60, frailty=0.3, leaving_per_year=0.03), 5), DAY)


def _quiet(text: str) -> None:
    del text


def _forecast(history: History, *, months: int = 12, **given: object) -> Forecast:
    asked = {"ahead": None, "level": 0.9, "seed": 1, "progress": _quiet} | given
    made = forecast_failures(history, months=months, **asked)  # type: ignore[arg-type]
    assert isinstance(made, Forecast)
    return made


def _with_readings(history: History, swing: float) -> History:
    """Read every truck on the first of every month, at 100 miles a day times a season with its top in July."""
    days = pd.date_range("2019-01-01", "2023-06-30", freq="D")
    rng = np.random.default_rng(8)
    month = days.month.to_numpy()
    frames = []
    for unit in history.units["unit_id"]:
        noise = np.repeat(rng.normal(0.0, 0.1, 60), 31)[: len(days)]
        daily = 100.0 * (1 + swing * np.cos(2 * np.pi * (month - 7) / 12) + noise)
        miles = np.cumsum(daily)
        at = days.day == 1
        frames.append(pd.DataFrame({"unit_id": unit, "date": days[at], "miles": miles[at], "disregarded": False}))
    return replace(history, meters=pd.concat(frames, ignore_index=True))


def test_a_season_in_the_readings_is_found_and_the_months_ahead_follow_it() -> None:
    history = _with_readings(NOW, 0.3)
    season = find_season(history)
    assert season.p_value < 0.05
    assert season.factors[6] == pytest.approx(1.3, abs=0.08)
    assert season.factors[0] == pytest.approx(0.7, abs=0.08)
    assert [caution.code for caution in season.cautions] == ["season-used"]
    shares, way = season.calendar(pd.Timestamp(2023, 6, 30), 12)
    assert way == pytest.approx(1.0, abs=0.01)
    assert (shares[0], shares[-1]) == (0.0, 1.0)
    assert shares[3] > 0.29  # July to September
    _, summer = season.calendar(pd.Timestamp(2023, 5, 31), 3)
    assert summer > 1.15


def test_a_season_moves_the_months_but_not_the_year() -> None:
    plain, seasonal = (_forecast(_with_readings(NOW, swing)) for swing in (0.0, 0.3))
    assert "no-season" in {caution.code for caution in plain.cautions}
    assert seasonal.totals["expected"].iloc[0] == pytest.approx(plain.totals["expected"].iloc[0], rel=0.02)
    assert seasonal.by_month["expected"].iloc[2] > 1.1 * plain.by_month["expected"].iloc[2]


def test_chance_alone_shows_a_season_in_one_record_of_twenty() -> None:
    rng = np.random.default_rng(3)
    found = [chance_of(1 + 0.1 * rng.standard_normal((3, 12))) <= 0.05 for _ in range(400)]
    assert np.mean(found) == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / 400))


def test_readings_too_far_apart_tell_of_no_season() -> None:
    history = _with_readings(NOW, 0.3)
    meters = history.meters[history.meters["date"].dt.month % 3 == 1]
    assert np.isnan(find_season(replace(history, meters=meters)).p_value)


def test_trucks_that_join_bring_new_parts_that_are_counted_but_not_listed() -> None:
    without, joined = _forecast(NOW), _forecast(NOW, joining={"vocational": 2.0})
    key = ["unit_id", "position"]
    same = without.units.set_index(key)["expected"].reindex(joined.units.set_index(key).index)
    assert joined.units["expected"].to_numpy() == pytest.approx(same.to_numpy(), rel=1e-3)
    table = joined.joining.set_index("duty_cycle")
    assert table.loc["vocational", "trucks"] == 24
    assert table.loc["vocational", "parts"] == 24 * 6
    more = joined.totals["expected"].iloc[0] - without.totals["expected"].iloc[0]
    assert more == pytest.approx(table["expected"].sum(), rel=1e-3)
    assert joined.totals["parts"].iloc[0] == without.totals["parts"].iloc[0]
    assert joined.by_class["expected"].sum() == pytest.approx(joined.totals["expected"].iloc[0])


def test_new_parts_on_joining_trucks_fail_as_new_parts_do() -> None:
    # (a fleet whose trucks are alike: the failures of a new part over s miles are nearly (s/η)^β)
    alike = look(simulate_fleet(Plan(trucks=90), 6), DAY)
    joined = _forecast(alike, joining={"line_haul": 1.0})
    rate = find_places(alike, Span(12, None)).table
    daily = rate.loc[rate["duty_cycle"] == "line_haul", "span"].mean()
    curve = joined.curves.set_index(["component", "duty_cycle"]).loc[("joint", "line_haul")]
    ways = daily * (1 - (np.arange(12) + 0.5) / 12)
    joints = 4 * ((ways / curve["eta"]) ** curve["beta"]).sum()
    boot = joined.curves.set_index(["component", "duty_cycle"]).loc[("boot", "line_haul")]
    boots = 2 * ((ways / boot["eta"]) ** boot["beta"]).sum()
    assert joined.joining["expected"].iloc[0] == pytest.approx(joints + boots, rel=0.03)


def test_a_class_of_which_no_truck_is_in_service_cannot_be_joined() -> None:
    made = _forecast(NOW, joining={"quarry": 2.0})
    assert made.joining.empty
    assert "joining-unknown" in {caution.code for caution in made.cautions}


def test_joining_is_read_from_the_fleets_own_settings(tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text("records_from = 2019-01-01\n[forecast]\njoining = { regional = 0.5 }\n")
    assert read_config(tmp_path).joining == {"regional": 0.5}
    told = replace(NOW, config=replace(NOW.config, joining={"regional": 0.5}))
    assert _forecast(told).joining["trucks"].tolist() == [6]


def _rows(levels: np.ndarray, factor: dict[str, float], seed: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    size = len(levels)
    duty = np.where(np.arange(size) % 2 == 0, "a", "b")
    eta = np.where(duty == "a", 100.0, 40.0) * np.array([factor[one] for one in levels]) ** (-1 / 2.0)
    life, limit = eta * rng.weibull(2.0, size), rng.uniform(20, 120, size)
    return pd.DataFrame(
        {
            "duty_cycle": duty,
            "hardware": levels,
            "entry": 0.0,
            "exit": np.minimum(life, limit),
            "failed": life <= limit,
            "count": 1.0,
            "pressure": 1.0,
        }
    )


def test_hardware_that_lasts_longer_is_told_apart() -> None:
    levels = np.where(np.arange(900) % 3 == 0, "sealed", "greaseable")
    found = learn_hardware(_rows(levels, {"sealed": 0.5, "greaseable": 1.0}, 1))
    value, error = found.effects["sealed"]
    assert value == pytest.approx(np.log(0.5), abs=3 * error)
    assert found.effects["greaseable"][0] == 0.0
    assert found.pressure(pd.Series(["sealed", None, "greaseable"])) == pytest.approx([np.exp(value), 1.0, 1.0])


def test_hardware_that_makes_no_difference_is_seldom_told_apart() -> None:
    levels = np.where(np.arange(300) % 3 == 0, "sealed", "greaseable")
    told = [bool(learn_hardware(_rows(levels, {"sealed": 1.0, "greaseable": 1.0}, seed)).effects) for seed in range(60)]
    assert sum(told) <= 8  # 5 % of 60 are 3; 9 or more would come by chance less than once in 200


def test_hardware_moves_the_forecast_of_the_parts_that_have_it() -> None:
    lives = NOW.lives.assign(hardware=np.where(NOW.lives["position"].str.endswith("1"), "sealed", "greaseable"))
    spared = lives["failed"] & (lives["hardware"] == "sealed") & (lives["component"] == "joint") & (lives.index % 4 > 0)
    lives.loc[spared, ["failed", "ending"]] = [False, "planned"]
    made = _forecast(replace(NOW, lives=lives))
    joints = made.units[made.units["component"] == "joint"]
    per_part = joints.groupby("hardware")["expected"].mean()
    assert per_part["sealed"] < 0.7 * per_part["greaseable"]
    assert made.curves.set_index("component").loc["joint", "hardware"].str.contains("sealed").all()


def test_planned_replacement_is_learnt_by_age_and_by_truck() -> None:
    fleet = simulate_fleet(Plan(trucks=150, planned_share=0.4), 3)
    history = look(fleet, DAY)
    lives = history.lives[(history.lives["component"] == "joint") & (history.lives["duty_cycle"] == "vocational")]
    lives = lives[lives["fittable"]]
    trucks = pd.Index(sorted(lives["unit_id"].unique()))
    found = learn_removals(lives, trucks, 1e5)
    assert found.shape > 3.0  # at an age, not at a steady rate
    planned = trucks.str[1:].astype(int) % 100 < 40
    at_age, further = np.full(len(trucks), 0.6), np.full((len(trucks), 1), 0.5)
    gone = 1 - found.kept(at_age, further)[:, 0]
    assert gone[planned].mean() > 2 * gone[~planned].mean()


def test_parts_to_stock_count_planned_replacements_too() -> None:
    planned = look(simulate_fleet(Plan(trucks=90, planned_share=0.5), 3), DAY)
    made = _forecast(planned)
    parts = made.parts.set_index("component")
    assert (parts["other_replacements"] > 1).all()
    assert (parts["stock"] >= parts["expected"] + parts["other_replacements"]).all()
    assert (parts["stock"] > parts["stock_for_failures"]).all()
    sure = _forecast(planned, service_level=0.99).parts.set_index("component")
    assert (sure["stock"] >= parts["stock"]).all()
    by_shop = made.shelves.groupby("component")[["expected", "other_replacements"]].sum()
    assert by_shop["expected"].to_dict() == pytest.approx(parts["expected"].to_dict())
    assert by_shop["other_replacements"].to_dict() == pytest.approx(parts["other_replacements"].to_dict())


def test_the_first_stretch_of_a_part_that_entered_late_tells_of_the_time_before() -> None:
    lives = NOW.lives[NOW.lives["fittable"]]
    before = look_before(NOW, lives)
    assert (before.late > 0).tolist() == (lives["entry"] > 0).tolist()
    fitted_later = pd.to_datetime(lives["start_date"]) > pd.to_datetime(
        lives["unit_id"].map(NOW.units.set_index("unit_id")["in_service_date"])
    ) + pd.Timedelta(days=7)
    assert np.isfinite(before.run).tolist() == ((lives["entry"] > 0) & fitted_later).tolist()
    powers = before.powers(2.0, 3e5)
    assert (powers[np.isfinite(before.run)] > 0).all()
    assert (powers[~np.isfinite(before.run)] == 0).all()
