"""Devices: where kernels work. A picture that lies on a device goes through its kernels of the same names.

Nodes do not know devices: they call the kernels that they always call, and :func:`on_devices` looks where the arrays
lie. A kernel that a device lacks works on the processor: numpy brings arrays over by itself.

A device is in use in a thread from :func:`use` on: pictures that come into being there are made or sent there.
"""

from __future__ import annotations

import contextlib
import functools
import os
import re
import threading
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from .errors import InkarnatError

PROCESSOR = "cpu"
VARIABLE = "INKARNAT_DEVICE"
"""The environment variable that names the device where nothing else does."""

Kernel = TypeVar("Kernel", bound=Callable[..., Any])


class DeviceError(InkarnatError, RuntimeError):
    """A device cannot be used, or cannot do what it is asked for."""


class DeviceNameError(InkarnatError, ValueError):
    """A device that does not exist."""


class OnDevice:
    """An array that lies on a device: a picture, float32 (H, W, 3 or 4), or a plane, float32 (H, W).

    It is never written to again. numpy's functions take it as an array, and bring it to the processor for that.
    """

    shape: tuple[int, ...]
    dtype = np.dtype(np.float32)
    device: Device

    @property
    def ndim(self) -> int:
        """Number of axes."""
        return len(self.shape)

    @property
    def nbytes(self) -> int:
        """Bytes of the array."""
        return int(np.prod(self.shape)) * 4

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        """Return it on the processor."""
        array = self.device.brought(self)
        return array if dtype is None else array.astype(dtype, copy=False)

    def __getitem__(self, key: Any) -> Any:
        """Return a part of it, on the processor."""
        return np.asarray(self)[key]


class Device(Protocol):
    """What a device can do."""

    name: str
    """As it is asked for: ``cuda:0``."""
    kernels: Mapping[str, Callable[..., Any]]
    """Kernels by module and name, such as ``steer.turn``. They take what the processor's take, but no ``out``."""

    def enter(self) -> None:
        """Work in this thread from now on; what threads of different names ask for may overlap."""

    def sent(self, array: NDArray[np.float32]) -> OnDevice:
        """Return a picture or plane on the device."""

    def brought(self, array: OnDevice) -> NDArray[np.float32]:
        """Return a picture or plane on the processor."""

    def held(self, array: NDArray[Any]) -> NDArray[Any]:
        """Return a copy of an array in memory of the processor from which the device takes it at full speed."""

    def frames_at_once(self, picture: int) -> int:
        """Return how many frames, with pictures of so many bytes, are worked side by side at best."""


class _InUse(threading.local):
    device: Device | None = None


_in_use = _InUse()


def current() -> Device | None:
    """Return the device that is in use in this thread; None for the processor."""
    return _in_use.device


def use(device: Device | None) -> None:
    """Use a device in this thread from now on; None for the processor."""
    if device is not None:
        device.enter()
    _in_use.device = device


@contextlib.contextmanager
def using(device: Device | None) -> Iterator[None]:
    """Use a device in this thread for a while."""
    before = current()
    use(device)
    try:
        yield
    finally:
        use(before)


def sent(array: Any) -> Any:
    """Return an array on the device in use, where there is one and it does not lie there yet."""
    device = current()
    return array if device is None or isinstance(array, OnDevice) else device.sent(array)


def held(array: NDArray[Any]) -> NDArray[Any]:
    """Return a copy of an array, where the device in use, if any, takes it from at full speed."""
    device = current()
    return array.copy() if device is None else device.held(array)


def on_devices(kernel: Kernel) -> Kernel:
    """Let a kernel work where its arrays lie: on a device, that device's kernel of the same name does the work."""
    name = f"{kernel.__module__.rpartition('.')[2]}.{kernel.__name__}"

    @functools.wraps(kernel)
    def chosen(*arguments: Any, **named: Any) -> Any:
        for argument in arguments:
            if isinstance(argument, OnDevice):
                own = argument.device.kernels.get(name)
                if own is not None:
                    return own(*arguments, **named)
                break
        return kernel(*arguments, **named)

    return chosen  # type: ignore[return-value]


def on_device_in_use(kernel: Kernel) -> Kernel:
    """Let a kernel that makes a picture work on the device that is in use in this thread, where that has it."""
    name = f"{kernel.__module__.rpartition('.')[2]}.{kernel.__name__}"

    @functools.wraps(kernel)
    def chosen(*arguments: Any, **named: Any) -> Any:
        device = current()
        own = kernel if device is None else device.kernels.get(name, kernel)
        return own(*arguments, **named)

    return chosen  # type: ignore[return-value]


# --- by name ------------------------------------------------------------------------------------------------

_NAME = re.compile(r"cuda(?::(\d{1,3}))?")


def parse(name: str) -> str:
    """Return the full name of a device, ``cpu`` or ``cuda:0``. Raises DeviceNameError for another name."""
    given = name.strip().lower()
    if given in ("", PROCESSOR):
        return PROCESSOR
    match = _NAME.fullmatch(given)
    if match is None:
        raise DeviceNameError(
            f"The device {name!r} is unknown: use cpu, cuda for the first graphics card, or cuda:1 for the second."
        )
    return f"cuda:{int(match[1] or 0)}"


def asked_for() -> str:
    """Return the name of the device that :data:`VARIABLE` asks for. Raises DeviceNameError for an unknown one."""
    return parse(os.environ.get(VARIABLE, PROCESSOR))


@contextlib.contextmanager
def asking(name: str) -> Iterator[None]:
    """Ask for a device for a while, in this process and those it starts. Raises DeviceNameError for an unknown one."""
    name, before = parse(name), os.environ.get(VARIABLE)
    os.environ[VARIABLE] = name
    try:
        yield
    finally:
        os.environ.pop(VARIABLE)
        if before is not None:
            os.environ[VARIABLE] = before


def settled(tell: Callable[[str], object]) -> str:
    """Return the name of the device for a run that begins: the processor, as is told, where the other is not usable.

    Raises DeviceNameError for an unknown one.
    """
    name = asked_for()
    try:
        opened(name)
    except DeviceError as error:
        tell(f"{error} This run works on the processor.")
        return PROCESSOR
    return name


def opened(name: str) -> Device | None:
    """Return a device by its name, ready to work; None for the processor.

    Raises DeviceNameError for an unknown name, DeviceError, which says what is missing, where it cannot be used.
    """
    name = parse(name)
    if name == PROCESSOR:
        return None
    from .cuda.card import open_card

    return open_card(int(name.partition(":")[2]))
