"""Limits: the shares of pixels beyond EBU R 103, at the codes that the recommendation names."""

from __future__ import annotations

import numpy as np
import pytest
from inkarnat.kernels.errors import PictureError
from inkarnat.kernels.limits import LimitShares, shares_beyond


def grey(code, bits=10):
    """A level as video codes have it: BT.709-6, quantisation: 64 + 876 Y in 10 bit, 16 + 219 Y in 8 bit."""
    black, span = {10: (64, 876), 8: (16, 219)}[bits]
    return np.full((4, 5, 3), (code - black) / span, np.float32)


@pytest.mark.parametrize(
    ("code", "bits", "beyond"),
    [
        # EBU R 103 versions 2.0 and 3.0: 8-bit 5 to 246, 10-bit 20 to 984; also in EBU QC item 0051B.
        (20, 10, False), (19, 10, True), (984, 10, False), (985, 10, True),
        (5, 8, False), (4, 8, True), (246, 8, False), (247, 8, True),
    ],
)  # fmt: skip
def test_the_tolerance_ends_at_its_codes(code, bits, beyond):
    assert shares_beyond(grey(code, bits)).tolerance == float(beyond)


@pytest.mark.parametrize(("level", "beyond"), [(-0.009, False), (-0.011, True), (1.029, False), (1.031, True)])
def test_preferred_luma(level, beyond):
    """EBU R 103 version 1.1: luma from −1 % to 103 % (from memory)."""
    assert shares_beyond(np.full((2, 2, 3), level, np.float32)).preferred == float(beyond)


def test_a_component_counts_where_luma_is_within():
    picture = np.full((10, 10, 3), 0.5, np.float32)
    picture[0, 0] = (1.06, 0.5, 0.5)
    picture[0, 1] = (0.5, 0.5, -0.06)
    picture[0, 2] = (0.5, 0.5, 1.2)
    assert shares_beyond(picture) == LimitShares(0.03, 0.03, 0.01)


def test_the_share_is_that_of_a_plain_count(make_picture):
    picture = make_picture(40, 30, 4, seed=2)
    rgb = picture[..., :3].astype(np.float64)
    luma = rgb @ [0.2126, 0.7152, 0.0722]
    outside = ((rgb < -44 / 876) | (rgb > 1 + 44 / 876)).any(axis=2)
    found = shares_beyond(picture)
    assert found.tolerance == pytest.approx(outside.mean())
    assert found.preferred == pytest.approx((outside | (luma < -0.01) | (luma > 1.03)).mean())


def test_up_to_one_percent_may_lie_beyond():
    """EBU R 103: small excursions of up to 1 % of the picture are allowed."""
    picture = np.full((10, 20, 3), 0.5, np.float32)
    picture[0, :2] = 1.2
    assert shares_beyond(picture).within
    picture[0, :3] = 1.2
    assert not shares_beyond(picture).within


def test_pixels_that_are_not_finite_count_nothing():
    picture = np.full((2, 2, 3), 0.5, np.float32)
    picture[0, 0, 0], picture[0, 1] = np.nan, np.inf
    picture[1, 0] = 2
    assert shares_beyond(picture).tolerance == 0.5
    assert shares_beyond(np.full((2, 2, 3), np.nan, np.float32)) == LimitShares(0, 0, 0)
    with pytest.raises(PictureError):
        shares_beyond(np.zeros((2, 2), np.float32))
