"""The command line as a whole: runs one command and turns every refusal into one clear line and an exit status."""

import errno
import io
import os
import sys
import traceback

import typer

from wearlab.asked import PANELS, app, print_document
from wearlab.commands import ahead, data, decide, life, show

COMMANDS = (data, life, decide, ahead, show)  # importing a module registers its commands
app.registered_commands.sort(key=lambda command: PANELS.index(str(command.rich_help_panel)))


def run(arguments: list[str]) -> int:
    """Run one command and return its exit status: 0 done, 1 the data cannot answer, 2 bad input or usage."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a terminal of few letters shows the others as codes
    try:
        outcome = app(arguments, standalone_mode=False)
    except typer.TyperException as error:
        return _refuse(arguments, "usage", error.format_message(), "see wearlab --help")
    except typer.Abort:
        return 2
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        return _refuse_error(arguments, error)
    return outcome if isinstance(outcome, int) else 0


def _refuse_error(arguments: list[str], error: Exception) -> int:
    from wearlab.evidence import DataError

    if isinstance(error, DataError):
        return _refuse_data(arguments, error)
    if isinstance(error, OSError) and error.errno == errno.ENAMETOOLONG:
        return _refuse(
            arguments,
            "path-too-long",
            f"a name of {len(str(error.filename)):,} letters is too long for a path",
            "give a shorter one",
        )
    if os.environ.get("WEARLAB_TRACE"):
        traceback.print_exc()
    line = " ".join(str(error).split())[:300]
    text = f"this should not have happened ({type(error).__name__}: {line})"
    return _refuse(
        arguments, "internal", text, "run again with WEARLAB_TRACE=1 in the environment and report what it prints"
    )


def _refuse(arguments: list[str], code: str, text: str, fix: str) -> int:
    from wearlab.evidence import DataError

    return _refuse_data(arguments, DataError(code, text, fix))


def _refuse_data(arguments: list[str], error: Exception) -> int:
    from wearlab.evidence import DataError
    from wearlab.show.document import error_document, to_json
    from wearlab.terminal import print_problem

    if not isinstance(error, DataError):
        raise TypeError("only a DataError names its place and fix")
    print_problem(str(error))
    if "--json" in arguments:
        command = next((argument for argument in arguments if not argument.startswith("-")), "")
        print_document(to_json(error_document(command, error)))
    return 2
