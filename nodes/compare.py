"""Compare: two states of a picture against each other, by a wipe, next to each other or by their difference."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..kernels import mix
from ..kernels.arrays import Floats, as_picture, as_plane, checked, placed
from ..kernels.errors import PictureError
from .declare import Handle, Matte, Node, Picture, choice, degrees, number, toggle
from .drawing import AMBER, CLOUD, Canvas

MODES = {
    "wipe": "One picture; a straight edge parts before from after.",
    "side_by_side": "Before on the left, after on the right, both whole: twice as wide.",
    "stacked": "Before above, after below, both whole: twice as high.",
    "difference": "After minus before, times the gain, about middle grey.",
    "absolute": "The size of the difference, times the gain, on black.",
}


@dataclass(frozen=True)
class Compare(Node):
    """Show a picture before and after: wiped, side by side, stacked, or as their difference.

    Both pictures must have the same size and number of channels. Where nothing is drawn over them, the pixels of
    either side keep their very bits. In a difference alpha is that of ``after``. With a matte only keyed pixels are
    compared: their surroundings turn dark and grey, and a difference counts by the matte. Labels and the line draw
    over the pixels, so both are off at first. Raises PictureError for pictures that do not agree.

    >>> before, after = np.zeros((90, 160, 3), np.float32), np.ones((90, 160, 3), np.float32)
    >>> Compare(mode="side_by_side").process(before, after).shape
    (90, 320, 3)
    """

    name = "compare"
    label = "Compare"
    group = "compare"

    mode: str = choice("wipe", MODES, "How the two are shown.")
    position: float = number(0.5, 0, 1, "Where the edge of the wipe lies: 0 shows all of after, 1 all of before.")
    angle: float = degrees(
        0, -3600, 3600, "Turn of the wipe, counter-clockwise; at 0 before lies on the left.", shown=(-180, 180)
    )
    gain: float = number(4, 0.1, 1000, "Factor on a difference.", shown=(1, 32))
    line: bool = toggle(False, "Draw a thin line along the edge.")
    labels: bool = toggle(False, "Write before and after into the corners.")

    def output_size(self, width: int, height: int) -> tuple[int, int]:
        """Return twice the width side by side, twice the height stacked."""
        return (width * (1 + (self.mode == "side_by_side")), height * (1 + (self.mode == "stacked")))

    def unused(self) -> frozenset[str]:
        """Return what the chosen mode does not need."""
        is_difference = self.mode in ("difference", "absolute")
        wipe = () if self.mode == "wipe" else ("position", "angle")
        return frozenset((*wipe, *(("line", "labels") if is_difference else ("gain",))))

    def outlines(self, aspect: float) -> Sequence[Sequence[tuple[float, float]]]:
        """Return the edge of the wipe."""
        if self.mode != "wipe":
            return ()
        a, b, edge = self._edge_in_heights(aspect)
        far = aspect + 1.0
        ends = ((a * edge - b * far, b * edge + a * far), (a * edge + b * far, b * edge - a * far))
        return (tuple((x / aspect, y) for x, y in ends),)

    def handles(self, aspect: float) -> Sequence[Handle]:
        """Return the middle of the wipe's edge."""
        if self.mode != "wipe":
            return ()
        a, b, edge = self._edge_in_heights(aspect)
        ends = [a * x + b * y for x in (0.0, aspect) for y in (0.0, 1.0)]
        low, span = min(ends), max(ends) - min(ends)
        away = edge - (a * aspect / 2 + b / 2)
        middle = ((aspect / 2 + a * away) / aspect, 0.5 + b * away)

        def moved(x: float, y: float) -> Mapping[str, Any]:
            return {"position": min(max((a * x * aspect + b * y - low) / span, 0.0), 1.0)}

        return (Handle(middle, moved),)

    def _edge_in_heights(self, aspect: float) -> tuple[float, float, float]:
        """Return the edge as :meth:`_edge` does, in frame heights."""
        a, b = _turned(self.angle)
        corners = [a * x + b * y for x in (0.0, aspect) for y in (0.0, 1.0)]
        return a, b, min(corners) + self.position * (max(corners) - min(corners))

    def process(
        self, before: Picture, after: Picture, matte: Matte | None = None, *, out: Floats | None = None
    ) -> Picture:
        """Return the comparison; ``matte`` limits it to keyed pixels."""
        before, after = _pair(before, after)
        out = checked(out, self.result_shape(before.shape), before, after, *([] if matte is None else [matte]))
        return placed(self._shown(before, after, matte), out)

    def _shown(self, before: Picture, after: Picture, matte: Matte | None) -> Picture:
        if self.mode in ("difference", "absolute"):
            return _difference(before, after, matte, self.gain, self.mode == "difference")
        if matte is not None:
            before, after = _dimmed(before, matte), _dimmed(after, matte)
        if self.mode == "wipe":
            shown = self._wipe(before, after)
        else:
            shown = np.concatenate([before, after], axis=1 if self.mode == "side_by_side" else 0)
        if self.line:
            shown = self._with_line(shown)
        return self._with_labels(shown) if self.labels else shown

    def _wipe(self, before: Picture, after: Picture) -> Picture:
        height, width = before.shape[:2]
        x, y = np.arange(width)[None, :] + 0.5, np.arange(height)[:, None] + 0.5
        across, down, edge = self._edge(width, height)
        first: NDArray[np.bool_] = across * x + down * y < edge
        if self.position in (0.0, 1.0):
            first = np.full((height, width), self.position == 1.0)
        shown: Picture = np.where(first[..., None], before, after)
        return shown

    def _edge(self, width: int, height: int) -> tuple[float, float, float]:
        """Return (a, b, c) such that ``before`` lies where a·x + b·y < c, in pixels; (a, b) has length 1."""
        a, b = _turned(self.angle)
        corners = [a * x + b * y for x in (0, width) for y in (0, height)]
        return a, b, min(corners) + self.position * (max(corners) - min(corners))

    def _with_line(self, shown: Picture) -> Picture:
        height, width = shown.shape[:2]
        canvas = Canvas(width, height)
        stroke = max(1.0, min(width, height) / 540)
        if self.mode == "wipe":
            a, b, edge = self._edge(width, height)
            x, y = a * edge, b * edge
            far = width + height
            canvas.line((x - b * far, y + a * far), (x + b * far, y - a * far), stroke, AMBER)
        elif self.mode == "side_by_side":
            canvas.line((width / 2, 0), (width / 2, height), stroke, AMBER)
        else:
            canvas.line((0, height / 2), (width, height / 2), stroke, AMBER)
        return _drawn(shown, canvas)

    def _with_labels(self, shown: Picture) -> Picture:
        """Write the words where their side begins and ends; a side too small for its word goes without."""
        height, width = shown.shape[:2]
        canvas = Canvas(width, height)
        size = max(10.0, min(width, height) * 0.035)
        inset = size * 0.8
        a, b, edge = self._edge(width, height)
        places = {
            "side_by_side": ((inset, inset), (width / 2 + inset, inset), "la", "la"),
            "stacked": ((inset, inset), (inset, height / 2 + inset), "la", "la"),
        }.get(self.mode)
        if places is None:
            places = _wipe_places(width, height, a, b, inset)
        for place, anchor, word in ((places[0], places[2], "before"), (places[1], places[3], "after")):
            side = a * place[0] + b * place[1] < edge
            if self.mode != "wipe" or side == (word == "before"):
                canvas.words(place, word, size, CLOUD, anchor, halo=size * 0.12)
        return _drawn(shown, canvas)


