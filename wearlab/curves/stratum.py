"""The lives of one stratum to its life curve."""

from dataclasses import dataclass, field, replace

import numpy as np

from wearlab.curves.batch import fit_weibulls, solve_rows
from wearlab.curves.bound import ASSUMED_SHAPE, bound_life
from wearlab.curves.counted import ENOUGH_WATCHED, thin_until
from wearlab.curves.engine import agrees, fit_with_engine
from wearlab.curves.frailty import TruckFit, fit_trucks
from wearlab.curves.interval import Limits, limit_life, limit_shape
from wearlab.curves.newton import Rows
from wearlab.curves.observations import Observations
from wearlab.curves.strata import Stratum, name_stratum, say_count, say_stratum
from wearlab.curves.truck_limits import limit_truck_lives, limit_truck_shape
from wearlab.curves.weibull import FloatArray, Weibull
from wearlab.evidence import Basis, Caution, add_cautions

SHARES = {"eta": 1.0 - float(np.exp(-1.0)), "b1": 0.01, "b10": 0.10, "b50": 0.50}
NAMES = {"beta": "shape", "eta": "characteristic life", "b1": "B1", "b10": "B10", "b50": "B50"}
FEW = 10  # failures below which the shape is little more than a guess
ENOUGH_FOR_TRUCKS = 20  # failures from which the spread between trucks is estimated
SEVERAL = 5  # trucks with more than one life that make it worth estimating
SEVERAL_SHARE = 0.2  # of all lives that such trucks hold, below which lives are taken as independent
LIFELINES = "maximum likelihood: lifelines, polished by Newton"
OWN = "maximum likelihood: own likelihood, lifelines had no sound answer"
PLAIN_LIMITS, TRUCK_LIMITS = "likelihood-ratio intervals", "likelihood-ratio intervals with a truck factor"


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its two-sided interval; an end is None where the data set no limit on that side."""

    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Fit:
    """The life curve of one stratum: plain maximum likelihood, with the intervals of its basis's level.

    ``truck`` is the fit with a truck factor where lives and failures allow it; the intervals are then those of the
    curve averaged over trucks. ``pooled`` borrows from like strata (None where there are none to borrow from).
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    stratum: Stratum
    observations: Observations = field(repr=False, compare=False)
    curve: Weibull
    lives: int
    failures: int
    shape: Estimate
    eta: Estimate
    b1: Estimate
    b10: Estimate
    b50: Estimate
    log_likelihood: float
    method: str
    truck: TruckFit | None = field(repr=False, compare=False)
    pooled: Weibull | None

    @property
    def frailty_variance(self) -> float | None:
        """Return the variance φ of the hazard between trucks, where it could be estimated."""
        return None if self.truck is None else self.truck.variance

    def survival(self, age: FloatArray) -> FloatArray:
        """Return the share still running at each age; averaged over trucks where their spread is known."""
        if self.truck is None:
            return self.curve.survival(age)
        return np.asarray(1.0 - self.truck.failed_share(age), dtype=np.float64)

    def life_limits(self, shares: FloatArray) -> tuple[tuple[float | None, float | None], ...]:
        """Return the likelihood-ratio interval of the age by which each share has failed, at the basis's level."""
        level = self.basis.level
        if self.truck is not None:
            return limit_truck_lives(self.truck, shares, level=level)
        rows = as_rows(self.observations)
        found = solve_rows(rows)
        return tuple(_ends(limit_life(rows, found, float(share), level=level)) for share in shares)


@dataclass(frozen=True, slots=True)
class Unfitted:
    """A stratum without a curve, and why; without failures a lower bound for B10 at an assumed shape."""

    basis: Basis
    cautions: tuple[Caution, ...]
    stratum: Stratum
    observations: Observations = field(repr=False, compare=False)
    lives: int
    failures: int
    reason: str
    assumed_shape: float | None
    b10_lower_bound: float | None


