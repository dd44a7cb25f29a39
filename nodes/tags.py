"""Tags: the numbers by which files name colour spaces (ITU-T H.273), and the short names that they stand for here."""

from __future__ import annotations

from .convert import Space

UNSPECIFIED = 2

_TRANSFERS = {
    **{"bt709": 1, "bt1886": 1, "gamma22": 4, "linear": 8, "srgb": 13, "pq": 16, "gamma26": 17, "hlg": 18},
    **{"ITU-R BT.2020": 14, "ITU-R BT.709": 1, "sRGB": 13, "Display P3": 13},
}
_PRIMARIES = {
    **{"bt709": 1, "bt601_625": 5, "bt601_525": 6, "bt2020": 9, "p3_dci": 11, "p3_d65": 12},
    **{"ITU-R BT.2020": 9, "ITU-R BT.709": 1, "sRGB": 1, "Display P3": 12, "P3-D65": 12},
}
_OTHER_TRANSFERS = {16: "pq", 18: "hlg", 8: "linear", 17: "gamma26"}
_OTHER_PRIMARIES = {9: "bt2020", 11: "p3_dci", 12: "p3_d65"}


def space_tags(space: Space) -> tuple[int, int]:
    """Return the ITU-T H.273 numbers of a space's primaries and transfer: 2, unspecified, where it has none."""
    return _PRIMARIES.get(space.primaries, UNSPECIFIED), _TRANSFERS.get(space.transfer, UNSPECIFIED)


def tagged_space(primaries: int, transfer: int) -> str | None:
    """Return the name of the space that tags state where it is another than BT.709's signal, or else None.

    :param primaries, transfer: numbers of ITU-T H.273.
    """
    curve, gamut = _OTHER_TRANSFERS.get(transfer), _OTHER_PRIMARIES.get(primaries)
    return None if curve is None and gamut is None else f"{curve or 'bt709'}:{gamut or 'bt709'}"
