"""What a run of failures has in common, on small simulated fleets (invented)."""

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from tests.studies.fleets import Plan, simulate
from wearlab.answers.cluster import Cluster, find_cluster
from wearlab.answers.cluster_factors import code_factor
from wearlab.answers.cluster_search import best, score, search
from wearlab.curves.expected_null import LevelCounts
from wearlab.evidence import DataError, Unanswered
from wearlab.history.lives import History

LEVELS = [
    "factor",
    "level",
    "lives",
    "observed",
    "expected",
    "ratio",
    "ratio_low",
    "ratio_high",
    "p_value",
    "p_adjusted",
]


def _cluster(
    history: History, component: str | None = None, factors: tuple[str, ...] = (), fix_date: date | None = None
) -> Cluster:
    found = find_cluster(
        history, component=component, factors=factors, level=0.9, seed=1, fix_date=fix_date, progress=lambda _: None
    )
    assert isinstance(found, Cluster)
    return found


@pytest.fixture(scope="module")
def planted() -> History:
    return simulate(Plan(trucks=300, spread=0.1, planted=(("boot", "lot", "L20", 6.0),)), 2)


@pytest.fixture(scope="module")
def cluster(planted: History) -> Cluster:
    return _cluster(planted, "boot", fix_date=date(2020, 7, 1))


def test_a_bad_lot_is_named_as_the_lot_not_as_the_months_it_was_fitted_in(cluster: Cluster) -> None:
    verdict = cluster.verdict
    assert (verdict.found, verdict.factor, verdict.level) == ("found", "lot", "L20")
    assert verdict.p_adjusted is not None
    assert verdict.p_adjusted < 0.05
    assert verdict.component == "boot"
    assert "lot L20" in verdict.text


def test_the_tables_have_their_public_columns(cluster: Cluster) -> None:
    tables = cluster.tables()
    assert set(LEVELS) <= set(tables["levels"].columns)
    assert list(tables["at_risk"].columns[:2]) == ["unit_id", "position"]
    assert list(tables["verdict"].columns[:5]) == ["found", "factor", "level", "p_adjusted", "text"]
    assert len(tables["verdict"]) == 1


def test_the_parts_at_risk_are_those_of_the_lot_still_running_the_likeliest_first(
    cluster: Cluster, planted: History
) -> None:
    lives = planted.lives
    suspect = lives[(lives["component"] == "boot") & (lives["lot"] == "L20") & lives["running"]]
    at_risk = cluster.at_risk
    assert set(zip(at_risk["unit_id"], at_risk["position"], strict=True)) == set(
        zip(suspect["unit_id"], suspect["position"], strict=True)
    )
    assert at_risk["probability_90_days"].is_monotonic_decreasing
    assert at_risk["probability_90_days"].between(0, 1).all()


def test_a_ratio_lies_in_its_interval_and_no_number_is_infinite(cluster: Cluster) -> None:
    levels = cluster.levels
    known = levels[levels["ratio"].notna()]
    assert (known["ratio_low"] <= known["ratio"]).all()
    assert (known["ratio"] <= known["ratio_high"]).all()
    assert not np.isinf(levels.select_dtypes("number").to_numpy(float)).any()
    assert levels["p_adjusted"].between(0, 1).all()
    assert (levels["p_adjusted"] >= levels["p_value"]).all()


def test_levels_of_a_factor_known_for_all_parts_share_out_all_failures(cluster: Cluster, planted: History) -> None:
    region = cluster.levels[cluster.levels["factor"] == "region"]
    failures = planted.lives.loc[planted.lives["component"] == "boot", "failed"].sum()
    assert region["observed"].sum() == failures
    assert region["expected"].sum() == pytest.approx(failures, rel=1e-9)


def test_the_timeline_counts_every_fitting_and_failure_of_the_lot(cluster: Cluster, planted: History) -> None:
    boots = planted.lives[planted.lives["component"] == "boot"]
    suspect = boots[boots["lot"] == "L20"]
    assert cluster.timeline["fitted"].sum() == len(suspect)
    assert cluster.timeline["failures"].sum() == suspect["failed"].sum()
    assert cluster.timeline["failures_all"].sum() == boots["failed"].sum()


