"""Files: outputs that appear whole or not at all, and the errors for inputs and outputs that go wrong."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import ClassVar

from ...kernels.errors import InkarnatError


class InputError(InkarnatError):
    """An input is missing or unreadable."""

    exit_code: ClassVar[int] = 3


class OutputError(InkarnatError):
    """An output cannot be written."""

    exit_code: ClassVar[int] = 5


_MENDS = {
    errno.ENOSPC: "the disk is full; make room or choose another folder",
    errno.EDQUOT: "your share of the disk is used up; make room or choose another folder",
    errno.EFBIG: "the file would be larger than is allowed here; raise the limit or choose another folder",
    errno.EACCES: "writing there is not allowed; choose another folder or change its rights",
    errno.EPERM: "writing there is not allowed; choose another folder or change its rights",
    errno.EROFS: "the disk is read-only; choose another folder",
    errno.ENOENT: "the folder does not exist; make it first",
    errno.ENOTDIR: "a part of the path is a file, not a folder; choose another folder",
    errno.EISDIR: "it is a folder; add a file name",
    errno.ENAMETOOLONG: "the name is too long; choose a shorter one",
    errno.EIO: "the disk reports an error; choose another disk",
}


def output_error(path: Path | str, error: BaseException | str) -> OutputError:
    """Return the OutputError that says why ``path`` cannot be written and what mends it."""
    number = getattr(error, "errno", None)
    reason = _MENDS.get(number) if isinstance(number, int) else None
    if reason is None:
        reason = (getattr(error, "strerror", None) or str(error) or type(error).__name__).rstrip(".")
    return OutputError(f"{path} cannot be written: {reason}{'' if reason.endswith('?') else '.'}")


def check_input(path: Path | str) -> Path:
    """Return the path after checking that it is a file with something in it.

    Raises InputError for a missing, empty or unreadable file or a folder.
    """
    path = Path(path)
    try:
        if path.is_dir():
            raise InputError(f"{path} is a folder: name a file, or a sequence such as {path / 'shot.%04d.exr'}.")
        with path.open("rb") as file:
            if not file.read(1):
                raise InputError(f"{path} is empty (0 bytes): copy or export it again.")
    except FileNotFoundError:
        raise InputError(f"{path} does not exist: check the name.") from None
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror or error}.") from None
    return path


def check_output(path: Path | str, inputs: Iterable[Path | str] = ()) -> Path:
    """Return the path after checking that a file may be put there.

    Raises OutputError where the path is one of the inputs (also under another name), where its folder is
    missing or not writable, or where the path is a folder.
    """
    path = Path(path)
    real = os.path.realpath(path)
    for given in inputs:
        if os.path.realpath(given) == real or (path.exists() and Path(given).exists() and path.samefile(given)):
            raise OutputError(f"{path} is an input as well: inputs are never overwritten; choose another name.")
    folder = path.parent
    if path.is_dir():
        raise output_error(path, OSError(errno.EISDIR, ""))
    if not folder.is_dir():
        missing = errno.ENOENT if not any(parent.is_file() for parent in path.parents) else errno.ENOTDIR
        raise output_error(path, OSError(missing, ""))
    if not os.access(folder, os.W_OK | os.X_OK):
        raise output_error(path, OSError(errno.EACCES, ""))
    return path


class Atomic:
    """A file that is written under a temporary name in the same folder and takes its own name when complete.

    The temporary name keeps the suffix, by which encoders choose a format. Used as a context manager it gives
    the temporary path, commits at the end and discards on an error; a file of the same name that was there
    before stays until the new one is complete, and for good where that fails. A system error in the block
    becomes an OutputError.
    """

    def __init__(self, path: Path | str, inputs: Iterable[Path | str] = ()) -> None:
        self.path = check_output(path, inputs)
        self.temporary = self.path.with_name(f".{self.path.stem[:80]}.{secrets.token_hex(6)}{self.path.suffix}")

    def commit(self) -> None:
        """Bring the temporary file to the disk and give it its own name. Raises OutputError."""
        try:
            with self.temporary.open("rb+") as file:
                os.fsync(file.fileno())
            self.temporary.replace(self.path)
            _sync_folder(self.path.parent)
        except OSError as error:
            self.discard()
            raise output_error(self.path, error) from error

    def discard(self) -> None:
        """Remove the temporary file, where there is one."""
        with contextlib.suppress(OSError):
            self.temporary.unlink()

    def __enter__(self) -> Path:
        return self.temporary

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            self.commit()
            return
        self.discard()
        if isinstance(error, OSError):
            raise output_error(self.path, error) from error


def atomic(path: Path | str, inputs: Iterable[Path | str] = ()) -> Atomic:
    """Return a context manager that gives a temporary path and, at the end, renames it to ``path``.

    :param inputs: files that ``path`` must not be.
    :raises OutputError: the output is an input, its folder is missing or not writable, or writing fails.
    """
    return Atomic(path, inputs)


def _sync_folder(folder: Path) -> None:
    """Make the rename itself last; some file systems offer no such call for folders."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
