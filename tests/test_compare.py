"""Classes side by side: reference, ratios over drawn trucks, rates, costs, and what is refused."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from lifelines import WeibullAFTFitter
from lifelines.statistics import logrank_test
from scipy.stats import chi2

from tests.curve_data import read_data
from tests.curve_histories import make_history, make_lives
from wearlab.answers.compare import Comparison, compare_classes
from wearlab.curves import stratum
from wearlab.curves.adjust import find_differences
from wearlab.curves.counted import count_curve
from wearlab.curves.engine import EngineFit
from wearlab.curves.fit import Fits, fit_strata
from wearlab.curves.logrank import compare_groups
from wearlab.curves.observations import make_observations
from wearlab.curves.rates import rate_failures
from wearlab.curves.regression import compare_lives
from wearlab.curves.restricted import mean_life_until
from wearlab.curves.weibull import Weibull
from wearlab.evidence import DataError, Unanswered
from wearlab.history.config import Costs, FleetConfig, PartCost


@pytest.fixture(autouse=True)
def without_the_library(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the library out, for speed: it agrees with the own maximum (test_engine, truth); one test keeps it."""
    if "reference_is_the_class" not in request.node.name:
        monkeypatch.setattr(stratum, "fit_with_engine", lambda _, curve: EngineFit(curve, ()))


def quiet(_: str) -> None:
    """Take a progress message and say nothing."""


def compare(
    lives: pd.DataFrame, *, config: FleetConfig | None = None, factor: str = "duty_cycle", seed: int = 1
) -> Comparison:
    result = compare_classes(make_history(lives, config), factor=factor, level=0.9, seed=seed, progress=quiet)
    assert isinstance(result, Comparison), result
    return result


def two_classes(seed: int = 1, *, size: int = 150, ratio: float = 0.5, trucks: int | None = None) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    duty = np.repeat(["line_haul", "vocational"], size)
    life = np.where(duty == "line_haul", 300, 300 * ratio) * rng.weibull(2.0, 2 * size)
    watched = rng.uniform(50, 260, 2 * size)
    unit = np.arange(2 * size) if trucks is None else np.arange(2 * size) * trucks // (2 * size)
    return make_lives(
        np.minimum(life, watched),
        life <= watched,
        component="joint",
        duty_cycle=duty,
        unit_id=[f"T{number:04d}" for number in unit],
    )


def test_the_reference_is_the_class_with_the_most_failures() -> None:
    result = compare(two_classes())
    classes, contrasts = result.tables()["classes"], result.tables()["contrasts"]
    assert classes["level"].tolist() == ["line_haul", "vocational"]
    assert contrasts[["level", "reference"]].to_numpy().tolist() == [["line_haul", "vocational"]]
    b10 = classes.set_index("level")["b10"]
    row = contrasts.iloc[0]
    assert row["b10_ratio"] == pytest.approx(b10["line_haul"] / b10["vocational"])
    assert row["b10_ratio_low"] < 2.0 < row["b10_ratio_high"]
    assert row["p_value"] < 1e-4


def test_alike_classes_are_told_apart_no_more_often_than_chance() -> None:
    low = 0
    for seed in range(200):
        lives = two_classes(seed, size=40, ratio=1.0)
        obs = make_observations(lives["exit"], lives["failed"])
        second = (lives["duty_cycle"] == "vocational").to_numpy()
        p_value = compare_groups(obs, second, np.zeros(len(obs), dtype=np.int64)).p_value
        low += p_value is not None and p_value < 0.1
    assert abs(low - 20) <= 2.6 * np.sqrt(200 * 0.1 * 0.9)


def test_the_same_seed_gives_the_same_numbers_and_another_seed_others() -> None:
    lives = two_classes()
    one, same, other = (compare(lives, seed=seed).tables()["contrasts"] for seed in (1, 1, 2))
    pd.testing.assert_frame_equal(one, same)
    assert one["b10_ratio_low"].iloc[0] != other["b10_ratio_low"].iloc[0]


def test_row_order_changes_nothing() -> None:
    lives = two_classes(trucks=60)
    shuffled = lives.sample(frac=1, random_state=4).reset_index(drop=True)
    one, other = (compare(table).tables()["contrasts"] for table in (lives, shuffled))
    numbers = ["b10_ratio", "b10_ratio_low", "b10_ratio_high", "p_value"]
    np.testing.assert_allclose(one[numbers].astype(float), other[numbers].astype(float), rtol=1e-6)


