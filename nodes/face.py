"""Faces: nodes that tell from five landmarks where a face is, and lay that over a matte."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from ..kernels import join
from ..kernels.arrays import Floats
from ..kernels.face import grid_shape, radius_at
from ..kernels.skin import ON_A_FACE
from ..kernels.strips import Unwritten
from .declare import LANDMARKS, PRESENCE, Handle, Matte, Node, Picture, number, point, toggle
from .declare import points as places
from .sample import Sample

Landmarks = tuple[tuple[float, float], ...]
_DIRECTIONS, _HALVINGS = 32, 16


@functools.lru_cache(maxsize=64)
def face_outline(landmarks: Landmarks, aspect: float, turns: bool = True) -> Landmarks:
    """Return the outline of the face that is drawn by five landmarks: a closed run of normalised points.

    :param aspect: width of the frame in frame heights. :param turns: it turns aside with the head.
    :returns: empty for landmarks that give no face.
    """
    shape = grid_shape(1000, round(1000 * aspect))
    nose = landmarks[2]
    inside = radius_at(landmarks, shape, nose, turns)
    if not inside < 1:
        return ()
    outline = []
    for k in range(_DIRECTIONS):
        across, down = math.cos(2 * math.pi * k / _DIRECTIONS) / aspect, math.sin(2 * math.pi * k / _DIRECTIONS)
        near, far = 0.0, 8 * max(math.dist(landmarks[0], landmarks[1]), 0.01) * max(aspect, 1.0)
        for _ in range(_HALVINGS):
            middle = (near + far) / 2
            is_inside = radius_at(landmarks, shape, (nose[0] + middle * across, nose[1] + middle * down), turns) < 1
            near, far = (middle, far) if is_inside else (near, middle)
        outline.append((nose[0] + near * across, nose[1] + near * down))
    return tuple(outline)


def face_handles(
    slot: Mapping[str, str], landmarks: Landmarks, aspect: float, label: str = "", turns: bool = True
) -> tuple[Handle, ...]:
    """Return what moves a face on the picture: each landmark, and above its outline one that moves all of them.

    :param slot: as in :meth:`Node.face_slots`.
    """
    names = [slot[word] for word in LANDMARKS]
    own = [Handle(at, lambda x, y, n=n: {n: (x, y)}) for n, at in zip(names, landmarks, strict=True)]  # type: ignore[misc]
    outline = face_outline(landmarks, aspect, turns)
    if not outline:
        return tuple(own)
    top = min(outline, key=lambda place: place[1])

    def moved(x: float, y: float) -> Mapping[str, tuple[float, float]]:
        dx, dy = x - top[0], y - top[1]
        return {n: (a + dx, b + dy) for n, (a, b) in zip(names, landmarks, strict=True)}

    return (*own, Handle(top, moved, label))


@dataclass(frozen=True)
class FaceMatte1(Node):
    """What a face tells about the matte of its picture, drawn as seen from the front.

    For projects that hosts saved with it. New work takes the effect of the same name and the next major version, whose
    outline turns with the head. NaN and infinite pixels count as black.

    >>> import numpy as np
    >>> picture = np.full((90, 160, 3), (0.62, 0.48, 0.40), np.float32)
    >>> FaceMatte1((0.45, 0.4), (0.55, 0.4), (0.5, 0.5), (0.46, 0.6), (0.54, 0.6)).process(picture).shape
    (90, 160)
    """

    name = "face_matte"
    label = "Face (from the front)"
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

    @classmethod
    def face_slots(cls) -> Sequence[Mapping[str, str]]:
        """Return the one face."""
        return (MappingProxyType({word: word for word in (*LANDMARKS, PRESENCE)}),)

    def outlines(self, aspect: float) -> Sequence[Landmarks]:
        """Return the outline of the face, where it counts."""
        outline = face_outline(self.landmarks, aspect, self._turns()) if self.presence > 0 else ()
        return (outline,) if outline else ()

    def handles(self, aspect: float) -> Sequence[Handle]:
        """Return the landmarks, and what moves all of them."""
        if self.presence <= 0:
            return ()
        return face_handles(self.face_slots()[0], self.landmarks, aspect, turns=self._turns())

    def sample(self, aspect: float) -> Sample:
        """Return the sample of the face in a frame so many times as wide as high: the box round brow, chin and cheeks.

        Of a head that lies or hangs, the box round the oval that brow, chin and cheeks make. Raises SampleError for
        landmarks that lie outside the frame.
        """
        (x0, y0), (x1, y1) = self.left_eye, self.right_eye
        pupils = math.hypot((x1 - x0) * aspect, y1 - y0)
        (x, y), (mx, my) = ((x0 + x1) / 2, (y0 + y1) / 2), self.mouth
        if abs(mx - x) * aspect > my - y:
            return self._lying_sample(aspect, pupils)
        down = max(my - y, pupils * 0.6)
        wide = 1.05 * pupils / aspect
        middle = (x + mx) / 2
        corners = (middle - wide, y - 0.5 * down, middle + wide, my + 0.6 * down)
        return Sample.face(*(min(max(v, 0.0), 1.0) for v in corners))

    def _lying_sample(self, aspect: float, pupils: float) -> Sample:
        """Return the sample of a face whose mouth does not lie below its eyes."""
        x, y = (sum(pair) / 2 for pair in zip(self.left_eye, self.right_eye, strict=True))
        across, down = (self.mouth[0] - x) * aspect, self.mouth[1] - y
        length = math.hypot(across, down)
        longer = max(1.0, 0.6 * pupils / length)
        x, y = x + 0.55 * longer * across / aspect, y + 0.55 * longer * down
        # The oval's half axes are 1.05 times the way from the eyes to the mouth, and 1.05 distances of the pupils.
        half_x = 1.05 * math.hypot(longer * across, pupils * down / length) / aspect
        half_y = 1.05 * math.hypot(longer * down, pupils * across / length)
        return Sample.face(*(min(max(v, 0.0), 1.0) for v in (x - half_x, y - half_y, x + half_x, y + half_y)))

    @property
    def mouth(self) -> tuple[float, float]:
        """The middle of the mouth."""
        return (self.left_mouth[0] + self.right_mouth[0]) / 2, (self.left_mouth[1] + self.right_mouth[1]) / 2

    def holds(self, x: float, y: float, frame: tuple[int, int]) -> bool:
        """Tell whether a mark at a place, normalised, means this face in a frame of so many rows and columns."""
        return radius_at(self.landmarks, grid_shape(*frame), (x, y), self._turns()) < ON_A_FACE

    def process(self, image: Picture, faces: Matte | Unwritten | None = None, *, out: Floats | None = None) -> Matte:
        """Return what this face tells, joined with what the ``faces`` before it told."""
        return join.face_evidence(image, self.landmarks, self.presence, self.keyed, faces, out, turns=self._turns())

    def gives_unwritten(self) -> bool:
        """Tell that it does."""
        return True

    def takes_unwritten(self) -> tuple[str, ...]:
        """Return the port of the faces before it."""
        return ("faces",)

    def unwritten(self, image: Picture, faces: Matte | Unwritten | None = None) -> Unwritten:
        """Return what :meth:`process` gives, before it is written."""
        given = image, self.landmarks, self.presence, self.keyed, faces
        return join.unwritten_evidence(*given, turns=self._turns())

    def _turns(self) -> bool:
        return False


@dataclass(frozen=True)
class FaceMatte(FaceMatte1):
    """What a face tells about the matte of its picture: how much of it is skin, and what beside it is not.

    The face is drawn by its five landmarks and cut out of what lies round it by place, colour and texture, seen in this
    frame alone. The drawing turns aside with the head, up to a profile. The result is one plane: half says nothing,
    above half lies what is keyed at least (1 wholly), below half what is keyed at most (0 not at all). Several faces
    follow one another by the port ``faces``; ``join_faces`` lays all of them over a matte. Landmarks that give no face,
    or lie outside the frame, say nothing. NaN and infinite pixels count as black.

    >>> import numpy as np
    >>> picture = np.full((90, 160, 3), (0.62, 0.48, 0.40), np.float32)
    >>> FaceMatte((0.45, 0.4), (0.55, 0.4), (0.5, 0.5), (0.46, 0.6), (0.54, 0.6)).process(picture).shape
    (90, 160)
    """

    label = "Face"
    version = 2

    turns: bool = toggle(True, "The outline turns with the head; off, it is drawn as seen from the front.")

    def _turns(self) -> bool:
        return self.turns


@dataclass(frozen=True)
class JoinFaces(Node):
    """A matte joined with what faces tell: filled inside each face, closed beside it, freed of what is no skin.

    What has more texture than the skin loses, and so do loose pieces that hold no face and no mark, the smaller and
    the less sure, the more. Where no face is known the matte stays as it is, limited to 0…1, unless the usual size of
    the face is told: then loose pieces lose there too, and the matte changes little as a face comes and goes. NaN
    counts as 0. Raises PictureError where the sizes differ.

    >>> import numpy as np
    >>> matte = np.ones((90, 160), np.float32)
    >>> told, picture = np.zeros((90, 160), np.float32), np.full((90, 160, 3), 0.5, np.float32)
    >>> JoinFaces().process(matte, told, picture).shape
    (90, 160)
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
    likeness: float = number(
        0.0,
        0,
        1,
        "How far the matte's edge moves to where the colours of its two sides part, so that no skin stays out.",
    )
    soft_pieces: bool = toggle(
        False, "Loose pieces lose by how weakly they hang on a face or a mark; off, they lose wholly or not at all."
    )
    usual_face: float = number(
        0.0,
        0,
        1,
        "Area of the face's skin in parts of the frame, by which loose pieces lose where no face is; "
        "at 0 they lose beside a face alone.",
        shown=(0, 0.2),
    )
    trust: float = number(1.0, 0, 1, "How far faces count; at 0 they neither fill nor close anything.")

    def takes_unwritten(self) -> tuple[str, ...]:
        """Return the ports of the matte and of the faces: both are written beside each other."""
        return "matte", "faces"

    def gives_unwritten(self) -> bool:
        """Tell that it does."""
        return True

    def unwritten(self, matte: Matte | Unwritten, faces: Matte | Unwritten, image: Picture) -> Unwritten:
        """Return the joined matte before it is written."""
        return join.unwritten_join(matte, faces, image, self._joining())

    def process(
        self, matte: Matte | Unwritten, faces: Matte | Unwritten, image: Picture, *, out: Floats | None = None
    ) -> Matte:
        """Return the matte joined with what all ``faces`` tell about the picture."""
        return join.join_faces(matte, faces, image, self._joining(), out)

    def _joining(self) -> join.Joining:
        marks = self.keep, self.keep_out
        return join.Joining(self.texture, *marks, self.likeness, self.soft_pieces, self.usual_face, self.trust)
