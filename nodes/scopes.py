"""Scopes: pictures in which colour and level can be read, the vectorscope and the waveform."""

from __future__ import annotations

import dataclasses
import functools
import math
from dataclasses import dataclass

import numpy as np

from ..kernels import measure, plot
from ..kernels.angles import wrapped
from ..kernels.arrays import Floats, as_picture, as_plane, placed
from ..kernels.colour import ycbcr_matrix
from ..kernels.gaussian import gaussian
from .declare import Matte, Node, Picture, choice, degrees, number, whole
from .drawing import AMBER, CLOUD, DUSK, MIST, NIGHT, TRACE, Canvas, Colour, Point, coloured, text_width
from .solve import MEASURED_MEAN, MEASURED_SPREAD, SKIN_LINE, ReadingError, measure_skin

I_AXIS = 130.55
"""The +I axis in degrees of the BT.709 Cb/Cr plane: see :class:`Vectorscope`."""

BARS: dict[str, Colour] = {
    "R": (1, 0, 0),
    "Y": (1, 1, 0),
    "G": (0, 1, 0),
    "C": (0, 1, 1),
    "B": (0, 0, 1),
    "M": (1, 0, 1),
}
"""The six coloured bars by letter, in the order in which their angles enclose the plane."""

_I_LINE: Colour = (0.62, 0.72, 1.0)
_RIM = 0.64
"""Chroma at the rim of the unmagnified vectorscope: 100 % magenta, the farthest bar, lies at 0.596."""
_RIM_RADIUS = 0.438
"""Radius of the rim in parts of the picture's side."""
_FAINT = 2.0
"""Density that just shows, in parts per million of the pixels in a cell of 1/512 of the side."""
_RINGS = {1: (0.2, 0.4), 2: (0.1, 0.2), 4: (0.05, 0.1)}

_ZOOMS = {
    "1": "Everything up to fully saturated bars.",
    "2": "The inner half.",
    "4": "The inner quarter, where most skin lies.",
}


def bar_chroma(letter: str, amount: float = 1.0) -> tuple[float, float]:
    """Return (Cb, Cr) of a colour bar: ``letter`` of :data:`BARS`, ``amount`` 0.75 or 1. Source: BT.709-6 item 3."""
    _, cb, cr = ycbcr_matrix("709") @ (np.array(BARS[letter]) * amount)
    return float(cb), float(cr)