def fit_stratum(
    obs: Observations,
    *,
    basis: Basis,
    stratum: Stratum,
    inherited: tuple[Caution, ...],
    class_shape: float | None,
) -> Fit | Unfitted:
    """Return the curve of one stratum's lives, or why it has none.

    ``class_shape`` is the shape of like strata, taken for the bound of a stratum without failures; None: assumed.
    """
    own = replace(basis, stratum=name_stratum(stratum), lives=obs.lives, failures=obs.failures)
    plain = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1)
    if not plain.converged[0]:
        return _unfitted(obs, own, stratum, inherited, str(plain.why[0]), class_shape)
    curve = Weibull(shape=float(plain.shape[0]), eta=float(np.exp(plain.log_eta[0])))
    truck = fit_trucks(obs, curve) if several_per_truck(obs) and obs.failures >= ENOUGH_FOR_TRUCKS else None
    estimates = _estimate(obs, curve, truck, basis.level)
    engine = LIFELINES if agrees(fit_with_engine(obs, curve), curve) else OWN
    return Fit(
        own,
        add_cautions(inherited, _cautions(obs, own, truck, curve, estimates)),
        stratum,
        obs,
        curve,
        obs.lives,
        obs.failures,
        estimates["beta"],
        estimates["eta"],
        estimates["b1"],
        estimates["b10"],
        estimates["b50"],
        float(plain.log_likelihood[0]),
        f"{engine}; {PLAIN_LIMITS if truck is None else TRUCK_LIMITS}",
        truck,
        None,
    )


def several_per_truck(obs: Observations) -> bool:
    """Return whether enough trucks have more than one life for their spread to matter and to be seen."""
    return share_trucks(obs) and int((np.unique(obs.truck, return_counts=True)[1] > 1).sum()) >= SEVERAL


def share_trucks(obs: Observations) -> bool:
    """Return whether enough lives come from trucks with more than one life for them not to be independent."""
    lives = np.unique(obs.truck, return_counts=True)[1]
    return int(lives[lives > 1].sum()) >= SEVERAL_SHARE * len(obs)


def as_rows(obs: Observations) -> Rows:
    """Return the lives as one stratum of the batch kernels."""
    start = np.zeros(1, dtype=np.int64)
    return Rows(start, obs.entry, obs.exit, obs.failed, obs.lower, obs.upper, obs.count)


def _estimate(obs: Observations, curve: Weibull, truck: TruckFit | None, level: float) -> dict[str, Estimate]:
    """Return each printed quantity with its likelihood-ratio interval, which never excludes the printed value."""
    rows = as_rows(obs)
    found = solve_rows(rows)
    if truck is None:
        limits = {"beta": _ends(limit_shape(rows, found, level=level))}
        limits |= {name: _ends(limit_life(rows, found, share, level=level)) for name, share in SHARES.items()}
    else:
        limits = {"beta": limit_truck_shape(truck, level=level)}
        limits |= zip(SHARES, limit_truck_lives(truck, np.array(list(SHARES.values())), level=level), strict=True)
    values = {"beta": curve.shape} | {name: float(curve.life_at(share)) for name, share in SHARES.items()}
    return {name: _around(value, *limits[name]) for name, value in values.items()}


def _ends(limits: Limits) -> tuple[float | None, float | None]:
    low, high = float(limits.low[0]), float(limits.high[0])
    return low if np.isfinite(low) else None, high if np.isfinite(high) else None


def _around(value: float, low: float | None, high: float | None) -> Estimate:
    return Estimate(value, None if low is None else min(low, value), None if high is None else max(high, value))


REASONS: dict[str, str] = {
    "no failures": "none of the {parts} has failed",
    "failures without spread": "{failures}, all at one age, with no part running beyond it: no shape",
    "no maximum": "the likelihood of {failures} among {lives} has no maximum: any shape would do",
    "not converged": "no maximum was found for {failures} among {lives}",
}


def _unfitted(
    obs: Observations,
    basis: Basis,
    stratum: Stratum,
    inherited: tuple[Caution, ...],
    why: str,
    class_shape: float | None,
) -> Unfitted:
    counts = (("parts", obs.lives, "part"), ("lives", obs.lives, "life"), ("failures", obs.failures, "failure"))
    reason = REASONS[why].format(**{name: say_count(number, noun) for name, number, noun in counts})
    said = _begin(basis, f"{reason}.")
    shape, b10 = None, None
    if why == "no failures" and len(obs):
        shape = ASSUMED_SHAPE if class_shape is None else class_shape
        b10 = float(bound_life(obs, shape=shape, level=basis.level).life_at(0.1))
        origin = "assumed" if class_shape is None else "that of the like strata"
        said += (
            f" If the shape were {shape:.3g} ({origin}), at most one in ten would fail by {b10:,.0f} {basis.scale} "
            f"(one-sided, {100 * basis.level:.0f} % confidence)."
        )
    cautions = add_cautions(inherited, (Caution("no-curve", said),))
    return Unfitted(basis, cautions, stratum, obs, obs.lives, obs.failures, reason, shape, b10)


