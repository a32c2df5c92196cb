"""`soundplumb check`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from cli.formats import FormatChoice, format_option, read_as
from cli.running import Run, input_file, json_option, work_folder
from cli.shared import PriorChoice, RigChoice, prior_options, rig_options
from cli.shoot import rigs_of_folder
from cli.stopping import COULD_NOT


@click.command(short_help="On set: would the newest clip and take be usable?")
@click.argument("folder", type=work_folder(), default=".")
@click.option("--clip", "clip_path", type=input_file(), metavar="FILE", help="Look at this clip, not at the newest.")
@click.option("--take", "take_path", type=input_file(), metavar="FILE", help="Look at this take, not at the newest.")
@rig_options(band=True)
@prior_options
@format_option
@json_option
def check(
    folder: Path,
    clip_path: Path | None,
    take_path: Path | None,
    rig: RigChoice,
    prior: PriorChoice,
    channel_format: FormatChoice,
    as_json: bool,
) -> None:
    """Say on set whether the newest clip and the newest take in FOLDER would be usable.

    Five lines and a verdict, within seconds. Of long files only stretches are heard, and the lines say how much. Exit
    code 0: usable. 3: it cannot be told. 4: not usable as it is.
    """
    with Run(as_json=as_json) as run:
        from spatial.jobs.check.check_newest import check_newest
        from spatial.report import check_report, json_output

        told_format = read_as(channel_format)
        told = rig.told(told_format)
        shoot, rig_for = rigs_of_folder(folder, told)

        result = check_newest(
            folder,
            rig_for=rig_for,
            prior=prior.told(),
            channel_format=told_format,
            shoot=shoot,
            named=(clip_path, take_path),
            progress=run.progress,
        )
        run.finish(
            lambda: check_report.check_lines(result),
            lambda: json_output.dumps(check_report.check_json(result)),
            [] if result.ready is None else result.findings,
        )
        if result.ready is None:
            sys.exit(COULD_NOT)
