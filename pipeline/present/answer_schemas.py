"""The JSON Schema of each answer, read off the frozen result types, so that schema and answer cannot drift apart."""

from __future__ import annotations

import datetime
import types
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import date
from importlib import import_module
from typing import Any, Final, Literal, Union, get_args, get_origin, get_type_hints

DRAFT: Final = "https://json-schema.org/draft/2020-12/schema"
#: Where the result type of each command stands: module and name.
RESULTS: Final[dict[str, tuple[str, str]]] = {
    "demo": ("pipeline.answers.demo", "DemoResult"),
    "init": ("pipeline.answers.setting_up", "MadeBook"),
    "import": ("pipeline.intake.importing", "ImportResult"),
    "learn": ("pipeline.answers.fitting", "LearnResult"),
    "estimate": ("pipeline.answers.estimating", "EstimateResult"),
    "quote": ("pipeline.answers.quoting", "QuoteResult"),
    "calibration": ("pipeline.answers.calibrating", "CalibrationResult"),
    "safety": ("pipeline.answers.safety_answer", "SafetyResult"),
    "log": ("pipeline.answers.logged_against", "LogResult"),
    "costing": ("pipeline.answers.costing", "CostingResult"),
    "order": ("pipeline.answers.ice_answer", "OrderResult"),
    "technique": ("pipeline.answers.reviewing", "TechniqueResult"),
    "forecast": ("pipeline.answers.forecasting", "ForecastResult"),
    "report": ("pipeline.answers.reporting", "ReportResult"),
    "batches": ("pipeline.answers.housekeeping", "BatchList"),
    "undo": ("pipeline.answers.housekeeping", "UndoneBatch"),
    "export": ("pipeline.answers.housekeeping", "Exported"),
    "backup": ("pipeline.answers.safekeeping", "BackedUp"),
    "restore": ("pipeline.answers.safekeeping", "Restored"),
    "check": ("pipeline.answers.safekeeping", "Checked"),
    "licences": ("pipeline.answers.licences", "Licences"),
}
_ERROR: Final = {
    "type": "object",
    "properties": {
        "rimebook": {"type": "string"},
        "command": {"type": "string"},
        "error": {
            "type": "object",
            "properties": {k: {"type": "string"} for k in ("code", "where", "found", "expected", "do")},
            "required": ["code", "where", "found", "expected", "do"],
            "additionalProperties": False,
        },
    },
    "required": ["rimebook", "command", "error"],
    "additionalProperties": False,
}


def answer_schema(command: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a command's whole answer: the envelope with its result.

    Raises
    ------
    KeyError
        When there is no such command.
    """
    module, name = RESULTS[command]
    strings = {"type": "array", "items": {"type": "string"}}
    envelope = {
        "rimebook": {"type": "string"}, "command": {"const": command}, "book": {"type": "string"},
        "today": {"type": "string", "format": "date"}, "result": _schema(getattr(import_module(module), name)),
        "warnings": strings, "cautions": strings,
    }  # fmt: skip
    return {"$schema": DRAFT, "title": f"rimebook {command}", "type": "object", "properties": envelope,
            "required": list(envelope), "additionalProperties": False}  # fmt: skip


def answer_schemas() -> dict[str, Any]:
    """Return the schemas of all answers by command, and that of an error under ``error``."""
    return {**{command: answer_schema(command) for command in RESULTS}, "error": {"$schema": DRAFT, **_ERROR}}


_PLAIN: Final[dict[Any, dict[str, Any]]] = {
    float: {"type": "number"},
    int: {"type": "integer"},
    str: {"type": "string"},
    bool: {"type": "boolean"},
    type(None): {"type": "null"},
    date: {"type": "string", "format": "date"},
    datetime.datetime: {"type": "string", "format": "date-time"},
    Any: {},
    object: {},
}


def _schema(kind: Any) -> dict[str, Any]:
    if kind in _PLAIN:
        return _PLAIN[kind]
    if is_dataclass(kind):
        hints = get_type_hints(kind, localns=_named_types())
        properties = {f.name.rstrip("_"): _schema(hints[f.name]) for f in fields(kind)}
        return {"type": "object", "properties": properties, "required": list(properties),
                "additionalProperties": False}  # fmt: skip
    origin, arguments = get_origin(kind), get_args(kind)
    if origin is Literal:
        return {"enum": list(arguments)}
    if origin in (Union, types.UnionType):
        return {"anyOf": [_schema(a) for a in arguments]}
    if origin in (tuple, list, Sequence):
        return {"type": "array", "items": _schema(arguments[0])} if arguments else {"type": "array"}
    if origin in (dict, Mapping):
        return {"type": "object", "additionalProperties": _schema(arguments[1])}
    raise TypeError(f"no JSON Schema for {kind!r}")


def _named_types() -> dict[str, Any]:
    """Return types that a result's module imports for type checking only, under the names it uses."""
    from pipeline.answers import answer, estimating, forecast_ice, logged_change, safety_air, safety_noise, similar
    from shared import vocabulary

    modules = (answer, estimating, forecast_ice, logged_change, safety_air, safety_noise, similar)
    return {
        "Mapping": Mapping, "Sequence": Sequence, "date": date, "datetime": datetime,
        **{n: getattr(m, n) for m in modules for n in dir(m) if n[:1].isupper()},
        "Basis": vocabulary.Basis, "Quantity": vocabulary.Quantity,
    }  # fmt: skip
