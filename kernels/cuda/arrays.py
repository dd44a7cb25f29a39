"""Arrays on a card: pictures in planes, with alpha beside them, and single planes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ..devices import OnDevice
from .memory import Block

if TYPE_CHECKING:
    from .card import Card

_COLOUR = (slice(None), slice(None), slice(None, 3))


class CardArray(OnDevice):
    """A picture or plane. What it holds is complete once its lane has come to ``ready``.

    :ivar colour: the three planes of a picture behind each other, or the one plane. :ivar alpha: of a picture of four
        channels. :ivar luma: of a picture, where a kernel came by it.
    """

    def __init__(self, card: Card, shape: tuple[int, ...], colour: Block, alpha: Block | None = None) -> None:
        self.device: Card = card
        self.shape, self.colour, self.alpha = shape, colour, alpha
        self.luma: Block | None = None
        self.lane = card.lanes.lane
        self.ready = card.lanes.mark()

    @property
    def pixels(self) -> int:
        """Number of pixels."""
        return self.shape[0] * self.shape[1]

    def blocks(self) -> list[Block]:
        """Return the memory that it lies in."""
        return [block for block in (self.colour, self.alpha, self.luma) if block is not None]

    def __getitem__(self, key: Any) -> Any:
        """Return a part of it on the processor; but a picture without its alpha stays on the card."""
        if key == _COLOUR and self.ndim == 3:
            return self if self.alpha is None else CardArray(self.device, (*self.shape[:2], 3), self.colour)
        return super().__getitem__(key)


class MatteSource(OnDevice):
    """A matte and the picture that it may follow, as :func:`.fused.soften_matte` takes them."""

    edge = ranges = None

    def __init__(self, card: Card, plane: CardArray, image: CardArray | None) -> None:
        self.device: Card = card
        self.plane, self.image, self.shape = plane, image, plane.shape
