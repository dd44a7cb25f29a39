"""Identity: a node that says it changes nothing returns its first picture with its very bits, whatever that holds."""

from __future__ import annotations

import dataclasses
import pickle
import random

import numpy as np
import pytest
from inkarnat.nodes import NODES, ParamError, SteerSkin
from inkarnat.nodes.convert import ReturnColour
from inkarnat.nodes.declare import Node

KINDS = {**NODES, "return_colour": ReturnColour}
NEUTRAL = {
    "tone_curve": {},
    "cdl": {"clamp": False},
    "balance": {},
    "convert_colour": {"from_transfer": "pq", "to_transfer": "pq"},
    "steer_skin": {},
    "keep_skin": {"amount": 0},
    "blend": {"amount": 0},
    "baked_look": {},
    "correct_skin": {},
}


def hostile(channels: int, seed: int) -> np.ndarray:
    """Below black, far above white, both zeros, the smallest numbers, NaN with a payload and both infinities."""
    values = np.random.default_rng(seed).normal(0.5, 1, (19, 23, channels)).astype(np.float32)
    odd = np.array([0.0, -0.0, 1e-42, -1e-42, np.inf, -np.inf, np.nan, 3e38, -4.0, 65504.0], np.float32)
    values.reshape(-1)[: 3 * odd.size] = np.tile(odd, 3)
    values.view(np.uint32).reshape(-1)[40] = 0xFFC12345
    return values


def any_value(param, chance: random.Random):
    if param.kind == "choice":
        return chance.choice(list(param.options))
    if param.kind == "toggle":
        return chance.random() < 0.5
    if param.kind in ("number", "angle", "whole"):
        whole = [v for v in (0, 1) if param.low <= v <= param.high]
        shown = param.shown or (param.low, param.high)
        return chance.choice([param.default, *whole, int(min(max(shown[1], param.low), 5))])
    return param.default


def trials(kind: type[Node]) -> list[Node]:
    """A few hundred settings: most parameters at their default, the others anywhere."""
    chance, made = random.Random(7), [kind()]
    for _ in range(300):
        chosen = {n: any_value(p, chance) for n, p in kind.params().items() if chance.random() < 0.3}
        try:
            made.append(kind(**chosen))
        except ParamError:
            continue
    if kind.name in NEUTRAL:
        made.append(kind(**NEUTRAL[kind.name]))
    return made


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS.keys())
def test_an_identity_changes_no_bit(kind):
    ports = kind.inputs()
    first = next(iter(ports))
    identities = [node for node in dict.fromkeys(trials(kind)) if node.is_identity()]
    if kind.output().kind == "matte":
        assert not identities
    assert bool(identities) == (kind.name in NEUTRAL), "an identity that was never tried would show nothing"
    for index, node in enumerate(identities[:40]):
        channels = 3 + index % 2
        arrays = {
            name: hostile(channels, seed) if port.kind == "picture" else hostile(1, seed)[..., 0]
            for seed, (name, port) in enumerate(ports.items())
        }
        result = node.process(**arrays)
        assert np.array_equal(result.view(np.uint32), arrays[first].view(np.uint32)), node
        assert not np.shares_memory(result, arrays[first])


@pytest.mark.parametrize("name", NEUTRAL)
def test_neutral_settings_are_an_identity(name):
    assert NODES[name](**NEUTRAL[name]).is_identity()


@pytest.mark.parametrize("name", sorted(set(NODES) - set(NEUTRAL)))
def test_other_nodes_never_are(name):
    assert not NODES[name]().is_identity()


def test_each_way_of_steering_counts():
    for change in ({"angle": 1}, {"saturation": 1.1}, {"even_out": 0.1}, {"shadow_angle": 2}, {"shadow_saturation": 2}):
        assert not SteerSkin(**change).is_identity()
        assert SteerSkin(**change, amount=0).is_identity()
    assert SteerSkin(method="shift", shadow_angle=9).is_identity(), "only the turn has a shadow side"


def test_an_effect_of_many_steps_builds_them_once(monkeypatch):
    """Counts nodes that are validated: a second frame of the same settings builds none."""
    picture = np.random.default_rng(3).random((36, 64, 3)).astype(np.float32)
    node = NODES["correct_skin"](angle=4.0, temperature=20.0, saturation=1.1)
    first = node.process(picture)
    built = []
    real = Node.__post_init__
    monkeypatch.setattr(Node, "__post_init__", lambda node: built.append(node.name) or real(node))
    assert np.array_equal(node.process(picture), first)
    assert not built
    changed = dataclasses.replace(node, angle=-4.0)
    assert not np.array_equal(changed.process(picture), first)
    assert pickle.loads(pickle.dumps(node)) == node != changed
    assert hash(pickle.loads(pickle.dumps(node))) == hash(node)
