"""The command line: one app, one entry, every error told in words and an exit code."""

from __future__ import annotations

import os
import re
import sys
from dataclasses import replace
from itertools import pairwise
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
from pipeline.cli.together import ALWAYS
from shared.errors import Problem, RimebookError, UsageError
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


#: What the parser says of a value: what else it is than what may stand there, and what that is.
_VALUES = (
    (r"Input should be a valid number.*", "no number", "a number"),
    (r"Input should be a valid integer.*", "no whole number", "a whole number"),
    (r"Input should be greater than or equal to (\S+)", "", r"\1 or more"),
    (r"Input should be less than or equal to (\S+)", "", r"\1 or less"),
    (r"Value error, .* is not one of (.*)", "", r"one of \1"),
)
_INVALID = re.compile(r"Invalid value for '(?P<option>[^']+)': (?P<said>.*)", re.DOTALL)
#: Options that are often given more than once: with them alone the commands need not be read, which takes 40 ms.
_OFTEN = ("--zone", "--soil")
#: A word longer than this is cut where an error tells it: a slip of the clipboard would hide what is wrong with it.
_LONG_WORD = re.compile(r"(\S{80})\S{200,}(\S{20})")


def _command(arguments: list[str]) -> str:
    return next((a for a in arguments if not a.startswith("-")), "")


def _in_words(found: str) -> str:
    """Return what the parser of the command line found as words that follow 'found'."""
    for said, meant in (("Missing ", "no "), ("Got unexpected", "unexpected")):
        if found.startswith(said):
            found = meant + found.removeprefix(said)
    return (found[:1].lower() + found[1:]).rstrip(".")


def _of_usage(found: str, arguments: list[str], see: str) -> Problem:
    """Return the problem of a command line that the parser does not take, with the option and its value."""
    invalid = _INVALID.fullmatch(found.rstrip("."))
    if invalid:
        option, said = invalid["option"], invalid["said"]
        for pattern, meant, expected in _VALUES:
            match = re.fullmatch(pattern, said, re.DOTALL)
            if match:
                shown = ", ".join(part for part in (*(f"`{v}`" for v in _values_of(option, arguments)), meant) if part)
                return Problem("usage", option, shown or "another value", match.expand(expected), see)
    return Problem("usage", "command line", _in_words(found), "a call this command takes", see)


def _values_of(option: str, arguments: list[str]) -> list[str]:
    """Return the values of an option as they stand on the command line; none for an argument without a name."""
    apart = [value for text, value in pairwise(arguments) if text == option]
    return apart + [text.removeprefix(f"{option}=") for text in arguments if text.startswith(f"{option}=")]


def _before_command(arguments: list[str]) -> str:
    """Return what to do about a command's option that stands before the command, '' where that is not so."""
    first, joined, _ = arguments[0].partition("=") if arguments else ("", "", "")
    commands = getattr(typer.main.get_command(app), "commands", {}) if first.startswith("-") else {}
    for place, word in enumerate(arguments[1:], start=1):
        option = next((p for p in commands[word].params if first in p.opts), None) if word in commands else None
        # The word right behind an option that takes a value is that value, whatever it says.
        if option is not None and (place > 1 or joined or option.is_flag):
            return f"Options stand after the command: rimebook {word} ... {first}. See: rimebook {word} --help"
    return ""


def _refuse_twice(arguments: list[str]) -> None:
    """Refuse an option with two values of which the parser would take the last and leave the other out.

    Those that every answer takes may stand there twice: an alias of the shell sets them, and the last one counts.
    """
    named = [text.partition("=")[0] for text in arguments if text.startswith("--")]
    once = [name for name in named if name not in _OFTEN]
    if len(once) == len(set(once)):
        return
    command = getattr(typer.main.get_command(app), "commands", {}).get(_command(arguments))
    valued = {p.opts[0]: p for p in (command.params if command else ())
              if p.param_type_name == "option" and not p.is_flag}  # fmt: skip
    seen: dict[str, list[str]] = {}
    rest = iter(arguments)
    for text in rest:
        name, joined, value = text.partition("=")
        if name in valued:  # what follows is its value, whatever it looks like
            seen.setdefault(name, []).append(value if joined else next(rest, ""))
    for name, values in seen.items():
        several = list(dict.fromkeys(values))
        if len(several) > 1 and not (valued[name].multiple or valued[name].name in ALWAYS):
            raise UsageError(
                "option-twice", where=name, found=" and ".join(f"`{value}`" for value in several),
                expected="one value", do="Leave the others out.",
            )  # fmt: skip


def _told(problem: Problem, code: int, arguments: list[str]) -> int:
    where, found, do = (_LONG_WORD.sub(r"\1...\2", text) for text in (problem.where, problem.found, problem.do))
    problem = replace(problem, where=where, found=found, do=do)
    if "--json" in arguments:
        from pipeline.present.json_text import render_error

        print_out(render_error(_command(arguments), problem))
    tell(f"Error: {problem.sentence()}")
    return code


def main(arguments: list[str]) -> int:
    """Run one command and return its exit code: 0 done, 1 the user can fix it, 2 usage."""
    try:
        _refuse_twice(arguments)
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
        do = _before_command(arguments) or f"See: {see}"
        return _told(_of_usage(found, arguments, do), error.exit_code, arguments)
    except (Abort, KeyboardInterrupt):
        tell("Stopped; nothing was left half done.")
        return 1
    except BrokenPipeError:
        # The reader of our output has gone (such as `| head`): nothing to tell, and nobody to tell it to.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:  # of the world outside, where no place in the program knows better
        problem = Problem("file-system", str(error.filename or f"rimebook {_command(arguments)}"),
                          error.strerror or str(error), "a file or folder that can be read and written",
                          "Check the name, the disk and the permissions.")  # fmt: skip
        return _told(problem, 1, arguments)
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
