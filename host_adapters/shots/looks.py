"""Looks: a creative look put on top of a correction, with natural skin brought back under it.

    … → steer → look → keep ← protection matte
           └──────────↗

The look is a Common LUT Format file or another look-up that OpenColorIO reads, an ASC colour decision list, a look of
an OpenColorIO configuration, or a graph. A decision list stays one; look-ups are baked into a cube of colours that
takes the working signal and gives it back, so that a graph needs nothing beside it.
"""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels.errors import InkarnatError
from ...nodes import (
    BakedLook,
    Cdl,
    CombineMattes,
    Cube,
    KeepSkin,
    ParamError,
    ProtectMatte,
    Space,
    enter_space,
    leave_space,
)
from ..graphs.colour_spaces import WORKING
from ..graphs.errors import GraphError
from ..graphs.graph import Graph, Step
from ..media.files import InputError, check_input
from ..transforms import COLOUR_SPACES, Transform, TransformError, open_transform, through_processor
from ..writes import reads
from .evidence import mattes_of

Doubles = NDArray[np.float64]

DECISIONS = (".cdl", ".cdl.xml", ".cc", ".ccc")
"""Suffixes of ASC colour decision lists."""

LOW, HIGH, FAR = -0.1, 1.2, 4.0
"""The range of the working signal that a cube covers: below black, above white, and as far as footage in another space
reaches behind its conversion."""

SIZES = (33, 65)
"""Points along the edge of a cube, and of the one that is taken where the first strays."""
_STRAYS = 0.002
"""Of the signal: where 95 % of colours do not stay within that of the look, the larger cube is baked."""

LOOK, PROTECT, KEEP = "look", "protect", "keep"
"""Ids of the steps, or how they begin."""


class LookError(InkarnatError, ValueError):
    """A look that cannot be used."""


@dataclass(frozen=True)
class Look:
    """A look as steps of a graph, which read ``source`` and end in ``result``.

    :ivar name: as it was given. :ivar id: what tells it from others wherever its file lies. :ivar form: what became of
        it, in words. :ivar steps: in order. :ivar differs: of a baked look, the largest difference to it and the one
        that 95 % of colours stay within, in parts of the signal.
    """

    name: str
    id: str
    form: str
    steps: tuple[Step, ...]
    result: str
    source: str = "plate"
    differs: tuple[float, float] | None = None

    def words(self) -> str:
        """Say what it is."""
        if self.differs is None:
            return f"{self.name}, {self.form}"
        return (
            f"{self.name}, {self.form}, within {self.differs[0]:.4f} of the signal of it "
            f"(95 % of colours within {self.differs[1]:.4f})"
        )


# --- opening ------------------------------------------------------------------------------------------------


def open_look(name: str, input_space: str | None, output_space: str | None = None, far: bool = False) -> Look:
    """Read a look.

    :param name: a file, or ``ocio:NAME`` for a look of the configuration in the environment's $OCIO.
    :param input_space: the colour space that the look is made for; a graph works in the working signal.
    :param output_space: the one that it gives; None for the same. :param far: cover what lies beyond 1.2 of the signal.
    :raises LookError: it cannot be read, or nothing says what it is made for.
    """
    is_graph = name.lower().endswith(".json")
    if not name.startswith(COLOUR_SPACES):
        try:
            reads(check_input(name))
        except InputError as error:
            raise LookError(f"The look cannot be read: {error}") from None
    if is_graph:
        return _of_graph(name, input_space, output_space)
    if input_space is None:
        raise LookError(
            f"The look {name} does not say which colour space it is made for: give --look-input SPACE, such as bt709 "
            f"for the working signal, or acescct.{_known_space(name)}"
        )
    spaces = _space(input_space), _space(output_space or input_space)
    if name.lower().endswith(DECISIONS):
        return _of_decisions(name, *spaces)
    return _baked(name, look_id(name), *spaces, far)


