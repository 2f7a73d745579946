"""How to doubt a history: what was left out, filled in or read one way where another was possible."""

from collections.abc import Mapping
from datetime import date

import pandas as pd

from wearlab.evidence import Caution, SourceFile


def raise_doubts(
    frames: Mapping[str, pd.DataFrame],
    ignored: pd.DataFrame,
    files: tuple[SourceFile, ...],
    *,
    as_of: date,
    unknown_as_failure: bool,
    leave_out_first_gap: bool,
) -> tuple[Caution, ...]:
    """Return the cautions of a history made from ``frames``, in a fixed order."""
    return tuple(
        caution
        for caution in (
            *_of_files(files),
            *_of_rows(ignored),
            *_of_meters(frames["meters"]),
            *_of_silent_trucks(frames["units"], as_of),
            *_of_endings(frames["lives"], read_as_failures=unknown_as_failure),
            *_of_left_out(frames["left_out"], frames["groups"]),
            *_of_practice(frames["episodes"], left_out=leave_out_first_gap),
        )
    )


def _of_files(files: tuple[SourceFile, ...]) -> list[Caution]:
    aside = sum(file.rows_set_aside for file in files)
    if aside == 0:
        return []
    read = sum(file.rows_read for file in files)
    return [Caution("rows-set-aside", f"{aside:,} of {read:,} rows could not be used and were set aside.")]


def _of_rows(ignored: pd.DataFrame) -> list[Caution]:
    return [
        Caution("rows-without-a-life", f"Left out of the lives: {n} rows ({why}).")
        for why, n in zip(ignored["why"], ignored["n"], strict=True)
    ]


def _of_meters(meters: pd.DataFrame) -> list[Caution]:
    cautions = []
    wrong = int(meters["disregarded"].sum())
    if wrong:
        seen = int(meters["raw_miles"].notna().sum())
        text = f"{wrong:,} of {seen:,} meter values cannot be right and were filled from the readings around them."
        cautions.append(Caution("meters-disregarded", text))
    joined = meters.loc[meters["reason"] == "replaced, not flagged", "unit_id"].nunique()
    if joined:
        text = (
            f"On {joined} trucks the meter steps down for good without a note that it was replaced: it was read as a "
            "new meter and joined at the truck's own rate."
        )
        cautions.append(Caution("meters-joined", text))
    carried = int(((meters["filled"] == "carried on") & (meters["origin"] == "service")).sum())
    if carried:
        text = (
            f"The miles of {carried} services lie beyond the truck's last reading and were carried on at its own rate."
        )
        cautions.append(Caution("meters-carried-on", text))
    return cautions


def _of_silent_trucks(units: pd.DataFrame, as_of: date) -> list[Caution]:
    silent = units["in_service"].astype(bool) & (pd.Timestamp(as_of) - units["last_date"] > pd.Timedelta(days=365))
    if not silent.any():
        return []
    text = (
        f"{int(silent.sum())} trucks are listed as in service, but nothing was recorded of them for a year: their "
        "lives end at their last meter. If they left the fleet, give out_of_service_date."
    )
    return [Caution("trucks-silent", text)]


def _of_endings(lives: pd.DataFrame, *, read_as_failures: bool) -> list[Caution]:
    unknown = int(lives["unknown_ending"].astype(bool).sum())
    if unknown == 0:
        return []
    reading = "failures" if read_as_failures else "not failures"
    text = (
        f"{unknown:,} of {len(lives):,} lives ended in a replacement without a known reason. They are read as "
        f"{reading}; compare the answer with the other reading."
    )
    return [Caution("unknown-endings", text)]


def _of_left_out(left_out: pd.DataFrame, groups: pd.DataFrame) -> list[Caution]:
    cautions = []
    lives = left_out.groupby("reason")["lives"].sum() if len(left_out) else pd.Series(dtype=float)
    if "age_unknown" in lives:
        text = f"{int(lives['age_unknown'])} parts are left out up to their next replacement: their age is not known."
        cautions.append(Caution("age-unknown", text))
    orders = int(groups["position_unknown"].sum())
    if orders:
        text = (
            f"{orders} replacements do not say which of several parts was changed. The lives of these positions end "
            f"as suspensions at that order and {int(lives.get('position_unknown', 0))} stretches after them are left "
            "out: failure rates come out somewhat too low."
        )
        cautions.append(Caution("position-unknown", text))
    if "no_meter" in lives:
        text = f"{int(lives['no_meter'])} lives have no age on this scale, because their trucks show no meter for it."
        cautions.append(Caution("no-meter", text))
    return cautions


def _of_practice(episodes: pd.DataFrame, *, left_out: bool) -> list[Caution]:
    before = int(episodes["practice_source"].isin(["plan", "class"]).sum())
    if before == 0:
        return []
    what = (
        "They are left out, and their lives enter late."
        if left_out
        else "Compare the answer with the one that leaves these stretches out."
    )
    text = (
        f"In {before:,} of {len(episodes):,} stretches the truck's own regrease practice is not yet known; the plan in "
        f"force or the mean of its shop and class stands for it. {what}"
    )
    return [Caution("practice-assumed", text)]
