"""The tables of a forecast: outlooks summed by stratum, component, class, month and shop, and every part in service."""

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
        "parts": float(sum(_counted(outlook).sum() for outlook in outlooks)),
        "expected": expected,
        "low": low,
        "high": high,
        "chance_low": chance_low,
        "chance_high": chance_high,
    }


def _counted(outlook: Outlook) -> FloatArray:
    """Return the counts of the parts in service, 0 for those of trucks that are yet to join."""
    places = outlook.places
    return np.where(places["joining"].to_numpy(dtype=bool), 0.0, places["count"].to_numpy(dtype=float))


def sum_totals(outlooks: list[Outlook], level: float) -> pd.DataFrame:
    """Return one row for all parts, then one per component and duty cycle."""
    rows: list[dict[str, object]] = [{"group": "all", "component": None, "duty_cycle": None, **_row(outlooks, level)}]
    for outlook in outlooks:
        if outlook.key != ("", ""):
            names = {"group": name_group(outlook.key), "component": outlook.key[0] or None}
            rows.append({**names, "duty_cycle": outlook.key[1] or None, **_row([outlook], level)})
    return pd.DataFrame(rows)


def sum_classes(outlooks: list[Outlook], level: float) -> pd.DataFrame:
    """Return failures by duty cycle, all components together."""
    duties = sorted({outlook.key[1] for outlook in outlooks} - {""})
    rows = [{"duty_cycle": duty, **_row([o for o in outlooks if o.key[1] == duty], level)} for duty in duties]
    return pd.DataFrame(rows, columns=["duty_cycle", "parts", "expected", "low", "high", "chance_low", "chance_high"])


def sum_parts(outlooks: list[Outlook], level: float, costs: Costs, service_level: float) -> pd.DataFrame:
    """Return failures by component, other replacements, the number of parts to stock, and what the failures cost.

    ``stock`` suffices for failures and other replacements together with probability ``service_level``,
    ``stock_for_failures`` for the failures alone. Money where fleet.toml says what a part costs.
    """
    rows = []
    for component, group in _by_component(outlooks).items():
        row = _row(group, level)
        others = float(sum(outlook.others[:, -1].sum() for outlook in group))
        failures = np.sum([outlook.by_draw[:, -1] for outlook in group], axis=0)
        parts = failures + np.sum([outlook.others_by_draw for outlook in group], axis=0)
        rows.append(
            {
                "component": component or None,
                **row,
                "other_replacements": others,
                "service_level": service_level,
                "stock": _stock(parts, row["expected"] + others, service_level),
                "stock_for_failures": _stock(failures, row["expected"], service_level),
                **_cost(group, level, costs),
            }
        )
    return pd.DataFrame(rows)


def _stock(draws: FloatArray, expected: float, service_level: float) -> float:
    """Return the whole number that suffices with the wanted probability, at least what is expected."""
    return max(float(np.quantile(draws, service_level, method="inverted_cdf")), float(np.ceil(expected - 1e-9)))


def sum_shelves(outlooks: list[Outlook], service_level: float) -> pd.DataFrame:
    """Return the parts that each shop needs, by component: failures and other replacements, and the number to stock."""
    rows = []
    for component, group in _by_component(outlooks).items():
        for shop in sorted({name for outlook in group for name in outlook.parts_by_shop}):
            within = [o for o in group if shop in o.parts_by_shop]
            expected = float(sum(o.expected[_shop(o) == shop, -1].sum() for o in within))
            others = float(sum(o.others[_shop(o) == shop, -1].sum() for o in within))
            draws = np.sum([o.parts_by_shop[shop] for o in within], axis=0)
            rows.append(
                {
                    "shop": shop or None,
                    "component": component or None,
                    "expected": expected,
                    "other_replacements": others,
                    "service_level": service_level,
                    "stock": _stock(draws, expected + others, service_level),
                }
            )
    names = ["shop", "component", "expected", "other_replacements", "service_level", "stock"]
    table = pd.DataFrame(rows, columns=names)
    return table.sort_values(["shop", "component"], kind="stable", ignore_index=True)


def sum_joining(outlooks: list[Outlook]) -> pd.DataFrame:
    """Return the trucks that are to join by duty cycle, their parts, and the failures counted for them."""
    rows = []
    for duty in sorted({outlook.key[1] for outlook in outlooks}):
        chosen = [(o, o.places["joining"].to_numpy(dtype=bool)) for o in outlooks if o.key[1] == duty]
        trucks = {unit for o, new in chosen for unit in o.places.loc[new, "unit_id"]}
        if trucks:
            expected = float(sum(o.expected[new, -1].sum() for o, new in chosen))
            parts = int(sum(new.sum() for _, new in chosen))
            rows.append({"duty_cycle": duty or None, "trucks": len(trucks), "parts": parts, "expected": expected})
    return pd.DataFrame(rows, columns=["duty_cycle", "trucks", "parts", "expected"])


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
        parts = sum(int(_counted(o)[_shop(o) == name].sum()) for o in within)
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
    table = table[~table["joining"].to_numpy(dtype=bool)]
    table["component"] = table["component"].replace("", None)
    table["duty_cycle"] = table["duty_cycle"].replace("", None)
    first = ["unit_id", "position", "component", "duty_cycle", "hardware", "shop"]
    order = [*first, "probability", "low", "high", "expected", "age"]
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
            "other_removals": float(outlook.others[:, -1].sum()),
            "hardware": _say_hardware(outlook),
            "theta": outlook.known.effect.theta or np.nan,
            "curve": outlook.curve.origin,
        }
        for outlook in outlooks
    ]
    return pd.DataFrame(rows)


def _say_hardware(outlook: Outlook) -> str | None:
    """Return how the hazard of each level of hardware stands to the commonest, in words."""
    found = outlook.known.hardware.effects
    return "; ".join(f"{name or 'not recorded'} {np.exp(value):.2f}" for name, (value, _) in found.items()) or None


def _by_component(outlooks: Iterable[Outlook]) -> dict[str, list[Outlook]]:
    groups: dict[str, list[Outlook]] = {}
    for outlook in outlooks:
        groups.setdefault(outlook.key[0], []).append(outlook)
    return groups
