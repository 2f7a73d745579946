"""Straight wear lines of many parts at once, each drawn toward its class as far as its own readings are few.

Reading j of part i at age x: y = α + a_i + (μ_c + b_i)·x + error. All parts of one kind share the start α; a class c
has its rate μ_c; a_i, b_i and the error are normal, the spread of b_i in proportion to μ_c. Variances by restricted
maximum likelihood, lines by best linear unbiased prediction (Laird & Ware 1982, Biometrics 38), with the doubt about
α and μ_c carried along (Henderson 1975, Biometrics 31). A part that was replaced when worn biases nothing as long as
the readings that led to it are in the data.

Wear may feed on itself: dw/dx in proportion to w^m (for cracks Paris & Erdogan 1963, J. Basic Eng. 85) makes w^(1−m)
straight. So lines are fitted on the scale z = g·((w/g)^p − 1)/p, p = 1 − m, g the geometric mean of the readings
(Box & Cox 1964, J. R. Stat. Soc. B 26), and a bend (p other than 1) is taken only where the readings insist on it.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.stats import t as student

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

FEWEST_PARTS = 3
SMALLEST = 1e-8
ROUNDS = 3
POWERS = (0.5, 0.0, -0.5, -1.0, -1.25, -1.5, -1.75, -2.0, -2.5)
INSISTENCE = 5.0  # gain in log-likelihood below which wear is taken to be straight
FEWEST_TO_BEND = 5
FEWEST_AGAIN = 5  # second and later readings of parts


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings of one quantity on parts of one kind: age, value, part number (0 up) and class number of each part."""

    age: FloatArray
    value: FloatArray
    part: IntArray
    part_class: IntArray


@dataclass(frozen=True, slots=True)
class Lines:
    """A line per part: start and rate, their covariance (parts × 2 × 2), and the degrees of freedom behind it.

    ``rate_spread`` is how much the rates of a class's parts differ (standard deviation, with the doubt about their
    mean); ``profile`` the log-likelihood without its term for the fixed effects. All on the scale on which wear is
    straight, wear itself where ``power`` is 1; ``straighten`` leads there.
    """

    start: FloatArray
    rate: FloatArray
    covariance: FloatArray
    error: float
    class_rate: FloatArray
    rate_spread: FloatArray
    freedom: float
    log_likelihood: float
    profile: float
    ratios: FloatArray  # spread of start, and of rate over the class's rate, as variances over that of the readings
    power: float = 1.0
    middle: float = 0.0

    def straighten(self, wear: FloatArray) -> FloatArray:
        """Return wear on the scale on which it is straight."""
        if self.power == 1.0:
            return wear
        return _straighten(wear, self.power, self.middle)

    def wear_at(self, age: FloatArray) -> FloatArray:
        """Return each part's wear at its age; NaN where a bent path has already run away to infinity."""
        z = self.start + self.rate * age
        if self.power == 1.0:
            return np.asarray(z)
        if self.power == 0.0:
            return np.asarray(self.middle * np.exp(z / self.middle))
        base = 1.0 + self.power * z / self.middle
        return np.asarray(self.middle * np.where(base > 0, base, np.nan) ** (1.0 / self.power))

    def growth(self, wear: FloatArray) -> FloatArray:
        """Return dw/dz at a wear: what turns a rate on the straight scale into wear per unit of age."""
        return np.ones_like(wear) if self.power == 1.0 else (wear / self.middle) ** (1.0 - self.power)

    def quantile(self, level: float) -> float:
        """Return the factor of the standard error for a two-sided interval."""
        return float(student.ppf((1 + level) / 2, self.freedom))


def _straighten(wear: FloatArray, power: float, middle: float) -> FloatArray:
    ratio = wear / middle
    return np.asarray(middle * (np.log(ratio) if power == 0.0 else (ratio**power - 1.0) / power))


def fit_paths(readings: Readings) -> Lines | None:
    """Return every part's line, on the straightened scale where the readings insist that wear feeds on itself.

    None where the readings cannot tell a start from a rate. With fewer than three parts all share one line per class.
    """
    straight = fit_lines(readings)
    often = int(np.bincount(readings.part).max(initial=0))
    if straight is None or often < FEWEST_TO_BEND or readings.value.min() <= 0:
        return straight
    middle = float(np.exp(np.log(readings.value).mean()))
    best = straight
    for power in POWERS:
        bent = fit_lines(replace(readings, value=_straighten(readings.value, power, middle)))
        if bent is None or bent.log_likelihood <= best.log_likelihood:
            break
        best = replace(bent, power=power, middle=middle)
    return best if best.log_likelihood > straight.log_likelihood + INSISTENCE else straight


