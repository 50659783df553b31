"""Types as schemas, and what a program told held to them."""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal, NotRequired, TypedDict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import UsageError
from monitor.page.described import Long, Schemas, Within, check, read_as, told_in


class Inner(TypedDict):
    """An inner one, with ``what`` it is."""

    n: Annotated[int, Within(1, 5)]


class Outer(Inner):
    """An outer one."""

    text: Annotated[str, Long(1, 4)]
    maybe: NotRequired[float | None]
    kind: NotRequired[Literal["a", "b"]]
    sure: NotRequired[bool]


class Grown(TypedDict):
    """One with others inside."""

    inner: list[Inner]
    at: Annotated[str, "date-time"] | None
    by_name: dict[str, float]
    pair: tuple[float, float]


def test_a_type_becomes_a_schema_and_each_form_is_there_once() -> None:
    schemas = Schemas()
    assert schemas.of(list[Grown]) == {"type": "array", "items": {"$ref": "#/components/schemas/Grown"}}
    assert schemas.of(Inner) == {"$ref": "#/components/schemas/Inner"}
    assert schemas.known == {
        "Grown": {
            "type": "object",
            "description": "One with others inside.",
            "properties": {
                "inner": {"type": "array", "items": {"$ref": "#/components/schemas/Inner"}},
                "at": {"anyOf": [{"type": "string", "format": "date-time"}, {"type": "null"}]},
                "by_name": {"type": "object", "additionalProperties": {"type": "number"}},
                "pair": {
                    "type": "array", "prefixItems": [{"type": "number"}, {"type": "number"}],
                    "minItems": 2, "maxItems": 2,
                },
            },
            "required": ["inner", "at", "by_name", "pair"],
            "additionalProperties": False,
        },
        "Inner": {
            "type": "object",
            "description": "An inner one, with `what` it is.",
            "properties": {"n": {"type": "integer", "minimum": 1, "maximum": 5}},
            "required": ["n"],
            "additionalProperties": False,
        },
    }  # fmt: skip
    with pytest.raises(TypeError, match="has no schema"):
        schemas.of(set[str])


@pytest.mark.parametrize(
    ("body", "what"),
    [
        ('{"n": 1, "text": "x"}', ""),
        ('{"n": 5, "text": "four", "maybe": null, "kind": "b", "sure": false}', ""),
        ('{"n": 1, "text": "x", "maybe": 2}', ""),
        ("", "n is missing"),
        ("[]", "no JSON object"),
        ("{", "no JSON"),
        ('{"n": 1}', "text is missing"),
        ('{"n": 1, "text": "x", "more": 1}', "no key 'more'"),
        ('{"n": 0, "text": "x"}', "n is not a whole number from 1 to 5"),
        ('{"n": 6, "text": "x"}', "n is not a whole number from 1 to 5"),
        ('{"n": 1.0, "text": "x"}', "n is not a whole number from 1 to 5"),
        ('{"n": true, "text": "x"}', "n is not a whole number from 1 to 5"),
        ('{"n": 1, "text": ""}', "text is not a text of 1 to 4 signs"),
        ('{"n": 1, "text": "fives"}', "text is not a text of 1 to 4 signs"),
        ('{"n": 1, "text": "a\\u0000"}', "text holds signs that are no text"),
        ('{"n": 1, "text": "x", "maybe": "2"}', "maybe is not a number or null"),
        ('{"n": 1, "text": "x", "maybe": Infinity}', "no JSON"),
        ('{"n": 1, "text": "x", "kind": "c"}', "kind is not one of a, b"),
        ('{"n": 1, "text": "x", "sure": 1}', "sure is not true or false"),
    ],
)
def test_what_is_told_is_held_to_its_form(body: str, what: str) -> None:
    if not what:
        assert told_in(Outer, body.encode()) == json.loads(body)
        return
    with pytest.raises(UsageError) as refused:
        told_in(Outer, body.encode())
    assert what in refused.value.what
    assert refused.value.fix


@given(
    st.binary(max_size=200)
    | st.recursive(st.none() | st.booleans() | st.floats() | st.text(), st.lists).map(lambda x: json.dumps(x).encode())
)
def test_no_bytes_do_more_than_be_refused(body: bytes) -> None:
    with pytest.raises(UsageError):
        told_in(Outer, body)


@pytest.mark.parametrize(
    ("text", "form", "value"),
    [
        ("3", Annotated[int, Within(1, 5)], 3),
        ("2.5", Annotated[float, Within(1, 5)], 2.5),
        ("1.0000000000000002", Annotated[float, Within(1, 5)], 1.0000000000000002),
        ("25e-1", Annotated[float, Within(1, 5)], 2.5),
        ("1e0", Annotated[int, Within(1, 5)], None),
        ("K01", Annotated[str, Long(1, 4)], "K01"),
        ("6", Annotated[int, Within(1, 5)], None),
        ("3.0", Annotated[int, Within(1, 5)], None),
        ("nan", Annotated[float, Within(1, 5)], None),
        ("inf", Annotated[float, Within(1, 5)], None),
        ("1e999", float, None),
        ("1_0", int, None),
        (" 3", int, None),
        ("\u0663", int, None),
        ("-3", int, -3),
        ("9" * 5000, int, None),
        ("", Annotated[str, Long(1, 4)], None),
    ],
)
def test_what_stands_in_an_address_is_read_within_its_bounds(text: str, form: Any, value: object) -> None:
    if value is not None:
        assert read_as("n", text, form) == value
        return
    with pytest.raises(UsageError, match="n is not"):
        read_as("n", text, form)


def test_a_type_of_many_is_checked_one_by_one() -> None:
    for value in (None, 1.5, 2):
        check("x", value, float | None)
    with pytest.raises(UsageError, match="x is not a number or null"):
        check("x", "1", float | None)
