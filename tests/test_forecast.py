"""The forecast: what it sums, what it refuses, and what must not move it."""

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from tests.curve_histories import make_history, make_lives
from tests.studies.forecast_fleet import Plan, later, look, simulate_fleet
from wearlab.answers.forecast import (
    Backtest,
    Change,
    Forecast,
    backtest_forecast,
    forecast_change,
    forecast_failures,
)
from wearlab.answers.forecast.counts import Bound, Draws, Law, look_ahead, simulate
from wearlab.answers.forecast.leaving import Leaving, foresee_leaving, stay
from wearlab.answers.forecast.places import Span, find_places
from wearlab.answers.forecast.practice import Effect, list_stretches, present_practice
from wearlab.answers.forecast.removal import Removals, steady_removals
from wearlab.answers.forecast.usage import foresee_usage
from wearlab.evidence import Unanswered
from wearlab.history.lives import History

DAY = date(2023, 6, 30)
FLEET = simulate_fleet(Plan(trucks=60, frailty=0.4, removal_per_mile=4e-7, leaving_per_year=0.03), 5)
NOW = look(FLEET, DAY)
EVEN = np.arange(13) / 12


def _quiet(text: str) -> None:
    del text


def _forecast(history: History, *, months: int | None = 12, ahead: float | None = None, seed: int = 1) -> Forecast:
    made = forecast_failures(history, months=months, ahead=ahead, level=0.9, seed=seed, progress=_quiet)
    assert isinstance(made, Forecast)
    return made


@pytest.fixture(scope="module")
def made() -> Forecast:
    return _forecast(NOW)


def test_the_groups_and_the_parts_and_the_units_add_up_to_all(made: Forecast) -> None:
    everything = made.totals["expected"].iloc[0]
    assert made.totals["group"].iloc[0] == "all"
    for total in (made.totals["expected"].iloc[1:], made.parts["expected"], made.units["expected"]):
        assert total.sum() == pytest.approx(everything, rel=1e-9)
    assert made.by_month["expected"].iloc[-1] == pytest.approx(everything, rel=1e-9)
    months = made.by_group_month[made.by_group_month["months"] == 12].set_index("group")["expected"]
    assert months.to_dict() == pytest.approx(made.totals.iloc[1:].set_index("group")["expected"].to_dict())
    assert made.by_shop["expected"].sum() == pytest.approx(everything, rel=1e-9)
    assert made.totals["parts"].iloc[0] == len(made.units) == int(NOW.lives["running"].sum())


def test_no_interval_leaves_out_its_value_and_nothing_is_infinite(made: Forecast) -> None:
    for table in (made.totals, made.parts, made.by_month, made.by_shop):
        assert ((table["low"] <= table["expected"]) & (table["expected"] <= table["high"])).all()
    units = made.units
    assert ((units["low"] <= units["probability"]) & (units["probability"] <= units["high"])).all()
    assert units["probability"].between(0, 1).all()
    for table in made.tables().values():
        assert not np.isinf(table.select_dtypes("number").to_numpy(dtype=float)).any()


def test_units_stand_most_likely_first(made: Forecast) -> None:
    assert made.units["probability"].is_monotonic_decreasing


def test_the_same_seed_gives_the_same_tables_whatever_the_order_of_the_rows(made: Forecast) -> None:
    mixed = replace(NOW, lives=NOW.lives.sample(frac=1, random_state=3), units=NOW.units.sample(frac=1, random_state=4))
    again = _forecast(mixed)
    for name, table in made.tables().items():
        pd.testing.assert_frame_equal(table, again.tables()[name], check_exact=False, rtol=1e-9)


