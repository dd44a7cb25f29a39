"""Faces through a clip: followed between looks, faded in and out, never across a cut."""

from __future__ import annotations

import numpy as np
import pytest
import skimage.data
from inkarnat.host_adapters.detect.faces import Face
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.standard import keyed_step, without_faces
from inkarnat.host_adapters.shots.face_tracks import EVERY, FADE, FaceTrack, follow_faces
from inkarnat.nodes import FaceMatte, JoinFaces, SkinKey

pytest.importorskip("cv2")

POINTS = np.array([(203, 101), (247, 103), (223, 124), (203, 140), (242, 142)], np.float64)
"""Landmarks of the astronaut that scikit-image ships, in pixels, read off the picture by hand."""
WIDTH, HEIGHT = 320, 240


def window(frame: int) -> tuple[int, int]:
    """Left and top of what a camera sees of the picture that it pans over."""
    return 40 + 3 * frame, 20 + 2 * frame


def pan(frame: int) -> np.ndarray:
    left, top = window(frame)
    return skimage.data.astronaut()[top : top + HEIGHT, left : left + WIDTH].astype(np.float32) / np.float32(255)


def landmarks(frame: int) -> np.ndarray:
    return (POINTS - window(frame) + 0.5) / (WIDTH, HEIGHT)


class Detector:
    """Finds the one face at its place, on the pictures that it is shown in order of the looks."""

    def __init__(self, frames, blind=()):
        self.known = {pan(frame)[::7, ::7].tobytes(): frame for frame in frames if frame not in blind}
        self.looks = []

    def __call__(self, picture):
        frame = self.known.get(picture[::7, ::7].tobytes())
        if frame is None:
            return ()
        self.looks.append(frame)
        points = landmarks(frame)
        return (Face((0.1, 0.1, 0.9, 0.9), 0.9, tuple(map(tuple, points))),)


def test_a_face_is_followed_between_looks():
    frames = range(1, 27)
    detector = Detector(frames)
    (track,) = follow_faces(pan, frames, detector)
    assert track.frames == list(frames)
    assert detector.looks == [*range(1, 27, EVERY), 26]
    for frame in frames:
        assert np.abs(track.places[frame] - landmarks(frame)).max() < 0.004
    assert set(track.presence().values()) == {1.0}  # the shot begins and ends with it


def test_a_large_picture_with_bad_pixels_is_followed_as_a_small_one():
    """720 lines, which are reduced before the flow; what is not finite stays where it is."""
    frames, seen = range(1, 18), []

    def read(frame: int) -> np.ndarray:
        seen.append(frame)
        picture = np.repeat(np.repeat(pan(frame), 3, axis=0), 3, axis=1)
        picture[30:36, 30:36], picture[60:66, 30:36], picture[90:96, 30:36] = np.nan, np.inf, -np.inf
        return picture

    detector = Detector(frames)
    (track,) = follow_faces(read, frames, lambda picture: detector(pan(seen[-1])))
    assert track.frames == list(frames)
    for frame in frames:
        assert np.abs(track.places[frame] - landmarks(frame)).max() < 0.004


def test_a_face_that_is_seen_late_is_followed_back_and_one_that_is_not_seen_goes_on():
    frames = range(1, 27)
    (track,) = follow_faces(pan, frames, Detector(frames, blind=(1, 17)))
    assert track.frames == list(frames)
    assert np.abs(track.places[1] - landmarks(1)).max() < 0.01
    assert np.abs(track.places[17] - landmarks(17)).max() < 0.01


def test_a_face_fades_in_and_out_inside_a_shot():
    track = FaceTrack({frame: landmarks(frame) for frame in range(10, 40)})
    there = track.presence()
    rising = [there[frame] for frame in range(10, 10 + FADE)]
    assert rising == pytest.approx([(k + 1) / (FADE + 1) for k in range(FADE)], abs=1e-4)
    assert there[25] == 1.0
    keyframes = dict(track.keyed(1, 60))["presence"]
    assert [keyframes.value_at(frame) for frame in (1, 9, 25, 40, 60)] == [0, 0, 1, 0, 0]
    assert max(abs(keyframes.value_at(f + 1) - keyframes.value_at(f)) for f in range(1, 60)) < 1.01 / (FADE + 1)


def test_nothing_goes_across_a_cut():
    """The picture is another one from frame 13 on, in which the face lies elsewhere."""

    def read(frame):
        return pan(frame) if frame < 13 else np.ascontiguousarray(1 - pan(frame)[:, ::-1])

    def find(picture):
        for frame in range(1, 25):
            if np.array_equal(picture, read(frame)):
                points = landmarks(frame)
                points = points if frame < 13 else (points * (-1, 1) + (1, 0))[[1, 0, 2, 4, 3]]
                return (Face((0.1, 0.1, 0.9, 0.9), 0.9, tuple(map(tuple, points))),)
        return ()

    tracks = sorted(follow_faces(read, range(1, 25), find), key=lambda track: track.frames[0])
    assert [(track.frames[0], track.frames[-1]) for track in tracks] == [(1, 12), (13, 24)]
    first, second = (dict(track.keyed(1, 24))["presence"] for track in tracks)
    assert [first.value_at(frame) for frame in (11, 12, 13)] == [1, 1, 0]
    assert [second.value_at(frame) for frame in (12, 13, 14)] == [0, 1, 1]


def test_the_same_clip_gives_the_same_tracks():
    frames = range(1, 18)
    one, other = (follow_faces(pan, frames, Detector(frames))[0].keyed(1, 17) for _ in range(2))
    assert one == other


def test_a_graph_without_its_faces_reads_the_key_as_it_is():
    track = FaceTrack({frame: landmarks(frame) for frame in (1, 2)}, opens=True, closes=True)
    graph = Graph.of(
        Step.of("skin", SkinKey(), image="plate"),
        keyed_step(Step.of("face1", track.at(1), image="plate"), track.keyed(1, 2)),
        Step.of("face2", FaceMatte(), image="plate", faces="face1"),
        Step.of("join", JoinFaces(), matte="skin", faces="face2", image="plate"),
        matte="join",
    )
    assert Graph.from_dict(graph.to_dict()) == graph
    plain = without_faces(graph)
    assert [step.id for step in plain.steps] == ["skin"]
    assert dict(plain.outputs) == {"matte": "skin"}
