"""A boat builder: head, face, hair and work clothes, modelled in units of half a head."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .paint import (
    Array,
    Noise,
    bell,
    distance_to_line,
    edge,
    field_edge,
    inside_polygon,
    lab_to_linear,
    mix,
    random_stream,
    softer_of,
    spot,
    step,
)
from .relief import Relief, Thing, Window
from .skin import SkinDepth, skin_colour

HAIRS = ("short", "curly", "cap")
HAIR_COLOURS = ((8.0, 1.0, 1.5), (11.0, 2.0, 3.0), (34.0, 0.5, 2.0), (23.0, 7.0, 11.0), (15.0, 4.0, 6.0))
CAP_COLOURS = ((30.0, 2.0, -13.0), (32.0, -12.0, 5.0), (40.0, 34.0, 18.0))

_NAVY, _SHIRT, _BUTTON = lab_to_linear((20, 1, -15)), lab_to_linear((87, -1, -4)), lab_to_linear((58, 1, 6))
_EYE_WHITE, _IRIS, _PUPIL = lab_to_linear((79, 1, 3)), lab_to_linear((27, 10, 17)), lab_to_linear((4, 0, 0))
_MOUTH_LINE = lab_to_linear((17, 14, 8))


@dataclass(frozen=True)
class Person:
    """Someone in the scene: where the middle of the face is, the size, and how they look."""

    x: float
    y: float
    unit: float
    depth: SkinDepth
    seed: int
    tilt: float = 0.0
    beard: bool = True
    blotch: float = 0.0
    hair: str = "short"
    hair_colour: tuple[float, float, float] = HAIR_COLOURS[0]
    cap_colour: tuple[float, float, float] = CAP_COLOURS[0]

    def place(self, u: float, v: float) -> tuple[float, float]:
        """Return the scene coordinates of a place of the head: u to the right, v down, the chin at v = 1."""
        c, s = np.cos(self.tilt), np.sin(self.tilt)
        return float(self.x + self.unit * (u * c - v * s)), float(self.y + self.unit * (u * s + v * c))

    def noise(self, name: str) -> Noise:
        """Return the person's own noise for one purpose."""
        return Noise(self.seed, "person", name)


def make_person(x: float, y: float, unit: float, depth: SkinDepth, seed: int, index: int, beard: bool) -> Person:
    """Return a person whose hair is drawn from the seed; ``index`` tells two people of one scene apart."""
    random = random_stream(seed, "looks", index)
    hair, colour, cap = random.integers(len(HAIRS)), random.integers(len(HAIR_COLOURS)), random.integers(3)
    return Person(
        x, y, unit, depth, seed * 2 + index, beard=beard,
        hair=HAIRS[hair], hair_colour=HAIR_COLOURS[colour], cap_colour=CAP_COLOURS[cap],
    )  # fmt: skip


def paint_person(relief: Relief, person: Person) -> None:
    """Lay a person over the relief, from the shoulders behind to the hair in front."""
    _jacket(relief, person)
    _neck(relief, person)
    _collars(relief, person)
    _ears(relief, person)
    _head(relief, person)
    if person.hair == "cap":
        _short_hair(relief, person)
        _cap(relief, person)
    elif person.hair == "curly":
        _curly_hair(relief, person)
    else:
        _short_hair(relief, person)


def complexion(
    person: Person, u: Array, v: Array, *, melanin: Array | float = 1.0, blood: Array | float = 1.0
) -> Array:
    """Return skin at (u, v) with its natural unevenness; the factors scale the person's own pigments."""
    uneven = person.noise("melanin")(u * 5, v * 5, 2)
    flushed = person.noise("blood")(u * 4, v * 4, 3)
    melanin = np.float32(person.depth.melanin) * melanin * np.exp(0.035 * uneven)
    blood = np.float32(person.depth.blood) * blood * np.exp(0.08 * flushed)
    if person.blotch > 0:
        patches = np.clip(person.noise("blotch")(u * 5.5, v * 5.5, 2), -1.5, 1.5)
        blood = blood * np.exp(np.float32(0.55 * person.blotch) * patches)
    return skin_colour(melanin, blood)


