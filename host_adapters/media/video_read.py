"""Reading video: packets, frames in order, and what is damaged or cut off."""

from __future__ import annotations

import bisect
import contextlib
import itertools
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from .files import InputError
from .video_decode import (
    BrokenError,
    Decoded,
    Decoder,
    choose_stream,
    end_of,
    is_cut,
    is_whole_avi,
    missing_frames,
    open_container,
    packets_of,
    promised_end,
)
from .video_format import Original, VideoFrame, describe_stream, planar_name, planes_of

DAMAGED = ("stop", "mark", "drop")
"""What is done with frames that damage may reach: stop before the first, take them as they come, leave them out."""

# --- reading ------------------------------------------------------------------------------------------------


def _is_plausible(stream: Any) -> bool:
    """Whether the stated number of frames fills the stated duration; an edit list may leave some of them out."""
    if not stream.duration or not stream.average_rate:
        return True
    frames = Fraction(stream.duration * stream.time_base * stream.average_rate)
    return abs(frames - int(stream.frames)) < Fraction(3, 2)


class VideoReader:
    """A clip, frame by frame: each as an R′G′B′ picture, upright, and as the planes it was decoded to.

    :param standard: "601", "709" or "2020" instead of what the clip says of its matrix.
    :param studio: True or False instead of what it says of its range.
    :param siting: "left", "centre" or "corner" instead of the rule: centre for JPEG codecs and MPEG-1, corner for
        BT.2020 at 4:2:0, left for all others.
    :param interlaced: take interlaced frames as if they were progressive; they are refused otherwise.
    :param damaged: a key of :data:`DAMAGED`, for frames that are damaged or may depend on one that is.
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
        damaged: str | None = None,
    ) -> None:
        self.path = Path(path)
        self.damaged = damaged or DAMAGED[0]
        self.suspect: set[int] = set()
        self._changed: str | None = None
        self._held: tuple[int, Decoded] | None = None
        self._interlaced = interlaced
        self._table: list[int] | None = None
        self._keys: list[int] = []
        self._untimed = 0
        self._promises = False
        self._missing = 0
        self._broken_from: int | None = None
        self._broken_by = ""
        self._pass: tuple[Decoder, Iterator[tuple[int, Decoded]]] | None = None
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
            first, self._stands = self._first_frame(container, stream)
            info = describe_stream(self.path, container, stream, first, before, standard, studio, siting)
            info = replace(info, notes=(*chosen, *info.notes))
            if interlaced and first.interlaced_frame:
                info = replace(info, notes=(*info.notes, _FIELDS_NOTE.format(path)))
            stated: int = stream.frames if _is_plausible(stream) else 0
            full, notes = _empty_slots(path, container, stream)
            notes += [_STANDING_NOTE.format(path, float(info.rate))] if self._stands else []
            stated = full or stated
            self._promises = stated > 0 and stream.frames > 0
            info = replace(info, notes=(*info.notes, *notes))
        finally:
            container.close()
        self.info = replace(info, frames=stated or self._counted() + self._missing)
        self._check(first, 1)

    def _first_frame(self, container: Any, stream: Any) -> tuple[Any, bool]:
        """Return the first frame, and whether all frames at the beginning carry one time."""
        import av

        times: list[int | None] = []
        first = None
        try:
            for packet in container.demux(stream):
                times += [packet.pts] if packet.size else []
                first = next(iter(packet.decode()), None) if first is None else first
                if first is not None and len(times) >= _TIMES:
                    break
        except (av.error.FFmpegError, OSError) as error:
            if first is None:
                reason = getattr(error, "strerror", None) or str(error)
                raise InputError(
                    f"{self.path} has no frame that can be decoded ({reason}): export it again."
                ) from error
        if first is None:
            raise InputError(f"{self.path} has no frame that can be decoded: export it again.")
        return first, len(times) > 1 and times[0] is not None and len(set(times)) == 1

    def __iter__(self) -> Iterator[VideoFrame]:
        return self.frames()

    def frames(self, first: int = 1) -> Iterator[VideoFrame]:
        """Give the frames in order, from number ``first``.

        Raises InputError, after the last good frame, where the clip breaks off; it names the frame.
        """
        decoder, start = self._decoder_at(first)
        try:
            for number, item in self._numbered(decoder, start):
                if number >= first and (not item.suspect or self._takes(number)):
                    yield self._convert(number, item.frame)
        finally:
            decoder.close()

    def frame(self, number: int) -> VideoFrame:
        """Return one frame by its number from 1; cheap in order, by seeking otherwise. Raises InputError.

        It is decoded on where no key frame lies between, as every frame up to there is needed all the same.
        """
        if number < 1:
            raise InputError(f"{self.path} has no frame {number}: frames count from 1.")
        if self._broken_from is not None and number >= self._broken_from:
            raise self._break(self._broken_from, self._broken_by)
        if self._pass is None or number < self._next or self._has_key_between(self._next, number):
            self._begin_at(number)
        while (item := self._take(number)) is not None:
            found, decoded = item
            if found == number:
                if decoded.suspect and not self._takes(number):
                    raise InputError(f"{self.path}: left out, as damage may reach it.")
                return self._convert(found, decoded.frame)
            if found > number:
                self._held = item
                self.suspect.add(number)
                raise InputError(f"{self.path}: lost in damage; copy or export the clip again.")
        self.close()
        raise InputError(f"{self.path} has no frame {number}: it has {self._next - 1}.")

    def _has_key_between(self, first: int, number: int) -> bool:
        """Whether a frame is so far on that it is cheaper to begin at a key frame before it."""
        if number < first + _NEAR:
            return False
        table = self._timestamps()
        if number > len(table):
            return bool(table)
        at = bisect.bisect_right(self._keys, table[number - 1])
        return at > 0 and self._keys[at - 1] > table[first - 1]

    def _take(self, number: int) -> tuple[int, Decoded] | None:
        """The next frame of the pass, or the one that was taken too early."""
        assert self._pass is not None
        item, self._held = self._held or next(self._pass[1], None), None
        if item is None:
            return None
        self._next = min(item[0], number) + 1
        return item

    def _takes(self, number: int) -> bool:
        """Take note of a frame that damage may reach, and tell whether it is given all the same."""
        self.suspect.add(number)
        return self.damaged == "mark"

    def survey(self) -> set[int]:
        """Decode the whole clip and return the numbers of the frames that damage may reach, or that are lost in it."""
        decoder, _ = self._decoder_at(1)
        last = 0
        try:
            for number, item in self._numbered(decoder, 1):
                self.suspect.update(range(last + 1, number))
                if item.suspect:
                    self.suspect.add(number)
                last = number
        except InputError:
            pass
        finally:
            decoder.close()
        return self.suspect

    def close(self) -> None:
        """Let go of the file; the next :meth:`frame` opens it again."""
        if self._pass is not None:
            self._pass[0].close()
            self._pass = self._held = None

    def __enter__(self) -> VideoReader:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _begin_at(self, number: int) -> None:
        self.close()
        decoder, start = self._decoder_at(number)
        self._pass, self._next = (decoder, self._numbered(decoder, start)), start

    def _decoder(self, from_pts: int | None = None) -> Decoder:
        expected = self.info.frames if from_pts is None and self._promises else 0
        return Decoder(self.path, self._index, from_pts, expected)

    def _decoder_at(self, number: int) -> tuple[Decoder, int]:
        """Return a decoder that begins at or before a frame, and the number of its first frame."""
        if number < _NEAR:
            return self._decoder(), 1
        table = self._timestamps()
        if not table:  # without timestamps nothing can be found but by counting
            return self._decoder(), 1
        if len(table) < number <= self.info.frames:
            raise self._break(len(table) + 1, "the file breaks off")
        if number > len(table):
            raise InputError(f"{self.path} has no frame {number}: it has {len(table)}.")
        target = table[number - 1]
        decoder = self._decoder(target)
        try:
            first = decoder.first()
        except BrokenError:
            first = None
        except BaseException:
            decoder.close()
            raise
        at = first.frame.pts if first is not None else None
        place = 0 if at is None else bisect.bisect_left(table, at)
        if at is None or not table[0] <= at <= target or bisect.bisect_right(table, at) > place + 1:
            decoder.close()  # where several frames carry one time, nothing says which of them it is
            return self._decoder(), 1
        return decoder, place + 1

    def _counted(self) -> int:
        """The number of frames by the packets."""
        return len(self._timestamps()) or self._untimed

    def _timestamps(self) -> list[int]:
        """The timestamps of all frames in the order they are shown, read once from the packets, undecoded.

        Empty where packets have none.
        """
        import av

        if self._table is None:
            container, stream = open_container(self.path, self._index)
            found: list[int] = []
            keys: list[int] = []
            end, broken, untimed = Fraction(0), False, 0
            with contextlib.closing(container):
                promised, cut = promised_end(container, stream), is_cut(self.path, container)
                with contextlib.suppress(av.error.FFmpegError, OSError):
                    for packet in packets_of(self.path, container, stream):
                        end = max(end, end_of(packet, stream))
                        if _is_shown(packet):
                            found.append(packet.pts)
                            if packet.is_keyframe:
                                keys.append(packet.pts)
                        untimed += packet.pts is None and packet.size > 0
                        broken = broken or packet.is_corrupt
                self._missing = max(missing_frames(end, promised, stream), int(broken or cut))
            standing = len(found) if self._stands else 0
            self._untimed = max(standing, untimed if untimed > len(found) else 0)
            self._table = [] if self._untimed else sorted(found)
            self._keys = sorted(keys)
        return self._table

    def _numbered(self, decoder: Decoder, start: int) -> Iterator[tuple[int, Decoded]]:
        """Give frames with their numbers: by counting, and by their timestamps once damage may have swallowed some."""
        number = start
        try:
            for item in decoder.frames():
                if decoder.damaged and item.frame.pts is not None and self._timestamps():
                    shown = max(number, bisect.bisect_left(self._timestamps(), item.frame.pts) + 1)
                else:
                    shown = number
                if (item.suspect or shown > number) and self.damaged == "stop":
                    cut = "the file breaks off" if decoder.cut else "it is damaged there, or depends on damage"
                    raise self._break(number, cut)
                yield shown, item
                number = shown + 1
        except BrokenError as broken:
            raise self._break(number, str(broken)) from broken.__cause__
        if start > 1 and number <= self.info.frames:
            raise self._break(number, "the file breaks off")

    def _break(self, number: int, reason: str) -> InputError:
        """Remember from which frame on the clip cannot be decoded, and return the error that says so."""
        self._broken_from, self._broken_by = number, reason
        way = "copy or export the clip again" + (_ANYWAY if "damage" in reason else "")
        return InputError(
            f"{self.path} cannot be decoded from frame {number} on ({reason}): the frames before are good; {way}."
        )

    def _check(self, frame: Any, number: int) -> None:
        info = self.info
        size = (frame.width, frame.height)
        stored = (info.height, info.width) if info.turns % 2 else (info.width, info.height)
        if size != stored or planar_name(frame.format.name) != info.pixel_format.name:
            self._changed = self._changed or (
                f"{self.path} changes to {size[0]}×{size[1]} {frame.format.name} at frame {number}, from "
                f"{stored[0]}×{stored[1]} {info.pixel_format.name}: split it there first."
            )
            raise InputError(self._changed)
        if frame.interlaced_frame and not self._interlaced:
            raise InputError(
                f"{self.path} is interlaced (frame {number}): de-interlace it first, "
                "or take them whole (--fields whole) where they are progressive in truth."
            )

    def _convert(self, number: int, frame: Any) -> VideoFrame:
        self._check(frame, number)
        info = self.info
        planes = planes_of(frame, info.pixel_format)
        exact = 1 / (info.rate * info.time_base)
        step = round(exact)
        by_number = frame.pts is None or self._stands
        pts = info.start + round((number - 1) * exact) if by_number else frame.pts
        # A step that is no whole number of units comes cut, or not at all, by where reading began.
        cut = exact.denominator > 1 and abs(frame.duration - exact) < 1
        original = Original(planes, pts, step if cut else frame.duration or step)
        return VideoFrame(number, (pts - info.start) * info.time_base, info, original)


_TIMES = 3
"""Packets at the beginning whose times are compared."""

_STANDING_NOTE = "{}: its frames carry one and the same time; they are taken one after the other, {:g} a second."

_FIELDS_NOTE = (
    "{}: its interlaced frames are taken whole. Where it moves, the edge of a matte combs, and an output says that it "
    "is progressive."
)

_ANYWAY = ", or give --damaged mark or drop to go on"

_NEAR = 16
"""Decoding on over so many frames is cheaper than seeking."""


def _is_shown(packet: Any) -> bool:
    return packet.pts is not None and not packet.is_discard and not packet.is_corrupt


def _empty_slots(path: Path | str, container: Any, stream: Any) -> tuple[int, list[str]]:
    """Return the number of frames of an AVI that has places without a picture, and a note; 0 for all others.

    An AVI counts such places: the frame before is shown on in them. Its index says how many hold a picture.
    """
    if container.format.name != "avi" or not stream.frames:
        return 0, []
    full = sum(entry.size > 0 for entry in stream.index_entries)
    empty = int(stream.frames) - full
    if not full or empty <= 0 or not is_whole_avi(Path(path)):
        return 0, []
    times = [entry.timestamp for entry in stream.index_entries]
    if len({after - before for before, after in itertools.pairwise(times)}) == 1:
        return full, []  # at every second place, say: that is the rate
    slots = "1 empty slot, in which" if empty == 1 else f"{empty} empty slots, in which"
    return full, [f"{path} has {slots} the frame before is shown on: its {full} frames are read, at their own times."]
