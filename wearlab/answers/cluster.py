"""What a run of failures has in common: every factor known at fitting, the search paid for."""

import difflib
import zlib
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import date

import numpy as np
import pandas as pd

from wearlab.answers.cluster_evidence import Suspect, before_and_after, list_at_risk, make_timeline, settle, tell_clock
from wearlab.answers.cluster_factors import Factor, choose_factors, code_factor
from wearlab.answers.cluster_search import Searched, best, search
from wearlab.curves.expected import ClassCurve, Floats, Ints, add_up, fit_classes, hazards, leave_out, leave_out_level
from wearlab.curves.expected_counts import Spread, estimate_spread, ratio_interval
from wearlab.curves.expected_null import LevelCounts, count_levels
from wearlab.curves.expected_spans import ComponentSpans, read_components, split_by_origin
from wearlab.evidence import SAFETY, Basis, Caution, DataError, Unanswered, add_cautions
from wearlab.history.lives import History

_DRAWS = 2000
_DRAWS_PER_FACTOR = 100
_FOUND, _SUSPECTED = 0.05, 0.20
_ENOUGH = 5.0  # failures below which a cluster is suspected at most


@dataclass(frozen=True, slots=True)
class Verdict:
    """One level of one factor, or nothing: ``found`` is ``found``, ``suspected`` or ``nothing``."""

    found: str
    factor: str | None
    level: str | None
    p_adjusted: float | None
    text: str
    component: str | None
    observed: float | None
    expected: float | None
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    beyond_expected: float | None
    not_failed: int | None


@dataclass(frozen=True, slots=True)
class Cluster:
    """The verdict on a run of failures with its evidence.

    ``levels`` one row per component, factor and level; ``at_risk`` the parts still running with the suspect property;
    ``timeline`` fittings and failures by month; ``which_clock`` the suspect parts against the rest; ``before_after``
    the suspect parts fitted before and from the day of a fix; ``what_would_settle`` the next steps.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    verdict: Verdict
    levels: pd.DataFrame
    at_risk: pd.DataFrame
    timeline: pd.DataFrame
    which_clock: pd.DataFrame
    before_after: pd.DataFrame
    what_would_settle: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by their public names; ``verdict`` has one row."""
        return {
            "verdict": pd.DataFrame([asdict(self.verdict)]),
            "levels": self.levels,
            "at_risk": self.at_risk,
            "timeline": self.timeline,
            "which_clock": self.which_clock,
            "before_after": self.before_after,
            "what_would_settle": self.what_would_settle,
        }


def find_cluster(
    history: History,
    *,
    component: str | None,
    factors: tuple[str, ...],
    level: float,
    seed: int,
    fix_date: date | None = None,
    progress: Callable[[str], None],
) -> Cluster | Unanswered:
    """Return what the failures of one component (None = of any) share among the factors known at fitting.

    Expected failures come from the class curves (component, duty cycle, first part or replacement), the score of a
    level is O ln(O/E) - (O - E), and chance is what failures redrawn from those curves with the spread between trucks
    do, the curves fitted again (``expected_null``). First parts and replacements have curves of their own: a truck that
    wears its parts out gets more replacements, so what is known of replacements alone (shop, crew, tool) would look
    bad. The search over levels, factors and components is paid for on the same draws. Verdict: found
    at p < 0.05 with five failures or more, suspected up to 0.20 or with fewer failures, else nothing.
    Refused: an unknown component or factor. Unanswered with fewer than three failures or no factor with two levels.
    """
    basis = replace(history.basis, level=level)
    names = choose_factors(history, factors)
    parts = tuple(split_by_origin(part, history.units) for part in _chosen(read_components(history), component))
    studied = [_study(part, names) for part in parts]
    failures = sum(float(one.part.spans.weight[one.part.spans.failed].sum()) for one in studied)
    lives = sum(len(one.part.lives) for one in studied)
    basis = replace(basis, lives=lives, failures=int(failures))
    searches = sum(len(one.factors) for one in studied)
    if failures < 3 or searches == 0:
        return _unanswered(history, basis, failures)
    draws = max(_DRAWS, _DRAWS_PER_FACTOR * searches)
    counts = [_count(one, draws, seed, progress) for one in studied]
    flat = [(one, factor) for one in studied for factor in range(len(one.factors))]
    searched = search([each for group in counts for each in group])
    tables = [_level_rows(one, place, found, level) for (one, place), found in zip(flat, searched, strict=True)]
    named = best(searched, draws)
    levels = _sorted(pd.concat(tables, ignore_index=True))
    verdict, suspect = _judge(flat, tables, named, (searches, len(levels), draws))
    return Cluster(
        basis=basis,
        cautions=add_cautions(history.cautions, _cautions(studied, verdict), (SAFETY,)),
        verdict=verdict,
        levels=levels,
        at_risk=list_at_risk(history, suspect),
        timeline=make_timeline(suspect),
        which_clock=tell_clock(suspect, level),
        before_after=before_and_after(suspect, fix_date, level),
        what_would_settle=settle(verdict.found, suspect),
    )


