"""The standard chain: the whole correction of one clip, solved from samples and returned as configured nodes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from ..kernels.arrays import as_picture
from ..kernels.errors import PictureError
from .balance import Balance, solve_balance
from .declare import Matte, Node, Picture
from .key import SkinKey
from .matte import SoftenMatte
from .sample import Sample
from .solve import (
    Lesson,
    SkinReading,
    SkinTarget,
    Warned,
    judge_matte,
    measure_skin,
    solve_steer,
    study_skin,
)
from .steer import SteerSkin
from .tone import Cdl, ToneCurve

NATURAL_KEY_WARNING = (
    "No sample was given, so the natural range of skin is keyed: it also takes wood, sand, rope and hair of that "
    "colour. Look at the matte, or add a sample on skin."
)


@dataclass(frozen=True)
class Link:
    """One node of a chain: its id, the node, and the source or id that feeds each of its ports."""

    id: str
    node: Node
    inputs: Mapping[str, str]


@dataclass(frozen=True)
class MarkedFrame:
    """A frame with what a person marked on it: samples of skin, of what must stay out, and of something neutral."""

    frame: int
    picture: Picture
    add: tuple[Sample, ...] = ()
    subtract: tuple[Sample, ...] = ()
    neutral: Sample | None = None


@dataclass(frozen=True)
class Wishes:
    """What a person asks of a correction beyond the samples.

    :ivar target: where the skin should rest. :ivar method: how SteerSkin moves it.
    :ivar balance: a balance to use as it is, or None to solve one where a frame has a neutral sample.
    :ivar tone: black, white and curve of the picture, after the steering. :ivar saturation: of the whole picture.
    :ivar reach: how far the key spreads from the samples. :ivar form: which form of the key to use.
    """

    target: SkinTarget = field(default_factory=SkinTarget)
    method: str = "turn"
    balance: Balance | None = None
    tone: ToneCurve = field(default_factory=ToneCurve)
    saturation: float = 1.0
    reach: float = 1.0
    form: str = "table"


@dataclass(frozen=True)
class Correction:
    """A solved correction: its nodes, and what the skin read before and after on the reference frame.

    :ivar balance: None where the light is left as it is.
    """

    balance: Balance | None
    key: SkinKey
    soften: SoftenMatte
    steer: SteerSkin
    tone: ToneCurve
    saturation: float
    before: SkinReading
    after: SkinReading
    warnings: tuple[Warned, ...]

    def links(self, source: str = "plate") -> tuple[Link, ...]:
        """Return the chain in order; steps that would change nothing are left out."""
        chain: list[Link] = []
        balanced = source
        if self.balance is not None:
            balanced = "balance"
            chain.append(Link(balanced, self.balance, {"image": source}))
        chain.append(Link("skin", self.key, {"image": balanced}))
        chain.append(Link("soften", self.soften, {"matte": "skin", "guide": balanced}))
        chain.append(Link("steer", self.steer, {"image": balanced, "matte": "soften"}))
        for id, node in _last_steps(self.tone, self.saturation):
            chain.append(Link(id, node, {"image": chain[-1].id}))
        return tuple(chain)

    def outputs(self) -> dict[str, str]:
        """Return the outputs of the chain: the corrected picture and the matte."""
        return {"result": self.links()[-1].id, "matte": "soften"}

    def as_dict(self) -> dict[str, Any]:
        """Return the figures as plain JSON data."""
        balance = None if self.balance is None else self.balance.config()["params"]
        return {
            "before": self.before.as_dict(),
            "after": self.after.as_dict(),
            "balance": balance,
            "steer": {"angle": self.steer.angle, "saturation": self.steer.saturation, "method": self.steer.method},
            "warnings": [{"sign": w.sign, "figure": w.figure, "message": w.message} for w in self.warnings],
        }


def _last_steps(tone: ToneCurve, saturation: float) -> list[tuple[str, Node]]:
    steps: list[tuple[str, Node]] = []
    if tone != ToneCurve():
        steps.append(("tone", tone))
    if saturation != 1:
        steps.append(("saturation", Cdl(saturation=saturation, clamp=False)))
    return steps


def solve_correction(frames: Sequence[MarkedFrame], wishes: Wishes | None = None) -> Correction:
    """Solve the standard chain on one or more frames of a clip; the first frame is the reference.

    Balance first, then the key on the balanced picture, the matte softened, the skin steered onto its target, and
    tone and saturation last so that they do not move the key.

    :raises SampleError, ReadingError, BalanceError, PictureError: what was marked cannot be used; the message says why.
    """
    if not frames:
        raise PictureError("A correction needs at least one frame: give the frame to which the look is set.")
    wishes = wishes or Wishes()
    balance = _balance(frames, wishes)
    pictures = [as_picture(f.picture) if balance is None else balance.process(f.picture) for f in frames]
    lesson = _lesson(frames, pictures, wishes)
    soften = SoftenMatte()
    reference = pictures[0]
    matte = soften.process(lesson.key.process(reference), reference)
    steer = solve_steer(reference, matte, wishes.target, wishes.method)
    finished = steer.process(reference, matte)
    for _, node in _last_steps(wishes.tone, wishes.saturation):
        finished = node.process(finished)  # type: ignore[attr-defined]
    return Correction(
        balance=balance,
        key=lesson.key,
        soften=soften,
        steer=steer,
        tone=wishes.tone,
        saturation=wishes.saturation,
        before=measure_skin(as_picture(frames[0].picture), matte),
        after=measure_skin(finished, matte),
        warnings=_warnings(lesson, matte, frames),
    )


def _balance(frames: Sequence[MarkedFrame], wishes: Wishes) -> Balance | None:
    marked = [f for f in frames if f.neutral is not None]
    if marked:
        return solve_balance(marked[0].picture, marked[0].neutral)
    return wishes.balance


def _lesson(frames: Sequence[MarkedFrame], pictures: Sequence[Picture], wishes: Wishes) -> Lesson:
    if not any(f.add for f in frames):
        return Lesson(SkinKey(), unconnected=0.0, recall=1.0)
    sampled = [(p, f.add, f.subtract) for p, f in zip(pictures, frames, strict=True) if f.add or f.subtract]
    first, *more = sampled
    lesson = study_skin(*first, more, reach=wishes.reach)
    key = SkinKey(model=lesson.key.model, form=wishes.form)
    return Lesson(key, lesson.unconnected, lesson.recall)


def _warnings(lesson: Lesson, matte: Matte, frames: Sequence[MarkedFrame]) -> tuple[Warned, ...]:
    if any(f.add for f in frames):
        return lesson.warnings(matte)
    share = float(matte.mean())
    return (Warned("no sample", share, NATURAL_KEY_WARNING), *judge_matte(matte))
