"""What a boot failure does to the spline that it should have kept dry."""

from dataclasses import replace

import numpy as np
import pandas as pd

from wearlab.curves.expected import Bools, Floats, Spans, fit_classes, hazards
from wearlab.curves.expected_counts import rate_ratio, ratio_interval
from wearlab.curves.expected_spans import ComponentSpans

COLUMNS = ["group", "splines", "observed", "expected", "ratio", "ratio_low", "ratio_high", "cost"]
MORE = ["times_before", "times_before_low", "times_before_high", "p_value"]


def follow_boots(parts: tuple[ComponentSpans, ...], suspect_boots: Bools | None, level: float) -> pd.DataFrame:
    """Return spline failures before and after the first boot failure on the same shaft, against their class curve.

    A spline's exposure is split on the day of that failure, so that no spline has to survive to be counted as leaking;
    a failure found on the same day counts as before. ``times_before`` is the rate after over the rate before, exact
    interval; hard-used trucks lose both boots and splines, so part of it may be the truck's. With ``suspect_boots`` (a
    mark on the boot lives) a third row follows the failures of those boots alone. Empty without boots and splines on
    named shafts. ``cost`` is the recorded cost of the spline failures.
    """
    boots = next((part for part in parts if part.component == "boot"), None)
    splines = next((part for part in parts if part.component == "slip_spline"), None)
    if boots is None or splines is None or boots.lives["shaft"].isna().all() or splines.lives["shaft"].isna().all():
        return pd.DataFrame(columns=[*COLUMNS, *MORE])
    rows = _compare(splines, _first_failures(splines, boots, None), "after a boot failure on its shaft", level)
    if suspect_boots is not None:
        of_suspects = _first_failures(splines, boots, suspect_boots)
        rows += _compare(splines, of_suspects, "after a failure of a suspect boot on its shaft", level)[1:]
    return pd.DataFrame(rows, columns=[*COLUMNS, *MORE])


def _first_failures(splines: ComponentSpans, boots: ComponentSpans, chosen: Bools | None) -> Floats:
    """Return the age of each spline life at the first boot failure on its shaft while it was in place; NaN if none."""
    failed = boots.lives["failed"].to_numpy(bool)
    mine = boots.lives[failed if chosen is None else failed & chosen]
    days = {
        key: np.sort(group["end_date"].to_numpy("datetime64[D]")) for key, group in mine.groupby(["unit_id", "shaft"])
    }
    lives = splines.lives
    out = np.full(len(lives), np.nan)
    dates = [lives[name].to_numpy("datetime64[D]") for name in ("start_date", "entry_date", "end_date")]
    ages = [lives[name].to_numpy(np.float64) for name in ("entry", "exit")]
    for row, key in enumerate(zip(lives["unit_id"], lives["shaft"], strict=True)):
        start, entry, end = (each[row] for each in dates)
        found = days.get(key)
        if found is None or np.isnat(entry) or np.isnat(end):
            continue
        during = found[(found > start) & (found < end)]
        if len(during):
            share = max((during[0] - entry).astype(float), 0.0) / max((end - entry).astype(float), 1.0)
            out[row] = ages[0][row] + share * (ages[1][row] - ages[0][row])
    return out


def _compare(splines: ComponentSpans, split: Floats, name: str, level: float) -> list[dict[str, object]]:
    spans, after = _split(splines.spans, split)
    hazard = hazards(spans, fit_classes(spans))
    failed = np.where(spans.failed, spans.weight, 0.0)
    observed = [float(failed[mark].sum()) for mark in (~after, after)]
    expected = [float(hazard[mark].sum()) for mark in (~after, after)]
    both = all(each > 0 for each in expected)
    times = rate_ratio((observed[1], observed[0]), (expected[1], expected[0]), level) if both else {}
    cost = splines.lives["end_cost"].to_numpy(np.float64)
    out: list[dict[str, object]] = []
    for place, (label, mark) in enumerate((("no boot failure yet", ~after), (name, after))):
        low, high = ratio_interval(np.array([observed[place]]), np.array([expected[place]]), np.ones(1), level)
        known = expected[place] > 0
        paid = cost[spans.life[mark & spans.failed]]
        out.append(
            {
                "group": label,
                "splines": len(np.unique(spans.life[mark])),
                "observed": observed[place],
                "expected": expected[place],
                "ratio": observed[place] / expected[place] if known else np.nan,
                "ratio_low": float(low[0]) if known else np.nan,
                "ratio_high": float(high[0]) if known else np.nan,
                "cost": float(paid[np.isfinite(paid)].sum()) if np.isfinite(paid).any() else np.nan,
                "times_before": _finite(times.get("ratio")) if place else np.nan,
                "times_before_low": _finite(times.get("low")) if place else np.nan,
                "times_before_high": _finite(times.get("high")) if place else np.nan,
                "p_value": _finite(times.get("p_two_sided")) if place else np.nan,
            }
        )
    return out


def _finite(value: float | None) -> float:
    return value if value is not None and np.isfinite(value) else float("nan")


def _split(spans: Spans, at: Floats) -> tuple[Spans, Bools]:
    """Return the stretches cut at an age of their life, and which of them lie after it."""
    cut = at[spans.life]
    inside = np.isfinite(cut) & (cut > spans.entry) & (cut < spans.exit)
    later = np.isfinite(cut) & (cut <= spans.entry)
    first = replace(spans, exit=np.where(inside, cut, spans.exit), failed=spans.failed & ~inside)
    second = replace(spans, entry=np.where(inside, cut, spans.entry)).take(inside)
    both = Spans(*(np.concatenate([getattr(first, n), getattr(second, n)]) for n in Spans.__slots__))
    return both, np.concatenate([later, np.ones(int(inside.sum()), dtype=np.bool_)])
