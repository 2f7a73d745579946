"""The effect of practice seen in other ways: what each check shows where the truth is planted."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.studies.episodes import Truth, draw, three_classes
from wearlab.answers.intervals_checks import agrees_within, curves_of, shift_of, tabulate_checks
from wearlab.answers.intervals_effects import e_value, find_renewed, fit_calibrated, measure_reliability
from wearlab.answers.intervals_terms import tabulate_terms, tell_terms
from wearlab.curves.practice import fit_practice
from wearlab.curves.practice_layout import fit_best, lay_classes, usable_rows
from wearlab.curves.practice_terms import fit_gathered, fit_with_age, prepare

PLANTED = 1.0


def checks_of(history) -> pd.DataFrame:
    fit = fit_practice(history.episodes, component="joint", level=0.9, renewed=find_renewed(history))
    return check(history, fit).set_index("check")


def check(history, fit) -> pd.DataFrame:
    told = {"joint": tell_terms(history, "joint")}
    return tabulate_checks(history, {"joint": fit}, {}, control=None, told=told, level=0.9)


def terms_of(history, component: str) -> pd.DataFrame:
    told = tell_terms(history, component)
    fit = fit_practice(told.episodes, component=component, level=0.9, further=told.names)
    return tabulate_terms({component: fit}, {component: told}).set_index("term")


@pytest.fixture(scope="module")
def checks():
    truth = Truth(three_classes(60, PLANTED), found_share=0.4, changed=0.5, shop_practice=0.25)
    return checks_of(draw(truth, seed=21))


@pytest.mark.parametrize(
    "check",
    [
        "all classes",
        "within shops",
        "between shops",
        "shops with levels of their own",
        "within trucks that changed",
        "between trucks",
        "inspection finds as suspensions",
        "assumed practice let in",
        "cumulative exposure",
    ],
)
def test_every_view_of_a_clean_fleet_sees_the_planted_effect(checks, check):
    row = checks.loc[check]
    error = (row["theta_high"] - row["theta_low"]) / 2 / 1.645
    assert abs(row["theta"] - PLANTED) < 3 * error + 0.1


def test_the_ungreased_bearing_shows_no_effect(checks):
    row = checks.loc["negative control"]
    assert row["component"] == "center_bearing"
    assert row["theta_low"] - 0.2 < 0 < row["theta_high"] + 0.2


def test_a_hidden_cause_between_shops_splits_within_from_between():
    truth = Truth(three_classes(80, 0.5), shop_practice=0.4, shop_harm=1.5, shops=12)
    seen = checks_of(draw(truth, seed=5))
    assert seen.loc["between shops", "theta"] > seen.loc["within shops", "theta"] + 0.7
    assert abs(seen.loc["within shops", "theta"] - 0.5) < 0.45
    assert abs(seen.loc["shops with levels of their own", "theta"] - 0.5) < 0.45
    assert seen.loc["negative control", "theta_low"] > 0


def test_reading_unknown_endings_as_failures_adds_failures(history_with_unknowns):
    seen = checks_of(history_with_unknowns)
    assert seen.loc["unknown endings as failures", "failures"] > seen.loc["all classes", "failures"]


@pytest.fixture(scope="module")
def history_with_unknowns():
    history = draw(Truth(three_classes(30, 0.8)), seed=3)
    lives = history.lives
    failed = lives.index[lives["failed"] & (lives["component"] == "joint")][::6]
    chosen = set(lives.loc[failed, "life_id"])
    changed = lives.assign(ending=lives["ending"].where(~lives["life_id"].isin(chosen), "unknown"))
    changed["failed"] = changed["failed"] & ~changed["life_id"].isin(chosen)
    episodes = history.episodes
    hidden = episodes["failed"] & ~episodes["life_id"].isin(chosen)
    return replace(history, lives=changed, episodes=episodes.assign(failed=hidden))


def test_signs_agree_only_where_they_can_be_told():
    def table(within: float, half: float) -> pd.DataFrame:
        rows = [("all classes", 0.8, 0.2), ("within shops", within, half)]
        return pd.DataFrame(
            [
                {"component": "joint", "check": c, "theta": t, "theta_low": t - h, "theta_high": t + h}
                for c, t, h in rows
            ]
        )

    assert agrees_within(table(0.4, 0.3), "joint")
    assert not agrees_within(table(-0.4, 0.3), "joint")
    assert agrees_within(table(-0.4, 1.5), "joint")


def test_a_shift_is_the_check_less_the_common_effect():
    table = pd.DataFrame(
        {
            "component": ["joint", "joint", "slip_spline"],
            "check": ["all classes", "cumulative exposure", "all classes"],
            "theta": [0.8, 1.0, 0.5],
        }
    )
    assert shift_of(table, "cumulative exposure") == {"joint": pytest.approx(0.2)}
    assert shift_of(table, "within shops") == {}


def test_the_e_value_of_a_published_example():
    # VanderWeele & Ding (2017): a risk ratio of 3.9 needs 7.2; its lower limit 1.8 needs 3.0
    assert e_value(3.9) == pytest.approx(7.26, abs=0.01)
    assert e_value(1.8) == pytest.approx(3.0, abs=0.01)
    assert e_value(0.7) == 1.0


def test_exposure_gathered_is_current_practice_where_practice_never_changes():
    history = draw(Truth(three_classes(30, 0.9)), seed=6)
    steady = history.episodes.assign(
        practised_miles=history.episodes.groupby("unit_id")["practised_miles"].transform("last"),
        practice_source="gaps",
        gaps_behind=5,
    )
    fit = fit_practice(steady, component="joint", level=0.9)
    renewed = find_renewed(history)
    data = prepare(steady, "joint", curves=curves_of(fit), calibration={}, renewed=renewed, assumed=False)
    gathered = fit_gathered(data, level=0.9)
    common = check(replace(history, episodes=steady), fit)
    plain = common.set_index("check").loc["all classes", "theta"]
    assert gathered.value == pytest.approx(plain, abs=0.003)


def test_noisy_gaps_are_measured_and_corrected():
    history = draw(Truth(three_classes(60, 1.0), gap_spread=0.6), seed=9)
    known = tuple(
        measure_reliability(history.gaps, history.episodes, c) for c in ("line_haul", "regional", "vocational")
    )
    assert all(0.4 < found.ratio < 0.8 for found in known)
    fit, plain = fit_calibrated(history, "joint", known, tell_terms(history, "joint"), level=0.9)
    assert fit is not plain
    quiet = draw(Truth(three_classes(60, 1.0), gap_spread=0.05), seed=9)
    assert measure_reliability(quiet.gaps, quiet.episodes, "regional").ratio > 0.97


def test_further_terms_are_shown_only_where_they_vary():
    history = draw(Truth(three_classes(40, 0.8)), seed=12)
    assert terms_of(history, "joint").empty
    rng = np.random.default_rng(0)
    ratio = pd.Series(rng.uniform(2.6, 4.3, len(history.units)), index=history.units.index)
    cups = 4 - rng.integers(0, 2, len(history.units))
    dry = dict(zip(history.units["unit_id"], cups, strict=True))
    told = replace(
        history,
        units=history.units.assign(axle_ratio=ratio),
        episodes=history.episodes.assign(cups_purged_before=history.episodes["unit_id"].map(dry).astype(float)),
    )
    table = terms_of(told, "joint")
    assert set(table.index) == {"cups_left_dry", "axle_ratio"}
    assert (table["hazard_ratio_low"] < 1.15).all()
    assert (table["hazard_ratio_high"] > 0.85).all()


def test_with_no_true_effect_practice_measured_inside_the_life_deceives_and_episodes_do_not():
    """A part must live to be greased: with no effect, "greased so and so often in its life" still seems to matter."""
    effects, inside = [], []
    for seed in range(5):
        classes = tuple(replace(c, interval=c.eta["joint"] / 4) for c in three_classes(60, 0.0))
        history = draw(Truth(classes, gap_spread=0.4, frailty=0.0), seed=seed)
        fit = fit_practice(history.episodes, component="joint", level=0.9)
        effects += [effect.theta_unpooled for effect in fit.effects]
        inside += _inside_the_life(history)
    spread = np.std(effects) / np.sqrt(len(effects))
    assert abs(np.mean(effects)) < 3 * spread + 0.02
    assert abs(np.mean(inside)) > 0.3


def _inside_the_life(history) -> list[float]:
    """Return θ by class when each whole life is given its own miles per stop, counted up to its end."""
    rows = history.episodes[history.episodes["component"] == "joint"]
    life = rows.groupby("life_id", sort=False)
    whole = life.first()
    stops = life.size()
    whole = whole.assign(
        exit=life["exit"].last(),
        failed=life["failed"].last(),
        lower=np.nan,
        upper=np.nan,
        practised_miles=(life["exit"].last() - whole["entry"]) / stops,
        practice_source="gaps",
        gaps_behind=5,
    ).reset_index()
    fit = fit_practice(whole, component="joint", level=0.9)
    return [effect.theta_unpooled for effect in fit.effects if effect.theta_unpooled is not None]


def test_a_torn_boot_is_told_from_the_day_it_failed_and_never_from_the_end_of_its_own_spline():
    history = draw(Truth(three_classes(30, 0.8)), seed=12, components=("joint", "slip_spline"))
    lives = history.lives
    splines = lives[lives["component"] == "slip_spline"].reset_index(drop=True)
    long = splines[(splines["end_date"] - splines["entry_date"]).dt.days > 600].drop_duplicates("unit_id")
    torn, late = long.iloc[::2], long.iloc[1::2]
    boots = pd.concat(
        [
            torn.assign(end_date=torn["entry_date"] + pd.Timedelta(days=300)),
            late.assign(end_date=late["end_date"]),  # on the day the spline itself came off
        ]
    ).assign(component="boot", failed=True, life_id=lambda b: b["life_id"] + 10**6, position="boot")
    told = tell_terms(replace(history, lives=pd.concat([lives, boots], ignore_index=True)), "slip_spline")
    assert told.names == ("boot_had_failed",)
    rows = told.episodes[told.episodes["component"] == "slip_spline"]
    day = rows["unit_id"].map(torn.groupby("unit_id")["entry_date"].min() + pd.Timedelta(days=300))
    own = rows["life_id"].isin(torn["life_id"])
    assert (rows.loc[own & (rows["entry_date"] < day), "boot_had_failed"] == 0).all()
    assert (rows.loc[own & (rows["entry_date"] >= day), "boot_had_failed"] == 1).all()
    only_late = ~rows["unit_id"].isin(torn["unit_id"]) & rows["life_id"].isin(late["life_id"])
    assert only_late.any()
    assert (rows.loc[only_late, "boot_had_failed"] == 0).all()


def test_a_planted_harm_of_cups_left_dry_in_one_shop_is_found_and_does_not_pass_for_the_interval():
    practice, dry = [], []
    for seed in range(6):
        history = draw(Truth(three_classes(60, 0.5), dry_harm=0.4), seed=seed, components=("joint",))
        told = tell_terms(history, "joint")
        fit = fit_practice(
            told.episodes, component="joint", level=0.9, renewed=find_renewed(history), further=told.names
        )
        practice += [effect.theta_unpooled for effect in fit.effects]
        dry += [term.value for term in fit.further]
    assert np.mean(practice) == pytest.approx(0.5, abs=3 * np.std(practice) / np.sqrt(18))
    assert np.mean(dry) == pytest.approx(0.4, abs=0.12)


def test_an_effect_that_is_the_same_at_every_age_shows_no_change_with_age():
    """Classes differ in effect and in age; a stretch that ends early because it failed is no sign of a change."""
    seen = []
    for seed in range(6):
        history = draw(Truth(three_classes(60, (0.0, 0.5, 1.2)), found_share=0.3), seed=seed, components=("joint",))
        fit = fit_practice(history.episodes, component="joint", level=0.9, renewed=find_renewed(history))
        data = prepare(
            history.episodes,
            "joint",
            curves=curves_of(fit),
            calibration={},
            renewed=find_renewed(history),
            assumed=False,
        )
        terms = {term.name: term for term in fit_with_age(data, level=0.9)}
        seen.append(terms["change of effect with age"].value)
    assert abs(np.mean(seen)) < 2.5 * np.std(seen) / np.sqrt(len(seen)) + 0.03


def test_stretches_kept_apart_by_a_term_tell_the_same_of_a_truck_as_joined_ones():
    history = draw(Truth(three_classes(15, 0.8), gap_spread=0.4), seed=2, components=("joint",))
    rng = np.random.default_rng(0)
    marked = history.episodes.assign(mark=rng.integers(0, 2, len(history.episodes)).astype(float))
    rows, apart = (
        usable_rows(marked, "joint", assumed=False),
        usable_rows(marked, "joint", assumed=False, apart=("mark",)),
    )
    assert len(apart) > 1.3 * len(rows)
    tops = [fit_best(table, lay_classes(table, {}, find_renewed(history)))[1].log_likelihood for table in (rows, apart)]
    assert tops[1] == pytest.approx(tops[0], rel=1e-9)


def test_with_no_true_effect_greasing_oftener_after_a_failure_is_not_taken_for_one():
    """A shop that greases a truck oftener once a part has failed leaves trouble behind on trucks greased seldom."""
    found = []
    for seed in range(8):
        history = draw(Truth(three_classes(60, 0.0)), seed=seed, components=("joint",))
        rows = history.episodes
        first = rows["unit_id"].map(rows[rows["failed"]].groupby("unit_id")["exit_date"].min())
        oftener = np.where(rows["entry_date"] >= first, 0.6, 1.0)  # with no effect nothing else would change
        rows = rows.assign(
            practised_miles=rows["practised_miles"] * oftener, raw_practised_miles=rows["raw_practised_miles"] * oftener
        )
        fit = fit_practice(rows, component="joint", level=0.9, renewed=find_renewed(history))
        found.append(np.mean([effect.theta_unpooled for effect in fit.effects]))
    assert abs(np.mean(found)) < 2.5 * np.std(found) / np.sqrt(len(found)) + 0.02


def test_trucks_are_said_to_have_changed_only_where_they_did():
    quiet = checks_of(draw(Truth(three_classes(60, 0.8), gap_spread=0.4), seed=4, components=("joint",)))
    assert "within trucks that changed" not in quiet.index
    moved = checks_of(draw(Truth(three_classes(60, 0.8), changed=0.5), seed=4, components=("joint",)))
    row = moved.loc["within trucks that changed"]
    assert row["theta_low"] < 0.8 < row["theta_high"]
