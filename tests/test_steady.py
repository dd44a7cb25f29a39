"""Steady matte: against a slow oracle, flicker taken out, moving edges left where they are, in the runner too."""

from __future__ import annotations

import numpy as np
import pytest
import references
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.runner import Runner, render
from inkarnat.kernels import region, strips
from inkarnat.kernels.errors import PictureError, ValueRangeError
from inkarnat.kernels.steady import steady
from inkarnat.nodes import RangeKey, SteadyMatte

TOLERANCE, DECAY = 0.03, 0.1
SKIN, WALL = np.float32([0.62, 0.45, 0.36]), np.float32([0.30, 0.33, 0.36])


def oracle(mattes, guides, tolerance=TOLERANCE, decay=DECAY):
    """Pixel by pixel in float64: weights from the mean signed difference of 3×3, then the middle of the mass."""
    middle = len(mattes) // 2
    height, width = mattes[0].shape
    out = np.empty((height, width))
    padded = [np.pad(g[..., :3].astype(np.float64), ((1, 1), (1, 1), (0, 0)), mode="edge") for g in guides]
    for y in range(height):
        for x in range(width):
            pairs = []
            rows = slice(y + (y == 0), y + 3 - (y == height - 1))  # rows beyond the frame are left out
            for k, matte in enumerate(mattes):
                apart = (padded[middle][rows, x : x + 3] - padded[k][rows, x : x + 3]).sum(axis=(0, 1)) / 9
                luma, cb, cr = references.ycbcr(apart)
                mass = np.clip(2 - np.sqrt(luma**2 + 4 * (cb**2 + cr**2)) / tolerance, 0, 1)
                pairs.append((float(matte[y, x]), float(mass) * (1 - decay) ** abs(k - middle)))
            pairs.sort()
            total, run, result = sum(mass for _, mass in pairs), 0.0, 0.0
            for value, mass in pairs:
                part = min(run + mass, 0.65 * total) - max(run, 0.35 * total)
                result += max(part, 0) * value
                run += mass
            out[y, x] = result / (0.3 * total)
    return out


def scene(frame, speed=0.0, noise=0.02, size=(96, 128), soft=0.04):
    """A skin-coloured disc before a wall, moved by ``speed`` pixels a frame: the picture and the true matte."""
    random = np.random.default_rng(1000 + frame)
    width = size[1]
    true = region.ellipse(size, (0.4 + speed * frame / width, 0.5), (0.55, 0.55), 0, soft)
    picture = WALL + true[..., None] * (SKIN - WALL)
    return (picture + random.normal(0, noise, (*size, 3))).astype(np.float32), true


def flickering(true, frame, strength=0.15):
    """The true matte as a key gives it on grainy footage: it wavers, and a few pixels drop out."""
    random = np.random.default_rng(frame)
    wavering = true + strength * random.normal(0, 1, true.shape) * (true > 0)
    dropped = random.random(true.shape) < 0.03
    return np.where(dropped, 1 - true, np.clip(wavering, 0, 1)).astype(np.float32)


