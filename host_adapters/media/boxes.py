"""Headers of containers taken apart: what Matroska, QuickTime and MP4 hold that PyAV neither reads nor writes.

Sources: RFC 8794 (EBML) and RFC 9559 (Matroska); ISO/IEC 14496-12 and the QuickTime file format.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import BinaryIO

from .side_data import Mastering

# --- what is written behind the library's back --------------------------------------------------------------


@dataclass(frozen=True)
class Header:
    """What is put into the header of a finished clip: about its picture, and the languages of streams by index."""

    pixel_aspect: Fraction = Fraction(1)
    width: int = 0
    height: int = 0
    mastering: Mastering = field(default_factory=Mastering)
    languages: dict[int, str] = field(default_factory=dict)


FILL = "." * 400
"""The name that the picture of a Matroska clip is given first: room in its header for :func:`finish_matroska`."""


# --- EBML ---------------------------------------------------------------------------------------------------

_SEGMENT, _TRACKS, _TRACK, _CRC, _VOID = 0x18538067, 0x1654AE6B, 0xAE, 0xBF, 0xEC
_CLUSTER, _INFO, _DURATION = 0x1F43B675, 0x1549A966, 0x4489
_TYPE, _NAME, _VIDEO, _COLOUR = 0x83, 0x536E, 0xE0, 0x55B0
_DISPLAY = (0x54B0, 0x54BA, 0x54B2)
_MASTERING, _MAX_LIGHT, _MAX_MEAN = 0x55D0, 0x55BC, 0x55BD
_LIGHT_IDS = (*range(0x55D1, 0x55D9), 0x55D9, 0x55DA)
"""Red, green, blue and white x and y, then the most and the least luminance."""


def _number(data: bytes, at: int, keep: bool) -> tuple[int, int]:
    """Read a number of variable length (RFC 8794, 4): the value, with its marker or without, and what follows it."""
    first = data[at]
    length = 9 - first.bit_length()
    if not first or at + length > len(data):
        raise ValueError("no EBML number")
    value = int.from_bytes(data[at : at + length], "big")
    return (value if keep else value & ~(1 << 7 * length)), at + length


def _elements(data: bytes, at: int = 0, end: int | None = None) -> Iterator[tuple[int, int, int, int]]:
    """Give the id, the start, the payload's start and its end, of each element side by side."""
    end = len(data) if end is None else end
    while at < end:
        identity, after = _number(data, at, keep=True)
        size, begin = _number(data, after, keep=False)
        unknown = size == (1 << 7 * (begin - after)) - 1
        yield identity, at, begin, end if unknown else begin + size
        if unknown:
            return
        at = begin + size


