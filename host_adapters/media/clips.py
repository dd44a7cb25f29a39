"""Clips: a single picture, a picture sequence or a video, read and written through one door."""

from __future__ import annotations

import heapq
import itertools
import re
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from math import gcd
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from ...kernels.arrays import Floats
from ...kernels.errors import InkarnatError
from ...kernels.strips import Unmade
from ..sequences import SequencePattern
from ..writes import OutputError, OutputWriter, check_output, reads
from .files import InputError
from .pictures import FORMATS, PictureInfo, picture_format, read_picture, write_matte, write_picture, writing_notes
from .video_format import READ_SUFFIXES, SUFFIXES, Coded, Original, VideoFrame, VideoInfo
from .video_read import VideoReader
from .video_write import VideoWriter, default_codec, holds_alpha

_REMEMBERED, _REMEMBERED_PLANES = 3, 2
"""How many frames' originals a clip keeps, for a writer that comes later; :meth:`Clip.remember` asks for more. Those of
video are planes in memory of the decoder."""

_DEFAULT_RATE = Fraction(24)


class FrameRangeError(InkarnatError, ValueError):
    """Frame numbers that cannot be understood."""


# --- frame numbers ------------------------------------------------------------------------------------------

_PART = re.compile(r"(-?\d{1,9})(?:-(-?\d{1,9})(?:x(\d{1,9}))?)?")


@dataclass(frozen=True)
class Frames:
    """Frame numbers as ranges, never as a list: iterated in rising order, each once."""

    parts: tuple[range, ...]

    def __iter__(self) -> Iterator[int]:
        last = None
        for frame in heapq.merge(*self.parts):
            if frame != last:
                yield frame
            last = frame

    def __len__(self) -> int:
        return len(self.parts[0]) if len(self.parts) == 1 else sum(1 for _ in self)

    def __contains__(self, frame: object) -> bool:
        return any(frame in part for part in self.parts)

    def __getitem__(self, index: int) -> int:
        if index == -1:
            return max(part[-1] for part in self.parts)
        return next(itertools.islice(self, index if index >= 0 else len(self) + index, None))


def parse_frames(text: str) -> Frames:
    """Read frame numbers such as ``7``, ``1-100``, ``1-100x2`` (every second), ``-5--1`` or ``1-10,15,20-30``.

    Raises FrameRangeError that names the part, what is wrong with it and how to write it.
    """
    parts = [_parse_part(part.strip(), text) for part in text.split(",")]
    return Frames(tuple(parts))


def _parse_part(part: str, text: str) -> range:
    match = _PART.fullmatch(part)
    if match is None:
        raise FrameRangeError(
            f"Frames {text!r}: {part!r} is not understood; write 5, 1-100 or 1-100x2, with commas in between."
        )
    first, last = int(match[1]), int(match[2] or match[1])
    step = int(match[3] or 1)
    if last < first:
        raise FrameRangeError(f"Frames {text!r}: {part!r} runs backwards; write {last}-{first}.")
    if step < 1:
        raise FrameRangeError(f"Frames {text!r}: the step in {part!r} must be 1 or more.")
    return range(first, last + 1, step)


def runs(frames: Iterable[int]) -> list[str]:
    """Return frame numbers as runs: 3, 7–9, 12."""
    found = []
    for _, group in itertools.groupby(enumerate(frames), lambda pair: pair[1] - pair[0]):
        run = [frame for _, frame in group]
        found.append(str(run[0]) if len(run) == 1 else f"{run[0]}–{run[-1]}")
    return found


def in_words(frames: Iterable[int], most: int = 5) -> str:
    """Say frame numbers as runs: 3, 7–9 and 12."""
    found = runs(frames)
    shown = found[:most] + ([f"{len(found) - most} more"] if len(found) > most else [])
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"


# --- reading ------------------------------------------------------------------------------------------------


def _unwatched(frame: int) -> AbstractContextManager[None]:
    return nullcontext()