@dataclass(frozen=True, slots=True)
class _Studied:
    """One component with its curves, the expected failures of each stretch, the spread, and its factors."""

    part: ComponentSpans
    curves: tuple[ClassCurve, ...]
    hazard: Floats
    spread: Spread
    factors: tuple[Factor, ...]


def _chosen(parts: tuple[ComponentSpans, ...], component: str | None) -> tuple[ComponentSpans, ...]:
    if component is None:
        return parts
    names = [part.component for part in parts if part.component is not None]
    if component not in names:
        near = difflib.get_close_matches(component, names, n=1, cutoff=0.0)
        raise DataError(
            code="unknown-component",
            text=f"There are no lives of a component {component!r}; components: {', '.join(names) or 'none named'}.",
            fix=f"Did you mean {near[0]!r}?" if near else "Leave the component out.",
        )
    return tuple(part for part in parts if part.component == component)


def _study(part: ComponentSpans, names: tuple[str, ...]) -> _Studied:
    spans = part.spans
    curves = fit_classes(spans)
    apart = leave_out(spans, curves)
    count = len(part.units)
    known = np.isfinite(apart.hazard)
    expected = add_up(spans.unit, np.where(known, apart.hazard, 0.0), count)
    observed = add_up(spans.unit, np.where(spans.failed & known, spans.weight, 0.0), count)
    coded = [code_factor(name, part.lives) for name in names]
    return _Studied(
        part,
        curves,
        hazards(spans, curves),
        estimate_spread(observed, expected, np.zeros(count)),
        tuple(one for one in coded if one is not None),
    )


def _count(one: _Studied, draws: int, seed: int, progress: Callable[[str], None]) -> tuple[LevelCounts, ...]:
    name = one.part.component or ""
    codes = [factor.code[one.part.spans.life] for factor in one.factors]
    return count_levels(
        one.part.spans,
        one.curves,
        codes,
        one.spread.weights,
        draws=draws,
        seed=(seed, zlib.crc32(name.encode())),
        progress=lambda text: progress(f"{name or 'all lives'}: {text}"),
    )


def _level_rows(one: _Studied, place: int, searched: Searched, level: float) -> pd.DataFrame:
    factor, spans, part = one.factors[place], one.part.spans, one.part
    width = len(factor.levels)
    code = factor.code[spans.life]
    known = code >= 0
    failed = np.where(spans.failed, spans.weight, 0.0)
    observed = add_up(code[known], failed[known], width)
    expected = add_up(code[known], one.hazard[known], width)
    trucks = np.zeros((width, len(part.units)))
    np.add.at(trucks, (code[known], spans.unit[known]), one.hazard[known])
    inflation = 1.0 + one.spread.mean * (trucks**2).sum(axis=1) / np.maximum(expected, 1e-300)
    low, high = ratio_interval(observed, expected, inflation, level)
    rest = _from_rest(one, code, width, failed)
    mine = factor.code >= 0
    lives = np.bincount(factor.code[mine], minlength=width)
    broke = add_up(factor.code[mine], part.lives["failed"].to_numpy(np.float64)[mine], width)
    some = expected > 0
    return pd.DataFrame(
        {
            "component": part.component,
            "factor": factor.name,
            "level": factor.levels,
            "lives": lives,
            "observed": observed,
            "expected": expected,
            "ratio": np.where(some, observed / np.maximum(expected, 1e-300), np.nan),
            "ratio_low": np.where(some, low, np.nan),
            "ratio_high": np.where(some, high, np.nan),
            "p_value": searched.within,
            "p_adjusted": searched.adjusted,
            "p_alone": searched.alone,
            "score": searched.score,
            "beyond_expected": observed - expected,
            "not_failed": lives - broke.astype(np.int64),
            "expected_from_rest": rest,
            "ratio_to_rest": np.where(rest > 0, observed / np.maximum(rest, 1e-300), np.nan),
            "trucks": (trucks > 0).sum(axis=1),
        }
    )


def _from_rest(one: _Studied, code: Ints, width: int, failed: Floats) -> Floats:
    """Return the expected failures of each level from the lives outside it."""
    spans = one.part.spans
    column = np.where(code >= 0, code, width)
    classes = int(spans.stratum.max()) + 1
    observed, hazard = np.zeros((classes, width + 1)), np.zeros((classes, width + 1))
    np.add.at(observed, (spans.stratum, column), failed)
    np.add.at(hazard, (spans.stratum, column), one.hazard)
    observed[:, -1], hazard[:, -1] = observed.sum(axis=1), hazard.sum(axis=1)
    return leave_out_level(observed, hazard)


