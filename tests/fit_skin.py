"""Teach the network for bare skin on pictures with drawn masks, and leave behind one that has not seen each folder.

    python tests/fit_skin.py OUT FOLDER FOLDER [FOLDER ...]

Each FOLDER holds pictures as `inkarnat bench accuracy --pictures` takes them; generated portraits join them. OUT gets a
folder 0, 1, … for each in their order, with a network taught on all folders but that one, for proofs and for
`tests/fit_likely.py`; and one taught on all, whose two files take the place of those in `host_adapters/detect/`, their
SHA-256 that in `skin.txt`. It needs PyTorch, onnx and a graphics card; the networks come out alike, not the same to the
bit.

The network: the convolutions of CenterFace up to a sixteenth of the picture's size, then three blocks of depthwise and
pointwise convolutions that look farther and farther round, and a decoder that joins what the finer layers know, down to
half the size. With the colours come the map of persons and what is marked. Every look at a picture is turned, cut,
scaled and mirrored, before another picture's background for one in four, in other light: exposure, gamma, saturation, a
cast or two across the frame, a wash of one colour, noise. In some, clothes and things take the colour of the picture's
own skin, and patches of another picture lie before it. For seven in ten skin is marked, up to five places drawn by
chance; half of these get dabs where the network is wrong after them, as a person would put them. Pictures that it does
badly on come more often.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import torch
from fit_likely import portraits
from inkarnat.host_adapters.bench.pictures import Photo, photos
from inkarnat.host_adapters.detect import skin
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
SIDE, SHOWN = 512, 384
"""Longer side to which pictures are brought, and side of the squares on which the network is taught."""
STEPS, BATCH, WARM = 2050, 16, 60
RATES = 2.5e-4, 2.5e-3
"""Of what comes from CenterFace, and of what is new."""
LUMA = (0.2126, 0.7152, 0.0722)
"""ITU-R BT.709-6, item 3.2."""
GENERATED = 0.5
"""How often a generated portrait is shown beside a real picture."""
Spots = tuple[Tensor, Tensor, Tensor]
"""Places in pixels, x and y, and which of them count, (n, k) each."""


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
    """Pictures on the card: uint8 (n, 6, SIDE, SIDE), colours, persons, skin, what is scored; their sizes (n, 2).

    :ivar shares: (n,), how often each comes, beside how badly it does.
    """

    planes: Tensor
    sizes: Tensor
    shares: Tensor


def shown(found: Sequence[Photo], generated: Sequence[Photo], device: str) -> Shown:
    """Bring pictures onto the card, in the upper left corner of a square."""
    import cv2

    every = [*found, *generated]
    planes, sizes = np.zeros((len(every), 6, SIDE, SIDE), np.uint8), np.zeros((len(every), 2), np.float32)
    for k, photo in enumerate(every):
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
    shares = np.repeat((1, GENERATED), (len(found), len(generated))).astype(np.float32)
    return Shown(*(torch.from_numpy(array).to(device) for array in (planes, sizes, shares)))


class Draw:
    """Draws by chance, the same on every run."""

    def __init__(self, seed: int, device: str) -> None:
        self.device, self.generator = device, torch.Generator(device=device)
        self.generator.manual_seed(seed)

    def even(self, *shape: int) -> Tensor:
        return torch.rand(*shape, generator=self.generator, device=self.device)

    def normal(self, *shape: int) -> Tensor:
        return torch.randn(*shape, generator=self.generator, device=self.device)

    def which(self, shares: Tensor, count: int) -> Tensor:
        sums = shares.cumsum(0)
        return torch.searchsorted(sums, self.even(count) * sums[-1]).clamp(max=len(shares) - 1)

    def order(self, count: int) -> Tensor:
        return torch.argsort(self.even(count))

    def chance(self, share: float, count: int) -> Tensor:
        return (self.even(count) < share).float()

    def places(self, weight: Tensor, most: int) -> Spots:
        """Draw places of (n, H, W) by their weights."""
        flat = weight.flatten(1)
        noise = -torch.log(-torch.log(self.even(*flat.shape).clamp(1e-7, 1 - 1e-7)))
        keyed, at = torch.where(flat > 1e-12, torch.log(flat + 1e-20) + noise, -1e9).topk(most, 1)
        columns = weight.shape[2]
        return (at % columns).float(), torch.div(at, columns, rounding_mode="floor").float(), (keyed > -1e8).float()

    def blobs(self, count: int, above: float) -> Tensor:
        """Return smooth regions, more than ``above`` deviations of noise."""
        noise = self.normal(count, 1, 5, 5)
        return (functional.interpolate(noise, (SHOWN, SHOWN), mode="bicubic", align_corners=False) > above).float()


def each(values: Tensor) -> Tensor:
    """Return values of every picture, or of its channels, in the shape of pictures."""
    return values.view(len(values), -1, 1, 1)


def look_of(all_: Shown, hard: Tensor, draw: Draw) -> tuple[Tensor, ...]:
    """Return pictures, maps of persons, skin and what is scored, changed by chance, and which they are.

    :param hard: how badly each does.
    """
    which = draw.which(all_.shares * (0.5 + 0.5 * (hard / hard.mean()).clamp(max=3)), BATCH)
    planes = _cut(all_, which, draw)
    colour, person, skin, scored = planes[:, :3], planes[:, 3:4], planes[:, 4:5], (planes[:, 5:6] > 0.98).float()
    other, mixed = draw.order(BATCH), each(draw.chance(0.25, BATCH))
    front = torch.where(mixed > 0, (person * 1.15).clamp(0, 1), 1.0)
    colour, skin = (front * plane + (1 - front) * plane[other] for plane in (colour, skin))
    scored = scored * torch.maximum(scored[other], 1 - mixed) * ((front > 0.9) | (front < 0.1)).float()
    person = torch.where(mixed > 0, torch.maximum(person, (1 - front) * person[other]), person)
    other, before = draw.order(BATCH), draw.blobs(BATCH, 0.9) * each(draw.chance(0.1, BATCH))
    colour, skin, person = (plane + before * (plane[other] - plane) for plane in (colour, skin, person))
    scored = torch.where(before > 0, scored[other], scored)
    return _in_other_light(_clothed(colour, person, skin, draw), draw), person, skin, scored, which


def _cut(all_: Shown, which: Tensor, draw: Draw) -> Tensor:
    """Return squares of pictures, turned, scaled and mirrored, float32 (BATCH, 6, SHOWN, SHOWN), 0 to 1."""
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


def _clothed(colour: Tensor, person: Tensor, skin: Tensor, draw: Draw) -> Tensor:
    """Return pictures of which some have clothes, things or all but skin in the colours of their own skin."""
    y, u, v = _luma_and_chroma(colour)
    planes = torch.log2(y.clamp(min=0) + 0.02), u, v
    clear = 1 - functional.max_pool2d((skin > 0.05).float(), 3, 1, 1)
    kind, all_ = each(draw.even(BATCH)), torch.ones_like(person)
    there = clear * torch.where(
        kind < 0.45, (person > 0.4).float(), torch.where(kind < 0.8, draw.blobs(BATCH, 0.2), all_)
    )
    own = (skin > 0.9).float()
    sizes = [part.sum((1, 2, 3)) for part in (own, there)]
    enough = torch.minimum(*sizes) > 0.004 * SHOWN**2
    before, after = ([(p * m[:, 0]).sum((1, 2)) / m.sum((1, 2, 3)).clamp(min=1) for p in planes] for m in (there, own))
    off = draw.normal(BATCH, 3)
    spread = 0.5 + 0.7 * draw.even(BATCH), *[0.1 + 0.6 * draw.even(BATCH)] * 2
    light, u, v = (
        (plane - old.view(-1, 1, 1)) * wide.view(-1, 1, 1) + (new + size * off[:, k]).view(-1, 1, 1)
        for k, (plane, old, new, wide, size) in enumerate(
            zip(planes, before, after, spread, (0.5, 0.02, 0.02), strict=True)
        )
    )
    y = (torch.exp2(light) - 0.02).clamp(0, 1)
    size = y + 0.02
    red, blue = y + 2 * (1 - LUMA[0]) * v * size, y + 2 * (1 - LUMA[2]) * u * size
    other = torch.stack([red, (y - LUMA[0] * red - LUMA[2] * blue) / LUMA[1], blue], 1).clamp(0, 1)
    share = enough.float() * draw.chance(0.22, BATCH) * (0.6 + 0.4 * draw.even(BATCH))
    return colour + functional.avg_pool2d(there, 3, 1, 1) * each(share) * (other - colour)


def _luma_and_chroma(colour: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Return Y′, Cb/Y′ and Cr/Y′ of pictures, (n, H, W) each, as keys are learned from them."""
    red, green, blue = colour.unbind(1)
    y = LUMA[0] * red + LUMA[1] * green + LUMA[2] * blue
    return y, *((one - y) / (2 * (1 - weight) * (y + 0.02)) for one, weight in ((blue, LUMA[2]), (red, LUMA[0])))


