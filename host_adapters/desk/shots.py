"""Shots: what the desk knows of the clips of its folder, the worst first, and what can be made of several of them."""

from __future__ import annotations

import contextlib
import dataclasses
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ...kernels.arrays import Floats
from ...kernels.errors import InkarnatError
from ...nodes import CHECK, HOLDS, NOT_JUDGED, OFF, ReadingError, SkinReading, SkinTarget, measure_skin
from ..graphs.export import export_look, look_of
from ..graphs.graph import Graph
from ..graphs.runner import Runner
from ..made import GRAPH, LOOK_UP, PAGE, note
from ..media.clips import Clip
from ..shots.runs import Run, RunClip
from ..shots.stills import Shown, still_files, write_stills
from ..writes import check_files, check_text, make_folder
from .errors import DeskError, ExistsError
from .folder import Folder, shown
from .notes import read_notes
from .plate import file_of, stamp_of
from .reel import Reel
from .seeing import Seeing
from .solving import matte_origin, result_origin
from .state import State
from .task import Task
from .work import MOVING, fitted

RANKS = {OFF: 0, CHECK: 1, NOT_JUDGED: 2, HOLDS: 3}
"""Where a status stands in the list: what needs a look comes first, what nobody has touched last."""

_MOST_BESIDE = 4

Report = Callable[[Run, Path], Mapping[str, str]]
"""Writes the page of a run, and returns by name the clips that it leaves out, and why."""


def state_of(folder: Folder, name: str) -> State | None:
    """Return what a clip's notes hold, None where there are none that can be read."""
    notes = folder.notes_path(name)
    with contextlib.suppress(InkarnatError, KeyError, TypeError, ValueError):
        return State.from_dict(read_notes(notes)) if notes.is_file() else None
    return None


