"""The same work in other libraries: which rows each has, and the check that they compute what ours compute."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...kernels import measure, qualify, steer
from ...kernels.arrays import Floats
from ...kernels.errors import InkarnatError
from ...kernels.gaussian import gaussian
from ...kernels.morphology import grow
from . import chains
from .frames import skin_frame

Array = NDArray[Any]

EVERYWHERE = "steer everywhere"


class DisagreementError(InkarnatError, RuntimeError):
    """A library's row does not compute what ours computes, so its time would compare nothing."""


@dataclass(frozen=True)
class Scene:
    """What every row starts from.

    :ivar image: float32 (H, W, 3). :ivar matte: float32 (H, W), the range key of the image before it is softened.
    :ivar threads: how many a library may use, where it lets itself be told.
    """

    image: Floats
    matte: Floats
    threads: int = 1

    @classmethod
    def of(cls, width: int, height: int, threads: int = 1) -> Scene:
        """Return the scene of a size."""
        image = skin_frame(width, height)
        return cls(image, chains.KEY.process(image), threads)

    @property
    def unit(self) -> float:
        """Pixels in a thousandth of the frame height, the unit of every size in a softened matte."""
        return float(self.image.shape[0] / 1000)


Rows = dict[str, Callable[[], Array]]
"""Name → work that returns its result; the count of chroma counts whole pixels."""


@dataclass(frozen=True)
class Peer:
    """A library to compare with.

    :ivar package: what pip installs. :ivar module: ours that holds its rows. :ivar function: there, from a scene.
    :ivar threaded: whether it works with more than one thread by itself.
    """

    name: str
    package: str
    module: str
    imports: tuple[str, ...]
    function: str = "rows"
    threaded: bool = False

    def missing(self) -> str:
        """Return why it cannot be timed here, or nothing."""
        for name in self.imports:
            try:
                importlib.import_module(name)
            except ImportError:
                return f"{self.name}: left out, {name} is not installed (pip install {self.package})."
        return ""

    def rows(self, scene: Scene) -> Rows:
        """Return its rows for a scene."""
        made: Rows = getattr(importlib.import_module(f".{self.module}", __package__), self.function)(scene)
        return made

    def prepare(self, threads: int) -> Callable[[], Any] | None:
        """Return what must be called before a row is timed, so that the library uses so many threads."""
        if self.module != "with_opencv":
            return None
        import cv2

        return lambda: cv2.setNumThreads(threads)


PEERS = (
    Peer("NumPy/SciPy", "scipy", "with_numpy", ("scipy",)),
    Peer("OpenCV", "opencv-python-headless", "with_opencv", ("cv2",), threaded=True),
    Peer("OpenCV, tuned", "opencv-python-headless", "with_opencv", ("cv2",), "tuned_rows", threaded=True),
    Peer("scikit-image", "scikit-image", "with_skimage", ("skimage",)),
    Peer("OpenColorIO", "opencolorio", "with_ocio", ("PyOpenColorIO",)),
    Peer("OpenImageIO", "openimageio", "with_oiio", ("OpenImageIO",)),
)

BLURS, WIDE_BLURS, GROWS = (2.0, 3.2, 12.0), (200.0,), (4, 24)
"""σ and radii in pixels; the wide blur is timed for ours alone: a direct filter takes seconds for it."""


def our_rows(scene: Scene) -> Rows:
    """Return our own rows of the names that peers may have: what they are checked against."""
    image, matte = scene.image, scene.matte
    out, plane, everywhere = np.empty_like(image), np.empty_like(matte), np.ones_like(matte)
    own: Rows = {
        "range key": lambda: qualify.range_key(image, *chains.KEY.ranges(), out=plane),
        "soften": lambda: chains.SOFTEN.process(matte, image),
        "steer": lambda: steer.turn(image, matte, chains.STEER.angle, chains.STEER.saturation, out=out),
        EVERYWHERE: lambda: steer.turn(image, everywhere, chains.STEER.angle, chains.STEER.saturation, out=out),
        "plain chain": lambda: chains.PLAIN.node_by_node(image),
        "chain": lambda: chains.STANDARD.node_by_node(image),
        "count of chroma": lambda: measure.vectorscope(image, None, chains.BINS) / np.uint64(measure.WEIGHT),
    }
    for sigma in (*BLURS, *WIDE_BLURS):
        own[f"blur σ {sigma:g}"] = lambda sigma=sigma: gaussian(matte, sigma, out=plane)  # type: ignore[misc]
    for radius in GROWS:
        own[f"grow r {radius}"] = lambda radius=radius: grow(matte, radius, out=plane)  # type: ignore[misc]
    return own


@dataclass(frozen=True)
class Tolerance:
    """How far two results may lie apart: on average, and for all but a thousandth of the values."""

    mean: float
    most: float


MATTES, PICTURES, COUNTS = Tolerance(0.002, 0.04), Tolerance(1e-4, 1e-3), Tolerance(0.01, 2.0)
EXACT = Tolerance(1e-6, 1e-5)

TOLERANCES = {
    "range key": MATTES,
    "soften": MATTES,
    "steer": PICTURES,
    EVERYWHERE: PICTURES,
    "plain chain": PICTURES,
    "chain": PICTURES,
    "count of chroma": COUNTS,
    **{f"blur σ {sigma:g}": MATTES for sigma in BLURS},
    **{f"grow r {radius}": EXACT for radius in GROWS},
}
"""Row → tolerance. A fast arc tangent, a window of whole pixels and a cut Gaussian stay well inside; counts are in
pixels of a bin."""


def check_peer(peer: Peer, scene: Scene) -> dict[str, tuple[float, float]]:
    """Compare every row of a library with ours on a small picture; return (mean, all but a thousandth) by row.

    Raises DisagreementError for a row beyond its tolerance.
    """
    own, found = our_rows(scene), {}
    for name, work in peer.rows(scene).items():
        difference = np.abs(np.asarray(work(), np.float64) - own[name]())
        figures = float(difference.mean()), float(np.quantile(difference, 0.999))
        allowed = TOLERANCES[name]
        if not (figures[0] <= allowed.mean and figures[1] <= allowed.most):
            raise DisagreementError(
                f"{peer.name} does not compute {name!r} as we do: it differs by {figures[0]:.2g} on average and by "
                f"{figures[1]:.2g} for all but a thousandth of the values ({allowed.mean:g} and {allowed.most:g} are "
                "allowed)."
            )
        found[name] = figures
    return found


def present(tell: Callable[[str], None], wanted: Collection[str] = ()) -> Iterator[Peer]:
    """Yield the wanted libraries (all where none is named) that are installed; say a line for each that is not."""
    for peer in PEERS:
        if wanted and peer.name not in wanted:
            continue
        if reason := peer.missing():
            tell(reason)
        else:
            yield peer
