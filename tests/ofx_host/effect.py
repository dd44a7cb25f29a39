"""Effects of a host: described once, then as instances with clips, images and values of controls."""

from __future__ import annotations

import ctypes
import itertools
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import rules
from .host import BAD_VALUE, EXISTS, OK, UNKNOWN, Host, HostStatus, PropertySet, Texts
from .images import HostImage

Picture = NDArray
"""Pixels (rows, columns, components), the lowest row first."""

_SIZES = {"OfxParamTypeDouble2D": 2, "OfxParamTypeDouble3D": 3, "OfxParamTypeRGB": 3}
_WHOLE = ("OfxParamTypeInteger", "OfxParamTypeBoolean", "OfxParamTypeChoice")
_TEXTS = ("OfxParamTypeString", "OfxParamTypeStrChoice")


class Control:
    """A control: its description and, in an instance, its value, which may be a function of time."""

    def __init__(self, host: Host, type_: str, name: str) -> None:
        self.host, self.type, self.name = host, type_, name
        writable = rules.PARAM_BY_TYPE[type_]
        self.properties = PropertySet(
            f"{type_} {name}", {"OfxParamPropType": (type_,), "OfxPropName": (name,)}, writable
        )
        self.properties_handle = host.handle(self.properties)
        self.handle: int | None = None
        self.value: Any = None
        self.keys: dict[float, Any] = {}
        self._texts = Texts()

    def first(self, suffix: str, default: Any = None) -> Any:
        return self.properties.values.get(f"OfxParamProp{suffix}", (default,))[0]

    def default(self, size: tuple[float, float]) -> Any:
        values = self.properties.values.get("OfxParamPropDefault")
        if self.type in rules.WITHOUT_VALUE:
            return None
        if self.type == "OfxParamTypeParametric":
            return ((0.0, 0.0), (1.0, 1.0))
        if values is None:
            values = ("",) if self.type == "OfxParamTypeString" else (0,) * _SIZES.get(self.type, 1)
        if self.first("DefaultCoordinateSystem") == "OfxParamCoordinatesNormalised":
            return tuple(v * side for v, side in zip(values, size, strict=True))
        return values[0] if len(values) == 1 else values

    def at(self, time: float | None) -> Any:
        if self.keys:
            return self._between_keys(time or 0.0)
        return self.value(time or 0.0) if callable(self.value) else self.value

    def _between_keys(self, time: float) -> Any:
        """Straight lines between keyframes; whole numbers and texts hold the one before."""
        earlier = max((t for t in self.keys if t <= time), default=min(self.keys))
        later = min((t for t in self.keys if t >= time), default=max(self.keys))
        first, last = self.keys[earlier], self.keys[later]
        if earlier == later or self.type in (*_WHOLE, *_TEXTS):
            return first
        part = min(max((time - earlier) / (later - earlier), 0.0), 1.0)
        if isinstance(first, tuple):
            return tuple(a + (b - a) * part for a, b in zip(first, last, strict=True))
        return first + (last - first) * part

    def read(self, time: float | None, targets: tuple) -> None:
        if self.type in rules.WITHOUT_VALUE:
            raise HostStatus(UNKNOWN, f"{self.name} has no value to read")
        value = self.at(time)
        if self.type in _TEXTS:
            ctypes.c_void_p.from_address(targets[0]).value = self._texts.address(value)
            return
        box = ctypes.c_int if self.type in _WHOLE else ctypes.c_double
        values = value if isinstance(value, tuple) else (value,)
        for target, number in zip(targets, values, strict=False):
            box.from_address(target).value = number

    def write(self, whole: tuple, doubles: tuple, time: float | None = None) -> None:
        """Take a value: for all times, or as a keyframe."""
        if self.type in rules.WITHOUT_VALUE:
            raise HostStatus(UNKNOWN, f"{self.name} has no value to set")
        if time is not None and not self.first("Animates", 1):
            raise HostStatus(UNKNOWN, f"{self.name} does not animate")
        size = _SIZES.get(self.type, 1)
        if self.type in _TEXTS:
            value: Any = ctypes.string_at(whole[0]).decode()
            if self.type == "OfxParamTypeStrChoice" and value not in self.properties.values["OfxParamPropChoiceEnum"]:
                raise HostStatus(BAD_VALUE, f"{self.name} has no option {value!r}")
        elif self.type in _WHOLE:
            value = ctypes.c_int(whole[0] or 0).value
        else:
            value = tuple(doubles[:size]) if size > 1 else doubles[0]
        if time is None and not self.keys:
            self.value = value
        else:
            self.keys[time or 0.0] = value
        self.host.edits.append(f"set {self.name}" + ("" if time is None else f" at {time:g}"))

    def forget_keys(self) -> None:
        """Take every keyframe away; the value of the first stays."""
        if self.keys:
            self.value = self.keys[min(self.keys)]
            self.keys.clear()

    def curve_points(self) -> tuple:
        if self.type != "OfxParamTypeParametric":
            raise HostStatus(UNKNOWN, f"{self.name} is no curve")
        return tuple(self.value)

    def check(self, known: dict[str, Control]) -> list[str]:
        """Return what is wrong with the description."""
        wrong = []
        values = self.properties.values
        if not values.get("OfxPropLabel", ("",))[0]:
            wrong.append(f"{self.name} has no label")
        parent = self.first("Parent", "")
        if parent and (parent not in known or known[parent].type != "OfxParamTypeGroup"):
            wrong.append(f"{self.name} lies in {parent}, which is no group")
        controls = {name for name, c in known.items() if c.type not in ("OfxParamTypeGroup", "OfxParamTypePage")}
        shown = values.get("OfxParamPropPageChild", ())
        wrong += [f"the page shows {child}, which is no control" for child in shown if child not in controls]
        if self.type == "OfxParamTypeChoice":
            count = len(values.get("OfxParamPropChoiceOption", ()))
            if not 0 <= self.first("Default", 0) < count:
                wrong.append(f"{self.name} has {count} options, its default is {self.first('Default')}")
        if self.type == "OfxParamTypeStrChoice":
            words = values.get("OfxParamPropChoiceEnum", ())
            if len(set(words)) != len(values.get("OfxParamPropChoiceOption", ())):
                wrong.append(f"{self.name} has not one word for each option")
            if self.first("Default") not in words:
                wrong.append(f"{self.name} has no option {self.first('Default')!r}")
        return wrong + self._check_range()

    def _check_range(self) -> list[str]:
        values = self.properties.values
        ends = {
            word: values.get(f"OfxParamProp{word}") for word in ("Min", "DisplayMin", "Default", "DisplayMax", "Max")
        }
        if self.first("DefaultCoordinateSystem"):
            return []
        wrong = []
        for low, high in itertools.combinations([word for word, end in ends.items() if end], 2):
            if {low, high} & {"DisplayMin", "DisplayMax"} and "Default" in (low, high):
                continue  # a slider need not reach the default
            if any(a > b for a, b in zip(ends[low], ends[high], strict=True)):
                wrong.append(f"{self.name}: {low} {ends[low]} lies above {high} {ends[high]}")
        size = _SIZES.get(self.type, 1)
        wrong += [f"{self.name}: {word} has {len(e)} values" for word, e in ends.items() if e and len(e) != size]
        return wrong


