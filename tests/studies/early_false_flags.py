"""How often a healthy fleet is flagged, and how often a bad truck is. Run: python -m tests.studies.early_false_flags

Simulated fleets of 500 trucks (8 parts a truck, three duty cycles, delayed entry), spread between trucks gamma with
variance 0, 0.1 and 0.3. A healthy fleet counts as falsely flagged when any truck and component row is flagged at a
false-discovery rate of 5 %; a true rate of 5 % gives more than 18 of 200 once in fifty times.
Power: three trucks of 300 with all their hazards times 4 or 7, by the failures expected of them.
"""

import sys
import time
from collections.abc import Iterator

import numpy as np
import pandas as pd

from tests.studies.fleets import Plan, simulate
from tests.studies.result_table import write_result
from wearlab.answers.early import EarlyFailures, find_early

BINS = ((0.7, 1.4, 1), (1.4, 2.8, 2), (2.8, 5.6, 4), (5.6, 11.3, 8))


def _early(plan: Plan, seed: int) -> EarlyFailures:
    found = find_early(simulate(plan, seed), rate=0.05, level=0.9, seed=1, progress=lambda _: None)
    assert isinstance(found, EarlyFailures)
    return found


def healthy(fleets: int) -> Iterator[dict[str, object]]:
    """Yield one row per spread: falsely flagged fleets of ``fleets``."""
    for spread in (0.0, 0.1, 0.3):
        trucks = lives = poisson = 0
        for seed in range(fleets):
            found = _early(Plan(spread=spread), 10_000 + seed)
            trucks += bool(found.units["flagged"].any())
            lives += bool(found.lives["flagged"].any())
            worse = found.units["p_class_mean"].sort_values().to_numpy()
            poisson += bool((worse * len(worse) / np.arange(1, len(worse) + 1) <= 0.05).any())
        yield {
            "variance between trucks": spread,
            "healthy fleets": fleets,
            "with any truck flagged": trucks,
            "with any life flagged": lives,
            "with any truck flagged by a Poisson p": poisson,
        }


def power(fleets: int) -> Iterator[dict[str, object]]:
    """Yield one row per spread, multiple and expected count: share of planted rows that were flagged."""
    for spread in (0.0, 0.1, 0.3):
        for multiple in (4.0, 7.0):
            rows = []
            for seed in range(fleets):
                bad = {10: multiple, 20: multiple, 30: multiple}
                found = _early(
                    Plan(trucks=300, spread=spread, bad_trucks=bad, life=(0.6, 0.25)[seed % 2]), 20_000 + seed
                )
                rows.append(found.units[found.units["unit_id"].isin(["T0010", "T0020", "T0030"])])
            units = pd.concat(rows)
            for low, high, middle in BINS:
                mine = units[units["expected"].between(low, high)]
                yield {
                    "variance between trucks": spread,
                    "multiple": multiple,
                    "expected (about)": middle,
                    "planted rows": len(mine),
                    "flagged": round(float(mine["flagged"].mean()), 2) if len(mine) else None,
                    "median shrunken ratio": round(float(mine["shrunken_ratio"].median()), 1) if len(mine) else None,
                }


def main(fleets: int) -> None:
    began = time.perf_counter()
    tables = {"Healthy fleets of 500 trucks": list(healthy(fleets)), "Planted trucks": list(power(max(fleets // 3, 4)))}
    write_result("early_false_flags", __doc__ or "", tables, time.perf_counter() - began, fleets)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
