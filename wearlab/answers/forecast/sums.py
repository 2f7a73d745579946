"""The tables of a forecast: outlooks summed by stratum, component, month and shop, and every part in service."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.answers.forecast.counts import add_counts, count_quantile
from wearlab.answers.forecast.outlook import Outlook
from wearlab.history.config import Costs

FloatArray = npt.NDArray[np.float64]

SERVICE_LEVEL = 0.95


def name_group(key: tuple[str, str]) -> str:
    """Return a stratum's name as printed: its component and its duty cycle."""
    return ", ".join(part for part in key if part)


def _ends(draws: FloatArray, expected: float, level: float) -> tuple[float, float]:
    """Return the two-sided interval of whole counts, widened where it would leave out what is expected."""
    low, high = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2], method="inverted_cdf")
    return min(float(low), float(np.floor(expected))), max(float(high), float(np.ceil(expected)))


def _ends_of(distribution: FloatArray, expected: float, level: float) -> tuple[float, float]:
    low, high = (count_quantile(distribution, share) for share in ((1 - level) / 2, (1 + level) / 2))
    return min(float(low), float(np.floor(expected))), max(float(high), float(np.ceil(expected)))


def _row(outlooks: list[Outlook], level: float) -> dict[str, float]:
    expected = float(sum(outlook.expected[:, -1].sum() for outlook in outlooks))
    draws = np.sum([outlook.by_draw[:, -1] for outlook in outlooks], axis=0)
    low, high = _ends(draws, expected, level)
    chance_low, chance_high = _ends_of(add_counts(o.distribution for o in outlooks), expected, level)
    return {
        "parts": float(sum(outlook.places["count"].sum() for outlook in outlooks)),
        "expected": expected,
        "low": low,
        "high": high,
        "chance_low": chance_low,
        "chance_high": chance_high,
    }


def sum_totals(outlooks: list[Outlook], level: float) -> pd.DataFrame:
    """Return one row for all parts, then one per component and duty cycle."""
    rows: list[dict[str, object]] = [{"group": "all", "component": None, "duty_cycle": None, **_row(outlooks, level)}]
    for outlook in outlooks:
        if outlook.key != ("", ""):
            names = {"group": name_group(outlook.key), "component": outlook.key[0] or None}
            rows.append({**names, "duty_cycle": outlook.key[1] or None, **_row([outlook], level)})
    return pd.DataFrame(rows)


def sum_parts(outlooks: list[Outlook], level: float, costs: Costs) -> pd.DataFrame:
    """Return failures by component, the number to stock, and what they cost where fleet.toml says so.

    ``stock`` suffices for all failures with probability SERVICE_LEVEL; replacements that are no failure come on top.
    """
    rows = []
    for component, group in _by_component(outlooks).items():
        row = _row(group, level)
        draws = np.sum([outlook.by_draw[:, -1] for outlook in group], axis=0)
        stock = max(float(np.quantile(draws, SERVICE_LEVEL, method="inverted_cdf")), np.ceil(row["expected"]))
        cost = _cost(group, level, costs)
        rows.append({"component": component or None, **row, "service_level": SERVICE_LEVEL, "stock": stock, **cost})
    return pd.DataFrame(rows)


def price_failures(outlook: Outlook, costs: Costs) -> float:
    """Return what one failure costs: on the road or found at inspection, in the shares seen; NaN where not given."""
    price = costs.part(*outlook.key)
    if price is None:
        return float("nan")
    return outlook.on_road * price.failure + (1.0 - outlook.on_road) * price.planned


def _cost(group: list[Outlook], level: float, costs: Costs) -> dict[str, float]:
    """Return the cost of the failures with its interval."""
    each = [price_failures(outlook, costs) for outlook in group]
    if not np.isfinite(each).all():
        return {"cost": np.nan, "cost_low": np.nan, "cost_high": np.nan}
    expected = float(sum(p * o.expected[:, -1].sum() for p, o in zip(each, group, strict=True)))
    draws = np.sum([p * o.by_draw[:, -1] for p, o in zip(each, group, strict=True)], axis=0)
    low, high = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2], method="inverted_cdf")
    return {"cost": expected, "cost_low": min(float(low), expected), "cost_high": max(float(high), expected)}


