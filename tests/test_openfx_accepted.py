"""OpenFX, accepted mattes: what a person has looked at counts on that clip and for that matte, and nowhere else."""

from __future__ import annotations

import json

import numpy as np
import pytest
from inkarnat.host_adapters.openfx.controls import STALE, STALE_ELSEWHERE
from inkarnat.host_adapters.workshop import camera, portrait
from inkarnat.nodes import NODES
from ofx_host import HostImage, Stage
from ofx_host.bundles import loaded
from ofx_host.effect import Control
from ofx_host.host import UNKNOWN, HostStatus

SIZE = WIDTH, HEIGHT = 320, 180
FACE = (0.47, 0.38)


def frame(seed: int, gain: float = 1.0) -> np.ndarray:
    """A portrait in RGBA, the lowest row first."""
    picture = camera(portrait("light", seed, WIDTH, HEIGHT).light) * gain
    return np.ascontiguousarray(np.dstack([picture, np.ones((HEIGHT, WIDTH))])[::-1], np.float32)


def stage_of(picture: np.ndarray, time: float = 0.0) -> Stage:
    return Stage(HostImage(np.zeros_like(picture)), {"Source": HostImage(picture)}, time=time)


def doubted():
    """An effect with a key that catches much more than skin, and what its reading says."""
    instance = loaded()[1]["correct_skin"].instance(size=(float(WIDTH), float(HEIGHT)))
    stage = stage_of(frame(812))
    instance["skin_1"], instance["skin_1_use"] = (FACE[0] * WIDTH, (1 - FACE[1]) * HEIGHT), 1
    instance["width"] = 0.5
    assert instance.press("learn", stage) == 0, loaded()[0].messages[-1:]
    assert instance.press("solve", stage) == 0, loaded()[0].messages[-1:]
    return instance, stage, reading(instance, stage)


def reading(instance, stage: Stage) -> str:
    assert instance.press("read", stage) == 0, loaded()[0].messages[-1:]
    return instance["report"]


def counts(report: str) -> bool:
    return "The matte was accepted on frame" in report and "Look at the matte first" not in report


@pytest.fixture
def accepted():
    instance, stage, before = doubted()
    assert "Look at the matte first" in before, before
    assert instance.press("accept_matte", stage) == 0, loaded()[0].messages[-1:]
    assert counts(instance["report"]), instance["report"]
    yield instance, stage
    assert not loaded()[0].complaints, "\n".join(loaded()[0].complaints)


def test_an_accepted_matte_is_no_longer_doubted_and_pressing_again_takes_that_back(accepted):
    instance, stage = accepted
    host = loaded()[0]
    host.edits.clear()
    assert counts(reading(instance, stage))
    assert instance.press("accept_matte", stage) == 0
    assert "The matte is judged again." in instance["report"]
    assert "Look at the matte first" in instance["report"]
    assert "begin Doubt the matte" in host.edits


def test_it_counts_on_other_frames_of_the_clip_and_while_the_skin_alone_is_moved(accepted):
    instance, stage = accepted
    clip = {0.0: stage.clips["Source"], 3.0: HostImage(frame(812, 1.02))}
    later = Stage(stage.output, {"Source": clip.get}, time=3.0)
    instance["angle"] = 2.0
    assert counts(reading(instance, later)), instance["report"]


@pytest.mark.parametrize(
    "way", ["another clip", "other light", "no such frame", "width", "exposure", "limit", "damage"]
)
def test_it_ends_with_the_matte_and_on_another_clip(accepted, way):
    instance, stage = accepted
    if way == "another clip":
        stage = stage_of(frame(813))
    elif way == "other light":
        stage = stage_of(frame(812, 0.9))
    elif way == "no such frame":
        clip = {3.0: stage.clips["Source"]}
        stage = Stage(stage.output, {"Source": clip.get}, time=3.0)
    elif way in ("width", "exposure"):
        instance[way] = {"width": 0.3, "exposure": 0.1}[way]
    elif way == "limit":
        half = np.zeros((HEIGHT, WIDTH, 4), np.float32)
        half[:, : WIDTH // 3] = 1
        stage.clips["Matte"] = HostImage(half)
        assert "Matte" in instance.clips
    else:
        instance["accepted_matte"] = json.dumps({"frame": 0.0, "matte": "00"})
    report = reading(instance, stage)
    assert not counts(report), report
    if way != "damage":
        assert "it is judged" in report, report


def test_pasted_onto_another_clip_nothing_praises(accepted):
    """A host makes an instance with the values of the copied one and says nothing of the clip."""
    instance, stage = accepted
    pasted = loaded()[1]["correct_skin"].instance(size=instance.size, like=instance)
    assert pasted["report"] == STALE_ELSEWHERE + instance["report"]
    other = stage_of(frame(813))
    report = reading(pasted, other)
    assert not report.startswith((STALE, STALE_ELSEWHERE))
    assert not counts(report), report
    assert counts(reading(pasted, stage)), "its own clip is known again, as when a project is opened"


def test_a_host_that_sets_nothing_while_it_makes_an_instance_gets_one_all_the_same(accepted, monkeypatch):
    instance, stage = accepted

    def refuse(self, *_):
        raise HostStatus(UNKNOWN, "")

    with monkeypatch.context() as patched:
        patched.setattr(Control, "write", refuse)
        pasted = loaded()[1]["correct_skin"].instance(size=instance.size, like=instance)
    assert pasted.status == 0
    assert pasted.render(stage) == 0
    loaded()[0].complaints.clear()


def test_a_reading_of_the_clip_before_says_so(accepted):
    instance, stage = accepted
    report = instance["report"]
    for _ in range(2):
        assert instance.press("Source", stage_of(frame(813)), kind="OfxTypeClip") == 0
        assert instance["report"] == STALE_ELSEWHERE + report
    assert instance.press("angle", stage, reason="OfxChangePluginEdited") == 14
    instance["live_reading"] = 0
    instance["angle"] = 2.0
    assert instance.press("angle", stage) == 14
    assert instance["report"] == STALE_ELSEWHERE + report


def test_an_empty_matte_cannot_be_accepted(accepted):
    instance, _ = accepted
    blue = np.zeros((HEIGHT, WIDTH, 4), np.float32)
    blue[..., 2:] = 1
    assert instance.press("accept_matte", stage_of(blue)) == 1
    assert "Nothing is keyed on this frame" in loaded()[0].messages[-1][1]


def test_only_effects_that_key_on_their_way_have_the_button():
    _, effects = loaded()
    having = {name for name in NODES if name in effects and "accept_matte" in effects[name].instance().controls.by_name}
    assert having == {"correct_skin"}
