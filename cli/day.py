"""`soundplumb day`."""

from pathlib import Path

import click

from cli.formats import FormatChoice, format_option, read_as
from cli.running import (
    Run,
    hanging_from,
    hanging_option,
    input_file,
    json_option,
    rig_from,
    rig_options,
)


@click.command(short_help="All of it, for a whole shoot day.")
@click.argument("folder", type=input_file())
@rig_options
@hanging_option
@format_option
@click.option("--force", is_flag=True, help="Replace tracks that exist.")
@json_option
def day(
    folder: Path,
    picture: str | None,
    mic_offset: tuple[float, ...],
    hanging: str | None,
    channel_format: FormatChoice,
    force: bool,
    as_json: bool,
) -> None:
    """Do all of it for a whole shoot day: every clip in FOLDER, with its marks beside it."""
    with Run(as_json=as_json) as run:
        from spatial.jobs.day import run_day
        from spatial.report import dayout, jsonout

        rig = rig_from(mic_offset, picture)
        result = run_day(
            folder,
            rig_for=lambda _clip: rig,
            hanging=hanging_from(hanging),
            channel_format=read_as(channel_format),
            force=force,
            progress=run.progress,
        )
        run.finish(
            lambda: dayout.day_lines(result),
            lambda: jsonout.dumps(dayout.day_json(result)),
            dayout.all_findings(result),
        )
