"""Locks on outputs, so that two runs never write one, and the sweeping of what a killed run left behind."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import random
import re
import socket
import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, ClassVar

from ..kernels.errors import InkarnatError
from .sequences import PICTURES, SequencePattern, spelled


class OutputError(InkarnatError):
    """An output cannot be written."""

    exit_code: ClassVar[int] = 5


class Busy(OutputError):
    """Another run holds an output."""


_FIXES = {
    errno.ENOSPC: "the disk is full; make room or choose another folder",
    errno.EDQUOT: "your share of the disk is used up; make room or choose another folder",
    errno.EFBIG: "the file would be larger than is allowed here; raise the limit or choose another folder",
    errno.EACCES: "writing there is not allowed; choose another folder or change its rights",
    errno.EPERM: "writing there is not allowed; choose another folder or change its rights",
    errno.EROFS: "the disk is read-only; choose another folder",
    errno.ENOENT: "the folder does not exist; make it first",
    errno.ENOTDIR: "a part of the path is a file, not a folder; choose another folder",
    errno.EEXIST: "a file of that name is there, where a folder is needed; choose another folder",
    errno.EISDIR: "it is a folder; add a file name",
    errno.ENAMETOOLONG: "the name is too long; choose a shorter one",
    errno.EIO: "the disk reports an error; choose another disk",
}


def output_error(path: Path | str, error: BaseException | str) -> OutputError:
    """Return the OutputError that says why ``path`` cannot be written and what fixes it."""
    number = getattr(error, "errno", None)
    reason = _FIXES.get(number) if isinstance(number, int) else None
    if reason is None:
        reason = (getattr(error, "strerror", None) or str(error) or type(error).__name__).rstrip(".")
    return OutputError(f"{path} cannot be written: {reason}{'' if reason.endswith('?') else '.'}")


@contextlib.contextmanager
def locked(outputs: Iterable[Path | str]) -> Iterator[None]:
    """Keep other runs away from outputs, and sweep their temporary files before and after.

    Raises OutputError where another run writes one of them.
    """
    paths = sorted({Path(path) for path in outputs})
    with contextlib.ExitStack() as stack:
        for place, path in {lock_path(path): path for path in paths}.items():
            if place not in _held:
                stack.enter_context(Lock(path))
        sweep(paths)
        try:
            yield
        finally:
            sweep(paths)


def lock_path(output: Path) -> Path:
    """Return the file that locks an output, the same for all names of it.

    A numbered sequence has one for all its spellings, however many digits they ask for: ``a.%d.png`` and ``a.####.png``
    are the same files from 1000 on.
    """
    output = spelled(output)
    pattern = SequencePattern.parse(output) if output.suffix.lower() in PICTURES else None
    name = output.name if pattern is None else f"{pattern.before}#{pattern.after}"
    return Path(os.path.realpath(output.parent)) / f".{name}.lock"


@contextlib.contextmanager
def holding(outputs: Iterable[Path | str]) -> Iterator[None]:
    """Lock outputs for several steps of one run: :func:`locked` lets this process pass meanwhile."""
    mine = {place: path for path in map(Path, outputs) if (place := lock_path(path)) not in _held}
    with locked(mine.values()):
        _held.update(mine)
        try:
            yield
        finally:
            _held.difference_update(mine)


_held: set[Path] = set()
"""The locks that this process holds for all its steps."""


class Lock:
    """Keeps a second run away from an output.

    A hidden file beside the output says which process on which machine holds it; the system's own lock on that file
    ends with the process, however it ends, so that what a killed run left is taken over. A file that another machine
    left is not: whether that run still goes on cannot be known here.

    Raises OutputError, which names the holder, where another run writes the output, or where its folder cannot be
    written; nothing is left behind then.
    """

    def __init__(self, output: Path, doing: str = "being written by another run") -> None:
        self.output, self.doing = output, doing
        self.path = lock_path(output)
        self._handle = -1

    def __enter__(self) -> Lock:
        while not self._take():
            continue
        holder = {"pid": os.getpid(), "host": socket.gethostname()}
        try:
            os.ftruncate(self._handle, 0)
            os.lseek(self._handle, 0, os.SEEK_SET)
            os.write(self._handle, (json.dumps(holder) + "\n").encode())
        except OSError as error:
            self._release()
            raise output_error(self.output, error) from error
        return self

    @contextlib.contextmanager
    def within(self, seconds: float) -> Iterator[None]:
        """Take the lock within so many seconds, for as long as the block lasts. Raises OutputError."""
        end = time.monotonic() + seconds
        while True:
            try:
                self.__enter__()
                break
            except Busy:
                if time.monotonic() > end:
                    raise
            time.sleep(0.01 + 0.04 * random.random())
        try:
            yield
        finally:
            self._release()

    def holder(self) -> dict[str, Any] | None:
        """Return who holds the output now, without taking it; None where nobody does."""
        try:
            handle = os.open(self.path, os.O_RDWR)
        except OSError:
            return None
        try:
            held = _read_holder(handle)
            return held if not try_lock(handle) or _is_elsewhere(held) else None
        finally:
            os.close(handle)

    def _take(self) -> bool:
        """Lock the file; False where its holder removed it meanwhile."""
        try:
            self._handle = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise output_error(self.output, error) from error
        holder = _read_holder(self._handle)
        if not try_lock(self._handle):
            self._close()
            raise self._refusal(holder, "wait for it or stop it")
        if _is_elsewhere(holder):
            self._close()
            raise self._refusal(holder, f"wait for it; if it has ended, remove {self.path}")
        try:
            current = os.path.samestat(os.fstat(self._handle), os.stat(self.path))
        except FileNotFoundError:
            current = False
        if not current:
            self._close()
        return current

    def _close(self) -> None:
        os.close(self._handle)
        self._handle = -1

    def _refusal(self, holder: dict[str, Any], fix: str) -> Busy:
        return Busy(f"{self.output} is {self.doing} ({holder_words(holder)}): {fix}.")

    def _release(self) -> None:
        if sys.platform == "win32":  # an open file cannot be removed there
            self._close()
        with contextlib.suppress(OSError):
            self.path.unlink()
        if self._handle != -1:
            self._close()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._release()


def holder_words(holder: dict[str, Any]) -> str:
    """Say who holds a lock."""
    known = {"pid", "host"} <= holder.keys()
    return f"process {holder['pid']} on {holder['host']}" if known else "another process"


def _read_holder(handle: int) -> dict[str, Any]:
    try:
        os.lseek(handle, 0, os.SEEK_SET)
        holder = json.loads(os.read(handle, 1000))
    except (OSError, ValueError):
        return {}
    return holder if isinstance(holder, dict) else {}


def _is_elsewhere(holder: dict[str, Any]) -> bool:
    return bool(holder.get("host", socket.gethostname()) != socket.gethostname())


def try_lock(handle: int) -> bool:
    """Take the system's lock; True as well where the system or the file system has none to offer."""
    try:
        import portalocker
    except (ImportError, OSError):  # a system without locks, or without room for a single file
        return True
    try:
        portalocker.lock(handle, portalocker.LockFlags.EXCLUSIVE | portalocker.LockFlags.NON_BLOCKING)
    except portalocker.AlreadyLocked:
        return False
    except (portalocker.LockException, OSError):
        return True
    return True


