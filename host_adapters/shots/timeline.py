"""Timelines: which frames of which files a cut uses, and the cut linked to corrected files (OpenTimelineIO)."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ...kernels.errors import InkarnatError
from ...nodes import BalanceError
from .. import made
from ..media.clips import Clip, VideoClip
from ..media.files import InputError, check_input
from ..writes import atomic, check_text, reads
from .carry import Light, find_light

LIKE_MIRED, LIKE_DUV = 12.0, 0.004
"""Up to which distance two lights, read from edges, count as alike."""


class TimelineError(InkarnatError, ValueError):
    """A timeline that cannot be used: OpenTimelineIO is missing, or something in it is beyond what is supported."""


def library() -> Any:
    """Return OpenTimelineIO. Raises TimelineError where it is missing."""
    try:
        import opentimelineio
    except ImportError:
        raise TimelineError('--timeline needs OpenTimelineIO: install "inkarnat[timeline]".') from None
    return opentimelineio


@dataclass(frozen=True)
class Use:
    """A stretch of a media file that a cut uses.

    :ivar path: picture sequence or video. :ivar first, last: its frames in the file's media time, counted from its
        first frame as 0, handles included; frames that the file does not have are cut off by :meth:`frames_of`.
    :ivar names: the clips of the cut that use it.
    """

    path: str
    first: int
    last: int
    names: tuple[str, ...]

    def frames_of(self, clip: Clip) -> tuple[int, ...]:
        """Return the clip's own frame numbers that are used. Raises InputError where the clip is too short."""
        numbers = list(clip.frames)[max(self.first, 0) : self.last + 1]
        if not numbers:
            raise InputError(
                f"{self.path} has {len(clip.frames)} frames, and the cut uses its frames {self.first + 1} to "
                f"{self.last + 1}: link the cut to the right file."
            )
        return tuple(numbers)


@dataclass(frozen=True)
class Linked:
    """What stands in for a use: a file, the frame of the media that it begins with, and how many it has."""

    path: Path
    first: int
    count: int


@dataclass(frozen=True)
class CutShot:
    """A stretch of the finished film that shows one clip.

    :ivar name: the clip's name in the cut. :ivar path: its file, "" where it is linked to none. :ivar source: the file
        that it was made from, where the cut is linked to corrected files, else the same.
    :ivar places: places in the film, counted from the cut's first frame as 0, where this clip alone is seen.
    :ivar media: for each place the frame of the source, counted from its first frame as 0.
    :ivar first_number: the number of the source's first frame, where the cut says it. :ivar missing: why it cannot be
        placed, in a word, or "".
    """

    name: str
    path: str
    source: str
    places: tuple[int, ...]
    media: tuple[int, ...]
    first_number: int | None = None
    missing: str = ""


