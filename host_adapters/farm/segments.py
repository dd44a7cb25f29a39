"""Segments: video in parts that several processes write, joined by copying packets, with the sound of the input."""

from __future__ import annotations

import contextlib
import copy
import json
import shutil
from collections.abc import Callable, Collection, Generator, Iterable
from dataclasses import asdict, dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from ...kernels.arrays import Floats
from ..graphs.outputs import Output
from ..media.clips import Clip, ClipWriter, Taken, VideoClip
from ..media.video_format import Coded, Original
from ..media.video_write import VideoWriter
from ..writes import OutputError, make_folder, write_bytes
from .journal import Stamp

_DEFAULT_RATE = Fraction(24)


def segment_folder(path: Path) -> Path:
    """Return the hidden folder that holds the segments of a video until they are joined."""
    return path.with_name(f".{path.name}.segments")


def drop_segments(path: Path) -> None:
    """Remove the segments of a video."""
    shutil.rmtree(segment_folder(path), ignore_errors=True)


@dataclass(frozen=True)
class Segment:
    """A complete part of a video; described by a JSON file beside it, which is written last.

    :ivar frames: (number, timestamp, duration) of each frame, in units of the input's time base; the latter two are
        None where the input is pictures.
    :ivar plates: what its frames were made from, as in :mod:`.plates`; empty where a version before told nothing.
    :ivar order: where each packet, as it is stored, comes in the order of showing.
    """

    path: Path
    identity: str
    frames: tuple[tuple[int, int | None, int | None], ...]
    order: tuple[int, ...]
    width: int
    height: int
    alpha: bool
    stamp: Stamp
    plates: dict[str, dict[str, str]] = field(default_factory=dict)

    @property
    def numbers(self) -> tuple[int, ...]:
        """The numbers of its frames."""
        return tuple(number for number, _, _ in self.frames)

    @property
    def depth(self) -> int:
        """How many packets a decoder has to wait for before it can show the first."""
        return max((place - rank for place, rank in enumerate(self.order)), default=0)

    def save(self) -> None:
        """Write the description."""
        data = asdict(self) | {"path": self.path.name}
        write_bytes(_beside(self.path), json.dumps(data).encode() + b"\n")

    @classmethod
    def load(cls, description: Path) -> Segment | None:
        """Read a description; None where it or its segment is missing or damaged."""
        try:
            data = json.loads(description.read_text(encoding="utf-8"))
            data["path"] = description.with_name(data["path"])
            data["stamp"] = Stamp(**data["stamp"])
            data["frames"] = tuple((number, pts, duration) for number, pts, duration in data["frames"])
            data["order"] = tuple(data["order"])
            segment = cls(**data)
            return segment if segment.path.stat().st_size == segment.stamp.size else None
        except (OSError, ValueError, TypeError, KeyError):
            return None


def _beside(path: Path) -> Path:
    return path.with_name(path.name + ".json")


def find_segments(path: Path, identities: Collection[str]) -> list[Segment]:
    """Return the complete segments of a video, in order, no frame twice; of others by the same name the longest."""
    # A description that begins with a dot has not got its name yet: its writer was stopped, or goes on elsewhere.
    found = [Segment.load(item) for item in segment_folder(path).glob("[!.]*.json")]
    usable = [segment for segment in found if segment is not None and segment.identity in identities]
    chosen: list[Segment] = []
    for segment in sorted(usable, key=lambda item: (item.numbers[0], -len(item.numbers))):
        if not chosen or segment.numbers[0] > chosen[-1].numbers[-1]:
            chosen.append(segment)
    return chosen


# --- writing a segment --------------------------------------------------------------------------------------


class SegmentWriter(ClipWriter):
    """Writes one segment, without sound and timecode; one in which every frame failed leaves nothing behind."""

    def __init__(
        self,
        path: Path,
        like: Clip,
        codec: str | None,
        shown: Output,
        identity: str,
        used: Callable[[int], dict[str, dict[str, str]]] = lambda frame: {},
    ) -> None:
        self.path, self.like, self.identity, self.used = path, like, identity, used
        self.segment: Segment | None = None
        self._frames: list[tuple[int, int | None, int | None]] = []
        self._shape: tuple[int, ...] = ()
        make_folder(path.parent, parents=False)
        self._writer = shown.open(path, _silent(like), codec)

    def prepared(self, frame: int, picture: Taken | Floats) -> Floats | Coded:
        """Do what can be done in any thread and order."""
        return self._writer.prepared(frame, picture)

    def write(self, frame: int, picture: Floats | Coded, original: Any = None) -> None:
        """Write the next frame. Raises OutputError."""
        if not isinstance(original, Original):
            original = self.like.origin(frame) if isinstance(self.like, VideoClip) else None
        self._writer.write(frame, picture, original)
        self._shape = picture.shape
        self._frames.append((frame, original.pts, original.duration) if original else (frame, None, None))

    def close(self) -> None:
        """Finish the segment and describe it. Raises OutputError."""
        if not self._frames:
            self.abort()
            return
        self._writer.close()
        height, width = self._shape[:2]
        order = _packet_order(self.path, len(self._frames))
        alpha = len(self._shape) == 3 and self._shape[2] == 4
        frames = tuple(self._frames)
        plates: dict[str, dict[str, str]] = {}
        for number, _, _ in frames:
            for name, contents in self.used(number).items():
                plates.setdefault(name, {}).update(contents)
        stamp = Stamp.of(self.path)
        self.segment = Segment(self.path, self.identity, frames, order, width, height, alpha, stamp, plates)
        self.segment.save()

    def abort(self) -> None:
        """Leave off: nothing half-written stays."""
        self._writer.abort()


