"""What the product made itself: a hidden ledger in each folder, and the marks that its texts carry.

A file of pictures is ours where the ledger or a journal beside it knows its size and content; nothing inside the file
counts, as other programs copy that along. A text is ours where the ledger knows it, or where it begins as ours do.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import os
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..kernels.errors import InkarnatError
from .sequences import SequencePattern, spelled

LEDGER = ".inkarnat-made.jsonl"
"""One line for each file that appeared in the folder; the last for a name counts."""

_BLOCK = 1 << 20
_HEAD = 1 << 22
_SPARE_LINES = 2000

log = logging.getLogger("inkarnat.writes")


def content_hash(path: Path) -> str:
    """Return the SHA-256 of a file. Raises OSError."""
    digest = hashlib.sha256()
    with open(path, "rb", buffering=0) as file:
        while block := file.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


# --- the ledger ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Made:
    """A line: a file's size and content, what kind of text it is, what the system said of it, and by which graph.

    :ivar touched: -1 where it was noted before the file took its name.
    """

    size: int
    sha256: str
    kind: str
    changed: int = -1
    touched: int = -1
    inode: int = -1
    graph: str = ""


class _Ledger:
    """The ledger of one folder, read again when it has grown."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / LEDGER
        self._read_to = 0
        self._entries: dict[str, tuple[_Made, ...]] = {}
        self._lines = 0

    def of(self, name: str) -> tuple[_Made, ...]:
        """Return what may lie under a name: the last line, and the one before where that was noted ahead."""
        return self.entries().get(name, ())

    def entries(self) -> dict[str, tuple[_Made, ...]]:
        """Return what may lie under each name, the last line first."""
        with contextlib.suppress(OSError), open(self.path, "rb") as file:
            size = os.fstat(file.fileno()).st_size
            if size < self._read_to:
                self._read_to, self._entries, self._lines = 0, {}, 0
            file.seek(self._read_to)
            data = file.read()
            whole = data[: data.rfind(b"\n") + 1]
            self._read_to += len(whole)
            for line in whole.splitlines():
                self._take(line)
        return self._entries

    def _take(self, line: bytes) -> None:
        self._lines += 1
        with contextlib.suppress(ValueError, TypeError, KeyError, AttributeError, RecursionError):
            data = json.loads(line)
            name = data.pop("name")
            mine = _Made(**data)
            before = [each for each in self._entries.get(name, ()) if each.touched != -1]
            self._entries[name] = (mine, *before) if mine.touched == -1 else (mine,)

    def add(self, name: str, made: _Made) -> None:
        """Add a line; where that cannot be, say so once."""
        entry = {"name": name, **vars(made)}
        try:
            with open(self.path, "ab", buffering=0, opener=_no_link) as file:
                file.write(json.dumps(entry).encode() + b"\n")
        except OSError as error:
            _tell_lost(self.path.parent, error.strerror or str(error))

    def shorten(self) -> None:
        """Leave one line for each name, where most are out of date."""
        entries = self.entries()
        if self._lines <= 2 * len(entries) + _SPARE_LINES:
            return
        temporary = self.path.with_name(f"{LEDGER}.{os.getpid()}")
        lines = ({"name": name, **vars(made)} for name, all_of in entries.items() for made in reversed(all_of))
        text = "".join(json.dumps(line) + "\n" for line in lines)
        with contextlib.suppress(OSError):
            temporary.write_text(text, encoding="ascii")
            os.replace(temporary, self.path)
            self._read_to, self._lines = 0, 0


def _no_link(path: str, flags: int) -> int:
    """Open a file that is no link: what one points to was not made here."""
    return os.open(path, flags | getattr(os, "O_NOFOLLOW", 0), 0o666)


_ledgers: dict[Path, _Ledger] = {}
_lost: set[Path] = set()


def _ledger(folder: Path) -> _Ledger:
    return _ledgers.setdefault(Path(os.path.realpath(folder)), _Ledger(Path(os.path.realpath(folder))))


def _tell_lost(folder: Path, reason: str) -> None:
    if folder not in _lost:
        _lost.add(folder)
        log.warning(
            "note: what was made in %s cannot be noted there (%s): writing it again will need --overwrite.",
            folder,
            reason,
        )