def fit_lines(readings: Readings) -> Lines | None:
    """Return every part's straight line, or None where the readings cannot tell a start from a rate."""
    if len(readings.age) < 3:
        return None
    age_unit, value_unit = float(readings.age.max()), float(np.abs(readings.value).max())
    if age_unit <= 0 or value_unit <= 0:
        return None
    scaled = Readings(readings.age / age_unit, readings.value / value_unit, readings.part, readings.part_class)
    sums = _sum_parts(scaled)
    slopes = np.ones(int(scaled.part_class.max()) + 1)
    ratios = np.full(2, SMALLEST)
    solved = _solve(sums, slopes, ratios)
    if solved is None:
        return None
    for _ in range(ROUNDS if len(sums.size) >= FEWEST_PARTS else 0):
        slopes = np.maximum(solved.fixed[1:], 0.05 * max(float(np.abs(solved.fixed[1:]).max()), SMALLEST))
        ratios = _best_ratios(sums, slopes)
        solved = _solve(sums, slopes, ratios) or solved
    line, covariance = _predict(sums, slopes, ratios, solved)
    scale = np.array([value_unit, value_unit / age_unit])
    many = len(sums.size) >= FEWEST_PARTS
    return Lines(
        line[:, 0] * scale[0],
        line[:, 1] * scale[1],
        covariance * np.outer(scale, scale),
        float(np.sqrt(solved.variance)) * value_unit,
        solved.fixed[1:] * scale[1],
        np.sqrt(solved.variance * (ratios[1] * slopes**2 + np.diag(solved.covariance)[1:])) * scale[1],
        float(max(len(sums.size) - len(solved.fixed), 1)) if many else solved.freedom,
        solved.log_likelihood - solved.freedom * float(np.log(value_unit)),
        solved.profile - solved.freedom * float(np.log(value_unit)),
        ratios,
    )


def judge_ages(readings: Readings, lines: Lines) -> float:
    """Return the profile log-likelihood of readings against other ages, spreads as in ``lines``; NaN without one."""
    age_unit, value_unit = float(readings.age.max()), float(np.abs(readings.value).max())
    sums = _sum_parts(
        Readings(readings.age / age_unit, readings.value / value_unit, readings.part, readings.part_class)
    )
    slopes = np.abs(lines.class_rate) * age_unit / value_unit
    solved = None
    for _ in range(ROUNDS):
        slopes = np.maximum(slopes, 0.05 * max(float(slopes.max()), SMALLEST))
        solved = _solve(sums, slopes, lines.ratios)
        if solved is None:
            return float("nan")
        slopes = np.abs(solved.fixed[1:])
    return float("nan") if solved is None else solved.profile - solved.freedom * float(np.log(value_unit))


@dataclass(frozen=True, slots=True)
class _Sums:
    """Per part: readings, Σ(1, x)(1, x)ᵀ, Σ(1, x)y, Σy², and its class."""

    size: FloatArray
    square: FloatArray
    product: FloatArray
    total: float
    part_class: IntArray


@dataclass(frozen=True, slots=True)
class _Solved:
    """Start and class rates with their covariance (over σ²), σ², and the restricted log-likelihood."""

    fixed: FloatArray
    covariance: FloatArray
    variance: float
    log_likelihood: float
    profile: float
    freedom: float


def _sum_parts(readings: Readings) -> _Sums:
    parts = len(readings.part_class)

    def add(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(readings.part, values, parts), dtype=np.float64)

    x, y = readings.age, readings.value
    size, first, second = add(np.ones_like(x)), add(x), add(x * x)
    square = np.stack([np.stack([size, first], -1), np.stack([first, second], -1)], -2)
    return _Sums(size, square, np.stack([add(y), add(x * y)], -1), float(y @ y), readings.part_class)


