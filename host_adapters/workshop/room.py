"""The room behind the people: a plank wall with rope, sailcloth, a hull, a bench, a plant and two cards."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .paint import (
    Array,
    Noise,
    bell,
    blur,
    distance_to_line,
    edge,
    inside_polygon,
    lab_to_linear,
    linear_to_lab,
    mix,
    random_stream,
    step,
)
from .relief import Lighting, Thing
from .skin import SkinDepth, skin_colour

WALLS: dict[str, tuple[float, float, float]] = {
    "cedar": (55.0, 14.0, 28.0),
    "cardboard": (61.0, 9.0, 24.0),
    "sand": (71.0, 7.0, 19.0),
    "plaster": (77.0, 2.0, 7.0),
}
"""What the wall can be made of, and its mean colour as CIE L*a*b* under D65."""

GREY_CARD = (0.455, 0.075, 0.555, 0.215)
WHITE_CARD = (0.575, 0.075, 0.675, 0.215)
"""The cards' corners: left, top, right, bottom, in room coordinates."""

_SAILCLOTH, _HEMP, _CARDBOARD = (68.0, 0.0, 2.0), (64.0, 6.0, 25.0), (60.0, 10.0, 25.0)
_SAND, _LEAF, _TERRACOTTA, _BENCH = (72.0, 6.0, 20.0), (41.0, -24.0, 27.0), (50.0, 26.0, 29.0), (45.0, 9.0, 20.0)
_HULL = (53.0, 15.0, 31.0)
_CARD_LIGHT = 0.92


@dataclass(frozen=True)
class RoomPlan:
    """Everything the picture of the empty room depends on."""

    width: int
    height: int
    seed: int
    wall: str
    similar: float
    depth: SkinDepth
    lighting: Lighting


class _Board:
    """The room while it is painted: reflectance and shade of every pixel.

    Room coordinates: y as in the scene; x is −8/9 … 8/9 over the frame's width, whatever its shape.
    """

    def __init__(self, plan: RoomPlan) -> None:
        self.seed = plan.seed
        self.sample = 1 / plan.height
        columns = (np.arange(plan.width, dtype=np.float32) + 0.5) / np.float32(plan.width)
        self.x = ((columns - np.float32(0.5)) * np.float32(16 / 9))[None, :]
        self.y = ((np.arange(plan.height, dtype=np.float32) + 0.5) / np.float32(plan.height))[:, None]
        self.albedo = np.zeros((plan.height, plan.width, 3), np.float32)
        self.shade = np.ones((plan.height, plan.width), np.float32)
        self.things = np.zeros((plan.height, plan.width), np.uint8)

    def noise(self, name: str) -> Noise:
        return Noise(self.seed, "room", name)

    def part(self, left: float, top: float, right: float, bottom: float) -> tuple[slice, slice]:
        x0, x1 = np.searchsorted(self.x[0], (left, right))
        y0, y1 = np.searchsorted(self.y[:, 0], (top, bottom))
        return slice(y0, y1), slice(x0, x1)

    def at(self, part: tuple[slice, slice]) -> tuple[Array, Array]:
        return self.x[:, part[1]], self.y[part[0]]

    def lay(
        self, part: tuple[slice, slice], cover: Array, albedo: Array, thing: Thing, shade: Array | float = 1.0
    ) -> None:
        self.albedo[part] = mix(self.albedo[part], albedo, cover[..., None])
        self.shade[part] = mix(self.shade[part], shade, cover)
        self.things[part][np.broadcast_to(cover > 0.5, self.things[part].shape)] = thing

    def darken(self, part: tuple[slice, slice], amount: Array) -> None:
        self.shade[part] *= 1 - amount


@functools.lru_cache(maxsize=4)
def paint_room(plan: RoomPlan) -> tuple[Array, NDArray[np.uint8]]:
    """Return the empty room's light, linear BT.709 float32 (H, W, 3), and its :class:`Thing` ids; do not write them."""
    board = _Board(plan)
    _wall(board, plan)
    for x, y, size, turns in ((-0.70, 0.27, 0.098, 6), (-0.40, 0.21, 0.075, 5)):
        _rope(board, x, y, size, turns)
    _sailcloth(board)
    _shelf(board)
    _plant(board)
    _hull(board)
    _bench(board)
    _box(board)
    _sand(board)
    _pool_of_light(board)
    _soften(board)
    _cards(board)
    light = (
        board.albedo * (board.shade * np.float32(plan.lighting.key) + np.float32(0.35 * plan.lighting.fill))[..., None]
    )
    light *= np.float32(plan.lighting.exposure)
    light.flags.writeable = board.things.flags.writeable = False
    return light, board.things


