"""Keys: nodes that make a matte from the colour of a picture."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..kernels import fused, qualify
from ..kernels.arrays import Floats
from ..kernels.codes import CodedPicture
from ..kernels.colour import unpremultiply
from ..kernels.strips import Unwritten
from .declare import Matte, Node, ParamError, Picture, Rows, choice, degrees, number, text, toggle
from .model import ModelError, SkinModel, read_model

_PREMULTIPLIED = "The colour of the picture is multiplied by its alpha; it is divided by it before the key reads it."

_NATURAL_ANGLE, _NATURAL_RATIO = 128.0, 0.22

NATURAL_RANGE = SkinModel(
    centre=(
        _NATURAL_RATIO * math.cos(math.radians(_NATURAL_ANGLE)),
        _NATURAL_RATIO * math.sin(math.radians(_NATURAL_ANGLE)),
    ),
    compact=np.array([1.05, 0.0, 0.45, 0.40**2, 0.0, 0.0, 0.19**2, 0.0, 0.45**2, 3.0]),
)
"""The range in which skin of every depth is found under daylight balance, a little wider toward the green side."""


@dataclass(frozen=True)
class SkinKey1(Node):
    """Key skin by what was learned from samples of it, as version 0.1.0 did it: at full size below 960 lines.

    For projects that hosts saved with it. New work takes the effect of the same name and the next major version. NaN
    and infinite pixels give 0.

    >>> picture = np.full((2, 2, 3), (0.3, 0.4, 0.8), np.float32)  # blue
    >>> float(SkinKey1().process(picture).max())
    0.0
    """

    name = "skin_key"
    label = "Skin key (full size)"
    group = "key"
    reads_signal = True

    model: str = text("", "What was learned from samples, as text; empty takes the natural range of skin.")
    form: str = choice(
        "table",
        {
            "table": "the full table of skin against everything else: keeps out colours near skin",
            "compact": "one soft ellipsoid: smoother and faster, leaks sooner",
        },
        "Which form of the learned key to use.",
    )
    width: float = number(0.0, -0.5, 0.5, "Widen (above 0) or narrow (below 0) the key as a whole.", shown=(-0.3, 0.3))
    shadow_reach: float = number(1.0, 0.25, 4.0, "Above 1 reaches further into shadow and beard than was sampled.")
    highlight_reach: float = number(1.0, 0.25, 4.0, "Above 1 reaches further into shine and highlights.")
    softness: float = number(1.0, 0.05, 2.0, "Softness of the key in colour; 1 as learned, lower cuts harder.")
    premultiplied: bool = toggle(False, _PREMULTIPLIED)

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.model:
            try:
                read_model(self.model)
            except ModelError as error:
                raise ParamError(f"{self.name}.model cannot be read. {error}") from None

    @property
    def learned(self) -> SkinModel:
        """The learned model, or the natural range of skin where there is none."""
        return read_model(self.model) if self.model else NATURAL_RANGE

    def process(self, image: Picture, *, out: Floats | None = None) -> Matte:
        """Return the matte of skin."""
        image = unpremultiply(image) if self.premultiplied else image
        matte: Matte = qualify.learned_key(image, *self._learned_form(), out=out, **self._options())
        return matte

    def gives_rows(self) -> bool:
        """Tell whether the picture is keyed as it is."""
        return not self.premultiplied

    def gives_unwritten(self) -> bool:
        """Tell that it does."""
        return True

    def unwritten(self, image: Picture) -> Matte | Unwritten:
        """Return the matte before it is written; not of a picture in planes, for others read the luma that is found."""
        if isinstance(image, CodedPicture):
            return self.process(image)
        image = unpremultiply(image) if self.premultiplied else image
        return qualify.unwritten_key(image, *self._learned_form(), **self._options())

    def takes_coded(self) -> tuple[str, ...]:
        """Return the port of the picture where it is keyed as it is."""
        return () if self.premultiplied else ("image",)

    def rows(self, image: Picture) -> Rows:
        """Return the lazy matte of a picture that is not premultiplied."""
        edge = qualify.learned_edge(image, *self._learned_form(), **self._options())
        return Rows(fused.from_edge(image, edge))

    def _learned_form(self) -> tuple[tuple[float, float], NDArray[np.floating]]:
        learned = self.learned
        table = learned.table if self.form == "table" else None
        return learned.centre, learned.compact if table is None else table

    def _options(self) -> dict[str, Any]:
        return {
            "middle": self.learned.middle,
            "width": self.width,
            "softness": self.softness,
            "shadow_reach": self.shadow_reach,
            "highlight_reach": self.highlight_reach,
            "halved_from": self._halved_from(),
        }

    def _halved_from(self) -> int:
        return qualify.WHOLE_BELOW


WORKING_SIZES = {
    "half": "half the lines from 480 on, a quarter from 1920 on: as accurate, and twice as fast",
    "whole": "all lines below 960, half from there on, a quarter from 1920 on: as version 0.1.0 did it",
}


@dataclass(frozen=True)
class SkinKey(SkinKey1):
    """Key skin by what was learned from samples of it.

    Chroma is judged in relation to luma, so shading hardly moves the key. Without a learned model the natural
    range of skin is taken, which also finds wood, sand and rope: add a sample. Colour is read at half the picture's
    size, and the edge is drawn at full size, along the picture's own. Where the light tints the skin from frame to
    frame, the key goes along by what faces show of that. NaN and infinite pixels give 0.

    >>> picture = np.full((2, 2, 3), (0.3, 0.4, 0.8), np.float32)  # blue
    >>> float(SkinKey().process(picture).max())
    0.0
    """

    label = "Skin key"
    version = 2

    working_size: str = choice("half", WORKING_SIZES, "The size at which the key reads the picture's colour.")
    blue_drift: float = number(
        0.0, -0.5, 0.5, "How far the light has moved Cb/Y′ of skin since the key was learned; the key moves along."
    )
    red_drift: float = number(0.0, -0.5, 0.5, "How far the light has moved Cr/Y′ of skin since then.")

    def _options(self) -> dict[str, Any]:
        return super()._options() | {"drift": (self.blue_drift, self.red_drift)}

    def _halved_from(self) -> int:
        return qualify.HALVED_FROM if self.working_size == "half" else qualify.WHOLE_BELOW


@dataclass(frozen=True)
class RangeKey(Node):
    """Key by plain ranges of hue, chroma and luma, each from–to, with one fade outside all of them.

    Hue counts in degrees counter-clockwise from +Cb and wraps; skin lies near 123°. NaN and infinite pixels give 0.

    >>> picture = np.full((2, 2, 3), (0.3, 0.4, 0.8), np.float32)  # blue
    >>> float(RangeKey(hue_from=330, hue_to=390, chroma_to=1).process(picture).min())
    1.0
    """

    name = "range_key"
    label = "Range key"
    group = "key"
    pixelwise = True
    reads_signal = True

    hue_from: float = degrees(105.0, -360, 360, "Hue at which the range begins.", shown=(0, 360))
    hue_to: float = degrees(141.0, -360, 720, "Hue at which the range ends, counter-clockwise.", shown=(0, 360))
    chroma_from: float = number(0.02, 0, 1, "Least chroma, as the length in Cb/Cr.", shown=(0, 0.5))
    chroma_to: float = number(0.35, 0, 1, "Most chroma, as the length in Cb/Cr.", shown=(0, 0.5))
    luma_from: float = number(0.08, -1, 4, "Least luma; 0 is black, 1 white.", shown=(0, 1))
    luma_to: float = number(1.0, -1, 4, "Most luma; 0 is black, 1 white.", shown=(0, 1))
    fade: float = number(0.06, 0, 1, "Fade outside the ranges; 0.1 is 36° of hue, 0.05 of chroma, 0.1 of luma.")
    premultiplied: bool = toggle(False, _PREMULTIPLIED)

    def process(self, image: Picture, *, out: Floats | None = None) -> Matte:
        """Return the matte of the ranges."""
        image = unpremultiply(image) if self.premultiplied else image
        matte: Matte = qualify.range_key(image, *self.ranges(), out=out)
        return matte

    def gives_rows(self) -> bool:
        """Tell whether the picture is keyed as it is."""
        return not self.premultiplied

    def rows(self, image: Picture) -> Rows:
        """Return the lazy matte of a picture that is not premultiplied."""
        return Rows(fused.from_ranges(image, qualify.range_constants(*self.ranges())))

    def ranges(self) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float], float]:
        """Return hue, chroma and luma, each from–to, and the fade, as :func:`.qualify.range_key` takes them."""
        hue, chroma = (self.hue_from, self.hue_to), (self.chroma_from, self.chroma_to)
        return hue, chroma, (self.luma_from, self.luma_to), self.fade
