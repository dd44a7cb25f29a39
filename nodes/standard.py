"""Standard correction: the standard chain solved from samples and returned as configured nodes."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, cast

from ..kernels.arrays import as_picture
from ..kernels.errors import InkarnatError, PictureError
from .balance import Balance, solve_balance
from .chain import LEVELS, LEVELS_FIRST, Chain, Link, Part, standard_chain, through
from .declare import Matte, Node, Picture
from .doubt import judge_matte, not_skin, strange_marks
from .face import FaceMatte, JoinFaces
from .key import SkinKey
from .learning import LearnedKey, study_skin, with_faces
from .matte import CombineMattes, Region, SoftenMatte
from .people import People
from .sample import Sample, SampleError
from .solve import SkinReading, SkinTarget, Warned, measure_skin, solve_steer
from .steady import SteadyMatte
from .steer import SteerSkin
from .tone import Cdl, ToneCurve

NATURAL_KEY_WARNING = (
    "No sample was given, so the natural range of skin is keyed: it also takes wood, sand, rope and hair of that "
    "colour. Look at the matte, or add a sample on skin."
)


class SubjectError(InkarnatError, ValueError):
    """The people to be corrected cannot be told apart."""


@dataclass(frozen=True)
class MarkedFrame:
    """A frame with what a person marked on it: samples of skin, of what must stay out, and of something neutral.

    :ivar faces: the faces known in it. With faces and no sample of skin all of them are keyed.
    :ivar person: what is seen of people in it, as in :func:`study_skin`; None where nobody looked.
    :ivar unmarked: what is seen of people in it where nothing is marked, by which the marks are doubted.
    :ivar seek: with neither a sample nor a face, its map of bare skin teaches the key where it is sure, as in
        :func:`study_skin`.
    """

    frame: int
    picture: Picture
    add: tuple[Sample, ...] = ()
    subtract: tuple[Sample, ...] = ()
    neutral: Sample | None = None
    faces: tuple[FaceMatte, ...] = ()
    person: People | None = None
    seek: bool = False
    unmarked: People | None = None

    @property
    def strange(self) -> tuple[tuple[Sample, float], ...]:
        """Return the marks of skin that do not look like it; see :func:`~inkarnat.nodes.strange_marks`."""
        return strange_marks(self.add, self.unmarked)


RegionAt = Callable[[int], Region]
"""The region round a person at a frame."""


@dataclass(frozen=True)
class Subject:
    """One person of a clip: a name, the frames marked for them, and what is asked for them alone.

    :ivar name: part of ids and output names; may be empty where there is one person only.
    :ivar frames: marked frames, the reference first. :ivar target: None takes the one asked for with the rest.
    :ivar region: a region that the key is limited to, the same for all frames or by frame; None for none.
    :ivar shapes: further shapes by the words of :class:`~.chain.Part`, ``in1``, ``in2`` …, ``out1`` …, alike.
    :ivar key, soften, steady: how the key and its matte are set for this person; None takes what is wanted of all.
    """

    name: str
    frames: Sequence[MarkedFrame]
    target: SkinTarget | None = None
    region: Region | RegionAt | None = None
    shapes: Mapping[str, Region | RegionAt] = field(default_factory=dict)
    key: SkinKey | None = None
    soften: SoftenMatte | None = None
    steady: int | None = None

    def region_at(self, frame: int) -> Region | None:
        """Return the region at a frame."""
        return None if self.region is None else _at(self.region, frame)

    def shapes_at(self, frame: int) -> dict[str, Region]:
        """Return the shapes at a frame, by their words."""
        return {word: _at(shape, frame) for word, shape in self.shapes.items()}


def _at(region: Region | RegionAt, frame: int) -> Region:
    return region if isinstance(region, Region) else region(frame)


@dataclass(frozen=True)
class CorrectionOptions:
    """What a person asks of a correction beyond the samples.

    :ivar target: where the skin should rest. :ivar method: how SteerSkin moves it.
    :ivar balance: a balance to use where no frame has a neutral sample, which wins over it.
    :ivar tone: black, white and curve of the picture. :ivar saturation: of the whole picture.
    :ivar reach: how far the key spreads from the samples. :ivar form: which form of the key to use.
    :ivar key: how the key is set beside what it learns, ``form`` aside. :ivar soften: how the matte is softened.
    :ivar steady: frames on either side that steady the matte; 0 leaves it as it is.
    :ivar varying: nodes for the whole picture at frames on which they differ, by frame and id: what changes over time.
    :ivar kept: ids of such steps that stay though they change nothing on the reference.
    :ivar split: steer the lit and the shadow side apart. :ivar even_out, even_side: as in SteerSkin.
    """

    target: SkinTarget = field(default_factory=SkinTarget)
    method: str = "turn"
    balance: Balance | None = None
    tone: ToneCurve = field(default_factory=ToneCurve)
    saturation: float = 1.0
    reach: float = 1.0
    form: str = "table"
    key: SkinKey = field(default_factory=SkinKey)
    soften: SoftenMatte = field(default_factory=SoftenMatte)
    steady: int = 0
    split: bool = False
    even_out: float = 0.0
    even_side: str = "both"
    varying: Mapping[int, Mapping[str, Node]] = field(default_factory=dict)
    kept: frozenset[str] = frozenset()

    def steer(self, image: Picture, matte: Matte, target: SkinTarget | None = None) -> SteerSkin:
        """Solve the steering of one person on one frame."""
        return solve_steer(
            image,
            matte,
            target or self.target,
            self.method,
            split=self.split,
            even_out=self.even_out,
            even_side=self.even_side,
        )


@dataclass(frozen=True)
class Corrected:
    """One person's part of a correction, and what their skin read before and after on their reference frame.

    :ivar learned: what was learned, or None where the natural range of skin is keyed. :ivar frame: the reference.
    """

    name: str
    key: SkinKey
    steer: SteerSkin
    region: Region | None
    target: SkinTarget
    before: SkinReading
    after: SkinReading
    warnings: tuple[Warned, ...]
    learned: LearnedKey | None = None
    faces: tuple[FaceMatte, ...] = ()
    join: JoinFaces | None = None
    frame: int | None = None
    soften: SoftenMatte = field(default_factory=SoftenMatte)
    steady: SteadyMatte | None = None
    shapes: Mapping[str, Region] = field(default_factory=dict)

    def id(self, word: str) -> str:
        """Return the id of one of this person's nodes or outputs."""
        return f"{word}-{self.name}" if self.name else word

    def as_dict(self) -> dict[str, Any]:
        """Return the figures as plain JSON data."""
        steer = self.steer
        sides = {"shadow_angle": steer.shadow_angle, "shadow_luma": steer.shadow_luma} if steer.shadow_angle else {}
        light = {"temperature": steer.temperature, "tint": steer.tint} if steer.temperature or steer.tint else {}
        return {
            "before": self.before.as_dict(),
            "after": self.after.as_dict(),
            "steer": {"angle": steer.angle, "saturation": steer.saturation, "method": steer.method, **sides, **light},
            "warnings": [{"sign": w.sign, "figure": w.figure, "message": w.message} for w in self.warnings],
        }


