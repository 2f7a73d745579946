"""Commands run in a process of their own, as a user types them."""

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Ran:
    """What a command left behind."""

    status: int
    out: str
    err: str

    def document(self) -> dict[str, Any]:
        """The one JSON document on standard output; NaN and Infinity are not JSON."""

        def refuse(constant: str) -> None:
            raise AssertionError(f"{constant} in a document")

        document: dict[str, Any] = json.loads(self.out, parse_constant=refuse)
        return document


def run_wearlab(*arguments: str | Path, folder: Path | None = None) -> Ran:
    """Run the command line in a process of its own, as a user does."""
    done = subprocess.run(
        [sys.executable, "-m", "wearlab", *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=folder,
        check=False,
        timeout=300,
        env={**os.environ, "COLUMNS": "160"},
    )
    return Ran(done.returncode, done.stdout, done.stderr)


@cache
def answer_of(command: str, source: Path, *options: str) -> dict[str, Any]:
    """The document that a command prints for a source that does not change; run once."""
    ran = run_wearlab(command, source, "--json", *options)
    assert ran.status == 0, ran.err
    return ran.document()
