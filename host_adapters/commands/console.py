"""The console: tables and progress for people, plain lines where output is not a terminal, JSON for machines."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Iterable, Sequence
from contextlib import AbstractContextManager, nullcontext, suppress
from typing import TYPE_CHECKING, Any, Protocol

import click

from ..writes import OutputError, json_text

if TYPE_CHECKING:
    from ...nodes import Verdict
    from ..graphs.rendering import Listener


def is_terminal() -> bool:
    """Tell whether a person reads the output."""
    return sys.stdout is not None and sys.stdout.isatty()


class PrintError(OutputError):
    """What a machine waits for cannot be printed."""


_ESCAPED = {
    **{code: f"\\x{code:02x}" for code in (*range(9), *range(11, 32), *range(127, 160))},
    **{code: f"\\u{code:04x}" for code in (*range(0x202A, 0x202F), *range(0x2066, 0x206A))},
}
"""Characters that would move a terminal's cursor, colour it, ring its bell or turn its text round."""


def plain(text: str) -> str:
    """Return a text with such characters of names spelled out: a file may be called anything.

    >>> plain("take\\x1b[31m.mov")
    'take\\\\x1b[31m.mov'
    """
    return text.translate(_ESCAPED)


def say(line: str = "") -> None:
    """Print one line. Where the output takes no more, that is told once, and the work goes on."""
    tell_failures()
    try:
        click.echo(plain(line))
    except BrokenPipeError:  # whoever read it has read enough
        silence_output()
    except OSError as error:
        silence_output()
        warn(f"note: what there is to read cannot be printed ({error.strerror}); the work itself goes on")


def warn(line: str) -> None:
    """Print one line on the error stream, where that takes any; the same note again in one run is no news."""
    tell_failures()
    (once if line.startswith("note: ") else _line)(line)


def note(words: str) -> None:
    """Print a note on the error stream, once a run."""
    warn(f"note: {words}")


_told: set[str] | None = None
"""What this run of the command line was told, None outside of one."""


def once(line: str) -> None:
    """Print one line on the error stream, once a run."""
    if _told is None or line not in _told:
        _line(line)
    if _told is not None:
        _told.add(line)


def begin_run() -> None:
    """Forget what the run before was told."""
    global _told
    _told = set()


def _line(line: str) -> None:
    with suppress(OSError):
        click.echo(plain(f"inkarnat: {line}"), err=True)


def silence_output() -> None:
    """Point the output nowhere, so that Python does not complain of it while it ends."""
    if sys.stdout is not None:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


_cold_told = threading.Event()
"""Set once a run has said what it compiles, whatever it was going to do."""


def warn_if_cold(work: str = "correct") -> None:
    """Say, once, that kernels will be compiled first, where none are kept on disk, and count them while that lasts.

    :param work: what will be done: a name in :data:`~..warm_up.FIRST_KERNELS`.
    """
    if _cold_told.is_set():
        return
    _cold_told.set()
    from ...kernels import jit, kept_code
    from ..warm_up import FIRST_KERNELS

    if jit.is_cold() and jit.CACHE_FOLDER is None:
        folder, reason = next(iter(kept_code.refused.items()), ("", "no folder"))
        warn(
            f"note: compiled code cannot be kept in {folder} ({reason}), so every run compiles anew; set "
            "INKARNAT_CACHE_DIR to a folder that is yours alone"
        )
    elif jit.is_cold():
        warn("note: compiling for this machine, once; it can take a minute (`inkarnat warm` does it ahead)")
        count_compiled(FIRST_KERNELS[work])


_LOOK, _TELL, _REST = 0.5, 4.0, 60.0
"""Seconds between two looks at what is compiled, between two lines about it, and without news until that is over."""


def count_compiled(total: int) -> threading.Thread:
    """Tell from a thread of its own how many kernels are compiled: ``12 of about 74 kernels, about 0:40 left``.

    What is counted is what this process and its helper have kept on disk. It ends with the process, with ``total``, or
    when nothing has come for a while.
    """
    thread = threading.Thread(target=_count_compiled, args=(total,), name="compiled", daemon=True)
    thread.start()
    return thread


def _count_compiled(total: int) -> None:
    from ..warm_up import kernels_kept

    began = told_at = news_at = time.monotonic()
    done = told = 0
    while done < total and time.monotonic() - news_at < _REST:
        time.sleep(_LOOK)
        now, before, done = time.monotonic(), done, kernels_kept()
        news_at = now if done > before else news_at
        if done > told and now - told_at >= _TELL:
            left = (total - done) * (now - began) / done
            rest = f", about {_clock(left)} left" if done < total else ""
            _line(f"compiled {done} of about {max(total, done)} kernels{rest}")
            told, told_at = done, now


