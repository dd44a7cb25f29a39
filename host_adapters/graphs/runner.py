"""The runner: works graphs out frame by frame, holding each picture only as long as something still reads it."""

from __future__ import annotations

import itertools
import logging
import time
import traceback
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, nullcontext
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Protocol

import numpy as np

from ...kernels import devices, fused
from ...kernels.arrays import Floats
from ...kernels.codes import CodedPicture
from ...kernels.errors import InkarnatError
from ...kernels.strips import PictureInto, Unmade, settle, thread_count
from ...nodes.declare import Node
from .errors import GraphError, NodeError
from .graph import Graph, Step
from .pipeline import InWork, ReadAhead, Result, StageTimes, Taken, WriteBehind

log = logging.getLogger("inkarnat.run")

Key = tuple[str, int]
"""A source or node id, and a frame."""
Fetch = Callable[[str, int], Floats]
"""Returns the picture of a source at a frame."""
Value = Any
"""What a node gives: a picture, a matte, a lazy matte for the one node that reads it, or a picture yet to be made."""
Held = dict[Key, Value]
"""Values that a node over several frames will read again at the next frame."""


MOST_PICTURES = 48
"""Pictures of the size of the largest source that one frame may hold at once."""
MOST_HELD = 256 * 1024**2
"""Bytes that one frame may hold at once however small its sources are."""


class Store(Protocol):
    """Remembers what steps gave, from one call to the next: each value by the settings and pictures that made it."""

    def find(self, origin: str, frame: int) -> Floats | None:
        """Return what a step gave at a frame, None where it has to be worked out."""

    def keep(self, origin: str, frame: int, value: Floats) -> None:
        """Remember it. The value is to be looked at only."""


@dataclass(frozen=True)
class _Job:
    """One node to work on one frame, and for each connected port the values it reads, in order of frames."""

    step: Step
    node: Node
    frame: int
    reads: list[tuple[str, tuple[Key, ...]]]

    @property
    def key(self) -> Key:
        """The value it gives."""
        return self.step.id, self.frame

    @property
    def over_time(self) -> bool:
        """Whether the node takes several frames on each port."""
        return self.node.frames_needed() != (0, 0)


class _Values:
    """The pictures of one run: fetched or worked out once, forgotten after their last use."""

    def __init__(
        self, uses: Counter[Key], lasting: set[Key], fetch: Fetch, held: Held | None, coded: Collection[Key] = ()
    ) -> None:
        self.uses, self.lasting, self.fetch, self.held, self.coded = uses, lasting, fetch, held, coded
        self.values: Held = dict(held or {})
        self.size = sum(value.nbytes for value in self.values.values())
        self.largest = max((value.nbytes for value in self.values.values()), default=0)

    def have(self, found: Mapping[Key, Floats]) -> None:
        """Take over what is known already; it counts like a picture of a source."""
        for key, value in found.items():
            self.largest = max(self.largest, value.nbytes)
            self.put(key, value)

    def put(self, key: Key, value: Value) -> None:
        self.values[key] = value
        self.size += value.nbytes
        self._check_size()
        if self.held is not None and key in self.lasting:
            self.held[key] = value

    def take(self, key: Key) -> Any:
        """Return a value that is read now."""
        if key not in self.values:
            picture = self.fetch(*key)
            if isinstance(picture, CodedPicture) and key not in self.coded:
                picture = np.asarray(picture)
            self.largest = max(self.largest, picture.nbytes)
            self.put(key, picture)
        value = self.values[key]
        self.uses[key] -= 1
        if not self.uses[key]:
            del self.values[key]
            self.size -= value.nbytes
        return value

    def _check_size(self) -> None:
        """Refuse a graph that would fill the memory: one from a stranger may join hundreds of pictures in one place."""
        most = max(MOST_HELD, MOST_PICTURES * self.largest)
        if self.size > most:
            raise GraphError(
                f"The graph holds {len(self.values)} pictures of {self.size / 2**20:.0f} MB in all at once, and "
                f"{most / 2**20:.0f} MB are allowed: split it into smaller graphs, or write fewer outputs."
            )


