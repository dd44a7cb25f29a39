"""Hands on the picture: what an effect draws over it, and what a person drags there, by the standard's Draw suite.

Works for any node: places that its actions ask for, points and outlines that it declares. The host calls it with
positions in canonical coordinates; a screen pixel's size there tells how near is near enough.
"""

from __future__ import annotations

import contextlib
import ctypes
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from ...kernels.errors import InkarnatError
from ...nodes import Sample, SampleError
from ...nodes.declare import Handle, Node, Place
from . import api, marks
from .controls import Frame, Tool, control_value, corners_of, point_controls, role_of
from .instance import Instance
from .properties import OpenFXError, Properties, Suites

Point = tuple[float, float]
Colour = tuple[float, float, float]

REACH = 8.0
"""Screen pixels round a handle within which it is taken."""
_DOT = 4.0
"""Half the size of a handle in screen pixels."""
_STROKE_STEP = 4.0
"""Screen pixels that the pen moves before a stroke gets another point."""
_STROKE_RADIUS = 0.015
"""Radius of a stroke in frame heights."""

SKIN: Colour = (1.0, 0.76, 0.28)
KEEP_OUT: Colour = (0.45, 0.70, 1.0)
NEUTRAL: Colour = (0.95, 0.95, 0.95)
SHAPE: Colour = (1.0, 0.76, 0.28)
_AROUND = ((1, 0), (-1, 0), (0, 1), (0, -1))
"""Where words are written dark before they are written light, in screen pixels: so they show on skin as well."""
_DARK = (0.0, 0.0, 0.0, 0.65)
KEY_BACKSPACE, KEY_DELETE = 0xFF08, 0xFFFF
"""Source: ofxKeySyms.h."""


class Grip(NamedTuple):
    """Something to take hold of: where it is, how its control follows, and how it is taken away."""

    at: Point
    move: Callable[[Point], None]
    remove: Callable[[], None] | None = None


@dataclass
class View:
    """One call of the host: the instance, the time, the frame, and how large a screen pixel is."""

    instance: Instance
    time: float
    frame: Frame
    pixel: Point

    def screen(self, a: Point, b: Point) -> float:
        """Return the distance of two canonical positions in screen pixels."""
        return math.hypot((a[0] - b[0]) / self.pixel[0], (a[1] - b[1]) / self.pixel[1])

    def normalised(self, at: Point) -> Point:
        """Return a position as parts of the frame, y downwards, kept inside it."""
        x, y = self.frame.normalised(at)
        return min(max(x, 0.0), 1.0), min(max(y, 0.0), 1.0)

    def canonical(self, points: Sequence[Point]) -> list[Point]:
        """Return normalised points in canonical coordinates."""
        return [self.frame.canonical(point) for point in points]

    @property
    def aspect(self) -> float:
        """Width of the frame in frame heights."""
        return (self.frame.x2 - self.frame.x1) / (self.frame.y2 - self.frame.y1)


# --- what there is to take hold of --------------------------------------------------------------------------


def grips_of(view: View) -> list[Grip]:
    """Return everything that can be dragged now; what lies on top comes last."""
    return [*_of_node(view), *_of_places(view), *_of_marks(view)]


def _of_node(view: View) -> Iterator[Grip]:
    for handle in _handles(view):

        def move(at: Point, handle: Handle = handle) -> None:
            for name, value in handle.moved(*view.frame.normalised(at)).items():
                _set_param(view, name, value)

        yield Grip(view.frame.canonical(handle.at), move)


def _handles(view: View) -> Sequence[Handle]:
    """Return the node's handles, but for those that the host itself draws and lets people drag."""
    try:
        handles = view.instance.node(view.time, view.frame).handles(view.aspect)
    except InkarnatError:
        return ()  # controls that contradict each other: the render says so
    return [handle for handle in handles if not _is_the_hosts(view, handle)]


def _is_the_hosts(view: View, handle: Handle) -> bool:
    """Tell whether a handle stands for a position of which the host has a handle of its own."""
    (x, y), params = handle.at, view.instance.kind.params()
    for name, here in handle.moved(x, y).items():
        if params[name].kind == "point":
            return view.instance.has_host_handle(name)
        if params[name].kind == "points":
            elsewhere = handle.moved(x + 1, y)[name]
            moved = [control for control, a, b in zip(point_controls(name), here, elsewhere, strict=False) if a != b]
            return bool(moved) and view.instance.has_host_handle(moved[0])
    return False


def _set_param(view: View, name: str, value: Any) -> None:
    param = view.instance.kind.params()[name]
    if param.kind == "points":
        for control, point in zip(point_controls(name), value, strict=False):
            view.instance.set_control(control, view.frame.canonical(point))
    else:
        view.instance.set_control(name, control_value(param, value, view.frame))