def _in_other_light(colour: Tensor, draw: Draw) -> Tensor:
    """Return pictures in other light, brightened where they are dark as the product does."""
    luma = torch.tensor(LUMA, device=draw.device).view(1, 3, 1, 1)
    kind = draw.even(BATCH)
    strong = torch.where(kind > 0.93, 0.65, torch.where(kind < 0.25, 0.32, 0.09))[:, None]
    one, other = (each(torch.exp(draw.normal(BATCH, 3) * strong)) for _ in range(2))
    way = functional.normalize(draw.normal(BATCH, 2), dim=1)
    y, x = torch.meshgrid(*(torch.linspace(-1, 1, SHOWN, device=draw.device),) * 2, indexing="ij")
    lean = each(way[:, 0]) * x + each(way[:, 1]) * y + each(0.5 * draw.normal(BATCH))
    ramp = torch.sigmoid(lean * each(torch.exp(draw.normal(BATCH) * 0.7 + 1))) * each(draw.chance(0.35, BATCH))
    colour = colour.clamp(0, 1) * (one * (1 - ramp) + other * ramp) * each(2 ** ((draw.even(BATCH) - 0.62) * 2))
    colour = colour * each(2 ** (-3 * draw.even(BATCH) * draw.chance(0.08, BATCH)))
    colour = colour.clamp(1e-4, 1) ** each(torch.exp(draw.normal(BATCH) * 0.18))
    tint = each(torch.exp(draw.normal(BATCH, 3) * 0.5))
    washed = (colour * luma).sum(1, keepdim=True) * tint / (tint * luma).sum(1, keepdim=True)
    colour = colour + each(draw.chance(0.07, BATCH) * (0.3 + 0.55 * draw.even(BATCH))) * (washed - colour)
    colour = colour.clamp(0, 1)
    grey = (colour * luma).sum(1, keepdim=True)
    saturation = (1 - draw.chance(0.05, BATCH)) * (0.5 + 0.9 * draw.even(BATCH))
    colour = (grey + (colour - grey) * each(saturation)).clamp(0, 1)
    colour = colour + draw.normal(*colour.shape) * each(draw.even(BATCH) ** 2 * 0.05)
    colour = torch.where(draw.even(1).view(1, 1, 1, 1) < 0.2, functional.avg_pool2d(colour, 3, 1, 1), colour).clamp(
        0, 1
    )
    bright = torch.quantile(colour[:, :, ::5, ::5].reshape(BATCH, -1), 0.98, dim=1).clamp(min=0.05)
    return (colour * each(torch.clamp(0.8 / bright, min=1))).clamp(0, 1)


