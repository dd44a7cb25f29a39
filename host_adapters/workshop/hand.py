"""The raised hand of a boat builder, palm toward the viewer, in its sleeve."""

from __future__ import annotations

import numpy as np

from .paint import Array, bell, distance_to_line, edge, field_edge, lab_to_linear, softer_of, spot
from .person import Person, complexion
from .relief import Relief, Thing, Window

_NAVY = lab_to_linear((20, 1, -15))

# Root, tip and radius of each finger in units of half a hand's width; the wrist is at (0, 1.6), the tips point up.
_FINGERS = (
    ((-0.74, -0.62), (-1.16, -1.86), 0.225),
    ((-0.28, -0.80), (-0.44, -2.48), 0.245),
    ((0.22, -0.80), (0.26, -2.62), 0.250),
    ((0.66, -0.62), (0.92, -2.28), 0.240),
    ((0.55, 0.70), (1.62, -0.52), 0.265),
)


def paint_hand(relief: Relief, person: Person, x: float, y: float, unit: float, turn: float) -> None:
    """Lay forearm and hand over the relief.

    :param x: scene coordinates of the palm's middle. :param unit: half the palm's width in frame heights.
    :param turn: lean of the hand to the right, in radians.
    """
    window = relief.window(x - 4.5 * unit, y - 4 * unit, x + 4.5 * unit, y + 9 * unit)
    if window is None:
        return
    u, v = window.turned(x, y, unit, turn)
    _skin(relief, window, person, u, v, unit)
    _sleeve(relief, window, person, u, v, unit)


def _hand_height(u: Array, v: Array) -> Array:
    """Height in hand units, positive on the hand: a palm with its pads, and five fingers."""
    palm = 1 - np.square(np.square((u - 0.0) / np.float32(1.0))) - np.square(np.square((v - 0.2) / np.float32(1.22)))
    wrist = np.minimum(1 - np.square(u / np.float32(0.62)), v - 0.4)
    wrist = np.minimum(wrist, 2.3 - v)
    height = softer_of(0.42 * palm, 0.40 * wrist, 0.35)
    for root, tip, radius in _FINGERS:
        away, along = distance_to_line(u, v, root, tip)
        thin = radius * (1 - 0.14 * along)
        height = softer_of(height, 1.25 * (thin - away * away / thin), 0.10)
    return height


def _skin(relief: Relief, window: Window, person: Person, u: Array, v: Array, unit: float) -> None:
    field = _hand_height(u, v)
    pads = 0.16 * spot(u, v, (0.55, 0.75), (0.38, 0.55)) + 0.10 * spot(u, v, (-0.6, 0.7), (0.35, 0.6))
    lines = (
        bell(distance_to_line(u, v, (-0.95, -0.25), (0.45, -0.32))[0], 0.05)
        + bell(distance_to_line(u, v, (0.95, -0.10), (-0.45, 0.28))[0], 0.05)
        + bell(distance_to_line(u, v, (0.75, 0.0), (0.12, 0.62))[0], 0.05)
        + bell(distance_to_line(u, v, (0.12, 0.62), (0.05, 1.25))[0], 0.05)
    )
    joints = _joints(u, v)
    height = 0.62 * np.sqrt(np.maximum(field, 0)) + pads - 0.035 * lines - 0.012 * joints
    colour = complexion(person, u * 0.35 + 9, v * 0.35, melanin=0.86, blood=1.12 + 0.18 * lines + 0.1 * joints)
    relief.lay(
        window, field_edge(field, window.sample / unit), colour, Thing.SKIN,
        height=height * unit + 0.10, gloss=0.030, skin=1,
    )  # fmt: skip


def _joints(u: Array, v: Array) -> Array:
    """Creases across the fingers."""
    total = np.zeros(np.broadcast_shapes(u.shape, v.shape), np.float32)
    for root, tip, radius in _FINGERS:
        away, along = distance_to_line(u, v, root, tip)
        near = away < 1.1 * radius
        for place in (0.30, 0.66):
            total += near * bell(along - np.float32(place), 0.028)
    return total


def _sleeve(relief: Relief, window: Window, person: Person, u: Array, v: Array, unit: float) -> None:
    wide = 0.98 + 0.10 * np.minimum(v - 1.55, 4)
    middle = -0.06 * np.square(np.maximum(v - 1.5, 0))
    across = (u - middle) / wide
    folds = person.noise("sleeve")(u * 0.9 + v * 0.5, v * 0.8, 2)
    rim = 1.62 + 0.10 * np.square(across) + 0.02 * folds
    inside = np.minimum((1 - np.abs(across)) * wide, v - rim) * unit
    height = np.sqrt(np.maximum(1 - across * across, 0)) * 0.9 + 0.06 * folds
    hem = bell(v - rim - 0.62, 0.03)
    weave = 0.05 * person.noise("weave")(u * 10, v * 10) - 0.5 * hem
    relief.lay(
        window, edge(inside, window.sample), _NAVY * np.exp(weave)[..., None], Thing.JACKET,
        height=(height - 0.05 * hem) * unit + 0.10, gloss=0.006, skin=0,
    )  # fmt: skip
