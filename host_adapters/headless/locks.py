"""Locks on outputs, so that two runs never write one, and the sweeping of what a killed run left behind."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import socket
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

from .clips import SequencePattern
from .files import OutputError, output_error


@contextlib.contextmanager
def locked(outputs: Iterable[Path | str]) -> Iterator[None]:
    """Keep other runs away from outputs, and sweep their temporary files before and after.

    Raises OutputError where another run writes one of them.
    """
    paths = sorted(Path(path) for path in outputs)
    with contextlib.ExitStack() as stack:
        for path in paths:
            stack.enter_context(Lock(path))
        sweep(paths)
        try:
            yield
        finally:
            sweep(paths)


class Lock:
    """Keeps a second run away from an output.

    A hidden file beside the output says which process on which machine holds it; the system's own lock on that file
    ends with the process, however it ends, so that what a killed run left is taken over. A file that another machine
    left is not: whether that run still goes on cannot be known here.

    Raises OutputError, which names the holder, where another run writes the output, or where its folder cannot be
    written.
    """

    def __init__(self, output: Path) -> None:
        self.output = output
        self.path = output.with_name(f".{output.name}.lock")
        self._handle = -1

    def __enter__(self) -> Lock:
        while not self._take():
            continue
        os.ftruncate(self._handle, 0)
        holder = {"pid": os.getpid(), "host": socket.gethostname()}
        os.pwrite(self._handle, (json.dumps(holder) + "\n").encode(), 0)
        return self

    def _take(self) -> bool:
        """Lock the file; False where its holder removed it meanwhile."""
        try:
            self._handle = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise output_error(self.output, error) from error
        holder = _holder(os.pread(self._handle, 1000, 0))
        if not _flock(self._handle):
            os.close(self._handle)
            raise self._refusal(holder, "wait for it or stop it")
        if holder.get("host", socket.gethostname()) != socket.gethostname():
            os.close(self._handle)
            raise self._refusal(holder, f"wait for it; if it has ended, remove {self.path}")
        try:
            current = os.stat(self.path).st_ino == os.fstat(self._handle).st_ino
        except FileNotFoundError:
            current = False
        if not current:
            os.close(self._handle)
        return current

    def _refusal(self, holder: dict[str, Any], mend: str) -> OutputError:
        who = f"process {holder['pid']} on {holder['host']}" if {"pid", "host"} <= holder.keys() else "another process"
        return OutputError(f"{self.output} is being written by another run ({who}): {mend}.")

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with contextlib.suppress(OSError):
            self.path.unlink()
        os.close(self._handle)


def _holder(content: bytes) -> dict[str, Any]:
    try:
        holder = json.loads(content)
    except ValueError:
        return {}
    return holder if isinstance(holder, dict) else {}


def _flock(handle: int) -> bool:
    """Take the system's lock; True as well where the system or the file system has none to offer."""
    try:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except ImportError:
        return True
    except OSError as error:
        return error.errno not in (errno.EWOULDBLOCK, errno.EACCES)
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
