"""The card's kernels by the processor's names: the same parameters, with arrays on the card, and the same errors."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from .. import codes as code
from .. import face, fused, join, qualify, region, steer, tone
from ..arrays import Floats, check_size
from ..box import box_numbers
from ..clean import levels_span, pinhole_radius, speck_radius
from ..codes import SITING, SUBSAMPLING, Coding, Planes
from ..colour import ONE, ZERO, F, flat_matrix
from ..colour import transfer as find_transfer
from ..devices import OnDevice, current
from ..errors import PictureError, ValueRangeError
from ..gaussian import LEAST_SIGMA, blur_factor, gaussian_taps, reduced_sigma, taps_of
from ..guided import GUIDE_HIGHEST
from ..prefilter import TAPS_BELOW, ratio_plan
from ..resample import factor_for
from ..rows import within
from . import codes, filters, key, pixels
from .arrays import CardArray, Light, MatteSource
from .card import Card
from .memory import Block


def _card(*arrays: Any) -> Card:
    card: Any = next(array.device for array in arrays if isinstance(array, OnDevice))
    return card  # of all devices, only cards call these kernels


def _pictures(card: Card, *arrays: Any, name: str = "picture") -> list[CardArray]:
    for array in arrays:
        if np.ndim(array) != 3 or np.shape(array)[2] not in (3, 4):
            raise PictureError(f"The {name} must have the shape (height, width, 3 or 4), not {np.shape(array)}.")
    return [card.sent(array) for array in arrays]


def _matte(card: Card, matte: Any, like: tuple[int, ...] | None = None) -> CardArray:
    if np.ndim(matte) != 2:
        raise PictureError(f"The matte must have the shape (height, width), not {np.shape(matte)}.")
    if like is not None:
        check_size("matte", np.shape(matte), "its picture", like[:2])
    sent: CardArray = card.sent(matte)
    return sent


def _placed(result: CardArray, out: Floats | None) -> Any:
    """Return a result; where it was to be put into an array of the processor, that."""
    if out is None:
        return result
    np.copyto(out, np.asarray(result))
    return out


def _lit(image: CardArray, **step: Any) -> CardArray:
    """Return a picture behind one more step of its light; it is worked out when somebody looks."""
    before = image.pending or Light(image.colour)
    light = before.then(**step) or dataclasses.replace(Light(image.colour), **step)
    return CardArray(image.device, image.shape, light, image.alpha)


# --- pixel by pixel -----------------------------------------------------------------------------------------


def adapt(
    image: Any, matrix: object, transfer: str = "bt709", out: Floats | None = None, to_transfer: str | None = None
) -> Any:
    """See :func:`.balance.adapt`."""
    card = _card(image)
    (image,) = _pictures(card, image)
    curves = find_transfer(transfer).decode, find_transfer(to_transfer or transfer).encode
    return _placed(_lit(image, adapt=(curves[0], flat_matrix(matrix), curves[1])), out)


def curve(image: Any, points: Sequence[Sequence[float]], out: Floats | None = None) -> Any:
    """See :func:`.tone.curve`."""
    card = _card(image)
    (image,) = _pictures(card, image)
    return _placed(_lit(image, curve=tone.segments_of(points)), out)


def cdl(
    image: Any,
    slope: Sequence[float],
    offset: Sequence[float],
    power: Sequence[float],
    saturation: float = 1.0,
    clamp: bool = True,
    out: Floats | None = None,
) -> Any:
    """See :func:`.tone.cdl`."""
    card = _card(image)
    (image,) = _pictures(card, image)
    *triples, factor = tone.cdl_constants(slope, offset, power, saturation)
    numbers = (*(number for triple in triples for number in triple), factor)
    return _placed(_lit(image, listed=(numbers, bool(clamp))), out)


def turn(
    image: Any,
    matte: Any,
    angle: float,
    saturation: float = 1.0,
    *,
    shadow_angle: float = 0.0,
    shadow_saturation: float = 1.0,
    shadow_luma: float = 0.25,
    shadow_softness: float = 0.2,
    even_redder: float = 0.0,
    even_yellower: float = 0.0,
    centre: float = 123.0,
    premultiplied: bool = False,
    out: Floats | None = None,
) -> Any:
    """See :func:`.steer.turn`."""
    card = _card(image, matte)
    (image,) = _pictures(card, image)
    matte, count = _matte(card, matte, image.shape), image.pixels
    to, lit = card.memory.lent(3 * count), steer.rotation(angle, saturation)
    if (shadow_angle, shadow_saturation, even_redder, even_yellower) == (0, 1, 0, 0):
        card.over(pixels.turn, count, image.colour, matte.colour, to, count, *lit)
        return _placed(card.result(image.shape, to, image.alpha), out)
    dark = steer.rotation(angle + shadow_angle, saturation * shadow_saturation)
    numbers = steer.split_constants(lit, dark, shadow_luma, shadow_softness, even_redder, even_yellower, centre)
    divides = premultiplied and image.alpha is not None
    alpha = image.alpha if divides else card.constants(0.0)
    given = (image.colour, alpha, matte.colour, to, count, divides, numbers)
    card.over(pixels.turn_split, count, *given)
    return _placed(card.result(image.shape, to, image.alpha), out)


def range_key(
    image: Any,
    hue: tuple[float, float],
    chroma: tuple[float, float],
    luma: tuple[float, float],
    fade: float = 0.1,
    out: Floats | None = None,
) -> Any:
    """See :func:`.qualify.range_key`."""
    card = _card(image)
    (image,) = _pictures(card, image)
    to = card.memory.lent(image.pixels)
    numbers = qualify.range_constants(hue, chroma, luma, fade)
    card.over(pixels.range_key, image.pixels, image.colour, to, image.pixels, numbers)
    return _placed(card.result(image.shape[:2], to), out)


# --- filters of planes --------------------------------------------------------------------------------------


class Grid(NamedTuple):
    """One plane or several behind each other."""

    block: Block
    height: int
    width: int

    @property
    def pixels(self) -> int:
        """Numbers in a plane."""
        return self.height * self.width


def _new(card: Card, height: int, width: int, planes: int = 1) -> Grid:
    return Grid(card.memory.lent(planes * height * width), height, width)


def _like(card: Card, grid: Grid, planes: int = 1) -> Grid:
    return _new(card, grid.height, grid.width, planes)


def _reduced(size: int, factor: int) -> int:
    return -(-size // factor)


def _into_cells(card: Card, plane: Grid, low: Grid, to: int, factor: int, high: np.float32 = ZERO) -> None:
    """Lay means over cells of a plane down in one of a coarser grid."""
    sizes = (plane.width, plane.height, low.width, low.height)
    card.over_planes(filters.cells, low.width, low.height, plane.block, low.block, to, *sizes, factor, high)


def _cells(card: Card, plane: Grid, factor: int, high: np.float32 = ZERO) -> Grid:
    """Return means over cells of a plane."""
    low = _grid_for(card, plane, factor)
    _into_cells(card, plane, low, 0, factor, high)
    return low


def _means(card: Card, plane: Grid, radius: float, planes: int = 1) -> Grid:
    """Return means over boxes."""
    reach, part, area = box_numbers(radius)
    if area == ONE:
        return plane
    out, size = _like(card, plane, planes), (plane.width, plane.height)
    if reach < filters.SHARED_REACH:
        given = (plane.block, 0, out.block, 0, *size, *_window(card, reach, part), area)
        card.over_regions(filters.blur, *size, *given, count=planes)
        return out
    sums = _like(card, plane, planes)
    card.over_planes(filters.sums_down, *size, plane.block, sums.block, *size, reach, part, count=planes)
    across = (sums.block, out.block, *size, reach, part, area)
    card.over_planes(filters.means_across, *size, *across, count=planes)
    return out


def _window(card: Card, reach: int, part: np.float32) -> tuple[Block, int]:
    """Return taps that add up a box, see :func:`.box.box_numbers`, and how far they reach."""
    taps = np.array([part, *[1] * (reach + 1)] if part else [1] * (reach + 1), np.float32)
    return card.kept(("window", reach, float(part)), lambda: taps), len(taps) - 1


def _weighed(
    card: Card, plane: Grid, taps: Floats, first: int = 0, planes: int = 1, out: Grid | None = None, to: int = 0
) -> Grid:
    """Return planes from the ``first`` on after a filter both ways, in those of ``out`` from ``to`` on."""
    out = _like(card, plane, planes) if out is None else out
    reach, size = len(taps) - 1, (plane.width, plane.height)
    weights = card.kept(("taps", taps.tobytes()), lambda: filters.in_order(taps))
    if reach <= filters.SHARED_REACH:
        given = (plane.block, first, out.block, to, *size, weights, reach, ONE)
        card.over_regions(filters.blur, *size, *given, count=planes)
        return out
    between = _like(card, plane, planes)
    down = (plane.block, first, between.block, *size, weights, reach)
    card.over_planes(filters.taps_down, *size, *down, count=planes)
    across = (between.block, out.block, to, *size, weights, reach)
    card.over_planes(filters.taps_across, *size, *across, count=planes)
    return out


def _half_of(card: Card, plane: Grid) -> Grid:
    return _new(card, _reduced(plane.height, 2) + 2, _reduced(plane.width, 2) + 2)


def _halved(card: Card, plane: Grid) -> Grid:
    low = _half_of(card, plane)
    sizes = (plane.width, plane.height, low.width, low.height)
    card.over_planes(filters.halve, low.width, low.height, plane.block, low.block, *sizes)
    return low


def _gaussian(card: Card, plane: Grid, sigma: float) -> Grid:
    """Return a plane blurred, as :func:`.gaussian.gaussian` does it."""
    if sigma < LEAST_SIGMA:
        return plane
    factor = blur_factor(sigma)
    if factor == 1:
        return _weighed(card, plane, gaussian_taps(sigma))
    out, size = _like(card, plane), (plane.width, plane.height)
    if factor == 2:
        low = _gaussian(card, _halved(card, plane), reduced_sigma(sigma, 2))
        card.over_planes(filters.double, *size, low.block, out.block, *size, low.width)
        return out
    low = _new(card, _reduced(plane.height, factor) + 2, _reduced(plane.width, factor) + 2)
    arrays = (plane.block, low.block)
    card.over_planes(filters.cells_with_margin, low.width, low.height, *arrays, *size, low.width, low.height, factor)
    low = _gaussian(card, low, reduced_sigma(sigma, factor))
    arrays = (low.block, out.block)
    card.over_planes(filters.enlarge, *size, *arrays, *size, low.width, low.height, factor, F(1 / factor))
    return out


def _lines(card: Card, low: Grid, radius: float, epsilon: float) -> Grid:
    """Return slope and offset of the guided filter from guide and plane."""
    (reach, part, area), size = box_numbers(radius), (low.width, low.height)
    lines = _like(card, low, 2)
    if reach < filters.SHARED_REACH:
        arrays = (low.block, lines.block)
        card.over_regions(key.lines, *size, *arrays, *size, *_window(card, reach, part), area, F(epsilon))
    else:
        sums = _like(card, low, 4)
        card.over_planes(key.products_down, *size, low.block, sums.block, *size, reach, part)
        arrays = (sums.block, lines.block)
        card.over_planes(key.fit, *size, *arrays, *size, reach, part, area, F(epsilon))
    return _means(card, lines, radius, 2)


def _ends(plane: Any, radius: float, largest: bool, out: Floats | None) -> Any:
    radius = within("radius", radius)
    card = _card(plane)
    plane = _matte(card, plane)
    found = Grid(plane.colour, *plane.shape)
    for reach in (int(radius), int(radius) + 1 if radius % 1 else 0):
        further = found
        if reach:
            size, between, further = (found.width, found.height), _like(card, found), _like(card, found)
            shape = (*size, True, min(reach, max(size)), largest), (*size, False, min(reach, max(size)), largest)
            card.over_planes(filters.ends, *size, plane.colour, between.block, *shape[0])
            card.over_planes(filters.ends, *size, between.block, further.block, *shape[1])
        if reach == int(radius):
            found = further
        elif reach:
            mixed = _like(card, found)
            blocks = (found.block, further.block, mixed.block)
            card.over(filters.mix, found.pixels, *blocks, found.pixels, F(radius - int(radius)))
            found = mixed
    return _placed(card.result(plane.shape, found.block), out)


def grow(plane: Any, radius: float, out: Floats | None = None) -> Any:
    """See :func:`.morphology.grow`."""
    return _ends(plane, radius, True, out)


def shrink(plane: Any, radius: float, out: Floats | None = None) -> Any:
    """See :func:`.morphology.shrink`."""
    return _ends(plane, radius, False, out)


# --- the skin key -------------------------------------------------------------------------------------------


def _prefiltered(card: Card, image: CardArray, factor: int) -> tuple[Grid, Grid, bool, bool]:
    """Return what :func:`.prefilter.ratio_prefilter` finds on the way to Y′, Cb and Cr of cells.

    They are the blurred luma, and behind it chroma where that is not halved; the blurred ratios, and behind them
    halved chroma; whether the ratios are halved, and whether chroma is.
    """
    height, width = image.shape[:2]
    planes = _new(card, _reduced(height, factor), _reduced(width, factor), 3)
    size = (planes.width, planes.height)
    arrays = (image.colour, planes.block)
    card.over_planes(key.split, *size, *arrays, width, height, *size, factor)
    sigmas, (_, softer, halves), left = ratio_plan(height, factor)
    many = 4 if softer else 2
    if halves:
        low = _new(card, _reduced(planes.height, 2) + 2, _reduced(planes.width, 2) + 2, many)
        given = (planes.block, low.block, *size, low.width, low.height, softer)
        card.over_planes(key.halved_ratios, low.width, low.height, *given)
    else:
        low = _like(card, planes, 2)
        card.over(key.ratios, planes.pixels, planes.block, low.block, *size)
    blurred, soft = _like(card, low, many), _like(card, planes, 1 if softer else 3)
    of_planes = [(0, 1, sigmas[0]), *([] if softer else [(1, 2, sigmas[1])])]
    of_low = [(0, 2, left[2]), *([(2, 2, left[1])] if softer else [])]
    for plane, out, parts in ((planes, soft, of_planes), (low, blurred, of_low)):
        for first, count, sigma in parts:
            _blur_into(card, plane, out, first, count, sigma, max(left) < TAPS_BELOW)
    return soft, blurred, halves, softer


def _blur_into(card: Card, plane: Grid, out: Grid, first: int, count: int, sigma: float, direct: bool) -> None:
    """Blur some planes of many: by taps, or one by one as any wide blur."""
    if direct:
        _weighed(card, plane, taps_of(sigma), first, count, out, first)
        return
    for place in range(first, first + count):
        one = _gaussian(card, _weighed(card, plane, _NO_TAPS, place), sigma)
        _weighed(card, one, _NO_TAPS, 0, 1, out, place)


_NO_TAPS = np.ones(1, np.float32)
"""Taps that copy."""


class Cells(NamedTuple):
    """Where the next step wants means over cells of a matte: a plane of ``grid``; values limited to 0 … high."""

    grid: Grid
    plane: int
    factor: int
    high: np.float32


def _grid_for(card: Card, size: Grid, factor: int, planes: int = 1) -> Grid:
    return _new(card, _reduced(size.height, factor), _reduced(size.width, factor), planes)


def _cleaned(
    card: Card, matte: Grid, radius: float, specks: bool, cells: Grid | None = None, then: Cells | None = None
) -> Grid:
    """Return a matte cleaned as its mean all round tells; ``cells`` are its means over cells, where they are known."""
    factor, out, sides = factor_for(radius), _like(card, matte), (matte.width, matte.height)
    cells = _cells(card, matte, factor, ONE) if cells is None else cells
    share = _means(card, cells, radius / factor)
    low, plane, further, high = then or Cells(share, 0, 0, ONE)
    given = (matte.block, share.block, out.block, low.block, plane, *sides, share.width, share.height)
    card.over_regions(key.cleaner(factor, specks, further), *sides, *given, low.width, low.height, high)
    return out


def _finished(card: Card, matte: Grid, specks: float, pinholes: float, then: Cells | None = None) -> tuple[Grid, bool]:
    """Return a matte without specks and pinholes, told by radii; and whether the cells that come next are known."""
    steps = [(first, radius) for first, radius in ((True, specks), (False, pinholes)) if radius > 0]
    cells: Grid | None = None
    for place, (first, radius) in enumerate(steps):
        last, following = place == len(steps) - 1, then
        if not last:
            factor = factor_for(steps[place + 1][1])
            following = Cells(_grid_for(card, matte, factor), 0, factor, ONE)
        matte = _cleaned(card, matte, radius, first, cells, following)
        cells = None if following is None else following.grid
    return matte, bool(steps) and then is not None


def learned_key(
    image: Any,
    centre: tuple[float, float],
    form: np.ndarray,
    out: Floats | None = None,
    *,
    drift: tuple[float, float] = (0.0, 0.0),
    middle: float = 0.5,
    width: float = 0.0,
    softness: float = 1.0,
    shadow_reach: float = 1.0,
    highlight_reach: float = 1.0,
    finish: bool = True,
    halved_from: int = qualify.WHOLE_BELOW,
) -> Any:
    """See :func:`.qualify.learned_key`."""
    card = _card(image)
    (image,) = _pictures(card, image)
    factor = qualify.work_factor(image.shape[0], halved_from)
    soft, blurred, *halving = _prefiltered(card, image, factor)
    placing, ramp = qualify.placing_of(centre, drift), qualify.ramp_of(width, softness)
    bending = qualify.bending_of(middle, shadow_reach, highlight_reach)
    matte, size = _like(card, soft), (soft.width, soft.height)
    sizes = (*size, blurred.width, blurred.height, *halving)
    if form.ndim == 3:
        packed = qualify.packed_once(form)
        table = card.kept(("table", id(packed)), lambda: packed)
        arrays, bends = (soft.block, blurred.block, table, matte.block), bending[1:] != (ONE, ONE)
        card.over_planes(key.table, *size, *arrays, *sizes, placing, bending, ramp, bends)
    else:
        gaussian = qualify.precision_of(form)
        arguments = (soft.block, blurred.block, matte.block, *sizes, gaussian, placing, bending, ramp)
        card.over_planes(key.compact, *size, *arguments)
    radius, further = qualify.edge_radius(matte.height)
    low, known = _grid_for(card, matte, further, 2), False
    if finish:
        radii = speck_radius(qualify.SPECKS * matte.height), pinhole_radius(qualify.PINHOLES * matte.height)
        matte, known = _finished(card, matte, *radii, Cells(low, 1, further, ONE))
        if not any(r > 0 for r in radii):
            matte = _levelled(card, matte, ZERO, ONE)
    _into_cells(card, soft, low, 0, further)
    if not known:
        _into_cells(card, matte, low, 1, further)
    lines = _lines(card, low, radius, qualify.EDGE_EPSILON)
    keyed, luma = card.memory.lent(image.pixels), card.memory.lent(image.pixels)
    height, across = image.shape[:2]
    given = (image.colour, lines.block, luma, keyed, across, height, lines.width, lines.height)
    card.over_regions(key.edger(factor * further), across, height, *given)
    image.takes_luma(luma)
    return _placed(card.result(image.shape[:2], keyed), out)


# --- softening ----------------------------------------------------------------------------------------------


def from_plane(matte: Any, guide: Any = None) -> MatteSource:
    """See :func:`.fused.from_plane`."""
    card = _card(matte, guide)
    matte = _matte(card, matte)
    if guide is not None:
        (guide,) = _pictures(card, guide, name="guide")
        check_size("guide", guide.shape[:2], "the matte", matte.shape)
    return MatteSource(card, matte, guide)


def _luma(card: Card, image: CardArray) -> Block:
    luma = image.luma
    if luma is None:
        luma = card.memory.lent(image.pixels)
        card.over(pixels.luma, image.pixels, image.colour, luma, image.pixels)
        image.takes_luma(luma)
    return luma


def soften_matte(source: MatteSource, steps: fused.Softening, out: Floats | None = None) -> Any:
    """See :func:`.fused.soften_matte`."""
    if not 0 <= steps.follow <= 1:
        raise ValueRangeError(f"The share that follows must lie from 0 to 1, not {steps.follow:g}.")
    if steps.follow and source.image is None:
        raise ValueRangeError("A matte can only follow a picture: give a guide, or leave following at 0.")
    card = source.device
    matte: CardArray = card.reading(source.plane)
    now = Grid(matte.colour, *matte.shape)
    size, first = (now.width, now.height), now
    radii, factor = (speck_radius(steps.specks), pinhole_radius(steps.pinholes)), factor_for(steps.radius)
    low = _grid_for(card, now, factor, 2) if steps.follow else None
    now, known = _finished(card, now, *radii, None if low is None else Cells(low, 1, factor, GUIDE_HIGHEST))
    halves = steps.sigma >= LEAST_SIGMA and blur_factor(steps.sigma) == 2
    half: Grid | None = None
    if low is not None:
        assert source.image is not None
        luma = _luma(card, card.reading(source.image))
        _into_cells(card, Grid(luma, *matte.shape), low, 0, factor, GUIDE_HIGHEST)
        if not known:
            _into_cells(card, now, low, 1, factor, GUIDE_HIGHEST)
        lines = _lines(card, low, steps.radius / factor, steps.epsilon)
        given = (now.block, luma, lines.block)
        sides: tuple[int, ...] = (*size, lines.width, lines.height)
        if halves:
            half = _half_of(card, now)
            sides = (*sides, half.width, half.height)
            kernel = key.halved_follower(factor)
            card.over_regions(kernel, half.width, half.height, *given, half.block, *sides, F(steps.follow))
        else:
            now = _like(card, now)
            card.over_regions(key.follower(factor), *size, *given, now.block, *sides, F(steps.follow))
    elif now is first:
        now = _levelled(card, now, ZERO, ONE)
    floor, span = F(steps.floor), levels_span(steps.floor, steps.ceiling) if steps.levelled else ZERO
    if halves:
        half = _halved(card, now) if half is None else half
        half, soft = _gaussian(card, half, reduced_sigma(steps.sigma, 2)), _like(card, now)
        across, down = _reduced(now.width, 2), _reduced(now.height, 2)
        card.over_planes(key.doubled_levels, across, down, half.block, soft.block, *size, half.width, floor, span)
        return _placed(card.result(matte.shape, soft.block), out)
    soft = _gaussian(card, now, steps.sigma)
    return _placed(card.result(matte.shape, (_levelled(card, soft, floor, span) if span != ZERO else soft).block), out)


def _levelled(card: Card, matte: Grid, floor: np.float32, span: np.float32) -> Grid:
    out = _like(card, matte)
    card.over(key.levels, matte.pixels, matte.block, out.block, matte.pixels, floor, span)
    return out


# --- several mattes, and faces ------------------------------------------------------------------------------


def join_mattes(first: Any, second: Any, operation: str, out: Floats | None = None) -> Any:
    """See :func:`.region.join`."""
    if operation not in region.OPERATIONS:
        raise ValueRangeError(f"Joining mattes by {operation!r} is unknown: use one of {', '.join(region.OPERATIONS)}.")
    card = _card(first, second)
    first, second = _matte(card, first), _matte(card, second)
    check_size("second matte", second.shape, "the first", first.shape)
    to = card.memory.lent(first.pixels)
    card.over(pixels.joining(operation), first.pixels, first.colour, second.colour, to, first.pixels)
    return _placed(card.result(first.shape, to), out)


def blend(first: Any, second: Any, matte: Any, amount: float = 1.0, out: Floats | None = None) -> Any:
    """See :func:`.mix.blend`."""
    card = _card(first, second, matte)
    first, second = _pictures(card, first, second)
    if first.shape != second.shape:
        raise PictureError(
            f"The pictures to blend have the shapes {first.shape} and {second.shape}: "
            "give both the same size and number of channels."
        )
    matte, count = _matte(card, matte, first.shape), first.pixels
    made = []
    for a, b, planes in ((first.colour, second.colour, 3), (first.alpha, second.alpha, 1)):
        if a is not None:
            made.append(card.memory.lent(planes * count))
            card.over(pixels.blend, count, a, b, matte.colour, made[-1], count, planes, F(amount))
    return _placed(card.result(first.shape, *made), out)


def _probed(card: Card, array: CardArray) -> Floats | None:
    """Return the pixels that the grid of faces is made from, on the processor; None where those are nearly all.

    They make a picture whose own grid is the same: that of the processor finds in it what it finds in the whole one.
    """
    (height, width), planes = array.shape[:2], 3 if array.ndim == 3 else 1
    if max(height, width) <= face.GRID_SIDE:
        return None
    if array.probes is None:
        rows, columns = (4 * cells for cells in face.grid_shape(height, width))
        down, across = _probes_at(card, rows, height), _probes_at(card, columns, width)
        block = card.memory.lent(planes * rows * columns)
        given = (array.colour, down, across, block, width, height, rows, columns, planes)
        card.over_planes(pixels.probe, columns, rows, *given)
        array.probes = card.downloaded(block)[0].reshape((rows, columns, 3)[: array.ndim])
    return array.probes


def _probes_at(card: Card, count: int, size: int) -> Block:
    """Return at which of ``size`` places as many lie as the grid takes."""
    block: Block = card.kept(
        ("probes", count, size), lambda: ((2 * np.arange(count) + 1) * size // (2 * count)).astype(np.int32)
    )
    return block


def face_evidence(
    image: Any,
    points: face.Landmarks,
    presence: float = 1.0,
    keyed: float = 1.0,
    before: Any = None,
    out: Floats | None = None,
    turns: bool = True,
) -> Any:
    """See :func:`.join.face_evidence`: the processor cuts the face out of some of the picture's pixels."""
    card = _card(image, before)
    (image,) = _pictures(card, image)
    told = None if before is None else _matte(card, before, image.shape)
    probes, (height, width) = _probed(card, image), image.shape[:2]
    if probes is None:
        before = None if told is None else np.asarray(told)
        return _placed(
            card.sent(join.face_evidence(np.asarray(image), points, presence, keyed, before, turns=turns)), out
        )
    plane, top, left = join.evidence_on_grid(probes, points, presence, keyed, turns)
    grid, to = card.uploaded(plane.reshape(-1)), card.memory.lent(image.pixels)
    sizes = (width, height, *plane.shape, top, left, *face.grid_shape(height, width))
    given = (grid, to if told is None else told.colour, to, *sizes, told is not None)
    card.over_planes(pixels.told, width, height, *given)
    return _placed(card.result(image.shape[:2], to), out)


