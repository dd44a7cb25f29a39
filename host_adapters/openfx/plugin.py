"""The plug-in side of the bridge: every action of the host, answered without ever letting an error out."""

from __future__ import annotations

import atexit
import contextlib
import ctypes
import importlib.metadata
import sys
import traceback
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ...kernels import jit, memory, planes
from ...kernels.errors import InkarnatError
from ...nodes import NODES
from ...nodes.declare import Node, ParamError
from ..warm_up import first_use, helped
from . import api
from .controls import (
    MATTE_IN_ALPHA,
    MATTE_OUTPUT,
    REPORT,
    asked_values,
    clips_of,
    contexts_of,
    control_value,
    controls_of,
    identifier,
    words,
)
from .instance import OUTPUT, Instance, label_of, say
from .properties import OpenFXError, Properties, Suites, check
from .render import SCRATCH, render, whole_inputs
from .signals import BASIC_NAMES, CONFIGURATION, CROSS_REFERENCE, RAW, READ_AS_IT_IS, name_of

# --- describing ---------------------------------------------------------------------------------------------


def describe(suites: Suites, handle: int, kind: type[Node]) -> int:
    """Tell the host what an effect is."""
    properties = _properties(suites, suites.effect.get_property_set, handle)
    for name in (api.LABEL, api.SHORT_LABEL, api.LONG_LABEL):
        properties.set(name, kind.label)
    properties.set(api.GROUPING, "Inkarnat")
    properties.set(api.DESCRIPTION, _description(kind))
    version = importlib.metadata.version("inkarnat")
    properties.set(api.VERSION, *(int(part) for part in version.split(".")[:3] if part.isdigit()))
    properties.set(api.VERSION_LABEL, version)
    properties.set(api.CONTEXTS, *contexts_of(kind), needed=True)
    properties.set(api.DEPTHS, api.FLOAT, api.HALF, api.SHORT, api.BYTE)
    properties.set(api.THREAD_SAFETY, api.FULLY_SAFE)
    temporal = _is_temporal(kind)
    numbers = {
        api.SINGLE_INSTANCE: False,
        api.HOST_THREADING: False,  # frames are already shared out among threads
        api.MULTI_RESOLUTION: True,
        api.TILES: kind.pixelwise,
        api.TEMPORAL: temporal,
        api.RENDER_TWICE: False,
        api.MULTIPLE_DEPTHS: False,
        api.MULTIPLE_ASPECTS: False,
    }
    for name, value in numbers.items():
        properties.set(name, value)
    if not properties.set(api.COLOUR_STYLE, api.COLOUR_CORE):
        properties.set(api.COLOUR_STYLE, api.COLOUR_BASIC)
    properties.set(api.COLOUR_CONFIGURATIONS, CONFIGURATION)
    properties.set(api.WITHOUT_NEIGHBOURS, "true" if _needs_no_neighbours(kind) else "false")
    if _makes_matte(kind):
        properties.set(api.SLAVE_PARAMETERS, MATTE_OUTPUT)
    return api.OK


def _needs_no_neighbours(kind: type[Node]) -> bool:
    """Tell whether a host may bake the effect into a table of colours: one picture in, each pixel by itself."""
    return kind.pixelwise and [port.kind for port in kind.inputs().values()] == ["picture"] and not _makes_matte(kind)


def _makes_matte(kind: type[Node]) -> bool:
    return kind.output().kind == "matte"


def _properties(suites: Suites, getter: Any, *arguments: Any) -> Properties:
    found = ctypes.c_void_p()
    check(getter(*arguments, ctypes.byref(found)), "a property set")
    return Properties(suites, found.value)


def _description(kind: type[Node]) -> str:
    parts = [kind.help()]
    masks = [clip for clip in clips_of(kind) if clip.is_mask and not kind.inputs()[clip.port].optional]
    if masks:
        parts.append("Without a matte, the alpha of Source is taken.")
    if _makes_matte(kind):
        parts.append("Makes a matte: see Matte output for where it goes.")
    return " ".join(parts)


def _is_temporal(kind: type[Node]) -> bool:
    return any(kind().frames_needed())


def describe_in_context(suites: Suites, handle: int, kind: type[Node]) -> int:
    """Tell the host the clips and controls of an effect."""
    for clip in clips_of(kind):
        properties = _properties(suites, suites.effect.clip_define, handle, clip.name)
        properties.set(api.LABEL, words(clip.port) if clip.name != b"Source" else "Source")
        properties.set(api.SUPPORTED_COMPONENTS, *clip.components, needed=True)
        properties.set(api.OPTIONAL, not clip.needed)
        properties.set(api.IS_MASK, clip.is_mask)
        properties.set(api.TILES, kind.pixelwise)
        properties.set(api.TEMPORAL, _is_temporal(kind))
    properties = _properties(suites, suites.effect.clip_define, handle, OUTPUT)
    properties.set(api.SUPPORTED_COMPONENTS, api.RGBA, api.RGB, api.ALPHA, needed=True)
    properties.set(api.TILES, kind.pixelwise)
    _define_controls(suites, handle, kind)
    return api.OK


def _define_controls(suites: Suites, handle: int, kind: type[Node]) -> None:
    found = ctypes.c_void_p()
    check(suites.effect.get_param_set(handle, ctypes.byref(found)), "its controls")
    controls, made = found.value, ctypes.c_void_p()
    for control in controls_of(kind, suites.curve is not None):
        status = suites.parameter.define(controls, control.ofx_type, control.name.encode(), ctypes.byref(made))
        if status != api.OK and control.type in ("Page", "Group", "PushButton"):
            continue  # the effect works without
        check(status, f"the control {control.name}")
        properties = Properties(suites, made.value)
        for name, values in control.properties.items():
            properties.set(name, *values)


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
    if not node.is_identity():
        return api.REPLY_DEFAULT
    answer.set(api.NAME, instance.source)
    answer.set(api.TIME, time)
    return api.OK


