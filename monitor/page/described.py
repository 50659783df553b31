"""What the API takes and gives, described from its types: JSON Schema, and what a program told checked against it."""

from __future__ import annotations

import contextlib
import inspect
import json
import math
import re
import types
import typing
from collections.abc import Mapping
from typing import Annotated, Any, Final, Literal, NotRequired, get_args, get_origin, get_type_hints

from monitor.errors import UsageError
from monitor.values import dataclass

_PLAIN: Final[Mapping[Any, str]] = {
    str: "string",
    int: "integer",
    float: "number",
    bool: "boolean",
    types.NoneType: "null",
}
_SAID: Final[Mapping[str, str]] = {
    "string": "a text", "integer": "a whole number", "number": "a number", "boolean": "true or false", "null": "null",
}  # fmt: skip
# No control signs but ends of lines and tabs.
_TEXT: Final = r"^[^\u0000-\u0008\u000b-\u001f\u007f-\u009f]*$"
_NUMBER: Final = re.compile(r"-?[0-9]{1,15}(?:\.[0-9]{1,30})?(?:[eE][-+]?[0-9]{1,3})?", re.ASCII)
MOST_COUNTED: Final = 2**31 - 1
"""No number of an entry or a notice is larger."""


@dataclass(frozen=True)
class Within:
    """The bounds of a number, both included."""

    least: float
    most: float


@dataclass(frozen=True)
class Long:
    """How many signs a text has at least and at most."""

    least: int
    most: int


class Schemas:
    """Schemas of types, each TypedDict once under its name."""

    def __init__(self) -> None:
        self.known: dict[str, dict[str, Any]] = {}

    def of(self, form: Any) -> dict[str, Any]:
        """The schema of a type. Raises TypeError for one that no JSON has."""
        origin, inside = get_origin(form), get_args(form)
        if origin is Annotated:
            return self.of(inside[0]) | _bounds(inside[1:])
        if form in _PLAIN:
            return {"type": _PLAIN[form]}
        if typing.is_typeddict(form):
            return self._named(form)
        if origin is Literal:
            return {"type": "string", "enum": list(inside)}
        if origin in (types.UnionType, typing.Union):
            return {"anyOf": [self.of(x) for x in inside]}
        if origin is list:
            return {"type": "array", "items": self.of(inside[0])}
        if origin is tuple:
            return {
                "type": "array",
                "prefixItems": [self.of(x) for x in inside],
                "minItems": len(inside),
                "maxItems": len(inside),
            }
        if origin is dict:
            return {"type": "object", "additionalProperties": self.of(inside[1])}
        raise TypeError(f"{form} has no schema")

    def _named(self, form: Any) -> dict[str, Any]:
        name = form.__name__.removesuffix("Json")
        if name not in self.known:
            self.known[name] = {}
            fields = fields_of(form)
            self.known[name] |= {
                "type": "object",
                "properties": {key: self.of(hint) for key, (hint, _) in fields.items()},
                "required": [key for key, (_, needed) in fields.items() if needed],
                "additionalProperties": False,
            }
            if told := inspect.getdoc(form) if form.__doc__ else "":
                self.known[name]["description"] = " ".join(told.replace("``", "`").split())
        return {"$ref": f"#/components/schemas/{name}"}


def fields_of(form: Any) -> dict[str, tuple[Any, bool]]:
    """The keys of a TypedDict, each with its type and whether it is always there."""
    found = {}
    for key, hint in get_type_hints(form, include_extras=True).items():
        may_miss = get_origin(hint) is NotRequired
        found[key] = (get_args(hint)[0] if may_miss else hint, not may_miss)
    return found


def _bounds(told: tuple[Any, ...]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for x in told:
        if isinstance(x, Within):
            found |= {"minimum": x.least, "maximum": x.most}
        elif isinstance(x, Long):
            found |= {"minLength": x.least, "maxLength": x.most, "pattern": _TEXT}
        else:
            found["format"] = x
    return found


# -- what a program tells ----------------------------------------------------------------------------------------------


def told_in(form: Any, body: bytes) -> dict[str, Any]:
    """What a body tells, of which ``form`` is the TypedDict. Raises UsageError."""
    try:
        told = json.loads(body.decode("utf-8"), parse_constant=_no_number) if body.strip() else {}
    except (ValueError, RecursionError):
        raise UsageError("the body is no JSON", fix="send an object as application/json, in UTF-8") from None
    if not isinstance(told, dict):
        raise UsageError("the body is no JSON object", fix="send an object, with the keys that are described")
    fields = fields_of(form)
    for key in told:
        if key not in fields:
            raise UsageError(f"there is no key {key[:40]!r}", fix=f"keys are: {', '.join(fields)}")
    for key, (hint, needed) in fields.items():
        if key in told:
            check(key, told[key], hint)
        elif needed:
            raise UsageError(f"{key} is missing", fix=f"tell {key}")
    return told


def _no_number(word: str) -> None:
    raise ValueError(word)


def check(key: str, value: Any, form: Any) -> None:
    """Whether a value is of a type, within its bounds. Raises UsageError."""
    schema = Schemas().of(form)
    choices = schema.get("anyOf", [schema])
    if not any(_fits(value, one) for one in choices):
        raise UsageError(f"{key} is not {' or '.join(map(_words, choices))}", fix=f"put {key} right")
    if isinstance(value, str) and not _is_text(value):
        raise UsageError(f"{key} holds signs that are no text", fix=f"put {key} right")


def _is_text(value: str) -> bool:
    """Whether it has no control signs, and no halves of signs."""
    return re.search(_TEXT, value) is not None and not any("\ud800" <= sign <= "\udfff" for sign in value)


def _fits(value: Any, schema: Mapping[str, Any]) -> bool:
    kind = schema["type"]
    if kind == "null":
        return value is None
    if kind == "boolean":
        return isinstance(value, bool)
    if kind == "string":
        long = isinstance(value, str) and schema.get("minLength", 0) <= len(value) <= schema.get("maxLength", math.inf)
        return long and value in schema.get("enum", (value,))
    if isinstance(value, bool) or not isinstance(value, int if kind == "integer" else (int, float)):
        return False
    if isinstance(value, float) and not math.isfinite(value):
        return False
    return bool(schema.get("minimum", -math.inf) <= value <= schema.get("maximum", math.inf))


def _words(schema: Mapping[str, Any]) -> str:
    """What a value has to be."""
    if "enum" in schema:
        return f"one of {', '.join(schema['enum'])}"
    said = _SAID[schema["type"]]
    if "minimum" in schema:
        said += f" from {schema['minimum']:g} to {schema['maximum']:g}"
    if "maxLength" in schema:
        said += f" of {schema['minLength']} to {schema['maxLength']} signs"
    return said


def read_as(key: str, text: str, form: Any) -> Any:
    """A value from an address. Raises UsageError."""
    schema = Schemas().of(form)
    value: Any = text
    if schema["type"] in ("integer", "number"):
        value = None
        if _NUMBER.fullmatch(text):
            with contextlib.suppress(ValueError):
                value = int(text) if schema["type"] == "integer" else float(text)
    check(key, value, form)
    return value
