"""Readings: skin measured over a clip as a table for spreadsheets and as JSON with its schema."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Sequence
from typing import Any

from ...nodes import SkinReading
from ..writes import atomic

Readings = Sequence[tuple[int, SkinReading]]

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
}
"""Figure of a reading → its column in spreadsheets and its description."""

_LISTS = {
    "luma": ("luma of the skin at the 5th, 50th and 95th percentile, 0 to 1", ("luma_5", "luma_50", "luma_95")),
    "hue_range": ("hue at the 10th and the 90th percentile, degrees", ("hue_10_degrees", "hue_90_degrees")),
}


def csv_text(readings: Readings) -> str:
    """Return readings as comma-separated values: a row of names, then one row for each frame, a point as decimal."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    lists = [column for _, columns in _LISTS.values() for column in columns]
    writer.writerow(["frame", *(column for column, _ in _FIGURES.values()), *lists, "words"])
    for frame, reading in readings:
        data = reading.as_dict()
        values = [data[name] for name in _FIGURES] + [value for name in _LISTS for value in data[name]]
        writer.writerow([frame, *(f"{value:.6g}" for value in values), data["words"]])
    return text.getvalue()


def write_csv(path: str | os.PathLike[str], readings: Readings) -> None:
    """Write readings as comma-separated values. Raises OutputError where they cannot be written."""
    with atomic(os.fspath(path)) as temporary:
        temporary.write_text(csv_text(readings), encoding="utf-8")


def schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of what ``inkarnat measure --json`` prints."""
    number = {"type": "number"}
    reading: dict[str, Any] = {"frame": {"type": "integer"}, "words": {"type": "string"}}
    reading |= {name: {**number, "description": help} for name, (_, help) in _FIGURES.items()}
    for name, (help, columns) in _LISTS.items():
        count = len(columns)
        reading[name] = {"type": "array", "items": number, "minItems": count, "maxItems": count, "description": help}
    reading["distance"] = {"$ref": "#/$defs/distance"}
    required = [name for name in reading if name != "distance"]
    figures = {"sign": {"type": "string"}, "figure": number, "message": {"type": "string"}}
    properties = {
        "input": {"type": "string"},
        "view": {"type": ["string", "null"], "description": "transform that was looked through"},
        "person": {"type": ["string", "null"], "description": "the person that distances count from"},
        "readings": {"type": "array", "items": _object(reading, required)},
        "warnings": {"type": "array", "items": _object(figures, list(figures))},
    }
    distances = {
        "angle": {**number, "description": "degrees, above 0 yellower than the person"},
        "ratio": {**number, "description": "factor on the person's chroma/luma"},
        "delta_e": {**number, "description": "CIEDE2000 at the person's luma"},
        "luma": {**number, "description": "difference in luma"},
    }
    properties["subjects"] = {
        "type": "object",
        "description": "readings and person by the name of a subject",
    }
    properties["suggestions"] = {"type": "object", "description": "what the picture suggests, where it was asked for"}
    always = ["input", "view", "warnings"]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Inkarnat readings",
        **_object(properties, always),
        "$defs": {"distance": _object(distances, list(distances))},
    }


def _object(properties: dict[str, Any], required: list[str]) -> dict[str, Any]:
    return {"type": "object", "properties": properties, "required": required, "additionalProperties": False}
