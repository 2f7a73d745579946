"""Whether a combination of factors explains more than the named level: the trees' second look, in words."""

import numpy as np
import pandas as pd

from wearlab.answers.cluster_beyond import Named
from wearlab.answers.cluster_exposure import Studied
from wearlab.curves.expected import add_up
from wearlab.curves.patterns import Patterns, compare_patterns

COLUMNS = ["model", "gain", "difference", "low", "high", "beats_single", "reading"]
IMPORTANCE = ["factor", "importance", "low", "high"]


def look_for_combination(one: Studied | None, named: Named | None, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the one level and the trees side by side (log likelihood gained out of fold), and what the trees lean on.

    ``importance`` has rows only where the trees beat the one level; ``low`` and ``high`` are least and greatest over
    the folds. Both are empty where no level is named or there is too little to fold.
    """
    empty = pd.DataFrame(columns=COLUMNS), pd.DataFrame(columns=IMPORTANCE)
    if one is None or named is None:
        return empty
    spans, lives = one.part.spans, len(one.part.lives)
    codes = np.column_stack([factor.code for factor in one.factors])
    observed = add_up(spans.life, np.where(spans.failed, spans.weight, 0.0), lives)
    truck = np.zeros(lives, dtype=np.int64)
    truck[spans.life] = spans.unit
    found = compare_patterns(codes, observed, add_up(spans.life, one.hazard, lives), truck, named.mine, seed=seed)
    if found is None:
        return empty
    return _models(one, named, found), _importance(one, found)


def _models(one: Studied, named: Named, found: Patterns) -> pd.DataFrame:
    level = f"{named.factor} {named.level}"
    if found.beats:
        reading = f"A combination explains more than {level}: {_rule(one, found)}."
    else:
        reading = f"No combination explains more than {level} alone."
    rows = [
        ("one level", found.single_gain, np.nan, np.nan, np.nan, False, level),
        ("trees over all factors", found.trees_gain, found.difference, found.low, found.high, found.beats, reading),
    ]
    return pd.DataFrame(rows, columns=COLUMNS)


def _rule(one: Studied, found: Patterns) -> str:
    if not found.rule:
        return "but not in a way that a short rule can say"
    parts = [
        f"{one.factors[factor].name} {'' if has else 'not '}{one.factors[factor].levels[level]}"
        for factor, level, has in found.rule
    ]
    return f"{' and '.join(parts)} ({found.rule_observed:g} failures, {found.rule_expected:.1f} expected)"


def _importance(one: Studied, found: Patterns) -> pd.DataFrame:
    if not found.beats:
        return pd.DataFrame(columns=IMPORTANCE)
    table = pd.DataFrame(
        {
            "factor": [factor.name for factor in one.factors],
            "importance": found.importance.mean(axis=1),
            "low": found.importance.min(axis=1),
            "high": found.importance.max(axis=1),
        }
    )
    table = table.assign(minus=-table["importance"]).sort_values(["minus", "factor"], kind="stable", ignore_index=True)
    return table[IMPORTANCE]
