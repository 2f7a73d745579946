"""Trucks and lives with abnormal early failures."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearlab.answers.early_lives import judge_lives
from wearlab.curves.expected import Floats, Ints, add_up, fit_classes, leave_out
from wearlab.curves.expected_counts import (
    at_least,
    estimate_spread,
    false_discovery,
    middle_p,
    poisson_p,
    shrink,
)
from wearlab.curves.expected_spans import ComponentSpans, read_components
from wearlab.evidence import SAFETY, Basis, Caution, Unanswered, add_cautions
from wearlab.history.lives import History

INSPECT = {
    "joint": "all four cups purge and turn freely, yoke ears and cross holes, phasing, joint angles, run-out, bolts",
    "slip_spline": "boot and plug, rust or dry teeth, twist play, coating, spline plug, joint angles and ride height",
    "boot": "clamp in its groove and not overdrawn, boot offset, cuts, grease pumped into the boot, spline for water",
    "center_bearing": "bracket square and tight, cushion, slingers, joint angle couple, spline thrust",
}
"""What to look at first on a truck that fails too often, by component (common practice, no source)."""

_UNIT_COLUMNS = [
    "unit_id",
    "component",
    "observed",
    "expected",
    "ratio",
    "shrunken_ratio",
    "ratio_low",
    "ratio_high",
    "p_value",
    "q_value",
    "flagged",
    "rank",
    "p_class_mean",
    "excess",
    "repeat_repairs",
    "reason",
    "inspect",
]


@dataclass(frozen=True, slots=True)
class EarlyFailures:
    """Trucks that fail too often, and lives that ended too early, each against its own class without that truck.

    ``units`` one row per truck and component, the most striking first; ``lives`` one row per failed life, the earliest
    first; ``repeat_repairs`` those within 90 days of their fitting or 30 days of a service of their position, apart;
    ``spread`` the spread between trucks by component, as a variance around the class mean of 1; ``power`` how many
    failures it takes to be flagged here, and how likely a truck of a given multiple is to reach them.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    rate: float
    units: pd.DataFrame
    lives: pd.DataFrame
    repeat_repairs: pd.DataFrame
    spread: pd.DataFrame
    power: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by their public names."""
        return {
            "units": self.units,
            "lives": self.lives,
            "repeat_repairs": self.repeat_repairs,
            "spread": self.spread,
            "power": self.power,
        }


def find_early(
    history: History, *, rate: float, level: float, seed: int, progress: Callable[[str], None]
) -> EarlyFailures | Unanswered:
    """Return the trucks and lives whose failures came too early, at a false-discovery rate of ``rate``.

    Expected failures are the sum of the class's cumulative hazard (component and duty cycle, fitted without that truck)
    over the truck's exposure. The p-value is the mid-P of the negative-binomial predictive count whose variance between
    trucks comes from the other trucks, outlying counts cut (``estimate_spread``), and whose mean is as uncertain as the
    jackknife over trucks says. Rows are ranked together after Benjamini & Hochberg (1995). ``flagged`` = q at most
    ``rate`` and more failures than expected. Nothing is drawn at random: ``seed`` is taken so that all answers are
    called alike. Unanswered without a failure or with fewer than two trucks.
    """
    del seed
    basis = replace(history.basis, level=level)
    parts = read_components(history)
    failures = sum(float(part.spans.weight[part.spans.failed].sum()) for part in parts)
    if not parts or failures < 1 or max(len(part.units) for part in parts) < 2:
        return _unanswered(history, basis, failures)
    units, lives, spread = [], [], []
    for part in parts:
        progress(f"early failures: {part.component or 'all lives'}")
        judged = _judge(part, level)
        units.append(judged.units)
        lives.append(judged.lives)
        spread.append(judged.spread)
    table = _rank_units(pd.concat(units, ignore_index=True), rate)
    tried = sum(len(part.lives) for part in parts)
    early = judge_lives(pd.concat(lives, ignore_index=True), tried=tried, rate=rate)
    table = _count_repeats(table, early)
    spreads = pd.DataFrame(spread)
    return EarlyFailures(
        basis=basis,
        cautions=add_cautions(history.cautions, _cautions(table, spreads, rate), (SAFETY,)),
        rate=rate,
        units=table,
        lives=early,
        repeat_repairs=early[early["repeat_repair"] | early["after_service"]].reset_index(drop=True),
        spread=spreads,
        power=_power(spreads, tests=len(table), rate=rate),
    )


@dataclass(frozen=True, slots=True)
class _Judged:
    """One component: its rows of the two tables before they are ranked together, and its spread."""

    units: pd.DataFrame
    lives: pd.DataFrame
    spread: dict[str, object]


def _judge(part: ComponentSpans, level: float) -> _Judged:
    spans = part.spans
    expected = leave_out(spans, fit_classes(spans))
    known = np.isfinite(expected.hazard)
    hazard = np.where(known, expected.hazard, 0.0)
    failed = np.where(spans.failed, spans.weight, 0.0)
    count = len(part.units)
    totals = add_up(spans.unit, hazard, count)
    observed = add_up(spans.unit, failed, count)
    alone = add_up(spans.unit, ~known, count) > 0
    variance = _variance(spans.unit, hazard, np.where(known, expected.variance, 0.0), count)
    spread = estimate_spread(observed, np.where(alone, 0.0, totals), variance)
    estimate, low, high = shrink(observed, totals, spread.without, level)
    units = pd.DataFrame(
        {
            "unit_id": part.units,
            "component": part.component,
            "observed": observed,
            "expected": totals,
            "ratio": np.where(totals > 0, observed / np.maximum(totals, 1e-300), np.nan),
            "shrunken_ratio": estimate,
            "ratio_low": low,
            "ratio_high": high,
            "p_value": middle_p(observed, totals, variance, spread.without),
            "p_class_mean": poisson_p(observed, totals),
            "excess": observed - totals,
        }
    )
    numbers = ["expected", "ratio", "shrunken_ratio", "ratio_low", "ratio_high", "p_class_mean", "excess"]
    units.loc[alone, numbers] = np.nan
    units.loc[alone, "p_value"] = 1.0
    summary: dict[str, object] = {
        "component": part.component,
        "variance_between_trucks": spread.mean,
        "trucks": count,
        "failures": float(observed.sum()),
        "unknown_expected": int(alone.sum()),
    }
    return _Judged(units, _failed_lives(part, hazard, expected.variance), summary)


def _variance(unit: Ints, hazard: Floats, variance: Floats, count: int) -> Floats:
    """Return var(ln expected) of each truck: its stretches move together with their class's curve."""
    total = add_up(unit, hazard, count)
    deviation = add_up(unit, hazard * np.sqrt(variance), count)
    out: Floats = (deviation / np.maximum(total, 1e-300)) ** 2
    return out