def _sorted(levels: pd.DataFrame) -> pd.DataFrame:
    keyed = levels.assign(name=levels["component"].fillna("").astype(str), minus=-levels["score"])
    keyed = keyed.sort_values(["p_adjusted", "minus", "name", "factor", "level"], kind="stable")
    return levels.loc[keyed.index].reset_index(drop=True)


def _judge(
    flat: list[tuple[_Studied, int]],
    tables: list[pd.DataFrame],
    named: tuple[int, int] | None,
    looked: tuple[int, int, int],
) -> tuple[Verdict, Suspect | None]:
    if named is None:
        text = "No level of any factor has three failures and more than expected: nothing beyond chance."
        return _nothing(None, text), None
    row = tables[named[0]].iloc[named[1]]
    p_adjusted = float(row["p_adjusted"])
    if p_adjusted >= _SUSPECTED:
        text = (
            f"Nothing beyond chance: something as striking as the first of the {looked[1]} levels turns up in "
            f"{p_adjusted:.0%} of fleets where nothing is wrong."
        )
        return _nothing(p_adjusted, text), None
    one, place = flat[named[0]]
    found = "found" if p_adjusted < _FOUND and row["observed"] >= _ENOUGH else "suspected"
    factor = one.factors[place]
    verdict = Verdict(
        found=found,
        factor=factor.name,
        level=factor.levels[named[1]],
        p_adjusted=p_adjusted,
        text=_text(found, row, looked),
        component=one.part.component,
        observed=float(row["observed"]),
        expected=float(row["expected"]),
        ratio=float(row["ratio"]),
        ratio_low=float(row["ratio_low"]),
        ratio_high=float(row["ratio_high"]),
        beyond_expected=float(row["beyond_expected"]),
        not_failed=int(row["not_failed"]),
    )
    suspect = Suspect(
        part=one.part,
        curves=one.curves,
        hazard=one.hazard,
        factor=factor.name,
        level=factor.levels[named[1]],
        mine=factor.code == named[1],
        observed=float(row["observed"]),
        expected=float(row["expected"]),
    )
    return verdict, suspect


def _nothing(p_adjusted: float | None, text: str) -> Verdict:
    return Verdict("nothing", None, None, p_adjusted, text, None, None, None, None, None, None, None, None)


def _text(found: str, row: pd.Series, looked: tuple[int, int, int]) -> str:
    what = f"{row['component']}s" if row["component"] else "lives"
    lead = "Found" if found == "found" else "Suspected, not settled"
    return (
        f"{lead}: {what} with {row['factor']} {row['level']} failed {row['observed']:g} times where "
        f"{row['expected']:.1f} are expected of their classes at their ages ({row['ratio']:.1f} times, between "
        f"{row['ratio_low']:.1f} and {row['ratio_high']:.1f}). After looking at {looked[0]} factors with {looked[1]} "
        f"levels the chance of as much where nothing is wrong is p = {row['p_adjusted']:.3g} ({looked[2]} redraws). "
        f"{int(row['not_failed'])} of {int(row['lives'])} such lives have not failed."
    )


def _cautions(studied: list[_Studied], verdict: Verdict) -> tuple[Caution, ...]:
    out = [
        Caution(
            "association",
            "A shared property is not yet a cause: look at what else came with it (trucks, routes, season).",
        )
    ]
    if verdict.found == "suspected":
        out.append(
            Caution(
                "suspected", "The evidence is not settled: see what would settle it before acting on the whole lot."
            )
        )
    few = [one.part.component or "these lives" for one in studied if _failures(one) < 20]
    if few:
        out.append(
            Caution(
                "few-failures",
                f"Fewer than 20 failures for {', '.join(few)}: class curves and the spread between trucks are rough.",
            )
        )
    return tuple(out)


def _failures(one: _Studied) -> float:
    return float(one.part.spans.weight[one.part.spans.failed].sum())


def _unanswered(history: History, basis: Basis, failures: float) -> Unanswered:
    few = failures < 3
    return Unanswered(
        basis=basis,
        cautions=add_cautions(history.cautions, (SAFETY,)),
        code="too-few-failures" if few else "no-factor",
        text=(
            f"There are {failures:g} failures: a cluster needs at least three."
            if few
            else "No factor with two or more known levels stands in this data."
        ),
        fix="Load more history." if few else "Record lot, shop, crew or tool of each replacement, or name attributes.",
    )
