"""Video: clips through PyAV, from decoded planes to pictures by our own kernels, and only changes written back."""

from __future__ import annotations

import bisect
import contextlib
import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import Floats
from ...kernels.codes import (
    Coding,
    Planes,
    alpha_to_plane,
    change_to_planes,
    picture_to_planes,
    planes_to_picture,
)
from .files import Atomic, InputError, OutputError, check_input, output_error

SUFFIXES = {".mov": "prores", ".mp4": "h264", ".m4v": "h264", ".mkv": "ffv1"}
"""The codec that is used by default, by suffix of the output."""

READ_SUFFIXES = (*SUFFIXES, ".avi", ".mxf", ".mts", ".m2ts", ".ts", ".webm", ".mpg", ".mpeg", ".dv", ".wmv", ".3gp")
"""Suffixes that are taken for video when a clip is opened."""

Tags = tuple[int, int, int, int]
"""Range, matrix, primaries and transfer as ITU-T H.273 numbers."""

# ITU-T H.273 code points: matrix coefficients and video range.
_MATRIX = {1: "709", 5: "601", 6: "601", 9: "2020"}
_MATRIX_TAG = {"709": 1, "601": 6, "2020": 9, "rgb": 0}
_MATRIX_IN_CONTAINER = ("dnxhd",)
"""Codecs whose own streams hardly ever say another matrix than BT.709: what the container says goes first."""
_UNTAGGED = 2
_STUDIO_TAG, _FULL_TAG = 1, 2

# Formats that hold the same codes in another order, and the planar one they are taken apart to.
_REPACK = {
    "nv12": "yuv420p",
    "nv21": "yuv420p",
    "nv16": "yuv422p",
    "p010le": "yuv420p10le",
    "p210le": "yuv422p10le",
    "yuyv422": "yuv422p",
    "uyvy422": "yuv422p",
    "rgb24": "gbrp",
    "bgr24": "gbrp",
    "rgb0": "gbrp",
    "bgr0": "gbrp",
    "0rgb": "gbrp",
    "0bgr": "gbrp",
    "rgba": "gbrap",
    "bgra": "gbrap",
    "argb": "gbrap",
    "abgr": "gbrap",
    "rgb48le": "gbrp16le",
    "rgb48be": "gbrp16le",
    "rgba64le": "gbrap16le",
    "rgba64be": "gbrap16le",
}
_PLANAR = re.compile(r"(?P<kind>yuv|gbr)(?P<alpha>a?)(?P<chroma>444|422|420|411|440)?p(?P<bits>\d+)?(?P<order>le|be)?")


@dataclass(frozen=True)
class PixelFormat:
    """A planar pixel format by its name in PyAV, taken to its parts.

    :ivar packed: the format of the same codes in another order that an encoder wants instead.
    """

    name: str
    rgb: bool
    alpha: bool
    subsampling: str
    bits: int
    packed: str = field(default="", compare=False)

    @classmethod
    def parse(cls, name: str) -> PixelFormat | None:
        """Return the parts of a planar 8- to 16-bit Y′CbCr or R′G′B′ format, None for any other."""
        match = _PLANAR.fullmatch(name)
        if match is None or match["order"] == "be" or (match["kind"] == "yuv") != (match["chroma"] is not None):
            return None
        chroma = match["chroma"] or "444"
        bits = int(match["bits"] or 8)
        if not 8 <= bits <= 16:
            return None
        return cls(name, match["kind"] == "gbr", bool(match["alpha"]), ":".join(chroma), bits)


@dataclass(frozen=True)
class VideoInfo:
    """What a clip says of itself.

    :ivar width, height: of the picture as it is watched, upright.
    :ivar frames: how many there are, as the file states, or counted where it does not.
    :ivar rate: frames a second, exact. :ivar time_base: seconds in one unit of the timestamps.
    :ivar pixel_format: the planar form of the decoded frames. :ivar coding: what their codes mean.
    :ivar turns: quarter turns counter-clockwise from the stored to the upright picture.
    :ivar tags: range, matrix, primaries and transfer, as ITU-T H.273 numbers, to be written to an output.
    :ivar notes: what had to be assumed, one sentence each.
    """

    path: Path
    width: int
    height: int
    rate: Fraction
    time_base: Fraction
    start: int
    frames: int
    codec: str
    pixel_format: PixelFormat
    coding: Coding
    turns: int = 0
    tags: tuple[int, int, int, int] = (0, _UNTAGGED, _UNTAGGED, _UNTAGGED)
    pixel_aspect: Fraction = Fraction(1)
    sound: int = 0
    timecode: str | None = None
    metadata: dict[str, str] = field(default_factory=dict, hash=False)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Original:
    """A decoded frame as it came: its planes of codes, its timestamp and duration in units of the time base."""

    planes: Planes
    pts: int
    duration: int