def note(path: Path, content: Path | None = None, kind: str = "", sha256: str | None = None) -> str | None:
    """Note that a file is made here, and return its hash; None where it is not there.

    :param content: where it lies until it takes its name. Noted before, it is known even if the process is killed on
        the way; noted again under its name, it is known without being hashed anew. :param sha256: where it is known.
    """
    try:
        status = os.stat(content or path)
        digest = sha256 or content_hash(content or path)
    except OSError:
        return None
    touched = -1 if content is not None else status.st_ctime_ns  # taking its name touches it
    graph = "" if kind else _graph_of(path)
    made = _Made(status.st_size, digest, kind, status.st_mtime_ns, touched, status.st_ino, graph)
    _ledger(path.parent).add(path.name, made)
    return digest


def tidy(folder: Path) -> None:
    """Keep the ledger of a folder short."""
    _ledger(folder).shorten()


def is_noted(path: Path, kind: str = "") -> bool:
    """Tell whether a file is, as it lies there, one that was made here."""
    return any(made.kind == kind and _is_as_made(path, made) for made in _ledger(path.parent).of(path.name))


def _is_as_made(path: Path, made: _Made) -> bool:
    """Tell whether a file still has the size and the content that were noted."""
    try:
        status = os.stat(path)
        if status.st_size != made.size:
            return False
        look = (status.st_mtime_ns, status.st_ctime_ns, status.st_ino)
        return look == (made.changed, made.touched, made.inode) or content_hash(path) == made.sha256
    except OSError:
        return False


# --- which graph made what ----------------------------------------------------------------------------------

_making: list[tuple[str, SequencePattern | None, str]] = []


@contextlib.contextmanager
def by_graph(outputs: Iterable[str | os.PathLike[str]], graph: str) -> Iterator[None]:
    """Note of every output that appears in the block that this graph made it.

    :param outputs: files and numbered sequences. :param graph: hash of what the graph does.
    """
    mine = [(os.path.realpath(path), SequencePattern.parse(path), graph) for path in map(Path, outputs)]
    _making.extend(mine)
    try:
        yield
    finally:
        for each in mine:
            _making.remove(each)


def _graph_of(path: Path) -> str:
    name = os.path.realpath(path)
    for whole, pattern, graph in reversed(_making):
        if pattern is None:
            if whole == name:
                return graph
        elif pattern.frame_of(path.name) is not None and os.path.dirname(whole) == os.path.dirname(name):
            return graph
    return ""


def is_result(path: Path) -> bool:
    """Tell whether the ledger knows that a graph made a file as it lies there."""
    return any(made.graph and _is_as_made(path, made) for made in _ledger(path.parent).of(path.name))


def frames_of_others(path: Path, graph: str) -> list[int]:
    """Return the frames of a sequence that lie there as other graphs made them, rising; none of what is none."""
    pattern = SequencePattern.parse(path)
    if pattern is None:
        return []
    theirs = (
        pattern.frame_of(name)
        for name, (made, *_) in _ledger(path.parent).entries().items()
        if made.graph not in ("", graph) and _is_as_made(path.parent / name, made)
    )
    return sorted(frame for frame in theirs if frame is not None)


def is_of_graph(path: Path, graph: str, whole: Path | None = None, frame: int | None = None) -> bool | None:
    """Tell whether a graph made a file as it lies there; False where it made it and the file was changed since.

    None where neither the ledger nor the journal beside the file says that this graph made it.

    :param whole: the sequence that the file is the ``frame`` of.
    """
    mine = [made for made in _ledger(path.parent).of(path.name) if made.graph == graph]
    if mine:
        return any(_is_as_made(path, made) for made in mine)
    journals = journals_of(whole or path)
    known = any(_journalled(journal, graph).get(frame) for journal in journals)
    return any(_is_in_journal(path, journal, frame, graph) for journal in journals) if known else None


# --- journals -----------------------------------------------------------------------------------------------


_JOURNAL = ".journal.jsonl"


def journal_path(output: Path) -> Path:
    """Return where the journal of a run lies: beside its first output, and one for all spellings of that one's name."""
    name = spelled(output)
    return name.with_name(f"{name.name}{_JOURNAL}")


def journals_of(output: Path) -> list[Path]:
    """Return the journals that may tell of an output: where it lies now, and where earlier versions had it before.

    Those went by how the name was spelled.
    """
    now, given = journal_path(output), output.with_name(f"{output.name}{_JOURNAL}")
    before = [each for each, name in _journals_in(now.parent) if journal_path(name) == now]
    return list(dict.fromkeys([*before, given, now]))


def is_journalled(path: Path, frame: int | None = None) -> bool:
    """Tell whether a journal beside a file knows it with its size and content.

    :param frame: of the sequence that it belongs to.
    """
    if frame is None:
        return any(_is_in_journal(path, journal) for journal in journals_of(path))
    patterns = ((each, SequencePattern.parse(name)) for each, name in _journals_in(path.parent))
    mine = [each for each, pattern in patterns if pattern is not None and pattern.frame_of(path.name) == frame]
    return any(_is_in_journal(path, journal, frame) for journal in (journal_path(path), *mine))


