"""A second look with trees, and groups told by their usage alone. The only door to scikit-learn.

Each life is a Poisson count (failed or not) with its expected failures as exposure. Gradient boosting (Friedman 2001,
Ann. Statist. 29:1189-1232) learns the ratio of observed to expected from the factors, out of fold by truck, and is held
against the model of one level with a ratio of its own, fitted on the same folds.
"""

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.exceptions import ConvergenceWarning
from sklearn.mixture import GaussianMixture
from sklearn.tree import DecisionTreeRegressor
from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_FOLDS = 5
_MOST_LEVELS = 200  # levels of one factor that the trees tell apart; the rarest of more are taken together
_FEWEST_LIVES = 20  # in a leaf of the tree that is said in words
_NORMAL_95 = 1.6448536269514722


@dataclass(frozen=True, slots=True)
class Patterns:
    """What the trees add: log likelihood gained out of fold over the class's expected failures.

    ``single_gain`` of the one level, ``trees_gain`` of the trees; ``difference`` trees less single with a 90 % interval
    over trucks; ``beats`` when all of it is above 0. ``importance`` is the gain lost when one factor is shuffled, by
    factor and fold (factors x folds). ``rule`` is the worst leaf of a tree of depth two as (factor, level, has it)
    conditions, with its observed and expected failures.
    """

    single_gain: float
    trees_gain: float
    difference: float
    low: float
    high: float
    importance: Floats
    rule: tuple[tuple[int, int, bool], ...]
    rule_observed: float
    rule_expected: float

    @property
    def beats(self) -> bool:
        """Whether the trees explain more than the one level, beyond what chance does between trucks."""
        return self.low > 0


def compare_patterns(
    codes: Ints, observed: Floats, expected: Floats, truck: Ints, single: Bools, *, seed: int
) -> Patterns | None:
    """Return how well trees over all factors do against one level, out of fold by truck; None with too little to fold.

    ``codes`` is lives x factors with -1 for a level that is not known, ``single`` marks the lives of the one level.
    Runs on one thread, so that the same input gives the same output on any machine.
    """
    some = expected > 0
    codes, observed, expected, truck, single = codes[some], observed[some], expected[some], truck[some], single[some]
    trucks = np.unique(truck)
    if len(trucks) < 2 * _FOLDS or observed.sum() < 2 * _FOLDS or not single.any():
        return None
    rng = np.random.default_rng(seed)
    fold_of = np.zeros(int(truck.max()) + 1, dtype=np.int64)
    fold_of[rng.permutation(trucks)] = np.arange(len(trucks)) % _FOLDS
    fold = fold_of[truck]
    coded = _rarest_together(codes)
    with threadpool_limits(limits=1):
        trees, importance = _out_of_fold(coded, observed, expected, fold, seed)
        rule, leaf = _say_rule(codes, observed, expected)
    one = np.ones(len(observed))
    for k in range(_FOLDS):
        train = fold != k
        for mark in (single, ~single):
            mine = train & mark
            one[(fold == k) & mark] = (observed[mine].sum() + 1.0) / (expected[mine].sum() + 1.0)
    of_trees, of_single = _gain(observed, expected, trees), _gain(observed, expected, one)
    by_truck = np.bincount(truck, of_trees - of_single)
    difference = float(by_truck.sum())
    reach = _NORMAL_95 * float(np.sqrt(((by_truck - by_truck.mean()) ** 2).sum()))
    return Patterns(
        single_gain=float(of_single.sum()),
        trees_gain=float(of_trees.sum()),
        difference=difference,
        low=difference - reach,
        high=difference + reach,
        importance=importance,
        rule=rule,
        rule_observed=float(observed[leaf].sum()),
        rule_expected=float(expected[leaf].sum()),
    )


def _gain(observed: Floats, expected: Floats, ratio: Floats) -> Floats:
    """Return the Poisson log likelihood of each life at its ratio less that at 1."""
    out: Floats = observed * np.log(ratio) - expected * (ratio - 1.0)
    return out


def _rarest_together(codes: Ints) -> Floats:
    """Return the codes as categories from 0, the rarest of too many levels as one; NaN where not known."""
    out = np.full(codes.shape, np.nan)
    for factor in range(codes.shape[1]):
        column = codes[:, factor]
        known = column >= 0
        levels, inverse, counts = np.unique(column[known], return_inverse=True, return_counts=True)
        rank = np.empty(len(levels), dtype=np.int64)
        rank[np.argsort(-counts, kind="stable")] = np.arange(len(levels))
        out[known, factor] = np.minimum(rank, _MOST_LEVELS)[inverse]
    return out


