"""From bytes to readings: what is taken, what is refused, and the reason that is given."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.readings.decode import LARGEST_PAYLOAD, Guess, decode, guess, remarks, resolve, to_unit
from monitor.core.terms.events import Reading
from monitor.core.terms.settings import Probe, Unit
from monitor.errors import PayloadError

NOW = 1_777_615_200_000  # 2026-05-01T06:00:00Z
BARE = Probe("p", "a/t")


def at(pointer: str, **more: object) -> Probe:
    return Probe("p", "a/t", pointer=pointer, **more)  # type: ignore[arg-type]


def value(probe: Probe, payload: str | bytes) -> float:
    decoded = decode([probe], payload if isinstance(payload, bytes) else payload.encode(), NOW)
    assert decoded.refused == ()
    (reading,) = decoded.readings
    return reading.value


def reason(probe: Probe, payload: str | bytes) -> str:
    decoded = decode([probe], payload if isinstance(payload, bytes) else payload.encode(), NOW)
    assert decoded.readings == ()
    ((who, why),) = decoded.refused
    assert who == "p"
    return why


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        ("29.5", 29.5),
        (" 29.5\r\n", 29.5),
        ('"29.5"', 29.5),
        ("-3", -3.0),
        ("+1.5e1", 15.0),
        (".5", 0.5),
        ("28.", 28.0),
        (b"29.5\0", 29.5),
        (b"\xef\xbb\xbf29.5", 29.5),
    ],
)
def test_a_bare_number_is_a_reading(payload: str | bytes, expected: float) -> None:
    assert value(BARE, payload) == expected


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        ("29,5", "decimal comma"),
        ("nan", "not a number"),
        ("NaN", "not a number"),
        ("Infinity", "not a number"),
        ("1e999", "not a finite number"),
        ("unavailable", "'unavailable' is not a number"),
        ("29.5 C", "not a number"),
        ("1_000", "not a number"),
        ("٢٩", "not a number"),
        ("true", "not a number"),
        ("0x1d", "not a number"),
        ('{"t": 29.5}', "no pointer"),
        ("[29.5]", "no pointer"),
    ],
)
def test_what_is_no_number_is_refused_with_its_reason(payload: str, words: str) -> None:
    assert words in reason(BARE, payload)


def test_a_reading_without_a_time_of_its_own_gets_the_received_one_and_says_so() -> None:
    decoded = decode([BARE], b"29.5", NOW)
    assert decoded.readings == (Reading("p", NOW, 29.5, NOW, timed=False),)


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b"", "empty"),
        (b" \n\0", "empty"),
        (b"\xff\xfe2", "not text"),
        (b"9" * (LARGEST_PAYLOAD + 1), "larger than the 256 KiB"),
    ],
)
def test_a_payload_that_nobody_can_read_is_one_error(payload: bytes, words: str) -> None:
    with pytest.raises(PayloadError, match=words):
        decode([BARE], payload, NOW)


@pytest.mark.parametrize("payload", ["{", "hello", "[" * 100_000, "1" * 5000 + "x", '{"a":}'])
def test_broken_json_is_one_error_when_all_need_json(payload: str) -> None:
    with pytest.raises(PayloadError, match="not JSON"):
        decode([at("/t")], payload.encode(), NOW)


def test_the_largest_payload_that_fits_is_read() -> None:
    assert value(at("/t"), ('{"t": 1}' + " " * LARGEST_PAYLOAD)[:LARGEST_PAYLOAD]) == 1.0


# RFC 6901 section 5 gives this document and these pointers.
RFC_DOCUMENT = {
    "foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6, " ": 7, "m~n": 8,
}  # fmt: skip


@pytest.mark.parametrize(
    ("pointer", "expected"),
    [
        ("", RFC_DOCUMENT), ("/foo", ["bar", "baz"]), ("/foo/0", "bar"), ("/", 0), ("/a~1b", 1), ("/c%d", 2),
        ("/e^f", 3), ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8),
    ],
)  # fmt: skip
def test_the_pointers_of_rfc_6901_point_where_it_says(pointer: str, expected: object) -> None:
    assert resolve(RFC_DOCUMENT, pointer) == expected  # type: ignore[arg-type]


def test_the_escapes_of_a_pointer_are_undone_in_the_order_of_the_rfc() -> None:
    # RFC 6901 section 4: ~01 is ~1, not /.
    assert resolve({"~1": 1, "/": 2}, "/~01") == 1


@pytest.mark.parametrize("pointer", ["/foo/2", "/foo/-", "/foo/01", "/foo/+1", "/foo/-1", "/x", "/foo/0/x", "foo"])
def test_a_pointer_at_nothing_is_told_and_not_guessed(pointer: str) -> None:
    with pytest.raises(LookupError):
        resolve(RFC_DOCUMENT, pointer)  # type: ignore[arg-type]


def test_the_reason_names_the_pointer_and_what_is_there_instead() -> None:
    why = reason(at("/warmth/degrees"), '{"warmth": {"celsius": 28.1}}')
    assert "/warmth/degrees" in why
    assert "'celsius'" in why


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("null", "null instead of a value"),
        ("true", "true is not a number"),
        ('"unavailable"', "'unavailable' is not a number"),
        ('"29,5"', "decimal comma"),
        ("NaN", "not a finite number"),
        ("-Infinity", "not a finite number"),
        ("1e999", "not a finite number"),
        ("1" * 400, "not a finite number"),
        ("{}", "is not a number"),
        ("[]", "is not a number"),
    ],
)
def test_a_value_in_json_that_is_no_number_is_refused_with_its_reason(text: str, words: str) -> None:
    assert words in reason(at("/t"), '{"t": ' + text + "}")


@pytest.mark.parametrize(
    ("unit", "told", "celsius"),
    [
        ("C", 29.5, 29.5),
        ("F", 32.0, 0.0),
        ("F", 85.1, 29.5),
        ("F", -40.0, -40.0),
        ("K", 302.65, 29.5),
        ("%", 91.0, 91.0),
    ],
)
def test_units_become_celsius_and_per_cent(unit: Unit, told: float, celsius: float) -> None:
    assert value(Probe("p", "a/t", unit=unit), str(told)) == celsius


@given(st.floats(-100, 300))
def test_fahrenheit_comes_back_within_the_rounding(told: float) -> None:
    assert to_unit(told, "F") * 1.8 + 32 == pytest.approx(told, abs=1e-6)


@pytest.mark.parametrize(
    ("form", "text", "expected"),
    [
        ("iso", '"2026-05-01T05:59:30Z"', NOW - 30_000),
        ("iso", '"2026-05-01T07:59:30.250+02:00"', NOW - 29_750),
        ("iso", '"2026-05-01 05:59:30+00:00"', NOW - 30_000),
        ("s", "1777615170", NOW - 30_000),
        ("s", "1777615170.25", NOW - 29_750),
        ("s", '"1777615170"', NOW - 30_000),
        ("ms", "1777615170250", NOW - 29_750),
    ],
)
def test_a_measured_time_is_read_in_its_form(form: str, text: str, expected: int) -> None:
    decoded = decode([at("/v", time_pointer="/at", time_form=form)], f'{{"v": 28, "at": {text}}}'.encode(), NOW)
    assert decoded.readings == (Reading("p", expected, 28.0, NOW, timed=True),)


@pytest.mark.parametrize(
    ("form", "text", "words"),
    [
        ("iso", '"2026-05-01T05:59:30"', "has no zone"),
        ("iso", '"2026-05-01"', "has no zone"),
        ("iso", '"yesterday"', "cannot be read as ISO 8601"),
        ("iso", "1777615170", "is not a text like"),
        ("s", "null", "the time: null"),
        ("s", "1e30", "far outside any calendar"),
        ("ms", '"soon"', "the time: 'soon' is not a number"),
        ("s", "12", "says 1970-01-01 00:00 UTC: it was never set"),
        ("iso", '"2000-12-31T23:59:59Z"', "it was never set"),
        ("iso", '"2031-02-03T04:05:00Z"', "says 2031-02-03 04:05 UTC, which is still to come"),
        ("ms", "9007199254740992", "still to come"),
        ("s", "1777788001", "still to come"),
    ],
)
def test_a_time_that_cannot_be_is_refused_and_named(form: str, text: str, words: str) -> None:
    assert words in reason(at("/v", time_pointer="/at", time_form=form), f'{{"v": 28, "at": {text}}}')


def test_a_clock_two_days_ahead_costs_no_reading() -> None:
    probe = at("/v", time_pointer="/at", time_form="ms")
    assert len(decode([probe], f'{{"v": 28, "at": {NOW + 2 * 86_400_000}}}'.encode(), NOW).readings) == 1
    assert len(decode([probe], f'{{"v": 28, "at": {NOW + 2 * 86_400_000 + 1}}}'.encode(), NOW).refused) == 1


def test_a_time_after_2100_is_none_whatever_this_computers_clock_says() -> None:
    probe = at("/v", time_pointer="/at", time_form="s")
    payload = b'{"v": 28, "at": 4294967295}'
    assert decode([probe], payload, NOW, clock_trusted=False).readings == ()


def test_while_the_computers_own_clock_is_not_trusted_a_later_measured_time_is_believed() -> None:
    probe = at("/v", time_pointer="/at", time_form="ms")
    payload = f'{{"v": 28, "at": {NOW}}}'.encode()
    assert decode([probe], payload, 0).readings == ()
    assert decode([probe], payload, 0, clock_trusted=False).readings == (Reading("p", NOW, 28.0, 0, timed=True),)


def test_one_bad_element_of_a_batch_does_not_cost_the_others() -> None:
    probe = at("/t", list_pointer="/gathered", time_pointer="/at", time_form="s")
    elements = [
        {"at": 1777614000, "t": 27.1}, {"at": 1777614300, "t": None}, {"at": 1777614600, "t": 27.3}, {"t": 27.4},
        "rubbish", {"at": 1777614900, "t": "27.5"},
    ]  # fmt: skip
    decoded = decode([probe], json.dumps({"gathered": elements}).encode(), NOW)
    assert [(r.at_ms, r.value) for r in decoded.readings] == [
        (1777614000000, 27.1), (1777614600000, 27.3), (1777614900000, 27.5),
    ]  # fmt: skip
    assert [why.split(":")[0] for _, why in decoded.refused] == ["element 1", "element 3", "element 4"]


def test_a_thousand_equal_mistakes_are_one_reason_with_their_number() -> None:
    probe = at("/t", list_pointer="", time_pointer="/at")
    payload = json.dumps([{"t": 27.0, "at": "2026-05-01T05:00:00"}] * 1000).encode()
    ((_, why),) = decode([probe], payload, NOW).refused
    assert why.startswith("element 0: ")
    assert why.endswith("(and 999 more like it)")


def test_many_different_mistakes_are_a_few_reasons_and_their_number() -> None:
    payload = json.dumps([f"x{k}" for k in range(100)]).encode()
    refused = decode([at("", list_pointer="")], payload, NOW).refused
    assert len(refused) == 6
    assert refused[-1][1] == "95 more elements could not be read"


def test_a_list_of_bare_numbers_needs_no_pointer_within() -> None:
    decoded = decode([Probe("p", "a/t", list_pointer="/v")], b'{"v": [27, 28]}', NOW)
    assert [r.value for r in decoded.readings] == [27.0, 28.0]


def test_a_list_pointer_at_something_else_is_told() -> None:
    assert "not a list" in reason(at("/t", list_pointer="/v"), '{"v": {"t": 27}}')
    assert "nothing at '/w'" in reason(at("/t", list_pointer="/w"), '{"v": []}')


def test_several_probes_read_one_payload_each_by_its_pointer() -> None:
    probes = [
        Probe("warm", "a", pointer="/t"),
        Probe("damp", "a", quantity="humidity", unit="%", pointer="/h"),
        Probe("gone", "a", pointer="/x"),
    ]
    decoded = decode(probes, b'{"t": 28.5, "h": 92}', NOW)
    assert [(r.probe, r.value) for r in decoded.readings] == [("warm", 28.5), ("damp", 92.0)]
    assert [probe for probe, _ in decoded.refused] == ["gone"]


def test_a_bare_probe_beside_one_with_a_pointer_still_reads_its_number() -> None:
    decoded = decode([BARE, Probe("q", "a/t", pointer="/t")], b"28.5", NOW)
    assert [r.probe for r in decoded.readings] == ["p"]
    assert [probe for probe, _ in decoded.refused] == ["q"]


PROBES = [
    BARE, at("/a"), at(""), at("/t", list_pointer="/l"), at("/t", list_pointer=""), at("/a", time_pointer="/b"),
    at("/a", time_pointer="/b", time_form="s"), at("/a", time_pointer="/b", time_form="ms"),
]  # fmt: skip
LEAVES = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12)
    | st.datetimes(timezones=st.none() | st.just(UTC)).map(datetime.isoformat)
)  # fmt: skip
TREES = st.recursive(
    LEAVES,
    lambda t: st.lists(t, max_size=4) | st.dictionaries(st.sampled_from(["a", "b", "t", "l", "/", "~"]), t, max_size=4),
    max_leaves=12,
)


@given(st.binary(max_size=60), st.sampled_from(PROBES))
def test_no_bytes_raise_anything_but_a_payload_error(payload: bytes, probe: Probe) -> None:
    try:
        decoded = decode([probe], payload, NOW)
    except PayloadError:
        return
    assert len(decoded.readings) + len(decoded.refused) == 1 or probe.list_pointer is not None


@given(TREES, st.lists(st.sampled_from(PROBES), min_size=1, max_size=3))
def test_no_json_raises_and_every_reading_is_finite_and_in_its_time(tree: object, probes: list[Probe]) -> None:
    try:
        decoded = decode(probes, json.dumps(tree).encode(), NOW)
    except PayloadError:
        return
    for reading in decoded.readings:
        assert abs(reading.value) < float("inf")
        assert 978_307_200_000 <= reading.at_ms <= NOW + 300_000
    assert all(why for _, why in decoded.refused)


@given(st.text(max_size=30), st.binary(max_size=60) | TREES.map(lambda t: json.dumps(t).encode()))
def test_guessing_never_raises(topic: str, payload: bytes) -> None:
    for found in guess(topic, payload):
        if found.list_pointer is None and found.pointer is not None:
            assert not isinstance(resolve(json.loads(payload), found.pointer), dict | list)


@pytest.mark.parametrize(
    ("topic", "payload", "quantity", "unit"),
    [
        ("eggroom/left/temperature", "28.4", "temperature", "C"),
        ("eggroom/left/temperature", "84.2", "temperature", "F"),
        ("eggroom/left/tempF", "40", "temperature", "F"),
        ("eggroom/left/temperature", "301.5", "temperature", "K"),
        ("eggroom/left/humidity", "91", "humidity", "%"),
        ("eggroom/temperature/battery", "87", "battery", "%"),
        ("eggroom/left/battery", "2.91", "battery", "V"),
        ("eggroom/left/vbat", "2910", None, None),
        ("eggroom/left/voltage", "230", None, None),
        ("eggroom/left/battery_low", "2", None, None),
        ("eggroom/left/humidity", "800", None, None),
        ("eggroom/left/temperature", "5000", None, None),
        # Of a topic that says nothing only what eggs may be at is taken for it.
        ("eggroom/left/upper", "28.4", "temperature", "C"),
        ("eggroom/left/upper", "81.6", None, None),
        ("eggroom/left/light", "28.4", None, None),
    ],
)
def test_a_bare_number_is_guessed_by_its_topic_and_size(
    topic: str, payload: str, quantity: str | None, unit: str | None
) -> None:
    (found,) = guess(topic, payload.encode())
    assert (found.pointer, found.quantity, found.unit) == (None, quantity, unit)


def test_every_number_of_a_json_payload_is_guessed_with_its_pointer_and_time() -> None:
    payload = b'{"at": "2026-05-01T06:00:00Z", "air": {"temp_f": 84.2, "hum": "91"}, "battery": 87, "ok": true}'
    assert guess("shed/one", payload) == [
        Guess("/air/temp_f", 84.2, "temperature", "F", "/at", "iso"),
        Guess("/air/hum", 91.0, "humidity", "%", "/at", "iso"),
        Guess("/battery", 87.0, "battery", "%", "/at", "iso"),
    ]


def test_a_list_of_sensors_without_times_is_no_list_of_readings() -> None:
    payload = b'[{"id": "a", "temperature": 27}, {"id": "b", "temperature": 28}]'
    assert guess("x", payload) == [
        Guess("/0/temperature", 27.0, "temperature", "C"),
        Guess("/1/temperature", 28.0, "temperature", "C"),
    ]


def test_each_number_has_the_time_that_stands_nearest_to_it() -> None:
    payload = b'{"ts": 1777615200, "a": {"at": 1777615300, "temperature": 27}, "b": {"temperature": 28}}'
    assert [(g.pointer, g.time_pointer) for g in guess("x", payload)] == [
        ("/a/temperature", "/a/at"),
        ("/b/temperature", "/ts"),
    ]


@pytest.mark.parametrize(
    ("payload", "told"),
    [
        ('{"time": "2026-05-01T06:00:00", "t": 28}', "/time: the time '2026-05-01T06:00:00' has no zone"),
        ('{"time": "06:00", "t": 28}', "/time: the time '06:00' cannot be read as ISO 8601"),
        ('{"ts": 12345, "t": 28}', "/ts: the time '12345' would be 1970-01-01 03:25 UTC: a clock that was never set?"),
        ('{"ts": 1777615200000000, "t": 28}', "far outside any calendar"),
        ('{"list": [{"at": "x", "t": 28}]}', "/at: the time 'x' cannot be read"),
        ('{"temperature": null}', "/temperature: null instead of a value"),
        ('{"temperature": "28,4"}', "/temperature: '28,4' has a decimal comma"),
        ("28,4", "'28,4' has a decimal comma"),
        ("28.4 C", "'28.4 C' is not a number"),
        ('{"temperature": 28.4', "not JSON: it breaks at"),
        ('{"time": "2026-05-01T06:00:00Z", "t": 28, "state": "on"}', None),
        ("28.4", None),
        ("online", None),
    ],
)
def test_what_is_not_read_although_it_looks_so_is_told(payload: str, told: str | None) -> None:
    said = remarks("x", payload.encode())
    assert len(said) == (told is not None)
    assert told is None or told in said[0]


def test_remarks_are_few_and_short() -> None:
    many = json.dumps({f"temperature_{n}": "x" * 1000 for n in range(100)}).encode()
    assert len(remarks("x", many)) == 5
    assert all(len(said) < 400 for said in remarks("x", many))
    assert remarks("x", b"[" * 90_000)
    assert remarks("x", b"\xff")
    assert remarks("x", b"")


def test_a_list_of_readings_is_guessed_by_its_first_element() -> None:
    payload = b'{"gathered": [{"at": 1777615200, "temperature": 27.7}, {"at": 1777615500, "temperature": 27.8}]}'
    assert guess("a", payload) == [Guess("/temperature", 27.7, "temperature", "C", "/at", "s", "/gathered")]


def test_what_is_guessed_can_be_decoded() -> None:
    payload = b'{"a/b": {"t~x": {"temperature": 28.25, "ts": 1777615100123}}}'
    (found,) = guess("x", payload)
    probe = at(found.pointer or "", time_pointer=None)
    assert value(probe, payload) == 28.25


def test_nothing_is_guessed_where_there_is_no_number() -> None:
    assert guess("a", b"online") == []
    assert guess("a", b"") == []
    assert guess("a", b'{"state": "on"}') == []
    assert guess("a", b"[" * 90_000) == []
