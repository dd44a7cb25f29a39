"""Look-up export: the part of a graph that works on each pixel alone, as Common LUT Format or ASC CDL."""

from __future__ import annotations

import itertools
import xml.etree.ElementTree as ET
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ...nodes import Cdl, Node, enter_space, leave_space
from .. import made
from ..writes import OutputError, write_text
from .errors import GraphError
from .graph import Graph, Step

Doubles = NDArray[np.float64]
Colours = Callable[[Doubles], Doubles]
"""Takes colours (N, 3) to colours (N, 3)."""

SUFFIXES = (".clf", ".cdl.xml", ".cdl", ".cc")
PARTS = ("light", "colour")
LOW, HIGH = -0.1, 1.2
"""What a look-up covers of the signal: below black and above white as far as studio range reaches, and some more."""

CLF_NAMESPACE, CDL_NAMESPACE = "urn:AMPAS:CLF:v3.0", "urn:ASC:CDL:v1.01"
_LOWEST, _HIGHEST = -1.0, 12.0
"""What a curve between other parts covers."""
_CURVE_POINTS = 16384
_CDL_TOLERANCE = 1e-3


# --- what a graph does to single colours --------------------------------------------------------------------


@dataclass(frozen=True)
class Look:
    """What a graph does to a colour wherever it stands in the picture.

    :ivar used: ids of the nodes that it holds. :ivar left_out: those that a look-up cannot carry, with the reason.
    :ivar stages: what each node does, in order, where they stand in one row; empty otherwise.
    :ivar nodes: the nodes of the stages.
    """

    colours: Colours
    used: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    stages: tuple[Colours, ...] = ()
    nodes: tuple[Node, ...] = ()


def look_of(graph: Graph, output: str = "result", part: str = "light", frame: int = 1) -> Look:
    """Return the look of an output: its nodes that treat each pixel alone.

    :param part: "light" leaves out all that goes through a matte; "colour" applies it as if the matte were 1
        everywhere.
    :param frame: whose settings are taken where they change over time.

    Raises GraphError for an output that is no picture, or one made by a node that looks at neighbouring pixels.
    """
    origin = graph.origins([output])[output]
    if graph.kind(origin) != "picture":
        raise GraphError(f"The output {output!r} is a matte: a look-up holds colours, so name a picture.")
    steps = {step.id: step for step in graph.order([output])}
    used, left_out = _sorted_out(steps, origin, part)

    def run(values: Doubles, some: tuple[Step, ...], end: str) -> Doubles:
        picture = np.ascontiguousarray(values, np.float32).reshape(-1, 1, 3)
        ones = np.ones(picture.shape[:2], np.float32)
        done: dict[str, NDArray[np.float32]] = {}
        for step in some:
            arguments = {}
            for port, source in step.inputs:
                is_matte = step.node.inputs()[port].kind == "matte"
                arguments[port] = ones if is_matte else done.get(_through(steps, source, part), picture)
            done[step.id] = step.node_at(frame).process(**arguments)  # type: ignore[attr-defined]
        result: Doubles = done.get(end, picture).reshape(-1, 3).astype(np.float64)
        return result

    end = _through(steps, origin, part)
    row = used if _in_a_row(steps, used, part) else ()
    stages = tuple(partial(run, some=(step,), end=step.id) for step in row)
    nodes = tuple(step.node_at(frame) for step in row)
    return Look(partial(run, some=used, end=end), tuple(step.id for step in used), left_out, stages, nodes)


def _in_a_row(steps: dict[str, Step], used: tuple[Step, ...], part: str) -> bool:
    """Tell whether every step reads one picture, that of the step before."""
    before = ["", *(step.id for step in used)]
    read = [{_through(steps, source, part) for source in _pictures(step)} for step in used]
    return all(
        len(r) == 1 and (r == {b} or (not b and not r & set(before))) for r, b in zip(read, before, strict=False)
    )


def _through(steps: dict[str, Step], origin: str, part: str) -> str:
    """Follow the picture past the nodes that are left out."""
    while origin in steps and part == "light" and _reads_matte(steps[origin]):
        origin = _pictures(steps[origin])[0]
    return origin


def _pictures(step: Step) -> list[str]:
    ports = step.node.inputs()
    return [origin for port, origin in step.inputs if ports[port].kind == "picture"]


