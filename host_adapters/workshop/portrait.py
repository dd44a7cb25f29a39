"""Portraits with exact truth: the scene, and clips in which head and hand move a little."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels.errors import InkarnatError
from .camera import camera
from .hand import paint_hand
from .paint import Array, random_stream
from .person import Person, make_person, paint_person
from .relief import Lighting, Relief, gathered
from .room import GREY_CARD, WALLS, WHITE_CARD, RoomPlan, paint_room
from .skin import SKIN_DEPTHS

Places = dict[str, Any]


class WorkshopError(InkarnatError, ValueError):
    """A setting of the generated scene that is not allowed."""


@dataclass(frozen=True)
class Scene:
    """A picture of the workshop and what is true about it.

    :ivar light: clean linear BT.709 light, float32 (H, W, 3), white at 1; shine may exceed 1.
    :ivar matte: how much of each pixel is skin, float32 (H, W), 0 to 1; stubble and lips count, eyes, brows and
        hair do not.
    :ivar ignore: bool (H, W): brows, eyes and lips with their edges, which may be keyed or not.
    :ivar objects: uint8 (H, W): :class:`Thing` ids.
    :ivar places: coordinates normalised to the frame: the boxes (x0, y0, x1, y1) ``grey_card``, ``white_card`` and
        ``face``, the points (x, y) ``cheek``, ``forehead`` and ``hand``, and ``stroke``, a list of points across
        forehead, cheek and chin. With two faces also ``second_face``, ``second_cheek``, ``second_forehead`` and
        ``second_stroke``. A place may lie outside the frame where ``move`` takes it there.
    """

    light: Array
    matte: Array
    ignore: NDArray[np.bool_]
    objects: NDArray[np.uint8]
    places: Places


@dataclass(frozen=True)
class Pose:
    """How the people stand in one frame; 0 throughout at rest. Lengths in frame heights, angles in radians."""

    head: tuple[float, float] = (0.0, 0.0)
    tilt: float = 0.0
    hand: tuple[float, float] = (0.0, 0.0)
    wave: float = 0.0


def _allowed(name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise WorkshopError(f"portrait: {name} must lie between {low:g} and {high:g}, not {value!r}.")


def _known(name: str, value: str, known: dict[str, Any]) -> None:
    if value not in known:
        raise WorkshopError(f"portrait: {name} {value!r} is unknown: use one of {', '.join(known)}.")


def portrait(
    depth: str = "light",
    seed: int = 0,
    width: int = 640,
    height: int = 360,
    *,
    wall: str = "cedar",
    similar: float = 0.0,
    beard: bool = True,
    move: tuple[float, float] = (0.0, 0.0),
    light_direction: tuple[float, float, float] = (-0.62, -0.5, 0.6),
    key: float = 1.0,
    fill: float = 0.05,
    exposure: float = 1.0,
    blotch: float = 0.0,
    faces: int = 1,
    second_depth: str = "dark",
    pose: Pose | None = None,
) -> Scene:
    """Return a portrait in the boat-building workshop; the same arguments give the same bits.

    :param depth: the person's skin, a key of ``SKIN_DEPTHS``. :param seed: hair, textures and grain; 0 or more.
    :param width: of the frame in pixels, 64 to 8192, at least the height; the composition is the same at any size.
    :param wall: "cedar", "cardboard", "sand" or "plaster".
    :param similar: 0 to 1: how far the wall approaches the skin's own colour.
    :param beard: stubble. :param move: shift of the people, (x, y) in frame heights.
    :param light_direction: toward the key light: x right, y down, z toward the viewer (z above 0).
    :param key: strength of the key light. :param fill: of the fill light, beside it. :param exposure: factor on both.
    :param blotch: 0 to 2: patches of more and less blood in the skin.
    :param faces: 1, or 2 for a second person of ``second_depth``. :param pose: see :class:`Pose`.
    :raises WorkshopError: a value that is not allowed.
    """
    _known("depth", depth, SKIN_DEPTHS)
    _known("second_depth", second_depth, SKIN_DEPTHS)
    _known("wall", wall, WALLS)
    _allowed("seed", seed, 0, 2**32)
    _allowed("height", height, 36, 8192)
    _allowed("width", width, max(64, height), 8192)
    _allowed("similar", similar, 0, 1)
    _allowed("blotch", blotch, 0, 2)
    _allowed("faces", faces, 1, 2)
    _allowed("light_direction's z", light_direction[2], 1e-3, np.inf)
    lighting = Lighting(
        (light_direction[0], light_direction[1], light_direction[2]), float(key), float(fill), float(exposure)
    )
    plan = RoomPlan(width, height, seed, wall, float(similar), SKIN_DEPTHS[depth], lighting)
    pose = pose or Pose()
    people = _cast_of(depth, second_depth, seed, faces, beard, blotch, move, pose)
    hand = (people[0].x - 0.40 - pose.head[0] + pose.hand[0], 0.655 + move[1] + pose.hand[1])
    room, things = paint_room(plan)
    light, matte, unscored, objects = _with_figures(room, things, people, hand, pose, lighting)
    return Scene(light, matte, unscored, objects, _places(people, hand, width / height))


def _cast_of(
    depth: str, second_depth: str, seed: int, faces: int, beard: bool, blotch: float,
    move: tuple[float, float], pose: Pose,
) -> list[Person]:  # fmt: skip
    random = random_stream(seed, "stand")
    sway, lean = random.uniform(-0.02, 0.02), random.uniform(-0.05, 0.05)
    spots = ((0.0, 0.41, 0.232),) if faces == 1 else ((-0.16, 0.43, 0.205), (0.30, 0.47, 0.185))
    people = []
    for index, ((x, y, unit), name) in enumerate(zip(spots, (depth, second_depth), strict=False)):
        tone = SKIN_DEPTHS[name]
        person = make_person(x + sway + move[0], y + move[1], unit, tone, seed, index, beard and index == 0)
        sign = 1 if index == 0 else -0.7
        shifted = replace(
            person,
            x=person.x + sign * pose.head[0],
            y=person.y + sign * pose.head[1],
            tilt=sign * (lean + pose.tilt),
            blotch=blotch,
        )
        people.append(shifted)
    return people


_SUPERSAMPLED_ROWS = 540


def _with_figures(
    room: Array, things: NDArray[np.uint8], people: list[Person], hand: tuple[float, float], pose: Pose,
    lighting: Lighting,
) -> tuple[Array, Array, NDArray[np.bool_], NDArray[np.uint8]]:  # fmt: skip
    """The room with the people before it: light, matte, what is unscored, and ids."""
    rows, columns = room.shape[:2]
    factor = 2 if rows <= _SUPERSAMPLED_ROWS else 1
    top, bottom, left, right = _extent(people, hand, rows, columns)
    relief = Relief(
        left / rows - 0.5 * columns / rows,
        top / rows,
        (right - left) * factor,
        (bottom - top) * factor,
        1 / (rows * factor),
        factor,
    )
    for person in reversed(people):
        paint_person(relief, person)
    paint_hand(relief, people[0], hand[0], hand[1], 0.262 * people[0].unit, -0.06 + pose.wave)
    at = (slice(top, bottom), slice(left, right))
    light, objects = room.copy(), things.copy()
    matte, unscored = np.zeros((rows, columns), np.float32), np.zeros((rows, columns), np.bool_)
    cover = gathered(relief.cover, factor)
    light[at] *= (1 - cover)[..., None]
    light[at] += gathered(relief.light(lighting) * relief.cover[..., None], factor)
    matte[at] = np.clip(gathered(relief.skin, factor), 0, 1)
    unscored[at] = gathered(relief.unscored, factor) > 0.02
    shown = relief.things[factor // 2 :: factor, factor // 2 :: factor]
    objects[at] = np.where(cover > 0.5, shown, objects[at])
    return light, matte, _grown(unscored), objects


def _extent(people: list[Person], hand: tuple[float, float], rows: int, columns: int) -> tuple[int, int, int, int]:
    """Top, bottom, left and right of the pixels that figures may cover: at least one pixel."""
    left = min([hand[0] - 0.30, *(p.x - 2.2 * p.unit for p in people)])
    right = max([hand[0] + 0.30, *(p.x + 2.2 * p.unit for p in people)])
    top = min([hand[1] - 0.30, *(p.y - 1.5 * p.unit for p in people)])
    first = int(np.clip(np.floor(left * rows + 0.5 * columns), 0, columns - 2))
    last = int(np.clip(np.ceil(right * rows + 0.5 * columns), first + 2, columns))
    return int(np.clip(np.floor(top * rows), 0, rows - 2)), rows, first, last


def _grown(region: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The region and every pixel that touches it."""
    padded = np.pad(region, 1)
    wide = padded[:, :-2] | padded[:, 1:-1] | padded[:, 2:]
    return np.asarray(wide[:-2] | wide[1:-1] | wide[2:])


