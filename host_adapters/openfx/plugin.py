"""The plug-in side of the bridge: every action of the host, answered without ever letting an error out."""

from __future__ import annotations

import atexit
import contextlib
import ctypes
import sys
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from ...kernels import jit, memory, strips
from ...kernels.errors import InkarnatError
from ...nodes import NODES
from ...nodes.declare import ACCEPTED, MARKS, PERSONS, Action, Marked, Node, ParamError, Place
from ..warm_up import compile_ahead
from . import accepted, api, faces, finder, look, marks
from .controls import (
    ACCEPT,
    BACK,
    FIND_FACES,
    FOLLOW_FACES,
    LOOK_AMOUNT,
    LOOK_FILE,
    LOOK_KEEP,
    MATTE_IN_ALPHA,
    MATTE_OUTPUT,
    OUTPUT,
    PICK,
    REPORT,
    STALE,
    STALE_ELSEWHERE,
    asked_values,
    by_hand,
    control_value,
    corners_of,
    identifier,
    point_controls,
    solved_control,
    with_earlier,
)
from .description import digest, makes_matte
from .instance import Instance, label_of, say
from .overlay import Overlay
from .properties import OpenFXError, Properties, Suites
from .render import SCRATCH, render, whole_inputs
from .signals import BASIC_NAMES, CROSS_REFERENCE, RAW, READ_AS_IT_IS, name_of

# --- instances ----------------------------------------------------------------------------------------------


def get_region_of_definition(instance: Instance, arguments: Properties, answer: Properties) -> int:
    """Say that the result is as large as Source."""
    answer.set(api.REGION_OF_DEFINITION, *instance.region(instance.source, arguments.double(api.TIME)))
    return api.OK


def get_regions_of_interest(instance: Instance, arguments: Properties, answer: Properties) -> int:
    """Ask for the same region where pixels stand for themselves, otherwise for the whole frame."""
    time = arguments.double(api.TIME)
    if instance.kind.pixelwise:
        region = arguments.doubles(b"OfxImageEffectPropRegionOfInterest", 4)
    else:
        region = tuple(instance.region(instance.source, time))
    for clip in instance.clips:
        answer.set(api.CLIP_ROI + clip.name, *region)
    return api.OK


def get_frames_needed(instance: Instance, arguments: Properties, answer: Properties) -> int:
    """Ask for the frames before and after that a node over time reads."""
    time = arguments.double(api.TIME)
    before, after = instance.node(time, instance.project_frame()).frames_needed()
    if not (before or after):
        return api.REPLY_DEFAULT
    for clip in instance.clips:
        answer.set(api.CLIP_FRAMES + clip.name, float(time - before), float(time + after))
    return api.OK


def is_identity(instance: Instance, arguments: Properties, answer: Properties) -> int:
    """Name Source as the result where the node surely changes nothing; what is wrong with values the render tells."""
    time = arguments.double(api.TIME)
    try:
        node = instance.node(time, instance.project_frame())
    except ParamError:
        return api.REPLY_DEFAULT
    if not node.is_identity() or look.name_of(instance.kind, instance.getter(time)):
        return api.REPLY_DEFAULT
    answer.set(api.NAME, instance.source)
    answer.set(api.TIME, time)
    return api.OK


def get_clip_preferences(instance: Instance, arguments: Properties | None, answer: Properties) -> int:
    """Say what the output holds where that is not what Source holds, and which colour space is wanted."""
    status = api.REPLY_DEFAULT
    if makes_matte(instance.kind):
        in_alpha = _matte_in_alpha(instance)
        if in_alpha and instance.context != api.FILTER:  # a filter's output is always like its source
            answer.set(api.CLIP_COMPONENTS + OUTPUT, api.RGBA)
        answer.set(api.PREMULTIPLICATION, api.UNPREMULTIPLIED if in_alpha else api.PREMULTIPLIED)
        status = api.OK
    if instance.kind.reads_signal and instance.colour_style:
        is_basic = instance.colour_style == api.COLOUR_BASIC
        answer.set(api.PREFERRED_COLOURSPACES + instance.source, *(READ_AS_IT_IS[-1:] if is_basic else READ_AS_IT_IS))
        status = api.OK
    return status


def _matte_in_alpha(instance: Instance) -> bool:
    return bool(instance.getter(0.0)(MATTE_OUTPUT) == MATTE_IN_ALPHA)


