"""Telling what was measured: rows of tables for people, and the section of the handbook as Markdown."""

from __future__ import annotations

import datetime
from collections.abc import Sequence

from .speed import Speed
from .targets import GAINS, MEMORY_BOUND, Judged
from .timing import OURS, Timed, describe_machine

SPEED_COLUMNS = ("what", "library", "threads", "ms", "of a copy", "times ours")
TARGET_COLUMNS = ("target", "wanted", "measured", "verdict")


def speed_rows(result: Speed) -> list[tuple[str, ...]]:
    """Return a line of text for every row."""
    return [_speed_row(result, timed) for timed in result.timed]


def _speed_row(result: Speed, timed: Timed) -> tuple[str, ...]:
    row, milliseconds, times = timed.row, timed.median * 1e3, result.times_ours(timed)
    return (
        row.name,
        row.library,
        str(row.threads),
        f"{milliseconds:.1f}",
        f"{milliseconds / result.copy:.2f}",
        "" if times is None else f"{times:.1f}",
    )


def target_rows(result: Speed) -> list[tuple[str, ...]]:
    """Return a line of text for every target that is stated for the setting."""
    return [_target_row(judged) for judged in result.judged()]


def _target_row(judged: Judged) -> tuple[str, ...]:
    target = judged.target
    value = "" if judged.value is None else f"{judged.value:.2f}"
    return target.says, f"{'≥' if target.at_least else '≤'} {target.limit:g}", value, judged.verdict


def machine_words() -> str:
    """Return the machine in one phrase."""
    machine = describe_machine()
    return (
        f"{machine['processor']}, {machine['cores']} cores, {machine['system']}, Python {machine['python']}, "
        f"numpy {machine['numpy']}, numba {machine['numba']}"
    )


def speed_markdown(result: Speed) -> str:
    """Return the figures as a section in Markdown: ours by thread count, other libraries, targets."""
    today = datetime.date.today().isoformat()
    threads = sorted({timed.row.threads for timed in result.timed if timed.row.library == OURS})
    lines = [
        f"`inkarnat bench speed --markdown`, {today}, {machine_words()}: {result.setting.words()}, medians of "
        f"{max(len(timed.seconds) for timed in result.timed)} interleaved rounds. One thread copies the frame in "
        f"{result.copy:.1f} ms; × is a multiple of that.",
        "",
        *_table(["what", *(f"{count} thread{'s' * (count > 1)}" for count in threads)], _own(result, threads)),
        "",
        *_others(result),
    ]
    if result.judged():
        lines += ["", *_table(TARGET_COLUMNS, target_rows(result))]
    return "\n".join([*lines, *([""] if result.left_out else []), *result.left_out])


def _own(result: Speed, threads: Sequence[int]) -> list[tuple[str, ...]]:
    names = dict.fromkeys(timed.row.name for timed in result.timed if timed.row.library == OURS)
    return [(name, *(_cell(result, name, count) for count in threads)) for name in names]


def _cell(result: Speed, name: str, threads: int) -> str:
    found = result.milliseconds(name, threads)
    return "" if found is None else f"{found:.1f} ms, {found / result.copy:.2f} ×"


def _others(result: Speed) -> list[str]:
    """Return a table with a column for each library, each with as many threads as it uses at most."""
    rows = [timed for timed in result.timed if timed.row.library != OURS]
    libraries = list(dict.fromkeys(timed.row.library for timed in rows))
    most = {library: max(timed.row.threads for timed in rows if timed.row.library == library) for library in libraries}
    cells = {timed.row.key: _other_cell(result, timed) for timed in rows}
    heads = [f"{library}, {count} thread{'s' * (count > 1)}" for library, count in most.items()]
    names = dict.fromkeys(timed.row.name for timed in rows)
    body = [(name, *(cells.get((name, library, most[library]), "") for library in libraries)) for name in names]
    lines = ["Milliseconds of other libraries, and as a multiple of ours with as many threads:", ""]
    return [*lines, *_table(["what", *heads], body)] if rows else []


def _other_cell(result: Speed, timed: Timed) -> str:
    times = result.times_ours(timed)
    return f"{timed.median * 1e3:.1f}" + ("" if times is None else f", {times:.1f} ×")


def scaling(result: Speed) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Return the heads and rows of a table of our rows by thread count, with what the most threads gain, and whether
    that is enough: what takes little longer than the fastest copy of the frame waits for memory, not for threads."""
    counts = sorted({timed.row.threads for timed in result.timed if timed.row.library == OURS})
    names = dict.fromkeys(timed.row.name for timed in result.timed if timed.row.library == OURS)
    fastest = min(value for count in counts if (value := result.milliseconds("copy", count)) is not None)
    rows = []
    for name in names:
        found = [result.milliseconds(name, count) for count in counts]
        told = judged_gain(found, counts, fastest) if name != "copy" else ("", "")
        rows.append((name, *("" if value is None else f"{value:.2f}" for value in found), *told))
    return ("what", *map(str, counts), "gain", "verdict"), rows


def judged_gain(found: Sequence[float | None], counts: Sequence[int], fastest: float) -> tuple[str, str]:
    """Return what the most threads gain over one, and the verdict; ``found`` and ``fastest`` in milliseconds."""
    first, last = found[0], found[-1]
    if first is None or last is None or len(found) < 2:
        return "", ""
    gain, wanted = first / last, GAINS.get(counts[-1])
    if last <= MEMORY_BOUND * fastest:
        verdict = "bound by memory"
    else:
        verdict = "" if wanted is None else f"{'met' if gain >= wanted else 'not met'}: {wanted:g}"
    return f"{gain:.2f}", verdict


def _table(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    return [f"| {' | '.join(cells)} |" for cells in (columns, ["---"] * len(columns), *rows)]