def _of_places(view: View) -> Iterator[Grip]:
    get = view.instance.getter(view.time)
    for name, place in _used_places(view):
        corners = corners_of(name, place)
        positions = [get(corner) for corner in corners]

        def remove(name: str = name) -> None:
            view.instance.set_control(f"{name}_use", 0)

        def move_corner(at: Point, corner: str) -> None:
            view.instance.set_control(corner, view.frame.canonical(view.normalised(at)))

        for corner, at in zip(corners, positions, strict=True):
            if view.instance.has_host_handle(corner):
                continue
            yield Grip(at, lambda to, corner=corner: move_corner(to, corner), remove)  # type: ignore[misc]


def _used_places(view: View) -> Iterator[tuple[str, Place]]:
    get = view.instance.getter(view.time)
    for name, ask in view.instance.kind.asks().items():
        if isinstance(ask, Place) and get(f"{name}_use"):
            yield name, ask


def _of_marks(view: View) -> Iterator[Grip]:
    for index, mark in enumerate(marks.read(view.instance, view.time)):
        if mark.time != view.time:
            continue
        for corner, point in enumerate(mark.sample.points):
            if mark.sample.kind == "stroke" and corner:
                break

            def move(at: Point, index: int = index, corner: int = corner) -> None:
                marks.move(view.instance, view.time, index, corner, view.normalised(at))

            def remove(index: int = index) -> None:
                marks.remove(view.instance, view.time, index)

            yield Grip(view.frame.canonical(point), move, remove)


def nearest(view: View, at: Point) -> int | None:
    """Return which grip lies under the pen, or None."""
    found = [(view.screen(grip.at, at), -index) for index, grip in enumerate(grips_of(view))]
    distance, index = min(found, default=(math.inf, 0))
    return -index if distance <= REACH else None


# --- the pen ------------------------------------------------------------------------------------------------


