"""Start: the command line from its first moment on, so that Ctrl-C ends it quietly even while it is loaded.

Nothing but this module may be loaded before it listens; it imports what Python itself has loaded by then.
"""

import atexit
import os
import signal
import sys
from collections.abc import Callable, Sequence
from types import FrameType
from typing import NoReturn


def _stop(number: int, _: FrameType | None) -> NoReturn:
    """End at once: nothing has begun, and an exception would pass through half-loaded libraries."""
    try:
        if sys.stderr is not None:
            print("\ninkarnat: stopped.", file=sys.stderr, flush=True)
    finally:
        os._exit(128 + number)


def main() -> NoReturn:
    """Load the command line and run it."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _stop)
    from .cli import main as begin

    run(begin)


def run(program: Callable[[], NoReturn]) -> NoReturn:
    """Run the program and end the process at once when it has ended in order.

    Python would take apart everything that was loaded and compiled, piece by piece: a second after a first correction,
    and two tenths after any other. The system takes it back in no time. Threads are waited for before, and whatever
    else is to be done at the end is done: of what was registered, the first is called last.
    """
    codes: list[int] = []
    atexit.register(_end, codes)
    try:
        program()
    except SystemExit as ended:
        if ended.code is None or isinstance(ended.code, int):
            codes.append(ended.code or 0)
        raise


def _end(codes: Sequence[int]) -> None:
    """End the process where it has ended in order; otherwise Python ends as it does."""
    for code in codes:
        for stream in (sys.stdout, sys.stderr):
            if stream is not None:
                stream.flush()  # where that fails, Python tells it
        os._exit(code)


def loaded() -> None:
    """Take Ctrl-C as KeyboardInterrupt again: from here on there may be something to tidy up."""
    if signal.getsignal(signal.SIGINT) is _stop:
        signal.signal(signal.SIGINT, signal.default_int_handler)