def look_id(name: str) -> str:
    """Return what tells a look from others wherever its file lies."""
    if name.startswith(COLOUR_SPACES):
        return name
    return f"{Path(name).name} {hashlib.sha256(Path(name).read_bytes()).hexdigest()[:12]}"


def _space(name: str) -> Space:
    try:
        return Space.parse(name)
    except ParamError as error:
        raise LookError(f"The look's colour space cannot be used: {error}") from None


def _library() -> Any:
    try:
        import PyOpenColorIO
    except ImportError:
        raise LookError('--under needs OpenColorIO for this look: install "inkarnat[view]".') from None
    return PyOpenColorIO


def _known_space(name: str) -> str:
    """Say what a configuration calls the space of its look."""
    if not name.startswith(COLOUR_SPACES):
        return ""
    ocio = _library()
    look = _named_look(ocio, name)
    return f" The configuration calls it {look.getProcessSpace()!r}." if look.getProcessSpace() else ""


def _named_look(ocio: Any, name: str) -> Any:
    wanted = name.removeprefix(COLOUR_SPACES)
    if "/" in wanted:
        raise LookError(f"{name!r} is a view, SPACE/DISPLAY/VIEW: give it to --view, or name a look as ocio:NAME.")
    try:
        config = ocio.GetCurrentConfig()
        look = config.getLook(wanted)
        known = list(config.getLookNames())
    except ocio.Exception as error:
        raise LookError(f"The look {name!r} cannot be read: {' '.join(str(error).split())}") from None
    if look is None:
        raise LookError(f"The configuration has no look {wanted!r}: it has {', '.join(known) or 'none'}.")
    return look


# --- decision lists -----------------------------------------------------------------------------------------


def _of_decisions(name: str, entering: Space, leaving: Space) -> Look:
    ocio = _library()
    try:
        group = ocio.CDLTransform.CreateGroupFromFile(str(Path(name).resolve()))
        found = list(group)
    except ocio.Exception as error:
        raise LookError(f"The look {name} cannot be read: {' '.join(str(error).split())}") from None
    if len(found) != 1:
        raise LookError(f"The look {name} holds {len(found)} corrections: give a file with one.")
    (cdl,) = found
    try:
        node = Cdl(tuple(cdl.getSlope()), tuple(cdl.getOffset()), tuple(cdl.getPower()), cdl.getSat(), clamp=False)
    except ParamError as error:
        raise LookError(f"The look {name} is beyond what a decision list here can hold: {error}") from None
    return _around(name, [Step.of(LOOK, node, image="plate")], LOOK, entering, leaving, "a decision list")


def _around(name: str, steps: Sequence[Step], result: str, entering: Space, leaving: Space, form: str) -> Look:
    """Return a look with conversions before and after it, where it is not made for the working signal."""
    begin, end = str(entering), str(leaving)
    first: list[Step] = []
    if entering != Space():
        first = [Step.of(f"{LOOK}-in", leave_space(begin), image="plate")]
        steps = [_rewired(step, "plate", f"{LOOK}-in") for step in steps]
    last = [] if leaving == Space() else [Step.of(f"{LOOK}-out", enter_space(end), image=result)]
    told = form if entering == leaving == Space() else f"{form} in {begin}"
    return Look(name, look_id(name), told, (*first, *steps, *last), last[0].id if last else result)


def _rewired(step: Step, origin: str, instead: str) -> Step:
    inputs = tuple((port, instead if come == origin else come) for port, come in step.inputs)
    return dataclasses.replace(step, inputs=inputs)


# --- graphs -------------------------------------------------------------------------------------------------