class Taken(Protocol):
    """A frame that was read or decoded."""

    @property
    def picture(self) -> Floats:
        """Its picture, float32 (H, W, 3 or 4); of a video it is made only now, and at every look."""


@dataclass(frozen=True, eq=False)
class _Read:
    """A frame that came as a picture."""

    picture: Floats


class Clip:
    """Pictures by frame number; made by :func:`open_clip`.

    :ivar path: as it was given. :ivar width, height: of the first picture, upright.
    :ivar frames: the frame numbers as a range, from 1 for a video or a single picture. Where a sequence has gaps,
        the range covers them, ``missing`` holds their numbers, and reading one of them raises InputError.
    :ivar rate: frames a second, exact, or None where nothing states it.
    :ivar info: what the file says of itself: PictureInfo or VideoInfo.
    :ivar notes: what a person should know, one sentence each.
    :ivar assumed: what holds instead of the file's tags, as it was given to :func:`open_clip`.
    :ivar watch: entered with the number of each frame while it is read, as a context.
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        self.frames = range(1, 2)
        self.missing: tuple[int, ...] = ()
        self.rate: Fraction | None = None
        self.info: PictureInfo | VideoInfo
        self.notes: tuple[str, ...] = ()
        self.assumed: dict[str, Any] = {}
        self.watch: Callable[[int], AbstractContextManager[None]] = _unwatched
        self._lock = threading.Lock()
        self._recent: OrderedDict[int, Any] = OrderedDict()
        self._remembered = _REMEMBERED

    @property
    def width(self) -> int:
        """Pixels across."""
        return self.info.width

    @property
    def height(self) -> int:
        """Pixels down."""
        return self.info.height

    def read(self, frame: int) -> Floats:
        """Return a picture, float32 (H, W, 3 or 4). Reading in order is cheap. Raises InputError."""
        return self.take(frame).picture

    def take(self, frame: int) -> Taken:
        """Read or decode a frame, and leave it to others to make its picture. Raises InputError."""
        with self._lock, self.watch(frame):
            taken, origin = self._read(frame)
            self._recent[frame] = origin
            self._recent.move_to_end(frame)
            while len(self._recent) > self._remembered:
                self._recent.popitem(last=False)
        return taken

    def remember(self, frames: int, behind: int = 0) -> None:
        """Keep what so many frames came as for who works on them, and more for a writer so far behind that."""
        self._remembered = max(self._remembered, frames + behind)

    def origin(self, frame: int) -> Any:
        """Return what a frame came as: an Original for video, a PictureInfo otherwise. Raises InputError."""
        kept = self._recent.get(frame)  # not under the lock: the next frame may be on its way from the decoder
        if kept is not None:
            return kept
        with self._lock:
            return self._read(frame)[1]

    def _read(self, frame: int) -> tuple[Taken, Any]:
        raise NotImplementedError

    def paths(self) -> list[Path]:
        """Return the files that the clip is made of."""
        return [self.path]

    def __iter__(self) -> Iterator[tuple[int, Floats]]:
        for frame in self.frames:
            yield frame, self.read(frame)

    def close(self) -> None:
        """Let go of open files."""

    def __enter__(self) -> Clip:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class PictureClip(Clip):
    """A single picture: frame 1. It is kept in memory after the first reading."""

    def __init__(self, path: Path | str, **chosen: str) -> None:
        super().__init__(path)
        self.assumed = chosen
        self._picture, self.info = read_picture(path, **chosen)
        self.rate, self.notes = _stated_rate(self.info), self.info.notes

    def _read(self, frame: int) -> tuple[Taken, Any]:
        if frame != 1:
            raise InputError(f"{self.path} has no frame {frame}: it is a single picture, frame 1.")
        return _Read(self._picture.copy()), self.info

    def __reduce__(self) -> Any:
        return partial(PictureClip, **self.assumed), (self.path,)


class SequenceClip(Clip):
    """A sequence of numbered pictures."""

    def __init__(self, pattern: SequencePattern, **chosen: str) -> None:
        super().__init__(str(pattern))
        self.assumed = chosen
        self.pattern = pattern
        found = pattern.find()
        if not found:
            raise InputError(f"No file is named like {pattern}: check the name and the number of digits.")
        self.frames, self.missing = _span(found)
        first = read_picture(pattern.path(found[0]), **chosen)[1]
        self.info, self.rate = first, _stated_rate(first)
        gaps = f"{pattern} lacks {_plural('frame', self.missing)} {in_words(self.missing)}." if self.missing else ""
        self.notes = (*first.notes, *([gaps] if gaps else []))

    def _read(self, frame: int) -> tuple[Taken, Any]:
        if frame not in self.frames:
            raise InputError(f"{self.path} has no frame {frame}: it runs from {self.frames[0]} to {self.frames[-1]}.")
        picture, info = read_picture(self.pattern.path(frame), **self.assumed)
        return _Read(picture), info

    def paths(self) -> list[Path]:
        """Return the first and the last file: names between them follow the same pattern."""
        return [self.pattern.path(self.frames[0]), self.pattern.path(self.frames[-1])]

    def __reduce__(self) -> Any:
        return partial(SequenceClip, **self.assumed), (self.pattern,)


class VideoClip(Clip):
    """A video file: frames count from 1."""

    info: VideoInfo

    def __init__(self, path: Path | str, **assumed: Any) -> None:
        super().__init__(path)
        self.assumed = assumed
        self._reader = VideoReader(path, **assumed)
        self._remembered = _REMEMBERED_PLANES
        self.info = self._reader.info
        self.frames = range(1, self.info.frames + 1)
        self.rate, self.notes = self.info.rate, self.info.notes

    def _read(self, frame: int) -> tuple[Taken, Any]:
        found = self._reader.frame(frame)
        return found, found.original

    def remember(self, frames: int, behind: int = 0) -> None:
        """Keep what so many frames came as; writers read a frame's planes before it waits for them."""
        super().remember(frames)

    def suspect(self, survey: bool = False) -> list[int]:
        """Return the frames that damage may reach: of those read here, or with ``survey`` of the whole clip."""
        with self._lock:
            return sorted(self._reader.survey() if survey else self._reader.suspect)

    def close(self) -> None:
        """Let go of the file; reading opens it again."""
        with self._lock:
            self._reader.close()

    def __reduce__(self) -> Any:
        return _video_clip, (self.path, self.assumed)