def _reads_matte(step: Step) -> bool:
    ports = step.node.inputs()
    return any(ports[port].kind == "matte" for port, _ in step.inputs)


def _sorted_out(steps: dict[str, Step], origin: str, part: str) -> tuple[tuple[Step, ...], tuple[tuple[str, str], ...]]:
    """Return the steps of a look in order, and those left out with the reason. Raises GraphError."""
    reached: set[str] = set()
    waiting = [_through(steps, origin, part)]
    while waiting:
        step = steps.get(waiting.pop())
        if step is not None and step.id not in reached:
            reached.add(step.id)
            waiting += [_through(steps, source, part) for source in _pictures(step)]
    used = tuple(step for step in steps.values() if step.id in reached)
    for step in used:
        if not step.node.pixelwise:
            raise GraphError(f"{step} looks at neighbouring pixels: no look-up can carry it; export before it.")
    reasons = [(step.id, _reason(step)) for step in steps.values() if step.id not in reached]
    return used, tuple(reasons)


def _reason(step: Step) -> str:
    return "makes a matte" if step.node.output().kind == "matte" else "works through a matte"


# --- Common LUT Format --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Exported:
    """What was written: the form of the look-up, and how far it is from the nodes, in signal, white at 1."""

    form: str
    largest: float
    usual: float


def export_clf(look: Look, path: Path | str, size: int = 65, title: str = "") -> Exported:
    """Write a look in the Common LUT Format.

    Nodes in a row that are each a decision list, a matrix, a matrix in linear light or a curve are written as such; the
    others between them become cubes, neighbours one together. Nodes that stand in no row become one curve or cube.

    :param size: points along each edge of a cube, 2 to 129. It covers what the signal from −0.1 to 1.2 has become by
        then; what lies beyond is limited to it.
    :returns: the form, and the largest difference to the nodes and the one that 95 % of colours stay within, over a
        fixed set of colours between the points of the look-up.
    :raises OutputError: the file cannot be written.

    Source: Academy/ASC Common LUT Format, S-2014-006 (version 3), also SMPTE ST 2136-1.
    """
    root = ET.Element("ProcessList", id="inkarnat-look", name=title or Path(path).name, compCLFversion="3")
    root.set("xmlns", CLF_NAMESPACE)
    ET.SubElement(root, "Description").text = f"{', '.join(look.used) or 'nothing'}; mattes are not part of a look-up"
    ET.SubElement(root, "InputDescriptor").text = "the signal of the graph's source"
    parts = _pieces(look, size) if look.stages else [_sampled(look.colours, LOW, HIGH, size)]
    for known in parts:
        known.write(root)
    _save(root, path)
    return Exported(", ".join(known.form for known in parts), *_difference(look, parts))


def _pieces(look: Look, size: int) -> list[_Piece]:
    """Return nodes in a row as exact pieces, and what has no exact form between them as cubes."""
    pieces: list[_Piece] = []
    reached = LOW + (HIGH - LOW) * np.random.default_rng(5).random((4096, 3))
    reached = np.vstack([reached, np.array(np.meshgrid(*[(LOW, HIGH)] * 3)).reshape(3, -1).T])
    exact = [_exact(stage, node) for stage, node in zip(look.stages, look.nodes, strict=True)]
    for known, group in itertools.groupby(range(len(exact)), lambda place: exact[place] is not None):
        places = list(group)
        if known:
            pieces += [piece for place in places if (piece := exact[place]) is not None]
        else:
            run = partial(_one_after_the_other, stages=[look.stages[place] for place in places])
            pieces.append(_sampled(run, min(LOW, float(reached.min())), max(HIGH, float(reached.max())), size))
        for place in places:
            reached = look.stages[place](reached)
    return pieces


def _one_after_the_other(values: Doubles, stages: Sequence[Colours]) -> Doubles:
    for stage in stages:
        values = stage(values)
    return values


def _sampled(colours: Colours, low: float, high: float, size: int) -> _Piece:
    return _curves(colours, low, high) if _is_separable(colours) else _cube(colours, size, low, high)


def _difference(look: Look, parts: Sequence[_Piece]) -> tuple[float, float]:
    values = tests = LOW + (HIGH - LOW) * np.random.default_rng(0).random((20_000, 3))
    for known in parts:
        values = known.evaluate(values)
    difference = np.abs(values - look.colours(tests)).max(axis=1)
    return float(difference.max()), float(np.quantile(difference, 0.95))


