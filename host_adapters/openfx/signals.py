"""What the pixels of a clip mean: the standard's names of colour spaces, and the conversion to the working signal.

Source: OpenFX 1.5, ofxColour.h and the native configuration "ofx-native-v1.5_aces-v1.3_ocio-v2.3".
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ...kernels.arrays import Floats
from ...nodes import Space, enter_space, leave_space, return_to_space

CONFIGURATION = b"ofx-native-v1.5_aces-v1.3_ocio-v2.3"
RAW = "ofx_raw"
CROSS_REFERENCE = "OfxColourspace_"
"""Followed by a clip's name: "as that clip" (ofxColour.h)."""

READ_AS_IT_IS = (
    "rec1886_rec709_display",
    "g24_rec709_tx",
    "srgb_display",
    "srgb_tx",
    "g22_rec709_tx",
    "ofx_display_sdr",
)
"""Display-referred signals with BT.709 primaries, which a vectorscope reads as they are; the preferred first."""

_DISPLAYS = {
    "rec1886_rec2020_display": "bt1886:bt2020",
    "displayp3_display": "srgb:p3_d65",
    "p3d65_display": "gamma26:p3_d65",
    "srgb_encoded_p3d65_tx": "srgb:p3_d65",
    "srgb_encoded_ap1_tx": "srgb:acescg",
    "g22_ap1_tx": "gamma22:acescg",
}
"""Signals of standard range with other primaries, as our own nodes name them."""

_CONVERTED = {
    "rec2100_hlg_display": "hlg:bt2020",
    "rec2100_pq_display": "pq:bt2020",
    "st2084_p3d65_display": "pq:p3_d65",
    "lin_rec709_srgb": "linear:bt709",
    "lin_rec2020": "linear:bt2020",
    "lin_p3d65": "linear:p3_d65",
    "ACEScg": "linear:acescg",
    "ACES2065-1": "linear:aces2065",
    "ACEScct": "acescct:acescg",
    "ACEScc": "ACEScc",
}
"""Scene-linear, logarithmic and HDR signals, as our own nodes name them."""

BASIC_NAMES = {
    "lin_rec709_srgb": "ofx_scene_linear",
    "ACEScg": "ofx_scene_linear",
    "ACES2065-1": "ofx_scene_linear",
    "lin_rec2020": "ofx_scene_linear",
    "lin_p3d65": "ofx_scene_linear",
    "rec2100_hlg_display": "ofx_display_hdr",
    "rec2100_pq_display": "ofx_display_hdr",
    "ACEScct": "ofx_scene_log",
    "ACEScc": "ofx_scene_log",
}
"""The generic name of a signal, for hosts that know no others."""

_UNSURE = {
    "ofx_scene_linear": ("linear:bt709", "scene-linear light of unnamed primaries", "BT.709 primaries"),
    "ofx_display_hdr": ("hlg:bt2020", "an HDR signal that is not named further", "BT.2100 HLG"),
}
"""Generic names: what the signal is taken for, what the name says, and what is assumed."""

_UNREADABLE = {
    "ofx_scene_log": "a logarithmic signal that is not named further",
    "g18_rec709_tx": "a signal with a power of 1.8",
    "ofx_raw": "no colour",
    "Raw": "no colour",
    "CIE-XYZ-D65": "CIE XYZ",
}

_ROLES = {
    "aces_interchange": "ACES2065-1",
    "cie_xyz_d65_interchange": "CIE-XYZ-D65",
    "color_picking": "srgb_tx",
    "color_timing": "ACEScct",
    "compositing_log": "ACEScct",
    "data": "Raw",
    "matte_paint": "ACEScct",
    "scene_linear": "ACEScg",
    "texture_paint": "srgb_tx",
}
"""The configuration's names for uses, and the colour space of each."""

