"""The one door for writes: outputs appear whole or not at all, and nothing is replaced that was not made here.

A verb enters :func:`writing`, tells what it reads by :func:`reads`, and names all its outputs to :func:`claim` before
it decodes anything: what must not be written is refused there, all of it at once, and what may be is locked. Every
file then goes through :func:`atomic` or :func:`write_text`, which refuse what was not claimed and should have been.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import itertools
import json
import os
import secrets
import shutil
import stat
import sys
import tempfile
import unicodedata
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from . import made
from .locks import Lock as Lock
from .locks import OutputError as OutputError
from .locks import holding
from .locks import locked as locked
from .locks import output_error as output_error
from .locks import sweep as sweep
from .sequences import FOOTAGE, SequencePattern, behind

OVERWRITE = "INKARNAT_OVERWRITE"
"""Set to 1, it allows what ``--overwrite`` allows."""

AnyPath = str | os.PathLike[str]
Frames = Collection[int]


def check_output(path: AnyPath, inputs: Iterable[AnyPath] = ()) -> Path:
    """Return the path after checking that a file may be put there.

    Raises OutputError where the path is one of the inputs (also under another name), where its folder is
    missing or not writable, or where the path is a folder.
    """
    path = Path(path)
    real = os.path.realpath(path)
    for given in inputs:
        if os.path.realpath(given) == real or _is_same(path, given):
            raise _input_error(path)
    folder = path.parent
    try:
        if path.is_dir():
            raise output_error(path, OSError(errno.EISDIR, ""))
        if not folder.is_dir():
            missing = errno.ENOENT if not any(parent.is_file() for parent in path.parents) else errno.ENOTDIR
            raise output_error(path, OSError(missing, ""))
    except OSError as error:  # a folder on the way may not be entered
        raise output_error(path, error) from None
    if not os.access(folder, os.W_OK | os.X_OK):
        raise output_error(path, OSError(errno.EACCES, ""))
    return path


def _is_same(path: Path, other: AnyPath) -> bool:
    try:
        return os.path.samefile(path, other)
    except OSError:
        return False


def _input_error(path: Path) -> OutputError:
    return OutputError(f"{path} is an input as well: inputs are never overwritten; choose another name.")


class TakenError(OutputError):
    """Files are there already that were not made here."""


def check_text(path: AnyPath, kind: str) -> None:
    """Raise OutputError for a name under which no text of this kind is written."""
    path = Path(path)
    if path.suffix.lower() in FOOTAGE:
        raise OutputError(f"{path} has the suffix of footage, and a {kind} is text: choose another suffix.")
    if path.name.endswith(".desk.json") and kind != made.NOTES:
        raise OutputError(f"{path} is the name of the desk's notes on a clip: choose another name.")


# --- what is written part by part --------------------------------------------------------------------------


class OutputWriter:
    """An output that is written part by part. As a context manager it closes at the end and aborts on an error."""

    def close(self) -> None:
        """Finish the output. Raises OutputError."""

    def abort(self) -> None:
        """Leave off: nothing half-written stays, and an earlier file of that name is as it was."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            self.close()
        else:
            self.abort()


# --- one file -----------------------------------------------------------------------------------------------


_WORTH_BRINGING, _BEGIN_WRITING = 1 << 24, 2
"""Bytes from which it is worth to begin, and Linux's flag for that: see sync_file_range(2)."""


def _sync_function() -> Callable[[int, int, int, int], int] | None:
    """Return Linux's function that begins to write a part of a file to the disk, None on other systems."""
    if not sys.platform.startswith("linux"):
        return None
    function: Any = getattr(ctypes.CDLL(None), "sync_file_range", None)
    if function is not None:
        function.argtypes = (ctypes.c_int, ctypes.c_int64, ctypes.c_int64, ctypes.c_uint)
    return function  # type: ignore[no-any-return]


_begin_sync = _sync_function()


