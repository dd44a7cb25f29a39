"""The kernels of a graphics card in numba's simulator: what they give, where they work, what is said without a card.

The simulator runs a kernel's threads as Python threads on tiny pictures; a second process runs it, for it has to be
chosen before numba is imported. What it gives is compared with the compiled kernels of the processor.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.bench import card as bench_card
from inkarnat.host_adapters.bench import card_accuracy
from inkarnat.host_adapters.bench.card_accuracy import CardCase
from inkarnat.host_adapters.bench.frames import SKIN_BOX, skin_frame
from inkarnat.host_adapters.commands import bench, cli
from inkarnat.host_adapters.farm.chunks import Chunk, Failed, Finished, Job, work
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.media.clips import open_clip, open_writer
from inkarnat.kernels import balance, codes, devices, face, fused, join, mix, morphology, qualify, region, steer, tone
from inkarnat.kernels.cuda import compiled, found
from inkarnat.nodes import (
    Balance,
    Blend,
    Cdl,
    RangeKey,
    Region,
    Sample,
    SkinKey,
    SoftenMatte,
    SteerSkin,
    ToneCurve,
    learn_skin_key,
)
from inkarnat.nodes.key import NATURAL_RANGE

SIMULATOR = {"NUMBA_ENABLE_CUDASIM": "1", "NUMBA_DISABLE_JIT": "1"}
WIDTH, HEIGHT = 33, 22
MATRIX = np.array([[1.02, -0.01, 0.0], [0.03, 0.95, 0.02], [-0.02, 0.01, 1.1]])
CODINGS = [
    codes.Coding(bits=10, subsampling="4:2:2"),
    codes.Coding(bits=8, subsampling="4:2:0", siting="corner"),
    codes.Coding(bits=8, subsampling="4:2:0", siting="centre"),
    codes.Coding(bits=12, subsampling="4:4:4"),
    codes.Coding(bits=8, subsampling="4:1:1", siting="left"),
]
SOFTENINGS = [
    fused.Softening(specks=4, pinholes=4, follow=0.7, radius=2, sigma=1.5, floor=0.02, ceiling=0.98),
    fused.Softening(specks=12, pinholes=9, follow=1, radius=5, sigma=4, floor=0.98, ceiling=0.02),
    fused.Softening(sigma=14),
]


def picture(channels: int = 3) -> np.ndarray:
    """Skin before a wall, with values above white, below black, NaN and infinity."""
    frame = skin_frame(WIDTH, HEIGHT, channels)
    frame[2, 3], frame[5, 30], frame[20, 8], frame[11, 17, 1] = -0.1, 1.6, np.nan, np.inf
    if channels == 4:
        frame[..., 3] = np.linspace(0.2, 1, WIDTH, dtype=np.float32)
    return frame


def table() -> np.ndarray:
    a, b, c = np.meshgrid(*[np.linspace(0, 1, n) for n in qualify.GRID], indexing="ij")
    return np.clip(1.6 - 8 * np.hypot(a - 0.44, b - 0.5) - np.abs(c - 0.5), 0, 1).astype(np.float32)


def results(send: Any) -> dict[str, Any]:
    """What every kernel gives for a picture, and for mattes of it, as ``send`` puts them somewhere."""
    image, four, shape = send(picture()), send(picture(4)), table()
    hard = (np.indices((HEIGHT, WIDTH)).sum(axis=0) % 7 < 4).astype(np.float32)
    soft = send(np.clip(hard + 0.3 * np.sin(np.arange(WIDTH, dtype=np.float32)), -0.2, 1.2).astype(np.float32))
    ranges = (105.0, 141.0), (0.02, 0.35), (0.08, 1.0), 0.06
    reaching = {"shadow_reach": 1.5, "width": 0.1, "softness": 1.5}
    split = {"shadow_angle": 3.0, "even_redder": 0.2, "premultiplied": True}
    curve = (0.05, 0.0), (0.5, 0.55), (0.95, 1.0)
    given = {
        **{f"adapt {name}": balance.adapt(image, MATRIX, name) for name in ("bt709", "bt1886", "linear")},
        "adapt with alpha": balance.adapt(four, MATRIX, "srgb"),
        "curve": tone.curve(image, curve),
        "cdl": tone.cdl(image, (1.1, 1, 0.9), (0.01, 0, -0.02), (1.2, 1, 0.8), 1.1),
        "cdl, not clamped": tone.cdl(four, (1.1, 1, 0.9), (0.01, 0, -0.02), (1, 1, 1), 1.1, clamp=False),
        "range key": qualify.range_key(image, *ranges),
        "table key": qualify.learned_key(image, (-0.12, 0.18), shape),
        "table key, reaching": qualify.learned_key(image, (-0.12, 0.18), shape, **reaching),
        "table key, halved": qualify.learned_key(image, (-0.12, 0.18), shape, halved_from=1),
        "compact key": qualify.learned_key(four, NATURAL_RANGE.centre, NATURAL_RANGE.compact),
        "turn": steer.turn(image, soft, 9.0, 1.05),
        "turn, split": steer.turn(four, soft, 9.0, 1.05, **split),
        **{f"joined: {way}": region.join(soft, send(hard), way) for way in region.OPERATIONS},
        "blend": mix.blend(four, send(picture(4)[::-1].copy()), soft, 0.9),
        "long curve": tone.curve(image, [(i / 16, (i / 16) ** 1.1) for i in range(17)]),
        "grow": morphology.grow(soft, 2.5),
        "shrink": morphology.shrink(soft, 3),
    }
    for number, steps in enumerate(SOFTENINGS):
        source = fused.from_plane(soft, image) if steps.follow else fused.from_plane(soft)
        given[f"soften {number}"] = fused.soften_matte(source, steps)
    return {name: np.asarray(value) for name, value in given.items()}


def coded(send: Any) -> dict[str, np.ndarray]:
    """What planes of codes become, and what a picture that was changed becomes."""
    given: dict[str, np.ndarray] = {}
    for number, coding in enumerate(CODINGS):
        planes = codes.picture_to_planes(picture(), coding)
        fresh = codes.picture_to_planes(send(picture()), coding)
        before = codes.planes_to_picture(planes, coding)
        after = steer.turn(before, send(np.full((HEIGHT, WIDTH), 0.8, np.float32)), 9.0, 1.1)
        changed = codes.change_to_planes(after, planes, coding)
        given[f"picture {number}"] = np.asarray(before)
        given |= {f"fresh {number} {k}": plane for k, plane in enumerate(fresh)}
        given |= {f"changed {number} {k}": plane for k, plane in enumerate(changed)}
    return given


FACES = (
    (((0.45, 0.4), (0.55, 0.4), (0.5, 0.5), (0.46, 0.6), (0.54, 0.6)), 1.0),
    (((0.2, 0.35), (0.28, 0.36), (0.24, 0.45), (0.21, 0.55), (0.28, 0.55)), 0.7),
)
"""Landmarks, and how far each face counts."""
WIDE, GRID_SIDE = (42, 75), 72
"""Height and width of a picture that is larger than the grid of faces, and that grid's longer side here.

