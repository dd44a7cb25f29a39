"""The speed benchmark: kernels, chains and the same in other libraries, timed in turn against a copy of the frame."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels import balance, codes, measure, qualify, tone
from ...kernels.arrays import Floats, as_picture
from ...kernels.clean import close_pinholes, levels, remove_specks
from ...kernels.guided import guided
from ...kernels.prefilter import ratio_prefilter
from ...kernels.strips import over_rows
from ...nodes import measure_skin
from . import chains
from .frames import skin_frame
from .peers import BLURS, EVERYWHERE, GROWS, WIDE_BLURS, Peer, Scene, check_peer, our_rows, present
from .targets import TARGETS, Judged
from .timing import OURS, Row, Timed, describe_machine, time_rows

SIZES = {"360p": (640, 360), "1080p": (1920, 1080), "2160p": (3840, 2160), "4320p": (7680, 4320)}
INPUTS = ("float32", "float16", "uint8", "uint16")
CHANNELS = {"RGB": 3, "RGBA": 4}

CHECKED_SIZE = (1280, 720)
"""Size of the picture on which other libraries are checked before they are timed."""

_WARMER = ((1.08, 0.01, 0.0), (0.0, 1.0, 0.0), (0.0, 0.01, 0.88))

Tell = Callable[[str], None]


@dataclass(frozen=True)
class Setting:
    """What is timed.

    :ivar quick: three rounds and no other size. :ivar libraries: names of those to compare with, or all.
    """

    size: str = "2160p"
    threads: tuple[int, ...] = (1, 2)
    channels: str = "RGB"
    input: str = "float32"
    quick: bool = False
    libraries: tuple[str, ...] = ()

    @property
    def is_that_of_the_targets(self) -> bool:
        """Whether the targets are stated for this setting."""
        return (self.size, self.channels, self.input) == ("2160p", "RGB", "float32") and 2 in self.threads

    def words(self) -> str:
        """Return the setting in words."""
        return f"{self.size} {self.channels} {self.input}"


@dataclass
class Speed:
    """What a run measured."""

    setting: Setting
    timed: list[Timed]
    per_pixel: dict[str, list[Timed]] = field(default_factory=dict)
    agreement: dict[str, dict[str, tuple[float, float]]] = field(default_factory=dict)
    left_out: list[str] = field(default_factory=list)

    @property
    def copy(self) -> float:
        """Milliseconds of the frame copy with one thread."""
        copy = self.milliseconds("copy", 1)
        assert copy is not None
        return copy

    def milliseconds(self, row: str, threads: int, library: str = OURS, size: str = "") -> float | None:
        """Return the median of a row; with a size, of the rows that are timed at several, in nanoseconds a pixel."""
        for timed in self.per_pixel.get(size, ()) if size else self.timed:
            if timed.row.key == (row, library, threads):
                return self._per_pixel(size, timed) if size else timed.median * 1e3
        return None

    def judged(self) -> list[Judged]:
        """Return the targets with what was measured; none where they are not stated for the setting."""
        return [target.judge(self) for target in TARGETS] if self.setting.is_that_of_the_targets else []

    def times_ours(self, timed: Timed) -> float | None:
        """Return another library's time as a multiple of ours for the same row, threads and run."""
        if timed.row.library == OURS:
            return None
        name = timed.row.name
        names = (f"fused {name}", f"run of the {name}", name)
        own = next((own for name in names if (own := self.milliseconds(name, timed.row.threads))), None)
        return None if own is None else timed.median * 1e3 / own

    def as_dict(self) -> dict[str, Any]:
        """Return everything as JSON data."""
        return {
            "machine": describe_machine(),
            "setting": {**vars(self.setting), "threads": list(self.setting.threads)},
            "copy_ms": self.copy,
            "rows": [
                {
                    "row": timed.row.name,
                    "library": timed.row.library,
                    "threads": timed.row.threads,
                    "ms": timed.median * 1e3,
                    "of_copy": timed.median * 1e3 / self.copy,
                    "times_ours": self.times_ours(timed),
                    "rounds": len(timed.seconds),
                }
                for timed in self.timed
            ],
            "nanoseconds_a_pixel": {
                size: {f"{timed.row.name}, {timed.row.threads}": self._per_pixel(size, timed) for timed in rows}
                for size, rows in self.per_pixel.items()
            },
            "targets": [judged.as_dict() for judged in self.judged()],
            "agreement": {library: dict(rows) for library, rows in self.agreement.items()},
            "left_out": self.left_out,
        }

    def _per_pixel(self, size: str, timed: Timed) -> float:
        return timed.median * 1e9 / (SIZES[size][0] * SIZES[size][1])


