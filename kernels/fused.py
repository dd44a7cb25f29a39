"""A matte and what follows it in a few sweeps: key, clean up, follow the picture, blur, level, steer.

Step by step, every filter writes a plane that the next one reads, and memory sets the pace. Here each row of the
picture goes through all the steps while it is warm. Only what a step must know of a pixel's surroundings is gathered
first, on a reduced grid and in a sweep of its own: the means by which specks and pinholes are told, the coefficients
of the guided filter, what a blur from σ 2.5 on is taken of. Rows are worked by the functions of :mod:`.qualify`,
:mod:`.soften` and :mod:`.steer`, in their order: the bits are those of the single steps.

Every sweep also notes the :mod:`.tiles` in which the matte is 0 or 1 all over; the next ones pass them over, and the
picture is only copied where nothing is keyed.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from . import tiles
from .arrays import Floats, as_picture, as_plane, check_size, output, scratch, with_alpha
from .box import box_stages
from .clean import (
    PINHOLE_LIMITS,
    SPECK_LIMITS,
    close_pinholes,
    level_of,
    levels,
    levels_row,
    levels_span,
    pinhole_radius,
    pinholes_row,
    remove_specks,
    speck_radius,
    specks_row,
)
from .codes import CodedPicture, IntoPlanes, seen_by_luma
from .colour import ONE, ZERO, F, luma, luma_run
from .devices import on_devices
from .errors import ValueRangeError
from .gaussian import NO_TAPS, blur_factor, fir_across, fir_down, gaussian, gaussian_taps, reduced_sigma, taps_of
from .guided import GUIDE_HIGHEST, coefficient_stages, guided, guided_row, partly_guided_row
from .jit import inline, strip_kernel, subroutine
from .qualify import Edge, edge_row, range_row
from .resample import cells_row, doubled_row, enlarged_row, factor_for, halved_row
from .rows import ONE_INT, ZERO_INT, copy_row, fill_row, limit_row, ring_at
from .steer import rotation, turn, turn_row
from .stream import RUN, is_non_temporal, store_fence, write, write_runs
from .strips import RING, STRIP, PictureInto, Stage, over_stages
from .tiles import COLUMNS, EMPTY, FULL, MIXED, ROWS, Tiles, run_end


@dataclass(frozen=True)
class Softening:
    """How a matte is softened, in pixels of its own grid; a step at 0 is left out. The steps run in this order.

    :ivar specks, pinholes: sides of the largest that vanish or close, see :func:`.soften.remove_specks`.
    :ivar follow: 0 to 1, how much of the matte gives way to the one that follows the picture; needs a picture.
    :ivar radius, epsilon: of that guided filter, see :func:`.soften.guided`. :ivar sigma: of the Gaussian.
    :ivar floor, ceiling: levels that become 0 and 1, see :func:`.soften.levels`; (0, 1) leaves them alone.
    """

    specks: float = 0.0
    pinholes: float = 0.0
    follow: float = 0.0
    radius: float = 0.0
    epsilon: float = 4e-4
    sigma: float = 0.0
    floor: float = 0.0
    ceiling: float = 1.0

    @property
    def levelled(self) -> bool:
        """Whether the levels change anything."""
        return (self.floor, self.ceiling) != (0, 1)


# --- a row of the matte -------------------------------------------------------------------------------------

_NOTHING = np.zeros((1, 1), np.float32)
_NO_PICTURE = np.zeros((1, 1, 3), np.float32)
_NO_TILES = np.zeros((1, 1), np.uint8)
_SCRATCH = 7


class Source(NamedTuple):
    """Where rows of a matte come from; made by :func:`from_plane`, :func:`from_edge` and :func:`from_ranges`.

    ``edge`` or ``ranges`` are those of a key; without either it is the plane. Strip kernels are compiled for each of
    the three, so that a plane need not wait for what keys alone need. ``states`` are the tiles of the matte as far as
    they are known. From ``specks`` on it holds what the steps that are ready need; a factor of 0 leaves a step out.
    """

    image: Floats
    plane: Floats
    edge: Edge | None
    ranges: tuple[np.float32, ...] | None
    states: Tiles
    specks: Floats = _NOTHING
    specks_factor: int = 0
    pinholes: Floats = _NOTHING
    pinholes_factor: int = 0
    slope: Floats = _NOTHING
    offset: Floats = _NOTHING
    follow_factor: int = 0
    follow: np.float32 = ONE


@on_devices
def from_plane(matte: Floats, guide: Floats | CodedPicture | None = None) -> Source:
    """Take the matte from a plane, float32 (H, W); it follows ``guide``, float32 (H, W, 3 or 4), where asked to.

    The guide may be a picture that lies in planes: its luma alone is read.

    :raises PictureError: wrong arrays.

    >>> size_of(from_plane(np.ones((4, 6), np.float32)))
    (4, 6)
    """
    matte = as_plane(matte)
    if guide is not None:
        guide = seen_by_luma(guide, "guide")
        check_size("guide", guide.shape[:2], "the matte", matte.shape)
    image = _NO_PICTURE if guide is None else guide
    return Source(image, matte, None, None, tiles.unknown(matte.shape))


def from_edge(image: Floats | CodedPicture, edge: Edge) -> Source:
    """Take the matte from a learned key of the picture, see :func:`.qualify.learned_edge`.

    >>> skin, wall = (0.7, 0.5, 0.4), (0.4, 0.5, 0.7)
    >>> picture = np.full((32, 32, 3), wall, np.float32)
    >>> picture[:, 16:] = skin
    >>> from inkarnat.kernels.qualify import learned_edge
    >>> form = np.array([1, 0, 0.5, 0.2, 0, 0, 0.05, 0, 0.1, 3.0])
    >>> size_of(from_edge(picture, learned_edge(picture, (-0.14, 0.2), form)))
    (32, 32)
    """
    return Source(seen_by_luma(image), _NOTHING, edge, None, edge.states)


def from_ranges(image: Floats, constants: tuple[np.float32, ...]) -> Source:
    """Take the matte from ranges of the picture's colour, see :func:`.qualify.range_constants`.

    >>> from inkarnat.kernels.qualify import range_constants
    >>> picture = np.full((4, 6, 3), 0.5, np.float32)
    >>> size_of(from_ranges(picture, range_constants((0, 360), (0, 1), (0.4, 0.6), 0.1)))
    (4, 6)
    """
    image = as_picture(image)
    return Source(image, _NOTHING, None, constants, tiles.unknown(image.shape[:2]))


@subroutine
def _enlarge(low, out, scratch, factor, margin, y, x0):
    """Fill columns from x0 on of row y of the full grid from a reduced plane; ``scratch`` (2, …) is scratch."""
    enlarged_row(low, out, scratch[0], scratch[1], factor, margin, y, x0)


@subroutine
def _ranges(image, ranges, y, x0, out, scratch):
    """Row y from column x0 on as a key of ranges has it, 0 to 1."""
    n = image.shape[2]
    range_row(image[y].reshape(-1)[n * x0 : n * (x0 + out.shape[0])], out, n, ranges, scratch[2:5])


@subroutine
def _run(source, edge, ranges, top, bottom, x0, x1, rows, scratch):
    """Rows top to bottom between two columns after every step that is ready, into a ring of rows.

    No step writes the row that it reads, and the last one writes the ring's. What the source has of a key is handed
    over by itself, as only then what a key alone needs is left out for a plane.
    """
    width = x1 - x0
    first, second, grey = scratch[2][:width], scratch[3][:width], scratch[4][:width]
    for y in range(top, bottom):
        out, now, then = rows[y % rows.shape[0], x0:x1], scratch[5][:width], scratch[6][:width]
        if not (source.specks_factor or source.pinholes_factor or source.follow_factor):
            now = out
        if edge is not None:
            edge_row(source.image, edge.slope, edge.offset, edge.factor, y, x0, now)
        elif ranges is not None:
            _ranges(source.image, ranges, y, x0, now, scratch)
        else:
            limit_row(now, source.plane[y, x0:x1], ZERO, ONE)
        if source.specks_factor:
            if not (source.pinholes_factor or source.follow_factor):
                then = out
            _enlarge(source.specks, first, scratch, source.specks_factor, ZERO_INT, y, x0)
            specks_row(then, now, first)
            now, then = then, now
        if source.pinholes_factor:
            if not source.follow_factor:
                then = out
            _enlarge(source.pinholes, first, scratch, source.pinholes_factor, ZERO_INT, y, x0)
            pinholes_row(then, now, first)
            now = then
        if source.follow_factor:
            _enlarge(source.slope, first, scratch, source.follow_factor, ZERO_INT, y, x0)
            _enlarge(source.offset, second, scratch, source.follow_factor, ZERO_INT, y, x0)
            luma_run(source.image, grey, y, x0)
            if source.follow == ONE:
                guided_row(out, first, second, grey)
            else:
                partly_guided_row(out, first, second, grey, now, source.follow)


@subroutine
def _matte_rows(source, top, bottom, rows, scratch):
    """Rows top to bottom after every step that is ready, each into row y modulo the height of ``rows``, a ring.

    ``scratch`` (7, …) is scratch. The rows of a row of tiles are worked together: handing over a source takes longer
    than a short run of one row.
    """
    while top < bottom:
        states = source.states[top // ROWS]
        below = min((top // ROWS + 1) * ROWS, bottom)
        tile = ZERO_INT
        while tile < states.shape[0]:
            end = run_end(states, tile)
            x0, x1 = tile * COLUMNS, min(end * COLUMNS, rows.shape[1])
            if states[tile] == MIXED:
                _run(source, source.edge, source.ranges, top, below, x0, x1, rows, scratch)
            else:
                for y in range(top, below):
                    fill_row(rows[y % rows.shape[0], x0:x1], ONE if states[tile] == FULL else ZERO)
            tile = end
        top = below


# --- gathering ----------------------------------------------------------------------------------------------


@inline
def _ends4_row(least, most, a, b, c, d):
    for x in range(least.shape[0]):
        low, high = (a[x] if a[x] < b[x] else b[x]), (a[x] if a[x] > b[x] else b[x])
        further_low, further_high = (c[x] if c[x] < d[x] else d[x]), (c[x] if c[x] > d[x] else d[x])
        least[x] = low if low < further_low else further_low
        most[x] = high if high > further_high else further_high


@subroutine
def _note(found, rows, count, first, tile, end, scratch):
    """Note of some tiles what some rows of the matte make of them; ``first`` tells that they are their first."""
    x0, x1 = tile * COLUMNS, min(end * COLUMNS, rows.shape[1])
    least, most = scratch[0][: x1 - x0], scratch[1][: x1 - x0]
    for j in range(0, count, 4):
        a, b = rows[j, x0:x1], rows[min(j + 1, count - 1), x0:x1]
        _ends4_row(least, most, a, b, rows[min(j + 2, count - 1), x0:x1], rows[min(j + 3, count - 1), x0:x1])
        for at in range(tile, end):
            left, right = at * COLUMNS - x0, min(at * COLUMNS - x0 + COLUMNS, x1 - x0)
            some, missing = np.int32(0), np.int32(0)
            lowest, highest = least[left:right], most[left:right]
            for x in range(lowest.shape[0]):
                some += np.int32(highest[x] != ZERO)
                missing += np.int32(lowest[x] != ONE)
            state = EMPTY if some == 0 else FULL if missing == 0 else MIXED
            found[at] = state if (first and j == 0) or state == found[at] else MIXED


@subroutine
def _gather_guide(image, states, low, y, rows, count, scratch, total, spare, factor):
    """A row of means of the picture's luma, where tiles are mixed; elsewhere 0, for nothing depends on it there."""
    grey, tile = scratch[4], ZERO_INT
    while tile < states.shape[0]:
        end = run_end(states, tile)
        x0, x1 = tile * COLUMNS, min(end * COLUMNS, rows.shape[1])
        c0, c1 = x0 // factor, (x1 + factor - 1) // factor
        if states[tile] == MIXED:
            for j in range(count):
                luma_run(image, grey[: x1 - x0], y + j, x0)
                limit_row(rows[j, x0:x1], grey[: x1 - x0], ZERO, GUIDE_HIGHEST)
            cells_row(rows, count, low[c0:c1], total, spare, factor, ZERO_INT, ZERO_INT, x0, x1)
        else:
            fill_row(low[c0:c1], ZERO)
        tile = end


