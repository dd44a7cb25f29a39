"""Compiled code on disk: one file for each compiled function and its types, with a checksum, and never relied upon.

A file is a line that names the format, the SHA-256 of what follows, and the pickled key and code. A file that is cut
off, altered or of another key is removed, and its function is compiled anew; where nothing can be written, compiled
code lives in memory alone. Either is told once, through :mod:`logging`, with the name of the folder.

A file appears under its own name when it is complete, and its name follows from its key. A process that is about to
compile claims the file by a lock that ends with it; another that comes to the same code meanwhile waits and finds it.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import logging
import os
import pickle
import re
import secrets
import stat
import tempfile
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import platformdirs
from numba.core import compiler
from numba.core.caching import _Cache
from numba.core.runtime.nrt import rtsys
from numba.core.serialize import dumps

SUFFIX = ".code"
_MARK = b"inkarnat compiled code 1\n"
_SUM = 32
_DAMAGED, _UNWRITABLE = "damaged", "unwritable"

log = logging.getLogger("inkarnat.compiled")


# --- the sources --------------------------------------------------------------------------------------------

_WORDS = re.compile(rb'^[ \t]*(?:[rR]?"""(?:[^"]|"(?!""))*"""[ \t]*|#[^\n]*)\n', re.MULTILINE)
"""Text between triple quotes, and comments, that fill their lines."""


def digest_of(sources: Iterable[Path]) -> Any:
    """Return a SHA-256, which may be added to, of the names and the code of sources; words in them do not count."""
    digest = hashlib.sha256()
    for source in sources:
        digest.update(source.name.encode() + b"\0" + code_of(source.read_bytes()))
    return digest


def code_of(source: bytes) -> bytes:
    """Return a source without its docstrings and the comments on lines of their own: they change no compiled code.

    A text in triple quotes that begins a line counts as a docstring; kernels hold no others, which a test looks after.

    >>> code_of(b"def one():\\n    # a comment\\n    return 1  # one\\n")
    b'def one():\\n    return 1  # one\\n'
    """
    return _WORDS.sub(b"", source)


# --- the folder ---------------------------------------------------------------------------------------------


def _candidates() -> list[Path]:
    chosen = os.environ.get("INKARNAT_CACHE_DIR")
    if chosen:
        return [Path(chosen)]
    user = Path(platformdirs.user_cache_dir("inkarnat", appauthor=False))
    owner = os.getuid() if hasattr(os, "getuid") else os.environ.get("USERNAME", "user")
    places = [user] if user.is_absolute() else []
    with contextlib.suppress(OSError):  # where not a single file can be made
        places.append(Path(tempfile.gettempdir()) / f"inkarnat-{owner}")
    return places


def _is_ours(folder: Path) -> bool:
    """Tell whether the folder belongs to this user alone: compiled code is never loaded from a stranger's."""
    if not hasattr(os, "getuid"):
        return True
    status = folder.stat()
    return status.st_uid == os.getuid() and not status.st_mode & 0o022


refused: dict[Path, str] = {}
"""Folders that could not be used, with the reason."""


def find_folder(digest: str) -> Path | None:
    """Return the folder for the code of sources with this digest, or None where there is none of this user's own.

    The first that can be written is taken, or else the first that holds something; others are in :data:`refused`.
    """
    readable = None
    for base in _candidates():
        folder = base / digest
        try:
            for each in (base, folder):
                if not each.is_dir():
                    each.mkdir(mode=0o700, parents=True, exist_ok=True)
                if not _is_ours(each):
                    raise PermissionError(errno.EPERM, "others may write there, or it is somebody else's")
            if readable is None and holds_any(folder):
                readable = folder
            with tempfile.TemporaryFile(dir=folder):
                return folder
        except (OSError, RuntimeError) as error:
            refused[base] = getattr(error, "strerror", None) or str(error)
    return readable


def holds_any(folder: Path) -> bool:
    """Tell whether any compiled code is kept in a folder."""
    return next(folder.rglob(f"*{SUFFIX}"), None) is not None


# --- one file -----------------------------------------------------------------------------------------------


class _Damaged(Exception):
    """A file that is not what was written."""


def _content(path: Path) -> tuple[Any, Any]:
    """Read key and code. Raises FileNotFoundError, and _Damaged for anything that was not written like this."""
    try:
        # Opened without waiting: a pipe by that name has nobody at its other end.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0))
        with open(handle, "rb") as file:
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                raise _Damaged("it is no file")
            data = file.read()
    except FileNotFoundError:
        raise
    except OSError as error:
        raise _Damaged(error.strerror or str(error)) from None
    body = memoryview(data)[len(_MARK) + _SUM :]
    if data[: len(_MARK)] != _MARK or hashlib.sha256(body).digest() != data[len(_MARK) : len(_MARK) + _SUM]:
        raise _Damaged("its checksum does not agree")
    try:
        key, code = pickle.loads(body)
    except Exception as error:
        raise _Damaged(f"{type(error).__name__}: {error}") from None
    return key, code


def _write(path: Path, key: Any, code: Any) -> None:
    """Write a file whole or not at all. Raises OSError."""
    body = dumps((key, code))
    path.parent.mkdir(mode=0o700, exist_ok=True)
    temporary = path.with_name(f".{path.stem}.{secrets.token_hex(6)}.tmp")
    try:
        temporary.write_bytes(_MARK + hashlib.sha256(body).digest() + body)
        os.replace(temporary, path)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise


def _drop(path: Path) -> None:
    with contextlib.suppress(OSError):
        path.rmdir() if path.is_dir() and not path.is_symlink() else path.unlink()


# --- what is told -------------------------------------------------------------------------------------------

_told: set[str] = set()


def _tell(what: str, folder: Path, reason: str) -> None:
    """Tell once in a process that something is wrong with the folder."""
    if what in _told:
        return
    _told.add(what)
    if what == _DAMAGED:
        log.warning(
            "note: compiled code in %s was damaged (%s); it is compiled anew. "
            "`inkarnat warm --repair` looks through the rest.",
            folder,
            reason,
        )
    else:
        log.warning(
            "note: compiled code cannot be kept in %s (%s); this run goes on without. Make room there or set "
            "INKARNAT_CACHE_DIR, and the next run starts sooner.",
            folder,
            reason,
        )


# --- one function's code ------------------------------------------------------------------------------------


def kept(path: Path, key: Any) -> Any:
    """Return the code that is kept in a file under a key; None where there is none, or none that can be read."""
    try:
        found, code = _content(path)
        if found != key:
            raise _Damaged("it is the code of another function")
        return code
    except FileNotFoundError:
        return None
    except _Damaged as error:
        drop(path, str(error))
        return None


def drop(path: Path, reason: str) -> None:
    """Remove code that cannot be used, and tell it: compiling makes it good."""
    _drop(path)
    _tell(_DAMAGED, path.parent, f"{path.name}: {reason}")


def keep(path: Path, key: Any, code: Any) -> None:
    """Keep code under a key, where that can be."""
    try:
        _write(path, key, code)
    except OSError as error:
        if not path.is_file():  # on some systems a file that another process is reading cannot be replaced
            _tell(_UNWRITABLE, path.parent, error.strerror or str(error))


def path_of(folder: Path, function: str, key: Any) -> Path:
    """Return where the code of a function is kept under a key."""
    name = "".join(sign if sign.isalnum() or sign in "._" else "-" for sign in function)[:80]
    return folder / f"{name}-{hashlib.sha256(repr(key).encode()).hexdigest()[:24]}{SUFFIX}"


# --- one process compiles -----------------------------------------------------------------------------------

_CLAIM = ".claim"
_LONGEST = 60.0
"""Seconds that a process waits for another before it compiles the same: a stopped one holds nobody up for ever."""
_PAUSE = 0.02


@contextlib.contextmanager
def claimed(path: Path) -> Iterator[None]:
    """Compile what is to be kept in a file while others wait, or wait until another process has done so.

    Nobody waits for one that has ended. Where nothing can be claimed, each compiles for itself.
    """
    if path.exists():
        yield
        return
    place = path.with_suffix(_CLAIM)
    try:
        handle = os.open(place, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
    except OSError:
        yield
        return
    try:
        holds = _locked(handle, path)
        yield
        if holds:
            _drop(place)
    finally:
        os.close(handle)


def _locked(handle: int, path: Path) -> bool:
    """Wait for a lock; return False where the code has come meanwhile, or none can be had."""
    try:
        import fcntl
    except ImportError:  # not on every system
        return False
    end = time.monotonic() + _LONGEST
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        except BlockingIOError:
            if path.exists() or time.monotonic() > end:
                return False
            time.sleep(_PAUSE)
        except OSError:
            return False


# --- what numba asks ----------------------------------------------------------------------------------------


class KeptCode(_Cache):
    """The compiled code of one function, by its argument types."""

    def __init__(self, function: Any, folder: Path) -> None:
        module = function.__module__.rpartition(".")[2]
        self._folder, self._function = folder, f"{module}.{function.__qualname__}"
        self._bytecode = hashlib.sha256(function.__code__.co_code).hexdigest()
        self._closed = dumps([cell.cell_contents for cell in function.__closure__]) if function.__closure__ else b""

    @property
    def cache_path(self) -> str:
        """The folder."""
        return str(self._folder)

    def _key(self, signature: Any, codegen: Any) -> tuple[Any, ...]:
        return self._function, self._bytecode, self._closed, signature, codegen.magic_tuple()

    def _path(self, key: tuple[Any, ...]) -> Path:
        return path_of(self._folder, self._function, key)

    def claimed(self, signature: Any, target_context: Any) -> contextlib.AbstractContextManager[None]:
        """Compile for argument types alone, or after another process that is at it."""
        return claimed(self._path(self._key(signature, target_context.codegen())))

    def load_overload(self, signature: Any, target_context: Any) -> Any:
        """Return what is kept for argument types, or None: it is then compiled."""
        rtsys.initialize(target_context)  # what else numba registers, a quarter of a second, only compiling asks for
        key = self._key(signature, target_context.codegen())
        path = self._path(key)
        code = kept(path, key)
        if code is None:
            return None
        try:
            return compiler.CompileResult._rebuild(target_context, *code)
        except Exception as error:  # whatever is wrong with what is kept, compiling makes it good
            drop(path, str(error))
            return None

    def save_overload(self, signature: Any, result: Any) -> None:
        """Keep what was compiled, where that can be."""
        if result.library.has_dynamic_globals or any(not lifted.can_cache for lifted in result.lifted):
            return
        key = self._key(signature, result.codegen)
        keep(self._path(key), key, result._reduce())

    def enable(self) -> None:
        """Stay as it is: what is not to be kept has no such cache."""

    def disable(self) -> None:
        """Stay as it is: what is not to be kept has no such cache."""

    def flush(self) -> None:
        """Forget everything that is kept of this function."""
        for path in self._folder.glob(f"{self._path(()).name[: -24 - len(SUFFIX)]}*{SUFFIX}"):
            _drop(path)


# --- repair -------------------------------------------------------------------------------------------------


@dataclass
class Repaired:
    """What was found in a folder of compiled code.

    :ivar kept: files that are whole. :ivar dropped: names of what was removed, with the reason.
    :ivar left: names of what is wrong and could not be removed.
    """

    kept: int = 0
    dropped: dict[str, str] = field(default_factory=dict)
    left: dict[str, str] = field(default_factory=dict)


def repair(folder: Path) -> Repaired:
    """Look at everything in a folder and remove what is damaged, cut off or not part of it."""
    found = Repaired()
    for path in list(_inside(folder)):
        try:
            if path.suffix != SUFFIX:
                raise _Damaged("left behind by a run that was stopped, or by another program")
            _content(path)
            found.kept += 1
        except FileNotFoundError:
            continue
        except _Damaged as error:
            _drop(path)
            gone = not os.path.lexists(path)
            (found.dropped if gone else found.left)[path.name] = str(error)
    return found


def _inside(folder: Path) -> Iterator[Path]:
    with contextlib.suppress(OSError):
        for path in sorted(folder.iterdir()):
            if not path.name.startswith("openfx-"):  # marks of effects that were made ready
                yield path
