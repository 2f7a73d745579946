"""The demo fleet's part lives: failures by inverting the summed hazard exactly, replacement by replacement."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wearlab.demo import scenario as plan
from wearlab.demo.fleet import Flags, Floats, Ints, Meters, Practice, Stops, Trucks, day_number

REASONS = ("failure", "planned", "with_mate", "campaign")
_FAILURE, _PLANNED, _MATE, _CAMPAIGN = range(4)
ROAD_SHOP = len(plan.SHOPS)  # a roadside vendor, not one of the company's own shops
_MOST_ROUNDS = 400


@dataclass(frozen=True, slots=True)
class Positions:
    """One entry per place on a truck; ``mate`` is the index of the other place of its pair, or -1."""

    truck: Ints
    place: NDArray[np.object_]  # Place
    component: Ints
    mate: Ints
    hardware: Ints  # -1 where the distinction does not apply

    @property
    def size(self) -> int:
        """How many positions."""
        return len(self.truck)


@dataclass(frozen=True, slots=True)
class Lives:
    """One entry per part life in order of position and fitting; the last one of a position has no end."""

    position: Ints
    fitted: Floats  # true miles of the truck
    fitted_shop: Ints
    bad_lot: Flags
    leaking: Flags
    latent: Floats  # miles at which it fails, or would have
    removed: Floats  # infinity: still in place
    reason: Ints  # index into REASONS, -1 while in place
    at_inspection: Flags
    undiscovered: Flags  # failed before the end of observation and not yet seen


def make_positions(trucks: Trucks) -> Positions:
    """Return every place of every truck, truck by truck, in the order of its layout."""
    sizes = np.array([len(layout) for layout in plan.LAYOUTS])[trucks.layout]
    first = np.cumsum(sizes) - sizes
    truck = np.repeat(np.arange(trucks.size), sizes)
    within = np.arange(len(truck)) - first[truck]
    longest = max(len(layout) for layout in plan.LAYOUTS)
    places = np.empty((len(plan.LAYOUTS), longest), dtype=object)
    components = np.full((len(plan.LAYOUTS), longest), -1)
    mates = np.full((len(plan.LAYOUTS), longest), -1)
    for row, layout in enumerate(plan.LAYOUTS):
        names = [place.position for place in layout]
        for column, place in enumerate(layout):
            places[row, column] = place
            components[row, column] = plan.COMPONENTS.index(place.component)
            mates[row, column] = names.index(place.mate) if place.mate else -1
    component = components[trucks.layout[truck], within]
    mate = mates[trucks.layout[truck], within]
    greased = component <= plan.COMPONENTS.index("slip_spline")
    return Positions(
        truck=truck,
        place=places[trucks.layout[truck], within],
        component=component,
        mate=np.where(mate >= 0, first[truck] + mate, -1),
        hardware=np.where(greased, np.where(component == 0, trucks.hardware[truck], 0), -1),
    )


@dataclass(frozen=True, slots=True)
class Hazard:
    """Weibull hazard per position with a factor that changes from stretch to stretch of the truck's miles."""

    shape: Floats  # (positions,)
    weight: Floats  # (positions, stretches): eta^-beta times the effect of practice
    until: Floats  # (positions, stretches)

    def summed(self, at: Ints, fitted: Floats, miles: Floats) -> Floats:
        """Return the summed hazard from fitting to ``miles``."""
        shape = self.shape[at][:, None]
        until = np.minimum(self.until[at], miles[:, None])
        since = np.concatenate([fitted[:, None], until[:, :-1]], axis=1)
        age = np.maximum(until - fitted[:, None], 0) ** shape - np.maximum(since - fitted[:, None], 0) ** shape
        return np.asarray((self.weight[at] * np.maximum(age, 0)).sum(axis=1))

    def reach(self, at: Ints, fitted: Floats, target: Floats) -> Floats:
        """Return the miles at which the summed hazard from fitting reaches ``target``, exactly."""
        shape = self.shape[at]
        aged = np.maximum(self.until[at, :-1] - fitted[:, None], 0) ** shape[:, None]
        aged = np.concatenate([np.zeros((len(at), 1)), aged], axis=1)
        steps = self.weight[at, :-1] * np.diff(aged, axis=1)
        summed = np.concatenate([np.zeros((len(at), 1)), np.cumsum(steps, axis=1)], axis=1)
        stretch = (summed[:, 1:] <= target[:, None]).sum(axis=1)
        rows = np.arange(len(at))
        powered = aged[rows, stretch] + (target - summed[rows, stretch]) / self.weight[at, stretch]
        return np.asarray(fitted + powered ** (1 / shape))


