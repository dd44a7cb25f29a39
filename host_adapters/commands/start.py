"""Start: the command line from its first moment on, so that Ctrl-C ends it quietly even while it is loaded.

Nothing but this module may be loaded before it listens; it imports what Python itself has loaded by then.
"""

import os
import signal
import sys
from collections.abc import Callable
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
    and two tenths after any other. The system takes it back in no time.
    """
    try:
        program()
    except SystemExit as ended:
        import atexit
        import threading

        others = [
            thread for thread in threading.enumerate() if not (thread.daemon or thread is threading.main_thread())
        ]
        if others or not (ended.code is None or isinstance(ended.code, int)):
            raise
        atexit._run_exitfuncs()
        for stream in (sys.stdout, sys.stderr):
            if stream is not None:
                stream.flush()  # where that fails, Python ends as it does
        os._exit(ended.code or 0)


def loaded() -> None:
    """Take Ctrl-C as KeyboardInterrupt again: from here on there may be something to tidy up."""
    if signal.getsignal(signal.SIGINT) is _stop:
        signal.signal(signal.SIGINT, signal.default_int_handler)