def _out_of_fold(coded: Floats, observed: Floats, expected: Floats, fold: Ints, seed: int) -> tuple[Floats, Floats]:
    """Return the ratio of each life from trees that never saw its truck, and each factor's importance by fold."""
    ratio = np.ones(len(observed))
    importance = np.zeros((coded.shape[1], _FOLDS))
    rng = np.random.default_rng(seed + 1)
    for k in range(_FOLDS):
        test, train = fold == k, fold != k
        model = HistGradientBoostingRegressor(
            loss="poisson",
            learning_rate=0.05,
            max_iter=40,
            max_leaf_nodes=4,
            min_samples_leaf=_FEWEST_LIVES,
            l2_regularization=10.0,
            categorical_features=list(range(coded.shape[1])),
            early_stopping=False,
            random_state=seed,
        )
        model.fit(coded[train], observed[train] / expected[train], sample_weight=expected[train])
        ratio[test] = model.predict(coded[test])
        whole = _gain(observed[test], expected[test], ratio[test]).sum()
        for factor in range(coded.shape[1]):
            shuffled = coded[test].copy()
            shuffled[:, factor] = rng.permutation(shuffled[:, factor])
            importance[factor, k] = whole - _gain(observed[test], expected[test], model.predict(shuffled)).sum()
    return ratio, importance


def _say_rule(codes: Ints, observed: Floats, expected: Floats) -> tuple[tuple[tuple[int, int, bool], ...], Bools]:
    """Return the conditions of the worst leaf of a tree of depth two over single levels, and the lives in it."""
    columns = [
        (factor, int(level))
        for factor in range(codes.shape[1])
        for level, count in zip(*np.unique(codes[:, factor], return_counts=True), strict=True)
        if level >= 0 and count >= _FEWEST_LIVES
    ]
    everyone = np.ones(len(observed), dtype=np.bool_)
    if not columns:
        return (), everyone
    marks = np.column_stack([codes[:, factor] == level for factor, level in columns]).astype(np.float64)
    tree = DecisionTreeRegressor(criterion="poisson", max_depth=2, min_samples_leaf=_FEWEST_LIVES, random_state=0)
    tree.fit(marks, observed / expected, sample_weight=expected)
    leaves = tree.apply(marks)
    worst = max(np.unique(leaves), key=lambda leaf: observed[leaves == leaf].sum() / expected[leaves == leaf].sum())
    mine: Bools = np.asarray(leaves == worst, dtype=np.bool_)
    example = np.flatnonzero(mine)[0]
    path = np.flatnonzero(tree.decision_path(marks[[example]]).toarray()[0])
    rule = tuple(
        (*columns[tree.tree_.feature[node]], bool(marks[example, tree.tree_.feature[node]] > 0.5))
        for node in path
        if tree.tree_.feature[node] >= 0
    )
    return rule, mine


def match_groups(usage: Floats, group: Ints, *, seed: int) -> Floats:
    """Return for each row how likely each group is by its usage alone (rows x groups; each row sums to 1).

    A mixture of Gaussians (McLachlan and Peel 2000, Finite Mixture Models), one for each group, started at the medians
    of the groups and then fitted without looking at them; what a component stands for is the group that most of its
    weight belongs to. ``usage`` is rows x measures without gaps, ``group`` runs from 0. Runs on one thread.
    """
    count = int(group.max()) + 1
    middle, spread = np.median(usage, axis=0), usage.std(axis=0)
    scaled = (usage - middle) / np.where(spread > 0, spread, 1.0)
    centres = np.array([np.median(scaled[group == k], axis=0) for k in range(count)])
    within = max(float(np.mean([scaled[group == k].var(axis=0) for k in range(count)])), 0.01)
    mixture = GaussianMixture(
        count,
        covariance_type="diag",
        reg_covar=0.01,
        means_init=centres,
        weights_init=np.bincount(group) / len(group),
        precisions_init=np.full(centres.shape, 1 / within),
        random_state=seed,
        max_iter=200,
    )
    with threadpool_limits(1), warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # the last step is as good as any other for a look
        share: Floats = mixture.fit(scaled).predict_proba(scaled)
    weight = np.array([share[group == k].sum(axis=0) / max((group == k).sum(), 1) for k in range(count)])
    likely: Floats = np.zeros_like(share)
    for component, stands_for in enumerate(np.argmax(weight, axis=0).tolist()):
        likely[:, stands_for] += share[:, component]
    return likely
