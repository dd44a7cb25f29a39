"""Doubt: the signs that a matte of skin wants a look, from the matte, its picture and the faces in it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ..kernels import face as drawn
from ..kernels import join, learn, measure, skin
from ..kernels.angles import wrapped
from ..kernels.arrays import as_picture, as_plane
from ..kernels.colour import rgb_to_ycbcr
from .declare import Matte, Picture
from .face import FaceMatte
from .limits import LIMITS, beyond
from .people import People, bare_skin_of, persons_of
from .sample import Sample
from .solve import SKIN_LINE, ReadingError, Warned, measure_skin
from .verdict import LeftBehind

BOUNDS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "soft": (0.0, 0.9),
        "cover": (0.0, 1.0),
        "reach": (0.0, 3.5),
        "elsewhere": (0.0, 0.9),
        "off the line": (0.0, 75.0),
        "rim": (0.0, 1.0),
    }
)
"""What :func:`doubt_figures` returns, and between which ends each counts: beyond, a figure says no more."""

FITTED: Mapping[tuple[bool, bool], Mapping[str, float]] = MappingProxyType(
    {
        (True, True): {
            "": 2.030,
            "cover": -4.188,
            "reach": 0.750,
            "elsewhere": 3.373,
            "rim": -1.137,
            "off the line": 0.022,
        },
        (True, False): {"": -0.059, "cover": -3.885, "reach": 1.089, "off the line": 0.026},
        (False, True): {"": -2.756, "soft": 3.764, "elsewhere": 4.156, "rim": -1.144, "off the line": 0.036},
    }
)
"""Weights of the figures, and a constant, in the log-odds that a matte's F1 lies below .6 rather than above .8: by
whether a face is known, and whether persons are. Above 0 the matte is doubted. Ridge logistic regression on the mattes
of 81 real pictures in four sets (``tests/fit_doubt.py``). Fitted on three sets and judged on the fourth, with a face
and persons known .71 of 252 bad mattes are told of (95 % .57 to .86) and .018 of 1357 good ones; with persons alone
.75 of 504 (.66 to .84) and .026 of 760. With a face alone, which is rare, what was fitted on 56 of them stays: .60 of
65 and .033 of 300. With neither the form tells, on the same 56 pictures .77 and .167.
So three bad mattes of ten stay silent, and more of those from right marks: sure ones of fair hair or clothes of the
skin's colour on the person."""


MATTE_SIGNS = (
    "too little",
    "leak",
    "leak at the rim",
    "ragged",
    "half open",
    "doubtful",
    "no edge",
    "left behind",
)
"""The signs that :func:`judge_matte` finds: on any frame, without what was learned."""

LEARNED_SIGNS = ("look-alike", "missed", "far from skin", "sought", "left out", "two lights", "not skin")
"""The signs that :meth:`.LearnedKey.warnings` and :func:`strange_marks` find beside them where a key is learned."""