@dataclass(frozen=True)
class Correction:
    """A solved correction: its nodes, and what the skin of each person read before and after.

    :ivar balance: None where the light is left as it is. :ivar people: one or more. :ivar kept: as in the options.
    """

    balance: Balance | None
    people: tuple[Corrected, ...]
    tone: ToneCurve
    saturation: float
    kept: frozenset[str] = frozenset()

    @property
    def key(self) -> SkinKey:
        """The key of the first person."""
        return self.people[0].key

    @property
    def steer(self) -> SteerSkin:
        """The steering of the first person."""
        return self.people[0].steer

    @property
    def soften(self) -> SoftenMatte:
        """How the first person's matte is softened."""
        return self.people[0].soften

    @property
    def before(self) -> SkinReading:
        """The first person's reading before the correction."""
        return self.people[0].before

    @property
    def after(self) -> SkinReading:
        """The first person's reading after the correction."""
        return self.people[0].after

    @property
    def warnings(self) -> tuple[Warned, ...]:
        """Everyone's warnings."""
        return tuple(warned for person in self.people for warned in person.warnings)

    def chain(self, source: str = "plate") -> Chain:
        """Return the chain; steps that would change nothing are left out."""
        picture = _picture_nodes(self.balance, self.tone, self.saturation, self.kept)
        return standard_chain(picture, [self._part(person) for person in self.people], source)

    def _part(self, person: Corrected) -> Part:
        nodes: dict[str, Node | None] = {
            "skin": person.key,
            **{f"face{number}": face for number, face in enumerate(person.faces, start=1)},
            "join": person.join,
            "soften": person.soften,
            "steady": person.steady,
            "region": person.region,
            **person.shapes,
            "steer": person.steer,
        }
        return Part(person.id, {word: node for word, node in nodes.items() if node is not None})

    def links(self, source: str = "plate") -> tuple[Link, ...]:
        """Return the chain in order; steps that would change nothing are left out."""
        return self.chain(source).links

    def outputs(self) -> dict[str, str]:
        """Return the outputs: the corrected picture, the matte and, of several people, the matte of each."""
        chain = self.chain()
        own = {person.id("matte"): matte for person, matte in zip(self.people, chain.mattes, strict=True)}
        return {"result": chain.result, "matte": chain.matte} | own

    def without_faces(self) -> Correction:
        """Return the correction without its faces: those of one frame mean nothing on another."""
        return replace(self, people=tuple(replace(person, faces=(), join=None) for person in self.people))

    def as_dict(self) -> dict[str, Any]:
        """Return the figures as plain JSON data; those of several people under their names."""
        balance = None if self.balance is None else self.balance.config()["params"]
        if not self.people[0].name:
            return {"balance": balance, **self.people[0].as_dict()}
        return {"balance": balance, "subjects": {person.name: person.as_dict() for person in self.people}}


