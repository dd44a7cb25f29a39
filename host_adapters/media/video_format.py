"""Video in files: codecs, pixel formats, tags and what a stream says of itself."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import Floats
from ...kernels.codes import CodedPicture, Coding, Planes, planes_to_picture
from ...kernels.devices import current, held
from .boxes import container_tags
from .files import InputError
from .metadata import stream_metadata
from .side_data import Mastering, mastering_of, matrix_of, orientation_of, siting_of

SUFFIXES = {".mov": "prores", ".mp4": "h264", ".m4v": "h264", ".mkv": "ffv1"}
"""The codec that is used by default, by suffix of the output."""

READ_SUFFIXES = (*SUFFIXES, ".avi", ".mxf", ".mts", ".m2ts", ".ts", ".webm", ".mpg", ".mpeg", ".dv", ".wmv", ".3gp")
"""Suffixes that are taken for video when a clip is opened."""

Tags = tuple[int, int, int, int]
"""Range, matrix, primaries and transfer as ITU-T H.273 numbers."""

# ITU-T H.273 code points: matrix coefficients and video range.
MATRIX = {1: "709", 5: "601", 6: "601", 9: "2020"}
MATRIX_TAG = {"709": 1, "601": 6, "2020": 9, "rgb": 0}
MATRIX_IN_CONTAINER = ("dnxhd",)
"""Codecs whose own streams hardly ever say another matrix than BT.709: what the container says goes first."""
_UNTAGGED = 2
UNTAGGED = (0, _UNTAGGED)
"""Numbers that say nothing: reserved and unspecified."""
STUDIO_TAG, FULL_TAG = 1, 2

# Formats that hold the same codes in another order, and the planar one they are taken apart to.
REPACK = {
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
    :ivar mirrored: whether left and right change after that. :ivar matrix: the display matrix that says so, as stored.
    :ivar siting_tag: where chroma sits by the clip's own account, in libav's word; None where it says nothing.
    :ivar mastering: the display it was mastered on, and its light level.
    :ivar stream: the index of the picture's stream in the file. :ivar codec_tag: its four letters there.
    :ivar flags: its disposition, as a number. :ivar names: its metadata, as it is taken over.
    :ivar alone: an output gets the picture alone, without what lies beside it. :ivar beside: whether anything does.
    :ivar spoken: range, matrix, primaries and transfer as the stream itself states them, without its container.
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
    mirrored: bool = False
    matrix: tuple[int, ...] | None = None
    siting_tag: str | None = None
    mastering: Mastering = field(default_factory=Mastering)
    stream: int | None = None
    codec_tag: str = ""
    flags: int = 1
    spoken: Tags = (0, _UNTAGGED, _UNTAGGED, _UNTAGGED)
    names: dict[str, str] = field(default_factory=dict, hash=False)
    alone: bool = False
    beside: bool = True
    tags: tuple[int, int, int, int] = (0, _UNTAGGED, _UNTAGGED, _UNTAGGED)
    pixel_aspect: Fraction = Fraction(1)
    sound: int = 0
    timecode: str | None = None
    reel: str | None = None
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
    """A frame of a clip: its number from 1, its time in seconds, what its clip says of itself, and what it came as."""

    number: int
    time: Fraction
    info: VideoInfo
    original: Original

    @property
    def coded(self) -> CodedPicture | None:
        """The picture as it lies in its planes; None where it has alpha, or is to be turned first."""
        planes, info = self.original.planes, self.info
        return None if len(planes) > 3 or info.turns % 4 or info.mirrored else CodedPicture(planes, info.coding)

    @property
    def picture(self) -> Floats:
        """The picture, upright; it is made of the planes at every look."""
        info = self.info
        return upright(planes_to_picture(self.original.planes, info.coding), info.turns, info.mirrored)


@dataclass(frozen=True, eq=False)
class Coded:
    """A frame as an encoder takes it.

    :ivar frame: the library's own. :ivar shape: of the picture that it was made of, upright.
    :ivar time: timestamp and duration in units of the input's time base; None where its number says them.
    """

    frame: Any
    shape: tuple[int, ...]
    time: tuple[int, int] | None


def upright(picture: Floats, turns: int, mirrored: bool = False) -> Floats:
    """Turn a picture or matte by quarter turns counter-clockwise, then change left and right where it is mirrored."""
    turned = np.rot90(picture, turns) if turns % 4 else picture
    turned = turned[:, ::-1] if mirrored else turned
    return picture if turned is picture else np.ascontiguousarray(turned)


def as_stored(picture: Floats, turns: int, mirrored: bool = False) -> Floats:
    """Undo :func:`upright`."""
    before = picture[:, ::-1] if mirrored else picture
    before = np.rot90(before, -turns) if turns % 4 else before
    return picture if before is picture else np.ascontiguousarray(before)


def planar_name(name: str) -> str:
    """Return the planar name of a pixel format, low byte first where it has more than 8 bits."""
    name = name.replace("yuvj", "yuv")
    return REPACK.get(name, name[:-2] + "le" if name.endswith("be") else name)


def planes_of(frame: Any, pixel_format: PixelFormat) -> Planes:
    """Return the planes of a decoded frame: Y′, Cb, Cr or R′, G′, B′, then alpha; where they have gaps, copies.

    What is not copied keeps the decoder's memory until nobody holds it. They are to be looked at only.
    """
    if frame.format.name.replace("yuvj", "yuv") != pixel_format.name:
        frame = frame.reformat(
            format=pixel_format.name,
            src_color_range=frame.color_range or None,
            dst_color_range=frame.color_range or None,
        )
    views = [plane_view(plane, pixel_format) for plane in frame.planes]
    planes = [view if view.flags.c_contiguous and current() is None else held(view) for view in views]
    return tuple(planes[i] for i in RGB_ORDER[: len(planes)]) if pixel_format.rgb else tuple(planes)


RGB_ORDER = (2, 0, 1, 3)
"""Where R′, G′, B′ and alpha are among planes in the order G, B, R, alpha."""


def plane_view(plane: Any, pixel_format: PixelFormat) -> NDArray[Any]:
    """Return a plane of a decoded frame as an array, without copying it."""
    kind = np.dtype("u1" if pixel_format.bits == 8 else "<u2")
    rows = np.frombuffer(plane, kind).reshape(-1, plane.line_size // kind.itemsize)
    return rows[: plane.height, : plane.width]


def describe_stream(
    path: Path,
    container: Any,
    stream: Any,
    frame: Any,
    before: Tags,
    standard: str | None,
    studio: bool | None,
    siting: str | None,
) -> VideoInfo:
    """Return what a stream says of itself, and what is assumed where it says nothing.

    :param before: range, matrix, primaries and transfer as the library held them before it decoded ``frame``.
    """
    pixel_format = PixelFormat.parse(planar_name(frame.format.name))
    if pixel_format is None:
        grey = frame.format.name.startswith("gray")
        fix = "grey holds no skin colour: give the one in colour" if grey else "export it as Y′CbCr or RGB"
        raise InputError(f"{path} has the pixel format {frame.format.name}, which is not used here; {fix}.")
    codec = stream.codec_context.name
    sited = siting_of(frame) if not pixel_format.rgb and pixel_format.subsampling != "4:4:4" else None
    spoken, outside = _stated(path, container, stream, frame, before)
    agreed, notes = _agreed(path, codec, spoken, outside)
    coding, tags, assumed = _coding(path, frame, pixel_format, codec, agreed, standard, studio, siting, sited)
    notes += assumed
    matrix = matrix_of(frame)
    orientation = orientation_of(matrix)
    if orientation is None:
        notes = [
            *notes,
            f"{path}: its rotation by {frame.rotation}° is no quarter turn, and is passed on, not applied.",
        ]
    if not pixel_format.alpha and named_value(container, stream, "alpha_mode") == "1":
        notes = [*notes, f"{path} has alpha, which is not read: export it as ProRes 4444 or FFV1 to keep it."]
    turns, mirrored = orientation or (0, False)
    width, height = (frame.height, frame.width) if turns % 2 else (frame.width, frame.height)
    return VideoInfo(
        path=path,
        width=width,
        height=height,
        rate=_rate(container, stream),
        time_base=Fraction(frame.time_base or stream.time_base),
        start=frame.pts or 0,
        frames=stream.frames,
        codec=codec,
        pixel_format=pixel_format,
        coding=coding,
        turns=turns,
        mirrored=mirrored,
        matrix=matrix,
        siting_tag=SITING_WORD[siting] if siting is not None else sited,
        mastering=mastering_of(frame),
        stream=stream.index,
        codec_tag=stream.codec_context.codec_tag,
        flags=int(stream.disposition),
        spoken=spoken,
        names=stream_metadata(stream),
        beside=len(container.streams) > 1 or bool(container.chapters()),
        tags=tags,
        pixel_aspect=Fraction(stream.sample_aspect_ratio or 1),
        sound=len(container.streams.audio),
        timecode=named_value(container, stream, "timecode"),
        reel=named_value(container, stream, "reel_name"),
        metadata=dict(container.metadata),
        notes=tuple(notes),
    )


def _rate(container: Any, stream: Any) -> Fraction:
    """Frames a second: the average, unless it only repeats the unit of time, or counts places without a picture."""
    average = Fraction(stream.average_rate or stream.guessed_rate or 25)
    guessed = Fraction(stream.guessed_rate or average)
    if average > _MOST_FRAMES and guessed < average:
        return guessed
    times = [entry.timestamp for entry in stream.index_entries] if container.format.name == "avi" else []
    if len(times) > 1 and stream.time_base:
        steps = sorted(after - before for before, after in itertools.pairwise(times))
        usual = steps[len(steps) // 2]
        return 1 / (usual * Fraction(stream.time_base)) if usual > 1 else average
    return average


_MOST_FRAMES = 1000
"""No camera's rate is higher; raw DV states its unit of time instead."""