class Controls:
    """The controls of a description or of an instance."""

    def __init__(self, host: Host) -> None:
        self.host = host
        self.by_name: dict[str, Control] = {}
        self.handle = host.handle(self)

    def define(self, type_: str, name: str) -> int:
        if type_ not in rules.PARAM_BY_TYPE:
            raise HostStatus(UNKNOWN, f"there is no type of control {type_}")
        if type_ == "OfxParamTypeParametric" and "OfxParametricParameterSuite" in self.host.missing:
            raise HostStatus(UNKNOWN, "a curve was defined, although this host has none")
        if type_ == "OfxParamTypeStrChoice" and not self.host.words:
            raise HostStatus(UNKNOWN, "a choice by word was defined, although this host has none")
        if name in self.by_name:
            raise HostStatus(EXISTS, f"the control {name} was defined twice")
        control = self.by_name[name] = Control(self.host, type_, name)
        return control.properties_handle


class ClipSide:
    """A clip: its description and, in an instance, the images that it gives by time."""

    def __init__(self, host: Host, name: str, properties: PropertySet) -> None:
        self.host, self.name, self.properties = host, name, properties
        self.handle = host.handle(self)
        self.properties_handle = host.handle(properties)
        self.images: Callable[[float], HostImage | None] = lambda time: None
        self.asked: list[float] = []
        self.scale = 1.0

    def image_at(self, time: float) -> HostImage | None:
        self.asked.append(time)
        return self.images(time)

    def region_at(self, time: float) -> tuple[float, ...] | None:
        image = self.images(time)
        if image is None:
            return None
        x, y = image.aspect / self.scale, 1 / self.scale
        return tuple(v * unit for v, unit in zip(image.region, (x, y, x, y), strict=True))


class EffectSide:
    """What a handle of an effect leads to: a description or an instance."""

    def __init__(self, host: Host, properties: PropertySet) -> None:
        self.host, self.properties = host, properties
        self.handle = host.handle(self)
        self.properties_handle = host.handle(properties)
        self.controls = Controls(host)
        self.controls_handle = self.controls.handle
        self.clips: dict[str, ClipSide] = {}

    def define_clip(self, name: str) -> int:
        if name in self.clips:
            raise HostStatus(EXISTS, f"the clip {name} was defined twice")
        self.clips[name] = ClipSide(self.host, name, PropertySet(f"clip {name}", {}, rules.CLIP_DESCRIPTOR))
        return self.clips[name].properties_handle