_ALSO_CALLED = {
    "srgb_display": ("sRGB - Display",),
    "displayp3_display": ("Display P3 - Display",),
    "rec1886_rec709_display": ("Rec.1886 Rec.709 - Display",),
    "rec1886_rec2020_display": ("Rec.1886 Rec.2020 - Display",),
    "rec2100_hlg_display": ("Rec.2100-HLG - Display",),
    "rec2100_pq_display": ("Rec.2100-PQ - Display",),
    "st2084_p3d65_display": ("ST2084-P3-D65 - Display",),
    "p3d65_display": ("P3-D65 - Display",),
    "ACES2065-1": ("aces2065_1", "ACES - ACES2065-1", "lin_ap0"),
    "ACEScc": ("ACES - ACEScc", "acescc_ap1"),
    "ACEScct": ("ACES - ACEScct", "acescct_ap1"),
    "ACEScg": ("ACES - ACEScg", "lin_ap1"),
    "lin_p3d65": ("Linear P3-D65", "Utility - Linear - P3-D65", "lin_displayp3", "Linear Display P3"),
    "lin_rec2020": ("Linear Rec.2020", "Utility - Linear - Rec.2020"),
    "lin_rec709_srgb": (
        "Linear Rec.709 (sRGB)",
        "Utility - Linear - Rec.709",
        "lin_rec709",
        "lin_srgb",
        "Utility - Linear - sRGB",
    ),
    "g18_rec709_tx": ("Gamma 1.8 Rec.709 - Texture", "Utility - Gamma 1.8 - Rec.709 - Texture", "g18_rec709"),
    "g22_ap1_tx": ("Gamma 2.2 AP1 - Texture", "g22_ap1"),
    "g22_rec709_tx": ("Gamma 2.2 Rec.709 - Texture", "Utility - Gamma 2.2 - Rec.709 - Texture", "g22_rec709"),
    "g24_rec709_tx": ("Gamma 2.4 Rec.709 - Texture", "g24_rec709", "rec709_display", "Utility - Rec.709 - Display"),
    "srgb_encoded_ap1_tx": ("sRGB Encoded AP1 - Texture", "srgb_ap1"),
    "srgb_encoded_p3d65_tx": ("sRGB Encoded P3-D65 - Texture", "srgb_p3d65", "srgb_displayp3"),
    "srgb_tx": ("sRGB - Texture", "Utility - sRGB - Texture", "srgb_texture", "Input - Generic - sRGB - Texture"),
    "Raw": ("Utility - Raw",),
    "CIE-XYZ-D65": ("cie_xyz_d65",),
}
"""The configuration's further names; capitals do not count."""


@functools.cache
def _by_any_name() -> dict[str, str]:
    spaces = (*READ_AS_IT_IS, *_DISPLAYS, *_CONVERTED, *_UNSURE, *_UNREADABLE)
    names = {space.casefold(): space for space in spaces}
    names |= {other.casefold(): space for space, others in _ALSO_CALLED.items() for other in others}
    return names | _ROLES


def resolve(name: str, clip_space: Callable[[str], str]) -> str:
    """Return the configuration's own name of a colour space; an unknown one comes back as it is, "" stays "".

    :param clip_space: returns the colour space of a clip, for a cross-reference to it.
    """
    seen: set[str] = set()
    while name.startswith(CROSS_REFERENCE) and name not in seen:
        seen.add(name)
        name = clip_space(name.removeprefix(CROSS_REFERENCE))
    if name in seen:
        return ""  # clips that refer to each other say nothing
    return _by_any_name().get(name.casefold(), name)


_WORKING = Space()


@dataclass(frozen=True)
class Signal:
    """How the pixels of Source become the working signal, and back.

    :ivar space: as our own nodes name it, "" where pixels are taken as they are. :ivar working: what it is converted
        to: display-referred signals keep their own transfer function and with it their greys. :ivar doubt: what to
        tell the user.
    """

    space: str = ""
    working: Space = _WORKING
    doubt: str = ""

    @property
    def is_converted(self) -> bool:
        """Whether pictures are converted on the way in and back on the way out."""
        return bool(self.space)

    def enter(self, picture: Floats) -> Floats:
        """Return a picture in the working signal."""
        result: Floats = enter_space(self.space, self.working).process(picture)
        return result

    def leave(self, result: Floats, before: Floats, original: Floats) -> Floats:
        """Return a result in the signal that it came in; pixels that nothing touched keep their bits."""
        if result.shape != original.shape:
            drawn: Floats = leave_space(self.space, self.working).process(np.ascontiguousarray(result))
            return drawn
        back: Floats = return_to_space(self.space, self.working).process(result, before, original)
        return back


AS_IT_IS = Signal()


def signal_of(space: str) -> Signal:
    """Return what to do with pictures in a colour space, by the configuration's own name; "" where nothing is known."""
    if not space or space in READ_AS_IT_IS:
        return AS_IT_IS
    if space in _DISPLAYS:
        return Signal(_DISPLAYS[space], Space(Space.parse(_DISPLAYS[space]).transfer))
    if space in _CONVERTED:
        return Signal(_CONVERTED[space])
    if space in _UNSURE:
        name, said, assumed = _UNSURE[space]
        return Signal(
            name, doubt=f"Source is {space}, {said}: {assumed} is assumed. Name the colour space in the host."
        )
    said = _UNREADABLE.get(space, "which the effect does not know")
    return Signal(
        doubt=f"Source is {space}, {said}, so the colours are not what they seem: convert it to a display-referred "
        "BT.709 signal before the effect and back after it.",
    )


def name_of(space: str) -> str:
    """Return the standard's name of one of our own colour spaces, "" where it has none."""
    parsed = Space.parse(space)
    if parsed == Space() or parsed == Space("bt1886"):
        return READ_AS_IT_IS[0]
    if parsed == Space("srgb"):
        return "srgb_display"
    for name, ours in (_DISPLAYS | _CONVERTED).items():
        if Space.parse(ours) == parsed:
            return name
    return ""