def get_output_space(instance: Instance, arguments: Properties, answer: Properties) -> int:
    """Say what the output holds: a matte is no colour, a conversion knows its target, the rest is as Source."""
    space = ""
    if makes_matte(instance.kind) and not _matte_in_alpha(instance):
        space = RAW
    else:
        target = instance.node(0.0, instance.project_frame()).output_space()
        if target:
            space = _allowed(name_of(target), instance.colour_style)
    answer.set(api.COLOURSPACE, space or CROSS_REFERENCE + instance.source.decode())
    return api.OK


def _allowed(space: str, style: bytes) -> str:
    """Return the name of a colour space as the style of colour management allows it, "" where it has none."""
    if style != api.COLOUR_BASIC or not space:
        return space
    return BASIC_NAMES.get(space, READ_AS_IT_IS[-1] if space in READ_AS_IT_IS else "")


def instance_changed(instance: Instance, arguments: Properties, answer: Properties | None) -> int:
    """Do what a button stands for; everything else, the effects' own edits above all, needs no answer."""
    what, time = arguments.string(api.TYPE, b""), arguments.double(api.TIME, 0, 0.0)
    edited = arguments.string(api.CHANGE_REASON, b"") == api.USER_EDITED
    if what == api.TYPE_CLIP and edited and (left_out := faces.without_foreign_faces(instance, time, arguments)):
        instance.set_control(REPORT, f"Frame {time:g}: {left_out.strip()}")
        return api.OK
    if what == api.TYPE_CLIP and edited and instance.has_control(REPORT):
        _mark_stale(instance, time, STALE_ELSEWHERE)
        return api.OK
    if what != api.TYPE_PARAMETER:
        return api.REPLY_DEFAULT
    show_state(instance, time)
    if not edited:
        return api.REPLY_DEFAULT
    name = arguments.string(api.NAME, b"").decode()
    action = instance.kind.actions().get(name)
    if action is not None:
        with instance.progress(f"{instance.kind.label}: {action.label}"):
            left_out = faces.without_foreign_faces(instance, time, arguments)
            _do(instance, action, time, arguments, said=left_out)
    elif name in (FIND_FACES, FOLLOW_FACES) and instance.has_control(name):
        said = faces.find(instance, time, arguments, name == FOLLOW_FACES)
        instance.set_control(REPORT, f"Frame {time:g}: {said or 'Finding faces was cancelled: nothing has changed.'}")
    elif name == ACCEPT and instance.has_control(ACCEPT):
        with instance.progress(f"{instance.kind.label}: accepting the matte"):
            said = accepted.accept(instance, time, arguments)
            _do(instance, _reading_of(instance.kind), time, arguments, said=said)
    elif name == BACK and instance.has_control(BACK):
        _back_to_solved(instance, time, arguments)
    else:
        _after_change(instance, [name], time, arguments)
        show_state(instance, time)
        return api.REPLY_DEFAULT
    show_state(instance, time)
    return api.OK


_NO_READING = (REPORT, PICK, LOOK_FILE, LOOK_AMOUNT, LOOK_KEEP, MATTE_OUTPUT)
"""Controls that no reading depends on."""


def _after_change(instance: Instance, names: list[str], time: float, arguments: Properties) -> None:
    """Do anew what depends on what a person has changed; where that cannot be, say that the reading is from before."""
    if not instance.has_control(REPORT) or set(names) <= set(_NO_READING):
        return
    frame = instance.project_frame()
    due: Sequence[Action] | None = ()
    try:
        asked = asked_values(instance.kind, instance.getter(time), frame)
        due = instance.solved_node(time, frame).after_change(names, asked)
        for action in due or ():
            _do(instance, action, time, arguments, _LIVE_ROWS if action.only_reads else 0)
    except InkarnatError:
        due = ()  # no picture, or values that contradict each other: a press of a button says what is wrong
    if due == ():
        _mark_stale(instance, time)


_LIVE_ROWS = 600
"""Rows to which pictures are reduced for a reading after every change: it must keep up with a slider."""


def _reading_of(kind: type[Node]) -> Action:
    """Return the action that reads the skin and changes nothing."""
    return next(action for action in kind.actions().values() if action.only_reads)


