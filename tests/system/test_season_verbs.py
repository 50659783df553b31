"""A season looked back on, boxes as plots and labels, by commands: figures are those of the other verbs, pages hold
together, codes are read by another program."""

from __future__ import annotations

import csv
import importlib.util
import io
import re
import subprocess
import time
from collections import Counter
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from monitor.cli import printing
from monitor.core.terms.events import LOST
from monitor.errors import NotInstalled
from monitor.telling.labels import code_for
from tests.desk import Desk
from tests.peers import PROJECT, need
from tests.season_room import ADDRESS, NOW, STACKS, WARMTH_C, at_day, ms, season_desk

# What these tests share is made once: they stay on one worker.
pytestmark = pytest.mark.xdist_group("season")
HALF_WAY = "2026-06-15 09:00"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    return season_desk(tmp_path_factory.mktemp("season"), answers=True)


@pytest.fixture(scope="module")
def season(desk: Desk) -> dict[str, Any]:
    """The season's figures at its end; a page and a table of it lie in the folder."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(time, "time_ns", lambda: ms(NOW) * 1_000_000)
        files = f"--html {desk.folder}/season.html --csv {desk.folder}/season.csv"
        found: dict[str, Any] = desk.took(f"season 2026 {files} --json").json
    assert found["files"] == [f"{desk.folder}/season.html", f"{desk.folder}/season.csv"]
    return found


@pytest.fixture(autouse=True)
def _after_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "time_ns", lambda: ms(NOW) * 1_000_000)


def when(text: str) -> int:
    return ms(datetime.fromisoformat(text))


# -- figures ----------------------------------------------------------------------------------------------------------


def test_eggs_are_warm_and_far_as_the_forecast_says(desk: Desk, season: dict[str, Any]) -> None:
    by_forecast = {x["lot"]: x for clutch in ("K01", "K02") for x in desk.took(f"forecast {clutch} --json").json}
    found = {x["lot"]: x for c in season["clutches"] for x in c["eggs"]}
    assert found.keys() == by_forecast.keys() == {"K01/upper", "K01/lower", "K02/top"}
    for name, x in found.items():
        for key in ("development", "degree_days", "base_c", "mean_c", "filled_share"):
            assert x[key] == by_forecast[name][key], (name, key)
        assert x["coldest_hour_c"] < x["mean_c"] < x["warmest_hour_c"]
    assert found["K01/lower"]["filled_share"] > 0.01


def test_each_window_is_the_one_that_the_forecast_told_then(desk: Desk, season: dict[str, Any]) -> None:
    told = [(x, t) for c in season["clutches"] for x in c["eggs"] for t in x["told"]]
    assert Counter(t["development"] for _, t in told) == {0.25: 3, 0.5: 3, 0.75: 3}
    for x, t in told:
        (then,) = desk.took(f"forecast {x['lot']} --at {t['at']} --json").json
        assert then["development"] == pytest.approx(t["development"], abs=1e-4)
        for p in ("p10", "p50", "p90"):
            # The moment is told to the second.
            assert abs(when(t[p]) - when(then["first_pip"][p])) <= 2000, (x["lot"], t)
        seen = when(x["first_pip"]["after"]), when(x["first_pip"]["by"])
        inside = seen[1] >= when(t["p10"]) and seen[0] <= when(t["p90"])
        assert (t["came"] == "inside") is inside
        assert t["later_days"] == pytest.approx((sum(seen) / 2 - when(t["p50"])) / 86_400_000, abs=0.01)


def test_the_account_is_that_of_the_clutches(desk: Desk, season: dict[str, Any]) -> None:
    shown = {c["clutch"]: desk.took(f"clutch show {c['clutch']} --json").json for c in season["clutches"]}
    assert set(shown) == {"K01", "K02", "K03"}
    for c in season["clutches"]:
        gone = c["not_set"] + c["in_boxes"] + c["hatched"] + sum(c["lost"].values()) + c["removed"]
        assert c["laid"] == gone
        assert c["not_accounted_for"] == 0
        lots = {x["lot"]: x for x in shown[c["clutch"]]["lots"]}
        for x in c["eggs"]:
            assert (x["eggs_set"], x["hatched"]) == (lots[x["lot"]]["eggs_set"], lots[x["lot"]]["hatched"])
    by_name = {c["clutch"]: c for c in season["clutches"]}
    assert by_name["K01"]["lost"] == {"slug": 1, "in-shell": 1}
    assert (by_name["K02"]["lost"], by_name["K02"]["fertile"]) == ({"mould": 3}, 9)
    assert (by_name["K03"]["fertile"], by_name["K03"]["eggs"], by_name["K03"]["mean_c"]) == (0, [], None)
    assert by_name["K01"]["days_to_first_pip"] == pytest.approx(58.0)
    assert by_name["K01"]["days_to_last_hatched"] == pytest.approx(66.0)


def test_stacks_are_as_uneven_as_the_stack_says(desk: Desk, season: dict[str, Any]) -> None:
    assert [s["stack"] for s in season["stacks"]] == list(STACKS)
    for s in season["stacks"]:
        for week in (s["weeks"][0], s["weeks"][5]):
            (seen,) = desk.took(f"stack {s['stack']} --hours 168 --at {week['to']} --json").json
            for key in ("difference_c", "warmest", "coolest", "beyond_probes", "compared"):
                assert week[key] == seen["profile"][key]
    left, right = season["stacks"]
    assert left["season"]["beyond_probes"]
    assert not right["season"]["beyond_probes"]
    (cost,) = left["costs"]
    assert cost["days_at_coolest"] - cost["days_at_warmest"] > 4.0
    (apart,) = left["apart"]
    assert (apart["early"], apart["late"]) == ("K01/upper", "K01/lower")
    assert apart["first_pips_apart_days"] == pytest.approx(5.0)
    assert apart["days"] == pytest.approx(5.0, abs=1.0)


def test_what_was_learned_is_what_learn_says(desk: Desk, season: dict[str, Any]) -> None:
    (learned,) = desk.took("learn --json").json
    (found,) = season["species"]
    assert found["species"] == learned["species"] == "elaphe-taeniura"
    assert found["clutches"] == len(learned["clutches"]) == 2
    assert found["later"] == pytest.approx(learned["factor"] - 1.0, abs=1e-5)
    assert (found["error_by_others_days"], found["in_use"]) == (learned["error_by_others_days"], False)


def test_boxes_tell_their_gaps_and_what_was_beyond_their_limits(desk: Desk, season: dict[str, Any]) -> None:
    boxes = {x["box"]: x for x in season["boxes"]}
    assert set(boxes) == {"upper", "lower", "top"}
    (gap,) = boxes["lower"]["gaps"]
    assert when(gap["from"]) == pytest.approx(ms(at_day(30)), abs=600_000)
    assert when(gap["to"]) == pytest.approx(ms(at_day(31)), abs=600_000)
    assert 7.0 < boxes["top"]["above_h"] < 7.4
    assert boxes["upper"]["above_h"] == boxes["upper"]["below_h"] == 0.0
    course = desk.took("course lower --season 2026 --json").json
    for key in ("mean_c", "lowest_c", "highest_c", "gaps", "above_h", "measured_by"):
        assert course[key] == boxes["lower"][key], key


def test_notices_are_told_with_how_they_were_met(season: dict[str, Any]) -> None:
    met = {n["kind"]: n for n in season["notices"]}
    assert set(met) == {"probe-quiet", "too-warm", "box-heading", "gateway-gone"}
    assert (met["too-warm"]["answered_after_s"], met["too-warm"]["messages"]) == (25 * 60, 2)
    assert not met["probe-quiet"]["answered"]
    assert met["probe-quiet"]["over"] is not None
    of = {c["clutch"]: set(c["notices"]) for c in season["clutches"]}
    assert of["K01"] == {met["probe-quiet"]["notice"]}
    assert of["K02"] == {met["too-warm"]["notice"], met["box-heading"]["notice"]}


def test_what_to_change_has_its_reason_and_no_hand_on_an_egg(season: dict[str, Any]) -> None:
    told = {a["what"]: a["why"] for a in season["next_season"]}
    for words in ("box top above the limit", "stack left: stir", "Compare the probes", "box lower is heard", "reached"):
        assert any(words in what for what in told), words
    assert all(told.values())
    assert not re.search(r"\b(?:open|cut|discard|throw|medicine|dose|treat)\b", " ".join([*told, *told.values()]))


# -- files ------------------------------------------------------------------------------------------------------------


class Tags(HTMLParser):
    """Every tag with what it carries, and whether all that was begun was ended."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta",):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


