"""Opening and decoding: one pass over the frames of a clip, which knows of each whether damage may reach it."""

from __future__ import annotations

import itertools
import re
import zlib
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

from ...kernels.strips import thread_count
from .boxes import matroska_length
from .files import InputError, check_input
from .video_room import FEW_CORES, is_tight

# --- opening ------------------------------------------------------------------------------------------------


def open_container(path: Path, index: int | None = None) -> tuple[Any, Any]:
    """Return the container and a video stream: the one with an index, or the first with the default flag, or the first.

    Raises InputError.
    """
    import av

    check_input(path)
    try:
        container = av.open(str(path), metadata_errors="surrogateescape")
    except (av.error.FFmpegError, OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"{path} cannot be read as video ({reason}): it is damaged, cut off or no video; copy or export it again."
        ) from error
    streams = [stream for stream in container.streams.video if not is_cover(stream)]
    if not streams:
        container.close()
        raise InputError(f"{path} has no video stream: name a file with pictures in it.")
    flagged = [stream for stream in streams if stream.disposition & stream.disposition.default]
    chosen = next((stream for stream in streams if stream.index == index), (flagged or streams)[0])
    if chosen.codec_context is None:
        container.close()
        raise InputError(f"{path}: no decoder for its video codec is installed; export it in another codec.")
    return container, chosen


def choose_stream(path: Path, container: Any, stream: Any, video: int | str | None) -> tuple[Any, list[str]]:
    """Return the picture stream with a number from 1, or the one given, and say which where there are more.

    Raises InputError for a number that the file does not have.
    """
    streams = [stream for stream in container.streams.video if not is_cover(stream)]
    if video is not None:
        if not 1 <= int(video) <= len(streams):
            raise InputError(f"{path} has no picture stream {video}: it has {len(streams)}, counted from 1.")
        return streams[int(video) - 1], []
    if len(streams) == 1:
        return stream, []
    number = next(i for i, item in enumerate(streams, 1) if item.index == stream.index)
    other = next(i for i in range(1, len(streams) + 1) if i != number)
    return stream, [
        f"{path} holds {len(streams)} picture streams: {number} is read; name another as {path}:video={other}."
    ]


def is_cover(stream: Any) -> bool:
    """Tell whether a stream is a cover picture, and no footage."""
    return bool(stream.disposition & stream.disposition.__class__.attached_pic)


# --- decoding -----------------------------------------------------------------------------------------------

_LONGEST = 32
"""A packet whose picture did not come after so many later ones gives none."""


class BrokenError(Exception):
    """The clip cannot be decoded beyond this point."""


@dataclass(eq=False)
class Decoded:
    """A frame in the order of showing.

    :ivar suspect: it is damaged, or made with the help of a frame that is.
    """

    frame: Any
    suspect: bool


@dataclass
class _Dependency:
    """Which packets a picture may depend on, counted in decoding order, and which of them are bad.

    A picture depends on nothing before the last entry point that comes before it both in decoding and in showing: a
    picture that is shown before an entry point but decoded after it may depend on what came before that.
    """

    count: int = 0
    entries: list[tuple[int, int | None]] = field(default_factory=list)
    bad: list[int] = field(default_factory=list)
    awaited: dict[int, int | None] = field(default_factory=dict)

    def enter(self, packet: Any) -> int:
        """Take note of a packet before it is decoded, and return its place."""
        place, self.count = self.count, self.count + 1
        if packet.is_keyframe:
            self.entries = [*self.entries[-7:], (place, packet.pts)]
        if not packet.is_discard:
            self.awaited[place] = packet.pts
        for old in [old for old in self.awaited if old < place - _LONGEST]:
            del self.awaited[old]
        return place

    def leave(self, pts: int | None) -> int | None:
        """Take note of a picture that came out, and return the place of its packet; None where it is not known."""
        place = next((place for place, time in self.awaited.items() if time == pts), None) if pts is not None else None
        if place is not None:
            del self.awaited[place]
        return place

    def entry(self, place: int, pts: int) -> int | None:
        """The place that a picture depends on nothing before; None where its entry point was not read."""
        found = [at for at, time in self.entries if at <= place and (time is None or time <= pts)]
        return found[-1] if found else None

    def is_settled(self, place: int, entry: int) -> bool:
        """Whether all that a picture may depend on has come out, or failed."""
        return not any(entry <= other < place for other in self.awaited)

    def is_suspect(self, place: int, entry: int) -> bool:
        """Whether a picture is bad, or one that it may depend on."""
        return any(entry <= other <= place for other in self.bad)


