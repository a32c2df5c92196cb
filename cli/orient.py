"""`soundplumb orient`."""

from pathlib import Path

import click

from cli.formats import FormatChoice, format_option, read_as
from cli.running import (
    COULD_NOT,
    Run,
    hanging_from,
    hanging_option,
    input_file,
    json_option,
    rig_from,
    rig_options,
)


@click.command(short_help="How the microphone sat.")
@click.argument("clip", type=input_file())
@click.argument("takes", metavar="TAKE...", nargs=-1, required=True, type=input_file())
@click.option("--marks", type=input_file(), required=True, help="CSV of who is seen where and when, in clip time.")
@rig_options
@hanging_option
@format_option
@json_option
def orient(
    clip: Path,
    takes: tuple[Path, ...],
    marks: Path,
    picture: str | None,
    mic_offset: tuple[float, ...],
    hanging: str | None,
    channel_format: FormatChoice,
    as_json: bool,
) -> None:
    """Find how the microphone sat: facing, tilt, upside down."""
    with Run(as_json=as_json) as run:
        from spatial.jobs.orient import orient_clip
        from spatial.report import jsonout, words

        result = orient_clip(
            clip,
            takes,
            marks,
            rig=rig_from(mic_offset, picture),
            hanging=hanging_from(hanging),
            channel_format=read_as(channel_format),
            progress=run.progress,
        )
        run.finish(
            lambda: words.orient_lines(result),
            lambda: jsonout.dumps(jsonout.orient_json(result)),
            result.findings,
        )
        if result.mount.matrix is None:
            click.echo("soundplumb: the marks do not tell how the microphone sat; what to do stands above", err=True)
            raise SystemExit(COULD_NOT)