_failures: list[tuple[int, int, str]] = []
"""The frames of a run that failed, first and last, and why: one line for all of them, said when the next begins."""


def tell_failure(frame: int, reason: str) -> None:
    """Name a frame that failed, together with those beside it that failed for the same reason."""
    if _failures and _failures[0][2] == reason and frame == _failures[0][1] + 1:
        _failures[0] = _failures[0][0], frame, reason
        return
    tell_failures()
    _failures.append((frame, frame, reason))


def tell_failures() -> None:
    """Say what :func:`tell_failure` has not said yet."""
    if _failures:
        first, last, reason = _failures.pop()
        which = f"frame {first}" if first == last else f"frames {first}–{last}"
        _line(f"{which} failed: {reason}")


def listener(quiet: bool = False) -> Listener:
    """Return what hears of a render here: a bar or lines of progress, notes and failures; no progress where quiet."""
    from ..graphs.rendering import Listener

    def begin(total: int) -> AbstractContextManager[Progress]:
        if not quiet:
            warn_if_cold()
        return progress(total, quiet)

    return Listener(begin, note, tell_failure)


def say_verdict(verdict: Verdict, name: str = "") -> None:
    """Print how skin is judged: status, sentence and fix, one line for each finding."""
    for line in verdict.lines():
        say(f"{name}: {line}" if name else line)


def print_json(data: Any) -> None:
    """Print data as JSON. Raises PrintError where the output does not take it."""
    tell_failures()
    try:
        click.echo(json_text(data, indent=2))
    except BrokenPipeError:
        silence_output()
    except OSError as error:
        silence_output()
        raise PrintError(
            f"The answer cannot be printed ({error.strerror}): everything else is done; make room where it goes."
        ) from None


_NARROW = 60
"""Columns of a terminal below which a table would be dots alone."""


def print_table(columns: Sequence[str], rows: Iterable[Sequence[str]], title: str = "") -> None:
    """Print a table: ruled for people; otherwise tab-separated, the columns on the first line, then one a row."""
    if not is_terminal():
        for row in (columns, *rows):
            say("\t".join(cell.replace("\n", " ").replace("\t", " ") for cell in row))
        return
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    if Console().width < _NARROW:
        for row in rows:
            for column, cell in zip(columns, row, strict=True):
                say(f"{column}: {cell}" if column else cell)
            say()
        return
    table = Table(*columns, title=title or None, box=box.SIMPLE_HEAD, title_justify="left", pad_edge=False)
    for row in rows:
        table.add_row(*(Text(plain(cell)) for cell in row))
    Console().print(table)


class Progress(Protocol):
    """Told after each frame."""

    def __call__(self, frame: int) -> None:
        """Count one more frame as done."""


def progress(total: int, quiet: bool = False, what: str = "frames") -> AbstractContextManager[Progress]:
    """Return a context that gives the function to call after each frame, or whatever else is counted.

    For people a bar on the error stream; otherwise a line for each tenth of the job; nothing where quiet.
    """
    if quiet:
        return nullcontext(lambda frame: None)
    if sys.stderr is not None and sys.stderr.isatty():
        return _Bar(total, what)
    return nullcontext(_lines(total, what))


def _lines(total: int, what: str) -> Progress:
    done, began = 0, time.monotonic()

    def tell(frame: int) -> None:
        nonlocal done
        done += 1
        if done == total or done * 10 // total != (done - 1) * 10 // total:
            pace = done / max(time.monotonic() - began, 1e-9)
            left = f", {_clock((total - done) / pace)} left" if done < total else ""
            _line(f"{done} of {total} {what}, last {frame}, {pace:.3g} {what}/s{left}")

    return tell


def _clock(seconds: float) -> str:
    """Say a time as minutes and seconds, with hours where there are any."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"


class _Bar(AbstractContextManager[Progress]):
    """A progress bar with the pace and the time that is left."""

    def __init__(self, total: int, what: str) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
        from rich.progress import Progress as Bars

        pace = TextColumn("{task.fields[pace]}")
        columns = TextColumn(what), BarColumn(), MofNCompleteColumn(), pace, TimeRemainingColumn()
        self.bars = Bars(*columns, console=Console(stderr=True), transient=True)
        self.what, self.task = what, self.bars.add_task(what, total=total, pace="")
        self.done, self.began = 0, time.monotonic()

    def __enter__(self) -> Progress:
        self.bars.start()
        return self._tell

    def _tell(self, frame: int) -> None:
        self.done += 1
        pace = self.done / max(time.monotonic() - self.began, 1e-9)
        self.bars.update(self.task, advance=1, pace=f"{pace:.3g} {self.what}/s")

    def __exit__(self, *error: object) -> None:
        self.bars.stop()