class CutList:
    """A timeline read from a file; the file itself is never changed."""

    def __init__(self, path: Path | str) -> None:
        """Read a timeline. Raises InputError where it cannot be read, TimelineError where it is no timeline."""
        self.path = check_input(path)
        reads(self.path)
        otio = library()
        try:
            found = otio.adapters.read_from_file(str(self.path))
        except Exception as error:  # adapters raise what they like
            raise InputError(f"The timeline {self.path} cannot be read: {' '.join(str(error).split())}.") from None
        if not isinstance(found, otio.schema.Timeline):
            raise TimelineError(f"{self.path} holds a {type(found).__name__}, not a timeline.")
        self._timeline = found

    def uses(self, handles: int = 0) -> tuple[Use, ...]:
        """Return what the video tracks use, in order; stretches of one file that touch are one use.

        :param handles: frames more at both ends; a transition's reach counts where it is longer.
        :raises TimelineError: a clip without a file, or one whose speed changes along its length.
        """
        stretches: dict[str, list[Use]] = {}
        for clip in self._clips():
            use = self._use_of(clip, handles)
            stretches.setdefault(use.path, []).append(use)
        if not stretches:
            raise TimelineError(f"{self.path} has no clips on its video tracks.")
        return tuple(use for found in stretches.values() for use in _joined(found))

    def shots(self) -> tuple[CutShot, ...]:
        """Return the stretches of the film in order of the cut: what lies on an upper track hides what is below.

        Frames in which a transition mixes two clips belong to neither.
        """
        found: list[tuple[int, CutShot]] = []
        hidden: set[int] = set()
        for track in reversed(self._timeline.video_tracks()):
            shown: set[int] = set()
            for clip in track.find_clips():
                if getattr(clip, "enabled", True):
                    first, shot = self._shot_of(clip, hidden)
                    found.append((first, shot))
                    shown.update(range(first, first + clip.trimmed_range().duration.to_frames()))
            hidden |= shown
        return tuple(shot for _, shot in sorted(found, key=lambda pair: pair[0]))

    def start(self) -> Any:
        """Return the time of the cut's first frame, None where the cut does not say it."""
        return self._timeline.global_start_time

    @property
    def rate(self) -> float:
        """Frames a second of what the cut shows."""
        start = self.start()
        return float(start.rate if start is not None else self._clips()[0].trimmed_range().duration.rate)

    @property
    def length(self) -> int:
        """How many frames the cut has."""
        return int(self._timeline.duration().rescaled_to(self.rate).to_frames())

    def _shot_of(self, clip: Any, hidden: set[int]) -> tuple[int, CutShot]:
        """Return where a clip begins in the film, and its shot."""
        otio, rate = library(), self.rate
        place = clip.transformed_time_range(clip.trimmed_range(), self._timeline.tracks)
        first, count = (time.rescaled_to(rate).to_frames() for time in (place.start_time, place.duration))
        before, after = _mixed(clip)
        places = tuple(p for p in range(first + before, first + count - after) if p not in hidden)
        missing = "" if places else "covered"
        path = source = ""
        shift, number = 0, None
        with contextlib.suppress(TimelineError):
            path = source = self._file(clip)
        reference = clip.media_reference
        made_from = reference.metadata.get("inkarnat", {}) if reference is not None else {}
        if made_from.get("source"):
            url = _path_of(str(made_from["source"]))
            source, shift = os.path.normpath(self.path.parent / url), int(made_from.get("source_first_frame", 0))
        elif isinstance(reference, otio.schema.ImageSequenceReference):
            number = int(reference.start_frame)
        shown = clip.trimmed_range()
        begin = (shown.start_time - _begin(clip)).rescaled_to(rate).to_frames() + shift
        speed = _speed(clip)
        media = () if speed is None else tuple(begin + round((p - first) * speed) for p in places)
        return first, CutShot(clip.name or "", path, source, places, media, number, missing or _no_media(media, speed))

    def relinked(self, links: Mapping[Use, Linked], path: str | os.PathLike[str], handles: int = 0) -> None:
        """Write the timeline with its clips linked to other files; the cut itself stays, frame by frame.

        :param links: what stands in for each use; clips of other uses keep their links. Raises OutputError.
        """
        otio = library()
        changed = self._timeline.deepcopy()
        folder = Path(path).parent
        for clip in _video_clips(changed):
            use = self._use_of(clip, handles)
            for whole, link in links.items():
                if whole.path == use.path and whole.first <= use.first and use.last <= whole.last:
                    _relink(otio, clip, whole, link, folder)
        check_text(path, made.CUT)
        with atomic(path, kind=made.CUT) as temporary:
            otio.adapters.write_to_file(changed, str(temporary))

    def _clips(self) -> list[Any]:
        return list(_video_clips(self._timeline))

    def _use_of(self, clip: Any, handles: int) -> Use:
        start, count = _media_frames(clip)
        before, after = _reaches(clip)
        return Use(
            self._file(clip), start - max(handles, before), start + count - 1 + max(handles, after), (clip.name or "",)
        )

    def _file(self, clip: Any) -> str:
        otio = library()
        reference = clip.media_reference
        if isinstance(reference, otio.schema.ImageSequenceReference):
            base = _path_of(reference.target_url_base)
            place = f"%0{reference.frame_zero_padding}d" if reference.frame_zero_padding else "%d"
            name = os.path.join(base, f"{reference.name_prefix}{place}{reference.name_suffix}")
        elif isinstance(reference, otio.schema.ExternalReference):
            name = _path_of(reference.target_url)
        else:
            raise TimelineError(f"{self.path}: the clip {clip.name!r} is linked to no file: link it to its media.")
        return os.path.normpath(self.path.parent / name)


def _path_of(url: str) -> str:
    """Return the path that an address names; the library fails on the folder of the cut itself, "./"."""
    return str(library().url_utils.filepath_from_url(url)) if url.strip("./") else url


def _video_clips(timeline: Any) -> Iterable[Any]:
    for track in timeline.video_tracks():
        yield from track.find_clips()


