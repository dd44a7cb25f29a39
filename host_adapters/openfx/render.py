"""Rendering: from the images of the host through the node and back into the host's image."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import PIL.Image

from ...kernels import planes, strips
from ...kernels.arrays import Floats
from ...kernels.colour import is_opaque, premultiply, unpremultiply
from ...nodes.declare import Node
from . import api
from .controls import (
    ALONE,
    DRAWING_HEIGHT,
    DRAWING_PLACE,
    LOWER_RIGHT,
    MATTE_IN_ALPHA,
    MATTE_OUTPUT,
    OUTPUT,
    UPPER_LEFT,
    UPPER_RIGHT,
    Clip,
    Frame,
    has_own_size,
    words,
)
from .images import Borrow, Box, Image, Pixels, Scratch, is_plain, store_matte, store_picture, to_picture, to_unpacked
from .instance import Instance
from .look import Look, look_of
from .properties import OpenFXError, Properties
from .signals import AS_IT_IS, Signal

SCRATCH = Scratch()
_LARGEST_BAND = 512
"""Rows that one thread works on at once where pixels stand for themselves."""
_LARGEST_SIDE = 32_768
"""A region of definition larger than this stands for "everywhere"."""

Inputs = dict[bytes, Image | None]
"""The images of the input clips, by clip."""


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
                return api.FAILED  # what was cleared is no picture: a host that took it for one would keep it
            raise
    instance.clear(api.ERROR)
    instance.doubt(job.signal.doubt)
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
    signal: Signal = AS_IT_IS
    drawing: Drawing | None = None

    def run(self, time: float) -> None:
        inputs = self.images.inputs(time)
        source = inputs[self.instance.source]
        if source is None:
            self.clear(self.window)  # nothing connected, or no frame at this time: transparent black
            return
        frame = frame_of(source)
        self.signal = self.instance.signal()
        divides = source.is_premultiplied and not self.signal.is_converted
        node = self.instance.node(time, canonical(frame, self.scale, source.aspect), divides)
        self.beside = source if self._writes_alpha(time) else None
        self.drawing = drawing_of(self.instance, node, time, frame, self.scale, source.aspect)
        node = self.drawing.node if self.drawing else node
        part = self.window.within(source.bounds if node.pixelwise else frame)
        if part != self.window:
            self.clear(self.window)
        if part.is_empty:
            return
        work = Work(self.instance, node, source, self.signal, look_of(self.instance.kind, self.instance.getter(time)))
        self._check_abort()
        if not node.pixelwise:
            self._whole(work, inputs, time, frame, part)
        elif not self._at_once(work, inputs, part):
            self._in_bands(work, inputs, part)
        self._check_abort()

    def _writes_alpha(self, time: float) -> bool:
        if self.instance.kind.output().kind != "matte":
            return False
        return bool(self.instance.getter(time)(MATTE_OUTPUT) == MATTE_IN_ALPHA)

    def _whole(self, work: Work, inputs: Inputs, time: float, frame: Box, part: Box) -> None:
        """Work on the whole frame, top row first; where the output runs that way too, it is made there at once."""
        pixels = self.target.pixels(part)[::-1]
        with SCRATCH.borrowing() as borrow:
            span = work.node.frames_needed()
            frames = work.over_time(self.images, time, span, frame, borrow) if any(span) else None
            fed = frames or [work.fed(inputs, frame, -1, borrow)]
            is_direct = part == frame and self._takes_results(pixels, part, fed)
            room = pixels if is_direct else borrow((frame.height, frame.width, *self._components()))
            self._check_abort()
            result = work.process(fed, span[0], borrow, room)
            if self.drawing:
                result = self.drawing.laid_out(result, fed[span[0]], frame)
            if result is not pixels:
                self._store(part, _cut_out(result, frame, part), -1)

    def _components(self) -> tuple[int, ...]:
        return () if self.instance.kind.output().kind == "matte" else (self.target.channels,)

    def _takes_results(self, pixels: Pixels, box: Box, fed: list[dict[str, Floats]]) -> bool:
        """Tell whether the node may write into these pixels of the output itself."""
        return (
            is_plain(pixels)
            and self._lines(pixels, box) is pixels
            and not any(np.may_share_memory(pixels, array) for arrays in fed for array in arrays.values())
        )

    def _at_once(self, work: Work, inputs: Inputs, part: Box) -> bool:
        """Work on a part that the pictures hold as the node reads them, or return False and do nothing.

        Pixels stand for themselves, so the rows may run either way, if only they do so in all pictures.
        """
        for order in (1, -1):
            if not work.lies_plain(inputs, part, order):
                continue
            with SCRATCH.borrowing() as borrow:
                fed = [work.fed(inputs, part, order, borrow)]
                if self._components() and not self._takes_results(self.target.pixels(part)[::order], part, fed):
                    continue
                self._make(work, fed, part, order, borrow)
            return True
        return False

    def _make(self, work: Work, fed: list[dict[str, Floats]], box: Box, order: int, borrow: Borrow) -> None:
        """Let the node make a box of the output, in the host's memory at once where that can be."""
        pixels = self.target.pixels(box)[::order]
        is_direct = self._takes_results(pixels, box, fed)
        room = pixels if is_direct else borrow((box.height, box.width, *self._components()))
        result = work.process(fed, 0, borrow, room)
        if result is not pixels:
            self._store(box, result, order)

    def _in_bands(self, work: Work, inputs: Inputs, part: Box) -> None:
        """Share bands of rows out among the threads: what has to be moved or converted stays near the processor."""
        caller = threading.get_ident()

        def band(y0: int, y1: int) -> None:
            if threading.get_ident() == caller:
                self._check_abort()
            box = Box(part.x1, part.y1 + y0, part.x2, part.y1 + y1)
            with SCRATCH.borrowing() as borrow:
                self._make(work, [work.fed(inputs, box, 1, borrow)], box, 1, borrow)

        rows = -(-part.height // (2 * strips.thread_count()))
        strips.over_rows(band, part.height, strip=min(max(rows, strips.STRIP), _LARGEST_BAND))

    def _store(self, box: Box, result: Floats, order: int) -> None:
        """Write a result into a box of the output; its rows begin with the lowest (order 1) or the top row (−1)."""
        pixels, result = self._lines(self.target.pixels(box), box), self._lines(result[::order], box)
        if result.ndim == 3:
            store_picture(pixels, result)
        elif self.beside is None:
            store_matte(pixels, result, None)
        else:
            with SCRATCH.borrowing() as borrow:
                store_matte(pixels, result, self._lines(_colour(self.beside, box, borrow), box))

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
    """Return a part of a result of the whole frame, top row first."""
    rows = slice(frame.y2 - part.y2, frame.y2 - part.y1)
    columns = slice(part.x1 - frame.x1, part.x2 - frame.x1)
    return _centred(whole, frame)[rows, columns]


@dataclass(frozen=True)
class Drawing:
    """A result of another size than the frame, such as a scope: how large it becomes, and where it lies.

    :ivar size: its width and height in pixels. :ivar corner: the corner of the picture that it lies in, or ALONE.
    :ivar port: the port with that picture.
    """

    node: Node
    size: tuple[int, int]
    corner: int
    port: str

    def laid_out(self, result: Floats, fed: dict[str, Floats], frame: Box) -> Floats:
        """Return the result as large as it is to be: alone, or laid on the picture."""
        drawn = _resized(result, self.size)
        if self.corner == ALONE:
            return drawn
        picture = fed[self.port][..., : drawn.shape[2]].copy()
        right, top = self.corner in (UPPER_RIGHT, LOWER_RIGHT), self.corner in (UPPER_LEFT, UPPER_RIGHT)
        x = frame.width - drawn.shape[1] if right else 0
        y = 0 if top else frame.height - drawn.shape[0]
        picture[y : y + drawn.shape[0], x : x + drawn.shape[1]] = drawn
        return picture


def drawing_of(
    instance: Instance, node: Node, time: float, frame: Box, scale: tuple[float, float], aspect: float
) -> Drawing | None:
    """Return how a result of another size than the frame is shown; None where it is as large as the frame.

    What has a size of its own counts in pixels of the full frame: a proxy shows it smaller, a small frame whole.
    """
    corner, width, height = ALONE, float(frame.width), float(frame.height)
    own = has_own_size(node)
    if own:
        get = instance.getter(time)
        corner = get(DRAWING_PLACE)
        across, up = scale[0] / aspect, scale[1]
        if corner != ALONE:
            height *= min(max(get(DRAWING_HEIGHT), 1.0), 100.0) / 100
        node = node.fitted(max(1, round(width / across)), max(1, round(height / up)))
    size = node.output_size(frame.width, frame.height)
    if size == (frame.width, frame.height):
        return None
    wanted = (size[0] * across, size[1] * up) if own else (float(size[0]), float(size[1]))
    part = min(1.0, width / wanted[0], height / wanted[1])
    pixels = (max(1, round(wanted[0] * part)), max(1, round(wanted[1] * part)))
    return Drawing(node, pixels, corner, instance.clips[0].port)


def _resized(picture: Floats, size: tuple[int, int]) -> Floats:
    """Return a picture at another size, each pixel the mean of what it covers."""
    if (picture.shape[1], picture.shape[0]) == size:
        return picture
    channels = [PIL.Image.fromarray(np.ascontiguousarray(picture[..., c])) for c in range(picture.shape[2])]
    return np.stack([np.asarray(c.resize(size, PIL.Image.Resampling.BOX)) for c in channels], axis=2)


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


def _colour(source: Image, box: Box, borrow: Borrow) -> Floats:
    """Return the colour of Source that stays beside a matte in alpha, not multiplied by the alpha it had."""
    inside = box.within(source.bounds)
    if inside != box:
        picture = _padded(source, "picture", box, inside, 1, borrow)
    elif planes.has_whole_rows(source.pixels(box)) and source.channels > 1 and not source.is_premultiplied:
        return source.pixels(box)
    else:
        picture = to_picture(source.pixels(box), borrow)
    return unpremultiply(picture) if source.is_premultiplied else picture


# --- the node on images -------------------------------------------------------------------------------------


@dataclass
class Work:
    """A node at work on the images of its clips."""

    instance: Instance
    node: Node
    source: Image
    signal: Signal
    look: Look | None = None

    def over_time(
        self, images: _Images, time: float, span: tuple[int, int], frame: Box, borrow: Borrow
    ) -> list[dict[str, Floats]]:
        """Return what the ports are fed with over several frames; beyond its ends Source's first and last stand in."""
        before, after = span
        times = [_within_clip(self.instance, time + offset) for offset in range(-before, after + 1)]
        return [self.fed(images.inputs(at), frame, -1, borrow) for at in times]

    def fed(self, inputs: Inputs, box: Box, order: int, borrow: Borrow) -> dict[str, Floats]:
        """Return what the ports are fed with, by port; rows begin with the lowest (order 1) or the top row (−1)."""
        return {clip.port: self._unpacked(clip, inputs, box, order, borrow) for clip in self._present(inputs)}

    def lies_plain(self, inputs: Inputs, box: Box, order: int) -> bool:
        """Tell whether every picture lies in the host's memory as the node reads it, in this order of rows."""
        images = [inputs[clip.name] for clip in self._present(inputs) if clip.kind == "picture"]
        return all(
            image is not None
            and box.within(image.bounds) == box
            and image.channels > 1
            and is_plain(image.pixels(box)[::order])
            for image in images
        )

    def _present(self, inputs: Inputs) -> list[Clip]:
        """Return the clips that feed a port: those with an image, and mattes that Source's alpha stands in for."""
        ports = self.instance.kind.inputs()
        return [c for c in self.instance.clips if inputs[c.name] is not None or not ports[c.port].optional]

    def _unpacked(self, clip: Clip, inputs: Inputs, box: Box, order: int, borrow: Borrow) -> Floats:
        image = inputs[clip.name] or self.source
        inside = box.within(image.bounds)
        if inside != box:
            return _padded(image, clip.kind, box, inside, order, borrow)
        pixels = image.pixels(box)[::order]
        if inputs[clip.name] is None and image.channels == 3:
            return np.ones(pixels.shape[:2], np.float32)  # the alpha that Source does not have
        return to_unpacked(pixels, clip.kind, borrow)

    def process(self, frames: list[dict[str, Floats]], current: int, borrow: Borrow, room: Floats) -> Floats:
        """Call the node. What the host multiplied by alpha is divided by it first, and multiplied again.

        :param room: where the result is made if it has that shape, and the node's result is the host's.
        """
        port = self.instance.clips[0].port
        own = port if self.instance.handles_premultiplied and not self.signal.is_converted else None
        whole = [self.divided(arrays, borrow, leave=own) for arrays in frames]
        ready = [self.entered(arrays) for arrays in whole]
        inputs: dict[str, Any] = ready[0]
        if len(ready) > 1:
            inputs = {name: tuple(arrays[name] for arrays in ready) for name in ready[current]}
        first = ready[current][next(iter(self.node.inputs()))]
        is_room = room.shape == self.node.result_shape(first.shape) and not self.signal.is_converted
        given = room if is_room else None
        if self.look is not None:
            result: Floats = self.look.process(self.node, inputs, given)
        else:
            result = self.node.process(**inputs, out=given)  # type: ignore[attr-defined]
        if self.signal.is_converted and result.ndim == 3:
            result = self.signal.leave(result, ready[current][port], whole[current][port])
        if whole[current][port] is not frames[current][port] and result.ndim == 3:
            if any(np.may_share_memory(result, array) for array in whole[current].values()):
                result = result.copy()
            premultiply(result)
        return result

    def divided(self, arrays: dict[str, Floats], borrow: Borrow, leave: str | None = None) -> dict[str, Floats]:
        """Return the pictures divided by their alpha where the host says that they are multiplied by it."""
        if not self.source.is_premultiplied:
            return arrays
        return {
            port: array
            if port == leave or array.ndim == 2 or is_opaque(array)
            else unpremultiply(array, out=borrow(array.shape))
            for port, array in arrays.items()
        }

    def entered(self, arrays: dict[str, Floats]) -> dict[str, Floats]:
        """Return the pictures in the signal that the node reads."""
        if not self.signal.is_converted:
            return arrays
        return {port: self.signal.enter(array) if array.ndim == 3 else array for port, array in arrays.items()}


def _padded(image: Image, kind: str, box: Box, inside: Box, order: int, borrow: Borrow) -> Floats:
    """Return a box of an image with transparent black where the image has no pixels."""
    channels = () if kind == "matte" else (3 if image.channels == 3 else 4,)
    out = borrow((box.height, box.width, *channels))
    out[...] = 0
    if not inside.is_empty:
        place = np.s_[inside.y1 - box.y1 : inside.y2 - box.y1, inside.x1 - box.x1 : inside.x2 - box.x1]
        out[::order][place] = to_unpacked(image.pixels(inside), kind, borrow)
    return out


def _within_clip(instance: Instance, time: float) -> float:
    """Limit a time to the frames that Source has."""
    try:
        first, last = instance.clip_properties(instance.source).doubles(api.FRAME_RANGE, 2)
    except OpenFXError:
        return time
    return min(max(time, first), last) if first <= last else time


@contextlib.contextmanager
def whole_inputs(
    instance: Instance, time: float, arguments: Properties, most_rows: int = 0
) -> Iterator[tuple[Frame, dict[str, Floats]]]:
    """Give the frame in canonical coordinates and the node's inputs at one time, for an action.

    :param most_rows: larger pictures come halved, quartered and so on to at most so many rows; 0 leaves them whole.

    Raises OpenFXError where Source has no picture.
    """
    with _Images(instance) as images, SCRATCH.borrowing() as borrow:
        inputs = images.inputs(time)
        source = inputs[instance.source]
        if source is None:
            raise OpenFXError("Source has no picture at this time: connect one, or go to a frame that it has.")
        box = frame_of(source)
        frame = canonical(box, _scale(arguments), source.aspect)
        node = instance.node(time, frame)
        work = Work(instance, node, source, instance.signal())
        fed = work.divided(work.fed(inputs, box, -1, borrow), borrow)
        factor = 1
        while most_rows and box.height > most_rows * factor:
            factor *= 2
        yield frame, work.entered({port: _smaller(array, factor) for port, array in fed.items()})


def _smaller(array: Floats, factor: int) -> Floats:
    """Return a picture or matte by the means of squares of so many pixels; what is over at the far edges goes."""
    if factor == 1:
        return array
    height, width = array.shape[0] // factor * factor, array.shape[1] // factor * factor
    parts = [array[y:height:factor, x:width:factor] for y in range(factor) for x in range(factor)]
    result: Floats = np.ascontiguousarray(sum(parts[1:], parts[0].copy()) / np.float32(factor**2), np.float32)
    return result