def test_the_page_stands_alone_and_names_its_drawings(desk: Desk, season: dict[str, Any]) -> None:
    text = (desk.folder / "season.html").read_text()
    read = Tags()
    read.feed(text)
    assert read.open == []
    tags = Counter(tag for tag, _ in read.tags)
    assert tags["svg"] >= 3 + 3 + 2
    assert tags["script"] == tags["link"] == tags["img"] == tags["iframe"] == 0
    assert not re.findall(r"(?:src|href|url\()\s*=?\s*[\"']?(?!http://www\.w3\.org/2000/svg)\w+:", text)
    ids = [found for _, carries in read.tags if (found := carries.get("id"))]
    assert len(ids) == len(set(ids))
    for tag, carries in read.tags:
        if tag == "svg":
            assert set((carries["aria-labelledby"] or "").split()) <= set(ids)
    # The same figures, as a keeper reads them.
    words = re.sub(r"<[^>]+>", " ", text)
    for c in season["clutches"]:
        for x in c["eggs"]:
            assert any(f"{x['mean_c'] + off:.2f} °C" in words for off in (-0.0005, 0.0005))
            assert f"{x['degree_days']:.1f}" in words
    assert "1 slug or infertile, 1 dead in shell" in words
    assert "no safety device" in words


def test_a_name_from_outside_is_text_and_nothing_else(desk: Desk, tmp_path: Path) -> None:
    own = Desk(tmp_path)
    hostile = "<script>alert(1)</script>&\\\"'"
    own.write((desk.folder / "room.toml").read_text().replace("Invented room", hostile.replace('\\"', '\\"'), 1))
    told = own("season --html x.html", where=True)
    assert told.code != 0
    own.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 2")
    path = tmp_path / "x.html"
    own.does(f"season --html {path}")
    text = path.read_text()
    assert "<script" not in text
    assert "&lt;script&gt;" in text


