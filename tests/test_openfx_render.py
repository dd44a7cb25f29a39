"""OpenFX rendering: the bundle's pixels against the nodes themselves, in every layout and at every place."""

from __future__ import annotations

import threading

import numpy as np
import PIL.Image
import pytest
from inkarnat.nodes import NODES
from inkarnat.nodes.declare import Node
from ofx_host import HostImage, Stage
from ofx_host.bundles import loaded, loaded_trials

HEIGHT, WIDTH = 40, 56
TYPES = {"byte": np.uint8, "short": np.uint16, "half": np.float16, "float": np.float32}
LAYOUTS = {"RGBA": 4, "RGB": 3, "Alpha": 1}

every_node = pytest.mark.parametrize("kind", NODES.values(), ids=NODES.keys())


def pixels(channels: int = 4, type: type = np.float32, seed: int = 3, size=(HEIGHT, WIDTH)) -> np.ndarray:
    """Shades and noise, lowest row first, with skin-like colour in the middle; float reaches beyond 0 and 1."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[0 : size[0], 0 : size[1]] / max(size)
    colour = np.stack([0.25 + 0.6 * x, 0.2 + 0.45 * x + 0.1 * y, 0.15 + 0.4 * x], axis=-1)
    colour = colour + random.normal(0, 0.05, colour.shape)
    values = np.concatenate([colour, random.random((*size, 1))], axis=-1)
    values = values[..., 3:] if channels == 1 else values[..., :channels]
    if np.dtype(type).kind == "f":
        values[0, 0], values[0, 1] = -0.125, 1.5
        return values.astype(type)
    return np.rint(np.clip(values, 0, 1) * np.iinfo(type).max).astype(type)


def settings(kind: type[Node]) -> dict:
    """Values that differ from the defaults, for every number of a node."""
    chosen = {}
    for name, param in kind.params().items():
        low, high = param.shown or (param.low, param.high)
        if param.kind in ("number", "angle"):
            chosen[name] = 0.75 * param.default + 0.25 * (high if param.default < high else low)
        if param.kind == "colour":
            chosen[name] = tuple(0.9 * value + 0.1 * high for value in param.default)
        if param.kind == "whole":
            chosen[name] = param.default
    return chosen


def prepared(kind: type[Node], frame: tuple[int, int, int, int] = (0, 0, WIDTH, HEIGHT), **options):
    """An instance with changed controls, its positions laid into a frame, and the node that it should be."""
    _, effects = loaded()
    instance = effects[kind.name].instance(size=(float(WIDTH), float(HEIGHT)), **options)
    values = settings(kind)
    for name, value in values.items():
        instance[name] = value
    width, height = frame[2] - frame[0], frame[3] - frame[1]
    for control in instance.controls.by_name.values():
        if control.first("DefaultCoordinateSystem"):
            x, y = control.properties.values["OfxParamPropDefault"]
            control.value = (frame[0] + x * width, frame[1] + y * height)
    return instance, kind(**values).fitted(WIDTH, HEIGHT)


def as_floats(image: np.ndarray) -> np.ndarray:
    top = 1 if image.dtype.kind == "f" else np.iinfo(image.dtype).max
    return (image.astype(np.float32) / np.float32(top)).astype(np.float32)


def fed(kind: type[Node], images: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """What the ports of a node get from images, lowest row first: obvious, one line for each rule."""
    source = as_floats(images["Source"])[::-1]
    arrays = {}
    for port, declared in kind.inputs().items():
        clip = clip_of(kind, port)
        if clip in images:
            values = as_floats(images[clip])[::-1]
        elif declared.optional:
            continue
        else:
            values = source if source.shape[2] != 3 else np.ones((*source.shape[:2], 1), np.float32)
        if declared.kind == "matte":
            values = values[..., 3] if values.shape[2] == 4 else values[..., 0]
        elif values.shape[2] == 1:
            values = np.repeat(values, 4, axis=2)
        arrays[port] = np.ascontiguousarray(values)
    return arrays


def clip_of(kind: type[Node], port: str) -> str:
    ports = list(kind.inputs().items())
    if port == ports[0][0]:
        return "Source"
    name = "Matte" if dict(ports)[port].kind == "matte" else "Reference"
    same = [p for p, declared in ports[1:] if declared.kind == dict(ports)[port].kind]
    return name if same[0] == port else port.capitalize()


def shown(result: np.ndarray, channels: int, size: tuple[int, int]) -> np.ndarray:
    """What a result becomes in an image of so many components, lowest row first, as floats."""
    if result.shape[:2] != size:
        result = centred(result, size)
    if result.ndim == 2:
        return np.repeat(result[::-1, :, None], channels, axis=2)
    if channels == 1:
        return result[::-1, :, 3:] if result.shape[2] == 4 else np.ones((*size, 1), np.float32)
    if result.shape[2] < channels:
        result = np.concatenate([result, np.ones((*size, 1), np.float32)], axis=2)
    return result[::-1, :, :channels]


def centred(result: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """A larger result made to fit, each pixel the mean of what it covers; a smaller one amid transparent black."""
    part = min(1.0, size[0] / result.shape[0], size[1] / result.shape[1])
    fits = (round(part * result.shape[1]), round(part * result.shape[0]))
    channels = [PIL.Image.fromarray(np.ascontiguousarray(result[..., c])) for c in range(result.shape[2])]
    result = np.stack([np.asarray(c.resize(fits, PIL.Image.Resampling.BOX)) for c in channels], axis=2)
    out = np.zeros((*size, *result.shape[2:]), np.float32)
    for y in range(size[0]):
        for x in range(size[1]):
            fy, fx = y - (size[0] - result.shape[0]) // 2, x - (size[1] - result.shape[1]) // 2
            if 0 <= fy < result.shape[0] and 0 <= fx < result.shape[1]:
                out[y, x] = result[fy, fx]
    return out


def assert_same(got: np.ndarray, expected: np.ndarray) -> None:
    """Bit for bit at float; within one code value, or one step of half precision, otherwise."""
    if got.dtype == np.float32:
        assert np.array_equal(got.view(np.int32), np.ascontiguousarray(expected).view(np.int32))
    elif got.dtype == np.float16:
        assert np.array_equal(got, expected.astype(np.float16), equal_nan=True)
    else:
        top = np.iinfo(got.dtype).max
        wanted = np.clip(np.nan_to_num(expected.astype(np.float64)), 0, 1) * top
        assert np.abs(got.astype(np.float64) - wanted).max() <= 1


def assert_no_complaints() -> None:
    host, _ = loaded()
    assert not host.complaints, "\n".join(host.complaints)


def rendered(instance, images: dict[str, np.ndarray], origin=(0, 0), output=None, **stage) -> np.ndarray:
    clips = {name: HostImage(image, origin) for name, image in images.items()}
    if output is None:
        output = HostImage(np.full_like(images["Source"], 77), origin)
    assert instance.render(Stage(output, clips, **stage)) == 0, loaded()[0].messages[-1:]
    assert_no_complaints()
    return output.read()


def all_images(kind: type[Node], channels: int = 4, type: type = np.float32) -> dict[str, np.ndarray]:
    images = {}
    for index, (port, declared) in enumerate(kind.inputs().items()):
        mask = index and declared.kind == "matte"
        images[clip_of(kind, port)] = pixels(1 if mask else channels, type, seed=3 + index)
    return images


# --- layouts ------------------------------------------------------------------------------------------------


@every_node
@pytest.mark.parametrize("channels", LAYOUTS.values(), ids=LAYOUTS.keys())
@pytest.mark.parametrize("type", TYPES.values(), ids=TYPES.keys())
def test_the_bundle_renders_what_the_node_does(kind, channels, type):
    instance, node = prepared(kind)
    images = all_images(kind, channels, type)
    expected = shown(node.process(**fed(kind, images)), channels, (HEIGHT, WIDTH))
    assert_same(rendered(instance, images), expected)
    assert instance.destroy() == 0


@every_node
def test_clips_left_open(kind):
    """Optional ones are left out, a matte is taken from the alpha of Source, a missing picture is asked for."""
    host, _ = loaded()
    instance, node = prepared(kind)
    images = {"Source": pixels()}
    needed = [p for p, port in list(kind.inputs().items())[1:] if port.kind == "picture" and not port.optional]
    if not needed:
        assert_same(rendered(instance, images), shown(node.process(**fed(kind, images)), 4, (HEIGHT, WIDTH)))
        return
    output = HostImage(np.full_like(images["Source"], 77))
    assert instance.render(Stage(output, {"Source": HostImage(images["Source"])})) == 1
    assert f"{clip_of(kind, needed[0])} has no picture: connect one" in host.messages[-1][1]
    assert (output.read() == 0).all(), "a failed render leaves no half image"


@every_node
def test_without_a_source_there_is_transparent_black(kind):
    instance, _ = prepared(kind)
    others = {name: HostImage(image) for name, image in all_images(kind).items() if name != "Source"}
    output = HostImage(np.full((HEIGHT, WIDTH, 4), 77, np.float32))
    assert instance.render(Stage(output, others)) == 0
    assert (output.read() == 0).all()
    assert_no_complaints()


@pytest.mark.parametrize("given", LAYOUTS.values(), ids=LAYOUTS.keys())
@pytest.mark.parametrize("wanted", LAYOUTS.values(), ids=LAYOUTS.keys())
def test_source_and_output_may_differ(given, wanted):
    kind = NODES["cdl"]
    instance, node = prepared(kind)
    images = {"Source": pixels(given)}
    output = HostImage(np.full((HEIGHT, WIDTH, wanted), 7, np.uint8))
    got = rendered(instance, images, output=output)
    assert_same(got, shown(node.process(**fed(kind, images)), wanted, (HEIGHT, WIDTH)))


# --- places -------------------------------------------------------------------------------------------------


@every_node
@pytest.mark.parametrize("source_down", [False, True], ids=["bottom-up", "top-down"])
@pytest.mark.parametrize("output_down", [False, True], ids=["to bottom-up", "to top-down"])
@pytest.mark.parametrize("padding", [0, 16])
def test_strides_padding_and_origin(kind, source_down, output_down, padding):
    origin = (-7, 13)
    frame = (origin[0], origin[1], origin[0] + WIDTH, origin[1] + HEIGHT)
    instance, node = prepared(kind, frame)
    images = all_images(kind)
    clips = {name: HostImage(i, origin, padding=3 * padding, top_down=source_down) for name, i in images.items()}
    output = HostImage(np.full((HEIGHT, WIDTH, 4), 77, np.float32), origin, padding=padding, top_down=output_down)
    assert instance.render(Stage(output, clips)) == 0
    assert_same(output.read(), shown(node.process(**fed(kind, images)), 4, (HEIGHT, WIDTH)))
    assert all(image.is_sound() for image in clips.values())
    assert_no_complaints()


@pytest.mark.parametrize("matte_channels", [1, 3, 4])
@pytest.mark.parametrize("downs", [(False, True, False), (True, False, True), (True, True, True), (False, True, True)])
def test_clips_may_run_different_ways(matte_channels, downs):
    """Source, matte and output each with its own order of rows."""
    kind = NODES["steer_skin"]
    instance, node = prepared(kind)
    images = all_images(kind) | {"Matte": pixels(matte_channels, seed=8)}
    clips = {
        name: HostImage(images[name], top_down=down) for name, down in zip(("Source", "Matte"), downs, strict=False)
    }
    output = HostImage(np.full((HEIGHT, WIDTH, 4), 77, np.float32), top_down=downs[2])
    assert instance.render(Stage(output, clips)) == 0
    assert_same(output.read(), shown(node.process(**fed(kind, images)), 4, (HEIGHT, WIDTH)))
    assert_no_complaints()


@every_node
def test_a_window_is_all_that_is_written(kind):
    instance, node = prepared(kind)
    images = all_images(kind)
    got = rendered(instance, images, window=(9, 5, 41, 30))
    expected = np.full((HEIGHT, WIDTH, 4), 77, np.float32)
    expected[5:30, 9:41] = shown(node.process(**fed(kind, images)), 4, (HEIGHT, WIDTH))[5:30, 9:41]
    assert_same(got, expected)


@every_node
def test_tiles_from_three_threads(kind):
    host, effects = loaded()
    instance, node = prepared(kind)
    images = all_images(kind)
    expected = shown(node.process(**fed(kind, images)), 4, (HEIGHT, WIDTH))
    output = HostImage(np.full((HEIGHT, WIDTH, 4), 77, np.float32))
    clips = {name: HostImage(image) for name, image in images.items()}
    instance.connect({**clips, "Output": output})
    effects[kind.name].threads, statuses = True, []
    windows = [
        (x, y, min(x + 19, WIDTH), min(y + 11, HEIGHT)) for y in range(0, HEIGHT, 11) for x in range(0, WIDTH, 19)
    ]

    def work(share: int) -> None:
        statuses.extend(instance.render_again(Stage(output, window=window)) for window in windows[share::3])

    threads = [threading.Thread(target=work, args=(share,)) for share in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    effects[kind.name].threads = False
    assert set(statuses) == {0}
    assert not host.images_out
    assert_same(output.read(), expected)
    assert_no_complaints()


@pytest.mark.parametrize("name", ["cdl", "skin_key"])
@pytest.mark.parametrize("type", [np.uint8, np.uint16])
def test_tiles_agree_with_the_whole_in_every_code(name, type):
    """Rounding may not depend on where a tile begins."""
    kind = NODES[name]
    instance, _ = prepared(kind)
    images = all_images(kind, 4, type)
    whole = rendered(instance, images)
    tiled = HostImage(np.zeros_like(whole))
    for window in ((0, 0, 23, HEIGHT), (23, 0, WIDTH, 17), (23, 17, WIDTH, HEIGHT)):
        rendered(instance, images, output=tiled, window=window)
    assert np.array_equal(tiled.read(), whole)


@every_node
def test_outside_the_source_there_is_transparent_black(kind):
    instance, node = prepared(kind)
    images = all_images(kind)
    output = HostImage(np.full((HEIGHT + 10, WIDTH + 6, 4), 77, np.float32), (-2, -4))
    expected = np.zeros((HEIGHT + 10, WIDTH + 6, 4), np.float32)
    expected[4 : 4 + HEIGHT, 2 : 2 + WIDTH] = shown(node.process(**fed(kind, images)), 4, (HEIGHT, WIDTH))
    assert_same(rendered(instance, images, output=output), expected)


@every_node
def test_a_smaller_reference_or_matte_is_surrounded_by_nothing(kind):
    instance, node = prepared(kind)
    images = all_images(kind)
    clips = {name: HostImage(image) for name, image in images.items()}
    for name in set(images) - {"Source"}:
        clips[name] = HostImage(images[name][4:30, 6:40], (6, 4))
        padded = np.zeros_like(images[name])
        padded[4:30, 6:40] = images[name][4:30, 6:40]
        images[name] = padded
    output = HostImage(np.full((HEIGHT, WIDTH, 4), 77, np.float32))
    assert instance.render(Stage(output, clips)) == 0
    assert_same(output.read(), shown(node.process(**fed(kind, images)), 4, (HEIGHT, WIDTH)))


@every_node
def test_a_window_beside_the_image_is_nothing_to_do(kind):
    instance, _ = prepared(kind)
    got = rendered(instance, all_images(kind), window=(WIDTH + 3, 0, WIDTH + 9, 9))
    assert (got == 77).all()


@every_node
def test_nodes_that_say_so_are_pixel_by_pixel(kind):
    """A part, in any order of rows, gives the same part of the result."""
    if not kind.pixelwise:
        return
    arrays = fed(kind, all_images(kind))
    _, node = prepared(kind)
    whole = node.process(**arrays)
    part = {port: np.ascontiguousarray(array[::-1][7:33, 5:31]) for port, array in arrays.items()}
    assert np.array_equal(node.process(**part), whole[::-1][7:33, 5:31])


def test_a_proxy_looks_at_the_same_place():
    """Half the pixels at half the scale: positions in canonical coordinates stay where they are."""
    kind = NODES["region"]
    instance, _ = prepared(kind)
    instance["centre"] = (0.25 * WIDTH, 0.75 * HEIGHT)
    half = {"Source": pixels(size=(HEIGHT // 2, WIDTH // 2))}
    node = kind(**settings(kind), centre=(0.25, 0.25))
    expected = shown(node.process(**fed(kind, half)), 4, (HEIGHT // 2, WIDTH // 2))
    assert_same(rendered(instance, half, scale=0.5), expected)


def test_pixels_that_are_not_square():
    kind = NODES["region"]
    instance, _ = prepared(kind)
    instance["centre"] = (2 * 0.25 * WIDTH, 0.75 * HEIGHT)
    source = pixels()
    output = HostImage(np.zeros_like(source), aspect=2.0)
    assert instance.render(Stage(output, {"Source": HostImage(source, aspect=2.0)})) == 0
    node = kind(**settings(kind), centre=(0.25, 0.25))
    assert_same(output.read(), shown(node.process(**fed(kind, {"Source": source})), 4, (HEIGHT, WIDTH)))


def test_an_endless_source_counts_as_large_as_its_pixels():
    instance, node = prepared(NODES["region"])
    source = pixels()
    endless = HostImage(source, region=(-(2**30), -(2**30), 2**30, 2**30))
    output = HostImage(np.zeros_like(source))
    assert instance.render(Stage(output, {"Source": endless})) == 0
    assert_same(output.read(), shown(node.process(source), 4, (HEIGHT, WIDTH)))


@pytest.mark.parametrize("name", ["cdl", "correct_skin"])
@pytest.mark.parametrize(("field", "first"), [("OfxFieldLower", 0), ("OfxFieldUpper", 1)])
def test_a_field_is_every_other_row(name, field, first):
    kind = NODES[name]
    origin = (0, 5)  # rows count from the plane's zero, not from the image
    instance, node = prepared(kind, (0, 5, WIDTH, 5 + HEIGHT))
    images = {"Source": pixels()}
    output = HostImage(np.full((HEIGHT, WIDTH, 4), 77, np.float32), origin, field="OfxFieldBoth")
    got = rendered(instance, images, origin, output=output, field=field)
    expected = np.full((HEIGHT, WIDTH, 4), 77, np.float32)
    start = (first - 5) % 2
    expected[start::2] = shown(node.process(**fed(kind, images)), 4, (HEIGHT, WIDTH))[start::2]
    assert_same(got, expected)


# --- alpha --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["skin_key", "range_key", "region"])
def test_a_matte_beside_the_colour(name):
    kind = NODES[name]
    instance, node = prepared(kind)
    instance["matte_output"] = 1
    images = {"Source": pixels()}
    got = rendered(instance, images)
    assert_same(got[..., :3].copy(), images["Source"][..., :3])
    assert_same(got[..., 3].copy(), node.process(**fed(kind, images))[::-1])


@every_node
def test_premultiplied_colour_is_divided_first(kind):
    instance, node = prepared(kind)
    images = all_images(kind)
    alpha = np.maximum(images["Source"][..., 3:], np.float32(0.125))
    alpha[5:9] = 0
    colour = {
        n: (i * np.where(np.arange(4) < 3, alpha, 1)).astype(np.float32) for n, i in images.items() if i.shape[2] == 4
    }
    multiplied = {**images, **colour}
    for image in multiplied.values():
        if image.shape[2] == 4:
            image[..., 3:] = alpha
    clips = {n: HostImage(i, premultiplication="OfxImageAlphaPremultiplied") for n, i in multiplied.items()}
    output = HostImage(np.full((HEIGHT, WIDTH, 4), 77, np.float32))
    assert instance.render(Stage(output, clips)) == 0

    def divided(array: np.ndarray) -> np.ndarray:
        if array.ndim == 2 or array.shape[2] < 4:
            return array
        safe = np.where(array[..., 3:] > 0, array[..., 3:], 1)
        return np.concatenate([array[..., :3] / safe, array[..., 3:]], axis=2).astype(np.float32)

    result = node.process(**{port: divided(a) for port, a in fed(kind, multiplied).items()})
    if result.ndim == 3 and result.shape[2] == 4:
        safe = np.where(result[..., 3:] > 0, result[..., 3:], 1)
        result = np.concatenate([result[..., :3] * safe, result[..., 3:]], axis=2)
    np.testing.assert_allclose(output.read(), shown(result, 4, (HEIGHT, WIDTH)), rtol=2e-5, atol=2e-5)
    assert_no_complaints()


# --- over time ----------------------------------------------------------------------------------------------


def test_a_node_over_time_gets_its_frames_in_order():
    host, effects = loaded_trials()
    instance = effects["neighbours"].instance()
    frames = {float(t): pixels(seed=20 + t) for t in range(5)}
    clips = {"Source": lambda time: HostImage(frames[time]) if time in frames else None}
    for time, expected in ((2.0, (1, 2, 3, 4)), (0.0, (0, 0, 1, 2)), (4.0, (3, 4, 4, 4))):
        output = HostImage(np.zeros_like(frames[0.0]))
        stage = Stage(output, clips, time=time)
        assert instance.render(stage) == 0, host.messages
        wanted = sum(np.float32(w + 1) * frames[float(t)] for w, t in enumerate(expected))
        assert_same(output.read(), wanted)
        status, answer = instance.ask("GetFramesNeeded", stage)
        assert (status, answer) == (0, {"OfxImageClipPropFrameRange_Source": (time - 1, time + 2)})
    assert not host.complaints, host.complaints


def test_a_node_without_time_asks_for_its_own_frame_only():
    instance, _ = prepared(NODES["cdl"])
    assert instance.ask("GetFramesNeeded", Stage(HostImage(pixels())))[0] == 14  # ReplyDefault


def test_values_are_read_at_the_time_of_the_frame():
    kind = NODES["cdl"]
    instance, _ = prepared(kind)
    instance["saturation"] = lambda time: 1.0 + 0.25 * time
    images = {"Source": pixels()}
    for time in (0.0, 2.0):
        node = kind(**{**settings(kind), "saturation": 1.0 + 0.25 * time})
        expected = shown(node.process(**fed(kind, images)), 4, (HEIGHT, WIDTH))
        assert_same(rendered(instance, images, time=time), expected)