def judge_matte(
    matte: Matte, image: Picture | None = None, faces: Sequence[FaceMatte] = (), person: People | None = None
) -> tuple[Warned, ...]:
    """Return the signs that a matte of skin wants a look.

    :param matte: float32 (H, W). :param image: float32 (H, W, 3 or 4), the picture it was made from. :param faces: the
        faces known in it. :param person: what is seen of people in it, see :data:`.people.People`; None where nobody
        looked. Without a picture the matte's own form is judged: how much of the frame and of its rim it covers, how
        ragged and how half open it is.
    :raises PictureError: wrong arrays.

    What is fitted finds most bad mattes and not all: that nothing is told is no praise.

    >>> matte = np.zeros((90, 160), np.float32)
    >>> matte[30:60, 60:100] = 1
    >>> judge_matte(matte)
    ()
    """
    matte = as_plane(matte)
    area = float(matte.sum(dtype=np.float64)) / matte.size
    if area < (LIMITS["too little"].check or 0.0):
        text = f"The key finds only {area:.2%} of the frame: widen it, or add a sample on the lit skin."
        return (Warned("too little", area, text),)
    if image is None or (person is None and not any(face.presence > 0 for face in faces)):
        return _of_form(matte, area, image)
    figures, covers = doubt_figures(matte, image, faces, person)
    if ("cover" in figures, "elsewhere" in figures) not in FITTED:
        return _of_form(matte, area, image)
    found = []
    lost = figures["soft"] >= _ALL_OPEN or figures.get("elsewhere", 0.0) >= _ALL_BESIDE
    doubt = max(doubt_of(figures), 1.0 if lost else 0.0)
    if beyond("doubtful", doubt):
        found.append(Warned("doubtful", doubt, _doubtful(figures)))
    for face, cover in zip(faces, covers, strict=True):
        if cover is not None and face.keyed > 0.5 and beyond("left behind", 1 - cover[0]):
            text = f"part of this face is left behind: {1 - cover[0]:.0%} of it, {cover[1]}. Add a sample there."
            found.append(Warned("left behind", 1 - cover[0], text[0].upper() + text[1:]))
    return tuple(found)


_SEEN = 0.87
"""How far a matte agrees with a map of bare skin where it need not be doubted: bench/RESULTS.md, "left out"."""


_OF_A_CLOSE_UP = frozenset(("leak", "no edge"))
"""What the matte of a close-up shows though it is right: it fills the frame, and ends where light fades on the skin."""


def judge_seen(
    matte: Matte,
    image: Picture,
    faces: Sequence[FaceMatte],
    look: Callable[[bool], People | None],
    *,
    close_up: bool = False,
) -> tuple[Warned, ...]:
    """Return what :func:`judge_matte` does by a map of persons, without what :func:`cleared` takes away.

    :param matte, image, faces: as there. :param look: returns what is seen of people in the picture, persons alone for
        False; with the marks of a key on the frame that it was learned from. Raises what it raises.
    :param close_up: the key was learned where skin fills the frame: see :class:`.LearnedKey`.

    >>> judge_seen(np.zeros((90, 160), np.float32), np.zeros((90, 160, 3), np.float32), (), lambda bare: None)[0].sign
    'too little'
    """
    found = judge_matte(matte, image, faces, look(False))
    if not {"doubtful", "left behind"} & {warned.sign for warned in found}:
        return cleared(found, matte, look, close_up)
    people = look(True)  # a beard or a mask before a face is no skin that was left behind
    return cleared(judge_matte(matte, image, faces, people), matte, lambda bare: people, close_up)


def cleared(
    found: Sequence[Warned], matte: Matte, look: Callable[[bool], People | None], close_up: bool
) -> tuple[Warned, ...]:
    """Return the signs of :func:`judge_matte` that stay: every surface takes away the others here.

    A doubt goes where a look for bare skin finds nearly what is keyed, and a leak where skin fills the frame.

    :param matte, look, close_up: as in :func:`judge_seen`; bare skin is looked for only where there is a doubt.

    >>> doubt, matte = Warned("doubtful", 0.9, ""), np.ones((90, 160), np.float32)
    >>> [len(cleared([doubt], matte, lambda bare: seen, False)) for seen in (None, np.ones((9, 16, 2), np.float32))]
    [1, 0]
    """
    fills = close_up and beyond("leak", float(as_plane(matte).mean(dtype=np.float64)))
    silent = _OF_A_CLOSE_UP if fills else frozenset()
    if "doubtful" in (warned.sign for warned in found):
        seen = _by_the_map(matte, look(True))
        if seen is not None and join.agreement(*seen) >= _SEEN:
            silent |= {"doubtful"}
    return tuple(warned for warned in found if warned.sign not in silent)


def _by_the_map(matte: Matte, people: People | None) -> tuple[Matte, Matte] | None:
    """Return a matte on the grid of a map of bare skin, and the map; None where nobody looked for bare skin."""
    bare = None if people is None else bare_skin_of(people)
    return None if bare is None else (join.on_grid(as_plane(matte), bare.shape), bare)