# --- what is marked -----------------------------------------------------------------------------------------


def marked_planes(picture: Tensor, shown: Sequence[Spots], radius: Tensor) -> Tensor:
    """Return what `skin.marked_planes` does, (n, 4, H, W), of spots on skin and on the rest, of a radius each."""
    smooth = functional.avg_pool2d(picture, 5, 1, 2, count_include_pad=False)
    shine = [_shine(picture, spots, radius) for spots in shown]
    return torch.stack([*shine, *(_likeness(picture, smooth, spots) for spots in shown)], 1)


def _shine(picture: Tensor, spots: Spots, radius: Tensor) -> Tensor:
    x, y, counts = (plane[..., None, None] for plane in spots)
    rows, columns = (torch.arange(size, device=picture.device, dtype=torch.float32) for size in picture.shape[2:])
    away = ((rows.view(1, 1, -1, 1) - y) ** 2 + (columns.view(1, 1, 1, -1) - x) ** 2 + 1e-6).sqrt()
    away = (away - radius.view(-1, 1, 1, 1)).clamp(min=0) / (skin._SPOT * max(picture.shape[2:]))
    return (torch.exp(-0.5 * away * away) * counts).amax(1)


def _likeness(picture: Tensor, smooth: Tensor, spots: Spots) -> Tensor:
    """Return how like the colours at spots every colour is, by the formula of `learn.distance_from_skin`."""
    y, u, v = _luma_and_chroma(picture)
    ratio, angle, light = torch.sqrt(u * u + v * v + 1e-12), torch.atan2(v, u + 1e-9), torch.log2(y.clamp(min=0) + 0.02)
    rows, columns = picture.shape[2:]
    at = (spots[1].round().clamp(0, rows - 1) * columns + spots[0].round().clamp(0, columns - 1)).long()
    own_y, own_u, own_v = (plane.flatten(1).gather(1, at) for plane in _luma_and_chroma(smooth))
    nearest = torch.full_like(y, 60.0)
    for k in range(at.shape[1]):
        b, c, d, counts = (plane[:, k, None, None] for plane in (own_u, own_v, own_y, spots[2]))
        own_ratio = torch.sqrt(b * b + c * c).clamp(min=0.02)
        hue = torch.remainder(angle - torch.atan2(c, b + 1e-9) + np.pi, 2 * np.pi) - np.pi
        hue = hue / (np.radians(9) + 0.012 / torch.minimum(ratio, own_ratio).clamp(min=0.03))
        stops = light - torch.log2(d.clamp(min=0) + 0.02)
        level = stops / torch.where(stops < 0, 0.9, 0.6)
        shaded = own_ratio * torch.exp2((-0.7 * stops).clamp(-1.5, 1.5))
        chroma = (torch.log2(ratio + 0.02) - torch.log2(shaded + 0.02)) / 0.5
        distance = hue * hue + level * level + chroma * chroma
        nearest = torch.where(counts > 0, torch.minimum(nearest, distance), nearest)
    return torch.exp(-0.5 * nearest)


