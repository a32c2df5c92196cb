"""`soundplumb day`."""

from pathlib import Path

import click

from cli.formats import FormatChoice, format_option, read_as
from cli.running import Run, json_option, work_folder
from cli.shared import PriorChoice, RigChoice, force_option, pages_option, prior_options, repair_option, rig_options


@click.command(short_help="All of it, for a whole shoot day.")
@click.argument("folder", type=work_folder())
@rig_options(band=True)
@prior_options
@repair_option
@format_option
@pages_option
@force_option("Replace tracks and pages that exist.")
@json_option
def day(
    folder: Path,
    rig: RigChoice,
    prior: PriorChoice,
    repair: bool,
    channel_format: FormatChoice,
    pages: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Do all of it for a whole shoot day.

    Each clip in FOLDER is matched with its take. A clip with marks beside it (scene1.marks.csv beside scene1.mov) also
    gets a track in FOLDER/tracks, which is read back and proved. All options hold for every clip.
    """
    if pages and rig.picture is None:
        raise click.UsageError("--pages draws on the picture: add --picture LAYOUT to say how it is laid out")
    with Run(as_json=as_json) as run:
        from spatial.jobs.day.day_folder import run_day
        from spatial.report import day_report, json_output

        told_format = read_as(channel_format)
        told = rig.told(told_format)
        if pages:
            from spatial.jobs.day.day_pages import make_pages, require_place
            from spatial.report.review_page import PAGE_WRITER

            # Before the day's work, not after it.
            require_place(folder)
        result = run_day(
            folder,
            rig_for=lambda _clip: told,
            prior=prior.told(),
            repair=repair,
            channel_format=told_format,
            force=force,
            progress=run.progress,
        )
        if pages:
            result = make_pages(
                *(result, PAGE_WRITER),
                rig_for=lambda _clip: told,
                prior=prior.told(),
                repair=repair,
                force=force,
                progress=run.progress,
            )
        run.finish(
            lambda: day_report.day_lines(result),
            lambda: json_output.dumps(day_report.day_json(result)),
            day_report.all_findings(result),
        )
