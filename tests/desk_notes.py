"""What a desk in another process notes beside its results: waited for, since it is written in the background."""

from __future__ import annotations

import time
from pathlib import Path

PATIENCE = 60.0


def rest(results: Path, clip: str, turn: float) -> None:
    """Wait until notes and history tell of a turn of the skin, and nothing is being written any more."""
    files = [results / f"{clip}.desk{ending}" for ending in (".json", ".history.json")]
    owner = f".{clip}.desk.json.owner"
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        told = all(file.is_file() and f'"angle": {float(turn)}' in file.read_text() for file in files)
        if told and [path.name for path in results.iterdir() if path.name.startswith(".")] == [owner]:
            return
        time.sleep(0.05)
    raise AssertionError(f"a turn of {turn} is not noted: {sorted(path.name for path in results.iterdir())}")
