"""One instance of an effect: the values of its controls, its clips, and what it tells the user."""

from __future__ import annotations

import contextlib
import ctypes
import threading
from collections.abc import Callable, Iterator
from typing import Any

from ...nodes.declare import Node
from . import api
from .controls import OUTPUT, PREMULTIPLIED, Control, Frame, Get, clips_of, controls_of, identifier, node_values
from .images import Image, fetch
from .properties import OpenFXError, Properties, Suites, check
from .signals import AS_IT_IS, Signal, resolve, signal_of

_BOXES: dict[str, tuple[Any, int]] = {
    "Double": (ctypes.c_double, 1),
    "Integer": (ctypes.c_int, 1),
    "Boolean": (ctypes.c_int, 1),
    "Choice": (ctypes.c_int, 1),
    "String": (ctypes.c_char_p, 1),
    "StrChoice": (ctypes.c_char_p, 1),
    "Double2D": (ctypes.c_double, 2),
    "Double3D": (ctypes.c_double, 3),
    "RGB": (ctypes.c_double, 3),
}
"""How the value of each type of control travels: ctypes type and how many of them."""


class Instance:
    """What is kept of an instance; every render thread may read it at the same time."""

    def __init__(self, suites: Suites, handle: int, kind: type[Node]) -> None:
        self.suites, self.handle, self.kind = suites, handle, kind
        self.curves = suites.curve is not None
        self.clips = clips_of(kind)
        found = ctypes.c_void_p()
        check(suites.effect.get_property_set(handle, ctypes.byref(found)), "the properties of the instance")
        self.properties = Properties(suites, found.value)
        check(suites.effect.get_param_set(handle, ctypes.byref(found)), "the controls of the instance")
        self.control_set: int = found.value or 0
        self._controls = {control.name: control for control in controls_of(kind, self.curves, suites.keeps_words)}
        self._control_handles = {name: self._find_control(name) for name in self._controls}
        self._clip_handles = {name: self._find_clip(name) for name in (OUTPUT, *(clip.name for clip in self.clips))}
        self._lock = threading.Lock()
        self._last: tuple[Any, Node] | None = None
        self._enabled: dict[str, bool] = {}
        self._host_handles: dict[str, bool] = {}
        self._shown: bytes | None = None
        self._shown_text = ""
        self._signal = ("", AS_IT_IS)
        self.context = self.properties.string(api.CONTEXT, b"")

    def _find_control(self, name: str) -> int | None:
        found = ctypes.c_void_p()
        status = self.suites.parameter.get_handle(self.control_set, name.encode(), ctypes.byref(found), None)
        return found.value if status == api.OK else None

    def _find_clip(self, name: bytes) -> int | None:
        found = ctypes.c_void_p()
        status = self.suites.effect.clip_get_handle(self.handle, name, ctypes.byref(found), None)
        return found.value if status == api.OK else None

    # --- controls -------------------------------------------------------------------------------------------

    def project_frame(self) -> Frame:
        """Return the project's rectangle in canonical coordinates, or the unit square where the host has none."""
        try:
            width, height = self.properties.doubles(api.PROJECT_SIZE, 2)
            x, y = self.properties.doubles(api.PROJECT_OFFSET, 2)
        except OpenFXError:
            return Frame(0, 0, 1, 1)
        return Frame(x, y, x + (width or 1), y + (height or 1))

    def getter(self, time: float) -> Get:
        """Return the function that reads a control at a time; where the host cannot, it gives the default.

        A choice is read as the place of its option, however the host keeps it.
        """

        def get(name: str) -> Any:
            control, handle = self._controls[name], self._control_handles[name]
            if handle is None:
                return self._default(control)
            if control.type == "Parametric":
                return self._curve(handle, time)
            kind, count = _BOXES[control.type]
            boxes = [kind() for _ in range(count)]
            if self.suites.parameter.get_value_at_time(handle, time, *map(ctypes.byref, boxes)) != api.OK:
                return self._default(control)
            if count > 1:
                return tuple(box.value for box in boxes)
            value = boxes[0].value
            if kind is not ctypes.c_char_p:
                return value
            text = (value or b"").decode("utf-8", "replace")
            if control.type == "StrChoice":
                return control.words.index(text) if text in control.words else self._default(control)
            return text

        return get

    def _default(self, control: Control) -> Any:
        default = control.properties.get(b"OfxParamPropDefault", ((0.0, 0.0), (1.0, 1.0)))
        if control.properties.get(b"OfxParamPropDefaultCoordinateSystem"):
            x, y = default
            return self.project_frame().canonical((x, 1 - y))
        if control.type == "StrChoice":
            return control.words.index(default[0])
        return default[0] if len(default) == 1 else default

    def _curve(self, handle: int, time: float) -> tuple[tuple[float, float], ...]:
        count = ctypes.c_int()
        suite = self.suites.curve
        if suite.get_point_count(handle, 0, time, ctypes.byref(count)) != api.OK:
            return ((0.0, 0.0), (1.0, 1.0))

        def point(index: int) -> tuple[float, float]:
            x, y = ctypes.c_double(), ctypes.c_double()
            check(suite.get_point(handle, 0, time, index, ctypes.byref(x), ctypes.byref(y)), "a point of a curve")
            return x.value, y.value

        return tuple(point(index) for index in range(count.value))

    def node(self, time: float, frame: Frame, premultiplied: bool = False) -> Node:
        """Return the node as the controls have it at a time. Raises ParamError where they contradict each other."""
        values = node_values(self.kind, self.getter(time), frame, self.curves)
        if premultiplied and self.handles_premultiplied:
            values[PREMULTIPLIED] = True
        key = tuple(values.values())
        last = self._last
        if last is not None and last[0] == key:
            return last[1]
        node = self.kind(**values)
        self._last = (key, node)
        return node

    def solved_node(self, time: float, frame: Frame) -> Node:
        """Return the node without what is set by hand on top of what is solved."""
        return self.kind(**node_values(self.kind, self.getter(time), frame, self.curves, solved=True))

    def forget_node(self) -> None:
        """Forget the node of the last render."""
        self._last = None

    @property
    def handles_premultiplied(self) -> bool:
        """Whether the node itself divides by alpha where it is told to."""
        return PREMULTIPLIED in self.kind.params()

    def enable(self, name: str, is_on: bool) -> None:
        """Switch a control on or off, where that is news to the host."""
        handle = self._control_handles.get(name)
        if handle is None or self._enabled.get(name, True) == is_on:
            return
        found = ctypes.c_void_p()
        if self.suites.parameter.get_property_set(handle, ctypes.byref(found)) == api.OK:
            Properties(self.suites, found.value).set(b"OfxParamPropEnabled", is_on)
            self._enabled[name] = is_on

    def has_host_handle(self, name: str) -> bool:
        """Tell whether the host itself offers a handle for a position on the picture."""
        known = self._host_handles.get(name)
        if known is None:
            found, handle = ctypes.c_void_p(), self._control_handles.get(name)
            known = handle is not None and self._controls[name].type == "Double2D"
            if known and self.suites.parameter.get_property_set(handle, ctypes.byref(found)) == api.OK:
                known = bool(Properties(self.suites, found.value).whole(api.HAS_HOST_HANDLE, 0, 0))
            else:
                known = False
            self._host_handles[name] = known
        return known

    def has_control(self, name: str) -> bool:
        """Tell whether the effect has a control of this name that the host has made."""
        return self._control_handles.get(name) is not None

    def control_names(self) -> tuple[str, ...]:
        """Return the names of all controls that hold a value."""
        return tuple(name for name, control in self._controls.items() if control.type in _BOXES)

    def begin_edit(self, label: str) -> None:
        """Begin a step of the host's undo that lasts over several actions."""
        self.suites.parameter.edit_begin(self.control_set, label.encode())

    def end_edit(self) -> None:
        """End that step."""
        self.suites.parameter.edit_end(self.control_set)

    def set_control(self, name: str, value: Any) -> None:
        """Set the value of a control; OpenFXError where the host refuses."""
        handle = self._control_handles[name]
        if handle is None:
            return
        check(self.suites.parameter.set_value(handle, *self._boxed(name, value)), f"a new value of {name}")

    def set_key(self, name: str, time: float, value: Any) -> None:
        """Set a keyframe of a control; OpenFXError where the host refuses."""
        handle = self._control_handles[name]
        if handle is not None:
            status = self.suites.parameter.set_value_at_time(handle, time, *self._boxed(name, value))
            check(status, f"a keyframe of {name}")

    def _boxed(self, name: str, value: Any) -> list[Any]:
        control = self._controls[name]
        kind, _ = _BOXES[control.type]
        if control.type == "StrChoice":
            value = control.words[value]
        values = value if isinstance(value, tuple) else (value,)
        return [kind(v.encode() if isinstance(v, str) else v) for v in values]

    def set_for_good(self, name: str, value: Any) -> None:
        """Set the value of a control at all times: what was animated no longer is."""
        handle = self._control_handles[name]
        if handle is not None:
            self.suites.parameter.delete_all_keys(handle)
        self.set_control(name, value)

    @contextlib.contextmanager
    def one_edit(self, label: str) -> Iterator[None]:
        """Make everything that is set inside one step of the host's undo."""
        self.suites.parameter.edit_begin(self.control_set, label.encode())
        try:
            yield
        finally:
            self.suites.parameter.edit_end(self.control_set)

    # --- clips ----------------------------------------------------------------------------------------------

    def fetch(self, clip: bytes, time: float) -> Image | None:
        """Fetch the image of a clip at a time, or None where there is none."""
        return fetch(self.suites, self._clip_handles[clip], time)

    def clip_properties(self, clip: bytes) -> Properties:
        """Return the properties of a clip."""
        found = ctypes.c_void_p()
        handle = self._clip_handles[clip]
        check(self.suites.effect.clip_get_property_set(handle, ctypes.byref(found)), f"the clip {clip.decode()}")
        return Properties(self.suites, found.value)

    def region(self, clip: bytes, time: float) -> Frame:
        """Return the region of definition of a clip in canonical coordinates."""
        box = api.RectD()
        handle = self._clip_handles[clip]
        check(self.suites.effect.clip_get_region_of_definition(handle, time, ctypes.byref(box)), "a clip's region")
        return Frame(box.x1, box.y1, box.x2, box.y2)

    @property
    def source(self) -> bytes:
        """The clip whose frame the result has."""
        return self.clips[0].name

    def is_aborted(self) -> bool:
        """Tell whether the host wants the render to stop."""
        return bool(self.suites.effect.abort(self.handle))

    # --- colour ---------------------------------------------------------------------------------------------

    @property
    def colour_style(self) -> bytes:
        """The style of colour management that the host has chosen for this instance; empty where it has none."""
        style = self.properties.string(api.COLOUR_STYLE, b"")
        return b"" if style == api.COLOUR_NONE else style

    def colour_space(self, clip: str) -> str:
        """Return what the host says of a clip's colour space, "" where it says nothing."""
        if self._clip_handles.get(clip.encode()) is None:
            return ""
        return self.clip_properties(clip.encode()).string(api.COLOURSPACE, b"").decode("utf-8", "replace")

    def signal(self) -> Signal:
        """Return what the pictures are converted to and from, where the effect reads one signal only."""
        if not self.kind.reads_signal:
            return AS_IT_IS
        space = self.colour_space(self.source.decode())
        known, signal = self._signal
        if space != known or space.startswith("Ofx"):
            signal = signal_of(resolve(space, self.colour_space))
            self._signal = (space, signal)
        return signal

    # --- words to the user ----------------------------------------------------------------------------------

    def show(self, kind: bytes, text: str) -> None:
        """Mark the instance with an error or a warning; said once only where the host cannot keep a message."""
        with self._lock:
            repeated, self._shown = self._shown == kind, kind
            self._shown_text = text
        if self.suites.message2:
            self.suites.message2.set_persistent(self.handle, kind, b"", b"%s", ctypes.c_char_p(text.encode()))
        elif not repeated:
            say(self.suites, self.handle, kind, text)

    def clear(self, kind: bytes) -> None:
        """Take an earlier error or warning back."""
        with self._lock:
            shown, self._shown = self._shown == kind, None if self._shown == kind else self._shown
            self._shown_text = "" if shown else self._shown_text
        if shown and self.suites.message2:
            self.suites.message2.clear_persistent(self.handle)

    def doubt(self, text: str) -> None:
        """Show a warning as long as it holds; "" takes it back. An error stands before it."""
        if text and self._shown != api.ERROR and self._shown_text != text:
            self.show(api.WARNING, text)
        elif not text:
            self.clear(api.WARNING)

    @contextlib.contextmanager
    def progress(self, text: str) -> Iterator[Callable[[float], bool]]:
        """Show a progress display while something takes its time, where the host has one.

        Gives a function that is told the share that is done, and returns False where the user breaks it off.
        """
        suite = self.suites.progress2 or self.suites.progress1
        more = (b"",) if self.suites.progress2 else ()
        if suite is None or suite.start(self.handle, text.encode(), *more) != api.OK:
            yield lambda share: True
            return
        try:
            yield lambda share: bool(suite.update(self.handle, share) != api.REPLY_NO)
        finally:
            suite.end(self.handle)


def say(suites: Suites, handle: int | None, kind: bytes, text: str) -> None:
    """Post a message. The text is an argument, never the format: it may hold per cent signs."""
    if suites.message:
        suites.message.message(handle, kind, b"", b"%s", ctypes.c_char_p(text.encode()))


def label_of(kind: type[Node]) -> str:
    """Return the name of an effect as users read it in a message."""
    return f"{kind.label} ({identifier(kind)})"
