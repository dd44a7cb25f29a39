"""Rendering: from the images of the host through the node and back into the host's image."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...kernels import strips
from ...kernels.arrays import Floats, lend
from ...kernels.colour import unpremultiply
from ...nodes.declare import Node
from . import api
from .controls import MATTE_IN_ALPHA, MATTE_OUTPUT, Clip, Frame, words
from .images import (
    Box,
    Image,
    Pixels,
    Scratch,
    copy_rows,
    is_plain,
    store_matte,
    store_picture,
    to_matte,
    to_picture,
    to_unpacked,
)
from .instance import OUTPUT, Instance
from .properties import OpenFXError, Properties

SCRATCH = Scratch()
_LARGEST_BAND = 512
"""Rows that one thread works on at once where pixels stand for themselves."""
_LARGEST_SIDE = 32_768
"""A region of definition larger than this stands for "everywhere"."""

Inputs = dict[bytes, Image | None]
"""The images of the input clips, by clip."""
Borrow = Callable[[tuple[int, ...]], Floats]
"""Lends an array of a shape with anything in it."""


class Aborted(Exception):
    """The host does not want this render any longer."""


def render(instance: Instance, arguments: Properties) -> int:
    """Do the render action; what was begun and not finished is cleared."""
    time = arguments.double(api.TIME)
    with _Images(instance) as images:
        target = images.fetch(OUTPUT, time)
        if target is None:
            raise OpenFXError("The host gave no image to write to.")
        window = Box(*arguments.wholes(api.RENDER_WINDOW, 4)).within(target.bounds)
        if window.is_empty:
            return api.OK
        job = _Job(instance, images, target, window, arguments.string(api.FIELD_TO_RENDER, b""), _scale(arguments))
        try:
            job.run(time)
        except BaseException as error:
            job.clear(window)
            if isinstance(error, Aborted):
                return api.OK
            raise
    instance.clear(api.ERROR)
    return api.OK


def _scale(arguments: Properties) -> tuple[float, float]:
    try:
        x, y = arguments.doubles(api.RENDER_SCALE, 2)
    except OpenFXError:
        return 1.0, 1.0
    return x or 1.0, y or 1.0


class _Images(contextlib.ExitStack):
    """The images of one action, all given back at its end."""

    def __init__(self, instance: Instance) -> None:
        super().__init__()
        self.instance = instance

    def fetch(self, clip: bytes, time: float) -> Image | None:
        image = self.instance.fetch(clip, time)
        return None if image is None else self.enter_context(image)

    def inputs(self, time: float) -> Inputs:
        """Fetch every input at one time. Raises OpenFXError for a clip that the effect cannot do without."""
        found = {clip.name: self.fetch(clip.name, time) for clip in self.instance.clips}
        for clip in self.instance.clips[1:]:
            if clip.needed and found[clip.name] is None:
                raise OpenFXError(f"{words(clip.name.decode())} has no picture: connect one ({clip.port}).")
        return found


def frame_of(image: Image) -> Box:
    """Return the rectangle of pixels that counts as the frame: the image's region of definition."""
    region = image.region
    return image.bounds if max(region.width, region.height) > _LARGEST_SIDE else region


def canonical(box: Box, scale: tuple[float, float], aspect: float) -> Frame:
    """Return a box of pixels in canonical coordinates."""
    x, y = aspect / scale[0], 1 / scale[1]
    return Frame(box.x1 * x, box.y1 * y, box.x2 * x, box.y2 * y)


# --- one render ---------------------------------------------------------------------------------------------


