"""What a run of failures has in common: every factor known at fitting, the search paid for."""

import difflib
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import date

import pandas as pd

from wearlab.answers.cluster_audit import audit_fittings
from wearlab.answers.cluster_beyond import look_beyond
from wearlab.answers.cluster_combination import look_for_combination
from wearlab.answers.cluster_consequences import follow_boots
from wearlab.answers.cluster_evidence import Suspect, before_and_after, list_at_risk, make_timeline, settle, tell_clock
from wearlab.answers.cluster_exposure import Counted, Studied, count_factors, study_component, tabulate_levels
from wearlab.answers.cluster_factors import choose_factors
from wearlab.answers.cluster_search import Searched, search
from wearlab.answers.cluster_verdict import (
    SUSPECTED,
    Candidate,
    Looked,
    Verdict,
    best_level,
    best_window,
    choose,
    judge,
)
from wearlab.curves.expected_spans import ComponentSpans, read_components, split_by_origin
from wearlab.evidence import SAFETY, Basis, Caution, DataError, Unanswered, add_cautions
from wearlab.history.lives import History

_BOOTED = ("boot", "slip_spline")  # the parts whose failures have to be read together
_DRAWS = 2000
_DRAWS_PER_FACTOR = 100
_MOST_REDRAWN = 1e9  # failures drawn in all: some minutes


