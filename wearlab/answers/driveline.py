"""How much of the difference between classes is load: severity of a duty spectrum against what the history shows."""

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from wearlab.answers.driveline_scales import (
    EXPONENTS,
    INDEX,
    SCALES,
    LoadLives,
    compare_scales,
    find_exponents,
    limits_of,
)
from wearlab.curves.batch import WeibullFits, fit_weibulls
from wearlab.curves.observations import observations
from wearlab.curves.resample import draw_trucks, resample_weibulls
from wearlab.driveline import (
    DrivelineCheck,
    LayoutCheck,
    Line,
    Reference,
    Severity,
    check_driveline,
    check_layouts,
    compare_severity,
    edit_references,
    read_angles,
    read_spectra,
    worst_line,
)
from wearlab.driveline.loads import ANGLE_FLOOR_DEG
from wearlab.evidence import Basis, Caution, DataError, SourceFile, Unanswered, add_cautions
from wearlab.history.lives import History

REPLICATES = 500
USUAL_RPM = 1800.0
SPEED_ASSUMED = Caution(
    "speed-assumed",
    f"No shaft speed is known for some trucks: {USUAL_RPM:,.0f} turns a minute is taken. Give --speed, or speed_rpm in "
    "angles.csv or under [driveline] of fleet.toml.",
)
FEWEST_FAILURES = 10  # per class

EXPLAINED = (
    *("component", "duty_cycle", "reference", "failures", "life_ratio", "life_ratio_low", "life_ratio_high"),
    *("from_turns", "from_torque", "from_angle", "from_load", "cycle_life_ratio"),
    *("remainder", "remainder_low", "remainder_high"),
    *("share_explained", "share_explained_low", "share_explained_high"),
)


@dataclass(frozen=True, slots=True)
class LoadIndex:
    """How far load alone accounts for the lives of the classes.

    ``explained``, one row per class against the reference: life_ratio (B10 of the history), what turns per mile,
    torque and angle would each make of it, their product from_load, the ratio per joint cycle (life_ratio without
    turns), remainder (life_ratio / from_load: what is left for grease, dirt, care and parts) and share_explained
    (log from_load / log life_ratio; above 1: load alone would part the classes further than they are).
    ``scales``: the same difference with every truck's own turns and severity, on each life scale in turn (as read, in
    joint cycles, in cycles weighted by severity) and with severity as a covariate of the curves, its exponent found
    within classes; share_explained is the part of the log life ratio as read that is then gone.
    ``index``: the exponent b in life ∝ severity^(−b) across all trucks and within classes: 1 is the load-life rule, 0
    says that severity makes no difference. Intervals by trucks drawn again.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    component: str
    severity: Severity
    explained: pd.DataFrame
    scales: pd.DataFrame
    index: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by name."""
        return {"explained": self.explained, "scales": self.scales, "index": self.index}


@dataclass(frozen=True, slots=True)
class DrivelineAnswer:
    """The physics of a fleet's drivelines: each part None where nothing was given for it.

    ``line``: one line of joints as typed; ``layouts``: the units of angles.csv; ``worst``: that of its lines which is
    out of most limits, looked at by itself; ``severity``: the groups of spectra.csv against each other; ``load``: the
    same against the history (Unanswered where the history cannot tell).
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    line: DrivelineCheck | None
    layouts: LayoutCheck | None
    worst: DrivelineCheck | None
    severity: Severity | None
    load: LoadIndex | Unanswered | None

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables of every part by name; those of ``worst`` are for its picture."""
        load = None if isinstance(self.load, Unanswered) else self.load
        parts = (self.line, load, self.severity, self.layouts)
        return {name: table for part in parts if part is not None for name, table in part.tables().items()}


