"""What the ages at which parts enter the record tell of their trucks: old parts stand on trucks that fail rarely.

A part that enters late has not failed up to its age, which speaks for a small truck factor z; a part that was not on
the truck when it was new tells of a renewal before the record, which speaks for a large one: the renewal density goes
with a power of z (``curves.renewal.renewal_power``). Before the record begins z is then gamma(k + Σ powers, k + H₀), H₀
the hazard of the truck's late-entering parts up to their entry (Jensen, Brookmeyer, Aaby & Andersen, Res. Rep.
Biostatistics, Copenhagen, 2004, for the delayed entry).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.curves.renewal import renewal_power
from wearlab.history.lives import History

FloatArray = npt.NDArray[np.float64]

NEW_DAYS = 7


@dataclass(frozen=True, slots=True)
class Before:
    """Per row: 1 where it is the first of a life that enters late, and how far its truck had run when it was fitted.

    ``run`` is NaN where the part was on the truck when it was new, or does not enter late.
    """

    late: FloatArray
    run: FloatArray

    def powers(self, shape: float, eta: float) -> FloatArray:
        """Return the power of z that each row's renewal before the record tells of; 0 where there was none."""
        told = np.isfinite(self.run)
        powers = np.zeros(len(self.run))
        powers[told] = renewal_power(shape, self.run[told] / eta)
        return powers


def look_before(history: History, rows: pd.DataFrame) -> Before:
    """Return what the rows (lives or stretches, those of one life in order of age) say of what came before."""
    entry = rows["entry"].to_numpy(dtype=float)
    first = ~rows["life_id"].duplicated().to_numpy()
    late = first & (entry > 0)
    if history.as_of is None or history.units.empty or not late.any():
        return Before(np.zeros(len(rows)), np.full(len(rows), np.nan))
    lives = history.lives.drop_duplicates("life_id").set_index("life_id").reindex(rows["life_id"])
    began = pd.to_datetime(lives["unit_id"].map(history.units.set_index("unit_id")["in_service_date"]))
    fitted, ended = pd.to_datetime(lives["start_date"]), pd.to_datetime(lives["end_date"])
    before = (fitted - began).dt.days.to_numpy(dtype=float)
    during = (ended - fitted).dt.days.to_numpy(dtype=float)
    known = late & (before > NEW_DAYS) & (during > 0)
    run = np.where(known, lives["exit"].to_numpy(dtype=float) / np.where(during > 0, during, np.nan) * before, np.nan)
    return Before(late.astype(float), run)