def _around(relief: Relief, person: Person, left: float, top: float, right: float, bottom: float) -> Window | None:
    """The window round a box of head coordinates, with room for the tilt of the head."""
    spare = abs(np.sin(person.tilt)) * max(abs(left), abs(right), abs(top), abs(bottom)) + 0.02
    return relief.window(
        person.x + (left - spare) * person.unit,
        person.y + (top - spare) * person.unit,
        person.x + (right + spare) * person.unit,
        person.y + (bottom + spare) * person.unit,
    )


def _oval(u: Array, v: Array, centre: tuple[float, float], size: tuple[float, float]) -> Array:
    """The field 1 − r² of an ellipse: 1 in its middle, 0 on its outline."""
    return 1 - np.square((u - centre[0]) / np.float32(size[0])) - np.square((v - centre[1]) / np.float32(size[1]))


def _dome(field: Array, depth: float) -> Array:
    return np.float32(depth) * np.sqrt(np.maximum(field, 0))


# --- clothes ------------------------------------------------------------------------------------------------


def _body_height(person: Person, u: Array, v: Array) -> tuple[Array, Array]:
    chest = _oval(u, v, (0, 3.15), (2.02, 1.84))
    field = softer_of(chest, _oval(u, v, (0, 2.35), (1.15, 1.2)), 0.25)
    folds = person.noise("folds")(u * 1.6 + v * 0.7, v * 0.8 - u * 0.5, 2)
    return field, _dome(field, 0.62) + 0.022 * folds - 0.35


def _jacket(relief: Relief, person: Person) -> None:
    window = _around(relief, person, -2.1, 1.0, 2.1, 5.0)
    if window is None:
        return
    u, v = window.turned(person.x, person.y, person.unit)
    field, height = _body_height(person, u, v)
    cover = field_edge(field, window.sample / person.unit)
    weave = person.noise("weave")(u * 40, v * 40) * 0.03 + person.noise("wear")(u * 2.2, v * 2.2, 3) * 0.07
    relief.lay(
        window, cover, _NAVY * np.exp(weave)[..., None], Thing.JACKET, height=height * person.unit, gloss=0.006, skin=0
    )
    _stitching(relief, window, person, u, v, cover)
    opening = np.minimum(0.46 - 0.30 * (v - 1.15) - np.abs(u), v - 1.1) * person.unit
    shirt = edge(opening, window.sample) * cover
    crease = 0.03 * np.exp(-np.abs(u) / 0.03) + 0.012 * person.noise("shirt")(u * 5, v * 2.4, 2)
    relief.lay(window, shirt, _SHIRT, Thing.SHIRT, height=(height - 0.05 + crease) * person.unit, gloss=0.01)
    for down in (1.62, 1.98, 2.34):
        button = edge((0.030 - np.hypot(u, v - np.float32(down))) * person.unit, window.sample) * shirt
        relief.lay(window, button, _BUTTON, Thing.SHIRT)


def _stitching(relief: Relief, window: Window, person: Person, u: Array, v: Array, cover: Array) -> None:
    """A breast pocket and shoulder seams: thin lines, darker than the cloth."""
    pocket = np.abs(np.maximum(np.abs(u - 1.0) - 0.30, np.abs(v - 2.38) - 0.36))
    flap = np.where(np.abs(u - 1.0) < 0.30, np.abs(v - 2.18), 9).astype(np.float32)
    shoulder = np.where(v < 2.6, np.abs(np.abs(u) - 1.38 - 0.16 * (v - 1.9) ** 2), 9).astype(np.float32)
    line = np.minimum(np.minimum(pocket, flap), shoulder) * person.unit
    seam = np.clip(1.2 - line / 0.0028, 0, 1) * 0.55 * cover
    relief.lay(window, seam.astype(np.float32), _NAVY * np.float32(0.35), Thing.JACKET)


def _neck(relief: Relief, person: Person) -> None:
    window = _around(relief, person, -0.6, 0.5, 0.6, 1.75)
    if window is None:
        return
    u, v = window.turned(person.x, person.y, person.unit)
    half = 0.40 + 0.10 * step(0.9, 1.5, v) + 0 * u
    round_ = 1 - np.square(u / half)
    bottom = 1.52 - 0.25 * np.abs(u) - v
    cover = edge(np.minimum((half - np.abs(u)), bottom) * person.unit, window.sample)
    cords = 0.03 * sum(bell(distance_to_line(u, v, (s * 0.30, 0.9), (s * 0.07, 1.42))[0], 0.05) for s in (-1, 1))
    hollow = 0.035 * spot(u, v, (0, 1.42), (0.08, 0.07))
    height = _dome(round_, 0.42) + cords - hollow - 0.12 * v
    colour = complexion(person, u, v, blood=0.95)
    relief.lay(window, cover, colour, Thing.SKIN, height=height * person.unit, gloss=0.012, skin=1)