@dataclass(frozen=True, eq=False)
class VideoFrame:
    """A frame of a clip: its number from 1, its time in seconds, its picture, and what it came as."""

    number: int
    time: Fraction
    picture: Floats
    original: Original


# --- reading ------------------------------------------------------------------------------------------------


def _open(path: Path) -> tuple[Any, Any]:
    """Return the container and its first video stream. Raises InputError."""
    import av

    check_input(path)
    try:
        container = av.open(str(path), metadata_errors="replace")
    except (av.error.FFmpegError, OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"{path} cannot be read as video ({reason}): it is damaged, cut off or no video; copy or export it again."
        ) from error
    streams = [stream for stream in container.streams.video if not _is_cover(stream)]
    if not streams:
        container.close()
        raise InputError(f"{path} has no video stream: name a file with pictures in it.")
    if streams[0].codec_context is None:
        container.close()
        raise InputError(f"{path}: no decoder for its video codec is installed; export it in another codec.")
    return container, streams[0]


def _is_cover(stream: Any) -> bool:
    return bool(stream.disposition & stream.disposition.__class__.attached_pic)


class _Decoder:
    """One pass over the frames of a clip, from the start or from a timestamp."""

    def __init__(self, path: Path, from_pts: int | None = None) -> None:
        self.path = path
        self.container, self.stream = _open(path)
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
    ) -> None:
        self.path = Path(path)
        self._interlaced = interlaced
        self._table: list[int] | None = None
        self._missing = 0
        self._broken_from: int | None = None
        self._pass: tuple[_Decoder, Iterator[Any]] | None = None
        self._next = 1
        container, stream = _open(self.path)
        try:
            stated_matrix = int(stream.codec_context.colorspace)
            first = self._first_frame(container, stream)
            if stream.codec_context.name in _MATRIX_IN_CONTAINER and stated_matrix in _MATRIX:
                first.colorspace = stated_matrix
            info = _describe(self.path, container, stream, first, standard, studio, siting)
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
            return _Decoder(self.path), 1
        table = self._timestamps()
        if len(table) < number <= self.info.frames:
            raise self._break(len(table) + 1, "the file breaks off")
        if number > len(table):
            raise InputError(f"{self.path} has no frame {number}: it has {len(table)}.")
        target = table[number - 1]
        probe = _Decoder(self.path, target)
        try:
            first = next(probe.frames(), None)
        except _Broken:
            first = None
        finally:
            probe.close()
        if first is None or first.pts is None or not table[0] <= first.pts <= target:
            return _Decoder(self.path), 1
        return _Decoder(self.path, target), bisect.bisect_left(table, first.pts) + 1

    def _timestamps(self) -> list[int]:
        """The timestamps of all frames in the order they are shown, read once from the packets, undecoded."""
        import av

        if self._table is None:
            container, stream = _open(self.path)
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
        if size != stored or _planar_name(frame.format.name) != info.pixel_format.name:
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
        planes = _planes(frame, info.pixel_format)
        step = round(1 / (info.rate * info.time_base))
        pts = frame.pts if frame.pts is not None else info.start + (number - 1) * step
        picture = upright(planes_to_picture(planes, info.coding), info.turns)
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


def upright(picture: Floats, turns: int) -> Floats:
    """Turn a picture or matte by quarter turns counter-clockwise."""
    return np.ascontiguousarray(np.rot90(picture, turns)) if turns % 4 else picture


def _planar_name(name: str) -> str:
    name = name.replace("yuvj", "yuv")
    return _REPACK.get(name, name[:-2] + "le" if name.endswith("be") else name)


