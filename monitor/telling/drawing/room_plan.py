"""Where things stand in the picture of the room, narrow or wide, and the scale of warmth that its stacks share."""

from __future__ import annotations

import math
from typing import Final

from monitor.telling.drawing.room_scene import RoomScene, ShownBox
from monitor.values import dataclass

# Where there are more boxes, less is drawn of each; and of a crowd of them least.
MANY: Final = 12
CROWD: Final = 32
# Up to this width it is drawn for a telephone.
NARROWEST_WIDE: Final = 700.0
# A temperature so far from the middle one is drawn at the edge of the scale: a probe out of its box says nothing of a
# stack. A limit so near to what is measured is drawn. The scale is as wide as this at least. Judgement.
OFF_SCALE_C: Final = 4.0
NEAR_LIMIT_C: Final = 0.6
LEAST_SCALE_C: Final = 1.6


@dataclass(frozen=True)
class PicturePlan:
    """Where things stand, from left to right, and how large."""

    width: float
    post: float
    box: float
    box_wide: float
    scale: float
    scale_wide: float
    days: float
    box_tall: float
    gap: float
    figure: float
    name: float
    small: float
    head: float
    line: float
    wide: bool
    many: bool
    crowd: bool = False

    @property
    def right(self) -> float:
        return self.width - 6.0

    @property
    def inner(self) -> float:
        return self.box_wide - 18.0


def plan_of(width: float, boxes: int) -> PicturePlan:
    """The plan of a picture so wide, of so many boxes."""
    many = boxes > MANY
    if width < NARROWEST_WIDE:
        tall, gap, figure, head, small = (52.0, 6.0, 18.0, 12.5, 11.0) if many else (76.0, 16.0, 27.0, 13.0, 11.5)
        return PicturePlan(
            width, post=5.0, box=14.0, box_wide=132.0, scale=153.0, scale_wide=44.0, days=204.0, box_tall=tall, gap=gap,
            figure=figure, name=14.0, small=small, head=head, line=15.0, wide=False, many=many, crowd=boxes > CROWD,
        )  # fmt: skip
    tall, gap, figure, small = (34.0, 6.0, 19.0, 12.0) if many else (66.0, 16.0, 30.0, 13.0)
    box, wide = (316.0, 84.0) if many else (272.0, 116.0)
    return PicturePlan(
        width, post=48.0, box=60.0, box_wide=box, scale=468.0 - wide, scale_wide=wide, days=484.0, box_tall=tall,
        gap=gap, figure=figure, name=15.0, small=small, head=14.0, line=17.0, wide=True, many=many,
    )  # fmt: skip


@dataclass(frozen=True)
class WarmthScale:
    """Temperatures (C) from left to right."""

    low_c: float
    high_c: float
    left: float
    wide: float

    @staticmethod
    def of(scene: RoomScene, plan: PicturePlan) -> WarmthScale:
        """For all boxes of a room, but for those that are far from the others."""
        shown = [c for b in scene.boxes if (c := shown_c(b)) is not None]
        middle = sorted(shown)[len(shown) // 2] if shown else 28.0
        near = [b for b in scene.boxes if (c := shown_c(b)) is not None and abs(c - middle) <= OFF_SCALE_C]
        ends = [(shown_c(b) or 0.0) + side * _half(b) for b in near for side in (-1.0, 1.0)] or [middle]
        limits = [x for b in near for x in (b.too_cool_c, b.too_warm_c) if x is not None]
        close = [x for x in limits if min(ends) - NEAR_LIMIT_C <= x <= max(ends) + NEAR_LIMIT_C]
        low, high = min([*ends, *close]), max([*ends, *close])
        short = max(LEAST_SCALE_C - (high - low), 0.0) / 2 + 0.1
        return WarmthScale(low - short, high + short, plan.scale, plan.scale_wide)

    @property
    def right(self) -> float:
        return self.left + self.wide

    def holds(self, temperature_c: float) -> bool:
        return self.low_c <= temperature_c <= self.high_c

    def x(self, temperature_c: float) -> float:
        share = (temperature_c - self.low_c) / (self.high_c - self.low_c)
        return self.left + min(max(share, 0.0), 1.0) * self.wide


def shown_c(box: ShownBox) -> float | None:
    """The temperature that is drawn of a box: that of now, or the last one."""
    return box.now_c if box.now_c is not None else box.last_c


def _half(box: ShownBox) -> float:
    return min(box.half_c, 1.0) if box.now_c is not None and math.isfinite(box.half_c) else 0.1
