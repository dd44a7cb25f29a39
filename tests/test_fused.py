"""The fused sweeps against the single steps they stand for: the same bits, whatever the steps, threads and strips."""

from __future__ import annotations

import dataclasses
import functools
import inspect

import numpy as np
import pytest
from inkarnat.host_adapters.bench.frames import skin_frame
from inkarnat.host_adapters.graphs.errors import NodeError
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.kernels import arrays, colour, fused, qualify, steer, strips, tiles
from inkarnat.kernels.clean import close_pinholes, levels, remove_specks
from inkarnat.kernels.errors import PictureError, ValueRangeError
from inkarnat.kernels.gaussian import gaussian
from inkarnat.kernels.guided import guided
from inkarnat.kernels.jit import numba_config
from inkarnat.kernels.morphology import grow, shrink
from inkarnat.nodes import CorrectSkin, RangeKey, SkinKey, SoftenMatte, SteerSkin
from inkarnat.nodes.declare import Rows
from numba.core.dispatcher import _DispatcherBase

RANGES = ((80, 160), (0.05, 0.3), (0.1, 0.9), 0.1)
NATURAL = SkinKey().learned

STEPS = [
    fused.Softening(),
    fused.Softening(2, 1.5, 0.7, 4, 4e-4, 1.2, 0.02, 0.98),
    fused.Softening(3, 3, 1, 9, 4e-4),
    fused.Softening(2, 3, 0.7, 6, 4e-4, 3.2, 0.02, 0.98),
    fused.Softening(0, 4, 0.5, 2, 4e-4, 7, 0.9, 0.1),
    fused.Softening(sigma=13, floor=0.1),
    fused.Softening(sigma=0.4),
    fused.Softening(specks=0.1, pinholes=0.1),
]


def picture(rows: int, columns: int, channels: int) -> np.ndarray:
    """A soft pattern of skin and other tones with noise, bad pixels and values beyond 0 to 1."""
    noise = np.random.default_rng(7).normal(0, 0.02, (rows, columns, channels))
    y, x = np.mgrid[0:rows, 0:columns]
    tones = [0.55 + 0.5 * np.sin(x / 30), 0.4 + 0.2 * np.sin(y / 20), 0.3 + 0.2 * np.sin((x + y) / 25), 0 * x + 0.5]
    image = (np.stack(tones[:channels], -1) + noise).astype(np.float32)
    image[5, 7], image[50, 9, 1] = np.nan, np.inf
    return image


def one_by_one(matte: np.ndarray, image: np.ndarray, steps: fused.Softening) -> np.ndarray:
    matte = close_pinholes(remove_specks(matte, steps.specks), steps.pinholes)
    if steps.follow:
        matte = guided(matte, colour.luma(image), steps.radius, steps.epsilon, steps.follow)
    matte = gaussian(matte, steps.sigma)
    return levels(matte, steps.floor, steps.ceiling) if steps.levelled else matte


def sources(image: np.ndarray):
    plane = qualify.range_key(image, *RANGES)
    plane[::13, ::7] = np.nan
    yield plane, fused.from_plane(plane, image)
    yield qualify.range_key(image, *RANGES), fused.from_ranges(image, qualify.range_constants(*RANGES))
    form = NATURAL.centre, NATURAL.compact
    yield qualify.learned_key(image, *form), fused.from_edge(image, qualify.learned_edge(image, *form))


@pytest.mark.skipif(numba_config.DISABLE_JIT, reason="nothing is compiled")
def test_what_is_compiled_is_found_without_python(monkeypatch):
    """numba confuses named tuples that hold the same: it looks types up in Python then, .18 ms at every call."""
    image, looked_up = picture(131, 77, 3), []
    compiled = _DispatcherBase._compile_for_args

    def noted(self, *arguments, **named):
        looked_up.append(self.py_func.__name__)
        return compiled(self, *arguments, **named)

    def work(of: list[fused.Source]) -> None:
        for source in of:
            fused.turn_skin(image, source, STEPS[3], 7, 1.2)

    found = [source for _, source in sources(image)]
    work(found)
    monkeypatch.setattr(_DispatcherBase, "_compile_for_args", noted)
    work(found)
    assert not looked_up
    arrays._gathered_strips(np.zeros((2, 2)), np.zeros((2, 2)), 0, 2)
    assert looked_up == ["_gathered_strips"]  # no plane is float64: numba had to look


