"""Does the regrease recommendation hold on fleets whose truth is planted? A simulation study.

``python -m tests.studies.intervals_proof --fleets 400`` runs every cell (about two hours on one core; results of each
fleet are kept in ``--cache`` and never run twice); ``--cells base,no_effect`` runs some; ``--table`` writes the table
from what is in the cache. Per fleet: three classes with their own planted effect, drawn around the cell's mean; joints
only.
"""

import argparse
import json
import platform
import sys
import time
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from tests.studies.episodes import DRY, ClassTruth, Truth, draw, three_classes
from wearlab.answers.intervals_checks import tabulate_checks
from wearlab.answers.intervals_costs import PartModel, TruckCosts, make_part
from wearlab.answers.intervals_decision import Bounds, Choice, choose_interval, one_step_beyond
from wearlab.answers.intervals_effects import find_renewed, fit_calibrated, measure_reliability
from wearlab.answers.intervals_terms import tell_terms
from wearlab.answers.intervals_today import Usage, measure_usage
from wearlab.curves.practice import PracticeFit, fit_practice
from wearlab.curves.renewal import Renewals, tabulate_renewals
from wearlab.history.config import Costs, PartCost

LEVEL = 0.90
DRAWS = 150  # parameter sets; the tool itself takes 400
GRID = 500.0
STOPS = {"line_haul": 160.0, "regional": 120.0, "vocational": 90.0}  # least cost near, but not at, today's intervals
COSTS = Costs(regrease_stop=100.0, regrease_stop_by_duty_cycle=STOPS, parts={"joint": PartCost(380, 2400)})


@dataclass(frozen=True, slots=True)
class Cell:
    """One planted setting: trucks in a class, mean and sd of the classes' effects, and what else is planted."""

    trucks: int = 100
    mean: float = 0.8
    sd: float = 0.3
    spread: float = 0.35
    slow: int = 1  # how much sooner the others get their turn
    planted: dict[str, object] = field(default_factory=dict)


CELLS = {
    "base": Cell(),
    "no_effect": Cell(mean=0.0, sd=0.0),
    "no_spread_between_trucks": Cell(planted={"frailty": 0.0}),
    "strong_effect": Cell(mean=1.4),
    "same_effect": Cell(sd=0.0),
    "shape_1.5": Cell(planted={"shape": 1.5}),
    "shape_3": Cell(planted={"shape": 3.0}),
    "noisy_gaps": Cell(planted={"gap_spread": 0.5}),
    "changed_intervals": Cell(planted={"changed": 0.5}),
    "found_at_inspection": Cell(planted={"found_share": 0.5}),
    "shops_differ": Cell(planted={"shop_practice": 0.25}),
    "shops_confound": Cell(planted={"shop_practice": 0.25, "shop_harm": 0.5}),
    "purged_poorly_in_one_shop": Cell(planted={"dry_harm": 0.4}),
    "long_before_record": Cell(planted={"years_before": 8.0}),
    "trucks_34": Cell(trucks=34),
    "trucks_334": Cell(trucks=334),
    "trucks_667": Cell(trucks=667, slow=2),
    "trucks_1000": Cell(trucks=1000, slow=4),
    "no_effect_no_spread": Cell(mean=0.0, sd=0.0, planted={"frailty": 0.0}),
}


def plant(cell: Cell, seed: int) -> Truth:
    """Return the truth of one fleet."""
    rng = np.random.default_rng([seed, 77])
    effects = tuple(float(x) for x in rng.normal(cell.mean, cell.sd, 3)) if cell.sd else (cell.mean,) * 3
    classes = three_classes(cell.trucks, effects, spread=cell.spread)  # type: ignore[arg-type]
    return Truth(classes, costs=COSTS, **cell.planted)  # type: ignore[arg-type]


def run_fleet(cell: Cell, seed: int) -> list[dict[str, float]]:
    """Return one record per class of a fleet: what was estimated and chosen, and what is true."""
    truth = plant(cell, seed)
    history = draw(truth, seed=seed, components=("joint",))
    names = tuple(c.name for c in truth.classes)
    reliability = tuple(measure_reliability(history.gaps, history.episodes, name) for name in names)
    fit, plain = fit_calibrated(history, "joint", reliability, tell_terms(history, "joint"), level=LEVEL)
    if fit is None or plain is None:
        return []
    draws = fit.draw(DRAWS, seed=seed)
    records = []
    for planted, known in zip(truth.classes, reliability, strict=True):
        effect, before = fit.effect(planted.name), plain.effect(planted.name)
        if effect is None or before is None or effect.theta is None or before.theta is None:
            continue
        usage = replace(measure_usage(history, planted.name), ownership_miles=planted.miles_per_year * 6.0)
        part = make_part(fit, draws, usage, COSTS)
        assert part is not None
        assert usage.current is not None
        costs = TruckCosts(usage, STOPS[planted.name], (part,))
        bounds = Bounds(effect.practised_low, effect.practised_high, None, GRID, None, None)
        choice = choose_interval(costs, bounds, usage.current)
        record = {
            "planted": planted.theta["joint"],
            "theta": effect.theta,
            "low": effect.theta_low,
            "high": effect.theta_high,
            "own": effect.theta_unpooled,
            "own_low": effect.theta_unpooled_low,
            "own_high": effect.theta_unpooled_high,
            "uncorrected": before.theta_unpooled,
            "failures": effect.failures,
            "frailty": fit.frailty_variance,
            "ratio": known.ratio,
        }
        records.append(record | _compare(truth, planted, costs, usage, bounds, choice))
    return records


