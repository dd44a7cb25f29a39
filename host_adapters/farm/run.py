"""A run: locks the outputs, sees what is complete, gives the rest to an engine, keeps the journal, joins video."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

from ..graphs.errors import FramesError
from ..graphs.runner import Report
from ..media.clips import Clip, Frames
from ..media.files import InputError
from ..media.pictures import read_picture
from ..sequences import SequencePattern
from ..writes import OutputError, check_output, locked
from .chunks import MOST, Chunk, Done, Engine, Event, Failed, Job, chunk_size, cut
from .journal import Journal, Stamp, journal_path
from .local import here
from .segments import Segment, drop_segments, find_segments, join, segment_folder

TellFrame = Callable[[int], None]
TellFailure = Callable[[int, str], None]


def run(
    job: Job,
    clips: Mapping[str, Clip],
    frames: Sequence[int] | Frames,
    engine: Engine,
    *,
    resume: bool = False,
    progress: TellFrame | None = None,
    on_error: TellFailure | None = None,
) -> Report:
    """Render a job with an engine and return what was done.

    With ``resume``, what is complete is skipped: files that the journal of the same job lists and whose size and hash
    agree, and, where there is no journal at all, pictures that can be read.

    Raises OutputError where an output is an input, is being written by another run or cannot be written, FramesError
    where every frame failed; whatever ends it, complete frames stay and no temporary file does.
    """
    began = time.perf_counter()
    _check_outputs(job, clips, frames)
    with ExitStack() as stack:
        stack.enter_context(locked(path for _, path in job.outputs))
        work = _Run(job, clips, frames, progress, on_error)
        stack.enter_context(work.journal)
        work.begin(resume)
        engine(job, work.pending(), work.note)
        work.end()
    work.report.seconds = time.perf_counter() - began
    return work.report


def render_part(
    job: Job, clips: Mapping[str, Clip], frames: Sequence[int] | Frames, on_error: TellFailure | None = None
) -> Report:
    """Render some frames of a larger run in this process: pictures into place, video as segments to be joined later.

    Other parts may be worked on at the same time, anywhere: nothing is locked, and no journal is kept. Raises
    OutputError, and FramesError where every frame failed.
    """
    began, report = time.perf_counter(), Report()
    _check_outputs(job, clips, frames)

    def note(event: Event) -> None:
        if isinstance(event, Done):
            report.done.append(event.frame)
        elif isinstance(event, Failed):
            report.failed[event.frame] = event.reason
            if on_error is not None:
                on_error(event.frame, event.reason)

    here(job, cut(frames, MOST), note)
    if not report.done:
        raise FramesError(f"No frame could be rendered. {next(iter(report.failed.values()), '')}")
    report.seconds = time.perf_counter() - began
    return report


def join_videos(job: Job, clips: Mapping[str, Clip], frames: Sequence[int] | Frames) -> Report:
    """Join the segments that the parts of a run have left, and return which frames are there and which are not."""
    began = time.perf_counter()
    _check_outputs(job, clips, frames)
    with ExitStack() as stack:
        stack.enter_context(locked(job.videos.values()))
        work = _Run(job, clips, frames, None, None)
        stack.enter_context(work.journal)
        work.open_journal()
        there = set.intersection(*({n for s in work.segments(name) for n in s.numbers} for name in job.videos))
        for frame in frames:
            work.note(Done(frame) if frame in there else Failed(frame, "no part of the run has this frame"))
        work.end()
    work.report.seconds = time.perf_counter() - began
    return work.report


def _check_outputs(job: Job, clips: Mapping[str, Clip], frames: Sequence[int] | Frames) -> None:
    inputs = [path for clip in clips.values() for path in clip.paths()]
    for _, path in job.outputs:
        pattern = SequencePattern.parse(path)
        for file in {path} if pattern is None else {pattern.path(frames[0]), pattern.path(frames[-1])}:
            check_output(file, inputs)
    for name, picture in job.pictures.items():
        if SequencePattern.parse(picture) is None and len(frames) > 1:
            raise OutputError(
                f"{picture} holds one picture, and there are {len(frames)} frames: name a sequence such as "
                f"{picture.stem}.%04d{picture.suffix} for {name}."
            )


class _Run:
    """The state of one run."""

    def __init__(
        self,
        job: Job,
        clips: Mapping[str, Clip],
        frames: Sequence[int] | Frames,
        progress: TellFrame | None,
        on_error: TellFailure | None,
    ) -> None:
        self.job, self.clips, self.frames = job, clips, frames
        self.progress, self.on_error = progress, on_error
        self.report = Report()
        self.done: set[int] = set()
        self.main = next(iter(clips.values()))
        self.range = frames_text(frames)
        self.journal = Journal(journal_path(Path(job.outputs[0][1])), job.identity)
        self.has_journal = True
        self.resume = False
        self.complete: set[str] = set()
        self.kept: dict[str, list[Segment]] = {}
        self.patterns = {name: (path, SequencePattern.parse(path)) for name, path in job.pictures.items()}

    # --- beginning ------------------------------------------------------------------------------------------

    def begin(self, resume: bool) -> None:
        """See what earlier runs left, clear away what cannot be used, and open the journal."""
        self.resume = resume
        if resume:
            self.has_journal = self.journal.read()
            for name, path in self.job.videos.items():
                stamp = self.journal.joined.get((name, self.range))
                if stamp is not None and stamp.fits(path):
                    self.complete.add(name)
                else:
                    self.kept[name] = [s for s in self.segments(name) if s.stamp.fits(s.path)]
        for name, path in self.job.videos.items():
            _clear_segments(path, self.kept.get(name, []))
        self.open_journal()

    def open_journal(self) -> None:
        """Open the journal with a line on what the run is."""
        self.journal.open(frames=self.range, outputs=dict(self.job.outputs), inputs=dict(self.job.inputs))

    def segments(self, name: str) -> list[Segment]:
        """Return the complete segments of a video."""
        return find_segments(self.job.videos[name], self.job.identity)

    # --- what is left to do ---------------------------------------------------------------------------------

    def pending(self) -> Iterator[Chunk]:
        """Give the chunks that are left, each looked at only when it is asked for."""
        with ThreadPoolExecutor(min(8, os.cpu_count() or 1)) as checkers:
            for chunk in cut(self.frames, chunk_size(len(self.frames), self.job.size)):
                left = self._left(chunk, checkers) if self.resume else chunk
                for frame in chunk.without(left.frames).frames:
                    self._count(frame)
                if left.frames:
                    yield left

    def _left(self, chunk: Chunk, checkers: ThreadPoolExecutor) -> Chunk:
        """Return the frames of a chunk that are not complete: all where a segment of it is missing."""
        kept = ({n for s in self.kept[name] for n in s.numbers} for name in self.kept)
        if any(not numbers.issuperset(chunk.frames) for numbers in kept):
            return chunk
        there = list(checkers.map(self._is_there, chunk.frames))
        return Chunk(tuple(frame for frame, complete in zip(chunk.frames, there, strict=True) if not complete))

    def _is_there(self, frame: int) -> bool:
        return all(
            self._is_complete(name, frame, path if pattern is None else pattern.path(frame))
            for name, (path, pattern) in self.patterns.items()
        )

    def _is_complete(self, name: str, frame: int, path: Path) -> bool:
        stamp = self.journal.frames.get((name, frame))
        if stamp is not None:
            return stamp.fits(path)
        return not self.has_journal and _is_readable(path)

    # --- while it goes on -----------------------------------------------------------------------------------

    def note(self, event: Event) -> None:
        """Take in what an engine tells."""
        if isinstance(event, Failed):
            self._fail(event.frame, event.reason)
        elif isinstance(event, Done):
            if event.files and event.frame not in self.done:
                self.journal.write(frame=event.frame, files=event.files)
            self._count(event.frame)
        elif event.files:
            self.journal.write(segment=str(event.chunk), files=event.files)

    def _count(self, frame: int) -> None:
        if frame not in self.done:
            self.done.add(frame)
            self.report.failed.pop(frame, None)
            if self.progress is not None:
                self.progress(frame)

    def _fail(self, frame: int, reason: str) -> None:
        if frame in self.report.failed or frame in self.done:
            return
        self.report.failed[frame] = reason
        self.journal.write(failed=frame, reason=reason)
        if self.on_error is not None:
            self.on_error(frame, reason)
        if self.progress is not None:
            self.progress(frame)

    # --- ending ---------------------------------------------------------------------------------------------

    def end(self) -> None:
        """Join the videos and close the books. Raises FramesError where no frame was done."""
        self.report.done = sorted(self.done)
        self.report.failed = dict(sorted(self.report.failed.items()))
        if not self.done:
            raise FramesError(f"No frame could be rendered. {next(iter(self.report.failed.values()), '')}")
        inputs = [path for clip in self.clips.values() for path in clip.paths()]
        for name, path in self.job.videos.items():
            if name not in self.complete:
                segments = self.segments(name)
                self._check_covered(path, segments)
                join(path, segments, self.main, self.job.codec, self.job.shown(name), inputs)
                if not self.report.failed:
                    self.journal.write(joined=self.range, files={name: Stamp.of(path)})
                    drop_segments(path)
        self.journal.write(ended="complete" if not self.report.failed else "some frames failed")

    def _check_covered(self, path: Path, segments: list[Segment]) -> None:
        """Refuse to join a video from which a frame that was done is missing, whoever removed it."""
        lost = self.done.difference(number for segment in segments for number in segment.numbers)
        if lost:
            raise OutputError(
                f"{path} cannot be written: its segment with frame {min(lost)} was removed from "
                f"{segment_folder(path)} while the run went on; run it again with --resume."
            )


def frames_text(frames: Sequence[int] | Frames) -> str:
    """Return frames as the command line takes them."""
    if isinstance(frames, Frames):
        return ",".join(frames_text(part) for part in frames.parts)
    if isinstance(frames, range) and len(frames) > 1:
        return f"{frames[0]}-{frames[-1]}" + (f"x{frames.step}" if frames.step > 1 else "")
    return str(Chunk(tuple(frames)))


def _clear_segments(path: Path, kept: list[Segment]) -> None:
    """Leave the usable segments alone and remove everything else from their folder."""
    if not kept:
        drop_segments(path)
        return
    names = {name for segment in kept for name in (segment.path.name, f"{segment.path.name}.json")}
    for file in segment_folder(path).iterdir():
        if file.name not in names:
            file.unlink(missing_ok=True)


def _is_readable(path: Path) -> bool:
    """Whether a picture that a run without a journal left can be read; it was given its name when complete."""
    try:
        read_picture(path)
    except InputError:
        return False
    return True
