"""Pictures of one line of shafts: its motion over a turn, and how near its tube runs to the critical speed."""

from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from wearlab.answers.driveline import DrivelineAnswer
from wearlab.driveline import DrivelineCheck, Tube
from wearlab.evidence import Unanswered
from wearlab.show.document import plain_name, show_text, write_tables, write_text
from wearlab.show.figures import show_number, show_share, show_whole
from wearlab.show.pictures import Picture, make_panel
from wearlab.show.pictures_driveline import picture_load, picture_tubes
from wearlab.show.plots import as_file
from wearlab.show.plots_driveline import draw_margin, draw_turn
from wearlab.show.sentences import records


def picture_turn(answer: DrivelineAnswer | Unanswered) -> Picture | None:
    """Return speed and acceleration over one turn of the line as given, else of the measured line most out of range."""
    check = None if isinstance(answer, Unanswered) else answer.line or answer.worst
    if check is None:
        return None
    limit = _limit(check.references, "torsional_acceleration")
    turn = check.turn[check.turn["state"] == "loaded"]
    swings = turn.groupby("behind_joint")["ratio"].agg(["min", "max"])
    words = tuple(
        f"Behind joint {row['behind_joint']}: speed {swings['min'][row['behind_joint']]:.4f} to "
        f"{swings['max'][row['behind_joint']]:.4f} of the first shaft's, acceleration up to "
        f"{show_number(float(row['drive_acceleration']))} rad/s²."
        for row in records(check.shafts[check.shafts["state"] == "loaded"])
    )
    panels = tuple(
        make_panel(f"turn-{quantity}", label, f"{label} over a turn. {' '.join(words)}", draw)
        for quantity, label, draw in (
            ("ratio", "Speed", partial(draw_turn, check.turn, quantity="ratio")),
            ("acceleration", "Acceleration", partial(draw_turn, check.turn, quantity="acceleration", limit=limit)),
        )
    )
    note = "As loaded. Dashed across: the limit for the torsional acceleration behind the last joint."
    angles = ", ".join(f"{joint.angle_deg:g}" for joint in check.line.joints)
    speed = f"{show_whole(check.line.speed_rpm)} turns a minute"
    source = f"Source: {show_text(check.basis.source)}; angles {angles} degrees, {speed}."
    return Picture("turn", _turn_title(check, limit), panels, words, note, source, check.turn)


def _limit(references: pd.DataFrame, name: str) -> float:
    return float(references.set_index("name")["value"][name])


def _turn_title(check: DrivelineCheck, limit: float) -> str:
    last = float(check.shafts.loc[check.shafts["state"] == "loaded", "drive_acceleration"].iloc[-1])
    way = "within" if last <= limit else "over"
    return (
        f"The shaft behind the last joint speeds up and slows down by up to {show_number(last)} rad/s², {way} the "
        f"limit of {show_number(limit)}"
    )


def picture_margin(answer: DrivelineAnswer | Unanswered) -> Picture | None:
    """Return critical speed against length for the tube as given, else the measured one nearest to its own."""
    chosen = None if isinstance(answer, Unanswered) else _tightest(answer)
    if chosen is None:
        return None
    tube, speed, share, whose = chosen
    lengths = np.linspace(0.6 * tube.length_mm, 1.4 * tube.length_mm, 41)
    critical = np.array([Tube(tube.outer_mm, tube.wall_mm, length).critical_speed_rpm() for length in lengths])
    used = speed / tube.critical_speed_rpm()
    title = (
        f"At {show_whole(speed)} turns a minute the tube runs at {show_share(used)} of its critical speed, "
        f"{'within' if used <= share else 'over'} the {show_share(share)} that may be used"
    )
    size = f"{tube.outer_mm:g} by {tube.wall_mm:g} mm, {show_whole(tube.length_mm)} mm between joint centers"
    longest = tube.length_mm * np.sqrt(share / used)
    told = (
        f"Tube {size}: critical speed {show_whole(tube.critical_speed_rpm())} turns a minute. At this speed it may be "
        f"up to {show_whole(longest)} mm long."
    )
    draw = partial(draw_margin, lengths, critical, at=(tube.length_mm, speed), share=share)
    panel = make_panel("margin", "Critical speed against length", f"{title}. {told}", draw)
    note = (
        "Shaded: speeds that may be used. A steel tube on stiff supports (Rayleigh); a real line on soft mounts whirls "
        "earlier."
    )
    data = pd.DataFrame({"length_mm": lengths, "critical_rpm": critical, "usable_rpm": critical * share})
    return Picture("margin", title, (panel,), (told,), note, f"Source: {whose}.", data)


def _tightest(answer: DrivelineAnswer) -> tuple[Tube, float, float, str] | None:
    """Return the tube that runs nearest to its critical speed, its speed, the share that may be used, whose it is."""
    if answer.line is not None and answer.line.line.tube is not None:
        share = _limit(answer.line.references, "share_of_critical_speed")
        return answer.line.line.tube, answer.line.line.speed_rpm, share, "tube as given"
    if answer.layouts is None or answer.layouts.tubes.empty:
        return None
    order = ["share", "unit_id", "line", "behind_joint"]
    row = answer.layouts.tubes.sort_values(order, ascending=[False, True, True, True], kind="stable").iloc[0]
    tube = Tube(float(row["outer_mm"]), float(row["wall_mm"]), float(row["length_mm"]))
    whose = (
        f"angles.csv, truck {show_text(row['unit_id'])}, line {show_text(row['line'])}, behind joint "
        f"{row['behind_joint']}: of all tubes measured the nearest to its critical speed"
    )
    return tube, float(row["speed_rpm"]), float(row["limit"]), whose


def write_pictures(answer: DrivelineAnswer, folder: Path) -> tuple[Path, ...]:
    """Write every picture of an answer into ``folder``, its charts as SVG and its data as CSV, and return the paths.

    Refuses (DataError) a folder that cannot be written.
    """
    drawn = (picture_load(answer), picture_turn(answer), picture_margin(answer), picture_tubes(answer))
    pictures = [picture for picture in drawn if picture is not None]
    data = write_tables({f"picture_{picture.name}": picture.data for picture in pictures}, folder)
    return (*_write_charts(pictures, folder), *data)


def _write_charts(pictures: list[Picture], folder: Path) -> Iterator[Path]:
    for picture in pictures:
        for number, panel in enumerate(picture.panels, start=1):
            path = folder / f"{plain_name(picture.name)}_{number}.svg"
            write_text(as_file(panel.svg), path)
            yield path
