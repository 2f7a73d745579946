"""A study made of small literal tables, for tests of what is shown: no road is walked to make it."""

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from wearlab.evidence import SAFETY, Basis, Caution, SourceFile, Unanswered
from wearlab.history.config import FleetConfig
from wearlab.history.lives import History
from wearlab.study import Settings, Study

FEW = Caution("few-failures", "Only 3 of 40 parts have failed: the shape is little more than a guess.")
NO_PUBLISHED = Caution("no-published-interval", "No maker's interval is given: nothing here was checked against one.")


@dataclass(frozen=True)
class FakeResult:
    """Any answered question: its tables as given."""

    frames: dict[str, pd.DataFrame]
    basis: Basis
    cautions: tuple[Caution, ...] = (SAFETY,)
    verdict: Any = None

    def tables(self) -> dict[str, pd.DataFrame]:
        return self.frames


@dataclass(frozen=True)
class FakeVerdict:
    found: str
    factor: str | None
    level: str | None
    p_adjusted: float | None
    text: str


@dataclass(frozen=True)
class Names:
    """Text that comes from the data, to be made hostile."""

    unit: str = "T017"
    lot: str = "L-42"
    source: str = "demo_data"
    caution: str = "The meters of 4 trucks had to be joined."


def make_basis(names: Names, stratum: tuple[tuple[str, str], ...] = ()) -> Basis:
    files = (SourceFile("services.csv", "ab" * 32, "services", 12000, 11990, 10, 0),)
    return Basis(names.source, files, date(2026, 6, 30), "miles", 0.90, stratum, 2400, 310)


def make_fits(names: Names) -> FakeResult:
    """Fits of three parts in two duty cycles, with their curves as drawn."""
    fits, curves = [], []
    for component, eta in (("joint", 260_000.0), ("slip_spline", 330_000.0), ("boot", 180_000.0)):
        for duty_cycle, share in (("line_haul", 1.0), ("vocational", 0.55)):
            stratum = {"component": component, "duty_cycle": duty_cycle}
            b10 = eta * share * (-np.log(0.9)) ** (1 / 2.2)
            fits.append(
                stratum
                | {"lives": 150, "failures": 40, "beta": 2.2, "beta_low": 1.9, "beta_high": 2.6}
                | {"eta": eta * share, "eta_low": eta * share * 0.9, "eta_high": eta * share * 1.15}
                | {"b10": b10, "b10_low": b10 * 0.85, "b10_high": b10 * 1.2, "frailty_variance": 0.3, "cautions": []}
            )
            age = np.linspace(0, eta, 49)
            survival = np.exp(-((age / (eta * share)) ** 2.2))
            steps = np.repeat(survival[::4], 4)[:49]
            curves.append(
                pd.DataFrame(
                    stratum
                    | {"age": age, "survival": survival, "low": 0.92 * survival, "high": 1 - 0.9 * (1 - survival)}
                    | {"observed": steps, "at_risk": np.linspace(150, 4, 49).round()}
                )
            )
    age = np.array([20_000.0, 60_000.0, 150_000.0])
    y = 2.2 * np.log(age / 260_000.0)
    paper = pd.DataFrame(
        {"component": "joint", "duty_cycle": "line_haul", "age": age, "y": y + np.array([0.1, 0, -0.1]), "line": y}
    )
    checks = pd.DataFrame({"component": ["joint"], "duty_cycle": ["line_haul"], "straightness_p": [0.4]})
    tables = {
        "fits": pd.DataFrame(fits),
        "curves": pd.concat(curves, ignore_index=True),
        "paper": paper,
        "checks": checks,
    }
    return FakeResult(tables, make_basis(names))


def make_history(names: Names) -> History:
    random = np.random.default_rng(6)
    miles = random.normal(11_000, 2_500, 800).clip(2_000)
    gaps = pd.DataFrame(
        {
            "duty_cycle": np.repeat(["line_haul", "vocational"], 400),
            "miles": np.where(np.arange(800) < 400, miles * 1.6, miles),
            "counted": True,
        }
    )
    plan = pd.DataFrame(
        {
            "duty_cycle": ["line_haul", "vocational"],
            "unit_id": None,
            "from_date": [date(2020, 1, 1)] * 2,
            "interval_miles": [15_000.0, 8_000.0],
        }
    )
    groups = pd.DataFrame(
        {
            "component": ["joint", "joint"],
            "duty_cycle": ["line_haul", "vocational"],
            "lives": [800, 400],
            "failures": [80, 90],
            "suspensions": [720, 310],
            "entered_late": [300, 120],
            "age_unknown": [3, 0],
            "position_unknown": [2, 4],
            "exposure": [91_000_000.0, 31_000_000.0],
        }
    )
    empty = pd.DataFrame()
    meters = pd.DataFrame(
        {
            "unit_id": names.unit,
            "date": pd.to_datetime(["2025-01-01", "2025-02-01", "2025-03-01"]),
            "raw_miles": [1e5, 9e5, 1.2e5],
            "miles": [1e5, 1.1e5, 1.2e5],
            "disregarded": [False, True, False],
            "reason": [None, "spike", None],
        }
    )
    return History(
        make_basis(names),
        (Caution("meters", names.caution),),
        FleetConfig(),
        date(2026, 6, 30),
        "miles",
        ("lot", "shop"),
        empty,
        empty,
        gaps,
        empty,
        pd.DataFrame({"unit_id": [f"{names.unit}{number}" for number in range(300)]}),
        plan,
        empty,
        empty,
        groups,
        meters,
    )