def in_order(shots: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return shots with the worst first; those without a status come last, each kind by name."""

    def rank(shot: dict[str, Any]) -> tuple[int, str]:
        grade = (shot["status"] or {}).get("grade", "")
        return RANKS.get(grade, 2 if grade else 4 + (not shot["begun"])), shot["name"]

    return sorted(shots, key=rank)


# --- beside -------------------------------------------------------------------------------------------------


class Beside:
    """Pictures of other clips, or of this one at another frame, to be looked at beside the open one."""

    def __init__(self, folder: Folder, seeing: Seeing) -> None:
        self.folder, self.seeing = folder, seeing
        self._kept: OrderedDict[Any, tuple[Floats, SkinReading | None, int]] = OrderedDict()
        self._lock = threading.Lock()

    def picture(self, name: str, frame: int | None, view: str) -> tuple[Floats, SkinReading | None, int]:
        """Return a small picture of a clip through its notes, what its skin reads, and the frame; the middle for None.

        :param view: "original" for the picture as shot. Raises InputError and NodeError.
        """
        state = state_of(self.folder, name)
        with self._lock:
            with self.folder.reel(name).open() as clip:
                at = clip.frames[len(clip.frames) // 2] if frame is None else frame
                self.seeing.look_again()
                graph = None if state is None else state.graph
                key = name, at, view == "original", graph, stamp_of(file_of(clip, at)), self.seeing.id
                if key in self._kept:
                    return self._kept[key]
                found = self._made(clip, at, state, view)
            self._kept[key] = found
            while len(self._kept) > _MOST_BESIDE:
                self._kept.popitem(last=False)
        return found

    def _made(self, clip: Clip, frame: int, state: State | None, view: str) -> tuple[Floats, SkinReading | None, int]:
        if frame not in clip.frames:
            raise DeskError(f"Frame {frame} is not in this clip: it has {clip.frames[0]} to {clip.frames[-1]}.")
        plate = np.ascontiguousarray(fitted(clip.read(frame), MOVING), np.float32)
        if state is None:
            return self.seeing.view(plate), None, frame
        matte = matte_origin(state, state.people[0].suffix if state.people else "")
        outputs = {"shown": result_origin(state)} | ({"keyed": matte} if matte else {})
        graph = dataclasses.replace(state.graph, outputs=tuple(outputs.items()))
        made = Runner(graph).run_frame(frame, dict.fromkeys(graph.sources, plate))
        picture = self.seeing.view(plate if view == "original" else made["shown"])
        reading = None
        with contextlib.suppress(ReadingError):
            reading = measure_skin(picture, made["keyed"]) if "keyed" in made else None
        return picture, reading, frame


# --- files ----------------------------------------------------------------------------------------------------


def save_look_up(folder: Folder, graph: Graph, name: str, part: str, frame: int, replace: bool) -> str:
    """Write a graph's light, or its whole colour part, as a look-up, and say what it leaves out.

    Raises ExistsError, ExportError and OutputError.
    """
    name = name if Path(name).suffix else f"{name}.clf"
    path = folder.result_path(name)
    if path.exists() and not replace:
        raise ExistsError(f"{name} is there already: replace it, or choose another name.")
    check_text(path, LOOK_UP)
    look = look_of(graph, "result", part, frame)
    written = export_look(look, path)
    rest = f" Left out: {', '.join(id for id, _ in look.left_out)}." if look.left_out else ""
    return f"Saved {name}, at most {written.largest:.5f} of the signal from the graph.{rest}"


def stills_of(folder: Folder, name: str, state: State, frames: Sequence[int], into: str, replace: bool) -> Stills:
    """Return what is drawn of a clip's frames, and where. Raises ExistsError, OutsideError and OutputError."""
    place, reel = folder.result_path(into), folder.reel(name)
    clip = reel.path
    files = still_files(Shown.of(state.graph), clip, frames, place)
    there = [path.name for path in files.values() if path.exists()]
    if there and not replace:
        raise ExistsError(f"{there[0]} is there already in {place.name}: replace it, or choose another folder.")
    make_folder(place)
    check_files(files.values(), [clip, *folder.originals()], overwrite=True)
    return Stills(state, reel, tuple(frames), files)


@dataclasses.dataclass(frozen=True)
class Stills:
    """Pictures for looking at a correction that are to be drawn."""

    state: State
    reel: Reel
    frames: tuple[int, ...]
    files: dict[str, Path]

    def draw(self, seeing: Seeing, task: Task) -> str:
        """Draw them and say so. Raises InputError, OutputError and Cancelled."""
        target = self.state.people[0].target if self.state.people else SkinTarget()
        line, graph = target.angle + target.bias, self.reel.around(self.state.graph)
        with self.reel.open_as_shot() as clip:
            write_stills(graph, clip, self.files, self.frames, seeing.view, None, line, task.step)
        for path in self.files.values():
            note(path)
        sheet = self.files["sheet"]
        return f"Saved {len(self.files)} stills in {sheet.parent.name}; {sheet.name} shows all."


def graph_on_disk(folder: Folder, name: str, state: State) -> Path:
    """Return the file with a clip's present graph, written where there is none. Raises ExistsError for another one."""
    path, graph = folder.result_path(folder.graph_name(name)), folder.reel(name).around(state.graph)
    if path.exists():
        with contextlib.suppress(InkarnatError):
            if Graph.load(path) == graph:
                return path
        raise ExistsError(f"{path.name} holds another graph than {shown(name)} has now: save that clip first.")
    check_text(path, GRAPH)
    graph.save(path)
    return path


def write_report(folder: Folder, names: Sequence[str], output: str, seeing: Seeing, report: Report) -> str:
    """Write the report of clips, each by its present graph, and say so.

    Raises DeskError where none of them was worked on, and what writing raises.
    """
    path = folder.result_path(output if Path(output).suffix else f"{output}.html")
    check_text(path, PAGE)
    clips = []
    for name in names:
        state = state_of(folder, name)
        if state is not None:
            graph = graph_on_disk(folder, name, state)
            marks = [mark.frame for mark in state.marks if mark.purpose == "skin"]
            entry = RunClip(
                shown(name), str(folder.clip_path(name)), str(graph), marks[0] if marks else None,
                read_as=folder.footage.assumed,
            )  # fmt: skip
            clips.append(entry)
    if not clips:
        raise DeskError("None of these clips was worked on yet: there is nothing to report.")
    left_out = report(Run(tuple(clips), path.stem, view=seeing.name or None), path)
    note(path)
    told = [f"{name} is left out: {reason}" for name, reason in left_out.items()]
    shown_there = len(clips) - len(left_out)
    return " ".join((f"Saved {path.name}: {shown_there} clip{'' if shown_there == 1 else 's'}.", *told))
