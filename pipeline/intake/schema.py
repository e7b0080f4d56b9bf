"""Each log as a Frictionless Table Schema, written from the log's declaration."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from pipeline.intake.book_words import words_of
from pipeline.intake.columns import LOGS
from pipeline.intake.logs import SHAPES

if TYPE_CHECKING:
    from pipeline.book.settings import Settings
    from pipeline.intake.columns import Column, Log
    from pipeline.intake.logs import LogShape
    from pipeline.intake.words import Words

_MOMENT: Final = r"\d{4}-\d{2}-\d{2}([T ]\d{2}:\d{2}(:\d{2})?)?"


def table_schema(log: Log, settings: Settings) -> dict[str, Any]:
    """Return one log in canonical form as a Table Schema (Frictionless Data, Table Schema version 1).

    It describes what `export` writes and the strictest file that `import` takes; `import` takes much more. The words
    of classes and zones are those of the book.
    """
    shape, words = SHAPES[log], words_of(settings)
    fields = [_field(column, shape, words) for column in shape.columns]
    return {"name": log, "title": shape.title, "fields": fields, "missingValues": [""]}


def table_schemas(settings: Settings) -> dict[str, dict[str, Any]]:
    """Return the Table Schema of every log by its name."""
    return {log: table_schema(log, settings) for log in LOGS}


def _field(column: Column, shape: LogShape, words: Words) -> dict[str, Any]:
    field: dict[str, Any] = {"name": column.name, "type": "string", "description": shape.doc[column.name]}
    constraints: dict[str, Any] = {"required": True} if column.need else {}
    limit = shape.limits.get(column.name)
    if limit is not None:
        field["type"] = "integer" if column.reads == "whole" else "number"
        whole = int if column.reads == "whole" else float
        constraints |= {"minimum": whole(limit.low), "maximum": whole(limit.high)}
    elif column.reads == "date":
        field["type"] = "date"
    elif column.reads == "moment":
        constraints["pattern"] = _MOMENT
    elif column.reads == "yes_no":
        field |= {"type": "boolean", "trueValues": ["yes"], "falseValues": ["no"]}
    elif column.reads in ("class", "zone", "soil", "status"):
        constraints["enum"] = list(words.canonical(column.reads))
    if constraints:
        field["constraints"] = constraints
    return field
