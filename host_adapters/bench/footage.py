"""Footage: how fast a clip goes from file to file with the standard graph in place, and without any."""

from __future__ import annotations

import statistics
import tempfile
from collections.abc import Callable
from dataclasses import asdict, dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from ...nodes import Sample
from ..graphs.graph import Graph
from ..graphs.rendering import render_files
from ..media.clips import open_clip
from ..shots.solving import SolveOptions, solve
from .frames import SKIN_BOX, skin_frame

WANTED = 0.8
"""Least pace with the graph, as a part of the pace without."""


@dataclass(frozen=True)
class FootageRun:
    """Frames a second from H.264 to a mezzanine codec, without and with the graph; medians of the rounds."""

    frames: int
    size: tuple[int, int]
    codec: str
    plain: float
    corrected: float
    ratio: float

    @property
    def verdict(self) -> str:
        """Met, or not met."""
        return "met" if self.ratio >= WANTED else "not met"

    def as_dict(self) -> dict[str, Any]:
        """Return the run as JSON data."""
        return {**asdict(self), "at_least": WANTED, "verdict": self.verdict}


def measure_footage(
    frames: int = 100,
    width: int = 1920,
    height: int = 1080,
    codec: str = "prores",
    rounds: int = 3,
    tell: Callable[[str], None] = lambda line: None,
) -> FootageRun:
    """Write a clip, then render it without and with the graph of `inkarnat correct`, in turn.

    Both go the same way: decoded, read ahead, written behind, encoded by the same codec.
    """
    with tempfile.TemporaryDirectory(prefix="inkarnat-footage-") as folder:
        clip, output = Path(folder, "clip.mov"), Path(folder, "out.mov")
        tell(f"writing {frames} frames")
        write_clip(clip, frames, width, height)
        with open_clip(clip) as opened:
            graph = solve(opened, SolveOptions.of([Sample.box(*SKIN_BOX)])).graph
        graphs = {"plain": Graph((), (("result", "plate"),), ("plate",)), "corrected": graph}
        paces: dict[str, list[float]] = {name: [] for name in graphs}
        for turn in range(rounds + 1):
            for name, worked in graphs.items():
                tell(f"{name}, {'warming up' if turn == 0 else f'round {turn} of {rounds}'}")
                pace = _pace(worked, clip, output, codec, most=frames if turn else 3)
                if turn:
                    paces[name].append(pace)
        plain, corrected = (statistics.median(paces[name]) for name in graphs)
        return FootageRun(frames, (width, height), codec, plain, corrected, corrected / plain)


def _pace(graph: Graph, clip: Path, output: Path, codec: str, most: int) -> float:
    """Render the first frames of a clip and return how many it does in a second."""
    with open_clip(clip) as opened:
        numbers = list(opened.frames)[:most]
        report = render_files(graph, {"plate": opened}, {"result": str(output)}, numbers, codec)
    return len(report.done) / report.seconds


def write_clip(path: Path, frames: int, width: int, height: int) -> None:
    """Write the benchmarks' frame as an H.264 clip that slides by two pixels a frame, BT.709, 4:2:0, 25 a second."""
    import av

    codes = np.rint(skin_frame(width, height) * 255).astype(np.uint8)
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("libx264", rate=Fraction(25), options={"preset": "veryfast", "crf": "18"})
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        context = stream.codec_context
        context.color_range, context.colorspace, context.color_primaries, context.color_trc = 1, 1, 1, 1
        for number in range(frames):
            frame = av.VideoFrame.from_ndarray(np.roll(codes, 2 * number, axis=1), format="rgb24")
            frame = frame.reformat(format="yuv420p", dst_colorspace="itu709")
            frame.pts = number
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