def _silent(clip: Clip) -> Clip:
    """Return the clip as one without sound and timecode: the joined video gets both."""
    if not isinstance(clip, VideoClip):
        return clip
    silent = copy.copy(clip)
    silent.info = replace(clip.info, alone=True, timecode=None)
    return silent


def _packets(path: Path) -> Generator[Any]:
    import av

    with av.open(str(path)) as source:
        for packet in source.demux(source.streams.video[0]):
            if packet.size:
                yield packet


def _packet_order(path: Path, frames: int) -> tuple[int, ...]:
    """Return where each stored packet comes in the order of showing. Raises OutputError where one is missing."""
    times = [packet.pts for packet in _packets(path)]
    ranks = {time: rank for rank, time in enumerate(sorted(set(times)))}
    if len(ranks) != frames or len(times) != frames:
        raise OutputError(f"{path} cannot be written: it holds {len(times)} frames of {frames}; choose another codec.")
    return tuple(ranks[time] for time in times)


# --- joining ------------------------------------------------------------------------------------------------


def join(
    path: Path, segments: Iterable[Segment], like: Clip, codec: str | None, shown: Output, inputs: Iterable[Path] = ()
) -> tuple[str, ...]:
    """Put segments, in order, into one video, as it would be had one process written it, and return its notes.

    The packets are copied as they are; what lies beside, tags and metadata are those of the input. Raises
    OutputError.
    """
    parts, codec, matte = list(segments), shown.codec(codec), shown.kind == "matte"
    if isinstance(like, VideoClip):
        alpha = shown.matte is not None
        writer = _Joiner(path, like.info, codec, matte, alpha=alpha, inputs=inputs, tags=shown.tags)
    else:
        size, rate = (parts[0].width, parts[0].height), like.rate or _DEFAULT_RATE
        writer = _Joiner(path, None, codec, matte, size, rate, parts[0].alpha, inputs, shown.tags)
    with writer:
        writer.depth = max(segment.depth for segment in parts)
        for segment in parts:
            writer.append(segment)
    return writer.notes


class _Joiner(VideoWriter):
    """A video that is given packets instead of pictures."""

    depth = 0
    _count = 0
    _begins: list[int]

    def append(self, segment: Segment) -> None:
        """Copy the packets of a segment, at the times that its frames have in the whole."""
        spans = [self._span(*frame) for frame in segment.frames]
        self._begins = [*getattr(self, "_begins", ()), *(begin for begin, _, _ in spans)]
        with self._guard(), contextlib.closing(_packets(segment.path)) as packets:
            for rank, packet in zip(segment.order, packets, strict=True):
                begin, length, time = spans[rank]
                if self._marked:
                    _mark_units(packet)
                packet.stream, packet.time_base = self._stream, self._stream.codec_context.time_base
                packet.pts, packet.dts, packet.duration = begin, self._decoding_time(length), length
                self._mux([packet], time)
        number, pts, duration = segment.frames[-1]
        at, length = self._place(number, _time(pts, duration))
        self._last, self._end, self._last_number = at, at + length, number

    @property
    def _marked(self) -> bool:
        """Whether the encoder speaks in marked units: the container takes those, and turns them into counted ones."""
        extra = self._stream.codec_context.extradata or b""
        return bytes(extra[:4]) == _MARK

    def _span(self, number: int, pts: int | None, duration: int | None) -> tuple[int, int, Fraction]:
        """Begin and length of a frame in the output, and its time in seconds of the input."""
        at, length = self._place(number, _time(pts, duration))
        if self._first is None:
            self._first = (number, at)
            self._begin(number)
        shift = 0 if self._first[0] == 1 else self._first[1]
        begin, end = self._output_time(at - shift), self._output_time(at + length - shift)
        return begin, end - begin, at * self.like.time_base

    def _decoding_time(self, length: int) -> int:
        """The time at which the next packet is decoded: that of a frame so many earlier as the order asks for."""
        behind = self._count - self.depth
        self._count += 1
        return self._begins[behind] if behind >= 0 else self._begins[0] + behind * length


def _time(pts: int | None, duration: int | None) -> tuple[int, int] | None:
    return None if pts is None or duration is None else (pts, duration)


_MARK = b"\0\0\0\1"


def _mark_units(packet: Any) -> None:
    """Put a start code before each unit of an H.264 or HEVC packet, where its length stands in a file.

    Both take four bytes (ITU-T H.264 annex B; ISO/IEC 14496-15).
    """
    data = bytearray(packet)
    at = 0
    while at + len(_MARK) <= len(data):
        length = int.from_bytes(data[at : at + len(_MARK)], "big")
        data[at : at + len(_MARK)] = _MARK
        at += len(_MARK) + length
    packet.update(bytes(data))
