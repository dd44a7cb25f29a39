"""Notes: the state beside the clip, read at the start and written after every change."""

from __future__ import annotations

import json
import logging
import secrets
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

from ...kernels.errors import InkarnatError
from .. import made
from ..locks import Lock
from ..media.files import InputError, read_limited
from ..writes import json_text, write_text
from .errors import DeskError
from .owner import Owner

_MOST_NOTES = 64 * 1024 * 1024
_PATIENCE = 5.0

log = logging.getLogger("inkarnat.desk")


def read_notes(path: Path) -> Any:
    """Return the JSON data of a file of notes. Raises DeskError where it cannot be read."""
    try:
        return json.loads(read_limited(path, _MOST_NOTES, "file of notes"))
    except InputError as error:
        raise DeskError(str(error)) from None
    except (ValueError, RecursionError) as error:
        raise DeskError(f"{path.name} cannot be read: {error}.") from None


def write_notes(path: Path, data: Any) -> None:
    """Write notes, whole or not at all. Raises OutputError."""
    write_text(path, json_text(data) + "\n", made.NOTES)


class Kept(Protocol):
    """What can be written as notes."""

    def to_dict(self) -> dict[str, Any]:
        """Return it as JSON data."""
        ...


def revision_of(path: Path) -> str | None:
    """Return by which writing the notes came about; None where there are none, or those of an earlier version."""
    try:
        data = read_notes(path)
    except DeskError:
        return None
    return str(data["revision"]) if isinstance(data, dict) and "revision" in data else None


def _look(path: Path) -> tuple[int, ...] | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_size, status.st_mtime_ns, status.st_ino


class Keeper:
    """Writes the state to the notes after every change, in the background, the newest only; a crash loses nothing.

    Notes that somebody else has written since are left alone, and so are those that another desk owns.

    :param rest: seconds to wait for further changes before writing, for what is large.
    :param beside: gives what is noted beside the state.
    """

    def __init__(
        self, path: Path, owner: Owner, rest: float = 0.0, beside: Callable[[], dict[str, Any]] = dict
    ) -> None:
        self.path, self.owner, self.rest, self.beside = path, owner, rest, beside
        self.trouble = ""
        self._revision = revision_of(path)
        self._look = _look(path)
        self._waiting: Kept | None = None
        self._busy = False
        self._closed = False
        self._change = threading.Condition()
        self._thread = threading.Thread(target=self._run, name="keeper", daemon=True)
        self._thread.start()

    def keep(self, state: Kept) -> None:
        """Have a state written."""
        with self._change:
            self._waiting = state
            self._change.notify_all()

    def flush(self) -> None:
        """Wait until everything is written."""
        with self._change:
            self._change.wait_for(lambda: self._waiting is None and not self._busy)

    def close(self) -> None:
        """Write what is left and end."""
        with self._change:
            self._closed = True
            self._change.notify_all()
        self._thread.join()

    def as_dict(self) -> dict[str, Any]:
        """Return where the notes lie, and what keeps them from being written."""
        return {"name": self.path.name, "trouble": self.trouble}

    def start_over(self) -> None:
        """Take the notes as they lie there now for those that are written next."""
        self.flush()
        self._revision, self._look, self.trouble = revision_of(self.path), _look(self.path), ""

    def _write(self, state: Kept) -> None:
        with Lock(self.path, "being written by another desk").within(_PATIENCE):
            self.owner.check()
            if _look(self.path) != self._look and revision_of(self.path) != self._revision:
                raise DeskError(
                    f"{self.path.name} was changed by somebody else since it was read: take it over to read it again."
                )
            revision = secrets.token_hex(8)
            write_notes(self.path, {**state.to_dict(), **self.beside(), "revision": revision})
            self._revision, self._look = revision, _look(self.path)

    def _run(self) -> None:
        while True:
            with self._change:
                self._change.wait_for(lambda: self._waiting is not None or self._closed)
                if self.rest:
                    self._change.wait_for(lambda: self._closed, self.rest)
                state, self._waiting = self._waiting, None
                if state is None:
                    return
                self._busy = True
            try:
                self._write(state)
                self.trouble = ""
            except InkarnatError as error:
                self.trouble = str(error)
            except Exception as error:
                log.exception("the notes %s", self.path)
                self.trouble = f"The notes cannot be written ({type(error).__name__}: {error})."
            with self._change:
                self._busy = False
                self._change.notify_all()