def _do(
    instance: Instance, action: Action, time: float, arguments: Properties, most_rows: int = 0, said: str = ""
) -> None:
    """Let the node do something on this frame, and set the controls that it changes in one step of undo."""
    kind, get = instance.kind, instance.getter(time)
    is_right, of_matte = accepted.is_accepted(instance, time, arguments) if action.only_reads else (False, "")
    with whole_inputs(instance, time, arguments, most_rows) as (frame, inputs):
        node = instance.solved_node(time, frame)
        persons = finder.Persons()
        asked = asked_values(kind, get, frame) | {ACCEPTED: is_right, PERSONS: persons}
        with marked_frames(instance, time, arguments, inputs) as marked:
            changed, report = action.run(node, asked | ({MARKS: marked} if MARKS in asked else {}), **inputs)
    values = {
        (solved_control(name) if name in kind.parts() else name): control_value(param, getattr(changed, name), frame)
        for name, param in kind.params().items()
        if getattr(changed, name) != getattr(node, name)
    }
    if look.name_of(kind, get):
        report = f"{report} The look is not part of this reading."
    if persons.said:
        report = f"{report} {persons.said}"
    # A reading alone makes no step: the next undo is that of the control which a person has moved.
    with instance.one_edit(action.label) if values else contextlib.nullcontext():
        for name, value in values.items():
            instance.set_control(name, value)
        instance.set_control(REPORT, f"Frame {time:g}: {said}{of_matte}{report}")


def _back_to_solved(instance: Instance, time: float, arguments: Properties) -> None:
    """Clear what is set by hand on top of what is solved."""
    params, get = instance.kind.params(), instance.getter(time)
    set_by_hand = [name for name, part in by_hand(instance.kind, get).items() if part != params[name].default]
    if not set_by_hand:
        return
    with instance.one_edit("Back to solved"):
        for name in set_by_hand:
            instance.set_for_good(name, params[name].default)
    _after_change(instance, set_by_hand, time, arguments)


@contextlib.contextmanager
def marked_frames(
    instance: Instance, time: float, arguments: Properties, inputs: Mapping[str, Any]
) -> Iterator[tuple[Marked, ...]]:
    """Give the samples made on the picture with the pictures of their frames. Raises OpenFXError for one without."""
    found, frames = [], {time: inputs}
    with contextlib.ExitStack() as stack:
        for mark in marks.read(instance, time):
            if mark.time not in frames:
                try:
                    _, frames[mark.time] = stack.enter_context(whole_inputs(instance, mark.time, arguments))
                except OpenFXError as error:
                    text = f"A sample of {marks.words_of(mark).lower()} lies on frame {mark.time:g}: {error}"
                    raise OpenFXError(text, error.status) from None
            found.append(Marked(frames[mark.time], mark.role, mark.sample))
        yield tuple(found)


def _mark_stale(instance: Instance, time: float, words: str = STALE) -> None:
    """Say that a reading is one from before."""
    report = instance.getter(time)(REPORT)
    if report and not report.startswith((STALE_ELSEWHERE, words)):
        instance.set_control(REPORT, words + report.removeprefix(STALE))


def show_state(instance: Instance, time: float) -> None:
    """Switch controls off that have no effect as the others are set, and on again."""
    try:
        unused = instance.node(time, instance.project_frame()).unused()
    except InkarnatError:
        return  # values that contradict each other: the render says so
    get = instance.getter(time)
    for name, param in instance.kind.params().items():
        controls = (f"{name}_count", *point_controls(name)) if param.kind == "points" else (name,)
        for control in controls:
            instance.enable(control, name not in unused)
    for control in (LOOK_AMOUNT, LOOK_KEEP) if instance.kind.takes_look else ():
        instance.enable(control, bool(get(LOOK_FILE).strip()))
    for name, ask in instance.kind.asks().items():
        for control in corners_of(name, ask) if isinstance(ask, Place) else (name,):
            instance.enable(control, bool(get(f"{name}_use")) if isinstance(ask, Place) else name not in unused)


def render_action(instance: Instance, arguments: Properties, answer: Properties | None) -> int:
    """Render."""
    return render(instance, arguments)


def purge(instance: Instance, arguments: Properties | None, answer: Properties | None) -> int:
    """Give all memory back that could be made again: pixels lent and results, tables, drawings, what was learned."""
    SCRATCH.clear()
    look.forget()
    instance.forget_node()
    for name, module in list(sys.modules.items()):
        if name.startswith(_KEEPING):
            for value in list(vars(module).values()):
                if callable(getattr(value, "cache_clear", None)):
                    value.cache_clear()
    memory.RESULTS.clear()
    memory.COUNTERS.clear()
    finder.end()
    return api.OK


_KEEPING = tuple(f"{__name__.split('.')[0]}.{room}." for room in ("kernels", "nodes"))


def nothing(instance: Instance, arguments: Properties | None, answer: Properties | None) -> int:
    """Do nothing, and say that it went well."""
    return api.OK


Answer = Callable[[Instance, Any, Any], int]