@dataclass(frozen=True)
class _Piece:
    """A part of a look-up: its form in words, how it is written, and what it does."""

    form: str
    write: Callable[[ET.Element], None]
    evaluate: Colours


def _exact(stage: Colours, node: Node) -> _Piece | None:
    """Return a stage as a decision list, a matrix, a matrix in linear light or a curve; None where it is none."""
    if isinstance(node, Cdl) and (node.clamp or node.power != (1, 1, 1)):
        return _decision_list(node)
    matrix = _affine(stage)
    if matrix is not None:
        return _Piece("a matrix", partial(_write_matrix, rows=matrix), partial(_through_matrix, rows=matrix))
    matrix = _affine(lambda light: _linear(stage(_signal(light))))
    if matrix is not None:
        return _light_matrix(matrix)
    return _curves(stage, _LOWEST, _HIGHEST) if _is_separable(stage) else None


def _decision_list(node: Cdl) -> _Piece:
    """CLF's ASC_CDL: with the style Fwd, limited to 0 to 1, or FwdNoClamp, which leaves values below 0 unpowered."""
    slope, offset, power = (np.array(values, np.float64) for values in (node.slope, node.offset, node.power))
    decisions = Decisions(slope, offset, power, node.saturation)

    def write(root: ET.Element) -> None:
        style = "Fwd" if node.clamp else "FwdNoClamp"
        element = ET.SubElement(root, "ASC_CDL", inBitDepth="32f", outBitDepth="32f", style=style)
        _write_decisions(element, decisions, digits=9)

    return _Piece("a decision list", write, partial(decisions.colours, clamp=node.clamp))


def _linear(values: Doubles) -> Doubles:
    return leave_space("linear").process(values.astype(np.float32).reshape(-1, 1, 3)).reshape(-1, 3).astype(np.float64)


def _signal(values: Doubles) -> Doubles:
    return enter_space("linear").process(values.astype(np.float32).reshape(-1, 1, 3)).reshape(-1, 3).astype(np.float64)


def _affine(colours: Colours) -> Doubles | None:
    """Return the 3×4 matrix of a function that is one, or None."""
    points = LOW + (HIGH - LOW) * np.random.default_rng(2).random((400, 3))
    values = colours(points)
    known = np.column_stack([points, np.ones(len(points))])
    rows = np.asarray(np.linalg.lstsq(known, values, rcond=None)[0].T, np.float64)
    return rows if np.abs(known @ rows.T - values).max() < 4e-6 else None


def _through_matrix(values: Doubles, rows: Doubles) -> Doubles:
    result: Doubles = values @ rows[:, :3].T + rows[:, 3]
    return result


_EXPONENT, _OFFSET = 1 / 0.45, 0.099
"""The BT.709 curve as CLF's exponent with a straight foot; it is within 3e-4 of BT.709-6 both ways."""


def _light_matrix(rows: Doubles) -> _Piece:
    """A matrix in linear light, between the BT.709 curve and its inverse."""

    def write(root: ET.Element) -> None:
        for style, matrix in (("monCurveMirrorFwd", rows), ("monCurveMirrorRev", None)):
            node = ET.SubElement(root, "Exponent", inBitDepth="32f", outBitDepth="32f", style=style)
            ET.SubElement(node, "ExponentParams", exponent=f"{_EXPONENT:.10f}", offset=f"{_OFFSET}")
            if matrix is not None:
                _write_matrix(root, matrix)

    def evaluate(values: Doubles) -> Doubles:
        return _foot(_through_matrix(_foot(values), rows), backwards=True)

    return _Piece("a matrix in linear light", write, evaluate)


def _foot(values: Doubles, backwards: bool = False) -> Doubles:
    """CLF's exponent with a straight foot, mirrored about 0 (S-2014-006, styles monCurveMirrorFwd and Rev)."""
    size, at = np.abs(values), _OFFSET / (_EXPONENT - 1)
    slope = ((at + _OFFSET) / (1 + _OFFSET)) ** _EXPONENT / at
    if backwards:
        curved = (1 + _OFFSET) * size ** (1 / _EXPONENT) - _OFFSET
        result = np.where(size >= at * slope, curved, size / slope)
    else:
        result = np.where(size >= at, ((size + _OFFSET) / (1 + _OFFSET)) ** _EXPONENT, size * slope)
    signed: Doubles = np.copysign(result, values)
    return signed


