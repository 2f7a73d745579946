"""The demo fleet's trucks: who they are, how far they run, how they are greased; all invented, all vectorised."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wearlab.demo import scenario as plan

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

FIRST_MONTH = np.datetime64("2012-01")
NEVER = np.int64(10**7)  # a day that does not come
_TRUCK_STRIDE = 1e8  # miles that no truck reaches: keeps the trucks of one sorted array apart


def day_number(when: np.datetime64) -> int:
    """Return a date as days since 1970-01-01."""
    return int(when.astype("datetime64[D]").astype(np.int64))


RECORDS_FROM = day_number(plan.RECORDS_FROM)
AS_OF = day_number(plan.AS_OF)


@dataclass(frozen=True, slots=True)
class Trucks:
    """One entry per truck; days are days since 1970, classes and shops are indices into the scenario's tuples."""

    duty_cycle: Ints  # at the start
    later_duty_cycle: Ints  # from change_day on
    change_day: Ints  # NEVER where the work did not change
    build_day: Ints  # the truck was new
    start_day: Ints  # it joined this fleet
    end_day: Ints  # last day under observation
    retired: Flags
    bought_used: Flags
    papers_missing: Flags  # bought used, ages of its parts not known
    shop: Ints
    region: Ints
    layout: Ints
    axle_ratio: Floats
    tire_turns: Floats
    hardware: Ints  # 0 greaseable, 1 extended_interval, 2 sealed
    habit: Floats
    frailty: Floats
    abnormal: Flags
    trial: Flags  # on the shorter trial interval from TRIAL_FROM
    boot_campaign_day: Ints
    planned_factor: Floats  # joints replaced at this multiple of the class age; 0 = no such plan
    meter_replaced_day: Ints

    @property
    def size(self) -> int:
        """How many trucks."""
        return len(self.duty_cycle)


@dataclass(frozen=True, slots=True)
class Meters:
    """Each truck's true miles: cumulative at month starts, and the daily rate within each month."""

    month_day: Ints
    miles: Floats  # (trucks, months)
    rate: Floats  # (trucks, months)
    build_day: Ints

    def at(self, truck: Ints, day: NDArray[np.floating | np.integer]) -> Floats:
        """Return the true miles of each truck at a moment (days since 1970, with fraction)."""
        month = np.searchsorted(self.month_day, day, side="right") - 1
        begun = np.maximum(self.month_day[month], self.build_day[truck])
        miles: Floats = self.miles[truck, month] + self.rate[truck, month] * np.maximum(day - begun, 0.0)
        return miles

    def moment(self, truck: Ints, miles: Floats) -> Floats:
        """Return when each truck's meter passes ``miles``; beyond the last month the last rate goes on."""
        months = self.miles.shape[1]
        keys = (self.miles + np.arange(len(self.miles))[:, None] * _TRUCK_STRIDE).ravel()
        found = np.searchsorted(keys, truck * _TRUCK_STRIDE + miles, side="right") - 1
        month = np.clip(found - truck * months, 0, months - 1)
        begun = np.maximum(self.month_day[month], self.build_day[truck])
        return np.asarray(begun + (miles - self.miles[truck, month]) / self.rate[truck, month])


@dataclass(frozen=True, slots=True)
class Practice:
    """Stretches of unchanged work and practised interval per truck: bounds in days and miles, class and interval."""

    until_day: Floats  # (trucks, stretches), the last is infinite
    until_miles: Floats
    duty_cycle: Ints
    interval: Floats


def _pick(rng: np.random.Generator, weights: Floats) -> Ints:
    """Return one column index per row, drawn with that row's weights."""
    above = rng.random(len(weights))[:, None] > np.cumsum(weights, axis=1)[:, :-1]
    return np.asarray(above.sum(axis=1), dtype=np.int64)


def _days(rng: np.random.Generator, size: int, first: str, last: str) -> Ints:
    return rng.integers(day_number(np.datetime64(first)), day_number(np.datetime64(last)) + 1, size)