def wall_colour(wall: str, similar: float, depth: SkinDepth) -> tuple[float, float, float]:
    """Return the wall's mean L*a*b*, brought toward the skin's own by ``similar`` (0 to 1)."""
    skin = linear_to_lab(skin_colour(*depth))
    first, second, third = (1 - similar) * np.asarray(WALLS[wall]) + similar * skin
    return float(first), float(second), float(third)


def _wall(board: _Board, plan: RoomPlan) -> None:
    everywhere = board.part(-9, -9, 9, 9)
    x, y = board.at(everywhere)
    colour = lab_to_linear(wall_colour(plan.wall, plan.similar, plan.depth))
    if plan.wall != "cedar":
        grain = 0.05 * board.noise("wall")(x * 28, y * 28, 3) + 0.03 * board.noise("stains")(x * 3, y * 3, 2)
        board.lay(everywhere, np.ones_like(board.shade), colour * np.exp(grain)[..., None], Thing.WALL)
        return
    width = np.float32(0.118)
    number = np.floor(x / width + 0.37)
    within = x / width + 0.37 - number
    own = random_stream(plan.seed, "planks").standard_normal((64, 3)).astype(np.float32)[number.astype(int) % 64]
    shift = own[..., 1]
    grain = 0.085 * board.noise("grain")(x * 95 + 7 * shift, y * 1.7 + 9 * shift, 2)
    warp = 0.55 * board.noise("warp")(x * 5 + 3 * shift, y * 1.3 + 5 * shift, 2)
    rings = 0.055 * np.sin(2 * np.pi * (x * 26 + warp + shift))
    tint = np.array([0.02, -0.015, -0.06], np.float32) * own[..., 2:3]
    tone = grain + rings + 0.13 * own[..., 0] + 0.04 * board.noise("age")(x * 3, y * 3, 2)
    board.lay(everywhere, np.ones_like(board.shade), colour * np.exp(tone[..., None] + tint), Thing.WALL)
    gap = np.minimum(within, 1 - within) * width
    groove = 1 - step(0.0012, 0.0042, gap)
    bevel = bell(within * width - np.float32(0.006), 0.0028)
    board.shade *= (1 - 0.78 * groove) * (1 + 0.16 * bevel)
    _knots(board, plan.seed, float(width))


def _knots(board: _Board, seed: int, width: float) -> None:
    random = random_stream(seed, "knots")
    for _ in range(9):
        x0 = (np.floor(random.uniform(-7, 4)) + 0.63 + random.uniform(-0.25, 0.25)) * width
        y0, size = random.uniform(0.05, 0.95), random.uniform(0.010, 0.018)
        part = board.part(x0 - 0.06, y0 - 0.12, x0 + 0.06, y0 + 0.12)
        x, y = board.at(part)
        away = np.hypot((x - np.float32(x0)) / np.float32(size), (y - np.float32(y0)) / np.float32(size * 1.7))
        rings = 0.16 * np.sin(away * 5) * bell(away, 2.2)
        board.albedo[part] *= np.exp(rings - 0.85 * bell(away, 0.8))[..., None] * np.array([1, 0.96, 0.9], np.float32)


def _pool_of_light(board: _Board) -> None:
    """Light of a tall window at the upper left: a slanted pool that fades toward the right and the floor."""
    x, y = board.x, board.y
    slant = x + np.float32(0.55) * (y - np.float32(0.2))
    pool = 0.62 * bell(slant + np.float32(0.40), 0.42) * (1 - step(0.35, 1.15, y))
    window_bar = 0.30 * bell(slant + np.float32(0.42), 0.022) * (1 - step(0.2, 0.7, y))
    right = 0.30 * step(0.25, 0.75, x) * (1 - 0.5 * step(0.2, 1.0, y))
    board.shade *= np.float32(0.26) + pool * (1 - window_bar) + right


