"""The commands about the data itself: demo, load, lives, meters, classes, map, unload, check."""

from pathlib import Path
from typing import Annotated

import typer

from wearlab.asked import DATA, Asked, Reply, app, print_document, question, read_history, reply_with, room, today


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
def lives(asked: Asked) -> Reply:
    """Lives, failures, suspensions and exposure by component and class."""
    history = read_history(asked)
    return Reply(history, {"groups": history.groups}, history.config.currency)


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
