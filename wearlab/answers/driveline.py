"""How much of the difference between classes is load: severity of a duty spectrum against what the history shows."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from wearlab.curves.batch import WeibullFits, fit_weibulls
from wearlab.curves.observations import FloatArray, IntArray, Observations, observations
from wearlab.curves.resample import draw_trucks, resample_weibulls
from wearlab.driveline import (
    DrivelineCheck,
    LayoutCheck,
    Line,
    Severity,
    check_driveline,
    check_layouts,
    compare_severity,
    read_angles,
    read_spectra,
)
from wearlab.evidence import Basis, Caution, DataError, Unanswered, add_cautions
from wearlab.history.lives import History

REPLICATES = 500
EXPONENTS = np.linspace(-0.5, 2.0, 26)  # where the index's effect on log life is looked for
FEWEST_FAILURES = 10  # per class
NARROW = 1.05  # trucks of one class whose index spreads less than this say nothing

EXPLAINED = (
    *("component", "duty_cycle", "reference", "failures", "life_ratio", "life_ratio_low", "life_ratio_high"),
    *("from_turns", "from_torque", "from_angle", "from_load", "cycle_life_ratio"),
    *("remainder", "remainder_low", "remainder_high"),
    *("share_explained", "share_explained_low", "share_explained_high"),
)
INDEX = ("component", "comparison", "exponent", "exponent_low", "exponent_high", "lives", "failures", "at_edge")


@dataclass(frozen=True, slots=True)
class LoadIndex:
    """How far load alone accounts for the lives of the classes.

    ``explained``, one row per class against the reference: life_ratio (B10 of the history), what turns per mile,
    torque and angle would each make of it, their product from_load, the ratio per joint cycle (life_ratio without
    turns), remainder (life_ratio / from_load: what is left for grease, dirt, care and parts) and share_explained
    (log from_load / log life_ratio; above 1: load alone would part the classes further than they are).
    ``index``: the exponent b in life ∝ severity^(−b) across all trucks and within classes: 1 is the load-life rule, 0
    says that severity makes no difference. Intervals by trucks drawn again.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    component: str
    severity: Severity
    explained: pd.DataFrame
    index: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by name."""
        return {"explained": self.explained, "index": self.index, **self.severity.tables()}


@dataclass(frozen=True, slots=True)
class DrivelineAnswer:
    """The physics of a fleet's drivelines: each part None where nothing was given for it.

    ``line``: one line of joints as typed; ``layouts``: the units of angles.csv; ``load``: the classes of spectra.csv
    against the history (Unanswered where the history cannot tell).
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    line: DrivelineCheck | None
    layouts: LayoutCheck | None
    load: LoadIndex | Unanswered | None

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables of every part by name."""
        parts = (self.load, self.layouts, self.line)
        return {
            name: table
            for part in parts
            if part is not None and not isinstance(part, Unanswered)
            for name, table in part.tables().items()
        }


def answer_driveline(
    history: History,
    folder: Path,
    *,
    line: Line | None,
    speed_rpm: float,
    reference: str | None,
    level: float,
    seed: int,
) -> DrivelineAnswer | Unanswered:
    """Return what is known of the drivelines of a fleet: a line as typed, angles.csv and spectra.csv of its folder.

    ``reference`` is the class that the others are held against (default: the first of the spectra); ``speed_rpm`` is
    the highest steady shaft speed, for units of angles.csv that do not give their own. Unanswered without any of them.
    """
    found = None if line is None else check_driveline(line)
    angles, spectra = folder / "angles.csv", folder / "spectra.csv"
    layouts = check_layouts(read_angles(angles), speed_rpm=speed_rpm) if angles.is_file() else None
    load = None
    if spectra.is_file():
        table = read_spectra(spectra)
        first = str(table["group"].iloc[0]) if reference is None else reference
        load = explain_by_load(history, table, reference=first, level=level, seed=seed)
    parts = tuple(part for part in (found, layouts, load) if part is not None)
    basis = replace(history.basis, level=level)
    if isinstance(load, Unanswered) and len(parts) == 1:
        return load
    if not parts:
        return Unanswered(
            basis,
            history.cautions,
            "nothing-given",
            "there is neither spectra.csv nor angles.csv in the folder, and no line of joints was given",
            "add one of them (columns: see the README of the demo fleet), or give --angles",
        )
    return DrivelineAnswer(basis, add_cautions(*(part.cautions for part in parts)), found, layouts, load)


@dataclass(frozen=True, slots=True)
class _Lives:
    """Lives of one component in the classes of the spectra, with each life's class and log severity."""

    obs: Observations
    code: IntArray
    classes: tuple[str, ...]
    turns: FloatArray  # mean turns per mile by class
    log_severity: FloatArray