# --- vectorscope --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Vectorscope(Node):
    """Show the picture's colours, or those of the keyed pixels, in the BT.709 Cb/Cr plane with the skin line.

    The picture is read as display-referred R′G′B′ with BT.709 primaries, not premultiplied. The result is square
    and has as many channels as the picture, alpha opaque. Brightness is the logarithm of the density.

    The skin line lies at ``angle`` + ``bias``; the amber wedge behind it spans one, its paler part two standard
    deviations of measured skins under D65 (124.3° ± 4.2°). The centre of the energy is marked with its angle: with
    a matte it is what :func:`measure_skin` reads. The skin line is named after the +I axis, but does not lie on
    it: +I is at 123.00° of the analogue U/V plane, which is built on the luma of BT.601 and other scales; the same
    R′G′B′ lies at 130.55° in BT.709 Cb/Cr. It is drawn as a second, thinner line, so that nobody takes one for the
    other.

    Rings mark 75 % and rhombs 100 % colour bars, computed from BT.709-6; the hexagons join them. What lies beyond
    the rim is not drawn. Raises PictureError for wrong arrays. Sources: BT.709-6 items 3.2 and 3.3; skin line:
    common practice, no source.

    >>> Vectorscope(zoom="2").process(np.full((90, 160, 3), 0.5, np.float32)).shape
    (512, 512, 3)
    """

    name = "vectorscope"
    label = "Vectorscope"
    group = "compare"
    reads_signal = True

    size: int = whole(512, 256, 2160, "Side of the square picture.", unit="pixels")
    zoom: str = choice("1", _ZOOMS, "How far the middle is magnified.")
    angle: float = degrees(SKIN_LINE, -360, 360, "Where the skin line lies.", shown=(90, 160))
    bias: float = degrees(0, -90, 90, "Added to the line: above 0 yellower, below 0 redder.", shown=(-10, 10))
    brightness: float = number(1, 0.1, 10, "Lifts the faint parts of the trace above 1, hides them below.")

    def output_size(self, width: int, height: int) -> tuple[int, int]:
        """Return the scope's own size."""
        return (self.size, self.size)

    def fitted(self, width: int, height: int) -> Vectorscope:
        """Return the scope no larger than this, down to its least size."""
        least = int(self.params()["size"].low)
        return dataclasses.replace(self, size=max(least, min(self.size, width, height)))

    def process(self, image: Picture, matte: Matte | None = None, *, out: Floats | None = None) -> Picture:
        """Return the scope of the picture, or of its keyed pixels where a matte is given."""
        return placed(self.over(image, matte), out)

    def over(
        self, image: Picture, matte: Matte | None = None, beneath: measure.Counts | None = None, name: str = ""
    ) -> Picture:
        """Return the scope with another trace beneath its own, in grey.

        :param beneath: what :meth:`counts` gave of the other picture. :param name: what the other is called.
        """
        image = as_picture(image)
        if matte is not None:
            matte = as_plane(matte, like=image.shape[:2])
        plane = _ChromaPlane(self.size, int(self.zoom))
        canvas = Canvas(self.size, self.size)
        below, above = _graticule(plane, self.angle, self.bias)
        canvas.pixels[:] = below
        if beneath is not None and int(beneath.sum()):
            other = _trace(beneath, int(beneath.sum()), plane.blur, self.brightness)
            canvas.lay(coloured(other, _BENEATH) * _window(plane))
        counts = self.counts(image, matte)
        total = int(counts.sum())
        if total:
            trace = coloured(_trace(counts, total, plane.blur, self.brightness))
            canvas.lay(trace * _window(plane))
        canvas.lay(above)
        _draw_reading(canvas, plane, _centre(image, matte), self.angle + self.bias, matte is not None)
        _draw_source(canvas, plane, matte is not None, total > 0)
        if beneath is not None and name:
            place = (
                plane.size - plane.size * 0.022,
                plane.size * 0.018 + plane.letter * 1.35 * (2 if plane.zoom > 1 else 1),
            )
            canvas.words(place, f"beneath: {name}", plane.letter, _BENEATH[-1], "ra")
        return canvas.picture(image.shape[2])

    def counts(self, image: Picture, matte: Matte | None = None) -> measure.Counts:
        """Return what is drawn, as counts: see :func:`~inkarnat.kernels.plot.chroma_counts`."""
        return plot.chroma_counts(image, matte, self.size, _ChromaPlane(self.size, int(self.zoom)).scale)


_BENEATH: tuple[Colour, ...] = ((0.22, 0.23, 0.25), (0.42, 0.44, 0.47), (0.62, 0.64, 0.67))
"""Colours of another trace beneath, from faint to full."""


@dataclass(frozen=True)
class _ChromaPlane:
    """Where a Cb/Cr lies in a square picture of this size."""

    size: int
    zoom: int

    @property
    def scale(self) -> float:
        """Pixels for a Cb or Cr of 1."""
        return self.rim / _RIM * self.zoom

    @property
    def rim(self) -> float:
        return self.size * _RIM_RADIUS

    @property
    def middle(self) -> Point:
        return (self.size / 2, self.size / 2)

    @property
    def letter(self) -> float:
        """Height of the small print."""
        return max(10.0, self.size * 0.0275)

    @property
    def stroke(self) -> float:
        """Width of a usual line."""
        return max(1.0, self.size / 512)

    @property
    def blur(self) -> float:
        """Standard deviation that lets neighbouring 8-bit codes of chroma (224 for 1) just run together."""
        return max(0.6, 0.4 * self.scale / 224)

    @property
    def small(self) -> bool:
        """Whether there is room for few words only."""
        return self.size < 360

    def at(self, cb: float, cr: float) -> Point:
        return (self.size / 2 + cb * self.scale, self.size / 2 - cr * self.scale)

    def polar(self, angle: float, radius: float) -> Point:
        """The point at an angle (degrees) and a radius in pixels."""
        turn = math.radians(angle)
        return (self.size / 2 + radius * math.cos(turn), self.size / 2 - radius * math.sin(turn))

    def holds(self, cb: float, cr: float) -> bool:
        return math.hypot(cb, cr) * self.scale < self.rim - 1


