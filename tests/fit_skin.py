"""Teach the network for bare skin on pictures with drawn masks, and leave behind one that has not seen each folder.

    python tests/fit_skin.py OUT FOLDER FOLDER [FOLDER ...]

Each FOLDER holds pictures as `inkarnat bench accuracy --pictures` takes them. OUT gets 0.onnx, 1.onnx, … in their
order, each taught on all folders but that one, for proofs and for `tests/fit_likely.py`; and skin.onnx, taught on all,
which takes the place of `host_adapters/detect/skin.onnx`. It needs PyTorch, onnx and a graphics card; the networks come
out alike, not the same to the bit.

The network: the convolutions of CenterFace up to a sixteenth of the picture's size, then three blocks of depthwise and
pointwise convolutions that look farther and farther round, and a decoder that joins what the finer layers know, down to
half the size. With the colours comes the map of persons. Every look at a picture is turned, cut, scaled and mirrored,
before another picture's background for one in four, in other light: exposure, gamma, saturation, a cast or two across
the frame, noise.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import torch
from inkarnat.host_adapters.bench.pictures import Photo, photos
from inkarnat.host_adapters.detect.faces import find_face_mattes
from inkarnat.host_adapters.detect.person import find_person
from onnx import helper, numpy_helper
from torch import Tensor, nn
from torch.nn import functional

CENTERFACE = Path(__file__).parents[1] / "host_adapters" / "detect" / "centerface.onnx"
LAST = "474"
"""The last of CenterFace's layers that is taken; 413, 387 and 369 are those from which the decoder takes detail."""
DETAIL = ("413", 32), ("387", 24), ("369", 16)
WIDTHS, MARKED = (96, 64, 48, 32), 4
"""Of the decoder's layers, coarse to fine; and how many planes tell what is marked."""
SIDE, SHOWN = 448, 320
"""Longer side to which pictures are brought, and side of the squares on which the network is taught."""
STEPS, BATCH, WARM = 1150, 16, 60
RATES = 2.5e-4, 2.5e-3
"""Of what comes from CenterFace, and of what is new."""
LUMA = (0.2126, 0.7152, 0.0722)
"""ITU-R BT.709-6, item 3.2."""


# --- the network --------------------------------------------------------------------------------------------


class FaceLayers(nn.Module):
    """The first layers of CenterFace, read off its file."""

    def __init__(self) -> None:
        super().__init__()
        graph = onnx.load(CENTERFACE).graph
        weights = {each.name: numpy_helper.to_array(each) for each in graph.initializer}
        self.first, self.steps, self.layers = graph.node[0].input[0], [], nn.ModuleDict()
        for node in graph.node:
            out, told = node.output[0], {a.name: helper.get_attribute_value(a) for a in node.attribute}
            self.steps.append((node.op_type, list(node.input), out))
            if node.op_type == "Conv":
                self.layers["c" + out] = _convolution(told, *(torch.tensor(weights[name]) for name in node.input[1:]))
            if out == LAST:
                break

    def forward(self, picture: Tensor) -> dict[str, Tensor]:
        found = {self.first: picture * 255}
        for kind, sources, out in self.steps:
            if kind == "Conv":
                found[out] = self.layers["c" + out](found[sources[0]])
            else:
                found[out] = functional.relu(found[sources[0]]) if kind == "Relu" else sum(found[s] for s in sources)
        return found


def _convolution(told: dict[str, Any], weight: Tensor, bias: Tensor | None = None) -> nn.Conv2d:
    groups, (top, left, *_) = told.get("group", 1), told.get("pads", [0] * 4)
    shape = weight.shape[1] * groups, weight.shape[0], weight.shape[2], told.get("strides", [1])[0], (top, left)
    layer = nn.Conv2d(*shape, groups=groups, bias=bias is not None)
    with torch.no_grad():
        layer.weight.copy_(weight)
        if bias is not None:
            layer.bias.copy_(bias)
    return layer