def measure_speed(setting: Setting, tell: Tell = lambda line: None) -> Speed:
    """Check the other libraries on a small picture, then time all rows of a setting in turn.

    Raises DisagreementError for a library that does not compute what ours computes.
    """
    rounds = 3 if setting.quick else 7
    left_out: list[str] = []
    peers = list(present(left_out.append, setting.libraries))
    agreement = {peer.name: check_peer(peer, Scene.of(*CHECKED_SIZE)) for peer in peers}
    width, height = SIZES[setting.size]
    rows = [*_own_rows(setting)]
    if setting.channels == "RGB" and setting.input == "float32":
        rows += _peer_rows(peers, width, height, setting.threads)
    speed = Speed(setting, time_rows(rows, rounds, tell), agreement=agreement, left_out=left_out)
    if not setting.quick and setting.is_that_of_the_targets:
        speed.per_pixel = _over_sizes(setting, tell)
    return speed


# --- our rows -------------------------------------------------------------------------------------------------


def _own_rows(setting: Setting) -> Iterator[Row]:
    width, height = SIZES[setting.size]
    given = _as_input(skin_frame(width, height, CHANNELS[setting.channels]), setting.input)
    image = to_floats(given)
    copy = np.empty_like(image)
    yield Row("copy", OURS, 1, lambda: np.copyto(copy, image))
    work = {**_kernels(image), **_chains(given)}
    if setting.input != "float32":
        work = {f"read {setting.input}": lambda: to_floats(given), **work}
    for threads in setting.threads:
        if threads > 1:
            yield Row("copy", OURS, threads, lambda: over_rows(_copy_rows, height, image, copy))
        for name, function in work.items():
            yield Row(name, OURS, threads, function)


def _copy_rows(image: Floats, copy: Floats, y0: int, y1: int) -> None:
    np.copyto(copy[y0:y1], image[y0:y1])


def _as_input(image: Floats, kind: str) -> NDArray[Any]:
    if kind.startswith("uint"):
        return codes.quantise(image, int(kind[4:]))
    return image.astype(kind)


def to_floats(given: NDArray[Any]) -> Floats:
    """Return a picture as float32: codes by their white level, halves as they are."""
    return codes.dequantise(given, 8 * given.itemsize) if given.dtype.kind == "u" else as_picture(given)