def sought(area: float) -> Warned:
    """Return the sign that skin was sought by its look: nobody has said that this is skin, so it wants a look.

    :param area: keyed part of the frame, 0 to 1.

    >>> sought(0.125).sign
    'sought'
    """
    text = f"No face is known and nothing is marked: skin was sought by its look, in {area:.1%} of the frame. "
    return Warned("sought", area, text + "Mark a spot on the skin if this is not it.")


def strange_marks(add: Sequence[Sample], people: People | None) -> tuple[tuple[Sample, float], ...]:
    """Return those marks of skin that lie on what does not look like bare skin, each with how likely it shows some.

    :param add: what is marked. :param people: what is seen in their picture where nothing is marked: near a mark,
        skin is always seen. Without a map of bare skin nothing is known.

    >>> seen = np.ones((90, 160, 2), np.float32)
    >>> seen[:, :80, 1] = 0
    >>> [str(mark) for mark, _ in strange_marks((Sample.point(0.2, 0.5), Sample.point(0.8, 0.5)), seen)]
    ['point:0.2,0.5']
    """
    bare = None if people is None else bare_skin_of(people)
    if bare is None:
        return ()
    least = LIMITS["not skin"].check or 0.0
    known = [(sample, sample.keyed(bare)) for sample in add]
    return tuple((sample, likely) for sample, likely in known if likely < least)


def not_skin(mark: Sample, likely: float, frame: int | None = None) -> Warned:
    """Return the sign that a mark of skin lies on something else: see :func:`strange_marks`.

    :param frame: that the mark is on, where there are several.

    >>> not_skin(Sample.point(0.2, 0.5), 0.01, 7).message.split(":")[0]
    'The point at 20 % across and 50 % down on frame 7 does not lie on what looks like bare skin'
    """
    x, y = np.mean(mark.places, axis=0)
    where = f"at {100 * x:.0f} % across and {100 * y:.0f} % down" + ("" if frame is None else f" on frame {frame}")
    text = f"The {mark.kind} {where} does not lie on what looks like bare skin: learn without it if it is on hair, "
    return Warned("not skin", likely, text + "cloth or a wall, whose colour is keyed too.")


_SURELY_BARE, _KEYED_AT_ALL, _ON_PERSONS = 0.9, 0.3, 0.6
"""From which likelihood on a cell surely shows bare skin, and from which value on a matte keys it; how likely persons
are at least where the one is and the other is not."""


def left_out(matte: Matte, people: People) -> Warned | None:
    """Return the sign that a matte leaves out what surely looks like bare skin, with where that lies; None where not.

    The largest piece on persons counts, against what is keyed. :param people: with the map of bare skin, which was
    told the marks; without it nothing is known.

    >>> matte, seen = np.zeros((90, 160), np.float32), np.zeros((90, 160, 2), np.float32)
    >>> matte[10:40, 10:50] = 1
    >>> seen[10:80, 10:150] = 1
    >>> seen[40:, :100, 1] = seen[:60, 50:100, 1] = 0
    >>> left_out(matte, seen).message.split(":")[1].split(",")[0]
    ' on the right'
    """
    if (seen := _by_the_map(matte, people)) is None:
        return None
    (small, bare), person = seen, persons_of(people)
    missed = (bare >= _SURELY_BARE) & ~join.grown(small > _KEYED_AT_ALL)
    missed = join.grown(~join.grown(~missed))  # without threads of cells, as along an edge
    labels, area = join.pieces(missed)
    for label in np.argsort(-area[1:], kind="stable") + 1:
        here = labels == label
        if float(person[here].mean(dtype=np.float64)) < _ON_PERSONS:
            continue
        share = float(area[label]) / max(int((small > 0.5).sum()), 1)
        if not beyond("left out", share):
            return None
        text = f"What looks like bare skin is left out: {_place(here)}, {share:.0%} as much as is keyed. Add a sample "
        return Warned("left out", share, text + "there if it is skin to be corrected.")
    return None