def true_costs(truth: Truth, planted: ClassTruth, usage: Usage) -> TruckCosts:
    """Return the cost model at the planted truth."""
    road = 1 - truth.found_share
    shape, variance = np.full(2, truth.shape), np.full(2, truth.frailty)
    price = COSTS.parts["joint"]
    part = make_true_part(truth, planted, road * price.failure + (1 - road) * price.planned, shape, variance)
    return TruckCosts(usage, STOPS[planted.name], (part,))


def mean_harm(truth: Truth) -> float:
    """Return by how much the cups left dry in one shop raise the hazard of a class, on average."""
    return 1 + float(np.expm1(truth.dry_harm * (DRY[0] - DRY[1]))) / truth.shops


def make_true_part(
    truth: Truth, planted: ClassTruth, cost: float, shape: np.ndarray, variance: np.ndarray
) -> PartModel:
    """Return the part model at the planted truth."""
    theta = planted.theta["joint"]
    return PartModel(
        component="joint",
        positions=4.0,
        cost=cost,
        reference_miles=planted.interval,
        theta=np.full(2, theta),
        theta_low=theta,
        theta_high=theta,
        shape=shape,
        eta=np.full(2, planted.eta["joint"] * mean_harm(truth) ** (-1 / truth.shape)),
        variance=variance,
        renewals=_true_renewals(float(shape[0]), float(variance[0])),
    )


@cache
def _true_renewals(shape: float, variance: float) -> Renewals:
    return tabulate_renewals(np.full(2, shape), np.full(2, variance))


def _compare(
    truth: Truth, planted: ClassTruth, costs: TruckCosts, usage: Usage, bounds: Bounds, choice: Choice
) -> dict[str, float]:
    """Return what the choice costs against the best within the same limits, and the saving claimed and true."""
    current = usage.current
    assert current is not None
    true = true_costs(truth, planted, usage)
    steps = GRID * np.arange(np.ceil(bounds.practised_low / GRID), np.floor(bounds.practised_high / GRID) + 1)
    one_step = one_step_beyond(current, GRID)
    allowed = np.concatenate([steps[steps <= max(one_step, current)], [current]])
    every = true.per_mile(np.concatenate([allowed, [choice.recommended]]))[0]
    now, chosen, best = every[len(allowed) - 1], every[-1], every[:-1].min()
    claimed = costs.per_mile(np.array([choice.recommended, current]))
    saved = (claimed[1:, 1] - claimed[1:, 0]) * usage.miles_per_year
    failing = costs.failures_per_mile(np.array([current]))[:, 0] * usage.miles_per_year
    return {
        "regret": chosen / best - 1,
        "regret_of_today": now / best - 1,
        "changed": float(choice.recommended != current),
        "better": float(chosen < now),
        "saving": float(saved.mean()),
        "saving_low": float(min(np.quantile(saved, 0.05), saved.mean())),
        "saving_high": float(max(np.quantile(saved, 0.95), saved.mean())),
        "saving_true": (now - chosen) * usage.miles_per_year,
        "failing": float(failing[1:].mean()),
        "failing_low": float(np.quantile(failing[1:], 0.05)),
        "failing_high": float(np.quantile(failing[1:], 0.95)),
        "failing_true": float(true.failures_per_mile(np.array([current]))[0, 0]) * usage.miles_per_year,
    }


def run_cells(names: list[str], fleets: int, cache: Path, seconds: float, part: tuple[int, int]) -> None:
    """Run fleets that are not in the cache yet, those of the cell that has fewest first, until ``seconds`` are over.

    ``part`` (which, of how many) leaves the other seeds to other processes.
    """
    which, parts = part
    ends = time.monotonic() + seconds
    while time.monotonic() < ends:
        done = {name: _done(cache / f"{name}.jsonl") for name in names}
        left = {name: [s for s in range(which, fleets, parts) if s not in done[name]] for name in names}
        name = min((name for name in names if left[name]), key=lambda n: len(done[n]) * CELLS[n].slow, default=None)
        if name is None:
            return
        with (cache / f"{name}.jsonl").open("a") as out:
            for seed in left[name][:5]:
                record = json.dumps({"seed": seed, "classes": run_fleet(CELLS[name], seed)})
                out.write(record + "\n")
                out.flush()


def _done(path: Path) -> set[int]:
    if not path.exists():
        return set()
    whole = [
        line for line in path.read_text().splitlines(keepends=True) if line.endswith("\n")
    ]  # the last may be half written
    return {json.loads(line)["seed"] for line in whole}


