"""`soundplumb day`."""

from __future__ import annotations

from pathlib import Path

import click

from cli.formats import FormatChoice, format_option, read_as
from cli.running import Run, json_option, work_folder
from cli.shared import (
    DeliveryChoice,
    PriorChoice,
    RigChoice,
    force_option,
    handover_options,
    pages_option,
    prior_options,
    repair_option,
    rig_options,
)
from cli.shoot import rigs_of_folder


@click.command(short_help="All of it, for a whole shoot day.")
@click.argument("folder", type=work_folder())
@click.option(
    "-o",
    "--output",
    "output",
    type=work_folder(),
    metavar="FOLDER",
    help="Where the results go: tracks/, pages/, handover/ and sheet/ in it. Without it they go into the day's own "
    "folder, which must be one that can be written.",
)
@rig_options(band=True)
@prior_options
@repair_option
@format_option
@click.option(
    "--suggest-marks",
    "suggest",
    is_flag=True,
    help="Write a list of moments worth marking beside each clip that has a take and no marks (scene1.moments.csv): by "
    "lavaliers in FOLDER who sounds alone when, without them when one place does. --pages lists them in the page.",
)
@pages_option
@click.option(
    "--again",
    is_flag=True,
    help="Make tracks anew that are older than what they were made from: other marks, other options, another version.",
)
@click.option(
    "--remember",
    is_flag=True,
    help="Write what was found, and the options that you typed, into FOLDER/shoot.toml: which take is whose, and the "
    "rig. What is in it stays as it is, your comments too.",
)
@handover_options
@click.option(
    "--check-originals",
    is_flag=True,
    help="Do nothing but read every clip and take again, and say which are still, byte for byte, what their tracks "
    "were made from.",
)
@force_option(
    "Replace pages, a handover or a sheet that exist, and tracks that are older than what they were made from."
)
@json_option
def day(
    folder: Path,
    output: Path | None,
    rig: RigChoice,
    prior: PriorChoice,
    repair: bool,
    channel_format: FormatChoice,
    suggest: bool,
    pages: bool,
    delivery: DeliveryChoice,
    check_originals: bool,
    force: bool,
    again: bool,
    remember: bool,
    as_json: bool,
) -> None:
    """Do all of it for a whole shoot day.

    Each clip in FOLDER is matched with its take. A clip with marks beside it (scene1.marks.csv beside scene1.mov) also
    gets a track in FOLDER/tracks, which is read back and proved; with --upright or --upside-down, one without marks
    does too. All options hold for every clip, and go before what FOLDER/shoot.toml says of some. Done again, only what
    is new or has changed is done.
    """
    if check_originals:
        _check_originals(folder, output, as_json=as_json)
        return
    if pages and rig.picture is None and not (folder / "shoot.toml").exists():
        raise click.UsageError("--pages draws on the picture: add --picture LAYOUT to say how it is laid out")
    with Run(as_json=as_json) as run:
        from spatial.jobs.day.day_folder import run_day
        from spatial.jobs.handover.hand_over import Delivered, deliver, require_places
        from spatial.report import day_report, handover_report, json_output

        results = output or folder
        if output is not None:
            from spatial.jobs.day.day_files import files_of_day
            from spatial.jobs.day.day_tracks import make_folder

            files_of_day(folder)
            # What is asked below wants to know whether folders can be made in it.
            make_folder(output)
        wanted = delivery.told(results, run.inputs)
        require_places(wanted, force=force)
        told_format = read_as(channel_format)
        told = rig.told(told_format)
        shoot, rig_for = rigs_of_folder(folder, told)

        if pages:
            from spatial.jobs.day.day_pages import make_pages, require_place
            from spatial.jobs.day.day_tracks import require_written
            from spatial.report.review_page import PAGE_WRITER

            # Before the day's work, not after it.
            require_place(results)
            require_written(results)
        result = run_day(
            folder,
            rig_for=rig_for,
            prior=prior.told(),
            repair=repair,
            channel_format=told_format,
            shoot=shoot,
            force=force,
            again=again,
            results=output,
            progress=run.progress,
            log=run.log,
        )
        if suggest:
            from spatial.jobs.day.suggest_marks import suggest_marks

            result = suggest_marks(result, rig_for=rig_for, progress=run.progress)
        if pages:
            result = make_pages(
                *(result, PAGE_WRITER),
                rig_for=rig_for,
                prior=prior.told(),
                repair=repair,
                shoot=shoot,
                force=force,
                progress=run.progress,
            )
        if remember:
            from spatial.jobs.day.remember import remember_day

            result = remember_day(result, shoot, told, prior.told())
        done = Delivered()
        if delivery.asked:
            # It brings a drawing library along, whose start a day without them need not wait for.
            from spatial.report.day_sheet import day_writers

            done = deliver(result, wanted, day_writers(rig_for), force=force, progress=run.progress)
        run.finish(
            lambda: handover_report.delivered_lines(day_report.day_lines(result), done),
            lambda: json_output.dumps(handover_report.with_delivered(day_report.day_json(result), done)),
            [*day_report.all_findings(result), *done.findings],
            decided=result.decided,
        )


def _check_originals(folder: Path, output: Path | None, *, as_json: bool) -> None:
    with Run(as_json=as_json) as run:
        from spatial.jobs.handover.originals import check_originals
        from spatial.report import handover_report, json_output

        result = check_originals(folder, output, progress=run.progress)
        run.finish(
            lambda: handover_report.originals_lines(result),
            lambda: json_output.dumps(handover_report.originals_json(result)),
            result.findings,
        )