def _place(here: NDArray[np.bool_]) -> str:
    """Say where in a frame a piece lies."""
    rows, columns = (float(at.mean()) / size for at, size in zip(np.nonzero(here), here.shape, strict=True))
    height = "upper" if rows < 1 / 3 else "lower" if rows > 2 / 3 else ""
    side = "left" if columns < 1 / 3 else "right" if columns > 2 / 3 else ""
    if height and side:
        return f"{height} {side}"
    return f"{height} middle" if height else f"on the {side}" if side else "in the middle"


def doubt_of(figures: Mapping[str, float]) -> float:
    """Return how likely a matte is bad rather than good, 0 to 1, from its :func:`doubt_figures`.

    >>> good = {"soft": 0.1, "elsewhere": 0.0, "rim": 0.8, "off the line": 2.0}
    >>> doubt_of(good | {"elsewhere": 0.8}) > 0.5 > doubt_of(good)
    True
    """
    weights = FITTED["cover" in figures, "elsewhere" in figures]
    odds = sum(weight * (figures[name] if name else 1.0) for name, weight in weights.items())
    return 1 / (1 + math.exp(-odds))


_PLAIN_STEP, _UNSURE, _ALONG_THE_RIM = 0.12, 0.585, 1.15
"""Median step of luma along an edge that the picture shows, soft share from which a matte is unsure for all that, and
how far it may run along the frame, in sides of a square of its area. Without a known face, on 18 real pictures the form
alone warns of 14 of 14 bad mattes and 12 of 58 good ones, with these of 14 and 0; of 91
generated bad ones of all, and of 106 good ones of at most 9.
From .08 to .16 the step tells the same within one matte."""


def _has_no_edge(signs: skin.Signs) -> bool:
    """Tell whether a matte ends where the picture hardly changes: beside it lies something of its colour and light."""
    return signs.rim < (LIMITS["no edge"].check or 0.0)


def _no_edge(rim: float) -> Warned:
    text = (
        f"The matte is in doubt: the picture changes by only {rim:.2f} stops along its edge, so hair, a hat or haze of "
    )
    return Warned(
        "no edge", rim, text + "the skin's colour may be keyed. Subtract it, or draw a region round the person."
    )


def _signs_of(matte: Matte, image: Picture) -> skin.Signs:
    small, frame = _on_the_grid(matte, as_picture(image))
    return skin.signs_of(small, frame.luma, frame.u, frame.v, [])


def is_plain(matte: Matte, image: Picture) -> bool:
    """Tell whether a matte is sure and its edge runs where the picture shows one: then its form says little."""
    keyed = matte > 0.5
    if _rim(keyed) > _ALONG_THE_RIM * math.sqrt(max(int(keyed.sum()), 1)):
        return False
    signs = _signs_of(matte, image)
    return signs.contrast >= _PLAIN_STEP and signs.soft <= _UNSURE


