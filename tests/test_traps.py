"""Where the fitting library, or a usual way of counting, is wrong without a word: each case, and what is done instead.

Found by experiment with lifelines 0.30.3; the library's own answer stands in the test where that is quick to show.
"""

import numpy as np
import pandas as pd
import pytest
from lifelines import KaplanMeierFitter, WeibullFitter
from lifelines.exceptions import StatError

from tests.curve_data import load_case, read_data, value_of
from tests.curve_histories import make_history, make_lives
from wearlab.curves import stratum
from wearlab.curves.batch import fit_weibulls
from wearlab.curves.counted import beyond, count_curve, thin_until, watch_from
from wearlab.curves.engine import EngineFit
from wearlab.curves.fit import Fit, Fits, Unfitted, fit_strata
from wearlab.curves.observations import Observations, make_observations
from wearlab.curves.quality import rank_failures
from wearlab.curves.restricted import mean_life_until
from wearlab.curves.turnbull import count_between
from wearlab.curves.weibull import Weibull
from wearlab.evidence import DataError, Unanswered


def fit(lives: pd.DataFrame) -> Fits | Unanswered:
    return fit_strata(make_history(lives), by=None, component=None, mode=None, level=0.9, seed=1)


def lives_of(obs: Observations, **columns: object) -> pd.DataFrame:
    return make_lives(
        obs.exit, obs.failed, entry=obs.entry, lower=obs.lower, upper=obs.upper, count=obs.count, **columns
    )


def why(obs: Observations) -> str:
    return str(fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1).why[0])


@pytest.mark.filterwarnings("ignore")
def test_survivors_alone_are_no_fit_though_the_library_gives_one() -> None:
    obs = make_observations([500.0, 1000.0, 1500.0], [0, 0, 0])
    assert np.isfinite(WeibullFitter().fit(obs.exit, obs.failed).rho_)
    result = fit(lives_of(obs))
    assert isinstance(result, Unanswered)
    assert any("at most one in ten would fail by" in caution.text for caution in result.cautions)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("exits", "failed"), [([100.0, 40.0, 50.0], [1, 0, 0]), ([70.0, 70.0, 70.0], [1, 1, 1]), ([9.0], [1])]
)
def test_one_failure_at_the_oldest_age_or_failures_at_one_age_are_no_fit(exits: list[float], failed: list[int]) -> None:
    obs = make_observations(exits, failed)
    assert why(obs) == "failures without spread"
    if len(exits) > 1:
        assert WeibullFitter().fit(obs.exit, obs.failed).rho_ > 1e3
    assert isinstance(fit(lives_of(obs)), Unanswered)


def test_one_failure_that_is_not_the_oldest_is_a_fit_whose_uncertainty_is_said() -> None:
    result = fit(make_lives(np.linspace(20, 400, 20), np.arange(20) == 6))
    assert isinstance(result, Fits)
    row = result.tables()["fits"].iloc[0]
    assert any("only 1 of 20 parts has failed" in text.lower() for text in row["cautions"])
    assert np.isnan(row["b50_high"]) or row["b50_high"] > 10 * row["b50"]


@pytest.mark.parametrize("entry", [100.0, 120.0, np.nan])
def test_a_life_that_ends_when_it_enters_or_before_is_refused_though_the_library_takes_it(entry: float) -> None:
    WeibullFitter().fit([50.0, 100.0, 150.0], [1, 1, 0], entry=[0.0, entry, 0.0])
    with pytest.raises(DataError, match="life 1"):
        make_observations([50.0, 100.0, 150.0], [1, 1, 0], entry=[0.0, entry, 0.0])


def test_four_residents_who_left_on_the_day_they_came_are_left_out() -> None:
    rows = read_data("channing.csv")
    lives = make_lives(rows["age"], rows["death"] == 1, entry=rows["ageentry"].astype(float))
    result = fit(lives)
    assert isinstance(result, Fits)
    assert (rows["age"] <= rows["ageentry"]).sum() == 4
    assert result.items[0].lives == len(rows) - 4


@pytest.mark.parametrize(("column", "value"), [("failed", 2.0), ("count", -1.0)])
def test_status_codes_beyond_0_and_1_and_negative_counts_are_refused(column: str, value: float) -> None:
    given = {"exit_": [50.0, 100.0], "failed": [1.0, 1.0], "count": [1.0, 1.0]}
    given[column][1] = value
    with pytest.raises(DataError, match=column):
        make_observations(**given)  # type: ignore[arg-type]


def test_intervals_that_share_an_end_do_not_lend_each_other_mass() -> None:
    # The library's nonparametric estimate takes [lower, upper] as closed: S(1) = 1.0000 here; agreed .9867.
    obs = load_case("heat_exchanger")
    lower, upper = np.where(obs.between, obs.lower, obs.exit), np.where(obs.failed, obs.exit, np.inf)
    closed = KaplanMeierFitter().fit_interval_censoring(lower, upper, weights=obs.count)
    own = count_between(obs)
    assert own is not None
    assert own.failed_share(np.array([1.0]))[0] == pytest.approx(value_of("heat_exchanger", "npmle.F(1)"), abs=2e-6)
    result = fit(lives_of(obs))
    assert isinstance(result, Fits)
    assert set(result.tables()["curves"]["counted_by"]) == {"Turnbull"}
    assert closed.survival_function_.loc[1.0].tolist() == [1.0, 1.0]


