"""Colour tags: what a clip's colours mean by its own account, out of everything in the file that speaks of it."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ...nodes import Space, curve_of_profile, named_primaries, primaries_of_profile, tagged_space
from .clips import Clip
from .pictures import PictureInfo
from .video_format import UNTAGGED, VideoInfo

_PLAIN = str(Space())
_LOGARITHMIC = ("Printing density", "Logarithmic")
"""Transfer characteristics of DPX (SMPTE ST 268) that are no video signal."""


@dataclass(frozen=True)
class Statement:
    """What one part of a file says of its colours.

    :ivar space: a name that :meth:`~inkarnat.nodes.Space.parse` reads; None where it is not known here.
    :ivar source: the part of the file, in words. :ivar words: what it says, where the space is not known.
    """

    space: str | None
    source: str
    words: str = ""

    @property
    def plain(self) -> bool:
        """Whether it is the working signal, which is read as it is."""
        return self.space == _PLAIN

    def __str__(self) -> str:
        return self.space or self.words


@dataclass(frozen=True)
class Meaning:
    """What a clip's colours mean: the statement that holds, and those that say something else.

    :ivar held: the most specific statement; None where the file says nothing.
    """

    path: Path
    held: Statement | None
    against: tuple[Statement, ...] = ()

    @property
    def space(self) -> str | None:
        """The space to convert from; None where the pictures are read as they are."""
        return None if self.held is None or self.held.plain else self.held.space

    @property
    def contradicted(self) -> str:
        """What else the file says, as the end of a clause; "" where nothing contradicts."""
        return "".join(f"; its {against.source} says {against}" for against in self.against)

    def line(self) -> str:
        """Say in one sentence what holds, by what source, and what else was said."""
        if self.held is None:
            return f"{self.path} does not say what its colours mean: they are read as BT.709 signal."
        other = self.contradicted
        if self.held.space is None:
            return f"{self.path}: {self.held.words}, by its {self.held.source}{other}: read as BT.709 signal."
        value = f"{self.held}, read as it is" if self.held.plain else f"{self.held}"
        return f"{self.path}: its colours are {value}, by its {self.held.source}{other}."


def meaning_of(clip: Clip) -> Meaning:
    """Return what the colours of a clip mean by its own account. The more specific statement holds."""
    info = clip.info
    statements = list(_of_video(info) if isinstance(info, VideoInfo) else _of_picture(info))
    if not statements:
        return Meaning(clip.path, None)
    held, *others = statements
    return Meaning(clip.path, held, tuple(other for other in others if str(other) != str(held)))


def misread(clip: Clip) -> str:
    """Say that a clip states a signal in which the skin line of BT.709 means nothing, and is read as BT.709; or "".

    A file kind that may hold either signal says too little, and the curves of everyday displays are near enough.
    """
    meaning = meaning_of(clip)
    held = meaning.held
    if held is None or held.plain or held.source == _KIND or held.space in {f"{name}:bt709" for name in _EVERYDAY}:
        return ""
    return _read_otherwise(meaning, held)


def _read_otherwise(meaning: Meaning, held: Statement) -> str:
    holds = f"it holds {held.space}" if held.space else held.words
    return f"{meaning.path} says that {holds} (its {held.source}){meaning.contradicted}, and it is read as BT.709"


def space_notes(clip: Clip, input_space: str | None) -> tuple[str, ...]:
    """Say where a clip states another signal than the one that it is read as, and where its parts contradict."""
    if input_space is not None:
        return ()
    meaning = meaning_of(clip)
    held = meaning.held
    if held is None:
        return ()
    if held.plain:
        other = meaning.contradicted
        return (f"{clip.path} is read as BT.709, by its {held.source}{other}.",) if other else ()
    if held.source == _KIND:
        return (f"{clip.path} is read as BT.709 signal: if it holds linear light, give --input-space {held.space}.",)
    fix = f"{held.space}, or auto" if held.space else "CURVE:PRIMARIES"
    return (f"{_read_otherwise(meaning, held)}: give --input-space {fix}.",)


# --- video --------------------------------------------------------------------------------------------------


def _of_video(info: VideoInfo) -> Iterator[Statement]:
    _, _, primaries, transfer = info.tags
    if primaries in UNTAGGED and transfer in UNTAGGED:
        return
    inner = any(tag not in UNTAGGED for tag in info.spoken[2:])
    yield Statement(tagged_space(primaries, transfer) or _PLAIN, "tags" if inner else "container")


# --- stills -------------------------------------------------------------------------------------------------

_KIND = "file kind"


def _of_picture(info: PictureInfo) -> Iterator[Statement]:
    """What a still says, the most specific first: PNG's own order (Third Edition, 4.3) and the others' single word."""
    yield from _of_codes(info)
    yield from _of_profile(info)
    if info.format == "png":
        yield from _of_png(info.path)
    if info.format == "openexr":
        yield from _of_exr(info)
    if info.format == "dpx":
        _, transfer = info.metadata.get("dpx:Transfer", ("", ""))
        if str(transfer) in _LOGARITHMIC:
            yield Statement(None, "header", "it is logarithmic")


def _of_codes(info: PictureInfo) -> Iterator[Statement]:
    """The cICP chunk: numbers of ITU-T H.273."""
    _, codes = info.metadata.get("CICP", ("", None))
    if isinstance(codes, tuple) and len(codes) == 4 and codes[0] not in UNTAGGED:
        yield Statement(tagged_space(int(codes[0]), int(codes[1])) or _PLAIN, "cICP chunk")


def _of_exr(info: PictureInfo) -> Iterator[Statement]:
    """OpenEXR holds linear light, with the primaries of BT.709 where it states none."""
    _, points = info.metadata.get("chromaticities", ("", None))
    if isinstance(points, tuple) and len(points) == 8:
        name = named_primaries(points)
        words = "its primaries lie at " + ", ".join(f"{value:.4g}" for value in points)
        yield Statement(f"linear:{name}" if name else None, "chromaticities", words)
    else:
        yield Statement("linear:bt709", _KIND)


def _of_png(path: Path) -> Iterator[Statement]:
    """The chunks sRGB, and gAMA with cHRM."""
    from PIL import Image

    try:
        with Image.open(path) as picture:
            said = dict(picture.info)
    except OSError:
        return
    if "srgb" in said:
        yield Statement(_PLAIN, "sRGB chunk")
        return
    gamma, points = said.get("gamma"), said.get("chromaticity")
    if gamma is None:
        return
    curve = _curve_of_gamma(float(gamma))
    white, *others = [points[i : i + 2] for i in range(0, 8, 2)] if points else [(0.3127, 0.329)]
    name = named_primaries([value for pair in (*others, white) for value in pair]) if others else "bt709"
    source = "gAMA and cHRM chunks" if points else "gAMA chunk"
    if curve is None or name is None:
        yield Statement(None, source, f"its gamma is {float(gamma):.4g}" + ("" if name else ", with other primaries"))
    else:
        yield _of_curve(curve, name, source)


def _curve_of_gamma(gamma: float) -> str | None:
    """The transfer function of a PNG's gAMA; 1/2.2 stands for sRGB there (PNG Third Edition, 11.3.2.2)."""
    known = {1 / 2.2: "srgb", 1.0: "linear", 1 / 2.6: "gamma26", 1 / 2.4: "bt1886"}
    return next((name for value, name in known.items() if abs(gamma - value) < 0.004), None)