def _video_clip(path: Path, assumed: dict[str, Any]) -> VideoClip:
    return VideoClip(path, **assumed)


def _plural(word: str, items: tuple[int, ...]) -> str:
    return word if len(items) == 1 else f"{word}s"


def _span(found: list[int]) -> tuple[range, tuple[int, ...]]:
    """Return the range that frame numbers lie in, and those that are missing from it.

    Three frames and more with a common distance, such as every second one, make a range with that step.
    """
    step = gcd(*(frame - found[0] for frame in found)) if len(found) > 2 else 1
    whole = range(found[0], found[-1] + 1, step)
    present = set(found)
    return whole, tuple(frame for frame in whole if frame not in present)


def _stated_rate(info: PictureInfo) -> Fraction | None:
    _, value = info.metadata.get("framesPerSecond", ("", None))
    try:
        return Fraction(*value) if isinstance(value, tuple) else None
    except (TypeError, ValueError, ZeroDivisionError):
        return None


_CHOICE = re.compile(r"(?P<file>.+?)(?P<choices>(?::(?:part|layer|video)=[^:/]+)+)")


def parse_choice(path: Path | str) -> tuple[Path, dict[str, str]]:
    """Take what is chosen of a file from behind its name: ``plate.exr:part=beauty``, ``:layer=``, ``take.mkv:video=2``.

    Raises InputError for a stream that is no number from 1.
    """
    match = _CHOICE.fullmatch(str(path))
    if match is None or Path(path).exists():
        return Path(path), {}
    choices = dict(item.split("=", 1) for item in match["choices"][1:].split(":"))
    if not choices.get("video", "1").isdecimal() or choices.get("video") == "0":
        raise InputError(f"{path}: video wants the number of a picture stream, from 1.")
    return Path(match["file"]), choices