def _rope(board: _Board, x0: float, y0: float, size: float, turns: int) -> None:
    """A coil on a peg: turns of laid rope over one another, and a lashing at the top."""
    part = board.part(x0 - 2 * size, y0 - 2.2 * size, x0 + 2 * size, y0 + 2.6 * size)
    x, y = board.at(part)
    shadow = edge(1.25 * size - np.hypot(x - x0 - 0.022, (y - y0 - 0.028) / 1.18), 0.05)
    hollow = edge(0.70 * size - np.hypot(x - x0 - 0.022, (y - y0 - 0.028) / 1.18), 0.03)
    board.darken(part, 0.62 * shadow * (1 - 0.8 * hollow))
    random = random_stream(board.seed, "rope", int(1000 * (x0 + 2)))
    thick = np.float32(0.0088)
    for turn in range(turns):
        radius = size * (0.82 + 0.42 * ((turn * 2) % turns) / turns) + random.uniform(-0.002, 0.002)
        u, v = (
            x - np.float32(x0 + random.uniform(-0.004, 0.004)),
            (y - np.float32(y0 + random.uniform(-0.006, 0.006))) / 1.18,
        )
        away, around = np.hypot(u, v), np.arctan2(v, u)
        _strand(
            board,
            part,
            (away - np.float32(radius)) / thick,
            around * np.float32(radius),
            np.cos(around),
            np.sin(around),
        )
    for k in range(4):
        top = y0 - 1.02 * 1.18 * size + (k - 1.5) * 0.0125
        across = (y - np.float32(top) - 0.25 * (x - np.float32(x0))) / thick
        across = np.where(np.abs(x - np.float32(x0)) < 0.32 * size, across, 9).astype(np.float32)
        _strand(board, part, across, x + 0 * y, np.zeros_like(across), np.ones_like(across))
    peg = 0.013 - np.hypot(x - np.float32(x0), y - np.float32(y0 - 0.80 * size))
    board.lay(part, edge(peg, board.sample), lab_to_linear(_BENCH), Thing.BENCH, 0.8 + 14 * np.maximum(peg, 0))


def _strand(board: _Board, part: tuple[slice, slice], across: Array, along: Array, nx: Array, ny: Array) -> None:
    """One turn of rope: round across, with the diagonal furrows of its twist along."""
    roundness = np.sqrt(np.maximum(1 - np.square(across), 0))
    furrow = np.square(np.sin(along * np.float32(300) + across * np.float32(1.3)))
    lit = 0.42 + 0.50 * roundness - 0.30 * np.clip(across, -1, 1) * (0.6 * nx + 0.8 * ny)
    cover = np.clip(0.5 + (1 - np.abs(across)) * np.float32(0.0088 / board.sample), 0, 1)
    albedo = lab_to_linear(_HEMP) * (0.72 + 0.34 * furrow)[..., None]
    board.lay(part, cover, albedo, Thing.ROPE, lit * 1.15)


def _sailcloth(board: _Board) -> None:
    """A neutral sheet of cloth that hangs over the right of the wall, in soft folds."""
    part = board.part(0.34, -1, 9, 2)
    x, y = board.at(part)
    hem = np.float32(0.405) + 0.012 * np.sin(y * 7) + 0.008 * board.noise("hem")(0 * x, y * 3)
    inside = x - hem
    board.darken(part, 0.5 * step(-0.05, 0.0, inside) * np.ones_like(y))
    folds = board.noise("cloth")(x * 6 + 0.8 * y, y * 0.9, 2)
    weave = 0.015 * board.noise("threads")(x * 160, y * 160)
    shade = 0.92 + 0.10 * folds - 0.10 * bell(inside, 0.02)
    board.lay(
        part, edge(inside, board.sample), lab_to_linear(_SAILCLOTH) * np.exp(weave)[..., None], Thing.SAILCLOTH, shade
    )
    seam = 0.22 * bell(x - np.float32(0.715) - 0.004 * folds, 0.0022)
    board.darken(part, seam * np.ones_like(y))


def _shelf(board: _Board) -> None:
    part = board.part(0.66, 0.50, 9, 0.68)
    x, y = board.at(part)
    board.darken(part, 0.45 * bell(y - 0.585, 0.035) * step(0.675, 0.70, x))
    grain = 0.10 * board.noise("shelf")(x * 4, y * 110, 2)
    inside = np.minimum(np.minimum(x - 0.685, y - 0.548), 0.572 - y)
    board.lay(
        part,
        edge(inside, board.sample),
        lab_to_linear(_BENCH) * np.exp(grain)[..., None],
        Thing.BENCH,
        1.0 - 14 * (y - 0.548),
    )


