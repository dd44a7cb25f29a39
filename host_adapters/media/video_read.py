"""Reading video: packets, frames in order, and what is damaged or cut off."""

from __future__ import annotations

import bisect
import contextlib
import re
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from ...kernels.codes import planes_to_picture
from .files import InputError, check_input
from .video_format import (
    Original,
    VideoFrame,
    describe_stream,
    planar_name,
    planes_of,
    upright,
)

# --- reading ------------------------------------------------------------------------------------------------


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


class _Decoder:
    """One pass over the frames of a clip, from the start or from a timestamp."""

    def __init__(self, path: Path, index: int, from_pts: int | None = None) -> None:
        self.path = path
        self.container, self.stream = open_container(path, index)
        self.stream.thread_type = "AUTO"
        self.expected = self.stream.frames if from_pts is None else 0
        self.promised_end = _promised_end(self.container, self.stream)
        self.cut = _is_cut(path, self.container)
        if from_pts is not None:
            self.container.seek(from_pts, stream=self.stream, backward=True)

    def frames(self) -> Iterator[Any]:
        """Give decoded frames; raises _Broken, after the last good one, where the file breaks off."""
        import av

        packets, end = 0, Fraction(0)
        broken: str | None = None
        try:
            for packet in _packets(self.container, self.stream, self.cut):
                if packet.is_corrupt:
                    broken = "the file breaks off"
                    break
                packets += packet.size > 0
                end = max(end, _end_of(packet, self.stream))
                for frame in packet.decode():
                    if frame.is_corrupt:
                        raise _Broken("the frame is damaged")
                    yield frame
        except (av.error.FFmpegError, OSError) as error:
            broken = getattr(error, "strerror", None) or str(error)
        if broken is not None:
            with contextlib.suppress(av.error.FFmpegError, OSError):
                yield from self.stream.codec_context.decode(None)
            raise _Broken(broken)
        if self.cut or packets < self.expected or _missing_frames(end, self.promised_end, self.stream):
            raise _Broken("the file breaks off")

    def close(self) -> None:
        self.container.close()


def _is_cut(path: Path, container: Any) -> bool:
    """Whether a transport stream ends inside one of its packets of 188 bytes (ISO/IEC 13818-1), 192 or 204 by origin.

    It promises no length, so a cut that falls between two packets stays unseen.
    """
    if container.format.name != "mpegts":
        return False
    size = path.stat().st_size
    with path.open("rb") as file:
        start = file.read(4 * 204)
    for length, first in ((188, 0), (192, 4), (204, 0)):
        if all(start[first + i * length : first + i * length + 1] == b"\x47" for i in range(3)):
            return size % length != 0
    return False


def _packets(container: Any, stream: Any, cut: bool) -> Iterator[Any]:
    """Give the packets of a stream; of a cut one all but the last, which is not whole."""
    waiting = None
    for packet in container.demux(stream):
        if not cut:
            yield packet
        elif packet.size:
            if waiting is not None:
                yield waiting
            waiting = packet
        else:
            yield packet


def _promised_end(container: Any, stream: Any) -> Fraction | None:
    """The time at which a Matroska clip ends by its own account, in seconds; None for other containers.

    Others either state their number of frames (``stream.frames``) or, like transport streams, make no promise.
    """
    if "matroska" not in container.format.name:
        return None
    stated = re.fullmatch(r"(\d+):(\d\d):(\d\d\.\d+).*", stream.metadata.get("DURATION", ""))
    if stated:
        return Fraction(stated[1]) * 3600 + Fraction(stated[2]) * 60 + Fraction(stated[3])
    alone = len(container.streams) == 1 and container.duration
    return Fraction(container.duration, 1_000_000) if alone else None


def _end_of(packet: Any, stream: Any) -> Fraction:
    if packet.pts is None or packet.is_corrupt:
        return Fraction(0)
    unit = Fraction(packet.time_base or stream.time_base)
    return int(packet.pts + (packet.duration or 0)) * unit


def _is_plausible(stream: Any) -> bool:
    """Whether the stated number of frames fills the stated duration; an edit list may leave some of them out."""
    if not stream.duration or not stream.average_rate:
        return True
    frames = Fraction(stream.duration * stream.time_base * stream.average_rate)
    return abs(frames - int(stream.frames)) < Fraction(3, 2)