@subroutine
def _gather_row(states, found, low, y, rows, count, scratch, total, spare, factor):
    """A row of means of the matte and what it makes of the tiles, of which only the mixed ones need be looked at."""
    tile = ZERO_INT
    while tile < states.shape[0]:
        end = run_end(states, tile)
        x0, x1 = tile * COLUMNS, min(end * COLUMNS, rows.shape[1])
        c0, c1 = x0 // factor, (x1 + factor - 1) // factor
        if states[tile] == MIXED:
            cells_row(rows, count, low[c0:c1], total, spare, factor, ZERO_INT, ZERO_INT, x0, x1)
            _note(found, rows, count, y % ROWS == 0, tile, end, scratch)
        else:
            fill_row(low[c0:c1], ONE if states[tile] == FULL else ZERO)
            for at in range(tile, end):
                found[at] = states[tile]
        tile = end


@subroutine
def _gather_blurred(low, cell, height, rows, total, spare, factor):
    """A row of the reduced matte that is to be blurred, with its margin: halved, or means over cells.

    ``rows`` is a ring that holds what the row of cells is made of; over cells it is theirs alone, and is filled up.
    """
    if factor == 2:
        above, first = rows[ring_at(rows, 2 * cell - 3, height)], rows[ring_at(rows, 2 * cell - 2, height)]
        second, below = rows[ring_at(rows, 2 * cell - 1, height)], rows[ring_at(rows, 2 * cell, height)]
        halved_row(above, first, second, below, low[cell], total)
        return
    for j in range(factor):
        at = ring_at(rows, (cell - 1) * factor + j, height)
        if at != j:
            copy_row(rows[j], rows[at])
    cells_row(rows, factor, low[cell], total, spare, factor, ONE_INT, ONE_INT, ZERO_INT, rows.shape[1])