@pytest.mark.parametrize("steps", STEPS)
@pytest.mark.parametrize("shape", [(270, 481, 3), (131, 77, 4)])
def test_sweeps_give_the_bits_of_the_single_steps(shape, steps, same_bits):
    image = picture(*shape)
    for plane, source in sources(image):
        matte = one_by_one(plane, image, steps)
        same_bits(fused.soften_matte(source, steps), matte)
        seen = np.empty_like(matte)
        turned = fused.turn_skin(image, source, steps, 7, 1.2, matte=seen)
        same_bits(turned, steer.turn(image, matte, 7, 1.2))
        same_bits(seen, matte)


@pytest.mark.parametrize("steps", STEPS)
def test_one_picture_alone_is_softened_in_single_steps_with_the_same_bits(steps, same_bits, monkeypatch):
    image = picture(131, 77, 3)
    plane, source = next(sources(image))
    matte = fused.soften_matte(source, steps)
    seen, turned = np.empty_like(matte), fused.turn_skin(image, source, steps, 7, 1.2)

    def swept(*_: object) -> None:
        pytest.fail("a sweep was made")

    monkeypatch.setattr(fused, "_finish", swept)
    with fused.in_single_steps():
        same_bits(fused.soften_matte(source, steps), matte)
        out = np.empty_like(matte)
        assert fused.soften_matte(source, steps, out) is out
        same_bits(out, matte)
        same_bits(fused.turn_skin(image, source, steps, 7, 1.2, matte=seen), turned)
        same_bits(seen, matte)
        same_bits(fused.turn_skin(image, source, steps, 7, 1.2), turned)
        keyed = fused.from_ranges(image, qualify.range_constants(*RANGES))
        with pytest.raises(pytest.fail.Exception, match="a sweep was made"):
            fused.soften_matte(keyed, steps)
    with pytest.raises(pytest.fail.Exception, match="a sweep was made"):
        fused.soften_matte(fused.from_plane(plane, image), steps)


@pytest.mark.parametrize("sigma", [1.2, 2.5, 4.4, 7, 13])
@pytest.mark.parametrize("shape", [(1, 1), (1, 2), (3, 1), (2, 3), (7, 66), (17, 129)])
def test_tiny_mattes_are_blurred_as_by_themselves(shape, sigma, same_bits):
    plane = np.random.default_rng(3).random(shape, np.float32)
    steps = fused.Softening(sigma=sigma)
    same_bits(fused.soften_matte(fused.from_plane(plane), steps), gaussian(plane, sigma))


def frame_with_bad_pixels() -> np.ndarray:
    """The benchmarks' frame, with a hole of NaN in its wall and one in its skin, and values beyond white."""
    image = skin_frame(641, 363)
    image[20:40, 10:90], image[150:153, 260:270, 1], image[300:310, 100:300] = np.nan, np.inf, 7
    return image


@pytest.mark.parametrize("steps", STEPS)
def test_tiles_that_are_passed_over_keep_their_bits(steps, same_bits):
    image = frame_with_bad_pixels()
    for plane, source in sources(image):
        before = source.states.copy()
        matte = one_by_one(plane, image, steps)
        seen = np.empty_like(matte)
        same_bits(fused.turn_skin(image, source, steps, 7, 1.2, matte=seen), steer.turn(image, matte, 7, 1.2))
        same_bits(seen, matte)
        np.testing.assert_array_equal(source.states, before)


def test_every_kind_of_tile_is_found_and_is_what_it_is_called():
    image = frame_with_bad_pixels()
    plane = qualify.range_key(image, *RANGES)
    steps = dataclasses.replace(STEPS[1], specks=4)
    course = fused._Course(fused.from_ranges(image, qualify.range_constants(*RANGES)), plane.shape)
    course.ready(steps)
    strips.over_stages(course.stages)
    ready = course.source
    matte = one_by_one(plane, image, dataclasses.replace(steps, sigma=0, floor=0, ceiling=1))
    assert set(np.unique(ready.states)) == {tiles.EMPTY, tiles.FULL, tiles.MIXED}
    for value, state in ((0, tiles.EMPTY), (1, tiles.FULL)):
        known = np.kron(ready.states == state, np.ones((tiles.ROWS, tiles.COLUMNS), bool))[:363, :641]
        assert (matte[known] == value).all()


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_threads_do_not_change_the_bits(threads, same_bits):
    image = picture(270, 481, 3)
    both = STEPS[1], STEPS[3]
    with strips.threads(1):
        once = [fused.turn_skin(image, source, steps, 7, 1.2) for _, source in sources(image) for steps in both]
    with strips.threads(threads):
        again = [fused.turn_skin(image, source, steps, 7, 1.2) for _, source in sources(image) for steps in both]
    for first, second in zip(once, again, strict=True):
        same_bits(first, second)


