"""Fleets drawn with a planted truth, made straight into the tables of a History, for tests and studies.

Invented data throughout. A truck has a frailty z (gamma, mean 1), belongs to a class and a shop, and keeps an
interval x of its own (perhaps changed part-way); the stops scatter around it. Every position renews itself with
hazard z · (β/η)(t/η)^(β−1) · (x/x_ref)^θ · (what the shop does beside greasing). What a History would know of the
practice is worked out from the stops alone, as for a real fleet.
"""

from dataclasses import dataclass, field, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd

from wearlab.evidence import Basis
from wearlab.history.config import Costs, FleetConfig, PartCost
from wearlab.history.lives import History

RECORDS_FROM = date(2019, 1, 1)
DRY = (2.0, 0.4)  # cups left dry on average at the first shop and at the others, where it is planted that they differ
POSITIONS = {"joint": 4, "slip_spline": 2, "center_bearing": 1}


@dataclass(frozen=True, slots=True)
class ClassTruth:
    """What is planted in one duty cycle."""

    name: str
    trucks: int
    miles_per_year: float
    interval: float  # the middle of the trucks' own intervals, also x_ref
    spread: float  # sd of ln interval between trucks
    theta: dict[str, float]
    eta: dict[str, float]  # at the interval in the middle


@dataclass(frozen=True, slots=True)
class Truth:
    """A whole planted fleet."""

    classes: tuple[ClassTruth, ...]
    shape: float = 2.2
    frailty: float = 0.3
    years: float = 6.0
    years_before: float = 4.0  # trucks were put in service up to this long before the record begins
    gap_spread: float = 0.25  # sd of ln gap around the truck's own interval
    shops: int = 6
    shop_practice: float = 0.0  # sd between shops of ln interval
    shop_harm: float = 0.0  # log hazard per unit of the shop's deviation of ln interval: a hidden cause
    dry_harm: float = 0.0  # log hazard per cup left dry; the first shop leaves more dry, and greases seldomer
    changed: float = 0.0  # share of trucks whose interval changes half-way, by a factor drawn from `change_factors`
    change_factors: tuple[float, ...] = (0.6, 1.6)
    found_share: float = 0.0  # share of failures found at the next stop
    costs: Costs = field(
        default_factory=lambda: Costs(
            regrease_stop=45.0,
            ownership_miles={},
            parts={
                "joint": PartCost(380, 2400),
                "slip_spline": PartCost(1500, 4200),
                "center_bearing": PartCost(300, 900),
            },
        )
    )


def three_classes(
    trucks: int, theta: float | tuple[float, float, float], *, spread: float = 0.35
) -> tuple[ClassTruth, ...]:
    """Return line-haul, regional and vocational classes with ``trucks`` each."""
    each = theta if isinstance(theta, tuple) else (theta, theta, theta)
    rows = (
        ("line_haul", 95_000, 18_000, 520_000),
        ("regional", 60_000, 13_000, 330_000),
        ("vocational", 28_000, 7_000, 120_000),
    )
    return tuple(
        ClassTruth(
            name=name,
            trucks=trucks,
            miles_per_year=miles,
            interval=interval,
            spread=spread,
            theta={"joint": value, "slip_spline": 0.8 * value, "center_bearing": 0.0},
            eta={"joint": eta, "slip_spline": 1.2 * eta, "center_bearing": 1.1 * eta},
        )
        for (name, miles, interval, eta), value in zip(rows, each, strict=True)
    )


@dataclass(frozen=True, slots=True)
class _Trucks:
    unit: np.ndarray
    of_class: np.ndarray
    shop: np.ndarray
    z: np.ndarray
    harm: np.ndarray
    interval: np.ndarray
    interval_after: np.ndarray
    change_at: np.ndarray  # truck miles; inf = never
    per_year: np.ndarray
    begin: np.ndarray  # truck miles on the first day of the record (0 for a truck put in service later)
    begin_year: np.ndarray
    end: np.ndarray
    stops: np.ndarray  # (trucks, stops), truck miles, from 0
    dry: np.ndarray  # cups left dry on average


