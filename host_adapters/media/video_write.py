"""Video: clips through PyAV, from decoded planes to pictures by our own kernels, and only changes written back."""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from ...kernels.arrays import Floats
from ...kernels.codes import Coding, IntoPlanes, Planes, alpha_to_plane, change_to_planes, picture_to_planes, recode
from ...kernels.strips import Unmade, thread_count
from ..writes import Atomic, OutputError, OutputWriter, output_error
from .boxes import FILL, Header, finish_matroska, finish_quicktime
from .companions import Companions, not_carried
from .files import InputError
from .metadata import kept_metadata, mux_options
from .side_data import Mastering
from .video_encode import Encoding
from .video_format import (
    FULL_TAG,
    MATRIX_TAG,
    REPACK,
    RGB_ORDER,
    SITING_WORD,
    STUDIO_TAG,
    SUFFIXES,
    Coded,
    Original,
    PixelFormat,
    Tags,
    VideoFrame,
    VideoInfo,
    as_stored,
    plane_view,
)
from .video_room import encoders_for, frames_ahead, is_tight, threads_for

# --- writing ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Encoder:
    """A codec as it is written here: its name in PyAV, the pixel formats offered, and its settings.

    ``formats`` empty means all that the encoder takes and :class:`PixelFormat` knows. ``viewed`` marks a codec for
    looking at: a clip made of pictures takes its first format, which players show, and not the finest. ``threads`` says
    what its threads share out: whole frames, or the slices of one where that is faster. ``apart`` marks a codec that
    codes each frame by itself, whatever came before: several encoders may take turns. ``roomy`` marks one of which each
    thread takes much memory: where frames are worked on as well, it gets no more threads than memory allows. ``ahead``
    is how many frames one has to look ahead at, at least; where memory is tight it looks at few and shares out slices.
    """

    label: str
    library: str
    formats: tuple[str, ...]
    options: dict[str, str] = field(hash=False)
    studio_only: bool = False
    viewed: bool = False
    threads: str = "FRAME"
    apart: bool = False
    roomy: bool = False
    ahead: int = 0


_H264_FORMATS = ("yuv420p", "yuv422p", "yuv444p", "yuv420p10le", "yuv422p10le", "yuv444p10le")
_X265_QUIET = "log-level=error"
CODECS = {
    "prores": Encoder("ProRes 422 HQ", "prores_aw", ("yuv422p10le",), {"profile": "3"}, True, roomy=True),
    "prores4444": Encoder(
        "ProRes 4444", "prores_aw", ("yuv444p10le", "yuva444p10le"), {"profile": "4"}, True, roomy=True
    ),
    # It takes eight bytes a macroblock for each quantiser up to the largest, 1024 by itself; mere noise needs some 200.
    "dnxhr": Encoder(
        "DNxHR HQX", "dnxhd", ("yuv422p10le",), {"profile": "dnxhr_hqx", "qmax": "512"}, True, threads="SLICE"
    ),
    "h264": Encoder("H.264", "libx264", _H264_FORMATS, {"crf": "14"}, viewed=True, ahead=2),
    "hevc": Encoder(
        "HEVC", "libx265", _H264_FORMATS[3:], {"crf": "14", "x265-params": _X265_QUIET}, viewed=True, ahead=3
    ),
    "ffv1": Encoder(
        "FFV1, lossless", "ffv1", (), {"level": "3", "slicecrc": "1", "g": "1"}, threads="SLICE", apart=True
    ),
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


def holds_alpha(path: Path | str, codec: str | None) -> bool:
    """Tell whether a clip made of pictures keeps their alpha: with this codec, or the one of its suffix."""
    path = Path(path)
    if codec is None:
        return path.suffix.lower() != ".mp4" and path.suffix.lower() != ".m4v"
    return codec not in CODECS or any(offer.alpha for offer in _offered(CODECS[codec]))


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
    packed = [(name, PixelFormat.parse(REPACK[name])) for name in names if REPACK.get(name, "").startswith("gbr")]
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
        tags=(FULL_TAG, 0, 1, 1),
    )


