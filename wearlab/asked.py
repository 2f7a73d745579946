"""What every command takes, and how its reply is given: shown, as JSON, as CSV, or as a refusal."""

import functools
import inspect
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

HELP = (
    "Wear and life of drive-shaft parts in fleets of heavy-duty trucks: from service history to regrease intervals. "
    "SOURCE is a fleet folder (tables and fleet.toml) or, where lives are already made, a plain lives file. "
    "Advisory only: the maker's published instructions, local rules and qualified technicians come first."
)
PANELS = DATA, LIFE, DECIDE, FIND, AHEAD, SHOW = (
    "Your data",
    "Life and wear",
    "Decide",
    "Find what is wrong",
    "Look ahead",
    "Read and learn",
)

app = typer.Typer(name="wearlab", help=HELP, no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False)


def as_date(text: str) -> date:
    """Return the day that a text names; refuses anything but an ISO date."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not a day; write it as 2026-06-30") from None


def as_numbers(text: str | None) -> tuple[float, ...]:
    """Return the numbers of a comma-separated list; refuses what is not a number above zero."""
    parts = [part.strip() for part in (text or "").split(",") if part.strip()]
    try:
        numbers = tuple(float(part) for part in parts)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not a list of numbers; write 10000,15000,20000") from None
    if any(not 0 < number < float("inf") for number in numbers):
        raise typer.BadParameter("intervals to try must be above zero")
    return numbers


SAID_IN_FULL = 2  # cautions of one kind that are printed in full
LONGEST_GROUP = 60  # letters of the group of lives that a caution begins with


@dataclass(frozen=True, slots=True)
class Asked:
    """What every question takes."""

    source: Annotated[Path, typer.Argument(help="a fleet folder, or a plain lives file", show_default=False)]
    store: Annotated[str | None, typer.Option(help="where the store is kept; :memory: keeps nothing")] = None
    as_of: Annotated[
        date | None, typer.Option(parser=as_date, metavar="DATE", help="look back from this day (2026-06-30)")
    ] = None
    scale: Annotated[
        str | None, typer.Option(help="miles, engine_hours, days or joint_cycles; a lives file: its own unit")
    ] = None
    level: Annotated[float, typer.Option(min=0.5, max=0.999, help="level of every two-sided interval")] = 0.90
    as_json: Annotated[bool, typer.Option("--json", help="one JSON document on standard output")] = False
    out: Annotated[Path | None, typer.Option(help="write the tables as CSV into this folder")] = None
    seed: Annotated[int, typer.Option(min=0, help="seed of every random draw")] = 1
    memory: Annotated[
        str, typer.Option(help="memory to keep to while loading and building lives; what does not fit is spilled")
    ] = "2GB"
    spill: Annotated[Path | None, typer.Option(help="folder to spill into; beside the store unless given")] = None
    unknown_as_failures: Annotated[
        bool, typer.Option("--unknown-as-failures", help="read endings of unknown reason as failures")
    ] = False


@dataclass(frozen=True, slots=True)
class Reply:
    """What a question is answered with: a result, and its tables as they are to be shown.

    ``asked_for`` are tables shown though a report folds them away; what is not ``shown`` is read elsewhere;
    ``of_records`` are the cautions of the records themselves, which hold for every answer from them.
    """

    result: Any
    tables: Mapping[str, Any] = field(default_factory=dict)
    currency: str = "USD"
    strata: tuple[str, ...] = ()
    text: str | None = None
    shown: bool = True
    asked_for: tuple[str, ...] = ()
    of_records: tuple[Any, ...] = ()


def question(panel: str) -> Callable[[Callable[..., Reply]], Callable[..., None]]:
    """Return a decorator that makes a command of a function: what every question takes is added to its own options."""

    def make(function: Callable[..., Reply]) -> Callable[..., None]:
        own = list(inspect.signature(function).parameters.values())[1:]
        common = [
            inspect.Parameter(
                entry.name,
                inspect.Parameter.KEYWORD_ONLY,
                annotation=entry.type,
                default=inspect.Parameter.empty if entry.name == "source" else entry.default,
            )
            for entry in fields(Asked)
        ]
        source, *options = common
        keyword_only = [parameter.replace(kind=inspect.Parameter.KEYWORD_ONLY) for parameter in own]

        @functools.wraps(function)
        def command(**values: Any) -> None:
            asked = Asked(**{entry.name: values.pop(entry.name) for entry in fields(Asked)})
            _give(function.__name__.strip("_"), asked, function(asked, **values))

        parameters = [source, *keyword_only, *options]
        command.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
        command.__annotations__ = {parameter.name: parameter.annotation for parameter in parameters}
        app.command(name=function.__name__.strip("_"), rich_help_panel=panel)(command)
        return command

    return make


def _give(name: str, asked: Asked, reply: Reply) -> None:
    """Show a reply as the options ask; leaves with status 1 where the question could not be answered."""
    from wearlab import terminal
    from wearlab.evidence import Unanswered, as_sentence
    from wearlab.show.document import answer_document, error_document, to_json, write_tables
    from wearlab.show.sentences import opening

    if isinstance(reply.result, Unanswered):
        missing = reply.result
        terminal.print_problem(f"{as_sentence(missing.text)} {missing.fix[:1].upper()}{missing.fix[1:]}".strip())
        if asked.as_json:
            print_document(to_json(error_document(name, reply.result)))
        raise typer.Exit(1)
    if asked.as_json:
        document = answer_document(name, reply.result, currency=reply.currency, tables=reply.tables)
        print_document(to_json(document))
    else:
        scale = reply.result.basis.scale
        text = reply.text or opening(name, reply.tables, scale=scale, currency=reply.currency)
        if text:
            terminal.print_text(text)
        if reply.shown:
            terminal.print_text("")
            terminal.print_tables(
                reply.tables,
                command=name,
                scale=scale,
                currency=reply.currency,
                strata=reply.strata,
                asked_for=reply.asked_for,
            )
    terminal.print_cautions(_said(reply))
    if asked.out is not None and name != "report":
        for path in write_tables(reply.tables, asked.out):
            terminal.print_progress(f"wrote {path}")


def _said(reply: Reply) -> tuple[str, ...]:
    """Return the cautions to print: those of the answer, those of the records, then safety.

    For what is read elsewhere that they stand there.
    """
    from wearlab.evidence import SAFETY

    cautions = tuple(reply.result.cautions)
    if not reply.shown:
        return (f"{len(cautions)} cautions stand in it: read them before acting on it.", SAFETY.text)
    own = [caution for caution in cautions if caution not in reply.of_records and caution.code != SAFETY.code]
    of_records = [caution.text for caution in cautions if caution in reply.of_records and caution.code != SAFETY.code]
    safety = [caution.text for caution in cautions if caution.code == SAFETY.code]
    return (*_gathered(own), *of_records, *safety)


def _gathered(cautions: list[Any]) -> Iterator[str]:
    """Yield the texts of cautions; one that several groups of lives share is told in full once, and where else."""
    alike: dict[str, list[str]] = {}
    for caution in cautions:
        alike.setdefault(caution.code, []).append(caution.text)
    for texts in alike.values():
        groups = [text.partition(": ")[0] for text in texts]
        if len(texts) <= SAID_IN_FULL or not all(0 < len(group) <= LONGEST_GROUP for group in groups):
            yield from texts
            continue
        yield texts[0]
        yield f"The like, with figures of their own (--json prints them): {'; '.join(groups[1:])}."


def print_document(text: str) -> None:
    """Write one JSON document to standard output, in UTF-8 whatever the terminal takes."""
    content = f"{text}\n".encode("utf-8", "backslashreplace")
    buffer = getattr(sys.stdout, "buffer", None)
    if buffer is None:
        sys.stdout.write(content.decode())
        return
    sys.stdout.flush()
    buffer.write(content)
    buffer.flush()


def today() -> date:
    """Return the day of the run: the only place that reads the clock."""
    return datetime.now().astimezone().date()


def view(asked: Asked) -> Any:
    """Return how the history is to be looked at."""
    from wearlab.history.source import View

    return View(asked.as_of, asked.scale, asked.level, today(), asked.unknown_as_failures)


def room(asked: Asked) -> Any:
    """Return the memory and the folder that the work may use."""
    from wearlab.history.spill import Room

    return Room(asked.memory, asked.spill)


def read_history(asked: Asked) -> Any:
    """Return the lives of the source, new rows loaded first."""
    from wearlab.history.source import read_source
    from wearlab.terminal import print_progress

    history, _ = read_source(
        asked.source, view(asked), store_path=asked.store, progress=print_progress, room=room(asked)
    )
    return history


def reply_with(
    result: Any,
    history: Any,
    *,
    strata: tuple[str, ...] = (),
    text: str | None = None,
    asked_for: tuple[str, ...] = (),
) -> Reply:
    """Return the reply that shows one result with its tables."""
    from wearlab.evidence import Unanswered

    tables = {} if isinstance(result, Unanswered) else result.tables()
    return Reply(
        result, tables, history.config.currency, strata, text, asked_for=asked_for, of_records=history.cautions
    )