class Effect:
    """One effect of a bundle, loaded and described in each of its contexts."""

    def __init__(self, host: Host, library: Any, record: Any, name: str) -> None:
        self.host, self.library, self.record = host, library, record
        self.identifier: str = record.identifier.decode()
        self.name = name
        self.load_status = self.call("OfxActionLoad")
        self.contexts: dict[str, EffectSide] = {}
        if self.load_status == OK:
            self._describe()

    def call(
        self, action: str, handle: int = 0, given: PropertySet | None = None, answer: PropertySet | None = None
    ) -> int:
        """Call the plug-in's entry point."""
        # A library is one in a process, however often it is opened: other hosts of these tests share it.
        self.record.set_host(ctypes.addressof(self.host.record))
        sets = [given, answer]
        handles = [None if s is None else self.host.handle(s) for s in sets]
        try:
            status: int = self.record.main_entry(action.encode(), handle, *handles)
        finally:
            for number in filter(None, handles):
                self.host.forget(number)
        if self.host.images_out and "Render" in action and "Sequence" not in action and not self.threads:
            self.host.complain(f"{self.name} kept {len(self.host.images_out)} images after {action}")
            self.host.images_out.clear()
        return status

    threads = False
    """Whether several threads render at once: images of others are then still out."""

    def _describe(self) -> None:
        description = EffectSide(self.host, PropertySet("effect descriptor", {}, rules.EFFECT_DESCRIPTOR))
        status = self.call("OfxActionDescribe", description.handle)
        self.description = description.properties.values
        if status != OK:
            self.host.complain(f"{self.name}: describe ended with {status}")
            return
        for needed in ("SupportedContexts", "SupportedPixelDepths"):
            if not self.description.get(f"OfxImageEffectProp{needed}"):
                self.host.complain(f"{self.name} names no {needed}")
        for context in self.description["OfxImageEffectPropSupportedContexts"]:
            side = EffectSide(self.host, PropertySet("effect descriptor", {}, rules.EFFECT_DESCRIPTOR))
            given = PropertySet("in arguments", {"OfxImageEffectPropContext": (context,)})
            status = self.call("OfxImageEffectActionDescribeInContext", side.handle, given)
            if status != OK:
                self.host.complain(f"{self.name}: describe in {context} ended with {status}")
            self._check_description(context, side)
            self.contexts[context] = side

    def _check_description(self, context: str, side: EffectSide) -> None:
        for control in side.controls.by_name.values():
            for text in control.check(side.controls.by_name):
                self.host.complain(f"{self.name}: {text}")
        for name in ("Source", "Output"):
            if name not in side.clips:
                self.host.complain(f"{self.name} has no clip {name}")
        for name, clip in side.clips.items():
            if not clip.properties.values.get("OfxImageEffectPropSupportedComponents"):
                self.host.complain(f"{self.name}: the clip {name} supports no components")
            optional = clip.properties.values.get("OfxImageClipPropOptional", (0,))[0]
            if context.endswith("Filter") and name not in ("Source", "Output") and not optional:
                self.host.complain(f"{self.name}: a filter cannot insist on {name}")

    def instance(self, **options: Any) -> Instance:
        """Make an instance in the effect's first context."""
        return Instance(self, **options)


@dataclass
class Stage:
    """What a render works with: images by clip, the output, and how it is asked for."""

    output: HostImage
    clips: dict[str, HostImage | Callable[[float], HostImage | None] | None] = field(default_factory=dict)
    window: tuple[int, int, int, int] | None = None
    scale: float = 1.0
    field: str = "OfxFieldNone"
    time: float = 0.0


