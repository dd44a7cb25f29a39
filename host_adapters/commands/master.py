"""The finished film, re-checked: the shots of a cut found by timecode and judged against their people."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

from ...nodes import NOT_JUDGED, STATUSES, SkinReading
from .. import made
from ..graphs.errors import SOME_FRAMES_FAILED, GraphError
from ..shots.evidence import BEFORES, WITHOUT_LOOK, View
from ..shots.master import NO_PEOPLE, Checked, Takes, check_shot, place_shots
from ..shots.timeline import CutList
from ..writes import claim, write_text
from . import console
from .footage import Footage
from .options import read_line, read_person

_ALONE = (
    "graph_file",
    "corrected",
    "add",
    "subtract",
    "neutral",
    "keep_in",
    "keep_out",
    "frames",
    "suggest",
    "people",
    "bias",
)


def check_together(given: dict[str, Any], timeline: str | None, graphs: str | None) -> None:
    """Raise GraphError where a timeline or a folder of graphs stands alone, or beside options of a single clip."""
    if (timeline is None) != (graphs is None):
        raise GraphError(
            "--timeline CUT.otio and --graphs DIR go together: the cut says where shots lie, DIR holds their graphs."
        )
    if timeline is not None and (beside := [name for name in _ALONE if given.get(name)]):
        option = {"graph_file": "graph", "people": "subject"}.get(beside[0], beside[0])
        raise GraphError(f"--timeline judges each shot by its own graph: leave --{option.replace('_', '-')} out.")


def measure_master(
    input: str,
    footage: Footage,
    timeline: str,
    graphs: str,
    view: View,
    seen: str,
    csv_file: str | None,
    as_json: bool,
    options: dict[str, Any],
) -> int:
    """Read and judge every shot of a cut in the finished film, tell it, and return the exit code."""
    cut, takes = CutList(timeline), Takes.of(graphs)
    person, line = read_person(options), read_line(options)
    if csv_file:
        claim(texts=[(csv_file, made.READINGS)])
    film = footage.working(footage.open(input))
    placed, notes = place_shots(cut, film, takes)
    checked = []
    with console.progress(len(placed), as_json, "shots") as advance:
        for number, each in enumerate(placed, start=1):
            checked.append(check_shot(each, film, view, takes, person, line, seen))
            advance(number)
    if csv_file:
        write_text(csv_file, _csv(checked), made.READINGS)
    if as_json:
        console.print_json(_data(input, timeline, graphs, options["view"], checked, notes))
    else:
        _tell(input, checked, notes)
    return SOME_FRAMES_FAILED if any(map(_is_open, checked)) else 0


def _is_open(checked: Checked) -> bool:
    """Tell whether a shot with people in it could not be judged."""
    if checked.word:
        return checked.word != NO_PEOPLE
    return any(verdict.status == NOT_JUDGED for verdict in checked.verdicts.values())


# --- telling ------------------------------------------------------------------------------------------------

_COLUMNS = ("shot", "timecode", "frames", "status", "skin", "hue off", "ΔE00", "in a word")


def _span(frames: Sequence[int]) -> str:
    return f"{frames[0]}–{frames[-1]}" if frames else "–"


def _rows(checked: Checked) -> list[tuple[str, ...]]:
    placed = checked.placed
    head = (placed.shot.name or placed.shot.source or "–", placed.timecode or "–", _span(placed.frames))
    if checked.word:
        return [(*head, f"{STATUSES[NOT_JUDGED][0]} {NOT_JUDGED}", "–", "–", "–", checked.word)]
    rows: list[tuple[str, ...]] = []
    for name, verdict in checked.verdicts.items():
        final, drift = checked.surveyed[name].final, verdict.drift
        rows.append(
            (
                head[0] + (f" {name}" if name else ""),
                *head[1:],
                f"{STATUSES[verdict.status][0]} {verdict.status}",
                "–" if final is None else f"{final.angle:.1f}°, {final.ratio:.3f}",
                "–" if drift is None else f"{drift.angle:+.2f}°",
                "–" if drift is None else f"{drift.delta_e:.2f}",
                "; ".join(checked.notes),
            )
        )
    return rows


def _tell(input: str, checked: Sequence[Checked], notes: Sequence[str]) -> None:
    for note in notes:
        console.note(note)
    console.print_table(_COLUMNS, [row for each in checked for row in _rows(each)], title=f"{input}, shot by shot")
    for each in checked:
        for name, verdict in each.verdicts.items():
            console.say_verdict(verdict, " ".join(filter(None, (each.placed.shot.name, name))))


def _data(
    input: str, timeline: str, graphs: str, view: str | None, checked: Sequence[Checked], notes: Sequence[str]
) -> dict[str, Any]:
    """Return everything as JSON data, as the schema of `measure` has it."""
    shots = [_shot_data(each) for each in checked]
    return {
        "input": input,
        "view": view,
        "timeline": timeline,
        "graphs": graphs,
        "shots": shots,
        "warnings": [],
        "notes": list(notes),
    }


def _shot_data(checked: Checked) -> dict[str, Any]:
    placed = checked.placed
    people = []
    for name, surveyed in checked.surveyed.items():
        aim = checked.aims[name]
        readings = {before: getattr(surveyed, before) for before in (*BEFORES, WITHOUT_LOOK)}
        known = {before: reading.as_dict() for before, reading in readings.items() if reading is not None}
        people.append({"name": name, "target": aim.words(), **known, "verdict": checked.verdicts[name].as_dict()})
    verdict = checked.verdict
    return {
        "name": placed.shot.name,
        "source": placed.shot.source,
        "graph": "" if placed.kept is None else str(placed.kept.graph),
        "timecode": placed.timecode,
        "frames": [placed.frames[0], placed.frames[-1]] if placed.frames else [],
        "status": NOT_JUDGED if verdict is None else verdict.status,
        "word": checked.word,
        "keyed_by": checked.keyed_by,
        "people": people,
        "notes": list(checked.notes),
    }


_CSV = (
    "frame", "picture", "angle_degrees", "off_line_degrees", "chroma_to_luma", "last_frame", "shot", "timecode",
    "person", "graph", "status", "hue_off_degrees", "delta_e", "keyed_by", "word", "sentence",
)  # fmt: skip


def _csv(checked: Sequence[Checked]) -> str:
    """Return one row for each person of each shot, a point as decimal; ``frame`` is the shot's first in the film."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_CSV)
    for each in checked:
        placed = each.placed
        first, last = (placed.frames[0], placed.frames[-1]) if placed.frames else ("", "")
        graph = "" if placed.kept is None else placed.kept.graph.name
        for name in each.verdicts or [""]:
            verdict = each.verdicts.get(name)
            surveyed = each.surveyed.get(name)
            reading = None if surveyed is None else surveyed.final
            drift = None if verdict is None else verdict.drift
            writer.writerow(
                [
                    first, "final", *_figures(reading), last, placed.shot.name, placed.timecode, name, graph,
                    NOT_JUDGED if verdict is None else verdict.status,
                    *(["", ""] if drift is None else [f"{drift.angle:.6g}", f"{drift.delta_e:.6g}"]),
                    each.keyed_by, each.word, "" if verdict is None else verdict.sentence,
                ]
            )  # fmt: skip
    return text.getvalue()


def _figures(reading: SkinReading | None) -> list[str]:
    if reading is None:
        return ["", "", ""]
    data = reading.as_dict()
    return [f"{data[name]:.6g}" for name in ("angle", "off_line", "ratio")]