class Runner:
    """Works out the outputs of a graph, one frame at a time.

    A node whose ``frames_needed()`` is (before, after) other than (0, 0) gets, on every port, a tuple of
    before + 1 + after arrays in order of frames, its own frame at index ``before``.
    """

    def __init__(self, graph: Graph) -> None:
        self.graph = graph
        self._told: set[str] = set()
        self._repeated: dict[tuple[str, ...], _Repeated] = {}

    def run_frame(
        self,
        frame: int,
        sources: Mapping[str, Floats] | Fetch,
        wanted: Collection[str] | None = None,
        held: Held | None = None,
        unmade: Collection[str] = (),
    ) -> dict[str, Floats]:
        """Return the wanted outputs (all where None) at a frame, as arrays by output name.

        :param sources: pictures by source name, the same for every frame, or a function (source, frame) → picture,
            asked once for each picture and only for those that are needed.
        :param held: a dictionary, empty at first, that the caller keeps from frame to frame of one run, so that a
            node over several frames does not ask for the same frame again; it never outgrows the frames in reach.
        :param unmade: outputs that may come as :class:`Unmade`, where nothing else reads them.

        Raises GraphError for an unknown output or a source that is not given, and NodeError, which names the node
        and the frame, where a node fails; whatever ``sources`` raises passes through.
        """
        return self.values(frame, sources, self.graph.origins(wanted), held, unmade=unmade)

    def values(
        self,
        frame: int,
        sources: Mapping[str, Floats] | Fetch,
        origins: Mapping[str, str],
        held: Held | None = None,
        store: Store | None = None,
        unmade: Collection[str] = (),
    ) -> dict[str, Floats]:
        """Return what sources and nodes of the graph give at a frame, under the names of ``origins``.

        :param store: is asked for each step before it is worked out, and given what was. Steps that pass their picture
            on are then left out: they would make copies. The other parameters are those of :meth:`run_frame`.

        Raises as :meth:`run_frame`.
        """
        fetch = sources if callable(sources) else _still(sources)
        alone = store is None and devices.current() is None
        repeated = self._repeated.get(tuple(origins.values())) if alone and not held else None
        if repeated is not None:
            shown = {name: (origin, frame) for name, origin in origins.items()}
            jobs, uses, joined = repeated.at(frame)
            lasting, found = set[Key](), {}
        else:
            plan = _Plan(self.graph, store)
            shown = {name: plan.place(origin, frame) for name, origin in origins.items()}
            jobs, uses, lasting = plan.made(shown.values(), held or {})
            joined = _joined(jobs, uses) if alone else {}
            if alone and not held and not any(job.step.keyed or job.over_time for job in jobs):
                self._repeated[tuple(origins.values())] = _Repeated(jobs, uses, joined)
            if held is not None:
                for key in [key for key in held if key not in uses]:
                    del held[key]
            found = plan.found
        named = {shown[name] for name in unmade} if alone else set()
        last = {
            job.key
            for job in jobs
            if job.key in named and uses[job.key] == 1 and not job.over_time and job.node.gives_strips()
        }
        values = _Values(uses, lasting, fetch, held, _coded(jobs, shown.values(), last) if alone else ())
        values.have(found)
        try:
            for job in jobs:
                if job.key in last:
                    values.put(job.key, _unmade(job, values))
                    continue
                value = self._sent(job, _work(job, values, joined.get(job.key, "process")))
                values.put(job.key, value)
                if store is not None:
                    store.keep(*job.key, value)
            return {name: values.take(key) for name, key in shown.items()}
        finally:
            settle()  # what has been begun for a picture that another thread makes

    def _sent(self, job: _Job, value: Value) -> Value:
        """Return a value where a device is in use on it; say once of each step that the processor works it out."""
        if devices.current() is None or isinstance(value, devices.OnDevice):
            return value
        if job.step.id not in self._told:
            self._told.add(job.step.id)
            log.warning("note: %s has no kernel for the graphics card and runs on the processor", job.step)
        sent: Value = devices.sent(value)
        return sent

    def needs(self, frame: int, wanted: Collection[str] | None = None) -> list[Key]:
        """Return the sources and frames that the wanted outputs (all where None) at a frame are made from.

        The frames may lie beyond a clip's ends.
        """
        shown = [(origin, frame) for origin in self.graph.origins(wanted).values()]
        _, uses, _ = _Plan(self.graph, None).made(shown, {})
        return [key for key in uses if key[0] in self.graph.sources]