class Atomic:
    """A file that is written under a temporary name in the same folder and takes its own name when complete.

    The temporary name keeps the suffix, by which encoders choose a format. Used as a context manager it gives
    the temporary path, commits at the end and discards on an error; a file of the same name that was there
    before stays until the new one is complete, and for good where that fails. A system error in the block
    becomes an OutputError. What goes to a device or a pipe is written elsewhere first, and then through it; behind a
    link, the file that it points to is written.
    """

    def __init__(self, path: AnyPath, inputs: Iterable[AnyPath] = (), kind: str = "") -> None:
        self.path, self.kind = Path(path), kind
        self._through = _is_passage(self.path)
        self.path = self.path if self._through else behind(self.path)
        if self._through:
            folder = _temporary_folder(self.path)
        else:
            check_output(self.path, inputs)
            folder = self.path.parent
        if _now is not None:
            _now.check_claimed(self.path, kind)
        self.temporary = folder / f".{self.path.stem[:80]}.{secrets.token_hex(6)}{self.path.suffix}"
        self._brought = 0

    def bring(self) -> None:
        """Have the system begin to bring what was written since to the disk, and do not wait: the end waits for less.

        Only some systems can; elsewhere all is brought at the end.
        """
        if _begin_sync is None:
            return
        with contextlib.suppress(OSError):
            size = self.temporary.stat().st_size
            if size - self._brought >= _WORTH_BRINGING:
                with self.temporary.open("rb") as file:
                    _begin_sync(file.fileno(), self._brought, size - self._brought, _BEGIN_WRITING)
                self._brought = size

    def commit(self) -> None:
        """Bring the temporary file to the disk and give it its own name. Raises OutputError."""
        try:
            if self._through:
                with self.temporary.open("rb") as source, open(self.path, "wb") as target:
                    shutil.copyfileobj(source, target)
                self.discard()
                return
            with self.temporary.open("rb+") as file:
                os.fsync(file.fileno())
            noted = (_now is not None or _noting) and self.kind != made.NOTES
            known = made.note(self.path, self.temporary, self.kind) if noted else None
            self.temporary.replace(self.path)
            if known is not None:
                made.note(self.path, kind=self.kind, sha256=known)
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


def atomic(path: AnyPath, inputs: Iterable[AnyPath] = (), kind: str = "") -> Atomic:
    """Return a context manager that gives a temporary path and, at the end, renames it to ``path``.

    :param inputs: files that ``path`` must not be. :param kind: of a text, one of :data:`.made.MARKS`.
    :raises OutputError: the output is an input, its folder is missing or not writable, or writing fails.
    """
    return Atomic(path, inputs, kind)


def write_text(path: AnyPath, text: str, kind: str, inputs: Iterable[AnyPath] = ()) -> None:
    """Write a text in UTF-8, whole or not at all. Bytes that a name brought along go as they came.

    :param kind: what the text is, one of :data:`.made.MARKS`.
    :raises OutputError: the name is one of footage, the output is an input, or it cannot be written.
    """
    check_text(path, kind)
    with atomic(path, inputs, kind) as temporary:
        temporary.write_bytes(text.encode("utf-8", "surrogateescape"))


def write_bytes(path: AnyPath, data: bytes, inputs: Iterable[AnyPath] = (), kind: str = "") -> None:
    """Write bytes, whole or not at all. Raises OutputError."""
    with atomic(path, inputs, kind) as temporary:
        temporary.write_bytes(data)


def json_text(data: Any, **options: Any) -> str:
    """Return data as JSON: in plain letters, or, where a name holds bytes that are no UTF-8, in escapes."""
    text = json.dumps(data, ensure_ascii=False, **options)
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return json.dumps(data, ensure_ascii=True, **options)
    return text


def make_folder(path: AnyPath, parents: bool = True) -> Path:
    """Make a folder for outputs where it is missing. Raises OutputError."""
    path = Path(path)
    try:
        path.mkdir(parents=parents, exist_ok=True)
    except OSError as error:
        raise output_error(path, error) from error
    return path


def put_aside(path: Path, aside: Path) -> None:
    """Give a file another name, for what cannot be read. Raises OutputError."""
    try:
        os.replace(path, aside)
    except OSError as error:
        raise output_error(aside, error) from error


def _temporary_folder(path: Path) -> Path:
    try:
        return Path(tempfile.gettempdir())
    except OSError as error:
        raise output_error(path, error) from None


def _is_passage(path: Path) -> bool:
    """Tell whether a device, a pipe or a socket has this name: what is written goes through it and stays nowhere."""
    try:
        mode = path.stat().st_mode
    except OSError:
        return False
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode))


