"""The workshop: generated portraits from a boat-building documentary, with exact truth."""

from .camera import camera, light_change, skin_cast
from .portrait import Pose, Scene, WorkshopError, clip, portrait
from .relief import Thing
from .room import WALLS
from .skin import SKIN_DEPTHS, SkinDepth, skin_colour, skin_reflectance, typology_angle

__all__ = [
    "SKIN_DEPTHS",
    "WALLS",
    "Pose",
    "Scene",
    "SkinDepth",
    "Thing",
    "WorkshopError",
    "camera",
    "clip",
    "light_change",
    "portrait",
    "skin_cast",
    "skin_colour",
    "skin_reflectance",
    "typology_angle",
]
