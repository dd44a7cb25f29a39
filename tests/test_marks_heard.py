"""What a person marks is a fact: skin in whatever light is keyed where it is marked, and what is none stays out."""

from __future__ import annotations

import dataclasses
import functools
import itertools

import cv2
import numpy as np
import pytest
from inkarnat.host_adapters.bench.scores import score_matte
from inkarnat.host_adapters.bench.shots import Shot, generated_shots
from inkarnat.kernels import learn, qualify
from inkarnat.nodes import JoinFaces, Sample, learn_skin_key
from test_likeness import SHADE, SKIN, WALL

WARM = (0.62, 0.48, 0.40)
OTHER_LIGHTS = {"blue": (0.16, 0.20, 0.44), "violet": (0.36, 0.20, 0.52), "red": (0.55, 0.10, 0.12)}


def in_two_lights(other: tuple[float, float, float]) -> np.ndarray:
    """A grey picture with skin of two halves, the right one in another light."""
    picture = np.full((90, 160, 3), 0.3, np.float32)
    picture[20:70, 40:80] = WARM
    picture[20:70, 80:120] = other
    return picture + np.random.default_rng(2).normal(0, 0.004, picture.shape).astype(np.float32)


@pytest.mark.parametrize("light", OTHER_LIGHTS)
def test_a_mark_in_another_light_keys_the_skin_there(light):
    """Without the mark that half is left out; with it both halves are keyed, and the grey round them is not."""
    picture = in_two_lights(OTHER_LIGHTS[light])
    first, second = Sample.point(0.37, 0.5), Sample.point(0.63, 0.5)
    alone = learn_skin_key(picture, [first]).process(picture)
    both = learn_skin_key(picture, [first, second]).process(picture)
    assert alone[25:65, 85:115].mean() < 0.2
    assert both[25:65, 45:75].mean() > 0.9
    assert both[25:65, 85:115].mean() > 0.9
    assert both[:15].mean() < 0.1


def placed(picture: np.ndarray, *samples: Sample) -> tuple[tuple[float, float], tuple[float, float], float]:
    """The samples' own colour, the centre by which the table lies, and how much wider it is."""
    covered = np.logical_or.reduce([sample.mask(*picture.shape[:2]) for sample in samples])
    frame = learn.reduce_frame(picture, covered, np.zeros_like(covered))
    colour = learn.sampled_colour(frame)
    assert colour is not None
    return colour, *learn._placed([frame], [frame.add], colour)


def test_the_table_widens_round_the_same_hue_until_every_mark_lies_in_it_and_no_sooner():
    picture = in_two_lights(OTHER_LIGHTS["violet"])
    near, far = Sample.stroke([(0.3, 0.4), (0.45, 0.6)], 0.05), Sample.point(0.63, 0.5)
    colour, centre, wider = placed(picture, near)
    assert (centre, wider) == (colour, 1.0)
    colour, centre, wider = placed(picture, near, far)
    assert wider > 1
    assert np.arctan2(*centre) == pytest.approx(np.arctan2(*colour))
    y, x = np.nonzero(far.mask(90, 160))
    luma = picture[y, x] @ (0.2126, 0.7152, 0.0722)  # ITU-R BT.709-6
    cb, cr = (picture[y, x, 2] - luma) / 1.8556, (picture[y, x, 0] - luma) / 1.5748
    for at, inside in ((colour, False), (centre, True)):
        along, across = qualify.axes(cb / (luma + 0.02), cr / (luma + 0.02), at)
        held = (along > -0.4) & (along < 2.8) & (abs(across) < 1.3)
        assert held.mean() > 0.85 if inside else held.mean() < 0.5


@pytest.mark.parametrize(("marked", "colour", "likely"), [("keep", WALL, 0.7), ("keep_out", SHADE, 0.35)])
def test_likeness_closes_no_mark_of_skin_and_opens_none_of_what_is_none(marked, colour, likely):
    """Beside a known face a strip that the key just opens and the colours round it would close, and the reverse."""
    picture = np.full((180, 240, 3), WALL, np.float32)
    picture[40:140, 60:120] = SKIN
    picture[60:120, 120:126] = colour
    picture += np.random.default_rng(3).normal(0, 0.01, picture.shape).astype(np.float32)
    told = np.full((180, 240), 0.5, np.float32)
    told[60:110, 70:110] = 1
    matte = np.zeros((180, 240), np.float32)
    matte[40:140, 60:120] = 1
    matte[60:120, 120:126] = likely
    node = JoinFaces(-2.0, likeness=1.0)
    heard = dataclasses.replace(node, **{marked: ((123 / 240, 0.5),)})
    free, held = (each.process(matte, told, picture)[88:92, 122:125].mean() for each in (node, heard))
    assert (free < 0.5 < held) if marked == "keep" else (held < 0.5 < free)


LAMPS = {"violet": (0.75, 0.45, 1.25), "teal": (0.45, 0.9, 0.95)}


def beside_a_lamp(shot: Shot, gains: tuple[float, float, float]) -> np.ndarray:
    """A portrait of which the right half of the skin stands in the light of a coloured lamp."""
    column = int(np.argwhere(shot.truth > 0.5)[:, 1].mean())
    part = np.clip((np.arange(shot.truth.shape[1]) - column) / 12, 0, 1)[None, :, None]
    return np.clip(shot.sampled * (1 + part * (np.array(gains) - 1)), 0, 1).astype(np.float32)


def inside(skin: np.ndarray) -> Sample:
    """A dab on what lies deepest inside."""
    deep = cv2.distanceTransform(skin.astype(np.uint8), cv2.DIST_L2, 5)
    y, x = np.unravel_index(int(deep.argmax()), deep.shape)
    return Sample.stroke([((x + 0.5) / skin.shape[1], (y + 0.5) / skin.shape[0])], 0.012)


@functools.cache
def portraits() -> list[Shot]:
    shots = generated_shots(range(931, 932), 640, 360, ("8-bit",))
    return [shot for shot in itertools.islice(shots, 5) if shot.depth in ("light", "brown")]


@pytest.mark.parametrize("lamp", LAMPS)
def test_every_mark_on_a_portrait_in_two_lights_is_keyed_and_brings_the_skin_in_its_light(lamp):
    """One half marked, then the other. Measured: F1 .50 to .58 from the first, .85 to .95 from both."""
    assert len(portraits()) == 2
    for shot in portraits():
        picture, columns = beside_a_lamp(shot, LAMPS[lamp]), np.arange(640)[None, :]
        skin = (shot.truth > 0.5) & ~shot.ignore
        column = int(np.argwhere(skin)[:, 1].mean())
        marks = [inside(skin & side) for side in (columns < column - 6, columns > column + 18)]
        f1 = []
        for count in (1, 2):
            matte = learn_skin_key(picture, marks[:count]).process(picture)
            f1.append(score_matte(matte, shot.truth, shot.ignore).f1)
            assert all(matte[mark.mask(360, 640)].mean() > 0.8 for mark in marks[:count]), (shot.name, count)
        assert f1[1] > max(f1[0] + 0.2, 0.8), shot.name
