"""Timelines: what a cut uses, groups of like clips, and the cut linked to corrected files, read back by the library."""

from __future__ import annotations

import json
from fractions import Fraction

import numpy as np
import opentimelineio as otio
import pytest
from click.testing import CliRunner
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.graph import Graph
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.graphs.standard import chain_graph
from inkarnat.host_adapters.media.clips import open_clip, open_writer
from inkarnat.host_adapters.media.files import InputError
from inkarnat.host_adapters.shots.timeline import CutList, Linked, TimelineError, Use, describe_member, propose_groups
from inkarnat.nodes import MarkedFrame, solve_correction
from takes import SAWDUST, film

RATE = 24


def time(frames, rate=RATE):
    return otio.opentime.RationalTime(frames, rate)


def span(start, count, rate=RATE):
    return otio.opentime.TimeRange(time(start, rate), time(count, rate))


def clip(name, url, start, count, available=None, **more):
    reference = otio.schema.ExternalReference(target_url=url, available_range=available)
    return otio.schema.Clip(name, media_reference=reference, source_range=span(start, count), **more)


def save(path, *items):
    timeline = otio.schema.Timeline("cut")
    track = otio.schema.Track("V1", kind=otio.schema.TrackKind.Video)
    track.extend(items)
    sound = otio.schema.Track("A1", kind=otio.schema.TrackKind.Audio)
    sound.append(clip("sound", "sound.wav", 0, 10))
    timeline.tracks.extend([track, sound])
    otio.adapters.write_to_file(timeline, str(path))
    return path


def uses(tmp_path, *items, handles=0):
    return CutList(save(tmp_path / "cut.otio", *items)).uses(handles)


# --- what is used -------------------------------------------------------------------------------------------


def test_ranges_count_from_the_files_first_frame(tmp_path):
    found = uses(
        tmp_path,
        clip("a", "a.mov", 10, 20),
        clip("b", "b.mov", 86400 + 5, 12, available=span(86400, 100)),  # timecode of an hour
        handles=3,
    )
    assert found == (
        Use(str(tmp_path / "a.mov"), 7, 32, ("a",)),
        Use(str(tmp_path / "b.mov"), 2, 19, ("b",)),
    )


def test_stretches_that_touch_are_one_use(tmp_path):
    gap = otio.schema.Gap(source_range=span(0, 5))
    items = [clip("a1", "a.mov", 40, 5), gap, clip("a2", "a.mov", 0, 10), clip("a3", "a.mov", 8, 10)]
    assert [(u.first, u.last, u.names) for u in uses(tmp_path, *items)] == [(0, 17, ("a2", "a3")), (40, 44, ("a1",))]
    assert len(uses(tmp_path, *items, handles=11)) == 1


def test_transitions_reach_beyond_the_clips(tmp_path):
    between = otio.schema.Transition(in_offset=time(4), out_offset=time(6))
    items = [clip("a", "a.mov", 10, 20), between, clip("b", "b.mov", 10, 20)]
    assert [(u.first, u.last) for u in uses(tmp_path, *items)] == [(10, 35), (6, 29)]


def test_speed_counts(tmp_path):
    fast = clip("a", "a.mov", 10, 20, effects=[otio.schema.LinearTimeWarp(time_scalar=1.5)])
    frozen = clip("b", "b.mov", 10, 20, effects=[otio.schema.FreezeFrame()])
    assert [(u.first, u.last) for u in uses(tmp_path, fast, frozen)] == [(10, 39), (10, 10)]
    ramp = clip("c", "c.mov", 10, 20, effects=[otio.schema.TimeEffect()])
    with pytest.raises(TimelineError, match="'c' changes its speed"):
        uses(tmp_path, ramp)


def test_picture_sequences_are_found(tmp_path):
    reference = otio.schema.ImageSequenceReference(
        target_url_base="shots/", name_prefix="a.", name_suffix=".exr", start_frame=1001, frame_zero_padding=4,
        rate=24, available_range=span(0, 50),
    )  # fmt: skip
    found = uses(tmp_path, otio.schema.Clip("a", media_reference=reference, source_range=span(10, 5)))
    assert found == (Use(str(tmp_path / "shots" / "a.%04d.exr"), 10, 14, ("a",)),)


