"""The desk itself: one folder, the clip that is open, what is known of the others, and what runs in the background."""

from __future__ import annotations

import contextlib
import dataclasses
import re
import threading
from pathlib import Path
from typing import Any

from ...kernels.errors import InkarnatError
from ..graphs.graph import Graph
from ..sequences import SequencePattern
from ..writes import check_files
from .carrying import carried_to, carry_state, is_by_hand, not_carried
from .errors import DeskError, ExistsError
from .events import Bulletin
from .folder import Folder, shown
from .notes import read_notes, write_notes
from .plate import stamp_of_clip, stamp_of_name
from .rendering import Order, Render
from .seeing import PLAIN, Seeing
from .session import Session
from .shots import RANKS, Beside, Report, in_order, state_of, stills_of, write_report
from .task import Task, Tasks


class Desk:
    """The desk: one folder, the clip that is open, the statuses of all, and the renders that run and wait.

    :param seeing: what pictures are looked at through. :param report: writes the page of a run; None where there is
        no room for reports.
    """

    def __init__(
        self, folder: Folder, name: str | None = None, seeing: Seeing = PLAIN, report: Report | None = None
    ) -> None:
        self.folder, self.seeing, self.report = folder, seeing, report
        self.bulletin = Bulletin()
        self.session = Session(folder, name or folder.clip_names()[0], self.bulletin.tell, seeing)
        self.shown, self.closed = threading.Event(), threading.Event()
        self.tasks = Tasks(self.bulletin.tell)
        self.beside = Beside(folder, seeing)
        self.render: Render | None = None
        self.waiting: list[Order] = []
        self.statuses: dict[str, dict[str, Any]] = self._statuses()
        self._lock = threading.RLock()

    def close(self) -> None:
        """End what runs and write what is not yet written."""
        self.closed.set()
        self.shown.set()  # nobody need wait for a picture any longer
        self.bulletin.close()
        self.waiting.clear()
        self.tasks.close()
        if self.render is not None:
            self.render.cancel()
            self.render.wait(30)
        self.session.close()
        self._keep_statuses()

    def as_dict(self) -> dict[str, Any]:
        """Return what the page shows, as JSON data."""
        serial = self.bulletin.number  # read first, so that the state is at least as new
        render = self.render.as_dict() if self.render is not None else None
        mine = self.session.as_dict()
        task = self.tasks.as_dict() if self.tasks.running or mine["task"] is None else mine["task"]
        waiting = [order.words for order in self.waiting]
        return {
            "boot": self.bulletin.boot, "serial": serial, **mine, "task": task, "render": render, "waiting": waiting,
            "canReport": self.report is not None,
        }  # fmt: skip

    def working(self) -> bool:
        """Whether a render or a task is running."""
        rendering = self.render is not None and self.render.running
        return rendering or self.session.tasks.running or self.tasks.running

    # --- shots ------------------------------------------------------------------------------------------------

    def _statuses(self) -> dict[str, dict[str, Any]]:
        """Return what was known of the clips when the desk ended."""
        path = self.folder.statuses_path()
        with contextlib.suppress(InkarnatError, KeyError, TypeError, AttributeError):
            return dict(read_notes(path)["statuses"]) if path.is_file() else {}
        return {}

    def _keep_statuses(self) -> None:
        if self.statuses:
            with contextlib.suppress(InkarnatError):  # a folder that takes no files
                write_notes(self.folder.statuses_path(), {"desk_statuses": 1, "statuses": self.statuses})

    def judged(self, read: dict[str, Any], rests: bool = True) -> dict[str, Any]:
        """Take note of how the open clip was judged at rest; return the reading as it is to be told.

        What was carried here and not touched since is told as it was judged then, where that is worse: carrying has
        also compared the clip with the one that the correction comes from. A reading while a hand moves is not noted.
        """
        verdict, before = read.get("verdict"), self.statuses.get(self.session.name)
        if verdict is None or (not self.session.history.place and before is None):
            return read
        worse = before is not None and RANKS.get(before["grade"], 9) < RANKS[verdict["status"]]
        if before is not None and worse and self._is_untouched(before):
            return {**read, "words": f"{before['grade']}: {before['words']}"}
        if not rests:
            return read
        words = str(read["words"]).removeprefix(f"{verdict['status']}: ")
        kept = {name: value for name, value in (before or {}).items() if name in ("carried", "level")}
        stamp = stamp_of_clip(self.session.clip)
        fresh = {**verdict, "grade": verdict["status"], "words": words, "plate": stamp, "view": self.seeing.id}
        self.statuses[self.session.name] = kept | fresh
        return read

    def _is_untouched(self, status: dict[str, Any]) -> bool:
        """Tell whether the open clip has the very graph that was carried to it, and lies on disk as it did then."""
        carried = "carried" in status and not is_by_hand(self.session.state, True, status)
        return carried and status.get("plate") == stamp_of_clip(self.session.clip)

    def clips(self) -> list[dict[str, Any]]:
        """Return the clips of the folder with what is known of each, the worst first."""
        return in_order([
            {
                "name": shown(name),
                "open": name == self.session.name,
                "begun": self.folder.notes_path(name).is_file(),
                "status": self._status(name),
            }
            for name in self.folder.clip_names()
        ])  # fmt: skip

    def _status(self, name: str) -> dict[str, Any] | None:
        """Return how a clip was judged, None where nobody did as it is now.

        Since then its first file may have been replaced, its notes removed, or another view taken up.
        """
        status = self.statuses.get(name)
        if status is None or "plate" not in status:
            return status
        has_notes = name == self.session.name or self.folder.notes_path(name).is_file()
        if not has_notes or status.get("view", self.seeing.id) != self.seeing.id:
            return None
        return status if status["plate"] == list(stamp_of_name(self.folder.clip_path(name))) else None

    def open(self, name: str) -> None:
        """Open another clip; the one that was open is kept as it is."""
        with self._lock:
            name = self.folder.clip_path(name).name
            if name == self.session.name:
                return
            fresh = Session(self.folder, name, self.bulletin.tell, self.seeing)
            old, self.session = self.session, fresh
            old.close()
            self._keep_statuses()
            self.bulletin.tell()

    def carry(self, names: list[str], frame: int, replace: bool = False, task: Task | None = None) -> None:
        """Carry the correction to other clips as their own notes, each balanced, measured and judged.

        Raises ExistsError for clips that were worked on by hand, unless they are to be replaced.
        """
        with contextlib.ExitStack() as stack:
            with self._lock:
                state, session, others = self.session.state, self.session, self._others(names, stack)
                self._check_by_hand(others, replace)
                carrier = carry_state(state, session.name, session.clip, frame, self.seeing)
            for name, other in others.items():
                graph, status = carried_to(carrier, other.state, name, other.clip)
                self.statuses[name] = status | {"plate": stamp_of_clip(other.clip), "view": self.seeing.id}
                if graph is not None:
                    label = f"Carried from {shown(session.name)}"
                    other.adopt(dataclasses.replace(state, graph=graph), label)
                self.bulletin.tell()
                if task is not None:
                    task.step()
            self._keep_statuses()

    def _others(self, names: list[str], stack: contextlib.ExitStack) -> dict[str, Session]:
        """Open the other clips; a bad one costs that clip alone."""
        others: dict[str, Session] = {}
        for name in dict.fromkeys(self.folder.clip_path(name).name for name in names):
            if name == self.session.name:
                continue
            try:
                other = Session(self.folder, name)
                stack.callback(other.close)
                other.owner.check()
                others[name] = other
            except InkarnatError as error:
                self.statuses[name] = not_carried(error)
        return others

    def _check_by_hand(self, others: dict[str, Session], replace: bool) -> None:
        mine = [
            shown(name)
            for name, other in others.items()
            if is_by_hand(other.state, self.folder.notes_path(name).is_file(), self.statuses.get(name))
        ]
        if mine and not replace:
            raise ExistsError(f"{', '.join(mine)} was worked on by hand: replace that? Undo brings it back.")

    def carry_behind(self, names: list[str], frame: int, replace: bool = False) -> None:
        """Carry in the background. Raises ExistsError at once for clips that were worked on by hand."""
        if not replace:
            with self._lock, contextlib.ExitStack() as stack:
                self._check_by_hand(self._others(names, stack), replace)
        self.session.keeper.flush()

        def work(task: Task) -> str:
            self.carry(names, frame, True, task)
            return f"Carried to {len(names)} clip{'' if len(names) == 1 else 's'}."

        self.tasks.start("carry", "", len(names), work)

    def report_of(self, names: list[str], output: str, replace: bool) -> None:
        """Write the report of clips in the background."""
        if self.report is None:
            raise DeskError("This desk was started without reports: use `inkarnat report`.")
        report, path = self.report, self.folder.result_path(output if Path(output).suffix else f"{output}.html")
        if path.exists() and not replace:
            raise ExistsError(f"{path.name} is there already: replace it, or choose another name.")
        self.session.keeper.flush()
        chosen = names or [clip["name"] for clip in self.clips() if clip["begun"]]
        self.tasks.start(
            "report", path.name, len(chosen),
            lambda task: write_report(self.folder, chosen, path.name, self.seeing, report),
        )  # fmt: skip

    def draw_stills(self, frames: list[int], into: str, replace: bool) -> None:
        """Draw stills of frames of the open clip into a folder, in the background. Raises ExistsError."""
        session = self.session
        for frame in frames:
            session.check_frame(frame)
        stills = stills_of(self.folder, session.name, session.state, frames, into, replace)
        self.tasks.start("stills", into, len(frames), lambda task: stills.draw(self.seeing, task))

    # --- renders ----------------------------------------------------------------------------------------------

    def order(self, output: str, matte: str, frames: str, codec: str, replace: bool) -> None:
        """Render the open clip in the background, or have it wait until what is being written is done."""
        with self._lock:
            order = self._checked(self.session.name, self.session.state.graph, output, matte, frames, codec, replace)
            self._put(order)

    def order_all(self, names: list[str], replace: bool) -> str:
        """Have other clips wait to be written, each by its own notes under its own name, and say how many."""
        with self._lock:
            self.session.keeper.flush()
            orders = []
            for name in (self.folder.clip_path(name).name for name in names):
                state = state_of(self.folder, name)
                if state is None:
                    raise DeskError(f"{shown(name)} was not worked on yet: open it first.")
                orders.append(self._checked(name, state.graph, _output_of(name), "", "", "", replace))
            for order in orders:
                self._put(order)
            return f"{len(orders)} waiting to be written."

    def _put(self, order: Order) -> None:
        if self.render is not None and self.render.running:
            self.waiting.append(order)
        else:
            self.render = Render.start(order, self._next)
        self.bulletin.tell()

    def _next(self) -> None:
        """Begin what waits the longest."""
        with self._lock:
            if self.waiting and not self.bulletin.closed:
                self.render = Render.start(self.waiting.pop(0), self._next)
        self.bulletin.tell()

    def drop(self, place: int) -> None:
        """Take one out of those that wait. Raises DeskError where there is none in that place."""
        with self._lock:
            if not 0 <= place < len(self.waiting):
                raise DeskError("That one does not wait any more.")
            del self.waiting[place]
        self.bulletin.tell()

    def _checked(
        self, clip: str, graph: Graph, output: str, matte: str, frames: str, codec: str, replace: bool
    ) -> Order:
        named = {name: self.folder.result_path(given) for name, given in _outputs(output, matte).items()}
        path = self.folder.clip_path(clip)
        check_files(named.values(), [path, *self.folder.originals()], overwrite=True)
        taken = {there for order in self.waiting for there in order.outputs.values()}
        if self.render is not None and self.render.running:
            taken |= set(self.render.order.outputs.values())
        for there in named.values():
            if there in taken:
                raise DeskError(f"{there.name} is being written, or waits to be: choose another name.")
            if self.folder.is_there(there) and not replace:
                raise ExistsError(f"{there.name} is there already: replace it, or choose another name.")
        return Order(graph, self.folder.reel(clip), named, frames, codec or None, stamp_of_name(path))


def _output_of(clip: str) -> str:
    """Return the name of a clip's result unless another is chosen."""
    pattern = SequencePattern.parse(Path(clip))
    if pattern is None:
        return f"{Path(clip).stem}-skin.mov"
    return re.sub(r"([._-]?)((%0?\d*d|#+)\.[^.]+)$", r"-skin\1\2", clip)


def _outputs(output: str, matte: str) -> dict[str, str]:
    outputs = {name: given for name, given in (("result", output), ("matte", matte)) if given}
    if not outputs:
        raise DeskError("There is nothing to write: name a file for the result.")
    if len(set(outputs.values())) < len(outputs):
        raise DeskError("The result and the matte have the same name: give each its own.")
    return outputs
