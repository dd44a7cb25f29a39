"""Every row of published.csv: our kernels, and where it is a reference value the reference library too."""

from __future__ import annotations

import csv
import importlib
import warnings
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import references
from inkarnat.kernels import codes, tone
from inkarnat.kernels import colour as kernel
from inkarnat.nodes import SkinTarget

ROWS = {
    row["id"]: row
    for row in csv.DictReader((Path(__file__).parent / "published.csv").read_text(encoding="utf-8").splitlines())
}
BARS = {
    "white": (1, 1, 1),
    "yellow": (1, 1, 0),
    "cyan": (0, 1, 1),
    "green": (0, 1, 0),
    "magenta": (1, 0, 1),
    "red": (1, 0, 0),
    "blue": (0, 0, 1),
}
TWO_DEGREES = "CIE 1931 2 Degree Standard Observer"


@cache
def colour_science():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return importlib.import_module("colour")


def pixel(*rgb):
    return np.array(rgb, np.float32).reshape(1, 1, 3)


# --- our kernels --------------------------------------------------------------------------------------------


def code_values(*colours, bits=10):
    """The Y′, Cb and Cr codes of BT.709-6 item 3.4, one row a colour."""
    picture = np.array([colours], np.float32)
    planes = codes.picture_to_planes(picture, codes.Coding(bits, studio=True, subsampling="4:4:4"), dither=False)
    return np.stack([plane[0] for plane in planes], axis=-1).astype(np.float64)


def bar(name):
    return code_values([0.75 * level for level in BARS[name]])[0]


def hue(rgb, standard="709"):
    _, cb, cr = kernel.rgb_to_ycbcr(pixel(*rgb), standard).ravel().astype(np.float64)
    return np.degrees(np.arctan2(cr, cb)) % 360


def i_and_q(i, q):
    """R′G′B′ of a patch on the I or Q axis: turned 33° from V and U, lifted until its lowest part is black."""
    turn = np.radians(33)
    u, v = q * np.cos(turn) - i * np.sin(turn), q * np.sin(turn) + i * np.cos(turn)
    # U = 0.492 (B′ − Y′) and V = 0.877 (R′ − Y′), exactly, as SMPTE 170M derives them.
    red, blue = v / 0.877283, u / 0.492111
    rgb = np.array([red, -(0.299 * red + 0.114 * blue) / 0.587, blue])
    return rgb - rgb.min()


def kr_kb(standard):
    matrix = kernel.ycbcr_matrix(standard)
    return matrix[0, 0], matrix[0, 2]


def light(name):
    return kernel.decode(pixel(0.5, 0.5, 0.5), name).ravel()[0]


def graded(rgb, slope, offset, power, saturation):
    result = tone.cdl(pixel(*rgb), (slope,) * 3, (offset,) * 3, (power,) * 3, saturation).ravel()
    return result if len(set(rgb)) > 1 else result[:1]


def quantised(bits):
    """Luma codes of black and white; Cb codes of yellow, grey and blue, whose Cb is −0.5, 0 and 0.5."""
    luma = code_values((0, 0, 0), (1, 1, 1), bits=bits)[:, 0]
    chroma = code_values((1, 1, 0), (0.5, 0.5, 0.5), (0, 0, 1), bits=bits)[:, 1]
    return np.concatenate([luma, chroma])


def skin_line():
    return SkinTarget().angle


# --- reference libraries ------------------------------------------------------------------------------------


def reflectance(row_id):
    """The spectrum that a row is about."""
    kind, _, name = row_id.partition(".")
    if kind.startswith("chart"):
        return colour_science().SDS_COLOURCHECKERS["ISO 17321-1"][name.replace("_", " ")]
    if kind.startswith("tcs"):
        return colour_science().quality.SDS_TCS["CIE 2024"][f"TCS{name}"]
    cfi2017 = importlib.import_module("colour.quality.cfi2017")
    samples = cfi2017.load_TCS_CIE2017(colour_science().SpectralShape(380, 780, 5))
    return samples.to_sds()[int(name) - 1]


def under_daylight(row_id):
    """XYZ, white at 1, of a row's spectrum under D65, and the white's chromaticity."""
    library = colour_science()
    observer = library.MSDS_CMFS[TWO_DEGREES]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # spectra are resampled to the observer's spacing
        tristimulus = library.sd_to_XYZ(reflectance(row_id), observer, library.SDS_ILLUMINANTS["D65"]) / 100
    return tristimulus, library.CCS_ILLUMINANTS[TWO_DEGREES]["D65"]


def lab(row_id):
    return colour_science().XYZ_to_Lab(*under_daylight(row_id))


def skin_hue(row_id):
    """Angle of a measured skin, its signal made by our own transfer function and matrix."""
    tristimulus, white = under_daylight(row_id)
    linear = colour_science().XYZ_to_RGB(tristimulus, "ITU-R BT.709", white)
    return hue(kernel.encode(pixel(*linear), "bt1886").ravel())


def temperature(illuminant):
    library = colour_science()
    uv = library.xy_to_UCS_uv(library.CCS_ILLUMINANTS[TWO_DEGREES][illuminant])
    return library.temperature.uv_to_CCT(uv, method="Ohno 2013")


def opencolorio(rgb, slope, offset, power, saturation):
    import PyOpenColorIO

    grade = PyOpenColorIO.CDLTransform()
    grade.setSlope([slope] * 3)
    grade.setOffset([offset] * 3)
    grade.setPower([power] * 3)
    grade.setSat(saturation)
    processor = PyOpenColorIO.Config.CreateRaw().getProcessor(grade).getDefaultCPUProcessor()
    result = processor.applyRGB(list(rgb))
    return result if len(set(rgb)) > 1 else result[:1]


