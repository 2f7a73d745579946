"""Histories made from plain arrays, for the tests of curves and answers."""

from typing import Any

import numpy as np
import pandas as pd

from wearlab.evidence import Basis
from wearlab.history.config import FleetConfig
from wearlab.history.lives import History

NONE = pd.DataFrame()
FACTORS = ("hardware", "lot", "shop", "region")


def make_lives(exit_: Any, failed: Any, **columns: Any) -> pd.DataFrame:
    """Return a lives frame with the columns of DEVELOPERS.md; whatever is not given is missing."""
    size = len(exit_)
    failed = np.asarray(failed, dtype=bool)
    given: dict[str, Any] = {
        "life_id": np.arange(size),
        "unit_id": [f"T{number:05d}" for number in range(size)],
        "position": "main.joint.1",
        "component": None,
        "duty_cycle": None,
        "hardware": None,
        "shaft": None,
        "life_number": 1,
        "entry": 0.0,
        "exit": np.asarray(exit_, dtype=float),
        "failed": failed,
        "lower": np.nan,
        "upper": np.nan,
        "count": 1.0,
        "mode": None,
        "found_at": None,
        "ending": np.where(failed, "failure", "running"),
        "running": ~failed,
    } | columns
    lives = pd.DataFrame(given, index=np.arange(size))
    return lives.assign(fittable=lives["exit"] > lives["entry"])


def make_history(lives: pd.DataFrame, config: FleetConfig | None = None) -> History:
    """Return a History that holds these lives and nothing else."""
    count = lives["count"]
    basis = Basis("made up for a test", (), None, "miles", 0.9, (), int(count.sum()), int(count[lives["failed"]].sum()))
    factors = tuple(name for name in FACTORS if name in lives)
    empty = [NONE] * 8
    return History(basis, (), config or FleetConfig(), None, "miles", factors, lives, *empty, NONE)