def _plant(board: _Board) -> None:
    part = board.part(0.62, 0.16, 0.98, 0.60)
    x, y = board.at(part)
    u = (x - 0.795) / 0.052
    pot = inside_polygon(x, y, [(0.748, 0.462), (0.842, 0.462), (0.830, 0.550), (0.760, 0.550)])
    rim = np.minimum(np.minimum(0.052 - np.abs(x - 0.795), y - 0.448), 0.470 - y)
    lit = np.clip(0.95 - 0.45 * u - 0.25 * u * u, 0.2, 1.2)
    board.lay(part, edge(pot, board.sample), lab_to_linear(_TERRACOTTA), Thing.POT, lit)
    board.lay(part, edge(rim, board.sample), lab_to_linear(_TERRACOTTA), Thing.POT, lit * 1.12)
    random = random_stream(board.seed, "leaves")
    leaves = 26
    for k in range(leaves):
        lean = np.pi * (0.06 + 0.88 * ((k * 0.618034) % 1)) + random.uniform(-0.1, 0.1)
        reach = random.uniform(0.09, 0.185) * (0.72 + 0.28 * np.sin(lean))
        start = (0.795 + random.uniform(-0.02, 0.02), 0.455)
        tip = (start[0] + reach * np.cos(lean) * 0.85, start[1] - reach * np.sin(lean) * 1.25)
        _leaf(
            board,
            part,
            x,
            y,
            start,
            tip,
            0.017 + 0.010 * random.random(),
            random.uniform(0.55, 1.15) * (0.6 + 0.4 * k / leaves),
        )


def _leaf(
    board: _Board, part: tuple[slice, slice], x: Array, y: Array,
    start: tuple[float, float], tip: tuple[float, float], wide: float, lit: float,
) -> None:  # fmt: skip
    away, along = distance_to_line(x, y, start, tip)
    half = wide * np.sqrt(np.clip((along - 0.12) / 0.88, 0, 1)) * np.sqrt(1 - along) * 1.7 + 0.0012
    vein = 0.25 * bell(away, 0.0018)
    side = np.sign((tip[0] - start[0]) * (y - start[1]) - (tip[1] - start[1]) * (x - start[0]))
    shade = lit * (1.0 - 0.18 * side - 0.35 * away / wide + vein)
    board.lay(part, edge(half - away, board.sample), lab_to_linear(_LEAF), Thing.PLANT, shade.astype(np.float32))


def _hull(board: _Board) -> None:
    """The bow of a clinker-built boat: overlapping strakes below a pale gunwale."""
    part = board.part(0.20, 0.55, 9, 2)
    x, y = board.at(part)
    sheer = 0.655 + 0.11 * np.square(x - 0.40) - 0.10 * (x - 0.40)
    stem = x - (0.27 + 0.30 * np.square(y - 0.62) + 0.12 * (y - 0.62))
    down = (y - sheer) / (0.072 + 0.045 * (x - 0.3))
    strake = np.floor(down)
    within = down - strake
    own = random_stream(board.seed, "strakes").standard_normal(32).astype(np.float32)[strake.astype(int) % 32]
    grain = 0.08 * board.noise("strake")(x * 2.2 + 5 * own, down * 9, 2)
    colour = lab_to_linear(_HULL) * np.exp(grain + 0.10 * own)[..., None]
    belly = 0.95 - 0.10 * down + 0.35 * np.minimum(x - 0.4, 0.25)
    lap = (0.72 + 0.34 * within) * (1 - 0.6 * bell(within, 0.07)) + 0.25 * bell(within - 0.95, 0.05)
    nails = bell(((x * 24) % 1 - 0.5) / 24, 0.0022) * bell((within - 0.87) * 0.075, 0.0024)
    cover = edge(np.minimum(y - sheer, stem), board.sample)
    board.darken(part, 0.55 * bell(np.minimum(y - sheer + 0.012, stem), 0.02) * (1 - cover))
    board.lay(part, cover, colour * (1 - 0.6 * nails)[..., None], Thing.HULL, belly * lap)
    rail = 0.0135 - np.abs(y - sheer)
    pale = lab_to_linear((66, 11, 30)) * np.exp(0.5 * grain)[..., None]
    board.lay(part, edge(np.minimum(rail, stem + 0.012), board.sample), pale, Thing.HULL, 1.05 - 22 * (y - sheer))
    post = np.minimum(0.012 - np.abs(stem), y - sheer + 0.03)
    board.lay(part, edge(post, board.sample), pale * np.float32(0.8), Thing.HULL, 0.85)


