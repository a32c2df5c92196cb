"""`soundplumb review`."""

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


@click.command(short_help="A page to look at and to listen to.")
@clip_and_takes
@click.option(
    "-o",
    "--output",
    type=output_path("PAGE", folder=True),
    required=True,
    help="Folder to write: a page, a movie, sounds.",
)
@click.option("--marks", type=input_file(), help="CSV file of who is seen where and when.")
@mount_option
@rig_options(moves=True, level=True, band=True)
@prior_options
@repair_option
@tolerance_options
@paired_option
@format_option
@force_option("Replace an earlier page in that folder.")
@json_option
def review(
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
    """Make a page that shows where every sound comes from, on top of the moving picture, and plays it for headphones.

    The page opens in any browser, without a network, and you can make marks in it. --picture is needed: it says where
    each pixel looks. Marks, if you give them, are drawn, and they show how the microphone sat.
    """
    if repair and mount:
        raise click.UsageError(REPAIR_OR_MOUNT)
    with Run(as_json=as_json) as run:
        from spatial.jobs.review.review_clip import review_clip
        from spatial.jobs.track_request import TrackRequest
        from spatial.media.output_folder import whole_folder
        from spatial.report import json_output, review_page

        told = told_of(clip, takes, rig=rig, prior=prior, channel_format=channel_format, paired=paired)
        asked = TrackRequest(
            marks,
            mount_from(mount),
            told.rig,
            told.prior,
            repair,
            tolerance.told(),
            told.read_as,
            pair=takes[0].name if told.pairing else None,
        )
        with whole_folder(output, force=force, inputs=run.inputs) as folder:
            result = review_clip(clip, takes, folder, asked, progress=run.progress)
            review_page.write_page(result, folder)
        run.finish(
            lambda: review_page.review_lines(result, output),
            lambda: json_output.dumps(review_page.review_json(result, output)),
            result.findings,
        )
