"""The configuration: every mistake at once, each key where it belongs, and an example that stays true."""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.config.at_hand import find_config
from monitor.config.checks import celsius
from monitor.config.mistakes import MISTAKES, Findings, Mistake
from monitor.config.reach import reached_from_elsewhere
from monitor.config.room_file import check, load, load_rest
from monitor.config.shape import GONE, MANY, TABLES, read_part
from monitor.config.values import seconds
from monitor.core.terms.settings import (
    Answers,
    Box,
    Broker,
    Calendar,
    Channel,
    HeartbeatTarget,
    Limits,
    PagePlace,
    Probe,
    Room,
    Settings,
    Shipping,
    Watch,
)
from monitor.errors import ConfigError
from tests.examples import at_most

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "config" / "all-keys.toml"
SHORT = ROOT / "config" / "room.toml"
BAD = sorted((ROOT / "tests" / "config" / "bad").glob("*.toml"))
ENVIRON = {"BROKER_PASSWORD": "hunter-two", "SHIPPING_TOKEN": "hunter-two"}

SMALLEST = """
[room]
name = "Cellar"
time_zone = "UTC"
[[stacks]]
id = "west"
[[stacks.boxes]]
id = "top"
height_cm = 140
[[probes]]
id = "top-warmth"
topic = "cellar/top/warmth"
box = "top"
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "room.toml"
    path.write_text(text, encoding="utf-8")
    return path


def ids(found: list[Mistake], level: str = "mistake") -> list[str]:
    return sorted(m.id for m in found if m.level == level)


# ---------------------------------------------------------------- mistakes


def expected_of(path: Path) -> tuple[str, list[str]]:
    level, _, names = path.read_text(encoding="utf-8").splitlines()[0].removeprefix("# ").partition(": ")
    return level, sorted(names.split(", "))


@pytest.mark.parametrize("path", BAD, ids=lambda p: p.stem)
def test_each_bad_file_has_exactly_the_mistakes_its_first_line_names(path: Path) -> None:
    level, names = expected_of(path)
    found = check(path, environ=ENVIRON)
    if level == "advice":
        assert (ids(found), ids(found, "advice")) == ([], names)
        load(path, environ=ENVIRON)
    elif level == "text":
        # A notice in other words than the keeper's is better than a service that does not start.
        assert (ids(found), ids(found, "text")) == ([], names)
        settings = load(path, environ=ENVIRON)
        assert settings.room.texts.left_out == tuple(str(m) for m in found if m.level == "text")
        assert settings.room.texts.own == {}
    else:
        assert level == "expected"
        assert ids(found) == names
        with pytest.raises(ConfigError) as raised:
            load(path, environ=ENVIRON)
        assert raised.value.what.splitlines() == [str(m) for m in found if m.level == "mistake"]


@pytest.mark.parametrize(("table", "key"), [(t, k) for t, part in TABLES.items() for k in GONE.get(part, {})], ids=str)
def test_a_key_that_went_stops_no_room_and_is_told_with_what_holds_instead(
    tmp_path: Path, table: str, key: str
) -> None:
    needed = {
        "channels": 'id = "bell"\nurl = "json://127.0.0.1/bell"',
        "shipping": 'url = "http://127.0.0.1"\norg = "o"',
    }
    needed["shipping"] += '\nbucket = "b"'
    header = f"[[{table}]]" if table in MANY else f"[{table}]"
    text = f"{SMALLEST}{header}\n{needed.get(table, '')}\n"
    plain_room = load(write(tmp_path, text))
    path = write(tmp_path, f'{text}{key} = "whatever stood there"\n')
    assert load(path) == plain_room
    (told,) = [m for m in check(path) if m.id == "key-gone"]
    assert told.level == "advice"
    assert told.key == (f"{table}[0].{key}" if table in MANY else f"{table}.{key}")
    assert told.what.startswith("this key is no longer read: ")
    assert told.fix == "drop it"


def test_every_kind_of_mistake_has_a_bad_file_or_a_test_of_its_own() -> None:
    in_files = {name for path in BAD for name in expected_of(path)[1]}
    here = {"no-file", "not-text", "secret-empty", "secret-open"}
    assert in_files | here == set(MISTAKES)
    assert not in_files & here


def test_every_mistake_tells_file_key_what_and_fix_in_one_line() -> None:
    for path in BAD:
        for mistake in check(path, environ=ENVIRON):
            assert Path(mistake.file) in (path, path.parent / "texts" / path.name.removeprefix("advice_"))
            assert mistake.key or mistake.id == "syntax"
            assert mistake.what
            assert mistake.fix
            assert len(str(mistake).splitlines()) == 1
            assert str(mistake).startswith(f"{mistake.file}: ")


@pytest.mark.parametrize(
    ("name", "key", "fix"),
    [
        ("unknown_key_slip_of_fingers", "stacks[0].boxes[0].heigth_cm", "did you mean height_cm?"),
        ("unknown_key_without_unit", "limits.too_warm", "did you mean too_warm_c or too_warm_f?"),
        ("unknown_part_slip_of_fingers", "probe", "did you mean [[probes]]?"),
        ("unknown_box", "probes[0].box", "did you mean top?"),
        ("bad_zone", "room.time_zone", "did you mean Europe/Vienna?"),
        ("text_kind_unknown", "kinds.too-worm", "did you mean too-warm?"),
        ("text_place_unknown", "kinds.too-warm.raised.title", "did you mean ${where}?"),
        ("text_lost_lines", "all.raised.text", "put ${lines} into it"),
        ("not_one_of_urgency", "channels[0].urgencies[1]", 'use "now", "today" or "later"'),
    ],
)
def test_a_mistake_names_its_dotted_key_and_the_nearest_right_word(name: str, key: str, fix: str) -> None:
    (found,) = check(ROOT / "tests" / "config" / "bad" / f"{name}.toml")
    assert (found.key, found.fix) == (key, fix)


def test_a_limit_in_fahrenheit_under_a_celsius_key_is_recognised() -> None:
    (found,) = check(ROOT / "tests" / "config" / "bad" / "limit_out_of_range_f_as_c.toml")
    assert found.fix.endswith("if it is in F, write too_warm_f")


def test_a_syntax_error_names_line_and_column(tmp_path: Path) -> None:
    path = write(tmp_path, SMALLEST + "\nname = = 3\n")
    (found,) = check(path)
    assert found.id == "syntax"
    assert "line 15, column 8" in found.what


def test_a_syntax_error_at_the_end_names_the_last_line(tmp_path: Path) -> None:
    (found,) = check(write(tmp_path, "[room]\nname ="))
    assert found.id == "syntax"
    assert "line 2" in found.what


@pytest.mark.parametrize(
    ("raw", "mistake"),
    [(b"\xff\xfe[\0r\0", "not-text"), (b"x = " + b"9" * 9000, "syntax"), (b"x = " + b"[" * 9000, "syntax")],
)
def test_a_file_that_is_no_text_or_beyond_measure_is_a_mistake_and_no_crash(
    tmp_path: Path, raw: bytes, mistake: str
) -> None:
    path = tmp_path / "room.toml"
    path.write_bytes(raw)
    assert ids(check(path)) == [mistake]


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    path = tmp_path / "room.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALLEST.encode())
    assert load(path).room.name == "Cellar"


def test_a_file_that_is_not_there_is_a_mistake(tmp_path: Path) -> None:
    assert ids(check(tmp_path / "no-such.toml")) == ["no-file"]
    assert ids(check(tmp_path)) == ["no-file"]


def test_one_slip_is_told_once_and_hides_nothing_else_in_the_same_table(tmp_path: Path) -> None:
    text = SMALLEST.replace('topic = "cellar/top/warmth"', 'topik = "cellar/top/warmth"').replace(
        'box = "top"\n', 'box = "bottom"\ninterval = "2 weeks"\n'
    )
    assert ids(check(write(tmp_path, text))) == ["bad-duration", "unknown-box", "unknown-key"]


def test_a_whole_number_beyond_all_floats_is_a_mistake_and_no_crash(tmp_path: Path) -> None:
    text = SMALLEST.replace("140", "1" + "0" * 400).replace('box = "top"\n', 'box = "top"\ninterval = 1' + "0" * 400)
    assert ids(check(write(tmp_path, text))) == ["out-of-bounds", "out-of-bounds"]


# ---------------------------------------------------------------- values


@pytest.mark.parametrize(
    ("written", "meant"),
    [(90, 90.0), (1.5, 1.5), ("90 s", 90.0), ("10 min", 600.0), ("1.5 h", 5400.0), ("7 d", 604800.0), ("0.5s", 0.5)],
)
def test_a_time_span_is_a_number_with_its_unit_or_seconds(written: object, meant: float) -> None:
    assert seconds(written) == meant


@pytest.mark.parametrize(
    "written", ["", "90", "s", "-5 s", "5 m", "1,5 h", "5 min 3 s", "1e3 s", " 5 s", "5  s", "inf s", True, None, [5]]
)
def test_what_is_no_time_span_is_refused(written: object) -> None:
    findings = Findings("f")
    read_part(TABLES["watch"], {"heading": written}, "watch", findings)
    assert ids(findings.all) == ["bad-duration"]


@pytest.mark.parametrize(("f", "c"), [(86.0, 30.0), (32.0, 0.0), (82.4, 28.0), (-40.0, -40.0), (88.0, 280 / 9)])
def test_fahrenheit_becomes_celsius(f: float, c: float) -> None:
    # 32 F = 0 C and 212 F = 100 C by definition, -40 is the same in both.
    assert celsius(f) == pytest.approx(c, abs=1e-9)


def test_limits_in_fahrenheit_arrive_in_celsius_for_room_and_box(tmp_path: Path) -> None:
    text = SMALLEST.replace("height_cm = 140", "height_cm = 140\ntoo_cool_f = 77")
    room = load(write(tmp_path, text + "[limits]\ntoo_warm_f = 86\n")).room
    assert (room.limits.too_warm_c, room.limits.too_cool_c) == (30.0, None)
    assert (room.boxes[0].too_warm_c, room.boxes[0].too_cool_c) == (None, 25.0)


@pytest.mark.parametrize(
    ("keys", "uncertainty"),
    [
        ("", 0.5 / math.sqrt(3)),
        ("accuracy_c = 0.3", 0.3 / math.sqrt(3)),
        ("uncertainty_c = 0.07", 0.07),
        ('unit = "%"', 3 / math.sqrt(3)),
        ('unit = "%"\naccuracy_pct = 2', 2 / math.sqrt(3)),
        ('unit = "%"\nuncertainty_pct = 1.5', 1.5),
    ],
)
def test_an_accuracy_is_the_half_width_of_a_rectangle(tmp_path: Path, keys: str, uncertainty: float) -> None:
    # JCGM 100:2008 (GUM) 4.3.7: u = a / sqrt(3).
    probe = load(write(tmp_path, f"{SMALLEST}{keys}\n")).room.probes[0]
    assert probe.standard_uncertainty == pytest.approx(uncertainty, rel=1e-12)


@pytest.mark.parametrize(("interval", "quiet"), [("60 s", 600.0), ("10 min", 1800.0)])
def test_a_probe_is_quiet_after_three_intervals_but_never_before_ten_minutes(
    tmp_path: Path, interval: str, quiet: float
) -> None:
    path = write(tmp_path, f'{SMALLEST}interval = "{interval}"\n')
    assert load(path).room.probes[0].quiet_after_s == quiet


def test_per_cent_means_humidity(tmp_path: Path) -> None:
    text = f'{SMALLEST}[[probes]]\nid = "damp"\ntopic = "d"\nbox = "top"\nunit = "%"\ncorrection_pct = -2\n'
    warm, damp = load(write(tmp_path, text)).room.probes
    assert (warm.quantity, damp.quantity, damp.correction) == ("temperature", "humidity", -2.0)


def test_what_the_file_leaves_out_is_what_the_core_assumes(tmp_path: Path) -> None:
    path = write(tmp_path, SMALLEST)
    found = load(path)
    assert found.room.limits == Limits()
    assert found.room.watch == Watch()
    assert found.broker == Broker()
    assert found.calendar == Calendar()
    data = tmp_path / "data"
    assert found == Settings(
        room=found.room,
        broker=Broker(),
        data_dir=str(data),
        profiles_dir=str(data / "species"),
        file=str(path),
    )


EVERYTHING = """
[room]
name = "Attic"
time_zone = "Pacific/Auckland"
display_unit = "F"
[broker]
host = "broker.invalid"
port = 8884
client_id = "attic"
username = "eggs"
password_env = "WORD"
tls = true
ca_file = "ca.pem"
cert_file = "cert.pem"
key_file = "key.pem"
keepalive = 11
session_expiry = "2 d"
[[stacks]]
id = "a"
[[stacks.boxes]]
id = "a1"
height_cm = 10
too_warm_c = 33
too_cool_c = 22
[[stacks]]
id = "b"
[[stacks.boxes]]
id = "b1"
height_cm = 20.5
[[probes]]
id = "p"
topic = "t/p"
unit = "F"
pointer = "/v"
list_pointer = "/all"
time_pointer = "/t"
time_form = "ms"
interval = 13
quiet_after = 140
box = "a1"
compared = true
uncertainty_c = 0.15
correction_c = -0.16
[[probes]]
id = "q"
topic = "t/q"
unit = "%"
stack = "b"
height_cm = 17
uncertainty_pct = 1.8
correction_pct = 1.9
[limits]
too_warm_c = 32
too_cool_c = 21
deadband_c = 0.3
on_delay = 101
off_delay = 102
max_gap = 103
too_dry_pct = 71.5
too_damp_pct = 97
[watch]
room_quiet_after = 104
uneven_c = 1.5
uneven_over = 105
apart_days = 3
window_near_days = 6
disk_low_mb = 108
heading = "1.5 h"
repeat_now = 109
repeat_today = 110
quiet_from = "21:30"
quiet_until = "06:15"
[[channels]]
id = "bell"
url = "json://127.0.0.1/bell"
urgencies = ["today", "now", "today"]
after = 111
kinds = ["too-warm"]
stacks = ["b"]
[[channels]]
id = "mail"
url_env = "MAIL"
[page]
listen = "[::]:8484"
address = "https://eggs.invalid/back"
language = "de"
[answers]
topic = "eggs/answer"
bare_numbers = true
[shipping]
url = "https://series.invalid"
org = "org"
bucket = "bucket"
token_env = "WORD"
[heartbeat]
url_env = "BEAT"
every = 23
[calendar]
daily_line_at = "07:30"
drill_on = "monday"
drill_at = "11:15"
keep_days = 500
thin_after_days = 800
[store]
data_dir = "kept"
[profiles]
dir = "mine"
"""


def test_every_key_arrives_where_it_belongs(tmp_path: Path) -> None:
    for name in ("ca.pem", "cert.pem", "key.pem"):
        (tmp_path / name).touch()
    (tmp_path / "mine").mkdir()
    path = write(tmp_path, EVERYTHING)
    found = load(path, environ={"WORD": "word", "MAIL": "mailtos://mail.invalid", "BEAT": "https://beat.invalid"})
    p = Probe(
        "p", "t/p", "temperature", "F", "/v", "/t", "ms", "/all", 13, 140, "a1", None, None, 0.15, -0.16, compared=True
    )
    q = Probe("q", "t/q", "humidity", "%", None, None, "iso", None, 60, 600, None, "b", 17, 1.8, 1.9)
    assert found == Settings(
        room=Room(
            name="Attic",
            zone="Pacific/Auckland",
            display_unit="F",
            stacks=("a", "b"),
            boxes=(Box("a1", "a", 10, 33, 22), Box("b1", "b", 20.5)),
            probes=(p, q),
            limits=Limits(32, 21, 0.3, 101, 102, 103, 71.5, 97),
            watch=Watch(104, 1.5, 105, 3, 6, 900, 1800, 108, 5400, 109, 110, "21:30", "06:15"),
        ),
        broker=Broker(
            host="broker.invalid",
            port=8884,
            client_id="attic",
            username="eggs",
            password="word",
            tls=True,
            ca_file=str(tmp_path / "ca.pem"),
            cert_file=str(tmp_path / "cert.pem"),
            key_file=str(tmp_path / "key.pem"),
            keepalive_s=11,
            session_expiry_s=172800,
        ),
        channels=(
            Channel("bell", "json://127.0.0.1/bell", ("today", "now"), 20, 111, ("too-warm",), ("b",)),
            Channel("mail", "mailtos://mail.invalid"),
        ),
        page=PagePlace(("::", 8484), "https://eggs.invalid/back", "de"),
        answers=Answers("eggs/answer", True),
        shipping=Shipping("https://series.invalid", "org", "bucket", "word", 10, 10),
        heartbeat=HeartbeatTarget("https://beat.invalid", 23),
        calendar=Calendar("07:30", "monday", "11:15", 500, 800),
        data_dir=str(tmp_path / "kept"),
        profiles_dir=str(tmp_path / "mine"),
        tick_s=15,
        commit_every_s=10,
        file=str(path),
    )


@pytest.mark.parametrize(
    ("parts", "place", "here"),
    [
        ("[page]", PagePlace(("127.0.0.1", 8480)), "http://127.0.0.1:8480"),
        ('[page]\nlanguage = "de"', PagePlace(("127.0.0.1", 8480), "", "de"), "http://127.0.0.1:8480"),
        ('[page]\nlisten = "[::]:8484"', PagePlace(("::", 8484)), "http://[::1]:8484"),
        (
            '[answers]\nlisten = "0.0.0.0:81"\naddress = "http://e"',
            PagePlace(("0.0.0.0", 81), "http://e"),
            "http://127.0.0.1:81",
        ),
        ('[page]\naddress = "http://e"\n[answers]\nlisten = "h:81"', PagePlace(("h", 81), "http://e"), "http://h:81"),
        ('[page]\nlisten = "h:81"\n[answers]\nlisten = "h:81"', PagePlace(("h", 81)), "http://h:81"),
    ],
)
def test_the_page_is_where_its_part_says_or_the_old_names(
    tmp_path: Path, parts: str, place: PagePlace, here: str
) -> None:
    found = load(write(tmp_path, f"{SMALLEST}\n{parts}\n"))
    assert (found.page, found.answers) == (place, None)
    assert found.page is not None
    assert found.page.here == here


@pytest.mark.parametrize(
    ("listen", "address", "elsewhere"),
    [
        ("127.0.0.1", "", False),
        ("localhost", "http://127.0.0.1:8480", False),
        ("127.8.9.1", "http://[::1]:8480", False),
        ("0.0.0.0", "", True),
        ("192.0.2.7", "", True),
        ("::", "", True),
        ("127.0.0.1", "https://eggs.invalid", True),
        ("127.0.0.1.eggs.invalid", "", True),
        ("127.0.0.1", "http://localhost.eggs.invalid", True),
    ],
)
def test_who_else_is_meant_to_get_to_the_page(listen: str, address: str, elsewhere: bool) -> None:
    assert reached_from_elsewhere(PagePlace((listen, 8480), address)) is elsewhere


def test_channel_shipping_and_heartbeat_have_the_core_s_defaults(tmp_path: Path) -> None:
    text = f"""{SMALLEST}
