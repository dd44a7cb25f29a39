"""The frame that the benchmarks time: soft shapes of skin before a grey and wooden room, with noise."""

from __future__ import annotations

import numpy as np

from ...kernels.arrays import Floats

SKIN_BOX = (0.38, 0.38, 0.47, 0.52)
"""A part of the frame that holds skin alone, normalised."""

_SKIN, _WOOD, _WALL = np.array([(0.62, 0.46, 0.37), (0.46, 0.33, 0.22), (0.42, 0.43, 0.44)], np.float32)


def skin_frame(width: int, height: int, channels: int = 3, seed: int = 7) -> Floats:
    """Return a frame, float32 (height, width, channels): about a fifth of it skin, 1 % noise; alpha is 1.

    The same picture at every size, but for the noise: a benchmark's mattes have the same share of edges.
    """
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    x, y = x / np.float32(width), y / np.float32(height)
    face = np.clip(1.5 - np.hypot((x - 0.42) * 1.6, y - 0.45) * 5, 0, 1)
    hand = np.clip(1.5 - np.hypot((x - 0.78) * 1.6, y - 0.75) * 9, 0, 1)
    skin = np.maximum(face, hand)[..., None].astype(np.float32)
    plank = ((y > 0.72) | (x > 0.86)).astype(np.float32)[..., None]
    room = _WALL + plank * (_WOOD - _WALL)
    light = (0.55 + 0.6 * x * (1 - 0.5 * y))[..., None]
    frame = np.ones((height, width, channels), np.float32)
    frame[..., :3] = (room + skin * (_SKIN - room)) * light
    noise = np.random.default_rng(seed).standard_normal((min(height, 256), width, 3), np.float32)
    for top in range(0, height, len(noise)):
        frame[top : top + len(noise), :, :3] += np.float32(0.01) * noise[: height - top]
    return np.clip(frame, 0, 1, out=frame)
