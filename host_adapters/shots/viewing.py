"""Viewing: reading a picture through an output transform, without writing it that way."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from ...kernels.arrays import Floats
from ...kernels.errors import InkarnatError
from ..media.files import InputError, check_input
from ..writes import reads

View = Callable[[Floats], Floats]
"""Turns a picture, float32 (H, W, 3 or 4), into what is seen; alpha stays."""

COLOUR_SPACES = "ocio:"
"""Begins a view that is named in an OpenColorIO configuration: ``ocio:SPACE/DISPLAY/VIEW``."""


class ViewError(InkarnatError, ValueError):
    """A view transform that cannot be used."""


def open_view(name: str | None) -> View:
    """Return the view by its name, or the one that shows pictures as they are where there is none.

    :param name: a file that OpenColorIO reads (CLF, CTF, cube and others), or ``ocio:SPACE/DISPLAY/VIEW`` of the
        configuration in the environment's $OCIO.
    :raises InputError: the file is missing or unreadable. :raises ViewError: OpenColorIO is missing, or refuses it.
    """
    if not name:
        return lambda picture: picture
    if not name.startswith(COLOUR_SPACES):
        reads(check_input(name))
    try:
        import PyOpenColorIO as ocio
    except ImportError:
        raise ViewError('--view needs OpenColorIO: install "inkarnat[view]".') from None
    try:
        processor = _processor(ocio, name).getDefaultCPUProcessor()
    except ocio.Exception as error:
        if name.startswith(COLOUR_SPACES):
            raise ViewError(f"The view {name!r} cannot be used: {error}") from None
        raise InputError(f"The view transform {name} cannot be read: {error}") from None
    return lambda picture: _through(processor, picture)


def view_id(name: str | None) -> str:
    """Return what tells a view from others wherever its file lies: "" for none. Raises InputError."""
    if not name or name.startswith(COLOUR_SPACES):
        return name or ""
    path = check_input(name)
    return f"{Path(path).name} {hashlib.sha256(Path(path).read_bytes()).hexdigest()[:12]}"


def _processor(ocio: Any, name: str) -> Any:
    if not name.startswith(COLOUR_SPACES):
        transform = ocio.FileTransform(src=str(Path(name).resolve()), interpolation=ocio.INTERP_BEST)
        return ocio.Config.CreateRaw().getProcessor(transform)
    parts = name.removeprefix(COLOUR_SPACES).split("/", 2)
    if len(parts) != 3 or not all(parts):
        raise ViewError(f"The view {name!r} must be ocio:SPACE/DISPLAY/VIEW, three names of the configuration.")
    space, display, view = parts
    return ocio.GetCurrentConfig().getProcessor(
        ocio.DisplayViewTransform(src=space, display=display, view=view), ocio.TRANSFORM_DIR_FORWARD
    )


def _through(processor: Any, picture: Floats) -> Floats:
    seen: Floats = np.ascontiguousarray(picture, np.float32).copy()
    apply = processor.applyRGBA if seen.shape[2] == 4 else processor.applyRGB
    apply(seen)
    return seen