def luma_weights(name):
    red, _, blue = (float(v) for v in colour_science().WEIGHTS_YCBCR[f"ITU-R BT.{name}"][[0, 0, 1]])
    return red, blue


GRADES = {
    "cdl.mid": ((0.5, 0.5, 0.5), 1.2, -0.05, 0.9, 1.0),
    "cdl.dark": ((0.18, 0.18, 0.18), 0.9, 0.02, 1.1, 1.0),
    "cdl.colour": ((0.5, 0.4, 0.3), 1.1, -0.02, 0.95, 0.8),
}

OURS = {
    **{f"kr_kb.{name}": lambda name=name: kr_kb(name) for name in ("601", "709", "2020")},
    **{f"quantise.{bits}": lambda bits=bits: quantised(bits) for bits in (8, 10)},
    **{f"bar.{name}": lambda name=name: bar(name) for name in BARS},
    **{f"angle.{name}": lambda rgb=rgb: hue(rgb) for name, rgb in BARS.items() if name != "white"},
    "bar.plus_i": lambda: code_values(i_and_q(0.2, 0))[0],
    "bar.minus_i": lambda: code_values(i_and_q(-0.2, 0))[0],
    "bar.plus_q": lambda: code_values(i_and_q(0, 0.2))[0],
    "i_axis.709": lambda: hue(i_and_q(0.2, 0)),
    "i_axis.601": lambda: hue(i_and_q(0.2, 0), "601"),
    **{f"{name}": lambda name=name: skin_hue(name) for name in ROWS if name.split(".")[0].endswith("_angle")},
    **{name: lambda grade=grade: graded(*grade) for name, grade in GRADES.items()},
    "transfer.srgb": lambda: light("srgb"),
    "transfer.bt1886": lambda: light("bt1886"),
    "transfer.bt709": lambda: kernel.encode(pixel(0.18, 0.18, 0.18), "bt709").ravel()[0],
    "skin_line": skin_line,
}
REFERENCE = {
    **{f"kr_kb.{name}": lambda name=name: luma_weights(name) for name in ("601", "709", "2020")},
    **{name: lambda name=name: lab(name) for name in ROWS if name.split(".")[0] in ("chart", "tcs", "ces")},
    **{f"cct.{name}": lambda name=name: temperature(name)[0] for name in ("D65", "D50", "A")},
    **{f"duv.{name}": lambda name=name: temperature(name)[1] for name in ("D65", "D50", "A")},
    "mired.3200_5600": lambda: np.subtract(*colour_science().temperature.CCT_to_mired([5600, 3200])),
    **{name: lambda grade=grade: opencolorio(*grade) for name, grade in GRADES.items()},
    "transfer.srgb": lambda: colour_science().models.eotf_sRGB(0.5),
    "transfer.bt1886": lambda: colour_science().models.eotf_BT1886(0.5),
    "transfer.bt709": lambda: references.encode(0.18, "bt709"),
}
STATEMENTS = {"ita.classes", *(name for name in ROWS if name.startswith("practice."))}
"""Rows that say how the trade works or what its classes are; no formula gives them."""


def check(row_id, computed):
    row = ROWS[row_id]
    expected = [float(value) for value in row["values"].split()]
    computed = np.atleast_1d(np.asarray(computed, np.float64))
    assert computed.shape == (len(expected),)
    np.testing.assert_allclose(computed, expected, rtol=0, atol=float(row["tolerance"]) + 1e-12, err_msg=row["source"])


@pytest.mark.parametrize("row_id", OURS)
def test_our_value_is_the_published_one(row_id):
    check(row_id, OURS[row_id]())


@pytest.mark.parametrize("row_id", REFERENCE)
def test_the_reference_library_gives_the_published_value(row_id):
    check(row_id, REFERENCE[row_id]())


def test_every_row_is_checked_and_every_check_has_its_row():
    assert OURS.keys() | REFERENCE.keys() | STATEMENTS == ROWS.keys()
    assert not STATEMENTS & (OURS.keys() | REFERENCE.keys())


@pytest.mark.parametrize("row_id", ROWS)
def test_every_row_names_its_source(row_id):
    row = ROWS[row_id]
    assert None not in row, "the row has more cells than the header"
    assert row["quantity"].strip()
    source = row["source"]
    if row_id.startswith("practice."):
        assert source == "common practice, no source"
    else:
        known = ("ITU-R", "SMPTE", "CIE", "ISO", "JIS", "IEC", "ASC CDL", "definition", "common practice", "Chardon")
        assert any(name in source for name in known), f"{row_id}: {source!r} names no standard, book or practice"
    if "SMPTE" in source or "Chardon" in source:
        assert source.endswith("from memory"), "these were not at hand: the row has to say so"


def test_typology_classes_order_the_chart_skins():
    """The two chart skins fall into the classes that their names say."""
    bounds = [float(value) for value in ROWS["ita.classes"]["values"].split()]
    assert bounds == sorted(bounds, reverse=True)
    names = ["very light", "light", "intermediate", "tan", "brown", "dark"]

    def class_of(row_id):
        lightness, _, b = lab(row_id)
        angle = references.typology_angle(lightness, b)
        return names[sum(angle <= bound for bound in bounds)]

    assert class_of("chart.light_skin") == "light"
    assert class_of("chart.dark_skin") == "dark"