class _Plan:
    """What has to be worked out for some values of a graph, and what is known already."""

    def __init__(self, graph: Graph, store: Store | None) -> None:
        self.graph, self.store = graph, store
        self.passes_over = store is not None or devices.current() is not None
        self.found: dict[Key, Floats] = {}

    def place(self, origin: str, frame: int) -> Key:
        """Return where a value comes from: with a store or on a device, what passes its picture on is left out."""
        while self.passes_over and (step := self.graph.by_id.get(origin)) is not None:
            node = step.node_at(frame)
            if not node.is_identity():
                break
            origin = dict(step.inputs)[next(iter(node.inputs()))]
        return origin, frame

    def made(self, shown: Iterable[Key], held: Held) -> tuple[list[_Job], Counter[Key], set[Key]]:
        """Return the jobs in order, how often each value is read, and which a later frame may read again."""
        uses = Counter(shown)
        frames_of: dict[str, set[int]] = {}
        for origin, at in uses:
            frames_of.setdefault(origin, set()).add(at)
        jobs: list[_Job] = []
        lasting: set[Key] = set()
        for step in reversed(self.graph.order_to(dict.fromkeys(origin for origin, _ in uses))):
            for at in sorted(frames_of.get(step.id, ()), reverse=True):
                if (step.id, at) in held or self._is_known(step.id, at):
                    continue
                job = self._job(step, at)
                jobs.append(job)
                for _, keys in job.reads:
                    uses.update(keys)
                    for origin, needed in keys:
                        frames_of.setdefault(origin, set()).add(needed)
                    if job.over_time:
                        lasting.update(keys)
        return jobs[::-1], uses, lasting

    def _job(self, step: Step, frame: int) -> _Job:
        node = step.node_at(frame)
        before, after = node.frames_needed()
        frames = range(frame - before, frame + after + 1)
        return _Job(step, node, frame, [(port, tuple(self.place(o, at) for at in frames)) for port, o in step.inputs])

    def _is_known(self, origin: str, frame: int) -> bool:
        value = None if self.store is None else self.store.find(origin, frame)
        if value is not None:
            self.found[origin, frame] = value
        return value is not None


class _Repeated:
    """What is to be worked out at every frame alike: no step has keyframes or reads other frames."""

    def __init__(self, jobs: Iterable[_Job], uses: Counter[Key], joined: Mapping[Key, str]) -> None:
        self._jobs = [(job.step, job.node, [(port, keys[0][0]) for port, keys in job.reads]) for job in jobs]
        self._uses = [(origin, count) for (origin, _), count in uses.items()]
        self._joined = [(origin, way) for (origin, _), way in joined.items()]

    def at(self, frame: int) -> tuple[list[_Job], Counter[Key], dict[Key, str]]:
        """Return the jobs at a frame in order, how often each value is read, and the mattes that need not be whole."""
        jobs = [
            _Job(step, node, frame, [(port, ((origin, frame),)) for port, origin in reads])
            for step, node, reads in self._jobs
        ]
        uses = Counter({(origin, frame): count for origin, count in self._uses})
        return jobs, uses, {(origin, frame): way for origin, way in self._joined}


def _joined(jobs: Collection[_Job], uses: Counter[Key]) -> dict[Key, str]:
    """Return the mattes that need not be whole, and what gives them so: one node alone reads them, and takes that."""
    reads = [(job.node, port, keys[0]) for job in jobs for port, keys in job.reads if uses[keys[0]] == 1]
    unwritten = {job.key for job in jobs if job.node.gives_unwritten()}
    unwritten &= {key for node, port, key in reads if port in node.takes_unwritten()}
    rows = {job.key for job in jobs if job.node.gives_rows()}
    rows &= {key for node, port, key in reads if port in node.takes_rows()}
    return dict.fromkeys(unwritten, "unwritten") | dict.fromkeys(rows, "rows")


