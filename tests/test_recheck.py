"""The finished film re-checked: shots found by timecode (by OpenTimelineIO) and judged against their people."""

from __future__ import annotations

import csv
import dataclasses
import json
import os
from fractions import Fraction

import av
import numpy as np
import opentimelineio as otio
import pytest
from click.testing import CliRunner
from footage import view
from inkarnat.host_adapters.commands.cli import cli
from inkarnat.host_adapters.graphs.graph import Graph, Step
from inkarnat.host_adapters.graphs.runner import Runner
from inkarnat.host_adapters.media.clips import open_clip
from inkarnat.host_adapters.media.pictures import write_picture
from inkarnat.host_adapters.shots.master import Takes, place_shots
from inkarnat.host_adapters.shots.readings import schema
from inkarnat.host_adapters.shots.timeline import CutList
from inkarnat.nodes import Balance
from takes import take
from test_readings import conforms
from test_timeline import RATE, clip, span, time

HOUR = 3600 * RATE
WIDTH, HEIGHT = 448, 252


def run(*words):
    done = CliRunner().invoke(cli, [str(word) for word in words])
    return done.exit_code, done.stdout, done.output


def save(path, *items, start=HOUR, more=()):
    timeline = otio.schema.Timeline("cut", global_start_time=None if start is None else time(start))
    track = otio.schema.Track("V1", kind=otio.schema.TrackKind.Video)
    track.extend(items)
    timeline.tracks.extend([track, *more])
    otio.adapters.write_to_file(timeline, str(path))
    return path


