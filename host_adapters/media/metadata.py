"""Metadata: named values of files and streams, and which of them an output takes over."""

from __future__ import annotations

from typing import Any

_TECHNICAL = (
    *("major_brand", "minor_version", "compatible_brands", "encoder", "timecode", "reel_name", "duration", "bps"),
    *("number_of_frames", "number_of_bytes", "vendor_id", "rotate", "alpha_mode"),
)
"""Names in metadata that speak of a file and not of the take, or that are carried in a way of their own."""

_OF_STREAMS = ("language", "title", "name")

_PLAIN = {
    "mov": (
        *("title", "artist", "author", "album", "date", "comment", "genre", "copyright", "make", "model", "location"),
        *("keywords", "creation_time"),
    ),
    "mp4": (
        *("title", "artist", "album_artist", "composer", "album", "date", "comment", "genre", "copyright", "grouping"),
        *("lyrics", "description", "synopsis", "show", "episode_id", "network", "keywords", "location"),
        "creation_time",
    ),
}
"""Names that a QuickTime or MP4 file has places for; all others go into its table of named values."""

_HANDLERS = ("VideoHandler", "SoundHandler", "SubtitleHandler", "DataHandler", "TimeCodeHandler")


def plain_key(key: str) -> str:
    """Return a name in metadata as QuickTime and MP4 spell it; Matroska writes all of them in capitals."""
    lower = key.lower()
    known = any(lower in names for names in _PLAIN.values()) or lower.startswith("com.apple.quicktime.")
    return lower if known else key


def _is_technical(key: str) -> bool:
    return key.lower() in _TECHNICAL or key.upper().startswith("_STATISTICS")


def kept_metadata(metadata: dict[str, str]) -> dict[str, str]:
    """Return the metadata of a file that an output takes over."""
    # QuickTime gives a place in one language as well, and says it again without.
    twins = {key for key in metadata if key.startswith("location-")} if "location" in metadata else set()
    return {plain_key(k): value for k, value in metadata.items() if not _is_technical(k) and k not in twins}


def mux_options(suffix: str, metadata: dict[str, str]) -> dict[str, str]:
    """Return the settings of the library's writer: where names are not its own, QuickTime and MP4 get a table."""
    plain = _PLAIN.get({".m4v": "mp4"}.get(suffix, suffix.removeprefix(".")))
    named = plain is not None and any(key not in plain for key in metadata)
    return {"movflags": "use_metadata_tags"} if named else {}


def title_of(metadata: dict[str, str]) -> str:
    """Return the title of a stream; QuickTime and MP4 call it its name."""
    lower = {key.lower(): value for key, value in metadata.items()}
    return lower.get("title") or lower.get("name") or ""


def stream_metadata(stream: Any) -> dict[str, str]:
    """Return the metadata of a stream that an output takes over."""
    taken = {k: v for k, v in stream.metadata.items() if not _is_technical(k) and v not in _HANDLERS}
    named = {"language": stream.metadata.get("language"), "title": title_of(stream.metadata)}
    others = {key: value for key, value in taken.items() if key.lower() not in _OF_STREAMS}
    return others | {key: value for key, value in named.items() if value and value != "und"}