def _coded(jobs: Iterable[_Job], shown: Collection[Key], last: Collection[Key]) -> set[Key]:
    """Return the values that all who read them take as they lie in planes.

    :param shown: what is wanted as it is. :param last: what is made later, strip by strip.
    """
    taken, refused = set[Key](), set(shown)
    for job in jobs:
        ports = job.node.takes_coded() if job.key in last or not job.node.gives_strips() else ()
        for port, keys in job.reads:
            (taken if port in ports and not job.over_time else refused).update(keys)
    return taken - refused


def _still(pictures: Mapping[str, Floats]) -> Fetch:
    def fetch(source: str, frame: int) -> Floats:
        if source not in pictures:
            raise _unbound(source)
        return pictures[source]

    return fetch


def _unbound(source: str) -> GraphError:
    return GraphError(f"The graph reads the source {source!r}, and no picture is given for it.")


def _arguments(job: _Job, values: _Values) -> dict[str, Any]:
    """Take what a node reads."""
    arguments: dict[str, Any] = {}
    for port, keys in job.reads:
        pictures = tuple(values.take(key) for key in keys)
        arguments[port] = pictures if job.over_time else pictures[0]
    return arguments


def _work(job: _Job, values: _Values, way: str) -> Value:
    """Work a node out by one of its methods: what is joined to its reader comes as a lazy matte, or unwritten."""
    arguments = _arguments(job, values)
    with _naming(job):
        result: Value = getattr(job.node, way)(**arguments)
    return result


def _unmade(job: _Job, values: _Values) -> Unmade:
    """Return what works a node out later."""
    arguments = _arguments(job, values)
    node: Any = job.node

    def make(into: PictureInto | None) -> Any:
        with _naming(job):
            return node.process(**arguments) if into is None else node.process_into(into, **arguments)

    picture = next(value for value in arguments.values() if len(value.shape) == 3)
    return Unmade(picture.shape, sum(value.nbytes for value in arguments.values()), make)


@contextmanager
def _naming(job: _Job) -> Iterator[None]:
    """Name the node and the frame in what it raises."""
    try:
        yield
    except Exception as error:
        raise NodeError(f"{job.step} failed at frame {job.frame}: {_reason(error)}") from error


def _reason(error: Exception) -> str:
    """Say what went wrong; what is no message of ours with the kind of error before it."""
    return str(error) if isinstance(error, InkarnatError) else f"{type(error).__name__}: {error}"


# --- whole clips --------------------------------------------------------------------------------------------


class Clip(Protocol):
    """What the runner asks of a clip: its frame numbers in rising order, and the picture at one of them."""

    @property
    def frames(self) -> Any:
        """The frame numbers, rising."""

    def read(self, frame: int) -> Floats:
        """Return the picture at a frame."""


class Writer(Protocol):
    """What the runner asks of an output."""

    def write(self, frame: int, picture: Any) -> None:
        """Write the picture of a frame.

        One that has ``prepared(frame, picture or frame that was read)`` is given what that returns instead: it is
        called in any thread, and for frames in any order.
        """


@dataclass
class Report:
    """What a run did: frames written, frames that failed with the reason for each, and the seconds it took.

    :ivar kept: how many of those frames were complete before and only looked at. :ivar times: where the seconds went.
    """

    done: list[int] = field(default_factory=list)
    failed: dict[int, str] = field(default_factory=dict)
    seconds: float = 0.0
    kept: int = 0
    times: StageTimes = field(default_factory=StageTimes, repr=False, compare=False)
    error: Exception | None = field(default=None, repr=False, compare=False)
    """The first error, with the traceback of where it was raised."""

    def as_dict(self) -> dict[str, Any]:
        """Return the report as JSON data."""
        failed = [{"frame": frame, "reason": reason} for frame, reason in self.failed.items()]
        kept = {"complete_before": self.kept} if self.kept else {}
        return {"done": len(self.done), **kept, "failed": failed, "seconds": round(self.seconds, 3)}