[[channels]]
id = "bell"
url = "json://127.0.0.1:8080/bell"
[shipping]
url = "http://127.0.0.1:8086"
org = "o"
bucket = "b"
[heartbeat]
url = "http://127.0.0.1/beat"
"""
    found = load(write(tmp_path, text))
    assert found.channels == (Channel("bell", "json://127.0.0.1:8080/bell"),)
    assert found.shipping == Shipping("http://127.0.0.1:8086", "o", "b", "")
    assert found.heartbeat == HeartbeatTarget("http://127.0.0.1/beat")


def test_the_usual_port_follows_tls(tmp_path: Path) -> None:
    assert load(write(tmp_path, f"{SMALLEST}[broker]\ntls = true\n")).broker.port == 8883


def test_files_are_looked_for_beside_the_configuration_and_a_given_data_folder_wins(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "ca.pem").write_text("-")
    own = '[profiles]\ndir = "mine"\n[broker]\ntls = true\nca_file = "ca.pem"\n[store]\ndata_dir = "/srv/x"\n'
    path = write(tmp_path, SMALLEST + own)
    found = load(path)
    assert found.profiles_dir == str(tmp_path / "mine")
    assert found.broker.ca_file == str(tmp_path / "ca.pem")
    assert found.data_dir == "/srv/x"
    assert load(path, data_dir=tmp_path).data_dir == str(tmp_path)


# ---------------------------------------------------------------- where the file is


def test_the_file_asked_for_comes_first_then_the_variable_then_the_usual_places(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "config").mkdir()
    asked, variable, usual = tmp_path / "a.toml", tmp_path / "v.toml", Path("config/room.toml")
    for path in (asked, variable, usual):
        path.touch()
    environ = {"WARMTALLY_CONFIG": str(variable)}
    assert find_config(str(asked), environ) == asked
    assert find_config(None, environ) == variable
    assert find_config(None, {}) == usual


def test_a_file_that_was_named_is_not_replaced_by_another(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    for explicit, environ in [("no-such.toml", {}), (None, {"WARMTALLY_CONFIG": "no-such.toml"})]:
        with pytest.raises(ConfigError, match=r"no-such\.toml"):
            find_config(explicit, environ)


def test_no_file_anywhere_tells_where_it_looked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    if Path("/etc/warmtally/room.toml").exists():
        pytest.skip("this computer has a configuration of its own")
    with pytest.raises(ConfigError) as raised:
        find_config(None, {})
    for place in ("--config", "WARMTALLY_CONFIG", str(tmp_path / "config" / "room.toml"), "/etc/warmtally/room.toml"):
        assert place in raised.value.what


# ---------------------------------------------------------------- the example


def keys_told(text: str) -> dict[str, dict[str, list[Any]]]:
    """Every key of a commented example with its values, those that are switched off ("#key = ...") included."""
    told: dict[str, dict[str, list[Any]]] = {}
    table = ""
    for line in text.splitlines():
        live = line.removeprefix("#")
        if header := re.fullmatch(r"\[{1,2}([a-z_.]+)\]{1,2}", live):
            table = header[1]
            told.setdefault(table, {})
            assert live.startswith("[[") is (table in MANY), live
        elif live and not live.startswith((" ", "#")):
            for key, value in tomllib.loads(live).items():
                told[table].setdefault(key, []).append(value)
    return told


def test_the_example_loads_without_mistakes_and_without_any_secret() -> None:
    assert ids(check(EXAMPLE, environ={})) == []
    assert ids(check(EXAMPLE, environ={}), "advice") == ["no-channels", "no-heartbeat"]
    room = load(EXAMPLE, environ={}).room
    assert (len(room.stacks), len(room.boxes), len(room.probes)) == (2, 4, 5)
    assert sum(p.quantity == "humidity" for p in room.probes) == 1
    assert sum(p.box is None for p in room.probes) == 1
    assert any(p.list_pointer for p in room.probes)


def test_the_short_example_works_as_it_stands_and_is_all_that_is_needed_to_begin() -> None:
    assert ids(check(SHORT, environ={})) == []
    assert ids(check(SHORT, environ={}), "advice") == ["no-channels", "no-heartbeat"]
    room = load(SHORT, environ={}).room
    assert {p.box for p in room.probes} == {b.id for b in room.boxes}
    keys = [line for line in SHORT.read_text(encoding="utf-8").splitlines() if " = " in line.partition("#")[0]]
    assert len(keys) <= 20
    # What is switched off in it is right too.
    off = re.sub(r"^#(?! |$)", "", SHORT.read_text(encoding="utf-8"), flags=re.MULTILINE)
    (channel,) = tomllib.loads(off)["channels"]
    assert set(channel) <= set(TABLES["channels"].model_fields)


def test_the_example_tells_every_key_there_is_and_no_other() -> None:
    told = keys_told(EXAMPLE.read_text(encoding="utf-8"))
    there = {table: set(model.model_fields) for table, model in TABLES.items()}
    there["stacks"] -= {"boxes"}
    assert {table: set(keys) for table, keys in told.items()} == there


def test_the_values_that_are_switched_off_in_the_example_are_right_too() -> None:
    findings = Findings("room.toml")
    for table, keys in keys_told(EXAMPLE.read_text(encoding="utf-8")).items():
        for key, values in keys.items():
            for value in values:
                read_part(TABLES[table], {key: value}, table, findings, told=True)
    assert findings.all == []


def test_switched_off_keys_that_are_called_usual_are_the_defaults() -> None:
    told = keys_told(EXAMPLE.read_text(encoding="utf-8"))
    for table, key in [("broker", "keepalive"), ("broker", "session_expiry")]:
        default = TABLES[table].model_fields[key].default
        (value,) = told[table][key]
        assert (seconds(value) if isinstance(value, str) else value) == default
    assert told["store"]["data_dir"] == [TABLES["store"].model_fields["data_dir"].default]


@pytest.mark.parametrize("path", [SHORT, EXAMPLE], ids=lambda path: path.stem)
def test_the_example_shows_the_cautions_at_the_top(path: Path) -> None:
    top = path.read_text(encoding="utf-8").split("[room]")[0]
    for word in ("residual-current", "smoke", "Salmonella", "veterinarian", "no egg is opened"):
        assert word in " ".join(top.replace("#", " ").split())


# ---------------------------------------------------------------- any text at all

few = settings(at_most(0.6), suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
odd = ["nan", "-inf", "0", "-1", "1e308", "true", "[]", "[[1]]", "{}", "{a=1}", "07:30:00", "2024-02-30"]
plain = st.characters(codec="ascii", exclude_characters='"\\', exclude_categories=["Cc"])
scalars = st.one_of(st.text(plain, max_size=12).map('"{}"'.format), st.sampled_from(odd), st.integers().map(str))


def never_more_than_a_config_error(path: Path) -> None:
    found = check(path, environ={})
    if not ids(found):
        load(path, environ={})
        return
    with pytest.raises(ConfigError) as raised:
        load(path, environ={})
    assert len(raised.value.what.splitlines()) == len(ids(found))


@few
@given(text=st.one_of(st.text(), st.text(alphabet='[]{}="#.,\n ab1-probestack')))
def test_random_text_is_refused_with_a_config_error(tmp_path: Path, text: str) -> None:
    path = tmp_path / "room.toml"
    path.write_bytes(text.encode("utf-8", "replace"))
    never_more_than_a_config_error(path)


@few
@given(data=st.data())
def test_the_example_with_any_line_spoilt_loads_or_is_refused_with_a_config_error(
    tmp_path: Path, data: st.DataObject
) -> None:
    lines = [re.sub("^#(?! )", "", line) for line in EXAMPLE.read_text(encoding="utf-8").splitlines()]
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(lines) - 1))
        key, equals, _ = lines[at].partition(" = ")
        lines[at] = f"{key} = {data.draw(scalars)}" if equals else data.draw(st.sampled_from(["", "[x]", lines[at]]))
    never_more_than_a_config_error(write(tmp_path, "\n".join(lines)))


# ---------------------------------------------------------------- what is right beside mistakes


@pytest.mark.parametrize("path", BAD, ids=lambda p: p.stem)
def test_the_account_is_kept_with_what_is_right_in_a_file_unless_room_or_store_are_not(path: Path) -> None:
    try:
        load(path, secrets=False)
    except ConfigError as error:
        told = error.what.splitlines()
    else:
        told = []
    found = [m for m in check(path, environ={}) if str(m) in told]
    assert len(found) == len(told)
    unsure = [m for m in found if m.id == "unknown-key" and "." not in m.key and "did you mean" not in m.fix]
    if unsure or any(re.match(r"room|store|$", m.key) for m in found):
        with pytest.raises(ConfigError) as raised:
            load_rest(path)
        assert raised.value.what.splitlines() == told
        return
    settings, mistakes = load_rest(path)
    assert [str(m) for m in mistakes] == told
    text = tomllib.loads(path.read_text(encoding="utf-8"))
    assert settings.room.zone == text["room"]["time_zone"]

    def those(part: str, of: dict[str, Any] = text) -> list[dict[str, Any]]:
        return list(of[part]) if isinstance(of.get(part), list) else []

    for part, kept in (("probes", settings.room.all_probes), ("channels", settings.channels)):
        wrong = {int(hit[1]) for m in found if (hit := re.match(rf"{part}\[(\d+)\]", m.key))}
        right = [p["id"] for i, p in enumerate(those(part)) if i not in wrong]
        assert sorted(p.id for p in kept) == sorted(right)
    boxes = {b.get("id", "") for s in those("stacks") for b in those("boxes", s)}
    assert {b.id for b in settings.room.boxes} == {b for b in boxes if re.fullmatch(r"[\w.-]+", b)}


@pytest.mark.parametrize(
    "end", ["[stor]\ndata_dir = 'x'\n", "[somewhere]\n", "[store]\ndata = 'x'\n", "[store]\ndata_dir = 3\n", "x = [\n"]
)
def test_where_nobody_can_tell_where_the_account_lies_nothing_is_entered_elsewhere(tmp_path: Path, end: str) -> None:
    with pytest.raises(ConfigError):
        load_rest(write(tmp_path, SMALLEST + end))
