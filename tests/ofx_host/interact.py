"""The host's view of an instance: it plays pen and keys, and draws what the effect draws into a picture."""

from __future__ import annotations

import ctypes
from typing import Any

import numpy as np
import PIL.Image
import PIL.ImageDraw
import PIL.ImageFont
from numpy.typing import NDArray

from . import rules
from .host import BAD_VALUE, HostStatus, PluginRecord, PropertySet

_NUMBERS = rules.STANDARD["numbers"]
LINES, STRIP, LOOP, RECTANGLE, POLYGON, ELLIPSE = (
    _NUMBERS[f"kOfxDrawPrimitive{word}"]
    for word in ("Lines", "LineStrip", "LineLoop", "Rectangle", "Polygon", "Ellipse")
)
_LEAST_POINTS = {LINES: 2, STRIP: 2, LOOP: 3, RECTANGLE: 2, POLYGON: 3, ELLIPSE: 2}


class Sheet:
    """What is drawn in one call, as a list of shapes in screen pixels and as a picture."""

    def __init__(self, view: Interact, background: NDArray | None) -> None:
        self.view = view
        height, width = view.viewport[1], view.viewport[0]
        ground = np.full((height, width, 3), 96, np.uint8) if background is None else background
        self.image = PIL.Image.fromarray(ground).convert("RGBA")
        self.colour, self.width = (1.0, 1.0, 1.0, 1.0), 1.0
        self.shapes: list[tuple[int, list[tuple[float, float]], tuple[float, ...]]] = []
        self.texts: list[tuple[str, tuple[float, float]]] = []

    def _layer(self) -> tuple[PIL.Image.Image, PIL.ImageDraw.ImageDraw]:
        layer = PIL.Image.new("RGBA", self.image.size)
        return layer, PIL.ImageDraw.Draw(layer)

    @property
    def _ink(self) -> tuple[int, ...]:
        return tuple(round(255 * min(max(v, 0), 1)) for v in self.colour)

    def draw(self, primitive: int, points: list[tuple[float, float]]) -> None:
        if len(points) < _LEAST_POINTS.get(primitive, 10**9):
            raise HostStatus(BAD_VALUE, f"a primitive {primitive} was drawn with {len(points)} points")
        at = [self.view.to_screen(point) for point in points]
        self.shapes.append((primitive, at, self.colour))
        layer, pen = self._layer()
        width = max(1, round(self.width))
        box = [min(at[0][0], at[-1][0]), min(at[0][1], at[-1][1]), max(at[0][0], at[-1][0]), max(at[0][1], at[-1][1])]
        if primitive == ELLIPSE:
            pen.ellipse(box, outline=self._ink, width=width)
        elif primitive == RECTANGLE:
            pen.rectangle(box, fill=self._ink)
        elif primitive == POLYGON:
            pen.polygon(at, fill=self._ink)
        elif primitive == LINES:
            for pair in zip(at[::2], at[1::2], strict=False):
                pen.line(pair, fill=self._ink, width=width)
        else:
            pen.line([*at, at[0]] if primitive == LOOP else at, fill=self._ink, width=width)
        self.image.alpha_composite(layer)

    def write(self, text: str, position: tuple[float, float], alignment: int) -> None:
        at = self.view.to_screen(position)
        self.texts.append((text, at))
        layer, pen = self._layer()
        pen.text(at, text, fill=self._ink, font=PIL.ImageFont.load_default(13), anchor="ls")
        self.image.alpha_composite(layer)


class Interact:
    """The drawing over the picture of one instance, in a view of a size and a zoom (screen pixels for a canonical one).

    Positions of the pen are given in screen pixels from the top left corner.
    """

    def __init__(self, instance: Any, viewport: tuple[int, int], zoom: float = 1.0) -> None:
        self.instance, self.host = instance, instance.host
        self.viewport, self.zoom, self.redraws, self.time = viewport, zoom, 0, 0.0
        self.properties = PropertySet(
            "interact instance",
            {},
            {"OfxInteractPropSlaveToParam": ("string", 0), "OfxPropInstanceData": ("pointer", 1)},
        )
        self.handle, self.properties_handle = self.host.handle(self), self.host.handle(self.properties)
        entry = instance.effect.description["OfxImageEffectPluginPropOverlayInteractV2"][0]
        self.entry = PluginRecord._fields_[-1][1](entry)
        assert self._call("OfxActionDescribe") == 0
        assert self._call("OfxActionCreateInstance") == 0

    def to_screen(self, point: tuple[float, float]) -> tuple[float, float]:
        return point[0] * self.zoom, self.viewport[1] - point[1] * self.zoom

    def _call(self, action: str, given: PropertySet | None = None) -> int:
        self.instance.effect.record.set_host(ctypes.addressof(self.host.record))
        handle = None if given is None else self.host.handle(given)
        status: int = self.entry(action.encode(), self.handle, handle, None)
        return status

    def _arguments(self, **more: tuple) -> PropertySet:
        pixel = 1 / self.zoom
        return PropertySet(
            "in arguments",
            {
                "OfxPropEffectInstance": (ctypes.c_void_p(self.instance.handle),),
                "OfxInteractPropPixelScale": (pixel, pixel),
                "OfxInteractPropBackgroundColour": (0.0, 0.0, 0.0),
                "OfxPropTime": (self.time,),
                "OfxImageEffectPropRenderScale": (1.0, 1.0),
                **more,
            },
        )

    def draw(self, background: NDArray | None = None) -> Sheet:
        """Let the effect draw, and return the sheet."""
        sheet = Sheet(self, background)
        context = ctypes.c_void_p(self.host.handle(sheet))
        status = self._call("OfxInteractActionDraw", self._arguments(OfxInteractPropDrawContext=(context,)))
        assert status in (0, 14), status
        return sheet

    def pen(self, action: str, x: float, y: float) -> int:
        """Play the pen: "Down", "Motion" or "Up" at a place of the screen."""
        canonical = (x / self.zoom, (self.viewport[1] - y) / self.zoom)
        return self._call(
            f"OfxInteractActionPen{action}",
            self._arguments(
                OfxInteractPropPenPosition=canonical,
                OfxInteractPropPenViewportPosition=(round(x), round(y)),
                OfxInteractPropPenPressure=(1.0,),
            ),
        )

    def drag(self, *path: tuple[float, float]) -> list[int]:
        """Press at the first place, move through the others, and let go at the last."""
        return [
            self.pen("Down", *path[0]),
            *(self.pen("Motion", *place) for place in path[1:]),
            self.pen("Up", *path[-1]),
        ]

    def key(self, symbol: int) -> int:
        return self._call(
            "OfxInteractActionKeyDown", self._arguments(kOfxPropKeySym=(symbol,), kOfxPropKeyString=("",))
        )

    def lose_focus(self) -> int:
        return self._call("OfxInteractActionLoseFocus", self._arguments())

    def destroy(self) -> int:
        return self._call("OfxActionDestroyInstance")