class Instance(EffectSide):
    """An instance of an effect."""

    def __init__(
        self,
        effect: Effect,
        context: str | None = None,
        size: tuple[float, float] = (64.0, 48.0),
        style: str = "",
        like: Instance | None = None,
    ) -> None:
        """Make an instance; with the values of another one, as a host opens a project or pastes an effect."""
        context = context or next(iter(effect.contexts))
        described = effect.contexts[context]
        values = {
            "OfxPropType": ("OfxTypeImageEffectInstance",),
            "OfxImageEffectPropContext": (context,),
            "OfxImageEffectPropProjectSize": (float(size[0]), float(size[1])),
            "OfxImageEffectPropProjectOffset": (0.0, 0.0),
            "OfxImageEffectPropProjectExtent": (float(size[0]), float(size[1])),
            "OfxImageEffectPropPixelAspectRatio": (1.0,),
        }
        if style:
            values["OfxImageEffectPropColourManagementStyle"] = (style,)
            values["OfxImageEffectPropColourManagementConfig"] = (rules.name("kOfxConfigIdentifier"),)
        super().__init__(effect.host, PropertySet("effect instance", values, {"OfxPropInstanceData": ("pointer", 1)}))
        self.effect, self.size = effect, size
        self.spaces: dict[str, str] = {}
        for name, control in described.controls.by_name.items():
            copy = self.controls.by_name[name] = Control(self.host, control.type, name)
            copy.properties.values = dict(control.properties.values)
            if self.host.has_handles and copy.properties.values.get("kOfxParamPropUseHostOverlayHandle") == (1,):
                copy.properties.values["OfxParamPropHasHostOverlayHandle"] = (1,)
            copy.properties.writable = rules.INSTANCE_PARAM
            copy.handle = self.host.handle(copy)
            copy.value = copy.default(size)
            if like is not None:
                copy.value, copy.keys = like.controls.by_name[name].value, dict(like.controls.by_name[name].keys)
        for name in described.clips:
            self.clips[name] = ClipSide(self.host, name, PropertySet(f"clip {name} instance"))
        self.status = effect.call("OfxActionCreateInstance", self.handle)

    def __setitem__(self, name: str, value: Any) -> None:
        self.controls.by_name[name].value = value

    def __getitem__(self, name: str) -> Any:
        return self.controls.by_name[name].value

    def connect(self, clips: dict[str, Any], scale: float = 1.0) -> None:
        """Connect clips: an image for all times, a function of time, or None."""
        for name, clip in self.clips.items():
            given = clips.get(name)
            clip.images = given if callable(given) else (lambda time, image=given: image)
            clip.scale = scale
            values: dict[str, tuple] = {
                "OfxPropType": ("OfxTypeClip",),
                "OfxImageClipPropConnected": (int(given is not None),),
            }
            if isinstance(given, HostImage):
                values["OfxImageEffectPropPixelDepth"] = (given.depth,)
                values["OfxImageEffectPropComponents"] = (given.components,)
            if name in self.spaces:
                values["OfxImageClipPropColourspace"] = (self.spaces[name],)
            if callable(given):
                values["OfxImageEffectPropFrameRange"] = (0.0, 4.0)
            clip.properties.values = values

    def arguments(self, stage: Stage) -> PropertySet:
        return PropertySet(
            "in arguments",
            {
                "OfxPropTime": (float(stage.time),),
                "OfxImageEffectPropFieldToRender": (stage.field,),
                "OfxImageEffectPropRenderWindow": stage.window or stage.output.bounds,
                "OfxImageEffectPropRenderScale": (float(stage.scale), float(stage.scale)),
                "OfxImageEffectPropRegionOfInterest": tuple(float(v) for v in stage.window or stage.output.bounds),
            },
        )

    def render(self, stage: Stage) -> int:
        """Render; the output holds the result."""
        self.connect({**stage.clips, "Output": stage.output}, stage.scale)
        return self.render_again(stage)

    def render_again(self, stage: Stage) -> int:
        """Render without connecting anything anew."""
        status = self.effect.call("OfxImageEffectActionRender", self.handle, self.arguments(stage))
        if not stage.output.is_sound():
            self.host.complain(f"{self.effect.name} wrote outside its image")
        return status

    def ask(self, action: str, stage: Stage) -> tuple[int, dict[str, tuple]]:
        """Call an action that answers in properties."""
        full = f"OfxImageEffectAction{action}"
        answer = PropertySet("out arguments", {}, rules.OUT_ARGUMENTS[full])
        status = self.effect.call(full, self.handle, self.arguments(stage), answer)
        return status, answer.values

    def press(
        self, button: str, stage: Stage, reason: str = "OfxChangeUserEdited", kind: str = "OfxTypeParameter"
    ) -> int:
        """Press a button, or tell the effect that a control, or by its kind a clip, has changed."""
        self.connect({**stage.clips, "Output": stage.output}, stage.scale)
        given = PropertySet(
            "in arguments",
            {
                "OfxPropType": (kind,),
                "OfxPropName": (button,),
                "OfxPropChangeReason": (reason,),
                "OfxPropTime": (float(stage.time),),
                "OfxImageEffectPropRenderScale": (float(stage.scale), float(stage.scale)),
            },
        )
        return self.effect.call("OfxActionInstanceChanged", self.handle, given)

    def destroy(self) -> int:
        status = self.effect.call("OfxActionDestroyInstance", self.handle)
        self.host.forget(self.handle)
        return status


def blank(like: NDArray) -> NDArray:
    """Pixels of the same layout filled with something that no effect would write."""
    return np.full_like(like, 0.3125 if like.dtype.kind == "f" else 77)
