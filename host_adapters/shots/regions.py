"""Regions on the command line: drawn in words, or read from a graph file that the tracker wrote."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from ...nodes import Region
from ..graphs.errors import GraphError
from ..graphs.graph import Graph, Step

REGION_HELP = (
    "ellipse:x,y,w,h or box:x,y,w,h (centre, width and height, where a sample's box is two corners; a fifth number "
    "turns it counter-clockwise by degrees) or polygon:x,y;x,y;x,y, with /feather behind it for another soft edge. "
    "x and y are parts of the frame, w, h and feather count in frame heights."
)

_RULE = (
    "write ellipse:x,y,w,h or box:x,y,w,h (centre, width and height), or polygon:x,y;x,y;x,y, each with /feather "
    "behind it where wanted"
)


def parse_region(text: str) -> Region:
    """Read a region in words. Raises GraphError for one that cannot be read, ParamError for one not allowed."""
    shape, _, rest = text.partition(":")
    place, slash, feather = rest.partition("/")
    try:
        settings = _polygon(place) if shape == "polygon" else _ellipse_or_box(place)
        settings |= {"feather": float(feather)} if slash else {}
    except ValueError:
        settings = {}
    if shape not in ("ellipse", "box", "polygon") or not settings:
        raise GraphError(f"Region {text!r} cannot be read: {_RULE}.")
    return Region(shape=shape, **settings)


def like_corners(text: str) -> str:
    """Say which box two corners would be, where a box sticks out of the frame and could be meant so; "" otherwise.

    Samples name a box by its corners, regions by centre and size. The frame counts as 16 to 9.

    >>> like_corners("box:.6,.2,.9,.8")
    'The box with the corners .6,.2 and .9,.8 is box:0.75,0.5,0.533,0.6 in a picture of 16 to 9.'
    """
    shape, _, place = text.partition("/")[0].partition(":")
    try:
        x0, y0, x1, y1 = map(float, place.split(","))
    except ValueError:
        return ""
    inside = x0 - x1 / 2 / _ASPECT > -_BESIDE and y0 - y1 / 2 > -_BESIDE
    inside = inside and x0 + x1 / 2 / _ASPECT < 1 + _BESIDE and y0 + y1 / 2 < 1 + _BESIDE
    if shape != "box" or inside or not (0 <= x0 < x1 <= 1 and 0 <= y0 < y1 <= 1):
        return ""
    first, second = (",".join(place.split(",")[n : n + 2]) for n in (0, 2))
    meant = f"box:{(x0 + x1) / 2:.3g},{(y0 + y1) / 2:.3g},{(x1 - x0) * _ASPECT:.3g},{y1 - y0:.3g}"
    return f"The box with the corners {first} and {second} is {meant} in a picture of 16 to 9."


_ASPECT, _BESIDE = 16 / 9, 0.02


def _polygon(text: str) -> dict[str, Any]:
    return {"points": tuple((float(x), float(y)) for x, y in (pair.split(",") for pair in text.split(";")))}


def _ellipse_or_box(text: str) -> dict[str, Any]:
    x, y, width, height, *turn = (float(number) for number in text.split(","))
    if len(turn) > 1:
        raise ValueError
    return {"centre": (x, y), "width": width, "height": height, "rotation": turn[0] if turn else 0.0}


def read_region(text: str) -> Step:
    """Return the step of a region in words, or of the one region in a graph file, keyframes and all.

    Raises GraphError for words that cannot be read or a graph with no region or several, InputError for a missing file.
    """
    if Path(text).suffix.lower() != ".json":
        return Step.of("region", parse_region(text), image="plate")
    regions = [step for step in Graph.load(text).steps if isinstance(step.node, Region)]
    if len(regions) != 1:
        raise GraphError(f"{os.fspath(text)} must hold one region to be used as one, not {len(regions)}.")
    return regions[0]
