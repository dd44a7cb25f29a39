"""The shots of the accuracy benchmark: generated portraits with exact truth, and real pictures with drawn masks."""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter

from ...kernels.errors import InkarnatError
from ...nodes import Sample
from ...nodes.declare import Matte, Picture
from ..workshop import SKIN_DEPTHS, Pose, Scene, camera, light_change, portrait, skin_cast

STROKE_RADIUS = 0.008
MASKS = Path("test_images") / "masks"
"""Where the drawn masks lie, from the root of a checkout; without them generated pictures alone are scored."""

ADDED = ("1 point", "3 points", "box", "stroke", "stroke + subtract")
"""The inputs that a person can mark, from the least to the most."""


class BenchError(InkarnatError, ValueError):
    """A benchmark that cannot be run as asked."""


@dataclass(frozen=True)
class Marks:
    """What a person marks: samples of skin and of what must stay out."""

    add: tuple[Sample, ...]
    subtract: tuple[Sample, ...] = ()


@dataclass(frozen=True)
class Shot:
    """One case: the picture that is sampled, the picture that is keyed, and the truth of the latter.

    :ivar group: "generated" or "real". :ivar marks: by input, see :data:`ADDED`.
    :ivar clean: the keyed picture without cast, with the same grain, or None where it is not known.
    :ivar painted: the generated scene that is sampled; None for a real picture.
    """

    name: str
    group: str
    scene: str
    depth: str
    sampled: Picture
    keyed: Picture
    truth: Matte
    ignore: NDArray[np.bool_]
    marks: dict[str, Marks]
    clean: Picture | None = None
    painted: Scene | None = None


# --- generated ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Setting:
    """How one generated scene differs from the plain one: arguments of ``portrait`` and ``camera``."""

    portrait: dict[str, Any]
    camera: dict[str, Any]
    mixed: bool = False
    moved: bool = False


SETTINGS: dict[str, Setting] = {
    "cast": Setting({}, {"cast": skin_cast()}),
    "cedar 40 %": Setting({"similar": 0.4}, {}),
    "cedar 70 %": Setting({"similar": 0.7}, {}),
    "two stops under": Setting({}, {"gain": 0.25}),
    "double noise": Setting({}, {"noise": 0.016}),
    "8-bit": Setting({"wall": "cardboard"}, {"bits": 8}),
    "mixed light": Setting({"wall": "plaster", "fill": 0.15}, {}, mixed=True),
    "moving face": Setting({"beard": False}, {}, moved=True),
    "two people": Setting({"faces": 2, "wall": "sand"}, {}),
}
"""The generated scenes; all are delivered as 4:2:0 with 10 bits and grain unless said."""

_AFTER_THE_MOVE = Pose(head=(0.05, 0.02), tilt=0.10, hand=(-0.03, 0.03), wave=0.15)


def generated_shots(
    seeds: range,
    width: int = 640,
    height: int = 360,
    scenes: tuple[str, ...] = tuple(SETTINGS),
    depths: tuple[str, ...] = tuple(SKIN_DEPTHS),
) -> Iterator[Shot]:
    """Yield a portrait of every depth in every scene for every seed. Raises BenchError for an unknown scene."""
    for scene in scenes:
        if scene not in SETTINGS:
            raise BenchError(f"There is no scene {scene!r}: use one of {', '.join(SETTINGS)}.")
        for depth in depths:
            for seed in seeds:
                yield _generated(scene, depth, seed, width, height)


def _generated(name: str, depth: str, seed: int, width: int, height: int) -> Shot:
    setting = SETTINGS[name]
    depths = list(SKIN_DEPTHS)
    options = setting.portrait | {"second_depth": depths[(depths.index(depth) + 3) % len(depths)]}
    scene = portrait(depth, seed, width, height, **options)
    shown = portrait(depth, seed, width, height, pose=_AFTER_THE_MOVE, **options) if setting.moved else scene
    clean = {k: v for k, v in setting.camera.items() if k != "cast"}
    return Shot(
        name=f"{name}, {depth}, {seed}",
        group="generated",
        scene=name,
        depth=depth,
        sampled=camera(_lit(scene.light, setting), seed, **setting.camera),
        keyed=camera(_lit(shown.light, setting), seed + int(setting.moved), **setting.camera),
        truth=shown.matte,
        ignore=shown.ignore,
        marks=_generated_marks(scene),
        clean=camera(shown.light, seed + int(setting.moved), **clean),
        painted=scene,
    )


def _lit(light: NDArray[np.float32], setting: Setting) -> NDArray[np.float32]:
    """Light the picture warm from the left and cool from the right where the setting says so."""
    if not setting.mixed:
        return light
    warm, cool = (light @ light_change(mired, 0.0).T.astype(np.float32) for mired in (50.0, -30.0))
    part = np.linspace(0, 1, light.shape[1], dtype=np.float32)[None, :, None]
    part = np.clip((part - 0.35) / 0.3, 0, 1)
    return np.asarray(warm + (cool - warm) * part, np.float32)