The simulator takes a thread for each pixel; at the side of 256 that grids have, faces alone took it a minute.
"""


@contextlib.contextmanager
def small_grid() -> Iterator[None]:
    """Look at faces on a grid of the size that is used here."""
    before, face.GRID_SIDE = face.GRID_SIDE, GRID_SIDE
    try:
        yield
    finally:
        face.GRID_SIDE = before


def seen() -> tuple[np.ndarray, np.ndarray]:
    """A picture and a matte of it."""
    image = skin_frame(WIDE[1], WIDE[0])
    return image, np.clip(1.4 * image[..., 0] - 0.3, -0.1, 1.1).astype(np.float32)


@small_grid()
def probed(plane: np.ndarray) -> np.ndarray:
    """The pixels that the grid of faces is made from, four by four of every cell."""
    rows, columns = (
        ((2 * np.arange(4 * count) + 1) * size) // (8 * count)
        for count, size in zip(face.grid_shape(*WIDE), WIDE, strict=True)
    )
    return np.ascontiguousarray(plane[rows][:, columns])


JOINING = join.Joining(-6.5, [(0.5, 0.5)], [(0.1, 0.1)], likeness=0.5)


@small_grid()
def with_faces(send: Any) -> dict[str, Any]:
    """What faces tell of a picture, and a matte that is joined with that."""
    image, matte = (send(array) for array in seen())
    first = join.face_evidence(image, *FACES[0])
    both = join.face_evidence(image, *FACES[1], 1.0, first)
    joined = join.join_faces(matte, both, image, JOINING)
    return {"face": first, "two faces": both, "joined with faces": joined}


@small_grid()
def told_on_grids() -> dict[str, np.ndarray]:
    """What the processor finds on the grid, from the pixels that a card hands it."""
    image, matte = (probed(array) for array in seen())
    found: dict[str, np.ndarray] = {"image": image}
    for number, given in enumerate(FACES):
        plane, top, left = join.evidence_on_grid(image, *given, 1.0)
        found |= {f"plane {number}": plane, f"corner {number}": np.array([top, left])}
    both = probed(with_faces(own)["two faces"])
    laid = join.laid_on_grid(matte, both, image, JOINING)
    return found | {"matte": matte, "both": both, "laid": np.stack([laid.odds, laid.lid, laid.floor])}


def faces_in_the_simulator(card: Any, path: str) -> dict[str, np.ndarray]:
    """The same on a card, which must hand over no more than those pixels; the grids were found by compiled kernels."""
    known = dict(np.load(path))

    def evidence(image: np.ndarray, points: Any, presence: float, keyed: float, turns: bool) -> Any:
        assert turns
        number = [given[1] for given in FACES].index(presence)
        np.testing.assert_array_equal(image, known["image"])
        return known[f"plane {number}"], *map(int, known[f"corner {number}"])

    def laid(matte: np.ndarray, told: np.ndarray, image: np.ndarray, *_: Any) -> join.Laid:
        np.testing.assert_array_equal(image, known["image"])
        np.testing.assert_array_equal(matte, known["matte"])
        np.testing.assert_allclose(told, known["both"], atol=1e-5)
        return join.Laid(*known["laid"])

    join.evidence_on_grid, join.laid_on_grid = evidence, laid  # type: ignore[assignment]
    brought = card.brought
    card.brought = None  # nothing is brought over whole
    found = with_faces(card.sent)
    card.brought = brought
    return {name: np.asarray(value) for name, value in found.items()}


IN_THE_SIMULATOR = """
import sys
import numpy as np
import test_cuda as tests
from inkarnat.kernels import devices

