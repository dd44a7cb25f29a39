"""People: a picture in, where persons are and where their skin is bare out.

The network for bare skin (see ``skin.txt``) was taught on pictures with drawn masks to tell skin from hair, clothes and
things. Its encoder, the first half of the network that finds faces, sees the picture and its mirror image at two sizes.
Its decoder joins what that sees with the map of persons and with what is marked: where, and how like the marks every
colour is. A further mark asks the decoder alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ...kernels.arrays import as_picture
from ...kernels.learn import distance_from_skin
from ...nodes import FaceMatte, People, Sample, sure_pieces
from ...nodes.declare import Matte, Picture
from .networks import Answers, NetworkError, asked, fingerprint
from .person import find_levels
from .prepared import brightened, limited, reduced

NETWORK = Path(__file__).parent
"""Folder of the network, which lies in two files."""
ENCODER, DECODER = "skin_encoder.onnx", "skin_decoder.onnx"
_LAYERS = {"369": (16, 2), "387": (24, 4), "413": (32, 8), "474": (96, 16)}
"""What the encoder tells the decoder: planes, and how much smaller they are than the picture."""

_SIDES = 384, 512
"""Longer sides at which the network looks at a picture, and whose answers' mean counts."""
_FINEST = 900
"""Longer side that a picture is reduced to before both looks at most."""
_STEP = 32
"""Of the sides that the network takes, in pixels."""

_RADIUS, _SPOT = 0.012, 0.03
"""Of the disc round a marked place, in parts of the height; and how far it shines, in parts of the longer side."""
_COLOURS, _AROUND = 5, 2
"""How many places of a mark at most show its colours, and up to how many pixels round each."""
_LUMA = np.array((0.2126, 0.7152, 0.0722), np.float32)
"""ITU-R BT.709-6, item 3.2."""

_answers: Answers[Matte] = Answers(32)
"""150 kB each."""

Features = tuple[NDArray[np.float32], ...]
_features: Answers[tuple[Features, Features]] = Answers(4)
"""Of two pictures at both sizes: 51 bytes a pixel, 12 MB for a picture of 16:9 and 21 MB for a square one."""


class SkinError(NetworkError):
    """The network that finds bare skin is missing or its file cannot be used."""

    told = "The network that finds bare skin, {path}, cannot be used ({why}): install Inkarnat again."


def find_people(
    picture: Picture,
    faces: Sequence[FaceMatte] = (),
    network: Path = NETWORK,
    *,
    add: Sequence[Sample] = (),
    subtract: Sequence[Sample] = (),
) -> People:
    """Return what is seen of people in a picture, float32 (h, w, 2), 0 to 1, its longer side at most 256.

    The first plane is :func:`.person.find_person`, the second how likely each place shows bare skin, like what is
    marked where something is.

    :param picture: float32 (H, W, 3 or 4), display-referred R′G′B′. A dark picture is looked at brightened.
    :param faces: the faces known in it, whose surroundings are looked at once more for persons. :raises PersonError:
        OpenCV is not installed, or the file of the network for persons cannot be used. :raises SkinError: a file of the
        other one cannot be used. :raises PictureError: wrong arrays. :param network: the folder of that other one.
    :param add, subtract: what is marked as skin, and as none. Without any to add the faces count as marked, and
        without a face the places that the network is surest of: it is asked once more with those.

    The same picture, faces and marks give the same maps, bit for bit.
    """
    return find_people_levels(picture, faces, network, add=add, subtract=subtract).astype(np.float32) / np.float32(255)


def find_people_levels(
    picture: Picture,
    faces: Sequence[FaceMatte] = (),
    network: Path = NETWORK,
    *,
    add: Sequence[Sample] = (),
    subtract: Sequence[Sample] = (),
) -> NDArray[np.uint8]:
    """Return what :func:`find_people` does as bytes, 0 to 255."""
    persons = find_levels(picture, faces)
    person = persons.astype(np.float32) / np.float32(255)
    marks = Marks.of(picture.shape[1] / picture.shape[0], add, subtract, faces)
    bare = find_bare_skin(picture, person, network, marks)
    if not marks.skin and (guessed := _surest_places(bare)):
        bare = find_bare_skin(picture, person, network, replace(marks, skin=guessed))
    return np.stack([persons, np.rint(bare * np.float32(255)).astype(np.uint8)], axis=-1)


Places = tuple[tuple[float, float], ...]

_GUESSED, _MOST_GUESSED = 0.25, 4
"""What part of all that may be bare skin must be sure for the surest places to be taken for marks, and how many are."""


def _surest_places(bare: Matte) -> tuple[Places, ...]:
    """Return the innermost place of the largest pieces that surely show bare skin, as marks; none where few do."""
    import cv2

    found = []
    for piece in sure_pieces(bare, _GUESSED, _MOST_GUESSED):
        depth = cv2.distanceTransform(np.pad(piece, 1).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)[1:-1, 1:-1]
        row, column = np.unravel_index(int(np.argmax(depth)), piece.shape)
        found.append((((column + 0.5) / piece.shape[1], (row + 0.5) / piece.shape[0]),))
    return tuple(found)


@dataclass(frozen=True)
class Marks:
    """Places that are skin, and that are none, normalised to the frame; by mark."""

    skin: tuple[Places, ...] = ()
    none: tuple[Places, ...] = ()

    @classmethod
    def of(
        cls, aspect: float, add: Sequence[Sample], subtract: Sequence[Sample], faces: Sequence[FaceMatte] = ()
    ) -> Marks:
        """Return the places of samples; of faces, where there is no sample to add."""
        shown = add or [face.sample(aspect) for face in faces if face.presence > 0]
        return cls(*(tuple(sample.places for sample in samples) for samples in (shown, subtract)))