def _collars(relief: Relief, person: Person) -> None:
    window = _around(relief, person, -0.9, 0.95, 0.9, 2.2)
    if window is None:
        return
    u, v = window.turned(person.x, person.y, person.unit)
    _, body = _body_height(person, u, v)
    for side in (-1, 1):
        w = u * side
        shirt = inside_polygon(w, v, [(0.46, 1.08), (0.60, 1.22), (0.33, 1.74), (0.03, 1.47)])
        bulge = 0.05 * step(-0.02, 0.13, shirt)
        relief.lay(
            window, edge(shirt * person.unit, window.sample), _SHIRT, Thing.SHIRT,
            height=(body + 0.10 + bulge) * person.unit, gloss=0.01, skin=0,
        )  # fmt: skip
        lapel = inside_polygon(w, v, [(0.52, 1.05), (0.74, 1.22), (0.72, 1.86), (0.40, 1.78), (0.47, 1.45)])
        bulge = 0.05 * step(-0.02, 0.13, lapel)
        relief.lay(
            window, edge(lapel * person.unit, window.sample), _NAVY * np.float32(1.12), Thing.JACKET,
            height=(body + 0.13 + bulge) * person.unit, gloss=0.006, skin=0,
        )  # fmt: skip


# --- head ---------------------------------------------------------------------------------------------------


def _ears(relief: Relief, person: Person) -> None:
    for side in (-1, 1):
        window = _around(relief, person, -0.95, -0.4, 0.95, 0.5)
        if window is None:
            return
        u, v = window.turned(person.x, person.y, person.unit, person.tilt)
        w = u * side
        field = softer_of(_oval(w, v, (0.775, -0.05), (0.115, 0.20)), _oval(w, v, (0.74, 0.10), (0.085, 0.15)), 0.3)
        shell = 0.055 * spot(w, v, (0.775, 0.0), (0.05, 0.12))
        height = _dome(field, 0.12) - shell + 0.25
        colour = complexion(person, u, v, blood=1.3)
        relief.lay(
            window, field_edge(field, window.sample / person.unit), colour, Thing.SKIN,
            height=height * person.unit, gloss=0.015, skin=1,
        )  # fmt: skip


def _face_height(u: Array, v: Array) -> tuple[Array, Array]:
    """The outline field and the height of the bare head, in head units; the left and right halves are alike."""
    a = np.abs(u)
    field = softer_of(_oval(u, v, (0, -0.13), (0.76, 0.92)), _oval(u, v, (0, 0.30), (0.635, 0.72)), 0.28)
    height = _dome(field, 0.80) + 0.35
    rise = step(-0.32, 0.27, v)
    nose = 0.215 * rise * np.sqrt(rise) * (1 - step(0.24, 0.42, v)) * bell(u, 0.10 + 0.055 * rise)
    wings = 0.065 * spot(a, v, (0.125, 0.275), (0.06, 0.065))
    sockets = -0.075 * spot(a, v, (0.27, -0.13), (0.20, 0.14)) + 0.055 * spot(a, v, (0.29, -0.10), (0.13, 0.085))
    brows = 0.04 * spot(a, v, (0.28, -0.29), (0.25, 0.10))
    cheeks = 0.055 * spot(a, v, (0.40, 0.17), (0.19, 0.16))
    smile = -0.022 * bell(distance_to_line(a, v, (0.175, 0.30), (0.345, 0.50))[0], 0.035)
    muzzle = 0.05 * spot(u, v, (0, 0.50), (0.27, 0.17)) - 0.018 * spot(u, v, (0, 0.41), (0.028, 0.05))
    chin = 0.07 * spot(u, v, (0, 0.84), (0.18, 0.12)) - 0.03 * spot(u, v, (0, 0.685), (0.16, 0.04))
    return field, height + nose + wings + sockets + brows + cheeks + smile + muzzle + chin + _lips_height(u, v)


