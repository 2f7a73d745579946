"""The demo fleet as its shops wrote it down: tables to the data contract, with the usual faults of a real export."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from wearlab.demo import scenario as plan
from wearlab.demo.fleet import AS_OF, NEVER, RECORDS_FROM, Flags, Floats, Ints, Meters, Stops, Trucks, day_number
from wearlab.demo.lives import REASONS, ROAD_SHOP, Lives, Positions

Texts = NDArray[np.object_]

SHOP_NAMES = np.array([*plan.SHOPS, "road_service", ""], dtype=object)
HARDWARE = np.array(["greaseable", "extended_interval", "sealed", ""], dtype=object)
_COMPONENTS = np.array(plan.COMPONENTS, dtype=object)
_CLASSES = np.array(plan.CLASSES, dtype=object)
_STRIDE = 1e8


@dataclass(frozen=True, slots=True)
class World:
    """The true fleet, before anybody writes anything down."""

    trucks: Trucks
    meters: Meters
    greasings: Stops
    inspections: Stops
    positions: Positions
    lives: Lives

    def record_start(self) -> Ints:
        """Return the first day of each truck's record."""
        return np.maximum(self.trucks.start_day, RECORDS_FROM)


def dates(day: Ints) -> Texts:
    """Return ISO dates; a day that does not come is blank."""
    text = np.datetime_as_string(np.where(day >= NEVER, 0, day).astype("datetime64[D]")).astype(object)
    text[day >= NEVER] = ""
    return text


def names(trucks: Trucks) -> Texts:
    """Return the unit ids."""
    width = max(4, len(str(trucks.size)))
    return np.array([f"T{number:0{width}d}" for number in range(1, trucks.size + 1)], dtype=object)


def whole(values: Floats) -> Texts:
    """Return whole miles as text, blank where missing."""
    text = np.rint(np.where(np.isnan(values), 0, values)).astype(np.int64).astype(str).astype(object)
    text[np.isnan(values)] = ""
    return text


def decimals(values: Floats, places: int) -> Texts:
    """Return numbers as text with that many decimals, blank where missing."""
    text = np.char.mod(f"%.{places}f", np.where(np.isnan(values), 0, values)).astype(object)
    text[np.isnan(values)] = ""
    return text


def shown(world: World, truck: Ints, moment: NDArray[np.floating]) -> Floats:
    """Return what the truck's own meter shows: a replaced meter starts again at nothing."""
    true = world.meters.at(truck, moment)
    replaced = world.trucks.meter_replaced_day[truck]
    known = np.where(replaced < NEVER, replaced, 0).astype(float)
    begun = np.where(replaced < NEVER, world.meters.at(truck, np.maximum(known, world.meters.month_day[0])), 0.0)
    return np.where(moment >= replaced, true - begun, true)


def units_table(rng: np.random.Generator, world: World) -> pd.DataFrame:
    """Return the units table."""
    trucks = world.trucks
    everyone = np.arange(trucks.size)
    built = trucks.build_day.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64) + 1970
    start_miles = world.meters.at(everyone, trucks.start_day.astype(float))
    unknown_ratio = rng.random(trucks.size) < 0.03
    return pd.DataFrame(
        {
            "unit_id": names(trucks),
            "duty_cycle": _CLASSES[trucks.duty_cycle],
            "in_service_date": dates(trucks.start_day),
            "in_service_miles": whole(start_miles),
            "out_of_service_date": dates(np.where(trucks.retired, trucks.end_day, NEVER)),
            "axle_ratio": decimals(np.where(unknown_ratio, np.nan, trucks.axle_ratio), 2),
            "tire_turns_per_mile": whole(trucks.tire_turns),
            "home_shop": SHOP_NAMES[trucks.shop],
            "region": np.array(plan.REGIONS, dtype=object)[trucks.region],
            "model_year": built.astype(str).astype(object),
            "bought": np.where(trucks.bought_used, "used", "new"),
        }
    )


