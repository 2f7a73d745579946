"""Variance components of regrease gaps, against the balanced analysis of variance and planted values."""

import numpy as np
import pandas as pd
import pytest

from tests.plain_spread import summarise
from wearlab.history.spread import GapSpread, average_by_class, split_spread

PLANTED = {"gap": 0.04, "local": 0.02, "truck": 0.06}


def simulate(*, groups: int, trucks: int, blocks: int, seed: int) -> pd.DataFrame:
    """Return counted gaps in blocks of five: each a mean times 1 + truck + block + gap, all normal."""
    random = np.random.default_rng(seed)
    rows = []
    for group in range(groups):
        for truck in range(trucks):
            own = random.normal(0, PLANTED["truck"] ** 0.5)
            for era in range(blocks):
                here = own + random.normal(0, PLANTED["local"] ** 0.5)
                rows += [
                    {
                        "unit_no": group * trucks + truck,
                        "shop": f"shop {group}",
                        "duty_cycle": "line_haul",
                        "era_no": era,
                        "miles": 10_000 * (1 + here + random.normal(0, PLANTED["gap"] ** 0.5)),
                    }
                    for _ in range(5)
                ]
    return pd.DataFrame(rows)


def test_balanced_gaps_give_the_components_of_the_nested_analysis_of_variance() -> None:
    """Mean squares of a balanced nested design: E MS = n..., solved by hand (Searle, Casella and McCulloch 1992)."""
    gaps = simulate(groups=2, trucks=3, blocks=4, seed=1)
    share = (gaps["miles"] / gaps["miles"].mean()).to_numpy().reshape(2, 3, 4, 5)
    block, truck, group = share.mean(axis=3), share.mean(axis=(2, 3)), share.mean(axis=(1, 2, 3))
    ms_gap = ((share - block[..., None]) ** 2).sum() / (2 * 3 * 4 * 4)
    ms_block = 5 * ((block - truck[..., None]) ** 2).sum() / (2 * 3 * 3)
    ms_truck = 20 * ((truck - group[..., None]) ** 2).sum() / (2 * 2)
    found = split_spread(summarise(gaps))
    assert found.gap == pytest.approx(ms_gap, rel=1e-9)
    assert found.local == pytest.approx((ms_block - ms_gap) / 5, rel=1e-9)
    assert found.truck == pytest.approx((ms_truck - ms_block) / 20, rel=1e-9)


def test_planted_components_are_recovered() -> None:
    """Over 40 fleets the mean of each component lies within three standard errors of the planted one."""
    found = np.array(
        [
            (spread.gap, spread.local, spread.truck)
            for spread in (
                split_spread(summarise(simulate(groups=3, trucks=12, blocks=3, seed=seed))) for seed in range(40)
            )
        ]
    )
    # Shares are of the observed class mean, which moves the components by at most its own relative variance.
    error = found.std(axis=0, ddof=1) / np.sqrt(len(found)) * 3 + 0.002
    assert (abs(found.mean(axis=0) - [PLANTED["gap"], PLANTED["local"], PLANTED["truck"]]) < error).all()


def test_gaps_that_cannot_show_their_spread_are_not_shrunken() -> None:
    one = pd.DataFrame({"unit_no": [1, 2], "shop": [None, "a"], "duty_cycle": "x", "era_no": 1, "miles": [5.0, 9.0]})
    assert split_spread(summarise(one)) == GapSpread(0.0, 0.0, 0.0)
    assert split_spread(summarise(one.head(0))) == GapSpread(0.0, 0.0, 0.0)


def test_class_means_stand_by_shop_and_over_all_shops() -> None:
    gaps = pd.DataFrame(
        {"unit_no": [1, 1, 2], "shop": ["a", "a", None], "duty_cycle": "x", "era_no": 1, "miles": [2.0, 4.0, 9.0]}
    )
    means = average_by_class(summarise(gaps))
    assert means["mean_miles"].tolist() == [3.0, 5.0]
    assert means["whole_class"].tolist() == [False, True]