class VideoWriter(OutputWriter):
    """A clip that is written frame by frame and appears when it is complete.

    Where the output has the pixel format and range of the input, each frame is written as the input's planes plus
    the change, so that what was not touched keeps its codes; otherwise it is converted afresh. Size, rate,
    timestamps, colour tags, place of chroma, display matrix, pixel aspect, mastering display, metadata and timecode
    are those of the input; sound, subtitles, chapters, data, attachments and further pictures are copied. What the
    container cannot hold stands in ``notes`` after :meth:`close`, in one line.

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
            like = replace(like, alone=True)
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
        if encoder.library.startswith("prores") and self._tags[1] == 5:
            # BT.601 has two numbers for one matrix, and ProRes takes one of them (ITU-T H.273, table 4).
            self._tags = (self._tags[0], MATRIX_TAG["601"], *self._tags[2:])
        self._same = self.coding == like.coding and tags is None and not matte
        self._file = Atomic(self.path, inputs)
        self._container: Any = None
        self._stream: Any = None
        self._encoding: Any = None
        self._companions: Companions | None = None
        self.notes: tuple[str, ...] = ()
        self._first: tuple[int, int] | None = None
        self._last = self._end = self._last_number = 0
        self._muxed = False
        self._durations: dict[int | None, int] = {}
        self._decoded: int | None = None
        self._starts: int | None = None
        self._begun: int | None = None
        self._whole = 0
        self._worked = False
        self._open(encoder)

    def _open(self, encoder: Encoder) -> None:
        import av

        with self._guard():
            # Bit exact: without it a Matroska file carries random numbers, and no two runs give the same file.
            metadata = kept_metadata(self.like.metadata)
            settings = {"fflags": "+bitexact", **mux_options(self.path.suffix.lower(), metadata)}
            self._container = av.open(
                str(self._file.temporary), "w", options=settings, metadata_errors="surrogateescape"
            )
            self._container.metadata.update(metadata)
            options = _settings(encoder, self.like, self.pixel_format)
            if (siting := self._siting()) is not None:
                options["chroma_sample_location"] = siting
            library = encoder.library
            if library == "prores_aw" and _stored(self.like)[0] % 2:
                library = "prores_ks"  # the faster one takes an even width alone
            self._stream = self._container.add_stream(library, rate=self.like.rate, options=options)
            if self.like.matrix is not None:
                self._stream.set_display_matrix(self.like.matrix)
            self._configure(self._stream.codec_context, encoder)
            self._name_stream()
            self._encoding = Encoding(self._stream, *self._several(encoder, library, options))
            if self.like.codec and self.like.beside and not self.like.alone:
                self._companions = Companions(self.like, self._container)

    def _configure(self, context: Any, encoder: Encoder, shared: int = 1) -> None:
        """Tell an encoder all about the frames; ``shared`` of them share the cores."""
        context.width, context.height = _stored(self.like)
        context.pix_fmt = self.pixel_format.packed or self.pixel_format.name
        context.time_base = _output_time_base(self.like)
        few = encoder.ahead and is_tight(context.width, context.height)
        context.thread_count, context.thread_type = 0, "SLICE" if few else encoder.threads
        if shared > 1:
            context.thread_count = max(1, thread_count() // shared)
        context.color_range, context.colorspace, context.color_primaries, context.color_trc = self._tags
        context.sample_aspect_ratio = self.like.pixel_aspect

    def _several(
        self, encoder: Encoder, library: str, options: dict[str, str]
    ) -> tuple[Callable[[int], Any] | None, int]:
        """Return what makes a further encoder, and how many are to take turns."""
        count = encoders_for(self.like.width, self.like.height) if encoder.apart else 1
        if count == 1:
            return None, 1
        self._configure(self._stream.codec_context, encoder, count)

        def more(number: int) -> Any:
            import av

            context: Any = av.CodecContext.create(library, "w")
            context.options, context.framerate = dict(options), self.like.rate
            self._configure(context, encoder, count)
            return context

        return more, count

    def _siting(self) -> str | None:
        """Where chroma sits, in libav's word: as the input says, or as it was made here; None where nobody says."""
        if self.pixel_format.rgb or self.coding.subsampling == "4:4:4":
            return None
        like = self.like
        if like.coding.subsampling == self.coding.subsampling and like.coding.siting == self.coding.siting:
            return like.siting_tag
        return SITING_WORD[self.coding.siting]

    def _name_stream(self) -> None:
        like, stream = self.like, self._stream
        stream.metadata.update({} if self._matte else like.names)
        if like.reel:
            stream.metadata["reel_name"] = like.reel
        if self.path.suffix.lower() == ".mkv":
            stream.metadata["title"] = FILL
        elif self.codec == "hevc":
            stream.codec_context.codec_tag = "hev1" if like.codec_tag == "hev1" else "hvc1"
        if like.codec:
            stream.disposition = like.flags

    @property
    def label(self) -> str:
        """The codec and pixel format in words, for people."""
        return f"{CODECS[self.codec].label}, {self.pixel_format.bits} bit {self.pixel_format.subsampling}"

    def coded(self, picture: Floats | VideoFrame | Unmade, original: Original | None = None) -> Coded:
        """Turn a frame into what the encoder takes: in any thread, and frames in any order.

        :param picture: as for :meth:`write`, or a frame of the input that nobody touched, or a picture yet to be made.
        :raises OutputError: it is no frame of this clip.
        """
        import av

        info = self.like
        shape = (
            (info.height, info.width, len(picture.original.planes))
            if isinstance(picture, VideoFrame)
            else picture.shape
        )
        time = (original.pts, original.duration) if original is not None else None
        try:
            return Coded(self._frame(picture, original), shape, time)
        except (av.error.FFmpegError, OSError, ValueError) as error:
            raise self._reason(error) from error

    def write(self, number: int, picture: Floats | Coded, original: Original | None = None) -> None:
        """Write the next frame.

        :param number: its number in the input; numbers only rise.
        :param picture: float32 (H, W, 3 or 4), upright; or a matte, float32 (H, W); or what :meth:`coded` made of it.
        :param original: the input's frame, for its timestamp and for the codes of what did not change.
        :raises OutputError: the frame comes out of order, or writing fails; nothing is left behind then.
        """
        with self._guard():
            coded = picture if isinstance(picture, Coded) else self.coded(picture, original)
        pts, duration = self._place(number, coded.time)
        if self._first is None:
            self._first = (number, pts)
            self._begin(number)
        elif number <= self._last_number:
            self.abort()
            raise OutputError(f"{self.path}: frame {number} comes after a later one; write frames in order.")
        pts = max(pts, self._last) if self._last_number else pts
        with self._guard():
            frame = coded.frame
            shift = 0 if self._first[0] == 1 else self._first[1]
            begin, end = self._output_time(pts - shift), self._output_time(pts + duration - shift)
            if self._begun is not None and begin <= self._begun:  # some clips show two frames at one time
                begin, end = self._begun + 1, max(end, self._begun + 2)
            self._begun = begin
            frame.pts, frame.duration, frame.time_base = begin, end - begin, _output_time_base(self.like)
            self._durations[begin], self._whole = end - begin, end - self._begins_at(begin)
            self._mux(self._encoding.encode(frame), pts * self.like.time_base)
            self._file.bring()
        self._last, self._end, self._last_number = pts, pts + duration, number

    def _begins_at(self, begin: int) -> int:
        """The time of the first frame in the output."""
        self._starts = begin if self._starts is None else self._starts
        return self._starts

    def close(self) -> None:
        """Write what is pending and give the clip its name. Raises OutputError."""
        if self._container is None:
            return
        if self._first is None:
            self.abort()
            raise OutputError(f"{self.path} cannot be written: no frame was given to it.")
        with self._guard():
            complete = self._last_number == self.like.frames
            packets = self._encoding.encode(None)
            if not self._muxed and len(packets) <= _FEW:
                _set_decoding_times(packets)
            self._mux(packets, None if complete else self._end * self.like.time_base, last=True)
            container, self._container = self._container, None
            container.close()
            self._finish_header()
            if self.like.codec and not self._matte:
                written = self._file.temporary
                lost = not_carried(self.like, written, self._tags, self._siting(), self._companions)
                self.notes = (f"{self.path}: not carried on: {'; '.join(lost)}.",) if lost else ()
            self._release()
        self._file.commit()

    def _finish_header(self) -> None:
        """Write into the header what the library leaves out."""
        like, path = self.like, self._file.temporary
        height, width = (like.width, like.height) if like.turns % 2 else (like.height, like.width)
        languages = self._companions.languages if self._companions is not None else {}
        if "language" in like.names:
            languages = {0: like.names["language"], **languages}
        header = Header(like.pixel_aspect, width, height, like.mastering, languages)
        if self.path.suffix.lower() == ".mkv":
            finish_matroska(path, "" if self._matte else like.names.get("title", ""), header)
        else:
            finish_quicktime(path, header, 0)

    def abort(self) -> None:
        """Leave off: nothing of the clip stays, and an earlier file of that name is as it was."""
        container, self._container = self._container, None
        self._release()  # what is being encoded still uses the container's stream
        if container is not None:
            with contextlib.suppress(Exception):
                container.close()
        self._file.discard()

    def _release(self) -> None:
        if self._encoding is not None:
            self._encoding.close()
        if self._companions is not None:
            self._companions.close()

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
        sound = f" with the sound of {self.like.path.name}" if self.like.sound and not self.like.alone else ""
        what, fix = getattr(error, "strerror", None) or str(error), "choose another codec or suffix"
        width, height = _stored(self.like)
        if (width % 2 or height % 2) and not self._muxed:
            fix = f"it may take no odd size, here {width} × {height}; choose prores or ffv1 in a .mov or .mkv"
        return OutputError(f"{self.path} cannot be written as {self.label}{sound} ({what}): {fix}.")

    def _place(self, number: int, time: tuple[int, int] | None) -> tuple[int, int]:
        """The timestamp and the duration of a frame in units of the time base: as given, or by its number."""
        if time is not None:
            return time
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
            if self._worked and CODECS[self.codec].roomy:
                self._stream.codec_context.thread_count = threads_for(self.like.width, self.like.height)
            if self.like.timecode:
                self._stream.metadata["timecode"] = advance_timecode(self.like.timecode, number - 1, self.like.rate)
            if self._companions is not None and self._first is not None:
                self._companions.begin(None if number == 1 else self._first[1] * self.like.time_base)
            self._container.start_encoding()

    def _mux(self, packets: Sequence[Any], until: Fraction | None, last: bool = False) -> None:
        """Write packets, and before them what lies beside up to a time in seconds of the input, or all that is left."""
        if self._companions is not None:
            for packet in self._companions.packets(until):
                self._container.mux(packet)
        for packet in packets:
            # Not every encoder passes on how long a frame lasts, and the last one would last as long as the average.
            if packet.pts == packet.dts:
                packet.duration = self._durations.pop(packet.pts, packet.duration)
            elif last and packet is packets[-1] and self._decoded is not None:
                # Where frames come in another order, the times of decoding have to add up to the length of the clip.
                packet.duration = max(1, self._whole - (packet.dts - self._decoded))
            self._decoded = packet.dts if self._decoded is None else self._decoded
            self._container.mux(packet)
            self._muxed = True

    def _frame(self, picture: Floats | VideoFrame | Unmade, original: Original | None) -> Any:
        """Return the library's frame with the codes of a picture."""
        with_alpha = self.pixel_format.alpha
        if isinstance(picture, VideoFrame):
            planes, coding = picture.original.planes, picture.info.coding
            if self._same and with_alpha == (len(planes) == 4):
                return self._filled(planes[0].shape, lambda room: planes)
            if not self._same and not with_alpha and not self._matte:
                return self._filled(planes[0].shape, lambda room: recode(planes, coding, self.coding, out=room))
            picture = picture.picture
        self._worked = True
        before = original.planes if self._same and original is not None else None
        if isinstance(picture, Unmade):
            if not (with_alpha or self.like.turns % 4 or self.like.mirrored):
                made = picture
                return self._filled(made.shape[:2], lambda room: self._put(made, before, room))
            picture = picture.picture
        whole: Any = picture
        if whole.ndim == 2:
            whole = np.repeat(whole[:, :, np.newaxis], 3, axis=2)
        stored = as_stored(whole, self.like.turns, self.like.mirrored)
        return self._filled(stored.shape[:2], lambda room: self._planes(stored, before, room))

    def _put(self, picture: Unmade, before: Planes | None, room: Planes | None) -> Planes:
        """Have a picture made into planes, strip by strip."""
        if room is None:
            room = tuple(np.empty(shape, self.coding.dtype) for shape in self.coding.shapes(*picture.shape[:2]))
        picture.put(IntoPlanes(self.coding, room, before))
        return room

    def _planes(self, picture: Floats, before: Planes | None, room: Planes | None) -> Planes:
        """Return the planes of a picture, in the room for them where it lies with the processor."""
        with_alpha = self.pixel_format.alpha
        given: dict[str, Any] = {"out": room} if isinstance(picture, np.ndarray) else {}
        if before is None:
            return picture_to_planes(picture, self.coding, alpha=with_alpha, **given)
        alpha = before[3:]
        changed = change_to_planes(picture, before[:3], self.coding, **given)
        if with_alpha and (self._fills_alpha or not alpha):
            alpha = (alpha_to_plane(picture, self.coding),)
        return changed + (alpha if with_alpha else ())

    def _filled(self, size: tuple[int, ...], fill: Callable[[Planes | None], Planes]) -> Any:
        """Return a frame of the library with planes that are made in its own memory, where they have no gaps there.

        :param fill: is given that memory, or None, and returns the planes.
        """
        import av

        known = self.pixel_format
        frame = av.VideoFrame(size[1], size[0], known.name)
        count = 3 + known.alpha
        views = [plane_view(frame.planes[RGB_ORDER[i] if known.rgb else i], known) for i in range(count)]
        room = tuple(views[:3])
        planes = fill(room if all(view.flags.c_contiguous for view in room) else None)
        for view, plane in zip(views, planes, strict=True):
            if plane is not view:
                view[:] = plane
        if known.packed:
            frame = frame.reformat(format=known.packed)
        frame.color_range, frame.colorspace, frame.color_primaries, frame.color_trc = self._tags
        return frame