def make_recommendation(names: Names) -> FakeResult:
    regrease = pd.DataFrame(
        {
            "duty_cycle": ["line_haul", "vocational"],
            "recommended": [16_000.0, 6_500.0],
            "cost_optimal": [21_000.0, 6_100.0],
            "low": [12_000.0, 5_000.0],
            "high": [28_000.0, 8_000.0],
            "current": [16_000.0, 9_000.0],
            "saving_per_truck_year": [0.0, 412.0],
            "saving_low": [0.0, 120.0],
            "saving_high": [0.0, 801.0],
            "probability_better": [np.nan, 0.97],
            "evidence": ["weak", "strong"],
            "limited_by": ["evidence", None],
            "cautions": [[NO_PUBLISHED.text], []],
        }
    )
    effects = pd.DataFrame(
        {
            "duty_cycle": ["line_haul", "vocational"],
            "component": "joint",
            "theta": [0.12, 0.94],
            "theta_low": [-0.2, 0.61],
            "theta_high": [0.44, 1.27],
            "failures": [80, 90],
            "trucks": [180, 90],
            "reliability_ratio": [0.93, 0.95],
        }
    )
    replacement = pd.DataFrame(
        {
            "component": ["joint", "boot"],
            "duty_cycle": "vocational",
            "replace_at": [120_000.0, np.nan],
            "policy": ["replace_at_age", "run_to_failure"],
        }
    )
    interval = np.linspace(3_000, 30_000, 40)
    curves = [
        pd.DataFrame({"duty_cycle": name, "interval": interval, "cost": 5e4 / interval + interval * slope})
        for name, slope in (("line_haul", 0.00008), ("vocational", 0.0011))
    ]
    bands = pd.DataFrame(
        {
            "component": "joint",
            "duty_cycle": "vocational",
            "practised_low": [4e3, 8e3],
            "practised_high": [8e3, 12e3],
            "failures": [20, 31],
            "rate": [1.0, 2.0],
            "rate_low": [0.7, 1.4],
            "rate_high": [1.4, 2.7],
        }
    )
    sensitivity = pd.DataFrame(
        {
            "component": "joint",
            "check": ["within shops", "between shops"],
            "theta": [0.9, -0.1],
            "theta_low": [0.5, -0.6],
            "theta_high": [1.3, 0.4],
        }
    )
    return FakeResult(
        {
            "regrease": regrease,
            "effects": effects,
            "replacement": replacement,
            "cost_curve": pd.concat(curves, ignore_index=True),
            "bands": bands,
            "lines": pd.DataFrame(
                {"component": "joint", "duty_cycle": "vocational", "practised": [4e3, 12e3], "rate": [1.0, 2.6]}
            ),
            "sensitivity": sensitivity,
        },
        make_basis(names),
        (SAFETY, NO_PUBLISHED),
    )


def make_early(names: Names) -> FakeResult:
    random = np.random.default_rng(7)
    expected = random.gamma(2.0, 0.6, 300)
    observed = random.poisson(expected)
    observed[:2] = 9
    units = pd.DataFrame(
        {
            "unit_id": [names.unit, *(f"T{number:03}" for number in range(100, 399))],
            "component": "joint",
            "observed": observed,
            "expected": expected,
            "ratio": observed / expected,
            "shrunken_ratio": (observed + 2) / (expected + 2),
            "ratio_low": 0.5,
            "ratio_high": 6.0,
            "p_value": np.where(observed == 9, 1e-5, 0.4),
            "q_value": np.where(observed == 9, 0.002, 0.8),
            "flagged": observed == 9,
        }
    )
    lives = pd.DataFrame(
        {
            "unit_id": [names.unit],
            "position": ["main.joint.1"],
            "age": [3_200.0],
            "u": [0.00004],
            "q_value": [0.03],
            "flagged": [True],
        }
    )
    return FakeResult({"units": units, "lives": lives}, make_basis(names))