def _of_form(matte: Matte, area: float, image: Picture | None = None) -> tuple[Warned, ...]:
    """Return the signs that a matte alone gives: it leaks, is ragged or half open.

    :param image: where its edge is plain, only a leak over most of the frame counts.
    """
    soft = measure.soft_share(matte)
    keyed = matte > 0.5
    side = math.sqrt(max(int(keyed.sum()), 1))  # of a square as large: against it lengths mean the same at any size
    found = []
    if beyond("leak", area):
        text = f"The key covers {area:.0%} of the frame: it has leaked, unless the face fills it. Narrow it, or "
        found.append(Warned("leak", area, text + "subtract the surroundings."))
    elif beyond("leak at the rim", rim := _rim(keyed) / side):
        found.append(
            Warned(
                "leak",
                rim,
                f"The key runs along the frame's top and sides for {rim:.1f} times the side of a square of its area "
                f"(at most {LIMITS['leak at the rim'].check:g} is usual): it has leaked, unless the frame cuts the "
                "face. Subtract the surroundings, or sample skin alone.",
            )
        )
    if beyond("ragged", edge := _edge(keyed) / side):
        found.append(
            Warned(
                "ragged",
                edge,
                f"The key's edge is {edge:.0f} times as long as the side of a square of its area (at most "
                f"{LIMITS['ragged'].check:g} is usual): it takes specks of the surroundings along, unless there are "
                "many people. Subtract the surroundings, or narrow the key.",
            )
        )
    if beyond("half open", soft):
        text = f"{soft:.0%} of the matte is half open: the key is unsure. Add a sample, or narrow the key."
        found.append(Warned("half open", soft, text))
    if image is None:
        return tuple(found)
    if _has_no_edge(signs := _signs_of(matte, image)):
        return (*found, _no_edge(signs.rim))
    return () if found and not beyond("leak", area) and is_plain(matte, image) else tuple(found)


def _rim(keyed: NDArray[np.bool_]) -> int:
    """Return how many pixels of the frame's top and sides are keyed: skin leaves it at the bottom as a rule."""
    return int(keyed[0].sum()) + int(keyed[1:, 0].sum()) + int(keyed[1:, -1].sum())


def _edge(keyed: NDArray[np.bool_]) -> int:
    """Return how many pairs of neighbours the edge of the keyed area parts."""
    return int((keyed[:, 1:] != keyed[:, :-1]).sum()) + int((keyed[1:] != keyed[:-1]).sum())


_ALL_OPEN = 0.85
"""Half-open share from which nothing is sure, whatever else is told: no good one of 2,000 real mattes has it."""
_ALL_BESIDE = 0.6
"""Share on no person from which nothing else counts: none of 2,100 good real mattes has it, and 238 bad ones."""

_REASONS: Mapping[str, tuple[float, str]] = MappingProxyType(
    {
        "soft": (0.35, "{share:.0%} of it is half open: add a sample on skin that is grey in the matte"),
        "cover": (-0.6, "it finds {share:.0%} of the face: add a sample on the rest"),
        "reach": (1.6, "it covers {times:.1f} times the face's own skin: subtract what is none"),
        "elsewhere": (
            0.15,
            "{share:.0%} of it lies where no person is seen: subtract that, or draw a region round the person",
        ),
        "off the line": (30.0, "its hue lies {figure:.0f}° from the skin line: strong coloured light, or no skin"),
        "rim": (
            -0.35,
            "the picture changes by only {figure:.2f} stops along its edge: subtract hair, a hat or a wall",
        ),
    }
)
"""From where each figure is a reason to doubt, below 0 a figure that must not be less, and what is said then."""


def _doubtful(figures: Mapping[str, float]) -> str:
    """Say why a matte is doubted, the weightiest reason first."""
    weights = FITTED["cover" in figures, "elsewhere" in figures]
    told = []
    for name in (name for name in weights if name):
        limit, text = _REASONS[name]
        figure = figures[name]
        weight = abs(weights[name]) * ((figure - limit) if limit > 0 else -(figure + limit))
        told.append((weight, text.format(share=figure, times=2**figure, figure=figure)))
    told.sort(key=lambda reason: -reason[0])
    reasons = [text for weight, text in told if weight >= 0] or [told[0][1]]
    if figures["soft"] >= _ALL_OPEN and "soft" not in weights:
        reasons.insert(0, _REASONS["soft"][1].format(share=figures["soft"]))
    return f"The matte is in doubt: {'; '.join(reasons)}."


Cover = tuple[float, str]
"""How much of a face is keyed, 0 to 1, and where the rest lies, in words."""