@pytest.mark.parametrize("position", [-6, 0, 6])
def test_the_soften_node_runs_its_steps_in_the_order_of_its_parameters(position, same_bits):
    image = picture(270, 481, 3)
    node = SoftenMatte(position=position, invert=position > 0)
    steps = node.steps(270, guided=True)
    plane = qualify.range_key(image, *RANGES)
    moved = close_pinholes(remove_specks(plane, steps.specks), steps.pinholes)
    if position:
        moved = (grow if position > 0 else shrink)(moved, abs(position) * 0.27)
    later = dataclasses.replace(steps, specks=0.0, pinholes=0.0)
    same_bits(node.process(plane, image), one_by_one(moved, image, later))


def test_correct_skin_gives_the_bits_of_its_nodes(same_bits):
    image = picture(270, 481, 3)
    matte = SoftenMatte(softness=2).process(SkinKey(width=0.1).process(image), image)
    steered = SteerSkin(angle=5, saturation=1.1, amount=0.8).process(image, matte)
    node = CorrectSkin(width=0.1, softness=2, angle=5, skin_saturation=1.1, amount=0.8)
    same_bits(node.process(image), steered)
    same_bits(node.process(image, np.ones(image.shape[:2], np.float32)), steered)


def test_what_cannot_be_softened_is_named():
    image = picture(131, 77, 3)
    plane = qualify.range_key(image, *RANGES)
    with pytest.raises(ValueRangeError, match="guide"):
        fused.soften_matte(fused.from_plane(plane), fused.Softening(follow=0.5))
    with pytest.raises(ValueRangeError, match="different"):
        fused.soften_matte(fused.from_plane(plane), fused.Softening(floor=0.5, ceiling=0.5))
    with pytest.raises(PictureError, match="size"):
        fused.from_plane(plane[:-1], image)
    with pytest.raises(PictureError, match="size"):
        fused.turn_skin(image, fused.from_plane(plane[:-1]), fused.Softening(), 5)
    with pytest.raises(PictureError, match="share memory"):
        fused.turn_skin(image, fused.from_plane(plane, image), fused.Softening(), 5, out=image)


# --- joined by the runner -------------------------------------------------------------------------------------

BARE = SoftenMatte(specks=0, pinholes=0, follow=0, softness=0)
KEYS = {"range": RangeKey(), "skin": SkinKey(width=0.1), "premultiplied": RangeKey(premultiplied=True)}
SOFTENS = {
    "default": SoftenMatte(),
    "blurred": dataclasses.replace(BARE, softness=6),
    "softly blurred": dataclasses.replace(BARE, softness=2, invert=True),
    "following": dataclasses.replace(BARE, follow=1),
    "cleaned": dataclasses.replace(BARE, specks=9),
    "moved": dataclasses.replace(BARE, position=4, softness=3),
    "bare": dataclasses.replace(BARE, floor=0, ceiling=1),
}
STEERS = {
    "turn": SteerSkin(angle=7, saturation=1.2, amount=0.9),
    "split": SteerSkin(angle=7, shadow_angle=3),
    "shift": SteerSkin(angle=7, method="shift"),
    "nothing": SteerSkin(),
}


@pytest.fixture
def handed(monkeypatch):
    """Note, for each node that softens or steers, whether it was given a lazy or a whole matte."""
    noted = []

    def note(kind, method):
        own = getattr(kind, method)
        signature = inspect.signature(own)

        @functools.wraps(own)
        def noting(self, *arguments, **named):
            matte = signature.bind(self, *arguments, **named).arguments["matte"]
            noted.append((kind, "rows" if isinstance(matte, Rows) else "whole"))
            return own(self, *arguments, **named)

        monkeypatch.setattr(kind, method, noting)

    note(SteerSkin, "process")
    note(SoftenMatte, "rows")
    return noted


def chain(key, softening, steering, guide="plate", **outputs):
    wires = {"matte": "key"} | ({"guide": guide} if guide else {})
    return Graph.of(
        Step.of("key", key, image="plate"),
        Step.of("soften", softening, **wires),
        Step.of("steer", steering, image="plate", matte="soften"),
        sources=["plate", "other"],
        **({"result": "steer"} | outputs),
    )


def by_hand(image, key, softening, steering, guide=None):
    matte = softening.process(key.process(image), guide)
    return steering.process(image, matte), matte


