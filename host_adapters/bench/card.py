"""The standard chain on a graphics card: checked against the processor's, and timed step by step."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from ...kernels import codes, devices
from ...kernels.codes import Coding, Planes
from ...kernels.devices import DeviceError
from ...nodes import Balance, Cdl, Sample, SoftenMatte, SteerSkin, ToneCurve, learn_skin_key
from ..graphs.pipeline import device_threads
from .frames import SKIN_BOX, skin_frame

CODING = Coding(bits=10, subsampling="4:2:2")
"""What the frames come as and go as."""
LARGEST_DIFFERENCES = (1e-3, 0.5 / 1023)
"""How far matte and picture may be from the processor's: the picture by half a code of 10 bits. The card joins a
multiplication and an addition into one rounding, which a steep key magnifies."""

_BALANCE = Balance(temperature=12, tint=0.003, exposure=0.2)
_LEVELS, _SATURATION = ToneCurve(0.02, 0.97, 0.52), Cdl(saturation=1.08, clamp=False)
_SOFTEN, _STEER = SoftenMatte(), SteerSkin(angle=6.0, saturation=1.05)


@dataclass(frozen=True)
class CardStep:
    """One step of the chain: device time of a frame, and the bytes that it must read and write at least."""

    name: str
    ms: float
    bytes: int
    share_of_copy: float


@dataclass(frozen=True)
class CardRun:
    """What was measured on a card: medians of a frame.

    :ivar copy_bytes_per_second: read and written by the card's own copy of a picture.
    :ivar chain_ms: device time from planes to planes, both on the card. :ivar frames_per_second: from planes in pinned
        memory of the processor to others, what comes in, is worked on and goes out in streams of their own.
    :ivar matte_difference, picture_difference: the largest from the processor's. :ivar other_codes: share of the codes
        written that differ from the processor's, by :ivar code_difference: at most.
    """

    card: str
    software: str
    size: tuple[int, int]
    copy_bytes_per_second: float
    steps: tuple[CardStep, ...]
    chain_ms: float
    frames_per_second: float
    matte_difference: float
    picture_difference: float
    code_difference: int
    other_codes: float
    again_same_bits: bool
    mega_bytes: float = field(default=0.0)

    def as_dict(self) -> dict[str, Any]:
        """Return the run as JSON data."""
        return asdict(self)


class Chain:
    """The standard chain of a frame of this size: balance, levels, saturation, table key, softening, turn."""

    def __init__(self, width: int, height: int) -> None:
        self.planes = codes.picture_to_planes(skin_frame(width, height), CODING)
        lit: Any = codes.planes_to_picture(self.planes, CODING)
        self.key = learn_skin_key(self.light(lit), [Sample.box(*SKIN_BOX)])

    def light(self, picture: Any) -> Any:
        """Return the picture after balance, levels and saturation."""
        return _SATURATION.process(_LEVELS.process(_BALANCE.process(picture)))

    def work(self, picture: Any) -> tuple[Any, Any]:
        """Return the corrected picture and the matte."""
        lit = self.light(picture)
        matte = _SOFTEN.process(self.key.process(lit), guide=lit)
        return _STEER.process(lit, matte), matte


def measure_card(width: int = 3840, height: int = 2160, rounds: int = 20, device: str = "cuda") -> CardRun:
    """Run the chain on a card, check it against the processor's, and time it, its steps and a copy.

    Raises DeviceError without a usable card, or where the results differ.
    """
    from ...kernels.cuda.found import find_card, software

    name = devices.parse(device)
    cuda, card_name = find_card(int(name.partition(":")[2] or 0))
    card: Any = devices.opened(name)
    chain = Chain(width, height)
    with devices.using(card):
        differences = differences_from_processor(chain)
        again = _same_bits(chain)
        copy = _copy_rate(card, cuda, width, height, rounds)
        steps, whole = _times(card, cuda, chain, copy, rounds)
        free, all_of_it = cuda.current_context().get_memory_info() if hasattr(cuda, "current_context") else (0, 0)
        rate = frames_per_second(card, chain, 8 * rounds)
    return CardRun(
        card=card_name,
        software=software(cuda),
        size=(width, height),
        copy_bytes_per_second=copy,
        steps=tuple(steps),
        chain_ms=whole,
        frames_per_second=rate,
        matte_difference=differences[0],
        picture_difference=differences[1],
        code_difference=int(differences[2]),
        other_codes=differences[3],
        again_same_bits=again,
        mega_bytes=(all_of_it - free) / 2**20,
    )


# --- the results --------------------------------------------------------------------------------------------


def differences_from_processor(chain: Chain) -> tuple[float, float, float, float]:
    """Return by how much matte, picture and codes differ at most, and the share of codes that do.

    Raises DeviceError above :data:`LARGEST_DIFFERENCES`, or where a value is not a number.
    """
    on_card: Any = codes.planes_to_picture(chain.planes, CODING)
    result, matte = chain.work(on_card)
    written = codes.change_to_planes(result, chain.planes, CODING)
    with devices.using(None):
        picture = codes.planes_to_picture(chain.planes, CODING)
        own, own_matte = chain.work(picture)
        own_written = codes.change_to_planes(own, chain.planes, CODING)
    found = tuple(float(np.abs(np.asarray(a) - b).max()) for a, b in ((matte, own_matte), (result, own)))
    if not all(difference <= most for difference, most in zip(found, LARGEST_DIFFERENCES, strict=True)):
        raise DeviceError(
            f"The card's results differ from the processor's by {found[0]:.2g} (matte) and {found[1]:.2g} (picture), "
            f"and {LARGEST_DIFFERENCES[0]:.2g} and {LARGEST_DIFFERENCES[1]:.2g} are allowed for rounding: its times "
            "would mean nothing."
        )
    off = [np.abs(a.astype(np.int32) - b) for a, b in zip(written, own_written, strict=True)]
    differing = sum(int((d > 0).sum()) for d in off) / sum(d.size for d in off)
    return found[0], found[1], max(float(d.max()) for d in off), differing


def _same_bits(chain: Chain) -> bool:
    """Tell whether two runs give the same bits."""
    runs = []
    for _ in range(2):
        picture: Any = codes.planes_to_picture(chain.planes, CODING)
        result, matte = chain.work(picture)
        runs.append((np.asarray(result).copy(), np.asarray(matte).copy()))
    return all(np.array_equal(a.view(np.uint32), b.view(np.uint32)) for a, b in zip(*runs, strict=True))


# --- the times ----------------------------------------------------------------------------------------------


def _copy_rate(card: Any, cuda: Any, width: int, height: int, rounds: int) -> float:
    """Return the bytes a second that the card's own copy reads and writes, of eight pictures at once."""
    count = 24 * width * height
    source, target = card.memory.lent(count), card.memory.lent(count)
    ms = device_ms(card, cuda, lambda: target.array.copy_to_device(source.array, stream=card.stream), rounds)
    return 8 * count / ms * 1000


