"""A run: locks the outputs, sees what is complete, gives the rest to an engine, keeps the journal, joins video."""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

from ..graphs.errors import FramesError
from ..graphs.runner import Report
from ..made import journal_path, journals_of
from ..media.clips import Clip, Frames, check_holds, in_words
from ..sequences import SequencePattern
from ..writes import OutputError, check_output, claim_folder, locked, note_made
from .chunks import MOST, Chunk, Done, Engine, Event, Failed, Job, chunk_size, cut
from .journal import Journal, Stamp
from .local import here
from .plates import WHOLE, Hasher, Key, Look, Present, Reach, Used, pairs, summary
from .segments import Segment, drop_segments, find_segments, join, segment_folder

_PATIENCE = 2.0
"""Seconds that are waited for the hash of a container at the end of a run, beside a tenth of the run's own time."""

log = logging.getLogger("inkarnat.farm")

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

    With ``resume``, what is complete is skipped: files that the journal of the same job lists, whose size and hash
    agree, and whose plates are what they were. What is rendered anew although it was complete is told through
    :mod:`logging`.

    Raises OutputError where an output is an input, is being written by another run or cannot be written, FramesError
    where every frame failed; whatever ends it, complete frames stay and no temporary file does.
    """
    began = time.perf_counter()
    _check_outputs(job, clips, frames)
    with ExitStack() as stack:
        stack.enter_context(locked(path for _, path in job.outputs))
        work = _Run(job, clips, frames, progress, on_error)
        stack.enter_context(work.journal)
        stack.callback(work.hasher.stop, 0.0)
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
            _log(event)
            report.failed[event.frame] = event.reason
            if on_error is not None:
                on_error(event.frame, event.reason)

    here(job, cut(frames, MOST), note)
    if not report.done:
        raise FramesError.of(report.failed)
    report.seconds = time.perf_counter() - began
    return report


def join_videos(job: Job, clips: Mapping[str, Clip], frames: Sequence[int] | Frames) -> Report:
    """Join the segments that the parts of a run have left, and return which frames are there and which are not."""
    began = time.perf_counter()
    _check_outputs(job, clips, frames)
    with ExitStack() as stack:
        stack.enter_context(locked({Path(job.outputs[0][1]), *job.videos.values()}))
        work = _Run(job, clips, frames, None, None)
        stack.enter_context(work.journal)
        work.open_journal()
        there = set.intersection(*(work.made_from_these(name) for name in job.videos))
        for frame in frames:
            work.note(Done(frame) if frame in there else Failed(frame, "no part of the run has this frame"))
        work.end()
    work.report.seconds = time.perf_counter() - began
    return work.report


def _check_outputs(job: Job, clips: Mapping[str, Clip], frames: Sequence[int] | Frames) -> None:
    inputs = [path for clip in clips.values() for path in clip.paths()]
    for file in _first_and_last(job, frames):
        check_output(file, inputs)
    for path in job.videos.values():
        claim_folder(segment_folder(path))
    for picture in job.pictures.values():
        check_holds(picture, len(frames))


def _log(failed: Failed) -> None:
    log.debug("frame %d failed: %s\n%s", failed.frame, failed.reason, failed.trace or "(no traceback)")


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
        self.began = time.perf_counter()
        self.range = frames_text(frames)
        first = Path(job.outputs[0][1])
        self.journal = Journal(journal_path(first), job.identity, job.older, before=journals_of(first))
        self.reach = Reach(job.graph, [name for name, _ in job.outputs], clips)
        self.hasher = Hasher(clips, self.journal.known)
        self.used: dict[int, Used] = {}
        self.stale: set[int] = set()
        self.resume = False
        self.complete: set[str] = set()
        self.kept: dict[str, list[Segment]] = {}
        self.patterns = {name: (path, SequencePattern.parse(path)) for name, path in job.pictures.items()}

    # --- beginning ------------------------------------------------------------------------------------------

    def begin(self, resume: bool) -> None:
        """See what earlier runs left, clear away what cannot be used, and open the journal."""
        self.resume = resume
        present = None
        if resume:
            has_journal = self.journal.read()
            if not self.journal.runs & set(self.job.identities):
                self._tell_unknown(has_journal)
            present = Present(self.clips, self.journal.known)
            self._compare(present)
        for name, path in self.job.videos.items():
            if name not in self.complete:
                _clear_segments(path, self.kept.get(name, []))
        self.open_journal()
        for (name, number), plate in (present.fresh if present is not None else {}).items():
            self.journal.write_plate(name, number, plate)
        self.hasher.start()

    def _tell_unknown(self, has_journal: bool) -> None:
        """Say that nothing is known to be complete, where there is something that might be."""
        there = [path for path in _first_and_last(self.job, self.frames) if path.exists()]
        if there:
            why = "belongs to another job: its graph, codec, device or version differs" if has_journal else "is missing"
            log.warning("note: the journal %s %s, so all %d frames are rendered.", self.journal.path, why,
                        len(self.frames))  # fmt: skip

    def _compare(self, present: Present) -> None:
        """Find out which complete frames, segments and videos were made from plates that are there no more."""
        found = {name: self._complete_segments(name) for name in self.job.videos}
        mine = {frame for _, frame in self.journal.frames if frame in self.frames}
        used = {frame: self.journal.used[frame] for frame in mine if frame in self.journal.used}
        asked = {pair for frame in used.values() for pair in pairs(frame)}
        asked |= {pair for segments in found.values() for segment in segments for pair in pairs(segment.plates)}
        with ThreadPoolExecutor(min(8, os.cpu_count() or 1)) as threads:
            changed = present.changed(asked, threads)
        self.stale = {frame for frame, plates in used.items() if not changed.isdisjoint(pairs(plates))}
        self.stale |= {frame for frame in mine - used.keys() if not self._was_before(present, frame)}
        self.used = {frame: plates for frame, plates in used.items() if frame not in self.stale}
        redone = set(self.stale)
        for name, path in self.job.videos.items():
            stamp = self.journal.joined.get((name, self.range))
            if stamp is not None and stamp.fits(path) and self._is_joined_from(present, name, path):
                self.complete.add(name)
                continue
            self.kept[name] = []
            for segment in found[name]:
                if self._is_made_from(present, segment, changed):
                    self.kept[name].append(segment)
                else:
                    redone.update(number for number in segment.numbers if number in self.frames)
            if stamp is not None and not found[name]:
                redone.update(self.frames)
        self._tell_stale(redone, {key for key, _ in changed})

    def made_from_these(self, name: str) -> set[int]:
        """Return the frames of which a segment is there that was made from the plates as they lie there now.

        Other segments are removed.
        """
        present, segments = Present(self.clips, self.journal.known), self._complete_segments(name)
        with ThreadPoolExecutor(min(8, os.cpu_count() or 1)) as threads:
            changed = present.changed({pair for segment in segments for pair in pairs(segment.plates)}, threads)
        kept = [segment for segment in segments if self._is_made_from(present, segment, changed)]
        _clear_segments(self.job.videos[name], kept)
        return {number for segment in kept for number in segment.numbers}

    def _complete_segments(self, name: str) -> list[Segment]:
        return [segment for segment in self.segments(name) if segment.stamp.fits(segment.path)]

    def _was_before(self, present: Present, frame: int) -> bool:
        """Tell, of a frame of which it is not known what it was made from, whether no plate of it came later."""
        for path, pattern in self.patterns.values():
            look = Look.of(path if pattern is None else pattern.path(frame))
            if look is None or not present.is_older(self.reach(frame), look.changed):
                return False
        return True

    def _is_made_from(self, present: Present, segment: Segment, changed: set[tuple[Key, str]]) -> bool:
        if segment.plates:
            return changed.isdisjoint(pairs(segment.plates))
        look = Look.of(segment.path)
        return look is not None and all(present.is_older(self.reach(n), look.changed) for n in segment.numbers)

    def _is_joined_from(self, present: Present, name: str, path: Path) -> bool:
        known = self.journal.summaries[name, self.range]
        if known:
            return known == summary(self._now(present, frame) for frame in self.frames)
        look = Look.of(path)
        return look is not None and all(present.is_older(self.reach(n), look.changed) for n in self.frames)

    def _now(self, present: Present, frame: int) -> Used:
        """Return what a frame would be made from now."""
        used: Used = {}
        for key in self.reach(frame):
            used.setdefault(key[0], {})[key[1]] = present.content(key) or "?"
        return used

    def _tell_stale(self, redone: set[int], plates: set[Key]) -> None:
        if not redone:
            return
        count = f"{len(redone)} frame{'s' * (len(redone) > 1)} that had been complete"
        if WHOLE in {number for _, number in plates}:
            why = "the clip was replaced since"
        elif plates:
            numbers = sorted((int(number) for _, number in plates))
            why = f"{len(numbers)} plate{'s' * (len(numbers) > 1)} changed since ({in_words(numbers)})"
        else:
            why = "their plates were touched since"
        log.warning("note: %s: %s %s rendered again.", why, count, "is" if len(redone) == 1 else "are")

    def open_journal(self) -> None:
        """Open the journal with a line on what the run is."""
        about = {"frames": self.range, "outputs": dict(self.job.outputs), "inputs": dict(self.job.inputs)}
        self.journal.open(**about, graph=self.job.graph.content_hash())

    def segments(self, name: str) -> list[Segment]:
        """Return the complete segments of a video."""
        return find_segments(self.job.videos[name], self.job.identities)

    # --- what is left to do ---------------------------------------------------------------------------------

    def pending(self) -> Iterator[Chunk]:
        """Give the chunks that are left, each looked at only when it is asked for."""
        with ThreadPoolExecutor(min(8, os.cpu_count() or 1)) as checkers:
            for chunk in cut(self.frames, chunk_size(len(self.frames), self.job.size)):
                left = self._left(chunk, checkers) if self.resume else chunk
                for frame in chunk.without(left.frames).frames:
                    self.report.kept += 1
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
        return frame not in self.stale and all(
            self._is_complete(name, frame, path if pattern is None else pattern.path(frame))
            for name, (path, pattern) in self.patterns.items()
        )

    def _is_complete(self, name: str, frame: int, path: Path) -> bool:
        stamp = self.journal.frames.get((name, frame))
        return stamp is not None and stamp.fits(path)

    # --- while it goes on -----------------------------------------------------------------------------------

    def note(self, event: Event) -> None:
        """Take in what an engine tells."""
        if isinstance(event, Failed):
            _log(event)
            self._fail(event.frame, event.reason)
        elif isinstance(event, Done):
            for (name, number), plate in event.plates.items():
                self.journal.write_plate(name, number, plate)
            self.used[event.frame] = event.used
            if event.files and event.frame not in self.done:
                for name, stamp in event.files.items():
                    path, pattern = self.patterns[name]
                    note_made(path if pattern is None else pattern.path(event.frame), stamp.sha256)
                self.journal.write(frame=event.frame, files=event.files, plates=event.used)
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
        """Join the videos and finalise the journal. Raises FramesError where no frame was done."""
        self.report.done = sorted(self.done)
        self.report.failed = dict(sorted(self.report.failed.items()))
        if not self.done:
            raise FramesError.of(self.report.failed)
        inputs = [path for clip in self.clips.values() for path in clip.paths()]
        joined: list[str] = []
        for name, path in self.job.videos.items():
            if name not in self.complete:
                segments = self.segments(name)
                for segment in segments:
                    self._take_used(segment)
                self._check_covered(path, segments)
                for note in join(path, segments, self.main, self.job.codec, self.job.shown(name), inputs):
                    log.warning("note: %s", note)
                if not self.report.failed:
                    joined.append(name)
                    drop_segments(path)
        self._end_hashing()
        for name in joined:
            stamp = Stamp.of(self.job.videos[name])
            self.journal.write(joined=self.range, files={name: stamp}, plates=self._summary())
        self.journal.write(ended="complete" if not self.report.failed else "some frames failed")

    def _end_hashing(self) -> None:
        """Take down the containers' content; one that is not hashed by now is not waited for much longer."""
        self.hasher.stop(_PATIENCE + (time.perf_counter() - self.began) / 10)
        for (name, number), plate in self.hasher.found.items():
            self.journal.write_plate(name, number, plate)

    def _take_used(self, segment: Segment) -> None:
        """Take in what the frames of a segment that was there already were made from."""
        for number in segment.numbers:
            if number not in self.used and segment.plates:
                mine: Used = {}
                for name, at in self.reach(number):
                    mine.setdefault(name, {})[at] = segment.plates.get(name, {}).get(at, "?")
                self.used[number] = mine

    def _summary(self) -> str:
        """Return one hash for what all frames were made from, or nothing where that is not known of some."""
        made = [self._contents(frame) for frame in self.frames]
        known = all(content != "?" for frame in made for _, content in pairs(frame)) and all(made)
        return summary(made) if known else ""

    def _contents(self, frame: int) -> Used:
        """Return what a frame was made from by content, containers too."""
        known = self.journal.known
        return {
            name: {
                number: (((then := known.by_token(content)) and then.content) or "?") if number == WHOLE else content
                for number, content in numbers.items()
            }
            for name, numbers in self.used.get(frame, {}).items()
        }

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


def _first_and_last(job: Job, frames: Sequence[int] | Frames) -> Iterator[Path]:
    for _, path in job.outputs:
        pattern = SequencePattern.parse(path)
        yield from {Path(path)} if pattern is None else {pattern.path(frames[0]), pattern.path(frames[-1])}


def _clear_segments(path: Path, kept: list[Segment]) -> None:
    """Leave the usable segments alone and remove everything else from their folder."""
    if not kept:
        drop_segments(path)
        return
    names = {name for segment in kept for name in (segment.path.name, f"{segment.path.name}.json")}
    for file in segment_folder(path).iterdir():
        if file.name not in names:
            file.unlink(missing_ok=True)
