"""Scopes: targets and lines against BT.709 and reference libraries, traces against slow oracles, odd inputs."""

from __future__ import annotations

import json
import math

import colour
import numpy as np
import pytest
from inkarnat.kernels import measure, memory, plot, strips
from inkarnat.kernels.errors import PictureError, ValueRangeError
from inkarnat.kernels.gaussian import gaussian
from inkarnat.nodes import scopes
from inkarnat.nodes.declare import ParamError
from inkarnat.nodes.scopes import Vectorscope, Waveform
from inkarnat.nodes.solve import measure_skin
from skimage.color import yiq2rgb

# 10-bit Cb and Cr of 75 % bars. Computed from BT.709-6; SMPTE RP 219 lists the same (from memory).
BARS_75 = {"Y": (176, 543), "C": (589, 176), "G": (253, 207), "M": (771, 817), "R": (435, 848), "B": (848, 481)}
# Angles of the bars in BT.709 Cb/Cr, computed from BT.709-6.
BAR_ANGLES = {"Y": 174.76, "C": 282.91, "G": 229.68, "M": 49.68, "R": 102.91, "B": 354.76}
RGB = {"R": (1, 0, 0), "Y": (1, 1, 0), "G": (0, 1, 0), "C": (0, 1, 1), "B": (0, 0, 1), "M": (1, 0, 1)}
SKIN = (0.72, 0.52, 0.42)


def flat(rgb, height=24, width=32):
    return np.full((height, width, 3), rgb, np.float32)


def ycbcr(rgb):
    """colour-science as the reference for BT.709 Y′CbCr."""
    weights = colour.WEIGHTS_YCBCR["ITU-R BT.709"]
    return colour.RGB_to_YCbCr(np.asarray(rgb, float), K=weights, out_range=(0, 1, -0.5, 0.5))


def place(cb, cr, size, zoom=1):
    """Where a colour must lie: neutral in the middle, the rim (0.438 of the side) at a chroma of 0.64."""
    scale = size * 0.438 / 0.64 * zoom
    return size / 2 + cb * scale, size / 2 - cr * scale


def centroid(weights, middle, reach):
    """The weighted centre of what lies within ``reach`` pixels of a point, in pixel coordinates."""
    y, x = np.mgrid[0 : weights.shape[0], 0 : weights.shape[1]] + 0.5
    near = weights * ((x - middle[0]) ** 2 + (y - middle[1]) ** 2 < reach**2)
    assert near.sum() > 0
    return (near * x).sum() / near.sum(), (near * y).sum() / near.sum()


def vividness(scope):
    return np.clip(scope.max(axis=2) - scope.min(axis=2) - 0.25, 0, 1)


def amber(scope):
    """Pixels of the skin line's colour."""
    return (scope[..., 0] > 0.85) & (abs(scope[..., 1] - 0.65) < 0.12) & (scope[..., 2] < 0.45)


# --- kernels ------------------------------------------------------------------------------------------------


@pytest.mark.slice
@pytest.mark.parametrize("letter", RGB)
def test_a_single_colour_is_plotted_where_the_reference_puts_it(letter):
    """colour-science's Y′CbCr; the plot is exact to 1/32 of a cell for 8 × 8 pixels, to 15/32 for one."""
    _, cb, cr = ycbcr(RGB[letter])
    y, x = np.mgrid[0:64, 0:64] + 0.5
    for side, precision in ((8, 1 / 32), (24, 1 / 32), (1, 15 / 32)):
        counts = plot.chroma_counts(flat(RGB[letter], side, side), None, 64, 48.0)
        assert counts.sum() == side**2 * plot.PIXEL
        assert (counts * x).sum() / counts.sum() == pytest.approx(32 + cb * 48, abs=precision + 1e-4)
        assert (counts * y).sum() / counts.sum() == pytest.approx(32 - cr * 48, abs=precision + 1e-4)