def test_trucks_that_differ_widen_the_ratio() -> None:
    rng = np.random.default_rng(5)
    spread = np.repeat(rng.gamma(1.0, 1.0, 40), 10)
    duty = np.repeat(["a", "b"], 200)
    life = 200 * (rng.exponential(size=400) / spread) ** 0.5
    base = make_lives(np.minimum(life, 150), life <= 150, component="joint", duty_cycle=duty)
    widths = []
    for unit in ([f"T{number:03d}" for number in range(400)], [f"T{number // 10:03d}" for number in range(400)]):
        row = compare(base.assign(unit_id=unit)).tables()["contrasts"].iloc[0]
        widths.append(np.log(row["b10_ratio_high"] / row["b10_ratio_low"]))
    assert widths[1] > 1.3 * widths[0]


def test_costs_count_road_failures_inspections_and_planned_replacements() -> None:
    lives = make_lives(
        [100.0, 200.0, 300.0, 400.0, 150.0, 250.0],
        [1, 1, 0, 0, 1, 0],
        component="joint",
        duty_cycle=["a"] * 4 + ["b"] * 2,
        ending=["failure", "failure", "planned", "running", "failure", "out_of_service"],
        found_at=["breakdown", "inspection", None, None, "breakdown", None],
    )
    costs = Costs(parts={"joint": PartCost(380.0, 2400.0)}, by_duty_cycle={"b": {"joint": PartCost(380.0, 1800.0)}})
    table = compare(lives, config=FleetConfig(costs=costs)).tables()["classes"].set_index("level")
    assert table.loc["a", "cost_per_1000"] == pytest.approx(1000 * (2400 + 380 + 380) / 1000)
    assert table.loc["b", "cost_per_1000"] == pytest.approx(1000 * 1800 / 400)
    assert table.loc["a", "rate_per_million"] == pytest.approx(1e6 * 2 / 1000)


def test_without_costs_the_cost_is_blank_and_said_so() -> None:
    result = compare(two_classes())
    assert result.tables()["classes"]["cost_per_1000"].isna().all()
    assert any(caution.code == "no-costs" for caution in result.cautions)


def test_a_class_without_failures_has_a_rate_bound_and_a_p_value_but_no_ratio() -> None:
    lives = two_classes()
    lives = lives.assign(failed=lives["failed"] & (lives["duty_cycle"] != "line_haul"))
    result = compare(lives)
    classes, contrasts = result.tables()["classes"].set_index("level"), result.tables()["contrasts"]
    assert np.isnan(classes.loc["line_haul", "b10"])
    assert classes.loc["line_haul", "rate_per_million"] == 0.0
    assert classes.loc["line_haul", "rate_per_million_high"] > 0
    assert contrasts["b10_ratio"].isna().all()
    assert contrasts["p_value"].iloc[0] < 0.001


def test_draws_without_a_curve_leave_an_end_blank_and_are_said() -> None:
    lives = make_lives(
        [50.0, 60.0, 90.0, *[80.0] * 30, *np.linspace(20, 90, 40)],
        [1, 1, 0, *[0] * 30, *([1, 0] * 20)],
        component="joint",
        duty_cycle=["few"] * 33 + ["many"] * 40,
    )
    result = compare(lives)
    contrast = result.contrasts[0]
    assert contrast.without_curve > 100
    assert contrast.b10_ratio is not None
    assert contrast.b10_ratio.high is None
    assert any(caution.code == "draws-without-curve" for caution in result.cautions)


def test_one_class_alone_is_unanswered() -> None:
    lives = two_classes().assign(duty_cycle="line_haul")
    result = compare_classes(make_history(lives), factor="duty_cycle", level=0.9, seed=1, progress=quiet)
    assert isinstance(result, Unanswered)


def test_an_unknown_factor_is_refused_with_the_nearest_name() -> None:
    with pytest.raises(DataError) as refused:
        compare(two_classes(), factor="dutycycle")
    assert "duty_cycle" in refused.value.fix


def test_lives_without_a_level_are_left_out_and_said() -> None:
    lives = two_classes()
    lives.loc[:9, "duty_cycle"] = None
    result = compare(lives)
    assert result.tables()["classes"]["lives"].sum() == len(lives) - 10
    assert any(caution.code == "no-level" for caution in result.cautions)


