"""Stills: pictures for looking at a correction, frame by frame, and one sheet of all of them.

Of each frame: as shot, light only, final, and without the look where there is one; the matte, the surroundings dimmed,
clipped pixels; the vectorscope of what is keyed with the reference's trace beneath; waveforms of luma and parade, of
the whole picture and of what is keyed, with the skin's median level marked. All are drawn as they are seen.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ...kernels.arrays import Floats
from ...nodes import TILE, SheetRow, ShowMatte, Vectorscope, Waveform, clipped, contact_sheet
from .. import made
from ..graphs.errors import GraphError
from ..graphs.graph import Graph
from ..media.pictures import write_picture
from ..writes import make_folder
from .evidence import WITHOUT_LOOK, Read, View, Witness
from .sampling import spread

MOST_FRAMES = 3
"""Frames of a clip that are drawn where none are named: the first, the middle and the last."""

_SUFFIX = ".png"
_SHEET = "sheet"
_PICTURES = {"as_shot": "as-shot", "light_only": "light-only", WITHOUT_LOOK: "without-look", "final": "final"}


@dataclass(frozen=True)
class Shown:
    """Whom stills show, by the names in the graph, and whether there is a look on top."""

    people: tuple[str, ...] = ("",)
    look: bool = False

    @classmethod
    def of(cls, graph: Graph) -> Shown:
        """Return it of a graph. Raises GraphError for one without a result and a matte, or that reads several clips."""
        witness = Witness(graph, lambda picture: picture)
        if len(graph.sources_of()) > 1:
            raise GraphError(f"Stills are drawn of one clip, and the graph reads {', '.join(graph.sources_of())}.")
        return cls(tuple(witness.mattes), WITHOUT_LOOK in witness.shown)

    def names(self) -> tuple[str, ...]:
        """Return what is drawn of each frame, in order."""
        people = [f"-{name}" if name else "" for name in self.people]
        scopes = [f"{kind}{person}" for person in people for kind in ("vectorscope", "waveform-skin", "parade-skin")]
        pictures = [word for name, word in _PICTURES.items() if self.look or name != WITHOUT_LOOK]
        return (*pictures, "matte", "dimmed", "clipped", *scopes, "waveform", "parade")


def still_files(shown: Shown, clip_path: Path | str, frames: Sequence[int], folder: Path | str) -> dict[str, Path]:
    """Return the files that will be written by ``FRAME NAME``, and the sheet's by ``sheet``."""
    stem = Path(clip_path).stem.split("%")[0].split("#")[0].strip("._-") or "clip"
    place = Path(folder)
    found = {
        f"{frame} {name}": place / f"{stem}.{frame:04d}.{name}{_SUFFIX}" for frame in frames for name in shown.names()
    }
    return {**found, _SHEET: place / f"{stem}.{_SHEET}{_SUFFIX}"}


def earlier_stills(files: Mapping[str, Path]) -> list[str]:
    """Return the names of stills of the same clip that lie beside others and were drawn in an earlier run.

    :param files: see :func:`still_files`.
    """
    sheet = files[_SHEET]
    stem = sheet.name.removesuffix(f"{_SHEET}{_SUFFIX}")
    one = re.compile(rf"{re.escape(stem)}\d{{4,}}\.[\w-]+{re.escape(_SUFFIX)}")
    now = {path.name for path in files.values()}
    return sorted(name for name in os.listdir(sheet.parent) if one.fullmatch(name) and name not in now)


def chosen_frames(wanted: Sequence[int] | None, frames: Sequence[int], missing: Sequence[int] = ()) -> list[int]:
    """Return the frames to draw: those wanted, else the first, the middle and the last that are there."""
    there = [frame for frame in frames if frame not in set(missing)] or list(frames)
    if wanted is None:
        return spread(there, MOST_FRAMES)
    for frame in wanted:
        if frame not in there:
            raise GraphError(f"Frame {frame} is not there to be drawn: there are {there[0]} to {there[-1]}.")
    return list(wanted)


def write_stills(
    graph: Graph,
    clip: Read,
    files: Mapping[str, Path],
    frames: Sequence[int],
    view: View,
    reference: int | None = None,
    target: float = Vectorscope.angle,
    advance: Callable[[int], object] = lambda frame: None,
) -> None:
    """Draw the stills of some frames and write them, and the sheet of all.

    :param files: see :func:`still_files`. :param reference: the frame whose trace lies beneath, None for the first of
        ``frames``; beneath its own lies what it was with the light alone. :param target: where the skin should rest.

    Raises InputError for frames that cannot be read, OutputError where something cannot be written.
    """
    witness = Witness(graph, view)
    artist = Artist(witness, target)
    at = frames[0] if reference is None else reference
    beneath = artist.traces(witness.pictures(clip, at))
    make_folder(files[_SHEET].parent)
    rows = []
    for frame in frames:
        pictures = witness.pictures(clip, frame)
        drawn = dict(artist.draw(pictures, artist.lights(pictures) if frame == at else beneath, frame, at))
        for name, still in drawn.items():
            _write(files[f"{frame} {name}"], still)
        rows.append(SheetRow(f"frame {frame}", {name: _reduced(still, TILE) for name, still in drawn.items()}))
        advance(frame)
    _write(files[_SHEET], contact_sheet(rows))


