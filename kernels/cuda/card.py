"""A graphics card as a device: its lanes, its memory, what is sent there and brought back."""

from __future__ import annotations

import functools
import gc
import threading
import weakref
from collections import OrderedDict
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from ..arrays import Floats
from ..devices import DeviceError, OnDevice
from .found import compile_first, find_card

Result = TypeVar("Result")


_OPENING = threading.Lock()


def open_card(index: int) -> Card:
    """Return a card that is ready to work. Raises DeviceError, as :func:`.found.find_card`.

    A card has one set of streams and of memory, whoever asks for it first: opening it compiles, which takes seconds.
    """
    with _OPENING:
        return _opened(index)


@functools.lru_cache(maxsize=8)
def _opened(index: int) -> Card:
    find_card(index)
    card: list[Card] = []
    compile_first(lambda: card.append(_tried(index)))
    return card[0]


def _tried(index: int) -> Card:
    """Open a card and send a small picture there and back."""
    card = Card(index)
    picture = np.arange(12, dtype=np.float32).reshape(2, 2, 3)
    if not np.array_equal(card.brought(card.sent(picture)), picture):
        raise ValueError("what was sent there came back changed")
    return card


_MOST_CONSTANTS = 256
_MOST_AT_ONCE, _PICTURES_A_FRAME = 3, 8
"""Frames that are worked side by side, of which one comes in and one goes out; and the memory of each, in pictures."""


def _unless(gave_up: Callable[[], bool], work: Callable[[], Result]) -> tuple[Result] | None:
    """Return what work gives, which may be an error or raise one; None where it gave up meanwhile."""
    try:
        result = work()
    except DeviceError:
        if not gave_up():
            raise
        return None
    return None if gave_up() else (result,)