def test_the_unit_of_distance_changes_no_chance(made: Forecast) -> None:
    km = 1.609344
    lives = NOW.lives.assign(entry=NOW.lives["entry"] * km, exit=NOW.lives["exit"] * km)
    names = ["miles_per_day", "last_miles", "exposure_miles"]
    units = NOW.units.assign(**{name: NOW.units[name] * km for name in names})
    meters = NOW.meters.assign(miles=NOW.meters["miles"] * km)
    other = _forecast(replace(NOW, lives=lives, units=units, meters=meters))
    assert other.totals["expected"].to_numpy() == pytest.approx(made.totals["expected"].to_numpy(), rel=1e-7)


def test_what_is_expected_does_not_depend_on_the_seed(made: Forecast) -> None:
    other = _forecast(NOW, seed=2)
    assert other.totals["expected"].to_numpy() == pytest.approx(made.totals["expected"].to_numpy(), rel=1e-12)


def test_parts_that_do_not_age_fail_at_their_rate_however_often_they_are_replaced() -> None:
    # shape 1: the renewal function is λx, whatever is replaced besides; the chance of none is exp(−λx)
    span = np.array([0.3, 2.0, 5.0])
    places = Bound(np.array([0.0, 1.0, 3.0]), span, np.array([1.0, 1.0, 1.5]), stay(3), np.zeros(3))
    law = Law(1.0, 0.7, steady_removals(0.4, 3))
    ahead = look_ahead(law, np.array([1.0, 2.0]), places, calendar=EVEN)
    assert ahead.others[:, 0, -1] == pytest.approx(0.4 * span, rel=4e-3)
    span = span * places.pressure
    for i, z in enumerate((1.0, 2.0)):
        assert ahead.expected[:, i, -1] == pytest.approx(0.7 * z * span, rel=4e-3)
        assert ahead.chance[:, i, -1] == pytest.approx(-np.expm1(-0.7 * z * span), rel=2e-3)


def test_simulated_counts_have_the_mean_that_is_computed() -> None:
    places, draws = 40, 4000
    rng = np.random.default_rng(2)
    pressure = np.linspace(0.7, 1.6, places)
    leaving = Leaving(np.linspace(2, 5, places), np.full(places, 1.2), np.full(places, 3.0), np.full(places, 0.004), 0)
    age, begin = np.linspace(0, 1.5, places), np.where(np.arange(places) % 5 == 4, 0.3, 0.0)
    bound = Bound(age, np.linspace(0.2, 1.4, places), pressure, leaving, begin)
    removals = Removals(1.7, 0.5, 2.0, np.linspace(1, 3, places), np.linspace(2, 2.6, places), 1e9)
    law = Law(2.1, 1.3, removals)
    full = np.broadcast_to(bound.span, (draws, places))
    cells = Draws(
        np.full(draws, law.shape),
        np.full(draws, law.rate),
        np.tile(pressure, (draws, 1)),
        full,
        full * leaving.draw(np.ones((draws, places)), rng),
        removals.draw(draws, rng),
        removals.shape,
    )
    found = simulate(cells, bound.age, rng=rng)
    ahead = look_ahead(law, np.ones(1), bound, calendar=EVEN)
    for failed, counted in ((True, ahead.expected), (False, ahead.others)):
        chosen = found.failed == failed
        seen = np.bincount(found.place[chosen], minlength=places) / draws
        error = np.sqrt(counted[:, 0, -1] / draws)
        close = 0.0 if failed else 0.05 * counted[:, 0, -1]  # later parts: the mean truck times the truck's own
        assert (np.abs(seen - counted[:, 0, -1]) < 4.5 * error + close).all()
        when = begin[found.place] + (1 - begin[found.place]) * found.share
        early = np.bincount(found.place[chosen & (when <= 0.5)], minlength=places) / draws
        assert (np.abs(early - counted[:, 0, 5]) < 4.5 * error + close).all()


def test_trucks_that_leave_service_take_their_failures_with_them() -> None:
    one = np.ones(1)
    leaving = Leaving(np.zeros(1), one, one, 1.2 * one, 30)
    left = [
        look_ahead(
            Law(1.0, 1.0, steady_removals(0.0, 1)), one, Bound(np.zeros(1), one, one, trucks, 0 * one), calendar=EVEN
        ).expected[0, 0, -1]
        for trucks in (stay(1), leaving)
    ]
    assert left[1] == pytest.approx(left[0] * (1 - np.exp(-1.2)) / 1.2, rel=1e-3)