def _of_graph(name: str, input_space: str | None, output_space: str | None) -> Look:
    entering = _space(input_space) if input_space is not None else Space()
    leaving = _space(output_space) if output_space is not None else entering
    try:
        graph = Graph.load(name)
        result = graph.origins(["result"])["result"]
    except (GraphError, InputError) as error:
        raise LookError(f"The look cannot be read: {error}") from None
    read = graph.sources_of(["result"])
    if len(read) != 1 or graph.kind(result) != "picture" or result in graph.sources:
        raise LookError(f"The look {name} must make a picture `result` from one source; it reads {', '.join(read)}.")
    if WORKING in graph.by_id:
        raise LookError(f"The look {name} converts its footage itself: give one that works in the working signal.")
    steps = []
    for step in graph.order(["result"]):
        inputs = tuple((port, "plate" if come in read else _inside(come)) for port, come in step.inputs)
        steps.append(dataclasses.replace(step, id=_inside(step.id), inputs=inputs))
    form = f"a graph of {len(steps)} nodes" if len(steps) > 1 else "a graph of one node"
    return _around(name, steps, _inside(result), entering, leaving, form)


def _inside(id: str) -> str:
    return f"{LOOK}-{id}"[:60]


# --- baking -------------------------------------------------------------------------------------------------


@functools.lru_cache(maxsize=4)
def _baked(name: str, id: str, entering: Space, leaving: Space, far: bool) -> Look:
    look = _transform(name)
    into, out = leave_space(str(entering)), enter_space(str(leaving))

    def colours(values: Doubles) -> Doubles:
        picture = np.ascontiguousarray(values, np.float32).reshape(-1, 1, 3)
        picture = picture if entering == Space() else into.process(picture)
        picture = look(np.nan_to_num(picture, nan=0.0, posinf=100.0, neginf=-100.0))
        picture = picture if leaving == Space() else out.process(picture)
        found: Doubles = np.nan_to_num(picture, nan=0.0, posinf=FAR, neginf=-FAR).reshape(-1, 3).astype(np.float64)
        return found

    high = FAR if far else HIGH
    for size in SIZES:
        node = _cube(colours, size, high)
        differs = _difference(colours, node)
        if differs[1] <= _STRAYS:
            break
    spaces = f" for {entering}" + ("" if leaving == entering else f", giving {leaving}")
    form = f"baked into a cube of {size} points a side{'' if entering == Space() == leaving else spaces}"
    return Look(name, id, form, (Step.of(LOOK, node, image="plate"),), LOOK, differs=differs)


def _transform(name: str) -> Transform:
    """Return what a look does to a picture in the space that it is made for. Raises LookError."""
    if not name.startswith(COLOUR_SPACES):
        try:
            return open_transform(name, "look")
        except (InputError, TransformError) as error:
            raise LookError(str(error)) from None
    ocio = _library()
    found = _named_look(ocio, name).getTransform()
    if found is None:
        raise LookError(f"The look {name!r} of the configuration has no transform.")
    try:
        processor = ocio.GetCurrentConfig().getProcessor(found).getDefaultCPUProcessor()
    except ocio.Exception as error:
        raise LookError(f"The look {name!r} cannot be used: {' '.join(str(error).split())}") from None
    return lambda picture: through_processor(processor, picture)


def _cube(colours: Callable[[Doubles], Doubles], size: int, high: float) -> BakedLook:
    edge = LOW + (high - LOW) * np.linspace(0, 1, size)
    points = np.stack(np.meshgrid(edge, edge, edge, indexing="ij"), axis=-1).reshape(-1, 3)
    table = colours(points).astype(np.float32).reshape(size, size, size, 3)
    return BakedLook(Cube(table, LOW, high).to_text())


def _difference(colours: Callable[[Doubles], Doubles], node: BakedLook) -> tuple[float, float]:
    """Return the largest and the usual difference of a baked look from the look, over colours of the signal."""
    values = np.random.default_rng(0).random((20_000, 3))
    made = node.process(np.ascontiguousarray(values, np.float32).reshape(-1, 1, 3)).reshape(-1, 3)
    off = np.abs(made - colours(values)).max(axis=1)
    return float(off.max()), float(np.quantile(off, 0.95))


