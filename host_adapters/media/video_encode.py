"""Encoding video: one encoder for all frames, or several that take turns where each frame stands for itself."""

from __future__ import annotations

import queue
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any


class Encoding:
    """Frames in, packets out, both in order.

    The slices of one frame keep many cores waiting for the slowest of them; so where each frame stands for itself, some
    are encoded side by side, each by an encoder and a thread of its own. They give the very bits that one would.

    :param stream: the output's stream, whose own encoder is the first. :param more: returns another one like it.
    :param count: how many encoders there are; one alone works in the caller's thread.
    """

    def __init__(self, stream: Any, more: Callable[[int], Any] | None = None, count: int = 1) -> None:
        self._stream = stream
        self._count = count if more is not None else 1
        self._threads: ThreadPoolExecutor | None = None
        self._free: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._frames: deque[Future[Sequence[Any]]] = deque()
        if more is not None and count > 1:
            self._threads = ThreadPoolExecutor(count, "inkarnat-encode")
            for encoder in (stream.codec_context, *(more(number) for number in range(1, count))):
                self._free.put(encoder)

    def encode(self, frame: Any) -> Sequence[Any]:
        """Take a frame, None after the last one, and return packets that are done."""
        if self._threads is None:
            packets: Sequence[Any] = self._stream.encode(frame)
            return packets
        if frame is not None:
            self._frames.append(self._threads.submit(self._encode, frame))
        done: list[Any] = []
        while self._frames and (frame is None or len(self._frames) > self._count or self._frames[0].done()):
            done += self._frames.popleft().result()
        return done

    def _encode(self, frame: Any) -> Sequence[Any]:
        encoder = self._free.get()
        try:
            packets: Sequence[Any] = encoder.encode(frame)
        finally:
            self._free.put(encoder)
        for packet in packets:
            packet.stream = self._stream
        return packets

    def close(self) -> None:
        """Leave off; what is being encoded is waited for and dropped."""
        if self._threads is not None:
            self._threads.shutdown(wait=True, cancel_futures=True)
            self._frames.clear()
