"""The commands about life and wear: fit, compare, wear, driveline."""

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from wearlab.asked import LIFE, Asked, Reply, question, read_history, reply_with, view


@question(LIFE)
def fit(
    asked: Asked,
    *,
    by: Annotated[str | None, typer.Option(help="strata, comma-separated: component,duty_cycle,...")] = None,
    component: Annotated[str | None, typer.Option(help="only this component")] = None,
    mode: Annotated[str | None, typer.Option(help="this failure mode's own curve; the others as suspensions")] = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="also draw the failures on Weibull paper, as SVG")
    ] = None,
) -> Reply:
    """Life curves by stratum: shape, characteristic life, B10, each with its interval."""
    from wearlab.curves.fit import Fits, fit_strata
    from wearlab.show.document import write_text

    history = read_history(asked)
    strata = None if by is None else tuple(filter(None, (part.strip() for part in by.split(","))))
    result = fit_strata(history, by=strata, component=component, mode=mode, level=asked.level, seed=asked.seed)
    if picture is not None and isinstance(result, Fits):
        from wearlab.show.pictures_lives import draw_paper_file

        write_text(draw_paper_file(result), picture)
    return reply_with(result, history, strata=strata or ("component", "duty_cycle"))


@question(LIFE)
def compare(
    asked: Asked, *, factor: Annotated[str, typer.Option(help="what tells the classes apart")] = "duty_cycle"
) -> Reply:
    """Classes side by side: B10, its ratio, failures per million miles, cost per 1,000 miles."""
    from wearlab.answers.compare import compare_classes
    from wearlab.terminal import print_progress

    history = read_history(asked)
    result = compare_classes(history, factor=factor, level=asked.level, seed=asked.seed, progress=print_progress)
    return reply_with(result, history)


@question(LIFE)
def wear(
    asked: Asked,
    *,
    months: Annotated[int, typer.Option(min=1, max=120, help="months ahead for the chance of passing the limit")] = 12,
    beside: Annotated[
        bool, typer.Option("--beside", help="beside the forecast from lives, both tried on earlier days")
    ] = False,
) -> Reply:
    """Measured wear (joint play, spline backlash): rate, miles to the limit, and when to look again."""
    from wearlab.answers.wear import measure_wear

    if beside:
        return _beside(asked, months)
    history = read_history(asked)
    return reply_with(measure_wear(history, level=asked.level, months=months), history)


def _beside(asked: Asked, months: int) -> Reply:
    from wearlab.answers.wear_beside import set_beside
    from wearlab.history.source import open_fleet
    from wearlab.study import backtest_days
    from wearlab.terminal import print_progress

    seen = view(asked)
    with open_fleet(
        asked.source, store_path=asked.store, today=seen.today, strict=False, progress=print_progress
    ) as fleet:
        history = fleet.history(seen, known_then=False, progress=print_progress)
        result = set_beside(
            history,
            lambda day: fleet.history(replace(seen, as_of=day), known_then=True, progress=print_progress),
            backtest_days(history, months=months),
            months=months,
            level=asked.level,
            seed=asked.seed,
            progress=print_progress,
        )
    return reply_with(result, history)


@question(LIFE)
def driveline(
    asked: Asked,
    *,
    reference: Annotated[str | None, typer.Option(help="class that the others are held against")] = None,
    speed: Annotated[
        float | None, typer.Option(min=1, max=10000, help="highest steady shaft speed, turns a minute")
    ] = None,
    angles: Annotated[str | None, typer.Option(help="joint angles of one line, loaded, in degrees: 5,3.5")] = None,
    unloaded: Annotated[str | None, typer.Option(help="the same joints without load")] = None,
    phases: Annotated[str | None, typer.Option(help="twist between the yokes of each shaft, in degrees")] = None,
    planes: Annotated[str | None, typer.Option(help="turn of each joint's plane against the one before it")] = None,
    torque: Annotated[float | None, typer.Option(help="torque at the first joint, N·m")] = None,
    drive: Annotated[str | None, typer.Option(help="axle ratio and tire turns per mile: 3.55,513")] = None,
    tube: Annotated[str | None, typer.Option(help="outer diameter, wall and length in mm: 114.3,3.4,1800")] = None,
    spline: Annotated[str | None, typer.Option(help="pitch radius and stroke of the slip spline in mm: 35,20")] = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="also draw what was asked, as SVG with its data as CSV")
    ] = None,
) -> Reply:
    """Driveline load: how much of a class difference it explains, and which angles are out of range."""
    from wearlab.answers.driveline import USUAL_RPM, DrivelineAnswer, answer_driveline
    from wearlab.driveline import read_line
    from wearlab.terminal import print_progress

    history = read_history(asked)
    line = None
    if angles is not None:
        line = read_line(
            speed or history.config.driveline.speed_rpm or USUAL_RPM,
            angles,
            unloaded=unloaded,
            phases=phases,
            planes=planes,
            torque_nm=torque,
            drive=drive,
            tube=tube,
            spline=spline,
        )
    result = answer_driveline(
        history, asked.source, line=line, speed_rpm=speed, reference=reference, level=asked.level, seed=asked.seed
    )
    if picture is not None and isinstance(result, DrivelineAnswer):
        from wearlab.show.pictures_shaft import write_pictures

        for path in write_pictures(result, picture):
            print_progress(f"wrote {path}")
    return reply_with(result, history)