def draw(truth: Truth, *, seed: int, components: tuple[str, ...] = tuple(POSITIONS)) -> History:
    """Return a History of the planted fleet with these components."""
    rng = np.random.default_rng(seed)
    trucks = _trucks(truth, rng)
    lives = pd.concat([_lives(truth, trucks, component, rng) for component in components], ignore_index=True)
    lives = lives.sort_values(["t", "position", "start"], kind="stable").reset_index(drop=True)
    lives["life_id"] = np.arange(len(lives))
    gaps = _gaps(truth, trucks)
    episodes = _episodes(truth, trucks, lives, gaps)
    return _history(truth, trucks, lives, gaps, episodes)


def _trucks(truth: Truth, rng: np.random.Generator) -> _Trucks:
    of_class = np.repeat(np.arange(len(truth.classes)), [c.trucks for c in truth.classes])
    n = len(of_class)
    shop = rng.integers(0, truth.shops, n)
    shift = rng.normal(0, 1, truth.shops) * truth.shop_practice
    spread = np.array([c.spread for c in truth.classes])[of_class]
    dry = np.where(shop == 0, *DRY) if truth.dry_harm else np.zeros(n)
    shift = shift + 0.3 * (np.arange(truth.shops) == 0) * bool(truth.dry_harm)
    middle = np.array([c.interval for c in truth.classes])[of_class]
    interval = middle * np.exp(rng.normal(0, 1, n) * spread + shift[shop])
    per_year = np.array([c.miles_per_year for c in truth.classes])[of_class] * np.exp(rng.normal(0, 0.15, n))
    age = rng.uniform(
        -truth.years_before, 2.0, n
    )  # years in service when the record begins, negative: put in service later
    age = -age
    begin = np.maximum(age, 0) * per_year
    begin_year = np.maximum(-age, 0.0)
    end = begin + (truth.years - begin_year) * per_year
    changes = rng.random(n) < truth.changed
    change_at = np.where(changes, (begin + end) / 2, np.inf)
    factor = np.array(truth.change_factors)[rng.integers(0, len(truth.change_factors), n)]
    z = rng.gamma(1 / truth.frailty, truth.frailty, n) if truth.frailty > 0 else np.ones(n)
    after = interval * factor
    many = int(np.max(end / np.minimum(interval, after)) * 1.5) + 12
    noise = np.exp(rng.normal(0, 1, (n, many)) * truth.gap_spread - truth.gap_spread**2 / 2)
    stops = np.empty((n, many))
    at = np.zeros(n)
    for j in range(many):
        at = at + np.where(at < change_at, interval, after) * noise[:, j]
        stops[:, j] = at
    unit = np.array([f"T{i:05d}" for i in range(n)])
    return _Trucks(
        unit,
        of_class,
        shop,
        z,
        truth.shop_harm * shift[shop] + truth.dry_harm * (dry - DRY[1] * bool(truth.dry_harm)),
        interval,
        after,
        change_at,
        per_year,
        begin,
        begin_year,
        end,
        stops,
        dry,
    )


def _lives(truth: Truth, trucks: _Trucks, component: str, rng: np.random.Generator) -> pd.DataFrame:
    count = POSITIONS[component]
    t = np.repeat(np.arange(len(trucks.unit)), count)
    place = np.tile(np.arange(count), len(trucks.unit))
    eta = np.array([c.eta[component] for c in truth.classes])[trucks.of_class]
    theta = np.array([c.theta[component] for c in truth.classes])[trucks.of_class]
    ref = np.array([c.interval for c in truth.classes])[trucks.of_class]
    base = trucks.z * np.exp(trucks.harm) / eta**truth.shape
    rate = base * (trucks.interval / ref) ** theta
    rate_after = base * (trucks.interval_after / ref) ** theta
    start, number = np.zeros(len(t)), np.ones(len(t), dtype=int)
    parts = []
    while len(t):
        need = rng.exponential(size=len(t))
        until = np.maximum(trucks.change_at[t] - start, 0.0)
        used = np.where(until > 0, rate[t] * np.minimum(until, 1e12) ** truth.shape, 0.0)
        early = need <= used
        power = np.where(early, need / rate[t], np.minimum(until, 1e12) ** truth.shape + (need - used) / rate_after[t])
        fails_at = start + power ** (1 / truth.shape)
        found = rng.random(len(t)) < truth.found_share
        after = (trucks.stops[t] <= fails_at[:, None]).sum(axis=1)
        last = trucks.stops.shape[1] - 1
        upper = np.where(found & (after <= last), trucks.stops[t, np.minimum(after, last)], fails_at)
        lower = np.where(found & (after > 0), trucks.stops[t, np.maximum(after - 1, 0)], 0.0)
        failed = upper <= trucks.end[t]
        parts.append(
            pd.DataFrame(
                {
                    "t": t,
                    "component": component,
                    "place": place,
                    "start": start,
                    "life_number": number,
                    "finish": np.where(failed, upper, trucks.end[t]),
                    "failed": failed,
                    "found": found & failed,
                    "low": np.where(found & failed, np.maximum(lower, start), np.nan),
                }
            )
        )
        t, place, number, start = t[failed], place[failed], number[failed] + 1, upper[failed]
    frame = pd.concat(parts, ignore_index=True)
    frame = frame[frame["finish"] > trucks.begin[frame["t"]]].copy()
    frame["position"] = component + "." + (frame["place"] + 1).astype(str)
    return frame