def window(count, **how):
    frames = range(-(count // 2), count // 2 + 1)
    scenes = [scene(frame, **how) for frame in frames]
    pictures, trues = zip(*scenes, strict=True)
    return tuple(flickering(true, 50 + k) for k, true in enumerate(trues)), pictures, trues[count // 2]


@pytest.mark.slice
@pytest.mark.parametrize("count", [1, 3, 5])
@pytest.mark.parametrize("channels", [3, 4])
def test_against_a_slow_oracle(count, channels):
    random = np.random.default_rng(4)
    mattes = [random.random((6, 9)).astype(np.float32) for _ in range(count)]
    guides = [(random.random((6, 9, channels)) * 0.15).astype(np.float32) for _ in range(count)]
    np.testing.assert_allclose(steady(mattes, guides), oracle(mattes, guides), atol=3e-6)


def test_flicker_is_taken_out_where_nothing_moves():
    """Grain σ .02. The plain median of five frames is the yardstick (common practice, no source)."""
    mattes, guides, true = window(5)
    before, after = (np.abs(m - true).mean() for m in (mattes[2], SteadyMatte().process(mattes, guides)))
    plain = np.abs(np.median(mattes, axis=0) - true).mean()
    assert after < 0.45 * before
    assert after < 1.3 * plain


def test_a_single_dropped_frame_vanishes():
    _, guides, true = window(5, noise=0.0)
    mattes = [true, true, np.zeros_like(true), true, true]
    assert np.abs(SteadyMatte().process(tuple(mattes), guides) - true).max() < 1e-6


@pytest.mark.parametrize("speed", [2, 4, 8])
def test_a_moving_edge_does_not_trail(speed):
    """Where the matte is right in every frame, steadying must not move it; a plain average smears it."""
    pictures, trues = zip(*(scene(frame, speed) for frame in range(-2, 3)), strict=True)
    result = SteadyMatte().process(trues, pictures)
    smeared = np.abs(np.mean(trues, axis=0) - trues[2]).mean()
    assert np.abs(result - trues[2]).mean() < 0.06 * smeared
    behind, ahead = result[:, :40] - trues[2][:, :40], result[:, 60:] - trues[2][:, 60:]
    assert abs(behind.mean()) < 1e-3
    assert abs(ahead.mean()) < 1e-3


def test_a_thing_that_passes_leaves_no_ghost():
    """A hand crosses the frame in one frame: without the picture a median would erase it or leave it behind."""
    still, matte = scene(0)[0], np.zeros((96, 128), np.float32)
    hand = region.box(matte.shape, (0.8, 0.5), (0.1, 0.8))
    with_hand = (still + hand[..., None] * (SKIN - still)).astype(np.float32)
    pictures = [still, with_hand, still]
    assert np.abs(steady([matte, hand, matte], pictures) - hand).max() < 0.03
    assert steady([hand, matte, hand], [with_hand, still, with_hand]).max() < 0.03


def test_where_all_agree_nothing_changes(matte, picture, same_bits):
    same_bits(steady([matte] * 5, [picture] * 5), matte)
    same_bits(SteadyMatte(frames=0).process(matte, picture), matte)
    same_bits(SteadyMatte().process(matte), matte)
    same_bits(SteadyMatte(decay=1).process(*window(5)[:2]), window(5)[0][2])


def test_bad_pixels_do_no_harm(same_bits):
    mattes, guides, _ = window(3)
    clean = steady(mattes, guides)
    for broken in (np.nan, np.inf, -np.inf):
        spoilt = [g.copy() for g in guides]
        spoilt[0][40, 60] = broken
        result = steady(mattes, spoilt)
        assert np.isfinite(result).all()
        result[39:42, 59:62] = clean[39:42, 59:62]
        same_bits(result, clean)
    gone = [m.copy() for m in mattes]
    gone[0][40, 60], gone[1][20, 20] = np.nan, np.nan
    result = steady(gone, guides)
    assert np.isfinite(result).all()
    assert 0 <= result[40, 60] <= 1


def test_the_same_bits_for_any_number_of_threads(same_bits):
    mattes, guides, _ = window(5, size=(200, 64))
    with strips.threads(1):
        one = steady(mattes, guides)
    with strips.threads(3):
        same_bits(steady(mattes, guides), one)
    same_bits(steady([m[:, ::-1] for m in mattes], [g[:, ::-1] for g in guides])[:, ::-1].copy(), one)


def test_what_cannot_be_used_is_named(matte, picture):
    with pytest.raises(PictureError, match="odd number of mattes, the one to steady in the middle, not 2"):
        steady([matte, matte])
    with pytest.raises(PictureError, match="a picture for every matte, not 1 for 3"):
        steady([matte] * 3, [picture])
    with pytest.raises(PictureError, match="but its picture is"):
        steady([matte], [picture[:5]])
    with pytest.raises(ValueRangeError, match="tolerance of steadying must be above 0"):
        steady([matte], tolerance=0)
    with pytest.raises(ValueRangeError, match="decay of steadying must be 0 to 1, not 2"):
        steady([matte], decay=2)


# --- in a graph ---------------------------------------------------------------------------------------------

GRAPH = Graph.of(
    Step.of("skin", RangeKey(), image="plate"),
    Step.of("steady", SteadyMatte(frames=2), matte="skin", guide="plate"),
    matte="steady",
)


class _Disc:
    frames = range(1, 8)

    def __init__(self):
        self.reads = []

    def read(self, frame):
        self.reads.append(frame)
        return scene(frame, speed=1)[0]


class _Kept:
    def __init__(self):
        self.pictures = {}

    def write(self, frame, picture):
        self.pictures[frame] = picture


def test_the_runner_brings_the_frames_that_it_declares(same_bits):
    assert SteadyMatte(frames=3).frames_needed() == (3, 3)
    clip, kept = _Disc(), _Kept()
    report = render(GRAPH, {"plate": clip}, {"matte": kept}, clip.frames)
    assert report.done == list(clip.frames)
    assert len(clip.reads) <= len(clip.frames) + 4, "only the ends are read again, beyond the clip"
    for frame in (1, 4, 7):
        held = [min(max(f, 1), 7) for f in range(frame - 2, frame + 3)]
        pictures = tuple(scene(f, speed=1)[0] for f in held)
        mattes = tuple(RangeKey().process(p) for p in pictures)
        same_bits(kept.pictures[frame], SteadyMatte(frames=2).process(mattes, pictures))


def test_a_single_frame_out_of_order_gives_the_same_bits(same_bits):
    clip, kept = _Disc(), _Kept()
    render(GRAPH, {"plate": clip}, {"matte": kept}, clip.frames)
    alone = Runner(GRAPH).run_frame(5, lambda source, frame: clip.read(min(max(frame, 1), 7)), ["matte"])
    same_bits(alone["matte"], kept.pictures[5])