def _bench(board: _Board) -> None:
    part = board.part(-9, 0.80, -0.22, 2)
    x, y = board.at(part)
    board.darken(part, 0.5 * step(0.80, 0.865, y) * np.ones_like(x))
    grain = 0.10 * board.noise("bench")(x * 2.5, y * 80, 3)
    inside = np.minimum(y - 0.865, -0.235 - x)
    shade = np.where(y < 0.945, 1.15 - 1.5 * (y - 0.865), 0.42) * np.ones_like(x)
    board.lay(part, edge(inside, board.sample), lab_to_linear(_BENCH) * np.exp(grain)[..., None], Thing.BENCH, shade)


def _box(board: _Board) -> None:
    """A cardboard box with open flaps on the bench."""
    part = board.part(-9, 0.56, -0.52, 0.92)
    x, y = board.at(part)
    colour = lab_to_linear(_CARDBOARD) * np.exp(0.025 * board.noise("board")(x * 6, y * 70, 2))[..., None]
    board.darken(part, 0.6 * edge(np.minimum(-0.590 - x, y - 0.855), 0.03) * (y < 0.905))
    faces = (
        ([(-0.885, 0.690), (-0.845, 0.640), (-0.700, 0.640), (-0.715, 0.690)], 0.45),
        ([(-0.700, 0.640), (-0.612, 0.660), (-0.585, 0.700), (-0.715, 0.692)], 0.75),
        ([(-0.960, 0.690), (-0.715, 0.690), (-0.715, 0.895), (-0.960, 0.895)], 1.05),
        ([(-0.715, 0.690), (-0.612, 0.660), (-0.612, 0.860), (-0.715, 0.895)], 0.52),
        ([(-0.960, 0.685), (-0.715, 0.690), (-0.735, 0.735), (-0.980, 0.730)], 1.22),
    )
    for corners, lit in faces:
        inside = inside_polygon(x, y, corners)
        board.lay(part, edge(inside, board.sample), colour, Thing.CARDBOARD, lit * (1 - 0.25 * bell(inside, 0.004)))


def _sand(board: _Board) -> None:
    """A heap of sand on the bench."""
    part = board.part(-0.66, 0.72, -0.20, 0.95)
    x, y = board.at(part)
    top = 0.905 - 0.105 * bell(x + 0.415, 0.12) - 0.006 * board.noise("heap")(x * 14, 0 * y)
    inside = np.minimum(y - top, 0.912 - y + 0.01 * bell(x + 0.43, 0.1))
    grains = 0.16 * board.noise("grains")(x * 230, y * 230) + 0.06 * board.noise("lumps")(x * 30, y * 30, 2)
    slope = (x + 0.415) * bell(x + 0.415, 0.12) * 5
    board.lay(
        part,
        edge(inside, 1.5 * board.sample),
        lab_to_linear(_SAND) * np.exp(grains)[..., None],
        Thing.SAND,
        0.98 - slope - 1.2 * (y - 0.80),
    )


def _soften(board: _Board) -> None:
    """The room lies a little behind the plane of focus."""
    radius = 0.0028 / board.sample
    board.albedo = blur(board.albedo, radius)
    board.shade = blur(board.shade, radius)


def _cards(board: _Board) -> None:
    """The 18 % grey card and the white card, evenly lit and exactly neutral."""
    for corners, reflectance, thing in ((GREY_CARD, 0.18, Thing.GREY_CARD), (WHITE_CARD, 0.80, Thing.WHITE_CARD)):
        left, top, right, bottom = corners
        part = board.part(left - 0.03, top - 0.03, right + 0.03, bottom + 0.03)
        x, y = board.at(part)
        shadow = np.minimum(
            np.minimum(x - left - 0.008, right + 0.008 - x), np.minimum(y - top - 0.010, bottom + 0.010 - y)
        )
        board.darken(part, 0.4 * edge(shadow, 0.02))
        inside = np.minimum(np.minimum(x - left, right - x), np.minimum(y - top, bottom - y))
        cover = edge(inside, 2.5 * board.sample)
        board.lay(part, cover, np.full(3, reflectance, np.float32), thing, _CARD_LIGHT)