@dataclass(frozen=True, slots=True)
class Cluster:
    """The verdict on a run of failures with its evidence.

    ``levels`` one row per component, factor and level; ``at_risk`` the parts still running with the suspect property;
    ``timeline`` fittings and failures by month; ``beyond`` what stands out once the named level is accounted for: a
    pair or window inside it (``within``), or another level (``also``); ``which_clock`` the suspect parts against the
    rest; ``before_after`` the suspect parts fitted before and from the day of a fix; ``consequences`` spline failures
    after boot failures; ``combination`` and ``importance`` the trees' second look; ``install_audit`` and
    ``install_effect`` what was recorded at fitting; ``what_would_settle`` the next steps.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    verdict: Verdict
    levels: pd.DataFrame
    at_risk: pd.DataFrame
    timeline: pd.DataFrame
    beyond: pd.DataFrame
    which_clock: pd.DataFrame
    before_after: pd.DataFrame
    consequences: pd.DataFrame
    combination: pd.DataFrame
    importance: pd.DataFrame
    install_audit: pd.DataFrame
    install_effect: pd.DataFrame
    what_would_settle: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by their public names; ``verdict`` has one row."""
        return {
            "verdict": pd.DataFrame([asdict(self.verdict)]),
            "levels": self.levels,
            "at_risk": self.at_risk,
            "timeline": self.timeline,
            "beyond": self.beyond,
            "which_clock": self.which_clock,
            "before_after": self.before_after,
            "consequences": self.consequences,
            "combination": self.combination,
            "importance": self.importance,
            "install_audit": self.install_audit,
            "install_effect": self.install_effect,
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
    at p < 0.05 with five failures or more and not by one truck alone, suspected up to 0.20 or without these, else
    nothing.
    Refused: an unknown component or factor. Unanswered with fewer than three failures, no factor with two levels, or
    more failures than can be redrawn (counts by the million in a lives file).
    """
    basis = replace(history.basis, level=level)
    names = choose_factors(history, factors)
    every = read_components(history)
    parts = tuple(split_by_origin(part, history.units) for part in _chosen(every, history, component))
    studied = [study_component(part, names) for part in parts]
    failures = sum(float(one.part.spans.weight[one.part.spans.failed].sum()) for one in studied)
    lives = sum(len(one.part.lives) for one in studied)
    stratum = (("component", component),) if component is not None else ()
    basis = replace(basis, stratum=stratum, lives=lives, failures=int(failures))
    searches = sum(len(one.factors) for one in studied)
    draws = max(_DRAWS, _DRAWS_PER_FACTOR * searches)
    if failures < 3 or searches == 0 or failures * draws > _MOST_REDRAWN:
        return _unanswered(history, basis, failures, searches)
    counted = [count_factors(one, one.factors, draws, (seed,), progress) for one in studied]
    looked, windows = _search(studied, counted, level)
    window = best_window(windows, draws, level)
    chosen = choose(best_level(looked, draws), window[0] if window else None, seed, progress)
    levels = _sorted(pd.concat([each.table for each in looked] + ([window[1]] if window else []), ignore_index=True))
    suspected = chosen is not None and chosen.p_adjusted < SUSPECTED
    beyond = look_beyond(chosen.one if chosen else None, chosen.named if chosen and suspected else None, seed, progress)
    verdict = judge(chosen, (searches, len(levels), draws), beyond)
    suspect = _suspect(chosen) if chosen and suspected else None
    combination, importance = look_for_combination(
        chosen.one if chosen else None, chosen.named if chosen and suspected else None, seed
    )
    boots = suspect.mine if suspect is not None and suspect.part.component == "boot" else None
    audit, effect = audit_fittings(history, studied, level)
    return Cluster(
        basis=basis,
        cautions=add_cautions(history.cautions, _cautions(studied, verdict), (SAFETY,)),
        verdict=verdict,
        levels=levels,
        at_risk=list_at_risk(history, suspect),
        timeline=make_timeline(suspect),
        beyond=beyond,
        which_clock=tell_clock(suspect, level),
        before_after=before_and_after(suspect, fix_date, level),
        consequences=follow_boots(every if component in (None, *_BOOTED) else (), boots, level),
        combination=combination,
        importance=importance,
        install_audit=audit,
        install_effect=effect,
        what_would_settle=settle(verdict.found, suspect),
    )


def _chosen(parts: tuple[ComponentSpans, ...], history: History, component: str | None) -> tuple[ComponentSpans, ...]:
    """Return the parts asked for: none where no life of them has been watched for any length."""
    if component is None:
        return parts
    names = sorted(str(name) for name in history.lives["component"].dropna().unique())
    if component not in names:
        near = difflib.get_close_matches(component, names, n=1, cutoff=0.0)
        raise DataError(
            code="unknown-component",
            text=f"There are no lives of a component {component!r}; components: {', '.join(names) or 'none named'}.",
            fix=f"Did you mean {near[0]!r}?" if near else "Leave the component out.",
        )
    return tuple(part for part in parts if part.component == component)


def _search(
    studied: list[Studied], counted: list[Counted], level: float
) -> tuple[list[Looked], list[tuple[Studied, Counted, Searched]]]:
    """Return every factor and every set of windows with their p-values, all searched together."""
    found = iter(search([family for each in counted for family in each.families()]))
    looked, windows = [], []
    for one, each in zip(studied, counted, strict=True):
        for factor in one.factors:
            searched = next(found)
            looked.append(Looked(one, factor, searched, tabulate_levels(one, factor, searched, level)))
        if each.windows is not None:
            windows.append((one, each, next(found)))
    return looked, windows


def _suspect(chosen: Candidate) -> Suspect:
    one, named = chosen.one, chosen.named
    return Suspect(
        part=one.part,
        curves=one.curves,
        hazard=one.hazard,
        factor=named.factor,
        level=named.level,
        mine=named.mine,
        observed=float(chosen.row["observed"]),
        expected=float(chosen.row["expected"]),
    )


def _sorted(levels: pd.DataFrame) -> pd.DataFrame:
    keyed = levels.assign(name=levels["component"].fillna("").astype(str), minus=-levels["score"])
    keyed = keyed.sort_values(["p_adjusted", "minus", "name", "factor", "level"], kind="stable")
    return levels.loc[keyed.index].reset_index(drop=True)


def _cautions(studied: list[Studied], verdict: Verdict) -> tuple[Caution, ...]:
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


def _failures(one: Studied) -> float:
    return float(one.part.spans.weight[one.part.spans.failed].sum())


def _unanswered(history: History, basis: Basis, failures: float, searches: int) -> Unanswered:
    code, text, fix = _say_why(failures, searches)
    cautions = add_cautions(history.cautions, (SAFETY,))
    return Unanswered(basis=basis, cautions=cautions, code=code, text=text, fix=fix)


def _say_why(failures: float, searches: int) -> tuple[str, str, str]:
    """Return code, reason and fix where the search cannot be made."""
    if failures < 3:
        few = f"Failures among these lives: {failures:g}. A cluster needs at least three."
        return "too-few-failures", few, "Load more history."
    if searches == 0:
        none = "No factor with two or more known levels stands in this data."
        return "no-factor", none, "Record lot, shop, crew or tool of each replacement, or name attributes."
    many = f"{failures:,.0f} failures are more than can be redrawn in minutes, which the search for clusters rests on."
    return "too-many-failures", many, "Ask about one component, or with a later records_from, or of fewer trucks."