def _trace(counts: measure.Counts, total: int, blur: float, brightness: float) -> Floats:
    """Turn counts into brightness: parts per million in a cell of a 512-cell plot, on a logarithmic scale."""
    rows, columns = counts.shape
    to_share = 1e6 / total * (rows * columns / 512**2)
    density = gaussian((counts * to_share).astype(np.float32), blur)
    full = max(float(density.max()), 40 * _FAINT)
    return plot.log_brightness(density, _FAINT / brightness, full)


@functools.lru_cache(maxsize=2)
def _window(plane: _ChromaPlane) -> Floats:
    canvas = Canvas(plane.size, plane.size)
    canvas.disc(plane.middle, plane.rim, CLOUD)
    return np.ascontiguousarray(canvas.pixels[..., 3:])


def _centre(image: Picture, matte: Matte | None) -> tuple[float, float] | None:
    """Return (angle, chroma) of the centre of the energy, or None where there is nothing to measure."""
    if matte is not None:
        try:
            reading = measure_skin(image, matte)
        except ReadingError:
            return None
        return reading.angle, reading.ratio * max(reading.luma[1] - reading.black, 0.0)
    tally = measure.tally(image)
    (u, v), (luma,) = tally.ratio_median(), measure.levels(image).percentiles([50])
    chroma = math.hypot(u, v) * max(luma, 0.0)
    return (math.degrees(math.atan2(v, u)) % 360, chroma) if math.isfinite(chroma) else None


@functools.lru_cache(maxsize=2)
def _graticule(plane: _ChromaPlane, angle: float, bias: float) -> tuple[Floats, Floats]:
    """Return what lies under the trace and what lies over it."""
    below = Canvas(plane.size, plane.size, NIGHT)
    below.disc(plane.middle, plane.rim, DUSK)
    _draw_band(below, plane)
    _draw_rings(below, plane)
    above = Canvas(plane.size, plane.size)
    above.ring(plane.middle, plane.rim, plane.stroke, MIST, 0.8)
    _draw_bars(above, plane)
    _draw_protractor(above, plane)
    _draw_lines(above, plane, angle + bias)
    _draw_legend(above, plane, angle, bias)
    for canvas in (below, above):
        canvas.pixels.flags.writeable = False
    return below.pixels, above.pixels


def _draw_band(canvas: Canvas, plane: _ChromaPlane) -> None:
    for spread, opacity in ((2, 0.10), (1, 0.13)):
        angles = (MEASURED_MEAN - spread * MEASURED_SPREAD, MEASURED_MEAN + spread * MEASURED_SPREAD)
        canvas.sector(plane.middle, (0, plane.rim), angles, AMBER, opacity)


def _draw_rings(canvas: Canvas, plane: _ChromaPlane) -> None:
    for angle in (0, 90):
        ends = plane.polar(angle + 180, plane.rim), plane.polar(angle, plane.rim)
        canvas.line(*ends, plane.stroke, MIST, 0.22)
    for chroma in _RINGS[plane.zoom]:
        canvas.ring(plane.middle, chroma * plane.scale, plane.stroke, MIST, 0.22)
        place = plane.polar(262, chroma * plane.scale)
        canvas.words(place, f"{chroma:g}", plane.letter * 0.85, MIST, "mm", 0.75, halo=plane.stroke * 2)


def _draw_bars(canvas: Canvas, plane: _ChromaPlane) -> None:
    """Draw the targets of the bars that the window holds, and the hexagons that join all of them where it can."""
    for amount in (0.75, 1.0):
        corners = [bar_chroma(letter, amount) for letter in BARS]
        if all(plane.holds(*corner) for corner in corners):
            canvas.path([plane.at(*corner) for corner in corners], plane.stroke, MIST, 0.25)
    radius = max(3.5, plane.size * 0.011)
    for letter, colour in BARS.items():
        tint = _tint(colour)
        three_quarters, whole_bar = bar_chroma(letter, 0.75), bar_chroma(letter)
        if plane.holds(*three_quarters):
            _ring_mark(canvas, plane, plane.at(*three_quarters), radius, tint)
        if plane.holds(*whole_bar):
            _rhomb_mark(canvas, plane, plane.at(*whole_bar), radius, tint)
            cb, cr = bar_chroma(letter, 0.875)
            canvas.words(plane.at(cb, cr), letter, plane.letter, tint, "mm", halo=plane.stroke * 2)