def sum_months(outlooks: list[Outlook], level: float) -> pd.DataFrame:
    """Return failures so far by the end of each month ahead, by component and duty cycle, all parts together first."""
    groups = {"all": outlooks, **{name_group(one.key): [one] for one in outlooks if one.key != ("", "")}}
    rows = []
    for name, group in groups.items():
        expected = np.sum([outlook.expected.sum(axis=0) for outlook in group], axis=0)
        draws = np.sum([outlook.by_draw for outlook in group], axis=0)
        for month, value in enumerate(expected):
            low, high = _ends(draws[:, month], float(value), level)
            rows.append({"group": name, "months": month + 1, "expected": float(value), "low": low, "high": high})
    return pd.DataFrame(rows)


def sum_shops(outlooks: list[Outlook], level: float) -> pd.DataFrame:
    """Return failures by the trucks' shop."""
    names = sorted({name for outlook in outlooks for name in outlook.by_shop})
    rows = []
    for name in names:
        within = [o for o in outlooks if name in o.by_shop]
        expected = float(sum(o.expected[_shop(o) == name, -1].sum() for o in within))
        low, high = _ends(np.sum([o.by_shop[name] for o in within], axis=0), expected, level)
        parts = sum(int((_shop(o) == name).sum()) for o in within)
        rows.append({"shop": name or None, "parts": parts, "expected": expected, "low": low, "high": high})
    return pd.DataFrame(rows, columns=["shop", "parts", "expected", "low", "high"])


def _shop(outlook: Outlook) -> npt.NDArray[np.object_]:
    return outlook.places["shop"].fillna("").astype(str).to_numpy(dtype=object)


def sum_units(outlooks: list[Outlook], level: float) -> pd.DataFrame:
    """Return every part in service with its chance of failing at least once, most likely first."""
    frames = []
    for outlook in outlooks:
        ends = np.quantile(outlook.chances, [(1 - level) / 2, (1 + level) / 2], axis=0)
        frames.append(
            outlook.places.assign(
                probability=outlook.chance,
                low=np.minimum(ends[0], outlook.chance),
                high=np.maximum(ends[1], outlook.chance),
                expected=outlook.expected[:, -1],
            )
        )
    table = pd.concat(frames, ignore_index=True).rename(columns={"span": "ahead"})
    table["component"] = table["component"].replace("", None)
    table["duty_cycle"] = table["duty_cycle"].replace("", None)
    order = ["unit_id", "position", "component", "duty_cycle", "shop", "probability", "low", "high", "expected", "age"]
    table = table.sort_values(["probability", "unit_id", "position"], ascending=[False, True, True], kind="stable")
    return table[[*order, "ahead", "count"]].reset_index(drop=True)


def list_curves(outlooks: list[Outlook]) -> pd.DataFrame:
    """Return the curve behind each stratum, and where it comes from."""
    rows = [
        {
            "component": outlook.key[0] or None,
            "duty_cycle": outlook.key[1] or None,
            "stretches": outlook.known.stratum.lives.lives,
            "failures": outlook.known.stratum.lives.failures,
            "beta": outlook.curve.shape,
            "eta": outlook.curve.eta if outlook.curve.rate > 0 else np.nan,
            "frailty_variance": outlook.curve.frailty,
            "other_removals": outlook.removal,
            "theta": outlook.known.effect.theta or np.nan,
            "curve": outlook.curve.origin,
        }
        for outlook in outlooks
    ]
    return pd.DataFrame(rows)


def _by_component(outlooks: Iterable[Outlook]) -> dict[str, list[Outlook]]:
    groups: dict[str, list[Outlook]] = {}
    for outlook in outlooks:
        groups.setdefault(outlook.key[0], []).append(outlook)
    return groups