def test_miles_at_leaving_are_learnt_from_the_trucks_that_left() -> None:
    rng = np.random.default_rng(8)
    miles = 5e5 * rng.weibull(6.0, 2000)
    seen = rng.uniform(1e5, 8e5, 2000)
    units = pd.DataFrame(
        {
            "unit_id": [f"T{i:04d}" for i in range(2000)],
            "duty_cycle": "regional",
            "in_service": seen < miles,
            "last_miles": np.minimum(seen, miles),
            "exposure_miles": np.minimum(seen, miles),
            "miles_per_day": 100.0,
        }
    )
    law = foresee_leaving(replace(NOW, units=units), pd.Index(units["unit_id"]), 365.0)
    true = np.exp((units["last_miles"] / 5e5) ** 6 - ((units["last_miles"] + 36_500) / 5e5) ** 6)
    assert law.still(np.ones(1))[:, 0] == pytest.approx(true.to_numpy(), abs=0.05)


def test_practice_presses_on_the_hazard_and_is_taken_where_it_is_now() -> None:
    effect = Effect(0.8, 0.1, 10_000.0)
    assert effect.pressure(np.array([20_000.0, 10_000.0, np.nan])) == pytest.approx([2**0.8, 1.0, 1.0])
    history = _episodes(NOW, 20_000.0)
    rows = list_stretches(history, "joint", {"regional": effect})
    assert set(rows.loc[rows["duty_cycle"] == "regional", "pressure"].round(9)) == {round(2**0.8, 9)}
    assert set(rows.loc[rows["duty_cycle"] == "line_haul", "pressure"]) == {1.0}
    here = NOW.lives[NOW.lives["running"]][["unit_id", "position"]]
    assert set(present_practice(history, here)) == {20_000.0}


def test_a_truck_with_a_bad_record_is_expected_to_go_on_like_that(made: Forecast) -> None:
    failures = NOW.lives[NOW.lives["failed"]].groupby("unit_id").size()
    worst = failures.sort_values().index[-5:]
    fresh = made.units.assign(per_mile=made.units["expected"] / made.units["ahead"])
    fresh["per_mile"] /= fresh.groupby(["component", "duty_cycle"])["per_mile"].transform("mean")
    by_truck = fresh.groupby("unit_id")["per_mile"].mean()
    assert by_truck.reindex(worst).dropna().mean() > 1.15


def test_a_lives_file_without_a_reach_is_not_answered() -> None:
    history = make_history(make_lives(np.array([3.0, 4.0, 5.0]), np.array([1, 1, 0])))
    made = forecast_failures(history, months=12, ahead=None, level=0.9, seed=1, progress=_quiet)
    assert isinstance(made, Unanswered)
    assert made.code == "no-reach"


def test_counts_of_a_lives_file_weigh_like_that_many_rows() -> None:
    exit_, failed = np.array([3.0, 4.0, 5.0, 6.0, 6.0]), np.array([1, 1, 1, 0, 0])
    rows = make_lives(np.repeat(exit_, 3), np.repeat(failed, 3))
    counts = make_lives(exit_, failed, count=3.0)
    one, other = (_forecast(make_history(lives), months=None, ahead=2.0).totals.iloc[0] for lives in (rows, counts))
    assert one["expected"] == pytest.approx(other["expected"], rel=1e-9)
    assert one["parts"] == other["parts"] == 6


def test_a_class_without_failures_borrows_the_components_curve_and_says_so() -> None:
    lives = NOW.lives[(NOW.lives["component"] == "joint")].copy()
    kind = (lives["duty_cycle"] == "regional") & lives["failed"]
    lives.loc[kind, ["failed", "ending"]] = [False, "planned"]
    made = _forecast(replace(NOW, lives=lives))
    curves = made.curves.set_index("duty_cycle")["curve"]
    assert curves["regional"] == "pooled"
    assert curves["line_haul"] == "own"
    assert any(caution.code == "forecast-pooled" and "regional" in caution.text for caution in made.cautions)


