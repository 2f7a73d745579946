"""How large a trial would have to be: trucks and years to tell two regrease intervals apart, by simulation."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from wearlab.answers.intervals_costs import PartModel, TruckCosts
from wearlab.answers.intervals_today import DAYS_PER_YEAR
from wearlab.history.lives import History

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

POWER = 0.8
YEARS = (1.0, 2.0, 3.0)
TRIALS = 400  # simulated for each size looked at
MOST = 3000  # trucks beyond which no trial is simulated
TRIAL_COLUMNS = [
    "duty_cycle", "short", "long", "theta", "years", "failures_needed", "trucks_needed", "trucks_in_class",
    "power_of_class", "simulated", "reads",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class TrialFleet:
    """The trucks of a class as they stand today: what each runs, and the ages of its parts of one component."""

    per_year: Floats  # by truck, in units of the life scale
    truck: Ints  # by part in service
    age: Floats


def fleet_today(history: History, duty_cycle: str, component: str, life_units_per_mile: float) -> TrialFleet:
    """Return the trucks in service of one class that have such parts in service, and the parts' present ages."""
    units, lives = history.units, history.lives
    units = units[(units["duty_cycle"] == duty_cycle) & units["in_service"].astype(bool) & (units["miles_per_day"] > 0)]
    parts = lives[
        (lives["component"] == component) & lives["running"].astype(bool) & lives["unit_id"].isin(units["unit_id"])
    ]
    units = units[units["unit_id"].isin(parts["unit_id"])].reset_index(drop=True)
    place = pd.Series(np.arange(len(units)), index=units["unit_id"])
    return TrialFleet(
        per_year=units["miles_per_day"].to_numpy(dtype=float) * DAYS_PER_YEAR * life_units_per_mile,
        truck=parts["unit_id"].map(place).to_numpy(dtype=np.int64),
        age=parts["exit"].to_numpy(dtype=float),
    )


def tabulate_trial(
    history: History, costs: TruckCosts, short: float, long: float, *, level: float, seed: int
) -> pd.DataFrame:
    """Return the ``trial`` table of one class: trucks, half on each interval by lot, for 1, 2 and 3 years.

    How many trucks find the fitted effect with a chance of 80 % at one-sided 1 − level, comparing the failures of the
    two halves by their spread between trucks. Simulated: trucks are drawn from the class's own with their parts, their
    ages and miles today, each with a factor of its own, failures replaced; ``power_of_class`` is the chance with every
    truck of the class. The search starts from, and beyond 3,000 trucks stays with, D = 4·(z_α + z_β)² /
    (θ ln(long/short))² failures (Schoenfeld, *Biometrika* 68, 1981) widened for the spread between trucks (the variance
    of a log rate ratio of counts that are Poisson around gamma means is 4/D + 4φ/n). No rows where θ is not above 0.
    """
    usage = costs.usage
    midway = np.array([np.sqrt(short * long)])
    part = max(costs.parts, key=lambda p: float(p.failures(midway, costs.horizon)[0, 0]))
    theta, variance = float(part.theta[0]), float(part.variance[0])
    if not theta > 0 or not long > short:
        return pd.DataFrame(columns=TRIAL_COLUMNS)
    fleet = fleet_today(history, usage.duty_cycle, part.component, usage.life_units_per_mile)
    yearly = float(part.failures(midway, costs.horizon)[0, 0]) / usage.ownership_miles * usage.miles_per_year
    wanted = _reach(level, POWER) ** 2 / (theta * np.log(long / short)) ** 2
    rows = []
    for years in YEARS:
        trucks = float(np.ceil(4 * wanted * (1 / (yearly * years) + variance) / 2) * 2)
        trial = Trial(part, fleet, (short, long), years, level)
        size = _find_size(trial, trucks, seed)
        power = simulate_power(trial, len(fleet.per_year), seed)[0] if len(fleet.per_year) >= 4 else None
        rows.append(
            {
                "duty_cycle": usage.duty_cycle,
                "short": short,
                "long": long,
                "theta": theta,
                "years": years,
                "failures_needed": float(np.ceil(trucks * yearly * years)) if size is None else size[1],
                "trucks_needed": trucks if size is None else size[0],
                "trucks_in_class": usage.trucks,
                "power_of_class": power,
                "simulated": size is not None,
                "reads": f"{part.component}: half the trucks on each interval, by lot; found in {100 * POWER:.0f} %",
            }
        )
    return pd.DataFrame(rows, columns=TRIAL_COLUMNS)