def lots(world: World) -> Texts:
    """Return the lot of each life's part, blank for parts fitted before the truck's record and by the truck maker."""
    lives, positions = world.lives, world.positions
    moment = world.meters.moment(positions.truck[lives.position], lives.fitted)
    month = np.floor(moment).astype(np.int64).astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    part = positions.component[lives.position]
    prefix = np.array(["joint", "spline", "boot", "bearing"], dtype=object)[part]
    letter = np.array(["a", "b", "c"], dtype=object)[(month % 12) // 4]
    text = prefix + "-" + (month // 12 + 1970).astype(str).astype(object) + "-" + letter
    text = np.where(lives.bad_lot, plan.BAD_LOT, text)
    return np.where(lives.fitted_shop < 0, "", text).astype(object)


def positions_table(world: World) -> pd.DataFrame:
    """Return the positions table: what sat in each place on the first day of the truck's record."""
    trucks, positions, lives = world.trucks, world.positions, world.lives
    start = world.record_start()[positions.truck]
    start_miles = world.meters.at(positions.truck, start.astype(float))
    keys = lives.position * _STRIDE + lives.fitted
    inside = np.searchsorted(keys, np.arange(positions.size) * _STRIDE + start_miles, side="left") - 1
    inside = np.maximum(inside, np.searchsorted(keys, np.arange(positions.size) * _STRIDE, side="left"))
    fitted = lives.fitted[inside]
    when = np.floor(world.meters.moment(positions.truck, fitted)).astype(np.int64)
    before_us = when < trucks.start_day[positions.truck]
    unknown = before_us & trucks.papers_missing[positions.truck]
    default = (fitted == 0) & ~trucks.bought_used[positions.truck]
    place = positions.place
    blank = unknown | default
    return pd.DataFrame(
        {
            "unit_id": names(trucks)[positions.truck],
            "position": np.array([one.position for one in place], dtype=object),
            "component": _COMPONENTS[positions.component],
            "shaft": np.array([one.shaft for one in place], dtype=object),
            "hardware": HARDWARE[positions.hardware],
            "installed_date": np.where(blank, "", dates(when)),
            "installed_miles": np.where(blank, "", whole(fitted)),
            "age_known": np.where(unknown, "false", "true"),
            "lot": np.where(unknown, "", lots(world)[inside]),
        }
    )


def readings_table(rng: np.random.Generator, world: World) -> pd.DataFrame:
    """Return monthly meter readings, with months left out, typing faults and replaced meters."""
    trucks, meters = world.trucks, world.meters
    start = world.record_start()
    months = np.append(meters.month_day[meters.month_day >= RECORDS_FROM], AS_OF + 1)
    months = months[months <= AS_OF]
    truck = np.repeat(np.arange(trucks.size), len(months))
    day = np.tile(months, trucks.size) + rng.integers(0, 27, len(truck))
    keep = (day > start[truck] + 5) & (day < trucks.end_day[truck]) & (rng.random(len(truck)) > 0.06)
    everyone = np.arange(trucks.size)
    swapped = everyone[trucks.meter_replaced_day < NEVER]
    swap_day = trucks.meter_replaced_day[swapped]
    truck = np.concatenate([truck[keep], everyone, everyone, swapped, swapped])
    day = np.concatenate([day[keep], start + 1, trucks.end_day, swap_day - 1, swap_day])
    moment = day + 0.95
    moment[len(moment) - len(swapped) :] -= 0.949
    flag = np.zeros(len(truck), dtype=bool)
    flag[len(truck) - len(swapped) :] = True
    draw = rng.random(len(truck))
    miles = shown(world, truck, moment)
    plain = (
        ~flag & (trucks.meter_replaced_day[truck] >= NEVER) & (day < trucks.end_day[truck]) & (day > start[truck] + 1)
    )
    miles = np.where(plain & (draw < 0.003), miles * rng.uniform(0.6, 0.9, len(truck)), miles)
    miles = np.where(plain & (draw > 0.998), miles * 10, miles)
    speed = np.array(plan.SPEED_MPH)
    true = meters.at(truck, moment)
    changed = np.minimum(trucks.change_day[truck], AS_OF).astype(float)
    before = np.where(trucks.change_day[truck] < NEVER, np.minimum(true, meters.at(truck, changed)), true)
    hours = before / speed[trucks.duty_cycle[truck]] + (true - before) / speed[trucks.later_duty_cycle[truck]]
    hours = np.where(rng.random(trucks.size)[truck] < 0.8, hours, np.nan)
    table = pd.DataFrame(
        {
            "unit_id": names(trucks)[truck],
            "date": dates(day),
            "miles": whole(miles),
            "engine_hours": decimals(hours, 1),
            "meter_replaced": np.where(flag, "true", "false"),
        }
    )
    order = np.lexsort([moment, truck])
    return table.iloc[order].drop_duplicates(["unit_id", "date"], keep="first").reset_index(drop=True)


def spectra_table() -> pd.DataFrame:
    """Return the invented duty spectra, read by the driveline question alone."""
    rows = [
        (name, f"{share:g}", f"{torque:g}", f"{angle:g}", f"{speed:g}")
        for name, bins in plan.SPECTRA.items()
        for share, torque, angle, speed in bins
    ]
    return pd.DataFrame(rows, columns=["duty_cycle", "share_of_turns", "torque_nm", "angle_deg", "speed_rpm"])


def angles_table(rng: np.random.Generator, world: World) -> pd.DataFrame:
    """Return joint angles of some trucks, loaded and unloaded, and tubes, read by the driveline question alone."""
    trucks, positions = world.trucks, world.positions
    measured = (rng.random(trucks.size) < 0.12) & ~trucks.retired
    at = np.flatnonzero((positions.component == 0) & measured[positions.truck])
    truck = positions.truck[at]
    line = np.array(["interaxle" if one.shaft == "interaxle" else "main" for one in positions.place[at]], dtype=object)
    own = np.array([1.6, 1.8, 2.3])[trucks.duty_cycle[truck]] + 0.5 * rng.standard_normal(trucks.size)[truck]
    loaded = np.abs(own + 0.25 * rng.standard_normal(len(at)))
    loaded = np.where(rng.random(len(at)) < 0.06, loaded + rng.uniform(1.2, 3.0, len(at)), loaded)
    unloaded = np.abs(loaded + 0.4 + 0.3 * rng.standard_normal(len(at)))
    quarter = [np.round(values * 4) / 4 for values in (loaded, unloaded)]
    table = pd.DataFrame({"unit_id": names(trucks)[truck], "line": line})
    table["joint"] = (table.groupby(["unit_id", "line"]).cumcount() + 1).astype(str)
    turns = trucks.axle_ratio * trucks.tire_turns
    table = table.assign(angle_deg=decimals(quarter[0], 2), unloaded_angle_deg=decimals(quarter[1], 2))
    table["speed_rpm"] = whole(turns[truck] * plan.HIGHEST_MPH / 60)
    return table.assign(**_tubes(rng, table, line == "interaxle"))


def _tubes(rng: np.random.Generator, table: pd.DataFrame, interaxle: Flags) -> dict[str, Texts]:
    """Return outer diameter, wall and length of the tube behind each joint; none behind the last joint of a line."""
    last = ~table.duplicated(["unit_id", "line"], keep="last").to_numpy()
    length = np.where(interaxle, 600 + 200 * rng.random(len(table)), 1200 + 750 * rng.random(len(table)))
    outer, wall = np.full(len(table), plan.TUBE_MM[0]), np.full(len(table), plan.TUBE_MM[1])
    for values in (length, outer, wall):
        values[last] = np.nan
    names_of = ("tube_outer_mm", "tube_wall_mm", "tube_length_mm")
    texts = (decimals(outer, 1), decimals(wall, 1), whole(np.round(length / 5) * 5))
    return dict(zip(names_of, texts, strict=True))


def duty_changes_table(world: World) -> pd.DataFrame:
    """Return the days on which trucks changed their work."""
    changed = np.flatnonzero(world.trucks.change_day < NEVER)
    return pd.DataFrame(
        {
            "unit_id": names(world.trucks)[changed],
            "date": dates(world.trucks.change_day[changed]),
            "duty_cycle": _CLASSES[world.trucks.later_duty_cycle[changed]],
        }
    )


def lube_plan_table(world: World) -> pd.DataFrame:
    """Return the plan of each class and its changes, and the trial trucks' own."""
    rows = [(name, "", plan.PLAN_FROM, before) for name, before in zip(plan.CLASSES, plan.PLAN_BEFORE, strict=True)]
    changes = zip(plan.CLASSES, plan.PLAN_CHANGE, plan.PLAN_AFTER, strict=True)
    rows += [(name, "", when, after) for name, when, after in changes if when is not None]
    on_trial = world.trucks.trial & (world.trucks.end_day > day_number(plan.TRIAL_FROM))
    rows += [("", unit, plan.TRIAL_FROM, plan.TRIAL_INTERVAL) for unit in names(world.trucks)[on_trial]]
    return pd.DataFrame(
        [(name, unit, str(when), str(round(miles))) for name, unit, when, miles in rows],
        columns=["duty_cycle", "unit_id", "from_date", "interval_miles"],
    )


def measurements_table(rng: np.random.Generator, world: World) -> pd.DataFrame:
    """Return joint play and spline backlash at the yearly inspections of some trucks, growing with wear."""
    trucks, positions, lives = world.trucks, world.positions, world.lives
    measured = rng.random(trucks.size) < 0.45
    seen = world.inspections
    keep = measured[seen.truck] & (seen.day > world.record_start()[seen.truck])
    visit = np.flatnonzero(keep)
    first = np.searchsorted(positions.truck, np.arange(trucks.size), side="left")
    count = np.bincount(positions.truck, minlength=trucks.size)[seen.truck[visit]]
    repeated = np.repeat(visit, count)
    offset = np.arange(len(repeated)) - np.repeat(np.cumsum(count) - count, count)
    at = first[seen.truck[repeated]] + offset
    greased = positions.component[at] <= 1
    at, repeated = at[greased], repeated[greased]
    keys = lives.position * _STRIDE + lives.fitted
    life = np.searchsorted(keys, at * _STRIDE + seen.miles[repeated], side="left") - 1
    # The old part and the new one cannot be told apart on the day of a replacement.
    clear = (lives.removed[life] > seen.miles[repeated] + 1) & (lives.fitted[life] < seen.miles[repeated] - 1)
    moment = world.meters.moment(positions.truck[at], np.minimum(lives.removed[life], 1e7))
    clear &= np.floor(moment) > seen.day[repeated]
    at, repeated, life = at[clear], repeated[clear], life[clear]
    joint = positions.component[at] == 0
    first_value, limit = 0.001, np.where(joint, plan.JOINT_PLAY_LIMIT, plan.BACKLASH_LIMIT)
    spread = np.exp(0.12 * np.sin(life * 12.9898))  # each part's own, fixed by its place in the list
    rate = (limit - first_value) / (0.85 * (lives.latent[life] - lives.fitted[life])) * spread
    value = first_value + rate * (seen.miles[repeated] - lives.fitted[life]) + 0.0003 * rng.standard_normal(len(at))
    return pd.DataFrame(
        {
            "unit_id": names(trucks)[positions.truck[at]],
            "position": np.array([one.position for one in positions.place[at]], dtype=object),
            "date": dates(seen.day[repeated]),
            "miles": whole(shown(world, positions.truck[at], seen.day[repeated] + 0.4)),
            "quantity": np.where(joint, "joint_play", "spline_backlash"),
            "value": decimals(np.maximum(value, 0.0), 4),
            "unit": "in",
        }
    )


def in_record(world: World) -> Flags:
    """Return which lives ended by a replacement inside their truck's record."""
    lives = world.lives
    truck = world.positions.truck[lives.position]
    ended = lives.reason >= 0
    moment = world.meters.moment(truck, np.where(ended, lives.removed, 0.0))
    return ended & (np.floor(moment) >= world.record_start()[truck])


def road_shop(shop: Ints) -> Texts:
    """Return shop names; a roadside vendor has one name for all."""
    return SHOP_NAMES[np.where(shop < 0, ROAD_SHOP + 1, shop)]


def reason_names(reason: Ints) -> Texts:
    """Return the reasons as text."""
    return np.array([*REASONS, ""], dtype=object)[reason]