def _mouth_line(u: Array) -> Array:
    """The v of the line between the lips: a slight smile."""
    result: Array = 0.552 - 0.058 * np.square(u / 0.28) + 0.003 * np.cos(u * 22)
    return result


def _lips_height(u: Array, v: Array) -> Array:
    below = v - _mouth_line(u)
    upper, lower = bell(below + 0.028, 0.03), bell(below - 0.043, 0.036)
    inner = 1 - step(0.16, 0.31, np.abs(u))
    return inner * (0.028 * upper + 0.036 * lower - 0.03 * bell(below, 0.012))


def _head(relief: Relief, person: Person) -> None:
    window = _around(relief, person, -0.85, -1.1, 0.85, 1.1)
    if window is None:
        return
    u, v = window.turned(person.x, person.y, person.unit, person.tilt)
    field, height = _face_height(u, v)
    cover = field_edge(field, window.sample / person.unit)
    pores = person.noise("pores")(u * 38, v * 38, 2) * 0.00035
    colour, gloss = _face_skin(person, u, v)
    relief.lay(window, cover, colour, Thing.SKIN, height=(height + pores) * person.unit, gloss=gloss, skin=1)
    _mouth(relief, window, person, u, v)
    for side in (-1, 1):
        _eye(relief, window, person, u, v, side)


def _face_skin(person: Person, u: Array, v: Array) -> tuple[Array, Array]:
    """Colour and gloss of the face: flushed cheeks and nose, shadowed lids, stubble, shine on brow and nose."""
    a = np.abs(u)
    blush = spot(a, v, (0.40, 0.20), (0.20, 0.17)) + 0.8 * spot(u, v, (0, 0.27), (0.12, 0.11))
    lids = spot(a, v, (0.29, -0.12), (0.20, 0.12))
    nostrils = spot(a, v, (0.062, 0.348), (0.032, 0.018))
    colour = complexion(person, u, v, melanin=1 + 0.10 * lids, blood=1 + 0.40 * blush + 0.12 * lids)
    colour = colour * (1 - 0.72 * nostrils)[..., None]
    gloss = 0.042 + 0.050 * spot(u, v, (0, -0.42), (0.40, 0.20)) + 0.045 * spot(u, v, (0, 0.2), (0.09, 0.2))
    gloss = gloss + 0.030 * spot(a, v, (0.40, 0.10), (0.15, 0.12))
    if not person.beard:
        return colour, gloss
    stubble = _stubble(person, u, v)
    hair = lab_to_linear(person.hair_colour) * np.float32(0.8)
    return mix(colour, hair, stubble[..., None]), gloss * (1 - 0.8 * stubble)


def _stubble(person: Person, u: Array, v: Array) -> Array:
    """How much short hair covers the skin of jaw, chin and upper lip: at most two thirds, in strands."""
    a = np.abs(u)
    line = 0.46 - 0.9 * step(0.30, 0.72, a) * 0.62 - 0.06 * bell(a - 0.2, 0.1)
    jaw = step(-0.04, 0.12, v - line) * (1 - step(0.98, 1.06, v))
    lip = step(0.38, 0.43, v) * (1 - step(0.22, 0.36, a)) * step(0.02, 0.08, a)
    below = v - _mouth_line(u)
    lips = (1 - step(0.24, 0.31, a)) * step(-0.085, -0.06, below) * (1 - step(0.085, 0.12, below))
    strands = person.noise("stubble")(u * 46, v * 30, 2)
    result: Array = np.maximum(jaw, lip) * (1 - lips) * np.clip(0.36 + 0.15 * strands, 0.05, 0.66)
    return result


def _mouth(relief: Relief, window: Window, person: Person, u: Array, v: Array) -> None:
    a = np.abs(u)
    below = v - _mouth_line(u)
    taper = np.sqrt(np.clip(1 - np.square(u / 0.29), 0, 1))
    bow = 0.062 - 0.014 * bell(u, 0.035) + 0.006 * bell(a - 0.07, 0.05)
    lips = np.minimum(below + bow * taper, 0.086 * taper - below) * person.unit
    soft = 2.2 * window.sample + 0.004
    colour = complexion(person, u, v, melanin=0.92, blood=1.9)
    cover = edge(lips, soft) * step(0.295, 0.275, a)
    relief.lay(window, cover, colour, Thing.LIP, gloss=0.030, unscored=1)
    line = 0.008 + 0.006 * bell(a - 0.265, 0.03) - np.abs(below)
    between = 0.8 * edge(line * person.unit, soft) * step(0.31, 0.27, a)
    relief.lay(window, between, _MOUTH_LINE, Thing.LIP, unscored=1)


