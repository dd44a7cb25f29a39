"""The session: one clip at the desk, its history, its workbench, its files, and every change that can be asked for."""

from __future__ import annotations

import contextlib
import dataclasses
import functools
import itertools
import math
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ...kernels.arrays import Floats
from ...kernels.colour import ycbcr_matrix
from ...kernels.errors import InkarnatError
from ...nodes import Compare, FaceMatte, Region, ShowMatte, Waveform
from ...nodes.declare import ParamError, nearest
from ..detect.faces import available
from ..graphs.graph import STANDARD_SOURCE, Graph, Step
from ..graphs.keyframes import WAYS
from ..graphs.parts import accepted_keys, without_accepted
from ..graphs.runner import Runner
from ..graphs.standard import without_faces
from ..made import GRAPH, note
from ..media.clips import Clip
from ..media.files import InputError
from ..media.pictures import write_picture
from ..shots.evidence import with_befores
from ..shots.runs import graph_hash
from ..shots.whose_faces import with_face_note, without_foreign_faces
from ..writes import check_files, check_text, put_aside, write_bytes
from .chain import MOST_PEOPLE, MOST_SHAPES, SIDES, is_chain, next_suffix, rewired, shapes_of
from .controls import TARGET, in_words, label_of, person_values, plain, refused, step_values, target_params, view_values
from .cuts import Cuts
from .drawn import Drawn
from .errors import DeskError, ExistsError, OwnedError
from .flicker import Flicker, flicker_of, measured
from .folder import Folder, shown
from .following import (
    face_moved,
    find,
    nobody,
    person_faces,
    track_shape,
    track_words,
    tracked,
    with_note,
    with_tracks,
    without_face,
)
from .history import History
from .keyframing import (
    constant,
    frames_of,
    moved,
    removed_at,
    ways_of,
    with_keyframe,
    with_values,
    with_way,
    without_keyframe,
)
from .notes import Keeper, read_notes, write_notes
from .owner import Owner
from .parts import accepted, accepted_told, back, followed, frozen, frozen_told, parts_told
from .plots import Grey, chroma_plot, level_ends, level_plot
from .reel import SPACE
from .seeing import PLAIN, Seeing
from .solving import Solver, is_faces_alone, matte_origin, read_skin, result_origin
from .state import MOST_MARKS, PURPOSES, Mark, Person, State, as_sample, resting
from .task import Task, Tasks
from .versions import Versions
from .work import MOVING, PROXY, Size, Workbench

MOST_SCOPE = 1600
"""Pixels of the longest side of a scope that the page may ask for."""

VIEWS: dict[str, str] = {
    "result": "Final",
    "original": "As shot",
    "light": "Light only",
    "split": "Split",
    "matte": "Matte",
    "dimmed": "Dimmed",
    "outline": "Outline",
    "hatched": "Hatched",
    "compare": "Difference",
    "luma": "Luma",
}
"""The views by id, with the words on their buttons."""

PLAIN_VIEWS = ("result", "original", "light")
"""The views that are pictures of the clip alone, with nothing drawn over them."""

KEYFRAME_WORDS = {"set": "keyframe", "remove": "remove keyframe", "hold": "constant", **WAYS}
"""What is done with a keyframe, in the words of the history."""

_REST = 0.7
"""Seconds without a change after which the history is written; the state itself is written at once."""
_SAVED = "saved"
"""In the notes: hashes of the graphs as they were opened or saved here last, by name."""