def _media_frames(clip: Any) -> tuple[int, int]:
    """Return the first frame and the number of frames that a clip shows, counted from the media's first as 0."""
    otio = library()
    shown = clip.trimmed_range()
    rate, begin = shown.start_time.rate, _begin(clip)
    start = (shown.start_time - begin).rescaled_to(rate).to_frames()
    count = shown.duration.rescaled_to(rate).to_frames()
    for effect in clip.effects:
        if isinstance(effect, otio.schema.FreezeFrame):
            count = 1
        elif isinstance(effect, otio.schema.LinearTimeWarp):
            count = max(int(-(-count * abs(effect.time_scalar) // 1)), 1)
        elif isinstance(effect, otio.schema.TimeEffect):
            raise TimelineError(f"The clip {clip.name!r} changes its speed along its length: bake it first.")
    return start, count


def _begin(clip: Any) -> Any:
    """Return the media time of the file's first frame."""
    available = clip.media_reference.available_range if clip.media_reference else None
    if available is not None:
        return available.start_time
    return library().opentime.RationalTime(0, clip.trimmed_range().start_time.rate)


def _reaches(clip: Any) -> tuple[int, int]:
    """Return how many frames transitions show of a clip before its first and after its last."""
    before, after = _transitions(clip)
    return (before.in_offset.to_frames() if before else 0, after.out_offset.to_frames() if after else 0)


def _mixed(clip: Any) -> tuple[int, int]:
    """Return how many of a clip's first and last frames a transition mixes with its neighbours."""
    before, after = _transitions(clip)
    return (before.out_offset.to_frames() if before else 0, after.in_offset.to_frames() if after else 0)


def _transitions(clip: Any) -> tuple[Any, Any]:
    """Return the transitions before and after a clip, None where there is none."""
    schema, track = library().schema, clip.parent()
    if not isinstance(track, schema.Track):
        return None, None
    before, after = (each if isinstance(each, schema.Transition) else None for each in track.neighbors_of(clip))
    return before, after


def _joined(uses: Sequence[Use]) -> list[Use]:
    """Join uses of one file that overlap or touch."""
    joined: list[Use] = []
    for use in sorted(uses, key=lambda each: (each.first, each.last)):
        if joined and use.first <= joined[-1].last + 1:
            names = dict.fromkeys((*joined[-1].names, *use.names))
            joined[-1] = replace(joined[-1], last=max(joined[-1].last, use.last), names=tuple(names))
        else:
            joined.append(use)
    return joined


def _speed(clip: Any) -> float | None:
    """Return how many frames of its media a clip goes on for each of its own; None where that changes."""
    otio, speed = library(), 1.0
    for effect in clip.effects:
        if isinstance(effect, otio.schema.FreezeFrame):
            speed = 0.0
        elif isinstance(effect, otio.schema.LinearTimeWarp):
            speed *= effect.time_scalar
        elif isinstance(effect, otio.schema.TimeEffect):
            return None
    return speed


def _no_media(media: tuple[int, ...], speed: float | None) -> str:
    """Say in a word why frames of the media cannot be named, or ""."""
    if speed is None:
        return "changing speed"
    return "before its media" if media and min(media) < 0 else ""


def _relink(otio: Any, clip: Any, use: Use, link: Linked, folder: Path) -> None:
    """Link a clip to a file whose time begins at 0, and move what it shows of it accordingly."""
    time, span = otio.opentime.RationalTime, otio.opentime.TimeRange
    shown = clip.trimmed_range()
    rate = shown.start_time.rate
    old, begin = clip.media_reference, _begin(clip)
    target = os.path.relpath(os.path.abspath(link.path), os.path.abspath(folder))
    reference = otio.schema.ExternalReference(
        target_url=otio.url_utils.url_from_filepath(target),
        available_range=span(time(0, rate), time(link.count, rate)),
    )
    reference.name = link.path.name
    reference.metadata["inkarnat"] = {
        "source": getattr(old, "target_url", "") or use.path,
        "source_first_frame": link.first,
    }
    start = (shown.start_time - begin).rescaled_to(rate) - time(link.first, rate)
    clip.source_range = span(start, shown.duration)
    clip.media_reference = reference


# --- groups -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Member:
    """A stretch of a clip that may belong to a group: how it was filmed, and its light where that can be read."""

    name: str
    camera: str
    light: Light | None


def describe_member(name: str, clip: Clip, frames: Sequence[int]) -> Member:
    """Read the camera's traits and the light of a stretch. Raises InputError for frames that cannot be read."""
    try:
        light = find_light(clip, frames[0], None, "bt709", frames)
    except BalanceError:
        light = None
    return Member(name, _camera(clip), light)


def propose_groups(members: Sequence[Member]) -> list[tuple[Member, ...]]:
    """Return the members in groups of like camera and light: a proposal, for light is read from edges.

    A member joins the first group whose first member has the same camera and lies within 12 mired and .004 Duv.
    One whose light cannot be read stands alone.
    """
    groups: list[list[Member]] = []
    for member in members:
        home = next((group for group in groups if _alike(group[0], member)), None)
        if home is None:
            groups.append([member])
        else:
            home.append(member)
    return [tuple(group) for group in groups]


def _alike(first: Member, second: Member) -> bool:
    if first.camera != second.camera or first.light is None or second.light is None:
        return False
    one, other = first.light.balance, second.light.balance
    return abs(one.temperature - other.temperature) <= LIKE_MIRED and abs(one.tint - other.tint) <= LIKE_DUV


_CAMERA_WORDS = ("make", "model")
"""What a file calls its camera, whatever stands before the last point of the key."""


def _camera(clip: Clip) -> str:
    """Return what tells cameras apart: size, rate, coding, and the camera's own name where the file has one."""
    rate = f"{float(clip.rate):g}/s" if clip.rate else ""
    info = clip.info
    coded = f"{info.coding.bits} bit {info.coding.subsampling}" if isinstance(clip, VideoClip) else str(info.bits)  # type: ignore[union-attr]
    metadata = getattr(info, "metadata", {})
    named = {str(key).rpartition(".")[2].lower(): value for key, value in metadata.items()}
    said = " ".join(str(named[word]) for word in _CAMERA_WORDS if word in named)
    return " ".join(part for part in (f"{clip.width}×{clip.height}", rate, coded, said) if part)
