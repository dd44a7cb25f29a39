"""Colour transforms in files that OpenColorIO reads: looks and views, by one function for every host and verb."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from ..kernels.arrays import Floats
from ..kernels.errors import InkarnatError
from .sequences import InputError, check_input

Transform = Callable[[Floats], Floats]
"""Turns a picture, float32 (H, W, 3 or 4), into another of the same shape; alpha stays."""

COLOUR_SPACES = "ocio:"
"""Begins a transform that is named in an OpenColorIO configuration: ``ocio:SPACE/DISPLAY/VIEW``."""


class TransformError(InkarnatError, ValueError):
    """A colour transform that cannot be used."""


def open_transform(name: str, what: str = "view") -> Transform:
    """Return the colour transform of a name.

    :param name: a file that OpenColorIO reads (CLF, CTF, CDL, cube and others), or ``ocio:SPACE/DISPLAY/VIEW`` of the
        configuration in the environment's $OCIO. :param what: what messages call it, such as "look".
    :raises InputError: the file is missing or unreadable. :raises TransformError: OpenColorIO is missing, or refuses.
    """
    if not name.startswith(COLOUR_SPACES):
        check_input(name)
    try:
        import PyOpenColorIO as ocio
    except ImportError:
        raise TransformError(f'A {what} needs OpenColorIO: install "inkarnat[view]".') from None
    ocio.ClearAllCaches()  # it would go on with a file as it was before it was changed
    try:
        processor = _processor(ocio, name, what).getDefaultCPUProcessor()
    except ocio.Exception as error:
        told = " ".join(str(error).split())
        if name.startswith(COLOUR_SPACES):
            raise TransformError(f"The {what} {name!r} cannot be used: {told}") from None
        raise InputError(f"The {what} {name} cannot be read: {told}") from None
    return lambda picture: through_processor(processor, picture)


def _processor(ocio: Any, name: str, what: str) -> Any:
    if not name.startswith(COLOUR_SPACES):
        transform = ocio.FileTransform(src=str(Path(name).resolve()), interpolation=ocio.INTERP_BEST)
        return ocio.Config.CreateRaw().getProcessor(transform)
    parts = name.removeprefix(COLOUR_SPACES).split("/", 2)
    if len(parts) != 3 or not all(parts):
        raise TransformError(f"The {what} {name!r} must be ocio:SPACE/DISPLAY/VIEW, three names of the configuration.")
    space, display, view = parts
    return ocio.GetCurrentConfig().getProcessor(
        ocio.DisplayViewTransform(src=space, display=display, view=view), ocio.TRANSFORM_DIR_FORWARD
    )


def through_processor(processor: Any, picture: Floats) -> Floats:
    """Return a picture through a processor of OpenColorIO; alpha stays."""
    seen: Floats = np.ascontiguousarray(picture, np.float32).copy()
    apply = processor.applyRGBA if seen.shape[2] == 4 else processor.applyRGB
    apply(seen)
    return seen
