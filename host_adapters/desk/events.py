"""The event stream: every page that is open hears of every change at once, of the newest state only."""

from __future__ import annotations

import asyncio
import json
import secrets
import threading
from collections.abc import AsyncIterator, Callable
from typing import Any

from starlette.concurrency import run_in_threadpool

BEAT = 2.0
"""Seconds after which a page hears that the desk is there, although nothing has changed."""

_BUSY_BEAT = 0.25
_GLANCE = 0.2


class Bulletin:
    """Counts changes and wakes whoever listens.

    :ivar boot: names this run of the desk, so that a page knows a restarted one.
    """

    def __init__(self) -> None:
        self.boot = secrets.token_hex(6)
        self.closed = False
        self._number = 1
        self._lock = threading.Lock()
        self._listeners: set[tuple[asyncio.AbstractEventLoop, asyncio.Event]] = set()

    @property
    def number(self) -> int:
        """How many changes there were. Read it before the state, and the state is at least as new."""
        return self._number

    def tell(self) -> None:
        """Wake every listener; may be called from any thread."""
        with self._lock:
            self._number += 1
            listeners = list(self._listeners)
        for loop, woken in listeners:
            if not loop.is_closed():
                loop.call_soon_threadsafe(woken.set)

    def close(self) -> None:
        """End all streams."""
        self.closed = True
        self.tell()

    async def stream(
        self, state: Callable[[], dict[str, Any]], busy: Callable[[], bool], ended: Callable[[], bool]
    ) -> AsyncIterator[bytes]:
        """Give the state now and after every change as server-sent events, and a beat while nothing happens.

        :param state: reads the state; called in a thread. :param busy: whether progress should be told often.
        :param ended: whether the server is about to end.

        Source: HTML Living Standard, section 9.2 "Server-sent events".
        """
        listener = (asyncio.get_running_loop(), asyncio.Event())
        with self._lock:
            self._listeners.add(listener)
        try:
            yield b"retry: 500\n\n"
            sent, waited = "", BEAT
            while not (self.closed or ended()):
                listener[1].clear()
                fresh = json.dumps(await run_in_threadpool(state), ensure_ascii=False)
                if fresh != sent:
                    yield f"event: state\ndata: {fresh}\n\n".encode()
                    sent, waited = fresh, 0.0
                elif waited >= BEAT:
                    yield f"event: beat\ndata: {self._number}\n\n".encode()
                    waited = 0.0
                waited += await self._wait(listener[1], _BUSY_BEAT if busy() else BEAT, ended)
        finally:
            with self._lock:
                self._listeners.discard(listener)

    async def _wait(self, woken: asyncio.Event, seconds: float, ended: Callable[[], bool]) -> float:
        """Wait until something has changed, at most so long, and return how long; look up when the server ends."""
        waited = 0.0
        while waited < seconds and not (self.closed or ended()):
            try:
                await asyncio.wait_for(woken.wait(), _GLANCE)
            except TimeoutError:
                waited += _GLANCE
            else:
                return waited
        return waited