def doubt_figures(
    matte: Matte, image: Picture, faces: Sequence[FaceMatte] = (), person: People | None = None
) -> tuple[dict[str, float], tuple[Cover | None, ...]]:
    """Return the figures by which a matte can be doubted, within :data:`BOUNDS`, and how much of each face is keyed.

    "soft": share that is half open. "rim": median step of light along its edge, in stops. "off the line": degrees of
    its hue from the skin line. With a known face "cover": the largest share of a face that is keyed; "reach": what is
    keyed, in doublings of the faces' own skin. With persons "elsewhere": the share of it that lies on none. All on the
    reduced frame.

    :raises PictureError: wrong arrays.
    """
    image = as_picture(image)
    small, frame = _on_the_grid(matte, image)
    shape = small.shape
    cells = drawn.cells_of(image) if faces else None
    cuts = [drawn.cut(cells, f.landmarks, shape) if cells and f.presence > 0 else None for f in faces]
    there = [cut for cut in cuts if cut is not None]
    signs = skin.signs_of(small, frame.luma, frame.u, frame.v, there)
    seen = None if person is None else join.on_grid(persons_of(person), shape)
    if seen is not None and (seen > 0.5).mean() < _SOMEBODY:
        seen = None  # nobody is seen: a hand alone, or a picture that is like none the network knows
    bare = None if person is None else bare_skin_of(person)
    bare = None if bare is None else join.on_grid(bare, shape)
    keyed = small > 0.5
    found = {"soft": signs.soft, "rim": signs.rim, "off the line": _off_the_line(frame, keyed)}
    if seen is not None:
        found["elsewhere"] = float((small * (1 - seen)).sum()) / max(float(small.sum()), 1e-3)
    if signs.cover is not None:
        core = np.zeros(shape, np.bool_)
        for cut in there:
            core[cut.window.slices] |= cut.core
        found["cover"] = signs.cover
        found["reach"] = math.log2(max(int(keyed.sum()), 1) / int(core.sum()))
    limited = {name: float(np.clip(figure, *BOUNDS[name])) for name, figure in found.items()}
    return limited, tuple(None if cut is None else _cover(small, cut, bare) for cut in cuts)


_MAY_BE_BARE = 0.3
"""Likelihood of bare skin from which a cell of a drawn face may be skin: a beard, a mask or a visor may lie there."""
_SOMEBODY = 0.01
"""How much of a frame persons fill at least."""


def knows_somebody(faces: Sequence[FaceMatte], person: People | None) -> bool:
    """Tell whether a face is known in a picture, or a person: then what is fitted judges its mattes.

    :param faces, person: as in :func:`judge_matte`.

    >>> knows_somebody((), None), knows_somebody((), np.ones((9, 16), np.float32))
    (False, True)
    """
    seen = person is not None and float((persons_of(person) > 0.5).mean()) >= _SOMEBODY
    return seen or any(face.presence > 0 for face in faces)


def _on_the_grid(matte: Matte, image: Picture) -> tuple[Matte, learn.Frame]:
    """Return a matte and its picture on the reduced frame."""
    matte = as_plane(matte, like=image.shape[:2])
    frame = learn.reduce_frame(image, *(np.zeros(matte.shape, np.bool_),) * 2)
    return join.on_grid(matte, frame.luma.shape), frame


def _off_the_line(frame: learn.Frame, keyed: NDArray[np.bool_]) -> float:
    """Return how far the middle of the keyed colours lies from the skin line, in degrees; 0 where nothing is keyed."""
    if not keyed.any():
        return 0.0
    u, v = (float(np.median(plane[keyed].astype(np.float64))) for plane in (frame.u, frame.v))
    return abs(float(wrapped(math.degrees(math.atan2(v, u)) - SKIN_LINE)))


