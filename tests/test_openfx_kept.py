"""OpenFX projects of earlier versions: their effects, controls and choices are still there and render the same bits."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from inkarnat.host_adapters.openfx.controls import identifier
from inkarnat.nodes import EARLIER, NODES
from ofx_host import HostImage, Stage
from ofx_host.bundles import loaded

FIXTURES = Path(__file__).parent / "fixtures"
CASES = [
    pytest.param(told, path.with_suffix(".npz"), id=f"{path.stem}-{name}")
    for path in sorted(FIXTURES.glob("openfx-*.json"))
    for name, told in json.loads(path.read_text(encoding="utf-8")).items()
]


def is_stored(told: dict, arrays: Path) -> bool:
    """Whether an effect's picture is kept: a scope's is not, as how it is drawn may change."""
    with np.load(arrays) as stored:
        return f"{told['id'].rpartition('.')[2]}/Output" in stored


PICTURES = [case for case in CASES if is_stored(*case.values)]


def test_pictures_of_nearly_all_effects_are_stored():
    assert len(CASES) - len(PICTURES) <= 2


def as_control(value: object) -> object:
    if isinstance(value, list):
        return tuple(as_control(v) for v in value)
    return value


@pytest.mark.parametrize(("told", "arrays"), CASES)
def test_what_a_project_holds_is_still_there(told, arrays):
    _, effects = loaded()
    found = [e for e in effects.values() if (e.identifier, e.record.major) == (told["id"], told["major"])]
    assert len(found) == 1, f"{told['id']} {told['major']} is gone"
    assert told["context"] in found[0].contexts
    instance = found[0].instance(context=told["context"])
    kinds = {(identifier(kind), kind.version): kind for kind in (*NODES.values(), *EARLIER)}
    kind = kinds[told["id"], told["major"]]
    for name, control in told["controls"].items():
        now = instance.controls.by_name[name]
        assert now.type == "OfxParamType" + control["type"], name
        if "options" in control and name in kind.params():
            options = tuple(kind.params()[name].options)
            assert options[: len(control["options"])] == tuple(control["options"]), "choices are kept by their place"


@pytest.mark.parametrize(("told", "arrays"), PICTURES)
def test_it_renders_the_same_bits(told, arrays):
    host, effects = loaded()
    stored = np.load(arrays)
    name = told["id"].rpartition(".")[2]
    images = {clip: stored[f"{name}/{clip}"] for clip in told["clips"]}
    height, width = images["Source"].shape[:2]
    effect = next(e for e in effects.values() if (e.identifier, e.record.major) == (told["id"], told["major"]))
    instance = effect.instance(context=told["context"], size=(float(width), float(height)))
    for control, kept in told["controls"].items():
        instance[control] = as_control(kept["value"])
    output = HostImage(np.zeros((height, width, 4), np.float32))
    assert instance.render(Stage(output, {clip: HostImage(image) for clip, image in images.items()})) == 0
    assert np.array_equal(output.read().view(np.int32), stored[f"{name}/Output"].view(np.int32))
    assert not host.complaints