def test_before_and_after_a_fix_compare_with_what_their_exposure_expects(cluster: Cluster) -> None:
    table = cluster.before_after.set_index("group")
    assert table["lives"].sum() == cluster.verdict.observed + cluster.verdict.not_failed
    assert table["expected"].sum() == pytest.approx(cluster.verdict.expected)
    assert table["observed"].sum() == cluster.verdict.observed


def test_a_shop_whose_clamps_leak_is_named_and_not_its_crews() -> None:
    plan = Plan(trucks=300, spread=0.1, planted=(("boot", "shop", "S03", 5.0), ("slip_spline", "shop", "S03", 2.0)))
    verdict = _cluster(simulate(plan, 4)).verdict
    assert (verdict.found, verdict.component, verdict.level) == ("found", "boot", "S03")
    assert verdict.factor in {"shop", "home_shop"}


def test_healthy_fleets_are_left_alone() -> None:
    false = sum(
        _cluster(simulate(Plan(trucks=120, spread=spread), seed)).verdict.found == "found"
        for spread in (0.0, 0.3)
        for seed in range(4)
    )
    assert false <= 2  # binomial 8 at 5 %: two or fewer with probability 0.994


def test_what_is_known_of_replacements_alone_does_not_look_bad_because_bad_trucks_have_more_of_them() -> None:
    plan = Plan(trucks=400, spread=0.6, positions=(("joint", 4),))
    known = [_cluster(simulate(plan, seed), "joint", ("grease_grade",)).levels for seed in (7, 8, 9)]
    rows = pd.concat(known)
    assert 0.9 < rows["observed"].sum() / rows["expected"].sum() < 1.05  # about 1.35 with one curve for all parts
    assert (rows["p_adjusted"] > 0.05).all()


def test_the_order_of_the_rows_does_not_matter(planted: History, cluster: Cluster) -> None:
    shuffled = replace(planted, lives=planted.lives.sample(frac=1.0, random_state=4))
    again = _cluster(shuffled, "boot", fix_date=date(2020, 7, 1))
    for name, table in cluster.tables().items():
        pd.testing.assert_frame_equal(again.tables()[name], table)


def test_kilometres_give_the_same_verdict(planted: History, cluster: Cluster) -> None:
    km = planted.lives.assign(entry=planted.lives["entry"] * 1.609344, exit=planted.lives["exit"] * 1.609344)
    again = _cluster(replace(planted, lives=km), "boot")
    assert again.verdict.level == cluster.verdict.level
    mine, other = (c.levels.sort_values(["factor", "level"], ignore_index=True) for c in (again, cluster))
    assert mine["expected"].to_numpy() == pytest.approx(other["expected"].to_numpy(), rel=1e-7)


def test_an_unknown_factor_is_refused_with_the_nearest_name(planted: History) -> None:
    with pytest.raises(DataError, match=r"no factor 'clamptool'.*Did you mean 'clamp_tool'"):
        _cluster(planted, "boot", ("clamptool",))


def test_an_unknown_component_is_refused_with_the_nearest_name(planted: History) -> None:
    with pytest.raises(DataError, match=r"no lives of a component 'boots'.*Did you mean 'boot'"):
        _cluster(planted, "boots")


def test_two_failures_are_no_cluster(planted: History) -> None:
    lives = planted.lives.copy()
    lives["failed"] = False
    lives.loc[lives.index[:2], "failed"] = True
    found = find_cluster(
        replace(planted, lives=lives), component=None, factors=(), level=0.9, seed=1, progress=lambda _: None
    )
    assert isinstance(found, Unanswered)
    assert "at least three" in found.text
    assert found.code == "too-few-failures"


def test_counts_by_the_million_are_not_redrawn_without_end(planted: History) -> None:
    lives = planted.lives.assign(count=1e6)
    found = find_cluster(
        replace(planted, lives=lives), component="boot", factors=(), level=0.9, seed=1, progress=lambda _: None
    )
    assert isinstance(found, Unanswered)
    assert found.code == "too-many-failures"


