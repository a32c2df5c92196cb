"""`soundplumb sync`."""

from pathlib import Path

import click

from cli.running import Run, format_option, input_file, json_option


@click.command(short_help="Which take, where, how the clocks drift.")
@click.argument("clip", type=input_file())
@click.argument("takes", metavar="TAKE...", nargs=-1, required=True, type=input_file())
@format_option
@json_option
def sync(clip: Path, takes: tuple[Path, ...], channel_format: str, as_json: bool) -> None:
    """Find which take belongs to a clip, where it starts, and how the clocks drift."""
    with Run(as_json=as_json) as run:
        from spatial.field import ChannelFormat
        from spatial.jobs.sync import sync_clip
        from spatial.report import jsonout, words

        result = sync_clip(clip, takes, channel_format=ChannelFormat(channel_format), progress=run.progress)
        run.finish(
            lambda: words.sync_lines(result),
            lambda: jsonout.dumps(jsonout.sync_json(result)),
            result.findings,
        )