def test_every_column_of_the_table_is_told_of(desk: Desk, season: dict[str, Any]) -> None:
    with (desk.folder / "season.csv").open() as file:
        columns = next(csv.reader(file))
    told = (PROJECT / "deploy" / "README.md").read_text(encoding="utf-8").partition("### The season on paper")[2]
    missing = [c for c in columns if f"`{c}`" not in told and f"`{re.sub('_(50|75)_', '_25_', c)}`" not in told]
    assert missing == []


def test_the_table_adds_up_to_the_account(desk: Desk, season: dict[str, Any]) -> None:
    rows = list(csv.DictReader(io.StringIO((desk.folder / "season.csv").read_text())))
    for c in season["clutches"]:
        mine = [r for r in rows if r["clutch"] == c["clutch"]]
        for key in ("laid", "not_set", "in_boxes", "hatched", "removed"):
            assert sum(int(r[key]) for r in mine) == c[key], key
        for how in LOST:
            assert sum(int(r[f"lost_{how.replace('-', '_')}"]) for r in mine) == c["lost"].get(how, 0)
        for x in c["eggs"]:
            (row,) = (r for r in mine if r["box"] == x["box"])
            assert float(row["mean_c"]) == x["mean_c"]
            assert row["told_50_p90"] == x["told"][1]["p90"]


