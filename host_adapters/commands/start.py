"""Start: the command line from its first moment on, so that Ctrl-C ends it quietly even while it is loaded.

Nothing but this module may be loaded before it listens; it imports what Python itself has loaded by then.
"""

import os
import signal
import sys
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

    begin()


def loaded() -> None:
    """Take Ctrl-C as KeyboardInterrupt again: from here on there may be something to tidy up."""
    if signal.getsignal(signal.SIGINT) is _stop:
        signal.signal(signal.SIGINT, signal.default_int_handler)
