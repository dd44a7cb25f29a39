"""Owners: which desk may change the notes of a clip, and how another one takes over."""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import socket
from pathlib import Path
from typing import Any

from ..locks import holder_words, try_lock
from .errors import OwnedError


class Owner:
    """This desk's hold on the notes of a clip.

    A hidden file beside the notes says who owns them; the system's lock on it tells whether that desk still runs. A
    desk that takes over writes its name into the file: the one before reads that ahead of its next change and stops.
    """

    def __init__(self, notes: Path, clip: str) -> None:
        self.path, self.clip = notes.with_name(f".{notes.name}.owner"), clip
        self._record = {"pid": os.getpid(), "host": socket.gethostname(), "sign": secrets.token_hex(8)}
        self._handle = -1
        self.other: dict[str, Any] | None = None
        self.is_kept = True
        """Whether ownership can be noted at all; where the folder takes no files, nothing can be written either."""

    def take(self, over: bool = False) -> bool:
        """Take the notes, those of a running desk only where ``over``; False where another one keeps them."""
        self.release()
        try:
            self._handle = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError:
            self.is_kept, self.other = False, None
            return True
        there, locked = self._read(), try_lock(self._handle)
        elsewhere = there.get("host", self._record["host"]) != self._record["host"]
        if (not locked or elsewhere) and not over:
            self._close()
            self.other = there
            return False
        try:
            os.ftruncate(self._handle, 0)
            os.lseek(self._handle, 0, os.SEEK_SET)
            os.write(self._handle, json.dumps(self._record).encode())
        except OSError:
            self.is_kept = False
        self.other = None
        return True

    def is_mine(self) -> bool:
        """Tell whether this desk still owns the notes."""
        if self.other is not None:
            return False
        if not self.is_kept:
            return True
        try:
            there = json.loads(self.path.read_bytes())
        except (OSError, ValueError):
            return self._handle != -1
        if there.get("sign") != self._record["sign"]:
            self._close()
            self.other = there if isinstance(there, dict) else {}
            return False
        try_lock(self._handle)  # where the one before has let go of it meanwhile
        return True

    def check(self) -> None:
        """Raise OwnedError where another desk owns the notes."""
        if not self.is_mine():
            raise OwnedError(self.words())

    def words(self) -> str:
        """Say who owns the notes, where it is another desk."""
        if self.other is None:
            return ""
        return f"{self.clip} is open at another desk ({holder_words(self.other)}): look at it here, or take it over."

    def release(self) -> None:
        """Let go of the notes."""
        if self._handle == -1:
            return
        if self.is_mine() and self._handle != -1:
            with contextlib.suppress(OSError):
                self.path.unlink()
            self._close()

    def _read(self) -> dict[str, Any]:
        try:
            there = json.loads(os.read(self._handle, 1000))
        except (OSError, ValueError):
            return {}
        return there if isinstance(there, dict) else {}

    def _close(self) -> None:
        if self._handle != -1:
            os.close(self._handle)
            self._handle = -1
