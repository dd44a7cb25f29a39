"""Suites and property sets of a host, with errors instead of statuses."""

from __future__ import annotations

import ctypes
from typing import Any

from ...kernels.errors import InkarnatError
from . import api

_STATUS_WORDS = {
    api.FAILED: "it failed",
    api.FATAL: "a fatal error",
    api.UNKNOWN: "it is unknown",
    api.MISSING_HOST_FEATURE: "the host lacks a feature",
    api.UNSUPPORTED: "it is not supported",
    api.EXISTS: "it exists already",
    api.FORMAT: "a wrong format",
    api.MEMORY: "there is not enough memory",
    api.BAD_HANDLE: "a wrong handle",
    api.BAD_INDEX: "a wrong index",
    api.BAD_VALUE: "a wrong value",
}


class OpenFXError(InkarnatError):
    """The host did not do what the standard promises; carries the status with which the action ends."""

    def __init__(self, message: str, status: int = api.FAILED) -> None:
        super().__init__(message)
        self.status = status


def check(status: int, what: str) -> None:
    """Raise OpenFXError where a call of the host did not end well."""
    if status != api.OK:
        words = _STATUS_WORDS.get(status, f"status {status}")
        raise OpenFXError(f"The host refused {what}: {words}.", status if status > 0 else api.FAILED)


class Suites:
    """Every suite that the host offers and the effects use; None for those it lacks."""

    def __init__(self, host: int) -> None:
        if not host:
            raise OpenFXError("The host did not introduce itself before it loaded the effects.", api.FATAL)
        self.host = api.Host.from_address(host)
        self.property = self._find(b"OfxPropertySuite", 1, api.PropertySuite)
        self.effect = self._find(b"OfxImageEffectSuite", 1, api.EffectSuite)
        self.parameter = self._find(b"OfxParameterSuite", 1, api.ParameterSuite)
        self.message2 = self._find(b"OfxMessageSuite", 2, api.MessageSuite)
        self.message = self.message2 or self._find(b"OfxMessageSuite", 1, api.MessageSuite)
        self.progress2 = self._find(b"OfxProgressSuite", 2, api.ProgressSuite2)
        self.progress1 = None if self.progress2 else self._find(b"OfxProgressSuite", 1, api.ProgressSuite1)
        self.draw = self._find(b"OfxDrawSuite", 1, api.DrawSuite)
        self.interact = self._find(b"OfxInteractSuite", 1, api.InteractSuite)
        self.threads = self._find(b"OfxMultiThreadSuite", 1, api.ThreadSuite)
        self.curve = self._find(b"OfxParametricParameterSuite", 1, api.CurveSuite)

    @property
    def keeps_words(self) -> bool:
        """Whether the host has choices of which a project keeps the word."""
        properties = self.host.properties
        return bool(properties and Properties(self, properties).whole(b"OfxParamHostPropSupportsStrChoice", 0, 0))

    def most_threads(self) -> int:
        """Return how many threads the host lets an effect use, 0 where it does not say."""
        count = ctypes.c_uint()
        if self.threads is None or self.threads.count(ctypes.byref(count)) != api.OK:
            return 0
        return count.value

    def _find(self, name: bytes, version: int, layout: Any) -> Any:
        address = self.host.fetch_suite(self.host.properties, name, version)
        return layout.from_address(address) if address else None


class Properties:
    """A property set of the host."""

    __slots__ = ("handle", "suite")

    def __init__(self, suites: Suites, handle: int | None) -> None:
        if not handle:
            raise OpenFXError("The host gave no property set where the standard asks for one.", api.BAD_HANDLE)
        self.suite, self.handle = suites.property, handle

    def _get(self, getter: Any, box: Any, name: bytes, index: int, default: Any) -> Any:
        status = getter(self.handle, name, index, ctypes.byref(box))
        if status == api.OK:
            return box.value
        if default is None:
            check(status, f"the property {name.decode()}")
        return default

    def whole(self, name: bytes, index: int = 0, default: int | None = None) -> int:
        """Return a whole number; the default where the host has none, OpenFXError where there is no default."""
        value: int = self._get(self.suite.get_int, ctypes.c_int(), name, index, default)
        return value

    def double(self, name: bytes, index: int = 0, default: float | None = None) -> float:
        """Return a number."""
        value: float = self._get(self.suite.get_double, ctypes.c_double(), name, index, default)
        return value

    def string(self, name: bytes, default: bytes | None = None) -> bytes:
        """Return a text."""
        value: bytes | None = self._get(self.suite.get_string, ctypes.c_char_p(), name, 0, default)
        return value or default or b""

    def pointer(self, name: bytes) -> int:
        """Return an address, 0 where it is null."""
        value: int | None = self._get(self.suite.get_pointer, ctypes.c_void_p(), name, 0, None)
        return value or 0

    def wholes(self, name: bytes, count: int) -> tuple[int, ...]:
        """Return several whole numbers."""
        box = (ctypes.c_int * count)()
        check(self.suite.get_ints(self.handle, name, count, box), f"the property {name.decode()}")
        return tuple(box)

    def doubles(self, name: bytes, count: int) -> tuple[float, ...]:
        """Return several numbers."""
        box = (ctypes.c_double * count)()
        check(self.suite.get_doubles(self.handle, name, count, box), f"the property {name.decode()}")
        return tuple(box)

    def set(self, name: bytes, *values: bytes | str | float | int, needed: bool = False) -> bool:
        """Set a property, and tell whether the host took all of it; the Python type decides which kind it is.

        Raises OpenFXError for a refusal only where needed.

        Hosts of older versions of the standard lack properties of newer ones; the effects can do without most.
        """
        taken = True
        for index, value in enumerate(values):
            if isinstance(value, str):
                value = value.encode()
            if isinstance(value, bytes):
                status = self.suite.set_string(self.handle, name, index, value)
            elif isinstance(value, float):
                status = self.suite.set_double(self.handle, name, index, value)
            else:
                status = self.suite.set_int(self.handle, name, index, int(value))
            if needed:
                check(status, f"the property {name.decode()}")
            taken = taken and status == api.OK
        return taken
