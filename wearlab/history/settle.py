"""What changes a life, settled from fleet.toml and what was asked: the values that the statements are given."""

from collections.abc import Callable
from datetime import date
from typing import Any

from wearlab.evidence import DataError
from wearlab.history.config import FleetConfig
from wearlab.history.config_reader import SCALES
from wearlab.history.meters import CARRY_ON_DAYS

BEGINNING = date(1970, 1, 1)  # days are counted from here


def settle(
    config: FleetConfig,
    *,
    as_of: date | None,
    last_seen: Callable[[date], date | None],
    scale: str | None,
    today: date,
    unknown_as_failure: bool,
    known_then: bool,
) -> dict[str, Any]:
    """Return the values by name; ``last_seen`` gives the last day up to ``today`` that any row speaks of, if need be.

    Refuses (DataError) a fleet without ``records_from``, an ``as_of`` before it or after ``today``, a fleet without
    rows, and an unknown scale.
    """
    if config.records_from is None:
        raise DataError(
            "records-from-missing",
            "fleet.toml does not say from which day the history is complete",
            "add records_from = YYYY-MM-DD",
            "fleet.toml",
            column="records_from",
        )
    day = as_of or config.as_of or last_seen(today)
    if day is None:
        raise DataError("no-history", "the store holds no rows", "load a fleet folder first")
    if day > today:
        raise DataError(
            "as-of-in-future", f"as_of {day} lies after the day of the run, {today}", "give a day up to today"
        )
    if day < config.records_from:
        raise DataError(
            "as-of-before-records",
            f"as_of {day} lies before records_from {config.records_from}: no history is complete by then",
            "give a later as_of, or correct records_from in fleet.toml",
        )
    return {
        "as_of": day,
        "as_of_day": (day - BEGINNING).days,
        "records_from_day": (config.records_from - BEGINNING).days,
        "scale": _settle_scale(config, scale),
        "unknown_as_failure": unknown_as_failure,
        "known_then": known_then,
        "same_event_days": config.same_event_days,
        "same_event_miles": float(config.same_event_miles),
        "carry_on_days": CARRY_ON_DAYS,
    }


def _settle_scale(config: FleetConfig, scale: str | None) -> str:
    chosen = scale or config.scale
    if chosen not in SCALES:
        raise DataError("scale-unknown", f"no life scale is called {chosen}", f"choose one of {', '.join(SCALES)}")
    return chosen