def test_log_rank_is_the_librarys_where_every_life_is_a_truck() -> None:
    lives = two_classes(size=80)
    second = (lives["duty_cycle"] == "vocational").to_numpy()
    exit_ = np.ceil(lives["exit"] / 10) * 10  # ties
    obs = make_observations(exit_, lives["failed"])
    ours = compare_groups(obs, second, np.zeros(len(obs), dtype=np.int64))
    theirs = logrank_test(exit_[~second], exit_[second], lives["failed"][~second], lives["failed"][second])
    assert ours.p_value == pytest.approx(theirs.p_value, rel=1e-9)


def test_stratified_log_rank_sums_the_strata() -> None:
    lives = two_classes(size=80)
    second = (lives["duty_cycle"] == "vocational").to_numpy()
    obs = make_observations(lives["exit"], lives["failed"])
    stratum = np.arange(len(obs)) % 3
    whole = compare_groups(obs, second, stratum)
    parts = [
        compare_groups(obs.take(stratum == number), second[stratum == number], np.zeros((stratum == number).sum(), int))
        for number in range(3)
    ]
    gap = sum(part.observed - part.expected for part in parts)
    assert whole.p_value == pytest.approx(chi2.sf(gap**2 / sum(part.variance for part in parts), 1))


def test_log_rank_does_not_call_trucks_that_differ_a_difference_of_classes() -> None:
    rng = np.random.default_rng(6)
    rejected = {"rows": 0, "trucks": 0}
    for _ in range(200):
        spread = np.repeat(rng.gamma(1.0, 1.0, 30), 12)
        life = rng.exponential(size=360) / spread
        second = np.repeat(np.arange(30) % 2 == 0, 12)
        for name, truck in (("rows", np.arange(360)), ("trucks", np.repeat(np.arange(30), 12))):
            obs = make_observations(np.minimum(life, 1.0), life <= 1.0, truck=truck)
            p_value = compare_groups(obs, second, np.zeros(360, dtype=np.int64)).p_value
            rejected[name] += p_value is not None and p_value < 0.1
    assert rejected["trucks"] <= 200 * 0.1 + 2.6 * np.sqrt(200 * 0.1 * 0.9)
    assert rejected["rows"] > 200 * 0.2


def test_a_rate_without_repeats_has_the_exact_poisson_interval() -> None:
    failures, exposure = np.array([1.0, 0, 1, 0, 1]), np.array([10.0, 20, 30, 25, 15])
    rate = rate_failures(failures, exposure, np.arange(5), level=0.95)
    assert rate is not None
    assert rate.value == pytest.approx(0.03)
    assert rate.low == pytest.approx(chi2.ppf(0.025, 6) / 2 / 100)  # Garwood (1936)
    assert rate.high == pytest.approx(chi2.ppf(0.975, 8) / 2 / 100)


def test_a_rate_of_trucks_that_differ_is_wider() -> None:
    rng = np.random.default_rng(8)
    spread = rng.gamma(1.0, 1.0, 50)
    truck = np.repeat(np.arange(50), 8)
    failures = (rng.random(400) < np.minimum(0.3 * spread[truck], 1)).astype(float)
    shared = rate_failures(failures, np.ones(400), truck, level=0.9)
    alone = rate_failures(failures, np.ones(400), np.arange(400), level=0.9)
    assert shared is not None
    assert alone is not None
    assert shared.spread > 1.3
    assert shared.low < alone.low
    assert shared.high > alone.high


def test_restricted_mean_is_the_area_under_the_counted_curve() -> None:
    lives = two_classes(size=60)
    obs = make_observations(lives["exit"], lives["failed"])
    mean = mean_life_until(obs, 150.0, level=0.9)
    assert mean is not None
    grid = np.linspace(0, 150, 200_001)
    area = np.trapezoid(count_curve(obs).survival_at(grid), grid)
    assert mean.value == pytest.approx(area, rel=1e-4)
    assert mean.low < mean.value < mean.high


def test_restricted_mean_error_is_the_spread_over_samples() -> None:
    rng = np.random.default_rng(9)
    values, errors = [], []
    for _ in range(300):
        life, watched = 100 * rng.weibull(1.5, 80), rng.uniform(20, 160, 80)
        obs = make_observations(np.minimum(life, watched), life <= watched)
        mean = mean_life_until(obs, 120.0, level=0.9)
        if mean is not None:
            values.append(mean.value)
            errors.append((mean.high - mean.low) / (2 * 1.6449))
    assert np.mean(errors) == pytest.approx(np.std(values), rel=0.12)


