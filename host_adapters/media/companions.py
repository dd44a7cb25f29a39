"""What comes beside the picture of a clip: sound, subtitles, chapters, data, attachments and all that names them.

It is copied as it is. What the output's container cannot hold is found by reading the finished output back.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

from .boxes import chapter_tracks
from .metadata import kept_metadata, stream_metadata, title_of
from .side_data import mastering_of, matrix_of, orientation_of, siting_of
from .video_decode import is_cover, open_container
from .video_format import UNTAGGED, PixelFormat, Tags, VideoInfo, named_value, planar_name

# --- what a file holds --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Other:
    """A stream beside the picture, as it is compared: its kind in words, codec, title, language and flags."""

    kind: str
    codec: str
    title: str
    language: str
    flags: frozenset[str]
    index: int = field(compare=False)

    def __str__(self) -> str:
        return (
            f"{self.kind} {self.title!r}" if self.title else f"{self.kind} ({self.codec})" if self.codec else self.kind
        )


_KINDS = {"video": "picture stream", "audio": "sound", "subtitle": "subtitles", "data": "data stream"}


def _flags(stream: Any) -> frozenset[str]:
    return _named_flags(int(stream.disposition), stream)


def _is_chapter_text(container: Any, stream: Any, chapters: frozenset[int]) -> bool:
    return stream.type in ("data", "subtitle") and stream.id in chapters and "mov" in container.format.name


def others(container: Any, picture: int, path: Path) -> list[Other]:
    """Return the streams of a file beside its picture; timecode and chapter tracks are not among them."""
    chapters = chapter_tracks(path) if "mov" in container.format.name else frozenset()
    found = []
    for stream in container.streams:
        if stream.index == picture or _is_timecode(stream) or _is_chapter_text(container, stream, chapters):
            continue
        if stream.type == "attachment" or is_cover(stream):
            cover = stream.type != "attachment"
            kind = "cover picture" if cover else "attachment"
            found.append(Other(kind, "", "" if cover else stream.name or "", "", frozenset(), stream.index))
            continue
        language = (stream.metadata.get("language") or "und").lower()
        codec = getattr(stream, "name", None) or "unknown"
        kind = _KINDS.get(stream.type, "stream")
        found.append(Other(kind, codec, title_of(stream.metadata), language, _flags(stream), stream.index))
    return found


def _is_timecode(stream: Any) -> bool:
    return stream.type == "data" and any(key.lower() == "timecode" for key in stream.metadata)


_SAME_LANGUAGE = {"deu": "ger", "fra": "fre", "nld": "dut", "zho": "chi", "ell": "gre", "ces": "cze", "fas": "per"}
"""ISO 639-2: some languages have two codes of three letters."""


def _language(code: str) -> str:
    return _SAME_LANGUAGE.get(code, code)


# --- copying ------------------------------------------------------------------------------------------------


class Companions:
    """The packets of everything beside the picture, copied as they are to the output in step with the pictures.

    :ivar sources: what the input holds beside its picture. :ivar refused: those of them that the container refuses.
    :ivar languages: of the output's streams, by index.
    """

    def __init__(self, like: VideoInfo, target: Any) -> None:
        self.like, self._target = like, target
        self._source, picture = open_container(like.path, like.stream)
        self.sources = others(self._source, picture.index, like.path)
        self.languages: dict[int, str] = {}
        self._targets: dict[int, Any] = {}
        streams = {stream.index: stream for stream in self._source.streams}
        for other in self.sources:
            copy = self._add(streams[other.index], other)
            if copy is not None:
                self._targets[other.index] = copy
                if other.language != "und":
                    self.languages[copy.index] = other.language
        taken = [streams[index] for index in self._targets]
        self._early = {stream.index: self._early_times(stream) for stream in taken if stream.type == "video"}
        self._packets: Iterator[Any] = self._source.demux(*taken) if taken else iter(())
        self._pending: Any = None
        self._shift, self._skip = Fraction(0), False

    def _add(self, stream: Any, other: Other) -> Any:
        """Add a stream to the output; None where it needs none or the container takes none like it."""
        if other.kind == "attachment" or (other.kind == "cover picture" and self._is_matroska):
            self._attach(stream, other.kind)
            return None
        if not _takes(self._target.format.name, stream):
            return None
        copy = self._target.add_stream_from_template(stream, opaque=True)
        _name_channels(stream, copy)
        copy.disposition = stream.disposition
        copy.metadata.clear()
        copy.metadata.update(stream_metadata(stream))
        return copy

    @property
    def _is_matroska(self) -> bool:
        return "matroska" in self._target.format.name

    def _attach(self, stream: Any, kind: str) -> None:
        """Put a file into the header of a Matroska output, where covers lie too; no other container has a place."""
        if not self._is_matroska:
            return
        if kind == "attachment":
            self._target.add_attachment(stream.name or "attachment", stream.mimetype or _ANY, stream.data)
            return
        with open_container(self.like.path, self.like.stream)[0] as again:
            packet = next(iter(again.demux(again.streams[stream.index])), None)
            if packet is not None and packet.size:
                suffix, kind = _COVERS.get(stream.codec_context.name, ("bin", _ANY))
                self._target.add_attachment(f"cover.{suffix}", kind, bytes(packet))

    def _early_times(self, stream: Any) -> list[int]:
        """Decoding times for first packets without, as Matroska has them with B-frames: counted back from the first."""
        with open_container(self.like.path, self.like.stream)[0] as again:
            waiting = list[int]()
            for packet in again.demux(again.streams[stream.index]):
                if packet.dts is not None or not packet.size or len(waiting) > _MOST_EARLY:
                    first = packet.dts if packet.dts is not None else min(waiting, default=0)
                    step = packet.duration or 1
                    return [first - (len(waiting) - place) * step for place in range(len(waiting))]
                waiting.append(packet.pts if packet.pts is not None else 0)
        return []

    def begin(self, start: Fraction | None) -> None:
        """Set the chapters, before the first frame is written.

        :param start: the time in seconds of the input that becomes the output's zero, or None: what begins before it
            is left out.
        """
        self._shift, self._skip = start or Fraction(0), start is not None
        kept = []
        for chapter in self._source.chapters():
            unit = Fraction(chapter["time_base"] or Fraction(1, 1000))
            shift = round(self._shift / unit)
            if chapter["end"] > shift or not self._skip:
                begin = max(chapter["start"] - shift, 0) if self._skip else chapter["start"]
                kept.append({**chapter, "start": begin, "end": chapter["end"] - shift})
        if kept:
            self._target.set_chapters(kept)

    def packets(self, until: Fraction | None) -> Iterator[Any]:
        """Give the packets that begin before a time in seconds of the input, or all, ready for the output."""
        while (packet := self._pending or next(self._packets, None)) is not None:
            self._pending = None
            if packet.size == 0 or _is_filler(packet):
                continue
            if packet.dts is None and self._early.get(packet.stream.index):
                packet.dts = self._early[packet.stream.index].pop(0)
            if is_cover(packet.stream):
                packet.pts = packet.dts = packet.duration = 0
                packet.stream = self._targets[packet.stream.index]
                yield packet
                continue
            if packet.dts is None and packet.pts is None:
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
        packet.dts = packet.dts - shift if packet.dts is not None else packet.pts
        packet.stream = target

    def missing_from(self, result: Any, shown: Any, output: Path) -> list[str]:
        """Return which streams and chapters an output lacks of those beside the input's picture, in words."""
        lost = _lost_streams(self.sources, others(result, shown.index, output))
        return lost + _lost_chapters(self._source.chapters(), result.chapters())

    def close(self) -> None:
        """Let go of the input."""
        self._source.close()