def _weighted(sums: _Sums, slopes: FloatArray, ratios: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return per part S = (D⁻¹ + ZᵀZ)⁻¹, ZᵀV⁻¹Z and ZᵀV⁻¹y for Z = (1, x), D the spreads over σ²."""
    spread = np.zeros((len(sums.size), 2, 2))
    spread[:, 0, 0] = 1.0 / ratios[0]
    spread[:, 1, 1] = 1.0 / (ratios[1] * slopes[sums.part_class] ** 2)
    inner = np.linalg.inv(spread + sums.square)
    inside = sums.square - sums.square @ inner @ sums.square
    toward = sums.product - np.einsum("pij,pj->pi", sums.square @ inner, sums.product)
    return np.asarray(inner, dtype=np.float64), inside, toward


def _solve(sums: _Sums, slopes: FloatArray, ratios: FloatArray) -> _Solved | None:
    inner, inside, toward = _weighted(sums, slopes, ratios)
    classes = len(slopes)
    normal, right = np.zeros((1 + classes, 1 + classes)), np.zeros(1 + classes)
    normal[0, 0], right[0] = inside[:, 0, 0].sum(), toward[:, 0].sum()
    normal[0, 1:] = normal[1:, 0] = np.bincount(sums.part_class, inside[:, 0, 1], classes)
    normal[range(1, 1 + classes), range(1, 1 + classes)] = np.bincount(sums.part_class, inside[:, 1, 1], classes)
    right[1:] = np.bincount(sums.part_class, toward[:, 1], classes)
    freedom = float(sums.size.sum() - 1 - classes)
    if freedom < 1:
        return None
    bends = np.linalg.eigvalsh(normal)
    if bends[0] <= 1e-12 * bends[-1]:
        return None
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    fixed = covariance @ right
    quadratic = sums.total - float(np.einsum("pi,pij,pj->", sums.product, inner, sums.product)) - float(fixed @ right)
    variance = max(quadratic / freedom, 1e-14)
    spread = np.log(ratios[0]) + np.log(ratios[1] * slopes[sums.part_class] ** 2)
    logs = float((spread - np.linalg.slogdet(inner)[1]).sum())
    profile = -0.5 * (logs + freedom * float(np.log(variance)))
    log_likelihood = profile - 0.5 * float(np.linalg.slogdet(normal)[1])
    return _Solved(fixed, covariance, variance, log_likelihood, profile, freedom)


def _best_ratios(sums: _Sums, slopes: FloatArray) -> FloatArray:
    """Return the spreads of start and (relative) rate over σ² that the readings make most likely.

    Each is kept off zero by a penalty of its ln standard deviation (Chung et al. 2013, Psychometrika 78): few parts
    often make a spread of zero most likely, and intervals that believed it would be too narrow. Not so where hardly a
    part was read twice: nothing then tells error from spread, and the penalty would decide.
    """
    pull = 0.5 if sums.size.sum() - len(sums.size) >= FEWEST_AGAIN else 0.0

    def lost(at: FloatArray) -> float:
        solved = _solve(sums, slopes, np.exp(np.clip(at, np.log(SMALLEST), 25.0)))
        return 1e9 if solved is None else -solved.log_likelihood - pull * float(at.sum())

    starts = [np.array([0.0, 0.0]), np.array([-8.0, 2.0])]
    found = min((minimize(lost, start, method="Nelder-Mead", tol=1e-6) for start in starts), key=lambda one: one.fun)
    return np.asarray(np.exp(np.clip(found.x, np.log(SMALLEST), 25.0)))


def _predict(sums: _Sums, slopes: FloatArray, ratios: FloatArray, solved: _Solved) -> tuple[FloatArray, FloatArray]:
    """Return each part's (start, rate) and the covariance of its error."""
    inner, _, _ = _weighted(sums, slopes, ratios)
    parts = np.arange(len(sums.size))
    place = np.zeros((len(parts), 2, len(solved.fixed)))
    place[:, 0, 0] = 1.0
    place[parts, 1, 1 + sums.part_class] = 1.0
    mean = place @ solved.fixed
    own = np.einsum("pij,pj->pi", inner, sums.product - np.einsum("pij,pj->pi", sums.square, mean))
    kept = (np.eye(2) - inner @ sums.square) @ place
    covariance = kept @ solved.covariance @ kept.transpose(0, 2, 1) + inner
    return mean + own, covariance * solved.variance


def cross_limit(lines: Lines, limit: FloatArray, level: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the age at which each line reaches its limit, with the two-sided interval of that age.

    The ends are the ages at which the chance of having reached the limit is (1 ∓ level)/2, from the normal law of the
    line at that age (Lu & Meeker 1993, Technometrics 35); NaN = not reached in any foreseeable time.
    """
    t = lines.quantile(level)
    gap = lines.straighten(limit) - lines.start
    with np.errstate(divide="ignore", invalid="ignore"):
        age = np.where(lines.rate > 0, gap / lines.rate, np.nan)
    v0, v01, v1 = lines.covariance[:, 0, 0], lines.covariance[:, 0, 1], lines.covariance[:, 1, 1]
    # (gap − rate·x)² = t²·(v0 + 2·v01·x + v1·x²)
    a = lines.rate**2 - t**2 * v1
    b = -2 * (gap * lines.rate + t**2 * v01)
    c = gap**2 - t**2 * v0
    root = np.sqrt(np.maximum(b**2 - 4 * a * c, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        one, other = (-b - root) / (2 * a), (-b + root) / (2 * a)
    first, last = np.fmin(one, other), np.fmax(one, other)
    grows = lines.rate > 0
    low = np.where(c <= 0, 0.0, np.where(a > 0, np.where(grows, first, np.nan), last))
    high = np.where((a > 0) & grows, np.fmax(last, age), np.nan)
    return age, np.where(grows, np.fmin(low, age), low), high