def marks_by_chance(network: Network, look: tuple[Tensor, ...], seen: Tensor, draw: Draw, device: str) -> Tensor:
    """Mark skin by chance, and dab some of what the network then says wrongly: planes as the network takes them."""
    colour, person, true, scored, _ = look
    inner = (functional.avg_pool2d(true * scored, 5, 1, 2) > 0.97).float()[:, 0]
    x, y, there = draw.places(inner, 5)
    count = torch.floor(draw.even(BATCH, 1) * 5 + 1) * (draw.even(BATCH, 1) > 0.3)
    first = x, y, there * (torch.arange(5, device=device)[None] < count)
    radius = draw.even(BATCH) ** 2 * 0.03 * SHOWN
    nothing = (torch.zeros(BATCH, 1, device=device),) * 3
    with torch.no_grad(), torch.autocast(device, torch.bfloat16):
        odds = network(colour, seen, marked_planes(colour, (first, nothing), radius))
    counts = (functional.avg_pool2d(scored, 2) > 0.7).float()
    found, half = torch.sigmoid(odds.float()), functional.avg_pool2d(true, 2)
    wrong = [(part * counts - 0.3).clamp(min=0) for part in ((1 - found) * half, found * (1 - half))]
    fixed = (count > 0) * (draw.even(BATCH, 1) < 0.5)
    dabs = []
    for part in wrong:
        x, y, there = draw.places(((functional.avg_pool2d(part, 7, 1, 3) * part) ** 2)[:, 0], 2)
        dabs.append((2 * x + 0.5, 2 * y + 0.5, there * fixed * (draw.even(BATCH, 2) < 0.6)))
    x, y, there = draw.places(((1 - true) * scored * (person + 0.05))[:, 0], 1)
    other = x, y, there * (count > 0) * (draw.even(BATCH, 1) < 0.12)
    joined_ = [
        tuple(torch.cat(pair, 1) for pair in zip(*two, strict=True)) for two in ((first, dabs[0]), (dabs[1], other))
    ]
    return marked_planes(colour, joined_, radius)


# --- teaching -----------------------------------------------------------------------------------------------


def losses_of(odds: Tensor, person: Tensor, true: Tensor, scored: Tensor) -> Tensor:
    """Return by picture cross entropy, persons weighing three times, and what is missing of the overlap."""
    true, counts = functional.avg_pool2d(true, 2), (functional.avg_pool2d(scored, 2) > 0.7).float()
    weight, over = counts * (1 + 2 * functional.avg_pool2d(person, 2)), (1, 2, 3)
    wrong = functional.binary_cross_entropy_with_logits(odds, true, reduction="none") * weight
    wrong = wrong.sum(over) / weight.sum(over).clamp(min=50)
    found, true = torch.sigmoid(odds) * counts, true * counts
    overlap = 2 * (found * true).sum(over) / (found.sum(over) + true.sum(over) + 20)
    return wrong + 0.4 * (true.sum(over) > 60).float() * (1 - overlap)


