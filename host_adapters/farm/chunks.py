"""Chunks: what one worker is given at a time, working on it, and what it tells while it does."""

from __future__ import annotations

import hashlib
import itertools
import json
import os
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any, Protocol

from ...kernels import devices
from ...kernels.devices import DeviceError
from ..graphs.graph import Graph, Pairs
from ..graphs.outputs import JOIN, Output
from ..graphs.rendering import render_frames
from ..media.clips import Clip, open_clip
from ..media.files import InputError
from ..media.video_format import READ_SUFFIXES, SUFFIXES
from ..sequences import SequencePattern
from .journal import Stamp
from .plates import Key, Look, Plate, Used, Watch
from .segments import SegmentWriter, segment_folder

MOST = 240
"""Frames of a chunk at most."""

_PARTS, _LEAST_VIDEO = 64, 12
_ENDS = 65536


# --- what is to be done -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Job:
    """All that a worker has to know of a run: a value that can be pickled, its paths absolute.

    :ivar inputs, outputs: (name, path) pairs; the first input gives size and rate.
    :ivar assumed: (name, (what, value) pairs) of inputs that are not read by their tags alone.
    :ivar identity: a hash of everything that the pictures depend on beside the plates: equal identities and equal
        plates, equal bits.
    :ivar state: what the system says of the inputs that stay open, so that no worker keeps one that was replaced.
    :ivar device: what every frame is worked out on. Another one gives other bits, so it is part of the identity.
    :ivar older: identities by which earlier versions knew it; they took in the plates, by size and both ends.
    """

    graph: Graph
    inputs: Pairs
    outputs: Pairs
    codec: str | None
    identity: str
    assumed: tuple[tuple[str, tuple[tuple[str, Any], ...]], ...] = ()
    older: tuple[str, ...] = ()
    state: tuple[str, ...] = ()
    device: str = devices.PROCESSOR

    @classmethod
    def of(
        cls,
        graph: Graph,
        clips: Mapping[str, Clip],
        outputs: Mapping[str, str],
        codec: str | None = None,
        device: str | None = None,
    ) -> Job:
        """Describe a run. Raises InputError where an input cannot be read, GraphError for outputs that do not fit.

        :param device: where it works; the one that is asked for where None is named.
        """
        device = devices.asked_for() if device is None else device
        for name in outputs:
            Output.of(graph, name)
        assumed = {name: given for name, clip in clips.items() if (given := _beyond_tags(clip))}
        rest = [codec, *([assumed] if assumed else []), *sorted(name for name in outputs if JOIN in name)]
        rest += [device] if device != devices.PROCESSOR else []
        fingerprints = {name: [_fingerprint(path) for path in clip.paths()] for name, clip in clips.items()}
        named = {name: [type(clip).__name__, clip.path.name] for name, clip in clips.items()}
        identity = _identity(version("inkarnat"), graph.to_dict(), named, *rest)
        older = (_identity(_FIRST, graph.to_dict(), fingerprints, *rest),)
        inputs = tuple((name, os.path.abspath(clip.path)) for name, clip in clips.items())
        files = tuple((name, os.path.abspath(p)) for name, p in outputs.items())
        read_as = tuple((name, tuple(given.items())) for name, given in assumed.items())
        state = tuple(look.token for clip in clips.values() if (look := Look.of(clip.path)) is not None)
        return cls(graph, inputs, files, codec, identity, read_as, older, state, device)

    @property
    def identities(self) -> tuple[str, ...]:
        """Every identity by which this job may be known."""
        return (self.identity, *self.older)

    def shown(self, output: str) -> Output:
        """Return what the file of an output shows."""
        return Output.of(self.graph, output)

    @property
    def videos(self) -> dict[str, Path]:
        """The outputs that are one file of many frames."""
        return {name: Path(path) for name, path in self.outputs if Path(path).suffix.lower() in SUFFIXES}

    @property
    def pictures(self) -> dict[str, Path]:
        """The outputs that are pictures: a file for each frame, or a single one."""
        return {name: Path(path) for name, path in self.outputs if name not in self.videos}

    @property
    def size(self) -> int:
        """The least number of frames that is worth a chunk: opening and seeking in a video costs several."""
        moving = [*self.videos.values(), *(p for _, p in self.inputs if Path(p).suffix.lower() in READ_SUFFIXES)]
        return _LEAST_VIDEO if moving else 1


def _identity(*content: Any) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:32]


_FIRST = "0.1.0"
"""The version whose runs are known by the fingerprints of their plates."""


def _beyond_tags(clip: Clip) -> dict[str, Any]:
    """Return how a clip is read otherwise than by its tags."""
    return {what: value for what, value in clip.assumed.items() if value is not None and (what, value) != _REFUSED}


_REFUSED = ("interlaced", False)
"""What holds anyway."""


def _fingerprint(path: Path) -> list[Any]:
    """Tell one content from another by size and both ends: no clock, and no reading of hours of video."""
    try:
        with open(path, "rb") as file:
            size = os.fstat(file.fileno()).st_size
            digest = hashlib.sha256(file.read(_ENDS))
            file.seek(max(0, size - _ENDS))
            digest.update(file.read(_ENDS))
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror or error}.") from None
    return [size, digest.hexdigest()]


