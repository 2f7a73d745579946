"""The invented demo fleet: written to the contract, the same for the same seed, and true to what it says it planted."""

import json
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from wearlab.demo import scenario as plan
from wearlab.demo import simulate_demo, write_demo
from wearlab.demo.best import best_intervals, frailties, renewals
from wearlab.demo.fleet import (
    NEVER,
    RECORDS_FROM,
    both,
    make_greasings,
    make_inspections,
    make_meters,
    make_practice,
    make_trucks,
)
from wearlab.demo.lives import Hazard, make_hazard, make_lives, make_positions
from wearlab.demo.records import World, in_record, names
from wearlab.history.source import View, read_source

COMMITTED = Path(__file__).parent.parent / "demo_data"
REQUIRED = {
    "units": {"unit_id", "duty_cycle", "in_service_date"},
    "positions": {"unit_id", "position", "component"},
    "services": {"service_id", "unit_id", "date", "action"},
    "readings": {"unit_id", "date", "miles"},
    "duty_changes": {"unit_id", "date", "duty_cycle"},
    "lube_plan": {"from_date", "interval_miles"},
    "measurements": {"unit_id", "position", "date", "quantity", "value", "unit"},
    "angles": {"unit_id", "joint", "angle_deg", "unloaded_angle_deg"},
    "spectra": {"duty_cycle", "share_of_turns", "torque_nm", "angle_deg", "speed_rpm"},
}


@pytest.fixture(scope="module")
def simulated() -> tuple[dict[str, pd.DataFrame], dict[str, object]]:
    return simulate_demo(1, 300)


@pytest.fixture(scope="module")
def good_services(simulated) -> pd.DataFrame:
    table = simulated[0]["services"]
    table = table[~table["service_id"].str.startswith("X")]
    return table.drop_duplicates().sort_values("updated_at").drop_duplicates("service_id", keep="last")


@pytest.fixture(scope="module")
def world() -> World:
    return _world(3, 2500)


def _world(seed: int, size: int) -> World:
    streams = [np.random.default_rng(child) for child in np.random.SeedSequence((plan.STREAM, seed)).spawn(9)]
    fleet = make_trucks(streams[0], size)
    meters = make_meters(streams[1], fleet)
    practice = make_practice(fleet, meters)
    greasings = make_greasings(streams[2], fleet, meters, practice)
    inspections = make_inspections(streams[3], fleet, meters)
    positions = make_positions(fleet)
    hazard = make_hazard(practice, positions)
    lives = make_lives(streams[4], fleet, meters, both(greasings, inspections, meters), positions, hazard)
    return World(fleet, meters, greasings, inspections, positions, lives)


def test_every_table_has_the_columns_that_the_contract_requires(simulated):
    tables, _ = simulated
    assert {name: REQUIRED[name] - set(table.columns) for name, table in tables.items()} == {
        name: set() for name in REQUIRED
    }


def test_the_same_seed_writes_the_same_bytes_and_another_seed_does_not(tmp_path):
    first, again, other = (
        write_demo(tmp_path / name, seed=seed, trucks=25) for name, seed in (("a", 5), ("b", 5), ("c", 6))
    )
    read = lambda written: {path.name: path.read_bytes() for path in written.files}  # noqa: E731
    assert read(first) == read(again)
    assert read(first)["services-2022.csv"] != read(other)["services-2022.csv"]


def test_the_committed_folder_is_what_seed_1_writes_and_stays_under_6_megabytes(tmp_path):
    written = write_demo(tmp_path / "demo", seed=1)
    assert {path.name for path in written.files} == {
        path.name for path in COMMITTED.iterdir() if path.suffix != ".duckdb"
    }
    for path in written.files:
        assert path.read_bytes() == (COMMITTED / path.name).read_bytes(), path.name
    assert sum(path.stat().st_size for path in written.files) < 6_000_000


def test_a_fleet_of_one_truck_can_be_written(tmp_path):
    written = write_demo(tmp_path / "one", seed=3, trucks=1)
    assert len(pd.read_csv(tmp_path / "one" / "units.csv")) == 1
    assert written.truth["trucks"] == 1


def test_the_folder_says_that_all_of_it_is_invented(simulated):
    assert "invented" in (COMMITTED / "README.md").read_text(encoding="utf-8").splitlines()[0]
    assert "INVENTED" in (COMMITTED / "fleet.toml").read_text(encoding="utf-8").splitlines()[0]
    assert "invented" in simulated[1]["note"]


