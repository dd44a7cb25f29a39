"""Rendering: the one way from a graph to files, for the command line, the desk and the workers of a farm."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack, nullcontext
from dataclasses import dataclass
from pathlib import Path

from ...kernels import devices
from .. import made
from ..media.clips import Clip, ClipWriter, FrameRangeError, Frames, in_words
from ..writes import locked
from . import runner
from .errors import FramesError
from .graph import Graph
from .outputs import Output, open_outputs

TellFrame = Callable[[int], object]
"""Called with each frame that is finished."""


def _unheard(*_: object) -> None:
    """Tell nobody."""


@dataclass(frozen=True)
class Listener:
    """Who is told how a render goes; by default nobody.

    :ivar progress: called once with the number of frames; gives, as a context, what is called after each of them. It
        may raise to end the render: then no file of it stays.
    :ivar note: called with what the writers have to say about their files, before the first frame.
    :ivar failure: called with each frame that failed and the reason.
    """

    progress: Callable[[int], AbstractContextManager[TellFrame]] = lambda total: nullcontext(_unheard)
    note: Callable[[str], object] = _unheard
    failure: Callable[[int, str], object] = _unheard


NOBODY = Listener()


def render_files(
    graph: Graph,
    clips: Mapping[str, Clip],
    outputs: Mapping[str, str],
    frames: Sequence[int] | Frames | None = None,
    codec: str | None = None,
    listener: Listener = NOBODY,
) -> runner.Report:
    """Render a graph's outputs to files, which appear when all frames are done.

    :param clips: clips by source name; the first gives size, rate and, where ``frames`` is None, the frames.
    :param outputs: files by output name; ``result+matte`` puts the matte into the alpha of the picture.
    :param codec: for outputs that are pictures; mattes take what suits their suffix.

    Raises GraphError for names that the graph does not have, FrameRangeError for frames beyond the clip, OutputError
    where an output is an input or cannot be written, FramesError where every frame fails (nothing is kept then).
    """
    main = next(iter(clips.values()))
    numbers = check_range(frames, main)
    inputs = [path for clip in clips.values() for path in clip.paths()]
    device, mine = devices.opened(devices.settled(listener.note)), graph.content_hash()
    with ExitStack() as stack:
        stack.enter_context(locked(outputs.values()))
        stack.enter_context(made.by_graph(outputs.values(), mine))
        files = open_outputs(stack, graph, main, outputs, codec, inputs, listener.note)
        advance = stack.enter_context(listener.progress(len(numbers)))
        told = {"progress": advance, "on_error": listener.failure}
        report = render_frames(graph, clips, files, numbers, device=device, **told)  # type: ignore[arg-type]
        if not report.done:
            raise FramesError.of(report.failed) from report.error
    for path in map(Path, outputs.values()):
        others = [frame for frame in made.frames_of_others(path, mine) if frame in main.frames]
        if others:
            listener.note(f"{path} holds frames that another graph made, {in_words(others)}: render them as well.")
    return report


def render_frames(
    graph: Graph,
    clips: Mapping[str, Clip],
    files: Mapping[str, ClipWriter],
    frames: Collection[int],
    *,
    progress: TellFrame | None = None,
    on_error: Callable[[int, str], object] | None = None,
    caught: Callable[[int, Exception], object] | None = None,
    overlap: bool = True,
    device: devices.Device | None = None,
) -> runner.Report:
    """Render frames into files that are open, as :func:`.runner.render` says.

    :param files: where each output goes, by its name; ``result+matte`` puts the matte into the picture's alpha.
    """
    parts = (Output.of(graph, name).parts(file) for name, file in files.items())
    writers = {single: writer for part in parts for single, writer in part.items()}
    told = {"progress": progress, "on_error": on_error, "caught": caught}
    return runner.render(graph, clips, writers, frames, overlap=overlap, device=device, **told)  # type: ignore[arg-type]


def check_range(frames: Sequence[int] | Frames | None, clip: Clip) -> Sequence[int] | Frames:
    """Return the frames, those of the clip where None are named. Raises FrameRangeError for any beyond the clip."""
    if frames is None:
        return clip.frames
    first, last = clip.frames[0], clip.frames[-1]
    for frame in (frames[0], frames[-1]):
        if not first <= frame <= last:
            raise FrameRangeError(f"Frame {frame} is not in {clip.path}: it has the frames {first} to {last}.")
    return frames