# --- under a look -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Under:
    """A look on top of a correction, and by how much skin is kept from it, 0 to 1."""

    look: Look
    keep: float = 0.6

    def on(self, graph: Graph) -> Graph:
        """Return a graph with the look behind its result, and natural skin brought back under it.

        Raises GraphError for a graph without a result and a matte, LookError where it has a look already.
        """
        natural = graph.origins(["result"])["result"]
        if any(step.id.split("-")[0] in (LOOK, PROTECT, KEEP) for step in graph.steps):
            raise LookError("The correction has a look already: solve it without one, then put this look on.")
        protecting, matte = _protection(graph)
        look = [_rewired(step, self.look.source, natural) for step in self.look.steps]
        keep = Step.of(KEEP, KeepSkin(amount=self.keep), image=self.look.result, natural=natural, matte=matte)
        outputs = {**dict(graph.outputs), "result": KEEP, "protection": matte}
        return dataclasses.replace(
            graph, steps=(*graph.steps, *look, *protecting, keep), outputs=tuple(outputs.items())
        )


def with_look(graph: Graph, under: Under) -> Graph:
    """Return the graph with a note of the look on top."""
    look = {"name": under.look.name, "id": under.look.id, "form": under.look.form}
    return graph.with_notes({**graph.notes(), "look": look})


def changed_look(graph: Graph) -> str | None:
    """Say that the file of a graph's look is another now than the one that the graph took in.

    None where it is the same, or where it does not lie there any more: a graph needs nothing beside it.
    """
    look = graph.notes().get("look")
    name, id = (look.get(key) for key in ("name", "id")) if isinstance(look, dict) else (None, None)
    if not isinstance(name, str) or not isinstance(id, str) or name.startswith(COLOUR_SPACES):
        return None
    try:
        if look_id(name).split()[-1] == id.split()[-1]:
            return None
    except (OSError, ValueError, IndexError):
        return None
    return (
        f"The look {name} was changed since the graph took it in, and the graph goes on with the look as it was: "
        f"correct again with --under {name} for the new one."
    )


def check_view(graph: Graph, seen: str) -> None:
    """Raise LookError where a view is the look that a graph has on top already."""
    look = graph.notes().get("look")
    if seen and isinstance(look, dict) and str(look.get("id", "")).split()[-1:] == seen.split()[-1:]:
        raise LookError(f"The graph puts {look.get('name')} on top already: leave --view out, or it counts twice.")


def _protection(graph: Graph) -> tuple[list[Step], str]:
    """Return the steps that make the protection matte of everybody, and the id of the last."""
    steps: list[Step] = []
    whole = ""
    for name, output in mattes_of(graph).items():
        suffix = f"-{name}" if name else ""
        faces = _faces_of(graph, suffix)
        own = Step.of(f"{PROTECT}{suffix}", ProtectMatte(), matte=graph.origins([output])[output], **faces)
        steps.append(own)
        if whole:
            joined = Step.of(f"{PROTECT}-with{suffix}", CombineMattes("maximum"), first=whole, second=own.id)
            steps.append(joined)
        whole = steps[-1].id
    return steps, whole


def _faces_of(graph: Graph, suffix: str) -> dict[str, str]:
    """Return where what a person's faces tell is read from, by the port of the protection matte."""
    join = graph.by_id.get(f"join{suffix}")
    return {} if join is None else {"faces": dict(join.inputs)["faces"]}


def same_place(first: str, second: str) -> bool:
    """Tell whether two names mean one look or view."""
    if first.startswith(COLOUR_SPACES) or second.startswith(COLOUR_SPACES):
        return first == second
    if os.path.realpath(first) == os.path.realpath(second):
        return True
    try:
        return look_id(first).split()[-1] == look_id(second).split()[-1]
    except OSError:
        return False
