"""Learn a skin key from what a person marked and from the faces in the picture."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..kernels import learn, skin
from ..kernels.angles import wrapped
from ..kernels.arrays import as_picture, as_plane
from ..kernels.devices import OnDevice
from ..kernels.errors import PictureError
from ..kernels.join import agreement, on_grid
from .declare import Matte, Picture
from .doubt import cleared, is_plain, judge_matte, knows_somebody, left_out, sought
from .face import FaceMatte, JoinFaces
from .key import SkinKey
from .limits import beyond
from .model import SkinModel
from .people import People, bare_skin_of, persons_of, sure_skin
from .sample import Sample, SampleError
from .solve import SKIN_LINE, Warned, hue_angle, usual_ratio

_DARKEST, _BRIGHTEST = 0.06, 0.92

_NO_SAMPLE = "There is no sample of skin: add a point, a box or a stroke on skin."


class SoughtError(SampleError):
    """Nothing is marked, no face is known, and what is seen of bare skin is not sure enough to teach a key."""


@dataclass(frozen=True)
class LearnedKey:
    """A learned key with the figures by which it can be judged before it is used.

    :ivar key: the configured node. :ivar unconnected: share of the skin-like area that the samples do not reach, in the
        frame that they reach best; what they reach in part counts in part.
    :ivar recall: share of the sampled pixels that the key recognises.
    :ivar hue_apart, chroma_apart: how far the samples of a further frame lie from those of the first, at most: degrees
        of hue, and the factor between their chroma in parts of luma, 1 or more.
    :ivar faces: of the first picture, each keyed or not. :ivar join: what lays them over the key's matte; None without.
    :ivar outside: what part of the first picture's matte lies beside the persons in it, 0 to 1; None where they are not
        known, or where they do not hold what was marked.
    :ivar person: what is seen of people in the first picture, as :func:`study_skin` was told.
    :ivar marked: a person marked skin; otherwise faces alone taught the key, or, where it was ``sought``, what is seen
        of bare skin.
    :ivar close_up: a key of the hue of skin went on beyond its reach until an edge of the picture stopped it: skin
        fills the frame.
    """

    key: SkinKey
    unconnected: float
    recall: float
    hue_apart: float = 0.0
    chroma_apart: float = 1.0
    faces: tuple[FaceMatte, ...] = ()
    join: JoinFaces | None = None
    outside: float | None = None
    person: People | None = dataclasses.field(default=None, compare=False, repr=False)
    marked: bool = True
    sought: bool = False
    close_up: bool = False

    def matte(self, image: Picture) -> Matte:
        """Return the matte of the first picture, joined with what its faces tell."""
        return with_faces(self.key.process(image), image, self.faces, self.join)

    def warnings(self, matte: Matte, image: Picture | None = None, limited: bool = False) -> tuple[Warned, ...]:
        """Return the signs that this key's matte wants a look: see :func:`judge_seen`.

        :param limited: a region, or shapes that keep in, limit the matte: what lies beside them is left out on purpose.
        """
        seen = judge_matte(matte, image, self.faces, self.person)
        doubted = "doubtful" in (warned.sign for warned in seen)
        found = (
            *cleared(seen, matte, lambda bare: self.person, self.close_up),
            *self._signs_of_samples(matte, image),
            *self._signs_of_colour(image, doubted),
            *self._signs_of_place(matte),
            *self._signs_of_light(),
        )
        return tuple(warned for warned in found if not (limited and warned.sign in _OF_THE_WHOLE_FRAME))

    def _signs_of_samples(self, matte: Matte, image: Picture | None) -> Iterator[Warned]:
        """Doubt what the samples do not reach, and what of them is not recognised."""
        alone = self.person is None and not any(face.presence > 0 for face in self.faces)
        if alone and beyond("look-alike", self.unconnected) and (image is None or not is_plain(matte, image)):
            text = (
                f"{self.unconnected:.0%} of what looks like this skin does not touch the samples: it may be a wall "
                "or wood. Look at the matte; subtract it, or draw a region round the person."
            )
            yield Warned("look-alike", self.unconnected, text)
        if self.person is None and beyond("missed", 1 - self.recall):  # persons tell better
            text = (
                f"The key recognises only {self.recall:.0%} of the sampled pixels: the sample may hold more than "
                "skin. Draw it again on skin alone."
            )
            yield Warned("missed", 1 - self.recall, text)

    def _signs_of_colour(self, image: Picture | None, doubted: bool) -> Iterator[Warned]:
        """Doubt a colour far from that of skin.

        What was marked on a known face or person is skin in whatever light: only what they leave in doubt is told of.
        """
        centre, known = self.key.learned.centre, image is not None and knows_somebody(self.faces, self.person)
        if not (self.marked and known and not doubted) and beyond("far from skin", off := _off_skin(centre)):
            text = (
                f"What taught the key has a hue of {hue_angle(*centre):.0f}°, {off:.0f}° from the skin line: "
                "strong coloured light, or no skin. Look at the matte; balance the picture first, or sample skin."
            )
            yield Warned("far from skin", off, text)

    def _signs_of_place(self, matte: Matte) -> Iterator[Warned]:
        """Doubt what the matte leaves out, and skin that nobody marked."""
        if self.person is not None and all(face.keyed > 0.5 for face in self.faces if face.presence > 0):
            yield from (told for told in [left_out(matte, self.person)] if told)  # beside others' faces on purpose
        if self.sought:
            yield sought(float(as_plane(matte).mean(dtype=np.float64)))

    def _signs_of_light(self) -> Iterator[Warned]:
        """Doubt samples that no single light explains."""
        if beyond("two lights", _two_lights(self.hue_apart, self.chroma_apart)):
            text = (
                f"The samples on two frames are {self.hue_apart:.1f}° of hue and a factor {self.chroma_apart:.2f} "
                "of chroma apart, more than one light explains: one key fits neither. Balance the frames first, or "
                "learn one key for each light."
            )
            yield Warned("two lights", self.hue_apart, text)


_OF_THE_WHOLE_FRAME = ("look-alike", "left out")
"""What says nothing of a matte that is limited."""


def _two_lights(hue: float, chroma: float) -> float:
    """Return how far two samples lie apart, 1 where one light just explains it.

    Measured on generated portraits: of frames that differ in exposure, direction of light, pose and place of the
    sample, 1 % lie farther apart; of frames 50 mired or .01 Duv apart, all do, of ± 30 mired three quarters.
    """
    return math.hypot(hue / 5, math.log2(chroma) / 0.5)


Marked = tuple[Picture, Sequence[Sample], Sequence[Sample]]

_FURTHER = 1 / 3
"""How much a further frame counts beside the first with samples to add: it widens the key where it must, while what a
dimmer, noisier frame mistakes for skin hardly counts in the light of the first."""


def learn_skin_key(
    image: Picture,
    add: Sequence[Sample],
    subtract: Sequence[Sample] = (),
    more: Iterable[Marked] = (),
    *,
    faces: Sequence[FaceMatte] = (),
    reach: float = 1.0,
) -> SkinKey:
    """Learn a skin key from samples; see :func:`study_skin`, which also returns the figures to judge it by.

    >>> from inkarnat.nodes import Sample
    >>> picture = np.full((90, 160, 3), (0.3, 0.4, 0.6), np.float32)
    >>> picture[20:70, 40:100] = 0.62, 0.48, 0.40  # skin
    >>> matte = learn_skin_key(picture, [Sample.box(0.3, 0.3, 0.5, 0.6)]).process(picture)
    >>> round(float(matte[45, 70])), round(float(matte[5, 5]))
    (1, 0)
    """
    return study_skin(image, add, subtract, more, faces=faces, reach=reach).key


def study_skin(
    image: Picture,
    add: Sequence[Sample],
    subtract: Sequence[Sample] = (),
    more: Iterable[Marked] = (),
    *,
    faces: Sequence[FaceMatte] = (),
    more_faces: Sequence[Sequence[FaceMatte]] = (),
    persons: Sequence[People | None] = (),
    reach: float = 1.0,
    seek: bool = False,
) -> LearnedKey:
    """Learn a skin key from samples and faces on one or more pictures of the same light.

    :param image: float32 (H, W, 3 or 4), display-referred R′G′B′, not premultiplied.
    :param add: samples on skin, at least one over all pictures where there is no face. A sample on a face means that
        face: its skin teaches the key as well. :param subtract: samples on what must stay out.
    :param more: further (image, add, subtract). :param faces: the faces known in the first picture: those that join
        come back in :attr:`LearnedKey.faces` with ``keyed`` 1, the others with 0. Without any sample all of them join;
        in light that gives skin another hue only those that lie on a person count, as ``persons`` show it.
    :param more_faces: the faces of the further pictures, in order.
    :param persons: what is seen of people in each picture, see :data:`.people.People`, the first picture first; None
        where nobody looked. Colours of which most lies beside persons are closed, but those of
        marks; a map on which no mark and no face that joins lies counts for nothing.
    :param reach: how far the key spreads from the samples, 0.25 to 4. :param seek: where there is no sample to add and
        no face, what the first map surely shows as bare skin teaches the key; see :func:`.people.sure_skin`.
    :raises SoughtError: it is not sure, or its colour or what was learned from it is not that of skin.
    :raises SampleError: no sample to add and no face, or samples without any colour, or only faces that show no skin.
    :raises PictureError: wrong arrays. The same input gives the same key, bit for bit.

    >>> from inkarnat.nodes import Sample
    >>> picture = np.full((90, 160, 3), (0.3, 0.4, 0.6), np.float32)
    >>> picture[20:70, 40:100] = 0.62, 0.48, 0.40  # skin
    >>> type(study_skin(picture, [Sample.box(0.3, 0.3, 0.5, 0.6)])).__name__
    'LearnedKey'
    """
    if not 0.25 <= reach <= 4:
        raise SampleError(f"The reach of a key must be 0.25 to 4, not {reach:g}.")
    pictures = [(image, tuple(add), tuple(subtract)), *((p, tuple(a), tuple(s)) for p, a, s in more)]
    known = [tuple(faces), *(tuple(f) for f in more_faces)]
    known += [()] * (len(pictures) - len(known))
    maps = [*persons, *[None] * (len(pictures) - len(persons))]
    marked = [_marked(*item, found, seen) for item, found, seen in zip(pictures, known, maps, strict=True)]
    sampled = [place for place, (_, samples, _) in enumerate(pictures) if samples]
    if not sampled:
        sampled = [place for place, found in enumerate(known) if found]
    blind = seek and not sampled
    if blind:
        pieces = _surely_bare(maps[0], marked[0].image.shape)
        marked[0] = dataclasses.replace(marked[0], wholes=pieces, large=0.0)  # of each its main colour, as of a box
        sampled = [0]
    if not sampled:
        raise SampleError(_NO_SAMPLE)
    marks = any(samples for _, samples, _ in pictures)
    reference = sampled[0]
    marked = [m if k == reference else dataclasses.replace(m, weight=_FURTHER) for k, m in enumerate(marked)]
    studied: skin.Studied | None = None
    try:
        studied = skin.study(marked, reach)
        refused = "" if marks or blind else _far_from_skin(studied.learned.centre)
    except learn.LearnError as error:
        refused = str(error) if marks else "The faces do not show skin in any usual light."
    if blind and (studied is None or not _is_sought(studied, maps[0])):
        raise SoughtError(_NO_SAMPLE)
    if studied is None or refused:
        if marks:
            raise SampleError(refused)
        first, *rest = _faces_of_persons(pictures, known, maps)
        if not any(samples for _, samples, _ in (first, *rest)):
            raise SampleError(f"{refused} {_MARK_IT}")
        try:
            learned = study_skin(*first, rest, faces=known[0], more_faces=known[1:], persons=maps, reach=reach)
        except SampleError:
            raise SampleError(f"{refused} {_IN_GREY}") from None
        return dataclasses.replace(learned, marked=False)
    found = studied.learned
    model = SkinModel(found.centre, found.compact, found.table)
    own = _keyed(known, studied.keyed)
    join = None
    if own:
        keep_out = tuple(place for sample in pictures[0][2] for place in sample.places)
        join = JoinFaces(
            float(np.clip(studied.texture, -9, 1)), marked[0].at, keep_out, 1.0, True, studied.face, studied.trust
        )
    apart = _apart(studied.frames, reference)
    key = SkinKey(model=model.to_text())
    figures = found.unconnected, found.recall, *apart
    close_up = studied.grew_on and _off_skin(found.centre) <= _MOST_OFF
    return LearnedKey(key, *figures, own, join, studied.outside, maps[0], marks, blind, close_up)


_MOST_OFF = 20.0
"""Degrees from the skin line beyond which the hue of what was seen alone, or fills the frame, does not tell that it is
skin."""
_MOST_COLOUR = 2.2
"""How many times as strong as on measured skins of its luma the colour may be: that of leather and clay is stronger."""
_AGREES = 0.75
"""How far the key must agree with what was seen. A key of the colour of fur or wood spreads beside it, or shrinks."""


def _surely_bare(people: People | None, shape: tuple[int, ...]) -> tuple[NDArray[np.bool_], ...]:
    """Return the pieces of a picture that surely show bare skin, on its pixels. Raises SoughtError without any."""
    pieces = sure_skin(people)
    if not pieces:
        raise SoughtError(_NO_SAMPLE)
    cells = pieces[0].shape
    rows, columns = (np.arange(count) * most // count for count, most in zip(shape[:2], cells, strict=True))
    return tuple(piece[rows[:, None], columns] for piece in pieces)


def _is_sought(studied: skin.Studied, people: People | None) -> bool:
    """Tell whether what was learned from a map has the hue of skin, and finds what the map shows."""
    seen = None if people is None else bare_skin_of(people)
    keyed, frame = studied.matte > 0.5, studied.frames[0]
    if seen is None or not keyed.any():
        return False
    u, v, luma = (float(np.median(plane[keyed].astype(np.float64))) for plane in (frame.u, frame.v, frame.luma))
    if _off_skin((u, v)) > _MOST_OFF or math.hypot(u, v) > _MOST_COLOUR * usual_ratio(luma):
        return False
    return agreement(on_grid(seen, studied.matte.shape), studied.matte) >= _AGREES


def _keyed(known: Sequence[tuple[FaceMatte, ...]], joins: Sequence[tuple[bool, ...]]) -> tuple[FaceMatte, ...]:
    """Return the first picture's faces, keyed where they join.

    The same place in every picture's list is the same face. One that no picture shows is keyed where all others are.
    """
    told: dict[int, bool] = {}
    for faces, found in zip(known, joins, strict=True):
        present = [k for k, face in enumerate(faces) if face.presence > 0]
        for k, keyed in zip(present, found, strict=True):
            told[k] = told.get(k, False) or keyed
    unseen = bool(told) and all(told.values())
    return tuple(
        dataclasses.replace(face, keyed=float(told.get(k, unseen)), presence=face.presence)
        for k, face in enumerate(known[0])
    )


def with_faces(matte: Matte, image: Picture, faces: Sequence[FaceMatte], join: JoinFaces | None) -> Matte:
    """Return a matte joined with what faces tell about its picture; the matte itself without any.

    >>> matte, picture = np.ones((90, 160), np.float32), np.zeros((90, 160, 3), np.float32)
    >>> with_faces(matte, picture, (), None) is matte
    True
    """
    if join is None or not faces:
        return matte
    if isinstance(image, OnDevice):
        return join.process(matte, told_by(faces, image), image)
    told = faces[0].unwritten(image)
    for face in faces[1:]:
        told = face.unwritten(image, told)
    return join.process(matte, told, image)


def told_by(faces: Sequence[FaceMatte], image: Picture) -> Matte | None:
    """Return what several faces tell about a picture, together; None without any.

    >>> told_by((), np.zeros((90, 160, 3), np.float32)) is None
    True
    """
    told: Matte | None = None
    for face in faces:
        told = face.process(image, told)
    return told


def _marked(
    image: Picture,
    add: tuple[Sample, ...],
    subtract: tuple[Sample, ...],
    faces: tuple[FaceMatte, ...],
    people: People | None,
) -> skin.Marked:
    image = as_picture(image)
    if not np.isfinite(image[..., :3]).any():
        raise PictureError("The picture holds no finite pixel (all are NaN or infinite): render or decode it again.")
    height, width = image.shape[:2]

    def cover(samples: Iterable[Sample]) -> NDArray[np.bool_]:
        covered = np.zeros((height, width), np.bool_)
        for sample in samples:
            covered |= sample.mask(height, width)
        return covered

    wholes = [sample for sample in add if sample.whole]
    tallest = max((abs(s.points[-1][1] - s.points[0][1]) for s in wholes), default=1.0)
    return skin.Marked(
        image,
        cover(sample for sample in add if not sample.whole),
        cover(subtract),
        tuple(sample.mask(height, width) for sample in wholes),
        learn.large_share(tallest),
        tuple(place for sample in add for place in sample.places),
        tuple(face.landmarks for face in faces if face.presence > 0),
        person=None if people is None else persons_of(people),
        bare=None if people is None else bare_skin_of(people),
    )


_LIGHT_STEP = 0.012
"""Change of a frame's median Cb/Y′ and Cr/Y′ that one light does not make where it shows the same place: measured
at most .007 from exposure, direction of light, pose and grain, at least .018 from .005 Duv, .042 from 30 mired."""


def _apart(frames: Sequence[learn.Frame], reference: int) -> tuple[float, float]:
    """Return by how much hue and chroma of the samples differ at most between the reference and another frame.

    Frames that as a whole show the same colour count as lit alike: there samples differ because they lie elsewhere.
    """
    first = learn.sampled_colour(frames[reference])
    assert first is not None
    apart = [(0.0, 1.0)]
    for frame in frames:
        other = learn.sampled_colour(frame)
        if other is not None and math.dist(_middle_colour(frame), _middle_colour(frames[reference])) > _LIGHT_STEP:
            hue = abs(wrapped(hue_angle(*other) - hue_angle(*first)))
            apart.append((hue, _factor(math.hypot(*other), math.hypot(*first))))
    return max(apart, key=lambda pair: _two_lights(*pair))


def _middle_colour(frame: learn.Frame) -> tuple[float, float]:
    """Return the median Cb/Y′ and Cr/Y′ of what is neither black nor burnt out in a frame."""
    usable = (frame.luma > _DARKEST) & (frame.luma < _BRIGHTEST)
    if not usable.any():
        return 0.0, 0.0
    return float(np.median(frame.u[usable])), float(np.median(frame.v[usable]))


def _factor(one: float, other: float) -> float:
    return max(one, other) / max(min(one, other), 1e-6)


def _off_skin(centre: tuple[float, float]) -> float:
    """Return how far a colour's hue lies from the skin line, in degrees without a sign."""
    return abs(wrapped(hue_angle(*centre) - SKIN_LINE))