def explain_by_load(
    history: History, spectra: pd.DataFrame, *, reference: str, component: str = "joint", level: float, seed: int
) -> LoadIndex | Unanswered:
    """Return how much of the classes' difference in life load accounts for, or Unanswered without two such classes.

    ``spectra`` as driveline.read_spectra returns it, by duty cycle, or by unit for some trucks and by duty cycle for
    the rest. Refuses (DataError) a scale other than miles and joint_cycles, where the index has no meaning.
    """
    if history.scale not in ("miles", "joint_cycles"):
        raise DataError("scale", f"the load index has no meaning on {history.scale}", "use --scale miles")
    severity = compare_severity(_with_turns(history, spectra), reference=reference)
    lives = _choose(history, severity, component, reference)
    basis = replace(history.basis, level=level, lives=lives.obs.lives, failures=lives.obs.failures)
    fits = fit_weibulls(lives.obs, lives.code, strata=len(lives.classes))
    failures = np.bincount(lives.code, lives.obs.count * lives.obs.failed, len(lives.classes))
    fitted = fits.converged & (failures >= FEWEST_FAILURES)
    if reference not in lives.classes or not fitted[0] or fitted.sum() < 2:
        text = f"fewer than two classes with a spectrum have {FEWEST_FAILURES} failures of {component} or more"
        fix = "give spectra for classes of the fleet (column duty_cycle), the reference among them"
        return Unanswered(basis, severity.cautions, "one-class", text, fix)
    draws = draw_trucks(int(lives.obs.truck.max()) + 1, replicates=REPLICATES, seed=seed)
    drawn = resample_weibulls(lives.obs, lives.code, strata=len(lives.classes), truck_weights=draws)
    rows = [
        _explain(lives, severity, number, (fits, drawn), scale=history.scale, level=level)
        | {"component": component, "failures": round(failures[number])}
        for number in range(1, len(lives.classes))
        if fitted[number]
    ]
    index = pd.DataFrame(_find_exponents(lives, draws, component, level), columns=list(INDEX))
    explained = pd.DataFrame(rows).reindex(columns=list(EXPLAINED))
    cautions = add_cautions(_own_cautions(explained, index), severity.cautions, history.cautions)
    return LoadIndex(basis, cautions, component, severity, explained, index)


def _with_turns(history: History, spectra: pd.DataFrame) -> pd.DataFrame:
    """Return the spectra with the fleet's own turns per mile (the unit's, or its class's mean) where not given."""
    units = history.units.assign(turns=history.units["axle_ratio"] * history.units["tire_turns_per_mile"])
    known = pd.concat([units.groupby("duty_cycle")["turns"].mean(), units.set_index("unit_id")["turns"]])
    fleet = known[~known.index.duplicated()].reindex(spectra["group"]).to_numpy(dtype=float)
    given = {"axle_ratio", "tire_turns_per_mile"} <= set(spectra.columns)
    own = (spectra["axle_ratio"] * spectra["tire_turns_per_mile"]).to_numpy(dtype=float) if given else np.nan * fleet
    return spectra.assign(axle_ratio=np.where(np.isfinite(own), own, fleet), tire_turns_per_mile=1.0)


