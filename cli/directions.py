"""`soundplumb directions`."""

from pathlib import Path

import click

from cli.formats import FormatChoice, format_option, read_as
from cli.running import Number, Numbers, Run, input_file, json_option


@click.command(short_help="Where sound came from over time.")
@click.argument("take", type=input_file())
@click.option("--clip", type=input_file(), help="Put the times on this clip's time.")
@click.option("--csv", "csv_path", type=input_file(), help="Write the rows to this file.")
@click.option("--plot", "plot_path", type=input_file(), help="Draw azimuth and elevation over time (PNG, SVG, PDF).")
@click.option("--step-s", type=Number(min=0.05, max=60.0), default=0.1, show_default=True, help="Seconds in a row.")
@click.option(
    "--band-hz",
    type=Numbers("LOW", "HIGH", limit=96_000.0),
    default="300,5000",
    show_default=True,
    help="Band to trust: lower for a larger, better microphone's low end; higher for smaller capsules.",
)
@click.option("--force", is_flag=True, help="Replace files that exist.")
@format_option
@json_option
def directions(
    take: Path,
    clip: Path | None,
    csv_path: Path | None,
    plot_path: Path | None,
    step_s: float,
    band_hz: tuple[float, float],
    force: bool,
    channel_format: FormatChoice,
    as_json: bool,
) -> None:
    """Measure where sound came from over time, in the microphone's own axes (azimuth positive = left)."""
    if not 0.0 < band_hz[0] < band_hz[1]:
        raise click.BadParameter("LOW must be above 0 and below HIGH", param_hint="'--band-hz'")
    with Run(as_json=as_json) as run:
        from spatial.jobs.directions import directions_of_take
        from spatial.report import ink, jsonout, plots, rows, words

        inputs = [take, *([clip] if clip else [])]
        if plot_path:
            # Before an hour of listening, not after it.
            ink.check_plot(plot_path, force=force, inputs=inputs)
        result = directions_of_take(
            take,
            clip_path=clip,
            step_s=step_s,
            band_hz=band_hz,
            channel_format=read_as(channel_format),
            progress=run.progress,
        )
        if csv_path:
            rows.write_directions_csv(result, csv_path, force=force, inputs=inputs)
        if plot_path:
            plots.write_directions_plot(result, plot_path, force=force, inputs=inputs)
        run.finish(
            lambda: words.directions_lines(result),
            lambda: jsonout.dumps(jsonout.directions_json(result)),
            result.findings,
        )
