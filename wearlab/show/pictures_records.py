"""Pictures of the records themselves: measured wear on its way to the limit, and meters put right."""

from functools import partial

import pandas as pd

from wearlab.show.document import show_text
from wearlab.show.figures import show_count, show_name, show_number, show_place
from wearlab.show.pictures import Picture, make_panel, source_line
from wearlab.show.plots import as_file, draw_svg
from wearlab.show.plots_records import draw_meter, draw_wear
from wearlab.show.sentences import table_of, wear_title
from wearlab.study import Study

PATHS_SHOWN, METERS_SHOWN = 5, 4


def picture_wear(study: Study) -> Picture | None:
    """Return measured wear of the parts nearest to their limits, one chart per quantity."""
    parts, measured = table_of(study.wear, "parts"), study.history.measurements
    if parts.empty or measured.empty or parts["limit"].notna().sum() == 0:
        return None
    panels, words, data = [], [], []
    for number, (quantity, rows) in enumerate(parts.loc[parts["limit"].notna()].groupby("quantity", sort=True)):
        paths = _paths(rows, measured.loc[measured["quantity"] == quantity])
        if paths.empty:
            continue
        limit, unit = float(rows["limit"].iloc[0]), show_text(rows["unit"].iloc[0])
        past = int((rows["miles_to_limit"] <= 0).sum())
        name = show_name(quantity).capitalize()
        alt = (
            f"{name}: {show_count(past)} of {show_count(len(rows))} parts are past the limit of "
            f"{show_number(limit)} {unit}, measured or by their rates. Shown: {', '.join(paths['label'].unique())}."
        )
        words.append(alt)
        data.append(paths.assign(quantity=quantity, limit=limit, unit=unit))
        panels.append(make_panel(f"wear-{number}", name, alt, partial(draw_wear, paths, limit=limit, unit=unit)))
    if not panels:
        return None
    title = wear_title(parts)
    note = "Parts measured at least three times that come nearest to the limit. Dashed across: the limit of fleet.toml."
    source = source_line(study.history.basis)
    return Picture("wear", title, tuple(panels), tuple(words), note, source, pd.concat(data, ignore_index=True))


def _paths(parts: pd.DataFrame, measured: pd.DataFrame) -> pd.DataFrame:
    order = ["miles_to_limit", "latest", "unit_id", "position"]
    near = parts.loc[parts["measurements"] >= 3].sort_values(order, ascending=[True, False, True, True], kind="stable")
    found = []
    for unit_id, position, unit in near[["unit_id", "position", "unit"]].itertuples(index=False):
        truck = measured.loc[measured["unit_id"] == unit_id]
        mine = truck.loc[(truck["position"] == position) & (truck["unit"] == unit) & truck["age_miles"].notna()]
        mine = mine.loc[mine["life_id"] == mine["life_id"].max()]
        if len(mine) >= 3:
            label = f"{show_text(unit_id)} {show_place(position)}"
            found.append(pd.DataFrame({"label": label, "age": mine["age_miles"], "value": mine["value"]}))
        if len(found) == PATHS_SHOWN:
            break
    return pd.concat(found, ignore_index=True) if found else pd.DataFrame()


def picture_meters(study: Study) -> Picture | None:
    """Return the meters of the trucks whose values had to be put right most often, as written and as used."""
    meters = study.history.meters
    if meters.empty or "disregarded" not in meters or not meters["disregarded"].astype(bool).any():
        return None
    wrong = meters.loc[meters["disregarded"].astype(bool)]
    counts = wrong.groupby("unit_id", sort=True).size().sort_values(ascending=False, kind="stable")
    shown = meters.loc[meters["unit_id"].isin(counts.head(METERS_SHOWN).index)]
    panels, words = [], []
    for number, (unit, count) in enumerate(counts.head(METERS_SHOWN).items()):
        rows = shown.loc[(shown["unit_id"] == unit) & shown["raw_miles"].notna()]
        reasons = ", ".join(sorted({show_name(reason) for reason in rows["reason"].dropna()}))
        alt = f"Truck {show_text(unit)}: {show_count(count)} of {show_count(len(rows))} values not used ({reasons})."
        words.append(alt)
        panels.append(make_panel(f"meter-{number}", f"Truck {show_text(unit)}", alt, partial(draw_meter, rows)))
    title = (
        f"{show_count(len(wrong))} meter values of {show_count(len(counts))} trucks cannot be right; "
        "miles there come from the readings around them"
    )
    note = (
        "Crosses: values that were not used. Line: the meter as used. The trucks with the most such values are shown."
    )
    return Picture("meters", title, tuple(panels), tuple(words), note, source_line(study.history.basis), shown)


def draw_meter_file(meters: pd.DataFrame, unit: str) -> str:
    """Return one truck's meter as written and as used, as one SVG file."""
    rows = meters.loc[(meters["unit_id"] == unit) & meters["raw_miles"].notna()]
    wrong = int(rows["disregarded"].astype(bool).sum())
    alt = f"Truck {show_text(unit)}: {show_count(wrong)} of {show_count(len(rows))} meter values not used"
    return as_file(draw_svg(lambda ax: draw_meter(rows, ax=ax), name="meter", alt=alt))
