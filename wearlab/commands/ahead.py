"""The commands that look ahead: forecast, due."""

from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer

from wearlab.asked import AHEAD, Asked, Reply, as_numbers, question, read_history, reply_with, room, view


@question(AHEAD)
def forecast(
    asked: Asked,
    *,
    months: Annotated[int, typer.Option(min=1, max=120, help="months ahead, for a fleet folder")] = 12,
    ahead: Annotated[float | None, typer.Option(help="how far ahead in its own scale, for a lives file")] = None,
    backtest: Annotated[bool, typer.Option("--backtest", help="forecast from earlier days and compare")] = False,
    adopt: Annotated[
        str | None,
        typer.Option(help="what if these intervals were kept: vocational=6000,line_haul=15000, or recommended"),
    ] = None,
    joining: Annotated[
        str | None, typer.Option(help="trucks a month that are to join, by class: vocational=2,regional=0.5")
    ] = None,
    service_level: Annotated[
        float, typer.Option(min=0.5, max=0.9999, help="probability with which the stock of parts suffices")
    ] = 0.95,
) -> Reply:
    """Failures and parts ahead, with intervals that hold chance and doubt together."""
    from wearlab.answers.forecast import forecast_change, forecast_failures
    from wearlab.evidence import Unanswered
    from wearlab.terminal import print_progress

    if joining is not None and (backtest or adopt is not None or ahead is not None):
        raise typer.BadParameter("--joining goes with --months alone: not with --ahead, --adopt or --backtest")
    if backtest:
        return _backtest(asked, months)
    coming = None if joining is None else _by_class(joining)
    given = {} if adopt in (None, "recommended") else _by_class(adopt or "")
    history = read_history(asked)
    if adopt is None:
        result = forecast_failures(
            history,
            months=months,
            ahead=ahead,
            level=asked.level,
            seed=asked.seed,
            progress=print_progress,
            joining=coming,
            service_level=service_level,
        )
        return reply_with(result, history)
    intervals = _recommended(asked, history) if adopt == "recommended" else given
    if isinstance(intervals, Unanswered):
        return reply_with(intervals, history)
    change = forecast_change(
        history, intervals=intervals, months=months, level=asked.level, seed=asked.seed, progress=print_progress
    )
    return reply_with(change, history)


def _by_class(text: str) -> dict[str, float]:
    parts = [part.partition("=") for part in text.split(",") if part.strip()]
    return {name.strip(): number for name, _, value in parts for number in as_numbers(value or "?")}


def _recommended(asked: Asked, history: Any) -> Any:
    """Return the recommended interval of each class that is to change, or why there is none."""
    from wearlab.answers.intervals import recommend_intervals
    from wearlab.evidence import Unanswered
    from wearlab.terminal import print_progress

    made = recommend_intervals(history, level=asked.level, seed=asked.seed, progress=print_progress)
    if isinstance(made, Unanswered):
        return made
    moved = made.regrease[
        made.regrease["recommended"].notna() & (made.regrease["recommended"] != made.regrease["current"])
    ]
    if moved.empty:
        text = "no other interval than today's is recommended for any class"
        return Unanswered(
            made.basis, made.cautions, "nothing-recommended", text, "give the intervals: --adopt CLASS=MILES"
        )
    return {str(duty): float(miles) for duty, miles in zip(moved["duty_cycle"], moved["recommended"], strict=True)}


def _backtest(asked: Asked, months: int) -> Reply:
    from wearlab.answers.forecast import backtest_forecast
    from wearlab.history.source import open_fleet
    from wearlab.study import backtest_days
    from wearlab.terminal import print_progress

    seen = view(asked)
    with open_fleet(
        asked.source, store_path=asked.store, today=seen.today, strict=False, progress=print_progress, room=room(asked)
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
    return reply_with(result, actual, asked_for=("rivals", "calibration"))


@question(AHEAD)
def due(
    asked: Asked,
    *,
    calendar: Annotated[Path | None, typer.Option(metavar="FILE", help="also write it as an iCalendar file")] = None,
    page: Annotated[
        Path | None, typer.Option(metavar="FILE", help="also write it as a page to print, one sheet per shop")
    ] = None,
    shop: Annotated[str | None, typer.Option(help="only the work of this shop")] = None,
) -> Reply:
    """Work list: what is due or overdue, and what to look at first."""
    from wearlab.answers.due import WorkList, of_shop, work_calendar
    from wearlab.evidence import SAFETY
    from wearlab.show.document import write_text
    from wearlab.show.sheets import draw_sheets
    from wearlab.study import study_work
    from wearlab.terminal import print_progress

    history = read_history(asked)
    result = study_work(history, level=asked.level, seed=asked.seed, progress=print_progress, processes=2)
    if not isinstance(result, WorkList):
        return reply_with(result, history)
    chosen = result if shop is None else of_shop(result, shop)
    if calendar is not None:
        write_text(work_calendar(chosen), calendar)
        print_progress(f"wrote {calendar}")
    if page is not None:
        write_text(draw_sheets(chosen.work, chosen.basis, SAFETY.text), page)
        print_progress(f"wrote {page}")
    return reply_with(chosen, history)