def _failed_lives(part: ComponentSpans, hazard: Floats, variance: Floats) -> pd.DataFrame:
    """Return one row per failed life with its summed hazard and var(ln hazard), counts and all."""
    spans, lives = part.spans, part.lives
    single = hazard / spans.weight
    columns = ["unit_id", "position", "component", "duty_cycle", "life_number", "entry", "exit", "start_date"]
    more = ["end_date", "exit_days", "days_since_service", "mode", "count", "failed"]
    frame = lives[[*columns, *more]].rename(columns={"exit": "age"})
    frame = frame.assign(
        hazard=add_up(spans.life, single, len(lives)),
        variance=_variance(spans.life, single, np.nan_to_num(variance), len(lives)),
        known=add_up(spans.life, np.isnan(variance), len(lives)) == 0,
    )
    return frame[frame["failed"].astype(bool)].drop(columns="failed")


def _rank_units(units: pd.DataFrame, rate: float) -> pd.DataFrame:
    q_value = false_discovery(units["p_value"].to_numpy(np.float64))
    flagged = (q_value <= rate) & (units["observed"] > units["expected"]).to_numpy(bool)
    units = units.assign(q_value=q_value, flagged=flagged)
    order = units.assign(name=units["component"].fillna("").astype(str), not_flagged=~flagged)
    order = order.sort_values(["not_flagged", "p_value", "unit_id", "name"], kind="stable")
    units = units.loc[order.index].reset_index(drop=True)
    return units.assign(
        rank=np.arange(1, len(units) + 1),
        reason=[_reason(*row) for row in zip(*(units[name] for name in _REASON_COLUMNS), strict=True)],
        inspect=pd.Series(
            [_inspect(bool(f), c) for f, c in zip(units["flagged"], units["component"], strict=True)], dtype=object
        ),
    )


