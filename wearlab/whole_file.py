"""One file written whole or not at all: written beside its place, then put into it in one step, without a lock file."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_LONGEST_NAME = 100  # characters of the name that the unfinished file keeps: most systems allow 255 bytes


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Yield the path to write to; what was written there takes the place of ``path`` when the block ends well.

    A reader of ``path`` sees the old file or the new one, never a part, whenever the writer is stopped. The folder is
    made where it is missing. An unfinished file is taken away again; one left by a killed run (its name begins with a
    dot and ends in ``.part``) is harmless. A device or pipe is written to as it is. Raises OSError as writing does.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.exists() and not path.is_file():
        yield path
        return
    beside = path.parent / f".{path.name[:_LONGEST_NAME]}.{os.getpid()}.part"
    try:
        yield beside
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


def write_whole(path: Path, content: bytes) -> Path:
    """Write one file whole or not at all and return its path; raises OSError as writing does."""
    with whole_file(path) as beside:
        beside.write_bytes(content)
    return path
