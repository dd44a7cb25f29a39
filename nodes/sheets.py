"""Sheets: pictures for looking at others: clipped pixels in colour, and many stills on one sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..kernels.arrays import Floats
from ..kernels.colour import luma
from .drawing import AMBER, CLOUD, MIST, NIGHT, Canvas, text_width

CLIPPED = 1 - 0.5 / 255, 0.5 / 255
"""From where a channel is clipped at the top, and down to where at the bottom: within half a code of 8 bits."""
_TOP, _BOTTOM = (1.0, 0.35, 0.1), (0.2, 0.45, 1.0)


def clipped(picture: Floats) -> Floats:
    """Return a picture in dark grey with clipped pixels in colour: orange at white, blue at black; the shares beside.

    A channel at white or above, or at black or below, counts; a pixel at both is orange. NaN counts as neither.

    >>> clipped(np.float32([[[0.5, 0.5, 0.5], [1.2, 1.2, 1.2]]])).shape
    (1, 2, 3)
    """
    with np.errstate(invalid="ignore"):
        high = (picture[..., :3] >= CLIPPED[0]).any(axis=2)
        low = (picture[..., :3] <= CLIPPED[1]).any(axis=2) & ~high
    grey = np.clip(np.nan_to_num(luma(picture)), 0, 1) * np.float32(0.5)
    shown = np.ascontiguousarray(np.repeat(grey[..., None], 3, axis=2), np.float32)
    shown[high], shown[low] = _TOP, _BOTTOM
    height, width = shown.shape[:2]
    letter = max(10.0, height * 0.03)
    canvas = Canvas(width, height)
    canvas.pixels[..., :3], canvas.pixels[..., 3] = shown, 1
    for number, (word, share, colour) in enumerate((("white", high.mean(), _TOP), ("black", low.mean(), _BOTTOM))):
        text = f"at {word} {share:.1%}"
        canvas.words((letter * 0.6, letter * (0.6 + 1.5 * number)), text, letter, colour, "la", halo=letter * 0.2)
    return canvas.picture(3)


TILE = 420
"""Width of a still on the sheet, in pixels."""
_GAP, _COLUMNS = 8, 6


@dataclass(frozen=True)
class SheetRow:
    """The stills of one frame, reduced, with what the frame is called."""

    name: str
    tiles: Mapping[str, Floats]


def contact_sheet(rows: Sequence[SheetRow]) -> Floats:
    """Return one picture with the stills of all frames, each under its name, up to six in a line.

    >>> grey = np.full((90, 160, 3), 0.5, np.float32)
    >>> contact_sheet([SheetRow("frame 1", {"as shot": grey, "final": grey})]).ndim
    3
    """
    lines: list[tuple[str, list[tuple[str, Floats]]]] = []
    for row in rows:
        tiles = list(row.tiles.items())
        starts = range(0, len(tiles), _COLUMNS)
        lines += [("" if start else row.name, tiles[start : start + _COLUMNS]) for start in starts]
    letter = 15.0
    head, label = int(letter * 2.2), int(letter * 1.7)
    heights = [max(tile.shape[0] for _, tile in tiles) for _, tiles in lines]
    height = sum(h + label + _GAP + (head if name else 0) for h, (name, _) in zip(heights, lines, strict=True)) + _GAP
    width = _COLUMNS * (TILE + _GAP) + _GAP
    canvas = Canvas(width, height, NIGHT)
    top = float(_GAP)
    for (name, tiles), tall in zip(lines, heights, strict=True):
        if name:
            canvas.words((_GAP, top + head * 0.2), name, letter * 1.3, AMBER, "la")
            canvas.line(
                (text_width(name, letter * 1.3) + 24, top + head * 0.5), (width - _GAP, top + head * 0.5), 1, MIST, 0.5
            )
            top += head
        for column, (word, tile) in enumerate(tiles):
            left = _GAP + column * (TILE + _GAP)
            canvas.words((left, top), word, letter, CLOUD, "la")
            rows_, columns = tile.shape[:2]
            place = canvas.pixels[int(top) + label : int(top) + label + rows_, left : left + columns]
            place[..., :3] = np.clip(np.nan_to_num(tile[..., :3]), 0, 1)
        top += tall + label + _GAP
    return canvas.picture(3)
