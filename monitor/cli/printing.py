"""From a page to paper: PDF by a browser without a window or by WeasyPrint, pictures by the browser.

The page is a file beside the one that is made, so that a browser which may only see the user's own folders sees it.
"""

from __future__ import annotations

import importlib
import importlib.util
import math
import os
import shutil
import struct
import subprocess
import tempfile
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from monitor.cli.new_file import unwritable
from monitor.errors import FileUnreadable, NotInstalled

BROWSERS: Final = ("chromium", "chromium-browser", "google-chrome")
# A page of a season takes seconds; a computer that is busy may take minutes.
PATIENCE_S: Final = 180
PX_PER_MM: Final = 96.0 / 25.4
# A picture has so many dots for each point of the page: about 300 to the inch.
SHARP: Final = 3
# More than the frame of any window.
FRAME_PX: Final = 300
_HOW: Final = "install Chromium (on Debian: apt-get install chromium)"


def browser() -> str | None:
    """A browser that can print without a window, if one is on the PATH."""
    return next((found for name in BROWSERS if (found := shutil.which(name)) is not None), None)


def write_pdf(path: Path, page: str) -> str:
    """A page (HTML, with nothing outside it) as PDF; returns what made it. Raises NotInstalled and FileUnreadable."""
    program = browser()
    if program is not None:
        _by_browser(program, path, page, ["--no-pdf-header-footer", "--print-to-pdf={out}"])
        return Path(program).name
    if importlib.util.find_spec("weasyprint") is None:
        raise NotInstalled(
            "there is no program here that makes a PDF of a page",
            fix=f"{_HOW}, or the Python package weasyprint; or write --html and print that from any browser",
        )
    weasyprint: Any = importlib.import_module("weasyprint")
    try:
        weasyprint.HTML(string=page, url_fetcher=_nothing).write_pdf(str(path))
    except OSError as error:
        raise unwritable(path, error) from error
    return "WeasyPrint"


def write_png(path: Path, page: str, width_mm: float, height_mm: float) -> None:
    """A page of a size as a picture. Raises NotInstalled and FileUnreadable."""
    program = browser()
    if program is None:
        raise NotInstalled(
            "there is no program here that makes a picture of a page", fix=f"{_HOW}; or write .svg, which needs none"
        )
    wide, tall = (math.ceil(mm * PX_PER_MM) for mm in (width_mm, height_mm))
    how = [f"--force-device-scale-factor={SHARP}", "--hide-scrollbars", "--screenshot={out}"]
    # The frame of a window is taken off its height, though there is none; what is too much is taken off below.
    _by_browser(program, path, page, [f"--window-size={wide},{tall + FRAME_PX}", *how])
    try:
        path.write_bytes(first_rows(path.read_bytes(), tall * SHARP))
    except OSError as error:
        raise unwritable(path, error) from error


def first_rows(png: bytes, rows: int) -> bytes:
    """A PNG without its lower part: each row rests on those above it alone (PNG specification, 9.2), so that what is
    above stays as it is."""
    kept, data, at = [png[:8]], b"", 8
    while at < len(png):
        size, name = struct.unpack(">I4s", png[at : at + 8])
        body, at = png[at + 8 : at + 8 + size], at + 12 + size
        if name == b"IHDR":
            width, height, depth, colour = struct.unpack(">IIBB", body[:10])
            if body[12] or height <= rows:
                return png
            row = 1 + math.ceil(width * depth * {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}[colour] / 8)
            body = struct.pack(">II", width, rows) + body[8:]
        if name == b"IDAT":
            data += body
            continue
        if name == b"IEND":
            kept.append(_chunk(b"IDAT", zlib.compress(zlib.decompress(data)[: rows * row], 9)))
        kept.append(_chunk(name, body))
    return b"".join(kept)


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def _nothing(address: str) -> Any:
    raise ValueError(f"a page fetches nothing: {address[:80]}")


def _by_browser(program: str, path: Path, page: str, how: Sequence[str]) -> None:
    try:
        with tempfile.TemporaryDirectory(prefix="warmtally-print-", dir=path.resolve().parent) as name:
            folder = Path(name)
            source, out = folder / "page.html", folder / f"made{path.suffix}"
            source.write_text(page, encoding="utf-8")
            words = [program, "--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
            words += ["--disable-component-update", "--disable-sync", f"--user-data-dir={folder / 'profile'}"]
            # A browser of root refuses its sandbox; the page is our own, without script and without an address.
            words += ["--no-sandbox"] if os.geteuid() == 0 else []
            words += [*(h.format(out=out) for h in how), source.as_uri()]
            done = subprocess.run(words, check=False, capture_output=True, timeout=PATIENCE_S)
            if not out.is_file() or not out.stat().st_size:
                told = done.stderr.decode(errors="replace").strip().splitlines()[-1:] or ["it said nothing"]
                raise FileUnreadable(
                    f"{Path(program).name} made no file: {told[0][:200]}",
                    fix="write --html (or .svg) and print that from any browser",
                )
            out.replace(path)
    except subprocess.TimeoutExpired:
        raise FileUnreadable(
            f"{Path(program).name} took longer than {PATIENCE_S} seconds",
            fix="try again when the computer is less busy, or write --html and print that from any browser",
        ) from None
    except OSError as error:
        raise unwritable(path, error) from error
