"""Views: nodes that show a matte so that it can be judged."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from ..kernels import mix
from ..kernels.arrays import Floats, checked
from ..kernels.colour import luma
from .declare import Matte, Node, Picture, choice

VIEWS: dict[str, str] = {
    "matte": "the matte alone, white where it keys",
    "dimmed": "keyed pixels as they are, the surroundings dark and grey",
    "hatched": "keyed pixels as they are, the surroundings under slanting lines",
    "outline": "the whole picture with a line where the matte crosses one half",
    "luma": "the picture's luma alone",
}

_DRAW: dict[str, Callable[[Any, Any, Any], Any]] = {
    "matte": lambda image, matte, out: mix.grey_picture(matte, image.shape[2], out),
    "dimmed": mix.dim_surroundings,
    "hatched": mix.hatch_surroundings,
    "outline": mix.outline,
    "luma": lambda image, matte, out: mix.grey_picture(luma(image), image.shape[2], out),
}


@dataclass(frozen=True)
class ShowMatte(Node):
    """Show a matte over its picture: alone, with the surroundings dimmed or hatched, or as an outline.

    >>> import numpy as np
    >>> picture, matte = np.zeros((2, 2, 3), np.float32), np.full((2, 2), 0.5, np.float32)
    >>> ShowMatte(view="matte").process(picture, matte)[0, 0].tolist()
    [0.5, 0.5, 0.5]
    """

    name = "show_matte"
    label = "Show matte"
    group = "matte"

    view: str = choice("dimmed", VIEWS, "What to show.")

    def process(self, image: Picture, matte: Matte, *, out: Floats | None = None) -> Picture:
        """Return the view."""
        out = checked(out, image.shape, image, matte)
        picture: Picture = _DRAW[self.view](image, matte, out)
        return picture