def _tint(colour: Colour) -> Colour:
    """Return a bar's colour light enough to be read on the dark ground."""
    r, g, b = (0.45 + 0.53 * v for v in colour)
    return r, (g + 0.12 if colour == BARS["B"] else g), b


def _ring_mark(canvas: Canvas, plane: _ChromaPlane, place: Point, radius: float, colour: Colour) -> None:
    canvas.ring(place, radius, plane.stroke * 3.2, NIGHT, 0.7)
    canvas.ring(place, radius, plane.stroke * 1.4, colour)


def _rhomb_mark(canvas: Canvas, plane: _ChromaPlane, place: Point, radius: float, colour: Colour) -> None:
    x, y = place
    reach = radius * 1.2
    corners = [(x + reach, y), (x, y - reach), (x - reach, y), (x, y + reach)]
    canvas.path(corners, plane.stroke * 3.2, NIGHT, 0.7)
    canvas.path(corners, plane.stroke * 1.4, colour)


def _draw_protractor(canvas: Canvas, plane: _ChromaPlane) -> None:
    """Draw a scale of degrees along the rim where skin lies."""
    for angle in range(90, 161):
        if angle % 5 == 0 or plane.size >= 720:
            length = plane.size * (0.016 if angle % 10 == 0 else 0.011 if angle % 5 == 0 else 0.006)
            ends = plane.polar(angle, plane.rim), plane.polar(angle, plane.rim + length)
            canvas.line(*ends, plane.stroke, MIST, 0.85)
    if plane.small:
        return
    words = {100: "100", 120: "120", I_AXIS: "+I", 140: "140", 160: "160"}
    for place_of, word in words.items():
        place = plane.polar(place_of, plane.rim + plane.size * 0.018 + plane.letter * 0.75)
        canvas.words(place, word, plane.letter * 0.85, _I_LINE if word == "+I" else MIST, "mm")


def _draw_lines(canvas: Canvas, plane: _ChromaPlane, target: float) -> None:
    rim, unit = plane.rim, plane.stroke
    start = plane.middle
    for edge in (MEASURED_MEAN - MEASURED_SPREAD, MEASURED_MEAN + MEASURED_SPREAD):
        canvas.line(plane.polar(edge, rim * 0.12), plane.polar(edge, rim), unit, AMBER, 0.32)
    canvas.line(start, plane.polar(I_AXIS, rim), unit * 1.1, _I_LINE, 0.8, dash=(unit * 6, unit * 5))
    canvas.line(start, plane.polar(target, rim), unit * 4, NIGHT, 0.55)
    canvas.line(start, plane.polar(target, rim), unit * 2, AMBER)


def _draw_legend(canvas: Canvas, plane: _ChromaPlane, angle: float, bias: float) -> None:
    """Say in words, in the lower corners, what the lines and targets are."""
    letter, unit = plane.letter, plane.stroke
    left, row = plane.size * 0.022, letter * 1.35
    bottom = plane.size - plane.size * 0.014 - letter * 0.5
    swatch = letter * 1.5
    line = f"skin line {_degrees(angle)}" if bias == 0 else f"target {_degrees(angle + bias)}"
    entries = [f"+I {_degrees(I_AXIS)}", line, f"skins {MEASURED_MEAN:g} ± {MEASURED_SPREAD:g}°"]
    for i, entry in enumerate(entries):
        y = bottom - (2 - i) * row
        canvas.words((left + swatch + letter * 0.5, y), entry, letter, CLOUD, "lm")
        ends = (left, y), (left + swatch, y)
        if i == 0:
            canvas.line(*ends, unit * 1.1, _I_LINE, 0.9, dash=(unit * 6, unit * 4))
        elif i == 1:
            canvas.line(*ends, unit * 2, AMBER)
        else:
            half = letter * 0.36
            box = [(left, y - half), (left + swatch, y - half), (left + swatch, y + half), (left, y + half)]
            canvas.fill(box, AMBER, 0.32)
    if plane.zoom > 1:
        return
    right = plane.size - plane.size * 0.022
    radius = max(3.5, plane.size * 0.011)
    for i, (entry, mark) in enumerate((("75 %", _ring_mark), ("100 % bars", _rhomb_mark))):
        y = bottom - (1 - i) * row
        canvas.words((right - radius * 2.6 - letter * 0.4, y), entry, letter, CLOUD, "rm")
        mark(canvas, plane, (right - radius * 1.2, y), radius, CLOUD)