def render(
    graph: Graph,
    sources: Mapping[str, Clip],
    outputs: Mapping[str, Writer],
    frames: Iterable[int],
    *,
    progress: Callable[[int], object] | None = None,
    on_error: Callable[[int, str], object] | None = None,
    caught: Callable[[int, Exception], object] | None = None,
    overlap: bool = True,
    device: devices.Device | None = None,
) -> Report:
    """Work through the frames in order and write each output; a frame that fails is recorded and the rest done.

    Frames are read ahead and written behind, in threads of their own, while others are worked out: one, or with many
    cores some side by side, where no node reads several frames; as many wait for each stage. The outputs of a frame
    are written only when all of them are worked out.
    ``progress`` and ``on_error`` are told the frame, the latter with the reason, in order and in the caller's thread.
    ``caught`` is given an error itself as soon as it is raised; the report keeps the first.
    Without ``overlap`` each frame is read, worked out and written before the next is touched.
    On a ``device`` a few frames are worked out side by side: what comes in, work and what goes out overlap there.
    A clip of one picture stands still; a node over several frames reads a clip's first and last frames again where it
    would look beyond them.

    Raises GraphError, before any frame is read, for an unknown output or a source without a clip, and whatever a
    writer raises: an output that cannot be written ends the run.
    """
    needed = graph.sources_of(outputs)
    for source in needed:
        if source not in sources:
            raise _unbound(source)
    began, report = time.perf_counter(), Report()
    held = Held()
    frames = frames if isinstance(frames, Collection) else list(frames)
    is_still = _is_still(graph, outputs)
    at_once = _frames_at_once(sources.values(), device) if is_still and overlap else 1
    runner = Runner(graph)
    waiting = at_once if overlap else 1
    origins = graph.origins(outputs)
    passed = {name for name, origin in origins.items() if is_still and origin in sources}
    made = [name for name in outputs if name not in passed]
    one_picture = fused.in_single_steps if len(frames) == 1 else nullcontext

    with_little_memory = getattr(device, "worked", None)  # what a card does where a frame does not fit beside others

    def work(frame: int, take: Callable[[str, int], Taken]) -> Mapping[str, Any] | Exception:
        """Work a frame out as far as its order does not matter."""
        with report.times.measured("work"), one_picture():
            attempt = partial(worked, frame, take)
            return attempt() if with_little_memory is None else with_little_memory(attempt)

    def worked(frame: int, take: Callable[[str, int], Taken]) -> Mapping[str, Any] | Exception:
        try:
            pictures: dict[str, Any] = {name: take(origins[name], frame) for name in passed}
            if made:
                pictures |= runner.run_frame(frame, lambda source, at: _seen(take(source, at)), made, held, made)
            for name, picture in pictures.items():
                if isinstance(picture, Unmade) and not hasattr(outputs[name], "prepared"):
                    pictures[name] = picture.picture
        except Exception as error:
            return error
        try:
            return {name: _prepared(outputs[name], frame, pictures.pop(name)) for name in list(pictures)}
        except NodeError as error:
            return error

    def write(frame: int, pictures: Mapping[str, Any]) -> None:
        for name, writer in outputs.items():
            writer.write(frame, pictures[name])

    def put(frame: int, result: Mapping[str, Any] | Exception) -> None:
        if isinstance(result, Exception):
            log.debug("frame %d failed", frame, exc_info=result)
            if caught is not None:
                caught(frame, result)
            report.error = report.error or _without_pictures(result)
        behind.put(frame, _reason(result) if isinstance(result, Exception) else result)

    def tell(frame: int, result: Result) -> None:
        if isinstance(result, str):
            report.failed[frame] = result
            if on_error is not None:
                on_error(frame, result)
        else:
            report.done.append(frame)
        if progress is not None:
            progress(frame)

    reach = sum(step.node.frames_needed()[1] for step in graph.order(outputs))
    for clip in sources.values():
        if hasattr(clip, "remember"):
            clip.remember(reach + at_once + waiting + (2 if at_once > 1 else 0), waiting)
    with ExitStack() as stack:
        stack.enter_context(devices.using(device))
        reader = stack.enter_context(_Reader(sources, frames if overlap else (), waiting, report.times))
        behind = stack.enter_context(WriteBehind(write, tell, waiting, report.times))
        in_work = stack.enter_context(InWork(at_once, report.times))
        for frame in frames:
            take = reader.taken(frame, needed) if is_still else reader.at(frame)
            in_work.put(frame, partial(work, frame, take))
            for item in in_work.finished():
                put(*item)
            if not overlap:
                behind.settle()
        for item in in_work.finished(everything=True):
            put(*item)
    report.seconds = time.perf_counter() - began
    return report