@pytest.mark.slow
def test_the_report_is_printed(desk: Desk) -> None:
    need("chromium", "chromium")
    path = desk.folder / "season.pdf"
    assert f"{path}: the report, made by chromium" in desk.does(f"season --pdf {path}")
    assert path.read_bytes().startswith(b"%PDF-")
    assert len(re.findall(rb"/Type\s*/Page\b", path.read_bytes())) >= 4
    assert [p.name for p in desk.folder.iterdir() if p.name.startswith("warmtally-print")] == []


def test_without_a_printer_it_is_said_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(printing, "BROWSERS", ())
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(NotInstalled) as pdf:
        printing.write_pdf(tmp_path / "x.pdf", "<p>")
    assert "apt-get install chromium" in pdf.value.fix
    assert "--html" in pdf.value.fix
    with pytest.raises(NotInstalled) as png:
        printing.write_png(tmp_path / "x.png", "<p>", 62, 29)
    assert ".svg" in png.value.fix
    assert list(tmp_path.iterdir()) == []


def test_the_terminal_tells_the_same(desk: Desk) -> None:
    told = desk.does("season")
    for line in told.splitlines():
        assert len(line) <= 100 or "  " not in line.strip(), line
    for words in ("26 laid: 17 hatched", "K02 lost: 3 mould", "what to change next season:", "inside, "):
        assert words in told


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("season 2019", "years with clutches: 2026"),
        ("season twenty", "write it as 2026"),
        ("season 2026 --from 2026-01-01", "not both"),
        ("season --from 2026-06-01 --to 2026-05-01", "--to is not after --from"),
        ("season --html room.toml", "does not end in .html"),
        ("season --html nowhere/at/all.html", "cannot be written"),
        ("course nosuch", "boxes: upper, lower, top, bottom"),
        ("course upper --days 0", "are none to look at"),
        ("course upper --days 1 --season 2026", "exclude each other"),
        ("course upper --from 2026-06-02 --to 2026-06-01", "--to is not after --from"),
        ("course bottom --season 2026", "no eggs laid in 2026 lay in box bottom"),
        ("labels K99 --out x.html", "no clutch and no box 'K99'"),
        ("labels --out x.doc", "does not end in"),
        ("labels --out x.html", "no eggs lie in a box"),
        ("labels --boxes --first 25 --out x.html", "give --first 1 to 24"),
    ],
)
def test_what_cannot_be_done_is_refused_with_what_to_do(desk: Desk, line: str, says: str) -> None:
    answer = desk(line)
    assert answer.code != 0
    assert says in answer.err
    assert "what to do:" in answer.err
    assert not Path("room.toml").exists()


def test_a_season_across_new_year_is_asked_for_by_days(desk: Desk) -> None:
    told = desk.took("season --from 2025-10-01 --to 2026-05-02 --json").json
    assert [c["clutch"] for c in told["clutches"]] == ["K01", "K02", "K03"]
    assert desk("season --from 2026-05-02").code == 6


# -- courses ----------------------------------------------------------------------------------------------------------


def test_a_course_shows_limits_gaps_and_what_happened(desk: Desk) -> None:
    told = desk.does("course lower --season 2026")
    assert all(len(line) <= 100 for line in told.splitlines())
    assert told.count("▲") >= 3
    assert "░" in told
    assert "╌" in told
    assert "K01 pipped, 1 egg" in told
    hot = desk.does("course top --from 2026-06-10 --to 2026-06-11")
    assert "limit too warm: 31.0 °C, 4 h 13 min at or beyond it" in hot
    quiet = desk.does("course lower --from 2026-05-31T09:00Z --to 2026-06-01T00:00Z")
    assert "nothing was measured here" in quiet


def test_a_course_and_all_boxes_are_drawn(desk: Desk) -> None:
    path = desk.folder / "top.svg"
    desk.does(f"course top --season 2026 --svg {path}")
    drawn = ET.fromstring(path.read_text())
    words = " ".join(drawn.itertext())
    assert "box top: temperature" in words
    assert "too warm: 31" in words
    assert "K02 other" not in words


