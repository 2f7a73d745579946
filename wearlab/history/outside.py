"""A history for readers outside the fleet: without the columns that say who did the work."""

import re
from dataclasses import replace

import pandas as pd

from wearlab.evidence import Caution, add_cautions
from wearlab.history.config import FleetConfig
from wearlab.history.lives import History

_PERSONAL = re.compile(r"(crew|driver|technician|mechanic|operator|employee|tech)s?([ _.-]?(id|no|name|number|code))?")


def is_personal(name: str, config: FleetConfig) -> bool:
    """Return whether a column says who did the work, by its usual name or because fleet.toml says so."""
    listed = {*config.privacy.pseudonyms, *config.privacy.leave_out}
    bare = name.removeprefix("fitted_").removeprefix("unit_").removeprefix("position_")
    return bool({name, bare} & listed) or _PERSONAL.fullmatch(bare.lower()) is not None


def leave_out_personal(history: History) -> History:
    """Return a history without the columns that say who did the work, for readers outside the fleet."""
    names = tuple(name for name in history.factors if is_personal(name, history.config))
    units = [name for name in history.units if is_personal(str(name), history.config)]
    stops = history.stops.copy()
    stops["crew"] = pd.Series([None] * len(stops), index=stops.index, dtype=object)
    said = ", ".join(sorted({*names, *map(str, units), "crew"}))
    caution = Caution("left-out-for-privacy", f"Left out for readers outside the fleet: {said}.")
    return replace(
        history,
        factors=tuple(name for name in history.factors if name not in names),
        lives=history.lives.drop(columns=list(names)),
        units=history.units.drop(columns=units),
        stops=stops,
        cautions=add_cautions(history.cautions, (caution,)),
    )