def _stated(path: Path, container: Any, stream: Any, frame: Any, before: Tags) -> tuple[Tags, Tags]:
    """Return range, matrix, primaries and transfer as the stream itself states them, and as its container does.

    :param before: what the library held before it decoded: the container's, unless the stream took its place.
    """
    spoken = int(frame.color_range), int(frame.colorspace), int(frame.color_primaries), int(frame.color_trc)
    if frame.format.name.startswith("yuvj"):
        spoken = (FULL_TAG, *spoken[1:])
    name = container.format.name
    if "matroska" not in name and "mov" not in name:
        return spoken, before
    tags = container_tags(path, "matroska" in name, stream.index, stream.id)
    return spoken, tags or before


def _agreed(path: Path, codec: str, spoken: Tags, outside: Tags) -> tuple[Tags, list[str]]:
    """Return the tags that hold: the stream's own, as it lies next to the picture, else the container's."""
    from ...nodes import tag_in_words

    held, notes = [], []
    for field_name, inner, outer in zip(("range", "matrix", "primaries", "transfer"), spoken, outside, strict=True):
        silent = (0,) if field_name == "range" else (3, _UNTAGGED) if field_name == "matrix" else UNTAGGED
        from_container = inner in silent or (
            codec in MATRIX_IN_CONTAINER and field_name == "matrix" and outer in MATRIX
        )
        held.append(outer if from_container and outer not in silent else inner)
        if inner not in silent and outer not in silent and MATRIX.get(inner, inner) != MATRIX.get(outer, outer):
            taken, other = ("container", "stream") if from_container else ("stream", "container")
            words = {"stream": tag_in_words(field_name, inner), "container": tag_in_words(field_name, outer)}
            notes.append(
                f"{path}: for its {field_name} the {taken} says {words[taken]} and the {other} {words[other]}; the "
                f"{taken}'s is taken."
            )
    return (held[0], held[1], held[2], held[3]), notes


