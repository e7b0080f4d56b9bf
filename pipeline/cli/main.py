"""The command line: one app, one entry, every error told in words and an exit code."""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer
from typer.exceptions import Abort, TyperException

from pipeline.cli import (
    asking_prices,
    costing,
    demo,
    forecasting,
    housekeeping,
    judging,
    logs,
    ordering,
    recording,
    reporting,
    safety,
    setting_up,
)
from pipeline.cli.common import print_out, tell
from shared.errors import Problem, RimebookError
from shared.version import VERSION

app = typer.Typer(
    name="rimebook",
    help="Learns dry-ice pellets and time from a vehicle-cleaning shop's own job log; answers with honest intervals.",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    add_completion=False,
    no_args_is_help=True,
)
_ROOMS = (
    demo, setting_up, logs, recording, asking_prices, ordering, forecasting, costing, judging, safety, reporting,
    housekeeping,
)  # fmt: skip
for _room in _ROOMS:
    _room.register(app)


def _version(wanted: bool) -> None:
    if wanted:
        print_out(f"rimebook {VERSION}")
        raise typer.Exit


@app.callback()
def _whole(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and exit.")
    ] = False,
) -> None:
    """Take what holds for every command."""


#: What the parser says of a value, and what it means to who typed it.
_VALUES = (
    ("Input should be a valid number, unable to parse string as a number", "no number"),
    ("Input should be a valid integer, unable to parse string as an integer", "no whole number"),
    ("Input should be a valid integer, got a number with a fractional part", "no whole number"),
)


def _command(arguments: list[str]) -> str:
    return next((a for a in arguments if not a.startswith("-")), "")


def _in_words(found: str) -> str:
    """Return what the parser of the command line found as words that follow 'found'."""
    for said, meant in (("Missing ", "no "), ("Got unexpected", "unexpected")):
        if found.startswith(said):
            found = meant + found.removeprefix(said)
    for said, meant in _VALUES:
        found = found.replace(said, meant)
    return (found[:1].lower() + found[1:]).rstrip(".")


def _told(problem: Problem, code: int, arguments: list[str]) -> int:
    if "--json" in arguments:
        from pipeline.present.json_text import render_error

        print_out(render_error(_command(arguments), problem))
    tell(f"Error: {problem.sentence()}")
    return code


def main(arguments: list[str]) -> int:
    """Run one command and return its exit code: 0 done, 1 the user can fix it, 2 usage."""
    try:
        code = app(args=arguments or ["--help"], prog_name="rimebook", standalone_mode=False)
        sys.stdout.flush()
        return code if isinstance(code, int) else 0
    except RimebookError as error:
        return _told(error.problem, error.exit_code, arguments)
    except TyperException as error:
        found = error.format_message()
        command = _command(arguments)
        known = {c.name for c in app.registered_commands}
        see = f"rimebook {command} --help" if command in known else "rimebook --help"
        problem = Problem("usage", "command line", _in_words(found), "a call this command takes", f"See: {see}")
        return _told(problem, error.exit_code, arguments)
    except (Abort, KeyboardInterrupt):
        tell("Stopped; nothing was left half done.")
        return 1
    except BrokenPipeError:
        # The reader of our output has gone (such as `| head`): nothing to tell, and nobody to tell it to.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except MemoryError:
        problem = Problem("out-of-memory", "this machine", "not enough memory", "room for the work",
                          "Close other programs or split the input.")  # fmt: skip
        return _told(problem, 1, arguments)
    except Exception as error:  # the one place where a fault of our own is told in words
        if os.environ.get("RIMEBOOK_TRACE"):
            raise
        problem = Problem("fault", f"rimebook {_command(arguments)}", f"{type(error).__name__}: {error}",
                          "no fault of the program", "Nothing was left half done. Set RIMEBOOK_TRACE=1 and run it "
                          "again to see the details for a report.")  # fmt: skip
        return _told(problem, 1, arguments)


def run() -> None:
    """Entry of the console script."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    raise SystemExit(main(sys.argv[1:]))
