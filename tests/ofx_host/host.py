"""The host itself: suites over ctypes, handles, property sets, and a list of everything a plug-in does wrong."""

from __future__ import annotations

import ctypes
import traceback
from ctypes import CFUNCTYPE, Structure, c_char_p, c_double, c_int, c_size_t, c_uint, c_void_p
from pathlib import Path
from typing import Any

from . import rules

OK, FAILED, UNKNOWN, BAD_HANDLE, BAD_INDEX, BAD_VALUE, EXISTS, REPLY_DEFAULT = 0, 1, 3, 9, 10, 11, 6, 14

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
    """

    def __init__(self, missing: tuple[str, ...] = (), old: bool = False) -> None:
        _HOSTS.append(self)  # plug-ins keep pointers to it
        self.missing, self.old = missing, old
        self.complaints: list[str] = []
        self.messages: list[tuple[str, str, bool]] = []
        self.persistent: dict[int, tuple[str, str]] = {}
        self.progress: list[str] = []
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
        """Build a suite: member=(function, argument types…) or (None, argument types…) for what tests never use."""
        fields = [(member, CFUNCTYPE(_I, *types)) for member, (_, *types) in members.items()]
        layout = type(name, (Structure,), {"_fields_": fields})

        def unused() -> Any:
            raise HostStatus(FAILED, f"{name} was called where nobody expected it")

        functions = [
            type_(self._guarded(function or (lambda *_, n=name: unused())))
            for (_, type_), (function, *_) in zip(fields, members.values(), strict=True)
        ]
        return layout(*functions)

    def _fetch_suite(self, host: int, name: bytes, version: int) -> int | None:
        known = name.decode()
        if known in self.missing or f"{known} {version}" in self.missing:
            return None
        suite = self._suites.get((known, version))
        return ctypes.addressof(suite) if suite is not None else None

    # --- properties -----------------------------------------------------------------------------------------

    def _set(self, handle: int, name: bytes, index: int, type_: str, value: Any) -> None:
        properties = self.resolve(handle, PropertySet)
        text = name.decode()
        if self.old and ("Colour" in text or text.startswith("k") or "VersionLabel" in text):
            raise HostStatus(UNKNOWN)
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
        members |= {f"set_{t}": (setter(t), _P, _S, _I, argument[t]) for t in types}
        members |= {f"set_{t}_n": (setter_n(t), _P, _S, _I, _P) for t in types}
        members |= {f"get_{t}": (getter(t), _P, _S, _I, _P) for t in types}
        members |= {f"get_{t}_n": (getter_n(t), _P, _S, _I, _P) for t in types}

        def dimension(handle: int, name: bytes, address: int) -> None:
            c_int.from_address(address).value = len(self.resolve(handle, PropertySet).values[name.decode()])

        return self._suite("OfxPropertySuite", **members, reset=(None, _P, _S), dimension=(dimension, _P, _S, _P))

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
            "OfxImageEffectSuite",
            get_property_set=(get_property_set, _P, _P),
            get_param_set=(get_param_set, _P, _P),
            clip_define=(clip_define, _P, _S, _P),
            clip_get_handle=(clip_get_handle, _P, _S, _P, _P),
            clip_get_property_set=(clip_get_property_set, _P, _P),
            clip_get_image=(clip_get_image, _P, _D, _P, _P),
            clip_release_image=(clip_release_image, _P),
            clip_get_region=(clip_get_region, _P, _D, _P),
            abort=(abort, _P),
            memory_alloc=(None, _P, c_size_t, _P),
            memory_free=(None, _P),
            memory_lock=(None, _P, _P),
            memory_unlock=(None, _P),
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

        def edit_begin(controls: int, label: bytes) -> None:
            self.resolve(controls, Controls)
            self.edits.append(f"begin {label.decode()}")

        def edit_end(controls: int) -> None:
            if not self.edits or not self.edits[-1].startswith(("begin", "set")):
                raise HostStatus(FAILED, "an edit ended that had not begun")
            self.edits.append("end")

        return self._suite(
            "OfxParameterSuite",
            define=(define, _P, _S, _S, _P),
            get_handle=(get_handle, _P, _S, _P, _P),
            set_get_property_set=(None, _P, _P),
            get_property_set=(get_property_set, _P, _P),
            get_value=(get_value, _P, _P, _P, _P),
            get_value_at_time=(read, _P, _D, _P, _P, _P),
            get_derivative=(None, _P, _D),
            get_integral=(None, _P, _D, _D),
            set_value=(set_value, _P, _P, _P, _P, _D, _D, _D),
            set_value_at_time=(None, _P, _D),
            get_key_count=(None, _P, _P),
            get_key_time=(None, _P, c_uint, _P),
            get_key_index=(None, _P, _D, _I, _P),
            delete_key=(None, _P, _D),
            delete_all_keys=(None, _P),
            copy=(None, _P, _P, _D, _P),
            edit_begin=(edit_begin, _P, _S),
            edit_end=(edit_end, _P),
        )

    def _curve_suite(self) -> Any:
        from .effect import Control

        def point_count(handle: int, curve: int, time: float, out: int) -> None:
            c_int.from_address(out).value = len(self.resolve(handle, Control).curve_points())

        def point(handle: int, curve: int, time: float, index: int, x: int, y: int) -> None:
            pair = self.resolve(handle, Control).curve_points()[index]
            c_double.from_address(x).value, c_double.from_address(y).value = pair

        return self._suite(
            "OfxParametricParameterSuite",
            get_value=(None, _P, _I, _D, _D, _P),
            get_point_count=(point_count, _P, _I, _D, _P),
            get_point=(point, _P, _I, _D, _I, _P, _P),
            set_point=(None, _P, _I, _D, _I, _D, _D, _I),
            add_point=(None, _P, _I, _D, _D, _D, _I),
            delete_point=(None, _P, _I, _I),
            delete_all_points=(None, _P, _I),
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
            "OfxMessageSuite",
            message=(message, _P, _S, _S, _S, _S),
            set_persistent=(set_persistent, _P, _S, _S, _S, _S),
            clear_persistent=(clear_persistent, _P),
        )

    def _progress_suite(self, version: int) -> Any:
        def start(handle: int, label: bytes, *more: Any) -> None:
            if self.progress and self.progress[-1] != "end":
                raise HostStatus(FAILED, "a progress display began inside another")
            self.progress.append(label.decode())

        def end(handle: int) -> None:
            self.progress.append("end")

        more = (_S,) if version == 2 else ()
        return self._suite(
            "OfxProgressSuite", start=(start, _P, _S, *more), update=(lambda *_: OK, _P, _D), end=(end, _P)
        )

    def _memory_suite(self) -> Any:
        return self._suite("OfxMemorySuite", alloc=(None, _P, c_size_t, _P), free=(None, _P))

    def _thread_suite(self) -> Any:
        def count(out: int) -> None:
            c_uint.from_address(out).value = 2

        return self._suite(
            "OfxMultiThreadSuite",
            multi_thread=(None, _P, c_uint, _P),
            count=(count, _P),
            index=(None, _P),
            is_spawned=(lambda: 0,),
            create=(None, _P, _I),
            destroy=(None, _P),
            lock=(None, _P),
            unlock=(None, _P),
            try_lock=(None, _P),
        )

    def _time_suite(self) -> Any:
        return self._suite(
            "OfxTimeLineSuite", get_time=(None, _P, _P), go_to=(None, _P, _D), get_bounds=(None, _P, _P, _P)
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
            effects[record.identifier.decode()] = Effect(self, library, record)
        return effects
