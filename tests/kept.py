"""What the tests of kept bits and of old files share: pictures made of whole numbers, hashes, and the ways in.

Every import of the product that these tests need stands here, so that a move touches one place.
"""

from __future__ import annotations

import functools
import hashlib
import json
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
from click.testing import CliRunner
from inkarnat import nodes
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.media.pictures import read_picture, write_picture
from inkarnat.kernels.strips import threads

FIXTURES = Path(__file__).parent / "fixtures"
NODE_CASES = FIXTURES / "0.1.0" / "nodes.json"
"""One step for each kept setting of a node; what they read are sources, and the steps ``matte`` and ``second``."""
TABLE = FIXTURES / "0.1.0" / "bits.json"

THREADS = (1, 2, 5)
SIZES = {
    "1080 lines": (1080, 640, 3),
    "2160 lines": (2160, 512, 3),
    "odd": (1083, 1917, 3),
    "odd, alpha": (541, 317, 4),
    "whole 2160p": (2160, 3840, 3),
}
"""Lines, columns and channels. A strip is a run of rows, so narrow pictures are cut into strips like wide ones."""
WHOLE = "whole 2160p"
WHOLE_CASES = ("skin_key-table", "soften_matte-default", "steer_skin-turn", "balance-bt709", "correct_skin-result")
"""What is worked out on a whole frame as well."""
CORRECTED = ("1080 lines", "2160 lines", "odd")
"""Where figures are read off and `inkarnat correct` is run."""
LETTERED = ("vectorscope", "waveform")
"""Nodes that write letters: their pictures are those of one version of Pillow."""
BY_NUMPY = ("balance", "convert_colour", "return_colour", "correct_skin")
"""Nodes whose matrices and tables come from NumPy: a last digit may differ on another processor."""

__all__ = [
    "BY_NUMPY",
    "CORRECT",
    "CORRECTED",
    "FIXTURES",
    "LETTERED",
    "NODE_CASES",
    "SIZES",
    "TABLE",
    "THREADS",
    "WHOLE",
    "WHOLE_CASES",
    "Graph",
    "Pictures",
    "Runner",
    "Step",
    "arithmetic",
    "cli",
    "correct",
    "drawn_with",
    "kept",
    "made",
    "nodes",
    "pictures",
    "read_picture",
    "read_plate",
    "rendered",
    "run",
    "same",
    "solved",
    "threads",
    "write_picture",
]


def kept(values: Any) -> str:
    """Return the hash that is stored of an array (shape and kind before its bytes), or of plain JSON data."""
    digest = hashlib.blake2b(digest_size=16)
    if isinstance(values, np.ndarray):
        digest.update(f"{values.shape} {values.dtype.name} ".encode())
        digest.update(np.ascontiguousarray(values).tobytes())
    else:
        digest.update(json.dumps(values, sort_keys=True, ensure_ascii=False).encode())
    return digest.hexdigest()


def same(first: np.ndarray, second: np.ndarray) -> bool:
    """Tell whether two float32 arrays have the same bits."""
    return first.shape == second.shape and bool((first.view(np.int32) == second.view(np.int32)).all())


# --- pictures -----------------------------------------------------------------------------------------------

WHITE = 4096
"""The code of white: a power of two, so that a code over it is exact in float32."""


def grain(height: int, width: int, channels: int, seed: int) -> np.ndarray:
    """Whole numbers 0 to 255 that look like noise, from the place of each value alone."""
    count = height * width * channels
    mixed = np.arange(count, dtype=np.uint32) * np.uint32(2654435761) + np.uint32(seed * 97 + 13)
    for shift, factor in ((16, 0x7FEB352D), (15, 0x846CA68B)):
        mixed ^= mixed >> np.uint32(shift)
        mixed *= np.uint32(factor)
    return (mixed >> np.uint32(24)).astype(np.int32).reshape(height, width, channels)


SKIN, DARK_SKIN, WALL, WOOD, CARD = (
    np.array(rgb, np.int32)
    for rgb in ((3120, 2480, 2010), (1750, 1230, 960), (1540, 1760, 1640), (2300, 1790, 1130), (1900, 2060, 2010))
)

PLACES = {
    "first": "box:.32,.34,.46,.50",
    "stroke": "stroke:.34,.36;.42,.40;.44,.52/.02",
    "second": "box:.68,.42,.78,.56",
    "wood": "box:.05,.80,.30,.95",
    "card": "box:.86,.06,.95,.20",
}
"""Where things lie, as samples."""