@dataclass
class _Job:
    """One render: what is written where."""

    instance: Instance
    images: _Images
    target: Image
    window: Box
    field: bytes
    scale: tuple[float, float]
    beside: Image | None = None
    """Where the colour comes from that stays beside a matte in alpha."""

    def run(self, time: float) -> None:
        inputs = self.images.inputs(time)
        source = inputs[self.instance.source]
        if source is None:
            self.clear(self.window)  # nothing connected, or no frame at this time: transparent black
            return
        frame = frame_of(source)
        node = self.instance.node(time, canonical(frame, self.scale, source.aspect), source.is_premultiplied)
        self.beside = source if self._writes_alpha(time) else None
        part = self.window.within(source.bounds if node.pixelwise else frame)
        if part != self.window:
            self.clear(self.window)
        if part.is_empty:
            return
        work = Work(self.instance, node, source)
        if node.pixelwise:
            self._pixel_by_pixel(work, inputs, part)
        else:
            self._check_abort()
            span = node.frames_needed()
            whole = work.over_time(self.images, time, span, frame) if any(span) else work.whole(inputs, frame)
            self._check_abort()
            self._store(part, _cut_out(whole, frame, part))

    def _writes_alpha(self, time: float) -> bool:
        if self.instance.kind.output().kind != "matte":
            return False
        return bool(self.instance.getter(time)(MATTE_OUTPUT) == MATTE_IN_ALPHA)

    def _pixel_by_pixel(self, work: Work, inputs: Inputs, part: Box) -> None:
        """Share bands of rows out among the threads, each made in the output itself where that can be."""
        caller = threading.get_ident()

        def band(y0: int, y1: int) -> None:
            if threading.get_ident() == caller:
                self._check_abort()
            box = Box(part.x1, part.y1 + y0, part.x2, part.y1 + y1)
            pixels = self.target.pixels(box)
            if is_plain(pixels) and self._lines(pixels, box) is pixels:
                with lend(pixels):
                    result = work.part(inputs, box)
                if result is pixels:
                    return  # it was made in place
            else:
                result = work.part(inputs, box)
            self._store(box, result)

        rows = -(-part.height // (2 * strips.thread_count()))
        strips.over_rows(band, part.height, strip=min(max(rows, strips.STRIP), _LARGEST_BAND))

    def _store(self, box: Box, result: Floats) -> None:
        """Write a result, its lowest row first, into a box of the output."""
        pixels, result = self._lines(self.target.pixels(box), box), self._lines(result, box)
        if result.ndim == 3:
            store_picture(pixels, result)
        else:
            store_matte(pixels, result, None if self.beside is None else self._lines(_colour(self.beside, box), box))

    def _lines(self, rows: Any, box: Box) -> Any:
        """Return those rows, the lowest first, that belong to the field that is rendered."""
        if self.field not in (api.FIELD_LOWER, api.FIELD_UPPER) or self.target.field != api.FIELD_BOTH:
            return rows
        first = 0 if self.field == api.FIELD_LOWER else 1
        return rows[(first - box.y1) % 2 :: 2]

    def clear(self, box: Box) -> None:
        """Make a box of the output transparent black."""
        self._lines(self.target.pixels(box), box)[...] = 0

    def _check_abort(self) -> None:
        if self.instance.is_aborted():
            raise Aborted


def _cut_out(whole: Floats, frame: Box, part: Box) -> Floats:
    """Return a part of a result of the whole frame, turned from top row first to lowest row first."""
    rows = slice(frame.y2 - part.y2, frame.y2 - part.y1)
    columns = slice(part.x1 - frame.x1, part.x2 - frame.x1)
    return _centred(whole, frame)[rows, columns][::-1]


def _centred(array: Floats, frame: Box) -> Floats:
    """Lay an array of another size into the middle of a frame; what lies beyond it is cut off."""
    height, width = array.shape[:2]
    if (height, width) == (frame.height, frame.width):
        return array
    out = np.zeros((frame.height, frame.width, *array.shape[2:]), np.float32)
    down, across = (frame.height - height) // 2, (frame.width - width) // 2
    inner = array[max(-down, 0) :, max(-across, 0) :][: frame.height, : frame.width]
    top, left = max(down, 0), max(across, 0)
    out[top : top + inner.shape[0], left : left + inner.shape[1]] = inner
    return out


def _colour(source: Image, box: Box) -> Floats:
    """Return the colour of Source that stays beside a matte in alpha, not multiplied by the alpha it had."""
    inside = box.within(source.bounds)
    picture = to_picture(source.pixels(box)) if inside == box else _padded(source, "picture", box, inside)
    return unpremultiply(picture) if source.is_premultiplied else picture


# --- the node on images -------------------------------------------------------------------------------------


@dataclass
class Work:
    """A node at work on the images of its clips."""

    instance: Instance
    node: Node
    source: Image

    def part(self, inputs: Inputs, box: Box) -> Floats:
        """Work on a part of the frame, rows as they lie in memory."""
        return self._process([{clip.port: self._cut(clip, inputs, box) for clip in self.present(inputs)}])

    def whole(self, inputs: Inputs, frame: Box) -> Floats:
        """Work on the whole frame, top row first."""
        with _borrowed() as borrow:
            return self._process([self.framed(inputs, frame, borrow)])

    def over_time(self, images: _Images, time: float, span: tuple[int, int], frame: Box) -> Floats:
        """Work on several frames; beyond the ends of Source its first and last frame stand in."""
        before, after = span
        with _borrowed() as borrow:
            frames = []
            for offset in range(-before, after + 1):
                inputs = images.inputs(_within_clip(self.instance, time + offset))
                frames.append(self.framed(inputs, frame, borrow))
            return self._process(frames, before)

    def framed(self, inputs: Inputs, frame: Box, borrow: Borrow) -> dict[str, Floats]:
        """Return what the ports are fed with, each of the whole frame, top row first."""
        return {clip.port: self._framed(clip, inputs, frame, borrow) for clip in self.present(inputs)}

    def present(self, inputs: Inputs) -> list[Clip]:
        """Return the clips that feed a port: those with an image, and mattes that Source's alpha stands in for."""
        ports = self.instance.kind.inputs()
        return [c for c in self.instance.clips if inputs[c.name] is not None or not ports[c.port].optional]

    def _cut(self, clip: Clip, inputs: Inputs, box: Box) -> Floats:
        image = inputs[clip.name]
        if image is None:
            return _alpha(self.source.pixels(box))
        inside = box.within(image.bounds)
        if inside == box:
            return to_unpacked(image.pixels(box), clip.kind)
        return _padded(image, clip.kind, box, inside)

    def _framed(self, clip: Clip, inputs: Inputs, frame: Box, borrow: Borrow) -> Floats:
        image = inputs[clip.name] or self.source
        inside = frame.within(image.bounds)
        if inside != frame:
            values = _padded(image, clip.kind, frame, inside)[::-1]
        elif inputs[clip.name] is None:
            values = _alpha(image.pixels(frame)[::-1])
        else:
            values = to_unpacked(image.pixels(frame)[::-1], clip.kind)
        if values.flags.c_contiguous:
            return values
        array = borrow(values.shape)
        copy_rows(array, values)
        return array

    def _process(self, frames: list[dict[str, Floats]], current: int = 0) -> Floats:
        """Call the node. What the host multiplied by alpha is divided by it first, and multiplied again."""
        port = self.instance.clips[0].port
        own = port if self.instance.handles_premultiplied else None
        ready = [self.divided(arrays, leave=own) for arrays in frames]
        if len(ready) == 1:
            result: Floats = self.node.process(**ready[0])  # type: ignore[attr-defined]
        else:
            over_time = {name: tuple(arrays[name] for arrays in ready) for name in ready[current]}
            result = self.node.process(**over_time)  # type: ignore[attr-defined]
        if ready[current][port] is not frames[current][port] and result.ndim == 3:
            alpha = result[..., 3:]
            result[..., :3] *= np.where(alpha > 0, alpha, np.float32(1))
        return result

    def divided(self, arrays: dict[str, Floats], leave: str | None = None) -> dict[str, Floats]:
        """Return the pictures divided by their alpha where the host says that they are multiplied by it."""

        def must(port: str, array: Floats) -> bool:
            return port != leave and array.ndim == 3 and array.shape[2] == 4 and not (array[..., 3] == 1).all()

        if not self.source.is_premultiplied:
            return arrays
        return {port: unpremultiply(array) if must(port, array) else array for port, array in arrays.items()}


def _alpha(pixels: Pixels) -> Floats:
    """The matte that the alpha of Source is, 1 where it has none."""
    return np.ones(pixels.shape[:2], np.float32) if pixels.shape[2] == 3 else to_matte(pixels)


def _padded(image: Image, kind: str, box: Box, inside: Box) -> Floats:
    """Return a box of an image, lowest row first, with transparent black where the image has no pixels."""
    channels = () if kind == "matte" else (3 if image.channels == 3 else 4,)
    out = np.zeros((box.height, box.width, *channels), np.float32)
    if not inside.is_empty:
        place = np.s_[inside.y1 - box.y1 : inside.y2 - box.y1, inside.x1 - box.x1 : inside.x2 - box.x1]
        out[place] = to_unpacked(image.pixels(inside), kind)
    return out


@contextlib.contextmanager
def _borrowed() -> Iterator[Borrow]:
    """Give a function that lends arrays, and take them back at the end."""
    lent: list[Floats] = []

    def borrow(shape: tuple[int, ...]) -> Floats:
        lent.append(SCRATCH.take(shape))
        return lent[-1]

    try:
        yield borrow
    finally:
        for array in lent:
            SCRATCH.give(array)


def _within_clip(instance: Instance, time: float) -> float:
    """Limit a time to the frames that Source has."""
    try:
        first, last = instance.clip_properties(instance.source).doubles(api.FRAME_RANGE, 2)
    except OpenFXError:
        return time
    return min(max(time, first), last) if first <= last else time


@contextlib.contextmanager
def whole_inputs(
    instance: Instance, time: float, arguments: Properties
) -> Iterator[tuple[Node, Frame, dict[str, Floats]]]:
    """Give the node, its frame in canonical coordinates and its inputs at one time, for an action.

    Raises OpenFXError where Source has no picture.
    """
    with _Images(instance) as images, _borrowed() as borrow:
        inputs = images.inputs(time)
        source = inputs[instance.source]
        if source is None:
            raise OpenFXError("Source has no picture at this time: connect one, or go to a frame that it has.")
        box = frame_of(source)
        frame = canonical(box, _scale(arguments), source.aspect)
        node = instance.node(time, frame)
        work = Work(instance, node, source)
        yield node, frame, work.divided(work.framed(inputs, box, borrow))