def _scaled(root: ET.Element, low: float, high: float) -> None:
    """Bring low to high of the signal to the 0 to 1 that a table is read over."""
    scale = 1 / (high - low)
    _write_matrix(root, np.column_stack([np.eye(3) * scale, np.full(3, -low * scale)]))


def _write_matrix(root: ET.Element, rows: Doubles) -> None:
    node = ET.SubElement(root, "Matrix", inBitDepth="32f", outBitDepth="32f")
    ET.SubElement(node, "Array", dim="3 4").text = _numbers(rows)


def _numbers(rows: Doubles) -> str:
    return "\n" + "\n".join(" ".join(f"{value:.7g}" for value in row) for row in rows) + "\n"


def _is_separable(colours: Colours) -> bool:
    """Tell whether each channel of the result depends on the same channel alone."""
    random = LOW + (HIGH - LOW) * np.random.default_rng(1).random((500, 3))
    whole = colours(random)
    return all(np.abs(colours(np.repeat(random[:, [c]], 3, axis=1))[:, c] - whole[:, c]).max() < 1e-6 for c in range(3))


def _curves(colours: Colours, low: float, high: float) -> _Piece:
    places = np.linspace(0, 1, _CURVE_POINTS)
    table = colours(np.repeat((low + (high - low) * places)[:, np.newaxis], 3, axis=1))

    def write(root: ET.Element) -> None:
        _scaled(root, low, high)
        node = ET.SubElement(root, "LUT1D", inBitDepth="32f", outBitDepth="32f", interpolation="linear")
        ET.SubElement(node, "Array", dim=f"{_CURVE_POINTS} 3").text = _numbers(table)

    def evaluate(values: Doubles) -> Doubles:
        place = (values - low) / (high - low)
        return np.stack([np.interp(place[:, c], places, table[:, c]) for c in range(3)], axis=1)

    return _Piece(f"curves of {_CURVE_POINTS} points", write, evaluate)


def _cube(colours: Colours, size: int, low: float, high: float) -> _Piece:
    edge = low + (high - low) * np.linspace(0, 1, size)
    points = np.stack(np.meshgrid(edge, edge, edge, indexing="ij"), axis=-1).reshape(-1, 3)
    table = colours(points)

    def write(root: ET.Element) -> None:
        _scaled(root, low, high)
        node = ET.SubElement(root, "LUT3D", inBitDepth="32f", outBitDepth="32f", interpolation="tetrahedral")
        ET.SubElement(node, "Array", dim=f"{size} {size} {size} 3").text = _numbers(table)

    def evaluate(values: Doubles) -> Doubles:
        return tetrahedral(table.reshape(size, size, size, 3), (values - low) / (high - low))

    return _Piece(f"a cube of {size} × {size} × {size} points", write, evaluate)


def tetrahedral(cube: Doubles, values: Doubles) -> Doubles:
    """Read a cube (n, n, n, 3) at values (N, 3) from 0 to 1 by tetrahedral interpolation.

    Source: J. M. Kasson et al., "Performing color space conversions with three-dimensional linear interpolation", 1995.
    """
    size = cube.shape[0]
    place = np.clip(values, 0, 1) * (size - 1)
    corner = np.minimum(place.astype(np.int64), size - 2)
    part = place - corner
    order = np.argsort(-part, axis=1, kind="stable")
    sorted_part = np.take_along_axis(part, order, axis=1)
    result: Doubles = cube[tuple(corner.T)] * (1 - sorted_part[:, :1])
    for step in range(3):
        corner = corner.copy()
        corner[np.arange(len(corner)), order[:, step]] += 1
        below = sorted_part[:, step + 1] if step < 2 else 0.0
        result += cube[tuple(corner.T)] * (sorted_part[:, step] - below)[:, np.newaxis]
    return result


# --- ASC CDL ------------------------------------------------------------------------------------------------

_LUMA = np.array([0.2126, 0.7152, 0.0722])


