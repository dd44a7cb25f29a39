"""The session: one clip at the desk, its history, its workbench, its files, and every change that can be asked for."""

from __future__ import annotations

import dataclasses
import os
import shutil
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ...kernels.arrays import Floats
from ...kernels.errors import InkarnatError
from ...nodes import Compare, ShowMatte, Vectorscope, Waveform
from ...nodes.declare import nearest
from ..graphs.graph import Graph
from ..media.clips import Clip, open_clip
from ..media.pictures import write_picture
from .chain import MOST_PEOPLE, is_chain, next_suffix, people_chain
from .controls import TARGET, person_values, plain, step_values, target_params, view_values
from .errors import DeskError, ExistsError
from .folder import Folder
from .notes import Keeper, read_notes, write_notes
from .solving import Solver, matte_origin, read_skin, result_origin
from .state import MOST_MARKS, PURPOSES, History, Mark, Person, State, as_sample, resting
from .work import PROXY, Size, Workbench

MOST_SCOPE = 1600
"""Pixels of the longest side of a scope that the page may ask for."""

VIEWS: dict[str, str] = {
    "result": "Result",
    "original": "Original",
    "split": "Split",
    "matte": "Matte",
    "dimmed": "Dimmed",
    "hatched": "Hatched",
    "outline": "Outline",
    "luma": "Luma",
    "compare": "Difference",
}
"""The views by id, with the words on their buttons."""


