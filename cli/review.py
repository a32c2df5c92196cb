"""`soundplumb review`."""

from pathlib import Path

import click

from cli.formats import FormatChoice, format_option, read_as
from cli.running import (
    Numbers,
    Run,
    band_option,
    input_file,
    json_option,
    prior_from,
    prior_options,
    rig_from,
    rig_options,
    tolerance_from,
    tolerance_options,
)


@click.command(short_help="A page to look at and to listen to.")
@click.argument("clip", type=input_file())
@click.argument("takes", metavar="TAKE...", nargs=-1, required=True, type=input_file())
@click.option("-o", "--output", type=input_file(), required=True, help="Folder to write: index.html, a movie, sounds.")
@click.option("--marks", type=input_file(), help="CSV of who is seen where and when: drawn, and it tells the mount.")
@click.option(
    "--mount",
    type=Numbers("YAW", "PITCH", "ROLL", limit=360.0),
    help="How the microphone sat, degrees, where you know it: left, up, right side down are positive.",
)
@rig_options
@prior_options
@band_option
@tolerance_options
@format_option
@click.option("--force", is_flag=True, help="Replace an earlier page in that folder.")
@json_option
def review(
    clip: Path,
    takes: tuple[Path, ...],
    output: Path,
    marks: Path | None,
    mount: tuple[float, ...] | None,
    picture: str | None,
    mic_offset: tuple[float, ...],
    hanging: str | None,
    level_within_deg: float | None,
    facing_deg: float | None,
    band_hz: tuple[float, ...],
    tolerance_azimuth_deg: float,
    tolerance_elevation_deg: float,
    channel_format: FormatChoice,
    force: bool,
    as_json: bool,
) -> None:
    """Make a page that shows where every sound comes from, on top of the moving picture, and plays it for headphones.

    It opens in any browser, without a network. --picture is needed: it tells where each pixel looks.
    """
    with Run(as_json=as_json) as run:
        from spatial.jobs.review import review_clip
        from spatial.media.folders import whole_folder
        from spatial.report import jsonout, reviewpage
        from spatial.rotation import YawPitchRoll

        inputs = [clip, *takes, *([marks] if marks else [])]
        with whole_folder(output, force=force, inputs=inputs) as folder:
            result = review_clip(
                *(clip, takes, folder),
                marks_path=marks,
                mount=YawPitchRoll.from_degrees(*mount) if mount else None,
                rig=rig_from(mic_offset, picture, band_hz),
                prior=prior_from(hanging, level_within_deg, facing_deg),
                tolerance=tolerance_from(tolerance_azimuth_deg, tolerance_elevation_deg),
                channel_format=read_as(channel_format),
                progress=run.progress,
            )
            reviewpage.write_page(result, folder)
        run.finish(
            lambda: reviewpage.review_lines(result, output),
            lambda: jsonout.dumps(reviewpage.review_json(result, output)),
            result.findings,
        )
