"""Lives that ended abnormally early, each against its own class without its truck."""

import numpy as np
import pandas as pd
from scipy.special import roots_hermitenorm

from wearlab.curves.expected import Floats
from wearlab.curves.expected_counts import false_discovery

REPEAT_DAYS = 90.0  # a part fitted in the record that failed within so many days is a repeat repair (common practice)
SERVICE_DAYS = 30.0  # a failure so soon after a service of its position points at that service (common practice)

COLUMNS = [
    "unit_id",
    "position",
    "age",
    "u",
    "q_value",
    "flagged",
    "component",
    "duty_cycle",
    "entry",
    "p_value",
    "repeat_repair",
    "after_service",
    "life_number",
    "start_date",
    "end_date",
    "mode",
    "reason",
]


def judge_lives(failed: pd.DataFrame, *, tried: int, rate: float) -> pd.DataFrame:
    """Return the failed lives, the earliest first, with u, p and q.

    u = F(age | entry) = 1 - exp(-H) at the fitted class curve; p is the same probability averaged over the uncertainty
    of ln H (normal, variance by jackknife over trucks). The rank is among all ``tried`` lives, failed or not: a life
    that was censored had the same chance to fail this early, so its p counts as 1. That keeps p honest however
    little time most parts have had: P(a life fails with p at most a) is at most a. The class curve is averaged over
    trucks, so the spread between trucks is inside F. Single-life flags do not say that the truck is bad.
    """
    hazard = failed["hazard"].to_numpy(np.float64)
    known = failed["known"].to_numpy(bool) & (hazard > 0)
    u = np.where(known, -np.expm1(-hazard), np.nan)
    p_value = np.where(known, np.maximum(_averaged(hazard, failed["variance"].to_numpy(np.float64)), u), 1.0)
    q_value = false_discovery(p_value, tests=max(tried, len(failed)))
    repeat = (failed["life_number"].to_numpy(np.float64) > 1) & (
        failed["exit_days"].to_numpy(np.float64) <= REPEAT_DAYS
    )
    serviced = failed["days_since_service"].to_numpy(np.float64) <= SERVICE_DAYS
    out = failed.assign(
        u=u,
        p_value=p_value,
        q_value=q_value,
        flagged=q_value <= rate,
        repeat_repair=repeat,
        after_service=serviced,
    )
    out = out.assign(reason=[_reason(*row) for row in zip(out["u"], out["flagged"], repeat, serviced, strict=True)])
    out = out.sort_values(["p_value", "unit_id", "position", "age"], kind="stable", ignore_index=True)
    return out[COLUMNS]


def _averaged(hazard: Floats, variance: Floats) -> Floats:
    """Return 1 - exp(-H) averaged over a normal ln H (Gauss-Hermite, 15 points)."""
    points, weights = roots_hermitenorm(15)
    spread = hazard[:, None] * np.exp(np.sqrt(np.minimum(variance, 9.0))[:, None] * points[None, :])
    out: Floats = -np.expm1(-spread) @ (weights / weights.sum())
    return out


def _reason(u: float, flagged: bool, repeat: bool, serviced: bool) -> str:
    if not np.isfinite(u):
        return "No other truck in its class: nothing to compare with."
    share = f"{100 * u:.2f} %" if u >= 1e-4 else f"{u:.1e}"
    text = f"{share} of its class fail as early as this"
    parts = [text + ("; far too early for chance among so many lives" if flagged else "")]
    if repeat:
        parts.append(f"a repeat repair: the part had been fitted within {REPEAT_DAYS:.0f} days")
    if serviced:
        parts.append(f"within {SERVICE_DAYS:.0f} days of a service of its position")
    return "; ".join(parts) + "."