def test_heat_exchanger_plants_compare_without_truck_names() -> None:
    # Meeker & Escobar (1998): plants 1 to 3, cracks found at yearly inspections; counts stand for like tubes.
    data = read_data("heat_exchanger.csv")
    failed = data["upper"].notna()
    lives = make_lives(
        data["upper"].fillna(data["lower"]),
        failed,
        lower=data["lower"].where(failed),
        upper=data["upper"],
        count=data["count"].astype(float),
        region=data["plant"].astype(str),
        unit_id=None,
    )
    result = compare(lives, factor="region")
    assert result.tables()["classes"]["lives"].sum() == 300
    assert len(result.contrasts) == 2
    assert any(caution.code == "no-truck" for caution in result.cautions)


def test_a_difference_that_hardware_makes_is_taken_out_when_hardware_is_held_equal() -> None:
    rng = np.random.default_rng(11)
    duty = np.repeat(["line_haul", "vocational"], 400)
    sealed = rng.random(800) < np.where(duty == "line_haul", 0.75, 0.25)
    life = np.where(sealed, 300, 150) * rng.weibull(2.2, 800)  # duty itself makes no difference
    watched = rng.uniform(60, 300, 800)
    lives = make_lives(
        np.minimum(life, watched),
        life <= watched,
        component="joint",
        duty_cycle=duty,
        hardware=np.where(sealed, "sealed", "greaseable"),
    )
    row = compare(lives).tables()["contrasts"].iloc[0]
    assert row["p_value"] < 0.01
    assert row["adjusted_for"] == ["hardware"]
    assert row["b10_ratio_adjusted_low"] < 1.0 < row["b10_ratio_adjusted_high"]
    assert row["p_value_adjusted"] > 0.05
    assert row["p_value_stratified"] > 0.05
    assert row["held_equal"] == "hardware"
    assert abs(np.log(row["b10_ratio"])) > 4 * abs(np.log(row["b10_ratio_adjusted"]))


def test_nothing_is_adjusted_for_where_classes_do_not_differ_otherwise() -> None:
    row = compare(two_classes().assign(hardware="sealed")).tables()["contrasts"].iloc[0]
    assert row["adjusted_for"] == []
    assert np.isnan(row["p_value_stratified"])
    assert np.isnan(row["b10_ratio_adjusted"])


def test_regression_is_the_librarys_accelerated_life_fit() -> None:
    rng = np.random.default_rng(12)
    group, year = rng.random(500) < 0.5, rng.normal(size=500)
    life = 300 * np.exp(-0.5 * group - 0.3 * year) * rng.weibull(2, 500)
    watched = rng.uniform(50, 400, 500)
    entry = np.where(rng.random(500) < 0.3, rng.uniform(0, 60, 500), 0.0)
    seen = np.minimum(life, watched) > entry
    obs = make_observations(np.minimum(life, watched)[seen], (life <= watched)[seen], entry=entry[seen])
    found = compare_lives(obs, np.column_stack([group, year])[seen], Weibull(1.5, 250.0), level=0.9)
    assert found is not None
    frame = pd.DataFrame(
        {"t": obs.exit, "d": obs.failed, "e": obs.entry, "group": group[seen].astype(float), "year": year[seen]}
    )
    library = WeibullAFTFitter().fit(frame, "t", "d", entry_col="e")
    assert found.factor == pytest.approx(np.exp(library.params_[("lambda_", "group")]), rel=1e-4)
    error = library.summary.loc[("lambda_", "group"), "se(coef)"]
    assert np.log(found.high / found.factor) == pytest.approx(1.6449 * error, rel=0.15)


def test_regression_reads_intervals_as_the_plain_likelihood_does() -> None:
    # Two classes with their own columns and one shape: the log-likelihood's slope is zero at the answer.
    rng = np.random.default_rng(13)
    group = np.arange(300) % 2 == 1
    life = np.where(group, 150, 300) * rng.weibull(2.0, 300)
    lower = np.floor(life / 40) * 40
    obs = make_observations(lower + 40, np.ones(300), lower=lower, upper=lower + 40)
    found = compare_lives(obs, group[:, None].astype(float), Weibull(1.5, 250.0), level=0.9)
    assert found is not None
    assert found.low < 0.5 < found.high
    assert found.factor == pytest.approx(0.5, abs=0.06)