def get_clip_preferences(instance: Instance, arguments: Properties | None, answer: Properties) -> int:
    """Say what the output holds where that is not what Source holds, and which colour space is wanted."""
    status = api.REPLY_DEFAULT
    if _makes_matte(instance.kind):
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
    if _makes_matte(instance.kind) and not _matte_in_alpha(instance):
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
    is_user = arguments.string(api.CHANGE_REASON, b"") == api.USER_EDITED
    if not is_user or arguments.string(api.TYPE, b"") != api.TYPE_PARAMETER:
        return api.REPLY_DEFAULT
    action = instance.kind.actions().get(arguments.string(api.NAME, b"").decode())
    if action is None:
        return api.REPLY_DEFAULT
    time = arguments.double(api.TIME, 0, 0.0)
    with instance.progress(f"{instance.kind.label}: {action.label}"), whole_inputs(instance, time, arguments) as at:
        node, frame, inputs = at
        asked = asked_values(instance.kind, instance.getter(time), frame)
        changed, report = action.run(node, asked, **inputs)
    with instance.one_edit(action.label):
        for name, param in instance.kind.params().items():
            value = getattr(changed, name)
            if value != getattr(node, name):
                instance.set_control(name, control_value(param, value, frame))
        instance.set_control(REPORT, report)
    return api.OK


def render_action(instance: Instance, arguments: Properties, answer: Properties | None) -> int:
    """Render."""
    return render(instance, arguments)


def purge(instance: Instance, arguments: Properties | None, answer: Properties | None) -> int:
    """Give all memory back that could be made again: pixels lent and results, tables, drawings, what was learned."""
    SCRATCH.clear()
    instance.forget_node()
    for name, module in list(sys.modules.items()):
        if name.startswith(_KEEPING):
            for value in list(vars(module).values()):
                if callable(getattr(value, "cache_clear", None)):
                    value.cache_clear()
    memory.RESULTS.clear()
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
    # What is wrong will show, and be told, at work.
    with instance.progress(words), contextlib.suppress(Exception), helped(instance.kind.name):
        result = first_use(instance.kind)
        if result.ndim == 2:
            planes.spread(result, np.empty((*result.shape, 4), np.float32))
        if any(clip.kind == "matte" for clip in instance.clips):
            planes.plane_of(np.zeros((1, 1, 4), np.float32))
        marker.touch()


_prepared: set[str] = set()


# --- from C and back ----------------------------------------------------------------------------------------


class Dispatcher:
    """Answers the actions of one bundle. Whatever happens inside ends as a status and a message."""

    def __init__(self, kinds: Sequence[type[Node] | None]) -> None:
        self.kinds = kinds
        self.suites: dict[int, Suites] = {}
        self.instances: dict[int, Instance] = {}

    def __call__(
        self,
        slot: int,
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
            status[0] = self._answer(kind, action, handle or 0, given, answer, host or 0)
        except BaseException as error:  # nothing may reach the host, KeyboardInterrupt and SystemExit neither
            status[0] = self._explain(kind, handle or 0, host or 0, error)

    def _answer(
        self, kind: type[Node] | None, action: bytes, handle: int, given: int | None, answer: int | None, host: int
    ) -> int:
        if action == api.UNLOAD:
            return api.OK
        if action == api.LOAD or host not in self.suites:
            self.suites[host] = Suites(host)  # anew at every load: a host may have made other suites
        suites = self.suites[host]
        suites.require()
        if kind is None:
            raise OpenFXError("Inkarnat no longer has this effect: build the bundle again with `inkarnat openfx`.")
        if action == api.LOAD:
            return api.OK
        if action == api.DESCRIBE:
            return describe(suites, handle, kind)
        if action == api.DESCRIBE_IN_CONTEXT:
            return describe_in_context(suites, handle, kind)
        if action == api.CREATE:
            instance = Instance(suites, handle, kind)
            prepare(instance)
            self.instances[handle] = instance
            return api.OK
        if action == api.DESTROY:
            return api.OK if self.instances.pop(handle, None) else api.BAD_HANDLE
        if action not in ACTIONS:
            return api.REPLY_DEFAULT
        return self._on_instance(suites, action, handle, given, answer)

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


_kept: list[Any] = []


def attach(link_address: int, resources: str, nodes: Mapping[str, type[Node]] = NODES) -> None:
    """Hand the dispatcher to the launcher, which calls this once when it has started Python.

    :param link_address: where the launcher's ``Link`` lies. :param resources: the bundle's folder of that name.
    :param nodes: the nodes by id; ``launch.cfg`` says which plug-in is which.
    """
    link = api.Link.from_address(link_address)
    if link.layout != api.LAYOUT:
        raise OpenFXError("The bundle and Inkarnat are of different versions: build it again with `inkarnat openfx`.")
    by_id = {identifier(kind): kind for kind in nodes.values()}
    configuration = Path(resources, "launch.cfg").read_text(encoding="utf-8")
    plugins = configuration_lines(configuration).get("plugin", [])
    callback = api.Dispatch(Dispatcher([by_id.get(line.split()[0]) for line in plugins]))
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
