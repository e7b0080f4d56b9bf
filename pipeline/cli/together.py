"""Options that do not go together: one that an answer would leave out is refused, never dropped without a word."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import typer

from shared.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

#: Parameters of every answer; with none to draw or to tell a range of they change nothing, and mislead nobody.
ALWAYS: Final = frozenset(("book", "as_json", "today", "seed", "level"))


def given(context: typer.Context, name: str) -> bool:
    """Return whether a parameter stands on the command line itself, be it with its default."""
    source = context.get_parameter_source(name)
    return source is not None and source.name == "COMMANDLINE"


def refuse_beside(context: typer.Context, mode: str, takes: Collection[str], *, do: str = "") -> None:
    """Refuse every option on the command line that a way of asking would leave out.

    Parameters
    ----------
    context : typer.Context
        Of the command.
    mode : str
        The parameter that asks this way, such as `found`.
    takes : collection of str
        The other parameters that are read then; those that every answer takes may always be there.
    do : str
        What to do beside leaving it out.

    Raises
    ------
    UsageError
        ``option-left-out`` for the first of them.
    """
    for parameter in _changed(context):
        if parameter.name not in {mode, *takes, *ALWAYS}:
            by_name = {p.name: p for p in context.command.params}
            beside, others = _shown(context, by_name[mode]), ", ".join(_option(by_name[name]) for name in takes)
            raise UsageError(
                "option-left-out", where=_option(parameter),
                found=f"`{_shown(context, parameter)}` beside {beside}, whose answer would leave it out",
                expected=f"with {_option(by_name[mode])} only {others}" if others else f"{beside} alone",
                do=f"Leave {_option(parameter)} out{f'. {do}' if do else '.'}",
            )  # fmt: skip


def refuse_without(context: typer.Context, names: Collection[str], needed: str, *, do: str) -> None:
    """Refuse options on the command line that say something only beside another one, which is not there.

    Raises
    ------
    UsageError
        ``option-alone``
    """
    if given(context, needed):
        return
    wanted = next(_option(p) for p in context.command.params if p.name == needed)
    for parameter in _changed(context):
        if parameter.name in names:
            raise UsageError(
                "option-alone", where=_option(parameter),
                found=f"`{_shown(context, parameter)}` without {wanted}, which would leave it out",
                expected=f"{_option(parameter)} beside {wanted}", do=do,
            )  # fmt: skip


def refuse_both(context: typer.Context, name: str, other: str, *, do: str) -> None:
    """Refuse an option on the command line that would be left out beside another one.

    Raises
    ------
    UsageError
        ``option-left-out``
    """
    if given(context, name) and given(context, other):
        one, two = (next(p for p in context.command.params if p.name == n) for n in (name, other))
        raise UsageError(
            "option-left-out", where=_option(one),
            found=f"`{_shown(context, one)}` beside {_shown(context, two)}, whose answer would leave it out",
            expected="one of them", do=do,
        )  # fmt: skip


def refuse_blank(context: typer.Context, names: Collection[str]) -> None:
    """Refuse options on the command line without a value, as an unset variable leaves them: they would ask nothing.

    Raises
    ------
    UsageError
        ``blank-option``
    """
    for parameter in _given(context):
        if parameter.name in names and not str(context.params[parameter.name]).strip():
            raise UsageError("blank-option", where=_option(parameter), found="nothing", expected="a value",
                             do=f"Give one, or leave {_option(parameter)} out.")  # fmt: skip


def _given(context: typer.Context) -> Iterator[Any]:
    """Yield the parameters that stand on the command line, in the order of the command's help."""
    return (p for p in context.command.params if p.name and given(context, p.name))


def _changed(context: typer.Context) -> Iterator[Any]:
    """Yield those of them that say something else than where they are left out."""
    return (p for p in _given(context) if context.params[p.name] != p.default)


def _option(parameter: Any) -> str:
    return str(parameter.opts[0])


def _shown(context: typer.Context, parameter: Any) -> str:
    """Return an option as it was written: its name, and its first value where it has one."""
    value = context.params[parameter.name]
    first = value[0] if isinstance(value, list | tuple) else value
    return _option(parameter) if isinstance(first, bool) else f"{_option(parameter)} {first}"
