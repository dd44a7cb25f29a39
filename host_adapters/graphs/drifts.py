"""How a skin key goes along with the light of one clip: the parameters that hold it, and their keyframes."""

from __future__ import annotations

from collections.abc import Mapping

from .keyframes import Keyframes

DRIFTS = ("blue_drift", "red_drift")
"""What a skin key knows of the light of one clip; at rest both are 0."""
AT_REST = dict.fromkeys(DRIFTS, 0.0)


def moved_by(moves: Mapping[float, complex]) -> dict[str, Keyframes]:
    """Return the keyframes of both parameters.

    :param moves: by frame, how far the light has moved skin from where the key was learned: Cb/Y′ + i · Cr/Y′.

    >>> moved_by({1: 0j, 9: 0.02 - 0.01j})["red_drift"].pairs
    ((1.0, 0.0), (9.0, -0.01))
    """
    at = sorted(moves)
    planes = [moves[frame].real for frame in at], [moves[frame].imag for frame in at]
    return {
        name: Keyframes(tuple((float(frame), round(value, 5)) for frame, value in zip(at, plane, strict=True)))
        for name, plane in zip(DRIFTS, planes, strict=True)
    }