def open_clip(path: Path | str, **assumed: Any) -> Clip:
    """Open a picture, a picture sequence (``shot.%04d.exr`` or ``shot.####.exr``) or a video.

    :param path: with what is to be read of the file behind its name, where it holds more than one picture:
        ``plate.exr:part=beauty``, ``plate.exr:layer=diffuse``, ``take.mkv:video=2``.
    :param assumed: what is to be read, as ``part``, ``layer`` or ``video``; for video, what holds instead of its tags:
        ``standard``, ``studio``, ``siting`` and ``interlaced``, as in :class:`~.video_read.VideoReader`.
    :raises InputError: missing, empty, damaged, of an unknown kind, grey, or without what was chosen.
    """
    path, chosen = parse_choice(path)
    reads(path)
    assumed |= chosen
    of_pictures = {name: str(assumed[name]) for name in ("part", "layer") if assumed.get(name) is not None}
    of_video = {name: value for name, value in assumed.items() if name not in ("part", "layer")}
    pattern = SequencePattern.parse(path)
    if pattern is not None:
        return SequenceClip(pattern, **of_pictures)
    suffix = path.suffix.lower()
    if suffix in FORMATS or path.is_dir():
        _refuse(path, chosen, ("video",), "a picture: give part or layer")
        return PictureClip(path, **of_pictures)
    if suffix in READ_SUFFIXES:
        _refuse(path, chosen, ("part", "layer"), "video: give video=NUMBER")
        return VideoClip(path, **of_video)
    return _open_unknown(path, of_pictures, of_video)


def _refuse(path: Path, chosen: dict[str, str], names: tuple[str, ...], what: str) -> None:
    for name in names:
        if name in chosen:
            raise InputError(f"{path} has no {name} {chosen[name]!r}: it is {what}.")


def _open_unknown(path: Path, of_pictures: dict[str, str], of_video: dict[str, Any]) -> Clip:
    try:
        return PictureClip(path, **of_pictures)
    except InputError as error:
        first = error
    try:
        return VideoClip(path, **of_video)
    except InputError:
        raise first from None


# --- writing ------------------------------------------------------------------------------------------------


def as_array(picture: Taken | Floats) -> Floats:
    """Return the picture of what may be a frame that was only read."""
    given: Any = picture
    array: Floats = getattr(given, "picture", given)
    return array


class ClipWriter(OutputWriter):
    """Where frames go; made by :func:`open_writer`. As a context manager it closes at the end, aborts on an error."""

    notes: tuple[str, ...] = ()
    """What a person should know, one sentence each; some of it only after :meth:`close`."""

    def prepared(self, frame: int, picture: Taken | Floats) -> Floats | Coded:
        """Do what can be done for a frame in any thread and order, and return what :meth:`write` takes for it."""
        return np.asarray(as_array(picture))

    def write(
        self, frame: int, picture: Floats | Coded, original: Floats | Original | PictureInfo | None = None
    ) -> None:
        """Write the next frame. Raises OutputError.

        :param picture: float32 (H, W, 3 or 4), or a matte, float32 (H, W), or what :meth:`prepared` made of it.
        :param original: what the frame came as, where the caller has it (``clip.origin(frame)``); otherwise the
            clip given as ``like`` is asked. A picture given here is accepted and not needed.
        """
        raise NotImplementedError