def _write(path: Path, picture: Floats) -> None:
    write_picture(path, np.ascontiguousarray(picture[..., :3]), bits=8)
    made.note(path)


# --- drawing ------------------------------------------------------------------------------------------------


class Artist:
    """Draws the stills of a frame.

    :param target: where the skin should rest, degrees.
    """

    def __init__(self, witness: Witness, target: float) -> None:
        self.witness = witness
        self.scope = Vectorscope(size=640, zoom="2", bias=round(target - Vectorscope.angle, 3))

    def traces(self, pictures: Mapping[str, Floats], which: str = "final") -> dict[str, Floats]:
        """Return what the skin of each person traces on the scope, by name."""
        return {
            name: self.scope.counts(pictures[which], pictures[output])  # type: ignore[misc]
            for name, output in self.witness.mattes.items()
        }

    def lights(self, pictures: Mapping[str, Floats]) -> dict[str, Floats]:
        """Return the traces with the light alone corrected."""
        return self.traces(pictures, "light_only")

    def draw(
        self, pictures: Mapping[str, Floats], beneath: Mapping[str, Floats], frame: int, reference: int
    ) -> Iterator[tuple[str, Floats]]:
        """Yield every still of a frame by its name."""
        for name, word in _PICTURES.items():
            if name in pictures:
                yield word, pictures[name]
        final, mattes = pictures["final"], self.witness.mattes
        whole = np.maximum.reduce([pictures[output] for output in mattes.values()])
        for view in ("matte", "dimmed"):
            yield view, ShowMatte(view=view).process(final, whole)
        yield "clipped", clipped(final)
        called = "light only" if frame == reference else f"frame {reference}"
        for name, output in mattes.items():
            own, person = pictures[output], f"-{name}" if name else ""
            yield f"vectorscope{person}", self.scope.over(final, own, beneath[name], called)  # type: ignore[arg-type]
            for kind, wave in _WAVES.items():
                yield f"{kind}-skin{person}", wave.marked(final, own, wave.skin_levels(final, own))
        for kind, wave in _WAVES.items():
            yield kind, wave.marked(final, None, wave.skin_levels(final, whole))


_WAVES = {"waveform": Waveform(), "parade": Waveform(view="parade")}


def _reduced(picture: Floats, width: int) -> Floats:
    """Return a picture so many pixels wide, each the mean of what it covers; a smaller one larger, by whole pixels."""
    rows, columns = picture.shape[:2]
    height = max(1, round(rows * width / columns))
    clean = np.nan_to_num(picture[..., :3].astype(np.float32), posinf=1.0, neginf=0.0)
    return _mean_over(_mean_over(clean, height, 0), width, 1)


def _mean_over(picture: Floats, count: int, axis: int) -> Floats:
    size = picture.shape[axis]
    if count >= size:
        return np.ascontiguousarray(np.take(picture, np.arange(count) * size // count, axis=axis))
    starts = np.arange(count) * size // count
    sums = np.add.reduceat(picture, starts, axis=axis)
    sizes = np.diff(np.append(starts, size)).astype(np.float32)
    return np.ascontiguousarray(sums / (sizes[:, None, None] if axis == 0 else sizes[None, :, None]), np.float32)


# --- one picture's scopes -----------------------------------------------------------------------------------


def scope_picture(picture: Floats, matte: Floats | None, target: float = Vectorscope.angle) -> Floats:
    """Return vectorscope, waveform and parade of a picture beside one another; of what is keyed with a matte.

    The vectorscope is magnified twice with a matte. The waveforms are of the whole picture, with the level of what is
    keyed marked.
    """
    scope = Vectorscope(size=640, zoom="1" if matte is None else "2", bias=round(target - Vectorscope.angle, 3))
    tiles = [scope.process(picture, matte)]
    for view in ("luma", "parade"):
        wave = Waveform(view=view, width=960, height=640)
        tiles.append(wave.marked(picture, None, () if matte is None else wave.skin_levels(picture, matte)))
    return np.ascontiguousarray(np.concatenate([tile[..., :3] for tile in tiles], axis=1))