def film(path, pictures, timecode="01:00:00:00", transfer=1):
    """Write pictures as a film without loss, 16 bits of grey-free R′G′B′, with a timecode track."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=Fraction(RATE))
        stream.width, stream.height, stream.pix_fmt = pictures[0].shape[1], pictures[0].shape[0], "yuv444p10le"
        stream.codec_context.color_range, stream.codec_context.colorspace = 1, 1
        stream.codec_context.color_trc = transfer
        if timecode:
            stream.metadata["timecode"] = timecode
        for number, picture in enumerate(pictures):
            frame = av.VideoFrame(stream.width, stream.height, "yuv444p10le")
            for plane, values in zip(frame.planes, codes(picture), strict=True):
                view(plane, 10)[:] = values
            frame.pts, frame.time_base = number, Fraction(1, RATE)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def codes(picture):
    """BT.709-6 studio codes of 10 bits."""
    r, g, b = np.moveaxis(picture.astype(np.float64), -1, 0)
    y = 0.2126 * r + 0.7152 * g + 0.0722 * b
    planes = 64 + 876 * y, 512 + 896 * (b - y) / 1.8556, 512 + 896 * (r - y) / 1.5748
    return np.rint(np.clip(np.stack(planes), 4, 1019)).astype(np.uint16)


def corrected(graph, picture):
    return Runner(graph).run_frame(1, {"plate": picture}, ["result"])["result"]


@pytest.fixture(scope="module")
def cut(tmp_path_factory):
    """Plates of three takes on the disk, graphs of two in a folder, and their corrected pictures."""
    folder = tmp_path_factory.mktemp("film")
    (folder / "takes").mkdir()
    pictures = {}
    for name in ("take1", "take2", "take3"):
        shot = take(name)
        plates = [np.ascontiguousarray(shot.clip.read(1 + i % 2)) for i in range(12)]
        for number, plate in enumerate(plates, start=1001):
            write_picture(folder / f"{name}.{number}.tif", plate, None, bits=16)
        pictures[name] = plates
    for name in ("take1", "take2"):
        shot = take(name)
        words = ("--add", shot.face(), "--neutral", shot.card(), "--graph-out", folder / "takes" / f"{name}.json")
        code, _, output = run("correct", folder / f"{name}.%04d.tif", *words)
        assert code == 0, output
        graph = Graph.load(folder / "takes" / f"{name}.json")
        pictures[f"{name} done"] = [corrected(graph, plate) for plate in pictures[name][:2]] * 6
    landscape = Graph.of(Step.of("light", Balance(temperature=5), image="plate"), result="light")
    landscape.save(folder / "takes" / "sea.json")
    return folder, pictures


def sequence(name, start, count):
    reference = otio.schema.ImageSequenceReference(
        target_url_base="./", name_prefix=f"{name}.", name_suffix=".tif", start_frame=1001, frame_zero_padding=4,
        rate=RATE, available_range=span(0, 12),
    )  # fmt: skip
    return otio.schema.Clip(name, media_reference=reference, source_range=span(start, count))


def shots(cut, pictures, start=HOUR, **more):
    folder, _ = cut
    save(folder / "cut.otio", sequence("take1", 2, 6), sequence("take2", 0, 6), *more.pop("items", ()), start=start)
    film(folder / "film.mkv", pictures, **more)
    words = "measure", folder / "film.mkv", "--timeline", folder / "cut.otio", "--graphs", folder / "takes"
    code, stdout, output = run(*words, "--json")
    assert code in (0, 4), output
    told = json.loads(stdout)
    conforms(told, schema(), schema())
    return code, told, words


def test_shots_are_found_by_timecode_and_judged(cut):
    """A leader of five frames before the cut: timecode 00:59:59:19 to 01:00:00:00 at 24 frames a second."""
    _, pictures = cut
    leader = [np.full((HEIGHT, WIDTH, 3), 0.1, np.float32)] * 5
    reel = [*leader, *pictures["take1 done"][2:8], *pictures["take2 done"][:6]]
    code, told, words = shots(cut, reel, timecode="00:59:59:19")
    assert code == 0
    first, second = told["shots"]
    assert (first["timecode"], first["frames"], first["word"]) == ("01:00:00:00", [6, 11], "")
    assert (second["timecode"], second["frames"]) == ("01:00:00:06", [12, 17])
    for shot in (first, second):
        assert shot["status"] == "holds", shot
        assert shot["keyed_by"] == "plate"
        person = shot["people"][0]
        assert person["final"]["angle"] == pytest.approx(123, abs=0.5)
        assert abs(person["light_only"]["angle"] - 123) > 2
    code, stdout, output = run(*words, "--csv", cut[0] / "film.csv")
    assert code == 0, output
    assert "holds" in stdout
    rows = list(csv.DictReader((cut[0] / "film.csv").open()))
    assert [(row["shot"], row["frame"], row["last_frame"], row["status"]) for row in rows] == [
        ("take1", "6", "11", "holds"), ("take2", "12", "17", "holds"),
    ]  # fmt: skip


def test_a_ruined_face_in_the_film_is_found(cut):
    """The film shows take 2 as it was shot: its graph is right, the film is not."""
    folder, pictures = cut
    graph = Graph.load(folder / "takes" / "take1.json")
    steer = graph.by_id["steer"]
    bent = dataclasses.replace(steer, node=dataclasses.replace(steer.node, angle=60.0))
    green = dataclasses.replace(graph, steps=tuple(bent if s.id == "steer" else s for s in graph.steps))
    ruined = [corrected(green, plate) for plate in pictures["take1"][2:4]] * 3
    _, told, _ = shots(cut, [*ruined, *pictures["take2"][:6]])
    first, second = told["shots"]
    assert first["status"] == "off"
    assert "greener" in first["people"][0]["verdict"]["sentence"]
    assert any("differs from what its graph makes now" in note for note in first["notes"])
    assert second["status"] in ("check", "off")


def test_a_film_that_says_it_holds_another_signal_is_not_judged(cut):
    """Code point 16 of the transfer characteristics is PQ: ITU-T H.273, table 3."""
    _, pictures = cut
    _, told, _ = shots(cut, [*pictures["take1 done"][2:8], *pictures["take2 done"][:6]], transfer=16)
    for shot in told["shots"]:
        assert shot["status"] == "not judged"
        assert "it is read as BT.709" in shot["people"][0]["verdict"]["sentence"]


def test_without_its_footage_a_shot_is_keyed_in_the_film(cut, monkeypatch):
    _, pictures = cut
    monkeypatch.setattr("inkarnat.host_adapters.shots.master._open_source", lambda *_: None)
    _, told, _ = shots(cut, [*pictures["take1 done"][2:8], *pictures["take2 done"][:6]])
    for shot in told["shots"]:
        assert (shot["keyed_by"], shot["status"]) == ("film", "holds"), shot
        assert shot["people"][0]["final"]["angle"] == pytest.approx(123, abs=0.7)


def test_a_shot_that_is_framed_otherwise_is_keyed_in_the_film(cut):
    _, pictures = cut
    moved = [np.ascontiguousarray(np.roll(p, 90, axis=1)) for p in pictures["take1 done"][2:8]]
    _, told, _ = shots(cut, [*moved, *pictures["take2 done"][:6]])
    first = told["shots"][0]
    assert (first["keyed_by"], first["status"]) == ("film", "holds")
    assert any("framed otherwise" in note for note in first["notes"])


def test_what_cannot_be_judged_gets_one_word(cut):
    """No graph, nobody in the graph, covered by an upper track, beyond the film, a changing speed, and no link."""
    _, pictures = cut
    sea = clip("sea", "sea.mov", 0, 6)
    ramp = clip("ramp", "ramp.mov", 0, 6, effects=[otio.schema.TimeEffect()])
    unlinked = otio.schema.Clip("gone", media_reference=otio.schema.MissingReference(), source_range=span(0, 6))
    items = [sequence("take3", 0, 6), sea, unlinked, ramp, sequence("take1", 0, 6)]
    reel = [*pictures["take1 done"][2:8], *pictures["take2 done"][:6], *pictures["take3"][:6]]
    reel += [np.full((HEIGHT, WIDTH, 3), 0.3, np.float32)] * 18
    code, told, words = shots(cut, reel, items=items)
    assert code == 4
    words_by_name = [(shot["name"], shot["word"]) for shot in told["shots"]]
    assert words_by_name == [
        ("take1", ""), ("take2", ""), ("take3", "no graph"), ("sea", "no people"), ("gone", "no graph"),
        ("ramp", "changing speed"), ("take1", "outside"),
    ]  # fmt: skip
    assert {shot["status"] for shot in told["shots"][2:]} == {"not judged"}
    _, stdout, _ = run(*words)
    assert stdout.count("no graph") == 2


def test_without_a_timecode_equal_lengths_begin_together_and_others_are_not_placed(cut):
    _, pictures = cut
    reel = [*pictures["take1 done"][2:8], *pictures["take2 done"][:6]]
    code, told, _ = shots(cut, reel, timecode="")
    assert code == 0
    assert "begin together" in told["notes"][0]
    assert [shot["status"] for shot in told["shots"]] == ["holds", "holds"]
    code, told, _ = shots(cut, [*reel, reel[0]], timecode="")
    assert code == 4
    assert {shot["word"] for shot in told["shots"]} == {"no timecode"}
    assert "13 frames where the cut has 12" in told["notes"][0]
    code, told, _ = shots(cut, [*reel, reel[0]], start=None)
    assert {shot["word"] for shot in told["shots"]} == {"no timecode"}
    assert "does not say its first timecode" in told["notes"][0]


def test_transitions_and_upper_tracks_belong_to_neither_shot(cut):
    """Frames that a transition mixes are left out; what lies on an upper track hides what is below."""
    folder, pictures = cut
    between = otio.schema.Transition(in_offset=time(2), out_offset=time(1))
    upper = otio.schema.Track("V2", kind=otio.schema.TrackKind.Video)
    upper.extend([otio.schema.Gap(source_range=span(0, 9)), clip("title", "title.mov", 0, 2)])
    save(folder / "mixed.otio", sequence("take1", 2, 6), between, sequence("take2", 1, 6), more=[upper])
    film(folder / "mixed.mkv", [*pictures["take1 done"][:6], *pictures["take2 done"][:6]])
    with open_clip(folder / "mixed.mkv") as clip_:
        placed, _ = place_shots(CutList(folder / "mixed.otio"), clip_, Takes.of(folder / "takes"))
    assert [(p.shot.name, p.frames, p.numbers) for p in placed] == [
        ("take1", (1, 2, 3, 4), (1003, 1004, 1005, 1006)),
        ("take2", (8, 9, 12), (1003, 1004, 1007)),
        ("title", (10, 11), (1, 2)),
    ]


def test_speed_counts_and_handles_are_told(cut):
    folder, pictures = cut
    fast = sequence("take1", 0, 4)
    fast.effects.append(otio.schema.LinearTimeWarp(time_scalar=2.0))
    save(folder / "fast.otio", fast)
    film(folder / "fast.mkv", pictures["take1 done"][:4])
    run_file = {
        "inkarnat_run": 1, "title": "", "reference": "take1",
        "clips": [
            {"name": "take1", "files": "../take1.%04d.tif", "graph": "take1.json", "frames": "1001-1010"},
            {"name": "take12", "files": "../take1.%04d.tif", "graph": "take1.json", "frames": "1011-1012"},
        ],
    }  # fmt: skip
    (folder / "takes" / "carry.json").write_text(json.dumps(run_file))
    try:
        words = "measure", folder / "fast.mkv", "--timeline", folder / "fast.otio", "--graphs", folder / "takes"
        code, stdout, output = run(*words, "--json")
    finally:
        os.remove(folder / "takes" / "carry.json")
    assert code == 0, output
    shot = json.loads(stdout)["shots"][0]
    assert shot["graph"].endswith("take1.json")
    assert shot["notes"] == ["handles: 6 frames of its graph are not in the film"]


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("--timeline", "cut.otio"), "go together"),
        (("--graphs", "takes"), "go together"),
        (("--timeline", "cut.otio", "--graphs", "takes", "--add", "point:.5,.5"), "leave --add out"),
        (("--timeline", "cut.otio", "--graphs", "takes", "--graph", "g.json"), "leave --graph out"),
    ],
)
def test_wrong_use_is_one_line(words, part):
    code, _, output = run("measure", "none.mov", *words)
    assert (code, part in output, output.count("\n")) == (2, True, 1), output


def test_a_folder_without_graphs_and_other_rates_are_told(cut, tmp_path):
    folder, pictures = cut
    save(folder / "cut.otio", sequence("take1", 2, 6))
    film(folder / "film.mkv", pictures["take1 done"][:6])
    words = "measure", folder / "film.mkv", "--timeline", folder / "cut.otio", "--graphs"
    code, _, output = run(*words, tmp_path / "none")
    assert (code, "is not a folder" in output) == (3, True)
    code, _, output = run(*words, tmp_path)
    assert (code, "holds no graph" in output) == (3, True)
    timeline = otio.schema.Timeline("cut", global_start_time=otio.opentime.RationalTime(90000, 25))
    track = otio.schema.Track("V1", kind=otio.schema.TrackKind.Video)
    track.append(otio.schema.Clip("a", source_range=otio.opentime.TimeRange(time(0, 25), time(6, 25))))
    timeline.tracks.append(track)
    otio.adapters.write_to_file(timeline, str(folder / "other.otio"))
    code, _, output = run("measure", words[1], "--timeline", folder / "other.otio", "--graphs", folder / "takes")
    assert (code, "runs at 24 frames a second" in output) == (2, True), output
