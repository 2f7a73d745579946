"""Lives to life curves: what is fitted, what is refused, and what is said of it."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import gamma

from tests.curve_data import load_case, value_of
from tests.curve_histories import make_history, make_lives
from wearlab.curves import stratum
from wearlab.curves.batch import fit_weibulls
from wearlab.curves.engine import EngineFit
from wearlab.curves.fit import Fit, Fits, Unfitted, fit_strata
from wearlab.curves.frailty import fit_trucks
from wearlab.curves.observations import Observations, make_observations
from wearlab.curves.truck_likelihood import truck_likelihood
from wearlab.curves.weibull import Weibull
from wearlab.evidence import DataError, Unanswered

WANTED = [
    *("lives", "failures", "beta", "beta_low", "beta_high", "eta", "eta_low", "eta_high", "b1", "b10", "b10_low"),
    *("b10_high", "b50", "log_likelihood", "beta_pooled", "eta_pooled", "b10_pooled", "frailty_variance", "method"),
    "cautions",
]


@pytest.fixture(autouse=True)
def without_the_library(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the library out, for speed: it agrees with the own maximum (test_engine, truth); one test keeps it."""
    if "agreed_numbers" not in request.node.name:
        monkeypatch.setattr(stratum, "fit_with_engine", lambda _, curve: EngineFit(curve, ()))


def fit(lives: pd.DataFrame, **asked: object) -> Fits:
    options = {"by": None, "component": None, "mode": None, "level": 0.9, "seed": 1} | asked
    result = fit_strata(make_history(lives), **options)  # type: ignore[arg-type]
    assert isinstance(result, Fits), result
    return result


def lives_of(obs: Observations, **columns: object) -> pd.DataFrame:
    return make_lives(
        obs.exit, obs.failed, entry=obs.entry, lower=obs.lower, upper=obs.upper, count=obs.count, **columns
    )