def tabulate(cache: Path) -> str:
    """Return the table of every cell in the cache, as Markdown."""
    head = (
        "| cell | fleets | failures a class | bias of θ | its error | bias unpooled | bias uncorrected | θ covered | "
        "unpooled covered | θ low > 0 | regret, median | 90th percentile | mean regret | mean if today is kept | "
        "changed | of these better | saving claimed / true | saving covered | failures a year, claimed / true | φ |"
    )
    rule = "|" + "---|" * 20
    return "\n".join([head, rule, *(_line(name, cache / f"{name}.jsonl") for name in CELLS)])


def _line(name: str, path: Path) -> str:
    lines = path.read_text().splitlines() if path.exists() else []
    rows = [row for line in lines for row in json.loads(line)["classes"]]
    if not rows:
        return f"| {name} | not run |" + " |" * 18
    a = {key: np.array([row[key] for row in rows], dtype=float) for key in rows[0]}
    bias, moved = a["theta"] - a["planted"], a["changed"] > 0
    fleet_bias = [np.mean([r["theta"] - r["planted"] for r in json.loads(line)["classes"]]) for line in lines]
    error = float(np.std(fleet_bias) / np.sqrt(len(fleet_bias)))

    def inside(low: str, high: str, value: str) -> float:
        return float(((a[low] <= a[value]) & (a[value] <= a[high])).mean())

    saving = f"{a['saving'][moved].mean():.0f} / {a['saving_true'][moved].mean():.0f}" if moved.any() else "–"
    covered = inside("saving_low", "saving_high", "saving_true")
    cells = [
        name,
        f"{len(lines)}",
        f"{a['failures'].mean():.0f}",
        f"{bias.mean():+.3f}",
        f"{error:.3f}",
        f"{(a['own'] - a['planted']).mean():+.3f}",
        f"{(a['uncorrected'] - a['planted']).mean():+.3f}",
        f"{inside('low', 'high', 'planted'):.1%}",
        f"{inside('own_low', 'own_high', 'planted'):.1%}",
        f"{(a['low'] > 0).mean():.1%}",
        f"{np.median(a['regret']):.2%}",
        f"{np.quantile(a['regret'], 0.9):.2%}",
        f"{a['regret'].mean():.2%}",
        f"{a['regret_of_today'].mean():.2%}",
        f"{moved.mean():.0%}",
        f"{a['better'][moved].mean():.0%}" if moved.any() else "–",
        saving,
        f"{covered:.1%}",
        f"{a['failing'].mean():.2f} / {a['failing_true'].mean():.2f}",
        f"{np.mean(a['frailty']):.2f}",
    ]
    return "| " + " | ".join(cells) + " |"


SEEN = ["all classes", "within shops", "shops with levels of their own", "between shops", "within trucks that changed"]


def see_checks(name: str, fleets: int) -> str:
    """Return what the sensitivity table shows in a cell: mean effect by check, and how often its limits exclude 0."""
    rows = []
    for seed in range(fleets):
        history = draw(plant(CELLS[name], seed), seed=seed, components=("joint", "center_bearing"))
        renewed, told = find_renewed(history), tell_terms(history, "joint")
        fit = fit_practice(told.episodes, component="joint", level=LEVEL, renewed=renewed, further=told.names)
        control = fit_practice(history.episodes, component="center_bearing", level=LEVEL, renewed=renewed)
        assert isinstance(fit, PracticeFit)
        assert isinstance(control, PracticeFit)
        rows.append(tabulate_checks(history, {"joint": fit}, {}, control=control, told={"joint": told}, level=LEVEL))
    table = pd.concat(rows)
    table["apart"] = (table["theta_low"].astype(float) > 0) | (table["theta_high"].astype(float) < 0)
    means = table.astype({"theta": float}).groupby("check")[["theta", "apart"]].mean()
    lines = [
        f"| {name} | {check} | {means.loc[check, 'theta']:+.2f} | {means.loc[check, 'apart']:.0%} |"
        for check in [*SEEN, "negative control"]
        if check in means.index
    ]
    return "\n".join(["| cell | seen | mean θ | limits exclude 0 |", "|---|---|---|---|", *lines])


def main() -> None:
    """Run cells, or write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fleets", type=int, default=400)
    parser.add_argument("--cells", default=",".join(CELLS))
    parser.add_argument("--cache", type=Path, default=Path("/tmp/wearlab-intervals-proof"))  # noqa: S108
    parser.add_argument("--seconds", type=float, default=1e9, help="stop after this long")
    parser.add_argument("--part", default="0/1", help="which part of the seeds, of how many: 0/2 and 1/2 side by side")
    parser.add_argument("--table", action="store_true")
    parser.add_argument("--seen", help="show instead what the sensitivity table shows in this cell")
    asked = parser.parse_args()
    if asked.seen:
        print(see_checks(asked.seen, asked.fleets))
        return
    asked.cache.mkdir(parents=True, exist_ok=True)
    if not asked.table:
        which, parts = (int(number) for number in asked.part.split("/"))
        run_cells(asked.cells.split(","), asked.fleets, asked.cache, asked.seconds, (which, parts))
    print(tabulate(asked.cache))
    print(f"\nPython {platform.python_version()}, numpy {np.__version__}, {platform.machine()}", file=sys.stderr)


if __name__ == "__main__":
    main()