def _generated_marks(scene: Scene) -> dict[str, Marks]:
    places = scene.places
    people = [""] + (["second_"] if "second_face" in places else [])
    points = [places["cheek"], places["second_cheek" if len(people) > 1 else "forehead"], places["hand"]]
    stroke = tuple(Sample.stroke(places[who + "stroke"], STROKE_RADIUS) for who in people)
    left, top, _, bottom = places["face"]
    beside = [(left - 0.035, top + share * (bottom - top)) for share in (-0.1, 0.35)]
    return {
        "1 point": Marks((Sample.point(*places["cheek"]),)),
        "3 points": Marks(tuple(Sample.point(*p) for p in points)),
        "box": Marks(tuple(_inner_box(places[who + "face"]) for who in people)),
        "stroke": Marks(stroke),
        "stroke + subtract": Marks(stroke, (Sample.stroke(beside, STROKE_RADIUS),)),
    }


def _inner_box(face: tuple[float, float, float, float]) -> Sample:
    """A box as a hand draws it over a face: from temple to temple, from the brows to above the chin."""
    left, top, right, bottom = face
    w, h = right - left, bottom - top
    return Sample.box(left + 0.22 * w, top + 0.30 * h, right - 0.22 * w, bottom - 0.22 * h)


# --- real ---------------------------------------------------------------------------------------------------

VARIANTS = ("as it is", "two stops under", "30 mired warmer", "half size")


def real_shots(masks: Path | None = None) -> Iterator[Shot]:
    """Yield the real pictures for which a mask is drawn, as they are and changed in light and size.

    A picture whose package is not installed is left out. Raises BenchError for a mask that cannot be read.
    """
    for path in sorted((masks or MASKS).glob("*.json")):
        try:
            drawn = json.loads(path.read_text(encoding="utf-8"))
            picture = _packaged(drawn["package"], drawn["file"])
            if picture is None:
                continue
            truth, ignore = _drawn(drawn, picture.shape[1], picture.shape[0])
            marks = _drawn_marks(drawn["places"])
        except (KeyError, TypeError, ValueError, OSError) as error:
            raise BenchError(f"The mask {path} cannot be read ({error!r}): see test_images/README.md.") from None
        shot = Shot(f"{path.stem}, {VARIANTS[0]}", "real", path.stem, "", picture, picture, truth, ignore, marks)
        yield shot
        yield _changed(shot, VARIANTS[1], picture * np.float32(0.25 ** (1 / 2.4)))
        yield _changed(shot, VARIANTS[2], _warmer(picture))
        yield _halved(shot)


def _packaged(package: str, file: str) -> Picture | None:
    """Read a picture that lies inside an installed package; None where the package is not there."""
    found = importlib.util.find_spec(package)
    if found is None or found.origin is None:
        return None
    with Image.open(Path(found.origin).parent / file) as picture:
        return np.asarray(picture.convert("RGB"), np.float32) / np.float32(255)


def _drawn(drawn: dict[str, Any], width: int, height: int) -> tuple[Matte, NDArray[np.bool_]]:
    """Fill the polygons of a mask: the skin, the holes in it, and what is not scored (edges included)."""

    def filled(polygons: list[list[list[float]]], outline: int = 0) -> Image.Image:
        plane = Image.new("L", (width, height))
        draw = ImageDraw.Draw(plane)
        for polygon in polygons:
            corners = [(x * width - 0.5, y * height - 0.5) for x, y in polygon]
            if outline:
                draw.line([*corners, corners[0]], fill=255, width=outline)
            else:
                draw.polygon(corners, fill=255)
        return plane

    skin = np.asarray(filled(drawn["skin"])) > 0
    skin &= ~(np.asarray(filled(drawn["not_skin"])) > 0)
    edge = filled([*drawn["skin"], *drawn["not_skin"]], outline=1)
    wide = edge.filter(ImageFilter.MaxFilter(2 * int(drawn["edge"]) + 1))
    ignore = (np.asarray(wide) > 0) | (np.asarray(filled(drawn["unscored"])) > 0)
    return skin.astype(np.float32), ignore


def _drawn_marks(places: dict[str, Any]) -> dict[str, Marks]:
    strokes = tuple(Sample.stroke(points, STROKE_RADIUS) for points in places["strokes"])
    subtract = tuple(Sample.stroke(points, STROKE_RADIUS) for points in places["subtract"])
    return {
        "1 point": Marks((Sample.point(*places["points"][0]),)),
        "3 points": Marks(tuple(Sample.point(*p) for p in places["points"])),
        "box": Marks((Sample.box(*places["box"]),)),
        "stroke": Marks(strokes),
        "stroke + subtract": Marks(strokes, subtract),
    }


def _changed(shot: Shot, variant: str, picture: Picture) -> Shot:
    picture = np.ascontiguousarray(picture, np.float32)
    return replace(shot, name=f"{shot.scene}, {variant}", sampled=picture, keyed=picture)


def _warmer(picture: Picture) -> Picture:
    light = np.maximum(picture, 0) ** np.float32(2.4) @ light_change(30.0, 0.0).T.astype(np.float32)
    return np.asarray(np.clip(light, 0, 1) ** np.float32(1 / 2.4), np.float32)


def _halved(shot: Shot) -> Shot:
    def half(plane: NDArray[Any]) -> NDArray[Any]:
        rows, columns = plane.shape[0] // 2 * 2, plane.shape[1] // 2 * 2
        cut = plane[:rows, :columns]
        return np.asarray((cut[::2, ::2] + cut[1::2, ::2] + cut[::2, 1::2] + cut[1::2, 1::2]) / 4)

    smaller = _changed(shot, VARIANTS[3], half(shot.keyed))
    return replace(
        smaller,
        truth=half(shot.truth).astype(np.float32),
        ignore=half(shot.ignore.astype(np.float32)) > 0,
    )