def _turned(angle: float) -> tuple[float, float]:
    """Return the unit vector at an angle, y down; quarter turns are exact."""
    quarter, rest = divmod(angle, 90)
    if rest == 0:
        return ((1.0, 0.0), (0.0, -1.0), (-1.0, 0.0), (0.0, 1.0))[int(quarter) % 4]
    return math.cos(math.radians(angle)), -math.sin(math.radians(angle))


def _pair(before: Picture, after: Picture) -> tuple[Picture, Picture]:
    before, after = as_picture(before, "picture before"), as_picture(after, "picture after")
    if before.shape != after.shape:
        raise PictureError(
            f"The pictures to compare have the shapes {before.shape} and {after.shape}: "
            "give both the same size and number of channels."
        )
    return before, after


def _dimmed(image: Picture, matte: Matte) -> Picture:
    """Turn what the matte leaves out dark and grey; fully keyed pixels keep their bits."""
    nothing = np.zeros(image.shape[:2], np.float32)
    return mix.blend(mix.dim_surroundings(image, nothing), image, matte)


def _difference(before: Picture, after: Picture, matte: Matte | None, gain: float, about_grey: bool) -> Picture:
    amount = np.float32(gain)
    shown: Picture = np.empty_like(after)
    with np.errstate(invalid="ignore", over="ignore"):
        np.subtract(after, before, out=shown)
        shown *= amount
        if matte is not None:
            plane = as_plane(matte, like=after.shape[:2])[..., None]
            shown = np.where(plane > 0, shown * plane, np.float32(0))
        shown = shown + np.float32(0.5) if about_grey else np.abs(shown)
    shown[..., 3:] = after[..., 3:]
    return shown


def _drawn(shown: Picture, canvas: Canvas) -> Picture:
    """Lay a canvas over a picture; pixels that it does not touch keep their bits. Alpha stays."""
    layer = canvas.pixels
    touched = layer[..., 3:] > 0
    painted = np.where(np.isfinite(shown[..., :3]), shown[..., :3], 0) * (1 - layer[..., 3:]) + layer[..., :3]
    result = shown.copy()
    result[..., :3] = np.where(touched, painted, shown[..., :3])
    return result


_Places = tuple[tuple[float, float], tuple[float, float], str, str]


def _wipe_places(width: int, height: int, a: float, b: float, inset: float) -> _Places:
    """Return where the words go: the corners that lie farthest before and after the edge, and their anchors."""
    left, right, top, bottom = inset, width - inset, inset, height - inset
    first_x, last_x = (left, right) if a >= 0 else (right, left)
    first_y, last_y = (top, top) if abs(b) < 0.01 else (top, bottom) if b > 0 else (bottom, top)
    if abs(a) < 0.01:
        first_x = last_x = left
    anchors = [
        ("l" if x == left else "r") + ("a" if y == top else "d") for x, y in ((first_x, first_y), (last_x, last_y))
    ]
    return (first_x, first_y), (last_x, last_y), anchors[0], anchors[1]