def _eye(relief: Relief, window: Window, person: Person, u: Array, v: Array, side: int) -> None:
    w, h = u * side - np.float32(0.29), v + np.float32(0.10) + np.float32(0.12) * (u * side - np.float32(0.29))
    part = np.clip(1 - np.square(w / np.float32(0.140)), 0, 1)
    upper, lower = 0.075 * part**0.8, 0.043 * part
    opening = np.minimum(np.minimum(h + upper, lower - h), np.float32(0.140) - np.abs(w))
    inside = edge(opening * person.unit, 1.5 * window.sample)
    white = _EYE_WHITE * (0.62 + 0.38 * step(-0.06, 0.02, h) - 0.25 * step(0.05, 0.13, np.abs(w)))[..., None]
    relief.lay(window, inside, white, Thing.EYE, gloss=0.02, skin=0, unscored=1)
    x, y = u - np.float32(side * 0.288), h + np.float32(0.012)
    away = np.hypot(x, y)
    iris = _IRIS * (1.5 - 1.1 * step(0.034, 0.064, away) + 0.5 * step(-0.01, 0.05, y))[..., None]
    for radius, colour in ((0.066, iris), (0.029, _PUPIL)):
        disc = edge((np.float32(radius) - away) * person.unit, 1.5 * window.sample) * inside
        relief.lay(window, disc, colour, Thing.EYE, unscored=1)
    glint = edge((0.016 - np.hypot(x + 0.022, y + 0.022)) * person.unit, 1.5 * window.sample) * inside
    relief.lay(window, glint, np.full(3, 0.95, np.float32), Thing.EYE, unscored=1)
    dark = lab_to_linear(person.hair_colour) * np.float32(0.6)
    thick = 0.013 + 0.008 * step(-0.05, 0.13, w)
    ends = step(0.158, 0.135, np.abs(w))
    lash = edge((thick - np.abs(h + upper + 0.006)) * person.unit, 2 * window.sample)
    relief.lay(window, lash * ends, dark, Thing.EYE, unscored=1)
    lid = 0.006 - np.abs(h + 0.050 + 0.078 * part**0.7)
    crease = 0.35 * edge(lid * person.unit, 3 * window.sample) * ends
    relief.lay(window, crease, complexion(person, u, v, melanin=1.3, blood=1.5) * 0.55, Thing.EYE, unscored=1)
    _brow(relief, window, person, u * side, v, dark)


def _brow(relief: Relief, window: Window, person: Person, w: Array, v: Array, colour: Array) -> None:
    along = (w - np.float32(0.11)) / np.float32(0.40)
    middle = -0.300 - 0.065 * np.sin(np.clip(along, 0, 1) * np.float32(2.75))
    thick = 0.036 * step(0.0, 0.16, along) * (1 - 0.75 * step(0.4, 1.0, along)) * step(1.05, 0.9, along)
    strands = person.noise("brow")(w * 60 + v * 45, v * 22 - w * 6)
    cover = edge((thick + 0.004 * strands - np.abs(v - middle)) * person.unit, 0.0045 + window.sample)
    cover = cover * step(0.0, 0.05, along) * step(1.05, 0.95, along) * np.clip(0.88 + 0.06 * strands, 0, 1)
    relief.lay(window, cover.astype(np.float32), colour, Thing.BROW, skin=0, unscored=1)


# --- hair ---------------------------------------------------------------------------------------------------


def _face_opening(u: Array, v: Array, top: float) -> Array:
    """Signed distance inside the part of the head that hair leaves free: a rounded square, open below."""
    across = np.square(np.square(u / np.float32(0.70)))
    down = np.square(np.square(np.minimum(v - np.float32(0.25), 0) / np.float32(0.25 - top)))
    result: Array = np.float32(0.68) * (1 - np.sqrt(np.sqrt(across + down)))
    return result


