"""The command line with a slow disk and deadly frames, as the environment asks for; worker processes get them too.

``SLOW_DISK``: seconds that every opening and every completing of a picture takes.
``DEADLY_FRAME``: a frame of a sequence whose reading kills the process.
``FAULT``: what a worker process fails with when it has a chunk, as by a fault of the program.
"""

from __future__ import annotations

import os
import signal
import time

from inkarnat.host_adapters import writes
from inkarnat.host_adapters.commands import cli
from inkarnat.host_adapters.farm import local
from inkarnat.host_adapters.media import clips

DELAY = float(os.environ.get("SLOW_DISK", "0"))
DEADLY = os.environ.get("DEADLY_FRAME")

_read, _commit = clips.SequenceClip._read, writes.Atomic.commit


def slow_read(self, frame):
    if str(frame) == DEADLY:
        os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(DELAY)
    return _read(self, frame)


def slow_commit(self):
    time.sleep(DELAY)
    _commit(self)


def faulty_work(job, chunk, tell):
    raise TypeError(os.environ["FAULT"])


if "FAULT" in os.environ:
    local.work = faulty_work
clips.SequenceClip._read = slow_read
writes.Atomic.commit = slow_commit

if __name__ == "__main__":
    cli.main()
