"""Job templates: the Open Job Description's own program accepts and runs them, to the same bits."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from farm_shots import GRAPH, PROGRAM, contents, make_sequence, make_video, reference, start
from inkarnat.host_adapters.farm.chunks import Job
from inkarnat.host_adapters.farm.job_template import MOST_TASKS, TemplateError, as_yaml, job_template
from inkarnat.host_adapters.media.clips import open_clip, parse_frames


@pytest.fixture(scope="module")
def shot(tmp_path_factory):
    """A folder with a graph, a sequence and a video with sound in it."""
    folder = tmp_path_factory.mktemp("a shot")
    GRAPH.save(folder / "graph.json")
    return folder, make_sequence(folder / "in", range(1, 15)), make_video(folder / "plate.mkv", 30)


def template_of(plate: str, outputs: dict[str, str], folder: Path, frames: str = "1-14", **options):
    with open_clip(plate) as clip:
        job = Job.of(GRAPH, {"plate": clip}, outputs, options.pop("codec", None))
        return job_template(job, folder / "graph.json", parse_frames(frames), folder=folder, **options)


def openjd(*arguments: str) -> subprocess.CompletedProcess[str]:
    pytest.importorskip("openjd.cli", reason="openjd-cli is not installed")
    return subprocess.run(
        [sys.executable, "-m", "openjd", *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        env=os.environ | {"INKARNAT_THREADS": "1"},
    )


def test_the_template_has_chunks_paths_timeouts_and_a_join(shot, tmp_path):
    folder, plate, _ = shot
    outputs = {"result": str(folder / "out.mkv"), "matte": str(tmp_path / "m.%04d.png")}
    template = template_of(plate, outputs, folder, timeout=77, chunk=5)
    assert template["specificationVersion"] == "jobtemplate-2023-09"
    kinds = {
        item["name"]: (item["type"], item.get("dataFlow"), item.get("default"))
        for item in template["parameterDefinitions"]
    }
    assert kinds == {
        "Graph": ("PATH", "IN", "graph.json"),
        "In_plate_folder": ("PATH", "IN", "in"),
        "In_plate_name": ("STRING", None, "in.%04d.png"),
        "Out_result": ("PATH", "OUT", "out.mkv"),
        "Out_matte_folder": ("PATH", "OUT", None),
        "Out_matte_name": ("STRING", None, "m.%04d.png"),
        "Program": ("STRING", None, "inkarnat"),
    }
    render, join = template["steps"]
    assert render["parameterSpace"]["taskParameterDefinitions"][0]["range"] == ["1-5", "6-10", "11-14"]
    assert render["script"]["actions"]["onRun"]["timeout"] == 77
    assert join["dependencies"] == [{"dependsOn": "Render"}]
    only_pictures = template_of(plate, {"matte": str(tmp_path / "m.%04d.png")}, folder)
    assert [step["name"] for step in only_pictures["steps"]] == ["Render"]


def test_the_standard_program_accepts_it(shot, tmp_path):
    folder, plate, video = shot
    for number, (source, outputs) in enumerate(
        [
            (plate, {"result": str(folder / "out.%04d.exr")}),
            (video, {"result": str(folder / "naïve – 船.mov"), "matte": str(tmp_path / "m.%04d.png")}),
        ]
    ):
        path = tmp_path / f"{number}.yaml"
        path.write_text(as_yaml(template_of(source, outputs, folder, name="take 3: {{x}}", codec="prores")))
        done = openjd("check", str(path))
        assert done.returncode == 0, done.stdout + done.stderr


def test_the_standard_program_renders_the_same_bits(shot, tmp_path):
    folder, _, video = shot
    (folder / "whole").mkdir()
    (folder / "farm").mkdir()
    names = {"result": "out.mkv", "matte": "m.%04d.png"}
    reference(video, {name: str(folder / "whole" / file) for name, file in names.items()})
    program = tmp_path / "program"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" "{PROGRAM}" "$@"\n')
    program.chmod(0o755)
    words = ["job", str(folder / "graph.json"), "--in", f"plate={video}"]
    words += [word for name, file in names.items() for word in ("--out", f"{name}={folder / 'farm' / file}")]
    written = start(*words, "--chunk", "15", "-o", str(folder / "job.yaml"))
    assert written.returncode == 0, written.stderr
    done = openjd("run", str(folder / "job.yaml"), "--run-dependencies", "-p", f"Program={program}")
    assert done.returncode == 0, done.stdout + done.stderr
    assert contents(folder / "farm") == contents(folder / "whole")


def test_a_long_job_stays_within_the_tasks_that_are_allowed(shot, tmp_path):
    folder, plate, _ = shot
    with open_clip(plate) as clip:
        job = Job.of(GRAPH, {"plate": clip}, {"result": str(tmp_path / "o.%07d.exr")})
    frames = parse_frames("1-1000000")
    template = job_template(job, folder / "graph.json", frames, folder=folder)
    assert len(template["steps"][0]["parameterSpace"]["taskParameterDefinitions"][0]["range"]) <= MOST_TASKS
    with pytest.raises(TemplateError, match="give --chunk 977 or more"):
        job_template(job, folder / "graph.json", frames, folder=folder, chunk=100)
