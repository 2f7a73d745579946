"""Parts changed on each truck, whether or not the order says at which place."""

from datetime import date

import pandas as pd

from wearlab.history.config import FleetConfig
from wearlab.history.store import Store


def list_removals(store: Store, config: FleetConfig, as_of: date, *, unknown_as_failure: bool = False) -> pd.DataFrame:
    """Return one row per part changed up to ``as_of``: ``unit_id``, ``component``, ``date``, ``failed``, ``placed``.

    Orders of one place within ``same_event_days`` of one another count once. A place that only one part of its kind on
    the truck can have counts as recorded.
    """
    days = config.same_event_days or -1  # 0: never the same event
    values = {"as_of": as_of, "days": days, "unknown_as_failure": unknown_as_failure}
    return store.frame("removals", values)