def make_backtest(names: Names) -> FakeResult:
    tried = {"as_of": [date(2025, 6, 30)], "expected": [80.0], "low": [58.0], "high": [104.0], "observed": [91.0]}
    shares = {"share_expected": [0.02, 0.3], "share_observed": [0.03, 0.26], "share_low": [0.01, 0.2]}
    calibration = pd.DataFrame({"risk_group": [1, 2], "parts": [200, 200]} | shares | {"share_high": [0.06, 0.33]})
    tables = {"backtest": pd.DataFrame(tried | {"covered": [True]}), "calibration": calibration}
    return FakeResult(tables, make_basis(names))


def make_cluster(names: Names, component: str = "boot") -> FakeResult:
    levels = pd.DataFrame(
        {
            "factor": ["lot", "lot", "shop", "fitted_month", "fitted_month"],
            "level": [names.lot, "L-41", "north_yard", "2024-02", "2024-05"],
            "lives": [40, 200, 120, 30, 50],
            "observed": [21, 18, 16, 3, 21],
            "expected": [6.1, 20.2, 13.0, 4.0, 8.0],
            "ratio": [3.4, 0.9, 1.2, 0.8, 2.6],
            "ratio_low": [2.2, 0.5, 0.7, 0.2, 1.6],
            "ratio_high": [5.0, 1.4, 2.0, 1.9, 3.9],
            "p_value": [0.0001, 0.8, 0.3, 0.9, 0.01],
            "p_adjusted": [0.002, 1.0, 0.9, 1.0, 0.2],
        }
    )
    at_risk = pd.DataFrame({"unit_id": [names.unit, "T020"], "position": "main.boot"})
    text = f"Boots of lot {names.lot} fail 3.4 times as often as their age explains (21 against 6.1 expected)."
    verdict = FakeVerdict("found", "lot", names.lot, 0.002, text)
    return FakeResult(
        {"levels": levels, "at_risk": at_risk}, make_basis(names, (("component", component),)), verdict=verdict
    )


def make_study(names: Names | None = None, **changed: Any) -> Study:
    """A study with every question answered but wear; ``changed`` replaces any of its fields."""
    names = names or Names()
    history = make_history(names)
    basis = make_basis(names)
    totals = pd.DataFrame(
        {
            "group": ["all", "joint, line_haul", "joint, vocational"],
            "expected": [84.2, 31.0, 53.2],
            "low": [61.0, 20.0, 38.0],
            "high": [109.0, 44.0, 70.0],
        }
    )
    parts = pd.DataFrame({"component": ["joint"], "expected": [84.2], "low": [61.0], "high": [109.0]})
    risky = pd.DataFrame({"unit_id": [names.unit], "position": ["main.joint.1"], "probability": [0.41]})
    classes = pd.DataFrame(
        {
            "component": "joint",
            "level": ["line_haul", "vocational"],
            "lives": [800, 400],
            "failures": [80, 90],
            "b10": [92_000.0, 48_000.0],
            "b10_low": [80_000.0, 41_000.0],
            "b10_high": [105_000.0, 55_000.0],
            "rate_per_million": [0.88, 2.9],
            "rate_per_million_low": [0.7, 2.4],
            "rate_per_million_high": [1.1, 3.5],
            "cost_per_1000": [4.1, 9.8],
            "cost_per_1000_low": [3.4, 8.1],
            "cost_per_1000_high": [4.9, 11.7],
        }
    )
    contrasts = pd.DataFrame(
        {
            "component": ["joint"],
            "level": ["vocational"],
            "reference": ["line_haul"],
            "b10_ratio": [0.52],
            "b10_ratio_low": [0.43],
            "b10_ratio_high": [0.63],
            "p_value": [0.00002],
        }
    )
    work = pd.DataFrame(
        {
            "unit_id": [names.unit, "T020"],
            "position": [None, "main.boot"],
            "task": ["regrease", "inspect"],
            "due_miles": [182_000.0, np.nan],
            "due_date": [pd.Timestamp("2026-07-04"), pd.NaT],
            "status": ["overdue", "look_first"],
            "why": ["1,200 miles past the interval", f"boot of lot {names.lot}"],
        }
    )
    fields: dict[str, Any] = {
        "settings": Settings(today=date(2026, 7, 1)),
        "history": history,
        "loaded": None,
        "fits": make_fits(names),
        "comparison": FakeResult({"classes": classes, "contrasts": contrasts}, basis, (SAFETY, FEW)),
        "recommendation": make_recommendation(names),
        "early": make_early(names),
        "clusters": (make_cluster(names),),
        "forecast": FakeResult({"totals": totals, "parts": parts, "units": risky}, basis),
        "backtest": make_backtest(names),
        "driveline": None,
        "wear": Unanswered(
            basis, (), "no-measurements", "There are no measurements.", "Record joint play at inspections."
        ),
        "work": FakeResult({"work": work}, basis),
        "versions": {"wearlab": "0.1.0"},
    }
    return Study(**{**fields, **changed})
