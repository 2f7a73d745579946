"""Pictures of the driveline: how much of a class difference is load, and which tubes may whirl."""

from functools import partial

import pandas as pd

from wearlab.answers.driveline import DrivelineAnswer
from wearlab.evidence import Unanswered
from wearlab.show.document import show_text
from wearlab.show.figures import show_name, show_number, show_share, show_value
from wearlab.show.pictures import PANELS_SHOWN, Panel, Picture, make_panel, ranges_of, source_line, span_of
from wearlab.show.plots_driveline import draw_damage
from wearlab.show.plots_lives import draw_ranges
from wearlab.show.sentences import load_title, records, table_of

TUBES_SHOWN = 10


def picture_load(answer: DrivelineAnswer | Unanswered) -> Picture | None:
    """Return lives in the records beside what load alone would make of them, and which torques use the joint's life."""
    explained = table_of(answer, "explained")
    if len(explained):
        explained = explained.dropna(subset=["life_ratio", "from_load"])
    spectrum = table_of(answer, "spectrum")
    if explained.empty and spectrum.empty:
        return None
    panels, words = [], []
    if len(explained):
        panel, spoken = _explained_panel(explained)
        panels.append(panel)
        words += spoken
    if len(spectrum):
        panel, spoken = _damage_panel(spectrum)
        panels.append(panel)
        words += spoken
    note = (
        "Dot: life in the records, with its range. Square: what turns, torque and angle alone would make of it. "
        "Dark: the highest torque."
    )
    source = source_line(answer.basis)
    data = pd.concat([explained, spectrum], ignore_index=True)
    return Picture(
        "load",
        load_title(explained) or "Which torques use up the joints",
        tuple(panels),
        tuple(words),
        note,
        source,
        data,
    )


def _explained_panel(explained: pd.DataFrame) -> tuple[Panel, list[str]]:
    label = [f"{show_name(row['component'])}, {show_name(row['duty_cycle'])}" for row in records(explained)]
    drawn = ranges_of(explained.assign(label=label), "label", "life_ratio", "life_ratio_low", "life_ratio_high")
    drawn["seen"] = explained["from_load"].to_numpy(float)
    words = [
        f"{row['label']}: {span_of(row)} of the life in the reference class; load alone would give "
        f"{show_value(row['seen'], 'ratio')}."
        for row in records(drawn)
    ]
    reference = show_name(explained["reference"].iloc[0])
    draw = partial(draw_ranges, drawn, x=f"B10 life, {reference} = 1", y="Life by class", even=1.0)
    return make_panel("load-explained", "Records and load", " ".join(words), draw, rows=max(len(drawn), 4)), words


def _damage_panel(spectrum: pd.DataFrame) -> tuple[Panel, list[str]]:
    groups = list(dict.fromkeys(spectrum["group"]))[:PANELS_SHOWN]
    drawn = spectrum.loc[spectrum["group"].isin(groups)]
    words = []
    for group, rows in drawn.groupby("group", sort=False):
        top = records(rows.loc[[rows["torque_nm"].idxmax()]])[0]
        words.append(
            f"{show_name(group).capitalize()}: the highest torque, {show_number(float(top['torque_nm']))} N·m, is "
            f"{show_share(float(top['share_of_turns']))} of the turns and uses "
            f"{show_share(float(top['share_of_damage']))} of the joint's life."
        )
    draw = partial(draw_damage, drawn)
    label = "Turns and life used, by torque"
    return make_panel("load-damage", label, " ".join(words), draw, rows=2 * len(groups)), words


def picture_tubes(answer: DrivelineAnswer | Unanswered) -> Picture | None:
    """Return the tubes that run nearest to their critical speed, against the share of it that may be used."""
    tubes = table_of(answer, "tubes")
    if tubes.empty or tubes["share"].notna().sum() == 0:
        return None
    near = tubes.sort_values(["share", "unit_id", "line"], ascending=[False, True, True], kind="stable")
    near = near.head(TUBES_SHOWN)
    label = [
        f"{show_text(row['unit_id'])} {show_name(row['line'])}, behind joint {row['behind_joint']:.0f}"
        for row in records(near)
    ]
    drawn = pd.DataFrame({"label": label, "value": near["share"].to_numpy(float), "low": None, "high": None})
    drawn = drawn.astype({"low": float, "high": float})
    drawn["marked"] = ~near["within"].astype(bool).to_numpy()
    limit = float(near["limit"].iloc[0])
    past = int((~tubes["within"].astype(bool)).sum())
    words = [f"{row['label']}: {show_share(float(row['value']))} of its critical speed." for row in records(drawn)]
    runs = (
        f"{past} of {len(tubes):,} measured tubes {'runs' if past == 1 else 'run'}" if past else "No measured tube runs"
    )
    title = f"{runs} faster than {show_share(limit)} of {'their' if past > 1 else 'its'} critical speed"
    draw = partial(draw_ranges, drawn, x="share of the critical speed", y="Highest shaft speed", even=limit)
    panel = make_panel("tubes", "The tubes nearest to it", f"{title}. {words[0]}", draw, rows=len(drawn))
    note = "Dashed: the share that may be used. Squares: beyond it."
    return Picture("tubes", title, (panel,), tuple(words), note, source_line(answer.basis), tubes)