def _choose(history: History, severity: Severity, component: str, reference: str) -> _Lives:
    """Return the lives that have a severity; the reference class is number 0."""
    known = severity.groups.set_index("group")
    table = history.lives[(history.lives["component"] == component) & history.lives["fittable"].astype(bool)]
    table = table[table["duty_cycle"].isin(known.index)]
    classes = tuple(sorted(set(table["duty_cycle"]), key=lambda name: (name != reference, name)))
    code = pd.Index(classes).get_indexer(table["duty_cycle"]).astype(np.int64)
    units = history.units.set_index("unit_id")
    own = (units["axle_ratio"] * units["tire_turns_per_mile"]).reindex(table["unit_id"]).to_numpy(dtype=float)
    given = known["turns_per_mile"].reindex(table["duty_cycle"]).to_numpy(dtype=float)
    turns = np.where(np.isfinite(own), own, given)
    mean = np.array([np.nanmean(turns[code == number]) if np.isfinite(turns[code == number]).any() else np.nan
                     for number in range(len(classes))])  # fmt: skip
    by_unit = known["severity_per_turn"].reindex(table["unit_id"]).to_numpy(dtype=float)
    by_class = known["severity_per_turn"].reindex(table["duty_cycle"]).to_numpy(dtype=float)
    per_turn = np.log(np.where(np.isfinite(by_unit), by_unit, by_class))
    spread = np.where(np.isfinite(turns), turns, mean[code] if len(code) else turns)
    log_turns = np.log(spread / mean[0]) if len(code) and history.scale == "miles" else np.zeros(len(code))
    return _Lives(observations(table), code, classes, mean, per_turn + log_turns)


def _explain(
    lives: _Lives, severity: Severity, number: int, fits: tuple[WeibullFits, WeibullFits], *, scale: str, level: float
) -> dict[str, object]:
    """Return one class against the reference."""
    groups = severity.groups.set_index("group")
    one = groups.loc[lives.classes[number]]
    turns = float(lives.turns[0] / lives.turns[number]) if scale == "miles" else 1.0
    torque, angle = 1 / float(one["torque_factor"]), 1 / float(one["angle_factor"])
    load = turns * torque * angle
    b10, drawn = fits[0].life_at(0.10), fits[1].life_at(0.10)
    ratio = float(b10[number] / b10[0])
    ratios = drawn[:, number] / drawn[:, 0]
    low, high = _limits(ratios, ratio, level)
    row: dict[str, object] = {
        "duty_cycle": lives.classes[number],
        "reference": lives.classes[0],
        "life_ratio": ratio,
        "life_ratio_low": low,
        "life_ratio_high": high,
        "from_turns": turns,
        "from_torque": torque,
        "from_angle": angle,
        "from_load": load,
        "cycle_life_ratio": ratio / turns,
        "remainder": ratio / load,
        "remainder_low": low / load,
        "remainder_high": high / load,
    }
    if low > 1 or high < 1:  # a share of a difference that may be nothing has no meaning
        share = np.log(load) / np.log(ratio)
        ends = sorted((np.log(load) / np.log(low), np.log(load) / np.log(high)))
        row |= {"share_explained": share, "share_explained_low": ends[0], "share_explained_high": ends[1]}
    return row


def _limits(drawn: FloatArray, value: float, level: float) -> tuple[float, float]:
    good = drawn[np.isfinite(drawn)]
    if len(good) < len(drawn) / 2:
        return np.nan, np.nan
    low, high = np.quantile(good, [(1 - level) / 2, (1 + level) / 2])
    return min(float(low), value), max(float(high), value)


