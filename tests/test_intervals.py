"""Recommended intervals on fleets with a planted truth: what is answered, what is refused, what always holds."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.studies.episodes import Truth, draw, three_classes
from wearlab.answers.intervals import Recommendation, recommend_intervals
from wearlab.answers.intervals_costs import PartModel
from wearlab.answers.intervals_today import recent_gaps, tabulate_today, tabulate_today_by_shop
from wearlab.answers.intervals_trial import Trial, fleet_today, simulate_power
from wearlab.curves.renewal import tabulate_renewals
from wearlab.evidence import SAFETY, Unanswered
from wearlab.history.config import Costs, PublishedInterval


def ask(history, **options):
    return recommend_intervals(history, **({"level": 0.9, "seed": 5, "progress": lambda _: None} | options))


@pytest.fixture(scope="module")
def history():
    return draw(Truth(three_classes(60, (0.9, 0.7, 1.0)), found_share=0.3), seed=8)


@pytest.fixture(scope="module")
def result(history):
    found = ask(history, try_intervals=(6_000.0, 15_000.0))
    assert isinstance(found, Recommendation)
    return found


def test_every_class_has_a_row_and_every_class_and_greased_part_an_effect(result):
    assert list(result.regrease["duty_cycle"]) == ["line_haul", "regional", "vocational"]
    pairs = list(zip(result.effects["duty_cycle"], result.effects["component"], strict=True))
    assert pairs == [(d, c) for d in result.regrease["duty_cycle"] for c in ("joint", "slip_spline")]


def test_the_columns_of_the_contract_are_there(result):
    assert {
        "duty_cycle", "recommended", "cost_optimal", "low", "high", "current", "saving_per_truck_year", "saving_low",
        "saving_high", "probability_better", "evidence", "limited_by", "cautions",
    } <= set(result.regrease)  # fmt: skip
    assert {
        "duty_cycle", "component", "theta", "theta_low", "theta_high", "failures", "trucks", "reliability_ratio"
    } <= set(result.effects)  # fmt: skip
    assert {"component", "duty_cycle", "replace_at", "policy"} <= set(result.replacement)


def test_no_interval_excludes_its_estimate_and_no_number_is_infinite(result):
    for name, table in result.tables().items():
        numbers = table.select_dtypes("number").to_numpy(dtype=float)
        assert not np.isinf(numbers).any(), name
        for column in table.columns:
            if column.endswith("_low") and column[:-4] in table and column[:-4] + "_high" in table:
                value, low, high = (pd.to_numeric(table[column[:-4] + end]) for end in ("", "_low", "_high"))
                known = value.notna() & low.notna() & high.notna()
                assert (low[known] <= value[known]).all(), (name, column)
                assert (value[known] <= high[known]).all(), (name, column)
    curve = result.cost_curve
    assert ((curve["low"] <= curve["cost"]) & (curve["cost"] <= curve["high"])).all()


def test_the_recommendation_is_within_practice_and_on_the_grid(result):
    for row in result.regrease.itertuples():
        assert row.recommended % 500 == 0 or row.recommended == row.current
        assert row.limited_by in {None, "published_interval", "practised_range", "target", "one_step", "evidence"}
        if row.recommended != row.current:
            assert row.practised_low - 500 <= row.recommended <= row.practised_high + 500


def test_the_sentence_for_the_schedule_is_plain(result):
    sentence = result.regrease["sentence"].iloc[2]
    assert sentence.startswith("Vocational: ")
    assert "miles" in sentence
    assert "whichever first" in sentence
    assert "on average" in sentence
    assert "failures" in sentence


def test_the_same_seed_gives_the_same_tables(history, result):
    again = ask(history, try_intervals=(6_000.0, 15_000.0))
    for name, table in result.tables().items():
        pd.testing.assert_frame_equal(table, again.tables()[name], obj=name)


def test_what_ifs_answer_each_interval_asked(result):
    everything = result.tried[result.tried["component"] == "all"]
    assert set(everything["interval"]) == {6_000.0, 15_000.0}
    joints = result.tried[(result.tried["component"] == "joint") & (result.tried["duty_cycle"] == "regional")]
    short, long = joints.sort_values("interval").itertuples()
    assert short.b10 > long.b10
    assert short.failures_per_100_truck_years < long.failures_per_100_truck_years
    assert not long.in_practised_range or long.interval <= 40_000


def test_without_costs_effects_and_life_remain_and_nothing_is_recommended(history):
    bare = replace(history, config=replace(history.config, costs=Costs()))
    result = ask(bare)
    assert result.regrease["recommended"].isna().all()
    assert result.regrease["current"].notna().all()
    assert result.effects["theta"].notna().all()
    assert result.tried["b10"].notna().any()
    assert "needs-costs" in {caution.code for caution in result.cautions}
    assert result.replacement["replace_at"].isna().all()


def test_safety_comes_first_and_association_is_said(result):
    assert result.cautions[0] == SAFETY
    codes = {caution.code for caution in result.cautions}
    assert {"association", "no-published-interval", "ownership-observed"} <= codes


def test_a_published_interval_caps_every_class(history):
    published = {name: PublishedInterval(5_000.0, None, None, "test") for name in history.units["duty_cycle"].unique()}
    capped = ask(replace(history, config=replace(history.config, published_interval=published)))
    assert (capped.regrease["recommended"] <= 5_000).all()
    assert "published_interval" in set(capped.regrease["limited_by"])
    free = replace(history.config, published_interval=published, allow_beyond_published=True)
    assert (ask(replace(history, config=free)).regrease["recommended"] > 5_000).any()


def test_a_plain_lives_file_is_refused_with_what_would_supply_it(history):
    result = ask(replace(history, episodes=history.episodes.iloc[:0]))
    assert isinstance(result, Unanswered)
    assert result.code == "no-practice"
    assert result.fix


def test_a_class_without_failures_keeps_its_row(history):
    mine = history.episodes["duty_cycle"] == "regional"
    quiet = history.episodes.assign(failed=history.episodes["failed"] & ~mine)
    quiet.loc[mine, ["lower", "upper"]] = np.nan
    result = ask(replace(history, episodes=quiet))
    row = result.regrease.set_index("duty_cycle").loc["regional"]
    assert pd.isna(row["recommended"])
    assert row["evidence"] == "none"
    effects = result.effects[result.effects["duty_cycle"] == "regional"]
    assert effects["theta"].isna().all()
    assert (effects["failures"] == 0).all()


def test_a_class_that_hardly_varied_keeps_todays_interval():
    classes = three_classes(40, 1.0)
    truth = Truth((replace(classes[0], spread=0.02), classes[1]), gap_spread=0.05)
    result = ask(draw(truth, seed=2))
    row = result.regrease.set_index("duty_cycle").loc["line_haul"]
    assert row["recommended"] == row["current"]
    assert row["limited_by"] == "evidence"
    assert row["evidence"] == "weak"
    assert result.effects.set_index("duty_cycle").loc["line_haul", "theta"].isna().all()


def test_bands_add_up_to_the_failures_and_rise_with_the_interval(result):
    total = result.bands.groupby(["component", "duty_cycle"])["failures"].sum()
    effects = result.effects.set_index(["component", "duty_cycle"])["failures"]
    assert (total == effects.reindex(total.index)).all()
    joints = result.bands[(result.bands["component"] == "joint") & (result.bands["duty_cycle"] == "vocational")]
    assert joints["rate"].iloc[-1] > joints["rate"].iloc[0]
    assert np.allclose(joints["expected"].sum(), joints["failures"].sum())


def test_costs_of_failure_follow_the_share_found_at_inspection(history):
    all_found = replace(history, lives=history.lives.assign(found_at="inspection"))
    dear, cheap = ask(history), ask(all_found)
    assert (cheap.regrease["current_cost_per_1000"] < dear.regrease["current_cost_per_1000"]).all()
    joint = cheap.replacement[cheap.replacement["component"] == "joint"]
    assert set(joint["policy"]) == {"on condition"}


def test_planned_replacement_pays_only_with_wear_and_a_cost_ratio(result):
    joints = result.replacement[result.replacement["component"] == "joint"]
    assert set(joints["policy"]) == {"replace at age"}
    paying = joints["saving_share"].astype(float)
    assert (paying > 0.05).all()
    flat = draw(Truth(three_classes(60, 0.5)[:1], shape=1.0), seed=4)
    assert ask(flat).replacement["replace_at"].isna().all()


def test_a_trial_needs_fewer_trucks_when_it_runs_longer_or_the_intervals_lie_further_apart(history, result):
    narrow = ask(history, try_intervals=(12_000.0, 15_000.0)).trial
    wide = result.trial
    assert (narrow.groupby("duty_cycle")["trucks_needed"].apply(lambda n: n.is_monotonic_decreasing)).all()
    both = narrow.merge(wide, on=["duty_cycle", "years"], suffixes=("_narrow", "_wide"))
    assert (both["trucks_needed_narrow"] > both["trucks_needed_wide"]).all()


def test_the_size_of_a_trial_gives_the_power_it_promises(result):
    row = result.trial[(result.trial["duty_cycle"] == "vocational") & (result.trial["years"] == 2.0)].iloc[0]
    rng = np.random.default_rng(1)
    half, phi = int(row["trucks_needed"] / 2), 0.3
    mean = row["failures_needed"] / row["trucks_needed"]
    ratio = (row["long"] / row["short"]) ** (row["theta"] / 2)
    found = 0
    for _ in range(1500):
        z = rng.gamma(1 / phi, phi, (2, half))
        counts = rng.poisson(z * mean * np.array([[ratio], [1 / ratio]]))
        total, spread = counts.sum(axis=1), counts.var(axis=1, ddof=1) * half
        error = np.sqrt((spread / total**2).sum())
        found += np.log(total[0] / total[1]) / error > 1.2816
    assert 0.72 < found / 1500 < 0.90


def test_what_would_move_the_answer_is_shown(result):
    mine = result.robustness[result.robustness["duty_cycle"] == "vocational"].set_index("change")
    dear, cheap = mine.loc["failures cost half as much again"], mine.loc["failures cost a third less"]
    assert dear["cost_optimal"] <= mine.loc["as recommended", "cost_optimal"] <= cheap["cost_optimal"]
    nil = mine.loc["no effect at all"]
    assert nil["cost_optimal"] == mine["cost_optimal"].max()
    recommended = result.regrease.set_index("duty_cycle").loc["vocational", "recommended"]
    assert mine.loc["as recommended", "recommended"] == recommended


def test_an_interval_kept_for_want_of_evidence_is_graded_by_the_change_it_did_not_make(history):
    result = ask(history)
    kept = result.regrease[result.regrease["limited_by"] == "evidence"]
    sure = kept["candidate_probability"].astype(float)
    assert (kept.loc[sure < 0.9, "evidence"] == "weak").all()


@pytest.mark.parametrize("seed", [2, 16, 18, 22, 23])
def test_a_handful_of_trucks_gives_numbers_or_a_refusal_but_never_nonsense(seed):
    rng = np.random.default_rng(seed)
    truth = Truth(
        three_classes(int(rng.integers(1, 9)), 0.5, spread=0.5),
        frailty=1.5,
        years=float(rng.choice([1.0, 2.5])),
        found_share=0.5,
        shape=float(rng.choice([0.8, 3.0])),
        shops=2,
    )
    result = ask(draw(truth, seed=seed))
    if isinstance(result, Unanswered):
        assert result.fix
        return
    for name, table in result.tables().items():
        assert not np.isinf(table.select_dtypes("number").to_numpy(dtype=float)).any(), name
    assert set(result.regrease["evidence"]) <= {"weak", "none"}


def test_a_trial_is_simulated_on_the_classes_own_trucks(result):
    trial = result.trial[result.trial["duty_cycle"] == "vocational"].set_index("years")
    assert trial["simulated"].all()
    assert trial["power_of_class"].is_monotonic_increasing
    enough = trial["trucks_needed"] <= trial["trucks_in_class"]
    assert (trial.loc[enough, "power_of_class"] > 0.72).all()
    assert (trial.loc[~enough, "power_of_class"] < 0.88).all()


def test_a_trial_without_an_effect_finds_one_as_rarely_as_its_level_says(history):
    fleet = fleet_today(history, "regional", "joint", 1.0)
    rng = np.random.default_rng(0)
    shapes, variances = np.array([2.2]), np.array([0.3])
    part = PartModel(
        "joint", 4.0, 1.0, 13_000.0, np.zeros(1), 0.0, 0.0, shapes, np.array([330_000.0]), variances,
        tabulate_renewals(shapes, variances),
    )  # fmt: skip
    trial = Trial(part, fleet, (8_000.0, 20_000.0), 3.0, 0.9)
    false = [simulate_power(trial, 60, int(seed))[0] for seed in rng.integers(0, 1000, 5)]
    assert np.mean(false) == pytest.approx(0.1, abs=0.025)


def test_planned_replacement_pays_less_where_inspection_finds_more(history):
    none, most = (ask(history, found_share=share).replacement for share in (0.0, 0.9))
    key = ["component", "duty_cycle"]
    both = none.merge(most, on=key, suffixes=("_none", "_most"))
    joint = both[both["component"] == "joint"]
    assert (joint["run_to_failure_per_1000_none"] > joint["run_to_failure_per_1000_most"]).all()
    assert (joint["saving_share_none"].astype(float) > joint["saving_share_most"].astype(float)).all()
    assert joint["replace_at_none"].tolist() == pytest.approx(joint["replace_at_unfound_none"].tolist())
    assert set(joint["policy_most"]) == {"on condition"}


def test_who_greases_when_is_said_by_shop_and_against_every_limit_of_the_plan(history):
    plan = pd.DataFrame(
        {
            "duty_cycle": ["regional"],
            "unit_id": [None],
            "from_date": [pd.Timestamp(2015, 1, 1)],
            "interval_miles": [np.nan],
            "interval_hours": [np.nan],
            "interval_months": [2.5],
        }
    )
    told = replace(history, plan=plan)
    by_shop = tabulate_today_by_shop(told, ("regional",))
    assert by_shop["shop"].is_unique
    late = tabulate_today(told, ("regional",))["share_over_plan"].iloc[0]
    assert np.average(by_shop["share_over_plan"].astype(float), weights=by_shop["gaps"]) == pytest.approx(late)
    months = recent_gaps(told, "regional")["days"] / 30.4375
    assert late == pytest.approx((months > 2.5).mean())