# --- what a killed run leaves -------------------------------------------------------------------------------

_TEMPORARY = re.compile(r"\.(?P<stem>.+)\.[0-9a-f]{12}(?P<suffix>\.[^.]+)")
_LONGEST_STEM = 80


def temporaries(outputs: Iterable[Path]) -> Iterator[Path]:
    """Give the temporary files of outputs; while the outputs are locked and no worker runs, nobody uses them."""
    for output in outputs:
        with contextlib.suppress(OSError), os.scandir(output.parent) as entries:
            for entry in entries:
                match = _TEMPORARY.fullmatch(entry.name)
                if match and match["suffix"] == output.suffix and _is_stem_of(match["stem"], output):
                    yield Path(entry.path)


def _is_stem_of(stem: str, output: Path) -> bool:
    pattern = SequencePattern.parse(output)
    if pattern is None:
        return stem == output.stem[:_LONGEST_STEM]
    after = pattern.after.removesuffix(output.suffix)
    if len(stem) == _LONGEST_STEM and pattern.before[:_LONGEST_STEM] == stem:
        return True
    return re.fullmatch(re.escape(pattern.before) + r"-?\d+" + re.escape(after), stem) is not None


def sweep(outputs: Iterable[Path]) -> int:
    """Remove the temporary files of outputs and return how many there were."""
    swept = 0
    for path in temporaries(outputs):
        with contextlib.suppress(OSError):
            path.unlink()
            swept += 1
    return swept