def _missing_frames(end: Fraction, promised: Fraction | None, stream: Any) -> int:
    """How many frames lie between the end that was found and the promised one."""
    rate = Fraction(stream.average_rate or stream.guessed_rate or 25)
    gap = (promised - end) * rate if promised is not None else Fraction(0)
    return round(gap) if gap > Fraction(3, 2) else 0


class _Broken(Exception):
    """The clip cannot be decoded beyond this point."""


class VideoReader:
    """A clip, frame by frame: each as an R′G′B′ picture, upright, and as the planes it was decoded to.

    :param standard: "601", "709" or "2020" instead of what the clip says of its matrix.
    :param studio: True or False instead of what it says of its range.
    :param siting: "left", "centre" or "corner" instead of the rule: centre for JPEG codecs and MPEG-1, corner for
        BT.2020 at 4:2:0, left for all others.
    :param interlaced: take interlaced frames as if they were progressive; they are refused otherwise.
    :param video: the number of the picture stream from 1; left out, the one with the default flag, or the first.

    A clip without a matrix tag is taken for BT.709 from 720 lines up and for BT.601 below; one without a range tag
    for studio range. ``info.notes`` says so.

    Raises InputError: missing, empty, damaged or no video; an unknown codec or pixel format; grey; interlaced.
    """

    def __init__(
        self,
        path: Path | str,
        standard: str | None = None,
        studio: bool | None = None,
        siting: str | None = None,
        interlaced: bool = False,
        video: int | str | None = None,
    ) -> None:
        self.path = Path(path)
        self._interlaced = interlaced
        self._table: list[int] | None = None
        self._missing = 0
        self._broken_from: int | None = None
        self._pass: tuple[_Decoder, Iterator[Any]] | None = None
        self._next = 1
        container, stream = open_container(self.path)
        try:
            stream, chosen = choose_stream(self.path, container, stream, video)
            self._index: int = stream.index
            context = stream.codec_context
            before = (
                int(context.color_range),
                int(context.colorspace),
                int(context.color_primaries),
                int(context.color_trc),
            )
            first = self._first_frame(container, stream)
            info = describe_stream(self.path, container, stream, first, before, standard, studio, siting)
            info = replace(info, notes=(*chosen, *info.notes))
            if interlaced and first.interlaced_frame:
                info = replace(info, notes=(*info.notes, _FIELDS_NOTE.format(path)))
            stated: int = stream.frames if _is_plausible(stream) else 0
        finally:
            container.close()
        self.info = replace(info, frames=stated or len(self._timestamps()) + self._missing)
        self._check(first, 1)

    def _first_frame(self, container: Any, stream: Any) -> Any:
        import av

        try:
            for frame in container.decode(stream):
                return frame
        except (av.error.FFmpegError, OSError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise InputError(f"{self.path} has no frame that can be decoded ({reason}): export it again.") from error
        raise InputError(f"{self.path} has no frame that can be decoded: export it again.")

    def __iter__(self) -> Iterator[VideoFrame]:
        return self.frames()

    def frames(self, first: int = 1) -> Iterator[VideoFrame]:
        """Give the frames in order, from number ``first``.

        Raises InputError, after the last good frame, where the clip breaks off; it names the frame.
        """
        decoder, start = self._decoder_at(first)
        try:
            for number, frame in self._numbered(decoder, start):
                if number >= first:
                    yield self._convert(number, frame)
        finally:
            decoder.close()

    def frame(self, number: int) -> VideoFrame:
        """Return one frame by its number from 1; cheap in order, by seeking otherwise. Raises InputError."""
        if number < 1:
            raise InputError(f"{self.path} has no frame {number}: frames count from 1.")
        if self._broken_from is not None and number >= self._broken_from:
            raise self._break(self._broken_from, "the file breaks off")
        if self._pass is None or not self._next <= number < self._next + _NEAR:
            self._begin_at(number)
        assert self._pass is not None
        for found, frame in self._pass[1]:
            self._next = found + 1
            if found == number:
                return self._convert(found, frame)
        self.close()
        raise InputError(f"{self.path} has no frame {number}: it has {self._next - 1}.")

    def close(self) -> None:
        """Let go of the file; the next :meth:`frame` opens it again."""
        if self._pass is not None:
            self._pass[0].close()
            self._pass = None

    def __enter__(self) -> VideoReader:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _begin_at(self, number: int) -> None:
        self.close()
        decoder, start = self._decoder_at(number)
        self._pass, self._next = (decoder, self._numbered(decoder, start)), start

    def _decoder_at(self, number: int) -> tuple[_Decoder, int]:
        """Return a decoder that begins at or before a frame, and the number of its first frame."""
        if number < _NEAR:
            return _Decoder(self.path, self._index), 1
        table = self._timestamps()
        if len(table) < number <= self.info.frames:
            raise self._break(len(table) + 1, "the file breaks off")
        if number > len(table):
            raise InputError(f"{self.path} has no frame {number}: it has {len(table)}.")
        target = table[number - 1]
        probe = _Decoder(self.path, self._index, target)
        try:
            first = next(probe.frames(), None)
        except _Broken:
            first = None
        finally:
            probe.close()
        if first is None or first.pts is None or not table[0] <= first.pts <= target:
            return _Decoder(self.path, self._index), 1
        return _Decoder(self.path, self._index, target), bisect.bisect_left(table, first.pts) + 1

    def _timestamps(self) -> list[int]:
        """The timestamps of all frames in the order they are shown, read once from the packets, undecoded."""
        import av

        if self._table is None:
            container, stream = open_container(self.path, self._index)
            found: list[int] = []
            end, broken = Fraction(0), False
            with contextlib.closing(container):
                promised, cut = _promised_end(container, stream), _is_cut(self.path, container)
                with contextlib.suppress(av.error.FFmpegError, OSError):
                    for packet in _packets(container, stream, cut):
                        end = max(end, _end_of(packet, stream))
                        if _is_shown(packet):
                            found.append(packet.pts)
                        broken = broken or packet.is_corrupt
                self._missing = max(_missing_frames(end, promised, stream), int(broken or cut))
            self._table = sorted(found)
        return self._table

    def _numbered(self, decoder: _Decoder, start: int) -> Iterator[tuple[int, Any]]:
        number = start
        try:
            for frame in decoder.frames():
                yield number, frame
                number += 1
        except _Broken as broken:
            raise self._break(number, str(broken)) from broken.__cause__
        if start > 1 and number <= self.info.frames:
            raise self._break(number, "the file breaks off")

    def _break(self, number: int, reason: str) -> InputError:
        """Remember from which frame on the clip cannot be decoded, and return the error that says so."""
        self._broken_from = number
        return InputError(
            f"{self.path} cannot be decoded from frame {number} on ({reason}): the frames before are good; "
            "copy or export the clip again."
        )

    def _check(self, frame: Any, number: int) -> None:
        info = self.info
        size = (frame.width, frame.height)
        stored = (info.height, info.width) if info.turns % 2 else (info.width, info.height)
        if size != stored or planar_name(frame.format.name) != info.pixel_format.name:
            raise InputError(
                f"{self.path} changes to {size[0]}×{size[1]} {frame.format.name} at frame {number}, from "
                f"{stored[0]}×{stored[1]} {info.pixel_format.name}: split it there first."
            )
        if frame.interlaced_frame and not self._interlaced:
            raise InputError(
                f"{self.path} is interlaced (frame {number}): de-interlace it first, "
                "or say that its frames are progressive in truth."
            )

    def _convert(self, number: int, frame: Any) -> VideoFrame:
        self._check(frame, number)
        info = self.info
        planes = planes_of(frame, info.pixel_format)
        step = round(1 / (info.rate * info.time_base))
        pts = frame.pts if frame.pts is not None else info.start + (number - 1) * step
        picture = upright(planes_to_picture(planes, info.coding), info.turns, info.mirrored)
        original = Original(planes, pts, frame.duration or step)
        return VideoFrame(number, (pts - info.start) * info.time_base, picture, original)


_FIELDS_NOTE = (
    "{}: its interlaced frames are taken whole. Where it moves, the edge of a matte combs, and an output says that it "
    "is progressive."
)

_NEAR = 16
"""Decoding on over so many frames is cheaper than seeking."""


def _is_shown(packet: Any) -> bool:
    return packet.pts is not None and not packet.is_discard and not packet.is_corrupt