def make_hazard(practice: Practice, positions: Positions) -> Hazard:
    """Return the hazard of each position before its truck's frailty and any planted fault."""
    eta = np.array([plan.ETA[name] for name in plan.COMPONENTS])
    theta = np.array([plan.THETA[name] for name in plan.COMPONENTS])
    shape = np.array([plan.SHAPE[name] for name in plan.COMPONENTS])[positions.component]
    duty_cycle = practice.duty_cycle[positions.truck]
    part = positions.component[:, None]
    ungreased = (positions.hardware > 0)[:, None]
    life = eta[part, duty_cycle] * np.where(ungreased, plan.UNGREASED_LIFE, 1.0)
    ratio = practice.interval[positions.truck] / np.array(plan.REFERENCE_INTERVAL)[duty_cycle]
    effect = ratio ** np.where(ungreased, 0.0, theta[part, duty_cycle])
    weight = life ** -shape[:, None] * effect
    return Hazard(shape, weight, practice.until_miles[positions.truck])


class _Shed:
    """The parts in place while the years run: the only changing state of the demo, made and dropped by make_lives."""

    def __init__(
        self, rng: np.random.Generator, trucks: Trucks, meters: Meters, looks: Stops, positions: Positions
    ) -> None:
        size = positions.size
        self.rng, self.trucks, self.meters, self.looks, self.positions = rng, trucks, meters, looks, positions
        everyone = np.arange(trucks.size)
        self.end = meters.at(everyone, trucks.end_day + 0.9)[positions.truck]
        day = np.minimum(trucks.boot_campaign_day, trucks.end_day + 1)
        weekday = (day + 3) % 7
        day = day + np.where(weekday >= 5, 7 - weekday, 0)
        campaign = np.where(trucks.boot_campaign_day < trucks.end_day, meters.at(everyone, day + 0.5), np.inf)
        campaign = np.where(trucks.boot_campaign_day > trucks.start_day + 30, campaign, np.inf)
        boot = plan.COMPONENTS.index("boot")
        self.campaign = np.where(positions.component == boot, campaign[positions.truck], np.inf)
        self.fitted = np.zeros(size)
        self.shop = np.full(size, -1)
        self.bad_lot, self.leaking = np.zeros(size, dtype=bool), np.zeros(size, dtype=bool)
        self.wet = np.zeros(size, dtype=bool)
        self.target, self.latent = np.zeros(size), np.zeros(size)
        self.found, self.planned = np.zeros(size), np.zeros(size)
        self.at_inspection = np.zeros(size, dtype=bool)

    def fit(self, hazard: Hazard, at: Ints, miles: Floats, shop: Ints) -> None:
        """Put a new part in each place, and settle when it will fail and when that will be seen."""
        truck, part = self.positions.truck[at], self.positions.component[at]
        moment = self.meters.moment(truck, miles)
        boot = (part == plan.COMPONENTS.index("boot")) & (shop >= 0)
        window = [day_number(when) for when in plan.BAD_LOT_WINDOW]
        in_window = boot & (moment >= window[0]) & (moment < window[1] + 1)
        self.bad_lot[at] = in_window & (self.rng.random(len(at)) < plan.BAD_LOT_SHARE)
        at_leak_shop = boot & (shop == plan.SHOPS.index(plan.LEAK_SHOP))
        self.leaking[at] = at_leak_shop & (moment >= day_number(plan.LEAK_FROM))
        factor = self.trucks.frailty[truck] * np.where(self.bad_lot[at], plan.BAD_LOT_FACTOR, 1.0)
        factor = factor * np.where(self.leaking[at], plan.LEAK_BOOT_FACTOR, 1.0)
        factor = factor * np.where(self.trucks.abnormal[truck] & (part == 0), plan.ABNORMAL_FACTOR, 1.0)
        self.fitted[at], self.shop[at], self.wet[at] = miles, shop, False
        self.target[at] = self.rng.exponential(size=len(at)) / factor
        self._plan_joints(at)
        self._settle(hazard, at)
        wet = at[self.leaking[at]]
        self._let_water_in(hazard, wet)

    def _plan_joints(self, at: Ints) -> None:
        truck = self.positions.truck[at]
        factor = np.where(self.positions.component[at] == 0, self.trucks.planned_factor[truck], 0.0)
        age = factor * np.array(plan.PLANNED_AGE)[self.trucks.duty_cycle[truck]]
        due = self.looks.next_after(truck, self.fitted[at] + age)
        self.planned[at] = np.where(factor > 0, due, np.inf)

    def _settle(self, hazard: Hazard, at: Ints) -> None:
        """Work out the miles of failure from the target, and the miles at which it is seen."""
        part = self.positions.component[at]
        road = np.array([plan.ROAD_SHARE[name] for name in plan.COMPONENTS])[part]
        self.latent[at] = hazard.reach(at, self.fitted[at], self.target[at])
        self.at_inspection[at] = self.rng.random(len(at)) >= road
        seen = self.looks.next_after(self.positions.truck[at], self.latent[at])
        self.found[at] = np.where(self.at_inspection[at], seen, self.latent[at])

    def _let_water_in(self, hazard: Hazard, boots: Ints) -> None:
        """From the moment a badly clamped boot fails, its spline wears LEAK_SPLINE_FACTOR times as fast."""
        splines = self.positions.mate[boots]
        until = hazard.summed(splines, self.fitted[splines], self.latent[boots])
        late = (self.target[splines] > until) & ~self.wet[splines]
        splines, until = splines[late], until[late]
        self.wet[splines] = True
        self.target[splines] = until + (self.target[splines] - until) / plan.LEAK_SPLINE_FACTOR
        self._settle(hazard, splines)

    def next_event(self) -> tuple[Floats, Ints]:
        """Return the miles of each position's next replacement, infinity for none, and its reason."""
        campaign = np.where(self.campaign > self.fitted, self.campaign, np.inf)
        choices = np.stack([self.found, self.planned, campaign])
        which = np.argmin(choices, axis=0)
        miles = choices.min(axis=0)
        reason = np.array([_FAILURE, _PLANNED, _CAMPAIGN])[which]
        return np.where(miles <= self.end, miles, np.inf), np.where(self.latent < miles, _FAILURE, reason)

    def close(self, at: Ints, miles: Floats, reason: Ints) -> Lives:
        """Return the lives now in the given places, ended at ``miles`` for ``reason``."""
        ended = np.isfinite(miles)
        return Lives(
            position=at,
            fitted=self.fitted[at],
            fitted_shop=self.shop[at],
            bad_lot=self.bad_lot[at],
            leaking=self.leaking[at],
            latent=self.latent[at],
            removed=miles,
            reason=reason,
            at_inspection=(self.latent[at] < miles) & (reason == _FAILURE),
            undiscovered=~ended & (self.latent[at] <= self.end[at]),
        )