class _PictureWriter(ClipWriter):
    """Writes a single picture, or a sequence, one complete file after the other."""

    def __init__(
        self,
        path: Path,
        like: Clip | None,
        inputs: list[Path],
        bits: int | None,
        matte: bool,
        tags: tuple[int, int] | None,
    ) -> None:
        self.path, self.like, self.inputs, self.bits, self.tags = path, like, inputs, bits, tags
        self.pattern = SequencePattern.parse(path)
        self.written: int | None = None
        picture_format(path)
        self._check_names()
        if like is not None and not matte:
            self.notes = tuple(_notes_of(path, like, bits))

    def _check_names(self) -> None:
        if self.pattern is None:
            check_output(self.path, self.inputs)
            return
        frames = self.like.frames if self.like is not None else range(1, 2)
        for frame in {frames[0], frames[-1]}:
            check_output(self.pattern.path(frame), self.inputs)

    def write(self, frame: int, picture: Floats | Coded, original: Any = None) -> None:
        assert isinstance(picture, np.ndarray)
        if self.pattern is None and self.written is not None:
            raise OutputError(
                f"{self.path} holds one picture, and frame {frame} comes after {self.written}: "
                f"name a sequence such as {self.path.stem}.%04d{self.path.suffix}."
            )
        path = self.path if self.pattern is None else self.pattern.path(frame)
        info = original if isinstance(original, PictureInfo) else self._info(frame)
        if picture.ndim == 2:
            write_matte(path, picture, info, bits=self.bits, inputs=self.inputs)
        else:
            write_picture(path, picture, info, bits=self.bits, inputs=self.inputs, tags=self.tags)
        self.written = frame

    def _info(self, frame: int) -> PictureInfo | None:
        if self.like is None or isinstance(self.like, VideoClip):
            return None
        info = self.like.origin(frame)
        return info if isinstance(info, PictureInfo) else None


def _notes_of(path: Path, like: Clip, bits: int | None) -> list[str]:
    """Say what pictures of a clip lose in a picture file."""
    if isinstance(like.info, PictureInfo):
        return writing_notes(path, like.info, bits)
    return [f"{path}: not carried on: the sound, as picture files have none."] if like.info.sound else []


class _VideoWriter(ClipWriter):
    """Writes a video; one made of pictures is opened when the first shows its size."""

    def __init__(self, path: Path, like: Clip | None, inputs: list[Path], codec: str | None, **options: Any) -> None:
        self.path, self.like, self.inputs, self.codec = path, like, inputs, codec
        self.matte: bool = options["matte"]
        self.tags, self.alpha = options["tags"], options["alpha"]
        self.rate = options["rate"] or (like.rate if like is not None else None)
        self._writer: VideoWriter | None = None
        check_output(path, inputs)
        default_codec(path)
        if isinstance(like, VideoClip):
            self._writer = VideoWriter(
                path, like.info, codec, self.matte, alpha=self.alpha, inputs=inputs, tags=self.tags
            )
        elif self.rate is None:
            self.rate = _DEFAULT_RATE
            self.notes = (f"{path} gets {_DEFAULT_RATE} frames a second: the input does not state a rate.",)

    @property
    def label(self) -> str:
        """The codec and pixel format in words; empty until they are known."""
        return self._writer.label if self._writer is not None else ""

    def prepared(self, frame: int, picture: Taken | Floats) -> Floats | Coded:
        if self._writer is None:
            return super().prepared(frame, picture)
        return self._coded(self._writer, frame, picture)

    def _coded(self, writer: VideoWriter, frame: int, picture: Taken | Floats, original: Any = None) -> Coded:
        if not isinstance(original, Original):
            original = self.like.origin(frame) if isinstance(self.like, VideoClip) else None
        if (isinstance(picture, VideoFrame) and picture.original is original) or isinstance(picture, Unmade):
            return writer.coded(picture, original)
        array = as_array(picture)
        if array.ndim == 3 and writer.like.codec == "" and not writer.pixel_format.alpha:
            array = array[:, :, :3]
        return writer.coded(array, original)

    def write(self, frame: int, picture: Floats | Coded, original: Any = None) -> None:
        if self._writer is None:
            assert isinstance(picture, np.ndarray)
            size = (picture.shape[1], picture.shape[0])
            alpha = picture.ndim == 3 and picture.shape[2] == 4
            if alpha and not self.alpha and not holds_alpha(self.path, self.codec):
                alpha, picture = False, picture[:, :, :3]
                self.notes = (*self.notes, f"{self.path}: not carried on: alpha; .mov as prores4444 and .mkv keep it.")
            self._writer = VideoWriter(
                self.path, None, self.codec, self.matte, size, self.rate, alpha, inputs=self.inputs, tags=self.tags
            )
        coded = picture if isinstance(picture, Coded) else self._coded(self._writer, frame, picture, original)
        self._writer.write(frame, coded)

    def close(self) -> None:
        if self._writer is None:
            raise OutputError(f"{self.path} cannot be written: no frame was given to it.")
        self._writer.close()
        self.notes = (*self.notes, *self._writer.notes)

    def abort(self) -> None:
        if self._writer is not None:
            self._writer.abort()