def test_the_bad_lot_is_about_120_boots_fitted_in_its_window_by_several_shops(simulated, good_services):
    truth = simulated[1]["bad_boot_lot"]
    fitted = good_services[good_services["lot"] == plan.BAD_LOT]
    days = pd.to_datetime(fitted["date"])
    assert 100 <= truth["fitted"] <= 140
    second_orders = fitted["note"].eq("second order, same repair").sum()
    assert len(fitted) - second_orders == truth["fitted"] == len(truth["lives"])
    assert days.min() >= pd.Timestamp(plan.BAD_LOT_WINDOW[0])
    assert (days[fitted["note"] == ""] <= pd.Timestamp(plan.BAD_LOT_WINDOW[1])).all()
    assert fitted["shop"].nunique() >= 4
    assert (fitted["component"] == "boot").all()


def test_truth_counts_the_failures_that_the_orders_show_less_those_whose_reason_was_lost(simulated, good_services):
    counts = simulated[1]["counts"]
    orders = good_services[(good_services["action"] == "replace") & (good_services["note"] == "")]
    assert len(orders) == counts["replacements"]
    failures = (orders["reason"] == "failure").sum()
    lost = (orders["reason"] == "unknown").sum()
    assert counts["failures_total"] - lost <= failures <= counts["failures_total"]
    assert failures + lost + (orders["reason"].isin(["planned", "with_mate", "campaign"])).sum() == len(orders)
    assert (orders["position"] == "").sum() == counts["position_not_recorded"]
    assert (good_services["note"] == "second order, same repair").sum() == counts["second_orders"]


def test_practice_varies_threefold_within_vocational_work(simulated):
    spread = simulated[1]["practised_interval_miles"]["vocational"]
    assert spread["p95"] / spread["p5"] >= 3


def test_rows_that_cannot_be_read_are_few_and_counted(simulated):
    tables, truth = simulated
    services = tables["services"]
    bad = services["service_id"].str.startswith("X").sum()
    assert bad + 2 == truth["counts"]["bad_rows"]
    assert services.duplicated().sum() == truth["counts"]["repeated_rows"] == 3
    assert bad / len(services) < 0.005


def test_true_meters_rise_and_the_moment_of_a_meter_is_its_inverse(world):
    rng = np.random.default_rng(0)
    truck = rng.integers(0, world.trucks.size, 5000)
    day = rng.uniform(world.trucks.build_day[truck] + 1, world.trucks.end_day[truck])
    miles = world.meters.at(truck, day)
    assert (np.diff(world.meters.miles, axis=1) >= 0).all()
    assert np.abs(world.meters.moment(truck, miles) - day).max() < 1e-6


def test_the_miles_of_a_failure_invert_the_summed_hazard():
    hazard = Hazard(np.array([2.2]), np.array([[1e-11, 4e-11, 2e-12]]), np.array([[40_000.0, 90_000.0, np.inf]]))
    at, fitted = np.array([0]), np.array([15_000.0])
    for target in (1e-4, 0.02, 0.3, 4.0):
        miles = hazard.reach(at, fitted, np.array([target]))
        assert hazard.summed(at, fitted, miles)[0] == pytest.approx(target, rel=1e-12)


def test_the_summed_hazard_is_the_integral_of_the_hazard_stretch_by_stretch():
    shape, weights, bounds = 2.2, (1e-11, 4e-11, 2e-12), (40_000.0, 90_000.0, np.inf)
    hazard = Hazard(np.array([shape]), np.array([weights]), np.array([bounds]))

    def rate(miles: float) -> float:
        weight = next(weight for weight, bound in zip(weights, bounds, strict=True) if miles <= bound)
        return weight * shape * (miles - 15_000.0) ** (shape - 1)

    direct, _ = integrate.quad(rate, 15_000.0, 130_000.0, points=[40_000.0, 90_000.0], epsrel=1e-12)
    assert hazard.summed(np.array([0]), np.array([15_000.0]), np.array([130_000.0]))[0] == pytest.approx(
        direct, rel=1e-10
    )


def test_first_center_bearings_follow_the_planted_weibull_averaged_over_trucks(world):
    # Survival with gamma frailty of variance phi and summed hazard H is (1 + phi H)^(-1/phi); Vaupel et al. 1979.
    lives, positions, trucks = world.lives, world.positions, world.trucks
    truck = positions.truck[lives.position]
    chosen = (lives.fitted == 0) & (positions.component[lives.position] == 3) & (trucks.duty_cycle[truck] == 2)
    chosen &= trucks.change_day[truck] == NEVER
    # The latent failure of a center bearing is never cut, so its whole distribution is seen.
    age = lives.latent[chosen]
    _, first = np.unique(truck[chosen], return_index=True)  # one per truck: independent
    eta, shape, phi = plan.ETA["center_bearing"][2], plan.SHAPE["center_bearing"], plan.FRAILTY_VARIANCE
    share_failed = 1 - (1 + phi * (age[first] / eta) ** shape) ** (-1 / phi)
    assert len(first) > 500
    assert stats.kstest(share_failed, "uniform").pvalue > 0.01


