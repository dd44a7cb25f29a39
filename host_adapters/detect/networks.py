"""Networks in files, which OpenCV runs: each is read once, and the last answers of each are remembered."""

from __future__ import annotations

import functools
import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from typing import Any, ClassVar, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from ...kernels.errors import InkarnatError

Answer = TypeVar("Answer")


@functools.lru_cache(maxsize=4)
def opened(path: str) -> Any:
    """Return the network in a file. Raises OpenCV's own error where it is none."""
    import cv2

    network = (cv2.dnn.readNetFromTFLite if path.endswith(".tflite") else cv2.dnn.readNetFromONNX)(path)
    if cv2.__version__.startswith("4."):  # its fused layers answer wrongly after a picture of another size
        network.enableFusion(False)
    return network


class NetworkError(InkarnatError, RuntimeError):
    """A network is missing or its file cannot be used.

    :cvar told: the sentence that says so, of the file's ``path`` and of ``why`` it cannot be used.
    """

    told: ClassVar[str] = "The network {path} cannot be used ({why}): install Inkarnat again."


def asked(
    path: str,
    given: Mapping[str, NDArray[np.float32]],
    shapes: Sequence[tuple[int, ...]],
    error: type[NetworkError] = NetworkError,
) -> list[NDArray[np.float32]]:
    """Return what a network answers, float32, its outputs in the order of their names.

    :param given: float32 by the names of its inputs; an only one needs no name. :param shapes: what the outputs are
        brought to. :raises error: the file cannot be used, or its network answers with other sizes.
    """
    try:
        network = opened(path)
        for name, array in given.items():
            network.setInput(np.ascontiguousarray(array, np.float32), name)
        told = network.forward(sorted(network.getUnconnectedOutLayersNames()))
        return [np.array(one, np.float32).reshape(shape) for one, shape in zip(told, shapes, strict=True)]
    except Exception as fault:
        raise error(error.told.format(path=path, why=" ".join(str(fault).split()))) from None


def fingerprint(*arrays: NDArray[Any], beside: str = "") -> str:
    """Return what tells arrays, and words beside them, from all others.

    >>> fingerprint(np.zeros(3)) == fingerprint(np.zeros(3)) != fingerprint(np.zeros((3, 1)))
    True
    """
    found = hashlib.blake2b(beside.encode(), digest_size=16)
    for array in arrays:
        found.update(f" {array.shape} {array.dtype}".encode())
        found.update(np.ascontiguousarray(array).data)
    return found.hexdigest()


class Answers(Generic[Answer]):
    """The last answers of a network, by the very pictures that it was asked about; one question is asked at a time.

    A frame is asked about again with every further mark, by every part of a verb, and where nothing moves in a clip.

    >>> answers = Answers(2)
    >>> answers.of("net", np.zeros(3), ask=lambda: "asked"), answers.of("net", np.zeros(3), ask=lambda: "asked again")
    ('asked', 'asked')
    """

    def __init__(self, most: int) -> None:
        self.most = most
        self._turn = threading.Lock()
        self._known: OrderedDict[str, Answer] = OrderedDict()

    def __len__(self) -> int:
        return len(self._known)

    def of(self, network: str, *given: NDArray[Any], ask: Callable[[], Answer]) -> Answer:
        """Return what a network answers to arrays, as remembered or asked for. The answer must not be changed.

        :param network: what else the answer depends on.
        """
        key = fingerprint(*given, beside=network)
        with self._turn:  # a network keeps its inputs and works on one picture at a time
            told = self._known.pop(key) if key in self._known else ask()
            self._known[key] = told
            while len(self._known) > self.most:
                self._known.popitem(last=False)
        return told