def _far_from_skin(centre: tuple[float, float]) -> str:
    """Return why faces of a hue that no usual light gives to skin are refused; "" for others. A mark never is."""
    if not beyond("far from skin", _off_skin(centre)):
        return ""
    return (
        f"The faces do not show skin: their hue is {hue_angle(*centre):.0f}°, {_off_skin(centre):.0f}° from the "
        "skin line."
    )


def _faces_of_persons(
    pictures: Sequence[tuple[Picture, tuple[Sample, ...], tuple[Sample, ...]]],
    known: Sequence[tuple[FaceMatte, ...]],
    maps: Sequence[People | None],
) -> list[tuple[Picture, tuple[Sample, ...], tuple[Sample, ...]]]:
    """Return the pictures with those faces as samples that a person has, for light in which skin has another hue."""
    told = []
    for (picture, _, subtract), faces, person in zip(pictures, known, maps, strict=True):
        aspect = picture.shape[1] / picture.shape[0]
        samples = [face.sample(aspect) for face in faces if face.presence > 0] if person is not None else []
        told.append((picture, tuple(sample for sample in samples if _is_on(person, sample)), subtract))
    return told


def _is_on(people: People | None, sample: Sample) -> bool:
    """Tell whether a sample lies on a person, as a map shows them."""
    if people is None:
        return False
    person = persons_of(people)
    covered = sample.mask(*person.shape)
    return bool(covered.any()) and float(person[covered].mean()) >= _ON_A_PERSON


_ON_A_PERSON = 0.9
"""How much of a face at least lies on the map of persons where its hue does not tell that it is skin."""

_IN_GREY = (
    "They have no colour from which a key could be learned, as in footage in grey: give it in colour, or mark skin."
)
_MARK_IT = "Mark the skin itself if this is its light, or balance the picture first."