def test_ties_count_as_failures_over_the_number_watched() -> None:
    counted = count_curve(load_case("diesel_fan"))
    place = int(np.searchsorted(counted.age, 1150.0, side="right")) - 1
    assert counted.cumulative_hazard[place] == pytest.approx(0.043697, abs=5e-7)  # 1/n + 1/(n−1) gives .043917


def test_limits_of_six_failures_stay_above_zero_and_hold_the_estimate() -> None:
    # The library's own limits are symmetric on the natural scale: the lower one of the scale is negative here.
    obs = make_observations(np.concatenate([np.linspace(30, 90, 6), np.linspace(20, 95, 60)]), np.arange(66) < 6)
    result = fit(lives_of(obs))
    assert isinstance(result, Fits)
    row = result.tables()["fits"].iloc[0]
    for name in ("beta", "eta", "b1", "b10", "b50"):
        assert 0 < row[f"{name}_low"] <= row[name] <= row[f"{name}_high"]


def test_b10_is_the_age_by_which_a_tenth_has_failed() -> None:
    curve = Weibull(2.0, 100.0)
    assert float(curve.failed_share(curve.life_at(0.1))) == pytest.approx(0.1)


def test_two_failures_of_one_truck_on_one_day_stay_two() -> None:
    lives = make_lives([40.0, 40.0, 90.0, 70.0], [1, 1, 0, 0], unit_id="T1", position=["a", "b", "c", "d"])
    result = fit(lives.assign(end_date=pd.Timestamp("2024-05-01")))
    item = result.items[0] if isinstance(result, Fits) else None
    assert isinstance(item, Fit | Unfitted)
    assert item.failures == 2


def test_the_engine_left_out_is_said_in_the_method(monkeypatch: pytest.MonkeyPatch) -> None:
    lives = lives_of(load_case("diesel_fan"))
    told = {}
    for name, answer in (("none", EngineFit(None, ("refused",))), ("far", EngineFit(Weibull(1e-9, 1e9), ()))):
        monkeypatch.setattr(stratum, "fit_with_engine", lambda *_, answer=answer: answer)
        result = fit(lives)
        assert isinstance(result, Fits)
        told[name] = result.tables()["fits"].iloc[0]
    monkeypatch.undo()
    result = fit(lives)
    assert isinstance(result, Fits)
    usual = result.tables()["fits"].iloc[0]
    for row in told.values():
        assert row["method"].startswith("maximum likelihood: own likelihood, lifelines had no sound answer")
        assert row["beta"] == usual["beta"]
    assert usual["method"].startswith("maximum likelihood: lifelines, polished by Newton")


def channing() -> Observations:
    return load_case("channing_male")


def test_an_early_empty_house_does_not_bring_the_counted_curve_to_zero() -> None:
    # The library refuses these men: the first entrants all died while they were alone. Agreed values: from 68 on.
    obs = channing()
    with pytest.raises(StatError):
        KaplanMeierFitter().fit(obs.exit, obs.failed, entry=obs.entry)
    assert count_curve(obs).survival.min() == 0.0
    start = thin_until(obs)
    assert 0 < start < 68 * 12
    part = watch_from(obs, 68.0 * 12)
    assert len(part) == beyond(obs, 68.0 * 12).sum()
    later = count_curve(part)
    for age in (900, 1000, 1080):
        agreed = value_of("channing_male_cond68", f"np.km_S({age})")
        assert later.survival_at(np.array([float(age)]))[0] == pytest.approx(agreed, abs=1e-11)


def test_the_drawn_counted_line_begins_on_the_fitted_curve_where_watch_begins() -> None:
    obs = channing()
    result = fit(lives_of(obs))
    assert isinstance(result, Fits)
    curves, item, start = result.tables()["curves"], result.items[0], thin_until(obs)
    assert isinstance(item, Fit)
    assert curves.loc[curves["age"] < start, "observed"].isna().all()
    seen = curves[curves["age"] >= start]
    assert (seen["observed"] > 0).iloc[:-1].all()  # counted from age 0 it would be 0 throughout
    onward = count_curve(watch_from(obs, start)).survival_at(seen["age"].to_numpy())
    np.testing.assert_allclose(seen["observed"], item.survival(np.array([start])) * onward)
    assert any(caution.code == "few-watched-early" for caution in result.cautions)
    points = rank_failures(obs, item.curve, exact=False)
    assert points.age.min() > start
    assert len(points.age) > 40
    assert mean_life_until(obs, 1000.0, level=0.9) is None


def test_lives_watched_from_new_are_counted_from_age_zero() -> None:
    obs = load_case("diesel_fan")
    assert thin_until(obs) == 0.0
    assert not any(caution.code == "few-watched-early" for caution in fit(lives_of(obs)).cautions)
