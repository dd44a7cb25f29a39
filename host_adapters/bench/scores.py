"""Scores of a matte against the truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ...nodes.declare import Matte


@dataclass(frozen=True)
class MatteScore:
    """How well a matte finds the skin; pixels that are not scored are left out of every figure.

    :ivar f1, iou: of the matte and the truth cut at one half, 0 to 1 (best). :ivar mae: mean absolute difference.
    :ivar recall, precision: of the cut matte: the share of the skin that is found, of what is found that is skin.
    :ivar leak: matte outside the skin, in parts of the true area. :ivar area: matte in parts of the true area.
    """

    f1: float
    iou: float
    mae: float
    leak: float
    area: float
    recall: float
    precision: float


def score_matte(matte: Matte, truth: Matte, ignore: NDArray[np.bool_]) -> MatteScore:
    """Score a matte, float32 (H, W), against the truth; ``ignore`` is bool (H, W), True where nothing is scored.

    Source of F1 and IoU: C. J. van Rijsbergen 1979 and P. Jaccard 1912, over pixels.
    """
    scored = ~ignore
    found, true = matte[scored].astype(np.float64), truth[scored].astype(np.float64)
    keyed, skin = found > 0.5, true > 0.5
    both = int((keyed & skin).sum())
    only_one = int((keyed ^ skin).sum())
    area = max(float(true.sum()), 1e-9)
    return MatteScore(
        f1=2 * both / max(2 * both + only_one, 1),
        iou=both / max(both + only_one, 1),
        mae=float(np.abs(found - true).mean()),
        leak=float(np.maximum(found - true, 0).sum()) / area,
        area=float(found.sum()) / area,
        recall=both / max(int(skin.sum()), 1),
        precision=both / max(int(keyed.sum()), 1),
    )
