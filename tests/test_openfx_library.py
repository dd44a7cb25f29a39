"""OpenFX in a host that is built on the standard's own host library.

The library is C++ source that no package ships: where a copy of the standard's repository lies, name its folder in
OPENFX_SOURCE. It is compiled outside the project and nothing of it is kept. Elsewhere the C host of the bundle's own
test (``inkarnat openfx``) and the strict host of these tests stand in.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from inkarnat.host_adapters.openfx.controls import clips_of, contexts_of, has_own_size, identifier, with_earlier
from inkarnat.nodes import NODES, CorrectSkin, Sample, learn_skin_key, measure_skin
from ofx_host.bundles import built
from test_openfx_actions import FACE, HEIGHT, WIDTH, portrait

SOURCE = Path(os.environ.get("OPENFX_SOURCE", ""))
HOST = Path(__file__).parent / "ofx_host" / "library_host.cpp"
ID = "org.inkarnat.correct_skin"


@pytest.fixture(scope="module")
def host(tmp_path_factory):
    """The host's program, compiled once."""
    library = SOURCE / "HostSupport"
    if not os.environ.get("OPENFX_SOURCE") or not library.is_dir():
        pytest.skip("OPENFX_SOURCE names no copy of the standard's repository, so its host library cannot be built")
    compiler = shutil.which("c++")
    if compiler is None:
        pytest.skip("there is no C++ compiler for the standard's host library")
    folder = tmp_path_factory.mktemp("library")
    flags = ["-std=c++17", "-O0", "-w", f"-I{SOURCE / 'include'}", f"-I{library / 'include'}"]
    sources = [*sorted((library / "src").glob("*.cpp")), HOST]
    program = folder / "library_host"
    done = subprocess.run(
        [compiler, *flags, "-o", str(program), *map(str, sources), "-lexpat", "-ldl"],
        capture_output=True,
        text=True,
        check=False,
    )
    if "expat.h" in done.stderr:
        pytest.skip("the expat headers are missing, without which the standard's host library cannot be built")
    assert done.returncode == 0, done.stderr[-2000:]
    return program


class Played:
    """What the host told, and what was rendered in it."""

    def __init__(self, program: Path, folder: Path, picture: np.ndarray, *wishes: str) -> None:
        self.folder, (self.height, self.width) = folder, picture.shape[:2]
        np.ascontiguousarray(picture[::-1], np.float32).tofile(folder / "source")
        bundle = built().parents[2]
        done = subprocess.run(
            [str(program), str(self.width), str(self.height), str(folder / "source"), str(folder), *wishes],
            env=os.environ | {"OFX_PLUGIN_PATH": str(bundle.parent)},
            capture_output=True,
            text=True,
            timeout=600,
            check=False,
        )
        assert done.returncode == 0, done.stderr[-2000:]
        self.lines = done.stdout.splitlines()
        self.errors = done.stderr

    def picture(self, id: str, major: int, context: str) -> np.ndarray:
        """Return a result, the top row first, with as many channels as it has."""
        values = np.fromfile(self.folder / f"{id}.{major}.{context}", np.float32)
        channels = values.size // (self.width * self.height)
        return values.reshape(self.height, self.width, channels)[::-1]


@pytest.fixture(scope="module")
def played(host, tmp_path_factory):
    """Every effect at rest, in each of its contexts."""
    return Played(host, tmp_path_factory.mktemp("played"), portrait())


def test_every_effect_works_in_each_context(played):
    wanted = {
        f"{identifier(kind)} {kind.version} {context.decode().removeprefix('OfxImageEffectContext')}"
        for kind in with_earlier(NODES)
        for context in contexts_of(kind)
    }
    told = [line.rsplit(" ", 2) for line in played.lines if line.startswith("org.inkarnat.")]
    assert {heading for heading, _, _ in told} == wanted
    steps = ("create", "preferences", "region", "interest", "frames", "begin", "render", "end", "purge", "sync")
    for heading in wanted:
        statuses = {action: int(status) for one, action, status in told if one == heading}
        assert set(steps) <= set(statuses), heading
        # 0 is "done", 14 "the default": both are right where an action needs no answer.
        assert {action for action, status in statuses.items() if status not in (0, 14)} == set(), heading
        assert statuses["render"] == 0, heading
    assert not [line for line in played.lines if line.startswith(("message", "unknown"))]


@pytest.mark.parametrize("name", [n for n, kind in NODES.items() if not has_own_size(kind()) and n != "compare"])
def test_it_renders_the_bits_of_the_node(played, name):
    kind, picture = NODES[name], portrait()
    inputs = {clip.port: picture[..., 3].copy() if clip.kind == "matte" else picture for clip in clips_of(kind)}
    before, after = kind().frames_needed()
    if before or after:
        inputs = {port: (array,) * (before + after + 1) for port, array in inputs.items()}
    wanted = kind().process(**inputs)
    for context in contexts_of(kind):
        got = played.picture(identifier(kind), kind.version, context.decode().removeprefix("OfxImageEffectContext"))
        if wanted.ndim == 2:
            assert all(np.array_equal(got[..., c], wanted) for c in range(got.shape[2])), context
        else:
            assert np.array_equal(got.view(np.int32), wanted.view(np.int32)), context


def test_its_buttons_and_controls_do_the_whole_job(host, tmp_path):
    """Samples, learn, solve, and a turn by hand on top: the same key and angle as from a script."""
    picture = portrait()
    at = f"{FACE[0] * WIDTH} {(1 - FACE[1]) * HEIGHT}"
    wishes = ("skin_1=" + at, "skin_1_use=1", "learn!", "solve!", "angle=1.5", "read!")
    played = Played(host, tmp_path, picture, *(f"{ID}:{wish}" for wish in wishes))
    for button in ("learn", "solve", "read"):
        assert f"{ID} 2 General {button} 0" in played.lines
    (report,) = (line for line in played.lines if line.startswith(f"{ID} 2 General report "))
    assert "124.5°" in report
    got = np.ascontiguousarray(played.picture(ID, 2, "General"))
    node = CorrectSkin(model=learn_skin_key(picture, [Sample.point(*FACE)]).model)
    assert measure_skin(got, node.matte(picture)).angle == pytest.approx(124.5, abs=0.1)


def test_a_broken_look_file_is_told_and_no_picture_is_made(host, tmp_path):
    played = Played(host, tmp_path, portrait(), f"{ID}:look_file=/nowhere/cold.clf")
    assert f"{ID} 2 Filter render 1" in played.lines
    assert any("/nowhere/cold.clf does not exist" in line for line in played.lines if line.startswith("message"))
    assert (played.picture(ID, 2, "Filter") == 0).all()