card = devices.opened("cuda")
with devices.using(card):
    found = tests.results(card.sent) | tests.coded(card.sent)
    again = tests.results(card.sent)
    ran = tests.graph_outputs() | tests.faces_in_the_simulator(card, sys.argv[2])
assert all(np.array_equal(again[n].view(np.uint32), found[n].view(np.uint32)) for n in again), "not the same bits again"
np.savez(sys.argv[1], **found, **ran)
"""


def in_the_simulator(program: str, *arguments: str) -> str:
    here = str(Path(__file__).parent)
    path = os.pathsep.join([here, os.environ.get("PYTHONPATH", "")])
    child = subprocess.run(
        [sys.executable, "-c", program, *arguments],
        env=os.environ | SIMULATOR | {"PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=600,
    )
    assert child.returncode == 0, child.stderr[-4000:]
    return child.stdout + child.stderr


def graph() -> Graph:
    """The standard chain of one person with a shape, which no card draws, and steps that change nothing."""
    return Graph.of(
        Step.of("balance", Balance(temperature=20), image="plate"),
        Step.of("tone", ToneCurve(), image="balance"),
        Step.of("saturation", Cdl(clamp=False, saturation=1.1), image="tone"),
        Step.of("skin", SkinKey(form="compact"), image="saturation"),
        Step.of("soften", SoftenMatte(specks=90, position=60), matte="skin", guide="saturation"),
        Step.of("steer", SteerSkin(angle=5.0), image="saturation", matte="soften"),
        Step.of("region", Region(), image="steer"),
        Step.of("mixed", Blend(), first="saturation", second="steer", matte="region"),
        result="mixed",
        matte="soften",
    )


def graph_outputs() -> dict[str, np.ndarray]:
    found = Runner(graph()).run_frame(1, {"plate": devices.sent(picture())})
    return {f"graph {name}": np.asarray(value) for name, value in found.items()}


@pytest.fixture(scope="module")
def simulated(tmp_path_factory) -> dict[str, np.ndarray]:
    path = tmp_path_factory.mktemp("simulator") / "found.npz"
    grids = path.with_name("grids.npz")
    np.savez(grids, **told_on_grids())
    in_the_simulator(IN_THE_SIMULATOR, str(path), str(grids))
    return dict(np.load(path))


def own(array: np.ndarray) -> np.ndarray:
    return array


@pytest.fixture(scope="module")
def expected() -> dict[str, np.ndarray]:
    return results(own) | coded(own) | graph_outputs() | with_faces(own)


NAMES = [
    *(f"adapt {name}" for name in ("bt709", "bt1886", "linear", "with alpha")),
    *("curve", "cdl", "cdl, not clamped", "range key", "compact key"),
    *("table key", "table key, reaching", "table key, halved"),
    *(f"joined: {way}" for way in region.OPERATIONS),
    *("blend", "long curve", "face", "two faces", "joined with faces"),
    *("turn", "turn, split", "grow", "shrink", "soften 0", "soften 1", "soften 2", "graph result", "graph matte"),
]


@pytest.mark.parametrize("name", NAMES)
def test_a_card_gives_what_the_processor_gives(simulated, expected, name):
    """A card's matte may be 1e-3 off, its picture half a 10-bit code; the simulator joins no rounding."""
    wanted = expected[name]
    assert np.nanmax(np.where(np.isfinite(wanted), wanted, 0)) - np.nanmin(wanted) > 0.05, (
        "it must tell right from wrong"
    )
    np.testing.assert_allclose(simulated[name], wanted, rtol=1e-5, atol=1e-5)


@pytest.mark.parametrize("number", range(len(CODINGS)))
def test_planes_of_codes_go_there_and_back(simulated, expected, number):
    np.testing.assert_allclose(simulated[f"picture {number}"], expected[f"picture {number}"], rtol=0, atol=1e-6)
    for name in (f"{word} {number} {k}" for word in ("fresh", "changed") for k in range(3)):
        off = np.abs(simulated[name].astype(int) - expected[name])
        assert simulated[name].dtype == expected[name].dtype
        assert off.max() <= 1
        assert (off > 0).mean() < 0.005


