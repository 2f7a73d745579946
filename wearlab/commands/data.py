"""The commands about the data itself: demo, load, lives, meters, classes, map, unload, check."""

from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from wearlab.asked import DATA, Asked, Reply, app, print_document, question, read_history, reply_with, room, today, view

Engine = Literal["local", "spark"]


@app.command(rich_help_panel=DATA)
def demo(
    folder: Annotated[Path, typer.Argument(help="where to write it", show_default=False)],
    seed: Annotated[int, typer.Option(min=0, help="the same seed writes the same bytes")] = 1,
    trucks: Annotated[int, typer.Option(min=1, max=100_000, help="how many trucks")] = 300,
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
        asked.source, store_path=asked.store, today=today(), strict=strict, progress=print_progress, room=room(asked)
    ) as fleet:
        return Reply(fleet.loaded, fleet.loaded.tables(), fleet.config.currency)


@question(DATA)
def lives(
    asked: Asked,
    *,
    to: Annotated[
        str | None, typer.Option(help="write lives, episodes, gaps and factors as Parquet into this new folder")
    ] = None,
    engine: Annotated[
        Engine, typer.Option(help="with --to: what works them out; spark needs wearlab[spark]")
    ] = "local",
    master: Annotated[str, typer.Option(help="with --engine spark: the address of its cluster")] = "local[*]",
    rows: Annotated[
        str | None, typer.Option(help="with --engine spark: where the tables lie as Parquet, object storage too")
    ] = None,
    systems: Annotated[
        bool, typer.Option("--systems", help="failures by truck instead, also those without a recorded position")
    ] = False,
) -> Reply:
    """Lives, failures, suspensions and exposure by component and class."""
    if to is not None:
        written = write_with(engine, asked, to=to, master=master, rows=rows)
        return Reply(written, written.tables())
    if engine != "local" or rows is not None:
        raise typer.BadParameter("--engine and --rows need --to, a new folder to write into")
    if systems:
        return count_by_truck(asked)
    history = read_history(asked)
    return Reply(history, {"groups": history.groups}, history.config.currency)


def count_by_truck(asked: Asked) -> Reply:
    """Return how often parts fail on a truck by its age, whether or not the place was recorded."""
    from wearlab.answers.systems import count_systems
    from wearlab.history.removals import list_removals
    from wearlab.history.source import open_fleet
    from wearlab.terminal import print_progress

    seen = view(asked)
    with open_fleet(
        asked.source, store_path=asked.store, today=seen.today, strict=False, progress=print_progress, room=room(asked)
    ) as fleet:
        history = fleet.history(seen, known_then=False, progress=print_progress)
        removals = list_removals(
            fleet.store, fleet.config, history.as_of or seen.today, unknown_as_failure=asked.unknown_as_failures
        )
    return reply_with(count_systems(history, removals, level=asked.level), history)


def write_with(engine: Engine, asked: Asked, *, to: str, master: str, rows: str | None) -> Any:
    """Return what the asked engine has written."""
    from wearlab.evidence import DataError
    from wearlab.terminal import print_progress

    if engine == "local":
        if rows is not None:
            raise typer.BadParameter("--rows goes with --engine spark")
        from wearlab.history.source import write_source

        return write_source(
            asked.source, view(asked), Path(to), store_path=asked.store, progress=print_progress, room=room(asked)
        )
    try:
        from wearlab.history.spark import write_on_spark
    except ModuleNotFoundError as error:
        fix = "pip install 'wearlab[spark]', and a Java runtime (17 or later)"
        raise DataError("no-spark", "Apache Spark is not installed here", fix) from error
    return write_on_spark(
        asked.source, view(asked), rows=rows, to=to, master=master, store_path=asked.store,
        progress=print_progress, room=room(asked),
    )  # fmt: skip