def taught(
    found: Sequence[Photo], generated: Sequence[Photo], seed: int, steps: int = STEPS, device: str = "cuda"
) -> Network:
    """Teach a network; return the running mean of its weights."""
    torch.manual_seed(seed)
    network, draw = Network().to(device).to(memory_format=torch.channels_last), Draw(100 + seed, device)
    old = list(network.back.parameters())
    new = [p for name, p in network.named_parameters() if not name.startswith("back")]
    ways = [{"params": own, "lr": rate} for own, rate in zip((old, new), RATES, strict=True)]
    optimiser = torch.optim.AdamW(ways, weight_decay=0.02)
    mean = {name: plane.detach().clone() for name, plane in network.state_dict().items()}
    every = shown(found, generated, device)
    hard = torch.full((len(every.planes),), 0.3, device=device)
    for step in range(steps):
        share = max(min(1, (step + 1) / WARM) * 0.5 * (1 + np.cos(np.pi * step / steps)), 0.01)
        for way, rate in zip(optimiser.param_groups, RATES, strict=True):
            way["lr"] = rate * share
        colour, person, true, scored, which = look = look_of(every, hard, draw)
        seen = person * each(draw.chance(0.75, BATCH))
        marks = marks_by_chance(network, look, seen, draw, device)
        with torch.autocast(device, torch.bfloat16):
            odds = network(colour.contiguous(memory_format=torch.channels_last), seen, marks)
        losses = losses_of(odds.float(), person, true, scored)
        optimiser.zero_grad()
        losses.mean().backward()
        nn.utils.clip_grad_norm_(network.parameters(), 2.0)
        optimiser.step()
        hard[which] = (0.9 * hard[which] + 0.1 * losses.detach()).clamp(0, 3)
        for name, plane in network.state_dict().items():
            if plane.dtype.is_floating_point:
                mean[name].lerp_(plane, 1 - min(0.995, (step + 1) / (step + 20)))
        if step % 100 == 0 or step == steps - 1:
            print(f"  {step:5d} {float(losses.detach().mean()):.3f}", file=sys.stderr, flush=True)
    network.load_state_dict(mean)
    return network.eval().cpu()


# --- its file -----------------------------------------------------------------------------------------------


def folded(layers: nn.Sequential) -> tuple[Tensor, Tensor]:
    """Return the weights and the bias of a convolution with those of the norm behind it in them."""
    layer, norm, _ = layers
    scale = norm.weight / torch.sqrt(norm.running_var + norm.eps)
    return layer.weight * scale.view(-1, 1, 1, 1), norm.bias - norm.running_mean * scale


class Written:
    """An ONNX file in the making: what OpenCV 4.10 and later reads, with every mean and deviation in its weights."""

    def __init__(self) -> None:
        self.nodes, self.constants, self.twice = [], [], ""

    def step(self, kind: str, sources: Sequence[str], out: str = "", **told: Any) -> str:
        out = out or f"{kind.lower()}{len(self.nodes)}"
        self.nodes.append(helper.make_node(kind, sources, [out], **told))
        return out

    def constant(self, values: Any) -> str:
        name = f"weights{len(self.constants)}"
        self.constants.append(numpy_helper.from_array(np.asarray(values, np.float32), name))
        return name

    def convolution(self, source: str, layer: nn.Conv2d, weight: Tensor, bias: Tensor, out: str = "") -> str:
        told = {"pads": list(layer.padding) * 2, "dilations": list(layer.dilation), "group": layer.groups}
        told |= {"strides": list(layer.stride), "kernel_shape": list(layer.kernel_size)}
        weights = [self.constant(plane.detach().numpy()) for plane in (weight, bias)]
        return self.step("Conv", [source, *weights], out, **told)

    def joined(self, source: str, layers: nn.Sequential) -> str:
        return self.step("Relu", [self.convolution(source, layers[0], *folded(layers))])

    def beside(self, coarse: str, planes: int, fine: Sequence[str], layers: nn.Sequential) -> str:
        """Write what ``joined`` makes of coarse planes, grown twice as large, and fine ones.

        The coarse planes are convolved before they grow, which is a quarter of the work.
        """
        if not self.twice:
            self.twice = self.constant([1, 1, 2, 2])
        weight, bias = folded(layers)
        how = {"mode": "nearest", "coordinate_transformation_mode": "asymmetric", "nearest_mode": "floor"}
        near = self.step("Concat", fine, axis=1)
        wide = self.convolution(coarse, layers[0], weight[:, :planes], bias)
        wide = self.step("Resize", [wide, "", self.twice], **how)
        near = self.convolution(near, layers[0], weight[:, planes:], torch.zeros(len(bias)))
        return self.step("Relu", [self.step("Add", [near, wide])])

    def block(self, source: str, block: Block) -> str:
        return self.step("Add", [source, self.joined(self.joined(source, block.a), block.b)])

    def file(self, taken: dict[str, tuple[int, int]], told: dict[str, tuple[int, int]]) -> bytes:
        """Return the file. Inputs and outputs are given by name: their planes, and how much smaller they are.

        The sides stand for all that the steps divide: OpenCV 4 reads no file without any, and takes other ones then.
        """
        inputs, outputs = (
            [
                helper.make_tensor_value_info(name, onnx.TensorProto.FLOAT, [1, planes, SIDE // step, SIDE // step])
                for name, (planes, step) in ports.items()
            ]
            for ports in (taken, told)
        )
        graph = helper.make_graph(self.nodes, "skin", inputs, outputs, self.constants)
        model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 13)], ir_version=8)
        onnx.checker.check_model(model, full_check=True)
        return model.SerializeToString()