ACTIONS: dict[bytes, tuple[Answer, bool, bool]] = {
    api.GET_ROD: (get_region_of_definition, True, True),
    api.GET_ROI: (get_regions_of_interest, True, True),
    api.GET_FRAMES: (get_frames_needed, True, True),
    api.IS_IDENTITY: (is_identity, True, True),
    api.GET_PREFERENCES: (get_clip_preferences, False, True),
    api.CHANGED: (instance_changed, True, False),
    api.GET_OUTPUT_SPACE: (get_output_space, False, True),
    api.RENDER: (render_action, True, False),
    api.PURGE: (purge, False, False),
    **dict.fromkeys(
        (
            api.SYNC,
            api.BEGIN_SEQUENCE,
            api.END_SEQUENCE,
            api.BEGIN_CHANGED,
            api.END_CHANGED,
            api.BEGIN_EDIT,
            api.END_EDIT,
        ),
        (nothing, False, False),
    ),
}
"""The actions on instances: what answers, and whether it reads in arguments and writes out arguments."""


# --- the first use ------------------------------------------------------------------------------------------


def prepare(instance: Instance) -> None:
    """Compile what the effect needs where that has never been done, and say so while it lasts."""
    marker = None if jit.CACHE_FOLDER is None else jit.CACHE_FOLDER / f"openfx-{instance.kind.name}"
    if marker is None or marker.exists() or instance.kind.name in _prepared:
        return
    _prepared.add(instance.kind.name)
    words = f"Preparing {instance.kind.label} for its first use on this computer"

    def done() -> None:
        with contextlib.suppress(OSError):  # the folder has gone meanwhile
            marker.touch()

    # What is wrong will show, and be told, at work.
    with instance.progress(words) as report, contextlib.suppress(Exception):
        if not compile_ahead(instance.kind, report, done, _as_it_stands(instance)):
            said = "Preparing was cancelled: the first render and the first press of a button prepare what they need."
            instance.show(api.MESSAGE, said)


_prepared: set[str] = set()


def _as_it_stands(instance: Instance) -> Node | None:
    """Return the node as an instance is set, as far as that can be told yet."""
    with contextlib.suppress(InkarnatError):
        return instance.node(0.0, instance.project_frame())
    return None


_OUTDATED = (
    "Inkarnat has been updated since these effects were built, and some of their controls are no longer right: build "
    "them again with `inkarnat openfx`, then start the host anew."
)

# --- from C and back ----------------------------------------------------------------------------------------