@dataclass(frozen=True)
class Chunk:
    """Frames that one worker takes in one go, rising.

    :ivar careful: each frame is finished before the next is touched, so that it is known of which one a worker died.
    """

    frames: tuple[int, ...]
    careful: bool = False

    def without(self, left_out: Iterable[int]) -> Chunk:
        """Return the chunk without some of its frames."""
        gone = set(left_out)
        return Chunk(tuple(frame for frame in self.frames if frame not in gone), self.careful)

    def __str__(self) -> str:
        """As the command line takes frames: 1-12, 1-23x2 or 1,5,9."""
        first, last, count = self.frames[0], self.frames[-1], len(self.frames)
        if count == 1:
            return str(first)
        step = (last - first) // (count - 1)
        if step and self.frames == tuple(range(first, last + 1, step)):
            return f"{first}-{last}" + (f"x{step}" if step > 1 else "")
        return ",".join(map(str, self.frames))


def chunk_size(total: int, least: int) -> int:
    """Return how many frames a chunk has; it depends on the run alone, so that a resumed run cuts alike."""
    return max(least, min(MOST, -(-total // _PARTS)))


def cut(frames: Iterable[int], size: int) -> Iterator[Chunk]:
    """Cut frames into chunks, one after the other, without ever holding all of them."""
    rest = iter(frames)
    while part := tuple(itertools.islice(rest, size)):
        yield Chunk(part)


# --- what is told -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Done:
    """A frame whose picture files are complete.

    :ivar used, plates: what it was made from, by content, and what is known of those files.
    """

    frame: int
    files: Mapping[str, Stamp] = field(default_factory=dict)
    used: Used = field(default_factory=dict)
    plates: Mapping[Key, Plate] = field(default_factory=dict)


@dataclass(frozen=True)
class Failed:
    """A frame that failed, and why; with the traceback of the error, where there was one."""

    frame: int
    reason: str
    trace: str = ""


@dataclass(frozen=True)
class Finished:
    """A chunk that is worked through, and its segments of video."""

    chunk: Chunk
    files: Mapping[str, Stamp] = field(default_factory=dict)


Event = Done | Failed | Finished
Tell = Callable[[Event], None]


class Engine(Protocol):
    """Works through chunks somewhere; when it returns or raises, nobody works on the job any more."""

    def __call__(self, job: Job, chunks: Iterator[Chunk], tell: Tell) -> None:
        """Tell the events of all chunks as they come, in any order between chunks."""


# --- working ------------------------------------------------------------------------------------------------


def work(job: Job, chunk: Chunk, tell: Tell) -> None:
    """Render the frames of a chunk: pictures straight into place, video as one segment for each output.

    A frame that fails is told and the rest is done. Raises OutputError where an output cannot be written.
    """
    try:
        clips, watch = _clips(job)
        device = devices.opened(job.device)
    except (InputError, DeviceError) as error:
        for frame in chunk.frames:
            tell(Failed(frame, str(error)))
        tell(Finished(chunk))
        return
    failed: set[int] = set()

    traces: dict[int, str] = {}

    def caught(frame: int, error: Exception) -> None:
        traces[frame] = "".join(traceback.format_exception(error))

    def fail(frame: int, reason: str) -> None:
        failed.add(frame)
        tell(Failed(frame, reason, traces.pop(frame, "")))

    def advance(frame: int) -> None:
        if frame not in failed:
            files = {name: Stamp.of(_at(path, frame)) for name, path in job.pictures.items()}
            tell(Done(frame, files, watch.used(frame), watch.of(frame)))

    with ExitStack() as stack:
        files = {name: stack.enter_context(_writer(job, name, chunk, clips, watch)) for name, _ in job.outputs}
        overlap = not chunk.careful
        told = {"progress": advance, "on_error": fail, "caught": caught}
        frames = chunk.frames
        render_frames(job.graph, clips, files, frames, overlap=overlap, device=device, **told)  # type: ignore[arg-type]
    segments = {name: w for name, w in files.items() if isinstance(w, SegmentWriter)}
    tell(Finished(chunk, {name: w.segment.stamp for name, w in segments.items() if w.segment is not None}))


def _at(path: Path, frame: int) -> Path:
    pattern = SequencePattern.parse(path)
    return path if pattern is None else pattern.path(frame)


def _writer(job: Job, name: str, chunk: Chunk, clips: Mapping[str, Clip], watch: Watch) -> Any:
    path, shown = Path(dict(job.outputs)[name]), job.shown(name)
    main = next(iter(clips.values()))
    if name not in job.videos:
        inputs = [file for clip in clips.values() for file in clip.paths()]
        return shown.open(path, main, None, inputs)
    place = segment_folder(path) / f"{chunk.frames[0]:08d}-{chunk.frames[-1]:08d}{path.suffix}"
    return SegmentWriter(place, main, job.codec, shown, job.identity, watch.used)


@lru_cache(maxsize=1)
def _clips(job: Job) -> tuple[dict[str, Clip], Watch]:
    """Open the inputs once in each process, and watch what is read of them."""
    assumed = {name: dict(given) for name, given in job.assumed}
    clips = {name: open_clip(path, **assumed.get(name, {})) for name, path in job.inputs}
    return clips, Watch(job.graph, [name for name, _ in job.outputs], clips)