class Session:
    """The work on one clip."""

    def __init__(self, folder: Folder, name: str) -> None:
        self.folder, self.name = folder, name
        self.clip: Clip = open_clip(folder.clip_path(name))
        self.bench = Workbench(self.clip)
        self.notices: list[str] = list(self.clip.notes)
        self.graph_name = folder.graph_name(name)
        self.saved: Graph | None = None
        self.history = History(self._restored())
        self.keeper = Keeper(folder.notes_path(name))
        self._lock = threading.RLock()

    def prepare(self) -> None:
        """Take the memory for looking at the clip. Raises InputError where its first frame cannot be read."""
        self.bench.prepare(self.clip.frames[0])

    def close(self) -> None:
        """Write what is not yet written and let go of the clip."""
        self.keeper.close()
        self.clip.close()

    @property
    def state(self) -> State:
        """The present state."""
        return self.history.now

    # --- restoring --------------------------------------------------------------------------------------------

    def _restored(self) -> State:
        """Return the state from the notes beside the clip, from its graph, or a fresh one."""
        notes, graph = self.folder.notes_path(self.name), self.folder.result_path(self.graph_name)
        if notes.is_file():
            try:
                state = State.from_dict(read_notes(notes))
                self.notices.append("Restored as it was left.")
                self.saved = Graph.load(graph) if graph.is_file() else None
                return state
            except InkarnatError as error:
                aside = notes.with_name(notes.name + ".damaged")
                os.replace(notes, aside)
                self.notices.append(f"The notes could not be read and were put aside as {aside.name}. {error}")
        if graph.is_file():
            try:
                return self._state_of(self.graph_name)
            except InkarnatError as error:
                self.notices.append(f"{self.graph_name} was left alone: {error}")
        return State()

    def _state_of(self, name: str) -> State:
        """Return the state of a saved graph, with its marks where its notes belong to it."""
        graph = Graph.load(self.folder.result_path(name))
        self.saved = graph
        state, notes = State.of_graph(graph), self.folder.notes_path(name)
        if notes.is_file():
            try:
                noted = State.from_dict(read_notes(notes))
            except InkarnatError:
                return state
            if noted.graph in (graph, state.graph):
                return noted
        return state

    # --- showing ----------------------------------------------------------------------------------------------

    def picture(self, frame: int, view: str, suffix: str = "", size: Size = PROXY) -> Floats:
        """Return a view of a frame, float32 (H, W, 3 or 4). Raises DeskError, InputError and NodeError."""
        state, bench = self.state, self.bench
        self._check_frame(frame)
        if view in ("original", "split"):
            return bench.plate(frame, size)
        origin = result_origin(state)
        if view == "result":
            return bench.value(state.graph, origin, frame, size)
        if view not in VIEWS:
            raise DeskError(f"There is no view {view!r}. {nearest(view, VIEWS) or 'There are ' + ', '.join(VIEWS)}")
        result = bench.value(state.graph, origin, frame, size)
        matte, key = self._matte(suffix, frame, size)
        keys = (bench.key(state.graph, origin, frame, size), key)
        node = dict(state.views)["compare"] if view == "compare" else ShowMatte(view=view)

        def draw() -> Floats:
            if isinstance(node, Compare):
                return node.process(bench.plate(frame, size), result)
            if matte is None:
                raise DeskError("This graph keys nothing, so there is no matte to show.")
            return ShowMatte(view=view).process(result, matte)

        return bench.made((node, frame, *keys), draw)

    def _matte(self, suffix: str, frame: int, size: Size) -> tuple[Floats | None, Any]:
        origin = matte_origin(self.state, suffix)
        if origin is None:
            return None, None
        graph = self.state.graph
        return self.bench.value(graph, origin, frame, size), self.bench.key(graph, origin, frame, size)

    def scope(
        self, which: str, frame: int, suffix: str = "", keyed: bool = True, shape: tuple[int, int] | None = None
    ) -> Floats:
        """Return the vectorscope or waveform of the result, of a width and height within what the node allows."""
        self._check_frame(frame)
        state = self.state
        node = dict(state.views).get(which)
        result = self.bench.value(state.graph, result_origin(state), frame)
        matte = self._matte(suffix, frame, PROXY)[0] if keyed else None
        if isinstance(node, Vectorscope):
            target = next((p.target for p in state.people if p.suffix == suffix), None)
            if target is not None:
                node = dataclasses.replace(node, angle=target.angle, bias=target.bias)
            if shape is not None:
                node = dataclasses.replace(node, size=_within(min(shape), 256))
            return node.process(result, matte)
        if isinstance(node, Waveform):
            if shape is not None:
                node = dataclasses.replace(node, width=_within(shape[0], 256), height=_within(shape[1], 192))
            return node.process(result, matte)
        raise DeskError(f"There is no scope {which!r}: vectorscope or waveform.")

    def reading(self, frame: int, suffix: str = "", size: Size = PROXY) -> dict[str, Any]:
        """Return the reading of a person's skin on a frame, with words and warnings."""
        self._check_frame(frame)
        return read_skin(self.bench, self.state, suffix, frame, size)

    def _check_frame(self, frame: int) -> None:
        if frame not in self.clip.frames:
            first, last = self.clip.frames[0], self.clip.frames[-1]
            raise DeskError(f"Frame {frame} is not in this clip: it has the frames {first} to {last}.")

    def as_dict(self) -> dict[str, Any]:
        """Return all that the page shows of the session, pictures and readings aside, as JSON data."""
        with self._lock:
            state, clip = self.state, self.clip
            frames = clip.frames
            return {
                "revision": self.history.revision,
                "clip": {
                    "name": self.name,
                    "width": clip.width,
                    "height": clip.height,
                    "frames": [frames[0], frames[-1], frames.step],
                    "rate": float(clip.rate) if clip.rate else None,
                },
                "notices": self.notices,
                "people": [person_values(person, state) for person in state.people],
                "canAdd": self._is_chain() and len(state.people) < MOST_PEOPLE,
                "marks": [_mark_values(mark) for mark in state.marks],
                "steps": [step_values(step, resting(step.id, step.node.name)) for step in state.graph.steps],
                "views": {name: view_values(name, node, resting(name, node.name)) for name, node in state.views},
                "graph": {"name": self.graph_name, "saved": self.saved == state.graph},
                "history": self.history.titles(),
                "autosave": self.keeper.as_dict(),
            }

    def _is_chain(self) -> bool:
        return is_chain(self.state.graph)

    # --- changing ---------------------------------------------------------------------------------------------

    def _put(self, state: State, label: str, gesture: str | None = None) -> None:
        self.history.put(state, label, gesture)
        self.keeper.keep(self.state)

    def set(self, id: str, name: str, value: Any, gesture: str | None = None) -> None:
        """Set one parameter of a step, a view or (as ``target`` with a suffix behind it) of a person's target."""
        with self._lock:
            if id.startswith(TARGET):
                self._set_target(id.removeprefix(TARGET), name, value, gesture)
                return
            node = self.state.node(id)
            node.check_names([name])
            changed = dataclasses.replace(node, **{name: value})  # type: ignore[type-var]
            self._put(self.state.with_node(id, changed, (name,)), f"{node.label}: {_title(name)}", gesture)

    def _set_target(self, suffix: str, name: str, value: Any, gesture: str | None) -> None:
        params = target_params()
        if name not in params:
            raise DeskError(f"A target has no {name!r}; it has {', '.join(params)}.")
        checked: Any = params[name].check(f"target.{name}", value)
        if name == "ratio":
            checked = checked or None
        person = self.state.person(suffix)
        target = dataclasses.replace(person.target, **{name: checked})
        state = self.state.with_person(dataclasses.replace(person, target=target))
        self._put(state, f"Target of {person.name}", gesture)

    def reset(self, id: str, name: str | None = None) -> None:
        """Set one parameter, or all of a step, back to the default."""
        with self._lock:
            if id.startswith(TARGET):
                params = target_params()
                for field in [name] if name else params:
                    if field in params:
                        self._set_target(id.removeprefix(TARGET), field, params[field].default, f"reset {id}")
                return
            node = self.state.node(id)
            node.check_names([name] if name else [])
            names = (name,) if name else tuple(node.params())
            fresh = resting(id, node.name)
            changed = dataclasses.replace(node, **{n: getattr(fresh, n) for n in names})  # type: ignore[type-var]
            state = self.state.with_node(id, changed, names)
            self._put(state, f"{node.label}: reset {_title(name) if name else ''}".rstrip())

    def mark(self, frame: int, suffix: str, purpose: str, kind: str, points: Any, radius: float = 0.02) -> Mark:
        """Add a mark. Raises SampleError for one outside the frame and DeskError for an unknown purpose."""
        with self._lock:
            self._check_frame(frame)
            if purpose not in PURPOSES:
                raise DeskError(f"A mark is for {', '.join(PURPOSES)}, not {purpose!r}.")
            if len(self.state.marks) >= MOST_MARKS:
                raise DeskError(f"There are {MOST_MARKS} marks already: remove some first.")
            if purpose != "neutral":
                self.state.person(suffix)
            number = max((mark.id for mark in self.state.marks), default=0) + 1
            mark = Mark(number, frame, suffix, purpose, as_sample(kind, points, radius))
            marks = (*self.state.marks, mark)
            self._put(dataclasses.replace(self.state, marks=marks), f"Mark {purpose}", f"mark {number}")
            return mark

    def unmark(self, number: int) -> None:
        """Remove a mark."""
        with self._lock:
            marks = tuple(mark for mark in self.state.marks if mark.id != number)
            if marks == self.state.marks:
                raise DeskError(f"There is no mark {number}.")
            self._put(dataclasses.replace(self.state, marks=marks), "Remove mark")

    def solve(self, what: str, frame: int, suffix: str = "", gesture: str | None = None) -> str:
        """Balance, learn, steer or do everything, and return what was done in words."""
        with self._lock:
            self._check_frame(frame)
            solver = Solver(self.bench, self.state)
            doing: dict[str, tuple[str, Callable[[], tuple[State, str]]]] = {
                "balance": ("Solve balance", lambda: solver.balance(frame)),
                "learn": ("Learn key", lambda: solver.learn(suffix)),
                "steer": ("Solve steering", lambda: solver.steer(suffix, frame)),
                "everything": ("Solve everything", lambda: solver.everything(frame)),
            }
            if what not in doing:
                raise DeskError(f"What can be solved is {', '.join(doing)}, not {what!r}.")
            label, solve = doing[what]
            state, words = solve()
            self._put(state, label, gesture)
            return words

    def add_person(self, name: str) -> Person:
        """Add a person with a key, a softening and a steering of their own."""
        with self._lock:
            people = self.state.people
            if not self._is_chain():
                raise DeskError("People can be added to the desk's own chain only; this graph is wired otherwise.")
            if len(people) >= MOST_PEOPLE:
                raise DeskError(f"There can be at most {MOST_PEOPLE} people.")
            suffix = next_suffix([person.suffix for person in people])
            person = Person(suffix, _person_name(name) or f"Person {len(people) + 1}")
            graph = people_chain([*(p.suffix for p in people), suffix], self.state.graph.by_id)
            self._put(dataclasses.replace(self.state, graph=graph, people=(*people, person)), f"Add {person.name}")
            return person

    def rename_person(self, suffix: str, name: str) -> None:
        """Give a person another name."""
        with self._lock:
            person = self.state.person(suffix)
            named = dataclasses.replace(person, name=_person_name(name) or person.name)
            self._put(self.state.with_person(named), f"Rename {person.name}")

    def remove_person(self, suffix: str) -> None:
        """Take a person out again, with their marks and steps; the first one stays."""
        with self._lock:
            person = self.state.person(suffix)
            if not self._is_chain() or person == self.state.people[0]:
                raise DeskError(f"{person.name} is the first person of this graph and stays.")
            people = tuple(p for p in self.state.people if p.suffix != suffix)
            graph = people_chain([p.suffix for p in people], self.state.graph.by_id)
            marks = tuple(mark for mark in self.state.marks if mark.suffix != suffix or mark.purpose == "neutral")
            self._put(State(graph, people, marks, self.state.views), f"Remove {person.name}")

    def undo(self) -> str:
        """Undo one step and say which."""
        with self._lock:
            label = self.history.undo()
            self.keeper.keep(self.state)
            return label

    def redo(self) -> str:
        """Redo one step and say which."""
        with self._lock:
            label = self.history.redo()
            self.keeper.keep(self.state)
            return label

    def adopt(self, state: State, label: str) -> State:
        """Take over the graph and the people of another clip; marks stay, and so do the notes of what was before."""
        with self._lock:
            notes = self.folder.notes_path(self.name)
            if notes.is_file():
                shutil.copyfile(notes, notes.with_name(notes.name + ".before"))
            suffixes = {person.suffix for person in state.people}
            marks = tuple(mark for mark in self.state.marks if mark.purpose == "neutral" or mark.suffix in suffixes)
            self._put(State(state.graph, state.people, marks, self.state.views), label)
            return self.state

    # --- files ------------------------------------------------------------------------------------------------

    def save(self, name: str | None = None, replace: bool = False) -> Path:
        """Save the graph, and the marks beside it. Raises ExistsError, OutsideError and OutputError."""
        with self._lock:
            name = _with_suffix(name or self.graph_name, ".json")
            path = self.folder.result_path(name)
            if path.exists() and not replace and not self._is_ours(path):
                raise ExistsError(f"{name} is there already and was not made here: replace it, or choose another name.")
            self.state.graph.save(path)
            write_notes(self.folder.notes_path(name), self.state.to_dict())
            self.graph_name, self.saved = name, self.state.graph
            return path

    def _is_ours(self, path: Path) -> bool:
        """Whether a graph on disk is what was last opened or saved here."""
        if self.saved is None:
            return False
        try:
            return Graph.load(path) == self.saved
        except InkarnatError:
            return False

    def open_graph(self, name: str) -> None:
        """Open a saved graph with its marks; undo takes it back."""
        with self._lock:
            self._put(self._state_of(name), f"Open {name}")
            self.graph_name = name

    def still(self, frame: int, name: str, replace: bool = False) -> Path:
        """Write the result of one frame at full size, as a reference. Raises ExistsError and OutputError."""
        name = _with_suffix(name, ".png")
        path = self.folder.result_path(name)
        if path.exists() and not replace:
            raise ExistsError(f"{name} is there already: replace it, or choose another name.")
        picture = self.picture(frame, "result", size=None)
        write_picture(path, picture, None, inputs=self.clip.paths())
        return path


def _within(side: int, least: int) -> int:
    return min(max(side, least), MOST_SCOPE)


def _title(name: str | None) -> str:
    return (name or "").replace("_", " ")


def _person_name(name: str) -> str:
    return " ".join(str(name).split())[:60]


def _with_suffix(name: str, suffix: str) -> str:
    return name if Path(name).suffix else name + suffix


def _mark_values(mark: Mark) -> dict[str, Any]:
    sample = mark.sample
    return {
        "id": mark.id,
        "frame": mark.frame,
        "suffix": mark.suffix,
        "purpose": mark.purpose,
        "kind": sample.kind,
        "points": plain(sample.points),
        "radius": sample.radius,
    }
