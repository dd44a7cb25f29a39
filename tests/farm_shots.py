"""Small shots and runs that the tests of the farm share."""

from __future__ import annotations

import os
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import interrupts
import numpy as np
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.rendering import render_files
from inkarnat.host_adapters.media.clips import open_clip, open_writer
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.nodes import Cdl, RangeKey

PROGRAM = Path(__file__).with_name("farm_program.py")

GRAPH = Graph.of(
    Step.of("grade", Cdl(slope=(1.1, 0.95, 0.9), saturation=0.8), image="plate"),
    Step.of("key", RangeKey(), image="plate"),
    result="grade",
    matte="key",
)


def noise(frame: int, height: int = 48, width: int = 64) -> np.ndarray:
    return np.random.default_rng(frame).random((height, width, 3), np.float32)


def make_sequence(folder: Path, frames: range, picture=noise) -> str:
    """Write in.%04d.png and return its pattern."""
    folder.mkdir(parents=True, exist_ok=True)
    for frame in frames:
        write_picture(folder / f"in.{frame:04d}.png", picture(frame), None, bits=8)
    return str(folder / "in.%04d.png")


def make_video(
    path: Path,
    frames: int,
    codec: str = "ffv1",
    rate: Fraction = Fraction(24),
    sound: bool = True,
    size: tuple[int, int] = (48, 96),
) -> str:
    """Write a video of noise; with sound, a tone is put beside it."""
    silent = path.with_name(f"silent-{path.name}") if sound else path
    with open_writer(silent, codec=codec, rate=rate) as writer:
        for number in range(1, frames + 1):
            writer.write(number, noise(number, *size))
    if sound:
        _add_tone(silent, path, float(frames / rate))
        silent.unlink()
    return str(path)


def _add_tone(silent: Path, path: Path, seconds: float) -> None:
    import av

    with av.open(str(silent)) as source, av.open(str(path), "w") as target:
        video = target.add_stream_from_template(source.streams.video[0])
        sound = target.add_stream("pcm_s16le", rate=48000, layout="mono")
        for packet in source.demux(video=0):
            if packet.size:
                packet.stream = video
                target.mux(packet)
        wave = (8000 * np.sin(np.arange(int(seconds * 48000)) * 0.05)).astype(np.int16)
        for at in range(0, len(wave), 1024):
            frame = av.AudioFrame.from_ndarray(wave[np.newaxis, at : at + 1024], "s16", "mono")
            frame.sample_rate, frame.pts = 48000, at
            target.mux(sound.encode(frame))
        target.mux(sound.encode(None))


def reference(plate: str, outputs: dict[str, str], **options) -> None:
    """Render as one undisturbed process does."""
    with open_clip(plate) as clip:
        render_files(GRAPH, {"plate": clip}, outputs, **options)


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder but journals and ledgers."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file() and not path.name.endswith(".jsonl"))
    return {str(path.relative_to(folder)): path.read_bytes() for path in files}


def start(*arguments: str, wait: bool = True, env: dict[str, str] | None = None, **options):
    """Start the command line with the program's faults; wait for its end, or give the process."""
    settings = dict(env=os.environ | {"INKARNAT_THREADS": "1"} | (env or {}), text=True, **options)
    command = [sys.executable, str(PROGRAM), *arguments]
    if wait:
        return subprocess.run(command, capture_output=True, timeout=120, **settings)
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, preexec_fn=interrupts.hear, **settings
    )


def named(pairs: dict[str, str], option: str = "--out") -> list[str]:
    return [word for name, path in pairs.items() for word in (option, f"{name}={path}")]
