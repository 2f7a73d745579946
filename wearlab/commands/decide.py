"""The commands that decide or find: intervals, early, cluster."""

from datetime import date
from typing import Annotated, Any

import typer

from wearlab.asked import DECIDE, FIND, Asked, Reply, as_date, as_numbers, question, read_history, reply_with


@question(DECIDE)
def intervals(
    asked: Asked,
    *,
    try_: Annotated[
        str | None, typer.Option("--try", help="intervals to try, comma-separated: 10000,15000,20000")
    ] = None,
    found: Annotated[
        float | None,
        typer.Option(min=0, max=1, help="share of failures that inspection finds, for planned replacement (as seen)"),
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
        try_intervals=as_numbers(try_),
        found_share=found,
        progress=print_progress,
    )
    return reply_with(result, history, text=_for_the_schedule(result), asked_for=("tried",) if try_ else ())


def _for_the_schedule(result: Any) -> str | None:
    """Return the sentences for the schedule, one to a line; None where there are none."""
    from wearlab.answers.intervals import Recommendation

    if not isinstance(result, Recommendation):
        return None
    return "\n".join(text for text in result.tables()["regrease"]["sentence"] if isinstance(text, str)) or None


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
    return reply_with(result, history, text=_verdict(result))


def _verdict(result: Any) -> str | None:
    """Return the verdict in words, and how many of the suspect parts still run; None where there is no verdict."""
    from wearlab.answers.cluster import Cluster

    if not isinstance(result, Cluster):
        return None
    if result.verdict.found == "nothing":
        return result.verdict.text
    running = len(result.at_risk)
    at_risk = f"{running or 'No'} such {'part' if running == 1 else 'parts'} still {'runs' if running == 1 else 'run'}"
    return f"{result.verdict.text}\n{at_risk}: {'inspect first, highest chance first.' if running else 'all came off.'}"