def _picture_nodes(
    balance: Balance | None, tone: ToneCurve, saturation: float, kept: frozenset[str] = frozenset()
) -> dict[str, Node]:
    """Return the steps for the whole picture by their ids, without those that would change nothing and are not kept."""
    nodes: dict[str, Node] = {"tone": tone, "saturation": replace(_SATURATION, saturation=saturation)}
    if balance is not None:
        nodes["balance"] = balance
    return {id: node for id, node in nodes.items() if id in kept or not node.is_identity()}


_SATURATION = cast(Cdl, LEVELS["saturation"])


# --- solving ------------------------------------------------------------------------------------------------


def solve_correction(frames: Sequence[MarkedFrame], wanted: CorrectionOptions | None = None) -> Correction:
    """Solve the standard chain on one or more frames of a clip; the first frame is the reference.

    The light first, then levels and saturation, then the key on that picture, the matte softened, and the skin steered
    onto its target: it is reached in the final picture.

    :raises SampleError, ReadingError, BalanceError, PictureError: what was marked cannot be used; the message says why.

    >>> import numpy as np
    >>> from inkarnat.nodes import MarkedFrame, Sample
    >>> picture = np.full((90, 160, 3), (0.3, 0.4, 0.6), np.float32)
    >>> picture[20:70, 40:100] = 0.62, 0.50, 0.40  # skin
    >>> correction = solve_correction([MarkedFrame(1, picture, (Sample.box(0.3, 0.3, 0.5, 0.6),))])
    >>> [link.id for link in correction.links()], round(correction.after.angle)
    (['skin', 'soften', 'steer'], 123)
    """
    return solve_subjects([Subject("", frames)], wanted)