def _kernels(image: Floats) -> dict[str, Callable[[], Any]]:
    """Return each kernel by itself; what takes a buffer for its result gets one."""
    own, learned = our_rows(_scene(image)), chains.learned_key().learned
    matte, picture, plane = chains.KEY.process(image), np.empty_like(image), np.empty(image.shape[:2], np.float32)
    curve = ((0.0, 0.02), (0.4, 0.45), (1.0, 0.97))
    unit, factor, names = image.shape[0] / 1000, qualify.work_factor(image.shape[0]), ("range key", "steer", EVERYWHERE)

    def key(form: NDArray[Any]) -> Any:
        return qualify.learned_key(image, learned.centre, form, middle=learned.middle, finish=False, out=plane)

    assert learned.table is not None
    table, compact = learned.table, learned.compact
    return {
        **{name: own[name] for name in names},
        "compact key": lambda: key(compact),
        "table key": lambda: key(table),
        "ratio filter": lambda: ratio_prefilter(image, factor),
        "specks": lambda: remove_specks(matte, 4 * unit, out=plane),
        "pinholes": lambda: close_pinholes(matte, 4 * unit, out=plane),
        "follow": lambda: guided(matte, image[..., 1], 12 * unit, 4e-4, 0.7, out=plane),
        "levels": lambda: levels(matte, 0.02, 0.98, out=plane),
        "soften": own["soften"],
        **{f"blur σ {sigma:g}": own[f"blur σ {sigma:g}"] for sigma in (*BLURS, *WIDE_BLURS)},
        **{f"grow r {radius}": own[f"grow r {radius}"] for radius in GROWS},
        "balance": lambda: balance.adapt(image, _WARMER, out=picture),
        "tone curve": lambda: tone.curve(image, curve, out=picture),
        "cdl": lambda: tone.cdl(image, (1.05, 1, 0.95), (0, 0.01, 0), (1.1, 1, 0.9), 1.1, out=picture),
        "measure": lambda: measure.tally(image, matte),
        "measure skin": lambda: measure_skin(image, matte),
        "count of chroma": own["count of chroma"],
        "vectorscope": lambda: chains.vectorscope(image),
        "waveform": lambda: chains.waveform(image),
    }


def _scene(image: Floats) -> Scene:
    return Scene(image, chains.KEY.process(image))


def _chains(given: NDArray[Any]) -> dict[str, Callable[[], Any]]:
    """Return the chains, from the picture as it is given to the corrected one."""
    plain, standard, best = chains.PLAIN, chains.STANDARD, chains.full_quality()
    work: dict[str, Callable[[], Any]] = {
        "plain chain": lambda: plain.node_by_node(to_floats(given)),
        "chain": lambda: standard.node_by_node(to_floats(given)),
        "chain + scopes": lambda: chains.scopes(standard.node_by_node(to_floats(given))),
        "full quality": lambda: best.node_by_node(to_floats(given)),
    }
    run_plain, run_standard, run_best = plain.as_run(), standard.as_run(), best.as_run()
    fused_plain, fused_standard, fused_best = plain.as_fused(), standard.as_fused(), best.as_fused()
    return work | {
        "run of the plain chain": lambda: run_plain(to_floats(given)),
        "run of the chain": lambda: run_standard(to_floats(given)),
        "run of the full quality": lambda: run_best(to_floats(given)),
        "fused plain chain": lambda: fused_plain(to_floats(given)),
        "fused plain chain + scopes": lambda: chains.scopes(fused_plain(to_floats(given))),
        "fused chain": lambda: fused_standard(to_floats(given)),
        "fused chain + scopes": lambda: chains.scopes(fused_standard(to_floats(given))),
        "fused full quality": lambda: fused_best(to_floats(given)),
    }


# --- other libraries ------------------------------------------------------------------------------------------


def _peer_rows(peers: Sequence[Peer], width: int, height: int, threads: Sequence[int]) -> Iterator[Row]:
    for peer in peers:
        for count in threads if peer.threaded else (1,):
            scene = Scene.of(width, height, count)
            rows = peer.rows(scene)
            for name, work in rows.items():
                yield Row(name, peer.name, count, work, peer.prepare(count))


# --- sizes ----------------------------------------------------------------------------------------------------


def _over_sizes(setting: Setting, tell: Tell) -> dict[str, list[Timed]]:
    """Time the chain at three sizes, one frame of each in memory at a time."""
    return {size: _at_size(size, setting.threads, tell) for size in ("1080p", "2160p", "4320p")}


def _at_size(size: str, threads: Sequence[int], tell: Tell) -> list[Timed]:
    image = skin_frame(*SIZES[size])
    run = chains.STANDARD.as_run()
    rows = [Row("a pixel of the chain", OURS, count, lambda: run(image)) for count in threads]
    return time_rows(rows, 5, lambda line: tell(f"{size}: {line}"))
