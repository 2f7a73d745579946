"""Service history to lives and episodes (data.md, rules 1 to 10)."""

from dataclasses import dataclass
from datetime import date

import pandas as pd

from wearlab.evidence import Basis, Caution
from wearlab.history.config import FleetConfig


@dataclass(frozen=True, slots=True)
class History:
    """A fleet's lives as tables, ready for any question; ``episodes`` and the rest are empty for a plain lives file.

    See DEVELOPERS.md, "The tables of a History", for the columns.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    config: FleetConfig
    as_of: date | None
    scale: str
    factors: tuple[str, ...]
    lives: pd.DataFrame
    episodes: pd.DataFrame
    gaps: pd.DataFrame
    stops: pd.DataFrame
    units: pd.DataFrame
    plan: pd.DataFrame
    measurements: pd.DataFrame
    left_out: pd.DataFrame
    groups: pd.DataFrame
    meters: pd.DataFrame