def solve_subjects(subjects: Sequence[Subject], wanted: CorrectionOptions | None = None) -> Correction:
    """Solve the standard chain for one or more people, each with a key and a target of their own.

    Where the mattes of two people overlap, the likelier of them wins softly: a pixel's shares add up to at most 1.

    :raises SubjectError: no person, two of one name, or one of several without a name or a sample.
    :raises SampleError, ReadingError, BalanceError, PictureError: what was marked cannot be used; the message says why.

    >>> import numpy as np
    >>> from inkarnat.nodes import MarkedFrame, Sample, Subject
    >>> picture = np.full((90, 160, 3), (0.3, 0.4, 0.6), np.float32)
    >>> picture[20:70, 20:60], picture[20:70, 90:130] = (0.62, 0.50, 0.40), (0.45, 0.32, 0.24)  # two people
    >>> left, right = (Sample.box(x, 0.3, x + 0.1, 0.6) for x in (0.2, 0.62))
    >>> frames = [MarkedFrame(1, picture, (left,))], [MarkedFrame(1, picture, (right,))]
    >>> correction = solve_subjects([Subject("left", frames[0]), Subject("right", frames[1])])
    >>> [person.id("steer") for person in correction.people]
    ['steer-left', 'steer-right']
    """
    wanted = wanted or CorrectionOptions()
    _check_subjects(subjects)
    balance = _balance([frame for subject in subjects for frame in subject.frames], wanted)
    learned = [_Learned(subject, _beside(subject, subjects), balance, wanted) for subject in subjects]
    people = [person.corrected([other for other in learned if other is not person]) for person in learned]
    return Correction(
        balance=balance,
        people=tuple(people),
        tone=wanted.tone,
        saturation=wanted.saturation,
        kept=wanted.kept,
    )


def _check_subjects(subjects: Sequence[Subject]) -> None:
    if not subjects:
        raise SubjectError("There is nobody to correct: mark at least one person.")
    names = [subject.name for subject in subjects]
    for subject in subjects:
        if not subject.frames:
            raise PictureError("A correction needs at least one frame: give the frame to which the look is set.")
        if len(subjects) > 1 and not subject.name:
            raise SubjectError("Of several people each needs a name.")
        if names.count(subject.name) > 1:
            raise SubjectError(f"Two people are called {subject.name!r}: give each a name of their own.")
        if len(subjects) > 1 and not any(frame.add for frame in subject.frames):
            raise SubjectError(f"There is no sample of {subject.name!r}: add a point, a box or a stroke on their skin.")


def _beside(subject: Subject, subjects: Sequence[Subject]) -> list[MarkedFrame]:
    """Return a person's frames with what is marked of the others in the same frames kept out."""
    others = [frame for other in subjects if other is not subject for frame in other.frames]
    frames = []
    for mine in subject.frames:
        theirs = [sample for frame in others if frame.frame == mine.frame for sample in frame.add]
        frames.append(replace(mine, subtract=(*mine.subtract, *theirs)))
    return frames


