"""`soundplumb inspect`."""

from pathlib import Path

import click

from cli.running import Run, format_option, input_file, json_option


@click.command(short_help="Is the recording sound?")
@click.argument("takes", metavar="TAKE...", nargs=-1, required=True, type=input_file())
@format_option
@json_option
def inspect(takes: tuple[Path, ...], channel_format: str, as_json: bool) -> None:
    """Say what a recording is, and whether it is sound."""
    with Run(as_json=as_json) as run:
        from spatial.field import ChannelFormat
        from spatial.jobs.inspect import inspect_take
        from spatial.report import jsonout, lines

        results = [
            inspect_take(take, channel_format=ChannelFormat(channel_format), progress=run.progress) for take in takes
        ]
        run.finish(
            lambda: lines.inspect_lines(results),
            lambda: jsonout.dumps(jsonout.inspect_json(results)),
            [finding for result in results for finding in result.findings],
        )