def scene(height: int, width: int, seed: int = 1, move: int = 0, warmth: int = 0) -> np.ndarray:
    """Codes, int32 (H, W, 3): two faces before a wall, a bench of wood, a grey card, shine, grain, ends beyond.

    :param move: shift of the faces in 1/4096 of the frame. :param warmth: added to red and taken from blue, in
        1/4096 of each.
    """
    x = (np.arange(width, dtype=np.int64) * 4096 // width)[None, :]
    y = (np.arange(height, dtype=np.int64) * 4096 // height)[:, None]
    shade = np.clip(4600 - ((x - 1100) ** 2 + (y - 900) ** 2) // 5200, 1500, 4096)
    codes = np.empty((height, width, 3), np.int64)
    codes[:] = WALL
    bench = y > 3100
    rings = 3 * ((x * 5 + y * 11) // 64 % 96)
    codes = np.where(bench[..., None], WOOD + rings[..., None], codes)
    for colour, across, down, wide, high in ((SKIN, 1600, 1750, 700, 1100), (DARK_SKIN, 2980, 2000, 520, 850)):
        far = ((x - across - move) * 1024 // wide) ** 2 + ((y - down) * 1024 // high) ** 2
        cover = np.clip((1024 * 1024 - far) // 96, 0, 1024)[..., None]
        codes = (codes * (1024 - cover) + colour * cover) >> 10
    codes = (codes * shade[..., None]) >> 12
    card = (x > 3500) & (x < 3900) & (y > 220) & (y < 840)
    codes = np.where(card[..., None], CARD, codes)
    codes += (grain(height, width, 3, seed) - 128) * 3 // 4
    shine = (x - 1450 - move) ** 2 + (y - 1250) ** 2 < 14000
    codes[shine] = (5100, 4900, 4800)
    codes[: height // 60, : width // 8] -= 2100
    codes[..., 0] += codes[..., 0] * warmth >> 12
    codes[..., 2] -= codes[..., 2] * warmth >> 12
    return codes.astype(np.int32)


def as_picture(codes: np.ndarray) -> np.ndarray:
    """Codes as float32, white at 1: exact."""
    return codes.astype(np.float32) / np.float32(WHITE)


class Pictures:
    """The pictures and mattes of one size, each with its hash: what the steps of the kept cases read.

    ``plate`` the scene; ``graded`` the same under a look; ``partly`` graded within a box, else the plate; ``matte`` a
    soft ellipse with noise and full and empty parts; ``second`` another one.
    """

    def __init__(self, height: int, width: int, channels: int) -> None:
        codes = scene(height, width)
        graded = codes * np.array((3500, 4300, 4700)) // 4096 + np.array((60, -20, 150))
        x = (np.arange(width, dtype=np.int64) * 4096 // width)[None, :]
        y = (np.arange(height, dtype=np.int64) * 4096 // height)[:, None]
        inside = (abs(x - 1600) < 900) & (abs(y - 1700) < 1300)
        noise = grain(height, width, 1, 5)[..., 0]
        soft = 4096 - ((x - 1700) ** 2 * 3 + (y - 1900) ** 2) // 700 + (noise - 128) * 6
        soft[noise == 3] = 4096 - soft[noise == 3]
        ramp = (x + y * 2) % 3000 * 2 - 900 + (noise - 128) * 2
        whole = {"plate": codes, "graded": graded, "partly": np.where(inside[..., None], graded, codes)}
        self.by_name = {name: as_picture(np.asarray(of)) for name, of in whole.items()}
        if channels == 4:
            alpha = as_picture(np.clip((x + y) // 2 - 700 + noise, 0, WHITE))[..., None]
            self.by_name = {name: np.concatenate([of, alpha], axis=2) for name, of in self.by_name.items()}
        self.by_name["matte"] = as_picture(np.clip(soft, 0, WHITE))
        self.by_name["second"] = as_picture(np.clip(ramp, 0, WHITE))

    def hashes(self) -> dict[str, str]:
        """Return the hash of each."""
        return {name: kept(of) for name, of in self.by_name.items()}

    def frames(self, name: str, count: int) -> tuple[np.ndarray, ...]:
        """Return so many frames: the picture or matte itself in the middle, the others shifted sideways."""
        middle = count // 2
        return tuple(np.roll(self.by_name[name], 2 * (at - middle), axis=1) for at in range(count))


@functools.lru_cache(maxsize=1)
def pictures(size: str) -> Pictures:
    """Return the pictures of one of SIZES."""
    return Pictures(*SIZES[size])


# --- nodes --------------------------------------------------------------------------------------------------


def made(step: Step, given: Pictures, count: int) -> np.ndarray:
    """Return what a step gives on pictures, worked out in so many threads."""
    before, after = step.node.frames_needed()
    inputs: dict[str, Any] = {}
    for port, origin in dict(step.inputs).items():
        inputs[port] = given.frames(origin, before + 1 + after) if before + after else given.by_name[origin]
    with threads(count):
        return step.node.process(**inputs)  # type: ignore[attr-defined]


def solved(given: Mapping[str, np.ndarray], count: int) -> dict[str, Any]:
    """Return the figures that are read off a picture, exact, in so many threads."""
    with threads(count):
        reading = nodes.measure_skin(given["plate"][..., :3].copy(), given["matte"])
        skin = [nodes.Sample.parse(PLACES["stroke"])]
        key = nodes.learn_skin_key(given["plate"], skin, [nodes.Sample.parse(PLACES["wood"])])
        balance = nodes.solve_balance(given["plate"], nodes.Sample.parse(PLACES["card"]))
        edges = nodes.solve_balance(given["plate"])
        steer = nodes.solve_steer(given["plate"], given["matte"])
    figures = (reading.angle, reading.ratio, reading.spread, *reading.luma, reading.area, reading.black)
    return {
        "measure_skin": [float(v).hex() for v in figures],
        "learn_skin_key": key.model,
        "solve_balance": [balance.temperature, balance.tint],
        "solve_balance, edges": [edges.temperature, edges.tint],
        "solve_steer": [steer.angle, steer.saturation, steer.centre_angle, steer.centre_ratio],
    }


# --- correct ------------------------------------------------------------------------------------------------

CORRECT = {
    "one": ("--add", PLACES["stroke"], "--subtract", PLACES["wood"], "--neutral", PLACES["card"], "--bias", "-1.5"),
    "two": tuple(
        f"--split-light --subject left --add {PLACES['first']} --subtract {PLACES['wood']} "
        f"--subject right --add {PLACES['second']} --subtract {PLACES['wood']} --bias 2".split()
    ),
}
"""Arguments of ``inkarnat correct`` by name. Boxes and strokes need no face detector."""


def run(*words: object) -> None:
    """Run the command line in this process; it must end well."""
    done = CliRunner().invoke(cli, [str(word) for word in words])
    assert done.exit_code == 0, done.output


def drawn_with() -> str:
    """Return the version of the library that draws letters."""
    return version("pillow")


def arithmetic() -> str:
    """Return a hash of what NumPy's float64 functions give here: they and their BLAS choose code by the processor.

    Measured with what NumPy and OpenBLAS offer for old processors: last digits of logarithms and of products of
    matrices differ, and with them those of solved balances and learned keys. Kernels do not.
    """
    x = np.arange(1, 4001, dtype=np.float64) / 777
    functions = (np.exp, np.log, np.log2, np.log10, np.sin, np.cos, np.tan, np.arctan, np.cbrt, np.tanh, np.expm1)
    found = [function(x).tobytes() for function in functions]
    found += [function(x.astype(np.float32)).tobytes() for function in functions]
    found += [(x**0.45).tobytes(), np.hypot(x, x[::-1]).tobytes(), np.arctan2(x, x[::-1]).tobytes()]
    square, rows = np.sin(x[:9]).reshape(3, 3), x[:3000].reshape(-1, 3)
    found += [(square @ square).tobytes(), (rows @ square).tobytes(), (rows.T @ rows).tobytes()]
    found += [
        np.linalg.inv(square).tobytes(),
        np.linalg.solve(square, x[:3]).tobytes(),
        np.linalg.eigh(square)[1].tobytes(),
    ]
    found += [x.sum().tobytes(), rows.mean(axis=0).tobytes(), np.dot(x, x[::-1]).tobytes(), np.cov(rows.T).tobytes()]
    found += [np.einsum("ni,ij,nj->n", rows, square, rows).tobytes(), x.astype(np.float32).mean().tobytes()]
    return hashlib.blake2b(b"".join(found), digest_size=16).hexdigest()


def read_plate(size: str, folder: Path) -> np.ndarray:
    """Write the plate of a size as ``plate.tif`` into a folder, 16 bits a value, and return it as it is read back."""
    path = folder / "plate.tif"
    write_picture(path, pictures(size).by_name["plate"], None, bits=16)
    return read_picture(path)[0]


def rendered(graph: Any, plate: np.ndarray, count: int) -> dict[str, np.ndarray]:
    """Return all outputs of a graph, given as JSON data, in so many threads."""
    with threads(count):
        return Runner(Graph.from_dict(graph)).run_frame(1, {"plate": plate})


def correct(way: str, folder: Path, count: int) -> Any:
    """Return the JSON data of the graph that ``inkarnat correct`` writes for ``plate.tif`` in a folder."""
    graph = folder / f"{way}-{count}.json"
    with threads(count):
        run("correct", folder / "plate.tif", *CORRECT[way], "--graph-out", graph, "--json")
    return json.loads(graph.read_text())