class _Learned:
    """One person while the correction is being solved: what was learned, and their matte on any picture."""

    def __init__(
        self, subject: Subject, marked: Sequence[MarkedFrame], balance: Balance | None, wanted: CorrectionOptions
    ) -> None:
        self.subject, self.wanted, self.frame = subject, wanted, subject.frames[0].frame
        still = _picture_nodes(balance, wanted.tone, wanted.saturation)
        at = {f.frame: {**still, **wanted.varying.get(f.frame, {})} for f in marked}
        self.nodes = at[self.frame]
        pictures = [through(LEVELS_FIRST.before, at[f.frame], as_picture(f.picture)) for f in subject.frames]
        self.reference = pictures[0]
        self.soften = subject.soften or wanted.soften
        with self._named():
            self.learned = _learned_key(marked, pictures, wanted, subject.key or wanted.key)
        self.region = subject.region_at(self.frame)
        self.own = self.matte(self.reference, self.frame)

    def matte(self, picture: Picture, frame: int) -> Matte:
        """Return this person's matte on a balanced picture."""
        matte = with_faces(self.learned.key.process(picture), picture, self.learned.faces, self.learned.join)
        matte = self.soften.process(matte, picture)
        region = self.subject.region_at(frame)
        matte = matte if region is None else CombineMattes().process(matte, region.process(picture))
        return _shaped(matte, self.subject.shapes_at(frame), picture)

    def corrected(self, others: Sequence[_Learned]) -> Corrected:
        """Solve this person's steering on what the others leave of their matte."""
        share = self.own
        for other in others:
            likelier = CombineMattes("likelier").process(self.own, other.matte(self.reference, self.frame))
            share = CombineMattes("multiply").process(share, likelier)
        target = self.subject.target or self.wanted.target
        with self._named():
            steer = self.wanted.steer(self.reference, share, target)
            finished = through(LEVELS_FIRST.after, self.nodes, steer.process(self.reference, share))
            before = measure_skin(as_picture(self.subject.frames[0].picture), share)
            light = measure_skin(self.reference, share)  # on the picture whose light is right, signs mean something
            after = measure_skin(finished, share)
        warnings = self._warnings()
        if self.learned.person is None or any(warned.sign == "doubtful" for warned in warnings):
            warnings = (*warnings, *light.warnings())  # otherwise what strays lies on the person: skin in other light
        learned = self.learned if self.sampled else None
        told = self.learned.faces, self.learned.join
        steady = self.wanted.steady if self.subject.steady is None else self.subject.steady
        return Corrected(
            self.subject.name,
            self.learned.key,
            steer,
            self.region,
            target,
            before,
            after,
            warnings,
            learned,
            *told,
            self.frame,
            self.soften,
            SteadyMatte(frames=steady) if steady else None,
            self.subject.shapes_at(self.frame),
        )

    @property
    def sampled(self) -> bool:
        """Whether any skin was sampled, or is shown by a face."""
        return bool(self.learned.key.model)

    def _warnings(self) -> tuple[Warned, ...]:
        if not self.sampled:
            signs = judge_matte(self.own, self.reference)
            return (Warned("no sample", float(self.own.mean()), NATURAL_KEY_WARNING), *signs)
        limited = self.region is not None or any(word.startswith("in") for word in self.subject.shapes)
        return (*self.learned.warnings(self.own, self.reference, limited), *self._strange())

    def _strange(self) -> Iterator[Warned]:
        """Doubt the marks that do not look like skin."""
        frames = self.subject.frames
        for frame in frames:
            number = frame.frame if len(frames) > 1 else None
            yield from (not_skin(mark, likely, number) for mark, likely in frame.strange)

    @contextlib.contextmanager
    def _named(self) -> Iterator[None]:
        """Let an error say whose samples it is about."""
        try:
            yield
        except InkarnatError as error:
            if not self.subject.name:
                raise
            raise type(error)(f"Subject {self.subject.name!r}: {error}") from None


def _shaped(matte: Matte, shapes: Mapping[str, Region], picture: Picture) -> Matte:
    """Limit a matte to the shapes that keep in, all of them together, and take away those that keep out."""
    inside: Matte | None = None
    for region in (shape for word, shape in shapes.items() if word.startswith("in")):
        drawn = region.process(picture)
        inside = drawn if inside is None else CombineMattes("maximum").process(inside, drawn)
    if inside is not None:
        matte = CombineMattes().process(matte, inside)
    for region in (shape for word, shape in shapes.items() if word.startswith("out")):
        matte = CombineMattes("subtract").process(matte, region.process(picture))
    return matte


def _balance(frames: Sequence[MarkedFrame], wanted: CorrectionOptions) -> Balance | None:
    marked = [f for f in frames if f.neutral is not None]
    if marked:
        return solve_balance(marked[0].picture, marked[0].neutral)
    return wanted.balance


def _learned_key(
    frames: Sequence[MarkedFrame], pictures: Sequence[Picture], wanted: CorrectionOptions, key: SkinKey
) -> LearnedKey:
    seek = frames[0].seek
    if not seek and not any(f.add or f.faces for f in frames):
        if any(f.subtract for f in frames):
            raise SampleError(
                "There is a sample to subtract and none of skin from which to subtract it, and the natural range of "
                "skin does not learn: add a point, a box or a stroke on skin, or draw a region round the person."
            )
        return LearnedKey(replace(key, model=""), unconnected=0.0, recall=1.0)
    told = [(p, f) for p, f in zip(pictures, frames, strict=True) if f.seek or f.add or f.subtract or f.faces]
    (picture, first), *more = told
    learned = study_skin(
        picture,
        first.add,
        first.subtract,
        [(p, f.add, f.subtract) for p, f in more],
        faces=first.faces,
        more_faces=[f.faces for _, f in more],
        persons=[f.person for _, f in told],
        reach=wanted.reach,
        seek=seek,
    )
    return replace(learned, key=replace(key, model=learned.key.model, form=wanted.form))