class Overlay:
    """The drawing over the picture of one instance: what is held, and what is being drawn anew."""

    def __init__(self, suites: Suites, handle: int) -> None:
        self.suites, self.handle = suites, handle
        self.held: int | None = None
        self.selected: int | None = None
        self._tool: Tool | None = None
        self._path: list[Point] = []
        self._editing: Instance | None = None
        self.follows = False

    def follow_controls(self, instance: Instance) -> None:
        """Tell the host which controls the drawing shows, so that it is drawn anew when they change."""
        self.follows = True
        found = ctypes.c_void_p()
        if self.suites.interact is None or self.suites.interact.get_property_set(self.handle, ctypes.byref(found)):
            return
        Properties(self.suites, found.value).set(api.SLAVE_TO_PARAM, *instance.control_names())

    def answer(self, action: bytes, instance: Instance, arguments: Properties) -> int:
        """Answer one action of the host."""
        view = _view_of(instance, arguments)
        if action == api.DRAW:
            self.draw(view, arguments)
            return api.OK
        if action in (api.PEN_DOWN, api.PEN_MOTION, api.PEN_UP):
            at = arguments.doubles(api.PEN_POSITION, 2)
            taken = {api.PEN_DOWN: self.pen_down, api.PEN_MOTION: self.pen_motion, api.PEN_UP: self.pen_up}[action](
                view, (at[0], at[1])
            )
        elif action == api.KEY_DOWN:
            taken = self.key_down(view, arguments.whole(api.KEY_SYMBOL, 0, 0))
        else:
            self.let_go()
            return api.REPLY_DEFAULT
        if taken and self.suites.interact is not None:
            self.suites.interact.redraw(self.handle)
        return api.OK if taken else api.REPLY_DEFAULT

    def pen_down(self, view: View, at: Point) -> bool:
        """Take hold of what lies under the pen, or begin a sample with the chosen tool."""
        self.let_go()
        self.selected = self.held = nearest(view, at)
        if self.held is not None:
            self._begin(view, "Move on the picture")
            return True
        self._tool = marks.tool_of(view.instance, view.time)
        if self._tool is None:
            return False
        self._path = [view.normalised(at)]
        self._begin(view, f"Add {self._tool.label.lower()}")
        return True

    def pen_motion(self, view: View, at: Point) -> bool:
        """Let what is held follow the pen, or go on with what is drawn."""
        if self.held is not None:
            grips = grips_of(view)
            if self.held < len(grips):
                grips[self.held].move(at)
            return True
        if self._tool is None:
            return False
        to = view.normalised(at)
        if self._tool.shape != "stroke":
            self._path = [self._path[0], to]
        elif view.screen(view.frame.canonical(self._path[-1]), view.frame.canonical(to)) >= _STROKE_STEP:
            self._path.append(to)
        return True

    def pen_up(self, view: View, at: Point) -> bool:
        """Let go; what was drawn becomes a sample, all in one step of undo."""
        if self.held is None and self._tool is None:
            return False
        self.pen_motion(view, at)
        try:
            if self._tool is not None:
                with contextlib.suppress(SampleError):  # a box without an area: a click where a drag was meant
                    marks.add(view.instance, view.time, view.frame, self._tool, sample_of(self._tool, self._path))
        finally:
            self.let_go()
        return True

    def key_down(self, view: View, symbol: int) -> bool:
        """Take the selected sample away."""
        if symbol not in (KEY_BACKSPACE, KEY_DELETE) or self.selected is None:
            return False
        grips = grips_of(view)
        remove = grips[self.selected].remove if self.selected < len(grips) else None
        self.selected = None
        if remove is None:
            return False
        with view.instance.one_edit("Remove from the picture"):
            remove()
        return True

    def let_go(self) -> None:
        """End what was under way."""
        self.held, self._tool, self._path = None, None, []
        if self._editing is not None:
            self._editing.end_edit()
            self._editing = None

    def _begin(self, view: View, label: str) -> None:
        view.instance.begin_edit(label)
        self._editing = view.instance

    # --- drawing --------------------------------------------------------------------------------------------

    def draw(self, view: View, arguments: Properties) -> None:
        """Draw outlines, handles, samples and what is being drawn."""
        context = arguments.pointer(api.DRAW_CONTEXT)
        if self.suites.draw is None or not context:
            return
        pencil = Pencil(self.suites.draw, context, view)
        self._draw_outlines(view, pencil)
        for name, place in _used_places(view):
            get = view.instance.getter(view.time)
            points = [get(corner) for corner in corners_of(name, place)]
            role = role_of(name)
            if view.instance.has_host_handle(corners_of(name, place)[0]):
                if place.shape == "box":
                    pencil.box(points[0], points[1], _colour_of(role))
                continue  # the host marks the places themselves
            pencil.sample(place.shape, points, _colour_of(role), place.label, crossed=role == "keep_out")
        for mark in marks.read(view.instance, view.time):
            colour, here = _colour_of(mark.role), mark.time == view.time
            points = view.canonical(mark.sample.points)
            label = marks.words_of(mark) if here else f"{marks.words_of(mark)}, frame {mark.time:g}"
            pencil.sample(mark.sample.kind, points, colour, label, mark.role == "keep_out", faint=not here)
        if self._tool is not None and self._path:
            points = view.canonical(self._path)
            pencil.sample(self._tool.shape, points, _colour_of(self._tool.role), self._tool.label, False)
        if self.selected is not None:
            grips = grips_of(view)
            if self.selected < len(grips):
                pencil.ring(grips[self.selected].at, 2.2 * _DOT, (1.0, 1.0, 1.0))

    def _draw_outlines(self, view: View, pencil: Pencil) -> None:
        try:
            lines = view.instance.node(view.time, view.frame).outlines(view.aspect)
        except InkarnatError:
            return
        for line in lines:
            points = view.canonical(line)
            closed = len(points) > 2
            pencil.lines(points, SHAPE, closed)
        for handle in _handles(view):
            pencil.dot(view.frame.canonical(handle.at), SHAPE)
            if handle.label:
                pencil.words(view.frame.canonical(handle.at), handle.label, SHAPE)


def sample_of(tool: Tool, path: Sequence[Point]) -> Sample:
    """Return the sample that was drawn with a tool. Raises SampleError where that is none."""
    if tool.shape == "point":
        return Sample.point(*path[-1])
    if tool.shape == "stroke":
        return Sample.stroke(list(path), _STROKE_RADIUS)
    (x0, x1), (y0, y1) = (sorted((path[0][i], path[-1][i])) for i in (0, 1))
    return Sample.face(x0, y0, x1, y1) if tool.shape == "face" else Sample.box(x0, y0, x1, y1)


def _colour_of(role: str) -> Colour:
    return {"keep_out": KEEP_OUT, "neutral": NEUTRAL, "deep_black": NEUTRAL}.get(role, SKIN)


def _view_of(instance: Instance, arguments: Properties) -> View:
    time = arguments.double(api.TIME, 0, 0.0)
    try:
        x, y = arguments.doubles(api.PIXEL_SCALE, 2)
    except OpenFXError:
        x = y = 1.0
    try:
        frame = instance.region(instance.source, time)
    except OpenFXError:
        frame = instance.project_frame()
    if not (frame.x2 > frame.x1 and frame.y2 > frame.y1 and frame.x2 - frame.x1 < 1e6):
        frame = instance.project_frame()
    return View(instance, time, frame, (abs(x) or 1.0, abs(y) or 1.0))