def join_faces(
    matte: Any,
    evidence: Any,
    image: Any,
    joining: join.Joining,
    out: Floats | None = None,
) -> Any:
    """See :func:`.join.join_faces`: the processor finds on the grid what is laid over the matte."""
    card = _card(matte, evidence, image)
    (image,) = _pictures(card, image)
    matte, evidence = _matte(card, matte, image.shape), _matte(card, evidence, image.shape)
    keyed, told, seen = (_probed(card, array) for array in (matte, evidence, image))
    if keyed is None or told is None or seen is None:
        keyed, told, seen = (np.asarray(array) for array in (matte, evidence, image))
        made = join.join_faces(keyed, told, seen, joining)
        return _placed(card.sent(made), out)
    found = join.laid_on_grid(keyed, told, seen, joining)
    grids = card.uploaded(np.stack([found.odds, found.lid, found.floor]).reshape(-1))
    (height, width), to = matte.shape, card.memory.lent(matte.pixels)
    card.over_planes(pixels.laid, width, height, matte.colour, grids, to, width, height, *found.odds.shape)
    return _placed(card.result(matte.shape, to), out)


# --- planes of codes ----------------------------------------------------------------------------------------


def planes_to_picture(planes: Planes, coding: Coding, out: Floats | None = None) -> Any:
    """See :func:`.codes.planes_to_picture`; the planes lie with the processor, the picture on the card in use."""
    card: Any = current()
    planes = code.checked_planes(planes, coding)
    blocks = [card.uploaded_once(plane) for plane in planes]
    height, width = planes[0].shape
    chroma_height, chroma_width = planes[1].shape
    picture = card.memory.lent(3 * width * height)
    given = (*blocks[:3], picture, width, height, chroma_width, chroma_height, *map(F, coding.offsets))
    card.over_planes(codes.decoder(_layout(coding)), width, height, *given, _from_codes(coding))
    alpha = None
    if len(planes) == 4:
        alpha = card.memory.lent(width * height)
        card.over(codes.scale, width * height, blocks[3], alpha, width * height, F(coding.top))
    return _placed(card.result((height, width, len(planes)), picture, alpha), out)


