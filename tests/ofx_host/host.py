"""The host itself: suites over ctypes, handles, property sets, and a list of everything a plug-in does wrong."""

from __future__ import annotations

import ctypes
import traceback
from ctypes import CFUNCTYPE, Structure, c_char_p, c_double, c_int, c_uint, c_void_p
from pathlib import Path
from typing import Any

from . import rules

_STATUS = rules.STANDARD["numbers"]
OK, FAILED, UNKNOWN, EXISTS = (_STATUS[f"kOfxStat{word}"] for word in ("OK", "Failed", "ErrUnknown", "ErrExists"))
BAD_HANDLE, BAD_INDEX, BAD_VALUE = (_STATUS[f"kOfxStatErr{word}"] for word in ("BadHandle", "BadIndex", "Value"))
REPLY_NO, REPLY_DEFAULT = _STATUS["kOfxStatReplyNo"], _STATUS["kOfxStatReplyDefault"]

_P, _S, _I, _D = c_void_p, c_char_p, c_int, c_double


_HOSTS: list[Any] = []
_TYPES = {rules.STRING: str, rules.INT: int, rules.DOUBLE: float}


class HostStatus(Exception):
    """Ends a call of the plug-in with a status; a complaint where it has a text."""

    def __init__(self, status: int, complaint: str = "") -> None:
        super().__init__(complaint)
        self.status, self.complaint = status, complaint


class HostRecord(Structure):
    _fields_ = (("host", _P), ("fetch_suite", CFUNCTYPE(_P, _P, _S, _I)))


class PluginRecord(Structure):
    _fields_ = (
        ("api", _S),
        ("api_version", _I),
        ("identifier", _S),
        ("major", c_uint),
        ("minor", c_uint),
        ("set_host", CFUNCTYPE(None, _P)),
        ("main_entry", CFUNCTYPE(_I, _S, _P, _P, _P)),
    )


class Texts:
    """Texts handed out by address. Each stays where it is, so that threads may read one at the same time."""

    def __init__(self) -> None:
        self._buffers: dict[str, Any] = {}

    def address(self, text: str) -> int:
        """Return the address of a text that ends with a zero byte."""
        buffer = self._buffers.setdefault(text, ctypes.create_string_buffer(text.encode()))
        return ctypes.addressof(buffer)


class PropertySet:
    """Properties by name. ``rules`` are those that the plug-in may write; all others can only be read."""

    def __init__(self, kind: str, values: dict[str, tuple] | None = None, writable: dict | None = None) -> None:
        self.kind, self.values, self.writable = kind, dict(values or {}), dict(writable or {})
        self._texts = Texts()

    def text_pointer(self, name: str, index: int) -> int:
        """Return the address of a text of a property."""
        return self._texts.address(self.values[name][index])


