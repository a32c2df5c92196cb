"""`soundplumb verify`."""

from pathlib import Path

import click

from cli.camera import level_option, moves_option, rig_under
from cli.running import (
    Run,
    band_option,
    format_option,
    input_file,
    json_option,
    rig_from,
    rig_options,
    tolerance_from,
    tolerance_options,
)


@click.command(short_help="Is each performer heard where they are seen?")
@click.argument("clip", type=input_file())
@click.argument("track", type=input_file())
@click.option("--marks", type=input_file(), required=True, help="CSV of who is seen where and when, in clip time.")
@rig_options
@moves_option
@level_option
@band_option
@tolerance_options
@format_option
@json_option
def verify(
    clip: Path,
    track: Path,
    marks: Path,
    picture: str | None,
    mic_offset: tuple[float, ...],
    moves: Path | None,
    level: tuple[float, ...] | None,
    band_hz: tuple[float, ...],
    tolerance_azimuth_deg: float,
    tolerance_elevation_deg: float,
    channel_format: str,
    as_json: bool,
) -> None:
    """Check that each performer is heard where they are seen in a finished track."""
    with Run(as_json=as_json) as run:
        from spatial.field import ChannelFormat
        from spatial.jobs.verify import verify_track
        from spatial.report import jsonout, lines

        result = verify_track(
            clip,
            track,
            marks,
            rig=rig_under(rig_from(mic_offset, picture, band_hz), moves, level),
            tolerance=tolerance_from(tolerance_azimuth_deg, tolerance_elevation_deg),
            channel_format=ChannelFormat(channel_format),
            progress=run.progress,
        )
        run.finish(
            lambda: lines.verify_lines(result),
            lambda: jsonout.dumps(jsonout.verify_json(result)),
            result.findings,
        )