def offsets(height, width):
    """Cells by which pixels are moved: from pixel to pixel, each row beginning 3 later, and from row to row."""
    order = (np.array([0, 4, 2, 6, 1, 5, 3, 7]) + 0.5) / 16 - 0.25
    y, x = np.mgrid[0:height, 0:width]
    return order[(x + 3 * y) % 8], order[y % 8]


def shared(position, cells):
    """The cells that a position in cells is shared among, as from the middle of its half, and what each gets."""
    middle = math.floor(2 * position) / 2 + 0.25
    first = math.floor(middle - 0.5)
    right = middle - 0.5 - first
    return [(min(max(first, 0), cells - 1), 1 - right), (min(first + 1, cells - 1), right)]


def clear_of_edges(positions, matte):
    """The matte in the whole steps of a plot, 0 where float32 and float64 might not agree on a pixel's fine cell."""
    near = np.zeros(matte.shape, bool)
    for position in positions:
        near |= abs(2 * position - np.rint(2 * position)) < 1e-3
    return np.where(near, 0, np.rint(np.clip(matte, 0, 1) * 256) / 256).astype(np.float32)


@pytest.mark.slice
@pytest.mark.parametrize("channels", [3, 4])
def test_chroma_against_a_slow_count(channels, make_picture, matte):
    """An obvious loop in float64 with colour-science's Y′CbCr, every pixel shared among four cells: equal."""
    picture = make_picture(channels=channels)
    chroma, (along, upright) = ycbcr(picture[..., :3].astype(np.float64))[..., 1:], offsets(37, 53)
    across, down = 20 + chroma[..., 0] * 50 + along, 20 - chroma[..., 1] * 50 + upright
    matte = clear_of_edges((across, down), matte)
    expected = np.zeros((40, 40))
    for y, x in zip(*np.nonzero(matte), strict=True):
        if 0 <= across[y, x] < 40 and 0 <= down[y, x] < 40:
            for row, of_row in shared(down[y, x], 40):
                for column, of_column in shared(across[y, x], 40):
                    expected[row, column] += matte[y, x] * of_row * of_column
    assert 100 < expected.sum() < matte.sum() - 1  # some of it lies beyond the plane
    np.testing.assert_array_equal(plot.chroma_counts(picture, matte, 40, 50.0), expected * plot.PIXEL)