def _reach(level: float, power: float) -> float:
    return float(stats.norm.ppf(level) + stats.norm.ppf(power))


@dataclass(frozen=True, slots=True)
class Trial:
    """Two intervals side by side on the trucks of one class for some years."""

    part: PartModel
    fleet: TrialFleet
    intervals: tuple[float, float]
    years: float
    level: float


def _find_size(trial: Trial, trucks: float, seed: int) -> tuple[float, float] | None:
    """Return the trucks that give the power and the failures they see; None where too many to simulate."""
    failures = 0.0
    for step in range(3):
        if trucks > MOST or not len(trial.fleet.per_year):
            return None
        power, failures = simulate_power(trial, int(trucks), seed + step)
        reached = _reach(trial.level, float(np.clip(power, 0.05, 0.995)))
        ratio = float(np.clip((_reach(trial.level, POWER) / max(reached, 0.2)) ** 2, 0.4, 2.5))
        failures *= ratio
        trucks = max(float(np.ceil(trucks * ratio / 2) * 2), 4.0)
    return trucks, float(np.ceil(failures))


def simulate_power(trial: Trial, trucks: int, seed: int) -> tuple[float, float]:
    """Return the share of simulated trials that find the longer interval worse, and the mean number of failures."""
    rng = np.random.default_rng([seed, trucks])
    chosen = rng.integers(0, len(trial.fleet.per_year), (TRIALS, trucks))
    if trucks == len(trial.fleet.per_year):
        chosen = np.argsort(rng.random((TRIALS, trucks)), axis=1)
    longer = np.arange(trucks) % 2 == 1
    counts = _run(trial, chosen, longer, rng)
    miles = trial.fleet.per_year[chosen] * trial.years
    rates, errors = [], []
    for arm in (~longer, longer):
        n, run = counts[:, arm], miles[:, arm]
        rate = n.sum(axis=1) / run.sum(axis=1)
        spread = ((n - rate[:, None] * run) ** 2).sum(axis=1) * arm.sum() / max(arm.sum() - 1, 1)
        rates.append(rate)
        errors.append(spread / np.maximum(n.sum(axis=1), 1.0) ** 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        score = np.log(rates[1] / rates[0]) / np.sqrt(errors[0] + errors[1])
    seen = (rates[0] > 0) & (rates[1] > 0)
    return float((seen & (score > stats.norm.ppf(trial.level))).mean()), float(counts.sum(axis=1).mean())


def _run(trial: Trial, chosen: Ints, longer: npt.NDArray[np.bool_], rng: np.random.Generator) -> Floats:
    """Return the failures of each truck of each trial, failed parts replaced by new ones."""
    part, fleet = trial.part, trial.fleet
    shape, variance = float(part.shape[0]), float(part.variance[0])
    hazard = part.eta_at(np.array(trial.intervals))[0] ** -shape
    z = rng.gamma(1 / variance, variance, chosen.shape) if variance > 0 else np.ones(chosen.shape)
    rate = (z * np.where(longer, hazard[1], hazard[0])).ravel()
    order = np.argsort(fleet.truck, kind="stable")
    held = np.bincount(fleet.truck, minlength=len(fleet.per_year))
    first = np.cumsum(held) - held
    many = held[chosen.ravel()]
    at = np.repeat(np.arange(chosen.size), many)
    which = first[chosen.ravel()][at] + np.arange(len(at)) - np.repeat(np.cumsum(many) - many, many)
    age, left = fleet.age[order][which], (fleet.per_year[chosen.ravel()] * trial.years)[at]
    counts = np.zeros(chosen.size)
    while len(at):
        fails = (age**shape + rng.exponential(size=len(at)) / rate[at]) ** (1 / shape) - age
        failed = fails < left
        counts += np.bincount(at[failed], minlength=chosen.size)
        left, at = (left - fails)[failed], at[failed]
        age = np.zeros(len(at))
    return counts.reshape(chosen.shape)
