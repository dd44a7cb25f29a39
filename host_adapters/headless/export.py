"""Look-up export: the part of a graph that works on each pixel alone, as Common LUT Format or ASC CDL."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .errors import GraphError
from .files import OutputError, atomic
from .graph import Graph, Step

Doubles = NDArray[np.float64]
Colours = Callable[[Doubles], Doubles]
"""Takes colours (N, 3) to colours (N, 3)."""

SUFFIXES = (".clf", ".cdl.xml", ".cdl", ".cc")
PARTS = ("light", "colour")
LOW, HIGH = -0.1, 1.2
"""What a look-up covers of the signal: below black and above white as far as studio range reaches, and some more."""

CLF_NAMESPACE, CDL_NAMESPACE = "urn:AMPAS:CLF:v3.0", "urn:ASC:CDL:v1.01"
_CURVE_POINTS = 4096
_CDL_TOLERANCE = 1e-3


# --- what a graph does to single colours --------------------------------------------------------------------


@dataclass(frozen=True)
class Look:
    """What a graph does to a colour wherever it stands in the picture.

    :ivar used: ids of the nodes that it holds. :ivar left_out: those that a look-up cannot carry, with the reason.
    """

    colours: Colours
    used: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]


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

    def colours(values: Doubles) -> Doubles:
        picture = np.ascontiguousarray(values, np.float32).reshape(-1, 1, 3)
        ones = np.ones(picture.shape[:2], np.float32)
        done: dict[str, NDArray[np.float32]] = {}
        for step in used:
            arguments = {}
            for port, source in step.inputs:
                is_matte = step.node.inputs()[port].kind == "matte"
                arguments[port] = ones if is_matte else done.get(_through(steps, source, part), picture)
            done[step.id] = step.node_at(frame).process(**arguments)  # type: ignore[attr-defined]
        result: Doubles = done.get(_through(steps, origin, part), picture).reshape(-1, 3).astype(np.float64)
        return result

    return Look(colours, tuple(step.id for step in used), left_out)


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
    """Write a look in the Common LUT Format: a curve for each channel where that is all, or else a cube.

    :param size: points along each edge of the cube, 2 to 129. Signal from −0.1 to 1.2 is covered; what lies beyond is
        limited to it.
    :returns: the form, and the largest difference to the nodes and the one that 95 % of colours stay within, over a
        fixed set of colours between the points of the look-up.
    :raises OutputError: the file cannot be written.

    Source: Academy/ASC Common LUT Format, S-2014-006 (version 3), also SMPTE ST 2136-1.
    """
    root = ET.Element("ProcessList", id="inkarnat-look", name=title or Path(path).name, compCLFversion="3")
    root.set("xmlns", CLF_NAMESPACE)
    ET.SubElement(root, "Description").text = f"{', '.join(look.used) or 'nothing'}; mattes are not part of a look-up"
    ET.SubElement(root, "InputDescriptor").text = "BT.709 signal, as the graph reads it"
    scale = 1 / (HIGH - LOW)
    _matrix(root, scale, -LOW * scale)
    if _is_separable(look.colours):
        form, evaluate = _add_curves(root, look.colours)
    else:
        form, evaluate = _add_cube(root, look.colours, size)
    _save(root, path)
    tests = LOW + (HIGH - LOW) * np.random.default_rng(0).random((20_000, 3))
    difference = np.abs(evaluate((tests - LOW) * scale) - look.colours(tests)).max(axis=1)
    return Exported(form, float(difference.max()), float(np.quantile(difference, 0.95)))


def _matrix(root: ET.Element, scale: float, offset: float) -> None:
    rows = [[scale if i == j else 0.0 for j in range(3)] + [offset] for i in range(3)]
    node = ET.SubElement(root, "Matrix", inBitDepth="32f", outBitDepth="32f")
    ET.SubElement(node, "Array", dim="3 4").text = _numbers(np.array(rows))


def _numbers(rows: Doubles) -> str:
    return "\n" + "\n".join(" ".join(f"{value:.7g}" for value in row) for row in rows) + "\n"


def _is_separable(colours: Colours) -> bool:
    """Tell whether each channel of the result depends on the same channel alone."""
    random = LOW + (HIGH - LOW) * np.random.default_rng(1).random((500, 3))
    whole = colours(random)
    return all(np.abs(colours(np.repeat(random[:, [c]], 3, axis=1))[:, c] - whole[:, c]).max() < 1e-6 for c in range(3))


def _add_curves(root: ET.Element, colours: Colours) -> tuple[str, Colours]:
    places = np.linspace(0, 1, _CURVE_POINTS)
    table = colours(np.repeat((LOW + (HIGH - LOW) * places)[:, np.newaxis], 3, axis=1))
    node = ET.SubElement(root, "LUT1D", inBitDepth="32f", outBitDepth="32f", interpolation="linear")
    ET.SubElement(node, "Array", dim=f"{_CURVE_POINTS} 3").text = _numbers(table)

    def evaluate(values: Doubles) -> Doubles:
        return np.stack([np.interp(values[:, c], places, table[:, c]) for c in range(3)], axis=1)

    return f"curves of {_CURVE_POINTS} points", evaluate


def _add_cube(root: ET.Element, colours: Colours, size: int) -> tuple[str, Colours]:
    edge = LOW + (HIGH - LOW) * np.linspace(0, 1, size)
    points = np.stack(np.meshgrid(edge, edge, edge, indexing="ij"), axis=-1).reshape(-1, 3)
    table = colours(points)
    node = ET.SubElement(root, "LUT3D", inBitDepth="32f", outBitDepth="32f", interpolation="tetrahedral")
    ET.SubElement(node, "Array", dim=f"{size} {size} {size} 3").text = _numbers(table)
    cube = table.reshape(size, size, size, 3)
    return f"cube of {size} × {size} × {size} points", lambda values: tetrahedral(cube, values)


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

    def colours(self, values: Doubles) -> Doubles:
        """Return colours (N, 3) through the list, limited to 0 to 1 as the specification says."""
        graded = np.clip(values * self.slope + self.offset, 0, 1) ** self.power
        luma = (graded @ _LUMA)[:, np.newaxis]
        result: Doubles = np.clip(luma + self.saturation * (graded - luma), 0, 1)
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
    tones = ET.SubElement(correction, "SOPNode")
    for name, values in (("Slope", found.slope), ("Offset", found.offset), ("Power", found.power)):
        ET.SubElement(tones, name).text = " ".join(f"{value:.6f}" for value in values)
    ET.SubElement(ET.SubElement(correction, "SatNode"), "Saturation").text = f"{found.saturation:.6f}"
    root = correction
    if not str(path).endswith(".cc"):
        root = ET.Element("ColorDecisionList")
        ET.SubElement(root, "ColorDecision").append(correction)
    root.set("xmlns", CDL_NAMESPACE)
    _save(root, path)
    return Exported("slope, offset, power and saturation", error, error)


def _save(root: ET.Element, path: Path | str) -> None:
    ET.indent(root)
    with atomic(path) as temporary:
        ET.ElementTree(root).write(temporary, encoding="UTF-8", xml_declaration=True)


def export_look(look: Look, path: Path | str, size: int = 65) -> Exported:
    """Write a look in the format of the suffix. Raises OutputError, GraphError."""
    name = str(path).lower()
    if not name.endswith(SUFFIXES):
        raise OutputError(f"{path} must end in one of {', '.join(SUFFIXES)}: the suffix says the format.")
    return export_clf(look, path, size) if name.endswith(".clf") else export_cdl(look, path)