class Dispatcher:
    """Answers the actions of one bundle. Whatever happens inside ends as a status and a message."""

    def __init__(self, kinds: Sequence[type[Node] | None], told: Sequence[str]) -> None:
        self.kinds = kinds
        self._told = dict(enumerate(told))
        self.suites: dict[int, Suites] = {}
        self.instances: dict[int, Instance] = {}
        self.overlays: dict[int, Overlay] = {}

    def __call__(
        self,
        slot: int,
        aim: int,
        action: bytes,
        handle: int | None,
        given: int | None,
        answer: int | None,
        host: int,
        status: Any,
    ) -> None:
        """Answer one action; the launcher has set the status to "failed" before."""
        kind = self.kinds[slot]
        try:
            if aim == api.FOR_OVERLAY:
                status[0] = self._on_overlay(action, handle or 0, given, host or 0)
            else:
                status[0] = self._answer(slot, action, handle or 0, given, answer, host or 0)
        except BaseException as error:  # nothing may reach the host, KeyboardInterrupt and SystemExit neither
            status[0] = self._explain(kind, handle or 0, host or 0, error)

    def _answer(self, slot: int, action: bytes, handle: int, given: int | None, answer: int | None, host: int) -> int:
        kind = self.kinds[slot]
        if action == api.UNLOAD:
            return api.OK
        if action == api.LOAD or host not in self.suites:
            self.suites[host] = Suites(host)  # anew at every load: a host may have made other suites
            _keep_to(self.suites[host].most_threads())
        suites = self.suites[host]
        if kind is None:
            raise OpenFXError("Inkarnat no longer has this effect: build the bundle again with `inkarnat openfx`.")
        if action == api.LOAD:
            return api.OK
        if action == api.CREATE:
            instance = Instance(suites, handle, kind)
            prepare(instance)
            self.instances[handle] = instance
            show_state(instance, 0.0)
            # A reading is of the clip where it was read; hosts do not tell which that was, and some set nothing now.
            with contextlib.suppress(OpenFXError):
                if instance.has_control(REPORT):
                    _mark_stale(instance, 0.0, STALE_ELSEWHERE)
            if self._is_outdated(slot, kind):
                instance.show(api.WARNING, _OUTDATED)
            return api.OK
        if action == api.DESTROY:
            return api.OK if self.instances.pop(handle, None) else api.BAD_HANDLE
        if action not in ACTIONS:
            return api.REPLY_DEFAULT
        return self._on_instance(suites, action, handle, given, answer)

    def _on_overlay(self, action: bytes, handle: int, given: int | None, host: int) -> int:
        """Answer an action on the drawing over the picture; the instance that it belongs to comes with each."""
        if host not in self.suites:
            self.suites[host] = Suites(host)
        if action == api.CREATE:
            self.overlays[handle] = Overlay(self.suites[host], handle)
            return api.OK
        overlay = self.overlays.get(handle)
        if overlay is None:
            return api.BAD_HANDLE
        if action == api.DESTROY:
            overlay.let_go()
            del self.overlays[handle]
            return api.OK
        if not given:
            return api.REPLY_DEFAULT
        arguments = Properties(self.suites[host], given)
        instance = self.instances.get(arguments.pointer(api.EFFECT_INSTANCE))
        if instance is None:
            return api.REPLY_DEFAULT
        if not overlay.follows:
            overlay.follow_controls(instance)
        return overlay.answer(action, instance, arguments)

    def _is_outdated(self, slot: int, kind: type[Node]) -> bool:
        """Tell, once for each effect, whether hosts were told something else of it when the bundle was built."""
        told = self._told.pop(slot, "")
        return bool(told) and told != digest(kind)

    def _on_instance(self, suites: Suites, action: bytes, handle: int, given: int | None, answer: int | None) -> int:
        instance = self.instances.get(handle)
        if instance is None:
            return api.BAD_HANDLE
        function, reads, writes = ACTIONS[action]
        return function(
            instance, Properties(suites, given) if reads else None, Properties(suites, answer) if writes else None
        )

    def _explain(self, kind: type[Node] | None, handle: int, host: int, error: BaseException) -> int:
        """Tell the user what went wrong and return the status for it."""
        status = error.status if isinstance(error, OpenFXError) else api.FAILED
        text = str(error)
        if isinstance(error, MemoryError):
            status, text = api.MEMORY, "There is not enough memory: close something, or render at a smaller size."
        elif not isinstance(error, InkarnatError):
            text = f"A fault of the effect itself: {type(error).__name__}: {error}"
        try:
            if not isinstance(error, InkarnatError):
                traceback.print_exception(error)
            text = f"{label_of(kind)}: {text}" if kind else text
            instance = self.instances.get(handle)
            if instance is not None:
                instance.show(api.ERROR, text)
            elif host in self.suites:
                say(self.suites[host], None, api.ERROR, text)
            else:
                print(text, file=sys.stderr)
        except BaseException:
            return status
        return status


def _keep_to(threads: int) -> None:
    """Use no more threads than the host allows; more than before where it allows them again, up to the user's own."""
    if threads:
        strips.set_thread_count(min(threads, _OWN_THREADS))


_OWN_THREADS = strips.thread_count()
_kept: list[Any] = []


def attach(link_address: int, resources: str, nodes: Mapping[str, type[Node]] = NODES) -> None:
    """Hand the dispatcher to the launcher, which calls this once when it has started Python.

    :param link_address: where the launcher's ``Link`` lies. :param resources: the bundle's folder of that name.
    :param nodes: the nodes by id; ``launch.cfg`` says which plug-in is which.
    """
    link = api.Link.from_address(link_address)
    if link.layout != api.LAYOUT:
        raise OpenFXError("The bundle and Inkarnat are of different versions: build it again with `inkarnat openfx`.")
    by_id = {(identifier(kind), str(kind.version)): kind for kind in with_earlier(nodes)}
    configuration = Path(resources, "launch.cfg").read_text(encoding="utf-8")
    lines = configuration_lines(configuration)
    finder.program_of(lines, Path(resources))
    plugins = lines.get("plugin", [])
    kinds = [by_id.get((line.split()[0], line.split()[1])) for line in plugins]
    callback = api.Dispatch(Dispatcher(kinds, [line.split()[-1] for line in plugins]))
    _kept.append(callback)
    link.dispatch = ctypes.cast(callback, ctypes.c_void_p).value
    atexit.register(_detach, link)


def configuration_lines(text: str) -> dict[str, list[str]]:
    """Return the values in the text of a ``launch.cfg`` by key, in order."""
    lines: dict[str, list[str]] = {}
    for line in text.splitlines():
        key, equals, value = line.partition("=")
        if equals and not key.startswith("#"):
            lines.setdefault(key, []).append(value)
    return lines


def _detach(link: api.Link) -> None:
    link.dispatch = None
