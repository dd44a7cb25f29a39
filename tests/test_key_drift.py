"""A key goes along with the light of its clip, by what the known faces show; at rest it is the key that was learned."""

from __future__ import annotations

import cmath
import dataclasses
import math
from collections.abc import Callable

import numpy as np
import pytest
import skimage.data
from inkarnat.host_adapters.detect import faces as detector
from inkarnat.host_adapters.graphs.errors import GraphError
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.keyframes import Keyframes
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.graphs.standard import keyed_step, without_faces
from inkarnat.host_adapters.shots.face_tracks import FaceTrack
from inkarnat.host_adapters.shots.faces import with_own_faces
from inkarnat.host_adapters.shots.key_drift import follow_light
from inkarnat.host_adapters.shots.marks import MarkedPicture
from inkarnat.host_adapters.shots.solving import SolveOptions, SubjectMarks, solve, solve_key
from inkarnat.kernels.colour import rgb_to_ycbcr, ycbcr_matrix
from inkarnat.nodes import CorrectionOptions, FaceMatte, JoinFaces, Sample, SkinKey, learn_skin_key

needs_detector = pytest.mark.skipif(not detector.available(), reason="OpenCV is not installed")


def changed(picture: np.ndarray, change: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> np.ndarray:
    """The picture with its Cb + i Cr changed beside its luma, which stays."""
    planes = rgb_to_ycbcr(picture).astype(np.float64)
    chroma = change(planes[..., 1] + 1j * planes[..., 2], planes[..., 0])
    planes[..., 1], planes[..., 2] = chroma.real, chroma.imag
    return np.ascontiguousarray(planes @ np.linalg.inv(ycbcr_matrix()).T, np.float32)


def patches_of_skin() -> np.ndarray:
    """Six rows of one skin, of which each is more or less pale, in eight hues."""
    skin = np.full((1, 1, 3), (0.62, 0.46, 0.38), np.float32)
    factors = [
        [cmath.rect(chroma, math.radians(hue)) for hue in range(-28, 29, 8)] for chroma in (1, 0.5, 0.7, 1.2, 1.4, 1.6)
    ]
    patches = [[changed(skin, lambda colour, _, f=f: colour * f)[0, 0] for f in row] for row in factors]
    return np.ascontiguousarray(np.kron(patches, np.ones((12, 12, 1))), np.float32)


@pytest.mark.parametrize(("blue", "red"), [(0.03, -0.02), (-0.05, 0.02), (0.0, 0.05)])
def test_a_key_that_goes_along_keys_a_picture_in_other_light_as_the_first(blue, red):
    """By the definition of the ratio plane, Cb and Cr over Y′ + .02."""
    picture = patches_of_skin()
    moved = changed(picture, lambda colour, luma: colour + complex(blue, red) * (luma + 0.02))
    for key in (SkinKey(), learn_skin_key(picture, [Sample.box(0.4, 0.02, 0.6, 0.12)])):
        plain = key.process(picture)
        along = dataclasses.replace(key, blue_drift=blue, red_drift=red)
        assert np.abs(along.process(moved) - plain).max() < 5e-3
        assert np.abs(key.process(moved) - plain).max() > 0.1
        assert np.array_equal(dataclasses.replace(key, blue_drift=0.0).process(picture), plain)


def test_gains_move_pale_and_strong_skin_alike():
    """What a key follows is one move; a turn and a factor that fit skin of one chroma would miss the other."""
    picture = patches_of_skin()
    gained = np.ascontiguousarray(picture * np.array((1.06, 1, 0.92), np.float32))
    before, after = (
        (planes[..., 1] + 1j * planes[..., 2]) / (planes[..., 0] + 0.02)
        for planes in (rgb_to_ycbcr(each).astype(np.float64)[6::12, 6::12] for each in (picture, gained))
    )
    moves, factors = after - before, after / before
    assert np.abs(moves - moves[0, 4]).max() < 0.3 * abs(moves[0, 4])
    assert np.abs((factors - factors[0, 4]) * before).max() > 0.7 * abs(moves[0, 4])


# --- what faces tell ----------------------------------------------------------------------------------------

HERE = np.array([(0.4, 0.4), (0.5, 0.4), (0.45, 0.5), (0.41, 0.6), (0.49, 0.6)])
SKIN = cmath.rect(0.2, math.radians(125))


def track(colours: dict[int, complex], **ends: bool) -> FaceTrack:
    return FaceTrack(dict.fromkeys(range(min(colours), max(colours) + 1), HERE), colours, **ends)


def chain(*keyed: float) -> Graph:
    """A key with some faces, each keyed so far."""
    steps = [Step.of("skin", SkinKey(), image="plate")]
    for number, each in enumerate(keyed, start=1):
        told = {"faces": f"face{number - 1}"} if number > 1 else {}
        steps.append(Step.of(f"face{number}", FaceMatte(keyed=each), image="plate", **told))
    steps.append(Step.of("join", JoinFaces(), matte="skin", faces=f"face{len(keyed)}", image="plate"))
    return Graph.of(*steps, matte="join")


def drift(graph: Graph, at: int) -> tuple[float, float]:
    node = graph.by_id["skin"].node_at(at)
    return node.blue_drift, node.red_drift


def light(at: int) -> complex:
    """Goes a little bluer and less red with every frame."""
    return SKIN + complex(0.002, -0.001) * (at - 10)


def test_the_key_follows_what_the_face_shows_and_rests_where_it_was_learned():
    frames = range(1, 31)
    face = track({at: light(at) for at in frames}, opens=True, closes=True)
    graph = follow_light(chain(1.0), [face], 10, {"skin"}, frames)
    assert drift(graph, 10) == (0.0, 0.0)
    for at in (3, 17, 28):
        assert drift(graph, at) == pytest.approx((0.002 * (at - 10), -0.001 * (at - 10)), abs=1e-3)
    assert len(dict(graph.by_id["skin"].keyed)["blue_drift"].pairs) < 12, "straight lines need few keyframes"
    again = Graph.from_dict(graph.to_dict())
    assert drift(again, 17) == drift(graph, 17)


def test_something_before_the_face_moves_the_key_little_and_another_shot_not_at_all():
    frames = range(1, 41)
    shown = {at: light(at) if at != 17 else light(at) * cmath.rect(1.5, math.radians(40)) for at in range(1, 31)}
    graph = follow_light(chain(1.0), [track(shown, opens=True, closes=True)], 10, {"skin"}, frames)
    assert drift(graph, 17) == pytest.approx((0.014, -0.007), abs=0.012)
    assert drift(graph, 31) == drift(graph, 40) == (0.0, 0.0), "behind the cut"


@pytest.mark.parametrize(
    ("keyed", "learned", "keys"), [(0.0, 10, {"skin"}), (1.0, 35, {"skin"}), (1.0, 10, set()), (1.0, 10, {"skin-Ada"})]
)
def test_a_face_that_is_not_keyed_or_not_on_the_frame_of_the_key_tells_nothing(keyed, learned, keys):
    graph = chain(keyed)
    face = track({at: light(at) for at in range(1, 31)})
    assert follow_light(graph, [face], learned, keys, range(1, 41)) == graph


def test_a_head_that_turns_in_steady_light_moves_no_key():
    shown = {at: SKIN * cmath.rect(1 + 0.05 * math.sin(at), math.radians(0.9 * math.cos(at))) for at in range(1, 31)}
    shown[10] = SKIN
    graph = chain(1.0)
    assert follow_light(graph, [track(shown)], 10, {"skin"}, range(1, 31)) == graph


# --- through a clip -----------------------------------------------------------------------------------------


class Clip:
    """A person whom a test dependency ships, while the white balance wanders to blue."""

    path, frames, missing = "a clip", range(1, 10), ()

    def read(self, frame: int) -> np.ndarray:
        plain = skimage.data.astronaut()[::2, ::2].astype(np.float32) / np.float32(255)
        return np.ascontiguousarray(plain * np.array((0.93, 1, 1.08), np.float32) ** ((frame - 1) / 8), np.float32)


@needs_detector
def test_a_wandering_white_balance_leaves_the_matte_of_a_person_as_it_is():
    clip = Clip()
    options = SolveOptions((SubjectMarks(),), frame=1, through=True, wanted=CorrectionOptions(), natural_range=False)
    graph = solve(clip, options).graph
    step = graph.by_id["skin"]
    assert {name for name, _ in step.keyed} == {"blue_drift", "red_drift"}
    assert drift(graph, 1) == (0.0, 0.0)
    blue, red = drift(graph, 9)
    assert blue > 0.02 > 0 > red

    def shared(graph: Graph) -> float:
        """How much of the first frame's matte and of the last one's is the same."""
        first, last = (Runner(graph).run_frame(at, lambda _, k: clip.read(k), ("matte",), {})["matte"] for at in (1, 9))
        return float(np.minimum(first, last).sum() / np.maximum(first, last).sum())

    still = graph.with_step(
        dataclasses.replace(step, node=dataclasses.replace(step.node, blue_drift=0, red_drift=0), keyed=())
    )
    assert shared(graph) > 0.95
    assert shared(still) < 0.9
    for other in (without_faces(graph), with_own_faces(graph, clip)):
        assert not other.by_id["skin"].keyed, "that light was the first clip's"
        assert drift(other, 9) == (0.0, 0.0)


@needs_detector
def test_a_key_that_is_taught_anew_counts_from_its_new_frame():
    node = SkinKey(blue_drift=0.04, red_drift=-0.02)
    step = keyed_step(Step.of("skin", node, image="plate"), (("blue_drift", Keyframes(((1, 0.04), (2, 0.05)))),))
    graph = Graph.of(step, matte="skin")
    marked = [MarkedPicture(1, (Sample.point(0.43, 0.25),))]
    key, _ = solve_key(graph, lambda graph, origin, frame: Clip().read(frame), "skin", marked)
    assert (key.blue_drift, key.red_drift) == (0.0, 0.0)


@pytest.mark.parametrize("over_time", [False, True])
def test_a_graph_whose_key_turned_along_goes_on_near_what_it_did(over_time):
    """A turn of the key's own colour by 4 degrees and .9 of its chroma: that colour is where it was."""
    params = {"hue_drift": 4.0, "chroma_drift": 0.9}
    if over_time:
        params = {"hue_drift": {"keyframes": [[1, 0.0], [9, 4.0]]}, "chroma_drift": {"keyframes": [[5, 1.0], [9, 0.9]]}}
    entry = {"id": "skin", "node": "skin_key", "version": 2, "inputs": {"image": "plate"}, "params": params}
    data = {"inkarnat": 2, "sources": ["plate"], "nodes": [entry], "outputs": {"matte": "skin"}}
    graph = Graph.from_dict(data)
    node = graph.by_id["skin"].node_at(9)
    centre = complex(*SkinKey().learned.centre)
    expected = centre * cmath.rect(0.9, math.radians(4)) - centre
    assert complex(node.blue_drift, node.red_drift) == pytest.approx(expected, abs=1e-5)
    assert Graph.from_dict(graph.to_dict()) == graph
    with pytest.raises(GraphError, match="cannot be upgraded"):
        Graph.from_dict({**data, "nodes": [{**entry, "params": {"hue_drift": "far"}}]})
