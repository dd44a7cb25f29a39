"""Readings: skin measured over a clip as a table for spreadsheets and as JSON with its schema."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Sequence
from typing import Any

from ...nodes import SkinReading
from .. import made
from ..writes import write_text
from .evidence import BEFORES, WITHOUT_LOOK

Readings = Sequence[tuple[int, str, SkinReading]]
"""(frame, which picture, reading).

The picture is one of the three befores or the one without a look, or "" for the one that was given.
"""

_FIGURES: dict[str, tuple[str, str]] = {
    "angle": ("angle_degrees", "hue of the centre of the energy, degrees in BT.709 Cb/Cr"),
    "off_line": ("off_line_degrees", "degrees from the skin line: above 0 yellower, below 0 redder"),
    "ratio": ("chroma_to_luma", "chroma/luma of the centre"),
    "population_ratio": ("population_chroma_to_luma", "where measured skins of this lightness lie, ± 0.024"),
    "spread": ("spread_degrees", "robust standard deviation of the hue, degrees"),
    "area": ("area", "keyed part of the frame, 0 to 1"),
    "soft": ("soft", "share of the matte that is half open"),
    "stray": ("stray", "share of the keyed colour more than 20° from the centre"),
    "black": ("black", "black level subtracted before dividing by luma"),
    "transparent": ("transparent", "share of the keyed pixels that alpha lets nobody see"),
    "unread": ("unread", "share of what is keyed that is black or at white, where no hue is read"),
}
"""Figure of a reading → its column in spreadsheets and its description."""

_LISTS = {
    "luma": ("luma of the skin at the 5th, 50th and 95th percentile, 0 to 1", ("luma_5", "luma_50", "luma_95")),
    "hue_range": ("hue at the 10th and the 90th percentile, degrees", ("hue_10_degrees", "hue_90_degrees")),
}


def csv_text(readings: Readings) -> str:
    """Return readings as comma-separated values: a row of names, then one row for each reading, a point as decimal.

    Where a graph was read, the second column says of which picture: as_shot, light_only or final.
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    lists = [column for _, columns in _LISTS.values() for column in columns]
    staged = any(picture for _, picture, _ in readings)
    which = ["picture"] if staged else []
    writer.writerow(["frame", *which, *(column for column, _ in _FIGURES.values()), *lists, "words"])
    for frame, picture, reading in readings:
        data = reading.as_dict()
        values = [data[name] for name in _FIGURES] + [value for name in _LISTS for value in data[name]]
        which = [picture] if staged else []
        writer.writerow([frame, *which, *(f"{value:.6g}" for value in values), data["words"]])
    return text.getvalue()


def write_csv(path: str | os.PathLike[str], readings: Readings) -> None:
    """Write readings as comma-separated values. Raises OutputError where they cannot be written."""
    write_text(path, csv_text(readings), made.READINGS)


def schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of what ``inkarnat measure --json`` prints."""
    number = {"type": "number"}
    text = {"type": "string"}
    reading: dict[str, Any] = {"words": text}
    reading |= {name: {**number, "description": help} for name, (_, help) in _FIGURES.items()}
    for name, (help, columns) in _LISTS.items():
        count = len(columns)
        reading[name] = {"type": "array", "items": number, "minItems": count, "maxItems": count, "description": help}
    reading["distance"] = {"$ref": "#/$defs/distance"}
    befores = {name: {"$ref": "#/$defs/reading"} for name in (*BEFORES, WITHOUT_LOOK)}
    entry = {"frame": {"type": "integer"}, **reading, **befores}
    figures = {"sign": text, "figure": number, "message": text}
    finding = {"status": text, "sentence": text, "fix": {**text, "description": "what clears it"}}
    distances = {
        "angle": {**number, "description": "degrees, above 0 yellower than the target"},
        "ratio": {**number, "description": "factor on the target's chroma/luma"},
        "delta_e": {**number, "description": "CIEDE2000 without lightness"},
        "luma": {**number, "description": "difference in luma"},
        "stops": {**number, "description": "difference in level, in stops"},
    }
    verdict = {
        **finding,
        "drift": {"type": ["object", "null"], "properties": distances, "required": [], "additionalProperties": False},
        "findings": {"type": "array", "items": _object(finding, list(finding))},
    }
    person = {
        "person": {"type": ["string", "null"], "description": "the person that distances count from"},
        "target": {**text, "description": "what the skin is judged against"},
        "readings": {
            "type": "array",
            "items": _object(entry, ["frame"]),
            "description": "of the picture that was given, or, with a graph, of the picture as shot, with the light "
            "alone corrected, and final",
        },
        "verdict": _object(verdict, list(verdict)),
    }
    properties = {
        "input": text,
        "view": {"type": ["string", "null"], "description": "transform that was looked through"},
        **person,
        "warnings": {"type": "array", "items": _object(figures, list(figures)), "description": "about the matte"},
    }
    properties["subjects"] = {
        "type": "object",
        "description": "person, target, readings and verdict by the name of a subject",
    }
    properties["suggestions"] = {"type": "object", "description": "what the picture suggests, where it was asked for"}
    properties["notes"] = {"type": "array", "items": text, "description": "about everything else"}
    properties |= {
        "timeline": {**text, "description": "the cut whose shots are judged in the finished film"},
        "graphs": {**text, "description": "the folder with their graphs"},
        "shots": {"type": "array", "items": _shot(reading, verdict), "description": "in order of the cut"},
    }
    always = ["input", "view", "warnings"]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Inkarnat readings",
        **_object(properties, always),
        "$defs": {
            "distance": _object(distances, list(distances)),
            "reading": _object(reading, [name for name in reading if name != "distance"]),
        },
    }


def _shot(reading: dict[str, Any], verdict: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of a shot of a finished film."""
    text = {"type": "string"}
    befores = {name: {"$ref": "#/$defs/reading"} for name in (*BEFORES, WITHOUT_LOOK)}
    person = {"name": text, "target": text, **befores, "verdict": _object(verdict, list(verdict))}
    shot = {
        "name": text,
        "source": {**text, "description": "the file that the shot was made from"},
        "graph": text,
        "timecode": {**text, "description": "of its first frame in the film"},
        "frames": {"type": "array", "items": {"type": "integer"}, "description": "first and last in the film"},
        "status": text,
        "word": {**text, "description": "why it is not judged, in a word"},
        "keyed_by": {**text, "description": "plate or film: on what the key looked"},
        "people": {"type": "array", "items": _object(person, ["name", "target", "verdict"])},
        "notes": {"type": "array", "items": text},
    }
    return _object(shot, list(shot))


def _object(properties: dict[str, Any], required: list[str]) -> dict[str, Any]:
    return {"type": "object", "properties": properties, "required": required, "additionalProperties": False}