def _day(trucks: _Trucks, t: np.ndarray, miles: np.ndarray) -> pd.Series:
    years = trucks.begin_year[t] + (miles - trucks.begin[t]) / trucks.per_year[t]
    days = np.round(years * 365.25).astype(np.int64).astype("timedelta64[D]")
    return pd.Series((np.datetime64(RECORDS_FROM, "D") + days).astype("datetime64[ns]"))


def _gaps(truth: Truth, trucks: _Trucks) -> pd.DataFrame:
    n, many = trucks.stops.shape
    starts = np.concatenate([np.zeros((n, 1)), trucks.stops[:, :-1]], axis=1)
    t = np.repeat(np.arange(n), many)
    begin, end = starts.ravel(), trucks.stops.ravel()
    seen = (end > trucks.begin[t]) & (end <= trucks.end[t])
    t, begin, end = t[seen], begin[seen], end[seen]
    cut = begin < trucks.begin[t]
    names = np.array([c.name for c in truth.classes])
    start = np.where(cut, trucks.begin[t], begin)
    return pd.DataFrame(
        {
            "t": t,
            "unit_id": trucks.unit[t],
            "start_date": _day(trucks, t, start),
            "end_date": _day(trucks, t, end),
            "start_miles": start,
            "end_miles": end,
            "miles": end - start,
            "days": np.round((end - start) / trucks.per_year[t] * 365.25),
            "hours": (end - start) / 40.0,
            "duty_cycle": names[trucks.of_class[t]],
            "shop": [f"shop {s}" for s in trucks.shop[t]],
            "counted": ~cut,
            "why_not": np.where(cut, "cut_by_record", None),
        }
    )


def _practice(trucks: _Trucks, gaps: pd.DataFrame) -> pd.DataFrame:
    """Miles per stop over the last five counted gaps, drawn toward the class and shop by what their scatter says.

    A change of interval is announced by a plan: the last five gaps start again, and the plan stands until the first.
    """
    counted = gaps[gaps["counted"]].reset_index(drop=True)
    era = (counted["end_miles"] > trucks.change_at[counted["t"]]).to_numpy()
    place = counted.groupby([counted["t"], era]).cumcount()
    raw = _last_mean(counted["miles"], place, 5)
    behind = np.minimum(place + 1, 5)
    log_gap = np.log(counted["miles"])
    key = [counted["duty_cycle"], counted["shop"]]
    own, noise, moving = _own_mean(counted["t"], log_gap, raw, behind)
    by_truck = log_gap.groupby(counted["t"])
    within = noise
    truck_mean = by_truck.transform("mean")
    size = by_truck.transform("size")
    centre = truck_mean.groupby(key).transform("mean")
    first = ~counted["t"].duplicated()
    between = max(float(((truck_mean - centre)[first] ** 2).mean() - (within / size[first]).mean()), 1e-4)
    so_far = counted.groupby("t").cumcount() + 1
    share = between / (between + within / so_far + moving)
    centre_miles = counted["miles"].groupby(key).transform("mean")
    drawn = np.exp(np.log(centre_miles) + share * (own - np.log(centre_miles)))
    known = pd.DataFrame(
        {"t": counted["t"], "from": counted["end_miles"], "x": drawn, "raw": raw, "behind": behind, "source": "gaps"}
    )
    moved = np.flatnonzero((trucks.change_at > trucks.begin) & (trucks.change_at < trucks.end))
    plan = pd.DataFrame({"t": moved, "from": trucks.change_at[moved], "x": trucks.interval_after[moved]})
    plan = plan.assign(raw=np.nan, behind=0, source="plan")
    both = pd.concat([known, plan], ignore_index=True) if len(plan) else known
    return both.sort_values(["t", "from"], kind="stable").reset_index(drop=True)