def _places(people: list[Person], hand: tuple[float, float], aspect: float) -> Places:
    places: Places = {}
    for name, (x0, y0, x1, y1) in (("grey_card", GREY_CARD), ("white_card", WHITE_CARD)):
        inset = 0.018
        box = (x0 + inset, y0 + inset, x1 - inset, y1 - inset)
        places[name] = tuple(0.5 + v * 9 / 16 if k % 2 == 0 else v for k, v in enumerate(box))

    def normalised(x: float, y: float) -> tuple[float, float]:
        return 0.5 + x / aspect, y

    for prefix, person in zip(("", "second_"), people, strict=False):

        def at(u: float, v: float, person: Person = person) -> tuple[float, float]:
            return normalised(*person.place(u, v))

        left, top = normalised(person.x - 0.78 * person.unit, person.y - 0.80 * person.unit)
        right, bottom = normalised(person.x + 0.78 * person.unit, person.y + 1.02 * person.unit)
        places[prefix + "face"] = (left, top, right, bottom)
        places[prefix + "cheek"] = at(-0.40, 0.16)
        places[prefix + "forehead"] = at(0.0, -0.42)
        places[prefix + "stroke"] = [
            at(u, v) for u, v in ((-0.04, -0.45), (0.02, -0.25), (0.02, 0.05), (-0.34, 0.12), (-0.42, 0.24))
        ]
    places["hand"] = normalised(*hand)
    return places