def check_suffix(path: Path | str) -> None:
    """Raise OutputError for a name that ends in no suffix that can be written."""
    known, suffix = [*FORMATS, *SUFFIXES], Path(path).suffix
    if suffix.lower() not in known:
        raise OutputError(f"{path} ends in {suffix or 'no suffix'!r}: an output needs one of {', '.join(known)}.")


def check_holds(path: Path | str, frames: int) -> None:
    """Raise OutputError for the name of one picture where there are several frames to write."""
    path = Path(path)
    if frames > 1 and path.suffix.lower() in FORMATS and SequencePattern.parse(path) is None:
        raise OutputError(
            f"{path} holds one picture, and there are {frames} frames: name a sequence such as "
            f"{path.stem}.%04d{path.suffix}, or one frame with --frames."
        )


def open_writer(
    path: Path | str,
    like: Clip | None = None,
    codec: str | None = None,
    kind: str = "picture",
    *,
    rate: Fraction | None = None,
    bits: int | None = None,
    inputs: Iterable[Path | str] = (),
    tags: tuple[int, int] | None = None,
    alpha: bool = False,
) -> ClipWriter:
    """Open an output: a picture, a picture sequence (``out.%04d.exr``) or a video, by its name.

    :param like: the clip that the frames come from: depth, size, rate, timestamps, tags, metadata and sound are
        kept as far as the output can hold them.
    :param codec: for video, a key of :data:`~.video.CODECS`.
    :param kind: "picture", or "matte" for a grey picture, or a video without sound.
    :param rate: frames a second of a video made of pictures; left out, what they state, or 24.
    :param bits: bits a sample of pictures, as in :func:`~.pictures.write_picture`.
    :param inputs: files that must not be overwritten; those of ``like`` are among them.
    :param tags: primaries and transfer as ITU-T H.273 numbers where the pictures come in another colour space than that
        of ``like``.
    :param alpha: the pictures have four channels, and the fourth is to be written where ``like`` has none.
    :raises OutputError: unknown suffix or codec, the output is an input, or its folder is missing or not writable.
    """
    path = Path(path)
    kept = [Path(given) for given in inputs] + (like.paths() if like is not None else [])
    if path.suffix.lower() in SUFFIXES:
        return _VideoWriter(path, like, kept, codec, matte=kind == "matte", rate=rate, tags=tags, alpha=alpha)
    check_suffix(path)
    if alpha and FORMATS[path.suffix.lower()] in ("jpeg", "dpx"):
        raise OutputError(f"{path} holds no alpha for the matte: write .exr, .tif or .png, or the matte by itself.")
    return _PictureWriter(path, like, kept, bits, kind == "matte", tags)