class Pencil:
    """Draws by the host's suite: lines first wide and dark, then narrow and light, so that they show on anything."""

    def __init__(self, suite: Any, context: int, view: View) -> None:
        self._suite, self._context, self._view = suite, context, view

    def _ink(self, colour: Colour, alpha: float, width: float) -> None:
        rgba = (ctypes.c_float * 4)(*colour, alpha)
        self._suite.set_colour(self._context, rgba)
        self._suite.set_line_width(self._context, width)

    def _draw(self, primitive: int, points: Sequence[Point]) -> None:
        array = (ctypes.c_double * (2 * len(points)))(*(v for point in points for v in point))
        self._suite.draw(self._context, primitive, array, len(points))

    def _twice(self, primitive: int, points: Sequence[Point], colour: Colour, alpha: float = 1.0) -> None:
        self._ink(_DARK[:3], _DARK[3] * alpha, 3.5)
        self._draw(primitive, points)
        self._ink(colour, alpha, 1.5)
        self._draw(primitive, points)

    def lines(self, points: Sequence[Point], colour: Colour, closed: bool, alpha: float = 1.0) -> None:
        """A run of lines, open or closed."""
        self._twice(api.LINE_LOOP if closed else api.LINE_STRIP, points, colour, alpha)

    def ring(self, at: Point, radius: float, colour: Colour, alpha: float = 1.0) -> None:
        """A circle of a radius in screen pixels."""
        self._twice(api.ELLIPSE, self._square(at, radius), colour, alpha)

    def dot(self, at: Point, colour: Colour) -> None:
        """A filled square."""
        self._ink(_DARK[:3], _DARK[3], 0)
        self._draw(api.RECTANGLE, self._square(at, _DOT + 1.0))
        self._ink(colour, 1.0, 0)
        self._draw(api.RECTANGLE, self._square(at, _DOT - 1.0))

    def _square(self, at: Point, half: float) -> list[Point]:
        dx, dy = half * self._view.pixel[0], half * self._view.pixel[1]
        return [(at[0] - dx, at[1] - dy), (at[0] + dx, at[1] + dy)]

    def words(self, at: Point, text: str, colour: Colour, alpha: float = 1.0) -> None:
        """Words to the right of a place and above it."""
        x, y = at[0] + 9 * self._view.pixel[0], at[1] + 7 * self._view.pixel[1]
        light: Colour = (0.4 + 0.6 * colour[0], 0.4 + 0.6 * colour[1], 0.4 + 0.6 * colour[2])
        for across, up in (*_AROUND, (0, 0)):
            is_word = (across, up) == (0, 0)
            self._ink(light if is_word else _DARK[:3], alpha if is_word else _DARK[3] * alpha, 1.0)
            place = (ctypes.c_double * 2)(x + across * self._view.pixel[0], y + up * self._view.pixel[1])
            self._suite.draw_text(self._context, text.encode(), place, api.ALIGN_LEFT | api.ALIGN_BASELINE)

    def box(self, one: Point, other: Point, colour: Colour, alpha: float = 1.0) -> None:
        """A rectangle by two opposite corners."""
        (x0, y0), (x1, y1) = one, other
        self.lines([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], colour, True, alpha)

    def sample(
        self, shape: str, points: Sequence[Point], colour: Colour, label: str, crossed: bool, faint: bool = False
    ) -> None:
        """A sample as it counts: a ring, a box, a stroke, or the middle of a face; crossed where it is left out."""
        alpha = 0.4 if faint else 1.0
        if shape in ("box", "face") and len(points) > 1:
            (x0, y0), (x1, y1) = points[0], points[-1]
            self.box(points[0], points[-1], colour, alpha)
            if shape == "face":
                across, up, down = 0.30 * abs(x1 - x0), 0.30 * abs(y1 - y0), 0.58 * abs(y1 - y0)
                middle = ((x0 + x1) / 2, max(y0, y1) - down)
                oval = [(middle[0] - across, middle[1] - up), (middle[0] + across, middle[1] + up)]
                self._twice(api.ELLIPSE, oval, colour, alpha)
        elif len(points) > 1:
            self.lines(points, colour, False, alpha)
        first = points[0]
        self.ring(first, 1.6 * _DOT, colour, alpha)
        if crossed:
            for dx, dy in ((1, 1), (1, -1)):
                reach = 2.2 * _DOT
                ends = [
                    (first[0] + s * dx * reach * self._view.pixel[0], first[1] + s * dy * reach * self._view.pixel[1])
                    for s in (-1, 1)
                ]
                self.lines(ends, colour, False, alpha)
        if not (faint or crossed):
            for corner in (first, points[-1]) if shape in ("box", "face") else (first,):
                self.dot(corner, colour)
        self.words(first, label, colour, alpha)


def has_overlay(kind: type[Node]) -> bool:
    """Tell whether an effect has anything to take hold of on the picture."""
    return any(isinstance(ask, Place) for ask in kind.asks().values()) or bool(kind().handles(1.0))