def answer_driveline(
    history: History,
    folder: Path,
    *,
    line: Line | None,
    speed_rpm: float | None,
    reference: str | None,
    level: float,
    seed: int,
) -> DrivelineAnswer | Unanswered:
    """Return what is known of the drivelines of a fleet: a line as typed, angles.csv and spectra.csv of its folder.

    ``reference`` is the class that the others are held against (default: the first of the spectra); ``speed_rpm`` is
    the highest steady shaft speed for units of angles.csv that do not give their own (default: that of fleet.toml,
    else ``USUAL_RPM``, said so). Limits are those shipped, with the fleet's own of fleet.toml in their places.
    Unanswered without any of them.
    """
    limits = edit_references(
        Reference(own.name, own.value, own.unit, own.source) for own in history.config.driveline.limits
    )
    known = speed_rpm or history.config.driveline.speed_rpm
    speed = known or USUAL_RPM
    found = None if line is None else check_driveline(line, references=limits)
    layouts, worst, severity, load = None, None, None, None
    files = [path for path in (folder / "angles.csv", folder / "spectra.csv") if _has_rows(path)]
    if folder / "angles.csv" in files:
        angles = read_angles(folder / "angles.csv")
        layouts = check_layouts(angles, speed_rpm=speed, references=limits)
        furthest = worst_line(angles, layouts)
        worst = None if furthest is None else check_driveline(furthest[0], references=limits, source=furthest[1])
    if folder / "spectra.csv" in files:
        table = _with_turns(history, read_spectra(folder / "spectra.csv"))
        first = str(table["group"].iloc[0]) if reference is None else reference
        floor = limits["angle_floor"].value
        severity = compare_severity(table, reference=first, floor_deg=floor)
        load = explain_by_load(history, table, reference=first, level=level, seed=seed, floor_deg=floor)
    basis = replace(history.basis, level=level, files=(*history.basis.files, *map(_describe_file, files)))
    parts = tuple(part for part in (found, layouts, severity, load) if part is not None)
    if not parts:
        return Unanswered(
            basis,
            history.cautions,
            "nothing-given",
            "there is neither spectra.csv nor angles.csv in the folder, and no line of joints was given",
            "add one of them (columns: see the README), or give --angles",
        )
    own: tuple[Caution, ...] = ()
    if isinstance(load, Unanswered):
        own = (Caution("load-unanswered", f"Load against the records: {load.text}; {load.fix}."),)
    if layouts is not None and known is None and layouts.speeds_given < len(layouts.lines):
        own += (SPEED_ASSUMED,)
    cautions = add_cautions(own, *(part.cautions for part in parts))
    return DrivelineAnswer(basis, cautions, found, layouts, worst, severity, load)


def _has_rows(path: Path) -> bool:
    """Return whether a table is there and holds more than its head: an optional table without rows says nothing."""
    return path.is_file() and len(path.read_bytes().splitlines()) != 1


def _describe_file(path: Path) -> SourceFile:
    content = path.read_bytes()
    rows = max(len(content.splitlines()) - 1, 0)
    return SourceFile(path.name, hashlib.sha256(content).hexdigest(), path.stem, rows, rows, 0, 0)


def explain_by_load(
    history: History,
    spectra: pd.DataFrame,
    *,
    reference: str,
    component: str = "joint",
    level: float,
    seed: int,
    floor_deg: float = ANGLE_FLOOR_DEG,
) -> LoadIndex | Unanswered:
    """Return how much of the classes' difference in life load accounts for, or Unanswered without two such classes.

    ``spectra`` as driveline.read_spectra returns it, by duty cycle, or by unit for some trucks and by duty cycle for
    the rest. Refuses (DataError) a scale other than miles and joint_cycles, where the index has no meaning.
    """
    if history.scale not in ("miles", "joint_cycles"):
        raise DataError("scale", f"the load index has no meaning on {history.scale}", "use --scale miles")
    severity = compare_severity(_with_turns(history, spectra), reference=reference, floor_deg=floor_deg)
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
    exponents, within = find_exponents(lives, draws, level=level)
    index = pd.DataFrame(exponents, columns=list(INDEX[1:])).assign(component=component)[list(INDEX)]
    scales = compare_scales(lives, draws, within, fitted, scale=history.scale, level=level)
    explained = pd.DataFrame(rows).reindex(columns=list(EXPLAINED))
    cautions = add_cautions(_own_cautions(explained, index), severity.cautions, history.cautions)
    tabled = pd.DataFrame(scales, columns=list(SCALES[1:])).assign(component=component)[list(SCALES)]
    return LoadIndex(basis, cautions, component, severity, explained, tabled, index)


def _with_turns(history: History, spectra: pd.DataFrame) -> pd.DataFrame:
    """Return the spectra with the fleet's own turns per mile (the unit's, or its class's mean) where not given."""
    units = history.units.assign(turns=history.units["axle_ratio"] * history.units["tire_turns_per_mile"])
    known = pd.concat([units.groupby("duty_cycle")["turns"].mean(), units.set_index("unit_id")["turns"]])
    fleet = known[~known.index.duplicated()].reindex(spectra["group"]).to_numpy(dtype=float)
    given = {"axle_ratio", "tire_turns_per_mile"} <= set(spectra.columns)
    own = (spectra["axle_ratio"] * spectra["tire_turns_per_mile"]).to_numpy(dtype=float) if given else np.nan * fleet
    return spectra.assign(axle_ratio=np.where(np.isfinite(own), own, fleet), tire_turns_per_mile=1.0)


def _choose(history: History, severity: Severity, component: str, reference: str) -> LoadLives:
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
    return LoadLives(observations(table), code, classes, mean, log_turns, per_turn + log_turns)


def _explain(
    lives: LoadLives,
    severity: Severity,
    number: int,
    fits: tuple[WeibullFits, WeibullFits],
    *,
    scale: str,
    level: float,
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
    low, high = limits_of(ratios, ratio, level)
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
