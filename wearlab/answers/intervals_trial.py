"""How large a trial would have to be: trucks and years to tell two regrease intervals apart."""

import numpy as np
import pandas as pd
from scipy import stats

from wearlab.answers.intervals_costs import TruckCosts

POWER = 0.8
YEARS = (1.0, 2.0, 3.0)
TRIAL_COLUMNS = [
    "duty_cycle", "short", "long", "theta", "years", "failures_needed", "trucks_needed", "trucks_in_class", "reads",
]  # fmt: skip


def tabulate_trial(costs: TruckCosts, short: float, long: float, level: float) -> pd.DataFrame:
    """Return the ``trial`` table of one class: trucks, half on each interval by lot, for 1, 2 and 3 years.

    To find the fitted effect with a chance of 80 % at one-sided 1 − level: D = 4·(z_α + z_β)² / (θ ln(long/short))²
    failures (Schoenfeld, *Biometrika* 68, 1981), and more where trucks differ: the variance of a log rate ratio of
    counts that are Poisson around gamma means is 4/D + 4φ/n for n trucks in two equal arms. The failures of a year are
    those midway between the two intervals; θ is that of the part whose failures are most. No rows where θ is not
    above 0.
    """
    usage = costs.usage
    midway = np.array([np.sqrt(short * long)])
    part = max(costs.parts, key=lambda p: float(p.failures(midway, costs.horizon)[0, 0]))
    theta, variance = float(part.theta[0]), float(part.variance[0])
    if not theta > 0 or not long > short:
        return pd.DataFrame(columns=TRIAL_COLUMNS)
    yearly = float(part.failures(midway, costs.horizon)[0, 0]) / usage.ownership_miles * usage.miles_per_year
    wanted = float(stats.norm.ppf(level) + stats.norm.ppf(POWER)) ** 2 / (theta * np.log(long / short)) ** 2
    rows = []
    for years in YEARS:
        trucks = float(np.ceil(4 * wanted * (1 / (yearly * years) + variance) / 2) * 2)
        rows.append(
            {
                "duty_cycle": usage.duty_cycle,
                "short": short,
                "long": long,
                "theta": theta,
                "years": years,
                "failures_needed": float(np.ceil(trucks * yearly * years)),
                "trucks_needed": trucks,
                "trucks_in_class": usage.trucks,
                "reads": f"{part.component}: half the trucks on each interval, chosen by lot, {POWER:.0%} power",
            }
        )
    return pd.DataFrame(rows, columns=TRIAL_COLUMNS)
