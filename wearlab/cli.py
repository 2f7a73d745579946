"""The command line: one command per question, each a thin layer over one public function."""

import os
import sys
import traceback
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from wearlab.asked import (
    AHEAD,
    DATA,
    DECIDE,
    FIND,
    LIFE,
    SHOW,
    Asked,
    Reply,
    app,
    as_date,
    print_document,
    question,
    read_history,
    reply_with,
    today,
    view,
)


@app.command(rich_help_panel=DATA)
def demo(
    folder: Annotated[Path, typer.Argument(help="where to write it", show_default=False)],
    seed: Annotated[int, typer.Option(help="the same seed writes the same bytes")] = 1,
    trucks: Annotated[int, typer.Option(min=1, help="how many trucks")] = 300,
) -> None:
    """Write an invented demo fleet, with its planted truth beside it."""
    from wearlab.demo import write_demo
    from wearlab.terminal import print_text

    written = write_demo(folder, seed=seed, trucks=trucks)
    print_text(f"Wrote an invented fleet of {trucks:,} trucks into {written.folder}; what was planted: truth.json")


@question(DATA)
def load(
    asked: Asked, *, strict: Annotated[bool, typer.Option("--strict", help="refuse if any row is bad")] = False
) -> Reply:
    """Check and load what is new into the store; say what was set aside and why."""
    from wearlab.history.source import open_fleet
    from wearlab.terminal import print_progress

    with open_fleet(
        asked.source, store_path=asked.store, today=today(), strict=strict, progress=print_progress
    ) as fleet:
        return Reply(fleet.loaded, fleet.loaded.tables(), fleet.config.currency)


@question(DATA)
def lives(asked: Asked) -> Reply:
    """Lives, failures, suspensions and exposure by component and class."""
    history = read_history(asked)
    return Reply(history, {"groups": history.groups}, history.config.currency)


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


@question(DECIDE)
def intervals(
    asked: Asked,
    *,
    try_: Annotated[
        str | None, typer.Option("--try", help="intervals to try, comma-separated: 10000,15000,20000")
    ] = None,
) -> Reply:
    """Regrease intervals and planned replacement: what to change, what it saves, how sure."""
    from wearlab.answers.intervals import recommend_intervals
    from wearlab.terminal import print_progress

    history = read_history(asked)
    result = recommend_intervals(
        history,
        level=asked.level,
        seed=asked.seed,
        try_intervals=_numbers(try_),
        progress=print_progress,
    )
    return reply_with(result, history)


def _numbers(text: str | None) -> tuple[float, ...]:
    parts = [part.strip() for part in (text or "").split(",") if part.strip()]
    try:
        numbers = tuple(float(part) for part in parts)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not a list of numbers; write 10000,15000,20000") from None
    if any(not 0 < number < float("inf") for number in numbers):
        raise typer.BadParameter("intervals to try must be above zero")
    return numbers


@question(FIND)
def early(
    asked: Asked,
    *,
    rate: Annotated[float, typer.Option(min=0.0001, max=0.5, help="share of false flags that is accepted")] = 0.05,
) -> Reply:
    """Trucks and lives with abnormal early failures, told from normal spread between trucks."""
    from wearlab.answers.early import find_early
    from wearlab.terminal import print_progress

    history = read_history(asked)
    result = find_early(history, rate=rate, level=asked.level, seed=asked.seed, progress=print_progress)
    return reply_with(result, history)


@question(FIND)
def cluster(
    asked: Asked,
    *,
    component: Annotated[str | None, typer.Option(help="only this component")] = None,
    factor: Annotated[list[str] | None, typer.Option(help="a factor to look at; repeatable; default: all")] = None,
    fix_date: Annotated[
        date | None, typer.Option(parser=as_date, metavar="DATE", help="compare before and after this day")
    ] = None,
) -> Reply:
    """What a run of failures has in common, and whether it is more than chance."""
    from wearlab.answers.cluster import find_cluster
    from wearlab.terminal import print_progress

    history = read_history(asked)
    result = find_cluster(
        history,
        component=component,
        factors=tuple(factor or ()),
        level=asked.level,
        seed=asked.seed,
        fix_date=fix_date,
        progress=print_progress,
    )
    verdict = getattr(result, "verdict", None)
    return reply_with(result, history, text=getattr(verdict, "text", None))