def test_handles_end_where_the_file_ends(tmp_path):
    class Ten:
        frames = range(1001, 1011)

    assert Use("a", -3, 4, ()).frames_of(Ten) == (1001, 1002, 1003, 1004, 1005)
    assert Use("a", 7, 99, ()).frames_of(Ten) == (1008, 1009, 1010)
    with pytest.raises(InputError, match="has 10 frames, and the cut uses its frames 21"):
        Use("a", 20, 24, ()).frames_of(Ten)


def test_bad_timelines_are_one_clear_error(tmp_path):
    with pytest.raises(InputError, match="does not exist"):
        CutList(tmp_path / "none.otio")
    (tmp_path / "bad.otio").write_text("{")
    with pytest.raises(InputError, match="cannot be read"):
        CutList(tmp_path / "bad.otio")
    otio.adapters.write_to_file(otio.schema.Clip("c"), str(tmp_path / "clip.otio"))
    with pytest.raises(TimelineError, match="holds a Clip"):
        CutList(tmp_path / "clip.otio")
    with pytest.raises(TimelineError, match="no clips"):
        uses(tmp_path)
    missing = otio.schema.Clip("m", media_reference=otio.schema.MissingReference(), source_range=span(0, 5))
    with pytest.raises(TimelineError, match="'m' is linked to no file"):
        uses(tmp_path, missing)


# --- linking ------------------------------------------------------------------------------------------------


def test_a_relinked_cut_shows_the_same_frames(tmp_path):
    """Read back by OpenTimelineIO: durations and order stay, and every clip starts on the frame it did."""
    items = [
        clip("a", "a.mov", 10, 20),
        clip("b", "a.mov", 86400, 12, available=span(86390, 100)),
        clip("c", "c.mov", 1, 2),
    ]
    cut = CutList(save(tmp_path / "cut.otio", *items))
    before = (tmp_path / "cut.otio").read_bytes()
    found = cut.uses(4)
    first = found[0]
    assert (first.first, first.last) == (6, 33)
    (tmp_path / "out").mkdir()
    cut.relinked({first: Linked(tmp_path / "out" / "a-skin.mov", 6, 28)}, tmp_path / "out" / "new.otio", 4)
    assert (tmp_path / "cut.otio").read_bytes() == before
    timeline = otio.adapters.read_from_file(str(tmp_path / "out" / "new.otio"))
    a, b, c = timeline.video_tracks()[0].find_clips()
    assert a.media_reference.target_url == b.media_reference.target_url == "a-skin.mov"
    assert a.media_reference.available_range == span(0, 28)
    assert (a.source_range, b.source_range) == (span(4, 20), span(4, 12))  # media frame 10 is the new file's frame 4
    assert a.media_reference.metadata["inkarnat"]["source"] == "a.mov"
    assert c.media_reference.target_url == "c.mov"
    assert timeline.duration() == otio.adapters.read_from_file(str(tmp_path / "cut.otio")).duration()
    again = CutList(tmp_path / "out" / "new.otio").uses(0)
    assert again[0].path == str(tmp_path / "out" / "a-skin.mov")
    assert (again[0].first, again[0].last) == (4, 23)


# --- groups and the verb ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def workplace(tmp_path_factory):
    """A cut of three takes: two in like light, one far from it; and the solved graph of the first."""
    folder = tmp_path_factory.mktemp("cut")
    shots = {
        "take1": film("take1", -14, 0.003, frames=6, width=256),
        "take2": film("take2", -8, 0.002, frames=6, width=256),
        "take3": film("take3", 45, 0.008, frames=6, width=256),
    }
    for name, shot in shots.items():
        with open_writer(folder / f"{name}.mov", rate=Fraction(24)) as writer:
            for frame, picture in enumerate(shot.clip.pictures, start=1):
                writer.write(frame, picture)
    first = shots["take1"]
    with open_clip(folder / "take1.mov") as opened:
        marked = MarkedFrame(1, opened.read(1), (first.face(),), (SAWDUST,), first.card())
        correction = solve_correction([marked])
    chain_graph(correction.links(), correction.outputs()).save(folder / "take1.json")
    items = [clip("one", "take1.mov", 1, 2), clip("two", "take2.mov", 2, 2), clip("three", "take3.mov", 1, 3)]
    save(folder / "cut.otio", *items)
    return folder


def carry(folder, out, *words):
    words = ("carry", folder / "take1.json", "--from", folder / "take1.mov", "--timeline", folder / "cut.otio",
             "-o", out, "--handles", 1, "--no-report", *words)  # fmt: skip
    return CliRunner().invoke(cli, [str(word) for word in words])


