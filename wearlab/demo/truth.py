"""What was planted in the demo fleet, and how often it happened: the answers against which answers are judged."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from wearlab.demo import scenario as plan
from wearlab.demo.best import best_intervals
from wearlab.demo.fleet import AS_OF, Flags, Practice
from wearlab.demo.records import World, dates, in_record, names

_NOTE = "All of this is invented: an invented fleet, invented values. None of it describes any real truck or part."


def planted_truth(seed: int, world: World, practice: Practice, faults: Mapping[str, int]) -> dict[str, Any]:
    """Return every planted value, the planted faults by name, and counts of what happened in the record."""
    by_class = {
        name: dict(zip(plan.CLASSES, values, strict=True))
        for name, values in (
            ("reference_interval_miles", plan.REFERENCE_INTERVAL),
            ("ownership_miles", plan.OWNERSHIP_MILES),
        )
    }
    return {
        "note": _NOTE,
        "seed": seed,
        "trucks": world.trucks.size,
        "records_from": str(plan.RECORDS_FROM),
        "as_of": str(plan.AS_OF),
        "shape": plan.SHAPE,
        "characteristic_life_miles": {part: dict(zip(plan.CLASSES, plan.ETA[part], strict=True)) for part in plan.ETA},
        "theta": {part: dict(zip(plan.CLASSES, plan.THETA[part], strict=True)) for part in plan.THETA},
        **by_class,
        "frailty_variance": plan.FRAILTY_VARIANCE,
        "road_share": plan.ROAD_SHARE,
        "ungreased_hardware_life_factor": plan.UNGREASED_LIFE,
        "b10_miles_at_reference": _b10(),
        "shop_factor": dict(zip(plan.SHOPS, plan.SHOP_FACTOR, strict=True)),
        "practised_interval_miles": _practised(world, practice),
        "best_interval": best_intervals(),
        "bad_boot_lot": _bad_lot(world),
        "leaking_shop": _leaking(world),
        "abnormal_joints": {
            "factor": plan.ABNORMAL_FACTOR,
            "unit_ids": list(names(world.trucks)[world.trucks.abnormal]),
        },
        "counts": _counts(world) | dict(faults),
    }


def _b10() -> dict[str, dict[str, int]]:
    """Return B10 in miles at the reference interval, averaged over trucks (gamma frailty)."""
    phi = plan.FRAILTY_VARIANCE
    summed = (0.9**-phi - 1) / phi
    return {
        part: {
            name: round(eta * summed ** (1 / plan.SHAPE[part])) for name, eta in zip(plan.CLASSES, etas, strict=True)
        }
        for part, etas in plan.ETA.items()
    }


def _practised(world: World, practice: Practice) -> dict[str, dict[str, int]]:
    """Return percentiles of the practised interval today, over the trucks in service, by class."""
    today = np.flatnonzero(~world.trucks.retired)
    stretch = (practice.until_day[today] <= AS_OF).sum(axis=1)
    interval, duty_cycle = practice.interval[today, stretch], practice.duty_cycle[today, stretch]
    return {
        name: {f"p{share}": round(float(np.percentile(interval[duty_cycle == index], share))) for share in (5, 50, 95)}
        for index, name in enumerate(plan.CLASSES)
        if (duty_cycle == index).any()
    }


def _where(world: World, lives: Flags) -> list[dict[str, str]]:
    """Return unit, position and day of fitting of the chosen lives."""
    chosen = world.lives.position[lives]
    truck = world.positions.truck[chosen]
    day = np.floor(world.meters.moment(truck, world.lives.fitted[lives])).astype(np.int64)
    rows = zip(names(world.trucks)[truck], world.positions.place[chosen], dates(day), strict=True)
    return [{"unit_id": unit, "position": place.position, "fitted": when} for unit, place, when in rows]


def _bad_lot(world: World) -> dict[str, Any]:
    lives = world.lives
    return {
        "lot": plan.BAD_LOT,
        "factor": plan.BAD_LOT_FACTOR,
        "fitted_from": str(plan.BAD_LOT_WINDOW[0]),
        "fitted_to": str(plan.BAD_LOT_WINDOW[1]),
        "fitted": int(lives.bad_lot.sum()),
        "failed": int((lives.bad_lot & (lives.reason == 0)).sum()),
        "still_in_place": int((lives.bad_lot & (lives.reason < 0)).sum()),
        "lives": _where(world, lives.bad_lot),
    }


def _leaking(world: World) -> dict[str, Any]:
    lives = world.lives
    return {
        "shop": plan.LEAK_SHOP,
        "from": str(plan.LEAK_FROM),
        "boot_factor": plan.LEAK_BOOT_FACTOR,
        "spline_factor_after_boot_failure": plan.LEAK_SPLINE_FACTOR,
        "boots_fitted": int(lives.leaking.sum()),
        "boots_failed": int((lives.leaking & (lives.reason == 0)).sum()),
        "lives": _where(world, lives.leaking),
    }


def _counts(world: World) -> dict[str, Any]:
    lives, positions = world.lives, world.positions
    inside = in_record(world)
    part = positions.component[lives.position]
    truck = positions.truck[lives.position]
    moment = world.meters.moment(truck, np.where(inside, lives.removed, 0.0))
    later = moment >= world.trucks.change_day[truck]
    duty_cycle = np.where(later, world.trucks.later_duty_cycle[truck], world.trucks.duty_cycle[truck])
    failed = inside & (lives.reason == 0)
    return {
        "failures": {
            name: {
                cycle: int((failed & (part == index) & (duty_cycle == number)).sum())
                for number, cycle in enumerate(plan.CLASSES)
            }
            for index, name in enumerate(plan.COMPONENTS)
        },
        "failures_total": int(failed.sum()),
        "found_at_inspection": int((failed & lives.at_inspection).sum()),
        "failed_and_not_yet_seen": int(lives.undiscovered.sum()),
        **{
            reason: int((inside & (lives.reason == index)).sum())
            for index, reason in enumerate(("failure", "planned", "with_mate", "campaign"))
            if index
        },
        "trucks_bought_used": int(world.trucks.bought_used.sum()),
        "trucks_retired": int(world.trucks.retired.sum()),
        "trucks_that_changed_work": int((world.trucks.later_duty_cycle != world.trucks.duty_cycle).sum()),
        "meters_replaced": int((world.trucks.meter_replaced_day < AS_OF).sum()),
    }
