"""Tasks: what takes its time at the desk, one at a time, in the background, with progress, and given up when asked."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from typing import Any

from ...kernels.errors import InkarnatError
from .errors import DeskError, told_fault


class Cancelled(Exception):
    """Raised inside a task once somebody has cancelled it."""


class Background:
    """Work in a thread of its own, which can be given up and waited for. :ivar state: running, or how it ended."""

    state: str
    _cancel: threading.Event
    _thread: threading.Thread | None

    @property
    def running(self) -> bool:
        """Whether it is still at work."""
        return self.state == "running"

    def cancel(self) -> None:
        """Ask it to end."""
        self._cancel.set()

    def wait(self, seconds: float | None = None) -> None:
        """Wait until it has ended."""
        if self._thread is not None:
            self._thread.join(seconds)


class Task(Background):
    """Work in the background and how far it is.

    :ivar kind: what it is, in a word. :ivar about: which step or clip it is about.
    """

    def __init__(self, kind: str, about: str, told: Callable[[], None]) -> None:
        self.kind, self.about, self.told = kind, about, told
        self.state, self.message = "running", ""
        self.done = self.total = 0
        self._cancel = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, work: Callable[[Task], str]) -> None:
        """Begin: ``work`` is called in a thread and returns what to tell; it calls :meth:`step` as it goes."""
        self._thread = threading.Thread(target=self._run, args=(work,), name=self.kind, daemon=True)
        self._thread.start()

    def step(self, *_: Any) -> None:
        """Count one more; raises Cancelled where somebody has given it up."""
        self.done += 1
        if self._cancel.is_set():
            raise Cancelled

    def begin(self, total: int) -> AbstractContextManager[Callable[..., None]]:
        """Begin a part that has so many steps, counted from its own beginning; gives what counts one more."""
        self.done, self.total = 0, total
        return nullcontext(self.step)

    def as_dict(self) -> dict[str, Any]:
        """Return how far it is as JSON data."""
        return {
            "kind": self.kind,
            "about": self.about,
            "state": self.state,
            "message": self.message,
            "done": self.done,
            "total": self.total,
        }

    def _run(self, work: Callable[[Task], str]) -> None:
        try:
            message = work(self)
            self.state, self.message = "done", message
        except Cancelled:
            self.state, self.message = "cancelled", "Given up; nothing has changed."
        except InkarnatError as error:
            self.state, self.message = "failed", str(error)
        except Exception as error:
            self.state, self.message = "failed", told_fault(error)
        self.told()


class Tasks:
    """The task that runs or ran last."""

    def __init__(self, told: Callable[[], None]) -> None:
        self.told = told
        self.last: Task | None = None
        self._lock = threading.Lock()

    @property
    def running(self) -> bool:
        """Whether one is at work."""
        return self.last is not None and self.last.running

    def start(self, kind: str, about: str, total: int, work: Callable[[Task], str]) -> None:
        """Begin one. Raises DeskError while another runs."""
        with self._lock:
            if self.last is not None and self.last.running:
                raise DeskError("Something is being worked out already: wait for it, or cancel it first.")
            task = Task(kind, about, self.told)
            task.total = total
            self.last = task
        task.start(work)
        self.told()

    def close(self) -> None:
        """Give up what runs and wait for its end."""
        if self.last is not None:
            self.last.cancel()
            self.last.wait(30)

    def as_dict(self) -> dict[str, Any] | None:
        """Return how far it is as JSON data; None where there was none."""
        return None if self.last is None else self.last.as_dict()
