"""Reel: a clip as the desk opens it: where it lies, what is assumed of it, and the colour space it comes from.

The desk works in the signal of the skin line. Footage in another colour space is brought there when it is read, and
what is written (graphs, renders, stills, reports) holds the conversions around the correction, as that of `correct`.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ...kernels.errors import InkarnatError
from ...nodes import Space
from ..graphs.colour_spaces import convert_around, in_working, without_conversions
from ..graphs.graph import Graph
from ..media.clips import Clip, open_clip
from ..media.colour_tags import meaning_of

AUTO = "auto"
"""In place of a colour space: the one that each clip states."""


@dataclass(frozen=True)
class Footage:
    """How the clips of a folder are read.

    :ivar assumed: for :func:`.open_clip`. :ivar space: of every clip, or :data:`AUTO`; None where nobody said, and then
        each clip is read as its graph and its notes say.
    """

    assumed: Mapping[str, Any] = field(default_factory=dict)
    space: str | None = None

    def checked(self) -> Footage:
        """Return it. Raises ParamError for a colour space that is none."""
        if self.space not in (None, AUTO):
            Space.parse(str(self.space))
        return self

    def reel(self, path: Path, notes: Path, graph: Path) -> Reel:
        """Return a clip of the folder. Raises InputError where it cannot be asked for its colour space.

        :param notes, graph: of the clip, whether they are there or not.
        """
        space = self.space
        if space == AUTO:
            with open_clip(path, **self.assumed) as clip:
                space = meaning_of(clip).space
        elif space is None:
            space = _noted_space(notes) if notes.is_file() else _space_of_graph(graph)
        return Reel(path, self.assumed, None if space is None else str(Space.parse(space)))


SPACE = "space"
"""In the notes of a clip: the colour space that it comes from, where it is not the working signal."""


def _noted_space(notes: Path) -> str | None:
    with contextlib.suppress(OSError, ValueError, AttributeError):
        found = json.loads(notes.read_text(encoding="utf-8")).get(SPACE)
        return found if isinstance(found, str) else None
    return None


def _space_of_graph(path: Path) -> str | None:
    with contextlib.suppress(InkarnatError):
        return without_conversions(Graph.load(path))[1] if path.is_file() else None
    return None


@dataclass(frozen=True)
class Reel:
    """A clip and how it is read. :ivar space: that it comes from, None for the working signal as it is."""

    path: Path
    assumed: Mapping[str, Any] = field(default_factory=dict)
    space: str | None = None

    def open(self) -> Clip:
        """Open the clip in the working signal. Raises InputError."""
        clip: Clip = in_working(self.open_as_shot(), self.space)
        return clip

    def open_as_shot(self) -> Clip:
        """Open the clip as it lies there, for graphs that hold the conversions. Raises InputError."""
        return open_clip(self.path, **self.assumed)

    def around(self, graph: Graph) -> Graph:
        """Return a graph of the desk with the conversions around it, as it is written."""
        return convert_around(graph, self.space)

    def inside(self, graph: Graph) -> tuple[Graph, str]:
        """Return a graph that was written without the conversions, and what to say where they are not this clip's."""
        plain, given, wanted = without_conversions(graph)
        if given == wanted == self.space:
            return plain, ""
        if given is None:
            said = f"The graph reads its footage as it is, and this clip is brought from {self.space}"
            return graph, f"{said}: solve again."
        here = "reads this clip as BT.709" if self.space is None else f"brings this clip from {self.space}"
        back = "" if wanted == given else f" and back to {wanted}"
        return plain, f"The graph brings its footage from {given}{back}, and the desk {here}: solve again."

    def words(self) -> str:
        """Say where the clip comes from, "" for the working signal."""
        return "" if self.space in (None, str(Space())) else str(self.space)