class Decoder:
    """One pass over the frames of a clip, from the start or from a timestamp.

    :ivar damaged: whether damage was met so far: frames may be missing from then on.
    """

    def __init__(
        self, path: Path, index: int, from_pts: int | None = None, expected: int = 0, exact: bool = False
    ) -> None:
        self.path, self.index, self.from_pts, self.expected, self.exact = path, index, from_pts, expected, exact
        self.damaged = False
        self._sums: bool | None = None
        self._begun: Iterator[Decoded] | None = None
        self._open()

    def _open(self) -> None:
        self.container, self.stream = open_container(self.path, self.index)
        # Where frames are decoded side by side, an error does not tell which of them it was.
        whole = not self.exact and not is_tight(self.stream.width, self.stream.height)
        self.stream.thread_type = "AUTO" if whole else "SLICE"
        if thread_count() <= FEW_CORES:
            self.stream.codec_context.thread_count = thread_count()
        self.promised_end = promised_end(self.container, self.stream)
        self.cut = is_cut(self.path, self.container)
        if self.from_pts is not None:
            self.container.seek(self.from_pts, stream=self.stream, backward=True)

    def first(self) -> Decoded | None:
        """Return the first frame, which :meth:`frames` gives as well; None without any. Raises BrokenError."""
        frames = self._frames()
        first = next(frames, None)
        self._begun = itertools.chain([] if first is None else [first], frames)
        return first

    def frames(self) -> Iterator[Decoded]:
        """Give decoded frames in the order of showing; raises BrokenError where the file breaks off.

        A frame is given when it is known whether all that it may depend on is whole.
        """
        begun, self._begun = self._begun, None
        return self._frames() if begun is None else begun

    def _frames(self) -> Iterator[Decoded]:
        import av

        shown: int | None = None
        while True:
            try:
                for item in self._pass(shown):
                    shown = item.frame.pts if item.frame.pts is not None else shown
                    yield item
                return
            except (av.error.FFmpegError, OSError):
                if self.exact:
                    raise
                self.close()
                self.exact = self.damaged = True
                self._open()

    def _pass(self, shown: int | None) -> Iterator[Decoded]:
        """Give the frames that are shown after a timestamp."""
        known, waiting = _Dependency(), deque[tuple[Any, int | None]]()
        packets, end, sticky = 0, Fraction(0), False
        for packet in packets_of(self.path, self.container, self.stream):
            place = known.enter(packet) if packet.size else None
            packets += packet.size > 0
            end = max(end, end_of(packet, self.stream))
            if place is not None and (packet.is_corrupt or self._is_torn(packet)):
                self._mark(known, place)
            for frame in self._decode(known, packet, place):
                came_from = known.leave(frame.pts)
                if frame.is_corrupt and came_from is not None:
                    self._mark(known, came_from)
                waiting.append((frame, came_from))
            if not packet.size:
                known.awaited.clear()
            while waiting:
                frame, came_from = waiting[0]
                if came_from is None:  # without timestamps nothing tells what depends on what
                    sticky = frame.is_corrupt or (sticky and not frame.key_frame)
                    self.damaged = self.damaged or sticky
                    suspect = sticky
                else:
                    entry = known.entry(came_from, frame.pts)
                    if entry is None and self.from_pts is not None:
                        waiting.popleft()
                        continue
                    if not known.is_settled(came_from, entry or 0):
                        break
                    suspect = known.is_suspect(came_from, entry or 0)
                waiting.popleft()
                if shown is None or frame.pts is None or frame.pts > shown:
                    yield Decoded(frame, suspect)
        if self.cut or packets < self.expected or missing_frames(end, self.promised_end, self.stream):
            raise BrokenError("the file breaks off")

    def _is_torn(self, packet: Any) -> bool:
        """Whether a packet's own sums say that it is damaged, of which the decoder says nothing."""
        if self.stream.codec_context.name != "ffv1" or self._sums is False:
            return False
        whole = ffv1_is_whole(bytes(packet))
        if self._sums is None:
            self._sums = whole
            return False
        return not whole

    def _decode(self, known: _Dependency, packet: Any, place: int | None) -> list[Any]:
        import av

        try:
            return list(packet.decode())
        except (av.error.FFmpegError, OSError):
            if not self.exact:
                raise
            if place is not None:
                known.awaited.pop(place, None)
                self._mark(known, place)
            return []

    def _mark(self, known: _Dependency, place: int) -> None:
        known.bad.append(place)
        self.damaged = True

    def close(self) -> None:
        """Let go of the file."""
        self.container.close()