def _last_mean(values: pd.Series, place: pd.Series, most: int) -> pd.Series:
    """Return the mean of up to ``most`` values up to each; ``place`` counts them from 0 in their group."""
    size = np.minimum(place.to_numpy() + 1, most)
    total = np.concatenate([[0.0], np.cumsum(values.to_numpy(dtype=float))])
    end = np.arange(1, len(values) + 1)
    return pd.Series((total[end] - total[end - size]) / size, index=values.index)


def _own_mean(t: pd.Series, log_gap: pd.Series, raw: pd.Series, behind: pd.Series) -> tuple[pd.Series, float, float]:
    """Return ln practice drawn to the truck's own mean so far, the variance of a gap, and the truck's own moves."""
    step = log_gap.groupby(t).diff().dropna()
    noise = float((step**2).mean() / 2)
    block = log_gap.groupby(t).cumcount() // 5
    full = log_gap.groupby([t, block]).agg(["mean", "size"])
    full = full[full["size"] == 5]["mean"]
    spread = full.groupby(level=0).var().dropna()
    moving = max(float(spread.mean()) - noise / 5, 0.0) if len(spread) else 0.0
    place = log_gap.groupby(t).cumcount()
    running = _last_mean(log_gap, place, int(place.max()) + 1)
    running += noise / 2  # from the mean of the logarithms to that of the miles
    share = moving / (moving + noise / behind)
    return running + share * (np.log(raw) - running), noise, moving


def _cups(trucks: _Trucks, known: pd.DataFrame) -> np.ndarray:
    """Return the cups purged at the last five stops, on average."""
    rng = np.random.default_rng(len(known))
    purged = pd.Series(rng.binomial(4, 1 - trucks.dry[known["t"]] / 4).astype(float))
    return purged.groupby(known["t"]).rolling(5, min_periods=1).mean().to_numpy()