def _sync_folder(folder: Path) -> None:
    """Make the rename itself last; some file systems offer no such call for folders."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


# --- what one verb may write --------------------------------------------------------------------------------

_now: _Writing | None = None


@contextlib.contextmanager
def writing(overwrite: bool = False) -> Iterator[None]:
    """Let the block write what it claims and nothing else that is there already.

    :param overwrite: files that were not made here may be replaced; inputs never.
    """
    global _now
    before, mine = _now, _Writing(overwrite or os.environ.get(OVERWRITE) == "1")
    _now = mine
    try:
        with mine.stack:
            yield
    finally:
        _now = before


_noting = False


@contextlib.contextmanager
def noting() -> Iterator[None]:
    """Note what the block writes as made here; before it replaces anything, it asks by itself."""
    global _noting
    before, _noting = _noting, True
    try:
        yield
    finally:
        _noting = before


def reads(path: AnyPath) -> None:
    """Tell that a file or a numbered sequence is read: it is not written by the same verb."""
    if _now is not None:
        _now.add_input(Path(path))


Decided = Callable[[Path, int | None], bool]
"""Whether it was decided before that a file, of a sequence that of a frame, is replaced."""


def never(path: Path, frame: int | None) -> bool:
    """Nothing was decided before."""
    return False


def always(path: Path, frame: int | None) -> bool:
    """All was decided before."""
    return True


def claim(
    files: Iterable[AnyPath] = (),
    texts: Mapping[Any, str] | Iterable[tuple[Any, str]] = (),
    frames: Frames | None = None,
    decided: Decided = never,
    lock: bool = True,
) -> None:
    """Name all that will be written, before anything is decoded; it is locked until the verb ends.

    :param files: pictures, numbered sequences and video. :param texts: texts with their kinds.
    :param frames: of the sequences. :param decided: what was allowed when a run was submitted.
    :param lock: leave it out for a part of a run, of which others may be at work.
    :raises OutputError: names everything that must not be written, and why; or who is writing it now.
    """
    if _now is not None:
        pairs = list(texts.items() if isinstance(texts, Mapping) else texts)
        _now.claim([Path(path) for path in files], [(Path(path), kind) for path, kind in pairs], frames, decided, lock)


def note_made(path: Path, sha256: str) -> None:
    """Note a file that another process of this run has made."""
    if _now is not None:
        made.note(path, sha256=sha256)


def check_files(files: Iterable[AnyPath], inputs: Iterable[AnyPath], overwrite: bool = False) -> None:
    """Raise OutputError for inputs among files, and TakenError for those that are there and were not made here."""
    asked = _Writing(overwrite)
    for path in inputs:
        asked.add_input(Path(path))
    asked.claim([Path(path) for path in files], [], None, never, lock=False)


def claim_folder(folder: Path) -> None:
    """Name a folder that is the run's own: whatever it writes there is its own."""
    if _now is not None:
        _now.folders.add(os.path.abspath(folder))


