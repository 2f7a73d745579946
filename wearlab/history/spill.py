"""Room to work in: how much memory a store may use, and the folder to which it spills what does not fit."""

import os
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from wearlab.evidence import DataError

_NAME = re.compile(r"\.wearlab-spill-(\d+)-[0-9a-f]{8}")
_SIZE = re.compile(r"(\d+(?:\.\d+)?) ?(MB|GB|TB)", re.IGNORECASE)
_LEAST_MB = 100.0
_MB = {"MB": 1.0, "GB": 1e3, "TB": 1e6}
DATABASE_SHARE = 0.85


@dataclass(frozen=True, slots=True)
class Room:
    """Memory that loading and lives keep to at any size, and where what does not fit is spilled.

    The database is given ``DATABASE_SHARE`` of it; Python and its libraries need about 0.25 GB besides, and the rows
    set aside are listed in memory: tests/benchmarks/load.md has the peaks at 1 GB. ``spill`` None: beside the store.
    """

    memory: str = "2GB"
    spill: Path | None = None


USUAL_ROOM = Room()


def share_memory(text: str) -> str:
    """Return the database's share of a limit such as ``1GB``. Refuses (DataError) what is none, and below 100 MB."""
    found = _SIZE.fullmatch(text.strip())
    size = float(found[1]) * _MB[found[2].upper()] if found else 0.0
    if size < _LEAST_MB:
        raise DataError("bad-memory", f"{text!r} is not a limit of memory of 100MB or more", "write --memory 1GB")
    return f"{DATABASE_SHARE * size:.0f}MB"


@contextmanager
def spill_folder(folder: Path) -> Iterator[str]:
    """Yield the name of a folder of this run within ``folder``, not made yet, and take it away afterwards.

    What runs that were killed have left there is taken away first. Refuses (DataError) a folder that is none.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DataError(
            "bad-spill",
            f"the spill folder cannot be made: {error.strerror}",
            "give --spill another folder",
            folder.name,
        ) from None
    _clear_left(folder)
    mine = folder / f".wearlab-spill-{os.getpid()}-{os.urandom(4).hex()}"
    try:
        yield str(mine)
    finally:
        shutil.rmtree(mine, ignore_errors=True)


def _clear_left(folder: Path) -> None:
    with suppress(OSError):
        for left in folder.iterdir():
            found = _NAME.fullmatch(left.name)
            if found and not _is_running(int(found[1])) and not left.is_symlink():
                shutil.rmtree(left, ignore_errors=True)


def _is_running(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True
