"""Viewing: reading a picture through an output transform, without writing it that way."""

from __future__ import annotations

import hashlib
from pathlib import Path

from ..media.files import check_input
from ..transforms import COLOUR_SPACES, Transform, TransformError, open_transform
from ..writes import reads

View = Transform
"""Turns a picture, float32 (H, W, 3 or 4), into what is seen; alpha stays."""
ViewError = TransformError


def open_view(name: str | None) -> View:
    """Return the view by its name, or the one that shows pictures as they are where there is none.

    :param name: see :func:`~inkarnat.host_adapters.transforms.open_transform`, which says what is raised.
    """
    if not name:
        return lambda picture: picture
    if not name.startswith(COLOUR_SPACES):
        reads(check_input(name))
    return open_transform(name)


def view_id(name: str | None) -> str:
    """Return what tells a view from others wherever its file lies: "" for none. Raises InputError."""
    if not name or name.startswith(COLOUR_SPACES):
        return name or ""
    path = check_input(name)
    return f"{Path(path).name} {hashlib.sha256(Path(path).read_bytes()).hexdigest()[:12]}"
