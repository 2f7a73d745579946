"""Commands run as a user types them: in a process of their own, or in this one, which has the libraries already."""

import contextlib
import io
import json
import os
import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from wearlab.cli import run


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
    assert "Warning: " not in done.stderr, done.stderr
    return Ran(done.returncode, done.stdout, done.stderr)


def run_here(*arguments: str | Path) -> Ran:
    """Run the command line in this process."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", "160")
        status = run([str(argument) for argument in arguments])
    return Ran(status, out.getvalue(), err.getvalue())


@cache
def answer_of(command: str, source: Path, *options: str) -> dict[str, Any]:
    """The document that a command prints for a source that does not change; run once."""
    ran = run_here(command, source, "--json", *options)
    assert ran.status == 0, ran.err
    return ran.document()