_REASON_COLUMNS = ("observed", "expected", "shrunken_ratio", "ratio_low", "ratio_high", "q_value", "flagged")


def _reason(
    observed: float, expected: float, ratio: float, low: float, high: float, q_value: float, flagged: bool
) -> str:
    if not np.isfinite(expected):
        return "No other truck in its class: nothing to compare with."
    failures = "failure" if observed == 1 else "failures"
    few = f"{expected:.1f}" if expected >= 1 else f"{expected:.2g}"
    count = f"{observed:g} {failures} where {few} are expected of its class"
    if flagged:
        return f"{count}; {ratio:.1f} times (between {low:.1f} and {high:.1f}), more than trucks normally differ."
    if observed > expected and q_value < 0.5:
        return f"{count}: worth watching, but not beyond what chance does somewhere in a fleet of this size."
    return f"{count}: within what trucks normally differ."


def _inspect(flagged: bool, component: str | None) -> str | None:
    return INSPECT.get(str(component), "the fitting, its neighbours, the loads it sees") if flagged else None


def _count_repeats(units: pd.DataFrame, lives: pd.DataFrame) -> pd.DataFrame:
    repeats = lives[lives["repeat_repair"]]
    counts = repeats.groupby(["unit_id", repeats["component"].fillna("").astype(str)]).size()
    keys = zip(units["unit_id"], units["component"].fillna("").astype(str), strict=True)
    return units.assign(repeat_repairs=[int(counts.get(key, 0)) for key in keys])[_UNIT_COLUMNS]


def _power(spreads: pd.DataFrame, *, tests: int, rate: float) -> pd.DataFrame:
    """Return how many failures a truck needs to be flagged alone, and how likely it is to reach them."""
    rows: list[dict[str, object]] = []
    for component, spread in zip(spreads["component"], spreads["variance_between_trucks"], strict=True):
        for expected in (1.0, 2.0, 4.0, 8.0):
            counts = np.arange(1.0, 400.0)
            p = (
                at_least(counts, np.full_like(counts, expected), np.full_like(counts, spread))
                + at_least(counts + 1.0, np.full_like(counts, expected), np.full_like(counts, spread))
            ) / 2.0
            needed = float(counts[np.argmax(p <= rate / tests)])
            rows.extend(
                {
                    "component": component,
                    "expected": expected,
                    "multiple": multiple,
                    "failures_needed": needed,
                    "power": float(at_least(np.array([needed]), np.array([multiple * expected]), np.zeros(1))[0]),
                }
                for multiple in (2.0, 4.0, 7.0)
            )
    return pd.DataFrame(rows)


def _cautions(units: pd.DataFrame, spreads: pd.DataFrame, rate: float) -> tuple[Caution, ...]:
    out = [
        Caution(
            "false-discovery",
            f"Of the trucks flagged, about {100 * rate:.3g} % may be false alarms: {len(units):,} pairs of truck and "
            "part were looked at together.",
        ),
        Caution(
            "class-mean",
            "The column p_class_mean (in --json and the CSV) treats all trucks of a class as alike: it says worse than "
            "the class mean, never abnormal.",
        ),
    ]
    few = spreads[spreads["failures"] < 20]["component"]
    if len(few):
        names = ", ".join(str(name) for name in few if name is not None) or "these lives"
        out.append(
            Caution(
                "few-failures",
                f"Fewer than 20 failures for {names}: how much trucks normally differ can hardly be told, so only "
                "extreme trucks are flagged.",
            )
        )
    if spreads["unknown_expected"].sum():
        out.append(
            Caution(
                "alone-in-class",
                f"{int(spreads['unknown_expected'].sum())} truck and component rows have no other truck in their class "
                "and cannot be judged.",
            )
        )
    return tuple(out)


def _unanswered(history: History, basis: Basis, failures: float) -> Unanswered:
    missing = "no failure" if failures < 1 else "only one truck"
    return Unanswered(
        basis=basis,
        cautions=add_cautions(history.cautions, (SAFETY,)),
        code="nothing-to-compare",
        text=f"There is {missing} among the lives that can be used, so no truck can be compared with others.",
        fix="Load replacements with reason = failure for at least two trucks, with a unit_id for each.",
    )
