"""What regrease practice does to life: hazard against practised miles per stop, by duty cycle, with truck frailty."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from wearlab.curves.practice_frailty import LARGEST_VARIANCE, Maximum, log_likelihood
from wearlab.curves.practice_layout import (
    FEWEST_FAILURES,
    Terms,
    fit_best,
    lay_classes,
    practised_range,
    range_ratio,
    usable_rows,
)
from wearlab.curves.practice_pooling import Pooled, pool_effects
from wearlab.evidence import Basis, Caution

Floats = npt.NDArray[np.float64]

SHAPES = (0.2, 15.0)  # draws of the shape are kept inside: beyond, thin data speak of no part of a drive shaft
FARTHEST = 4.0  # draws of ln η and of effects are kept within this of the fit
FEWEST = 3  # a component with fewer failures has no fit
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class ClassEffect:
    """One duty cycle: its life curve at ``reference_miles`` per stop, and what a change of practice does to it.

    ``theta`` (partially pooled) and ``theta_unpooled`` are log-hazard coefficients per unit of ln miles per stop; None
    where the class cannot say. Limits are two-sided at the fit's level. ``practised_low`` and ``practised_high`` are
    the 5th and 95th percentile of practised miles weighted by expected failures, each drawn inward until at least
    five trucks and five expected failures lie at or beyond it.
    """

    duty_cycle: str
    failures: int
    trucks: int
    reference_miles: float
    practised_low: float
    practised_high: float
    range_ratio: float
    shape: float
    shape_low: float
    shape_high: float
    eta: float
    eta_low: float
    eta_high: float
    theta: float | None
    theta_low: float | None
    theta_high: float | None
    theta_unpooled: float | None
    theta_unpooled_low: float | None
    theta_unpooled_high: float | None


@dataclass(frozen=True, slots=True)
class FurtherTerm:
    """What else goes with failure: a log-hazard coefficient per unit of the column ``name``, with its limits."""

    name: str
    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Draws:
    """Parameter sets drawn from the fit's uncertainty, columns in the order of ``PracticeFit.effects``."""

    shape: Floats  # (sets, classes)
    eta: Floats  # at reference_miles
    theta: Floats  # 0 where a class cannot say
    variance: Floats  # (sets,)