class Host:
    """A host. ``complaints`` lists what plug-ins did wrong; a test ends with none.

    :param missing: names of suites that this host lacks, with a version ("OfxMessageSuite 2") or all versions.
    :param old: whether it refuses properties of newer versions of the standard, as hosts of old versions do.
    :param words: whether it has choices of which a project keeps the word.
    """

    def __init__(self, missing: tuple[str, ...] = (), old: bool = False, words: bool = False) -> None:
        _HOSTS.append(self)  # plug-ins keep pointers to it
        self.missing, self.old, self.words = missing, old, words
        self.has_handles = False
        self.complaints: list[str] = []
        self.messages: list[tuple[str, str, bool]] = []
        self.persistent: dict[int, tuple[str, str]] = {}
        self.progress: list[str] = []
        self.shares: list[float] = []
        self.read: set[str] = set()
        self.written: set[str] = set()
        self.suites_asked: set[str] = set()
        self.cancel = lambda: False
        self.threads_allowed = 2
        self.edits: list[str] = []
        self.objects: dict[int, Any] = {}
        self.images_out: dict[int, Any] = {}
        self.abort = lambda: False
        self._next = 0x10000
        self.properties = PropertySet(
            "host",
            {
                "OfxPropName": ("org.inkarnat.tests",),
                "OfxPropLabel": ("Test host",),
                "OfxPropType": ("OfxTypeImageEffectHost",),
                "OfxPropAPIVersion": (1, 5),
                "OfxImageEffectPropSupportsTiles": (1,),
                **({"OfxParamHostPropSupportsStrChoice": (1,)} if words else {}),
            },
        )
        self._suites = {
            ("OfxPropertySuite", 1): self._property_suite(),
            ("OfxImageEffectSuite", 1): self._effect_suite(),
            ("OfxParameterSuite", 1): self._parameter_suite(),
            ("OfxMemorySuite", 1): self._memory_suite(),
            ("OfxMultiThreadSuite", 1): self._thread_suite(),
            ("OfxMessageSuite", 1): self._message_suite(),
            ("OfxMessageSuite", 2): self._message_suite(),
            ("OfxProgressSuite", 1): self._progress_suite(1),
            ("OfxProgressSuite", 2): self._progress_suite(2),
            ("OfxTimeLineSuite", 1): self._time_suite(),
            ("OfxParametricParameterSuite", 1): self._curve_suite(),
            ("OfxDrawSuite", 1): self._draw_suite(),
            ("OfxInteractSuite", 1): self._interact_suite(),
        }
        self.record = HostRecord(
            self.handle(self.properties), HostRecord._fields_[1][1](self._guarded(self._fetch_suite, fails_with=None))
        )

    # --- handles and guards ---------------------------------------------------------------------------------

    def handle(self, thing: Any) -> int:
        """Return a new handle for something."""
        self._next += 16
        self.objects[self._next] = thing
        return self._next

    def forget(self, handle: int) -> None:
        self.objects.pop(handle, None)

    def resolve(self, handle: int | None, kind: type) -> Any:
        thing = self.objects.get(handle or 0)
        if not isinstance(thing, kind):
            raise HostStatus(BAD_HANDLE, f"{handle} is no handle of a {kind.__name__}")
        return thing

    def complain(self, text: str) -> None:
        self.complaints.append(text)

    def _guarded(self, function: Any, fails_with: Any = FAILED) -> Any:
        def call(*arguments: Any) -> Any:
            try:
                result = function(*arguments)
                return OK if result is None and fails_with is not None else result
            except HostStatus as error:
                if error.complaint:
                    self.complain(error.complaint)
                return error.status
            except Exception:
                self.complain(traceback.format_exc())
                return fails_with

        return call

    def _suite(self, name: str, **members: tuple) -> Any:
        """Build a suite in the standard's own order: member=(function, argument types…); tests never use the others."""
        order = rules.STANDARD["suites"][name]
        assert set(members) <= set(order), f"{name} has no {set(members) - set(order)}"
        fields = [(member, CFUNCTYPE(_I, *members.get(member, ())[1:])) for member in order]
        layout = type(name, (Structure,), {"_fields_": fields})

        def unused(member: str) -> Any:
            raise HostStatus(FAILED, f"{name}.{member} was called where nobody expected it")

        functions = [
            type_(self._guarded(members[member][0] if member in members else (lambda *_, m=member: unused(m))))
            for member, type_ in fields
        ]
        return layout(*functions)

    def _fetch_suite(self, host: int, name: bytes, version: int) -> int | None:
        known = name.decode()
        self.suites_asked.add(known)
        if known in self.missing or f"{known} {version}" in self.missing:
            return None
        suite = self._suites.get((known, version))
        return ctypes.addressof(suite) if suite is not None else None

    _LATER = ("kOfxParamPropUseHostOverlayHandle", "OfxPropVersionLabel", "OfxImageEffectPropNoSpatialAwareness")
    """Properties of later versions of the standard that the headers date in words alone."""

    # --- properties -----------------------------------------------------------------------------------------

    def _set(self, handle: int, name: bytes, index: int, type_: str, value: Any) -> None:
        properties = self.resolve(handle, PropertySet)
        text = name.decode()
        if self.old and (rules.PROPERTIES.get(text, {}).get("introduced") or text in self._LATER):
            raise HostStatus(UNKNOWN)
        self.written.add(rules.general(text))
        known, rule = rules.rule(properties.writable, text)
        if rule is None:
            raise HostStatus(UNKNOWN, f"{text} may not be written in a {properties.kind}")
        if rule[0] != type_:
            raise HostStatus(BAD_VALUE, f"{text} is {rule[0]}, not {type_}")
        if index < 0 or (rule[1] and index >= rule[1]):
            raise HostStatus(BAD_INDEX, f"{text} has {rule[1]} values, not {index + 1}")
        allowed = rules.STRING_VALUES.get(known)
        if allowed and value not in allowed:
            raise HostStatus(BAD_VALUE, f"{text} may not be {value!r}")
        if text in rules.BOOLEANS and value not in (0, 1):
            raise HostStatus(BAD_VALUE, f"{text} is 0 or 1, not {value!r}")
        before = list(properties.values.get(text, ()))
        if index > len(before):
            raise HostStatus(BAD_INDEX, f"{text} {index} was set before {len(before)}")
        before[index : index + 1] = [value]
        properties.values[text] = tuple(before)

    def _get(self, handle: int, name: bytes, index: int, type_: str) -> Any:
        properties = self.resolve(handle, PropertySet)
        text = name.decode()
        self.read.add(rules.general(text))
        values = properties.values.get(text)
        if values is None:
            raise HostStatus(UNKNOWN)
        if not 0 <= index < len(values):
            raise HostStatus(BAD_INDEX)
        value = values[index]
        expected = c_void_p if type_ == rules.POINTER else _TYPES[type_]
        if not isinstance(value, expected):
            raise HostStatus(BAD_VALUE, f"{text} of a {properties.kind} is no {type_}")
        if type_ == rules.STRING:
            return properties.text_pointer(text, index)
        return value.value if type_ == rules.POINTER else value

    def _property_suite(self) -> Any:
        boxes = {rules.POINTER: c_void_p, rules.STRING: c_void_p, rules.DOUBLE: c_double, rules.INT: c_int}
        argument = {rules.POINTER: _P, rules.STRING: _S, rules.DOUBLE: _D, rules.INT: _I}

        def setter(type_: str) -> Any:
            def set_one(handle: int, name: bytes, index: int, value: Any) -> None:
                self._set(handle, name, index, type_, value.decode() if type_ == rules.STRING else value)

            return set_one

        def setter_n(type_: str) -> Any:
            def set_many(handle: int, name: bytes, count: int, address: int) -> None:
                for index, value in enumerate((argument[type_] * count).from_address(address)):
                    self._set(handle, name, index, type_, value.decode() if type_ == rules.STRING else value)

            return set_many

        def getter(type_: str) -> Any:
            def get_one(handle: int, name: bytes, index: int, address: int) -> None:
                boxes[type_].from_address(address).value = self._get(handle, name, index, type_)

            return get_one

        def getter_n(type_: str) -> Any:
            def get_many(handle: int, name: bytes, count: int, address: int) -> None:
                array = (boxes[type_] * count).from_address(address)
                for index in range(count):
                    array[index] = self._get(handle, name, index, type_)

            return get_many

        types = (rules.POINTER, rules.STRING, rules.DOUBLE, rules.INT)
        members: dict[str, tuple] = {}
        members |= {f"propSet{t.capitalize()}": (setter(t), _P, _S, _I, argument[t]) for t in types}
        members |= {f"propSet{t.capitalize()}N": (setter_n(t), _P, _S, _I, _P) for t in types}
        members |= {f"propGet{t.capitalize()}": (getter(t), _P, _S, _I, _P) for t in types}
        members |= {f"propGet{t.capitalize()}N": (getter_n(t), _P, _S, _I, _P) for t in types}

        def dimension(handle: int, name: bytes, address: int) -> None:
            values = self.resolve(handle, PropertySet).values.get(name.decode())
            if values is None:
                raise HostStatus(UNKNOWN)
            c_int.from_address(address).value = len(values)

        return self._suite("OfxPropertySuiteV1", **members, propGetDimension=(dimension, _P, _S, _P))

    # --- effects, clips, images -----------------------------------------------------------------------------

    def _effect_suite(self) -> Any:
        from .effect import ClipSide, EffectSide

        def put(address: int, value: int) -> None:
            c_void_p.from_address(address).value = value

        def get_property_set(effect: int, out: int) -> None:
            put(out, self.resolve(effect, EffectSide).properties_handle)

        def get_param_set(effect: int, out: int) -> None:
            put(out, self.resolve(effect, EffectSide).controls_handle)

        def clip_define(effect: int, name: bytes, out: int) -> None:
            put(out, self.resolve(effect, EffectSide).define_clip(name.decode()))

        def clip_get_handle(effect: int, name: bytes, out: int, properties: int | None) -> None:
            clip = self.resolve(effect, EffectSide).clips.get(name.decode())
            if clip is None:
                raise HostStatus(UNKNOWN)
            put(out, clip.handle)
            if properties:
                put(properties, clip.properties_handle)

        def clip_get_property_set(clip: int, out: int) -> None:
            put(out, self.resolve(clip, ClipSide).properties_handle)

        def clip_get_image(clip: int, time: float, region: int | None, out: int) -> None:
            image = self.resolve(clip, ClipSide).image_at(time)
            if image is None:
                raise HostStatus(FAILED)
            handle = self.handle(PropertySet("image", image.properties()))
            self.images_out[handle] = image
            put(out, handle)

        def clip_release_image(handle: int) -> None:
            if self.images_out.pop(handle, None) is None:
                raise HostStatus(BAD_HANDLE, "an image was released that was not fetched, or twice")
            self.forget(handle)

        def clip_get_region(clip: int, time: float, out: int) -> None:
            region = self.resolve(clip, ClipSide).region_at(time)
            if region is None:
                raise HostStatus(FAILED)
            (c_double * 4).from_address(out)[:] = region

        def abort(effect: int) -> int:
            self.resolve(effect, EffectSide)
            return int(self.abort())

        return self._suite(
            "OfxImageEffectSuiteV1",
            getPropertySet=(get_property_set, _P, _P),
            getParamSet=(get_param_set, _P, _P),
            clipDefine=(clip_define, _P, _S, _P),
            clipGetHandle=(clip_get_handle, _P, _S, _P, _P),
            clipGetPropertySet=(clip_get_property_set, _P, _P),
            clipGetImage=(clip_get_image, _P, _D, _P, _P),
            clipReleaseImage=(clip_release_image, _P),
            clipGetRegionOfDefinition=(clip_get_region, _P, _D, _P),
            abort=(abort, _P),
        )

    # --- controls -------------------------------------------------------------------------------------------

    def _parameter_suite(self) -> Any:
        from .effect import Control, Controls

        def put(address: int, value: int) -> None:
            c_void_p.from_address(address).value = value

        def define(controls: int, type_: bytes, name: bytes, out: int | None) -> None:
            handle = self.resolve(controls, Controls).define(type_.decode(), name.decode())
            if out:
                put(out, handle)

        def get_handle(controls: int, name: bytes, out: int, properties: int | None) -> None:
            control = self.resolve(controls, Controls).by_name.get(name.decode())
            if control is None:
                raise HostStatus(UNKNOWN)
            if control.handle is None:
                raise HostStatus(FAILED, "a control's handle was asked for while the effect was described")
            put(out, control.handle)
            if properties:
                put(properties, control.properties_handle)

        def get_property_set(control: int, out: int) -> None:
            put(out, self.resolve(control, Control).properties_handle)

        def read(handle: int, time: float | None, *targets: int) -> None:
            self.resolve(handle, Control).read(time, targets)

        def get_value(handle: int, *targets: int) -> None:
            read(handle, None, *targets)

        def set_value(handle: int, *given: Any) -> None:
            # Whole numbers and pointers travel in one kind of register, doubles in another.
            self.resolve(handle, Control).write(given[:3], given[3:])

        def set_value_at_time(handle: int, time: float, *given: Any) -> None:
            self.resolve(handle, Control).write(given[:3], given[3:], time)

        def delete_all_keys(handle: int) -> None:
            self.resolve(handle, Control).forget_keys()

        def edit_begin(controls: int, label: bytes) -> None:
            self.resolve(controls, Controls)
            self.edits.append(f"begin {label.decode()}")

        def edit_end(controls: int) -> None:
            if not self.edits or not self.edits[-1].startswith(("begin", "set")):
                raise HostStatus(FAILED, "an edit ended that had not begun")
            self.edits.append("end")

        return self._suite(
            "OfxParameterSuiteV1",
            paramDefine=(define, _P, _S, _S, _P),
            paramGetHandle=(get_handle, _P, _S, _P, _P),
            paramGetPropertySet=(get_property_set, _P, _P),
            paramGetValue=(get_value, _P, _P, _P, _P),
            paramGetValueAtTime=(read, _P, _D, _P, _P, _P),
            paramSetValue=(set_value, _P, _P, _P, _P, _D, _D, _D),
            paramSetValueAtTime=(set_value_at_time, _P, _D, _P, _P, _P, _D, _D, _D),
            paramDeleteAllKeys=(delete_all_keys, _P),
            paramEditBegin=(edit_begin, _P, _S),
            paramEditEnd=(edit_end, _P),
        )

    def _curve_suite(self) -> Any:
        from .effect import Control

        def point_count(handle: int, curve: int, time: float, out: int) -> None:
            c_int.from_address(out).value = len(self.resolve(handle, Control).curve_points())

        def point(handle: int, curve: int, time: float, index: int, x: int, y: int) -> None:
            pair = self.resolve(handle, Control).curve_points()[index]
            c_double.from_address(x).value, c_double.from_address(y).value = pair

        return self._suite(
            "OfxParametricParameterSuiteV1",
            parametricParamGetNControlPoints=(point_count, _P, _I, _D, _P),
            parametricParamGetNthControlPoint=(point, _P, _I, _D, _I, _P, _P),
        )

    # --- the small suites -----------------------------------------------------------------------------------

    def _message_suite(self) -> Any:
        def text_of(format_: bytes, argument: bytes | None) -> str:
            if b"%" not in format_:
                return format_.decode()
            if format_ != b"%s":
                raise HostStatus(FAILED, f"a message was posted with the format {format_!r}")
            return (argument or b"").decode()

        def message(handle: int, kind: bytes, id_: bytes, format_: bytes, argument: bytes) -> None:
            self.messages.append((kind.decode(), text_of(format_, argument), False))

        def set_persistent(handle: int, kind: bytes, id_: bytes, format_: bytes, argument: bytes) -> None:
            from .effect import Instance

            self.resolve(handle, Instance)
            self.persistent[handle] = (kind.decode(), text_of(format_, argument))
            self.messages.append((*self.persistent[handle], True))

        def clear_persistent(handle: int) -> None:
            self.persistent.pop(handle, None)

        return self._suite(
            "OfxMessageSuiteV2",
            message=(message, _P, _S, _S, _S, _S),
            setPersistentMessage=(set_persistent, _P, _S, _S, _S, _S),
            clearPersistentMessage=(clear_persistent, _P),
        )

    def _progress_suite(self, version: int) -> Any:
        def start(handle: int, label: bytes, *more: Any) -> None:
            if self.progress and self.progress[-1] != "end":
                raise HostStatus(FAILED, "a progress display began inside another")
            self.progress.append(label.decode())

        def update(handle: int, share: float) -> int:
            self.shares.append(share)
            return REPLY_NO if self.cancel() else OK

        def end(handle: int) -> None:
            self.progress.append("end")

        more = (_S,) if version == 2 else ()
        return self._suite(
            f"OfxProgressSuiteV{version}",
            progressStart=(start, _P, _S, *more),
            progressUpdate=(update, _P, _D),
            progressEnd=(end, _P),
        )

    def _memory_suite(self) -> Any:
        return self._suite("OfxMemorySuiteV1")

    def _thread_suite(self) -> Any:
        def count(out: int) -> None:
            c_uint.from_address(out).value = self.threads_allowed

        return self._suite(
            "OfxMultiThreadSuiteV1",
            multiThreadNumCPUs=(count, _P),
            multiThreadIsSpawnedThread=(lambda: 0,),
        )

    def _time_suite(self) -> Any:
        return self._suite("OfxTimeLineSuiteV1")

    # --- drawing over the picture ---------------------------------------------------------------------------

    def _draw_suite(self) -> Any:
        from .interact import Sheet

        def sheet(context: int) -> Any:
            return self.resolve(context, Sheet)

        def set_colour(context: int, rgba: int) -> None:
            sheet(context).colour = tuple((ctypes.c_float * 4).from_address(rgba))

        def set_width(context: int, width: float) -> None:
            sheet(context).width = width

        def draw(context: int, primitive: int, points: int, count: int) -> None:
            numbers = (c_double * (2 * count)).from_address(points)
            sheet(context).draw(primitive, list(zip(numbers[::2], numbers[1::2], strict=True)))

        def draw_text(context: int, text: bytes, position: int, alignment: int) -> None:
            x, y = (c_double * 2).from_address(position)
            sheet(context).write(text.decode(), (x, y), alignment)

        return self._suite(
            "OfxDrawSuiteV1",
            setColour=(set_colour, _P, _P),
            setLineWidth=(set_width, _P, ctypes.c_float),
            draw=(draw, _P, _I, _P, _I),
            drawText=(draw_text, _P, _S, _P, _I),
        )

    def _interact_suite(self) -> Any:
        from .interact import Interact

        def redraw(interact: int) -> None:
            self.resolve(interact, Interact).redraws += 1

        def get_property_set(interact: int, out: int) -> None:
            c_void_p.from_address(out).value = self.resolve(interact, Interact).properties_handle

        return self._suite(
            "OfxInteractSuiteV1",
            interactRedraw=(redraw, _P),
            interactGetPropertySet=(get_property_set, _P, _P),
        )

    # --- bundles --------------------------------------------------------------------------------------------

    def load(self, binary: Path) -> dict[str, Any]:
        """Load a bundle's binary, and return its effects by id, each described."""
        from .effect import Effect

        library = ctypes.CDLL(str(binary), mode=ctypes.RTLD_LOCAL)
        library.OfxGetPlugin.restype = ctypes.POINTER(PluginRecord)
        effects = {}
        for index in range(library.OfxGetNumberOfPlugins()):
            record = library.OfxGetPlugin(index).contents
            identifier = record.identifier.decode()
            # Of two major versions of one effect the first in the list is the newest.
            key = identifier if identifier not in effects else f"{identifier}_{record.major}"
            effects[key] = Effect(self, library, record, key.rpartition(".")[2])
        return effects