def _find_exponents(lives: _Lives, draws: FloatArray, component: str, level: float) -> list[tuple[object, ...]]:
    """Return the index's exponent across all trucks, and within classes where trucks of one class differ."""
    classes = len(lives.classes)
    within = [np.exp(np.ptp(lives.log_severity[lives.code == number])) > NARROW for number in range(classes)]
    comparisons = [("all_trucks", np.zeros(len(lives.code), dtype=np.int64))]
    if any(within):
        comparisons.append(("within_classes", np.where(np.array(within)[lives.code], lives.code, -1)))
    rows: list[tuple[object, ...]] = []
    for name, code in comparisons:
        chosen = np.flatnonzero(code >= 0)
        obs, severity, strata = lives.obs.take(chosen), lives.log_severity[chosen], code[chosen]
        value, drawn = _exponent(obs, severity, np.unique(strata, return_inverse=True)[1], draws)
        low, high = _limits(drawn, value, level)
        edge = bool(value in (EXPONENTS[0], EXPONENTS[-1]))
        rows.append((component, name, value, low, high, obs.lives, obs.failures, edge))
    return rows


def _exponent(
    obs: Observations, log_severity: FloatArray, stratum: IntArray, draws: FloatArray
) -> tuple[float, FloatArray]:
    """Return b at the highest likelihood, and under every draw of trucks.

    Under life ∝ severity^(−b) the ages times severity^b are Weibull in every stratum; the density of an exact failure
    then carries a factor severity^b besides.
    """
    strata = int(stratum.max()) + 1
    centered = log_severity - log_severity.mean()
    exact = np.bincount(obs.truck, obs.count * (obs.failed & ~obs.between) * centered, draws.shape[1])
    carried = np.einsum("rt,t->r", draws, exact)
    plain, drawn = [], []
    for b in EXPONENTS:
        factor = np.exp(b * centered)
        scaled = replace(
            obs, entry=obs.entry * factor, exit=obs.exit * factor, lower=obs.lower * factor, upper=obs.upper * factor
        )
        fits = fit_weibulls(scaled, stratum, strata=strata)
        again = resample_weibulls(scaled, stratum, strata=strata, truck_weights=draws)
        plain.append(np.nansum(fits.log_likelihood, keepdims=True) + b * exact.sum())
        drawn.append(np.nansum(again.log_likelihood, axis=1) + b * carried)
    return float(_peak(np.array(plain))[0]), _peak(np.array(drawn))


def _peak(values: FloatArray) -> FloatArray:
    """Return where each column of values over EXPONENTS is highest, between the points by a parabola."""
    top = np.argmax(values, axis=0)
    inner = np.clip(top, 1, len(EXPONENTS) - 2)
    columns = np.arange(values.shape[1])
    before, here, after = (values[inner + step, columns] for step in (-1, 0, 1))
    bend = before - 2 * here + after
    step = EXPONENTS[1] - EXPONENTS[0]
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1.0), 0.0)
    found = EXPONENTS[inner] + step * np.clip(shift, -1.0, 1.0)
    return np.asarray(np.where(top == inner, found, EXPONENTS[top]), dtype=np.float64)


def _own_cautions(explained: pd.DataFrame, index: pd.DataFrame) -> tuple[Caution, ...]:
    cautions = []
    if explained["from_load"].isna().any():
        text = "Without axle ratio and tyre turns of the trucks, turns per mile are not known for every class."
        cautions.append(Caution("no-turns-per-mile", text))
    if explained["share_explained"].isna().any():
        text = "Where the classes' lives cannot be told apart there is no difference to explain, and no share is given."
        cautions.append(Caution("no-difference", text))
    if len(index) < 2:
        text = (
            "Within each class all trucks have nearly the same severity, so class and load cannot be told apart: "
            "whatever else differs between the classes is counted with load. Spectra by unit_id would part them."
        )
        cautions.append(Caution("class-is-load", text))
    if index["at_edge"].any():
        text = f"An exponent lies at the edge of what is searched ({EXPONENTS[0]:g} to {EXPONENTS[-1]:g})."
        cautions.append(Caution("exponent-at-edge", text))
    return tuple(cautions)