_REVERSED = bytes(int(f"{value:08b}"[::-1], 2) for value in range(256))


def ffv1_is_whole(data: bytes) -> bool:
    """Tell whether the sums at the ends of the slices of an FFV1 frame are those of the slices; False without sums.

    Source: RFC 9043, 4.9 (the footer of a slice: 24 bits of length, 8 bits of status, 32 bits of parity by which the
    CRC with the polynomial 0x04C11DB7 from 0 comes to 0). zlib has the same CRC, with the bits the other way round.
    """
    end = len(data)
    while end > 8:
        begin = end - 8 - int.from_bytes(data[end - 8 : end - 5], "big")
        if begin < 0 or zlib.crc32(data[begin:end].translate(_REVERSED), 0xFFFFFFFF) != 0xFFFFFFFF:
            return False
        end = begin
    return end == 0


# --- packets ------------------------------------------------------------------------------------------------


def is_cut(path: Path, container: Any) -> bool:
    """Tell whether a file ends before it should.

    A Matroska file states the length of its segment, and an AVI that of its list of chunks. A transport stream ends
    inside one of its packets of 188 bytes (ISO/IEC 13818-1), 192 or 204 by origin: it promises no length, so a cut that
    falls between two packets stays unseen.
    """
    if "matroska" in container.format.name:
        return matroska_length(path).cut
    if container.format.name == "avi":
        return not is_whole_avi(path)
    return _is_cut_inside(path, container)


def is_whole_avi(path: Path) -> bool:
    """Tell whether an AVI is as long as its first list of chunks says: a size behind four letters (RIFF)."""
    with path.open("rb") as file:
        head = file.read(8)
    return path.stat().st_size >= 8 + int.from_bytes(head[4:8], "little")


def _is_cut_inside(path: Path, container: Any) -> bool:
    """Tell whether a transport stream ends inside a packet: its last picture is not whole then."""
    if container.format.name != "mpegts":
        return False
    size = path.stat().st_size
    with path.open("rb") as file:
        start = file.read(4 * 204)
    for length, first in ((188, 0), (192, 4), (204, 0)):
        if all(start[first + i * length : first + i * length + 1] == b"\x47" for i in range(3)):
            return size % length != 0
    return False


def packets_of(path: Path, container: Any, stream: Any) -> Iterator[Any]:
    """Give the packets of a stream; of a cut transport stream all but the last, which is not whole."""
    waiting, cut = None, _is_cut_inside(path, container)
    for packet in container.demux(stream):
        if not cut:
            yield packet
        elif packet.size:
            if waiting is not None:
                yield waiting
            waiting = packet
        else:
            yield packet


def promised_end(container: Any, stream: Any) -> Fraction | None:
    """Return the time at which a Matroska clip ends by its own account, in seconds; None for other containers.

    Others either state their number of frames (``stream.frames``) or, like transport streams, make no promise.
    """
    if "matroska" not in container.format.name:
        return None
    stated = re.fullmatch(r"(\d+):(\d\d):(\d\d\.\d+).*", stream.metadata.get("DURATION", ""))
    if stated:
        return Fraction(stated[1]) * 3600 + Fraction(stated[2]) * 60 + Fraction(stated[3])
    alone = len(container.streams) == 1 and container.duration
    return Fraction(container.duration, 1_000_000) if alone else None


def end_of(packet: Any, stream: Any) -> Fraction:
    """Return the time in seconds at which a packet's frame ends, 0 where it does not say."""
    if packet.pts is None or packet.is_corrupt:
        return Fraction(0)
    unit = Fraction(packet.time_base or stream.time_base)
    return int(packet.pts + (packet.duration or 0)) * unit


def missing_frames(end: Fraction, promised: Fraction | None, stream: Any) -> int:
    """Return how many frames lie between the end that was found and the promised one."""
    rate = Fraction(stream.average_rate or stream.guessed_rate or 25)
    gap = (promised - end) * rate if promised is not None else Fraction(0)
    return round(gap) if gap > Fraction(3, 2) else 0
