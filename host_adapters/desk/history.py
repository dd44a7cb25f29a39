"""The history of a clip: the states that were, for undo and redo, in memory and in a file."""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass
from typing import Any

from .errors import DeskError
from .state import State

FORMAT = 1


@dataclass
class _Entry:
    """A state and what led to it; one that was read from a file is built when it is wanted."""

    label: str
    state: State | None = None
    data: dict[str, Any] | None = None

    def built(self) -> State:
        if self.state is None:
            self.state = State.from_dict(self.data)
        return self.state

    def packed(self) -> dict[str, Any]:
        if self.data is None:
            self.data = self.built().to_dict()
        return self.data


class History:
    """The states that were, for undo and redo; changes of one gesture count as one."""

    MOST = 300

    def __init__(self, state: State) -> None:
        self._entries = [_Entry("", state)]
        self.place = 0
        self.gesture: str | None = None
        self.revision = 1
        self._lock = threading.RLock()

    @property
    def now(self) -> State:
        """The present state."""
        return self._entries[self.place].built()

    def put(self, state: State, label: str, gesture: str | None = None) -> None:
        """Go to a new state; within one gesture it takes the place of the last."""
        with self._lock:
            if state == self.now:
                return
            self.revision += 1
            merged = gesture is not None and gesture == self.gesture and self.place > 0
            self._entries[self.place if merged else self.place + 1 :] = [_Entry(label, state)]
            if len(self._entries) > self.MOST:
                del self._entries[1]
            self.place = len(self._entries) - 1
            self.gesture = gesture

    def undo(self) -> str:
        """Go back one state and return what was undone; an empty string where there is nothing to undo."""
        return self._go(-1)

    def redo(self) -> str:
        """Go forward again and return what was redone; an empty string where there is nothing to redo."""
        return self._go(1)

    def _go(self, step: int) -> str:
        with self._lock:
            self.gesture = None
            place = self.place + step
            if not 0 <= place < len(self._entries):
                return ""
            self._entries[place].built()
            self.place = place
            self.revision += 1
            return self._entries[max(place, place - step)].label

    def snapshot(self) -> tuple[State, int, dict[str, str]]:
        """Return the present state, its revision, and what undo and redo would do in words, empty for nothing."""
        with self._lock:
            ahead = self.place + 1 < len(self._entries)
            titles = {
                "undo": self._entries[self.place].label,
                "redo": self._entries[self.place + 1].label if ahead else "",
            }
            return self.now, self.revision, titles

    # --- files ------------------------------------------------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        """Return the history as JSON data; what several states share stands there once."""
        with self._lock:
            entries, place = list(self._entries), self.place
        pool: dict[str, int] = {}

        def shared(part: Any) -> int:
            return pool.setdefault(json.dumps(part, ensure_ascii=False), len(pool))

        listed = []
        for entry in entries:
            parts = {name: shared(part) for name, part in entry.packed().items() if name != "graph"}
            graph = entry.packed()["graph"]
            rest = shared({name: part for name, part in graph.items() if name != "nodes"})
            steps = [shared(step) for step in graph["nodes"]]
            listed.append({"label": entry.label, "parts": parts, "graph": rest, "nodes": steps})
        return {"desk_history": FORMAT, "place": place, "entries": listed, "pool": [json.loads(p) for p in pool]}

    def restore(self, data: Any) -> None:
        """Take over a history from JSON data; the present state becomes its newest where it is another.

        Raises DeskError where it is not valid; nothing has changed then.
        """
        try:
            if data["desk_history"] != FORMAT:
                raise DeskError(f"This is no history of the desk in format {FORMAT}.")
            pool = data["pool"]
            entries = [_Entry(str(item["label"]), None, _unpacked(item, pool)) for item in data["entries"]]
            place = data["place"]
            kept = entries[place].built() if 0 <= place < len(entries) else None
        except (KeyError, TypeError, AttributeError, IndexError) as error:
            raise DeskError(f"The history is damaged ({type(error).__name__}: {error}).") from None
        if kept is None:
            raise DeskError("The history is damaged: it does not say where it stands.")
        with self._lock:
            now = self.now
            self._entries, self.place = entries[: self.MOST], min(place, self.MOST - 1)
            self.put(now, "Changed elsewhere")


def _unpacked(item: dict[str, Any], pool: list[Any]) -> dict[str, Any]:
    graph = {**pool[item["graph"]], "nodes": [pool[number] for number in item["nodes"]]}
    return {**{name: pool[number] for name, number in item["parts"].items()}, "graph": graph}
