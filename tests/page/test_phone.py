"""The page on a telephone's home screen: its manifest, its icon, and what a browser keeps of it."""

from __future__ import annotations

import json
import re
import struct
import xml.etree.ElementTree as ET
import zlib

import pytest
from starlette.testclient import TestClient

from monitor.page.icon import INK, PAPER, SHELL, YOLK
from tests.page.rooms import ShownRoom


@pytest.fixture(scope="module")
def phone(tmp_path_factory: pytest.TempPathFactory) -> TestClient:
    return ShownRoom.small(tmp_path_factory.mktemp("room")).client()


def pixels(png: bytes) -> tuple[int, list[list[tuple[int, int, int]]]]:
    """Side and rows of an RGB PNG whose rows are not filtered; its check sums are checked."""
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    at, parts = 8, {}
    while at < len(png):
        size, name = struct.unpack(">I4s", png[at : at + 8])
        body = png[at + 8 : at + 8 + size]
        assert struct.unpack(">I", png[at + 8 + size : at + 12 + size])[0] == zlib.crc32(name + body)
        parts[name] = body
        at += 12 + size
    side, high, depth, color = struct.unpack(">IIBB", parts[b"IHDR"][:10])
    assert (side, depth, color) == (high, 8, 2)
    data, step = zlib.decompress(parts[b"IDAT"]), 1 + 3 * side
    assert len(data) == side * step
    rows = []
    for y in range(side):
        assert data[y * step] == 0
        line = data[y * step + 1 : (y + 1) * step]
        rows.append([(line[3 * x], line[3 * x + 1], line[3 * x + 2]) for x in range(side)])
    return side, rows


def test_the_manifest_names_the_room_and_icons_that_are_there(phone: TestClient) -> None:
    answer = phone.get("/manifest.webmanifest")
    assert answer.headers["content-type"] == "application/manifest+json"
    told = answer.json()
    assert (told["name"], told["start_url"], told["scope"], told["display"]) == ("Small room", "/", "/", "standalone")
    for icon in told["icons"]:
        found = phone.get(icon["src"])
        assert (found.status_code, found.headers["content-type"].partition(";")[0]) == (200, icon["type"])
        if icon["type"] == "image/png":
            assert f"{pixels(found.content)[0]}x{pixels(found.content)[0]}" == icon["sizes"]
    assert phone.get("/static/icon-31.png").status_code == 404


def test_the_icon_is_an_egg_with_its_band_in_both_forms(phone: TestClient) -> None:
    side, rows = pixels(phone.get("/static/icon-192.png").content)
    assert rows[2][2] == rows[side - 3][side - 3] == PAPER
    assert rows[side // 3][side // 2] == SHELL
    assert rows[round(side * 0.58)][side // 2] == YOLK
    down = [rows[y][side // 2] for y in range(side)]
    across = rows[side // 2]
    assert INK in down
    # Higher than wide, and its lower half is the wider one.
    assert sum(p != PAPER for p in down) > sum(p != PAPER for p in across)
    wide = [sum(p != PAPER for p in row) for row in rows]
    assert wide[round(side * 0.7)] > wide[round(side * 0.3)]
    drawn = ET.fromstring(phone.get("/static/icon.svg").text)
    assert [e.tag.rpartition("}")[2] for e in drawn] == ["rect", "path", "path", "path"]


def test_the_browser_keeps_what_pages_look_like_and_nothing_of_the_room(phone: TestClient) -> None:
    answer = phone.get("/worker.js")
    assert answer.headers["cache-control"] == "no-cache"
    found = re.match(r'const STAMP = "\w+";\nconst SHELL = (\[.*\]);\n', answer.text)
    assert found is not None
    shell = json.loads(found[1])
    assert {"/offline", "/manifest.webmanifest"} <= set(shell)
    assert any(x.startswith("/static/page.css?") for x in shell)
    for address in shell:
        kept = phone.get(address)
        assert kept.status_code == 200, address
        assert "°C" not in kept.text, address
        assert "left-upper" not in kept.text, address
    # What a page links is what is kept, to the letter: an address with another stamp would not be found.
    page = phone.get("/more").text
    linked = re.findall(r'(?:href|src)="(/static/[^"]+\.(?:css|js)\?\w+)"', page)
    assert len(linked) > 2
    assert set(linked) <= set(shell)