class _Writing:
    """What one verb reads, may write, and has locked."""

    def __init__(self, overwrite: bool) -> None:
        self.overwrite = overwrite
        self.stack = contextlib.ExitStack()
        self.inputs: dict[tuple[int, int], Path] = {}
        self.patterns: list[SequencePattern] = []
        self._frames: set[tuple[int, int]] = set()
        self._looked = 0
        self.claimed: set[str] = set()
        self.sequences: list[SequencePattern] = []
        self.folders: set[str] = set()

    # --- what is read -----------------------------------------------------------------------------------------

    def add_input(self, path: Path) -> None:
        pattern = SequencePattern.parse(path)
        if pattern is not None:
            self.patterns.append(pattern)
            return
        with contextlib.suppress(OSError):
            status = path.stat()
            self.inputs[status.st_dev, status.st_ino] = path

    def _is_input(self, path: Path) -> bool:
        with contextlib.suppress(OSError):
            status = path.stat()
            mine = status.st_dev, status.st_ino
            return mine in self.inputs or mine in self._frames_read()
        return False

    def _frames_read(self) -> set[tuple[int, int]]:
        """Return the files of all sequences that are read: links lead to them under other names too."""
        for pattern in self.patterns[self._looked :]:
            for frame in pattern.find_if_any():
                with contextlib.suppress(OSError):
                    status = pattern.path(frame).stat()
                    self._frames.add((status.st_dev, status.st_ino))
        self._looked = len(self.patterns)
        return self._frames

    # --- what is written --------------------------------------------------------------------------------------

    def claim(
        self,
        files: list[Path],
        texts: list[tuple[Path, str]],
        frames: Frames | None,
        decided: Decided,
        lock: bool,
    ) -> None:
        wrong: list[str] = []
        taken: list[str] = []
        for path, kind in [*((path, "") for path in files), *texts]:
            try:
                if kind:
                    check_text(path, kind)
                taken += self._check(path, kind, frames, decided)
            except OutputError as error:
                wrong.append(str(error))
        wrong += _meeting([*files, *(path for path, _ in texts)], frames)
        if taken:
            wrong.append(_taken_words(taken))
        if wrong:
            raise (TakenError if taken and len(wrong) == 1 else OutputError)(" ".join(wrong))
        mine = [path for path in (*files, *(path for path, _ in texts)) if not _is_passage(path)]
        for path in mine:
            pattern = SequencePattern.parse(path)
            if pattern is None:
                self.claimed |= {os.path.abspath(path), os.path.abspath(behind(path))}
            else:
                self.sequences.append(pattern)
            made.tidy(path.parent)
        if lock:
            self.stack.enter_context(holding([behind(path) for path in mine]))

    def _check(self, path: Path, kind: str, frames: Frames | None, decided: Decided) -> list[str]:
        """Return what would be overwritten without leave. Raises OutputError for what is never written."""
        if _is_passage(path):
            return []
        pattern = SequencePattern.parse(path)
        if pattern is None:
            if self._is_input(path):
                raise _input_error(path)
            check_output(path)
            return [str(path)] if self._is_foreign(path, kind, None, decided) else []
        there = [frame for frame in pattern.find_if_any() if frames is None or frame in frames]
        for frame in there:
            if self._is_input(pattern.path(frame)):
                raise _input_error(pattern.path(frame))
        check_output(pattern.path(1))
        foreign = [frame for frame in there if self._is_foreign(pattern.path(frame), kind, frame, decided)]
        if not foreign:
            return []
        first, last = pattern.path(foreign[0]), pattern.path(foreign[-1]).name
        return [str(first) if len(foreign) == 1 else f"{len(foreign)} files from {first} to {last}"]

    def _is_foreign(self, path: Path, kind: str, frame: int | None, decided: Decided) -> bool:
        try:
            if self.overwrite or decided is always or path.stat().st_size == 0:
                return False
        except OSError:
            return False
        if made.is_noted(behind(path), kind) or (kind and made.is_marked(path, kind)):
            return False
        return not (made.is_journalled(path, frame) or decided(path, frame))

    def check_claimed(self, path: Path, kind: str) -> None:
        """Refuse what was not claimed, where it would have been refused."""
        name = os.path.abspath(path)
        if name in self.claimed or os.path.dirname(name) in self.folders:
            return
        if any(p.frame_of(path.name) is not None and _is_same(p.folder, path.parent) for p in self.sequences):
            return
        if self._is_input(path):
            raise _input_error(path)
        if self._is_foreign(path, kind, None, never):
            raise OutputError(_taken_words([str(path)]))


def _meeting(paths: list[Path], frames: Frames | None) -> list[str]:
    """Say which outputs would be one file, or would share some: under any of their names, and as sequences.

    Names that differ in capitals alone count as one, as they do on many disks.
    """
    plain: dict[str, Path] = {}
    patterns: list[tuple[Path, SequencePattern]] = []
    pairs: list[tuple[Path, Path]] = []
    for path in paths:
        pattern = SequencePattern.parse(path)
        if pattern is not None:
            patterns.append((path, replace(pattern, before=_folded(pattern.before), after=_folded(pattern.after))))
        elif not _is_passage(path) and (first := plain.setdefault(_folded(os.path.realpath(path)), path)) is not path:
            pairs.append((first, path))
    for (one, first_of), (other, second_of) in itertools.combinations(patterns, 2):
        if os.path.realpath(one.parent) == os.path.realpath(other.parent) and first_of.meets(second_of, frames):
            pairs.append((one, other))
    for whole, pattern in patterns:
        for path in plain.values():
            frame = pattern.frame_of(_folded(path.name))
            counts = frame is not None and (frames is None or frame in frames)
            if counts and os.path.realpath(path.parent) == os.path.realpath(whole.parent):
                pairs.append((whole, path))
    return [
        f"{one} and {other} are one file, or share some: give each output a name of its own." for one, other in pairs
    ]


def _folded(name: str) -> str:
    """Return what names share that many disks take for one: other capitals, other normal forms (Unicode UAX 15)."""
    return unicodedata.normalize("NFC", name).casefold()


def _taken_words(taken: list[str]) -> str:
    shown = "; ".join(taken[:8]) + (f"; and {len(taken) - 8} more" if len(taken) > 8 else "")
    one = len(taken) == 1 and not taken[0][0].isdigit()
    return (
        f"{shown} {'is' if one else 'are'} there already and {'was' if one else 'were'} not made by Inkarnat, or "
        f"changed since: choose another name, or allow it with --overwrite (or {OVERWRITE}=1)."
    )
