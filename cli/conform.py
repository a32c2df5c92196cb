"""`soundplumb conform`."""

from pathlib import Path

import click

from cli.formats import FormatChoice, format_option
from cli.running import Run, input_file, json_option, output_path
from cli.shared import (
    REPAIR_OR_MOUNT,
    PriorChoice,
    RigChoice,
    ToleranceChoice,
    clip_and_takes,
    force_option,
    mount_from,
    mount_option,
    paired_option,
    prior_options,
    repair_option,
    rig_options,
    tolerance_options,
)
from cli.shoot import told_of


@click.command(short_help="Write the finished track and prove it.")
@clip_and_takes
@click.option(
    "-o",
    "--output",
    type=output_path("TRACK"),
    required=True,
    help="WAV file to write. A .json beside it says what was done.",
)
@click.option(
    "--marks",
    type=input_file(),
    help="CSV file of who is seen where and when. It shows how the microphone sat, and it proves the track.",
)
@mount_option
@rig_options(moves=True, level=True, band=True)
@prior_options
@repair_option
@tolerance_options
@paired_option
@format_option
@force_option("Replace a track that exists.")
@json_option
def conform(
    clip: Path,
    takes: tuple[Path, ...],
    output: Path,
    marks: Path | None,
    mount: tuple[float, ...] | None,
    rig: RigChoice,
    prior: PriorChoice,
    repair: bool,
    tolerance: ToleranceChoice,
    paired: bool,
    channel_format: FormatChoice,
    force: bool,
    as_json: bool,
) -> None:
    """Write the track of a clip, and prove it.

    The track is in step with the clip, free of drift, turned to face the lens, and exactly as long as the clip. It is
    read back and measured again before it appears. CLIP is a movie of the camera, TAKE a file of the recorder: name
    all that come into question.
    """
    if repair and mount:
        raise click.UsageError(REPAIR_OR_MOUNT)
    with Run(as_json=as_json) as run:
        from spatial.jobs.conform.conform_clip import conform_clip
        from spatial.jobs.track_request import TrackRequest
        from spatial.report import json_output, text

        told = told_of(clip, takes, rig=rig, prior=prior, channel_format=channel_format, paired=paired)
        result = conform_clip(
            clip,
            takes,
            output,
            TrackRequest(
                marks,
                mount_from(mount),
                told.rig,
                told.prior,
                repair,
                tolerance.told(),
                told.read_as,
                pair=takes[0].name if told.pairing else None,
            ),
            force=force,
            progress=run.progress,
        )
        run.finish(
            lambda: text.conform_lines(result),
            lambda: json_output.dumps(json_output.conform_json(result)),
            result.findings,
        )