class Session:
    """The work on one clip.

    :param told: called after every change, from any thread. :param seeing: what pictures are looked at through.
    """

    def __init__(
        self, folder: Folder, name: str, told: Callable[[], None] = lambda: None, seeing: Seeing = PLAIN
    ) -> None:
        self.folder, self.name, self.told, self._seeing = folder, name, told, seeing
        self._plates = 0
        self.reel = folder.reel(name)
        self.bench = Workbench(self.reel.open(), changed=self._plate_changed, reel=self.reel)
        self.notices: list[str] = list(self.clip.notes)
        self.graph_name = folder.graph_name(name)
        self.saved: Graph | None = None
        self._hashes: dict[str, str] = {}
        self.owner = Owner(folder.notes_path(name), shown(name))
        self.owner.take()
        self.history = History(self._with_own_faces(self._restored()))
        self.keeper = Keeper(folder.notes_path(name), self.owner, beside=self._saved_noted)
        self._restore_history()
        self.history_keeper = Keeper(folder.beside(name, ".history.json"), self.owner, _REST)
        self.versions = Versions(folder.beside(name, ".versions.json"))
        self.tasks = Tasks(told)
        self.flicker: Flicker | None = None
        self._faceless = False
        self._lock = threading.RLock()
        self.cuts = self._cuts()

    def _cuts(self) -> Cuts:
        return Cuts(self.reel.open, self.clip.frames, self.told)

    def prepare(self) -> None:
        """Take the memory for looking at the clip. Raises InputError where its first frame cannot be read."""
        first = self.clip.frames[0]
        self.bench.prepare(first)
        for which in ("vectorscope", "waveform"):
            self.plot(which, first, "", (320, 320), size=MOVING)

    def close(self) -> None:
        """Write what is not yet written and let go of the clip."""
        self.tasks.close()
        self.cuts.close()
        self.bench.frames.close()
        self.keeper.close()
        self.history_keeper.close()
        self.owner.release()
        self.clip.close()

    @property
    def clip(self) -> Clip:
        """The clip as it lies there now."""
        return self.bench.clip

    @property
    def seeing(self) -> Seeing:
        """What pictures are looked at through, as it lies there now."""
        if self._seeing.look_again():
            self._plates += 1
            self._notice(f"{self._seeing.label} was changed on disk: pictures and readings are seen through it anew.")
            self.told()
        return self._seeing

    def _notice(self, words: str) -> None:
        """Put words last among what is told, once."""
        self.notices[:] = [each for each in self.notices if each != words] + [words]

    def _plate_changed(self, name: str) -> None:
        """Say that a file of the clip is another one than the one that was worked on; what belongs to that one goes."""
        self._plates += 1
        self._notice(f"{shown(name)} was changed on disk and is shown anew: solve again what was solved on it.")
        self.cuts.close()
        self.cuts = self._cuts()
        with contextlib.suppress(OwnedError, InputError), self._lock:
            state = self.state
            if accepted_keys(state.graph):  # nobody has looked at the matte of this one
                state = dataclasses.replace(state, graph=without_accepted(state.graph))
            if any(isinstance(step.node, FaceMatte) for step in state.graph.steps):
                with self.reel.open() as clip:
                    state = self._with_own_faces(state, clip)
            if state is not self.state:
                self._put(state, "Clip replaced")
        self.told()

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
                noted = read_notes(notes)
                state = State.from_dict(noted)
                self.notices.append("Restored as it was left.")
                before = noted.get(SPACE)
                if before != self.reel.space:
                    was, now = (
                        f"brought from {each}" if each else "read as BT.709" for each in (before, self.reel.space)
                    )
                    self.notices.append(f"This clip was {was} when it was left and is {now} now: solve again.")
                self._find_saved(state, noted.get(_SAVED))
                return state
            except InkarnatError as error:
                aside = notes.with_name(notes.name + ".damaged")
                put_aside(notes, aside)
                self.notices.append(f"The notes could not be read and were put aside as {aside.name}. {error}")
        if graph.is_file():
            try:
                return self._state_of(self.graph_name)
            except InkarnatError as error:
                self.notices.append(f"{self.graph_name} was left alone: {error}")
        return State()

    def _with_own_faces(self, state: State, clip: Clip | None = None) -> State:
        """Return the state without faces that lie in another clip, and say so among the notices."""
        try:
            graph, note = without_foreign_faces(state.graph, clip or self.clip)
        except InkarnatError as error:
            graph, note = without_faces(state.graph), f"The faces were left out. {error}"
        if note is not None and note not in self.notices:
            self.notices.append(note)
        return state if graph is state.graph else dataclasses.replace(state, graph=graph)

    def _find_saved(self, state: State, noted: Any) -> None:
        """Take the graph on disk for the one that was saved here, unless somebody has changed it since."""
        path = self.folder.result_path(self.graph_name)
        self._hashes = dict(noted) if isinstance(noted, dict) else {}
        if not path.is_file():
            return
        try:
            there = Graph.load(path)
        except InkarnatError as error:
            self.notices.append(f"{self.graph_name} cannot be read and is left alone: {error}")
            return
        if there == self.reel.around(state.graph) or self._hashes.get(self.graph_name) == graph_hash(there):
            self.saved = there
        elif self.graph_name in self._hashes:
            self.notices.append(
                f"{self.graph_name} was changed elsewhere since it was saved here: Open this graph goes on from it, "
                "Save graph asks before it replaces it."
            )

    def _saved_noted(self) -> dict[str, Any]:
        """Return what is noted of the graphs that were opened or saved here last."""
        if self.saved is not None:
            self._hashes[self.graph_name] = graph_hash(self.saved)
        space = {} if self.reel.space is None else {SPACE: self.reel.space}
        return space | ({_SAVED: self._hashes} if self._hashes else {})

    def _restore_history(self) -> None:
        """Take over what could be undone when the clip was last open."""
        path = self.folder.beside(self.name, ".history.json")
        if not path.is_file():
            return
        try:
            self.history.restore(read_notes(path))
        except InkarnatError as error:
            aside = path.with_name(path.name + ".damaged")
            put_aside(path, aside)
            self.notices.append(f"The history for undo could not be read and was put aside as {aside.name}. {error}")

    def _state_of(self, name: str) -> State:
        """Return the state of a saved graph, with its marks where its notes belong to it."""
        graph = Graph.load(self.folder.result_path(name))
        self.saved = graph
        plain, said = self.reel.inside(graph)
        if said and said not in self.notices:
            self.notices.append(said)
        state, notes = State.of_graph(plain), self.folder.notes_path(name)
        if notes.is_file():
            try:
                noted = State.from_dict(read_notes(notes))
            except InkarnatError:
                return state
            if noted.graph in (plain, state.graph):
                return noted
        return state

    # --- showing ----------------------------------------------------------------------------------------------

    def picture(self, frame: int, view: str, suffix: str = "", size: Size = PROXY, last: bool = False) -> Floats:
        """Return a view of a frame as it is seen, float32 (H, W, 3 or 4).

        :param last: keep to the mattes that were worked out last; see :meth:`is_stale`.

        Raises DeskError, InputError and NodeError.
        """
        self.check_frame(frame)
        if view not in VIEWS:
            raise DeskError(f"There is no view {view!r}. {nearest(view, VIEWS) or 'There are ' + ', '.join(VIEWS)}")
        if view in PLAIN_VIEWS:
            return self.seen(frame, view, size, last)
        if view == "split":
            return self.seen(frame, "original", size)
        result = self.seen(frame, "result", size, last)
        matte, key = self._matte(suffix, frame, size, last)
        origin = self.bench.key(*self._origin("result"), frame, size)
        node = dict(self.state.views)["compare"] if view == "compare" else ShowMatte(view=view)

        def draw() -> Floats:
            if isinstance(node, Compare):
                return node.process(self.seen(frame, "original", size), result)
            if matte is None:
                raise DeskError("This graph keys nothing, so there is no matte to show.")
            return ShowMatte(view=view).process(result, matte)

        if last and self.is_stale(frame, size):
            return draw()
        return self.bench.made((node, frame, self.seeing.id, origin, key), draw, size)

    def _origin(self, view: str) -> tuple[Graph, str]:
        """Return a graph and the step of it that gives the result, the light only, or the picture as shot."""
        graph = self.state.graph
        if view == "light":
            return light_only(graph)
        return graph, result_origin(self.state) if view == "result" else STANDARD_SOURCE

    def is_stale(self, frame: int, size: Size) -> bool:
        """Tell whether what ``last`` shows of a frame is another picture than the present settings give."""
        return self.bench.is_stale(self.state.graph, frame, size)

    def plain(self, frame: int, view: str, size: Size = PROXY, last: bool = False) -> Floats:
        """Return the result, the light only or the picture as shot, as it is written."""
        return self.bench.value(*self._origin(view), frame, size, last)

    def seen(self, frame: int, view: str, size: Size = PROXY, last: bool = False) -> Floats:
        """Return the result, the light only or the picture as shot, as it is seen."""
        if self.seeing.is_plain:
            return self.plain(frame, view, size, last)
        if last and self.is_stale(frame, size):
            return self.seeing.view(self.plain(frame, view, size, last))
        key = self.bench.key(*self._origin(view), frame, size)
        return self.bench.made((self.seeing.id, key), lambda: self.seeing.view(self.plain(frame, view, size)), size)

    def _matte(self, suffix: str, frame: int, size: Size, last: bool = False) -> tuple[Floats | None, Any]:
        origin = matte_origin(self.state, suffix)
        if origin is None:
            return None, None
        graph = self.state.graph
        return self.bench.value(graph, origin, frame, size, last), self.bench.key(graph, origin, frame, size)

    def plot(
        self,
        which: str,
        frame: int,
        suffix: str,
        shape: tuple[int, int],
        rim: float = 0.64,
        keyed: bool = True,
        view: str = "result",
        size: Size = PROXY,
        last: bool = False,
    ) -> tuple[list[Grey], dict[str, Any]]:
        """Return the traces of a scope and what goes with them, as JSON data.

        :param which: "vectorscope", whose sides are the smaller of ``shape``, or "waveform".
        :param shape: width and height in pixels. :param rim: chroma at the middle of each edge of the vectorscope.
        :param keyed: whether only a person's keyed pixels are plotted. :param view: the picture that is plotted.
        :param last: as in :meth:`picture`.
        """  # fmt: skip
        self.check_frame(frame)
        picture = self.seen(frame, _plainly(view), size, last)
        matte = self._matte(suffix, frame, size, last)[0] if keyed else None
        wide, tall = _within(shape[0], 64), _within(shape[1], 64)
        if which == "vectorscope":
            return [chroma_plot(picture, matte, min(wide, tall), min(max(rim, 0.02), 1.0))], {}
        if which != "waveform":
            raise DeskError(f"There is no scope {which!r}: vectorscope or waveform.")
        node = dict(self.state.views)["waveform"]
        apart = isinstance(node, Waveform) and node.view != "luma"
        signals = ("r", "g", "b") if apart else ("luma",)
        traces = [level_plot(picture, matte, wide // len(signals), tall, signal) for signal in signals]
        ends = level_ends(picture, matte)
        return traces, {"ends": [None if math.isnan(end) else round(end, 4) for end in ends], "signals": signals}

    def pixel(self, frame: int, x: float, y: float, suffix: str = "", view: str = "result") -> dict[str, Any]:
        """Return what lies at a place of a frame, 0 to 1 from the top left corner: the mean of up to 3 × 3 pixels."""
        self.check_frame(frame)
        picture = self.seen(frame, _plainly(view))
        height, width = picture.shape[:2]
        if not (0 <= x <= 1 and 0 <= y <= 1):
            raise DeskError(f"A place lies from 0 to 1 across and down, not {x:g}, {y:g}.")
        at = min(int(x * width), width - 1), min(int(y * height), height - 1)
        part = (slice(max(at[1] - 1, 0), at[1] + 2), slice(max(at[0] - 1, 0), at[0] + 2))
        rgb = picture[part][..., :3].astype(np.float64).mean((0, 1))
        luma, cb, cr = (float(value) for value in ycbcr_matrix("709") @ rgb)
        matte = self._matte(suffix, frame, PROXY)[0]
        chroma = math.hypot(cb, cr)
        return {
            "at": [at[0], at[1]],
            "rgb": [float(value) for value in rgb],
            "luma": luma,
            "cb": cb,
            "cr": cr,
            "angle": math.degrees(math.atan2(cr, cb)) % 360 if chroma > 0.002 else None,
            "ratio": chroma / luma if luma > 0.01 else None,
            "matte": None if matte is None else float(matte[part].mean()),
        }

    def lit(self, frame: int, drawn: Drawn, view: str = "result", size: Size = PROXY) -> Floats:
        """Return the picture with all but what lies in a region of a plot darkened to grey."""
        self.check_frame(frame)
        picture = self.seen(frame, _plainly(view), size)
        return ShowMatte(view="dimmed").process(picture, drawn.matte(picture))

    def reading(self, frame: int, suffix: str = "", size: Size = PROXY) -> dict[str, Any]:
        """Return the reading of a person's skin on a frame, with words and warnings."""
        self.check_frame(frame)
        self.cuts.start()
        read = read_skin(self.bench, self.state, suffix, frame, size, self.seeing)
        return read | {"warnings": [*read["warnings"], *map(dataclasses.asdict, self.cuts.warnings())]}

    def check_frame(self, frame: int) -> None:
        """Raise DeskError for a frame that the clip does not have."""
        if frame not in self.clip.frames:
            first, last = self.clip.frames[0], self.clip.frames[-1]
            raise DeskError(f"Frame {frame} is not in this clip: it has the frames {first} to {last}.")

    def as_dict(self) -> dict[str, Any]:
        """Return all that the page shows of the session, pictures and readings aside, as JSON data."""
        self.bench.look_again()
        seen = self.seeing.label
        clip, frames = self.clip, self.clip.frames
        state, revision, titles = self.history.snapshot()
        return {
            "revision": revision,
            "look": f"{hash((state.graph, state.views)):x}",
            "plate": self._plates,
            "cut": self.cuts.first,
            "clip": {
                "name": shown(self.name),
                "width": clip.width,
                "height": clip.height,
                "frames": [frames[0], frames[-1], frames.step],
                "rate": float(clip.rate) if clip.rate else None,
            },
            "notices": self.notices,
            "seen": seen,
            "space": self.reel.words() or None,
            "people": [person_values(person, state) for person in state.people],
            "canAdd": is_chain(state.graph) and len(state.people) < MOST_PEOPLE,
            "marks": [_mark_values(mark) for mark in state.marks],
            "keyframes": frames_of(state),
            "ways": ways_of(state),
            "flicker": None if self.flicker is None else self.flicker.as_dict(),
            "parts": parts_told(state.graph),
            "frozen": frozen_told(state),
            "accepted": accepted_told(state),
            "faces": {p.suffix: person_faces(state, p) for p in state.people},
            "task": self.tasks.as_dict(),
            "shapes": {p.suffix: [w + p.suffix for w in shapes_of(p.suffix, state.graph.by_id)] for p in state.people},
            "steps": [step_values(step, resting(step.id, step.node.name)) for step in state.graph.steps],
            "views": {name: view_values(name, node, resting(name, node.name)) for name, node in state.views},
            "graph": {"name": self.graph_name, "saved": self.saved == self.reel.around(state.graph)},
            "history": titles,
            "autosave": self.keeper.as_dict(),
            "owner": {"mine": self.owner.is_mine(), "words": self.owner.words()},
        }

    def _is_chain(self) -> bool:
        return is_chain(self.state.graph)

    # --- changing ---------------------------------------------------------------------------------------------

    def _check_owner(self) -> None:
        try:
            self.owner.check()
        except OwnedError:
            self.told()
            raise

    def take_over(self) -> str:
        """Become the owner of the notes, and go on from what they hold now."""
        with self._lock:
            self.owner.take(over=True)
            self.keeper.start_over()
            self.history_keeper.start_over()
            revision = self.history.revision
            self.history = History(self._restored())
            self._restore_history()
            self.history.revision = revision + 1
            self.told()
            return f"{shown(self.name)} is changed here from now on."

    def _put(self, state: State, label: str, gesture: str | None = None) -> None:
        self._check_owner()
        self.history.put(state, label, gesture)
        self._keep()

    def _keep(self) -> None:
        self.keeper.keep(self.state)
        self.history_keeper.keep(self.history)
        self.told()

    def set(self, id: str, name: str, value: Any, gesture: str | None = None) -> None:
        """Set one parameter of a step, a view or (as ``target`` with a suffix behind it) of a person's target."""
        self.set_all({id: {name: value}}, gesture)

    def set_all(
        self, settings: Mapping[str, Mapping[str, Any]], gesture: str | None = None, frame: int | None = None
    ) -> None:
        """Set parameters of several steps, views or targets by id and name as one change, all of them or none.

        :param frame: where what has keyframes gets one; None makes it constant.
        """
        with self._lock:
            state, label = self.state, ""
            for id, values in settings.items():
                state, label = self._with(state, id, values, frame)
            if label:
                self._put(state, label, gesture)

    def _with(self, state: State, id: str, values: Mapping[str, Any], frame: int | None) -> tuple[State, str]:
        """Return the state with parameters of one step, view or target set, and the words for it."""
        if id.startswith(TARGET):
            return self._with_target(state, id.removeprefix(TARGET), values)
        step = state.graph.by_id.get(id)
        node = state.node(id) if step is None or frame is None else step.node_at(frame)
        try:
            node.check_names(list(values))
            changed = dataclasses.replace(node, **values)  # type: ignore[type-var]
        except ParamError as error:
            raise DeskError(refused(node, values, error)) from None
        keyed = dict(step.keyed) if step is not None and frame is not None else {}
        for name in values:
            if name in keyed and node.params()[name].kind == "points":
                count = len(keyed[name].pairs[0][1])  # type: ignore[arg-type]
                if len(getattr(changed, name)) != count:
                    raise DeskError(
                        f"{label_of(node.name, name)} change over time, so they stay {count}: hold them first."
                    )
        words = ", ".join(label_of(node.name, name) for name in values)
        return with_values(state, id, changed, values, frame), f"{node.label}: {words}"

    def _with_target(self, state: State, suffix: str, values: Mapping[str, Any]) -> tuple[State, str]:
        params, person = target_params(), state.person(suffix)
        checked: dict[str, Any] = {}
        for name, value in values.items():
            if name not in params:
                raise DeskError(f"A target has no {name!r}; it has {', '.join(params)}.")
            try:
                checked[name] = params[name].check(f"{TARGET}.{name}", value)
            except ParamError as error:
                raise DeskError(in_words(str(error), TARGET)) from None
        if "ratio" in checked:
            checked["ratio"] = checked["ratio"] or None
        target = dataclasses.replace(person.target, **checked)
        return state.with_person(dataclasses.replace(person, target=target)), f"Target of {person.name}"

    def reset(self, id: str, name: str | None = None) -> None:
        """Set one parameter, or all of a step, back to the default."""
        with self._lock:
            if id.startswith(TARGET):
                params = target_params()
                rest = {field: params[field].default for field in ([name] if name else params) if field in params}
                self.set_all({id: rest})
                return
            node = self.state.node(id)
            node.check_names([name] if name else [])
            names = (name,) if name else tuple(node.params())
            fresh = resting(id, node.name)
            changed = dataclasses.replace(node, **{n: getattr(fresh, n) for n in names})  # type: ignore[type-var]
            state = self.state.with_node(id, changed, names)
            self._put(state, f"{node.label}: reset {label_of(node.name, name) if name else ''}".rstrip())

    def mark(self, frame: int, suffix: str, purpose: str, kind: str, points: Any, radius: float = 0.02) -> Mark:
        """Add a mark. Raises SampleError for one outside the frame and DeskError for an unknown purpose."""
        with self._lock:
            self.check_frame(frame)
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
            self.check_frame(frame)
            self._check_owner()
            solver = Solver(self.bench, self.state, self.seeing)
            doing: dict[str, tuple[str, Callable[[], tuple[State, str]]]] = {
                "balance": ("Solve balance", lambda: solver.balance(frame)),
                "learn": ("Learn key", lambda: solver.learn(suffix, frame)),
                "steer": ("Solve steering", lambda: solver.steer(suffix, frame)),
                "everything": ("Solve everything", lambda: solver.everything(frame)),
            }
            if what == "everything" and self._wants_faces():
                self.find_faces(frame)
                return "Nothing is marked yet, so faces are looked for, keyed and solved."
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
            graph = rewired(self.state.graph, [*(p.suffix for p in people), suffix], self.state.graph.by_id)
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
            graph = rewired(self.state.graph, [p.suffix for p in people], self.state.graph.by_id)
            marks = tuple(mark for mark in self.state.marks if mark.suffix != suffix or mark.purpose == "neutral")
            self._put(State(graph, people, marks, self.state.views), f"Remove {person.name}")

    def add_shape(self, suffix: str, side: str, values: Mapping[str, Any]) -> str:
        """Add a shape that keeps a person's key in or out, and return the id of its step.

        :param values: of a region: shape, centre, width, height and so on. Raises DeskError and ParamError.
        """
        with self._lock:
            person, graph = self.state.person(suffix), self.state.graph
            if not is_chain(graph):
                raise DeskError("Shapes can be drawn in the desk's own chain only; this graph is wired otherwise.")
            if side not in SIDES:
                raise DeskError(f"A shape keeps {' or '.join(SIDES)}, not {side!r}.")
            taken = shapes_of(suffix, graph.by_id)
            if len(taken) >= MOST_SHAPES:
                raise DeskError(f"{person.name} has {MOST_SHAPES} shapes already: remove one first.")
            word = next(f"{side}{n}" for n in itertools.count(1) if f"{side}{n}" not in taken)
            Region.check_names(values)
            step = Step.of(word + suffix, Region(**values), image=STANDARD_SOURCE)
            known = {**graph.by_id, step.id: step}
            self._put(self._rewired(known), f"Shape: keep {side}")
            return step.id

    def remove_shape(self, id: str) -> None:
        """Take a shape out again. Raises DeskError where there is none of that id."""
        with self._lock:
            known = dict(self.state.graph.by_id)
            if not is_chain(self.state.graph) or not isinstance(getattr(known.get(id), "node", None), Region):
                raise DeskError(f"There is no shape {id!r}.")
            del known[id]
            self._put(self._rewired(known), "Remove shape")

    def _rewired(self, known: Mapping[str, Step]) -> State:
        graph = rewired(self.state.graph, [person.suffix for person in self.state.people], known)
        return dataclasses.replace(self.state, graph=graph)

    # --- solved and by hand -----------------------------------------------------------------------------------

    def back_to_solved(self, id: str, name: str) -> None:
        """Take away what a hand did to a value that was solved."""
        with self._lock:
            label = label_of(self.state.node(id).name, name)
            self._put(back(self.state, id, name), f"{label}: back to solved")

    def freeze(self, suffix: str, is_frozen: bool) -> str:
        """Keep a person's key as it was learned, whatever changes before it; or let it follow again."""
        with self._lock:
            name = self.state.person(suffix).name
            self._put(frozen(self.state, suffix, is_frozen), "Freeze key" if is_frozen else "Let the key follow")
            return f"The key of {name} {'stays as it is' if is_frozen else 'follows the light again'}."

    def accept(self, suffix: str, is_accepted: bool) -> str:
        """Note that somebody looked at a person's matte and found it right, until it changes; or take that back."""
        with self._lock:
            name = self.state.person(suffix).name
            state = accepted(self.state, suffix, is_accepted)
            if is_accepted:  # on this clip
                state = dataclasses.replace(state, graph=with_face_note(state.graph, self.clip))
            self._put(state, "Accept matte" if is_accepted else "Doubt the matte")
            return f"The matte of {name} {'is accepted, until it changes' if is_accepted else 'is judged again'}."

    def follow(self, changed: str, frame: int, gesture: str | None = None) -> str:
        """Learn and solve anew what stands behind a changed step, as one change with it, and say what was done."""
        with self._lock:
            self.check_frame(frame)
            state, words = followed(self.bench, self.state, [changed], frame, self.seeing)
            self._put(state, "Follow the light", gesture)
            return words

    # --- over time --------------------------------------------------------------------------------------------

    def keyframe(self, do: str, frame: int, id: str, name: str) -> None:
        """Set or remove the keyframe of a parameter at a frame, or hold the value of that frame throughout.

        :param do: one of these, or a way that the parameter goes from keyframe to keyframe from now on.
        """
        ways = {"set": with_keyframe, "remove": without_keyframe, "hold": constant}
        with self._lock:
            self.check_frame(frame)
            if do not in KEYFRAME_WORDS:
                raise DeskError(f"A keyframe can be {', '.join(KEYFRAME_WORDS)}, not {do!r}.")
            label = label_of(self.state.node(id).name, name)
            state = with_way(self.state, id, name, do) if do in WAYS else ways[do](self.state, id, name, frame)
            self._put(state, f"{label}: {KEYFRAME_WORDS[do]}")

    def move_keyframes(self, suffix: str, frame: int, to: int) -> None:
        """Move all keyframes of a person and of the whole picture from a frame to another."""
        with self._lock:
            self.check_frame(to)
            self._put(moved(self.state, self._ids_of(suffix), frame, to), "Move keyframes")

    def remove_keyframes(self, suffix: str, frame: int) -> None:
        """Take away all keyframes of a person and of the whole picture at a frame."""
        with self._lock:
            self._put(removed_at(self.state, self._ids_of(suffix), frame), "Remove keyframes")

    def _ids_of(self, suffix: str) -> list[str]:
        """Return the steps of a person and of the whole picture: those that are not somebody else's."""
        others = [person.suffix for person in self.state.people if person.suffix not in ("", suffix)]
        ids = self.state.graph.by_id
        if suffix:
            shared = ("balance", "tone", "saturation")
            return [id for id in ids if id.endswith(suffix) or id in shared]
        return [id for id in ids if not any(id.endswith(other) for other in others)]

    def track(self, id: str, frame: int, span: Sequence[int] | None = None) -> None:
        """Follow a shape from a frame through the clip, or a span of it, in the background."""
        with self._lock:
            self.check_frame(frame)
            self._check_owner()
            step = self.state.graph.by_id.get(id)
            if step is None or not isinstance(step.node, Region):
                raise DeskError(f"There is no shape {id!r}.")
            frames = [n for n in self.clip.frames if span is None or span[0] <= n <= span[1] or n == frame]

        def work(task: Task) -> str:
            track = track_shape(self.reel, step, frame, frames, task)
            with self._lock:
                self._put(tracked(self.state, id, track), "Follow shape")
            return track_words(track, frames)

        self.tasks.start("track", id, max(len(frames) - 1, 1), work)

    def measure_flicker(self, suffix: str, span: Sequence[int] | None = None) -> None:
        """Measure in the background how much a person's skin jumps from frame to frame."""
        state, look = self.state, self.look
        frames = [n for n in self.clip.frames if span is None or span[0] <= n <= span[1]]
        if len(frames) < 2:
            raise DeskError("Flicker shows from one frame to the next: this is a single frame.")

        def work(task: Task) -> str:
            readings = measured(self.reel, state, suffix, frames, self.seeing, task)
            self.flicker = flicker_of(readings, look, suffix)
            if self.flicker is None:
                return "No two frames show keyed skin one after another, so there is no flicker to measure."
            found, worst = self.flicker, self.flicker.worst
            rest = f" The largest jumps are at {', '.join(map(str, worst[:4]))}." if worst else " It is steady."
            return f"Flicker: hue ± {found.angle:.2f}°, level ± {100 * found.level:.2f} %.{rest}"

        self.tasks.start("flicker", suffix, len(frames), work)

    @property
    def look(self) -> str:
        """What tells the present settings from others."""
        return f"{hash((self.state.graph, self.state.views)):x}"

    def _wants_faces(self) -> bool:
        """Tell whether nobody has said what is skin, and faces have not been looked for and could be."""
        state = self.state
        return (
            available()
            and not self._faceless
            and self._is_chain()
            and len(state.people) == 1
            and not any(mark.purpose == "skin" for mark in state.marks)
            and not any(isinstance(step.node, FaceMatte) for step in state.graph.steps)
            and is_faces_alone(state, state.people[0].suffix)
        )

    def find_faces(self, solve_at: int | None = None) -> None:
        """Find and follow the faces of the clip in the background, and put them into everybody's key.

        :param solve_at: the frame on which everything is solved with what is found; None to leave that.
        """
        with self._lock:
            self._check_owner()
            if not self._is_chain():
                raise DeskError("Faces go into the desk's own chain only; this graph is wired otherwise.")
        frames, gesture = list(self.clip.frames), f"faces {time.monotonic()}"

        def work(task: Task) -> str:
            tracks = find(self.reel, frames, task)
            with self._lock:
                found = with_note(self.reel, with_tracks(self.state, tracks, frames))
                self._put(found, "Find faces", gesture)
                self._faceless = not tracks
                if not tracks:
                    solver = Solver(self.bench, self.state, self.seeing)
                    if solve_at is not None and solver.shows_skin(self.state.people[0], solve_at):
                        words = self.solve("everything", solve_at, gesture=gesture)
                        return f"No face was found, so skin was sought by its look. {words}"
                    return nobody(self.reel, frames[0] if solve_at is None else solve_at)
                told = f"{len(tracks)} face{'' if len(tracks) == 1 else 's'} found."
                wanted = frames[0] if solve_at is None else solve_at
                at = min(tracks[0].places, key=lambda frame: abs(frame - wanted))
                if solve_at is not None:
                    return f"{told} {self.solve('everything', at, gesture=gesture)}"
                marked = [p for p in self.state.people if any(m.suffix == p.suffix for m in self.state.marks)]
                for person in marked or (self.state.people if len(self.state.people) == 1 else ()):
                    self.solve("learn", at, person.suffix, gesture)
            return told

        self.tasks.start("faces", "", len(frames), work)

    def move_face(self, id: str, by: Sequence[float], gesture: str | None = None) -> None:
        """Move a face by parts of the frame, on every frame."""
        with self._lock:
            self._put(face_moved(self.state, id, (by[0], by[1])), "Move face", gesture)

    def remove_face(self, id: str) -> None:
        """Take a face out of everybody's key."""
        with self._lock:
            self._put(without_face(self.state, id), "Remove face")

    def undo(self) -> str:
        """Undo one step and say which."""
        with self._lock:
            self._check_owner()
            label = self.history.undo()
            self._keep()
            return label

    def redo(self) -> str:
        """Redo one step and say which."""
        with self._lock:
            self._check_owner()
            label = self.history.redo()
            self._keep()
            return label

    def adopt(self, state: State, label: str) -> State:
        """Take over the graph and the people of another clip; marks stay, and so do the notes of what was before."""
        with self._lock:
            self._check_owner()
            notes = self.folder.notes_path(self.name)
            if notes.is_file():
                write_bytes(notes.with_name(notes.name + ".before"), notes.read_bytes())
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
                raise ExistsError(
                    f"{name} is there already and was not made here, or was changed elsewhere since: replace it, or "
                    "choose another name."
                )
            self._check_owner()
            check_text(path, GRAPH)
            written = self.written()
            written.save(path)
            write_notes(self.folder.notes_path(name), self.state.to_dict())
            self.graph_name, self.saved = name, written
            self._keep()
            return path

    def written(self) -> Graph:
        """Return the graph as it is written, with what brings the clip to the working signal and back."""
        return self.reel.around(self.state.graph)

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
            self._put(self._with_own_faces(self._state_of(name)), f"Open {name}")
            self.graph_name = name

    def keep_version(self, name: str, replace: bool = False) -> str:
        """Keep the present state under a name. Raises DeskError, ExistsError and OutputError."""
        self._check_owner()
        return self.versions.keep(name, self.state, replace)

    def back_to(self, name: str) -> None:
        """Go back to a version; undo takes it back. Raises DeskError where there is none of that name."""
        with self._lock:
            self._put(self._with_own_faces(self.versions.state(name)), f"Back to “{name}”")

    def still(self, frame: int, name: str, replace: bool = False) -> Path:
        """Write the result of one frame at full size, as a reference. Raises ExistsError and OutputError."""
        name = _with_suffix(name, ".png")
        path = self.folder.result_path(name)
        if path.exists() and not replace:
            raise ExistsError(f"{name} is there already: replace it, or choose another name.")
        check_files([path], [self.clip.path, *self.folder.originals()], overwrite=True)
        self.check_frame(frame)
        picture = self._as_written(frame)
        write_picture(path, picture, None, inputs=self.clip.paths())
        note(path)
        return path

    def _as_written(self, frame: int) -> Floats:
        """Return the result at full size in the colour space that the clip came in."""
        if self.reel.space is None:
            return self.plain(frame, "result", None)
        graph, ends = self.written(), (self.clip.frames[0], self.clip.frames[-1])
        name = next(n for n, origin in self.state.graph.outputs if origin == result_origin(self.state))
        with self.reel.open_as_shot() as clip:
            made = Runner(graph).run_frame(frame, lambda _, at: clip.read(min(max(at, ends[0]), ends[1])), [name])
        return made[name]


@functools.lru_cache(maxsize=64)
def light_only(graph: Graph) -> tuple[Graph, str]:
    """Return a graph and the step of it that gives the result with every steering of skin left out."""
    pictures = [name for name, origin in graph.outputs if graph.kind(origin) == "picture"]
    whole = with_befores(graph, "result" if "result" in pictures else pictures[0])
    return whole, dict(whole.outputs)["light_only"]


def _plainly(view: str) -> str:
    """Return the picture that lies under a view."""
    return view if view in PLAIN_VIEWS else "result"


def _within(side: int, least: int) -> int:
    return min(max(side, least), MOST_SCOPE)


def _person_name(name: str) -> str:
    """Return a name as it can be kept: without what is no letter of any writing."""
    plain = "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in " ".join(str(name).split()))
    return plain[:60]


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