def _month_first(days: Ints) -> Ints:
    months = days.astype("datetime64[D]").astype("datetime64[M]")
    return months.astype("datetime64[D]").astype(np.int64)


def _life_dates(rng: np.random.Generator, duty_cycle: Ints, used: Flags) -> tuple[Ints, Ints, Ints, Flags]:
    """Return the days built, joined and last seen, and whether the truck has left the fleet."""
    size = len(duty_cycle)
    first = np.array([day_number(np.datetime64(text)) for text in ("2016-09-01", "2016-01-01", "2015-03-01")])
    last = day_number(np.datetime64("2025-05-01"))
    build = first[duty_cycle] + (rng.random(size) * (last - first[duty_cycle])).astype(np.int64)
    build = np.where(used, _days(rng, size, "2014-03-01", "2017-12-31"), build)
    joined_late = rng.random(size) < 0.2
    joined = np.where(
        joined_late, _days(rng, size, "2020-09-01", "2022-06-30"), _days(rng, size, "2018-06-01", "2020-05-31")
    )
    start = np.where(used, joined, build)
    kept = np.array(plan.OWNERSHIP_MILES) / np.array(plan.ANNUAL_MILES)
    left = build + (kept[duty_cycle] * rng.uniform(0.85, 1.5, size) * 365.25).astype(np.int64)
    left = np.maximum(left, np.maximum(start, RECORDS_FROM) + 400)
    return build, start, np.minimum(left, AS_OF), left < AS_OF


def make_trucks(rng: np.random.Generator, size: int) -> Trucks:
    """Return ``size`` invented trucks."""
    duty_cycle = _pick(rng, np.tile(plan.CLASS_SHARE, (size, 1)))
    used = rng.random(size) < 0.1
    build, start, end, retired = _life_dates(rng, duty_cycle, used)
    shop = _pick(rng, np.array(plan.SHOP_WEIGHT)[duty_cycle])
    changes = (rng.random(size) < 0.12) & ~used & (end - np.maximum(start, RECORDS_FROM) > 1200)
    change_day = np.where(changes, _month_first(_days(rng, size, "2021-09-01", "2024-09-30")), NEVER)
    changes &= (change_day > start + 200) & (change_day < end - 200)
    change_day = np.where(changes, change_day, NEVER)
    later = np.where(changes, (duty_cycle + rng.integers(1, 3, size)) % 3, duty_cycle)
    ratios = np.array([[2.64, 3.08], [3.55, 3.73], [4.3, 5.38]])
    campaign = rng.random(size) < plan.CAMPAIGN_SHARE
    campaign_day = _days(rng, size, str(plan.BAD_LOT_WINDOW[0] + 2), str(plan.BAD_LOT_WINDOW[1] - 6))
    planned = rng.random(size) < plan.PLANNED_SHARE
    hard = np.where(duty_cycle == 0, _pick(rng, np.tile([0.85, 0.1, 0.05], (size, 1))), 0)
    meter_fails = rng.random(size) < 0.025
    meter_day = _days(rng, size, "2021-06-01", "2025-06-30")
    meter_fails &= (meter_day > start + 200) & (meter_day < end - 200)
    return Trucks(
        duty_cycle=duty_cycle,
        later_duty_cycle=later,
        change_day=change_day,
        build_day=build,
        start_day=start,
        end_day=end,
        retired=retired,
        bought_used=used,
        papers_missing=used & (rng.random(size) < 0.5),
        shop=shop,
        region=_pick(rng, np.tile([0.35, 0.3, 0.35], (size, 1))),
        layout=_pick(rng, np.array(plan.LAYOUT_WEIGHT)[duty_cycle]),
        axle_ratio=ratios[duty_cycle, rng.integers(0, 2, size)],
        tire_turns=np.array([501.0, 513.0])[rng.integers(0, 2, size)],
        hardware=np.where(changes, 0, hard),
        habit=np.exp(rng.standard_normal(size) * np.array(plan.HABIT_SD)[duty_cycle]),
        frailty=rng.gamma(1 / plan.FRAILTY_VARIANCE, plan.FRAILTY_VARIANCE, size),
        abnormal=_abnormal(rng, duty_cycle, start, end),
        trial=(duty_cycle == 2) & np.isin(shop, [2, 3]) & (rng.random(size) < plan.TRIAL_SHARE / 0.5),
        boot_campaign_day=np.where(campaign, campaign_day, NEVER),
        planned_factor=np.where(planned, rng.uniform(0.85, 1.15, size), 0.0),
        meter_replaced_day=np.where(meter_fails, meter_day, NEVER),
    )