def _episodes(truth: Truth, trucks: _Trucks, lives: pd.DataFrame, gaps: pd.DataFrame) -> pd.DataFrame:
    known = _practice(trucks, gaps)
    if truth.dry_harm:
        known["purged"] = _cups(trucks, known)
    class_mean = gaps[gaps["counted"]].groupby(["duty_cycle", "shop"])["miles"].mean()
    big = float(trucks.end.max() * 2 + 1)
    key = known["t"].to_numpy() * big + known["from"].to_numpy()
    t = lives["t"].to_numpy()
    begin = np.maximum(lives["start"].to_numpy(), trucks.begin[t])
    finish = lives["finish"].to_numpy()
    lo = np.searchsorted(key, t * big + begin, side="right")
    hi = np.searchsorted(key, t * big + finish, side="left")
    pieces = hi - lo + 1
    life = np.repeat(np.arange(len(lives)), pieces)
    step = np.arange(len(life)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    index = lo[life] + step  # the stop that ends this piece
    is_first, is_last = step == 0, step == pieces[life] - 1
    at = known["from"].to_numpy()
    entry = np.where(is_first, begin[life], at[np.maximum(index - 1, 0)])
    exit_miles = np.where(is_last, finish[life], at[np.minimum(index, len(at) - 1)])
    before = index - 1
    has = (before >= 0) & (known["t"].to_numpy()[np.maximum(before, 0)] == t[life])
    names = np.array([c.name for c in truth.classes])
    duty = names[trucks.of_class[t[life]]]
    shop = np.array([f"shop {s}" for s in trucks.shop])[t[life]]
    fallback = class_mean.reindex(pd.MultiIndex.from_arrays([duty, shop])).to_numpy()
    pick = np.maximum(before, 0)
    start = lives["start"].to_numpy()[life]
    failed = is_last & lives["failed"].to_numpy()[life]
    found = failed & lives["found"].to_numpy()[life]
    frame = pd.DataFrame(
        {
            "life_id": lives["life_id"].to_numpy()[life],
            "unit_id": trucks.unit[t[life]],
            "position": lives["position"].to_numpy()[life],
            "component": lives["component"].to_numpy()[life],
            "duty_cycle": duty,
            "hardware": "greaseable",
            "shop": shop,
            "entry": entry - start,
            "exit": exit_miles - start,
            "failed": failed,
            "lower": np.where(found, lives["low"].to_numpy()[life] - start, np.nan),
            "upper": np.where(found, exit_miles - start, np.nan),
            "practised_miles": np.where(has, known["x"].to_numpy()[pick], fallback),
            "practice_source": np.where(has, known["source"].to_numpy()[pick], "class"),
            "raw_practised_miles": np.where(has, known["raw"].to_numpy()[pick], np.nan),
            "gaps_behind": np.where(has, known["behind"].to_numpy()[pick], 0),
            "entry_date": _day(trucks, t[life], entry),
            "exit_date": _day(trucks, t[life], exit_miles),
            "entry_miles": entry - start,
            "exit_miles": exit_miles - start,
            "cups_purged_before": np.where(has, known["purged"].to_numpy()[pick], np.nan) if truth.dry_harm else np.nan,
            "grease_grade_before": None,
        }
    )
    return frame[frame["exit"] > frame["entry"]].reset_index(drop=True)


def _history(truth: Truth, trucks: _Trucks, lives: pd.DataFrame, gaps: pd.DataFrame, episodes: pd.DataFrame) -> History:
    as_of = RECORDS_FROM + timedelta(days=round(truth.years * 365.25))
    t = lives["t"].to_numpy()
    names = np.array([c.name for c in truth.classes])
    begin = np.maximum(lives["start"].to_numpy(), trucks.begin[t])
    start, finish = lives["start"].to_numpy(), lives["finish"].to_numpy()
    found = lives["found"].to_numpy()
    table = pd.DataFrame(
        {
            "life_id": lives["life_id"],
            "unit_id": trucks.unit[t],
            "position": lives["position"],
            "component": lives["component"],
            "duty_cycle": names[trucks.of_class[t]],
            "hardware": "greaseable",
            "shaft": None,
            "life_number": lives["life_number"],
            "start_date": _day(trucks, t, start),
            "end_date": _day(trucks, t, finish),
            "entry_date": _day(trucks, t, begin),
            "entry": begin - start,
            "exit": finish - start,
            "failed": lives["failed"],
            "lower": np.where(found, lives["low"] - start, np.nan),
            "upper": np.where(found, finish - start, np.nan),
            "count": 1.0,
            "mode": None,
            "found_at": np.where(lives["failed"], np.where(found, "inspection", "breakdown"), None),
            "ending": np.where(lives["failed"], "failure", "running"),
            "running": ~lives["failed"],
            "fittable": True,
            "entry_miles": begin - start,
            "exit_miles": finish - start,
        }
    )
    units = pd.DataFrame(
        {
            "unit_id": trucks.unit,
            "duty_cycle": names[trucks.of_class],
            "in_service_date": _day(trucks, np.arange(len(trucks.unit)), np.zeros(len(trucks.unit))),
            "in_service": True,
            "shop": [f"shop {s}" for s in trucks.shop],
            "last_miles": trucks.end,
            "axle_ratio": np.nan,
            "tire_turns_per_mile": np.nan,
            "miles_per_day": trucks.per_year / 365.25,
            "hours_per_day": trucks.per_year / 365.25 / 40.0,
            "exposure_miles": trucks.end - trucks.begin,
            "exposure_days": (truth.years - trucks.begin_year) * 365.25,
        }
    )
    plan = pd.DataFrame(
        columns=["duty_cycle", "unit_id", "from_date", "interval_miles", "interval_hours", "interval_months"]
    )
    empty = pd.DataFrame()
    return History(
        basis=Basis("planted fleet", (), as_of, "miles", 0.9, (), len(table), int(table["failed"].sum())),
        cautions=(),
        config=replace(FleetConfig(), costs=truth.costs, as_of=as_of, records_from=RECORDS_FROM),
        as_of=as_of,
        scale="miles",
        factors=(),
        lives=table,
        episodes=episodes,
        gaps=gaps.drop(columns="t"),
        stops=empty,
        units=units,
        plan=plan,
        measurements=empty,
        left_out=empty,
        groups=empty,
        meters=empty,
    )