def _degrees(angle: float) -> str:
    return f"{round(angle, 1):g}°"


def _draw_reading(
    canvas: Canvas, plane: _ChromaPlane, centre: tuple[float, float] | None, target: float, keyed: bool
) -> None:
    """Mark the centre of the energy and write its angle into the upper left corner; of skin, its side of the line."""
    letter, left, top = plane.letter, plane.size * 0.022, plane.size * 0.018
    if centre is None:
        canvas.words((left, top), "no reading", letter, CLOUD, "la")
        return
    angle, chroma = centre
    if chroma < 0.004:
        canvas.words((left, top), "neutral", letter, CLOUD, "la")
        return
    unit = plane.stroke
    off = wrapped(angle - target)
    canvas.words((left, top), f"{angle:.1f}°", letter * 1.7, CLOUD, "la")
    side = "on the line" if abs(off) < 0.05 else f"{abs(off):.1f}° " + ("yellower" if off > 0 else "redder")
    canvas.words((left, top + letter * 2.0), side if keyed else "centre", letter, CLOUD, "la")
    radius = min(chroma * plane.scale, plane.rim)
    place = plane.polar(angle, radius)
    _pointer(canvas, plane, angle)
    if radius < plane.rim:
        canvas.ring(place, unit * 5.5, unit * 4, NIGHT, 0.8)
        canvas.ring(place, unit * 5.5, unit * 1.8, CLOUD)
        canvas.disc(place, unit * 1.6, CLOUD)


def _pointer(canvas: Canvas, plane: _ChromaPlane, angle: float) -> None:
    """Draw a small triangle inside the rim that points at the angle on the scale of degrees."""
    tip, foot = plane.rim - plane.stroke, plane.rim - plane.size * 0.026
    spread = math.degrees(plane.size * 0.010 / foot)
    corners = [plane.polar(angle, tip), plane.polar(angle - spread, foot), plane.polar(angle + spread, foot)]
    canvas.path(corners, plane.stroke * 2.5, NIGHT, 0.8)
    canvas.fill(corners, CLOUD)


def _source(keyed: bool, anything: bool) -> str:
    if not anything:
        return "nothing to show"
    return "keyed pixels" if keyed else "whole picture"


def _draw_source(canvas: Canvas, plane: _ChromaPlane, keyed: bool, anything: bool) -> None:
    """Say in the upper right corner what is shown."""
    right, top = plane.size - plane.size * 0.022, plane.size * 0.018
    canvas.words((right, top), _source(keyed, anything), plane.letter, CLOUD, "ra")
    if plane.zoom > 1:
        canvas.words((right, top + plane.letter * 1.35), f"zoom {plane.zoom}", plane.letter, CLOUD, "ra")


# --- waveform -----------------------------------------------------------------------------------------------

_LOW, _HIGH = -0.10, 1.13
"""Levels at the lower and the upper edge of the plot."""

TOLERANCE = (-0.05, 1.05)
"""EBU R 103, versions 2.0 and 3.0: R, G, B and luma may go 5 % beyond; 8-bit codes 5 to 246."""
LUMA_PREFERRED = (-0.01, 1.03)
"""EBU R 103, version 1.1: preferred limits of luma (from memory)."""
CODES_END = ((4 - 64) / 876, (1019 - 64) / 876)
"""Levels of the lowest and highest 10-bit video codes, 4 and 1019: BT.709-6, section 4."""

_R_TRACE: tuple[Colour, ...] = ((0.50, 0.14, 0.08), (0.95, 0.36, 0.22), (1.0, 0.72, 0.60))
_G_TRACE: tuple[Colour, ...] = ((0.04, 0.34, 0.20), (0.16, 0.72, 0.46), (0.66, 0.98, 0.80))
_B_TRACE: tuple[Colour, ...] = ((0.10, 0.18, 0.55), (0.28, 0.48, 1.0), (0.70, 0.82, 1.0))
_SIGNAL_TRACES = {"r": _R_TRACE, "g": _G_TRACE, "b": _B_TRACE}