def test_a_fleet_without_any_failure_expects_none_but_does_not_rule_them_out() -> None:
    lives = NOW.lives.assign(failed=False, ending=np.where(NOW.lives["running"], "running", "planned"))
    total = _forecast(replace(NOW, lives=lives)).totals.iloc[0]
    assert (total["expected"], total["low"]) == (0.0, 0.0)
    assert total["high"] >= 1.0


def test_more_months_bring_more_failures(made: Forecast) -> None:
    longer = _forecast(NOW, months=24)
    assert longer.totals["expected"].iloc[0] > 1.8 * made.totals["expected"].iloc[0]
    assert longer.by_month["expected"].iloc[11] == pytest.approx(made.totals["expected"].iloc[0], rel=2e-3)


def test_costs_follow_the_price_of_a_failure(made: Forecast) -> None:
    joint = made.parts.set_index("component").loc["joint"]
    assert joint["cost"] == pytest.approx(2400 * joint["expected"])
    assert joint["cost_low"] <= joint["cost"] <= joint["cost_high"]
    assert joint["stock"] >= joint["expected"]


def test_trucks_out_of_service_are_not_in_the_forecast(made: Forecast) -> None:
    out = NOW.units.loc[~NOW.units["in_service"], "unit_id"]
    assert len(out)
    assert not made.units["unit_id"].isin(out).any()


def test_a_part_ages_on_from_the_last_reading_to_the_day_of_the_forecast() -> None:
    silent = NOW.units["unit_id"].iloc[0]
    ends = NOW.lives["end_date"].where(NOW.lives["unit_id"] != silent, NOW.lives["end_date"] - pd.Timedelta(days=60))
    before, after = (
        find_places(history, Span(12, None)).table.set_index(["unit_id", "position"])
        for history in (NOW, replace(NOW, lives=NOW.lives.assign(end_date=ends)))
    )
    gained = (after["age"] - before["age"]).groupby("unit_id").mean()
    assert gained[silent] == pytest.approx(
        60 / 365 * before.loc[silent, "span"].iloc[0] / (12 * 30.4375 / 365), rel=1e-6
    )
    assert (gained.drop(silent) == 0).all()


def test_a_truck_without_readings_is_taken_to_run_like_its_class() -> None:
    unknown = NOW.units["unit_id"][NOW.units["in_service"]].iloc[0]
    rate = NOW.units["miles_per_day"].where(NOW.units["unit_id"] != unknown)
    usage = foresee_usage(replace(NOW, units=NOW.units.assign(miles_per_day=rate)))
    duty = NOW.units.set_index("unit_id")["duty_cycle"]
    serving = NOW.units[NOW.units["in_service"]].set_index("unit_id")
    same = rate.set_axis(NOW.units["unit_id"]).reindex(serving.index)[serving["duty_cycle"] == duty[unknown]]
    assert usage.rate[unknown] == pytest.approx(same.mean())
    assert "usage-unknown" in {caution.code for caution in usage.cautions}


def test_a_part_without_an_age_in_the_scale_is_left_out_and_named() -> None:
    exit_ = NOW.lives["exit"].where(NOW.lives["unit_id"] != NOW.lives["unit_id"].iloc[0])
    lives = NOW.lives.assign(exit=exit_, fittable=NOW.lives["fittable"] & exit_.notna())
    made = _forecast(replace(NOW, lives=lives))
    assert np.isfinite(made.totals["expected"]).all()
    assert "places-left-out" in {caution.code for caution in made.cautions}


