"""A strict OpenFX host for tests, written from the standard's published structures and property names."""

from .effect import Effect, Picture, Stage
from .host import Host, HostStatus
from .images import HostImage

__all__ = ["Effect", "Host", "HostImage", "HostStatus", "Picture", "Stage"]