@pytest.mark.parametrize("name", ["table key", "compact key", "range key"])
def test_what_is_not_finite_is_no_skin_on_a_card(simulated, name):
    assert simulated[name][20, 8] == simulated[name][11, 17] == 0
    assert np.isfinite(simulated[name]).all()


def test_where_the_matte_is_0_a_card_keeps_every_bit(simulated):
    matte = results(own)["turn"]  # the picture turned on the processor tells where its matte was 0
    kept = matte.view(np.uint32) == picture().view(np.uint32)
    assert kept.all(axis=2).mean() > 0.05
    untouched = kept.all(axis=2)
    np.testing.assert_array_equal(simulated["turn"].view(np.uint32)[untouched], picture().view(np.uint32)[untouched])


@small_grid()
def test_some_of_a_pictures_pixels_tell_of_faces_what_the_whole_one_tells():
    """A card hands over four by four pixels of every cell: the grid of those is that of the picture, bit for bit."""
    (image, matte), told = seen(), with_faces(own)["two faces"]
    for given in FACES:
        whole = join.evidence_on_grid(image, *given, 1.0)
        part = join.evidence_on_grid(probed(image), *given, 1.0)
        assert whole[1:] == part[1:]
        np.testing.assert_array_equal(whole[0], part[0])
        assert np.ptp(whole[0]) > 0.3
    for whole, part in zip(
        vars(join.laid_on_grid(matte, told, image, JOINING)).values(),
        vars(join.laid_on_grid(probed(matte), probed(told), probed(image), JOINING)).values(),
        strict=True,
    ):
        np.testing.assert_array_equal(whole, part)


# --- compiled code ------------------------------------------------------------------------------------------


def multiplying(factor: float) -> Any:
    def multiplied(x: float) -> float:
        return x * factor

    def kernel(x: float) -> float:
        return multiplied(x)

    return kernel


def test_code_is_kept_by_what_a_kernel_and_its_pieces_were_made_with():
    assert compiled.fixed_in(multiplying(2.0)) == compiled.fixed_in(multiplying(2.0))
    assert compiled.fixed_in(multiplying(2.0)) != compiled.fixed_in(multiplying(3.0))
    assert compiled.fixed_in(multiplying(object())) is None  # type: ignore[arg-type]


@pytest.fixture
def compiling(monkeypatch, tmp_path) -> list[str]:
    """Keep code in a folder of its own, and count what is compiled."""
    made: list[str] = []

    def compile_it(name: str, *_: Any) -> tuple[bytes, str]:
        made.append(name)
        return b"code %d" % len(made), name

    monkeypatch.setattr(compiled, "_compiled", compile_it)
    monkeypatch.setattr(compiled, "folder", lambda: tmp_path)
    return made


def test_compiled_code_for_a_card_is_kept_between_runs(compiling, tmp_path):
    first = compiled.machine_code("a.kernel", multiplying(2.0), ("float32",), (9, 0))
    assert compiled.machine_code("a.kernel", multiplying(2.0), ("float32",), (9, 0)) == first
    assert compiling == ["a.kernel"]
    for function, types, generation in (
        (multiplying(3.0), ("float32",), (9, 0)),
        (multiplying(2.0), ("int32",), (9, 0)),
        (multiplying(2.0), ("float32",), (8, 6)),
    ):
        assert compiled.machine_code("a.kernel", function, types, generation) != first
    assert len(compiling) == len(list(tmp_path.glob("*.code"))) == 4


def test_damaged_code_for_a_card_is_compiled_anew(compiling, tmp_path):
    first = compiled.machine_code("a.kernel", multiplying(2.0), ("float32",), (9, 0))
    (kept,) = tmp_path.glob("*.code")
    kept.write_bytes(kept.read_bytes()[:-1])
    again = compiled.machine_code("a.kernel", multiplying(2.0), ("float32",), (9, 0))
    assert again != first
    assert len(compiling) == 2
    assert compiled.machine_code("a.kernel", multiplying(2.0), ("float32",), (9, 0)) == again


def test_code_of_other_sources_lies_in_another_folder(monkeypatch):
    before = compiled.source_digest()
    assert before == compiled.source_digest()
    monkeypatch.setattr(compiled, "version", lambda package: "99")
    assert compiled.source_digest() != before


def test_what_numba_cannot_compile_for_a_card_is_told_with_the_versions(monkeypatch):
    def refused(*_: Any, **__: Any) -> Any:
        raise NotImplementedError("no such type\nand more lines")

    monkeypatch.setattr("numba.cuda.compile_ptx", refused, raising=False)
    with pytest.raises(
        devices.DeviceError, match=rf"cannot compile a.kernel for the card \(numba .*numpy {np.__version__}\)"
    ):
        compiled._compiled("a.kernel", multiplying(2.0), (), (9, 0))


# --- accuracy on a card -------------------------------------------------------------------------------------


def compared(device: Any) -> CardCase:
    steps = Step.of("balance", Balance(temperature=10), image="plate"), Step.of("key", SkinKey(), image="balance")
    return card_accuracy._compared(
        device, Graph.of(*steps, result="balance", matte="key"), skin_frame(64, 48), "a picture", "generated", "stroke"
    )