def encoder(network: Network) -> bytes:
    """Return the file of what sees the picture alone; its tensors have the names that CenterFace gives them."""
    file, back = Written(), network.back
    for kind, sources, out in back.steps:
        sources = ["picture" if source == back.first else source for source in sources]
        if kind == "Conv":
            layer = back.layers["c" + out]
            weight = layer.weight * 255 if sources[0] == "picture" else layer.weight
            bias = torch.zeros(len(weight)) if layer.bias is None else layer.bias
            file.convolution(sources[0], layer, weight, bias, out)
        else:
            file.step(kind, sources, out)
    return file.file({"picture": (3, 1)}, skin._LAYERS)


def decoder(network: Network) -> bytes:
    """Return the file of what joins that with persons and marks."""
    file = Written()
    persons, marks = ["person"], ["marks"]
    for planes, times in ((persons, 3), (marks, 4)):
        for _ in range(times):
            planes.append(file.step("AveragePool", planes[-1:], kernel_shape=[2, 2], strides=[2, 2]))
    small = file.step("AveragePool", ["picture"], kernel_shape=[2, 2], strides=[2, 2])
    x = file.joined(file.step("Concat", [LAST, marks.pop()], axis=1), network.top)
    for block in network.ctx:
        x = file.block(x, block)
    mean = file.step("GlobalAveragePool", [x])
    mean = file.convolution(mean, network.glob, -network.glob.weight, -network.glob.bias)
    x = file.step("Sub", [x, mean])  # OpenCV 5 refuses to add what has another size to a convolution
    told = zip(persons[:0:-1], marks[:0:-1], strict=True)
    steps = zip((network.u8, network.u4, network.u2), WIDTHS[:-1], DETAIL, told, strict=True)
    for layers, planes, (name, _), there in steps:
        fine = [name, *([small] if name == DETAIL[-1][0] else []), *there]
        x = file.block(file.beside(x, planes, fine, layers[0]), layers[1])
    odds = file.convolution(x, network.out, network.out.weight, network.out.bias)
    file.step("Sigmoid", [odds], "skin")
    taken = {"picture": (3, 1), "person": (1, 1), "marks": (MARKED, 1)}
    return file.file(taken | skin._LAYERS, {"skin": (1, 2)})


def main(out: str, *folders: str) -> None:
    found, generated = [list(photos(folder)) for folder in folders], list(portraits(seed=901))
    for number in range(len(found) + 1):
        rest = [photo for k, own in enumerate(found) if k != number for photo in own]
        folder = Path(out, str(number) if number < len(found) else "")
        print(f"{folder}: {len(rest)} pictures", file=sys.stderr)
        network = taught(rest, generated, number)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / skin.ENCODER).write_bytes(encoder(network))
        (folder / skin.DECODER).write_bytes(decoder(network))


if __name__ == "__main__":
    main(*sys.argv[1:])
