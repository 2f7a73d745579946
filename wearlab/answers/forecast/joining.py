"""New trucks that are to join: where their parts sit, how far they will go, and when they come."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.evidence import Caution

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Joiners:
    """The places of new trucks, one row each, and their trucks' usage a day.

    ``table``: ``unit_id``, ``position``, ``component``, ``duty_cycle``, ``hardware``, ``begin`` (share of the months
    ahead behind it when the truck comes), ``daily``.
    """

    table: pd.DataFrame
    cautions: tuple[Caution, ...]


def plan_joiners(
    here: pd.DataFrame, units: pd.DataFrame, rate: pd.Series, joining: Mapping[str, float], months: int
) -> Joiners:
    """Return the trucks that join: ``joining`` a month by duty cycle, coming evenly over the months ahead.

    A new truck carries new parts in the places of the newest truck of its class in service, is used like the mean of
    its class, and knows no truck's own factor. ``here``: the places in service; ``rate``: usage a day by truck.
    """
    cautions: tuple[Caution, ...] = ()
    frames: list[pd.DataFrame] = []
    told: list[str] = []
    for duty, monthly in sorted(joining.items()):
        number = round(monthly * months)
        pattern = _newest(here[here["duty_cycle"] == duty], units)
        if number and pattern.empty:
            text = f"{number} trucks are to join {duty}, but none of that class is in service: they are left out."
            cautions += (Caution("joining-unknown", text),)
        if not number or pattern.empty:
            continue
        own = rate.reindex(units.index[(units["duty_cycle"] == duty).to_numpy()]).dropna()
        frames += [
            pattern.assign(unit_id=f"joining {duty} {i + 1}", begin=(i + 0.5) / number, daily=own.mean())
            for i in range(number)
        ]
        told.append(f"{number} {duty}")
    if told:
        text = (
            f"Counted in: {', '.join(told)} trucks that join over the months ahead, with new parts in the places of "
            "the newest truck of their class, used like the mean of the class."
        )
        cautions += (Caution("joining", text),)
    names = ["unit_id", "position", "component", "duty_cycle", "hardware", "begin", "daily"]
    table = pd.concat(frames, ignore_index=True)[names] if frames else pd.DataFrame(columns=names)
    return Joiners(table, cautions)


def _newest(places: pd.DataFrame, units: pd.DataFrame) -> pd.DataFrame:
    """Return the places of the truck that went into service last."""
    if places.empty:
        return places
    begin = pd.to_datetime(units["in_service_date"]).reindex(sorted(places["unit_id"].unique()))
    newest = begin.sort_values(kind="stable").index[-1]
    own: pd.DataFrame = places[places["unit_id"] == newest]
    return own[["position", "component", "duty_cycle", "hardware"]]