def _without_pictures(error: Exception) -> Exception:
    """Return an error whose traceback holds lines alone: it would keep the pictures of its frame in memory."""
    cause: BaseException | None = error
    while cause is not None:
        traceback.clear_frames(cause.__traceback__)
        cause = cause.__cause__ or cause.__context__
    return error


_THREADS_A_FRAME, _MOST_AT_ONCE = 4, 6
"""Threads for each frame that is worked on beside others, and how many frames are at most."""

_MOST_IN_WORK = 1 << 30
"""Bytes that all frames together may take that are worked on side by side, when each takes seven of its pictures."""


def _frames_at_once(clips: Iterable[Any], device: devices.Device | None) -> int:
    """Return how many frames to work on side by side."""
    largest = max((12 * clip.width * clip.height for clip in clips if hasattr(clip, "width")), default=1)
    if device is not None:
        return device.frames_at_once(largest)
    wanted = min(thread_count() // _THREADS_A_FRAME, _MOST_AT_ONCE, _MOST_IN_WORK // (7 * largest))
    return max(1, wanted)


def _is_still(graph: Graph, outputs: Iterable[str]) -> bool:
    """Tell whether every frame is made from that frame alone, whatever the keyframes say."""
    steps = graph.order(list(outputs))
    over_time = Node.frames_needed
    return all(
        s.node.frames_needed() == (0, 0) and not (s.keyed and type(s.node).frames_needed is not over_time)
        for s in steps
    )


def _seen(taken: Any) -> Any:
    """Return the picture of a frame, in its planes where it lies in some and no device is in use."""
    coded = getattr(taken, "coded", None) if devices.current() is None else None
    return devices.sent(taken.picture) if coded is None else coded


def _prepared(writer: Any, frame: int, picture: Any) -> Any:
    """Return what is to be written of a frame, as far as its writer can prepare it."""
    if hasattr(writer, "prepared"):
        return writer.prepared(frame, picture)
    return picture.picture if hasattr(picture, "picture") else picture


class _Reader:
    """Reads clips for the runner, the frame after the one in work ahead of time."""

    def __init__(self, clips: Mapping[str, Clip], frames: Collection[int], ahead: int, times: StageTimes) -> None:
        self.ends = {name: (clip.frames[0], clip.frames[-1]) for name, clip in clips.items()}
        first_two = list(itertools.islice(frames, 2))
        step = first_two[-1] - first_two[0] if first_two else 0
        self.clips = {name: ReadAhead(clip, frames, step, ahead, times) for name, clip in clips.items()}

    def at(self, frame: int) -> Callable[[str, int], Taken]:
        """Return what takes frames of clips for work on a frame.

        Beyond the ends of a clip only a still and a neighbour of the frame stand in.
        """

        def take(source: str, wanted: int) -> Taken:
            first, last = self.ends[source]
            stands_in = first == last or wanted != frame
            return self.clips[source].take(min(max(wanted, first), last) if stands_in else wanted)

        return take

    def taken(self, frame: int, sources: Iterable[str]) -> Callable[[str, int], Taken]:
        """Take a frame of some clips now, and return what gives them, or raises what was raised here."""
        take, found = self.at(frame), dict[str, Taken | Exception]()
        for source in sources:
            try:
                found[source] = take(source, frame)
            except Exception as error:
                found[source] = error

        def give(source: str, wanted: int) -> Taken:
            result = found[source]
            if isinstance(result, Exception):
                raise result
            return result

        return give

    def __enter__(self) -> _Reader:
        return self

    def __exit__(self, *_: object) -> None:
        for clip in self.clips.values():
            clip.close()
