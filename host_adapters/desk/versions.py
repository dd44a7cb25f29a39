"""Named versions of the work on a clip, in one file beside it."""

from __future__ import annotations

import datetime
import threading
from pathlib import Path
from typing import Any

from .errors import DeskError, ExistsError
from .notes import read_notes, write_notes
from .state import State

FORMAT = 1
_MOST_VERSIONS = 200
_LONGEST_NAME = 80


class Versions:
    """States by name, in the order in which they were kept."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()

    def listed(self) -> list[dict[str, str]]:
        """Return name and time of each, the newest first. Raises DeskError for a damaged file."""
        return [{"name": name, "kept": item["kept"]} for name, item in reversed(self._read().items())]

    def keep(self, name: str, state: State, replace: bool = False) -> str:
        """Keep a state under a name and return the name.

        Raises DeskError without one, ExistsError for one that is taken, and OutputError.
        """
        name = " ".join(name.split())[:_LONGEST_NAME]
        if not name:
            raise DeskError("A version needs a name, for example “warmer, for the client”.")
        with self._lock:
            known = self._read()
            if name in known and not replace:
                raise ExistsError(f"There is a version “{name}” already: replace it, or choose another name.")
            known.pop(name, None)
            if len(known) >= _MOST_VERSIONS:
                raise DeskError(f"There are {_MOST_VERSIONS} versions already: take some out of {self.path.name}.")
            known[name] = {"kept": _now(), "state": state.to_dict()}
            write_notes(self.path, {"desk_versions": FORMAT, "versions": known})
        return name

    def state(self, name: str) -> State:
        """Return the state that was kept under a name. Raises DeskError where there is none."""
        known = self._read()
        if name not in known:
            raise DeskError(f"There is no version “{name}”: choose one of the list.")
        return State.from_dict(known[name]["state"])

    def _read(self) -> dict[str, Any]:
        if not self.path.is_file():
            return {}
        data = read_notes(self.path)
        if not isinstance(data, dict) or data.get("desk_versions") != FORMAT:
            raise DeskError(f"{self.path.name} holds no versions of the desk in format {FORMAT}: move it aside.")
        versions: dict[str, Any] = data["versions"]
        return versions


def _now() -> str:
    return datetime.datetime.now().astimezone().isoformat(timespec="seconds")
