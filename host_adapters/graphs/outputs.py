"""Outputs of a graph: opens a file for each, tells what it becomes, and puts a matte into a picture's alpha."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np

from ...kernels.arrays import Floats
from ..made import is_result
from ..media.clips import Clip, ClipWriter, Frames, check_holds, check_suffix, open_writer
from ..sequences import SequencePattern
from ..writes import Decided, check_output, claim, never
from .colour_spaces import output_tags
from .errors import GraphError
from .graph import Graph
from .runner import Writer

JOIN = "+"
"""Between the names of a picture and of the matte that goes into its alpha, as in ``result+matte``."""


def output_names(outputs: Iterable[str]) -> list[str]:
    """Return the single names of outputs, pictures and the mattes in their alpha. Raises GraphError for one twice."""
    names = [name for joined in outputs for name in joined.split(JOIN)]
    for name in names:
        if names.count(name) > 1:
            raise GraphError(f"The output {name!r} is written twice: name it once, alone or behind a {JOIN}.")
    return names


@dataclass(frozen=True)
class Output:
    """What one file shows.

    :ivar name: of an output of the graph. :ivar matte: of the one that goes into its alpha, or None.
    :ivar kind: "picture" or "matte". :ivar tags: as for :func:`~.clips.open_writer`.
    """

    name: str
    matte: str | None
    kind: str
    tags: tuple[int, int] | None

    @classmethod
    def of(cls, graph: Graph, joined: str) -> Output:
        """Return it by its name on the command line. Raises GraphError for a name that does not fit the graph."""
        name, *mattes = joined.split(JOIN)
        origins = graph.origins([name, *mattes])
        kind = graph.kind(origins[name])
        if mattes and (len(mattes) > 1 or [kind, graph.kind(origins[mattes[0]])] != ["picture", "matte"]):
            raise GraphError(f"{joined!r} must be the name of a picture, {JOIN} and the name of a matte.")
        return cls(name, mattes[0] if mattes else None, kind, output_tags(graph, origins[name]))

    def codec(self, asked: str | None) -> str | None:
        """Return the codec that is asked for; mattes take what suits their suffix."""
        return asked if self.kind == "picture" else None

    def open(self, path: Path | str, like: Clip, codec: str | None, inputs: Iterable[Path | str] = ()) -> ClipWriter:
        """Open the file. Raises OutputError, as :func:`~.clips.open_writer`."""
        alpha = self.matte is not None
        return open_writer(path, like, self.codec(codec), self.kind, inputs=inputs, tags=self.tags, alpha=alpha)

    def parts(self, writer: ClipWriter) -> dict[str, Writer]:
        """Return where each single output of the graph is written, given the writer of the file."""
        if self.matte is None:
            return {self.name: writer}
        return dict(zip((self.name, self.matte), MatteInAlpha(writer).parts(), strict=True))


def claim_outputs(
    outputs: Collection[str],
    like: Clip,
    frames: Frames | Sequence[int],
    tell: Callable[[str], object],
    pictures: Iterable[Path] = (),
    texts: Mapping[str, str] = MappingProxyType({}),
    decided: Decided = never,
) -> None:
    """Claim what a run writes, and refuse at once what could be written only after long work. Raises OutputError.

    :param like: the clip that the outputs take their frames from. :param frames: those that are written.
    :param tell: called with each thing that there is to say about the outputs. :param pictures, texts: what is written
        besides, texts with their kinds. :param decided: as for :func:`~..writes.claim`.
    """
    claim([*outputs, *pictures], texts, frames, decided)
    for path in outputs:
        check_suffix(path)
        check_holds(path, len(frames))
        pattern = SequencePattern.parse(Path(path))
        check_output(Path(path) if pattern is None else pattern.path(like.frames[0]), like.paths())
    for note in _left_over(outputs, like):
        tell(note)
    if is_result(like.paths()[0]):
        tell(f"{like.path.name} is itself a result of a graph: what is done now comes on top of that.")


def _left_over(outputs: Iterable[str], like: Clip) -> list[str]:
    """Say of numbered outputs which files lie there beyond the frames of the clip: of one that was longer, say."""
    said = []
    for path in outputs:
        pattern = SequencePattern.parse(Path(path))
        there = () if pattern is None else pattern.find_if_any()
        beyond = [frame for frame in there if not like.frames[0] <= frame <= like.frames[-1]]
        if pattern is not None and beyond:
            first, last = (pattern.path(beyond[place]).name for place in (0, -1))
            names = first if len(beyond) == 1 else f"{first} to {last} ({len(beyond)} files)"
            lie, belong = ("lies", "belongs") if len(beyond) == 1 else ("lie", "belong")
            words = f"{names} {lie} beside the result and {belong} to no frame of {like.path.name}"
            said.append(f"{words}: remove what is of an earlier run.")
    return said


def open_outputs(
    stack: ExitStack,
    graph: Graph,
    like: Clip,
    outputs: Mapping[str, str],
    codec: str | None = None,
    inputs: Iterable[Path | str] = (),
    tell: Callable[[str], object] = lambda note: None,
) -> dict[str, ClipWriter]:
    """Open a file for each output and tell what it becomes; the stack closes them, or aborts on an error.

    :param like: the clip that the outputs take size, rate, tags and sound from.
    :param outputs: files by output name; ``result+matte`` puts the matte into the alpha of the picture.
    :param codec: for outputs that are pictures; mattes take what suits their suffix.
    :param tell: called with each thing that there is to say about a file.
    :returns: what takes the frames of each, by the same names.

    Raises GraphError for names that do not fit, OutputError where an output is an input or cannot be written.
    """
    output_names(outputs)
    inputs = list(inputs)
    files: dict[str, ClipWriter] = {}
    for joined, path in outputs.items():
        files[joined] = writer = Output.of(graph, joined).open(path, like, codec, inputs)
        stack.callback(_tell_left_out, writer, len(writer.notes), tell)
        stack.enter_context(writer)
        label = getattr(writer, "label", "")
        for note in ([f"{joined} goes to {path} as {label}"] if label else []) + list(writer.notes):
            tell(note)
    return files


def _tell_left_out(writer: ClipWriter, told: int, tell: Callable[[str], object]) -> None:
    """Say what came out when the file was finished."""
    for note in writer.notes[told:]:
        tell(note)


class MatteInAlpha:
    """Two outputs that become one: waits for the picture and the matte of a frame and writes both as R′G′B′ and alpha.

    The colour is not multiplied by the matte.
    """

    def __init__(self, target: ClipWriter) -> None:
        self.target = target
        self._waiting: dict[str, Floats] = {}

    def parts(self) -> tuple[Writer, Writer]:
        """Return what takes the picture and what takes the matte."""
        return _Part("picture", self), _Part("matte", self)

    def take(self, kind: str, frame: int, array: Floats) -> None:
        """Keep one half, or write the frame where the other is here."""
        self._waiting[kind] = array
        if len(self._waiting) == 2:
            picture, matte = self._waiting.pop("picture"), self._waiting.pop("matte")
            self.target.write(frame, np.concatenate([picture[:, :, :3], matte[:, :, np.newaxis]], axis=2))


class _Part:
    def __init__(self, kind: str, whole: MatteInAlpha) -> None:
        self.kind, self.whole = kind, whole

    def write(self, frame: int, picture: Floats) -> None:
        self.whole.take(self.kind, frame, picture)