def _coding(
    path: Path,
    frame: Any,
    pixel_format: PixelFormat,
    codec: str,
    tags: Tags,
    standard: str | None,
    studio: bool | None,
    siting: str | None,
    siting_tag: str | None,
) -> tuple[Coding, Tags, list[str]]:
    """Return what the codes mean, the tags that say so, and what had to be assumed. Raises InputError."""
    notes: list[str] = []
    extent, matrix, primaries, transfer = tags
    if pixel_format.rgb:
        return Coding(pixel_format.bits, False, "rgb", "4:4:4"), (FULL_TAG, 0, primaries, transfer), notes
    if standard is not None:
        matrix = matrix if MATRIX.get(matrix) == standard else MATRIX_TAG[standard]
    elif matrix in (0, 3, _UNTAGGED):
        standard = "709" if frame.height >= 720 else "601"
        notes.append(
            f"{path} does not say which matrix it uses: BT.{standard} is assumed from its {frame.height} lines."
        )
        matrix = _UNTAGGED
    elif matrix in MATRIX:
        standard = MATRIX[matrix]
    else:
        raise InputError(
            f"{path} uses the matrix with the number {matrix} of ITU-T H.273; BT.601, BT.709 and BT.2020 are known "
            "here: convert it, or say which of these to take it for."
        )
    if studio is not None:
        extent = STUDIO_TAG if studio else FULL_TAG
    elif extent == 0:
        notes.append(f"{path} does not say which range it uses: studio range is assumed.")
    sited = siting or _SITED.get(siting_tag or "") or _siting(codec, standard, pixel_format)
    if siting_tag in _OTHER_SITES and siting is None:
        notes.append(f"{path} says that its chroma sits {_OTHER_SITES[siting_tag]}: it is taken for {sited}.")
    coding = Coding(pixel_format.bits, extent != FULL_TAG, standard, pixel_format.subsampling, sited)
    return coding, (extent, matrix, primaries, transfer), notes


_SITED = {
    "left": "left",
    "center": "centre",
    "topleft": "corner",
    "bottomleft": "left",
    "top": "centre",
    "bottom": "centre",
}
"""What libav's words for the place of chroma stand for, or come nearest to."""
SITING_WORD = {"left": "left", "centre": "center", "corner": "topleft"}
_OTHER_SITES = {"bottomleft": "at the lower left", "top": "at the top", "bottom": "at the bottom"}


def _siting(codec: str, standard: str, pixel_format: PixelFormat) -> str:
    """Where chroma sits in a clip that does not say: JFIF and MPEG-1 centre, BT.2020-2 table 3 corner, others left."""
    if codec in ("mjpeg", "mpeg1video"):
        return "centre"
    return "corner" if standard == "2020" and pixel_format.subsampling == "4:2:0" else "left"


def named_value(container: Any, stream: Any, name: str) -> str | None:
    """Return a value by its name, which Matroska writes in capitals: of the stream, the file, or another stream."""
    for source in (stream.metadata, container.metadata, *(other.metadata for other in container.streams)):
        found = {key.lower(): str(value) for key, value in source.items()}
        if found.get(name):
            return found[name]
    return None
