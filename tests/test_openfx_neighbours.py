"""OpenFX effects beside others in one process: a host's own modules, its threads, and pixels of other components."""

from __future__ import annotations

import subprocess
import sys
import textwrap

import numpy as np
import pytest
from inkarnat.kernels import strips
from inkarnat.nodes import NODES
from ofx_host import Host, HostImage, Stage
from ofx_host.bundles import built, by_name, loaded


@pytest.mark.parametrize("is_loaded", [True, False], ids=["loaded before", "only in its path"])
def test_a_colour_module_of_the_host_breaks_nothing(tmp_path, is_loaded):
    """Hosts have scripts of their own, and colour.py is a likely name."""
    (tmp_path / "colour.py").write_text("NAME = 'the host'\n")
    program = textwrap.dedent(
        f"""
        import sys
        sys.path.insert(0, {str(tmp_path)!r})
        if {is_loaded}:
            import colour
        import numpy as np
        from inkarnat.nodes import Balance, Sample, enter_space, leave_space, solve_balance
        picture = np.random.default_rng(1).random((16, 16, 3), dtype=np.float32)
        print(Balance(temperature=30.0, tint=0.004).process(picture).tobytes().hex()[:400])
        print(leave_space("Display P3").process(enter_space("pq").process(picture)).tobytes().hex()[:400])
        print(solve_balance(picture * np.float32(0.2) + np.float32(0.4), Sample.box(0, 0, 1, 1)).temperature)
        import colour
        print(getattr(colour, "NAME", "another"))
        """
    )
    with_it, without = (
        subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=True).stdout.splitlines()
        for text in (
            program,
            program.replace(str(tmp_path), str(tmp_path / "nothing")).replace("    import colour\n", "    pass\n", 1),
        )
    )
    assert with_it[:3] == without[:3]
    assert with_it[3] == "the host"


def test_the_hosts_limit_of_threads_is_kept():
    before = strips.thread_count()
    try:
        host = Host()
        host.threads_allowed = 1
        effects = by_name(host, built())
        assert effects["cdl"].instance().status == 0
        assert strips.thread_count() == 1
        host.threads_allowed = 64
        assert effects["cdl"].call("OfxActionLoad") == 0
        assert strips.thread_count() == before, "no more than the user's own"
    finally:
        strips.set_thread_count(before)


@pytest.mark.parametrize("channels", [1, 3, 4])
@pytest.mark.parametrize("name", [n for n, k in NODES.items() if sum(p.kind == "matte" for p in k.inputs().values())])
def test_projects_of_any_components_can_feed_a_matte(name, channels):
    """An RGB project has nothing but RGB for a matte: its red is read."""
    host, effects = loaded()
    effect = effects[name]
    random = np.random.default_rng(3)
    clips = {clip: random.random((12, 16, 3), dtype=np.float32) for clip in effect.instance().clips if clip != "Output"}
    masks = [
        c
        for c in clips
        if effect.contexts[next(iter(effect.contexts))].clips[c].properties.values["OfxImageClipPropIsMask"] == (1,)
    ]
    for clip in masks:
        clips[clip] = random.random((12, 16, channels), dtype=np.float32)
    output = HostImage(np.zeros((12, 16, 3), np.float32))
    stage = Stage(output, {clip: HostImage(image) for clip, image in clips.items()})
    assert effect.instance().render(stage) == 0, host.messages
    assert not host.complaints