def test_all_boxes_are_told_by_their_last_day_each(desk: Desk) -> None:
    told = desk.does(f'boxes --plot --at "{at_day(40.5):%Y-%m-%d %H:%M}"')
    assert all(len(line) <= 100 for line in told.splitlines())
    strips = {line.split()[0]: line for line in told.splitlines() if set(line) & set("▁▂▃▄▅▆▇█") and "°C" in line}
    assert set(WARMTH_C) <= set(strips)
    assert strips["top"].endswith("32.0 °C !")
    assert "█" in strips["top"]
    assert "!" not in strips["upper"]
    path = desk.folder / "boxes.svg"
    desk.does(f"boxes --plot {path}")
    words = " ".join(ET.fromstring(path.read_text()).itertext())
    assert all(f"{box} (stack" in words for box in WARMTH_C)


# -- labels -----------------------------------------------------------------------------------------------------------


@pytest.fixture
def _half_way(monkeypatch: pytest.MonkeyPatch) -> None:
    at_ns = ms(datetime.fromisoformat(f"{HALF_WAY}+00:00")) * 1_000_000
    monkeypatch.setattr(time, "time_ns", lambda: at_ns)


def scanned(*pictures: Path) -> Counter[str]:
    """What another program reads from the codes of pictures."""
    program = need("zbarimg", "zbar-tools")
    done = subprocess.run([program, "-q", "--raw", *pictures], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return Counter(done.stdout.split("\n")[:-1])


@pytest.mark.slow
@pytest.mark.usefixtures("_half_way")
def test_labels_are_read_from_their_picture(desk: Desk) -> None:
    need("chromium", "chromium")
    path = desk.folder / "labels.png"
    assert "3 labels of 70 x 37 mm" in desk.does(f"labels --out {path}")
    assert scanned(path) == Counter(f"{ADDRESS}/box/{box}" for box in ("upper", "lower", "top"))
    one = desk.folder / "one.png"
    desk.does(f"labels top --paper label --out {one}")
    assert scanned(one) == {f"{ADDRESS}/box/top": 1}


@pytest.mark.usefixtures("_half_way")
def test_a_label_says_what_lies_there(desk: Desk) -> None:
    path = desk.folder / "labels.svg"
    desk.does(f"labels K01 K03 top --out {path}")
    words = [t.text or "" for t in ET.fromstring(path.read_text()).iter("{http://www.w3.org/2000/svg}text")]
    (forecast,) = desk.took("forecast K01/upper --json").json
    p10, p90 = (datetime.fromisoformat(forecast["first_pip"][p]) for p in ("p10", "p90"))
    upper = words[words.index("K01") :]
    assert upper[1:5] == [
        "Elaphe taeniura",
        "laid 2026-05-01, 6 eggs",
        "box upper",
        f"first pip {p10.day} {p10:%b} to {p90.day} {p90:%b}",
    ]
    assert "laid 2026-05-01, no eggs in a box" in words
    assert "stack right, 120 cm" in words
    assert "K02: 6 eggs, laid 2026-05-01" in words


@pytest.mark.usefixtures("_half_way")
def test_without_an_address_a_code_holds_the_boxs_name_and_that_is_said(desk: Desk, tmp_path: Path) -> None:
    own = Desk(tmp_path)
    own.write((desk.folder / "room.toml").read_text().split("[[answers]]")[0].split("[answers]")[0])
    own.does("clutch add K01 --species elaphe-taeniura --laid 2026-05-01 --eggs 2")
    assert "the codes hold the names of the boxes" in own.does(f"labels --boxes --out {tmp_path}/boxes.svg")
    assert code_for("upper", "") == "warmtally box upper"
    assert code_for("the top/left", ADDRESS) == f"{ADDRESS}/box/the%20top%2Fleft"