def _planes(frame: Any, pixel_format: PixelFormat) -> Planes:
    """Copy the planes out of a decoded frame: Y′, Cb, Cr or R′, G′, B′, then alpha."""
    if frame.format.name.replace("yuvj", "yuv") != pixel_format.name:
        frame = frame.reformat(
            format=pixel_format.name,
            src_color_range=frame.color_range or None,
            dst_color_range=frame.color_range or None,
        )
    planes = [_plane_view(plane, pixel_format).copy() for plane in frame.planes]
    return tuple(planes[i] for i in _RGB_ORDER[: len(planes)]) if pixel_format.rgb else tuple(planes)


_RGB_ORDER = (2, 0, 1, 3)
"""Where R′, G′, B′ and alpha are among planes in the order G, B, R, alpha."""


def _plane_view(plane: Any, pixel_format: PixelFormat) -> NDArray[Any]:
    kind = np.dtype("u1" if pixel_format.bits == 8 else "<u2")
    rows = np.frombuffer(plane, kind).reshape(-1, plane.line_size // kind.itemsize)
    return rows[: plane.height, : plane.width]


def _describe(
    path: Path, container: Any, stream: Any, frame: Any, standard: str | None, studio: bool | None, siting: str | None
) -> VideoInfo:
    pixel_format = PixelFormat.parse(_planar_name(frame.format.name))
    if pixel_format is None:
        grey = frame.format.name.startswith("gray")
        mend = "grey shows no skin colour: convert it to RGB first" if grey else "export it as Y′CbCr or RGB"
        raise InputError(f"{path} has the pixel format {frame.format.name}, which is not used here; {mend}.")
    codec = stream.codec_context.name
    coding, tags, notes = _coding(path, frame, pixel_format, codec, standard, studio, siting)
    turns, odd = divmod(int(frame.rotation), 90)
    if odd:
        turns, notes = 0, [*notes, f"{path}: its rotation by {frame.rotation}° is ignored."]
    width, height = (frame.height, frame.width) if turns % 2 else (frame.width, frame.height)
    return VideoInfo(
        path=path,
        width=width,
        height=height,
        rate=Fraction(stream.average_rate or stream.guessed_rate or 25),
        time_base=Fraction(frame.time_base or stream.time_base),
        start=frame.pts or 0,
        frames=stream.frames,
        codec=codec,
        pixel_format=pixel_format,
        coding=coding,
        turns=turns % 4,
        tags=tags,
        pixel_aspect=Fraction(stream.sample_aspect_ratio or 1),
        sound=len(container.streams.audio),
        timecode=_timecode(container, stream),
        metadata=dict(container.metadata),
        notes=tuple(notes),
    )


def _coding(
    path: Path,
    frame: Any,
    pixel_format: PixelFormat,
    codec: str,
    standard: str | None,
    studio: bool | None,
    siting: str | None,
) -> tuple[Coding, tuple[int, int, int, int], list[str]]:
    """Return what the codes mean, the tags that say so, and what had to be assumed. Raises InputError."""
    notes: list[str] = []
    primaries, transfer = int(frame.color_primaries), int(frame.color_trc)
    if pixel_format.rgb:
        return Coding(pixel_format.bits, False, "rgb", "4:4:4"), (_FULL_TAG, 0, primaries, transfer), notes
    matrix, extent = int(frame.colorspace), int(frame.color_range)
    if frame.format.name.startswith("yuvj"):
        extent = _FULL_TAG
    if standard is not None:
        matrix = matrix if _MATRIX.get(matrix) == standard else _MATRIX_TAG[standard]
    elif matrix in (0, 3, _UNTAGGED):
        standard = "709" if frame.height >= 720 else "601"
        notes.append(
            f"{path} does not say which matrix it uses: BT.{standard} is assumed from its {frame.height} lines."
        )
        matrix = _UNTAGGED
    elif matrix in _MATRIX:
        standard = _MATRIX[matrix]
    else:
        raise InputError(
            f"{path} uses the matrix with the number {matrix} of ITU-T H.273; BT.601, BT.709 and BT.2020 are known "
            "here: convert it, or say which of these to take it for."
        )
    if studio is not None:
        extent = _STUDIO_TAG if studio else _FULL_TAG
    elif extent == 0:
        notes.append(f"{path} does not say which range it uses: studio range is assumed.")
    sited = siting or _siting(codec, standard, pixel_format)
    coding = Coding(pixel_format.bits, extent != _FULL_TAG, standard, pixel_format.subsampling, sited)
    return coding, (extent, matrix, primaries, transfer), notes


def _siting(codec: str, standard: str, pixel_format: PixelFormat) -> str:
    """Where chroma sits, which PyAV does not tell: JFIF and MPEG-1 centre, BT.2020-2 table 3 corner, others left."""
    if codec in ("mjpeg", "mpeg1video"):
        return "centre"
    return "corner" if standard == "2020" and pixel_format.subsampling == "4:2:0" else "left"


def _timecode(container: Any, stream: Any) -> str | None:
    for source in (stream.metadata, container.metadata, *(other.metadata for other in container.streams)):
        if "timecode" in source:
            return str(source["timecode"])
    return None


# --- writing ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Encoder:
    """A codec as it is written here: its name in PyAV, the pixel formats offered, and its settings.

    ``formats`` empty means all that the encoder takes and :class:`PixelFormat` knows. ``viewed`` marks a codec for
    looking at: a clip made of pictures takes its first format, which players show, and not the finest.
    """

    label: str
    library: str
    formats: tuple[str, ...]
    options: dict[str, str] = field(hash=False)
    studio_only: bool = False
    viewed: bool = False


_H264_FORMATS = ("yuv420p", "yuv422p", "yuv444p", "yuv420p10le", "yuv422p10le", "yuv444p10le")
_X265_QUIET = "log-level=error"
CODECS = {
    "prores": Encoder("ProRes 422 HQ", "prores_ks", ("yuv422p10le",), {"profile": "hq"}, True),
    "prores4444": Encoder("ProRes 4444", "prores_ks", ("yuv444p10le", "yuva444p10le"), {"profile": "4444"}, True),
    "dnxhr": Encoder("DNxHR HQX", "dnxhd", ("yuv422p10le",), {"profile": "dnxhr_hqx"}, True),
    "h264": Encoder("H.264", "libx264", _H264_FORMATS, {"crf": "14"}, viewed=True),
    "hevc": Encoder("HEVC", "libx265", _H264_FORMATS[3:], {"crf": "14", "x265-params": _X265_QUIET}, viewed=True),
    "ffv1": Encoder("FFV1, lossless", "ffv1", (), {"level": "3", "slicecrc": "1", "g": "1"}),
}
"""The codecs that are written, by name."""


def default_codec(path: Path | str, like: VideoInfo | None = None) -> str:
    """Return the codec for an output by its suffix: a ProRes, H.264 or FFV1. Raises OutputError for another suffix."""
    path = Path(path)
    codec = SUFFIXES.get(path.suffix.lower())
    if codec is None:
        known = ", ".join(SUFFIXES)
        raise OutputError(f"{path} ends in {path.suffix or 'no suffix'!r}: a clip needs one of {known}.")
    rich = like is not None and (like.pixel_format.alpha or like.coding.subsampling == "4:4:4")
    return "prores4444" if codec == "prores" and rich else codec


def _library_codec(encoder: Encoder) -> Any:
    import av

    try:
        return av.codec.Codec(encoder.library, "w")
    except (av.error.FFmpegError, ValueError) as error:
        raise OutputError(
            f"The codec {encoder.label} cannot be written: this PyAV was built without {encoder.library}; "
            "choose another codec."
        ) from error


def _offered(encoder: Encoder) -> list[PixelFormat]:
    codec = _library_codec(encoder)
    supported = [item.name for item in codec.video_formats or ()]
    names = [name for name in encoder.formats if name in supported] if encoder.formats else supported
    planar = [known for name in names if (known := PixelFormat.parse(name)) is not None]
    packed = [(name, PixelFormat.parse(_REPACK[name])) for name in names if _REPACK.get(name, "").startswith("gbr")]
    return planar + [replace(known, packed=name) for name, known in packed if known is not None]


def choose_format(encoder: Encoder, wanted: PixelFormat) -> PixelFormat:
    """Return the format of an encoder that is the wanted one, or that keeps the most of it with the least excess."""

    def loss(offer: PixelFormat) -> tuple[int, ...]:
        width = {"4:2:0": 0, "4:1:1": 0, "4:4:0": 1, "4:2:2": 1, "4:4:4": 2}
        chroma = width[offer.subsampling] - width[wanted.subsampling]
        bits = offer.bits - wanted.bits
        return (
            offer != wanted,
            offer.rgb != wanted.rgb,
            wanted.alpha and not offer.alpha,
            max(0, -chroma),
            max(0, -bits),
            offer.alpha and not wanted.alpha,
            abs(chroma),
            abs(bits),
        )

    return min(_offered(encoder), key=loss)


def _plain_info(path: Path, width: int, height: int, rate: Fraction, alpha: bool) -> VideoInfo:
    """What a clip made of single pictures says of itself: R′G′B′ in, BT.709 out."""
    name = "gbrap16le" if alpha else "gbrp16le"
    pixel_format = PixelFormat(name, True, alpha, "4:4:4", 16)
    return VideoInfo(
        path=path,
        width=width,
        height=height,
        rate=rate,
        time_base=1 / rate,
        start=0,
        frames=0,
        codec="",
        pixel_format=pixel_format,
        coding=Coding(16, False, "rgb", "4:4:4"),
        tags=(_FULL_TAG, 0, 1, 1),
    )


class VideoWriter:
    """A clip that is written frame by frame and appears when it is complete.

    Where the output has the pixel format and range of the input, each frame is written as the input's planes plus
    the change, so that what was not touched keeps its codes; otherwise it is converted afresh. Size, rate,
    timestamps, colour tags, rotation, metadata and timecode are those of the input; its audio packets are copied.

    :param like: the input clip's info, or None for a clip made of single pictures (then give ``size`` and ``rate``).
    :param codec: a key of :data:`CODECS`; left out, the suffix decides (:func:`default_codec`).
    :param matte: the clip shows a matte: it gets no sound, and frames are float32 (H, W).
    :param alpha: the fourth channel of the pictures is written, whatever the input's alpha was.
    :param tags: primaries and transfer, as ITU-T H.273 numbers, of pictures that come in another colour space than
        the input; all planes are made afresh then, with the matrix of BT.2020 where the primaries are its own.
    :param inputs: files that must not be overwritten; that of ``like`` is one of them.

    Raises OutputError: unknown suffix or codec, a codec that the container cannot hold, a missing encoder, a folder
    that is missing or not writable, a full disk. As a context manager it closes at the end, aborts on an error.
    """

    def __init__(
        self,
        path: Path | str,
        like: VideoInfo | None = None,
        codec: str | None = None,
        matte: bool = False,
        size: tuple[int, int] | None = None,
        rate: Fraction | None = None,
        alpha: bool = False,
        inputs: Iterable[Path | str] = (),
        tags: tuple[int, int] | None = None,
    ) -> None:
        self.path = Path(path)
        of_pictures = like is None
        if like is None:
            if size is None or rate is None:
                raise OutputError(f"{path}: the size and the rate of a clip made of pictures must be given.")
            like = _plain_info(self.path, *size, rate, alpha)
        else:
            inputs = [*inputs, like.path]
        if matte:
            like = replace(like, sound=0)
        self.like, self._matte = like, matte
        self._fills_alpha = alpha and not matte
        wanted = replace(like.pixel_format, alpha=not matte and (alpha or like.pixel_format.alpha))
        self.codec = codec or default_codec(self.path, None if matte else replace(like, pixel_format=wanted))
        if self.codec not in CODECS:
            raise OutputError(f"Codec {self.codec!r} is unknown: use one of {', '.join(CODECS)}.")
        default_codec(self.path)
        encoder = CODECS[self.codec]
        self.pixel_format = choose_format(encoder, wanted)
        if of_pictures and encoder.viewed:
            self.pixel_format = _offered(encoder)[0]
        if alpha and not self.pixel_format.alpha:
            raise OutputError(f"{path}: {encoder.label} holds no alpha for the matte: use prores4444 or ffv1.")
        self.coding = _output_coding(like, self.pixel_format, encoder.studio_only, tags)
        self._tags = _output_tags(like, self.coding, tags)
        self._same = self.coding == like.coding and tags is None and not matte
        self._file = Atomic(self.path, inputs)
        self._container: Any = None
        self._stream: Any = None
        self._sound: _Sound | None = None
        self._first: tuple[int, int] | None = None
        self._last = self._end = self._last_number = 0
        self._muxed = False
        self._open(encoder)

    def _open(self, encoder: Encoder) -> None:
        import av

        with self._guard():
            # Bit exact: without it a Matroska file carries random numbers, and no two runs give the same file.
            self._container = av.open(str(self._file.temporary), "w", options={"fflags": "bitexact"})
            self._container.metadata.update(_kept_metadata(self.like.metadata))
            options = {**encoder.options, "chroma_sample_location": _SITING_OPTION[self.coding.siting]}
            self._stream = self._container.add_stream(encoder.library, rate=self.like.rate, options=options)
            _configure(self._stream, self.like, self.pixel_format, self._tags)
            if self.like.sound:
                self._sound = _Sound(self.like.path, self._container)

    @property
    def label(self) -> str:
        """The codec and pixel format in words, for people."""
        return f"{CODECS[self.codec].label}, {self.pixel_format.bits} bit {self.pixel_format.subsampling}"

    def write(self, number: int, picture: Floats, original: Original | None = None) -> None:
        """Write the next frame.

        :param number: its number in the input; numbers only rise.
        :param picture: float32 (H, W, 3 or 4), upright; or a matte, float32 (H, W).
        :param original: the input's frame, for its timestamp and for the codes of what did not change.
        :raises OutputError: the frame comes out of order, or writing fails; nothing is left behind then.
        """
        pts, duration = self._place(number, original)
        if self._first is None:
            self._first = (number, pts)
            self._begin(number)
        elif number <= self._last_number:
            self.abort()
            raise OutputError(f"{self.path}: frame {number} comes after a later one; write frames in order.")
        pts = max(pts, self._last + 1) if self._last_number else pts  # damaged clips show two frames at one time
        with self._guard():
            frame = _video_frame(self._codes(picture, original), self.pixel_format, self._tags)
            shift = 0 if self._first[0] == 1 else self._first[1]
            begin, end = self._output_time(pts - shift), self._output_time(pts + duration - shift)
            frame.pts, frame.duration, frame.time_base = begin, end - begin, _output_time_base(self.like)
            self._mux(self._stream.encode(frame), pts * self.like.time_base)
        self._last, self._end, self._last_number = pts, pts + duration, number

    def close(self) -> None:
        """Write what is pending and give the clip its name. Raises OutputError."""
        if self._container is None:
            return
        if self._first is None:
            self.abort()
            raise OutputError(f"{self.path} cannot be written: no frame was given to it.")
        with self._guard():
            complete = self._last_number == self.like.frames
            packets = self._stream.encode(None)
            if not self._muxed and len(packets) <= _FEW:
                _set_decoding_times(packets)
            self._mux(packets, None if complete else self._end * self.like.time_base)
            container, self._container = self._container, None
            self._release()
            container.close()
        self._file.commit()

    def abort(self) -> None:
        """Leave off: nothing of the clip stays, and an earlier file of that name is as it was."""
        container, self._container = self._container, None
        self._release()
        if container is not None:
            with contextlib.suppress(Exception):
                container.close()
        self._file.discard()

    def __enter__(self) -> VideoWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            self.close()
        else:
            self.abort()

    def _release(self) -> None:
        if self._sound is not None:
            self._sound.close()

    @contextlib.contextmanager
    def _guard(self) -> Iterator[None]:
        """Abort on any error, and turn those of the library and the system into OutputError."""
        import av

        try:
            yield
        except InputError:
            self.abort()
            raise
        except (av.error.FFmpegError, OSError, ValueError) as error:
            self.abort()
            raise self._reason(error) from error
        except BaseException:
            self.abort()
            raise

    def _reason(self, error: Exception) -> OutputError:
        if isinstance(error, OSError) and error.errno in _DISK_ERRORS:
            return output_error(self.path, error)
        sound = f" with the sound of {self.like.path.name}" if self.like.sound else ""
        what = getattr(error, "strerror", None) or str(error)
        return OutputError(
            f"{self.path} cannot be written as {self.label}{sound} ({what}): choose another codec or suffix."
        )

    def _place(self, number: int, original: Original | None) -> tuple[int, int]:
        """The timestamp and the duration of a frame in units of the time base."""
        if original is not None:
            return original.pts, original.duration
        step = 1 / (self.like.rate * self.like.time_base)
        pts = self.like.start + round((number - 1) * step)
        return pts, self.like.start + round(number * step) - pts

    def _output_time(self, pts: int) -> int:
        """A timestamp in units of the output's time base: where rounding moved it off the rate, put back on it."""
        time = pts * self.like.time_base
        frames = round((pts - self.like.start) * self.like.time_base * self.like.rate)
        regular = self.like.start * self.like.time_base + frames / self.like.rate
        if abs(regular - time) <= self.like.time_base:
            time = regular
        return round(time / _output_time_base(self.like))

    def _begin(self, number: int) -> None:
        with self._guard():
            if self.like.timecode:
                self._stream.metadata["timecode"] = advance_timecode(self.like.timecode, number - 1, self.like.rate)
            if self._sound is not None and self._first is not None and number != 1:
                self._sound.skip_to(self._first[1] * self.like.time_base)
            self._container.start_encoding()

    def _mux(self, packets: Iterable[Any], until: Fraction | None) -> None:
        """Write packets, and before them the sound up to a time in seconds of the input, or all that is left."""
        if self._sound is not None:
            for packet in self._sound.packets(until):
                self._container.mux(packet)
        for packet in packets:
            self._container.mux(packet)
            self._muxed = True

    def _codes(self, picture: Floats, original: Original | None) -> Planes:
        if picture.ndim == 2:
            picture = np.repeat(picture[:, :, np.newaxis], 3, axis=2)
        picture = upright(picture, -self.like.turns)
        with_alpha = self.pixel_format.alpha
        if not self._same or original is None:
            return picture_to_planes(picture, self.coding, alpha=with_alpha)
        planes, alpha = original.planes[:3], original.planes[3:]
        before = planes_to_picture(planes, self.coding)
        changed = change_to_planes(before, picture[:, :, :3], planes, self.coding)
        if with_alpha and (self._fills_alpha or not alpha):
            alpha = (alpha_to_plane(picture, self.coding),)
        return changed + (alpha if with_alpha else ())


_FEW = 16
"""Some encoders leave the decoding times of so few frames to chance."""


def _set_decoding_times(packets: list[Any]) -> None:
    """Give packets in decoding order rising decoding times, none after the time at which its frame is shown."""
    times = sorted(packet.pts for packet in packets)
    early = max((time - packet.pts for time, packet in zip(times, packets, strict=True)), default=0)
    for time, packet in zip(times, packets, strict=True):
        packet.dts = time - early


_SITING_OPTION = {"left": "left", "centre": "center", "corner": "topleft"}

_DISK_ERRORS = frozenset({2, 5, 13, 20, 27, 28, 30, 122})
"""System error numbers that speak of the disk or the folder."""


def _output_coding(
    like: VideoInfo, pixel_format: PixelFormat, studio_only: bool, space: tuple[int, int] | None
) -> Coding:
    if pixel_format.rgb:
        return Coding(pixel_format.bits, False, "rgb", "4:4:4")
    source = like.coding
    from_rgb = source.standard == "rgb"
    standard = "709" if from_rgb else source.standard
    if space is not None and (space[0] == _WIDE_GAMUT) != (standard == "2020"):
        standard = "2020" if space[0] == _WIDE_GAMUT else "709"
    return Coding(
        bits=pixel_format.bits,
        studio=source.studio or studio_only or from_rgb,
        standard=standard,
        subsampling=pixel_format.subsampling,
        siting=source.siting if source.subsampling == pixel_format.subsampling else "left",
    )


_WIDE_GAMUT = 9
"""The number of the primaries of BT.2020, which come with the matrix of BT.2020."""


def _output_time_base(like: VideoInfo) -> Fraction:
    """A base in which both the input's timestamps and whole frames at its rate are whole numbers."""
    if (1 / (like.rate * like.time_base)).denominator == 1 or like.rate.numerator > _FINEST:
        return like.time_base
    return Fraction(1, math.lcm(like.time_base.denominator, like.rate.numerator))


_FINEST = 120_000
"""Frame rates with a larger numerator are averages of a varying rate."""


def _configure(stream: Any, like: VideoInfo, pixel_format: PixelFormat, tags: Tags) -> None:
    stored = (like.height, like.width) if like.turns % 2 else (like.width, like.height)
    stream.width, stream.height = stored
    stream.pix_fmt = pixel_format.packed or pixel_format.name
    context = stream.codec_context
    context.time_base = _output_time_base(like)
    context.thread_count = 0
    context.color_range, context.colorspace, context.color_primaries, context.color_trc = tags
    context.sample_aspect_ratio = like.pixel_aspect
    if like.turns:
        stream.set_display_rotation((like.turns * 90 + 180) % 360 - 180)


def _output_tags(like: VideoInfo, coding: Coding, space: tuple[int, int] | None) -> Tags:
    """The input's tags, with range, matrix and colour space set anew where the output differs."""
    extent, matrix, primaries, transfer = like.tags
    if coding.studio != like.coding.studio or coding.standard == "rgb":
        extent = _STUDIO_TAG if coding.studio else _FULL_TAG
    if coding.standard != like.coding.standard:
        matrix = _MATRIX_TAG[coding.standard]
    if space is not None:
        primaries, transfer = space
    return extent, matrix, primaries, transfer


_TIMECODE = re.compile(r"(\d\d):(\d\d):(\d\d)([:;.])(\d\d)")


def advance_timecode(timecode: str, frames: int, rate: Fraction) -> str:
    """Return a timecode some frames later; one that cannot be read, as it is.

    Behind a ``;`` it counts with dropped numbers: the first two of each minute, or four at twice the rate, but not of
    every tenth minute. Source: SMPTE ST 12-1.
    """
    match = _TIMECODE.fullmatch(timecode)
    if match is None or not frames:
        return timecode
    hours, minutes, seconds, mark, last = match.groups()
    base = round(rate)
    dropped = 2 * (base // 30) if mark == ";" and base % 30 == 0 else 0
    whole_minutes = int(hours) * 60 + int(minutes)
    count = (whole_minutes * 60 + int(seconds)) * base + int(last)
    count += frames - dropped * (whole_minutes - whole_minutes // 10)
    tens, rest = divmod(count, 600 * base - 9 * dropped)
    count += 9 * dropped * tens
    if dropped and rest >= 60 * base:
        count += dropped * ((rest - 60 * base) // (60 * base - dropped) + 1)
    total, frame = divmod(count, base)
    minute, second = divmod(total, 60)
    return f"{minute // 60 % 24:02}:{minute % 60:02}:{second:02}{mark}{frame:02}"


_TECHNICAL_METADATA = ("major_brand", "minor_version", "compatible_brands", "encoder", "timecode", "duration")


def _kept_metadata(metadata: dict[str, str]) -> dict[str, str]:
    return {key: value for key, value in metadata.items() if key.lower() not in _TECHNICAL_METADATA}


def _video_frame(planes: Planes, pixel_format: PixelFormat, tags: Tags) -> Any:
    import av

    height, width = planes[0].shape
    frame = av.VideoFrame(width, height, pixel_format.name)
    order = [_RGB_ORDER.index(i) for i in range(len(planes))] if pixel_format.rgb else range(len(planes))
    for target, source in zip(frame.planes, order, strict=True):
        _plane_view(target, pixel_format)[:] = planes[source]
    if pixel_format.packed:
        frame = frame.reformat(format=pixel_format.packed)
    frame.color_range, frame.colorspace, frame.color_primaries, frame.color_trc = tags
    return frame


class _Sound:
    """The audio packets of the input, copied as they are to the output in step with the pictures."""

    def __init__(self, path: Path, target: Any) -> None:
        self._source, _ = _open(path)
        streams = self._source.streams.audio
        self._targets = {stream.index: target.add_stream_from_template(stream) for stream in streams}
        self._packets = self._source.demux(*streams)
        self._pending: Any = None
        self._shift, self._skip = Fraction(0), False

    def skip_to(self, start: Fraction) -> None:
        """Leave out what begins before a time in seconds of the input, which becomes the output's zero."""
        self._shift, self._skip = start, True

    def packets(self, until: Fraction | None) -> Iterator[Any]:
        """Give the packets that begin before a time in seconds of the input, or all, ready for the output."""
        while (packet := self._pending or next(self._packets, None)) is not None:
            self._pending = None
            if packet.dts is None or packet.size == 0:
                continue
            begins = (packet.pts if packet.pts is not None else packet.dts) * packet.time_base
            if until is not None and begins >= until:
                self._pending = packet
                return
            if self._skip and begins < self._shift:
                continue
            self._rebase(packet)
            yield packet

    def _rebase(self, packet: Any) -> None:
        shift = round(self._shift / packet.time_base)
        target = self._targets[packet.stream.index]
        packet.pts = packet.pts - shift if packet.pts is not None else None
        packet.dts = packet.dts - shift
        packet.stream = target

    def close(self) -> None:
        self._source.close()