def test_parts_of_unknown_age_are_named_as_missing_from_the_sums() -> None:
    unit = NOW.units["unit_id"][NOW.units["in_service"]].iloc[0]
    left = pd.DataFrame(
        {
            "component": ["joint"],
            "duty_cycle": ["regional"],
            "unit_id": [unit],
            "position": ["joint.9"],
            "reason": ["age_unknown"],
            "lives": [1],
        }
    )
    made = _forecast(replace(NOW, left_out=left))
    assert any(caution.code == "age-unknown" and caution.text.startswith("1 part") for caution in made.cautions)


def _episodes(history: History, practised: float) -> History:
    lives = history.lives[history.lives["fittable"]]
    dates = {"entry_date": lives["start_date"], "exit_date": lives["end_date"]}
    return replace(history, episodes=lives.assign(practised_miles=practised, practice_source="gaps", **dates))


def test_another_interval_moves_failures_as_its_effect_says(monkeypatch: pytest.MonkeyPatch) -> None:
    effects = {"regional": Effect(0.8, 0.05, 20_000.0)}
    monkeypatch.setattr(
        "wearlab.answers.forecast.strata.learn_practice",
        lambda history, component, level: effects if component == "joint" and history and level else {},
    )
    history = _episodes(NOW, 20_000.0)
    made = forecast_change(history, intervals={"regional": 10_000.0}, months=12, level=0.9, seed=1, progress=_quiet)
    assert isinstance(made, Change)
    table = made.change.set_index(["component", "duty_cycle"])
    moved = table.loc[("joint", "regional")]
    # each hazard falls by 0.5^0.8 = 0.57; counts fall a little less, since a part that lasts is there to fail later
    assert 0.5**0.8 < moved["expected_then"] / moved["expected_now"] < 1.15 * 0.5**0.8
    assert moved["avoided_low"] <= moved["avoided"] <= moved["avoided_high"]
    assert moved["saving"] == pytest.approx(2400 * moved["avoided"])
    rest = table.drop(("joint", "regional"))
    assert (rest["avoided"] == 0).all()
    stops = made.stops.set_index("duty_cycle")
    assert stops.loc["regional", "stops_then"] == pytest.approx(2 * stops.loc["regional", "stops_now"])
    assert stops.loc["line_haul", "stops_then"] == stops.loc["line_haul", "stops_now"]
    everything = made.adopted.set_index("group").loc["all"]
    assert everything["avoided"] == pytest.approx(table["avoided"].sum())
    assert everything["avoided"] == pytest.approx(made.by_year["avoided"].sum())
    assert everything["avoided_low"] <= everything["avoided"] <= everything["avoided_high"]
    assert everything["parts_then"] < everything["parts_now"]
    assert np.isnan(everything["cost_now"])  # this fleet does not say what a stop costs


def test_what_stops_cost_more_is_set_against_what_failures_cost_less(monkeypatch: pytest.MonkeyPatch) -> None:
    effects = {"regional": Effect(0.8, 0.05, 20_000.0)}
    monkeypatch.setattr(
        "wearlab.answers.forecast.strata.learn_practice",
        lambda history, component, level: effects if component == "joint" and history and level else {},
    )
    config = replace(NOW.config, costs=replace(NOW.config.costs, regrease_stop=40.0, harm_per_stop=5.0))
    history = replace(_episodes(NOW, 20_000.0), config=config)
    made = forecast_change(history, intervals={"regional": 10_000.0}, months=30, level=0.9, seed=1, progress=_quiet)
    assert isinstance(made, Change)
    row = made.adopted.set_index("group").loc["regional"]
    fewer = made.change.set_index(["component", "duty_cycle"]).loc[("joint", "regional"), "avoided"]
    more = row["stops_then"] - row["stops_now"]
    assert row["saving"] == pytest.approx(2400 * fewer - 45 * more, rel=1e-6)
    assert row["saving_low"] <= row["saving"] <= row["saving_high"]
    assert made.by_year["months"].tolist() == [12, 12, 6]


