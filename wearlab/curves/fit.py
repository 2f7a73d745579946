"""Lives to life curves: one Fit or Unfitted per stratum, and what like strata lend one another."""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from wearlab.curves.batch import solve_rows
from wearlab.curves.checks import Checks, caution_fit, check_fit
from wearlab.curves.consequence import table_consequences
from wearlab.curves.detail_tables import table_checks, table_paper, tables_modes, tables_recurrence
from wearlab.curves.fit_tables import table_curves, table_fits
from wearlab.curves.newton import Rows
from wearlab.curves.observations import Observations, observations
from wearlab.curves.pooling import Pool, pool_strata
from wearlab.curves.strata import Stratum, choose_columns, choose_lives, say_count, split_lives
from wearlab.curves.stratum import Estimate, Fit, Unfitted, fit_stratum
from wearlab.curves.weibull import Weibull
from wearlab.evidence import Basis, Caution, Unanswered, add_cautions
from wearlab.history.lives import History

UNKNOWN_SHARE = 0.02  # of the lives fitted; tests/studies/renewed.md

__all__ = ["Estimate", "Fit", "Fits", "Unfitted", "fit_strata", "fit_stratum"]


@dataclass(frozen=True, slots=True)
class Fits:
    """Every stratum of one question, fitted or not, with its checks, its curve as drawn and its failure modes."""

    basis: Basis
    cautions: tuple[Caution, ...]
    columns: tuple[str, ...]
    items: tuple[Fit | Unfitted, ...]
    checks: tuple[Checks | None, ...]
    inherited: tuple[Caution, ...] = field(repr=False)
    plain: tuple[Fit | Unfitted, ...] = field(repr=False, compare=False)  # each stratum alone: no pool, no checks
    behind: dict[str, pd.DataFrame] = field(repr=False, compare=False)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return ``fits``, a row per stratum with nulls where it has no curve, and what stands behind them.

        ``checks`` (straightness, rivals, second population, successive parts), ``curves`` as drawn, ``paper`` (points
        on Weibull paper), ``modes`` and ``incidence`` of failure modes, ``grease`` (the share of failures that grease
        bears on), ``recurrence`` and ``trend`` of places, ``consequences`` of one part's failure for another.
        """
        checked = tuple(
            (item.stratum, check) for item, check in zip(self.items, self.checks, strict=True) if check is not None
        )
        fits = table_fits(self.columns, self.items, self.inherited)
        return {"fits": fits, "checks": table_checks(self.columns, checked)} | self.behind


def fit_strata(
    history: History, *, by: tuple[str, ...] | None, component: str | None, mode: str | None, level: float, seed: int
) -> Fits | Unanswered:
    """Return the life curve of every stratum, or Unanswered where not one stratum has a curve.

    ``by`` None: component and duty cycle where the lives carry them. ``mode``: that failure mode's own curve, the
    other modes as suspensions. ``level`` is that of every interval. Unknown columns, components and modes are refused
    (DataError). Nothing is drawn at random, so that ``seed`` changes nothing.
    """
    del seed
    chosen = choose_lives(history, component=component, mode=mode)
    columns = choose_columns(history, chosen, by)
    failed = chosen["failed"].to_numpy(dtype=bool)
    basis = replace(history.basis, level=level, lives=_count(chosen), failures=_count(chosen[failed]))
    parts = split_lives(chosen, columns)
    plain = tuple(_fit(observations(rows), basis, stratum, (), None) for stratum, rows in parts)
    said = tuple(replace(item, cautions=add_cautions(history.cautions, item.cautions)) for item in plain)
    items, checks = _check(_borrow(said), [rows for _, rows in parts])
    unknown = _caution_unknown_ages(history, items)
    cautions = add_cautions(history.cautions, *(item.cautions for item in items), unknown)
    if not any(isinstance(item, Fit) for item in items):
        return _no_curve(basis, cautions, items)
    behind = {"curves": table_curves(columns, items), "paper": table_paper(columns, items)}
    if mode is None:
        modes = [(item, rows["mode"].astype(object).to_numpy()) for item, (_, rows) in zip(items, parts, strict=True)]
        behind |= tables_modes(columns, modes, level=level)
        lives = history.lives if component is None else history.lives[history.lives["component"] == component]
        behind |= tables_recurrence(lives, level=level)
        behind["consequences"] = table_consequences(lives, level=level)
    return Fits(basis, cautions, columns, items, checks, history.cautions, plain, behind)


def _caution_unknown_ages(history: History, items: tuple[Fit | Unfitted, ...]) -> tuple[Caution, ...]:
    """Return the caution that parts of unknown age deserve where the spread between trucks is estimated."""
    if "reason" not in history.left_out or not any(isinstance(item, Fit) and item.truck is not None for item in items):
        return ()
    left = history.left_out
    unknown = float(left.loc[left["reason"] == "age_unknown", "lives"].sum())
    if unknown <= UNKNOWN_SHARE * sum(item.lives for item in items):
        return ()
    text = (
        f"{say_count(round(unknown), 'life')} of unknown age are left out. Where trucks differ, 90 % intervals of the "
        "shape then held the truth 83 to 89 % of the time in simulated fleets (those of B10 87 to 91 %)."
    )
    return (Caution("unknown-ages", text),)


def _check(
    items: tuple[Fit | Unfitted, ...], tables: list[pd.DataFrame]
) -> tuple[tuple[Fit | Unfitted, ...], tuple[Checks | None, ...]]:
    """Return the items with the cautions of their checks, and the checks (None where there is no curve)."""
    said: list[Fit | Unfitted] = []
    checks: list[Checks | None] = []
    for item, rows in zip(items, tables, strict=True):
        check = check_fit(item, rows["life_number"].to_numpy(dtype=float) > 1) if isinstance(item, Fit) else None
        checks.append(check)
        said.append(caution_fit(item, check) if isinstance(item, Fit) and check is not None else item)
    return tuple(said), tuple(checks)


def _fit(
    obs: Observations, basis: Basis, stratum: Stratum, inherited: tuple[Caution, ...], class_shape: float | None
) -> Fit | Unfitted:
    return fit_stratum(obs, basis=basis, stratum=stratum, inherited=inherited, class_shape=class_shape)


def _count(lives: pd.DataFrame) -> int:
    return round(float(lives["count"].sum()))


def _no_curve(basis: Basis, cautions: tuple[Caution, ...], items: tuple[Fit | Unfitted, ...]) -> Unanswered:
    said = [caution.text for item in items for caution in item.cautions if caution.code == "no-curve"]
    return Unanswered(
        basis,
        cautions,
        "no-curve",
        "no life curve can be fitted. " + (" ".join(said) if said else "There are no lives."),
        "a curve needs failures at two ages, or one failure with a part still running beyond it",
    )


def _borrow(items: tuple[Fit | Unfitted, ...]) -> tuple[Fit | Unfitted, ...]:
    """Return the items with pooled values, and bounds at the class's shape, within each component."""
    names = [dict(item.stratum).get("component") for item in items]
    out = list(items)
    for name in dict.fromkeys(names):
        place = [number for number, other in enumerate(names) if other == name]
        pool, fitted = _pool([items[number] for number in place])
        if pool is None:
            continue
        for rank, number in enumerate(place[index] for index in fitted):
            item = out[number]
            pooled = Weibull(shape=float(pool.shape[rank]), eta=float(np.exp(pool.log_eta[rank])))
            out[number] = replace(item, pooled=pooled) if isinstance(item, Fit) else item
        for number in place:
            item = out[number]
            if isinstance(item, Unfitted) and item.b10_lower_bound is not None:
                shape = float(np.exp(pool.mean[0]))
                inherited = tuple(caution for caution in item.cautions if caution.code != "no-curve")
                out[number] = _fit(item.observations, item.basis, item.stratum, inherited, shape)
    return tuple(out)


def _pool(items: list[Fit | Unfitted]) -> tuple[Pool | None, list[int]]:
    """Return the pool of the fitted ones, and which they are."""
    fitted = [number for number, item in enumerate(items) if isinstance(item, Fit)]
    if len(fitted) < 2:
        return None, fitted
    parts = [items[number].observations for number in fitted]
    sizes = np.array([len(part) for part in parts])
    rows = Rows(
        (np.cumsum(sizes) - sizes).astype(np.int64),
        np.concatenate([part.entry for part in parts]),
        np.concatenate([part.exit for part in parts]),
        np.concatenate([part.failed for part in parts]),
        np.concatenate([part.lower for part in parts]),
        np.concatenate([part.upper for part in parts]),
        np.concatenate([part.count for part in parts]),
    )
    return pool_strata(rows, solve_rows(rows)), fitted