def _layout(coding: Coding) -> codes.Layout:
    return *SUBSAMPLING[coding.subsampling], *SITING[coding.siting]


_from_codes, _to_codes = lru_cache(maxsize=16)(Coding.decoding), lru_cache(maxsize=16)(Coding.encoding)


def encoded(card: Card, after: CardArray, old: Planes | None, coding: Coding, dither: bool) -> list[Block]:
    """Return planes with the change to a picture, or of a fresh one, on the card."""
    shapes = coding.shapes(*after.shape[:2])
    (height, width), (chroma_height, chroma_width), _ = shapes
    new = [card.memory.lent(rows * columns, coding.dtype) for rows, columns in shapes]
    blocks = new if old is None else [card.uploaded_once(plane) for plane in old[:3]]
    given = (after.colour, *blocks, *new, width, height, chroma_width, chroma_height, *map(F, coding.offsets))
    numbers = (_from_codes(coding), _to_codes(coding), *map(F, coding.limits), dither)
    card.over_regions(codes.encoder(_layout(coding), old is None), chroma_width, chroma_height, *given, *numbers)
    return new


def _encode(card: Card, after: CardArray, old: Planes | None, coding: Coding, dither: bool) -> Planes:
    arrays = card.downloaded(*encoded(card, after, old, coding, dither))
    shapes = coding.shapes(*after.shape[:2])
    return tuple(array.reshape(shape) for array, shape in zip(arrays, shapes, strict=True))