_MOST_EARLY = 32
"""No codec shows a frame later than so many after decoding it."""


def _is_filler(packet: Any) -> bool:
    """Tell whether a packet is the empty text between two lines, which the library's writer puts in by itself."""
    return packet.size == 2 and packet.stream.type == "subtitle" and bytes(packet) == b"\0\0"


_ANY = "application/octet-stream"
_COVERS = {"mjpeg": ("jpg", "image/jpeg"), "png": ("png", "image/png"), "bmp": ("bmp", "image/bmp")}


def _name_channels(stream: Any, copy: Any) -> None:
    """Call one or two channels without a name mono and stereo, as every player does: MP4 has to say."""
    if stream.type == "audio" and "channel" in str(stream.codec_context.layout.name):
        usual = {1: "mono", 2: "stereo"}.get(stream.codec_context.channels)
        if usual is not None:
            copy.codec_context.layout = usual


def _takes(format_name: str, stream: Any) -> bool:
    """Tell whether a container takes a stream: it is written once, into memory, with a packet where it is sound."""
    import av

    try:
        with av.open(io.BytesIO(), "w", format=format_name.split(",")[0]) as trial:
            copy = trial.add_stream_from_template(stream, opaque=True)
            _name_channels(stream, copy)
            trial.start_encoding()
            if stream.type == "audio" and stream.codec_context.name.startswith("pcm"):
                packet = av.Packet(bytes(64 * stream.codec_context.channels))
                packet.stream, packet.time_base = copy, stream.time_base
                packet.pts = packet.dts = 0
                trial.mux(packet)
    except (av.error.FFmpegError, ValueError, OSError):
        return False
    return True


