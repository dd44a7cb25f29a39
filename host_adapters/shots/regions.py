"""Regions on the command line: drawn in words, or read from a graph file that the tracker wrote."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from ...nodes import Region
from ..graphs.errors import GraphError
from ..graphs.graph import Graph, Step

REGION_HELP = (
    "ellipse:x,y,w,h or rectangle:x,y,w,h (centre, width and height; a fifth number turns it counter-clockwise by "
    "degrees) or polygon:x,y;x,y;x,y, with /feather behind it for another soft edge. x and y are parts of the frame, "
    "w, h and feather count in frame heights."
)

_RULE = (
    "write ellipse:x,y,w,h or rectangle:x,y,w,h (centre, width and height), or polygon:x,y;x,y;x,y, each with /feather "
    "behind it where wanted"
)

_SHAPES = {"ellipse": "ellipse", "rectangle": "box", "box": "box", "polygon": "polygon"}
"""The words of shapes, and what the node calls them; "box" was a rectangle's until version 0.1."""


def parse_region(text: str) -> Region:
    """Read a region in words. Raises GraphError for one that cannot be read, ParamError for one not allowed.

    Capital letters, percentages (``45%``) and ``+`` for ``;`` (which a shell takes for the end of the command) are
    understood, as in samples.

    >>> parse_region("rectangle:50%,.4,.2,.3/.05").centre
    (0.5, 0.4)
    """
    word, _, rest = text.lower().partition(":")
    place, slash, feather = rest.partition("/")
    shape = _SHAPES.get(word.strip(), "")
    try:
        settings = _polygon(place) if shape == "polygon" else _round_a_centre(place)
        settings |= {"feather": _number(feather)} if slash else {}
    except ValueError:
        settings = {}
    if not shape or not settings:
        raise GraphError(f"Region {text!r} cannot be read: {_RULE}.")
    return Region(shape=shape, **settings)


def read_as_before(text: str) -> str:
    """Say how a shape is read whose word is that of version 0.1, "" for any other: samples name a box by its corners.

    Where it could be meant so, the sentence names the rectangle of these corners; the frame counts as 16 to 9.

    >>> read_as_before("box:.6,.2,.9,.8")
    'box:.6,.2,.9,.8 is read as centre, width and height: write rectangle:.6,.2,.9,.8, as box goes with the next \
release. With the corners .6,.2 and .9,.8 it is rectangle:0.75,0.5,0.533,0.6 in a picture of 16 to 9.'
    """
    word, _, rest = text.partition(":")
    if word.strip().lower() != "box":
        return ""
    said = f"{text} is read as centre, width and height: write rectangle:{rest}, as box goes with the next release."
    place, slash, feather = rest.partition("/")
    try:
        x0, y0, x1, y1 = map(_number, place.split(","))
    except ValueError:
        return said
    if not (0 <= x0 < x1 <= 1 and 0 <= y0 < y1 <= 1):
        return said
    first, second = (",".join(place.split(",")[n : n + 2]) for n in (0, 2))
    meant = f"{(x0 + x1) / 2:.3g},{(y0 + y1) / 2:.3g},{(x1 - x0) * _ASPECT:.3g},{y1 - y0:.3g}{slash}{feather}"
    return f"{said} With the corners {first} and {second} it is rectangle:{meant} in a picture of 16 to 9."


_ASPECT = 16 / 9


def _number(text: str) -> float:
    text = text.strip()
    return float(text[:-1]) / 100 if text.endswith("%") else float(text)


def _polygon(text: str) -> dict[str, Any]:
    return {
        "points": tuple(
            (_number(x), _number(y)) for x, y in (pair.split(",") for pair in text.replace("+", ";").split(";"))
        )
    }


def _round_a_centre(text: str) -> dict[str, Any]:
    x, y, width, height, *turn = (_number(number) for number in text.split(","))
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