def fleet(seed: int = 1, *, size: int = 300) -> pd.DataFrame:
    """Return simulated joints and boots in two duty cycles, one life per truck."""
    rng = np.random.default_rng(seed)
    component = np.repeat(["joint", "boot"], size)
    duty = np.tile(np.repeat(["line_haul", "vocational"], size // 2), 2)
    life = np.where(duty == "line_haul", 300, 150) * rng.weibull(2.0, 2 * size)
    watched = rng.uniform(50, 250, 2 * size)
    hardware = np.where(rng.random(2 * size) < 0.5, "sealed", "greaseable")
    mode = np.where(life <= watched, np.where(rng.random(2 * size) < 0.4, "seized", "worn"), None)
    return make_lives(
        np.minimum(life, watched),
        life <= watched,
        component=component,
        duty_cycle=duty,
        hardware=hardware,
        mode=mode,
    )


def test_a_lives_file_without_strata_gives_one_row_with_the_agreed_numbers() -> None:
    table = fit(lives_of(load_case("shock_absorber_all"))).tables()["fits"]
    assert list(table.columns[: len(WANTED) - 9])[:5] == ["lives", "failures", "beta", "beta_low", "beta_high"]
    assert set(WANTED) <= set(table.columns)
    assert len(table) == 1
    row = table.iloc[0]
    assert row["beta"] == pytest.approx(value_of("shock_absorber_all", "weibull.beta"), rel=1e-9)
    assert row["b10"] == pytest.approx(value_of("shock_absorber_all", "weibull.B10"), rel=1e-9)
    assert row["log_likelihood"] == pytest.approx(value_of("shock_absorber_all", "weibull.loglik"), rel=1e-9)
    assert row["method"].startswith("maximum likelihood: lifelines")


def test_strata_are_component_and_duty_cycle_unless_others_are_named() -> None:
    lives = fleet()
    table = fit(lives).tables()["fits"]
    assert table[["component", "duty_cycle"]].to_numpy().tolist() == [
        ["boot", "line_haul"],
        ["boot", "vocational"],
        ["joint", "line_haul"],
        ["joint", "vocational"],
    ]
    assert table["lives"].sum() == len(lives)
    other = fit(lives, by=("hardware",)).tables()["fits"]
    assert other["hardware"].tolist() == ["greaseable", "sealed"]
    assert fit(lives, component="joint").tables()["fits"]["component"].tolist() == ["joint", "joint"]


def test_a_column_without_values_does_not_part_the_strata() -> None:
    table = fit(fleet().assign(duty_cycle=None)).tables()["fits"]
    assert "duty_cycle" not in table
    assert table["component"].tolist() == ["boot", "joint"]


@pytest.mark.parametrize(
    ("asked", "nearest"),
    [
        ({"by": ("duty",)}, "duty_cycle"),
        ({"by": ("mode",)}, "component"),
        ({"component": "joints"}, "joint"),
        ({"mode": "siezed"}, "seized"),
    ],
)
def test_an_unknown_column_component_or_mode_is_refused_with_the_nearest_name(
    asked: dict[str, object], nearest: str
) -> None:
    with pytest.raises(DataError) as refused:
        fit(fleet(), **asked)
    assert nearest in refused.value.fix


def test_a_modes_own_curve_treats_the_other_modes_as_suspensions() -> None:
    both = load_case("shock_absorber_all")
    mode = np.where(both.failed, np.where(load_case("shock_absorber_M1").failed, "M1", "M2"), None)
    row = fit(lives_of(both, mode=mode), mode="M1").tables()["fits"].iloc[0]
    assert row["failures"] == load_case("shock_absorber_M1").failures
    assert row["beta"] == pytest.approx(value_of("shock_absorber_M1", "weibull.beta"), rel=1e-9)


def test_another_mode_found_at_an_inspection_is_suspended_between_the_looks() -> None:
    lives = make_lives(
        [100.0, 50.0, 80.0, 120.0],
        [1, 1, 1, 0],
        mode=["worn", "torn", "worn", None],
        lower=[np.nan, 30.0, np.nan, np.nan],
        upper=[np.nan, 50.0, np.nan, np.nan],
    )
    item = fit(lives, mode="worn").items[0]
    assert item.observations.exit.tolist() == [100.0, 40.0, 80.0, 120.0]
    assert item.failures == 2


def test_a_stratum_without_failures_is_nulls_with_a_bound_at_the_class_shape() -> None:
    lives = fleet()
    quiet = (lives["component"] == "joint") & (lives["duty_cycle"] == "line_haul")
    lives = lives.assign(failed=lives["failed"] & ~quiet, mode=lives["mode"].where(~quiet, None))
    more = lives[lives["component"] == "joint"].assign(
        duty_cycle="regional", unit_id=[f"R{n}" for n in range(int((lives["component"] == "joint").sum()))]
    )
    result = fit(pd.concat([lives, more.assign(failed=more.index % 2 == 0)], ignore_index=True))
    row = result.tables()["fits"].set_index(["component", "duty_cycle"]).loc[("joint", "line_haul")]
    assert row[["beta", "beta_low", "eta", "b10", "log_likelihood", "beta_pooled"]].isna().all()
    assert row["failures"] == 0
    assert row["assumed_shape"] != 2.0
    assert row["b10_lower_bound"] > 0
    assert any("none of the 150 parts has failed" in text.lower() for text in row["cautions"])


def test_no_stratum_with_a_curve_is_unanswered_and_says_what_is_missing() -> None:
    obs = make_observations([500.0, 1000.0, 1500.0], [0, 0, 0], count=[10.0, 12.0, 8.0])
    result = fit_strata(make_history(lives_of(obs)), by=None, component=None, mode=None, level=0.9, seed=1)
    assert isinstance(result, Unanswered)
    assert "None of the 30 parts has failed" in result.text
    assert any("at most one in ten would fail by" in caution.text for caution in result.cautions)


@pytest.mark.parametrize("exits", [[100.0, 40.0, 50.0], [70.0, 70.0, 70.0]])
def test_one_failure_at_the_oldest_age_or_equal_lives_are_refused(exits: list[float]) -> None:
    failed = [1, 0, 0] if exits[1] != exits[0] else [1, 1, 1]
    result = fit_strata(make_history(make_lives(exits, failed)), by=None, component=None, mode=None, level=0.9, seed=1)
    assert isinstance(result, Unanswered)
    assert "no shape" in result.text


def test_three_failures_among_many_lives_are_a_fit_with_a_caution() -> None:
    exits = np.concatenate([[20.0, 35.0, 50.0], np.linspace(30, 120, 1937)])
    result = fit(make_lives(exits, np.arange(1940) < 3))
    row = result.tables()["fits"].iloc[0]
    assert np.isfinite(row["beta"])
    assert any("Only 3 of 1,940 parts have failed" in text for text in row["cautions"])


def test_lives_of_zero_length_are_never_fitted() -> None:
    lives = make_lives([0.0, 50.0, 60.0, 90.0], [1, 1, 1, 0])
    assert fit(lives).items[0].lives == 3


def test_every_interval_holds_its_estimate() -> None:
    rng = np.random.default_rng(5)
    for factor in (0.0, 0.8):
        trucks = np.repeat(np.arange(60), 6)
        spread = rng.gamma(1 / factor, factor, 60) if factor else np.ones(60)
        life = 200 * (rng.exponential(size=360) / spread[trucks]) ** 0.5
        watched = rng.uniform(60, 220, 360)
        lives = make_lives(np.minimum(life, watched), life <= watched, unit_id=[f"T{code:03d}" for code in trucks])
        row = fit(lives).tables()["fits"].iloc[0]
        for name in ("beta", "eta", "b1", "b10", "b50"):
            assert row[f"{name}_low"] <= row[name] <= row[f"{name}_high"]


def test_a_wider_level_gives_a_wider_interval() -> None:
    lives = lives_of(load_case("diesel_fan"))
    narrow, wide = (fit(lives, level=level).tables()["fits"].iloc[0] for level in (0.5, 0.95))
    assert wide["b10_low"] < narrow["b10_low"] < narrow["b10_high"] < wide["b10_high"]


def test_several_lives_per_truck_widen_the_interval_and_say_how() -> None:
    rng = np.random.default_rng(7)
    trucks = np.repeat(np.arange(40), 12)
    life = 200 * (rng.exponential(size=480) / rng.gamma(1.25, 0.8, 40)[trucks]) ** 0.5
    lives = make_lives(np.minimum(life, 150.0), life <= 150.0)
    alone = fit(lives).tables()["fits"].iloc[0]
    shared = fit(lives.assign(unit_id=[f"T{code:02d}" for code in trucks])).tables()["fits"].iloc[0]
    assert shared["beta"] == alone["beta"]
    widths = [np.log(row["b10_high"] / row["b10_low"]) for row in (shared, alone)]
    assert widths[0] > 1.2 * widths[1]
    assert shared["frailty_variance"] > 0.3
    assert "truck factor" in shared["method"]
    assert not any("ends at the value itself" in text for text in shared["cautions"])
    assert np.isnan(alone["frailty_variance"])


def test_few_failures_on_shared_trucks_say_that_their_spread_is_unknown() -> None:
    lives = make_lives(
        np.linspace(20, 120, 60), np.arange(60) % 5 == 0, unit_id=[f"T{number // 6}" for number in range(60)]
    )
    assert any(caution.code == "truck-spread-unknown" for caution in fit(lives).items[0].cautions)


def test_the_drawn_band_holds_the_curve_and_meets_the_printed_limits() -> None:
    result = fit(lives_of(load_case("ball_bearing")))
    curves = result.tables()["curves"]
    assert (curves["low"] <= curves["survival"] + 1e-12).all()
    assert (curves["high"] >= curves["survival"] - 1e-12).all()
    assert curves["survival"].is_monotonic_decreasing
    item = result.items[0]
    assert isinstance(item, Fit)
    assert item.b10.low is not None
    at_low_b10 = np.interp(item.b10.low, curves["age"], curves["low"])
    assert at_low_b10 == pytest.approx(0.9, abs=0.01)


def test_pooled_shapes_lie_between_their_own_and_the_class() -> None:
    table = fit(fleet(size=80)).tables()["fits"]
    for _, rows in table.groupby("component"):
        assert np.ptp(rows["beta_pooled"]) < np.ptp(rows["beta"])


def test_fits_are_the_same_whatever_the_order_of_rows_and_the_unit_of_age() -> None:
    lives = fleet()
    shuffled = lives.sample(frac=1.0, random_state=3).reset_index(drop=True)
    one, other = fit(lives).tables()["fits"], fit(shuffled).tables()["fits"]
    numbers = ["beta", "beta_low", "beta_high", "b10", "log_likelihood", "beta_pooled"]
    np.testing.assert_allclose(one[numbers], other[numbers], rtol=1e-8)
    in_km = fit(lives.assign(exit=lives["exit"] * 1.609344)).tables()["fits"]
    shapes = ["beta", "beta_low", "beta_high", "beta_pooled"]
    np.testing.assert_allclose(one[shapes], in_km[shapes], rtol=1e-6)
    np.testing.assert_allclose(one["b10"] * 1.609344, in_km["b10"], rtol=1e-8)


def test_the_truck_likelihood_is_the_integral_over_the_truck_factor() -> None:
    rng = np.random.default_rng(9)
    life, watched, trucks = 300 * rng.weibull(2.0, 40), rng.uniform(100, 300, 40), np.repeat(np.arange(8), 5)
    entry = np.where(rng.random(40) < 0.4, rng.uniform(0, 90, 40), 0.0)
    failed = life <= watched
    found = failed & (rng.random(40) < 0.5)
    lower, upper = (
        np.where(found, np.floor(life / 25) * 25, np.nan),
        np.where(found, np.floor(life / 25) * 25 + 25, np.nan),
    )
    exit_ = np.where(found, upper, np.minimum(life, watched))
    seen = exit_ > entry
    obs = make_observations(
        exit_[seen], failed[seen], entry=entry[seen], lower=lower[seen], upper=upper[seen], truck=trucks[seen]
    )
    curve, variance = Weibull(shape=1.8, eta=280.0), 0.6

    def density(z: float, part: Observations) -> float:
        value = gamma.pdf(z, 1 / variance, scale=variance)
        for row in range(len(part)):
            value *= np.exp(z * curve.cumulative_hazard(part.entry[row]))
            if part.between[row]:
                ends = curve.cumulative_hazard(np.array([part.lower[row], part.upper[row]]))
                value *= np.exp(-z * ends[0]) - np.exp(-z * ends[1])
            else:
                value *= np.exp(-z * curve.cumulative_hazard(part.exit[row]))
                value *= z * float(curve.hazard(part.exit[row])) if part.failed[row] else 1.0
        return float(value)

    total = 0.0
    for truck in np.unique(obs.truck):
        part = obs.take(obs.truck == truck)
        total += np.log(sum(quad(density, *span, args=(part,), limit=300)[0] for span in ((0, 3), (3, 60))))
    point = np.array([[np.log(curve.shape), np.log(curve.eta), np.sqrt(variance)]])
    assert truck_likelihood(obs).slopes(point).value[0] == pytest.approx(total, abs=2e-6)


def test_the_truck_fit_recovers_a_planted_spread() -> None:
    rng = np.random.default_rng(10)
    trucks = np.repeat(np.arange(400), 6)
    life = 300 * (rng.exponential(size=2400) / rng.gamma(2.0, 0.5, 400)[trucks]) ** (1 / 2.2)
    obs = make_observations(np.minimum(life, 260.0), life <= 260.0, truck=trucks)
    plain = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1)
    found = fit_trucks(obs, Weibull(float(plain.shape[0]), float(np.exp(plain.log_eta[0]))))
    assert found is not None
    assert found.variance == pytest.approx(0.5, abs=0.15)
    assert found.curve.shape == pytest.approx(2.2, abs=4 * 2.2 * 0.78 / np.sqrt(obs.failures))
    # averaged over trucks: 1 − (1 + φH)^(−1/φ) with the planted values
    truth = 300 * ((0.9**-0.5 - 1) / 0.5) ** (1 / 2.2)
    assert found.life_at(0.1) == pytest.approx(truth, rel=0.05)


def test_without_spread_the_truck_fit_is_the_plain_one() -> None:
    rng = np.random.default_rng(2)
    for seed in range(6):
        rng = np.random.default_rng(seed)
        life = 300 * rng.weibull(2.0, 600)
        obs = make_observations(np.minimum(life, 250.0), life <= 250.0, truck=np.repeat(np.arange(100), 6))
        plain = fit_weibulls(obs, np.zeros(600, dtype=np.int64), strata=1)
        curve = Weibull(float(plain.shape[0]), float(np.exp(plain.log_eta[0])))
        found = fit_trucks(obs, curve)
        assert found is not None
        assert found.log_likelihood >= plain.log_likelihood[0] - 1e-6
        if found.variance < 1e-6:
            assert found.curve.shape == pytest.approx(curve.shape, rel=1e-3)
            break
    else:
        pytest.fail("no sample without estimated spread among six")


def test_unfitted_strata_stand_beside_fitted_ones() -> None:
    lives = make_lives(
        [10.0, 20.0, 30.0, 40.0, 50.0], [1, 1, 0, 0, 0], component="boot", duty_cycle=["a", "a", "a", "b", "b"]
    )
    kinds = [type(item) for item in fit(lives).items]
    assert kinds == [Fit, Unfitted]


def test_the_counted_line_of_inspection_data_is_turnbulls() -> None:
    curves = fit(lives_of(load_case("heat_exchanger"))).tables()["curves"]
    before_three = curves[(curves["age"] >= 2) & (curves["age"] < 3)]["observed"].iloc[-1]
    assert 1 - before_three == pytest.approx(value_of("heat_exchanger", "npmle.F(2)"), abs=2e-4)


def test_an_estimate_outside_the_truck_interval_stretches_it_and_is_explained() -> None:
    # Positions renewed over a long window: a bad truck uses up many parts, so lives weigh bad trucks more.
    rng = np.random.default_rng(12)
    exits, failed, units = [], [], []
    for truck in range(60):
        factor = rng.gamma(0.8, 1.25)
        for _ in range(3):
            left = 900.0
            while left > 0:
                life = 300 * (rng.exponential() / factor) ** 0.4
                exits.append(min(life, left))
                failed.append(life <= left)
                units.append(f"T{truck:02d}")
                left -= life
    item = fit(make_lives(exits, failed, unit_id=units)).items[0]
    assert isinstance(item, Fit)
    assert item.truck is not None
    low, high = item.life_limits(np.array([0.1]))[0]
    assert low is not None
    assert high is not None
    assert not low <= item.b10.value <= high
    assert item.b10.low is not None
    assert item.b10.high is not None
    assert item.b10.low <= item.b10.value <= item.b10.high
    assert any(caution.code == "trucks-differ" for caution in item.cautions)
    (drawn_out,) = [caution.text for caution in item.cautions if caution.code == "interval-drawn-out"]
    said = drawn_out.split(" of ")[1].split(" ends at ")[0].split(", ")
    named = (("shape", item.shape), ("characteristic life", item.eta), ("B10", item.b10), ("B50", item.b50))
    for name, estimate in named:
        assert (name in said) == (estimate.value in (estimate.low, estimate.high))
    assert f"B10 is {float(f'{item.truck.life_at(0.1):.3g}'):,.10g}" in drawn_out
    row = fit(make_lives(exits, failed, unit_id=units)).tables()["fits"].iloc[0]
    assert low <= row["b10_averaged"] <= high


@pytest.mark.parametrize("seed", range(24))
def test_odd_small_fleets_give_finite_numbers_within_their_intervals_or_a_reason(seed: int) -> None:
    rng = np.random.default_rng(seed)
    size = int(rng.integers(2, 70))
    life, watched = rng.weibull(np.exp(rng.uniform(-1, 2)), size), rng.uniform(0, rng.uniform(0.3, 2.5), size)
    entry = np.where(rng.random(size) < rng.random(), rng.uniform(0, 0.6, size), 0.0)
    failed, step, scale = life <= watched, rng.uniform(0.1, 0.7), 10.0 ** rng.uniform(-3, 7)
    found = failed & (rng.random(size) < rng.choice([0.0, 0.5]))
    lower = np.where(found, np.floor(life / step) * step, np.nan)
    exit_ = np.where(found, lower + step, np.minimum(life, watched))
    seen = (exit_ > entry) & (life > entry)
    lives = make_lives(
        scale * exit_[seen],
        failed[seen],
        entry=scale * entry[seen],
        lower=scale * lower[seen],
        upper=np.where(found, scale * exit_, np.nan)[seen],
        count=rng.integers(1, 4, size)[seen].astype(float),
        unit_id=[f"T{number}" for number in rng.integers(0, size, size)[seen] // 3],
        mode=np.where(failed, "worn", None)[seen],
    )
    result = fit_strata(make_history(lives), by=None, component=None, mode=None, level=0.9, seed=1)
    if isinstance(result, Unanswered):
        assert result.text
        return
    for table in result.tables().values():
        assert not np.isinf(table.select_dtypes("number").to_numpy(dtype=float)).any()
    row = result.tables()["fits"].iloc[0]
    for name in ("beta", "eta", "b1", "b10", "b50"):
        assert not row[f"{name}_low"] > row[name]
        assert not row[f"{name}_high"] < row[name]


def test_a_handful_of_trucks_with_two_lives_does_not_bring_in_the_truck_factor() -> None:
    rng = np.random.default_rng(13)
    life = 200 * rng.weibull(2.0, 200)
    units = [f"T{number}" for number in range(194)] + [f"T{number}" for number in range(6)]
    item = fit(make_lives(np.minimum(life, 180), life <= 180, unit_id=units)).items[0]
    assert isinstance(item, Fit)
    assert item.truck is None
    assert "truck factor" not in item.method


def test_lives_of_unknown_age_are_said_where_trucks_are_told_apart() -> None:
    rng = np.random.default_rng(14)
    life = 200 * rng.weibull(2.0, 240)
    lives = make_lives(np.minimum(life, 180), life <= 180, unit_id=[f"T{number // 6:02d}" for number in range(240)])
    left_out = pd.DataFrame({"reason": ["age_unknown"] * 9, "lives": 2})
    history = replace(make_history(lives), left_out=left_out)
    result = fit_strata(history, by=None, component=None, mode=None, level=0.9, seed=1)
    assert [caution.code for caution in result.cautions if caution.code == "unknown-ages"] == ["unknown-ages"]
    assert not any(caution.code == "unknown-ages" for caution in fit(lives).cautions)
