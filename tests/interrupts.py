"""Child processes that hear an interrupt even where the tests run in the background of a shell, which ignores it."""

import signal


def hear():
    """Let the process about to start take SIGINT as usual: for ``preexec_fn``."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
