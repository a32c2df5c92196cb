"""`soundplumb verify`."""

from contextlib import ExitStack
from pathlib import Path

import click

from cli.formats import FormatChoice, track_format_option
from cli.running import Run, input_file, json_option, output_path, wrote
from cli.shared import (
    RigChoice,
    ToleranceChoice,
    force_option,
    paired_option,
    rig_options,
    tolerance_options,
)
from cli.shoot import told_of


@click.command(short_help="Is each performer heard where they are seen?")
@click.argument("clip", type=input_file())
@click.argument("track", type=input_file())
@click.option("--marks", type=input_file(), required=True, help="CSV file of who is seen where and when.")
@click.option(
    "--stills",
    type=output_path("STILLS", folder=True),
    help="Write a picture of each mark to this folder (needs --picture).",
)
@force_option("Replace earlier stills.")
@rig_options(moves=True, level=True, band=True)
@tolerance_options
@paired_option
@track_format_option
@json_option
def verify(
    clip: Path,
    track: Path,
    marks: Path,
    stills: Path | None,
    force: bool,
    rig: RigChoice,
    tolerance: ToleranceChoice,
    paired: bool,
    channel_format: FormatChoice,
    as_json: bool,
) -> None:
    """Check a finished track against its clip: whether each performer is heard where they are seen.

    The track may be ours or anybody's. --marks says who is seen where and when, in the time of the clip.
    """
    with Run(as_json=as_json) as run, ExitStack() as stack:
        from spatial.jobs.verify import verify_track
        from spatial.media.output_folder import FolderKind, whole_folder
        from spatial.report import json_output, text

        told = told_of(clip, (), rig=rig, channel_format=channel_format, paired=paired)
        if stills and told.rig.picture is None:
            raise click.UsageError("--stills draws on the picture: add --picture LAYOUT to say how it is laid out")
        # Before the listening, not after it: the folder may be refused.
        folder = None
        if stills:
            folder = stack.enter_context(whole_folder(stills, kind=FolderKind.STILLS, force=force, inputs=run.inputs))
        result = verify_track(
            clip,
            track,
            marks,
            rig=told.rig,
            tolerance=tolerance.told(),
            pairing=told.pairing,
            channel_format=told.read_as,
            progress=run.progress,
        )
        if folder and told.rig.picture:
            from spatial.report.plots.stills import write_stills

            write_stills(
                *(result, folder),
                layout=told.rig.picture,
                tolerance=tolerance.told(),
                levelled=told.rig.levelled,
                progress=run.progress,
            )
        stack.close()
        run.finish(
            lambda: [*text.verify_lines(result), *wrote(stills)],
            lambda: json_output.dumps(json_output.verify_json(result)),
            result.findings,
            decided=result.placed,
        )
