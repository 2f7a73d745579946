"""How often a healthy fleet gets a cluster, and how often a planted one is named.

Run: python -m tests.studies.cluster_false_verdicts

Simulated fleets of 500 trucks, spread between trucks gamma with variance 0, 0.1 and 0.3; eight factors of 3 to 40
levels (and the month of fitting): home shop, region, model year, lot, shop, crew, clamp tool, grease grade. Healthy:
verdicts "found" of 200; a true rate of 5 % gives more than 18 once in fifty times. Planted: one lot or one shop whose
fittings fail 3 or 6 times as fast, 30, 100 or 300 fitted on average; named rightly = found, right factor, right level.
"""

import sys
import time
from collections.abc import Iterator

from tests.studies.fleets import Plan, simulate
from tests.studies.result_table import write_result
from wearlab.answers.cluster import Cluster, find_cluster

SIZES = {"lot": ((30, 66), (100, 20), (300, 7)), "shop": ((30, 30), (100, 9), (300, 3))}  # fitted -> levels


def _cluster(plan: Plan, seed: int, component: str | None) -> Cluster:
    found = find_cluster(
        simulate(plan, seed), component=component, factors=(), level=0.9, seed=1, progress=lambda _: None
    )
    assert isinstance(found, Cluster)
    return found


def healthy(fleets: int, component: str | None) -> Iterator[dict[str, object]]:
    """Yield one row per spread: verdicts in healthy fleets, for one component or for all together."""
    for spread in (0.3, 0.1, 0.0):
        verdicts = [_cluster(Plan(spread=spread), 30_000 + seed, component).verdict for seed in range(fleets)]
        yield {
            "component": component or "all three together",
            "variance between trucks": spread,
            "healthy fleets": fleets,
            "found": sum(v.found == "found" for v in verdicts),
            "suspected": sum(v.found == "suspected" for v in verdicts),
        }


def planted(fleets: int) -> Iterator[dict[str, object]]:
    """Yield one row per kind, size, multiple and spread: how the planted level fared."""
    for kind, sizes in SIZES.items():
        for fitted, levels in sizes:
            for multiple in (3.0, 6.0):
                for spread in (0.0, 0.3):
                    yield _plant(kind, fitted, levels, multiple, spread, fleets)


def _plant(kind: str, fitted: int, levels: int, multiple: float, spread: float, fleets: int) -> dict[str, object]:
    level = f"L{round(levels * 0.6):02d}" if kind == "lot" else "S02"
    count = (("lot", levels),) if kind == "lot" else (("home_shop", levels),)
    plan = Plan(spread=spread, planted=(("boot", kind, level, multiple),), levels=count)
    named = found = other = 0
    for seed in range(fleets):
        verdict = _cluster(plan, 40_000 + seed, "boot").verdict
        found += verdict.found == "found"
        named += verdict.found == "found" and verdict.level == level and verdict.factor in {kind, f"home_{kind}"}
        other += verdict.found != "nothing" and verdict.level == level and verdict.found == "suspected"
    return {
        "planted": kind,
        "fitted (about)": fitted,
        "multiple": multiple,
        "variance between trucks": spread,
        "fleets": fleets,
        "found": found,
        "named rightly": named,
        "suspected rightly": other,
    }


def main(fleets: int) -> None:
    began = time.perf_counter()
    tables: dict[str, list[dict[str, object]]] = {}
    parts = {
        "Healthy fleets of 500 trucks, one component": healthy(fleets, "boot"),
        "Planted": planted(max(fleets // 16, 3)),
        "Healthy fleets of 500 trucks, all components": healthy(max(fleets // 4, 2), None),
    }
    for title, rows in parts.items():
        for row in rows:
            tables.setdefault(title, []).append(row)
            write_result("cluster_false_verdicts", __doc__ or "", tables, time.perf_counter() - began, fleets)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