def _cover(matte: Matte, cut: drawn.FaceCut, bare: Matte | None) -> Cover | None:
    core = cut.core
    if bare is not None:
        core = core & (bare[cut.window.slices] > _MAY_BE_BARE)
    if not core.any():
        return None
    missing = core & (matte[cut.window.slices] <= 0.5)
    if not missing.any():
        return 1.0, ""
    across, down = float(cut.across[missing].mean()), float(cut.down[missing].mean()) - 0.42
    side = "on its right in the picture" if across > 0 else "on its left in the picture"
    height = "above" if down < 0 else "below"
    return 1 - float(missing.sum() / core.sum()), side if abs(across) > abs(down) else height


# --- faces --------------------------------------------------------------------------------------------------


def left_behind(light: Picture, final: Picture, matte: Matte, face: Sample) -> LeftBehind | None:
    """Return the part of a face's middle whose colour is that of the rest of it and that is not keyed.

    :param light, final: float32 (H, W, 3 or 4), with the light alone corrected, and in the end. :param matte: float32
        (H, W). :param face: the sample of the face: see :meth:`Sample.face`.
    :returns: None where nothing of it is left, or too little to be read.
    :raises PictureError: wrong arrays.

    >>> skin = np.full((90, 160, 3), (0.62, 0.48, 0.40), np.float32)
    >>> matte = np.ones((90, 160), np.float32)
    >>> matte[:, 80:] = 0  # half of the face is not keyed
    >>> round(left_behind(skin, skin, matte, Sample.face(0.4, 0.2, 0.6, 0.8)).share, 1)
    0.5
    """
    matte = as_plane(matte, like=as_picture(light).shape[:2])
    inside = face.mask(*matte.shape)
    missed = np.where(matte < 0.5, inside.astype(np.float32), np.float32(0))
    try:
        whole = measure_skin(light, inside.astype(np.float32))
        begins, ends = measure_skin(light, missed), measure_skin(final, missed)
    except ReadingError:
        return None
    y, cb, cr = rgb_to_ycbcr(np.ascontiguousarray(light[inside][None, :, :3]))[0].T
    off = np.abs(wrapped(np.degrees(np.arctan2(cr, cb)) - whole.angle))
    skin_too = (off < _SAME_SKIN) & (np.hypot(cb, cr) > whole.ratio * y / 2) & (y > _DARKEST)
    share = float((skin_too & (matte[inside] < 0.5)).sum()) / max(int(skin_too.sum()), 1)
    return LeftBehind(share, ends.angle, (wrapped(ends.angle - begins.angle), ends.ratio / max(begins.ratio, 1e-6)))


def burnt_out(final: Picture, matte: Matte, shot: Picture) -> float:
    """Return the share of the keyed pixels of which a component is at white or beyond in the end.

    :param final, shot: float32 (H, W, 3 or 4), in the end and as it was shot. :param matte: float32 (H, W).
    :returns: 0 to 1; 0 where the picture goes beyond white as it was shot: its signal does not end there.

    >>> skin = np.full((90, 160, 3), (0.62, 0.48, 0.40), np.float32)
    >>> matte = np.ones((90, 160), np.float32)
    >>> burnt_out(skin, matte, skin), burnt_out(2 * skin, matte, skin)
    (0.0, 1.0)
    """
    keyed = matte >= 0.5
    if not keyed.any() or float(np.nanmax(shot[::4, ::4, :3], initial=0.0)) > _BEYOND_WHITE:
        return 0.0
    return float((final[keyed][:, :3].max(axis=1) >= _AT_WHITE).mean())


_AT_WHITE, _BEYOND_WHITE = 0.998, 1.02
_SAME_SKIN, _DARKEST = 20.0, 0.06
"""Degrees of hue within which two parts of a face are the same skin, and luma below which its hue says nothing."""


def worst_left_behind(found: Sequence[LeftBehind | None]) -> LeftBehind | None:
    """Return the face of which most is left behind, None without any.

    >>> worst_left_behind([None, LeftBehind(0.4, 123.0), LeftBehind(0.1, 124.0)]).share
    0.4
    """
    known = [each for each in found if each is not None]
    return max(known, key=lambda each: each.share, default=None)