def _element(identity: int, payload: bytes) -> bytes:
    name = identity.to_bytes((identity.bit_length() + 7) // 8, "big")
    return name + (0x0100000000000000 | len(payload)).to_bytes(8, "big") + payload


def _whole(identity: int, value: int) -> bytes:
    return _element(identity, value.to_bytes(max(1, (value.bit_length() + 7) // 8), "big"))


def _void(length: int) -> bytes:
    """An element of no meaning that takes so many bytes, 9 or more."""
    return bytes([_VOID]) + (0x0100000000000000 | (length - 9)).to_bytes(8, "big") + bytes(length - 9)


def finish_matroska(path: Path, name: str, header: Header) -> None:
    """Write into a Matroska clip what the library leaves out: pixel aspect, mastering display and light level.

    The first track of pictures must have been named :data:`FILL`; it gets ``name``, and the file keeps its length.
    """
    with path.open("r+b") as file:
        head = file.read(1 << 20)
        tracks = _find(head, _SEGMENT, _TRACKS)
        if tracks is None:
            return
        begin, end = tracks
        for identity, _, start, stop in _elements(head, begin, end):
            if identity == _TRACK and _is_filled(head, start, stop):
                file.seek(start)
                file.write(_track(head[start:stop], name, header))
                break
        file.seek(begin)
        _renew_sum(file, begin, file.read(end - begin))


def _find(head: bytes, *names: int) -> tuple[int, int] | None:
    begin, end = 0, len(head)
    for name in names:
        found = next(((b, e) for i, _, b, e in _elements(head, begin, end) if i == name), None)
        if found is None:
            return None
        begin, end = found
    return begin, end


def _is_filled(head: bytes, start: int, stop: int) -> bool:
    return any(i == _NAME and head[b:e] == FILL.encode() for i, _, b, e in _elements(head, start, stop))


def _track(payload: bytes, name: str, header: Header) -> bytes:
    """A track with its own name and what was added, as long as before."""
    parts = [_element(_NAME, name.encode())] if name else []
    for identity, at, begin, end in _elements(payload):
        if identity == _VIDEO:
            parts.append(_element(_VIDEO, _picture(payload[begin:end], header)))
        elif identity != _NAME:
            parts.append(payload[at:end])
    whole = b"".join(parts)
    return whole + _void(len(payload) - len(whole))


def _picture(payload: bytes, header: Header) -> bytes:
    parts, colour = [], b""
    for identity, at, begin, end in _elements(payload):
        if identity == _COLOUR:
            colour = payload[begin:end]
        elif identity not in _DISPLAY or header.pixel_aspect == 1:
            parts.append(payload[at:end])
    if header.pixel_aspect != 1:
        parts.append(_display(header))
    colour += _light(header.mastering)
    return b"".join(parts) + (_element(_COLOUR, colour) if colour else b"")


def _display(header: Header) -> bytes:
    """The width at which a picture is shown: in pixels where that is a whole number, as a ratio otherwise."""
    shown = header.width * header.pixel_aspect
    if shown.denominator == 1:
        return _whole(_DISPLAY[0], int(shown)) + _whole(_DISPLAY[1], header.height)
    ratio = shown / header.height
    return _whole(_DISPLAY[0], ratio.numerator) + _whole(_DISPLAY[1], ratio.denominator) + _whole(_DISPLAY[2], 3)


def _light(mastering: Mastering) -> bytes:
    values = [value / 50000 for value in mastering.primaries]
    values += [value / 10000 for value in reversed(mastering.luminance)]
    names = _LIGHT_IDS[: len(mastering.primaries)] + (_LIGHT_IDS[8:] if mastering.luminance else ())
    parts = b"".join(_element(name, struct.pack(">d", value)) for name, value in zip(names, values, strict=True))
    result = _element(_MASTERING, parts) if parts else b""
    if mastering.light:
        result += _whole(_MAX_LIGHT, mastering.light[0]) + _whole(_MAX_MEAN, mastering.light[1])
    return result


def _renew_sum(file: BinaryIO, begin: int, payload: bytes) -> None:
    """Write the sum over an element anew, where it begins with one (RFC 8794, 11.3.1: CRC-32, low byte first)."""
    if payload[:2] == bytes([_CRC, 0x84]):
        file.seek(begin + 2)
        file.write(struct.pack("<I", zlib.crc32(payload[6:])))


@dataclass(frozen=True)
class MatroskaLength:
    """How long a Matroska file says that it is: bytes of its segment and of the file; the segment's end or None."""

    stated_end: int | None
    size: int

    @property
    def cut(self) -> bool:
        """Whether the file ends before its segment does."""
        return self.stated_end is not None and self.size < self.stated_end


def matroska_length(path: Path) -> MatroskaLength:
    """Read how long a Matroska file says that it is; a segment of unknown length makes no promise."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(4096)
    try:
        at = 0
        while True:
            identity, after = _number(head, at, keep=True)
            length, begin = _number(head, after, keep=False)
            if identity == _SEGMENT:
                unknown = length == (1 << 7 * (begin - after)) - 1
                return MatroskaLength(None if unknown else begin + length, size)
            at = begin + length
    except (ValueError, IndexError):
        return MatroskaLength(None, size)


# --- boxes of QuickTime and MP4 -----------------------------------------------------------------------------

_HOLDERS = (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"edts")


@dataclass
class Box:
    """A box: its four letters, and either what it holds or the boxes in it."""

    kind: bytes
    payload: bytes = b""
    boxes: list[Box] = field(default_factory=list)

    @classmethod
    def parse(cls, data: bytes) -> list[Box]:
        """Take boxes side by side apart. Raises ValueError for what is none."""
        found, at = [], 0
        while at + 8 <= len(data):
            size, kind = struct.unpack(">I4s", data[at : at + 8])
            begin = at + 8
            if size == 1:
                (size,) = struct.unpack(">Q", data[begin : begin + 8])
                begin += 8
            size = size or len(data) - at
            if size < begin - at or at + size > len(data):
                raise ValueError("no box")
            payload = data[begin : at + size]
            found.append(cls(kind, boxes=cls.parse(payload)) if kind in _HOLDERS else cls(kind, payload))
            at += size
        return found

    def packed(self) -> bytes:
        """Return the box as it stands in a file."""
        payload = b"".join(box.packed() for box in self.boxes) if self.kind in _HOLDERS else self.payload
        return struct.pack(">I4s", len(payload) + 8, self.kind) + payload

    def find(self, *path: bytes) -> Box | None:
        """Return the first box at a path inside this one."""
        box: Box | None = self
        for kind in path:
            box = next((inner for inner in box.boxes if inner.kind == kind), None) if box is not None else None
        return box

    def all(self, kind: bytes) -> list[Box]:
        """Return the boxes of a kind directly inside this one."""
        return [box for box in self.boxes if box.kind == kind]


def movie_box(path: Path) -> tuple[Box, int, bool] | None:
    """Return the ``moov`` box of a file, where it begins, and whether it is the last; None where there is none."""
    size = path.stat().st_size
    with path.open("rb") as file:
        at = 0
        while at + 8 <= size:
            file.seek(at)
            length, kind = struct.unpack(">I4s", file.read(8))
            if length == 1:
                (length,) = struct.unpack(">Q", file.read(8))
            length = length or size - at
            if length < 8:
                return None
            if kind == b"moov":
                file.seek(at)
                try:
                    return Box.parse(file.read(length))[0], at, at + length >= size
                except (ValueError, IndexError, struct.error):
                    return None
            at += length
    return None


def finish_quicktime(path: Path, header: Header, picture: int) -> None:
    """Write into a QuickTime or MP4 clip what the library leaves out: languages, mastering display and light level.

    The ``moov`` box must be the last of the file, as it is where a clip is written in one go.
    """
    found = movie_box(path)
    if found is None or not found[2]:
        return
    movie, at, _ = found
    tracks = movie.all(b"trak")
    for index, language in header.languages.items():
        if index < len(tracks):
            _set_language(tracks[index], language)
    if header.mastering and picture < len(tracks):
        _add_light(tracks[picture], header.mastering)
    with path.open("r+b") as file:
        file.seek(at)
        file.write(movie.packed())
        file.truncate()


def _set_language(track: Box, language: str) -> None:
    """Set a language as three letters of ISO 639-2 (the packed form of ISO/IEC 14496-12, 8.4.2)."""
    head = track.find(b"mdia", b"mdhd")
    if head is None or len(language) != 3 or not language.isascii() or not language.islower():
        return
    code = sum((ord(letter) - 0x60) << shift for letter, shift in zip(language, (10, 5, 0), strict=True))
    place = 32 if head.payload[0] else 20
    head.payload = head.payload[:place] + struct.pack(">H", code) + head.payload[place + 2 :]


def _add_light(track: Box, mastering: Mastering) -> None:
    table = track.find(b"mdia", b"minf", b"stbl", b"stsd")
    if table is None or len(table.payload) < 16 + 78:
        return
    added = b""
    if mastering.primaries and mastering.luminance:
        red, green, blue, white = (mastering.primaries[i : i + 2] for i in range(0, 8, 2))
        least, most = mastering.luminance
        added += Box(b"mdcv", struct.pack(">8H2I", *green, *blue, *red, *white, most, least)).packed()
    if mastering.light:
        added += Box(b"clli", struct.pack(">2H", *mastering.light)).packed()
    (size,) = struct.unpack(">I", table.payload[8:12])
    begin = 8 + 86
    entry = struct.pack(">I", size + len(added)) + table.payload[12:begin] + added + table.payload[begin : 8 + size]
    table.payload = table.payload[:8] + entry + table.payload[8 + size :]


def chapter_tracks(path: Path) -> frozenset[int]:
    """Return the ids of the tracks of a QuickTime or MP4 file that only hold the titles of its chapters."""
    found = movie_box(path)
    tracks: set[int] = set()
    for track in found[0].all(b"trak") if found is not None else ():
        for reference in track.all(b"tref"):
            try:
                chapters = [box for box in Box.parse(reference.payload) if box.kind == b"chap"]
            except (ValueError, struct.error):
                continue
            for box in chapters:
                count = len(box.payload) // 4
                tracks.update(struct.unpack(f">{count}I", box.payload[: 4 * count]))
    return frozenset(tracks)


# --- colour tags --------------------------------------------------------------------------------------------

_COLOUR_IDS = (0x55B9, 0x55B1, 0x55BB, 0x55BA)
"""Range, matrix, primaries and transfer in Matroska, numbered as in ITU-T H.273."""


def container_tags(path: Path, matroska: bool, place: int, number: int) -> tuple[int, int, int, int] | None:
    """Return range, matrix, primaries and transfer that a container states of a stream; None where it states nothing.

    :param place: of the stream in a Matroska file. :param number: of the track in a QuickTime or MP4 file.
    """
    try:
        return _matroska_tags(path, place) if matroska else _quicktime_tags(path, number)
    except (ValueError, IndexError, struct.error, OSError):
        return None


def _matroska_tags(path: Path, place: int) -> tuple[int, int, int, int] | None:
    with path.open("rb") as file:
        head = file.read(1 << 20)
    begin, end = _find(head, _SEGMENT, _TRACKS) or (0, 0)
    tracks = [(b, e) for identity, _, b, e in _elements(head, begin, end) if identity == _TRACK]
    if place >= len(tracks):
        return None
    span = _inside(head, tracks[place], _VIDEO)
    colour = _inside(head, span, _COLOUR) if span is not None else None
    if colour is None:
        return None
    stated = {identity: int.from_bytes(head[b:e], "big") for identity, _, b, e in _elements(head, *colour)}
    extent, matrix, primaries, transfer = (stated.get(name, 2 * (name != 0x55B9)) for name in _COLOUR_IDS)
    return extent if extent in (1, 2) else 0, matrix, primaries, transfer


def _inside(head: bytes, span: tuple[int, int], name: int) -> tuple[int, int] | None:
    return next(((b, e) for identity, _, b, e in _elements(head, *span) if identity == name), None)


def _quicktime_tags(path: Path, number: int) -> tuple[int, int, int, int] | None:
    found = movie_box(path)
    for track in found[0].all(b"trak") if found is not None else ():
        head, table = track.find(b"tkhd"), track.find(b"mdia", b"minf", b"stbl", b"stsd")
        if head is None or table is None or _track_number(head.payload) != number:
            continue
        (size,) = struct.unpack(">I", table.payload[8:12])
        for box in _loose(table.payload[8 + 86 : 8 + size]):
            if box.kind == b"colr" and box.payload[:4] in (b"nclx", b"nclc"):
                primaries, transfer, matrix = struct.unpack(">3H", box.payload[4:10])
                extent = 0 if box.payload[:4] == b"nclc" else 2 if box.payload[10] & 0x80 else 1
                return extent, matrix, primaries, transfer
    return None


def _track_number(head: bytes) -> int:
    return int.from_bytes(head[20:24] if head[0] else head[12:16], "big")


def _loose(data: bytes) -> list[Box]:
    """Boxes up to where they end; a sample entry may close with four zeros."""
    found, at = [], 0
    while at + 8 <= len(data):
        size, kind = struct.unpack(">I4s", data[at : at + 8])
        if size < 8 or at + size > len(data):
            break
        found.append(Box(kind, data[at + 8 : at + size]))
        at += size
    return found