def test_groups_part_lights_that_differ(workplace):
    members = []
    for name in ("take1", "take3", "take2"):
        with open_clip(workplace / f"{name}.mov") as opened:
            members.append(describe_member(name, opened, [2, 3]))
    assert [[m.name for m in group] for group in propose_groups(members)] == [["take1", "take2"], ["take3"]]
    assert "256×144" in members[0].camera
    other = [members[0], type(members[0])("other", "another camera", members[0].light)]
    assert len(propose_groups(other)) == 2


def test_nothing_is_carried_before_groups_are_confirmed(workplace, tmp_path):
    result = carry(workplace, tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert "--groups 1,2" in result.output
    assert not (tmp_path / "out").exists()
    told = carry(workplace, tmp_path / "out", "--json")
    assert json.loads(told.stdout) == {"groups": [["take1", "take2"], ["take3"]], "carried": False}


def test_a_cut_is_carried_rendered_and_relinked(workplace, tmp_path):
    out = tmp_path / "out"
    result = carry(workplace, out, "--groups", "1", "--render", "mov", "--json")
    assert result.exit_code == 0, result.output
    clips = {each["name"]: each for each in json.loads(result.stdout)["clips"]}
    assert set(clips) == {"reference", "take1", "take2"}
    assert clips["take2"]["status"] == "holds"
    assert clips["take1"]["light"] == "reference"
    with open_clip(out / "take2-skin.mov") as rendered, open_clip(workplace / "take2.mov") as source:
        assert len(rendered.frames) == 4  # two frames and a handle at each end
        made = Runner(Graph.load(out / "take2.json")).run_frame(2, {"plate": source.read(2)}, ["result"])["result"]
        assert np.abs(rendered.read(1) - made).mean() < 0.004  # frame 2 of the source comes first
    timeline = otio.adapters.read_from_file(str(out / "cut-skin.otio"))
    one, two, three = timeline.video_tracks()[0].find_clips()
    assert one.media_reference.target_url == "take1-skin.mov"
    assert (two.source_range, two.media_reference.available_range) == (span(1, 2), span(0, 4))
    assert three.media_reference.target_url.endswith("take3.mov")
    run = json.loads((out / "carry.json").read_text())
    assert [each["frames"] for each in run["clips"]] == [None, "1-4", "2-5"]


def test_a_shot_of_a_cut_in_another_light_is_solved_again_where_skin_is_sampled(workplace, tmp_path):
    """The grade of the shot is the person's: the same reading as on the reference."""
    face = film("take3", 45, 0.008, frames=1, width=256).face()
    points = ";".join(f"{x},{y}" for x, y in face.points) + f"/{face.radius}" if face.kind == "stroke" else ",".join(
        str(number) for pair in face.points for number in pair
    )  # fmt: skip
    words = ("--groups", "all", "--solve-again", "--add", f"take3.mov={face.kind}:{points}", "--json")
    result = carry(workplace, tmp_path / "out", *words)
    assert result.exit_code == 0, result.output
    clips = {each["name"]: each for each in json.loads(result.stdout)["clips"]}
    assert [name for name, each in clips.items() if each["solved_again"]] == ["take3"]
    graphs = [Graph.load(tmp_path / "out" / f"take{number}.json") for number in (2, 3)]
    models = [step.node.model for graph in graphs for step in graph.steps if step.node.name == "skin_key"]
    assert models[0] != models[1]
    assert abs(clips["take3"]["drift"]["angle"]) < 1


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (["--groups", "7"], 2, "no group 7"),
        (["--groups", "x"], 2, "numbers such as 1,3"),
        (["--to", "take2.mov"], 2, "leave out --to"),
        (["--groups", "1", "--neutral", "take9.mov=box:.1,.1,.2,.2"], 2, "not among the clips"),
    ],
)
def test_wrong_use_is_one_clear_error(workplace, tmp_path, words, code, message):
    result = carry(workplace, tmp_path / "out", *words)
    assert result.exit_code == code, result.output
    assert message in result.output


def test_rendering_and_groups_need_a_cut(workplace, tmp_path):
    words = ("carry", workplace / "take1.json", "--from", workplace / "take1.mov", "--to", workplace / "take2.mov",
             "-o", tmp_path, "--render", "mov")  # fmt: skip
    result = CliRunner().invoke(cli, [str(word) for word in words])
    assert result.exit_code == 2
    assert "--timeline" in result.output