def test_gaps_between_stops_average_the_practised_interval(world):
    fleet = world.trucks
    practice = make_practice(fleet, world.meters)
    steady = (fleet.duty_cycle == 2) & (fleet.change_day == NEVER) & ~fleet.trial  # their plan never changes
    stops = world.greasings
    same = (stops.truck[1:] == stops.truck[:-1]) & steady[stops.truck[1:]]
    gaps = np.diff(stops.miles)[same]
    ratio = gaps / practice.interval[stops.truck[1:][same], 0]
    assert ratio.mean() == pytest.approx(1.0, abs=0.01)
    assert ratio.std() == pytest.approx(1 / np.sqrt(plan.GAP_SHAPE), abs=0.03)


def test_a_failure_found_at_an_inspection_lies_after_the_last_look_before_it(world):
    looks = both(world.greasings, world.inspections, world.meters)
    lives, truck = world.lives, world.positions.truck[world.lives.position]
    found = lives.at_inspection
    assert (looks.next_after(truck[found], lives.latent[found]) >= lives.removed[found] - 1e-6).all()
    assert (lives.latent[found] < lives.removed[found]).all()


def test_no_recorded_look_comes_between_a_hidden_failure_and_the_one_that_found_it(good_services):
    world = _world(1, 300)
    lives, positions = world.lives, world.positions
    unit = np.array(names(world.trucks))[positions.truck[lives.position]]
    visits = good_services[good_services["action"] != "replace"]
    by_unit = {name: pd.to_datetime(days).to_numpy() for name, days in visits.groupby("unit_id")["date"]}
    for life in np.flatnonzero(in_record(world) & lives.at_inspection):
        truck = positions.truck[lives.position[life : life + 1]]
        failed, found = (
            np.floor(world.meters.moment(truck, miles[life : life + 1]))[0] for miles in (lives.latent, lives.removed)
        )
        days = by_unit.get(unit[life], np.array([], dtype="datetime64[ns]")).astype("datetime64[D]").astype(int)
        assert not ((days > failed) & (days < found)).any(), (unit[life], life)


def test_loading_the_demo_finds_every_planted_failure_but_those_whose_record_was_spoilt(simulated, tmp_path):
    write_demo(tmp_path / "fleet", seed=1)
    view = View(as_of=None, scale=None, level=0.9, today=date(2026, 11, 24), unknown_as_failure=False)
    history, loaded = read_source(tmp_path / "fleet", view, store_path=":memory:", progress=lambda _: None)
    counts = simulated[1]["counts"]
    assert loaded is not None
    assert loaded.tables()["tables"]["rows_set_aside"].sum() == counts["bad_rows"]
    assert loaded.tables()["tables"]["rows_already_loaded"].sum() == counts["repeated_rows"]
    failed = history.lives[history.lives["failed"]]
    true = _true_failures()
    seen = set(zip(failed["unit_id"], failed["position"], pd.to_datetime(failed["end_date"]), strict=True))
    assert seen <= set(true)  # nothing is made up, no repair counted twice
    spoilt = set(zip(history.left_out["unit_id"], history.left_out["position"], strict=True))
    ended = history.lives[history.lives["ending"].isin(["unknown", "position_unknown"])]
    spoilt |= set(zip(ended["unit_id"], ended["position"], strict=True))
    assert {(unit, position) for unit, position, _ in set(true) - seen} <= spoilt
    assert len(seen) > 0.9 * len(true)
    ages = failed.set_index(["unit_id", "position", pd.to_datetime(failed["end_date"])])["exit_miles"]
    apart = np.array([ages[key] - true[key] for key in seen])
    assert np.quantile(np.abs(apart), 0.9) < 2  # miles; the rest had their meter worked out


def _true_failures() -> dict[tuple[str, str, pd.Timestamp], float]:
    world = _world(1, 300)
    lives, positions = world.lives, world.positions
    failed = np.flatnonzero(in_record(world) & (lives.reason == 0))
    at = lives.position[failed]
    truck = positions.truck[at]
    days = pd.to_datetime(np.floor(world.meters.moment(truck, lives.removed[failed])), unit="D")
    places = [place.position for place in positions.place[at]]
    keys = zip(names(world.trucks)[truck], places, days, strict=True)
    return dict(zip(keys, lives.removed[failed] - lives.fitted[failed], strict=True))


