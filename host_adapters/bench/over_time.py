"""How steady a matte is over time: the keyed area from frame to frame, of a clip and of a generated pan.

Through a clip each face is followed as `correct` does it, and the graph that it solves gives a matte for every frame.
The step between two frames is the change of the keyed area in parts of it. Where the truth is known, its own change is
taken off first: what enters and leaves is no fault of the matte.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels.errors import InkarnatError
from ...nodes import CorrectionOptions
from ...nodes.declare import Matte, Picture
from ..graphs.runner import Runner
from ..shots.solving import Footage, SolveOptions, SubjectMarks, solve
from ..workshop import Pose, camera, portrait

LARGE = 0.05
"""A step that is seen as a jump, in parts of the area."""
_LEAST_SHOWN = 0.05
"""Part of the largest true area below which a pair of frames is left out: what is left of a face at the edge."""

Doubles = NDArray[np.float64]


@dataclass(frozen=True)
class Steps:
    """How the keyed area changes from frame to frame.

    :ivar name: of the clip. :ivar steady: frames on either side that steady the matte. :ivar pairs: how many count.
    :ivar median, p95, most: of the steps, in parts of the area. :ivar large: pairs above :data:`LARGE`.
    :ivar worst: the first frame of the pair with the largest step.
    """

    name: str
    steady: int
    pairs: int
    median: float
    p95: float
    most: float
    large: int
    worst: int

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain JSON data."""
        return asdict(self)


@dataclass
class Pan:
    """A clip in which a person walks through the frame, tilting the head; each frame is painted once.

    :ivar depth: of the skin. :ivar count: how many frames. :ivar height: lines.
    """

    depth: str = "tan"
    count: int = 60
    height: int = 360
    seed: int = 11
    _made: dict[int, tuple[Picture, Matte, NDArray[np.bool_]]] = field(default_factory=dict)

    missing = ()

    @property
    def path(self) -> str:
        """What it is called."""
        return f"generated pan, {self.depth}"

    @property
    def frames(self) -> range:
        """Its frames."""
        return range(1, self.count + 1)

    def read(self, frame: int) -> Picture:
        """Return the picture at a frame."""
        return self._frame(frame)[0]

    def truth(self, frame: int) -> tuple[Matte, NDArray[np.bool_]]:
        """Return how much of each pixel is skin, and which pixels may be keyed or not."""
        return self._frame(frame)[1:]

    def _frame(self, frame: int) -> tuple[Picture, Matte, NDArray[np.bool_]]:
        if frame not in self._made:
            part = (frame - 1) / (self.count - 1)
            pose = Pose(tilt=0.35 * math.sin(2 * math.pi * part))
            scene = portrait(
                self.depth, self.seed, self.height * 16 // 9, self.height, wall="plaster",
                move=(1.35 - 2.7 * part, 0.0), pose=pose,
            )  # fmt: skip
            picture = np.ascontiguousarray(camera(scene.light, self.seed * 1000 + frame), np.float32)
            self._made[frame] = picture, scene.matte, scene.ignore
        return self._made[frame]


def steps_of(areas: Sequence[float], true: Sequence[float] | None = None) -> Iterator[tuple[int, float]]:
    """Yield the step after each frame that counts: the frame's place, and the step in parts of the area.

    :param true: the true areas, whose own change is taken off.

    >>> [(k, round(step, 3)) for k, step in steps_of([100, 102, 102])]
    [(0, 0.02), (1, 0.0)]
    >>> [(k, round(step, 3)) for k, step in steps_of([100, 151, 0], [98, 149, 0])]
    [(0, 0.0)]
    """
    known = np.zeros(len(areas)) if true is None else np.asarray(true, np.float64)
    least = -1.0 if true is None else _LEAST_SHOWN * float(known.max())
    for k in range(len(areas) - 1):
        mean = (areas[k] + areas[k + 1]) / 2
        if min(known[k], known[k + 1]) <= least:
            continue
        change = (areas[k + 1] - areas[k]) - (known[k + 1] - known[k])
        yield k, float(abs(change) / mean) if mean > 0 else float(change != 0)


def run_clip(
    clip: Footage,
    steady: int = 0,
    marks: SubjectMarks | None = None,
    frame: int | None = None,
    tell: Callable[[int], object] = lambda frame: None,
) -> Steps:
    """Solve a clip as `correct` does, its faces followed, and measure the keyed area over all of its frames.

    :param steady: frames on either side that steady the matte. :param marks: samples; without any, all faces are keyed.
    :param frame: the reference; the middle of the clip where None. :param tell: called after each frame.

    Raises SampleError where neither a mark nor a face says what is skin; InkarnatError of a clip of one frame.
    """
    frames = [at for at in clip.frames if at not in clip.missing]
    if len(frames) < 2:
        raise InkarnatError(f"{clip.path} has one frame, and a step lies between two: name a clip.")
    first, last = frames[0], frames[-1]
    reference = frames[len(frames) // 2] if frame is None else frame
    wanted = CorrectionOptions(steady=steady)
    subjects = (marks or SubjectMarks(),)
    options = SolveOptions(subjects, frame=reference, through=True, wanted=wanted, natural_range=False)
    runner, held = Runner(solve(clip, options).graph), {}  # type: ignore[var-annotated]

    def fetch(_: str, at: int) -> Picture:
        return clip.read(min(max(at, first), last))

    areas, true = [], []
    for at in frames:
        matte = runner.run_frame(at, fetch, ("matte",), held)["matte"]
        if isinstance(clip, Pan):
            skin, ignore = clip.truth(at)
            areas.append(float(matte[~ignore].sum(dtype=np.float64)))
            true.append(float(skin[~ignore].sum(dtype=np.float64)))
        else:
            areas.append(float(matte.sum(dtype=np.float64)))
        tell(at)
    found = list(steps_of(areas, true or None))
    steps = np.array([step for _, step in found])
    worst = found[int(np.argmax(steps))][0]
    return Steps(
        str(clip.path),
        steady,
        len(steps),
        float(np.median(steps)),
        float(np.percentile(steps, 95)),
        float(steps.max()),
        int((steps > LARGE).sum()),
        frames[worst],
    )