_WAVEFORMS = {
    "luma": "BT.709 luma.",
    "parade": "Red, green and blue side by side.",
    "overlay": "Red, green and blue one over another.",
}


@dataclass(frozen=True)
class Waveform(Node):
    """Show the levels of the picture, or of its keyed pixels, column by column, with the limits of studio range.

    The picture is read as R′G′B′ with black at 0 % and white at 100 %, not premultiplied. The result has as many
    channels as the picture, alpha opaque. Brightness is the logarithm of the share of the fullest column.

    Dashed lines at −5 % and 105 % are the tolerance of EBU R 103 (versions 2.0 and 3.0, for R, G, B and luma),
    dotted ones at −1 % and 103 % the preferred limits of luma in its version 1.1 (from memory), and the thin ones at
    −6.8 % and 109 % the end of the 10-bit codes, 4 and 1019 (BT.709-6). With a matte, the luma view points at the
    5th, 50th and 95th percentile of the keyed luma. Levels beyond the plot lie on its edge. Raises PictureError for
    wrong arrays.

    >>> Waveform().process(np.full((90, 160, 3), 0.5, np.float32)).shape
    (432, 768, 3)
    """

    name = "waveform"
    label = "Waveform"
    group = "compare"
    reads_signal = True

    view: str = choice("luma", _WAVEFORMS, "What to plot.")
    width: int = whole(768, 256, 3840, "Width of the resulting picture.", unit="pixels")
    height: int = whole(432, 192, 2160, "Height of the resulting picture.", unit="pixels")
    brightness: float = number(1, 0.1, 10, "Lifts the faint parts of the trace above 1, hides them below.")

    def output_size(self, width: int, height: int) -> tuple[int, int]:
        """Return the waveform's own size."""
        return (self.width, self.height)

    def fitted(self, width: int, height: int) -> Waveform:
        """Return the waveform no larger than this, in the same proportions, down to its least size."""
        least = max(self.params()["width"].low / self.width, self.params()["height"].low / self.height)
        part = min(1.0, max(least, min(width / self.width, height / self.height)))
        return dataclasses.replace(self, width=round(self.width * part), height=round(self.height * part))

    def process(self, image: Picture, matte: Matte | None = None, *, out: Floats | None = None) -> Picture:
        """Return the waveform of the picture, or of its keyed pixels where a matte is given."""
        levels = self.skin_levels(image, matte) if matte is not None and self.view == "luma" else ()
        return placed(self.marked(image, matte, levels), out)

    def skin_levels(self, image: Picture, matte: Matte) -> tuple[tuple[float, ...], ...]:
        """Return the 5th, 50th and 95th percentile of keyed pixels, 0 to 1: of luma, or of red, green and blue."""
        image = as_picture(image)
        matte = as_plane(matte, like=image.shape[:2])
        if self.view == "luma":
            return (measure.luma_percentiles(image, matte, _PERCENTILES),)
        channels = (np.repeat(image[..., k : k + 1], 3, axis=2) for k in range(3))
        return tuple(measure.luma_percentiles(np.ascontiguousarray(c), matte, _PERCENTILES) for c in channels)

    def marked(self, image: Picture, matte: Matte | None, levels: tuple[tuple[float, ...], ...]) -> Picture:
        """Return the waveform with levels pointed at: those of :meth:`skin_levels`, in the plot of each signal."""
        image = as_picture(image)
        if matte is not None:
            matte = as_plane(matte, like=image.shape[:2])
        panels = self._panels()
        canvas = Canvas(self.width, self.height)
        canvas.pixels[:] = _scale(panels, self.view)
        anything = False
        counted = self.counts(image, matte)
        for signal, counts, panel in zip(self._signals(), counted, panels.boxes * 3, strict=False):
            brightness = _levels(counts, image.shape, panel, self.brightness)
            anything = anything or bool(brightness.any())
            _add_light(canvas, panel, coloured(brightness, _SIGNAL_TRACES.get(signal, TRACE)))
        for each, panel in zip(levels, panels.boxes * 3, strict=False):
            _draw_percentiles(canvas, panels, panel, each)
        right = self.width - panels.letter * 0.6
        words = _source(matte is not None, anything)
        canvas.words((right, panels.letter * 0.45), words, panels.letter, CLOUD, "ra")
        return canvas.picture(image.shape[2])

    def counts(self, image: Picture, matte: Matte | None = None) -> list[measure.Counts]:
        """Return what is drawn, as counts of each signal: see :func:`~inkarnat.kernels.plot.level_counts`."""
        panel = self._panels().boxes[0]
        shape = (panel.height, min(panel.width, image.shape[1]))
        return [plot.level_counts(image, matte, shape, signal, _LOW, _HIGH) for signal in self._signals()]

    def _signals(self) -> tuple[str, ...]:
        return ("luma",) if self.view == "luma" else ("r", "g", "b")

    def _panels(self) -> _Panels:
        return _panels(self.width, self.height, 3 if self.view == "parade" else 1)