def test_lives_without_any_factor_are_not_answered(planted: History) -> None:
    lives = planted.lives.assign(start_date=pd.NaT, hardware=None)
    found = find_cluster(
        replace(planted, lives=lives, factors=()), component=None, factors=(), level=0.9, seed=1, progress=print
    )
    assert isinstance(found, Unanswered)
    assert found.code == "no-factor"


def test_a_verdict_of_nothing_names_no_level_and_says_how_often_chance_does_as_much() -> None:
    cluster = _cluster(simulate(Plan(trucks=120, spread=0.0), 11), "joint", ("region",))
    assert cluster.verdict.found == "nothing"
    assert cluster.verdict.factor is cluster.verdict.level is None
    assert len(cluster.at_risk) == 0
    assert "where nothing is wrong" in cluster.verdict.text or "nothing beyond chance" in cluster.verdict.text


def test_a_score_needs_three_failures_and_more_than_expected() -> None:
    found = score(np.array([2.0, 3.0, 3.0, 8.0]), np.array([0.1, 1.0, 4.0, 2.0]))
    assert found == pytest.approx([0.0, 3 * np.log(3) - 2, 0.0, 8 * np.log(4) - 6])


def test_the_search_over_factors_is_paid_for() -> None:
    rng = np.random.default_rng(3)
    expected = np.full(10, 5.0)
    draws = [rng.poisson(5.0, (999, 10)).astype(float) for _ in range(8)]
    counts = [LevelCounts(np.full(10, 5.0), expected, d, np.full((999, 10), 5.0)) for d in draws]
    high = np.full(10, 5.0)
    high[0] = 14.0
    counts[0] = LevelCounts(high, expected, draws[0], np.full((999, 10), 5.0))
    found = search(counts)
    assert found[0].alone[0] < found[0].within[0] < found[0].adjusted[0]
    assert found[0].adjusted[0] == pytest.approx(
        min(1.0, 8 * found[0].within[0]), rel=0.5
    )  # the draws are few: p moves in steps
    assert best(found, 999) == (0, 0)


def test_under_chance_the_adjusted_p_of_the_best_level_is_uniform() -> None:
    rng = np.random.default_rng(5)
    smallest = []
    for _ in range(200):
        counts = []
        for width in (3, 12):
            drawn = rng.poisson(4.0, (400, width)).astype(float)
            means = np.full((400, width), 4.0)
            counts.append(LevelCounts(rng.poisson(4.0, width).astype(float), np.full(width, 4.0), drawn, means))
        smallest.append(min(one.adjusted.min() for one in search(counts)))
    assert (np.array(smallest) <= 0.1).mean() <= 0.1 + 3 * np.sqrt(0.09 / 200)


def test_a_level_that_is_not_known_is_no_level() -> None:
    lives = pd.DataFrame({"lot": ["A", None, "B", "A", np.nan]})
    factor = code_factor("lot", lives)
    assert factor is not None
    assert factor.levels == ("A", "B")
    assert factor.code.tolist() == [0, -1, 1, 0, -1]
    assert code_factor("lot", pd.DataFrame({"lot": ["A", None, "A"]})) is None


def test_months_that_only_held_the_bad_lot_are_not_named_besides_it(cluster: Cluster) -> None:
    assert not cluster.beyond["factor"].isin(["fitted_month", "fitted_window", "lot"]).any()


def test_a_second_bad_level_is_named_besides_the_first() -> None:
    plan = Plan(trucks=300, spread=0.1, planted=(("boot", "lot", "L20", 6.0), ("boot", "clamp_tool", "C03", 4.0)))
    cluster = _cluster(simulate(plan, 3), "boot")
    named = {(cluster.verdict.factor, cluster.verdict.level)}
    named |= set(zip(cluster.beyond["factor"], cluster.beyond["level"], strict=True))
    assert {("lot", "L20"), ("clamp_tool", "C03")} <= named
    assert "not explained by it" in cluster.verdict.text


def test_a_bad_quarter_that_no_factor_records_is_named_as_a_window_of_fitting_dates() -> None:
    plan = Plan(trucks=400, spread=0.0, positions=(("boot", 2),), planted=(("boot", "lot", "L20", 5.0),))
    history = simulate(plan, 5)
    unrecorded = replace(history, lives=history.lives.drop(columns="lot"), factors=("region", "crew"))
    verdict = _cluster(unrecorded, "boot").verdict
    assert verdict.found == "found"
    assert verdict.factor == "fitted_window"
    assert verdict.level is not None
    assert verdict.level[:4] in {"2019", "2020", "2021"}