@question(AHEAD)
def forecast(
    asked: Asked,
    *,
    months: Annotated[int, typer.Option(min=1, max=120, help="months ahead, for a fleet folder")] = 12,
    ahead: Annotated[float | None, typer.Option(help="how far ahead in its own scale, for a lives file")] = None,
    backtest: Annotated[bool, typer.Option("--backtest", help="forecast from earlier days and compare")] = False,
    adopt: Annotated[
        str | None, typer.Option(help="what if these intervals were kept: vocational=6000,line_haul=15000")
    ] = None,
) -> Reply:
    """Failures and parts ahead, with intervals that hold chance and doubt together."""
    from wearlab.answers.forecast import forecast_change, forecast_failures
    from wearlab.terminal import print_progress

    if backtest:
        return _backtest(asked, months)
    intervals_kept = _intervals_by_class(adopt)
    history = read_history(asked)
    if intervals_kept:
        change = forecast_change(
            history,
            intervals=intervals_kept,
            months=months,
            level=asked.level,
            seed=asked.seed,
            progress=print_progress,
        )
        return reply_with(change, history)
    result = forecast_failures(
        history, months=months, ahead=ahead, level=asked.level, seed=asked.seed, progress=print_progress
    )
    return reply_with(result, history)


def _intervals_by_class(text: str | None) -> dict[str, float]:
    parts = [part.partition("=") for part in (text or "").split(",") if part.strip()]
    return {name.strip(): number for name, _, miles in parts for number in _numbers(miles or "?")}


def _backtest(asked: Asked, months: int) -> Reply:
    from wearlab.answers.forecast import backtest_forecast
    from wearlab.history.source import open_fleet
    from wearlab.study import backtest_days
    from wearlab.terminal import print_progress

    seen = view(asked)
    with open_fleet(
        asked.source, store_path=asked.store, today=seen.today, strict=False, progress=print_progress
    ) as fleet:
        actual = fleet.history(seen, known_then=False, progress=print_progress)
        result = backtest_forecast(
            lambda day: fleet.history(replace(seen, as_of=day), known_then=True, progress=print_progress),
            backtest_days(actual, months=months),
            months=months,
            actual=actual,
            level=asked.level,
            seed=asked.seed,
            progress=print_progress,
        )
    return reply_with(result, actual)


@question(LIFE)
def wear(asked: Asked) -> Reply:
    """Measured wear (joint play, spline backlash): rate, and miles to the limit."""
    from wearlab.answers.wear import measure_wear

    history = read_history(asked)
    return reply_with(measure_wear(history, level=asked.level), history)


@question(LIFE)
def driveline(
    asked: Asked,
    *,
    reference: Annotated[str | None, typer.Option(help="class that the others are held against")] = None,
    speed: Annotated[float, typer.Option(min=1, max=10000, help="highest steady shaft speed, turns a minute")] = 1800,
    angles: Annotated[str | None, typer.Option(help="joint angles of one line, loaded, in degrees: 5,3.5")] = None,
    unloaded: Annotated[str | None, typer.Option(help="the same joints without load")] = None,
    phases: Annotated[str | None, typer.Option(help="twist between the yokes of each shaft, in degrees")] = None,
    torque: Annotated[float | None, typer.Option(help="torque at the first joint, N·m")] = None,
    drive: Annotated[str | None, typer.Option(help="axle ratio and tire turns per mile: 3.55,513")] = None,
    tube: Annotated[str | None, typer.Option(help="outer diameter, wall and length in mm: 114.3,3.4,1800")] = None,
    spline: Annotated[str | None, typer.Option(help="pitch radius and stroke of the slip spline in mm: 35,20")] = None,
) -> Reply:
    """Driveline load: how much of a class difference it explains, and which angles are out of range."""
    from wearlab.answers.driveline import answer_driveline
    from wearlab.driveline import read_line

    line = None
    if angles is not None:
        line = read_line(
            speed, angles, unloaded=unloaded, phases=phases, torque_nm=torque, drive=drive, tube=tube, spline=spline
        )
    history = read_history(asked)
    result = answer_driveline(
        history, asked.source, line=line, speed_rpm=speed, reference=reference, level=asked.level, seed=asked.seed
    )
    return reply_with(result, history)


@question(AHEAD)
def due(
    asked: Asked,
    *,
    calendar: Annotated[Path | None, typer.Option(metavar="FILE", help="also write it as an iCalendar file")] = None,
) -> Reply:
    """Work list: what is due or overdue, and what to look at first."""
    from wearlab.answers.due import WorkList, work_calendar
    from wearlab.show.document import write_text
    from wearlab.study import study_work
    from wearlab.terminal import print_progress

    history = read_history(asked)
    result = study_work(history, level=asked.level, seed=asked.seed, progress=print_progress)
    if calendar is not None and isinstance(result, WorkList):
        write_text(work_calendar(result), calendar)
        print_progress(f"wrote {calendar}")
    return reply_with(result, history)


