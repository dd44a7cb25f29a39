"""Rendering from the desk: the whole clip in the background, with progress, and given up without a trace."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ...kernels.errors import InkarnatError
from ..graphs.graph import STANDARD_SOURCE, Graph
from ..graphs.rendering import Listener, TellFrame, render_files
from ..graphs.runner import Report
from ..made import note
from ..media.clips import Frames, parse_frames
from ..sequences import SequencePattern
from .errors import DeskError, told_fault
from .plate import Stamp, stamp_of_name
from .reel import Reel
from .task import Background, Cancelled


@dataclass(frozen=True)
class Order:
    """What to render: a graph over a clip into files by output name; frames and codec as on the command line.

    :ivar graph: in the working signal, as the desk holds it. :ivar stamp: of the clip's first file when this was asked.
    """

    graph: Graph
    reel: Reel
    outputs: dict[str, Path]
    frames: str = ""
    codec: str | None = None
    stamp: Stamp | None = None

    @property
    def clip(self) -> Path:
        """Where the clip lies."""
        return self.reel.path

    @property
    def words(self) -> str:
        """What is written from what, as people read it."""
        return f"{', '.join(path.name for path in self.outputs.values())} from {self.clip.name}"


@dataclass
class Render(Background):
    """One render and how far it is. Given up, it ends after the frame it is at; no video that is not complete stays."""

    order: Order
    state: str = "running"
    message: str = ""
    total: int = 0
    done: int = 0
    seconds: float = 0.0
    failed: dict[int, str] = field(default_factory=dict)
    _cancel: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    @classmethod
    def start(cls, order: Order, ended: Callable[[], None] = lambda: None) -> Render:
        """Start rendering in the background; ``ended`` is called once it has."""
        render = cls(order)

        def run() -> None:
            render._run()
            ended()

        render._thread = threading.Thread(target=run, name="render", daemon=True)
        render._thread.start()
        return render

    def as_dict(self) -> dict[str, Any]:
        """Return how far it is as JSON data."""
        return {
            "state": self.state,
            "message": self.message,
            "done": self.done,
            "total": self.total,
            "seconds": round(self.seconds, 2),
            "outputs": {name: path.name for name, path in self.order.outputs.items()},
            "failed": [{"frame": frame, "reason": reason} for frame, reason in self.failed.items()],
        }

    def _run(self) -> None:
        try:
            report = self._render()
        except Cancelled:
            self.state, self.message = "cancelled", f"Given up after {self.done} of {self.total} frames."
        except InkarnatError as error:
            self.state, self.message = "failed", str(error)
        except Exception as error:
            self.state, self.message = "failed", told_fault(error)
        else:
            self.seconds, self.failed = report.seconds, dict(report.failed)
            rest = f", {len(report.failed)} failed" if report.failed else ""
            self.state = "done"
            frames = f"{len(report.done)} frame{'' if len(report.done) == 1 else 's'}"
            self.message = f"{frames} in {report.seconds:.1f} s{rest}."

    def _render(self) -> Report:
        """Render as the command line does."""
        order = self.order
        if order.stamp is not None and order.stamp != stamp_of_name(order.clip):
            raise DeskError(
                f"{order.clip.name} was replaced or changed since this was asked for: look at it, and ask again."
            )
        graph = order.reel.around(order.graph)
        with order.reel.open_as_shot() as clip:
            frames: range | Frames = parse_frames(order.frames) if order.frames else clip.frames
            if frames[0] < clip.frames[0] or frames[-1] > clip.frames[-1]:
                raise DeskError(f"The clip has the frames {clip.frames[0]} to {clip.frames[-1]}, not {order.frames}.")
            clips = dict.fromkeys(graph.sources_of(order.outputs), clip) or {STANDARD_SOURCE: clip}
            files = {name: str(path) for name, path in order.outputs.items()}
            report = render_files(graph, clips, files, frames, order.codec, Listener(progress=self._begin))
            for path in order.outputs.values():
                pattern = SequencePattern.parse(path)
                for made in [path] if pattern is None else map(pattern.path, report.done):
                    note(made)
            return report

    def _begin(self, total: int) -> AbstractContextManager[TellFrame]:
        self.total = total
        return nullcontext(self._count)

    def _count(self, frame: int) -> None:
        self.done += 1
        if self._cancel.is_set() and self.done < self.total:
            raise Cancelled