def test_a_card_that_gives_the_processors_pictures_holds():
    device = a_device()
    device.kernels.clear()
    case = compared(device)
    assert case.holds
    assert case.matte == case.picture == 0


@pytest.mark.parametrize("spoilt", ["picture", "again", "bad pixels"])
def test_a_card_that_gives_other_pictures_does_not_hold(spoilt):
    device, runs = a_device(), []

    def adapt(image: Any, *given: Any, **named: Any) -> Any:
        runs.append(image)
        result = balance.adapt(image.array, *given, **named)
        if spoilt == "picture":
            result[3, 3] += 1e-3
        elif spoilt == "again":
            result[3, 3] += len(runs) * 1e-6
        elif not np.isfinite(image.array).all():
            result[3:5, 3:5] = np.nan
        return Elsewhere(result, device)

    device.kernels["balance.adapt"] = adapt
    case = compared(device)
    assert not case.holds
    assert (case.picture > 4.9e-4) == (spoilt == "picture")
    assert case.again_same_bits == (spoilt != "again")
    assert case.bad_pixels_alike == (spoilt == "again")


def test_accuracy_on_a_card_needs_a_card(monkeypatch):
    no_card(monkeypatch)
    result = CliRunner().invoke(bench.command, ["gpu", "--accuracy"])
    assert isinstance(result.exception, devices.DeviceError)
    assert "--pictures goes with --accuracy" in CliRunner().invoke(bench.command, ["gpu", "--pictures", "."]).output
    assert (
        "must name a graphics card"
        in CliRunner().invoke(bench.command, ["gpu", "--accuracy", "--device", "cpu"]).output
    )


# --- where arrays lie ---------------------------------------------------------------------------------------


class Elsewhere(devices.OnDevice):
    """An array on a device that has one kernel."""

    def __init__(self, array: np.ndarray, device: Any) -> None:
        self.array, self.shape, self.device = array, array.shape, device


def a_device() -> SimpleNamespace:
    device = SimpleNamespace(name="cuda:0", kernels={}, enter=lambda: None)
    device.sent = lambda array: Elsewhere(np.asarray(array), device)
    device.brought = lambda array: array.array
    device.held = lambda array: array.copy()
    device.frames_at_once = lambda picture: 3
    device.kernels["balance.adapt"] = lambda image, *_, **__: Elsewhere(image.array + 1, device)
    return device


def test_a_kernel_works_where_its_picture_lies():
    device, image = a_device(), skin_frame(8, 6)
    there = Balance(temperature=10).process(device.sent(image))
    assert isinstance(there, Elsewhere)
    np.testing.assert_array_equal(np.asarray(there), image + 1)
    assert isinstance(Balance(temperature=10).process(image), np.ndarray)


def test_a_kernel_that_a_device_lacks_works_on_the_processor():
    device, image = a_device(), skin_frame(8, 6)
    curved = ToneCurve(0.1).process(device.sent(image))
    assert isinstance(curved, np.ndarray)
    np.testing.assert_array_equal(curved, ToneCurve(0.1).process(image))


def test_the_runner_says_once_which_step_the_processor_works(caplog):
    image = skin_frame(8, 6)
    steps = Step.of("balance", Balance(temperature=10), image="plate"), Step.of("tone", ToneCurve(0.1), image="balance")
    runner = Runner(Graph.of(*steps, result="tone"))
    with devices.using(a_device()):
        for frame in (1, 2):
            result = runner.run_frame(frame, {"plate": devices.sent(image)})["result"]
    assert isinstance(result, Elsewhere)
    told = [record.getMessage() for record in caplog.records]
    assert len(told) == 1
    assert "tone" in told[0]
    assert "runs on the processor" in told[0]


def test_a_device_is_in_use_in_its_own_thread_only():
    import threading

    seen = []
    with devices.using(a_device()):
        assert devices.current() is not None
        thread = threading.Thread(target=lambda: seen.append(devices.current()))
        thread.start()
        thread.join()
    assert seen == [None]
    assert devices.current() is None


# --- asking for a device ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("given", "name"), [("cpu", "cpu"), ("", "cpu"), ("CUDA", "cuda:0"), ("cuda:2", "cuda:2")])
def test_devices_are_asked_for_by_name(given, name):
    assert devices.parse(given) == name


@pytest.mark.parametrize("given", ["gpu", "cuda:", "cuda:-1", "cuda:x", "opencl"])
def test_an_unknown_device_is_named(given):
    with pytest.raises(devices.DeviceNameError, match="use cpu, cuda for the first graphics card, or cuda:1"):
        devices.parse(given)


def no_card(monkeypatch) -> None:
    monkeypatch.setattr("numba.cuda.is_available", lambda: False)