def test_lives_at_a_position_follow_one_another_without_gap(world):
    lives = world.lives
    same = lives.position[1:] == lives.position[:-1]
    assert (lives.removed[:-1][same] == lives.fitted[1:][same]).all()
    assert np.isinf(lives.removed[:-1][~same]).all()


def test_boots_of_the_bad_lot_and_of_the_leaking_shop_fail_as_much_earlier_as_planted(world):
    lives, positions = world.lives, world.positions
    hazard = make_hazard(make_practice(world.trucks, world.meters), positions)
    boot = (positions.component[lives.position] == 2) & (lives.fitted_shop >= 0)
    boot &= world.meters.moment(positions.truck[lives.position], lives.fitted) > RECORDS_FROM
    summed = hazard.summed(lives.position, lives.fitted, lives.latent)
    frailty = world.trucks.frailty[positions.truck[lives.position]]
    for chosen, factor in ((lives.bad_lot, plan.BAD_LOT_FACTOR), (lives.leaking, plan.LEAK_BOOT_FACTOR)):
        unit = (summed * frailty)[boot & chosen] * factor  # exponential of mean 1 if the factor is right
        assert unit.mean() == pytest.approx(1.0, abs=4 / np.sqrt(len(unit)))


def test_a_spline_beside_a_leaking_boot_wears_as_planted_from_the_failure_of_that_boot(world):
    lives, positions = world.lives, world.positions
    hazard = make_hazard(make_practice(world.trucks, world.meters), positions)
    boots = np.flatnonzero(lives.leaking)
    # The first leaking boot beside each spline life: the spline that was in place when that boot was fitted.
    keys = lives.position * 1e8 + lives.fitted
    mate = positions.mate[lives.position[boots]]
    spline = np.searchsorted(keys, mate * 1e8 + lives.fitted[boots], side="right") - 1
    spline, first = np.unique(spline, return_index=True)
    boots = boots[first]
    at, fitted, fails = lives.position[spline], lives.fitted[spline], lives.latent[spline]
    begun = hazard.summed(at, fitted, lives.fitted[boots])
    dry = hazard.summed(at, fitted, np.minimum(lives.latent[boots], fails)) - begun
    wet = hazard.summed(at, fitted, fails) - hazard.summed(at, fitted, np.minimum(lives.latent[boots], fails))
    unit = (dry + plan.LEAK_SPLINE_FACTOR * wet) * world.trucks.frailty[positions.truck[at]]
    assert (wet > 0).sum() > 200
    assert unit.mean() == pytest.approx(1.0, abs=4 / np.sqrt(len(unit)))
    assert stats.kstest(unit, "expon").pvalue > 0.001


def test_renewals_of_exponential_lives_are_their_age_and_long_ages_approach_the_known_line():
    # Elementary renewal theorem with its constant: M(t) -> t/mu + (var/mu^2 - 1)/2 (Cox 1962).
    assert renewals(1.0, np.array([0.5, 1.0, 3.0])) == pytest.approx([0.5, 1.0, 3.0], abs=1e-5)
    life = stats.weibull_min(2.2)
    line = 10 / life.mean() + (life.var() / life.mean() ** 2 - 1) / 2
    assert renewals(2.2, np.array([10.0]))[0] == pytest.approx(line, abs=1e-4)


def test_frailties_have_mean_one_and_the_planted_variance():
    z, share = frailties()
    assert (z * share).sum() == pytest.approx(1.0, abs=1e-12)
    assert ((z - 1) ** 2 * share).sum() == pytest.approx(plan.FRAILTY_VARIANCE, rel=0.02)


def test_the_best_vocational_interval_lies_inside_what_is_practised_and_the_line_haul_one_far_outside(simulated):
    best = best_intervals()
    spread = simulated[1]["practised_interval_miles"]
    assert spread["vocational"]["p5"] < best["vocational"]["while_owned_miles"] < spread["vocational"]["p50"]
    assert best["line_haul"]["while_owned_miles"] > spread["line_haul"]["p95"]


def test_truth_json_is_the_truth_returned(tmp_path):
    written = write_demo(tmp_path, seed=8, trucks=12)
    assert json.loads((tmp_path / "truth.json").read_text(encoding="utf-8")) == json.loads(json.dumps(written.truth))