# --- what was left behind -----------------------------------------------------------------------------------


def not_carried(
    like: VideoInfo, output: Path, tags: Tags, siting: str | None, companions: Companions | None
) -> list[str]:
    """Read a finished output and return what of its input it does not hold, in words.

    :param tags, siting: those that the output was to get. :param companions: what lies beside the picture, if any.
    """
    result, shown = open_container(output, 0)
    with result:
        written = (int(shown.codec_context.color_primaries), int(shown.codec_context.color_trc))
        lost = _lost_about_picture(like, result, shown, siting)
        names = ("the tag of the primaries", "the tag of the transfer")
        lost += [n for n, t, w in zip(names, tags[2:], written, strict=True) if t not in UNTAGGED and w in UNTAGGED]
        if companions is not None:
            lost += companions.missing_from(result, shown, output)
        if not like.alone:
            lost += _lost_names(kept_metadata(like.metadata), dict(result.metadata))
    return lost


def _lost_about_picture(like: VideoInfo, result: Any, shown: Any, siting: str | None) -> list[str]:
    ratio = Fraction(shown.sample_aspect_ratio or 1)
    language = like.names.get("language", "und")
    found = (shown.metadata.get("language") or "und").lower()
    flags = sorted(_named_flags(like.flags, shown) - _flags(shown))
    timecode, reel = (named_value(result, shown, name) for name in ("timecode", "reel_name"))
    tells = like.matrix is not None or bool(like.mastering) or siting not in (None, "left")
    frame = next(result.decode(shown), None) if tells else None
    checks = {
        f"pixel aspect {like.pixel_aspect.numerator}:{like.pixel_aspect.denominator}": ratio != like.pixel_aspect,
        f"the title {like.names.get('title')!r}": like.names.get("title", "") not in ("", title_of(shown.metadata)),
        f"the language {language}": language != "und" and _language(language) != _language(found),
        f"the {_plural('flag', flags)} {', '.join(flags)} of the picture": bool(flags),
        f"timecode {like.timecode}": bool(like.timecode and not like.alone and not timecode),
        f"reel name {like.reel}": bool(like.reel and not reel),
        "alpha": like.pixel_format.alpha and not _has_alpha(shown),
    }
    if frame is not None:
        turned = orientation_of(matrix_of(frame)) != orientation_of(like.matrix)
        checks |= {  # a frame is decoded for these alone
            "the display matrix": like.matrix is not None and turned,
            "mastering display and light level": bool(like.mastering) and not mastering_of(frame),
            f"the place of chroma ({siting})": siting not in (None, "left", siting_of(frame)),
        }
    return [words for words, gone in checks.items() if gone]


def _has_alpha(stream: Any) -> bool:
    pixel_format = PixelFormat.parse(planar_name(stream.codec_context.pix_fmt or ""))
    return pixel_format is not None and pixel_format.alpha


def _named_flags(flags: int, stream: Any) -> frozenset[str]:
    return frozenset(flag.name for flag in stream.disposition.__class__ if flag.name and flags & flag)


def _lost_streams(before: Iterable[Other], after: Iterable[Other]) -> list[str]:
    lost, left = [], list(after)
    for other in before:
        same = [found for found in left if (found.kind, found.codec) == (other.kind, other.codec)]
        same = [f for f in same if f.title == other.title] if other.kind == "attachment" else same
        if not same:
            lost.append(f"{other}")
            continue
        found = same[0]
        left.remove(found)
        if other.title and found.title != other.title:
            lost.append(f"the title of {other}")
        if other.language != "und" and _language(found.language) != _language(other.language):
            lost.append(f"the language {other.language} of {other}")
        flags = sorted(other.flags - found.flags)
        if flags:
            lost.append(f"the {_plural('flag', flags)} {', '.join(flags)} of {other}")
    return lost


def _lost_chapters(before: list[Any], after: list[Any]) -> list[str]:
    if len(after) >= len(before) or not before:
        return []
    return [f"{len(before)} chapters" if not after else f"{len(before) - len(after)} of {len(before)} chapters"]


def _lost_names(before: dict[str, str], after: dict[str, str]) -> list[str]:
    known = {key.lower(): value for key, value in after.items()}
    gone = sorted(key for key, value in before.items() if not _same_value(key, value, known.get(key.lower())))
    return [f"metadata {', '.join(gone)}"] if gone else []


def _same_value(key: str, before: str, after: str | None) -> bool:
    if after is None:
        return False
    return key.lower() in ("location", "creation_time", "date") or before == after


def _plural(word: str, items: list[str]) -> str:
    return word if len(items) == 1 else f"{word}s"