@question(SHOW)
def report(
    asked: Asked,
    *,
    audience: Annotated[str, typer.Option("--for", help="all, engineer, manager or analyst")] = "all",
    sheet: Annotated[bool, typer.Option("--sheet", help="also write the tables as one XLSX workbook")] = False,
    pdf: Annotated[bool, typer.Option("--pdf", help="also write the page as PDF (needs the extra 'pdf')")] = False,
) -> Reply:
    """All of it as one self-contained HTML page, with its tables as CSV beside it (--out DIR)."""
    from wearlab.evidence import DataError
    from wearlab.show.paper import find_printer
    from wearlab.show.report import AUDIENCES, write_report
    from wearlab.study import Settings, run_study
    from wearlab.terminal import print_progress

    if asked.out is None:
        raise DataError("no-out", "a report needs a folder to be written to", "add --out DIR")
    if audience not in AUDIENCES:
        raise DataError("no-audience", f"--for {audience!r} is not a reader", "use one of " + ", ".join(AUDIENCES))
    if pdf:
        find_printer()
    settings = Settings(
        today=today(),
        store=asked.store,
        as_of=asked.as_of,
        scale=asked.scale,
        level=asked.level,
        seed=asked.seed,
        unknown_as_failure=asked.unknown_as_failures,
    )
    study = run_study(asked.source, settings, progress=print_progress, processes=2)
    written = write_report(study, asked.out, audience=audience, sheet=sheet, pdf=pdf)
    return Reply(study, study.tables(), study.history.config.currency, text=f"Wrote {written.page}", shown=False)


@app.command(name="map", rich_help_panel=DATA)
def map_(folder: Annotated[Path, typer.Argument(help="a folder of unknown files", show_default=False)]) -> None:
    """Draft a commented fleet.toml for a folder of unknown files, on standard output."""
    from wearlab.history.mapping import draft_mapping

    print_document(draft_mapping(folder).rstrip("\n"))


@question(DATA)
def meters(asked: Asked) -> Reply:
    """Meter values that cannot be right: which were disregarded, and why."""
    from wearlab.history.meters import summarise_meters

    history = read_history(asked)
    return Reply(history, {"meters": summarise_meters(history)}, history.config.currency)


@question(DATA)
def classes(asked: Asked) -> Reply:
    """Each truck's duty cycle beside how it is really used."""
    from wearlab.answers.classes import describe_classes

    history = read_history(asked)
    return reply_with(describe_classes(history), history)


@app.command(rich_help_panel=DATA)
def unload(
    source: Annotated[Path, typer.Argument(help="a fleet folder", show_default=False)],
    file: Annotated[str, typer.Argument(help="the file whose rows are to leave the store", show_default=False)],
    store: Annotated[str | None, typer.Option(help="where the store is kept")] = None,
) -> None:
    """Take one file's rows out of the store again."""
    from wearlab.history.source import STORE_NAME
    from wearlab.history.store import open_store, unload_file
    from wearlab.terminal import print_text

    with open_store(store or str(source / STORE_NAME)) as opened:
        rows = unload_file(opened, file)
    print_text(f"{rows:,} rows of {file} left the store; the file itself is untouched and loads again at the next run")


@app.command(rich_help_panel=SHOW)
def explain(
    term: Annotated[str | None, typer.Argument(help="a term that the tool prints", show_default=False)] = None,
) -> None:
    """What a word that the tool prints means, in plain language."""
    from wearlab.evidence import DataError
    from wearlab.show.words import TERMS
    from wearlab.show.words import explain as explain_term
    from wearlab.terminal import print_text

    if term is None:
        print_text("Terms: " + ", ".join(sorted(TERMS)))
        return
    meaning = explain_term(term)
    if meaning is None:
        raise DataError("no-term", f"{term!r} is not a term that wearlab prints", "run wearlab explain for the list")
    print_text(meaning)


def run(arguments: list[str]) -> int:
    """Run one command and return its exit status: 0 done, 1 the data cannot answer, 2 bad input or usage."""
    try:
        outcome = app(arguments, standalone_mode=False)
    except typer.TyperException as error:
        return _refuse(arguments, "usage", error.format_message(), "see wearlab --help")
    except typer.Abort:
        return 2
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        return _refuse_error(arguments, error)
    return outcome if isinstance(outcome, int) else 0


def _refuse_error(arguments: list[str], error: Exception) -> int:
    from wearlab.evidence import DataError

    if isinstance(error, DataError):
        return _refuse_data(arguments, error)
    if os.environ.get("WEARLAB_TRACE"):
        traceback.print_exc()
    line = " ".join(str(error).split())[:300]
    text = f"this should not have happened ({type(error).__name__}: {line})"
    return _refuse(
        arguments, "internal", text, "run again with WEARLAB_TRACE=1 in the environment and report what it prints"
    )


def _refuse(arguments: list[str], code: str, text: str, fix: str) -> int:
    from wearlab.evidence import DataError

    return _refuse_data(arguments, DataError(code, text, fix))


def _refuse_data(arguments: list[str], error: Exception) -> int:
    from wearlab.evidence import DataError
    from wearlab.show.document import error_document, to_json
    from wearlab.terminal import print_problem

    if not isinstance(error, DataError):
        raise TypeError("only a DataError names its place and fix")
    print_problem(str(error))
    if "--json" in arguments:
        command = next((argument for argument in arguments if not argument.startswith("-")), "")
        print_document(to_json(error_document(command, error)))
    return 2