_FEW = 16
"""Some encoders leave the decoding times of so few frames to chance."""


def _set_decoding_times(packets: list[Any]) -> None:
    """Give packets in decoding order rising decoding times, none after the time at which its frame is shown."""
    times = sorted(packet.pts for packet in packets)
    early = max((time - packet.pts for time, packet in zip(times, packets, strict=True)), default=0)
    for time, packet in zip(times, packets, strict=True):
        packet.dts = time - early


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


def _stored(like: VideoInfo) -> tuple[int, int]:
    """Return width and height of the pictures in a file, before players turn them."""
    return (like.height, like.width) if like.turns % 2 else (like.width, like.height)


def _output_tags(like: VideoInfo, coding: Coding, space: tuple[int, int] | None) -> Tags:
    """The input's tags, with range, matrix and colour space set anew where the output differs."""
    extent, matrix, primaries, transfer = like.tags
    if coding.studio != like.coding.studio or coding.standard == "rgb":
        extent = STUDIO_TAG if coding.studio else FULL_TAG
    if coding.standard != like.coding.standard:
        matrix = MATRIX_TAG[coding.standard]
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


def _settings(encoder: Encoder, like: VideoInfo, pixel_format: PixelFormat) -> dict[str, str]:
    """The encoder's settings, how far it looks ahead where memory is tight, and what HEVC says of the display."""
    words = _mastering_words(like.mastering) if encoder.library == "libx265" else []
    if encoder.ahead and is_tight(like.width, like.height):
        frames = frames_ahead(like.width, like.height, pixel_format.bits > 8, encoder.ahead)
        words += [f"rc-lookahead={frames}", "bframes=2"]
    settings = dict(encoder.options)
    if words:
        name = encoder.library.removeprefix("lib") + "-params"
        settings[name] = ":".join([settings[name], *words] if name in settings else words)
    return settings


def _mastering_words(mastering: Mastering) -> list[str]:
    """What writes the mastering display and the light level into an HEVC stream itself."""
    words = []
    if mastering.primaries and mastering.luminance:
        pairs = [mastering.primaries[i : i + 2] for i in (2, 4, 0, 6)]
        places = "".join(f"{name}({x},{y})" for name, (x, y) in zip(("G", "B", "R", "WP"), pairs, strict=True))
        words.append(f"master-display={places}L({mastering.luminance[1]},{mastering.luminance[0]})")
    if mastering.light:
        words.append(f"max-cll={mastering.light[0]},{mastering.light[1]}")
    return words
