"""Icons of the effects: drawn when the bundle is built, as the standard asks for them (PNG with alpha, and SVG)."""

from __future__ import annotations

import math
from collections.abc import Sequence

import PIL.Image
import PIL.ImageDraw

from ...nodes.declare import Node

SIDE = 128
"""Pixels: "ideally at least 128×128" (OpenFX 1.5, "Plug-in Icons")."""
_FINER = 4
Point = tuple[float, float]
Colour = tuple[int, int, int]

_GROUND: Colour = (24, 27, 34)
_LINE: Colour = (244, 190, 92)
_QUIET: Colour = (120, 132, 150)
_SKIN: Colour = (214, 150, 118)
_WHITE: Colour = (236, 240, 244)


class _Icon:
    """One drawing in both forms; coordinates run from 0 to 1, y downwards."""

    def __init__(self) -> None:
        side = SIDE * _FINER
        self._image = PIL.Image.new("RGBA", (side, side), (0, 0, 0, 0))
        self._pen = PIL.ImageDraw.Draw(self._image)
        self._parts: list[str] = []
        self._pen.rounded_rectangle((0, 0, side - 1, side - 1), side * 0.18, fill=(*_GROUND, 255))
        self._parts.append(f'<rect width="128" height="128" rx="23" fill="{_hex(_GROUND)}"/>')

    def line(self, points: Sequence[Point], colour: Colour, width: float = 0.035) -> None:
        side = SIDE * _FINER
        at = [(x * side, y * side) for x, y in points]
        self._pen.line(at, fill=(*colour, 255), width=round(width * side), joint="curve")
        path = " ".join(f"{128 * x:.1f},{128 * y:.1f}" for x, y in points)
        self._parts.append(
            f'<polyline points="{path}" fill="none" stroke="{_hex(colour)}" stroke-width="{128 * width:.1f}" '
            'stroke-linecap="round" stroke-linejoin="round"/>'
        )

    def disc(self, at: Point, radius: float, colour: Colour, filled: bool = True) -> None:
        side = SIDE * _FINER
        box = [(at[0] - radius) * side, (at[1] - radius) * side, (at[0] + radius) * side, (at[1] + radius) * side]
        width = round(0.03 * side)
        self._pen.ellipse(box, fill=(*colour, 255) if filled else None, outline=(*colour, 255), width=width)
        look = f'fill="{_hex(colour)}"' if filled else f'fill="none" stroke="{_hex(colour)}" stroke-width="3.8"'
        self._parts.append(f'<circle cx="{128 * at[0]:.1f}" cy="{128 * at[1]:.1f}" r="{128 * radius:.1f}" {look}/>')

    def picture(self) -> PIL.Image.Image:
        return self._image.resize((SIDE, SIDE), PIL.Image.Resampling.LANCZOS)

    def svg(self) -> str:
        body = "".join(self._parts)
        return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 128 128" width="128" height="128">{body}</svg>\n'


def _hex(colour: Colour) -> str:
    return "#" + "".join(f"{v:02x}" for v in colour)


def _polar(angle: float, radius: float) -> Point:
    turn = math.radians(angle)
    return 0.5 + radius * math.cos(turn), 0.5 - radius * math.sin(turn)


def _light(icon: _Icon) -> None:
    icon.line([(0.2, 0.8), (0.36, 0.72), (0.5, 0.5), (0.64, 0.28), (0.8, 0.2)], _LINE)
    icon.line([(0.2, 0.2), (0.2, 0.8), (0.8, 0.8)], _QUIET, 0.02)


def _balance(icon: _Icon) -> None:
    icon.line([(0.2, 0.5), (0.8, 0.5)], _QUIET, 0.02)
    icon.line([(0.5, 0.2), (0.5, 0.8)], _QUIET, 0.02)
    icon.disc((0.5, 0.5), 0.17, _QUIET, filled=False)
    icon.disc((0.61, 0.42), 0.08, _LINE)


def _key(icon: _Icon) -> None:
    icon.disc((0.5, 0.5), 0.3, _QUIET, filled=False)
    icon.disc((0.5, 0.5), 0.16, _SKIN)


def _matte(icon: _Icon) -> None:
    icon.disc((0.5, 0.5), 0.29, _WHITE)
    icon.disc((0.5, 0.5), 0.19, _GROUND)


def _steer(icon: _Icon) -> None:
    icon.disc((0.5, 0.5), 0.34, _QUIET, filled=False)
    icon.line([(0.5, 0.5), _polar(123, 0.34)], _LINE)
    icon.disc(_polar(123, 0.2), 0.08, _SKIN)


def _compare(icon: _Icon) -> None:
    icon.line([(0.2, 0.25), (0.8, 0.25), (0.8, 0.75), (0.2, 0.75), (0.2, 0.25)], _QUIET, 0.02)
    icon.line([(0.5, 0.2), (0.5, 0.8)], _LINE)


_DRAWINGS = {draw.__name__[1:]: draw for draw in (_light, _balance, _key, _matte, _steer, _compare)}
"""By the group of the node."""


def icon_of(kind: type[Node]) -> tuple[PIL.Image.Image, str]:
    """Return an effect's icon as a picture and as SVG: a drawing for each step of the job, without a letter."""
    icon = _Icon()
    _DRAWINGS.get(kind.group, _compare)(icon)
    return icon.picture(), icon.svg()
