"""Faces: nodes that tell from five landmarks where a face is, and lay that over a matte."""

from __future__ import annotations

from dataclasses import dataclass

from ..kernels import join
from ..kernels.arrays import Floats, checked, placed
from ..kernels.face import grid_shape, radius_at
from ..kernels.skin import ON_A_FACE
from .declare import Matte, Node, Picture, number, point
from .declare import points as places


@dataclass(frozen=True)
class FaceMatte(Node):
    """What a face tells about the matte of its picture: how much of it is skin, and what beside it is not.

    The face is drawn by its five landmarks and cut out of what lies round it by place, colour and texture, seen in this
    frame alone. The result is one plane: half says nothing, above half lies what is keyed at least (1 wholly), below
    half what is keyed at most (0 not at all). Several faces follow one another by the port ``faces``; ``join_faces``
    lays all of them over a matte. Landmarks that give no face, or lie outside the frame, say nothing. NaN and
    infinite pixels count as black.
    """

    name = "face_matte"
    label = "Face"
    group = "matte"

    left_eye: tuple[float, float] = point((0.45, 0.4), "The pupil on the left of the picture.")
    right_eye: tuple[float, float] = point((0.55, 0.4), "The pupil on the right of the picture.")
    nose: tuple[float, float] = point((0.5, 0.5), "The tip of the nose.")
    left_mouth: tuple[float, float] = point((0.46, 0.6), "The corner of the mouth on the left of the picture.")
    right_mouth: tuple[float, float] = point((0.54, 0.6), "The corner of the mouth on the right of the picture.")
    presence: float = number(1.0, 0, 1, "How far the face counts; 0 where it is not there.")
    keyed: float = number(
        1.0, 0, 1, "How far the face itself is keyed at least; at 0 it only holds off what lies beside it."
    )

    @property
    def landmarks(self) -> tuple[tuple[float, float], ...]:
        """The five landmarks in order."""
        return self.left_eye, self.right_eye, self.nose, self.left_mouth, self.right_mouth

    def holds(self, x: float, y: float, frame: tuple[int, int]) -> bool:
        """Tell whether a mark at a place, normalised, means this face in a frame of so many rows and columns."""
        return radius_at(self.landmarks, grid_shape(*frame), (x, y)) < ON_A_FACE

    def process(self, image: Picture, faces: Matte | None = None, *, out: Floats | None = None) -> Matte:
        """Return what this face tells, joined with what the ``faces`` before it told."""
        out = checked(out, image.shape[:2], image, *([] if faces is None else [faces]))
        return placed(join.face_evidence(image, self.landmarks, self.presence, self.keyed, faces), out)


@dataclass(frozen=True)
class JoinFaces(Node):
    """A matte joined with what faces tell: filled inside each face, closed beside it, freed of what is no skin.

    What has more texture than the skin loses, and so do loose pieces that hold no face and no mark, the smaller and
    the less sure, the more. Where no face is known the matte stays as it is, limited to 0…1. NaN counts as 0. Raises
    PictureError where the sizes differ.
    """

    name = "join_faces"
    label = "Join faces"
    group = "matte"

    texture: float = number(
        -6.5,
        -9,
        1,
        "Texture of the skin itself: the base-2 logarithm of its fine steps of luma in stops.",
        shown=(-8, -1),
    )
    keep: tuple[tuple[float, float], ...] = places((), "Places on skin: what is keyed there stays.")
    keep_out: tuple[tuple[float, float], ...] = places((), "Places on what is no skin: no face fills them.")

    def process(self, matte: Matte, faces: Matte, image: Picture, *, out: Floats | None = None) -> Matte:
        """Return the matte joined with what all ``faces`` tell about the picture."""
        out = checked(out, image.shape[:2], matte, faces, image)
        return placed(join.join_faces(matte, faces, image, self.texture, self.keep, self.keep_out), out)