def _abnormal(rng: np.random.Generator, duty_cycle: Ints, start: Ints, end: Ints) -> Flags:
    """Return which trucks have abnormal joints: a few, not in line-haul work, watched for most of the record."""
    size = len(duty_cycle)
    wanted = max(1, round(size * plan.ABNORMAL_TRUCKS_PER_300 / 300))
    watched = np.minimum(end, AS_OF) - np.maximum(start, RECORDS_FROM)
    wished = (watched > 0.7 * (AS_OF - RECORDS_FROM)).astype(float) + (duty_cycle > 0)
    order = np.argsort(-wished - rng.random(size) * 0.5, kind="stable")
    chosen = np.zeros(size, dtype=bool)
    chosen[order[:wanted]] = True
    return chosen


def make_meters(rng: np.random.Generator, trucks: Trucks) -> Meters:
    """Return true meters: a class's yearly miles, a truck's own factor, season and month-to-month noise."""
    months = np.arange(FIRST_MONTH, np.datetime64("2026-08"), dtype="datetime64[M]")
    first = months.astype("datetime64[D]").astype(np.int64)
    after = np.append(first[1:], first[-1] + 31)
    own = np.exp(rng.standard_normal(trucks.size) * 0.13)
    in_class = np.where(
        first[None, :] >= trucks.change_day[:, None], trucks.later_duty_cycle[:, None], trucks.duty_cycle[:, None]
    )
    season = 1 + 0.12 * np.sin(2 * np.pi * ((np.arange(len(first)) % 12) - 3) / 12)
    seasonal = np.where(in_class == 2, season, 1 + (season - 1) * 0.3)
    noise = np.exp(rng.standard_normal(in_class.shape) * 0.12)
    rate = np.array(plan.ANNUAL_MILES)[in_class] / 365.25 * own[:, None] * seasonal * noise
    running = np.clip(after[None, :] - np.maximum(first[None, :], trucks.build_day[:, None]), 0, None)
    miles = np.zeros(rate.shape)
    miles[:, 1:] = np.cumsum(rate * running, axis=1)[:, :-1]
    return Meters(first, miles, rate, trucks.build_day)


def make_practice(trucks: Trucks, meters: Meters) -> Practice:
    """Return each truck's stretches: the plan of its class in force, times its shop's way, times its own habit."""
    changes = [day_number(when) for when in (*plan.PLAN_CHANGE, plan.TRIAL_FROM) if when is not None]
    bounds = np.sort(
        np.concatenate([np.tile(changes, (trucks.size, 1)), trucks.change_day[:, None]], axis=1), axis=1
    ).astype(float)
    begins = np.concatenate([np.zeros((trucks.size, 1)), bounds], axis=1)
    until_day = np.concatenate([bounds, np.full((trucks.size, 1), np.inf)], axis=1)
    duty_cycle = np.where(
        begins >= trucks.change_day[:, None], trucks.later_duty_cycle[:, None], trucks.duty_cycle[:, None]
    )
    changed = np.array([NEVER if when is None else day_number(when) for when in plan.PLAN_CHANGE])
    planned = np.where(
        begins >= changed[duty_cycle], np.array(plan.PLAN_AFTER)[duty_cycle], np.array(plan.PLAN_BEFORE)[duty_cycle]
    )
    on_trial = trucks.trial[:, None] & (begins >= day_number(plan.TRIAL_FROM)) & (duty_cycle == 2)
    planned = np.where(on_trial, plan.TRIAL_INTERVAL, planned)
    own = np.array(plan.SHOP_FACTOR)[trucks.shop] * trucks.habit
    truck = np.repeat(np.arange(trucks.size), until_day.shape[1])
    ends = np.minimum(until_day, float(meters.month_day[-1])).ravel()
    until_miles = np.where(
        np.isfinite(until_day.ravel()) & (until_day.ravel() < NEVER), meters.at(truck, ends), np.inf
    ).reshape(until_day.shape)
    return Practice(until_day, until_miles, duty_cycle, planned * own[:, None])