def marked_planes(picture: Picture, marks: Marks) -> NDArray[np.float32]:
    """Return what is marked, float32 (4, h, w), 0 to 1: near what is skin, near what is none, like the one, the other.

    :param picture: float32 (h, w, 3), as the network looks at it.
    """
    import cv2

    rows, columns = picture.shape[:2]
    out = np.zeros((4, rows, columns), np.float32)
    if not (marks.skin or marks.none):
        return out
    own = _colours(picture)
    for plane, shown in enumerate((marks.skin, marks.none)):
        if not shown:
            continue
        away, colours = np.ones((rows, columns), np.uint8), list[Picture]()
        for places in shown:
            at = [(min(int(y * rows), rows - 1), min(int(x * columns), columns - 1)) for x, y in places]
            for row, column in at:
                away[row, column] = 0
            few = np.unique(np.linspace(0, len(at) - 1, min(_COLOURS, len(at))).round().astype(int))
            colours += [_mean_round(picture, *at[k]) for k in few]
        distance = cv2.distanceTransform(away, cv2.DIST_L2, cv2.DIST_MASK_PRECISE) - np.float32(_RADIUS * rows)
        shine = np.maximum(distance, 0) / np.float32(_SPOT * max(rows, columns))
        out[plane] = np.exp(np.float32(-0.5) * shine * shine)
        shades = np.stack(_colours(np.stack(colours)), axis=1)
        like = distance_from_skin(*own, shades.astype(np.float64))
        out[2 + plane] = np.exp(np.float32(-0.5) * np.minimum(like, np.float32(60)))
    return out


def _mean_round(picture: Picture, row: int, column: int) -> Picture:
    """Return the mean colour of the pixels round one, float32 (3,)."""
    at = (slice(max(centre - _AROUND, 0), centre + _AROUND + 1) for centre in (row, column))
    return np.asarray(picture[tuple(at)].mean(axis=(0, 1), dtype=np.float64), np.float32)


def _colours(picture: Picture) -> tuple[Matte, Matte, Matte]:
    """Return Cb/Y′, Cr/Y′ and Y′ of colours, float32 (…, 3), as keys are learned from them."""
    red, green, blue = (np.asarray(picture[..., channel], np.float32) for channel in range(3))
    luma = red * _LUMA[0] + green * _LUMA[1] + blue * _LUMA[2]
    size = 2 * (luma + np.float32(0.02))
    u, v = ((one - luma) / (size * (1 - weight)) for one, weight in ((blue, _LUMA[2]), (red, _LUMA[0])))
    return u, v, luma


def find_bare_skin(picture: Picture, person: Matte, network: Path = NETWORK, marks: Marks = Marks()) -> Matte:
    """Return how likely each place of a picture shows bare skin, float32 (h, w) of the map of persons, 0 to 1.

    :param person: the map of persons in it. :param network: the network's folder. :param marks: what is marked.
    """
    colour = reduced(limited(as_picture(picture)), _FINEST)
    total = np.zeros(person.shape, np.float64)
    for side in _SIDES:
        total += _seen_at(colour, person, side, network, marks)
    return np.asarray(total / len(_SIDES), np.float32)


def _seen_at(picture: Picture, person: Matte, long_side: int, network: Path, marks: Marks) -> Matte:
    """Return what the network says at one size of a sound picture and its mirror image, on the grid of ``person``."""
    import cv2

    height, width = picture.shape[:2]
    shape = [max(_STEP, round(side * long_side / max(height, width) / _STEP) * _STEP) for side in (height, width)]
    small = np.asarray(cv2.resize(picture, (shape[1], shape[0]), interpolation=cv2.INTER_AREA), np.float32)
    there = np.asarray(cv2.resize(person, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR), np.float32)
    told = _answered(brightened(small), there, marks, network)
    return np.asarray(cv2.resize(told, person.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def _answered(picture: Picture, person: Matte, marks: Marks, network: Path) -> Matte:
    """Return the mean of the network's answers to a picture and to its mirror image, as remembered or asked for."""

    own = fingerprint(picture)

    def see() -> tuple[Features, Features]:
        colours = picture.transpose(2, 0, 1)
        return _seen_in(colours, network), _seen_in(colours[..., ::-1], network)

    def ask() -> Matte:
        features, mirrored = _features.of(f"{network} {own}", ask=see)
        planes = [picture.transpose(2, 0, 1), person[None], marked_planes(picture, marks)]
        told = _asked(planes, features, network)
        told += _asked([plane[..., ::-1] for plane in planes], mirrored, network)[:, ::-1]
        told *= np.float32(0.5)
        return told

    return _answers.of(f"{network} {marks} {own}", person, ask=ask)


def _seen_in(colours: NDArray[np.float32], network: Path) -> Features:
    """Return what the encoder sees in colours, float32 (3, h, w)."""
    rows, columns = colours.shape[1:]
    shapes = [(1, planes, rows // step, columns // step) for planes, step in _LAYERS.values()]
    return tuple(asked(str(network / ENCODER), {"picture": colours[None]}, shapes, SkinError))


def _asked(planes: Sequence[NDArray[np.float32]], features: Features, network: Path) -> Matte:
    """Return the decoder's answer to colours, map of persons and marks, float32 of half the size, 0 to 1.

    :param features: what the encoder sees in the colours.
    """
    rows, columns = planes[0].shape[1:]
    given = {name: plane[None] for name, plane in zip(("picture", "person", "marks"), planes, strict=True)}
    given |= dict(zip(_LAYERS, features, strict=True))
    (told,) = asked(str(network / DECODER), given, [(rows // 2, columns // 2)], SkinError)
    return np.clip(np.nan_to_num(told, copy=False), 0, 1)
