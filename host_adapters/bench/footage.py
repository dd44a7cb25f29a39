"""Footage: how fast a clip goes from file to file with the standard graph, without any, and by ffmpeg."""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from ...kernels.arrays import Floats
from ...kernels.strips import thread_count, threads
from ...nodes import Sample
from ..graphs.graph import Graph
from ..graphs.rendering import render_files
from ..graphs.runner import Runner
from ..media.clips import open_clip
from ..media.video_read import VideoReader
from ..media.video_write import CODECS, choose_format
from ..shots.solving import SolveOptions, solve
from .frames import SKIN_BOX, skin_frame

WANTED = 0.8
"""Least pace with the graph, as a part of the pace without."""

WANTED_OF_FFMPEG = 0.9
"""Least pace without a graph, as a part of the pace of the ffmpeg command line."""

WANTED_OF_CORES = 1.15
"""Most time with the graph, as a multiple of what ffmpeg's and the graph's work takes when all cores share it."""


@dataclass(frozen=True)
class FootageRun:
    """Frames a second from H.264 to another codec, without and with the graph; medians of the rounds.

    :ivar ffmpeg: frames a second of the ffmpeg command line, or None where it is not installed or has no such encoder.
    :ivar ffmpeg_cpu, graph_cpu: seconds of processor time of that, and of the graph alone, over all frames, each while
        all cores work. :ivar corrected_cpu: of the run with the graph.
    :ivar one_frame: seconds of a run of one frame with the graph: opening, closing, and waiting for the first frame.
    """

    frames: int
    size: tuple[int, int]
    codec: str
    plain: float
    corrected: float
    ratio: float
    cores: int
    graph_cpu: float
    corrected_cpu: float
    one_frame: float
    ffmpeg: float | None = None
    ffmpeg_cpu: float | None = None

    @property
    def verdict(self) -> str:
        """Met, or not met."""
        return "met" if self.ratio >= WANTED else "not met"

    @property
    def of_ffmpeg(self) -> float | None:
        """The pace without a graph as a part of ffmpeg's."""
        return None if self.ffmpeg is None else self.plain / self.ffmpeg

    @property
    def busy(self) -> float:
        """The part of the cores' time that the run with the graph used."""
        return self.corrected_cpu * self.corrected / (self.frames * self.cores)

    @property
    def of_work(self) -> float | None:
        """The processor time with the graph as a multiple of the work that ffmpeg and the graph need.

        :attr:`of_cores` is this divided by :attr:`busy`.
        """
        return None if self.ffmpeg_cpu is None else self.corrected_cpu / (self.ffmpeg_cpu + self.graph_cpu)

    @property
    def of_cores(self) -> float | None:
        """The time with the graph as a multiple of the work that ffmpeg and the graph need, shared by all cores."""
        if self.ffmpeg_cpu is None:
            return None
        return self.frames / self.corrected / ((self.ffmpeg_cpu + self.graph_cpu) / self.cores)

    def judged(self) -> list[tuple[str, str, str, str]]:
        """Return what was aimed at: in words, what is wanted, what was measured, and the verdict."""
        rows = [("with the graph, of the pace without", f"≥ {WANTED:g}", f"{self.ratio:.2f}", self.verdict)]
        if self.of_ffmpeg is not None and self.of_cores is not None:
            good, close = self.of_ffmpeg >= WANTED_OF_FFMPEG, self.of_cores <= WANTED_OF_CORES
            rows += [
                ("without a graph, of ffmpeg's pace", f"≥ {WANTED_OF_FFMPEG:g}", f"{self.of_ffmpeg:.2f}", _words(good)),
                (
                    f"with the graph, of its and ffmpeg's work on {self.cores} cores",
                    f"≤ {WANTED_OF_CORES:g}",
                    f"{self.of_cores:.2f}",
                    _words(close),
                ),
            ]
        return rows

    def as_dict(self) -> dict[str, Any]:
        """Return the run as JSON data."""
        more = {"of_ffmpeg": self.of_ffmpeg, "of_cores": self.of_cores, "of_work": self.of_work, "busy": self.busy}
        return {**asdict(self), **more, "at_least": WANTED, "verdict": self.verdict}


def _words(good: bool) -> str:
    return "met" if good else "not met"