@dataclass(frozen=True, slots=True)
class Stops:
    """One entry per stop of one truck, sorted by truck and miles; ``day`` is a working day."""

    truck: Ints
    day: Ints
    miles: Floats

    def keys(self) -> Floats:
        """Return one sorted number per stop: truck and miles together."""
        return self.truck * _TRUCK_STRIDE + self.miles

    def next_after(self, truck: Ints, miles: Floats) -> Floats:
        """Return the miles of each truck's first stop after ``miles``; infinity where none comes."""
        if not len(self.truck):
            return np.full(len(truck), np.inf)
        found = np.searchsorted(self.keys(), truck * _TRUCK_STRIDE + miles, side="right")
        inside = np.minimum(found, len(self.truck) - 1)
        same = (found < len(self.truck)) & (self.truck[inside] == truck)
        return np.where(same, self.miles[inside], np.inf)


def _stops(meters: Meters, truck: Ints, day: Ints) -> Stops:
    """Return stops on the working day at or after each day, one per truck and day, in order."""
    weekday = (day + 3) % 7  # 1970-01-01 was a Thursday; 5 and 6 are the weekend
    day = day + np.where(weekday == 5, 2, np.where(weekday == 6, 1, 0))
    pairs = np.unique(np.stack([truck, day], axis=1), axis=0)
    return Stops(pairs[:, 0], pairs[:, 1], meters.at(pairs[:, 0], pairs[:, 1] + 0.4))


def make_greasings(rng: np.random.Generator, trucks: Trucks, meters: Meters, practice: Practice) -> Stops:
    """Return every regrease stop: gaps scatter (gamma) around the interval practised when they begin."""
    everyone = np.arange(trucks.size)
    last = meters.at(everyone, trucks.end_day.astype(float))
    miles = practice.interval[:, 0] * rng.random(trucks.size)
    truck_parts, mile_parts = [], []
    active = everyone
    while len(active):
        here = miles[active]
        active, here = active[here < last[active]], here[here < last[active]]
        truck_parts.append(active)
        mile_parts.append(here)
        stretch = (practice.until_miles[active] <= here[:, None]).sum(axis=1)
        gap = rng.gamma(plan.GAP_SHAPE, 1 / plan.GAP_SHAPE, len(active))
        miles[active] = here + practice.interval[active, stretch] * gap
    truck, at = np.concatenate(truck_parts), np.concatenate(mile_parts)
    stops = _stops(meters, truck, np.floor(meters.moment(truck, at)).astype(np.int64))
    return _within(trucks, stops)


def make_inspections(rng: np.random.Generator, trucks: Trucks, meters: Meters) -> Stops:
    """Return one inspection a year per truck, near the day of the year on which it joined."""
    years = np.arange(1, 13)
    day = trucks.start_day[:, None] + (years * 365.25).astype(np.int64)[None, :]
    day = day + rng.integers(-12, 13, day.shape)
    truck = np.repeat(np.arange(trucks.size), len(years))
    keep = day.ravel() < trucks.end_day[truck]
    return _within(trucks, _stops(meters, truck[keep], day.ravel()[keep]))


def both(first: Stops, second: Stops, meters: Meters) -> Stops:
    """Return the stops of both lists in order, one per truck and day."""
    return _stops(meters, np.concatenate([first.truck, second.truck]), np.concatenate([first.day, second.day]))


def _within(trucks: Trucks, stops: Stops) -> Stops:
    keep = stops.day <= trucks.end_day[stops.truck]
    return Stops(stops.truck[keep], stops.day[keep], stops.miles[keep])
