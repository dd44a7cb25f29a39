"""Steering: nodes that move the colour of keyed skin, keep it under a grade, or mix two pictures."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ..kernels import fused, mix
from ..kernels import steer as kernel
from ..kernels.arrays import Floats, as_picture, as_plane, checked, copied
from ..kernels.codes import CodedPicture, IntoPlanes
from ..kernels.strips import PictureInto
from .balance import balance_matrix
from .declare import Matte, Node, Picture, Rows, choice, degrees, number, toggle


@dataclass(frozen=True)
class SteerSkin(Node):
    """Move the hue of keyed skin by an angle and scale its saturation; luma and unkeyed pixels stay as they are.

    Angles are in the BT.709 Cb/Cr plane. Neutral pixels inside the matte (eyes, teeth, shine) stay neutral. Temperature
    and tint then move what is keyed as a light would, by the matrix of :class:`~.balance.Balance` in linear light with
    luma put back: neutral pixels inside the matte take that colour too.

    >>> skin, matte = np.full((2, 2, 3), (0.62, 0.48, 0.40), np.float32), np.ones((2, 2), np.float32)
    >>> steered = SteerSkin(angle=5.0).process(skin, matte)
    >>> luma = np.float32([0.2126, 0.7152, 0.0722])
    >>> bool(np.allclose(steered @ luma, skin @ luma, atol=1e-5))
    True
    """

    name = "steer_skin"
    label = "Steer skin"
    group = "steer"
    pixelwise = True
    reads_signal = True

    angle: float = degrees(0.0, -180, 180, "Turn of the skin's hue; above 0 goes toward yellow.", shown=(-45, 45))
    saturation: float = number(1.0, 0, 4, "Factor on the skin's saturation.", shown=(0, 2))
    temperature: float = number(
        0.0, -200, 100, "Of the skin alone: lower cools, higher warms; luma stays.", unit="mired", shown=(-60, 60)
    )
    tint: float = number(
        0.0,
        -0.03,
        0.03,
        "Of the skin alone: lower turns toward green, higher toward magenta; luma stays.",
        unit="Duv",
        shown=(-0.015, 0.015),
    )
    amount: float = number(1.0, 0, 1, "How much of the steering is applied.")
    method: str = choice(
        "turn",
        {
            "turn": "turn the hue and scale the saturation",
            "shift": "add one step of colour in proportion to luma: merges fewest code values",
            "primaries": "mix the primaries in linear light, luma put back",
        },
        "How the colour is moved. All three carry the skin's centre to the same place.",
    )
    centre_angle: float = degrees(123.0, -180, 540, "Hue of the skin before steering.", shown=(90, 160))
    centre_ratio: float = number(0.2, 0.001, 4, "Chroma/luma of the skin before steering.", shown=(0.05, 0.5))
    even_out: float = number(0.0, 0, 0.5, "Draw the skin's hues together; flattens blush, so use little.")
    even_side: str = choice(
        "both",
        {"both": "hues on both sides", "redder": "only the redder hues", "yellower": "only the yellower hues"},
        "Which hues are drawn toward the centre.",
    )
    shadow_angle: float = degrees(
        0.0, -180, 180, "Further turn on the shadow side, for mixed light on one face.", shown=(-30, 30)
    )
    shadow_saturation: float = number(1.0, 0, 4, "Further factor on saturation on the shadow side.", shown=(0, 2))
    shadow_luma: float = number(0.25, 0, 1, "Luma at which the shadow side meets the lit side.")
    shadow_softness: float = number(0.2, 0.01, 1, "Width of the soft split between shadow side and lit side, in luma.")
    premultiplied: bool = toggle(False, "The colour of the picture is multiplied by its alpha.")

    def is_identity(self) -> bool:
        """Tell whether nothing is steered."""
        return self.amount == 0 or not (self._turns() or self._lights())

    def _turns(self) -> bool:
        """Tell whether hue or saturation move."""
        return self.applied() != (0.0, 1.0) or self._turns_apart()

    def _lights(self) -> bool:
        """Tell whether temperature or tint move the skin."""
        return self.amount != 0 and (self.temperature, self.tint) != (0.0, 0.0)

    def _turns_apart(self) -> bool:
        """Tell whether hues are evened out or the shadow side is turned further: only the turn does that."""
        further = (self.even_out, self.shadow_angle, self.shadow_saturation) != (0.0, 0.0, 1.0)
        return further and self.method == "turn"

    def takes_rows(self) -> tuple[str, ...]:
        """Return the port of the matte where the skin is only turned."""
        apart = self._turns_apart() or self._lights()
        return ("matte",) if self.method == "turn" and not apart and not self.is_identity() else ()

    def gives_strips(self) -> bool:
        """Tell whether the skin is turned and nothing else: that is one sweep over the picture."""
        return self.method == "turn" and not self._lights() and not self.is_identity()

    def takes_coded(self) -> tuple[str, ...]:
        """Return the port of the picture where the skin is only turned."""
        return ("image",) if self.takes_rows() else ()

    def process_into(self, into: PictureInto, image: Picture, matte: Matte | Rows) -> None:
        """Make the picture of :meth:`process` strip by strip; one that lies in planes may go to planes at once."""
        if isinstance(matte, Rows) and self.takes_rows():
            fused.turn_skin(image, matte.source, matte.steps, *self.applied(), into=into)
        elif (
            isinstance(image, CodedPicture) and isinstance(into, IntoPlanes) and self.takes_rows() and into.takes(image)
        ):
            into.turn(image, matte, *self.applied())
        else:
            self._turned(image, matte.whole() if isinstance(matte, Rows) else matte, None, into)

    def process(self, image: Picture, matte: Matte | Rows, *, out: Floats | None = None) -> Picture:
        """Return the picture with the keyed skin steered."""
        if isinstance(matte, Rows):
            if self.takes_rows():
                turned: Picture = fused.turn_skin(image, matte.source, matte.steps, *self.applied(), out=out)
                return turned
            matte = matte.whole()
        if self.is_identity():
            image = as_picture(image)
            as_plane(matte, like=image.shape[:2])
            return copied(image, out)
        if not self._lights():
            return self._turned(image, matte, out)
        image = as_picture(image)
        out = checked(out, image.shape, image, as_plane(matte, like=image.shape[:2]))
        image = self._turned(image, matte, None) if self._turns() else image
        matrix = balance_matrix(self.temperature * self.amount, self.tint * self.amount)
        return kernel.mix_primaries(image, matte, matrix, "bt709", premultiplied=self.premultiplied, out=out)

    def _turned(self, image: Picture, matte: Matte, out: Floats | None, into: PictureInto | None = None) -> Picture:
        """Return the picture with hue and saturation of the keyed skin moved."""
        angle, saturation = self.applied()
        if self.method == "shift":
            du, dv = _step(self.centre_angle, self.centre_ratio, angle, saturation)
            return kernel.shift(image, matte, du, dv, out)
        if self.method == "primaries":
            matrix = _primaries(self.centre_angle, self.centre_ratio, angle, saturation)
            return kernel.mix_primaries(image, matte, matrix, premultiplied=self.premultiplied, out=out)
        even = self.even_out * self.amount
        strips = {} if into is None else {"into": into}
        return kernel.turn(
            image,
            matte,
            angle,
            saturation,
            shadow_angle=self.shadow_angle * self.amount,
            shadow_saturation=1 + (self.shadow_saturation - 1) * self.amount,
            shadow_luma=self.shadow_luma,
            shadow_softness=self.shadow_softness,
            even_redder=even if self.even_side != "yellower" else 0.0,
            even_yellower=even if self.even_side != "redder" else 0.0,
            centre=self.centre_angle,
            premultiplied=self.premultiplied,
            out=out,
            **strips,
        )

    def applied(self) -> tuple[float, float]:
        """Return the turn in degrees and the factor on saturation after ``amount``."""
        return self.angle * self.amount, 1 + (self.saturation - 1) * self.amount


def _step(centre: float, ratio: float, angle: float, saturation: float) -> tuple[float, float]:
    before, after = math.radians(centre), math.radians(centre + angle)
    return (
        ratio * (saturation * math.cos(after) - math.cos(before)),
        ratio * (saturation * math.sin(after) - math.sin(before)),
    )


@functools.lru_cache(maxsize=64)
def _primaries(centre: float, ratio: float, angle: float, saturation: float) -> NDArray[np.float64]:
    matrix: NDArray[np.float64] = kernel.solve_neutral_keeping(centre, ratio, centre + angle, ratio * saturation)
    matrix.setflags(write=False)
    return matrix


@dataclass(frozen=True)
class KeepSkin(Node):
    """Bring natural skin back under a creative grade: its hue and saturation, at the luma of the grade.

    ``natural`` is the corrected picture before the grade. Full strength looks pasted on: use less.

    >>> natural, matte = np.full((2, 2, 3), (0.62, 0.48, 0.40), np.float32), np.ones((2, 2), np.float32)
    >>> graded = natural[..., ::-1].copy()  # a look that turns skin blue
    >>> kept = KeepSkin(amount=1.0).process(graded, natural, matte)[0, 0]
    >>> bool(kept[0] > kept[2])
    True
    """

    name = "keep_skin"
    label = "Keep skin"
    group = "steer"
    port_labels = MappingProxyType({"image": "Graded", "natural": "Natural"})
    pixelwise = True
    reads_signal = True

    amount: float = number(0.6, 0, 1, "How far the skin returns to natural; at 1 it takes no colour from the look.")
    saturation: float = number(1.0, 0, 1, "How much of the natural saturation returns with the hue.")

    def is_identity(self) -> bool:
        """Tell whether nothing returns."""
        return self.amount == 0

    def process(self, image: Picture, natural: Picture, matte: Matte, *, out: Floats | None = None) -> Picture:
        """Return the graded picture with its skin drawn toward the natural one."""
        return kernel.keep(image, natural, matte, self.amount, self.saturation, out)


@dataclass(frozen=True)
class Blend(Node):
    """Mix a second picture into a first, by an amount and, where one is given, a matte.

    At a matte of 0 the first and at 1 the second picture passes with its very bits.

    >>> black, white = np.zeros((2, 2, 3), np.float32), np.ones((2, 2, 3), np.float32)
    >>> float(Blend(amount=0.25).process(black, white)[0, 0, 0])
    0.25
    """

    name = "blend"
    label = "Blend"
    group = "compare"
    pixelwise = True

    amount: float = number(1.0, 0, 1, "Share of the second picture.")

    def is_identity(self) -> bool:
        """Tell whether nothing of the second picture is mixed in."""
        return self.amount == 0

    def process(
        self, first: Picture, second: Picture, matte: Matte | None = None, *, out: Floats | None = None
    ) -> Picture:
        """Return the mixture."""
        everywhere = np.ones(first.shape[:2], np.float32) if matte is None else matte
        return mix.blend(first, second, everywhere, self.amount, out)