@app.command(name="map", rich_help_panel=DATA)
def map_(folder: Annotated[Path, typer.Argument(help="a folder of unknown files", show_default=False)]) -> None:
    """Draft a commented fleet.toml for a folder of unknown files, on standard output."""
    from wearlab.history.mapping import draft_mapping

    print_document(draft_mapping(folder).rstrip("\n"))


@question(DATA)
def meters(
    asked: Asked,
    *,
    unit: Annotated[str | None, typer.Option(help="only this truck")] = None,
    picture: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="with --unit: also draw its meter as written and as used, as SVG"),
    ] = None,
) -> Reply:
    """Meter values that cannot be right or were not written down: old and new value, and why."""
    from wearlab.evidence import DataError
    from wearlab.history.meters import list_corrections, summarise_meters

    history = read_history(asked)
    if unit is not None and not (history.meters["unit_id"] == unit).any():
        raise DataError("no-unit", f"no truck {unit!r} has a meter value", "wearlab classes lists the trucks")
    if picture is not None:
        from wearlab.show.document import write_text
        from wearlab.show.pictures_records import draw_meter_file

        if unit is None:
            raise DataError("no-unit", "a picture shows one truck", "add --unit and the truck's number")
        write_text(draw_meter_file(history.meters, unit), picture)
    summary = summarise_meters(history)
    tables = {
        "meters": summary if unit is None else summary.loc[summary["unit_id"] == unit].reset_index(drop=True),
        "corrections": list_corrections(history, unit),
    }
    return Reply(history, tables, history.config.currency)


@question(DATA)
def classes(asked: Asked) -> Reply:
    """Each truck's duty cycle beside how it is really used."""
    from wearlab.answers.classes import describe_classes

    history = read_history(asked)
    return reply_with(describe_classes(history, seed=asked.seed), history)


@app.command(rich_help_panel=DATA)
def unload(
    source: Annotated[Path, typer.Argument(help="a fleet folder", show_default=False)],
    file: Annotated[str, typer.Argument(help="the file whose rows are to leave the store", show_default=False)],
    store: Annotated[str | None, typer.Option(help="where the store is kept")] = None,
) -> None:
    """Take one file's rows out of the store again."""
    from wearlab.evidence import DataError
    from wearlab.history.source import STORE_NAME
    from wearlab.history.store import open_store
    from wearlab.history.unload import unload_file
    from wearlab.terminal import print_text

    path = Path(store or source / STORE_NAME)
    if not path.exists():
        fix = "give the fleet folder that was loaded, or the path of its store: --store PATH"
        raise DataError("no-store", "there is no store here", fix, path.name)
    with open_store(str(path), inputs=()) as opened:
        rows = unload_file(opened, file)
    print_text(f"{rows:,} rows of {file} left the store; the file itself is untouched and loads again at the next run")


@app.command(rich_help_panel=DATA)
def check(
    store: Annotated[Path, typer.Argument(help="a store, or the fleet folder it is in", show_default=False)],
    as_json: Annotated[bool, typer.Option("--json", help="one JSON document on standard output")] = False,
) -> None:
    """Whether a store is sound: pages readable, every row accounted for. Status 0 sound, 1 not, 2 no store."""
    from wearlab.history.check import check_store
    from wearlab.history.source import STORE_NAME
    from wearlab.show.document import answer_document, to_json
    from wearlab.terminal import print_problem, print_tables, print_text

    checked = check_store(store / STORE_NAME if store.is_dir() else store)
    if as_json:
        document = answer_document("check", checked, currency="USD", tables=checked.tables())
        print_document(to_json({**document, "sound": checked.sound}))
    else:
        print_tables(checked.tables(), command="check")
        if checked.sound:
            print_text("The store is sound: every page was read, and every row is accounted for.")
    if not checked.sound:
        first = checked.findings["text"].iloc[0]
        fix = "delete the store (keep a copy) and run wearlab load: it is made afresh from the fleet folder"
        print_problem(f"the store is not sound: {first}. Fix: {fix}")
        raise typer.Exit(1)
