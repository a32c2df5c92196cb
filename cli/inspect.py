"""`soundplumb inspect`."""

from pathlib import Path

import click

from cli.formats import FormatChoice, judged_format_option
from cli.running import Run, input_file, json_option
from cli.shoot import readings_of


@click.command(short_help="Is the recording sound?")
@click.argument("takes", metavar="TAKE...", nargs=-1, required=True, type=input_file())
@judged_format_option
@json_option
def inspect(takes: tuple[Path, ...], channel_format: FormatChoice, as_json: bool) -> None:
    """Say what a recording is, and whether it is sound."""
    with Run(as_json=as_json) as run:
        from spatial.jobs.inspect.inspect_takes import inspect_takes
        from spatial.report import inspect_report, json_output

        results = [
            result
            for reading, group in readings_of(takes, channel_format)
            for result in inspect_takes(group, channel_format=reading, progress=run.progress)
        ]
        run.finish(
            lambda: inspect_report.inspect_lines(results),
            lambda: json_output.dumps(inspect_report.inspect_json(results)),
            [finding for result in results for finding in result.findings],
        )
