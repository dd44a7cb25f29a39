"""Fixtures that every test file shares, and the profile of the property tests."""

from __future__ import annotations

import gc
import os
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import HealthCheck, settings
from inkarnat.kernels import strips

settings.register_profile(
    "inkarnat",
    derandomize=True,
    deadline=None,
    database=None,
    max_examples=40,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
settings.load_profile("inkarnat")


LONGEST = (
    *("test_jit", "test_readme", "test_accuracy", "test_farm", "test_openfx_bundle", "test_farm_faults"),
    *("test_openfx_strain", "test_solve", "test_desk_page", "test_cuda", "test_job_template", "test_desk"),
    *("test_kept_code", "test_main_verbs", "test_main_job", "test_openfx_render", "test_carry", "test_openfx_artist"),
    *("test_kept_bits", "test_report", "test_by_hand", "test_writes", "test_footage_matrix", "test_graph_safety"),
    *("test_warm_up", "test_video"),
)
"""The files that take longest, the longest first: handed out first, no process is left with one at the end."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first; all others stay in their order."""
    place = {name: number for number, name in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(item.path.stem, len(place)))


def pytest_collection_finish(session: pytest.Session) -> None:
    """Spare the collector of cycles what lasts until the end: thousands of tests, modules, what compiles kernels."""
    gc.collect()
    gc.freeze()


def pytest_unconfigure(config: pytest.Config) -> None:
    """Let the end of the process collect all of it: some libraries tell what was never let go."""
    gc.unfreeze()


def _make_picture(height: int = 37, width: int = 53, channels: int = 3, seed: int = 7) -> np.ndarray:
    """A picture of smooth shades and noise that reaches below black and above white; alpha 0 to 1."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width] / max(height, width)
    shades = np.stack([0.2 + 0.7 * x, 0.15 + 0.5 * y, 0.3 + 0.3 * np.sin(9 * (x + y))], axis=-1)
    picture = shades + random.normal(0, 0.15, (height, width, 3))
    picture[0, : min(3, width)] = [[-0.25, 0.0, 0.1], [1.6, 1.2, 2.5], [0.0, 0.0, 0.0]][: min(3, width)]
    if channels == 4:
        picture = np.concatenate([picture, random.random((height, width, 1))], axis=-1)
    return picture.astype(np.float32)


@pytest.fixture
def make_picture() -> Callable[..., np.ndarray]:
    """Make a deterministic picture of any size: ``make_picture(height, width, channels, seed)``."""
    return _make_picture


@pytest.fixture
def picture() -> np.ndarray:
    """An RGB picture, 37 rows of 53 pixels, with values below black and above white."""
    return _make_picture()


@pytest.fixture
def picture_rgba() -> np.ndarray:
    """The same with an alpha channel."""
    return _make_picture(channels=4)


@pytest.fixture
def matte() -> np.ndarray:
    """A matte of the same size: zero on the left, one on the right, soft and noisy between."""
    random = np.random.default_rng(3)
    ramp = np.linspace(-0.5, 1.5, 53) + random.normal(0, 0.1, (37, 53))
    return np.clip(ramp, 0, 1).astype(np.float32)


@pytest.fixture
def same_bits() -> Callable[[np.ndarray, np.ndarray], None]:
    """Assert that two float32 arrays agree in every bit, NaN payloads too."""

    def check(first: np.ndarray, second: np.ndarray) -> None:
        assert first.shape == second.shape
        assert first.dtype == second.dtype == np.float32
        differing = first.view(np.int32) != second.view(np.int32)
        assert not differing.any(), f"{differing.sum()} values differ, the first at {np.argwhere(differing)[0]}"

    return check


@pytest.fixture(scope="module")
def own_state_folder(tmp_path_factory):
    """What desks remember between runs stays out of the home of whoever runs the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        yield


@pytest.fixture(autouse=True)
def _scheduling_restored():
    """Some encoders give a process of root a real-time class, and what that starts then starves all else."""
    yield
    if hasattr(os, "sched_getscheduler") and os.sched_getscheduler(0) != os.SCHED_OTHER:
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))


@pytest.fixture(autouse=True)
def _thread_count_restored():
    before = strips.thread_count()
    yield
    if strips.thread_count() != before:
        strips.set_thread_count(before)