@dataclass(frozen=True, slots=True)
class PracticeFit:
    """The effect of practice on one component, by duty cycle."""

    basis: Basis
    cautions: tuple[Caution, ...]
    component: str
    level: float
    effects: tuple[ClassEffect, ...]
    frailty_variance: float
    frailty_low: float
    frailty_high: float
    own_shapes: bool
    pooled: Pooled | None
    theta_at: tuple[int | None, ...]  # place of each class's effect among the parameters
    shape_at: tuple[int, ...]
    maximum: Maximum
    practised_miles: Floats  # of each stretch of ``maximum``
    trucks: Ints  # of each stretch
    further: tuple[FurtherTerm, ...]

    @property
    def log_likelihood(self) -> float:
        """Return the maximum of the log-likelihood."""
        return self.maximum.log_likelihood

    def effect(self, duty_cycle: str) -> ClassEffect | None:
        """Return the effect in one class, or None."""
        return next((effect for effect in self.effects if effect.duty_cycle == duty_cycle), None)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return ``effects``: one row per duty cycle."""
        columns = [name for name in ClassEffect.__dataclass_fields__ if name != "duty_cycle"]
        rows = [
            {"duty_cycle": effect.duty_cycle, "component": self.component}
            | {name: getattr(effect, name) for name in columns}
            for effect in self.effects
        ]
        return {"effects": pd.DataFrame(rows, columns=["duty_cycle", "component", *columns])}

    def draw(self, count: int, *, seed: int) -> Draws:
        """Return parameter sets: normal on (ln η's scale, effects, ln β, ln φ), the effects pooled with t spread."""
        rng = np.random.default_rng(seed)
        top = self.maximum.parameters
        free = np.diag(self.maximum.covariance) > 0
        root = np.zeros_like(self.maximum.covariance)
        root[np.ix_(free, free)] = np.linalg.cholesky(self.maximum.covariance[np.ix_(free, free)])
        fixed = np.where(np.isfinite(top), top, 0.0)
        sets = fixed + rng.standard_normal((count, len(top))) @ root.T
        where = [at for at in self.theta_at if at is not None]
        if self.pooled is not None and where:
            sets = self._pool_sets(sets, where, rng)
        classes = len(self.effects)
        terms = len(self.maximum.coefficients)
        shape = np.exp(np.clip(sets[:, [terms + at for at in self.shape_at]], *np.log(SHAPES)))
        log_eta = np.log([effect.eta for effect in self.effects])
        around = np.log(self.maximum.stretches.scale) - sets[:, :classes] / shape - log_eta
        eta = np.exp(log_eta + np.clip(around, -FARTHEST, FARTHEST))
        theta = np.zeros((count, classes))
        for column, at in enumerate(self.theta_at):
            if at is not None:
                theta[:, column] = np.clip(sets[:, at], -FARTHEST, FARTHEST)
        variance = np.zeros(count)
        if self.frailty_variance > 0:
            variance = np.exp(np.clip(sets[:, -1], np.log(1e-6), np.log(max(self.frailty_high, 1e-6))))
        return Draws(shape=shape, eta=eta, theta=theta, variance=variance)

    def _pool_sets(self, sets: Floats, where: list[int], rng: np.random.Generator) -> Floats:
        """Return the sets with pooled effects, the other parameters moved along as their covariance says."""
        assert self.pooled is not None  # noqa: S101
        count, classes = len(sets), len(where)
        cross = self.maximum.covariance[:, where]
        within = cross[where]
        slope = np.linalg.solve(within, cross.T).T
        pooled_root = np.linalg.cholesky(self.pooled.covariance + 1e-12 * np.eye(classes))
        deviation = rng.standard_normal((count, classes)) @ pooled_root.T
        if np.isfinite(self.pooled.freedom):
            deviation *= np.sqrt(self.pooled.freedom / rng.chisquare(self.pooled.freedom, (count, 1)))
        moved = self.pooled.values + deviation - sets[:, where]
        result: Floats = sets + moved @ slope.T
        return result


@dataclass(frozen=True, slots=True)
class NoPracticeFit:
    """Why there is no fit of practice for this component, and what would give one."""

    basis: Basis
    cautions: tuple[Caution, ...]
    component: str
    code: str
    text: str
    fix: str


def fit_practice(
    episodes: pd.DataFrame,
    *,
    component: str,
    level: float,
    scale: str = "miles",
    renewed: Mapping[int, float] | None = None,
    assumed: bool = False,
    further: tuple[str, ...] = (),
) -> PracticeFit | NoPracticeFit:
    """Return what practised miles per stop do to the life of one component, by duty cycle.

    ``episodes`` is the History's table. Rows whose practice is not known from the truck's own gaps are left out as
    delayed entry (``assumed`` keeps those for which the plan or a mean stands), sealed parts altogether, and so are
    classes without a failure. Every class has its own η and effect; the shape is common, or the
    class's own where that lowers Akaike's criterion. ``renewed`` says for the lives of parts that were not on their
    truck when it was new how far it had run (in units of age) when they were fitted: such a part tells of a renewal
    before it was first seen. ``further`` names columns of numbers that are terms of their own (what was known at the
    start of a stretch); they are given up where the likelihood has no maximum with them.
    """
    rows = usable_rows(episodes, component, assumed=assumed, apart=further)
    basis = _basis(rows, component, level, scale)
    if basis.failures < FEWEST:
        return NoPracticeFit(
            basis,
            (),
            component,
            "no-failures",
            f"{basis.failures or 'No'} {component} failed in a stretch of life with known regrease practice: too few.",
            "A longer record, or regrease stops recorded with their meter readings.",
        )
    best = fit_best(rows, lay_classes(rows, {}, renewed or {}, further))
    if best is None and further:
        best = fit_best(rows, lay_classes(rows, {}, renewed or {}))
    if best is None:
        return NoPracticeFit(
            basis,
            (),
            component,
            "no-maximum",
            f"The {component} failures with known practice do not settle a life curve.",
            "More failures: a longer record or more trucks.",
        )
    return _result(rows, best[0], best[1], basis, component, level)


def _basis(rows: pd.DataFrame, component: str, level: float, scale: str) -> Basis:
    return Basis(
        source="episodes",
        files=(),
        as_of=None,
        scale=scale,
        level=level,
        stratum=(("component", component),),
        lives=int(rows["life_id"].nunique()),
        failures=int(rows["failed"].sum()),
    )


_Limits = tuple[float | None, float | None, float | None]


def _thetas(
    maximum: Maximum, theta_at: tuple[int | None, ...], level: float
) -> tuple[Pooled | None, tuple[tuple[_Limits, _Limits], ...]]:
    """Return the pooled effects, and by class the pooled and the unpooled effect with its limits."""
    where = [at for at in theta_at if at is not None]
    if not where:
        return None, tuple(((None, None, None), (None, None, None)) for _ in theta_at)
    normal = float(stats.norm.ppf(0.5 + level / 2))
    values, errors = maximum.coefficients[where], np.sqrt(np.diag(maximum.covariance)[where])
    pooled = pool_effects(values, errors)
    low, high = pooled.limits(level)
    known = {
        at: (
            (float(pooled.values[k]), float(low[k]), float(high[k])),
            (float(values[k]), float(values[k] - normal * errors[k]), float(values[k] + normal * errors[k])),
        )
        for k, at in enumerate(where)
    }
    none: tuple[_Limits, _Limits] = ((None, None, None), (None, None, None))
    return pooled, tuple(none if at is None else known[at] for at in theta_at)


def calibrate(fit: PracticeFit, slopes: Mapping[str, float]) -> PracticeFit:
    """Return the fit with recorded ln practice multiplied by each class's slope of true on recorded practice.

    Regression calibration (Carroll, Ruppert, Stefanski & Crainiceanu, *Measurement Error in Nonlinear Models*, 2nd ed.,
    2006, chapter 4): the likelihood stays what it was, the effects and their errors are divided by the slope.
    """
    factor = np.ones(len(fit.maximum.covariance))
    for effect, at in zip(fit.effects, fit.theta_at, strict=True):
        if at is not None:
            factor[at] = slopes.get(effect.duty_cycle, 1.0)
    terms = len(fit.maximum.coefficients)
    data = fit.maximum.stretches
    maximum = replace(
        fit.maximum,
        coefficients=fit.maximum.coefficients / factor[:terms],
        covariance=fit.maximum.covariance / np.outer(factor, factor),
        stretches=replace(data, design=data.design * factor[:terms], design_before=data.design_before * factor[:terms]),
    )
    pooled, thetas = _thetas(maximum, fit.theta_at, fit.level)
    effects = tuple(
        replace(
            effect,
            theta=pool[0],
            theta_low=pool[1],
            theta_high=pool[2],
            theta_unpooled=own[0],
            theta_unpooled_low=own[1],
            theta_unpooled_high=own[2],
        )
        for effect, (pool, own) in zip(fit.effects, thetas, strict=True)
    )
    return replace(fit, maximum=maximum, pooled=pooled, effects=effects)


def _result(
    rows: pd.DataFrame, terms: Terms, maximum: Maximum, basis: Basis, component: str, level: float
) -> PracticeFit:
    layout, normal = terms.layout, float(stats.norm.ppf(0.5 + level / 2))
    errors = np.sqrt(np.maximum(np.diag(maximum.covariance), 0))
    pooled, thetas = _thetas(maximum, terms.theta_at, level)
    expected = _expected(rows, maximum)
    effects = []
    for c, name in enumerate(layout.classes):
        mine = layout.code == c
        pool, own = thetas[c]
        log_practice = np.log(rows["practised_miles"].to_numpy(dtype=float)[mine])
        low, high = practised_range(log_practice, expected[mine], layout.truck[mine])
        shape, eta = _curve(terms, maximum, c, normal)
        effects.append(
            ClassEffect(
                duty_cycle=name,
                failures=int(layout.failures[c]),
                trucks=len(np.unique(layout.truck[mine])),
                reference_miles=float(np.exp(layout.centre[c])),
                practised_low=float(np.exp(low)),
                practised_high=float(np.exp(high)),
                range_ratio=range_ratio(log_practice, expected[mine]),
                shape=shape[0],
                shape_low=shape[1],
                shape_high=shape[2],
                eta=eta[0],
                eta_low=eta[1],
                eta_high=eta[2],
                theta=pool[0],
                theta_low=pool[1],
                theta_high=pool[2],
                theta_unpooled=own[0],
                theta_unpooled_low=own[1],
                theta_unpooled_high=own[2],
            )
        )
    spread = normal * float(errors[-1])
    variance = maximum.variance
    return PracticeFit(
        basis=basis,
        cautions=_cautions(effects, component, terms),
        component=component,
        level=level,
        effects=tuple(effects),
        frailty_variance=variance,
        frailty_low=variance * float(np.exp(-spread)) if spread < 2 else 0.0,
        frailty_high=min(variance * float(np.exp(spread)), 3 * LARGEST_VARIANCE)
        if 0 < spread < 2
        else _highest_variance(maximum, level, variance),
        own_shapes=max(terms.shape_at) > 0,
        pooled=pooled,
        theta_at=terms.theta_at,
        shape_at=terms.shape_at,
        maximum=maximum,
        practised_miles=rows["practised_miles"].to_numpy(dtype=float),
        trucks=layout.truck,
        further=_further(terms, maximum, normal),
    )


def _further(terms: Terms, maximum: Maximum, normal: float) -> tuple[FurtherTerm, ...]:
    found = []
    for place, name in enumerate(terms.layout.further, start=terms.further_at):
        value = float(maximum.coefficients[place])
        reach = normal * float(np.sqrt(maximum.covariance[place, place]))
        found.append(FurtherTerm(name, value, value - reach, value + reach))
    return tuple(found)


def _curve(terms: Terms, maximum: Maximum, c: int, normal: float) -> tuple[tuple[float, float, float], ...]:
    at = len(maximum.coefficients) + terms.shape_at[c]
    log_shape = float(maximum.log_shapes[terms.shape_at[c]])
    shape = float(np.exp(log_shape))
    reach = normal * float(np.sqrt(maximum.covariance[at, at]))
    log_eta = -float(maximum.coefficients[c]) / shape
    slope = np.zeros(len(maximum.covariance))
    slope[c], slope[at] = -1 / shape, -log_eta
    error = normal * float(np.sqrt(slope @ maximum.covariance @ slope))
    eta = maximum.stretches.scale * float(np.exp(log_eta))
    return (
        (shape, shape * float(np.exp(-reach)), shape * float(np.exp(min(reach, FARTHEST)))),
        (eta, eta * float(np.exp(-error)), eta * float(np.exp(min(error, FARTHEST)))),
    )


def _highest_variance(maximum: Maximum, level: float, least: float) -> float:
    """Return the variance above the estimate at which the likelihood has fallen by half the chi-square quantile."""
    drop = float(stats.chi2.ppf(level, 1)) / 2
    parameters = maximum.parameters.copy()
    low = high = np.log(max(maximum.variance, 1e-4))
    while high < 3:
        parameters[-1] = high
        if log_likelihood(maximum.stretches, parameters)[0] < maximum.log_likelihood - drop:
            break
        low, high = high, high + 0.5
    for _ in range(20):
        middle = (low + high) / 2
        parameters[-1] = middle
        inside = log_likelihood(maximum.stretches, parameters)[0] >= maximum.log_likelihood - drop
        low, high = (middle, high) if inside else (low, middle)
    return max(float(np.exp(high)), least)


def _expected(rows: pd.DataFrame, maximum: Maximum) -> Floats:
    """Return the hazard of each row at the maximum for z = 1, up to its exit."""
    at = np.exp(maximum.stretches.design @ maximum.coefficients)
    shape = np.exp(maximum.log_shapes)[maximum.stretches.shape_of]
    scale = maximum.stretches.scale
    entry = (rows["entry"].to_numpy(dtype=float) / scale) ** shape
    result: Floats = at * ((rows["exit"].to_numpy(dtype=float) / scale) ** shape - entry)
    return result


def _cautions(effects: list[ClassEffect], component: str, terms: Terms) -> tuple[Caution, ...]:
    cautions = []
    for effect, at in zip(effects, terms.theta_at, strict=True):
        if at is None:
            why = (
                f"only {effect.failures} failed"
                if effect.failures < FEWEST_FAILURES
                else f"practice hardly varied ({effect.practised_low:,.0f} to {effect.practised_high:,.0f} miles)"
            )
            text = f"{effect.duty_cycle}, {component}: {why}; this class cannot say what another interval would do."
            cautions.append(Caution("practice-not-varied", text))
        elif effect.failures < 20:
            text = f"{effect.duty_cycle}, {component}: only {effect.failures} failures; the effect is uncertain."
            cautions.append(Caution("few-failures", text))
    return tuple(cautions)