@dataclass(frozen=True)
class _Panel:
    """Where one plot lies in the picture: whole pixels."""

    left: int
    top: int
    width: int
    height: int

    def down(self, level: float) -> float:
        return self.top + (_HIGH - level) / (_HIGH - _LOW) * self.height


@dataclass(frozen=True)
class _Panels:
    """The plots of a waveform and the height of its small print."""

    width: int
    height: int
    letter: float
    boxes: tuple[_Panel, ...]

    @property
    def stroke(self) -> float:
        """Width of a usual line."""
        return max(1.0, self.height / 540)


def _panels(width: int, height: int, count: int) -> _Panels:
    letter = max(10.0, min(height * 0.030, width * 0.022))
    left, right, top, bottom = round(letter * 2.9), round(letter * 2.9), round(letter * 1.8), round(letter * 1.9)
    gap = round(letter * 0.5)
    each = (width - left - right - gap * (count - 1)) // count
    boxes = [_Panel(left + i * (each + gap), top, each, height - top - bottom) for i in range(count)]
    return _Panels(width, height, letter, tuple(boxes))


def _levels(counts: measure.Counts, shape: tuple[int, ...], panel: _Panel, brightness: float) -> Floats:
    """Return the brightness of one plot, (panel height, panel width), of a picture of that shape."""
    width, columns = shape[1], counts.shape[1]
    column = np.arange(width) * columns // width
    pixels = np.bincount(column, minlength=columns) * float(shape[0] * plot.PIXEL)
    fullest = max(float((counts.sum(axis=0) / pixels).max()), 1e-6)
    share = (counts / pixels * (panel.height / 400 / fullest)).astype(np.float32)
    share = np.ascontiguousarray(share[:, np.arange(panel.width) * columns // panel.width])
    codes = panel.height / (_HIGH - _LOW) / 219
    return plot.log_brightness(gaussian(share, max(0.5, 0.4 * codes)), 0.003 / brightness, 0.25)


def _add_light(canvas: Canvas, panel: _Panel, layer: Floats) -> None:
    """Add a trace to what is there, as light: where red, green and blue meet they make white."""
    below = canvas.pixels[panel.top : panel.top + panel.height, panel.left : panel.left + panel.width]
    below[..., :3] = np.minimum(below[..., :3] + layer[..., :3], 1)


@functools.lru_cache(maxsize=2)
def _scale(panels: _Panels, view: str) -> Floats:
    canvas = Canvas(panels.width, panels.height, NIGHT)
    for panel in panels.boxes:
        _draw_levels(canvas, panel, panels.stroke)
    _draw_figures(canvas, panels)
    _draw_names(canvas, panels, view)
    _draw_limits_legend(canvas, panels)
    canvas.pixels.flags.writeable = False
    return canvas.pixels


def _draw_levels(canvas: Canvas, panel: _Panel, stroke: float) -> None:
    ends = (panel.left, panel.left + panel.width)
    _box(canvas, ends, (panel.top, panel.top + panel.height), DUSK, 1.0)
    for low, high in ((TOLERANCE[0], 0.0), (1.0, TOLERANCE[1])):
        _box(canvas, ends, (panel.down(high), panel.down(low)), AMBER, 0.07)

    def level(value: float, colour: Colour, opacity: float, dash: tuple[float, float] | None = None) -> None:
        y = math.floor(panel.down(value)) + 0.5
        canvas.line((ends[0], y), (ends[1], y), stroke, colour, opacity, dash)

    for value in (0.25, 0.5, 0.75):
        level(value, MIST, 0.28)
    for value in (0.0, 1.0):
        level(value, CLOUD, 0.75)
    for value in CODES_END:
        level(value, MIST, 0.45)
    for value in TOLERANCE:
        level(value, AMBER, 0.85, (stroke * 7, stroke * 5))
    for value in LUMA_PREFERRED:
        level(value, AMBER, 0.6, (stroke * 0.5, stroke * 4))


def _box(
    canvas: Canvas, across: tuple[float, float], down: tuple[float, float], colour: Colour, opacity: float
) -> None:
    corners = [(across[0], down[0]), (across[1], down[0]), (across[1], down[1]), (across[0], down[1])]
    canvas.fill(corners, colour, opacity)


def _draw_figures(canvas: Canvas, panels: _Panels) -> None:
    """Write the levels at the left of the first and the limits at the right of the last plot."""
    first, last, letter = panels.boxes[0], panels.boxes[-1], panels.letter
    for percent in (0, 25, 50, 75, 100):
        place = (first.left - letter * 0.45, first.down(percent / 100))
        canvas.words(place, f"{percent}", letter * 0.9, CLOUD, "rm", 0.9)
    for value in TOLERANCE:
        place = (last.left + last.width + letter * 0.4, last.down(value))
        canvas.words(place, f"{value * 100:.0f}", letter * 0.9, AMBER, "lm")


def _draw_names(canvas: Canvas, panels: _Panels, view: str) -> None:
    top = panels.letter * 0.45
    if view == "luma":
        canvas.words((panels.boxes[0].left, top), "luma, %", panels.letter, CLOUD, "la")
        return
    for i, (signal, colours) in enumerate(_SIGNAL_TRACES.items()):
        left = panels.boxes[i].left if view == "parade" else panels.boxes[0].left + i * panels.letter * 1.4
        canvas.words((left, top), signal.upper(), panels.letter, colours[-1], "la")


def _draw_limits_legend(canvas: Canvas, panels: _Panels) -> None:
    """Say at the foot, as far as there is room, which line is which limit."""
    letter, stroke = panels.letter, panels.stroke
    x, y = float(panels.boxes[0].left), panels.height - letter * 0.95
    entries: list[tuple[str, Colour, tuple[float, float] | None]] = [
        ("-5 / 105 % tolerance", AMBER, (stroke * 7, stroke * 5)),
        ("-1 / 103 % luma, preferred", AMBER, (stroke * 0.5, stroke * 4)),
        ("-6.8 / 109 % end of codes", MIST, None),
    ]
    for words, colour, dash in entries:
        end = x + letter * 2.4 + text_width(words, letter * 0.9)
        if end > panels.width - letter:
            return
        canvas.line((x, y), (x + letter * 1.9, y), stroke * 1.2, colour, 0.9, dash)
        canvas.words((x + letter * 2.3, y), words, letter * 0.9, MIST, "lm")
        x = end + letter * 1.4


_PERCENTILES = (5, 50, 95)


def _draw_percentiles(canvas: Canvas, panels: _Panels, panel: _Panel, levels: tuple[float, ...]) -> None:
    """Point at levels of a plot from the right and write the middle one; in another plot than the last, inside it."""
    letter = panels.letter
    inside = panel != panels.boxes[-1]
    edge = float(panel.left + panel.width) - (letter * 0.55 + 1 if inside else 0)
    for level in levels:
        if _LOW < level < _HIGH:
            y, size = panel.down(level), letter * (0.55 if level == levels[1] else 0.38)
            canvas.fill([(edge + 1, y), (edge + 1 + size, y - size * 0.7), (edge + 1 + size, y + size * 0.7)], CLOUD)
    if levels and math.isfinite(levels[1]):
        words = f"{levels[1] * 100:.0f}"
        place, anchor = (edge - letter * 0.2, "rm") if inside else (edge + letter * 0.8, "lm")
        canvas.words((place, panel.down(levels[1])), words, letter * 0.9, CLOUD, anchor, halo=1)