class Card:
    """A card. Arrays lie there in the memory of :class:`.memory.CardMemory` as :class:`.arrays.CardArray`."""

    def __init__(self, index: int) -> None:
        from . import arrays, driver, kernels, launch, memory, pixels

        self.name = f"cuda:{index}"
        self.kernels: Mapping[str, Callable[..., Any]] = kernels.KERNELS
        self.lanes = memory.Lanes(index)
        self.memory = memory.CardMemory(self.lanes)
        self.pinned = memory.PinnedMemory(self.lanes)
        self._array, self._launch, self._pixels = arrays.CardArray, launch, pixels
        self._driver, self._memory = driver, memory
        self._constants: OrderedDict[Any, Any] = OrderedDict()
        self._sent: dict[int, tuple[weakref.ref[NDArray[Any]], Any]] = {}

    def enter(self) -> None:
        """Work in this thread from now on."""
        self.lanes.enter()

    # --- there and back -------------------------------------------------------------------------------------

    def sent(self, array: Any) -> Any:
        """Return a picture or plane on the card, sent there where it does not lie there yet."""
        if isinstance(array, OnDevice):
            return self.reading(array)
        array = np.ascontiguousarray(array, np.float32)
        block, count = self.uploaded(array.reshape(-1)), array.shape[0] * array.shape[1]
        if array.ndim == 2:
            return self._array(self, array.shape, block)
        n = array.shape[2]
        planes = self.memory.lent(3 * count)
        alpha = self.memory.lent(count) if n == 4 else None
        to = planes if alpha is None else alpha
        self.over(self._pixels.part, count, block, planes, to, n, count)
        return self._array(self, array.shape, planes, alpha)

    def brought(self, array: OnDevice) -> Floats:
        """Return a picture or plane on the processor."""
        given: Any = self.reading(array)
        block, count = given.colour, given.pixels
        if given.ndim == 3:
            block, n = self.memory.lent(count * given.shape[2]), given.shape[2]
            alpha = given.colour if given.alpha is None else given.alpha
            self.over(self._pixels.join, count, given.colour, alpha, block, n, count)
        result: Floats = self.downloaded(block)[0].reshape(given.shape)
        return result

    def held(self, array: NDArray[Any]) -> NDArray[Any]:
        """Return a copy of an array in memory from which the card reads by itself."""
        copy = self.pinned.lent(array.shape, array.dtype)
        np.copyto(copy, array)
        return copy

    def uploaded(self, array: NDArray[Any]) -> Any:
        """Return a block with the numbers of an array, which the card may still be reading."""
        if not self.pinned.holds(array):
            array = self.held(array)
        block = self.memory.lent(array.size, array.dtype.type)
        self._copy_in(block, array)
        self.pinned.read_by_card(array)
        return block

    def uploaded_once(self, array: NDArray[Any]) -> Any:
        """The same; as long as the array lives, it is sent once. Nobody writes to it meanwhile."""
        key, lane = id(array), self.lanes.lane
        known = self._sent.get(key)
        if known is None or known[0]() is not array:
            block = self.uploaded(array.reshape(-1))
            owner = weakref.ref(array, lambda _: self._sent.pop(key, None))
            known = self._sent[key] = owner, block
        block = known[1]
        if lane != block.home:
            self.lanes.mark(block.home).wait(self.stream)
            block.users.add(lane)
        return block

    def downloaded(self, *blocks: Any) -> list[NDArray[Any]]:
        """Return the numbers of blocks, once they are here."""
        arrays = [self.pinned.lent((block.array.size,), block.array.dtype) for block in blocks]
        for block, array in zip(blocks, arrays, strict=True):
            if self._launch.SIMULATED:
                block.array.copy_to_host(array)
            else:
                self._driver.copy_out(array.ctypes.data, block.address, array.nbytes, self.lanes.number())
        self.lanes.wait()
        return arrays

    def _copy_in(self, block: Any, array: NDArray[Any]) -> None:
        if self._launch.SIMULATED:
            block.array.copy_to_device(array.reshape(-1))
        else:
            self._driver.copy_in(block.address, array.ctypes.data, array.nbytes, self.lanes.number())

    def frames_at_once(self, picture: int) -> int:
        """Return how many frames, with pictures of so many bytes, the card's memory holds: one to three."""
        free, _ = self._memory.free_and_whole()
        return int(max(1, min(_MOST_AT_ONCE, free // (_PICTURES_A_FRAME * picture))))

    def worked(self, work: Callable[[], Result]) -> Result:
        """Work a frame beside others; where the card's memory is full then, once more when it is alone."""
        with self.memory.turns.beside():
            result = _unless(self.memory.turns.gave_up, work)
        if result is not None:
            return result[0]
        gc.collect()  # what the frame had lies in an error, which may hold itself
        with self.memory.turns.alone():
            self.memory.clear()
            return work()

    # --- work -----------------------------------------------------------------------------------------------

    @property
    def stream(self) -> Any:
        """The stream of this thread's lane."""
        return self.lanes.stream()

    def over(self, kernel: Any, count: int, *arguments: Any) -> None:
        """Launch a kernel for so many values in a row."""
        self._launch.over(kernel, self.lanes.number(), count, *arguments)

    def over_planes(self, kernel: Any, width: int, height: int, *arguments: Any, count: int = 1) -> None:
        """Launch a kernel for every place of some planes."""
        self._launch.over_planes(kernel, self.lanes.number(), width, height, count, *arguments)

    def over_regions(self, kernel: Any, width: int, height: int, *arguments: Any, count: int = 1) -> None:
        """Launch a kernel for every region of some planes: a block works each together."""
        self._launch.over_regions(kernel, self.lanes.number(), width, height, count, *arguments)

    def reading(self, array: Any) -> Any:
        """Return an array of the card that this thread's lane may read from now on."""
        lane = self.lanes.lane
        for other in {array.lane, array.luma_lane} - {lane}:
            self.lanes.mark(other).wait(self.stream)
        for block in array.blocks():
            if lane != block.home:
                block.users.add(lane)
        return array

    def lit(self, light: Any, count: int) -> Any:
        """Return the planes of a picture of so many pixels after the steps of its light."""
        to = self.memory.lent(3 * count)
        self.over(self._pixels.lighting(*light.kind()), count, light.base, to, count, *light.arguments(self))
        return to

    def result(self, shape: tuple[int, ...], colour: Any, alpha: Any = None) -> Any:
        """Return as an array what this thread's lane makes."""
        return self._array(self, shape, colour, alpha)

    def constants(self, *numbers: Any) -> Any:
        """Return a block with numbers, float32; the same ones are sent once."""
        return self.kept(numbers, lambda: np.array(numbers, np.float32))

    def kept(self, key: Any, make: Callable[[], NDArray[Any]]) -> Any:
        """Return a block with an array that is made and sent once for a key; what was made lives on as long."""
        found = self._constants.get(key)
        if found is None:
            given = make()
            array = self.held(given.reshape(-1))
            block = self.memory.lent(array.size, array.dtype.type)
            self._copy_in(block, array)
            self.lanes.wait()  # whatever lane reads it next
            found = self._constants[key] = block, given
            while len(self._constants) > _MOST_CONSTANTS:
                self._constants.popitem(last=False)
        if self.lanes.lane != found[0].home:
            found[0].users.add(self.lanes.lane)
        return found[0]
