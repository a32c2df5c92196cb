"""`soundplumb conform`."""

from pathlib import Path

import click

from cli.formats import FormatChoice, format_option, read_as
from cli.running import (
    Numbers,
    Run,
    hanging_from,
    hanging_option,
    input_file,
    json_option,
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
@hanging_option
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
    hanging: str | None,
    tolerance_azimuth_deg: float,
    tolerance_elevation_deg: float,
    channel_format: FormatChoice,
    force: bool,
    as_json: bool,
) -> None:
    """Write the synced, de-drifted, turned track, exactly as long as the clip; read it back and prove it."""
    with Run(as_json=as_json) as run:
        from spatial.jobs.conform import conform_clip
        from spatial.report import jsonout, words
        from spatial.rotation import YawPitchRoll

        result = conform_clip(
            clip,
            takes,
            output,
            marks_path=marks,
            mount=YawPitchRoll.from_degrees(*mount) if mount else None,
            rig=rig_from(mic_offset, picture),
            hanging=hanging_from(hanging),
            tolerance=tolerance_from(tolerance_azimuth_deg, tolerance_elevation_deg),
            channel_format=read_as(channel_format),
            force=force,
            progress=run.progress,
        )
        run.finish(
            lambda: words.conform_lines(result),
            lambda: jsonout.dumps(jsonout.conform_json(result)),
            result.findings,
        )