@strip_kernel
def _gather_strips(source, found, height, width, low, low_guide, guided, factor, margin, y0, y1):
    """Means of the matte over cells of the reduced grid and, where wanted, of the picture's luma.

    With a margin, what is to be blurred, of which a row of cells may reach further than its own rows.
    """
    scratch = np.empty((_SCRATCH, width + 16), np.float32)
    halves = margin and factor == 2
    rows = np.empty((ROWS + 4 if halves else factor, width), np.float32)
    total, spare = np.empty(width + 16, np.float32), np.empty(width + 16, np.float32)
    ready = 0
    for cell in range(y0, y1):
        own = (cell - margin) * factor
        top, below = min(max(own - halves, ready), height - 1), min(max(own + factor + halves, 1), height)
        if top < below:
            ready = min(-(-below // ROWS) * ROWS, height) if halves else below
            _matte_rows(source, top, ready, rows, scratch)
        if margin:
            _gather_blurred(low, cell, height, rows, total, spare, factor)
            continue
        states = source.states[own // ROWS]
        _gather_row(states, found[own // ROWS], low[cell], own, rows, below - own, scratch, total, spare, factor)
        if guided.shape[0] > 1:
            needed, count = guided[own // ROWS], below - own
            _gather_guide(source.image, needed, low_guide[cell], own, rows, count, scratch, total, spare, factor)


class _Course:
    """The stages that a matte goes through, as they are put together; each knows how far the one before must be.

    A stage of tiles comes before each that reads the matte: it has been through all rows that these tiles depend on.
    """

    def __init__(self, source: Source, shape: tuple[int, int]) -> None:
        self.source, self.shape = source, shape
        self.stages: list[Stage] = []

    def gather(self, factor: int, margin: int = 0, guided: Tiles = _NO_TILES) -> tuple[Floats, Floats]:
        """Reduce the matte and, where wanted, luma, and find its tiles; return where both lie."""
        height, width = (-(-size // factor) + 2 * margin for size in self.shape)
        low = scratch((height, width))
        guide = _NOTHING if guided is _NO_TILES else scratch((height, width))
        found = _NO_TILES if margin else np.empty_like(self.source.states)
        strip = max(8, (_TALL if margin else STRIP) // factor)
        least = max(4 * ROWS // factor, 1) if margin else ROWS
        arguments = (self.source, found, *self.shape, low, guide, guided, factor, margin)
        beyond = 1 if margin and factor == 2 else 0

        def needs(y1: Any) -> Any:
            return -(-((y1 - margin) * factor + beyond) // ROWS)

        self.stages.append(Stage(_gather_strips, arguments, height, strip, needs, least))
        if not margin:
            self.source = self.source._replace(states=found)
        return low, guide

    def settle(self, radius: float, empties: bool, limits: tuple[np.float32, np.float32]) -> tuple[Floats, int]:
        """Find the mean of the matte all round and what it makes of the tiles; return it and the factor of its grid."""
        factor = factor_for(radius)
        low, _ = self.gather(factor)
        stages, share = box_stages(low, radius / factor)
        stage, states = tiles.settle_stage(share, factor, self.source.states, empties, limits)
        self.stages += [*stages, stage]
        self.source = self.source._replace(states=states)
        return share, factor

    def follow(self, steps: Softening) -> None:
        """Let the matte follow the picture. Where it is 0 or 1 as far as two windows reach, no luma is needed."""
        factor = factor_for(steps.radius)
        stage, needed = tiles.round_stage(self.source.states, 2 * factor * math.ceil(steps.radius / factor))
        self.stages.append(stage)
        low, guide = self.gather(factor, guided=needed)
        stages, (slope, offset) = coefficient_stages(low, guide, steps.radius / factor, steps.epsilon)
        states = np.empty_like(needed)
        line = tiles.line_stage(slope, offset, factor, states, before=self.source.states)
        self.stages += [*stages, line]
        self.source = self.source._replace(
            slope=slope, offset=offset, follow_factor=factor, follow=F(steps.follow), states=states
        )

    def ready(self, steps: Softening) -> None:
        """Gather what the steps before the blur need, each from the steps before it."""
        radius = speck_radius(steps.specks)
        if radius > 0:
            share, factor = self.settle(radius, True, SPECK_LIMITS)
            self.source = self.source._replace(specks=share, specks_factor=factor)
        radius = pinhole_radius(steps.pinholes)
        if radius > 0:
            share, factor = self.settle(radius, False, PINHOLE_LIMITS)
            self.source = self.source._replace(pinholes=share, pinholes_factor=factor)
        if steps.follow > 0:
            self.follow(steps)

    def all_round(self, reach: int) -> Tiles:
        """Return the tiles that are the same as far as a blur reaches."""
        if not reach:
            return self.source.states
        stage, states = tiles.round_stage(self.source.states, reach)
        self.stages.append(stage)
        return states

    def blur(self, steps: Softening) -> tuple[Floats, Floats, int, Tiles]:
        """Return taps, reduced matte and its factor, as :class:`_Ending` has them, and the tiles after the blur."""
        factor = blur_factor(steps.sigma)
        if factor == 1:
            taps = taps_of(steps.sigma)
            return taps, _NOTHING, 0, self.all_round(len(taps) - 1)
        sigma = reduced_sigma(steps.sigma, factor)
        if factor == 2 and blur_factor(sigma) == 1:
            taps = gaussian_taps(sigma)
            # Pixels: the taps, a cell on both sides, and the pixel beside each cell.
            states = self.all_round(2 * (len(taps) - 1) + 4)
            return taps, self.gather(factor, margin=1)[0], factor, states
        low, _ = self.gather(factor, margin=1)
        over_stages(self.stages)
        self.stages = []
        blurred = gaussian(low, sigma)
        lowest, highest = tiles.ends(blurred, factor, self.source.states, margin=1)
        settled = np.where(highest == 0, EMPTY, np.where(lowest == 1, FULL, MIXED))
        return NO_TAPS, blurred, factor, np.where(lowest == highest, settled, MIXED)


# --- finishing ----------------------------------------------------------------------------------------------


class _Ending(NamedTuple):
    """What follows the steps of a source: a blur, levels, a turn.

    ``taps`` are those of a direct blur, at full size or of ``low``, the halved matte. With a ``factor`` ``low`` is the
    matte on a grid that many times coarser, blurred but for the taps. ``states`` are the tiles after the blur;
    ``level_of_empty`` and ``level_of_full`` what the levels make of 0 and 1.
    """

    taps: Floats
    low: Floats
    factor: int
    states: Tiles
    levelled: bool
    floor: np.float32
    span: np.float32
    level_of_empty: np.float32
    level_of_full: np.float32
    turns: bool
    rotation: tuple[np.float32, np.float32]


@subroutine
def _fir_run(ring, taps, y, x0, height, out, row, padded):
    """Row y of a plane ``height`` rows high from column x0 on after a direct blur; the ring holds the rows in reach."""
    width, reach = ring.shape[1], taps.shape[0] - 1
    if not reach:
        copy_row(out, ring[y % ring.shape[0], x0 : x0 + out.shape[0]])
        return
    left, right = max(x0 - reach, 0), min(x0 + out.shape[0] + reach, width)
    fir_down(ring, row[left:right], taps, y, height, left, right)
    before, covered = left - (x0 - reach), out.shape[0] + 2 * reach
    copy_row(padded[before : before + right - left], row[left:right])
    for x in range(before):
        padded[x] = row[left]
    for x in range(before + right - left, covered):
        padded[x] = row[right - 1]
    fir_across(padded[:covered], out, taps)


@subroutine
def _blur_cells(ending, y, soft, row, padded):
    """Blur the rows of the halved plane that reach into a row of tiles, the one of row y, where they are mixed."""
    states, low = ending.states[y // ROWS], ending.low
    tile = ZERO_INT
    while tile < states.shape[0]:
        end = run_end(states, tile)
        if states[tile] == MIXED:
            first, last = tile * COLUMNS // 2, min(end * COLUMNS // 2 + 2, low.shape[1])
            for j in range(soft.shape[0]):
                cell = min(y // ROWS * (ROWS // 2) + j, low.shape[0] - 1)
                _fir_run(low, ending.taps, cell, first, low.shape[0], soft[j, first:last], row, padded)
        tile = end


@subroutine
def _finish_run(ending, y, x0, height, out, ring, row, padded, scratch):
    """Row y from column x0 on after blur and levels."""
    soft = scratch[6][: out.shape[0]]
    state = ending.states[y // ROWS, x0 // COLUMNS]
    if state == EMPTY:
        fill_row(out, ending.level_of_empty)
        return
    if state == FULL:
        fill_row(out, ending.level_of_full)
        return
    blurred = soft if ending.levelled else out
    if ending.factor == 2:
        doubled_row(ring, y % ROWS // 2 + 1, blurred, scratch[0], scratch[1], y, x0)
    elif ending.factor:
        _enlarge(ending.low, blurred, scratch, ending.factor, ONE_INT, y, x0)
    else:
        _fir_run(ring, ending.taps, y, x0, height, blurred, row, padded)
    if ending.levelled:
        levels_row(out, soft, ending.floor, ending.span)


@subroutine
def _turn_run(image, matte, out, n, x0, untouched, p, finished, non_temporal):
    if untouched:
        x1 = x0 + matte.shape[0]
        write(out[n * x0 : n * x1], image[n * x0 : n * x1], non_temporal)
        return
    write_runs(turn_row, image[n * x0 :], matte, out[n * x0 :], n, finished, non_temporal, p)


@subroutine
def _finish_row(ending, y, image, alpha, out, matte, height, ring, row, padded, scratch, finished, non_temporal):
    """Row y of the matte and of the picture, run by run."""
    states = ending.states[y // ROWS]
    tile = ZERO_INT
    while tile < states.shape[0]:
        end = run_end(states, tile)
        x0, x1 = tile * COLUMNS, min(end * COLUMNS, matte.shape[0])
        _finish_run(ending, y, x0, height, matte[x0:x1], ring, row, padded, scratch)
        if ending.turns:
            untouched = states[tile] == EMPTY and ending.level_of_empty == ZERO
            plate, to = image[y].reshape(-1), out[y % out.shape[0]].reshape(-1)
            if alpha is None:
                _turn_run(plate, matte[x0:x1], to, 3, x0, untouched, ending.rotation, finished, non_temporal)
            else:
                _turn_run(plate, matte[x0:x1], to, 4, x0, untouched, ending.rotation, finished, non_temporal)
        tile = end


@subroutine
def _all_settled(states):
    mixed = 0
    for tile in range(states.shape[0]):
        mixed += states[tile] == MIXED
    return mixed == 0


@strip_kernel
def _finish_strips(source, ending, image, alpha, out, matte, keep, height, width, y0, y1):
    """The last steps of some rows; ``matte`` and ``out`` may be rings in which row y lies at y modulo their rows.

    The ring in here holds rows of the matte, or the blurred cells that reach into its tiles.
    """
    reach = ending.taps.shape[0] - 1
    scratch = np.empty((_SCRATCH, width + 16), np.float32)
    ring = np.empty((ROWS // 2 + 2, ending.low.shape[1]) if ending.factor else (2 * reach + ROWS, width), np.float32)
    row, padded = np.empty(ring.shape[1], np.float32), np.empty(ring.shape[1] + 2 * reach, np.float32)
    own = np.empty(width, np.float32)
    finished, non_temporal, ready = np.empty(4 * RUN, np.float32), is_non_temporal(out), 0
    for y in range(y0, y1):
        needed = min(y + reach + 1, height)
        if ending.factor == 2 and (y == y0 or y % ROWS == 0):
            _blur_cells(ending, y, ring, row, padded)
        elif not ending.factor and ready < needed and not _all_settled(ending.states[y // ROWS]):
            top, ready = max(y - reach, ready), min(-(-needed // ROWS) * ROWS, height)
            _matte_rows(source, top, ready, ring, scratch)
        to = matte[y % matte.shape[0]] if keep else own
        _finish_row(ending, y, image, alpha, out, to, height, ring, row, padded, scratch, finished, non_temporal)
    store_fence(non_temporal)


_TALL = 4 * STRIP
"""Rows of a strip that is blurred or is to be: each strip works the rows in reach of its ends once more."""


def _finish(
    source: Source,
    steps: Softening,
    image: Floats,
    out: Floats,
    matte: Floats | None,
    shape: tuple[int, int],
    turned: tuple[float, float] | None = None,
    following: Stage | None = None,
) -> None:
    levels = (steps.levelled, F(steps.floor), levels_span(steps.floor, steps.ceiling))
    course = _Course(source, shape)
    course.ready(steps)
    blur = course.blur(steps)
    empty, full = (level_of(end, steps.floor, steps.ceiling) if steps.levelled else end for end in (ZERO, ONE))
    ending = _Ending(*blur, *levels, empty, full, turned is not None, rotation(*(turned or (0.0, 1.0))))
    strip = _TALL if ending.taps.shape[0] > 1 and not ending.factor else STRIP
    keep, reach = matte is not None, ending.taps.shape[0] - 1

    def needs(y1: Any) -> Any:
        if ending.factor:
            return -(-y1 // ROWS) * (ROWS // 2) + 2 + reach
        return -(-(y1 + reach) // ROWS)

    # A matte alone is softened by what a picture of its guide's kind is turned by: it is compiled once.
    alpha = with_alpha(source.image if turned is None else image)
    arguments = (course.source, ending, image, alpha, out, matte if keep else _NOTHING, keep, *shape)
    least = 4 * ROWS if strip == _TALL else ROWS
    if following is not None:
        strip = min(strip, len(out if matte is None else matte) // RING)
    last = () if following is None else (following,)
    over_stages([*course.stages, Stage(_finish_strips, arguments, shape[0], strip, needs, least), *last])


# --- one picture alone ---------------------------------------------------------------------------------------


class _Ways(threading.local):
    single_steps = False


_ways = _Ways()


@contextmanager
def in_single_steps() -> Iterator[None]:
    """Soften planes step by step in this thread inside a ``with`` block: the same bits by other kernels.

    Sweeps save each frame some milliseconds, and their kernels take seconds to compile. What works on one picture and
    ends has no use for them: nearly all that single steps need is compiled for its key.

    >>> matte = np.eye(4, dtype=np.float32)
    >>> with in_single_steps():
    ...     softened = soften_matte(from_plane(matte), Softening(sigma=1.0))
    >>> bool(np.array_equal(softened, soften_matte(from_plane(matte), Softening(sigma=1.0))))
    True
    """
    before, _ways.single_steps = _ways.single_steps, True
    try:
        yield
    finally:
        _ways.single_steps = before


def _goes_by_steps(source: Source) -> bool:
    """Tell whether a source is to be softened in single steps: a key is in sweeps, which can do no more with it."""
    plain = source.edge is None and source.ranges is None and isinstance(source.image, np.ndarray)
    return _ways.single_steps and plain


def _by_steps(source: Source, steps: Softening, out: Floats) -> Floats:
    matte = close_pinholes(remove_specks(source.plane, steps.specks), steps.pinholes)
    if steps.follow:
        matte = guided(matte, luma(source.image), steps.radius, steps.epsilon, steps.follow)
    matte = gaussian(matte, steps.sigma, None if steps.levelled else out)
    return levels(matte, steps.floor, steps.ceiling, out) if steps.levelled else matte


@on_devices
def soften_matte(source: Source, steps: Softening, out: Floats | None = None) -> Floats:
    """Return the softened matte: the bits of the single functions of :mod:`.soften`, one after the other.

    :param source: of the matte; a pixel that is not finite counts as 0.
    :param out: receives the matte, float32 (H, W).
    :returns: float32 (H, W), 0 to 1; exactly 0 where the matte is 0 in reach of every step.
    :raises ValueRangeError: a size out of range, equal levels, or following without a picture.
    :raises PictureError: wrong arrays.

    >>> matte = np.zeros((9, 9), np.float32)
    >>> matte[:, 5:] = 1
    >>> print(soften_matte(from_plane(matte), Softening(sigma=1.0))[4].round(2))
    [0.   0.   0.   0.06 0.3  0.7  0.94 1.   1.  ]
    """
    _check(source, steps)
    shape = size_of(source)
    out = output(out, shape, source.plane, source.image)
    if _goes_by_steps(source):
        return _by_steps(source, steps, out)
    _finish(source, steps, _NO_PICTURE, _NO_PICTURE, out, shape)
    return out


def turn_skin(
    image: Floats | CodedPicture,
    source: Source,
    steps: Softening,
    angle: float,
    saturation: float = 1.0,
    out: Floats | None = None,
    matte: Floats | None = None,
    into: PictureInto | None = None,
) -> Floats:
    """Soften a matte and turn the picture's hue by it: the bits of :func:`soften_matte`, then :func:`.steer.turn`.

    :param image: float32 (H, W, 3 or 4), display-referred R′G′B′(A); luma is kept within 1e-5.
    :param angle: degrees, counter-clockwise in Cb/Cr. :param saturation: factor on chroma, 0 or more.
    :param out: receives the picture. :param matte: receives the softened matte, float32 (H, W), where it is wanted.
    :param into: takes the picture strip by strip as it is made; what is returned are its last rows alone then, or
        those of the matte where the picture lies in planes and goes to planes, and is never made.
    :returns: float32, shape of the image. Bit-identical to the image where the softened matte is 0.
    :raises ValueRangeError, PictureError: as :func:`soften_matte`.

    >>> skin = np.full((4, 4, 3), (0.7, 0.5, 0.4), np.float32)
    >>> matte = from_plane(np.ones((4, 4), np.float32))
    >>> print(turn_skin(skin, matte, Softening(), angle=10)[0, 0].round(3))
    [0.678 0.51  0.368]
    """
    _check(source, steps)
    check_size("picture", np.shape(image)[:2], "the matte", size_of(source))
    if isinstance(image, CodedPicture) and isinstance(into, IntoPlanes) and matte is None and into.takes(image):
        ring = into.ring(image.shape[:2])
        following = into.turned(image, ring, rotation(angle, saturation))
        _finish(source, steps, _NO_PICTURE, _NO_PICTURE, ring, image.shape[:2], following=following)
        return ring
    image = as_picture(image)
    shape = image.shape[:2]
    out = output(out, image.shape, image, source.plane, source.image) if into is None else into.ring(image.shape)
    if matte is not None:
        matte = output(matte, shape, image, source.plane, source.image, name="matte")
    if into is None and _goes_by_steps(source):
        softened = _by_steps(source, steps, np.empty(shape, np.float32) if matte is None else matte)
        turned: Floats = turn(image, softened, angle, saturation, out=out)
        return turned
    _finish(source, steps, image, out, matte, shape, (angle, saturation), None if into is None else into.stage(out))
    return out


def size_of(source: Source) -> tuple[int, int]:
    """Return height and width of a source's matte.

    >>> size_of(from_plane(np.ones((4, 6), np.float32)))
    (4, 6)
    """
    keyed = source.edge is not None or source.ranges is not None
    rows, columns = (source.image if keyed else source.plane).shape[:2]
    return rows, columns


def _check(source: Source, steps: Softening) -> None:
    if not 0 <= steps.follow <= 1:
        raise ValueRangeError(f"The share that follows must lie from 0 to 1, not {steps.follow:g}.")
    if steps.follow and source.image is _NO_PICTURE:
        raise ValueRangeError("A matte can only follow a picture: give a guide, or leave following at 0.")