def make_lives(
    rng: np.random.Generator,
    trucks: Trucks,
    meters: Meters,
    looks: Stops,
    positions: Positions,
    hazard: Hazard,
) -> Lives:
    """Return every part's life from the day its truck was new to the end of observation."""
    shed = _Shed(rng, trucks, meters, looks, positions)
    everywhere = np.arange(positions.size)
    shed.fit(hazard, everywhere, np.zeros(positions.size), np.full(positions.size, -1))
    parts: list[Lives] = []
    for _ in range(_MOST_ROUNDS):
        at, miles, reason, shop = _round(shed)
        if not len(at):
            break
        parts.append(shed.close(at, miles, reason))
        boots = positions.component[at] == plan.COMPONENTS.index("boot")
        # Boots last: fitting a badly clamped boot looks at the spline beside it, which must be there first.
        for chosen in (~boots, boots):
            shed.fit(hazard, at[chosen], miles[chosen], shop[chosen])
    parts.append(shed.close(everywhere, np.full(positions.size, np.inf), np.full(positions.size, -1)))
    return _in_order(parts)


def _round(shed: _Shed) -> tuple[Ints, Floats, Ints, Ints]:
    """Return the next replacement of every pair, with the mates that go with them: place, miles, reason, shop."""
    positions = shed.positions
    miles, reason = shed.next_event()
    mate = positions.mate
    other = np.where(mate >= 0, miles[mate], np.inf)
    first = np.isfinite(miles) & ((miles < other) | ((miles == other) & (np.arange(len(miles)) < mate)))
    at = np.flatnonzero(first)
    home = shed.trucks.shop[positions.truck[at]]
    away = shed.rng.integers(0, len(plan.SHOPS), len(at))
    draw = shed.rng.random(len(at))
    on_road = (reason[at] == _FAILURE) & ~shed.at_inspection[at]
    shop = np.where(draw < np.where(on_road, 0.18, 0.0), ROAD_SHOP, np.where(draw > 0.94, away, home))
    spline = positions.component[at] == plan.COMPONENTS.index("slip_spline")
    joint = positions.component[at] == 0
    taken = spline | (joint & (shed.rng.random(len(at)) < plan.MATE_SHARE) & (reason[at] == _FAILURE))
    taken &= mate[at] >= 0
    # A mate that had failed unseen is a failure found at this repair, never a healthy part changed with its mate.
    mates = mate[at[taken]]
    why = np.where(shed.latent[mates] <= miles[at[taken]], _FAILURE, _MATE)
    return (
        np.concatenate([at, mates]),
        np.concatenate([miles[at], miles[at[taken]]]),
        np.concatenate([reason[at], why]),
        np.concatenate([shop, shop[taken]]),
    )


def _in_order(parts: list[Lives]) -> Lives:
    names = Lives.__slots__
    joined = Lives(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})
    order = np.lexsort([joined.fitted, joined.position])
    return replace(joined, **{name: getattr(joined, name)[order] for name in names})