def test_a_number_that_differs_between_classes_is_held_equal_unless_they_do_not_overlap() -> None:
    lives = two_classes(size=60)
    second = (lives["duty_cycle"] == "vocational").to_numpy()
    rng = np.random.default_rng(14)
    year = 2015 + rng.integers(0, 6, len(lives)) + 2 * second
    near = find_differences(lives.assign(model_year=year.astype(str)), second, factor="duty_cycle")
    assert near.names == ("model_year",)
    thirds = np.bincount(near.stratum)
    assert len(thirds) == 3
    assert thirds.min() > 0.15 * len(lives)
    apart = find_differences(lives.assign(model_year=year + 40 * second), second, factor="duty_cycle")
    assert apart.names == ()
    alike = find_differences(lives.assign(model_year=2015 + np.arange(len(lives)) % 6), second, factor="duty_cycle")
    assert alike.names == ()


def test_axle_ratio_is_that_of_the_truck_and_is_held_equal_where_classes_differ_in_it() -> None:
    rng = np.random.default_rng(15)
    duty = np.repeat(["line_haul", "vocational"], 400)
    ratio = np.where(duty == "line_haul", rng.normal(3.2, 0.4, 800), rng.normal(3.9, 0.4, 800))
    life = 300 * np.exp(-0.8 * (ratio - 3.2)) * rng.weibull(2.2, 800)  # duty itself makes no difference
    watched = rng.uniform(40, 300, 800)
    lives = make_lives(np.minimum(life, watched), life <= watched, component="joint", duty_cycle=duty)
    units = pd.DataFrame({"unit_id": lives["unit_id"], "axle_ratio": ratio})
    result = compare_classes(
        replace(make_history(lives), units=units), factor="duty_cycle", level=0.9, seed=1, progress=quiet
    )
    assert isinstance(result, Comparison)
    row = result.tables()["contrasts"].iloc[0]
    assert row["held_equal"] == "axle_ratio"
    assert row["b10_ratio_adjusted_low"] < 1.0 < row["b10_ratio_adjusted_high"]
    assert abs(np.log(row["b10_ratio"])) > 3 * abs(np.log(row["b10_ratio_adjusted"]))
    assert row["p_value"] < 0.001 < row["p_value_stratified"]


def test_curves_already_fitted_are_taken_over_and_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    history = make_history(two_classes(trucks=40))
    fits = fit_strata(history, by=None, component=None, mode=None, level=0.9, seed=1)
    assert isinstance(fits, Fits)
    asked = {"factor": "duty_cycle", "level": 0.9, "seed": 1, "progress": quiet}
    alone = compare_classes(history, **asked)  # type: ignore[arg-type]
    monkeypatch.setattr("wearlab.answers.compare.fit_stratum", None)
    handed = compare_classes(history, **asked, fitted=fits.plain)  # type: ignore[arg-type]
    assert isinstance(alone, Comparison)
    assert isinstance(handed, Comparison)
    assert handed.cautions == alone.cautions
    for name, table in alone.tables().items():
        pd.testing.assert_frame_equal(handed.tables()[name], table)


def test_curves_of_other_lives_are_not_taken_over() -> None:
    lives = two_classes()
    fits = fit_strata(make_history(lives.iloc[1:]), by=None, component=None, mode=None, level=0.9, seed=1)
    assert isinstance(fits, Fits)
    asked = {"factor": "duty_cycle", "level": 0.9, "seed": 1, "progress": quiet}
    handed = compare_classes(make_history(lives), **asked, fitted=fits.plain)  # type: ignore[arg-type]
    assert isinstance(handed, Comparison)
    assert [item.fit.lives for item in handed.classes] == [150, 150]


@pytest.mark.parametrize(("kept", "said"), [(9, True), (10, False)])
def test_a_ratio_with_few_failures_in_a_class_says_that_its_interval_is_wider_than_stated(
    kept: int, said: bool
) -> None:
    lives = two_classes()
    vocational = (lives["duty_cycle"] == "vocational").to_numpy()
    among = np.cumsum(vocational & lives["failed"].to_numpy())
    result = compare(lives.assign(failed=lives["failed"] & (~vocational | (among <= kept))))
    assert min(item.fit.failures for item in result.classes) == kept
    texts = [caution.text for caution in result.cautions if caution.code == "few-failures-ratio"]
    assert bool(texts) == said
    assert all(text.startswith("joint, vocational against line_haul: ") for text in texts)
