"""Colour tags: what a clip says of its own colour space, where that is another than the one it is read as."""

from __future__ import annotations

from pathlib import Path

from ...nodes import tagged_space
from .clips import Clip
from .pictures import PictureInfo
from .video_format import VideoInfo

_LOGARITHMIC = ("Printing density", "Logarithmic")
"""Transfer characteristics of DPX (SMPTE ST 268) that are no video signal."""


def space_notes(clip: Clip, input_space: str | None) -> tuple[str, ...]:
    """Say where a clip states another signal than the one that it is read as."""
    if input_space is not None:
        return ()
    if not isinstance(clip.info, VideoInfo):
        return _picture_notes(clip.path, clip.info)
    _, _, primaries, transfer = clip.info.tags
    name = tagged_space(primaries, transfer)
    if name is None:
        return ()
    return (f"{clip.path} says that it holds {name}, and it is read as BT.709: give --input-space {name}.",)


def _picture_notes(path: Path, info: PictureInfo) -> tuple[str, ...]:
    if info.format == "openexr":
        return (f"{path} is read as BT.709 signal: if it holds linear light, give --input-space linear.",)
    _, transfer = info.metadata.get("dpx:Transfer", ("", ""))
    if str(transfer) in _LOGARITHMIC:
        return (f"{path} says that it is logarithmic, and it is read as BT.709: give --input-space CURVE:PRIMARIES.",)
    return ()