def test_where_practice_never_varied_another_interval_shows_no_change() -> None:
    made = forecast_change(
        _episodes(NOW, 20_000.0), intervals={"regional": 10_000.0}, months=12, level=0.9, seed=1, progress=_quiet
    )
    assert isinstance(made, Change)
    assert (made.change["avoided"] == 0).all()


def _backtest(days: tuple[date, ...], actual: History, *, months: int = 12) -> Backtest:
    made = backtest_forecast(
        lambda day: look(FLEET, day), days, months=months, level=0.9, seed=1, actual=actual, progress=_quiet
    )
    assert isinstance(made, Backtest)
    return made


@pytest.fixture(scope="module")
def tried() -> Backtest:
    return _backtest((date(2022, 3, 31), date(2021, 6, 30)), NOW)


def test_a_back_test_repeats_the_forecast_of_that_day_from_what_was_known_then(tried: Backtest) -> None:
    then = _forecast(look(FLEET, date(2021, 6, 30))).totals.iloc[0]
    row = tried.backtest.set_index("as_of").loc[date(2021, 6, 30)]
    assert (row["expected"], row["low"], row["high"]) == (then["expected"], then["low"], then["high"])


def test_nothing_that_happened_later_moves_a_back_tests_forecast(tried: Backtest) -> None:
    lives = NOW.lives.assign(failed=~NOW.lives["failed"], duty_cycle="other", exit=NOW.lives["exit"] * 3)
    changed = _backtest((date(2022, 3, 31), date(2021, 6, 30)), replace(NOW, lives=lives))
    kept = ["as_of", "expected", "low", "high", "expected_by_rate", "expected_by_last_year"]
    pd.testing.assert_frame_equal(changed.backtest[kept], tried.backtest[kept])


def test_observed_are_the_failures_in_the_window_at_the_places_looked_at(tried: Backtest) -> None:
    day, end = pd.Timestamp(2021, 6, 30), pd.Timestamp(later(date(2021, 6, 30), 12))
    failed = NOW.lives[NOW.lives["failed"] & (NOW.lives["end_date"] > day) & (NOW.lives["end_date"] <= end)]
    known = look(FLEET, date(2021, 6, 30)).units
    inside = failed[failed["unit_id"].isin(known.loc[known["in_service"], "unit_id"])]
    row = tried.backtest.set_index("as_of").loc[date(2021, 6, 30)]
    assert row["observed"] == len(inside)
    assert row["covered"] == (row["low"] <= row["observed"] <= row["high"])
    assert tried.groups.groupby("as_of")["observed"].sum()[date(2021, 6, 30)] == len(inside)


def test_a_window_that_is_not_over_is_left_out_and_named() -> None:
    made = _backtest((date(2021, 6, 30), date(2023, 1, 31)), NOW)
    assert list(made.backtest["as_of"]) == [date(2021, 6, 30)]
    assert "window-not-over" in {caution.code for caution in made.cautions}


def test_without_any_whole_window_there_is_no_back_test() -> None:
    made = backtest_forecast(
        lambda day: look(FLEET, day), (date(2023, 3, 1),), months=12, level=0.9, seed=1, actual=NOW, progress=_quiet
    )
    assert isinstance(made, Unanswered)


def test_the_back_test_says_when_a_rival_does_as_well(tried: Backtest) -> None:
    own, rivals = tried.rivals.iloc[0], tried.rivals.iloc[1:]
    beaten = (own["mean_absolute_error"] < rivals["mean_absolute_error"]) & (own["brier"] < rivals["brier"])
    said = "rival-as-good" in {caution.code for caution in tried.cautions}
    assert said == (not beaten.all())


def test_risk_groups_rise_and_hold_every_part_once(tried: Backtest) -> None:
    groups = tried.calibration
    assert groups["share_expected"].is_monotonic_increasing
    assert groups["parts"].sum() == tried.backtest["parts"].sum()
    assert (
        (groups["share_low"] <= groups["share_observed"]) & (groups["share_observed"] <= groups["share_high"])
    ).all()