def _cautions(
    obs: Observations, basis: Basis, truck: TruckFit | None, curve: Weibull, estimates: dict[str, Estimate]
) -> tuple[Caution, ...]:
    """Return the cautions of a fit, each beginning with its stratum."""
    trucks = (*_say_trucks(obs, truck, curve), *_say_stretched(truck, estimates))
    found = (*_say_few(obs), *trucks, *_say_open(estimates), *_say_thin(obs, basis))
    return tuple(Caution(code, _begin(basis, text)) for code, text in found)


def _begin(basis: Basis, text: str) -> str:
    said = say_stratum(basis.stratum) + text
    return said[0].upper() + said[1:] if said == text else said


def _say_few(obs: Observations) -> tuple[tuple[str, str], ...]:
    if obs.failures >= FEW:
        return ()
    have = "has" if obs.failures == 1 else "have"
    text = (
        f"only {obs.failures} of {say_count(obs.lives, 'part')} {have} failed: the shape is little more than a guess."
    )
    text += " (In simulated fleets with so few failures 90 % intervals held the truth 85 to 95 % of the time.)"
    return (("few-failures", text),)


def _say_trucks(obs: Observations, truck: TruckFit | None, curve: Weibull) -> tuple[tuple[str, str], ...]:
    if not share_trucks(obs):
        return ()
    if truck is None:
        few = say_count(obs.failures, "failure")
        on = "" if several_per_truck(obs) else f" on {say_count(len(np.unique(obs.truck)), 'truck')}"
        text = (
            f"trucks give several lives each, but from {few}{on} it cannot be told how trucks differ: the intervals "
            "take every life as independent. (In simulated fleets whose trucks differ, 90 % intervals so made held the "
            "truth 82 to 92 % of the time.)"
        )
        return (("truck-spread-unknown", text),)
    averaged, plain = truck.life_at(SHARES["b10"]), float(curve.life_at(SHARES["b10"]))
    if truck.curve.shape < 1.1 * curve.shape and abs(averaged / plain - 1.0) < 0.05:
        return ()
    text = (
        f"trucks differ (variance of their hazard {truck.variance:.2f}): the parts of one truck wear out with shape "
        f"{truck.curve.shape:.2f}, the mix of all lives with {curve.shape:.2f}. Bad trucks use up more parts and so "
        f"weigh more among lives: averaged over trucks B10 is {_say_age(averaged)}, over lives {_say_age(plain)}."
    )
    return (("trucks-differ", text),)


def _say_stretched(truck: TruckFit | None, estimates: dict[str, Estimate]) -> tuple[tuple[str, str], ...]:
    """Return the caution that intervals deserve that were drawn out to hold the value of all lives."""
    at_end = [name for name, estimate in estimates.items() if estimate.value in (estimate.low, estimate.high)]
    if truck is None or not at_end:
        return ()
    averaged = _say_age(truck.life_at(SHARES["b10"]))
    text = (
        f"the interval of {_name_all(at_end)} ends at the value itself: the value is that of all lives, the interval "
        "that of the curve averaged over trucks, which lies to one side of it and was drawn out to hold it. Averaged "
        f"over trucks B10 is {averaged}, and the shape of one truck {truck.curve.shape:.2f}."
    )
    return (("interval-drawn-out", text),)


def _say_open(estimates: dict[str, Estimate]) -> tuple[tuple[str, str], ...]:
    lacking = [name for name, estimate in estimates.items() if estimate.low is None or estimate.high is None]
    if not lacking:
        return ()
    text = f"the data set no limit on one side of {_name_all(lacking)}: that end is blank."
    return (("open-interval", text),)


def _name_all(names: list[str]) -> str:
    return ", ".join(NAMES[name] for name in names)


def _say_thin(obs: Observations, basis: Basis) -> tuple[tuple[str, str], ...]:
    start = thin_until(obs)
    if start == 0.0:
        return ()
    text = (
        f"up to {start:,.0f} {basis.scale} fewer than {ENOUGH_WATCHED} parts were under watch at a time: what is "
        "counted from the records begins there, the curve on the fitted one, shares of modes among parts that reach "
        "that age."
    )
    return (("few-watched-early", text),)


def _say_age(age: float) -> str:
    """Return an age with three digits."""
    return f"{float(f'{age:.3g}'):,.10g}"