@pytest.mark.parametrize("size", [256, 512, 1080])
def test_codes_and_cells_do_not_beat_against_one_another(size):
    """All chroma codes of 8-bit video (BT.709-6: 224 for 1) alike, as the vectorscope blurs them: an even plane.

    Nearest fine cells alone would give .10, .18 and .12.
    """
    plane = scopes._ChromaPlane(size, 1)
    cb, cr = np.meshgrid(*[np.arange(-60, 61) / 224] * 2)
    picture = np.stack(
        [0.5 + 1.5748 * cr, 0.5 - (0.2126 * 1.5748 * cr + 0.0722 * 1.8556 * cb) / 0.7152, 0.5 + 1.8556 * cb]
    )
    picture = picture.transpose(1, 2, 0).repeat(8, axis=0).repeat(8, axis=1).astype(np.float32)
    density = gaussian(plot.chroma_counts(picture, None, size, plane.scale).astype(np.float32), plane.blur)
    reach = int(plane.scale * 0.22)
    inner = density[size // 2 - reach : size // 2 + reach, size // 2 - reach : size // 2 + reach]
    assert inner.std() / inner.mean() < {256: 0.025, 512: 0.095, 1080: 0.06}[size]


@pytest.mark.slice
def test_chroma_outside_the_plane_and_bad_pixels_count_nothing(make_picture):
    picture = make_picture(8, 9)
    picture[1, 2] = np.nan
    picture[3, 4, 1] = np.inf
    assert plot.chroma_counts(picture, None, 64, 1.0).sum() == (72 - 2) * plot.PIXEL
    assert plot.chroma_counts(flat((1, 0, 0), 4, 4), None, 64, 100.0).sum() == 0


@pytest.mark.slice
def test_the_matte_weighs_every_pixel(make_picture):
    picture, matte = make_picture(8, 9), np.zeros((8, 9), np.float32)
    matte[2, 3], matte[4, 5], matte[6, 6] = 1, 0.25, np.nan
    assert plot.chroma_counts(picture, matte, 64, 1.0).sum() == 1.25 * plot.PIXEL
    assert plot.level_counts(picture, matte, (32, 9), "luma", -1, 2).sum() == 1.25 * plot.PIXEL


@pytest.mark.slice
@pytest.mark.parametrize("signal", measure.COMPONENTS)
@pytest.mark.parametrize("channels", [3, 4])
def test_levels_against_a_slow_count(signal, channels, make_picture, matte):
    """An obvious loop in float64: each pixel shared between the two rows around its level: equal."""
    picture = make_picture(channels=channels)
    rgb = picture[..., :3].astype(np.float64)
    levels = ycbcr(rgb)[..., 0] if signal == "luma" else rgb[..., "rgb".index(signal)]
    down = np.clip((0.8 - levels) / 0.7 * 40 + offsets(37, 53)[0], 0.01, 39.99)
    matte = clear_of_edges((down,), matte)
    expected = np.zeros((40, 17))
    for y, x in zip(*np.nonzero(matte), strict=True):
        for row, of_row in shared(down[y, x], 40):
            expected[row, x * 17 // 53] += matte[y, x] * of_row
    assert expected[0].any()  # some of it lies beyond the plot
    assert expected[-1].any()
    np.testing.assert_array_equal(plot.level_counts(picture, matte, (40, 17), signal, 0.1, 0.8), expected * plot.PIXEL)


@pytest.fixture(params=["chroma", "levels"])
def count(request):
    """Either plot of a picture and a matte or None."""
    if request.param == "chroma":
        return lambda image, matte: plot.chroma_counts(image, matte, 300, 250.0)
    return lambda image, matte: plot.level_counts(image, matte, (300, 130), "luma", -0.1, 1.1)


def test_counts_do_not_depend_on_threads_or_sets_of_counters(count, make_picture, monkeypatch):
    picture = make_picture(300, 391)
    matte = make_picture(300, 391, seed=9)[..., 0].clip(0, 1)
    first = [count(picture, matte), count(picture, None)]
    for threads, most in ((1, 1 << 23), (2, 1 << 23), (3, 1 << 23), (1, 20_000), (2, 100)):
        monkeypatch.setattr(plot, "_MOST", most)
        with strips.threads(threads):
            np.testing.assert_array_equal([count(picture, matte), count(picture, None)], first)


def test_a_full_matte_is_no_matte(count, make_picture):
    picture = make_picture(70, 391)
    np.testing.assert_array_equal(count(picture, np.ones((70, 391), np.float32)), count(picture, None))


def test_counters_lie_in_memory_with_whatever_values(count, make_picture):
    """What lay there before, all bits 1, and how much of it is used, does not show."""
    pictures = [make_picture(70, 391), flat((0.4, 0.4, 0.4), 70, 391), flat((0.1, 0.9, 0.1), 70, 391)]
    for picture in pictures:
        first = count(picture, None)
        assert first.sum() == picture[..., 0].size * plot.PIXEL or picture is pictures[0]
        shapes = [(1, lines * plot._line(cells) + 16) for lines, cells in ((600, 600), (600, 130))]
        for held in [memory.COUNTERS.lent(shape, np.uint32) for shape in shapes]:
            held.view(np.uint32)[:] = 0xFFFFFFFF
        del held
        np.testing.assert_array_equal(count(picture, None), first)


def test_plots_in_turn_count_in_memory_that_was_used_before(make_picture, monkeypatch):
    """With 16 threads two plots have 80 MB of counters: neither makes room for the other."""
    picture, fresh, real = make_picture(1024, 16), [], memory._fresh
    monkeypatch.setattr(memory, "_fresh", lambda size: fresh.append(size) or real(size))
    with strips.threads(16):
        for _ in range(3):
            fresh.clear()
            plot.chroma_counts(picture, None, 512, 250.0)
            plot.level_counts(picture, None, (4096, 16), "luma", -0.1, 1.1)
    assert not fresh
    memory.COUNTERS.clear()


@pytest.mark.slice
def test_log_brightness_is_the_logarithm():
    """numpy.log1p."""
    density = np.array([[0, 1e-3, 0.5, 7, 100, 5000, -3, np.nan]], np.float32)
    expected = np.log1p(np.array([[0, 1e-3, 0.5, 7, 100, 100, 0, 0]]) / 0.5) / np.log1p(100 / 0.5)
    np.testing.assert_allclose(plot.log_brightness(density, 0.5, 100.0), expected, atol=2e-6)


@pytest.mark.slice
@pytest.mark.parametrize(
    "call",
    [
        lambda p: plot.chroma_counts(p, None, 8, 1.0),
        lambda p: plot.chroma_counts(p, None, 64, math.nan),
        lambda p: plot.level_counts(p, None, (32, 999), "luma", 0, 1),
        lambda p: plot.level_counts(p, None, (32, 8), "luma", 1, 1),
        lambda p: plot.level_counts(p, None, (32, 8), "hue", 0, 1),
        lambda p: plot.log_brightness(p[..., 0], 0.0, 1.0),
    ],
)
def test_wrong_numbers_are_named(call, picture):
    with pytest.raises(ValueRangeError, match=r"must be|must have|needs|unknown"):
        call(picture)


# --- vectorscope --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [256, 512, 1080])
@pytest.mark.parametrize("amount", [0.75, 1.0])
def test_bars_fall_into_their_targets(size, amount):
    """Target and trace of every bar, both within a pixel of where colour-science's Y′CbCr puts it."""
    empty = Vectorscope(size=size).process(flat((0, 0, 0)))
    for rgb in RGB.values():
        x, y = place(*ycbcr(np.array(rgb) * amount)[1:], size)
        target = centroid(vividness(empty), (x, y), size * 0.020)
        assert math.dist(target, (x, y)) < 1
        scope = Vectorscope(size=size).process(flat(np.array(rgb) * amount))
        trace = centroid(np.clip(scope - empty, 0, 1).sum(axis=2), (x, y), size * 0.010)
        assert math.dist(trace, (x, y)) < 1
        assert math.dist(trace, target) < 1


@pytest.mark.parametrize("letter", RGB)
def test_bar_targets_are_those_of_the_standard(letter):
    """10-bit codes of 75 % bars computed from BT.709-6 (SMPTE RP 219, from memory), rounded to whole codes."""
    cb, cr = scopes.bar_chroma(letter, 0.75)
    assert (round(512 + 896 * cb), round(512 + 896 * cr)) == BARS_75[letter]
    assert math.degrees(math.atan2(cr, cb)) % 360 == pytest.approx(BAR_ANGLES[letter], abs=0.005)


@pytest.mark.parametrize(("angle", "bias"), [(123.0, 0.0), (123.0, -4.0), (101.5, 0.0), (135.0, 3.5)])
@pytest.mark.parametrize("zoom", ["1", "4"])
def test_the_skin_line_lies_at_its_angle(angle, bias, zoom):
    """Common practice, no source, for 123°; here the pixels of the line are measured."""
    size = 720
    scope = Vectorscope(size=size, angle=angle, bias=bias, zoom=zoom).process(flat((0, 0, 0)))
    y, x = np.nonzero(amber(scope))
    along, up = x + 0.5 - size / 2, size / 2 - (y + 0.5)
    distance = np.hypot(along, up)
    line = (distance < size * 0.41) & (distance > size * 0.05)
    assert line.sum() > size * 0.3
    turn = math.radians(angle + bias)
    across = along * math.sin(turn) - up * math.cos(turn)
    assert abs(across[line]).max() < 2
    assert abs(np.degrees(np.arctan2(up[line], along[line])).mean() - angle - bias) < 0.1


def test_the_i_axis_is_where_the_reference_conversion_puts_it():
    """scikit-image's YIQ to R′G′B′, then colour-science's BT.709 Y′CbCr; at 123° of U/V by definition."""
    _, cb, cr = ycbcr(yiq2rgb(np.array([[[0.0, 1.0, 0.0]]]))[0, 0])
    assert math.degrees(math.atan2(cr, cb)) == pytest.approx(scopes.I_AXIS, abs=0.05)


def test_the_i_axis_is_drawn_beside_the_skin_line():
    size = 1080
    scope = Vectorscope(size=size).process(flat((0, 0, 0)))
    turn = np.radians(130.55)
    radii = np.linspace(size * 0.25, size * 0.40, 400)
    x, y = (size / 2 + radii * np.cos(turn)).astype(int), (size / 2 - radii * np.sin(turn)).astype(int)
    blueness = scope[y, x, 2] - scope[y, x, 0]
    assert 0.3 < (blueness > 0.15).mean() < 0.8  # dashed


@pytest.mark.parametrize("rgb", [SKIN, (0.35, 0.42, 0.65)])
def test_the_pointer_stands_at_the_angle_that_is_measured(rgb):
    picture = flat(rgb, 40, 40)
    matte = np.ones((40, 40), np.float32)
    angle = measure_skin(picture, matte).angle
    _, cb, cr = ycbcr(rgb)
    assert angle == pytest.approx(math.degrees(math.atan2(cr, cb)) % 360, abs=0.1)
    size = 512
    scope = Vectorscope(size=size, angle=30.0).process(picture, matte)
    radius, turn = size * (0.438 - 0.017), math.radians(angle)
    x, y = size / 2 + radius * math.cos(turn), size / 2 - radius * math.sin(turn)
    assert scope[int(y), int(x)].min() > 0.85
    mark = place(cb, cr, size)
    assert scope[int(mark[1]), int(mark[0])].min() > 0.85


@pytest.mark.parametrize("zoom", [1, 2, 4])
def test_zoom_magnifies_about_neutral(zoom):
    _, cb, cr = ycbcr(SKIN)
    node = Vectorscope(size=512, zoom=str(zoom), angle=30.0)
    scope = node.process(flat(SKIN)) - node.process(flat((0, 0, 0)))
    x, y = place(cb, cr, 512, zoom)
    found = centroid(np.clip(scope, 0, 1).sum(axis=2), (x, y), 5)
    assert math.dist(found, (x, y)) < 1


def test_only_keyed_pixels_are_traced():
    picture = np.concatenate([flat((0.1, 0.7, 0.1)), flat(SKIN)])
    matte = np.zeros(picture.shape[:2], np.float32)
    matte[24:] = 1
    node = Vectorscope(angle=30.0)
    x, y = (int(v) for v in place(*ycbcr((0.1, 0.7, 0.1))[1:], 512))
    assert node.process(picture)[y, x].max() > 0.7
    assert node.process(picture, matte)[y, x].max() < 0.2


def test_brightness_lifts_the_faint_part(make_picture):
    picture = make_picture(120, 160)
    means = [Vectorscope(brightness=b).process(picture).mean() for b in (0.2, 1.0, 5.0)]
    assert means[0] < means[1] < means[2]


# --- waveform -----------------------------------------------------------------------------------------------


def ramp(width=900, height=20):
    row = np.linspace(0, 1, width, dtype=np.float32)
    return np.ascontiguousarray(np.broadcast_to(row[None, :, None], (height, width, 3)))


@pytest.mark.parametrize("size", [(768, 432), (1920, 1080), (256, 192)])
def test_a_ramp_is_a_diagonal(size):
    """The brightest row of every column against the straight line from 0 % to 100 %, within a pixel."""
    width, height = size
    node = Waveform(width=width, height=height)
    (panel,) = scopes._panels(width, height, 1).boxes
    trace = (node.process(ramp()) - node.process(np.full((4, 900, 3), np.nan, np.float32))).sum(axis=2)
    inner = trace[panel.top : panel.top + panel.height, panel.left : panel.left + panel.width]
    columns = np.arange(6, panel.width - 6)
    columns = columns[(columns % (panel.width // 4)) > 4]  # clear of the lines at 0, 25, 50, 75 and 100 %
    weight = np.clip(inner[:, columns], 0, None) ** 2
    rows = (weight * (np.arange(panel.height)[:, None] + 0.5)).sum(axis=0) / weight.sum(axis=0)
    levels = (columns + 0.5) / panel.width
    expected = (scopes._HIGH - levels) / (scopes._HIGH - scopes._LOW) * panel.height
    assert abs(rows - expected).max() < 1


@pytest.mark.parametrize(("level", "value"), [(0.0, "0 %"), (1.0, "100 %")])
def test_black_and_white_rest_on_their_lines(level, value):
    panels = scopes._panels(768, 432, 1)
    (panel,) = panels.boxes
    rest = Waveform().process(np.full((4, 900, 3), np.nan, np.float32))
    near = slice(round(panel.down(level)) - 6, round(panel.down(level)) + 7)
    line = near.start + rest[near, 400].min(axis=1).argmax() + 0.5
    assert line == pytest.approx(panel.down(level), abs=1), value
    trace = np.clip(Waveform().process(np.full((4, 900, 3), level, np.float32)) - rest, 0, 1)[near, 400].sum(axis=1)
    middle = (trace * (np.arange(near.start, near.stop) + 0.5)).sum() / trace.sum()
    assert middle == pytest.approx(panel.down(level), abs=1), value


def test_limits_are_those_of_the_standards():
    """EBU R 103 version 2.0: ± 5 % of the range, 8-bit codes 5 and 246. BT.709-6: 10-bit codes 4 and 1019."""
    low, high = scopes.TOLERANCE
    assert (round(16 + 219 * low), round(235 + 219 * (high - 1))) == (5, 246)
    assert pytest.approx((-0.0685, 1.0902), abs=1e-4) == scopes.CODES_END


def test_parade_and_overlay_show_the_three_signals():
    picture = flat((0.8, 0.5, 0.2), 40, 600)
    rest = np.full_like(picture, np.nan)
    node = Waveform(view="parade")
    trace = np.clip(node.process(picture) - node.process(rest), 0, 1).sum(axis=2)
    for level, panel in zip((0.8, 0.5, 0.2), scopes._panels(768, 432, 3).boxes, strict=True):
        rows = trace[:, panel.left : panel.left + panel.width].mean(axis=1)
        assert rows.argmax() + 0.5 == pytest.approx(panel.down(level), abs=1.5)
    node = Waveform(view="overlay")
    trace = np.clip(node.process(picture) - node.process(rest), 0, 1)
    (panel,) = scopes._panels(768, 432, 1).boxes
    for channel, level in enumerate((0.8, 0.5, 0.2)):
        at = trace[int(panel.down(level)) - 2 : int(panel.down(level)) + 3, panel.left : panel.left + panel.width]
        assert at.mean(axis=(0, 1)).argmax() == channel


def test_keyed_waveform_ignores_the_rest_and_points_at_the_middle():
    picture = np.concatenate([flat((0.9, 0.9, 0.9), 30, 600), flat((0.4, 0.4, 0.4), 30, 600)])
    matte = np.zeros(picture.shape[:2], np.float32)
    matte[30:] = 1
    scope = Waveform().process(picture, matte)
    (panel,) = scopes._panels(768, 432, 1).boxes
    column = panel.left + panel.width // 2
    assert scope[int(panel.down(0.4)), column].max() > 0.8
    assert scope[int(panel.down(0.9)), column].max() < 0.2
    assert measure.luma_percentiles(picture, matte, (50,))[0] == pytest.approx(0.4, abs=1e-3)
    assert scope[int(panel.down(0.4)), panel.left + panel.width + 3].min() > 0.8


# --- both ---------------------------------------------------------------------------------------------------

NODES = [
    Vectorscope(),
    Vectorscope(256, zoom="4", bias=-2),
    Waveform(),
    Waveform("parade", 256, 192),
    Waveform("overlay"),
]


@pytest.mark.parametrize(
    "node", NODES, ids=lambda n: f"{n.name}-{n.config()['params'].get('view', n.config()['params'].get('zoom'))}"
)
class TestEveryScope:
    def test_round_trip(self, node):
        assert type(node).from_config(json.loads(json.dumps(node.config()))) == node

    def test_same_bits_in_any_run_and_for_any_threads(self, node, make_picture, same_bits):
        picture = make_picture(200, 120)
        matte = make_picture(200, 120, seed=9)[..., 0].clip(0, 1)
        first = node.process(picture, matte)
        for count in (1, 2, 3):
            with strips.threads(count):
                same_bits(first, node.process(picture, matte))

    def test_inputs_stay_as_they_were(self, node, make_picture):
        picture, matte = make_picture(40, 50), make_picture(40, 50)[..., 1].clip(0, 1)
        before, before_matte = picture.copy(), matte.copy()
        node.process(picture, matte)
        np.testing.assert_array_equal(picture, before)
        np.testing.assert_array_equal(matte, before_matte)

    def test_channels_follow_the_picture(self, node, make_picture, same_bits):
        picture = make_picture(40, 50, 4)
        shown = node.process(picture)
        assert shown.shape[2] == 4
        np.testing.assert_allclose(shown[..., 3], 1, atol=1e-6)
        same_bits(np.ascontiguousarray(shown[..., :3]), node.process(np.ascontiguousarray(picture[..., :3])))

    @pytest.mark.parametrize("shape", [(1, 1), (1, 3), (5, 2), (2, 700)])
    def test_tiny_pictures(self, node, make_picture, shape):
        shown = node.process(make_picture(*shape))
        assert np.isfinite(shown).all()
        assert shown.min() >= 0
        assert shown.max() <= 1

    def test_empty_mattes_and_bad_pixels(self, node, make_picture):
        picture = make_picture(40, 50)
        empty = np.zeros((40, 50), np.float32)
        assert np.isfinite(node.process(picture, empty)).all()
        picture[3:30] = np.nan
        picture[31, 4] = np.inf
        assert np.isfinite(node.process(picture)).all()
        assert np.isfinite(node.process(picture, np.full((40, 50), np.nan, np.float32))).all()
        assert np.isfinite(node.process(np.full_like(picture, np.nan), empty + 1)).all()

    def test_wrong_arrays_are_named(self, node, make_picture):
        with pytest.raises(PictureError, match="matte is 9×9 pixels but its picture is 50×40"):
            node.process(make_picture(40, 50), np.ones((9, 9), np.float32))
        with pytest.raises(PictureError, match="picture must have the shape"):
            node.process(np.ones((9, 9), np.float32))


def test_declarations():
    assert (Vectorscope.name, Vectorscope.label, Vectorscope.group) == ("vectorscope", "Vectorscope", "compare")
    assert (Waveform.name, Waveform.group) == ("waveform", "compare")
    for node in (Vectorscope, Waveform):
        assert {name: (p.kind, p.optional) for name, p in node.inputs().items()} == {
            "image": ("picture", False),
            "matte": ("matte", True),
        }
        assert node.output().kind == "picture"
    with pytest.raises(ParamError, match="256 to 2160 pixels"):
        Vectorscope(size=100)
    assert Vectorscope().process(flat(SKIN)).shape == (512, 512, 3)
    assert Waveform().process(flat(SKIN)).shape == (432, 768, 3)
