"""Arrays on a card: pictures in planes, with alpha beside them, and single planes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from ..arrays import Floats
from ..colour import ONE, ZERO
from ..devices import OnDevice
from .memory import Block
from .pixels import MOST_SEGMENTS

if TYPE_CHECKING:
    from .card import Card

_COLOUR = (slice(None), slice(None), slice(None, 3))


@dataclass(frozen=True)
class Light:
    """Steps that a picture has yet to go through, in one sweep: a matrix in linear light, a curve, a decision list.

    :ivar base: the planes before. :ivar adapt: constants to decode by, matrix, and constants to encode by.
    :ivar curve: its segments. :ivar listed: the numbers of the list, and whether it clamps.
    """

    base: Block
    adapt: tuple[Any, Any, Any] | None = None
    curve: Floats | None = None
    listed: tuple[Any, bool] | None = None

    def then(self, **step: Any) -> Light | None:
        """Return these steps and one more; None where that does not come behind them."""
        names = ("adapt", "curve", "listed")
        later = names[names.index(next(iter(step))) :]
        return replace(self, **step) if all(getattr(self, name) is None for name in later) else None

    def kind(self) -> tuple[bool, int, bool, bool, bool]:
        """Return what :func:`.pixels.lighting` needs to know."""
        numbers, clamped = self.listed or (_NO_LIST, False)
        segments = 0 if self.curve is None else min(len(self.curve), MOST_SEGMENTS + 1)
        powers = any(power != ONE for power in numbers[6:9])
        return self.adapt is not None, segments, self.listed is not None, clamped, powers

    def arguments(self, card: Card) -> tuple[Any, ...]:
        """Return what the kernel takes after the pictures and their size."""
        numbers = (ZERO,) if self.curve is None else tuple(self.curve.ravel())
        curve = numbers if len(numbers) <= 5 * MOST_SEGMENTS else card.constants(*numbers)
        return *(self.adapt or (_NO_TRANSFER, _NO_MATRIX, _NO_TRANSFER)), curve, (self.listed or (_NO_LIST,))[0]


_NO_TRANSFER, _NO_MATRIX, _NO_LIST = (ZERO,) * 18, (ZERO,) * 9, (ONE,) * 10


class CardArray(OnDevice):
    """A picture or plane. What it holds was given to the stream of its ``lane``.

    :ivar alpha: of a picture of four channels. :ivar luma: of a picture, where a kernel came by it, in ``luma_lane``.
    :ivar pending: what a picture has yet to go through. :ivar probes: the pixels that the grid of faces is made from,
        on the processor, where somebody asked for them.
    """

    def __init__(self, card: Card, shape: tuple[int, ...], colour: Block | Light, alpha: Block | None = None) -> None:
        self.device: Card = card
        self.shape, self.alpha = shape, alpha
        self.pending = colour if isinstance(colour, Light) else None
        self._colour = colour.base if isinstance(colour, Light) else colour
        self.luma: Block | None = None
        self.probes: Floats | None = None
        self.lane = self.luma_lane = card.lanes.lane

    @property
    def colour(self) -> Block:
        """The three planes of a picture behind each other, or the one plane."""
        return self.worked_out()

    def worked_out(self) -> Block:
        """Return its memory, after what was pending."""
        if self.pending is not None:
            self._colour, self.pending = self.device.lit(self.pending, self.pixels), None
            self.lane = self.device.lanes.lane
        return self._colour

    def takes_luma(self, luma: Block) -> None:
        """Keep its luma, which this thread's lane was given to work out."""
        self.luma_lane, self.luma = self.device.lanes.lane, luma

    @property
    def pixels(self) -> int:
        """Number of pixels."""
        return self.shape[0] * self.shape[1]

    def blocks(self) -> list[Block]:
        """Return the memory that it lies in."""
        return [block for block in (self._colour, self.alpha, self.luma) if block is not None]

    def __getitem__(self, key: Any) -> Any:
        """Return a part of it on the processor; but a picture without its alpha stays on the card."""
        if key == _COLOUR and self.ndim == 3:
            return (
                self
                if self.alpha is None
                else CardArray(self.device, (*self.shape[:2], 3), self.device.reading(self).colour)
            )
        return super().__getitem__(key)


class MatteSource(OnDevice):
    """A matte and the picture that it may follow, as :func:`.fused.soften_matte` takes them."""

    edge = ranges = None

    def __init__(self, card: Card, plane: CardArray, image: CardArray | None) -> None:
        self.device: Card = card
        self.plane, self.image, self.shape = plane, image, plane.shape
