"""inkarnat track: a region that follows a person through a clip."""

from __future__ import annotations

import click

from .. import made
from ..graphs.errors import SOME_FRAMES_FAILED
from ..media.clips import open_clip, parse_frames
from ..shots.regions import REGION_HELP, parse_region, read_as_before
from ..shots.track import follow_region
from ..writes import claim
from . import console


@click.command()
@click.argument("input", metavar="CLIP")
@click.option("--region", required=True, metavar="SHAPE", help=f"What to follow: {REGION_HELP}")
@click.option("--frame", type=int, help="The frame that the region is drawn on (the first).")
@click.option("--frames", metavar="RANGE", help="Frames to follow it through, such as 1-100 (all).")
@click.option(
    "-o", "--output", required=True, metavar="REGION.json", help="Where the keyframed region goes, a graph file."
)
@click.option("--json", "as_json", is_flag=True, help="Print the confidence of every frame as JSON.")
def command(input: str, region: str, frame: int | None, frames: str | None, output: str, as_json: bool) -> int:
    """Follow a region through a clip and keep it as keyframes.

    \b
    The boat-builder's face, drawn on frame 1, for the key to be limited to:
      inkarnat track planing.mov --region ellipse:.50,.42,.40,.55 -o face.json
      inkarnat correct planing.mov -o planing-skin.mov --add box:.45,.30,.52,.42 --keep-in face.json

    Where it is lost it stops and says so: the frames before are kept, the exit code is 4.
    """
    clip = open_clip(input)
    claim(texts={output: made.GRAPH})
    drawn = parse_region(region)
    if said := read_as_before(region):
        console.note(f"--region {said}")
    numbers = [n for n in (parse_frames(frames) if frames else clip.frames) if n in clip.frames]
    with console.progress(max(len(numbers) - 1, 1), quiet=as_json) as advance:
        track = follow_region(clip.read, numbers, drawn, frame, advance)
    track.graph().save(output)
    if as_json:
        console.print_json({"input": input, "output": output, **track.as_dict()})
    else:
        least = min(track.places, key=lambda place: place.confidence)
        console.say(
            f"{len(track.places)} of {len(numbers)} frames, least confidence {least.confidence:.2f} at {least.frame}"
        )
        console.say(f"region: {output}")
    for at, reason in track.lost:
        console.warn(f"lost at frame {at}: {reason}. Draw the region again there with --frame {at}.")
    return SOME_FRAMES_FAILED if track.lost else 0
