"""Many machines: chunks as tasks of Dask distributed, on a local cluster or a scheduler that is already there."""

from __future__ import annotations

import contextlib
import logging
import traceback
import uuid
from collections.abc import Callable, Iterator
from typing import Any

from ...kernels import devices
from ...kernels.errors import InkarnatError
from .chunks import Chunk, Engine, Event, Failed, Job, Tell, cut, work
from .local import RETRIES, limit_threads

_WAITING_PER_WORKER = 3
_PATIENCE = 20.0


class ClusterError(InkarnatError, RuntimeError):
    """Dask distributed is not installed, or the scheduler cannot be reached."""


def dask(address: str | None, workers: int, threads: int, retries: int = RETRIES) -> Engine:
    """Return the engine that hands chunks to a scheduler, or to a local cluster where there is no address.

    Workers see the same paths and have the same version installed. A chunk whose worker is lost goes to another; one
    that raised is tried again; one that took ``retries`` + 1 workers with it is cut into single frames, and the
    frames that still did are tried alone at the end, so that only the one to blame is given up.

    :param workers, threads: of the local cluster: processes, and threads for the kernels of each.
    """

    def engine(job: Job, chunks: Iterator[Chunk], tell: Tell) -> None:
        with _client(address, workers, retries) as client:
            _Tasks(client, job, threads if address is None else None, retries).work(chunks, tell)

    return engine


@contextlib.contextmanager
def _client(address: str | None, workers: int, retries: int) -> Iterator[Any]:
    try:
        import dask as settings_of_dask
        import distributed
    except ImportError:
        raise ClusterError("Dask distributed is not installed: pip install 'inkarnat[farm]'.") from None
    library: Any = distributed
    # Lost workers are told of by us, once each; the library's own account of them fills a screen.
    quiet = {"logging": {"distributed": "error"}} if address is None else {}
    settings = {"distributed.scheduler.allowed-failures": retries, "distributed.logging.distributed": "error", **quiet}
    with settings_of_dask.config.set(settings), contextlib.ExitStack() as stack:
        try:
            target: Any = address
            if address is None:
                target = stack.enter_context(
                    library.LocalCluster(
                        n_workers=workers,
                        threads_per_worker=1,
                        dashboard_address=None,
                        silence_logs=logging.CRITICAL,
                    )
                )
            client = stack.enter_context(library.Client(target, timeout=_PATIENCE, set_as_default=False))
        except (OSError, ValueError, RuntimeError) as error:
            raise ClusterError(f"The scheduler {address or 'of the local cluster'} cannot be used: {error}") from error
        _check_versions(client, address)
        yield client


def _check_versions(client: Any, address: str | None) -> None:
    if address is None:
        return
    from importlib.metadata import version

    ours = version("inkarnat")
    for worker, theirs in client.run(_version).items():
        if theirs != ours:
            raise ClusterError(
                f"Worker {worker} has inkarnat {theirs or 'not at all'}, and this is {ours}: install one."
            )


def settled(address: str, device: str, tell: Callable[[str], object]) -> str:
    """Return the device that all workers of a scheduler work on: the processor, as is told, where none has the other.

    :param device: its full name, as :func:`~.kernels.devices.parse` gives it.

    Raises ClusterError where some workers can use it and others cannot, as one run gives the bits of one device.
    """
    if device == devices.PROCESSOR:
        return device
    with _client(address, 1, RETRIES) as client:
        found: dict[str, str] = client.run(_lacking, device)
    lacking = {worker: why for worker, why in found.items() if why}
    if not lacking:
        return device
    worker, why = next(iter(lacking.items()))
    if len(lacking) == len(found):
        tell(f"No worker of {address} can use {device}. {worker}: {why} This run works on the processor.")
        return devices.PROCESSOR
    raise ClusterError(
        f"{len(lacking)} of {len(found)} workers cannot use {device}, and one run gives the bits of one device: leave "
        f"--device out, or stop these workers: {', '.join(lacking)}. {worker}: {why}"
    )


def _lacking(device: str) -> str:
    """Return why a worker cannot use a device, "" where it can."""
    try:
        devices.opened(device)
    except devices.DeviceError as error:
        return str(error)
    return ""


def _version() -> str | None:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("inkarnat")
    except PackageNotFoundError:
        return None


def _task(job: Job, chunk: Chunk, threads: int | None) -> list[Event]:
    """Work on a chunk in a worker of the cluster and return what happened."""
    if threads is not None:
        limit_threads(threads)
    events: list[Event] = []
    try:
        work(job, chunk, events.append)
    except Exception as error:
        error.add_note(f"In a worker of the cluster:\n{''.join(traceback.format_exception(error))}")
        raise
    return events


class _Tasks:
    """The tasks of a run that are under way: a few for each worker, so that ten thousand are never queued."""

    def __init__(self, client: Any, job: Job, threads: int | None, retries: int) -> None:
        self.client, self.job, self.threads, self.retries = client, job, threads, retries
        self.tasks: dict[str, tuple[Any, Chunk]] = {}
        self.suspects: list[Chunk] = []

    def work(self, chunks: Iterator[Chunk], tell: Tell) -> None:
        """Work through all chunks; on any error, what is under way is cancelled."""
        import distributed

        library: Any = distributed
        under_way = library.as_completed(loop=self.client.loop, raise_errors=False)
        try:
            self._fill(chunks, under_way)
            for future in under_way:
                self._end(future, under_way, tell)
                self._fill(chunks, under_way)
                if not self.tasks and self.suspects:
                    self._submit(self.suspects.pop(), under_way, alone=True)
        except BaseException:
            self.client.cancel([future for future, _ in self.tasks.values()], force=True)
            raise

    def _fill(self, chunks: Iterator[Chunk], under_way: Any) -> None:
        most = _WAITING_PER_WORKER * max(1, len(self.client.scheduler_info()["workers"]))
        while len(self.tasks) < most and (chunk := next(chunks, None)) is not None:
            self._submit(chunk, under_way)

    def _submit(self, chunk: Chunk, under_way: Any, alone: bool = False) -> None:
        key = f"{'alone' if alone else 'frames'} {chunk} {uuid.uuid4().hex}"
        future = self.client.submit(_task, self.job, chunk, self.threads, pure=False, retries=self.retries, key=key)
        self.tasks[future.key] = (future, chunk)
        under_way.add(future)

    def _end(self, future: Any, under_way: Any, tell: Tell) -> None:
        from distributed.scheduler import KilledWorker

        _, chunk = self.tasks.pop(future.key)
        if future.status == "finished":
            for event in future.result():
                tell(event)
            return
        error = future.exception() if future.status == "error" else None
        if error is not None and not isinstance(error, KilledWorker):
            raise error
        if len(chunk.frames) > 1:
            for part in cut(chunk.frames, 1):
                self._submit(part, under_way)
        elif not future.key.startswith("alone"):
            # A dying worker takes the blame to all that waited for it: who is guilty shows when nothing else goes on.
            self.suspects.append(chunk)
        else:
            tell(Failed(chunk.frames[0], "every worker that was given it died"))
