"""Service history to lives, episodes and gaps."""

from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import date

import pandas as pd

from wearlab.evidence import Basis, Caution, SourceFile
from wearlab.history.config import FleetConfig
from wearlab.history.doubts import raise_doubts
from wearlab.history.frames import collect_frames
from wearlab.history.known import as_known
from wearlab.history.settle import settle
from wearlab.history.store import Store


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

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the counts by component and class, and what was left out of them."""
        return {"groups": self.groups, "left_out": self.left_out}


def build_history(  # noqa: PLR0913 - each changes what a life is, and none may have a hidden value
    store: Store,
    config: FleetConfig,
    *,
    source: str,
    files: tuple[SourceFile, ...],
    as_of: date | None,
    scale: str | None,
    level: float,
    today: date,
    unknown_as_failure: bool = False,
    leave_out_first_gap: bool = False,
    known_then: bool = False,
    progress: Callable[[str], None],
) -> History:
    """Return the lives, episodes, gaps and meters of the fleet in ``store`` as seen on ``as_of``.

    ``as_of`` None: that of ``config``, else the last date any row speaks of up to ``today``. Rows dated later do not
    take part; with ``known_then`` neither do rows posted later, and trucks and places are read as they were known then
    (``as_known``). ``unknown_as_failure`` reads replacements without a known reason as failures.
    ``leave_out_first_gap`` drops the episodes before a truck's first counted gap, so that its lives enter late. Refuses
    (DataError) a fleet without ``records_from``, an ``as_of`` before it or after ``today``, and an unknown scale.
    """
    values = settle(
        config,
        as_of=as_of,
        last_seen=lambda until: last_seen(store, until),
        scale=scale,
        today=today,
        unknown_as_failure=unknown_as_failure,
        known_then=known_then,
    )
    day: date = values["as_of"]
    with as_known(store, day) if known_then else nullcontext():
        frames, factors, ignored = collect_frames(store, values, progress)
    cautions = raise_doubts(
        frames,
        ignored,
        files,
        as_of=day,
        unknown_as_failure=unknown_as_failure,
        leave_out_first_gap=leave_out_first_gap,
    )
    if leave_out_first_gap:
        known = ~frames["episodes"]["practice_source"].isin(["plan", "class"])
        frames["episodes"] = frames["episodes"].loc[known].reset_index(drop=True)
    lives = frames["lives"]
    basis = Basis(source, files, day, values["scale"], level, (), len(lives), int(lives["failed"].sum()))
    return History(basis, cautions, config, day, values["scale"], factors, **frames)


def last_seen(store: Store, today: date) -> date | None:
    """Return the last day up to ``today`` that any row speaks of."""
    last = store.frame("lives/last_seen", {"today": today})["date"].iloc[0]
    return None if pd.isna(last) else pd.Timestamp(last).date()