def measure_footage(
    frames: int = 100,
    width: int = 1920,
    height: int = 1080,
    codec: str = "prores",
    rounds: int = 3,
    tell: Callable[[str], None] = lambda line: None,
) -> FootageRun:
    """Write a clip, then render it without and with the graph of `inkarnat correct`, in turn, and by ffmpeg.

    The first two go the same way: decoded, read ahead, written behind, encoded by the same codec. The ffmpeg command
    line, where it is installed, gets that codec's settings and shares its threads out as it likes.
    """
    with tempfile.TemporaryDirectory(prefix="inkarnat-footage-") as folder:
        clip, output = Path(folder, "clip.mov"), Path(folder, "out.mkv" if codec == "ffv1" else "out.mov")
        tell(f"writing {frames} frames")
        write_clip(clip, frames, width, height)
        with open_clip(clip) as opened:
            graph = solve(opened, SolveOptions.of([Sample.box(*SKIN_BOX)])).graph
            picture = opened.read(opened.frames[0])
        graphs = {"plain": Graph((), (("result", "plate"),), ("plate",)), "corrected": graph}
        works = {name: f"{name}'s work" for name in (*graphs, "ffmpeg")}
        seconds: dict[str, list[float]] = {name: [] for name in (*works, *works.values())}
        for turn in range(rounds + 1):
            for name, worked in graphs.items():
                tell(f"{name}, {'warming up' if turn == 0 else f'round {turn} of {rounds}'}")
                both = _seconds(worked, clip, output, codec, most=frames if turn else 3)
                if turn:
                    seconds[name].append(both[0])
                    seconds[works[name]].append(both[1])
            if turn and (peer := _ffmpeg_seconds(clip, output, codec)) is not None:
                seconds["ffmpeg"].append(peer[0])
                seconds[works["ffmpeg"]].append(peer[1])
        median = {name: statistics.median(taken) for name, taken in seconds.items() if taken}
        plain, corrected = frames / median["plain"], frames / median["corrected"]
        return FootageRun(
            frames,
            (width, height),
            codec,
            plain,
            corrected,
            corrected / plain,
            cores=thread_count(),
            graph_cpu=frames * _graph_work(graph, picture),
            corrected_cpu=median[works["corrected"]],
            one_frame=_seconds(graph, clip, output, codec, most=1)[0],
            ffmpeg=frames / median["ffmpeg"] if "ffmpeg" in median else None,
            ffmpeg_cpu=median.get(works["ffmpeg"]),
        )


def _seconds(graph: Graph, clip: Path, output: Path, codec: str, most: int) -> tuple[float, float]:
    """Render the first frames of a clip and return the seconds that they take, and the processor time.

    Opening the files counts, and what an encoder has yet to write at the end: it may hold back dozens of frames.
    """
    before, began = time.process_time(), time.perf_counter()
    with open_clip(clip) as opened:
        render_files(graph, {"plate": opened}, {"result": str(output)}, list(opened.frames)[:most], codec)
    return time.perf_counter() - began, time.process_time() - before


def _graph_work(graph: Graph, picture: Floats, rounds: int = 5) -> float:
    """Return the seconds of processor time that a graph takes for a picture, while all cores work on such pictures.

    So is ffmpeg's: where two share the units of a core, or all of them the memory, each takes longer than alone.
    """
    taken: list[float] = []
    together = threading.Barrier(thread_count())

    def work() -> None:
        runner = Runner(graph)
        runner.run_frame(1, {"plate": picture})
        together.wait()
        for _ in range(rounds):
            began = time.thread_time()
            runner.run_frame(1, {"plate": picture})
            taken.append(time.thread_time() - began)

    with ThreadPoolExecutor(together.parties) as pool, threads(1):
        for done in [pool.submit(work) for _ in range(together.parties)]:
            done.result()
    return statistics.median(taken)


def _ffmpeg_seconds(clip: Path, output: Path, codec: str) -> tuple[float, float] | None:
    """Return the seconds that the ffmpeg command line takes for the same, and its processor time; None without it."""
    program, encoder = shutil.which("ffmpeg"), CODECS[codec]
    if program is None:
        return None
    with VideoReader(clip) as reader:
        chosen = choose_format(encoder, reader.info.pixel_format)
    settings = [part for name, value in encoder.options.items() for part in (f"-{name}:v", value)]
    command = [program, "-nostdin", "-v", "error", "-y", "-i", str(clip), "-c:v", encoder.library, *settings]
    command += ["-pix_fmt", chosen.packed or chosen.name, str(output)]
    before, began = os.times(), time.perf_counter()
    try:
        subprocess.run(command, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        return None
    taken, after = time.perf_counter() - began, os.times()
    spent = after.children_user + after.children_system - before.children_user - before.children_system
    return taken, spent


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