def test_without_a_card_there_is_one_clear_sentence(monkeypatch):
    no_card(monkeypatch)
    result = CliRunner().invoke(bench.command, ["gpu"])
    assert isinstance(result.exception, devices.DeviceError)
    assert str(result.exception).startswith("There is no graphics card that numba can use")
    assert "pip install 'inkarnat[cuda]'" in str(result.exception)


def test_a_driver_that_is_too_old_is_named(monkeypatch):
    def broken() -> bool:
        raise RuntimeError("[35] Call to cuInit results in CUDA_ERROR_INSUFFICIENT_DRIVER\nand more lines")

    monkeypatch.setattr("numba.cuda.is_available", broken)
    with pytest.raises(devices.DeviceError, match=r"its driver is too old \(.*INSUFFICIENT_DRIVER\); install a newer"):
        found.find_card()


def test_packages_that_do_not_fit_are_named_with_their_versions():
    with pytest.raises(devices.DeviceError, match=rf"numpy {np.__version__} do not fit \(module 'numpy' .*numpy<2\.5"):
        found.compile_first(lambda: getattr(np, "row_stack_of_old"))  # noqa: B009


LIMITED = """
import sys, weakref
from inkarnat.kernels.cuda import memory
from inkarnat.kernels import devices
class Pool:
    # memory that ends: a card's, or of the processor for a card
    def __init__(self, allocate, limit):
        self.allocate, self.limit, self.used, self.most, self.refused = allocate, limit, 0, 0, 0
    def __call__(self, count, dtype):
        size = count * memory.np.dtype(dtype).itemsize
        if self.used + size > self.limit:
            self.refused += 1
            raise RuntimeError("[2] Call to cuMemAlloc results in CUDA_ERROR_OUT_OF_MEMORY")
        self.used += size
        self.most = max(self.most, self.used)
        array = self.allocate(count, dtype)
        weakref.finalize(array, self.give, size)
        return array
    def give(self, size):
        self.used -= size
class Driver:
    # numba's functions with two pools
    def __init__(self, card, host):
        self.device_array, self.mapped_array = Pool(memory_of.device_array, card), Pool(memory_of.mapped_array, host)
    def __getattr__(self, name):
        return getattr(memory_of, name)
memory_of = memory.cuda
def limit(card, host):
    memory.cuda = Driver(card, host)
    memory.free_and_whole = lambda: (3 << 20, 80 << 20)
    return memory.cuda.device_array, memory.cuda.mapped_array
"""


def test_a_full_card_says_how_much_is_missing():
    program = """
card = devices.opened("cuda")
card.memory.lent(100)
pools = limit(1000, 1000)
try:
    card.memory.lent(64 << 18)
except devices.DeviceError as error:
    print(error, *(pool.refused for pool in pools))
"""
    told = in_the_simulator(LIMITED + program)
    assert "64 MB more are needed, and 3 of its 80 MB are free" in told
    assert "work with --device cpu" in told
    assert told.strip().endswith("2 1"), "it must give idle memory back, ask again, and ask the processor's memory"


LANES = """
import gc, threading, time, weakref
import test_cuda as tests
from inkarnat.kernels import devices
from inkarnat.kernels.cuda import card as cards, kernels

tried, opened, marked = cards._tried, [], []

def slowly(index):
    time.sleep(0.2)
    return tried(index)

def in_a_lane(name, work):
    thread = threading.Thread(target=lambda: (card.enter(), work()), name=name)
    thread.start()
    thread.join()

cards._tried = slowly
threads = [threading.Thread(target=lambda: opened.append(devices.opened("cuda"))) for _ in range(3)]
[thread.start() for thread in threads]
[thread.join() for thread in threads]
print("cards", len(set(map(id, opened))))
card = opened[0]
mark = card.lanes.mark
card.lanes.mark = lambda lane=None: marked.append(lane) or mark(lane)
card.enter()
image, constant = card.sent(tests.picture(4)), card.constants(1.0, 2.0)
in_a_lane("constant", lambda: card.constants(1.0, 2.0))
print("constant", *constant.users)
in_a_lane("colour", lambda: image[..., :3])
print("colour", *image.colour.users, *marked)
marked.clear()
in_a_lane("luma", lambda: kernels._luma(card, card.reading(image)))
card.reading(image)
print("luma", *marked, *image.luma.users)
held = [card.memory.lent(77)]
held.append(held)  # as an error does that holds who called
place, freed = weakref.ref(held[0].array), []
weakref.finalize(held[0].array, freed.append, "freed")
del held
gc.collect()
print("cycle", card.memory.lent(77).array is place(), *freed)
"""


def test_each_lane_of_a_card_waits_for_what_another_makes_and_is_noted_as_its_reader():
    """One card however many threads open it; memory that a lane reads is not lent again before its stream is done.

    Blocks that lie in a cycle, as after compiling, come back with the memory that they had.
    """
    told = dict(line.split(" ", 1) for line in in_the_simulator(LANES).splitlines())
    assert told["cards"] == "1"
    assert told["constant"] == "constant"
    assert told["colour"] == "colour MainThread"
    assert told["luma"] == "MainThread luma MainThread"
    assert told["cycle"] == "True", "memory that the collector of cycles has freed must not be lent again"