_EVERYDAY = ("srgb", "bt709", "bt1886", "gamma22")
"""Curves that are read as the working signal where the primaries are those of BT.709."""


def _of_curve(curve: str, primaries: str, source: str) -> Statement:
    """A statement of a curve and primaries; those of everyday pictures are read as the working signal."""
    everyday = primaries == "bt709" and curve in _EVERYDAY
    return Statement(_PLAIN if everyday else f"{curve}:{primaries}", source)


_GREYS = 32


def _of_profile(info: PictureInfo) -> Iterator[Statement]:
    """The ICC profile, through Pillow's ImageCms: what its red, green, blue and greys are."""
    _, data = info.metadata.get("ICCProfile", ("", None))
    if data is None:
        return
    from PIL import ImageCms

    try:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(bytes(np.asarray(data, np.uint8))))
        named = str(profile.profile.profile_description or "").strip()
        colorants = [getattr(profile.profile, f"{name}_colorant") for name in ("red", "green", "blue")]
        lightness = _greys_of(profile)
    except (OSError, ValueError, TypeError, ImageCms.PyCMSError):
        yield Statement(None, "ICC profile", "it is damaged")
        return
    if None in colorants:
        yield Statement(None, "ICC profile", f"it is {named or 'no matrix profile'}")
        return
    primaries = primaries_of_profile([xyz for xyz, _ in colorants])
    curve = curve_of_profile(np.linspace(0, 1, _GREYS), lightness)
    if primaries is None or curve is None:
        yield Statement(None, "ICC profile", f"it is {named or 'of primaries that are not known here'}")
    else:
        yield _of_curve(curve, primaries, "ICC profile")


def _greys_of(profile: Any) -> Any:
    """The L* that a profile gives greys from 0 to 1."""
    from PIL import Image, ImageCms

    greys = np.rint(np.linspace(0, 1, _GREYS) * 255).astype(np.uint8)
    picture = Image.fromarray(np.repeat(greys[np.newaxis, :, np.newaxis], 3, axis=2))
    lab = ImageCms.createProfile("LAB")
    done = ImageCms.applyTransform(picture, ImageCms.buildTransform(profile, lab, "RGB", "LAB"))
    if done is None:
        raise ValueError("no picture")
    return np.asarray(done)[0, :, 0].astype(np.float64) * (100 / 255)