@dataclass(frozen=True)
class Decisions:
    """Slope, offset and power of each channel, and saturation (ASC CDL 1.2)."""

    slope: Doubles
    offset: Doubles
    power: Doubles
    saturation: float

    def colours(self, values: Doubles, clamp: bool = True) -> Doubles:
        """Return colours (N, 3) through the list, limited to 0 to 1 as the specification says.

        Without ``clamp`` nothing is limited, and values below 0 keep out of the power, as CLF's FwdNoClamp has it.
        """
        sloped = values * self.slope + self.offset
        graded = np.clip(sloped, 0, 1) ** self.power
        if not clamp:
            graded = np.where(sloped < 0, sloped, np.abs(sloped) ** self.power)
        luma = (graded @ _LUMA)[:, np.newaxis]
        saturated = luma + self.saturation * (graded - luma)
        result: Doubles = np.clip(saturated, 0, 1) if clamp else saturated
        return result


def _decisions(p: Doubles) -> Decisions:
    return Decisions(np.exp(p[0:3]), p[3:6], np.exp(p[6:9]), float(p[9]))


def fit_decisions(colours: Colours) -> tuple[Decisions, float]:
    """Return the decision list that is nearest to a look over 0 to 1, and its largest error.

    By damped least squares (Levenberg 1944, Marquardt 1963) over a grid of 13³ colours.
    """
    edge = np.linspace(0, 1, 13)
    points = np.stack(np.meshgrid(edge, edge, edge, indexing="ij"), axis=-1).reshape(-1, 3)
    wanted = np.clip(colours(points), 0, 1)

    def residual(p: Doubles) -> Doubles:
        return (_decisions(p).colours(points) - wanted).ravel()

    p, damping = np.array([0.0] * 9 + [1.0]), 1e-3
    error = residual(p)
    for _ in range(200):
        slopes = np.stack([(residual(p + 1e-6 * unit) - error) / 1e-6 for unit in np.eye(10)], axis=1)
        normal, pull = slopes.T @ slopes, slopes.T @ error
        step = np.linalg.solve(normal + damping * np.diag(normal.diagonal() + 1e-9), -pull)
        trial = residual(p + step)
        if trial @ trial < error @ error:
            gain = error @ error - trial @ trial
            p, error, damping = p + step, trial, max(damping / 5, 1e-9)
            if gain < 1e-14:
                break
        else:
            damping *= 5
            if damping > 1e9:
                break
    return _decisions(p), float(np.abs(error).max())


def export_cdl(look: Look, path: Path | str) -> Exported:
    """Write a look as an ASC colour decision list: .cdl and .cdl.xml as a list, .cc as one correction.

    :raises GraphError: the look cannot be expressed so within 0.001 of the signal.
    :raises OutputError: the file cannot be written.

    Source: ASC CDL transfer functions and interchange syntax 1.2.
    """
    found, error = fit_decisions(look.colours)
    if error > _CDL_TOLERANCE:
        raise GraphError(
            f"This look cannot be expressed as slope, offset, power and saturation: the nearest list is {error:.4f} of "
            f"the signal away, and {_CDL_TOLERANCE:g} is allowed. Export it as .clf."
        )
    correction = ET.Element("ColorCorrection", id="inkarnat-look")
    _write_decisions(correction, found)
    root = correction
    if not str(path).endswith(".cc"):
        root = ET.Element("ColorDecisionList")
        ET.SubElement(root, "ColorDecision").append(correction)
    root.set("xmlns", CDL_NAMESPACE)
    _save(root, path)
    return Exported("slope, offset, power and saturation", error, error)


def _write_decisions(parent: ET.Element, found: Decisions, digits: int = 6) -> None:
    """Write a list's numbers, as colour decision lists and CLF both spell them."""
    tones = ET.SubElement(parent, "SOPNode")
    for name, values in (("Slope", found.slope), ("Offset", found.offset), ("Power", found.power)):
        ET.SubElement(tones, name).text = " ".join(f"{value:.{digits}f}" for value in values)
    ET.SubElement(ET.SubElement(parent, "SatNode"), "Saturation").text = f"{found.saturation:.{digits}f}"


def _save(root: ET.Element, path: Path | str) -> None:
    ET.indent(root)
    text = "<?xml version='1.0' encoding='UTF-8'?>\n" + ET.tostring(root, encoding="unicode")
    write_text(path, text, made.LOOK_UP)


def export_look(look: Look, path: Path | str, size: int = 65) -> Exported:
    """Write a look in the format of the suffix. Raises OutputError, GraphError."""
    name = str(path).lower()
    if not name.endswith(SUFFIXES):
        raise OutputError(f"{path} must end in one of {', '.join(SUFFIXES)}: the suffix says the format.")
    return export_clf(look, path, size) if name.endswith(".clf") else export_cdl(look, path)