def joined(before: int, after: int, size: int = 1, apart: int = 1, groups: int = 1) -> nn.Sequential:
    layer = nn.Conv2d(before, after, size, 1, apart * (size // 2), apart, groups, bias=False)
    return nn.Sequential(layer, nn.BatchNorm2d(after), nn.ReLU())


class Block(nn.Module):
    """What lies round every place, added to it."""

    def __init__(self, width: int, apart: int = 1) -> None:
        super().__init__()
        self.a, self.b, self.apart = joined(width, width, 3, apart, width), joined(width, width), apart

    def forward(self, x: Tensor) -> Tensor:
        return x + self.b(self.a(x))


class Network(nn.Module):
    """Bare skin in float32 (n, 3, H, W), 0 to 1, with maps of persons (n, 1, H, W) and what is marked (n, 4, H, W).

    It returns odds (n, 1, H / 2, W / 2). What is marked is as `skin.marked_planes` tells it.
    """

    def __init__(self) -> None:
        super().__init__()
        top, eighth, fourth, half = WIDTHS
        self.back, self.top, self.glob = FaceLayers(), joined(96 + MARKED, top), nn.Conv2d(top, top, 1)
        self.ctx = nn.Sequential(*(Block(top, apart) for apart in (1, 2, 4)))
        self.u8 = nn.Sequential(joined(top + 32 + 1 + MARKED, eighth), Block(eighth))
        self.u4 = nn.Sequential(joined(eighth + 24 + 1 + MARKED, fourth), Block(fourth))
        self.u2 = nn.Sequential(joined(fourth + 16 + 3 + 1 + MARKED, half), Block(half))
        self.drop, self.out = nn.Dropout2d(0.1), nn.Conv2d(half, 1, 1)
        nn.init.constant_(self.out.bias, -1.0)

    def forward(self, picture: Tensor, person: Tensor, marks: Tensor) -> Tensor:
        found, half = self.back(picture), functional.avg_pool2d
        told = torch.cat([person, marks], 1)
        beside = [half(told, 8), half(told, 4), half(told, 2)]
        x = found[LAST]
        x = self.ctx(self.top(torch.cat([x, half(marks, 16).to(x.dtype)], 1)))
        x = self.drop(x + self.glob(x.mean((2, 3), keepdim=True)))
        for layers, (name, _), there in zip((self.u8, self.u4, self.u2), DETAIL, beside, strict=True):
            near = [found[name], half(picture, 2), there] if name == DETAIL[-1][0] else [found[name], there]
            wide = functional.interpolate(x, scale_factor=2, mode="nearest")
            x = layers(torch.cat([wide, *(plane.to(x.dtype) for plane in near)], 1))
        return self.out(x)


# --- what it is taught on -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Shown:
    """Pictures on the card: uint8 (n, 6, SIDE, SIDE), colours, persons, skin, what is scored; their sizes (n, 2)."""

    planes: Tensor
    sizes: Tensor


def shown(found: Sequence[Photo], device: str) -> Shown:
    """Bring pictures onto the card, in the upper left corner of a square."""
    import cv2

    planes, sizes = np.zeros((len(found), 6, SIDE, SIDE), np.uint8), np.zeros((len(found), 2), np.float32)
    for k, photo in enumerate(found):
        rows, columns = photo.truth.shape
        scale = min(1.0, SIDE / max(rows, columns))
        size = round(columns * scale), round(rows * scale)
        person = find_person(photo.image, find_face_mattes(photo.image))
        scored = cv2.resize(1 - photo.ignore.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        true = cv2.resize(np.where(photo.ignore, 0, photo.truth).astype(np.float32), size, interpolation=cv2.INTER_AREA)
        whole = [cv2.resize(photo.image[..., c], size, interpolation=cv2.INTER_AREA) for c in range(3)]
        whole += [cv2.resize(person, size), true > 0.5 * scored, scored >= 0.6]
        for plane, own in zip(planes[k], whole, strict=True):
            plane[: size[1], : size[0]] = np.rint(np.asarray(own, np.float32) * 255)
        sizes[k] = size[::-1]
    return Shown(torch.from_numpy(planes).to(device), torch.from_numpy(sizes).to(device))


class Draw:
    """Draws by chance, the same on every run."""

    def __init__(self, seed: int, device: str) -> None:
        self.device, self.generator = device, torch.Generator(device=device)
        self.generator.manual_seed(seed)

    def even(self, *shape: int) -> Tensor:
        return torch.rand(*shape, generator=self.generator, device=self.device)

    def normal(self, *shape: int) -> Tensor:
        return torch.randn(*shape, generator=self.generator, device=self.device)

    def which(self, most: int, count: int) -> Tensor:
        return torch.randint(most, (count,), generator=self.generator, device=self.device)

    def chance(self, share: float, count: int) -> Tensor:
        return (self.even(count) < share).float()


def looks(all_: Shown, draw: Draw) -> Iterator[tuple[Tensor, Tensor, Tensor, Tensor]]:
    """Yield pictures, maps of persons, skin and what is scored, changed by chance, for ever."""
    while True:
        planes = _cut(all_, draw)
        colour, person, skin, scored = planes[:, :3], planes[:, 3:4], planes[:, 4:5], (planes[:, 5:6] > 0.98).float()
        other = torch.randperm(BATCH, generator=draw.generator, device=draw.device)
        mixed = draw.chance(0.25, BATCH).view(-1, 1, 1, 1)
        front = torch.where(mixed > 0, (person * 1.15).clamp(0, 1), torch.ones_like(person))
        colour, skin = (front * plane + (1 - front) * plane[other] for plane in (colour, skin))
        scored = scored * torch.maximum(scored[other], 1 - mixed) * ((front > 0.9) | (front < 0.1)).float()
        person = torch.where(mixed > 0, torch.maximum(person, (1 - front) * person[other]), person)
        yield _in_other_light(colour, draw), person, skin, scored


def _cut(all_: Shown, draw: Draw) -> Tensor:
    """Return squares of pictures, turned, scaled and mirrored, float32 (BATCH, 6, SHOWN, SHOWN), 0 to 1."""
    which = draw.which(len(all_.planes), BATCH)
    rows, columns = all_.sizes[which].T
    side = torch.maximum(rows, columns)
    scaled = side * torch.exp((draw.even(BATCH) - 0.62) * 1.1)
    scaled = torch.where(draw.even(BATCH) < 0.3, side * (0.95 + 0.2 * draw.even(BATCH)), scaled)
    x = columns / 2 + (draw.even(BATCH) - 0.5) * torch.clamp(columns - 0.6 * scaled, min=0)
    y = rows / 2 + (draw.even(BATCH) - 0.5) * torch.clamp(rows - 0.6 * scaled, min=0)
    turn, mirror = draw.normal(BATCH) * 0.17, 1 - 2 * draw.chance(0.5, BATCH)
    wide = mirror * torch.exp(draw.normal(BATCH) * 0.07)
    a, b = torch.cos(turn) * scaled / SIDE, torch.sin(turn) * scaled / SIDE
    across = torch.stack([a * wide, -b, x / SIDE * 2 - 1], 1)
    down = torch.stack([b * mirror, a, y / SIDE * 2 - 1], 1)
    grid = functional.affine_grid(torch.stack([across, down], 1), (BATCH, 1, SHOWN, SHOWN), align_corners=False)
    return functional.grid_sample(all_.planes[which].float() / 255, grid, align_corners=False)


def _in_other_light(colour: Tensor, draw: Draw) -> Tensor:
    """Return pictures in other light, brightened where they are dark as the product does."""

    def each(values: Tensor) -> Tensor:
        return values.view(BATCH, -1, 1, 1)

    strong = torch.where(draw.even(BATCH) < 0.25, 0.32, 0.09)[:, None]
    one, other = (each(torch.exp(draw.normal(BATCH, 3) * strong)) for _ in range(2))
    way = functional.normalize(draw.normal(BATCH, 2), dim=1)
    y, x = torch.meshgrid(*(torch.linspace(-1, 1, SHOWN, device=draw.device),) * 2, indexing="ij")
    lean = each(way[:, 0]) * x + each(way[:, 1]) * y + each(0.5 * draw.normal(BATCH))
    ramp = torch.sigmoid(lean * each(torch.exp(draw.normal(BATCH) * 0.7 + 1))) * each(draw.chance(0.35, BATCH))
    colour = colour.clamp(0, 1) * (one * (1 - ramp) + other * ramp) * each(2 ** ((draw.even(BATCH) - 0.62) * 2))
    colour = colour.clamp(1e-4, 1) ** each(torch.exp(draw.normal(BATCH) * 0.18))
    luma = (colour * torch.tensor(LUMA, device=draw.device).view(1, 3, 1, 1)).sum(1, keepdim=True)
    saturation = (1 - draw.chance(0.05, BATCH)) * (0.5 + 0.9 * draw.even(BATCH))
    colour = (luma + (colour - luma) * each(saturation)).clamp(0, 1)
    colour = colour + draw.normal(*colour.shape) * each(draw.even(BATCH) ** 2 * 0.05)
    if float(draw.even(1)) < 0.2:
        colour = functional.avg_pool2d(colour, 3, 1, 1)
    colour = colour.clamp(0, 1)
    bright = torch.quantile(colour[:, :, ::5, ::5].reshape(BATCH, -1), 0.98, dim=1).clamp(min=0.05)
    return (colour * each(torch.clamp(0.8 / bright, min=1))).clamp(0, 1)


# --- teaching -----------------------------------------------------------------------------------------------


def loss_of(odds: Tensor, person: Tensor, skin: Tensor, scored: Tensor) -> Tensor:
    """Return cross entropy, persons weighing three times, and what is missing of the overlap."""
    true, counts = functional.avg_pool2d(skin, 2), (functional.avg_pool2d(scored, 2) > 0.7).float()
    weight, over = counts * (1 + 2 * functional.avg_pool2d(person, 2)), (1, 2, 3)
    wrong = functional.binary_cross_entropy_with_logits(odds, true, reduction="none") * weight
    wrong = wrong.sum(over) / weight.sum(over).clamp(min=50)
    found, true = torch.sigmoid(odds) * counts, true * counts
    overlap = 2 * (found * true).sum(over) / (found.sum(over) + true.sum(over) + 20)
    return (wrong + 0.4 * (true.sum(over) > 60).float() * (1 - overlap)).mean()


def taught(found: Sequence[Photo], seed: int, steps: int = STEPS, device: str = "cuda") -> Network:
    """Teach a network; return the running mean of its weights."""
    torch.manual_seed(seed)
    network, draw = Network().to(device).to(memory_format=torch.channels_last), Draw(100 + seed, device)
    old = list(network.back.parameters())
    new = [p for name, p in network.named_parameters() if not name.startswith("back")]
    ways = [{"params": own, "lr": rate} for own, rate in zip((old, new), RATES, strict=True)]
    optimiser = torch.optim.AdamW(ways, weight_decay=0.02)
    mean = {name: plane.detach().clone() for name, plane in network.state_dict().items()}
    source = looks(shown(found, device), draw)
    for step in range(steps):
        share = max(min(1, (step + 1) / WARM) * 0.5 * (1 + np.cos(np.pi * step / steps)), 0.01)
        for way, rate in zip(optimiser.param_groups, RATES, strict=True):
            way["lr"] = rate * share
        colour, person, skin, scored = next(source)
        seen = person * draw.chance(0.75, BATCH).view(-1, 1, 1, 1)
        with torch.autocast(device, torch.bfloat16):
            odds = network(colour.contiguous(memory_format=torch.channels_last), seen)
        loss = loss_of(odds.float(), person, skin, scored)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimiser.step()
        for name, plane in network.state_dict().items():
            if plane.dtype.is_floating_point:
                mean[name].lerp_(plane, 1 - min(0.995, (step + 1) / (step + 20)))
        if step % 100 == 0 or step == steps - 1:
            print(f"  {step:5d} {float(loss):.3f}", file=sys.stderr, flush=True)
    network.load_state_dict(mean)
    return network.eval().cpu()


# --- its file -----------------------------------------------------------------------------------------------


class Written:
    """An ONNX file in the making: what OpenCV 4.10 and later reads, with every mean and deviation in its weights."""

    def __init__(self, network: Network) -> None:
        self.network, self.nodes, self.constants = network, [], []

    def step(self, kind: str, sources: Sequence[str], **told: Any) -> str:
        out = f"{kind.lower()}{len(self.nodes)}"
        self.nodes.append(helper.make_node(kind, sources, [out], **told))
        return out

    def constant(self, values: Any) -> str:
        name = f"weights{len(self.constants)}"
        self.constants.append(numpy_helper.from_array(np.asarray(values, np.float32), name))
        return name

    def convolution(self, source: str, layer: nn.Conv2d, weight: Tensor, bias: Tensor) -> str:
        told = {"pads": list(layer.padding) * 2, "dilations": list(layer.dilation), "group": layer.groups}
        told |= {"strides": list(layer.stride), "kernel_shape": list(layer.kernel_size)}
        weights = [self.constant(plane.detach().numpy()) for plane in (weight, bias)]
        return self.step("Conv", [source, *weights], **told)

    def joined(self, source: str, layers: nn.Sequential) -> str:
        layer, norm, _ = layers
        scale = norm.weight / torch.sqrt(norm.running_var + norm.eps)
        weight, bias = layer.weight * scale.view(-1, 1, 1, 1), norm.bias - norm.running_mean * scale
        return self.step("Relu", [self.convolution(source, layer, weight, bias)])

    def block(self, source: str, block: Block) -> str:
        return self.step("Add", [source, self.joined(self.joined(source, block.a), block.b)])

    def face_layers(self) -> dict[str, str]:
        back = self.network.back
        found = {back.first: "picture"}
        for kind, sources, out in back.steps:
            if kind == "Conv":
                layer = back.layers["c" + out]
                weight = layer.weight * 255 if sources[0] == back.first else layer.weight
                bias = torch.zeros(len(weight)) if layer.bias is None else layer.bias
                found[out] = self.convolution(found[sources[0]], layer, weight, bias)
            else:
                found[out] = self.step(kind, [found[source] for source in sources])
        return found

    def whole(self) -> bytes:
        network, found = self.network, self.face_layers()
        twice = self.constant([1, 1, 2, 2])
        persons, marks = ["person"], ["marks"]
        for planes, times in ((persons, 3), (marks, 4)):
            for _ in range(times):
                planes.append(self.step("AveragePool", planes[-1:], kernel_shape=[2, 2], strides=[2, 2]))
        small = self.step("AveragePool", ["picture"], kernel_shape=[2, 2], strides=[2, 2])
        x = self.joined(self.step("Concat", [found[LAST], marks.pop()], axis=1), network.top)
        for block in network.ctx:
            x = self.block(x, block)
        mean = self.step("GlobalAveragePool", [x])
        mean = self.convolution(mean, network.glob, -network.glob.weight, -network.glob.bias)
        x = self.step("Sub", [x, mean])  # OpenCV 5 refuses to add what has another size to a convolution
        told = zip(persons[:0:-1], marks[:0:-1], strict=True)
        for layers, (name, _), there in zip((network.u8, network.u4, network.u2), DETAIL, told, strict=True):
            how = {"mode": "nearest", "coordinate_transformation_mode": "asymmetric", "nearest_mode": "floor"}
            beside = [found[name], *([small] if name == DETAIL[-1][0] else []), *there]
            x = self.step("Concat", [self.step("Resize", [x, "", twice], **how), *beside], axis=1)
            x = self.block(self.joined(x, layers[0]), layers[1])
        odds = self.convolution(x, network.out, network.out.weight, network.out.bias)
        self.nodes.append(helper.make_node("Sigmoid", [odds], ["skin"]))
        taken = [(name, [1, planes, "h", "w"]) for name, planes in (("picture", 3), ("person", 1), ("marks", MARKED))]
        ports = [*taken, ("skin", [1, 1, "rows", "columns"])]
        *inputs, answer = (helper.make_tensor_value_info(name, onnx.TensorProto.FLOAT, shape) for name, shape in ports)
        graph = helper.make_graph(self.nodes, "skin", inputs, [answer], self.constants)
        model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 13)], ir_version=8)
        onnx.checker.check_model(model)
        return model.SerializeToString()


def main(out: str, *folders: str) -> None:
    found = [photos(folder) for folder in folders]
    for number in range(len(found) + 1):
        rest = [photo for k, own in enumerate(found) if k != number for photo in own]
        name = f"{number}.onnx" if number < len(found) else "skin.onnx"
        print(f"{name}: {len(rest)} pictures", file=sys.stderr)
        (Path(out) / name).write_bytes(Written(taught(rest, number)).whole())


if __name__ == "__main__":
    main(*sys.argv[1:])
