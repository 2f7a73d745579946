"""A source opened: a fleet folder through its store, or a plain lives file read in memory."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from wearlab.evidence import DataError, readable_name
from wearlab.history.config import FleetConfig
from wearlab.history.config_reader import read_config
from wearlab.history.lives import History, build_history, last_seen
from wearlab.history.lives_file import read_lives_file
from wearlab.history.load import Loaded, load_folder
from wearlab.history.load_files import find_files
from wearlab.history.settle import settle
from wearlab.history.spill import USUAL_ROOM, Room
from wearlab.history.store import Store, open_store
from wearlab.history.write_lives import Written, describe_written, write_lives

STORE_NAME = "wearlab.duckdb"

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class View:
    """How a history is looked at: everything that changes a number, and nothing else."""

    as_of: date | None
    scale: str | None
    level: float
    today: date
    unknown_as_failure: bool


@dataclass(frozen=True, slots=True)
class Fleet:
    """A fleet folder whose store is open and up to date."""

    source: str
    config: FleetConfig
    loaded: Loaded
    store: Store

    def history(self, view: View, *, known_then: bool, progress: Progress) -> History:
        """Return the fleet's lives as seen by ``view``; ``known_then`` leaves out rows posted after its ``as_of``."""
        return build_history(
            self.store,
            self.config,
            source=self.source,
            files=self.loaded.basis.files,
            as_of=view.as_of,
            scale=view.scale,
            level=view.level,
            today=view.today,
            unknown_as_failure=view.unknown_as_failure,
            known_then=known_then,
            progress=progress,
        )


def is_lives_file(source: Path) -> bool:
    """Return whether ``source`` is a plain lives file rather than a fleet folder; refuses what is neither."""
    if not source.exists():
        raise DataError("no-source", f"there is no file or folder {source.name!r}", "check the path", str(source))
    return source.is_file()


@contextmanager
def open_fleet(
    folder: Path,
    *,
    store_path: str | None,
    today: date,
    strict: bool,
    progress: Progress,
    room: Room = USUAL_ROOM,
) -> Iterator[Fleet]:
    """Open the folder's store, load what is new, and yield the fleet; the store is closed afterwards.

    Refuses (DataError) a plain file, and whatever the loader and the store refuse.
    """
    if is_lives_file(folder):
        raise DataError(
            "not-a-folder",
            "this question needs a fleet folder, not a plain lives file",
            "give a fleet folder",
            str(folder),
        )
    found, _ = find_files(folder, read_config(folder))  # before a store is made in a folder that is none of a fleet
    path = store_path or str(folder / STORE_NAME)
    with open_store(path, inputs=[file.path for file in found], room=room) as store:
        loaded = load_folder(folder, store, today=today, strict=strict, progress=progress)
        yield Fleet(readable_name(folder.name), loaded.config, loaded, store)


def read_source(
    source: Path, view: View, *, store_path: str | None, progress: Progress, room: Room = USUAL_ROOM
) -> tuple[History, Loaded | None]:
    """Return the lives of a fleet folder (new rows loaded first) or of a plain lives file, and what was loaded."""
    if is_lives_file(source):
        return read_lives_file(source, scale=view.scale, level=view.level), None
    today = view.today
    with open_fleet(source, store_path=store_path, today=today, strict=False, progress=progress, room=room) as fleet:
        return fleet.history(view, known_then=False, progress=progress), fleet.loaded


def write_source(
    source: Path, view: View, to: Path, *, store_path: str | None, progress: Progress, room: Room = USUAL_ROOM
) -> Written:
    """Write the lives, episodes, gaps and factors of a fleet folder as Parquet into the new folder ``to``.

    New rows are loaded first. No table is held in memory whole. Refuses (DataError) what loading refuses, and a folder
    that is there already.
    """
    today = view.today
    with open_fleet(source, store_path=store_path, today=today, strict=False, progress=progress, room=room) as fleet:
        values = settle(
            fleet.config,
            as_of=view.as_of,
            last_seen=lambda until: last_seen(fleet.store, until),
            scale=view.scale,
            today=today,
            unknown_as_failure=view.unknown_as_failure,
            known_then=False,
        )
        counts = write_lives(fleet.store, values, to, progress)
        failures = counts.pop("failures")
        return describe_written(counts, failures, str(to), values, fleet.source, fleet.loaded.basis.files, view.level)