def test_splines_are_followed_from_the_day_their_boot_failed() -> None:
    history = simulate(Plan(trucks=200, spread=0.0), 9)
    table = _cluster(history, "boot").consequences.set_index("group")
    splines = history.lives[history.lives["component"] == "slip_spline"]
    assert table["observed"].sum() == splines["failed"].sum()
    assert table["expected"].sum() == pytest.approx(splines["failed"].sum(), rel=1e-9)
    after = table.loc["after a boot failure on its shaft"]
    assert after["times_before_low"] < 1.0 < after["times_before_high"]  # nothing was planted
    assert len(_cluster(history, "joint").consequences) == 0


def test_a_boot_failure_that_lets_water_in_shows_in_the_splines_that_follow() -> None:
    history = simulate(Plan(trucks=200, spread=0.0, positions=(("slip_spline", 2), ("boot", 2))), 9)
    lives = history.lives.copy()
    boots = lives[(lives["component"] == "boot") & lives["failed"]].groupby(["unit_id", "shaft"])["end_date"].min()
    splines = lives["component"] == "slip_spline"
    keys = pd.MultiIndex.from_frame(lives.loc[splines, ["unit_id", "shaft"]])
    first = pd.Series(boots.reindex(keys).to_numpy(), index=lives.index[splines])
    mine = lives.loc[splines]
    wet = (first > mine["start_date"]) & (first < mine["end_date"]) & ~mine["failed"]
    lives.loc[wet.index[wet][::2], "failed"] = True  # half of the splines that outlived their boot rust
    lives.loc[wet.index[wet][::2], ["ending", "running"]] = ["failure", False]
    table = _cluster(replace(history, lives=lives), "slip_spline").consequences
    assert table["times_before_low"].iloc[1] > 1.5
    assert table["p_value"].iloc[1] < 0.001


def test_fittings_measured_out_of_limits_are_counted_by_shop_and_followed() -> None:
    history = simulate(Plan(trucks=200, spread=0.0, positions=(("boot", 1), ("joint", 4))), 4)
    joints = history.lives[(history.lives["component"] == "joint") & history.lives["shop"].notna()]
    bad = (joints["exit_days"] < 500) & joints["failed"]
    measurements = pd.DataFrame(
        {
            "unit_id": joints["unit_id"],
            "position": joints["position"],
            "component": "joint",
            "date": joints["start_date"] + pd.Timedelta(days=2),
            "quantity": "tube_runout",
            "value": np.where(bad, 0.030, 0.004),
            "unit": "in",
        }
    )
    cluster = _cluster(replace(history, measurements=measurements), "joint")
    assert cluster.install_audit["fitted"].sum() == len(joints)
    assert cluster.install_audit["nonconforming"].sum() == bad.sum()
    assert cluster.install_audit["source"].str.contains("common practice, no source").all()
    effect = cluster.install_effect.iloc[0]
    assert effect["times_low"] > 1.0
    assert effect["fitted_wrong"] == bad.sum()


def test_without_a_verdict_there_is_no_second_look() -> None:
    cluster = _cluster(simulate(Plan(trucks=120, spread=0.0), 11), "joint", ("region",))
    for name in ("beyond", "combination", "importance", "timeline", "which_clock", "before_after"):
        assert len(cluster.tables()[name]) == 0


def test_one_bad_truck_is_not_taken_for_a_bad_place() -> None:
    history = simulate(Plan(trucks=200, spread=0.0, positions=(("boot", 4),), bad_trucks={7: 12.0}), 3)
    units = history.lives["unit_id"]
    region = history.lives["region"].where(~units.isin(["T0007", "T0008", "T0009"]), "R99")
    verdict = _cluster(replace(history, lives=history.lives.assign(region=region)), "boot", ("region",)).verdict
    assert (verdict.found, verdict.level) == ("suspected", "R99")
    assert verdict.p_adjusted is not None
    assert verdict.p_adjusted < 0.05
    assert "one truck's (T0007)" in verdict.text