def _journals_in(folder: Path) -> Iterator[tuple[Path, Path]]:
    """Give the journals in a folder, each with the output that it is called after."""
    with contextlib.suppress(OSError):
        for name in sorted(os.listdir(folder)):
            output = folder / name.removesuffix(_JOURNAL)
            with contextlib.suppress(InkarnatError):  # no output could have such a name
                if name.endswith(_JOURNAL) and spelled(output):
                    yield folder / name, output


def _is_in_journal(path: Path, journal: Path, frame: int | None = None, graph: str = "") -> bool:
    """Tell whether a journal knows a file with its size and content; of a sequence, as this frame.

    :param graph: count only what this graph made.

    Journals lie beside outputs and name each file by frame or, where it is a video, by its range.
    """
    for size, sha256 in _journalled(journal, graph).get(frame, ()):
        with contextlib.suppress(OSError):
            if os.stat(path).st_size == size and content_hash(path) == sha256:
                return True
    return False


_journals: dict[tuple[Path, int, str], dict[int | None, set[tuple[int, str]]]] = {}


def _journalled(journal: Path, graph: str = "") -> dict[int | None, set[tuple[int, str]]]:
    try:
        size = journal.stat().st_size
    except OSError:
        return {}
    if (journal, size, graph) in _journals:
        return _journals[journal, size, graph]
    found: dict[int | None, set[tuple[int, str]]] = {}
    mine = not graph
    with contextlib.suppress(OSError), open(journal, encoding="utf-8", errors="replace") as lines:
        for line in lines:
            with contextlib.suppress(ValueError, TypeError, KeyError, AttributeError):
                entry: Any = json.loads(line)
                if "run" in entry and graph:
                    mine = entry.get("graph") == graph
                if not mine:
                    continue
                frame = int(entry["frame"]) if "frame" in entry else None
                for stamp in entry.get("files", {}).values():
                    found.setdefault(frame, set()).add((int(stamp["size"]), str(stamp["sha256"])))
    _journals[journal, size, graph] = found
    return found


# --- marks of texts -----------------------------------------------------------------------------------------

GRAPH, RUN, PEOPLE, NOTES, READINGS, PAGE, LOOK_UP, CUT, JOB, VERSIONS = (
    *("graph", "run", "people", "notes", "readings", "page", "look-up", "cut", "job", "versions"),
)


def _begins(pattern: bytes) -> Callable[[bytes], bool]:
    return lambda head: re.match(rb"(?:\xef\xbb\xbf)?\s*" + pattern, head) is not None


MARKS: dict[str, Callable[[bytes], bool]] = {
    GRAPH: _begins(rb'\{\s*"inkarnat"\s*:\s*\d'),
    RUN: _begins(rb'\{\s*"inkarnat_run"\s*:\s*\d'),
    PEOPLE: _begins(rb'\{\s*"inkarnat_people"\s*:\s*\d'),
    VERSIONS: _begins(rb'\{\s*"inkarnat_versions"\s*:\s*\d'),
    NOTES: _begins(rb'\{\s*"desk(?:_\w+)?"\s*:\s*\d'),
    READINGS: _begins(rb"frame,(?:\w+,)?angle_degrees,off_line_degrees,chroma_to_luma,"),
    PAGE: lambda head: b"<title>Skin report" in head or b'content="inkarnat"' in head,
    LOOK_UP: lambda head: re.search(rb'\sid="inkarnat-', head) is not None,
    CUT: lambda head: re.search(rb'"inkarnat"\s*:\s*\{', head) is not None,
    JOB: lambda head: head.startswith(b"specificationVersion:") and b"inkarnat" in head.lower(),
}
"""How the texts of each kind begin, as version 0.1.0 wrote them too."""


_HANDED_OVER = (READINGS, PAGE, LOOK_UP, CUT, JOB)
"""Texts that other people and programs go on with; what is done to graphs and their like, the product takes in."""


def is_marked(path: Path, kind: str) -> bool:
    """Tell whether a text carries the mark of its kind, and is none that was handed over and changed since."""
    mark = MARKS.get(kind)
    if mark is None or (kind in _HANDED_OVER and _ledger(path.parent).of(path.name)):
        return False
    try:
        with open(path, "rb") as file:
            return mark(file.read(_HEAD))
    except OSError:
        return False