def device_ms(card: Any, cuda: Any, work: Callable[[], Any], rounds: int) -> float:
    """Return the median time on the device: it is kept busy until all launches lie in its queue."""
    work()
    card.lanes.wait()
    began = time.perf_counter()
    work()
    launching = time.perf_counter() - began
    card.lanes.wait()
    busy, times = card.memory.lent(1 << 28), []
    other = card.memory.lent(1 << 28)
    for _ in range(rounds + 2):
        for _ in range(1 + int(launching / 0.4e-3)):  # a copy of 1 GB takes .5 ms where 4 TB a second move
            other.array.copy_to_device(busy.array, stream=card.stream)
        start, end = cuda.event(), cuda.event()
        start.record(card.stream)
        work()
        end.record(card.stream)
        end.synchronize()
        times.append(cuda.event_elapsed_time(start, end))
    return float(statistics.median(times[2:]))


def _worked_out(picture: Any) -> None:
    """Have steps of light done, which wait until somebody looks."""
    picture.worked_out()


def _times(card: Any, cuda: Any, chain: Chain, copy: float, rounds: int) -> tuple[list[CardStep], float]:
    from ...kernels.cuda.kernels import encoded

    picture: Any = codes.planes_to_picture(chain.planes, CODING)
    lit: Any = chain.light(picture)
    keyed = chain.key.process(lit)
    matte = _SOFTEN.process(keyed, guide=lit)
    result: Any = _STEER.process(lit, matte)
    pixels = picture.shape[0] * picture.shape[1]
    coded = sum(plane.nbytes for plane in chain.planes)
    rgb, plane = 12 * pixels, 4 * pixels

    def whole() -> None:
        before: Any = codes.planes_to_picture(chain.planes, CODING)
        after, _ = chain.work(before)
        encoded(card, after, chain.planes, CODING, True)

    works: Sequence[tuple[str, int, Callable[[], Any]]] = (
        ("planes to picture", coded + rgb, lambda: codes.planes_to_picture(chain.planes, CODING)),
        ("balance", 2 * rgb, lambda: _worked_out(_BALANCE.process(picture))),
        ("levels", 2 * rgb, lambda: _worked_out(_LEVELS.process(picture))),
        ("saturation", 2 * rgb, lambda: _worked_out(_SATURATION.process(picture))),
        ("these three, in one sweep", 2 * rgb, lambda: _worked_out(chain.light(picture))),
        ("table key", 2 * rgb + plane, lambda: chain.key.process(lit)),
        ("soften", rgb + 2 * plane, lambda: _SOFTEN.process(keyed, guide=lit)),
        ("turn", 2 * rgb + plane, lambda: _STEER.process(lit, matte)),
        ("change to planes", rgb + 2 * coded, lambda: encoded(card, result, chain.planes, CODING, True)),
    )
    steps = []
    for name, size, work in works:
        ms = device_ms(card, cuda, work, rounds)
        steps.append(CardStep(name, ms, size, size / ms * 1000 / copy))
    return steps, device_ms(card, cuda, whole, rounds)


def frames_per_second(card: Any, chain: Chain, frames: int, at_once: int = 3) -> float:
    """Return the frames a second from planes of the processor to planes of the processor, some side by side."""
    sets = [tuple(card.held(plane) for plane in chain.planes) for _ in range(4)]

    def work(number: int) -> None:
        planes: Planes = tuple(plane.view() for plane in sets[number % len(sets)])  # sent anew each time
        result, _ = chain.work(codes.planes_to_picture(planes, CODING))
        codes.change_to_planes(result, planes, CODING)

    with device_threads(at_once, "inkarnat-frame") as threads:
        list(threads.map(work, range(_WARM)))
        began = time.perf_counter()
        list(threads.map(work, range(frames)))
        return frames / (time.perf_counter() - began)


_WARM = 12
"""Frames that are not timed."""