def _short_hair(relief: Relief, person: Person) -> None:
    window = _around(relief, person, -0.95, -1.2, 0.95, 0.35)
    if window is None:
        return
    u, v = window.turned(person.x, person.y, person.unit, person.tilt)
    strand = person.noise("strand")((u - 0.25) * (1 - 0.45 * v) * 24, v * 3.0 + 4 * np.square(u), 2)
    outer = _oval(u, v, (0.02, -0.25), (0.82, 0.88))
    parting = 0.10 * np.exp(-np.square((u + 0.34) / 0.20)) - 0.03 * np.sin(u * 3.2 - 0.3)
    opening = _face_opening(u, v - parting, -0.64)
    burn = 0.12 - v - 0.5 * np.maximum(0.74 - np.abs(u), 0)
    front = step(-0.25, -0.5, v)
    inner = np.minimum((0.008 + 0.020 * front) * strand - opening, burn) / np.float32(0.075)
    outline = (outer * 0.42 + 0.006 * strand) / np.float32(0.012 + window.sample / person.unit)
    cover = np.clip(0.5 + inner, 0, 1) * np.clip(0.5 + outline, 0, 1)
    height = _dome(np.maximum(outer, 0), 0.86) + 0.37 + 0.007 * strand
    _hair(relief, window, person, cover, height, strand)


def _curly_hair(relief: Relief, person: Person) -> None:
    window = _around(relief, person, -1.15, -1.4, 1.15, 0.35)
    if window is None:
        return
    u, v = window.turned(person.x, person.y, person.unit, person.tilt)
    curls = np.abs(person.noise("curls")(u * 9, v * 9, 2)) - 0.8
    outer = _oval(u, v, (0.0, -0.30), (0.94, 0.98)) + 0.06 * curls
    opening = _face_opening(u, v, -0.60) + 0.02 * curls
    field = np.minimum(np.minimum(outer * 0.46, -opening), 0.16 - v + 0.03 * curls)
    cover = np.clip(0.5 + field / np.float32(0.035 + window.sample / person.unit), 0, 1)
    height = _dome(np.maximum(outer, 0), 0.90) + 0.37 + 0.026 * curls
    _hair(relief, window, person, cover, height, curls)


def _hair(relief: Relief, window: Window, person: Person, cover: Array, height: Array, strand: Array) -> None:
    albedo = lab_to_linear(person.hair_colour) * np.exp(0.20 * strand)[..., None]
    gloss = 0.024 * np.clip(1 + 0.5 * strand, 0.1, 2)
    relief.lay(window, cover, albedo, Thing.HAIR, height=height * person.unit, gloss=gloss, skin=0)


def _cap(relief: Relief, person: Person) -> None:
    """A knitted cap with a turned-up edge."""
    window = _around(relief, person, -1.0, -1.3, 1.0, -0.2)
    if window is None:
        return
    u, v = window.turned(person.x, person.y, person.unit, person.tilt)
    colour = lab_to_linear(person.cap_colour)
    fuzz = 0.012 * person.noise("wool")(u * 22, v * 22)
    crown = _oval(u, v, (0, -0.46), (0.80, 0.78))
    hem = -0.58 + 0.14 * np.square(u) - v
    ribs = np.sin(np.arcsin(np.clip(u / 0.86, -1, 1)) * 46)
    cover = edge(np.minimum(crown * 0.4 + fuzz, hem) * person.unit, window.sample)
    relief.lay(
        window, cover, colour * (1 + 0.10 * ribs)[..., None],
        Thing.CAP, height=(_dome(np.maximum(crown, 0), 0.9) + 0.38 + 0.010 * ribs) * person.unit, skin=0,
    )  # fmt: skip
    band = np.minimum(np.minimum(hem + 0.06, 0.26 - hem), 0.845 + fuzz - np.abs(u) - 0.06 * np.square(hem - 0.1) * 20)
    roll = np.sqrt(np.maximum(1 - np.square((hem - 0.10) / 0.20), 0)) * 0.07
    height = 0.9 * np.sqrt(np.maximum(1 - np.square(u / 0.86), 0)) + 0.36 + roll + 0.012 * ribs
    relief.lay(
        window, edge(band * person.unit, window.sample), colour * (1.05 + 0.14 * ribs)[..., None],
        Thing.CAP, height=height * person.unit, skin=0,
    )  # fmt: skip