@pytest.mark.parametrize("channels", [3, 4])
@pytest.mark.parametrize("softening", SOFTENS.values(), ids=SOFTENS)
@pytest.mark.parametrize("key", KEYS.values(), ids=KEYS)
def test_joined_nodes_give_the_bits_of_the_single_ones(key, softening, channels, same_bits):
    image = picture(270, 481, channels)
    for guide in ("plate", "other", None):
        read = {"plate": image, "other": image[::-1].copy(), None: None}
        expected, _ = by_hand(image, key, softening, STEERS["turn"], read[guide])
        for count in (1, 2):
            with strips.threads(count):
                made = Runner(chain(key, softening, STEERS["turn"], guide)).run_frame(1, read)["result"]
            same_bits(made, expected)


@pytest.mark.parametrize("steering", STEERS.values(), ids=STEERS)
def test_every_way_of_steering_takes_what_the_runner_hands_it(steering, same_bits):
    image = picture(131, 77, 3)
    expected, matte = by_hand(image, KEYS["range"], SOFTENS["blurred"], steering, image)
    run = Runner(chain(KEYS["range"], SOFTENS["blurred"], steering)).run_frame(1, {"plate": image})
    same_bits(run["result"], expected)
    rows = SOFTENS["blurred"].rows(KEYS["range"].rows(image), image)
    same_bits(steering.process(image, rows), expected)
    same_bits(rows.whole(), matte)


@pytest.mark.parametrize(
    ("softening", "steering", "expected"),
    [
        ("blurred", "turn", ["rows", "rows"]),
        ("following", "turn", ["rows", "rows"]),
        ("default", "turn", ["whole", "rows"]),
        ("moved", "turn", ["whole", "rows"]),
        ("blurred", "split", ["rows", "whole"]),
        ("blurred", "nothing", ["rows", "whole"]),
    ],
)
def test_a_matte_is_left_in_the_making_where_that_is_faster(softening, steering, expected, handed):
    graph = chain(KEYS["range"], SOFTENS[softening], STEERS[steering])
    Runner(graph).run_frame(1, {"plate": picture(131, 77, 3)})
    assert handed == list(zip((SoftenMatte, SteerSkin), expected, strict=True))


def test_a_premultiplied_picture_is_keyed_whole(handed):
    Runner(chain(KEYS["premultiplied"], SOFTENS["blurred"], STEERS["turn"])).run_frame(
        1, {"plate": picture(131, 77, 4)}
    )
    assert handed == [(SoftenMatte, "whole"), (SteerSkin, "rows")]


def test_a_matte_that_is_an_output_is_made_once_and_whole(handed, same_bits):
    image = picture(131, 77, 3)
    made = Runner(chain(KEYS["range"], SOFTENS["blurred"], STEERS["turn"], matte="soften", keyed="key")).run_frame(
        1, {"plate": image}
    )
    assert [how for _, how in handed] == ["whole", "whole"]
    expected, matte = by_hand(image, KEYS["range"], SOFTENS["blurred"], STEERS["turn"], image)
    same_bits(made["result"], expected)
    same_bits(made["matte"], matte)
    same_bits(made["keyed"], KEYS["range"].process(image))


def test_a_matte_with_two_readers_is_made_once_and_whole(handed, same_bits):
    image = picture(131, 77, 3)
    one = chain(KEYS["range"], SOFTENS["blurred"], STEERS["turn"])
    again = Step.of("again", SteerSkin(angle=-4), image="steer", matte="soften")
    made = Runner(Graph.of(*one.steps, again, result="again")).run_frame(1, {"plate": image})["result"]
    assert [how for _, how in handed] == ["rows", "whole", "whole"]
    steered, matte = by_hand(image, KEYS["range"], SOFTENS["blurred"], STEERS["turn"], image)
    same_bits(made, SteerSkin(angle=-4).process(steered, matte))


def test_a_matte_that_is_softened_twice_keeps_its_bits(same_bits):
    image = picture(131, 77, 3)
    first, second = SOFTENS["blurred"], SOFTENS["softly blurred"]
    graph = Graph.of(
        Step.of("key", KEYS["range"], image="plate"),
        Step.of("first", first, matte="key"),
        Step.of("second", second, matte="first", guide="plate"),
        result="second",
    )
    made = Runner(graph).run_frame(1, {"plate": image})["result"]
    same_bits(made, second.process(first.process(KEYS["range"].process(image)), image))


def test_what_fails_in_joined_nodes_is_named():
    image = picture(131, 77, 3)
    graph = chain(KEYS["range"], SOFTENS["following"], STEERS["turn"], guide="other")
    with pytest.raises(NodeError, match=r"Node 'soften' .soften_matte. failed at frame 1: The guide is 77×130 pixels"):
        Runner(graph).run_frame(1, {"plate": image, "other": image[1:]})
