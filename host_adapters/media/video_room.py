"""Memory for video: how many frames decoders and encoders may hold at once, by the cores there are and the size."""

from __future__ import annotations

from ...kernels.strips import thread_count

FEW_CORES = 4
"""Cores up to which a decoder gets a thread for each. The library takes one more, and every thread holds a frame."""

_LARGE = 2048 * 1152
"""Pixels up to which the frames that libraries hold by themselves are small beside all else."""

_ROOM_AHEAD, _COPIES_AHEAD = 64 << 20, 3
"""Bytes of frames that an encoder may have looked ahead at, and bytes that it holds for each byte of luma of one."""

_CORES_EACH, _MOST_ENCODERS = 2, 8
"""Cores for each of several encoders, and how many there are at most."""

_MOST_ROOM, _ROOM_A_PIXEL = 1 << 30, 40
"""Bytes that several encoders may take together, and how many one takes for each pixel of a frame."""

_ROOM_A_CORE, _ROOM_A_THREAD = 144 << 20, 20
"""Bytes that an encoder may take for each core, and what one of its threads takes for each pixel of a frame."""


def is_tight(width: int, height: int) -> bool:
    """Tell whether frames are large and cores few: then threads share out the slices of a frame, not whole frames.

    >>> is_tight(1920, 1080)
    False
    """
    return thread_count() <= FEW_CORES and width * height > _LARGE


def frames_ahead(width: int, height: int, deep: bool, least: int) -> int:
    """Return how many frames an encoder may look ahead at where memory is tight.

    :param deep: whether codes take two bytes. :param least: how many it needs at least.

    >>> frames_ahead(3840, 2160, deep=False, least=2)
    2
    """
    return max(least, _ROOM_AHEAD // (_COPIES_AHEAD * width * height * (2 if deep else 1)))


def threads_for(width: int, height: int) -> int:
    """Return how many threads an encoder gets that holds a frame in each; 0 leaves that to the library.

    >>> threads_for(640, 360)
    0
    """
    room = _ROOM_A_CORE * thread_count() // (_ROOM_A_THREAD * width * height)
    return 0 if room >= thread_count() else max(1, room)


def encoders_for(width: int, height: int) -> int:
    """Return how many encoders take turns with frames of a size: one for some cores, as far as memory allows.

    >>> encoders_for(7680, 4320)
    1
    """
    wanted = min(thread_count() // _CORES_EACH, _MOST_ENCODERS, _MOST_ROOM // (_ROOM_A_PIXEL * width * height))
    return max(1, wanted)
