"""The page's own icon: an egg with the band of its window, as SVG and as PNG from the same lines."""

from __future__ import annotations

import math
import struct
import zlib
from functools import cache
from typing import Final

import numpy as np

PAPER: Final = (248, 244, 234)
SHELL: Final = (255, 253, 247)
INK: Final = (33, 31, 27)
YOLK: Final = (227, 168, 58)
HALF_WIDE: Final = 0.27
HALF_HIGH: Final = 0.36
BLUNT: Final = 0.16
"""How much the lower half is wider than the upper; all lengths are shares of the icon's side, from its middle."""
LINE: Final = 0.035
BAND: Final = (0.02, 0.15)
"""From where to where the band goes, downwards."""
_FINER: Final = 4


def _half_width(y: float) -> float:
    """How far the egg goes to each side at a height, downwards from the middle."""
    inside = 1.0 - (y / HALF_HIGH) ** 2
    return HALF_WIDE * (1.0 + BLUNT * y / HALF_HIGH) * math.sqrt(max(inside, 0.0))


def icon_svg() -> str:
    """The icon as an SVG file of 100 by 100."""
    heights = [HALF_HIGH * math.sin(math.pi * k / 48) for k in range(-24, 25)]

    def outline(ys: list[float]) -> str:
        points = [(_half_width(y), y) for y in ys] + [(-_half_width(y), y) for y in reversed(ys)]
        return "M" + "L".join(f"{50 + 100 * x:.2f} {50 + 100 * y:.2f}" for x, y in points) + "Z"

    band = [BAND[0] + (BAND[1] - BAND[0]) * k / 6 for k in range(7)]
    paper, shell, ink, yolk = (f"#{r:02x}{g:02x}{b:02x}" for r, g, b in (PAPER, SHELL, INK, YOLK))
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100">'
        f'<rect width="100" height="100" fill="{paper}"/><path d="{outline(heights)}" fill="{shell}"/>'
        f'<path d="{outline(band)}" fill="{yolk}"/>'
        f'<path d="{outline(heights)}" fill="none" stroke="{ink}" stroke-width="{200 * LINE:g}"/></svg>'
    )


@cache
def icon_png(side: int) -> bytes:
    """The icon as a PNG file of so many pixels a side."""
    fine = (np.arange(side * _FINER) + 0.5) / (side * _FINER) - 0.5
    x, y = fine[None, :], fine[:, None]
    half = np.array([_half_width(float(v)) for v in fine])[:, None]
    picture = np.empty((fine.size, fine.size, 3))
    picture[:] = PAPER
    egg = np.abs(x) <= half
    picture[egg] = SHELL
    picture[egg & (y >= BAND[0]) & (y <= BAND[1])] = YOLK
    picture[_near_outline(x, y)] = INK
    small = picture.reshape(side, _FINER, side, _FINER, 3).mean(axis=(1, 3)).round().astype(np.uint8)
    lines = b"".join(b"\0" + row.tobytes() for row in small)
    head = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    parts = ((b"IHDR", head), (b"IDAT", zlib.compress(lines, 9)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(_part(name, body) for name, body in parts)


def _near_outline(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Where the line of the shell is: within half its width of the egg's edge, along the way outwards."""

    def level(wide: float, high: float) -> np.ndarray:
        width = wide * (1.0 + BLUNT * np.clip(y / high, -1.0, 1.0))
        return (x / width) ** 2 + (y / high) ** 2

    outer = level(HALF_WIDE + LINE, HALF_HIGH + LINE) <= 1.0
    inner = level(HALF_WIDE - LINE, HALF_HIGH - LINE) <= 1.0
    found: np.ndarray = outer & ~inner
    return found


def _part(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