def small_graph() -> Graph:
    return Graph.of(
        Step.of("balance", Balance(temperature=20), image="plate"),
        Step.of("skin", RangeKey(), image="balance"),
        Step.of("steer", SteerSkin(angle=5.0), image="balance", matte="skin"),
        result="steer",
    )


RENDERED_WITH_LITTLE_MEMORY = """
import numpy as np
import test_cuda as tests
from inkarnat.host_adapters.graphs import runner
from inkarnat.kernels.cuda import card as cards

class Clip:
    path, width, height, frames = "clip", tests.WIDTH, tests.HEIGHT, range(1, 5)
    def read(self, frame):
        image = tests.picture()
        image[1] += 0.01 * frame
        return image
    def paths(self):
        return []
class Kept:
    def __init__(self):
        self.found = {}
    def prepared(self, frame, picture):
        return np.asarray(getattr(picture, "picture", picture)).copy()
    def write(self, frame, picture):
        self.found[frame] = picture

def run(card_bytes, host_bytes):
    card = cards.Card(0)
    card.frames_at_once = lambda picture: 3
    pools = limit(card_bytes, host_bytes)
    kept = Kept()
    report = runner.render(tests.small_graph(), {"plate": Clip()}, {"result": kept}, Clip.frames, device=card)
    memory.cuda = memory_of
    return kept.found, report, pools

whole, report, (card, host) = run(1 << 40, 0)
assert not report.failed and not card.refused, report.failed
one = card.most / 3
for name, sizes in {"alone": (1.5 * one, 0), "beside": (0.3 * one, 1 << 40), "refused": (0.3 * one, 0.1 * one)}.items():
    found, report, (card, host) = run(*map(int, sizes))
    same = [frame for frame in found if np.array_equal(found[frame].view(np.uint32), whole[frame].view(np.uint32))]
    why = next(iter(report.failed.values()), "")
    print(name, len(same), bool(card.refused), host.most > 0, len(report.failed), why)
"""


@pytest.fixture(scope="module")
def with_little_memory() -> dict[str, str]:
    told = in_the_simulator(LIMITED + RENDERED_WITH_LITTLE_MEMORY)
    lines = [line.partition(" ") for line in told.splitlines()]
    return {name: rest for name, _, rest in lines if name in ("alone", "beside", "refused")} | {"all": told}


def test_frames_that_do_not_fit_beside_each_other_are_worked_one_by_one(with_little_memory):
    """Of four frames, all have the bits of a card with memory enough; nothing lies in the processor's memory."""
    assert with_little_memory["alone"].split() == ["4", "True", "False", "0"]


def test_what_a_card_cannot_hold_lies_in_the_processors_memory_with_the_same_bits(with_little_memory):
    assert with_little_memory["beside"].split() == ["4", "True", "True", "0"]
    assert with_little_memory["all"].count("what does not fit lies in the processor's memory") == 1


def test_where_neither_has_memory_each_frame_is_refused_with_figures_and_the_fix(with_little_memory):
    assert with_little_memory["refused"].startswith("0 True False 4 ")
    assert "The graphics card's memory is full: " in with_little_memory["refused"]
    assert "3 of its 80 MB are free" in with_little_memory["refused"]
    assert "work with --device cpu" in with_little_memory["refused"]


def test_fewer_frames_are_worked_at_once_where_a_card_has_little_memory():
    program = """
from inkarnat.kernels import devices
from inkarnat.kernels.cuda import memory
card = devices.opened("cuda")
for free in (10 << 30, 1 << 30, 1 << 20):
    memory.free_and_whole = lambda: (free, 10 << 30)
    print(card.frames_at_once(12 * 3840 * 2160), end=" ")
"""
    assert in_the_simulator(program).split() == ["3", "1", "1"]


@pytest.fixture
def job(tmp_path):
    """A graph and the names of a clip of two pictures and its result."""
    for number in (1, 2):
        with open_writer(tmp_path / f"plate.{number}.tif") as file:
            file.write(1, skin_frame(16, 12, seed=number))
    path = tmp_path / "g.json"
    Graph.of(Step.of("balance", Balance(temperature=9), image="plate"), result="balance").save(path)
    plate, out = tmp_path / "plate.#.tif", tmp_path / "out.#.exr"
    return SimpleNamespace(
        graph=path, plate=plate, out=out, words=[str(path), "--in", f"plate={plate}", "--out", f"result={out}"]
    )


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(cli.cli, [str(word) for word in words])
    code = result.exit_code if isinstance(result.exception, SystemExit) or result.exception is None else 1
    return code, result.output


def test_a_run_without_a_card_falls_back_before_its_first_frame(monkeypatch, job):
    no_card(monkeypatch)
    code, told = run("render", *job.words, "--device", "cuda")
    assert code == 0, told
    assert told.count("This run works on the processor.") == 1
    assert (job.out.parent / "out.2.exr").exists()
    assert devices.VARIABLE not in os.environ


