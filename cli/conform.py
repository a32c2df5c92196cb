"""`soundplumb conform`."""

from pathlib import Path

import click

from cli.camera import level_option, moves_option, rig_under
from cli.formats import FormatChoice, format_option, read_as
from cli.running import (
    Numbers,
    Run,
    input_file,
    json_option,
    prior_from,
    prior_options,
    repair_option,
    rig_from,
    rig_options,
    tolerance_from,
    tolerance_options,
)


@click.command(short_help="Write the finished track and prove it.")
@click.argument("clip", type=input_file())
@click.argument("takes", metavar="TAKE...", nargs=-1, required=True, type=input_file())
@click.option("-o", "--output", type=input_file(), required=True, help="Track to write (.wav); a .json goes beside it.")
@click.option(
    "--marks", type=input_file(), help="CSV of who is seen where and when: tells the mount, proves the track."
)
@click.option(
    "--mount",
    type=Numbers("YAW", "PITCH", "ROLL", limit=360.0),
    help="How the microphone sat, degrees, where you know it: left, up, right side down are positive.",
)
@rig_options
@moves_option
@level_option
@prior_options
@repair_option
@tolerance_options
@format_option
@click.option("--force", is_flag=True, help="Replace a track that exists.")
@json_option
def conform(
    clip: Path,
    takes: tuple[Path, ...],
    output: Path,
    marks: Path | None,
    mount: tuple[float, ...] | None,
    picture: str | None,
    mic_offset: tuple[float, ...],
    moves: Path | None,
    level: tuple[float, ...] | None,
    hanging: str | None,
    level_within_deg: float | None,
    facing_deg: float | None,
    repair: bool,
    tolerance_azimuth_deg: float,
    tolerance_elevation_deg: float,
    channel_format: FormatChoice,
    force: bool,
    as_json: bool,
) -> None:
    """Write the synced, de-drifted, turned track, exactly as long as the clip; read it back and prove it."""
    if repair and mount:
        raise click.UsageError("--repair goes by the marks, and --mount leaves them unasked: give one of the two")
    with Run(as_json=as_json) as run:
        from spatial.jobs.conform import conform_clip
        from spatial.report import jsonout, lines
        from spatial.rotation import YawPitchRoll

        result = conform_clip(
            clip,
            takes,
            output,
            marks_path=marks,
            mount=YawPitchRoll.from_degrees(*mount) if mount else None,
            rig=rig_under(rig_from(mic_offset, picture), moves, level),
            prior=prior_from(hanging, level_within_deg, facing_deg),
            repair=repair,
            tolerance=tolerance_from(tolerance_azimuth_deg, tolerance_elevation_deg),
            channel_format=read_as(channel_format),
            force=force,
            progress=run.progress,
        )
        run.finish(
            lambda: lines.conform_lines(result),
            lambda: jsonout.dumps(jsonout.conform_json(result)),
            result.findings,
        )
