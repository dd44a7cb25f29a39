"""Side data of frames: how a picture is turned, what it was mastered on, where its chroma sits."""

from __future__ import annotations

import contextlib
import itertools
import math
import re
import struct
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any


@dataclass(frozen=True)
class Mastering:
    """The display that a picture was mastered on (SMPTE ST 2086) and its light level (CTA-861.3).

    :ivar primaries: x and y of red, green, blue and white, in units of 0.00002; empty where not stated.
    :ivar luminance: least and most, in units of 0.0001 cd/m²; empty where not stated.
    :ivar light: the most a pixel and the most a frame's mean reaches, in cd/m²; empty where not stated.
    """

    primaries: tuple[int, ...] = ()
    luminance: tuple[int, ...] = ()
    light: tuple[int, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.primaries or self.luminance or self.light)


def _sides(frame: Any) -> Iterator[tuple[str, bytes]]:
    """Give what comes with a frame, by name; PyAV 18 raises at kinds that came up after it."""
    with contextlib.suppress(ValueError):
        for item in frame.side_data:
            with contextlib.suppress(ValueError):
                yield item.type.name, bytes(item)


def mastering_of(frame: Any) -> Mastering:
    """Return the mastering display and light level that a decoded frame comes with."""
    primaries: tuple[int, ...] = ()
    luminance: tuple[int, ...] = ()
    light: tuple[int, ...] = ()
    for name, data in _sides(frame):
        if name == "MASTERING_DISPLAY_METADATA" and len(data) >= 88:
            numbers = struct.unpack("20i2i", data[:88])
            ratios = [Fraction(*numbers[i : i + 2]) if numbers[i + 1] else Fraction(0) for i in range(0, 20, 2)]
            if numbers[20]:
                primaries = tuple(round(value * 50000) for value in ratios[:8])
            if numbers[21]:
                luminance = tuple(round(value * 10000) for value in ratios[8:])
        elif name == "CONTENT_LIGHT_LEVEL" and len(data) >= 8:
            light = struct.unpack("2I", data[:8])
    return Mastering(primaries, luminance, light)


def matrix_of(frame: Any) -> tuple[int, ...] | None:
    """Return the display matrix that a decoded frame comes with: nine numbers, row by row; None where there is none."""
    found = next((data for name, data in _sides(frame) if name == "DISPLAYMATRIX" and len(data) >= 36), None)
    return struct.unpack("9i", found[:36]) if found is not None else None


def orientation_of(matrix: tuple[int, ...] | None) -> tuple[int, bool] | None:
    """Return what a display matrix does: quarter turns counter-clockwise, then whether left and right are changed.

    None for a matrix that turns by another angle. A point goes from (x, y) to (a x + c y, b x + d y), y down.
    """
    if matrix is None:
        return 0, False
    a, b, c, d = matrix[0], matrix[1], matrix[3], matrix[4]
    least, most = sorted((max(abs(a), abs(d)), max(abs(b), abs(c))))
    if not most or least > most * math.sin(math.radians(0.5)):
        return None
    turned = abs(b) + abs(c) > abs(a) + abs(d)
    across, down = (c, b) if turned else (a, d)
    known = {
        (False, False, False): (0, False),
        (False, True, False): (0, True),
        (False, True, True): (2, False),
        (False, False, True): (2, True),
        (True, False, True): (1, False),
        (True, True, False): (3, False),
        (True, False, False): (3, True),
        (True, True, True): (1, True),
    }
    return known[turned, across < 0, down < 0]


_LOG = threading.Lock()


def siting_of(frame: Any) -> str | None:
    """Return where the chroma of a decoded frame sits by its own account, in libav's word; None where it says nothing.

    PyAV has no attribute for it, so a filter that describes frames is asked. Its answer comes as a line of the log.
    """
    import av
    import av.logging

    graph = av.filter.Graph()
    source = graph.add_buffer(
        width=frame.width, height=frame.height, format=frame.format, time_base=Fraction(1, 1000), name="in"
    )
    steps = [source, graph.add("sidedata", "mode=delete"), graph.add("showinfo", "checksum=0"), graph.add("buffersink")]
    for first, second in itertools.pairwise(steps):
        first.link_to(second)
    graph.configure()
    with _LOG:
        level = av.logging.get_level()
        av.logging.set_level(av.logging.INFO)
        try:
            with av.logging.Capture(local=True) as lines:
                graph.push(frame)
                graph.pull()
        finally:
            av.logging.set_level(level)
    found = re.search(r"\bcl:(\w+)", "".join(line[2] for line in lines if line[1] == "showinfo"))
    return found[1] if found and found[1] not in ("unspecified", "unknown") else None