def test_the_variable_asks_for_a_device_as_the_option_does(monkeypatch, job):
    no_card(monkeypatch)
    monkeypatch.setenv(devices.VARIABLE, "cuda:1")
    assert "This run works on the processor." in run("render", *job.words)[1]
    code, told = run("render", *job.words, "--overwrite", "--device", "cpu")
    assert code == 0
    assert "works on the processor" not in told


def test_a_chunk_of_a_card_fails_with_its_cause_and_never_falls_back(monkeypatch, job):
    no_card(monkeypatch)
    with open_clip(job.plate) as clip:
        planned = Job.of(Graph.load(job.graph), {"plate": clip}, {"result": str(job.out)}, device="cuda:0")
    events: list[Any] = []
    work(planned, Chunk((1, 2)), events.append)
    assert [type(event) for event in events] == [Failed, Failed, Finished]
    assert "There is no graphics card" in events[0].reason
    assert not (job.out.parent / "out.1.exr").exists()


def test_the_device_is_part_of_a_jobs_identity(job):
    with open_clip(job.plate) as clip:
        made = {
            name: Job.of(Graph.load(job.graph), {"plate": clip}, {"result": str(job.out)}, device=name)
            for name in ("cpu", "cuda:0", "cuda:1")
        }
    assert len({planned.identity for planned in made.values()}) == 3


def test_a_job_template_asks_for_the_device(job):
    told = run("job", *job.words, "--device", "cuda")[1]
    assert "--device" in told
    assert "cuda:0" in told
    assert "--device" not in run("job", *job.words)[1]


RENDERED_IN_THE_SIMULATOR = """
import sys
from inkarnat.host_adapters.commands.cli import cli
try:
    cli.main(sys.argv[1:])
except SystemExit as end:
    print("exit", end.code)
"""


def test_a_resumed_run_never_mixes_devices(job):
    """One of two frames is missing: on the same card it alone is made again, on the processor both are."""
    words = ["render", *map(str, job.words), "--resume"]
    assert "exit 0" in in_the_simulator(RENDERED_IN_THE_SIMULATOR, *words, "--device", "cuda")
    first, second = (job.out.parent / f"out.{number}.exr" for number in (1, 2))
    made = first.read_bytes()
    second.unlink()
    before = first.stat().st_mtime_ns
    told = in_the_simulator(RENDERED_IN_THE_SIMULATOR, *words, "--device", "cuda")
    assert "exit 0" in told
    assert "another job" not in told
    assert first.stat().st_mtime_ns == before
    assert second.exists()
    second.unlink()
    told = in_the_simulator(RENDERED_IN_THE_SIMULATOR, *words)
    assert "its graph, codec, device or version differs" in told
    assert first.stat().st_mtime_ns != before
    assert second.exists()
    assert len(made) > 0


def test_a_measured_run_is_told_as_a_table_and_as_json(monkeypatch):
    step = bench_card.CardStep("balance", 0.05, 199_000_000, 0.9)
    measured = bench_card.CardRun(
        "Some Card", "numba 0", (64, 32), 4e12, (step,), 0.8, 260.0, 1e-5, 2e-6, 1, 1e-4, True
    )
    monkeypatch.setattr(bench_card, "measure_card", lambda *_: measured)
    told = json.loads(CliRunner().invoke(bench.command, ["gpu", "--json"]).stdout)
    assert told["steps"][0]["share_of_copy"] == 0.9
    lines = CliRunner().invoke(bench.command, ["gpu"]).stdout.splitlines()
    assert lines[0].startswith("Some Card, numba 0, 64×32")
    assert "balance\t0.050 ms\t199 MB\t0.90" in lines
    assert "two runs: the same bits" in lines


def test_wrong_results_of_a_card_are_refused(monkeypatch):
    chain = bench_card.Chain(64, 48)
    assert bench_card.differences_from_processor(chain)[:2] == (0, 0)
    found: list[int] = []
    right = chain.work

    def wrong(picture: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        result, matte = right(picture)
        found.append(1)
        return (result, matte + np.float32(0.01)) if len(found) == 1 else (result, matte)

    monkeypatch.setattr(chain, "work", wrong)
    with pytest.raises(devices.DeviceError, match="its times would mean nothing"):
        bench_card.differences_from_processor(chain)


def test_the_measured_chain_keys_the_skin_of_its_frame():
    chain = bench_card.Chain(96, 54)
    _, matte = chain.work(codes.planes_to_picture(chain.planes, bench_card.CODING))
    x0, y0, x1, y1 = (round(v * side) for v, side in zip(SKIN_BOX, (96, 54, 96, 54), strict=True))
    assert matte[y0:y1, x0:x1].mean() > 0.8
    assert matte.mean() < 0.6
    assert isinstance(learn_skin_key(skin_frame(96, 54), [Sample.box(*SKIN_BOX)]), SkinKey)