def change_to_planes(after: Any, planes: Planes, coding: Coding, dither: bool = True) -> Planes:
    """See :func:`.codes.change_to_planes`; the planes lie with the processor."""
    card, planes = _card(after), code.checked_planes(planes, coding)
    (after,) = _pictures(card, after, name="picture after")
    if after.shape[:2] != planes[0].shape:
        raise PictureError(f"The picture {after.shape} and the planes {planes[0].shape} must have the same size.")
    return _encode(card, after, planes, coding, bool(dither)) + planes[3:]


def picture_to_planes(picture: Any, coding: Coding, dither: bool = True, alpha: bool = False) -> Planes:
    """See :func:`.codes.picture_to_planes`; the planes lie with the processor."""
    card = _card(picture)
    (picture,) = _pictures(card, picture)
    planes = _encode(card, picture, None, coding, bool(dither))
    return (*planes, code.alpha_to_plane(np.asarray(picture), coding)) if alpha else planes


KERNELS: Mapping[str, Callable[..., Any]] = {
    "balance.adapt": adapt,
    "tone.curve": curve,
    "tone.cdl": cdl,
    "steer.turn": turn,
    "qualify.range_key": range_key,
    "qualify.learned_key": learned_key,
    "fused.from_plane": from_plane,
    "fused.soften_matte": soften_matte,
    "morphology.grow": grow,
    "morphology.shrink": shrink,
    "region.join": join_mattes,
    "mix.blend": blend,
    "join.face_evidence": face_evidence,
    "join.join_faces": join_faces,
    "codes.planes_to_picture": planes_to_picture,
    "codes.change_to_planes": change_to_planes,
    "codes.picture_to_planes": picture_to_planes,
}
"""What a card can do, by the processor's names."""