def clip(
    frames: int | range,
    depth: str = "light",
    seed: int = 0,
    *,
    cast: object = None,
    balance: object = None,
    noise: float = 0.008,
    subsampled: bool = True,
    bits: int = 10,
    transfer: str = "bt1886",
    gain: float = 1.0,
    **scene: Any,
) -> Iterator[tuple[Array, Scene]]:
    """Yield (picture, scene) for frames in which head and hand move a little.

    :param frames: how many, or a range of frame numbers: frame k is the same whichever frames go before it.
    :param scene: further arguments of :func:`portrait`; ``pose`` is set here. The others are those of
        :func:`.camera.camera`; every frame has its own noise.
    """
    for frame in range(frames) if isinstance(frames, int) else frames:
        shown = portrait(depth, seed, pose=pose_at(frame, seed), **scene)
        picture = camera(
            shown.light, seed * 100003 + frame, cast=cast, balance=balance, noise=noise, subsampled=subsampled,
            bits=bits, transfer=transfer, gain=gain,
        )  # fmt: skip
        yield picture, shown


def pose_at(frame: int, seed: int) -> Pose:
    """Return the pose in one frame: a calm breath, a nod and a slow wave (periods of 2 to 5 seconds at 25/s)."""
    phases = random_stream(seed, "motion").uniform(0, 2 * np.pi, 5)
    breath, nod, turn, wave, drift = (
        float(np.sin(2 * np.pi * frame / period + phase))
        for period, phase in zip((98, 61, 87, 53, 71), phases, strict=True)
    )
    return Pose((0.008 * turn, 0.004 * breath + 0.003 * nod), 0.030 * nod, (0.010 * drift, 0.008 * breath), 0.10 * wave)
