"""`soundplumb directions`."""

from pathlib import Path

import click

from cli.formats import FormatChoice, format_option
from cli.running import Number, Run, input_file, json_option, output_path, wrote
from cli.shared import RigChoice, force_option, rig_options
from cli.shoot import told_of


@click.command(short_help="Where sound came from over time.")
@click.argument("take", type=input_file())
@click.option("--clip", type=input_file(), help="Give times in the time of this clip, not of the take.")
@click.option("--csv", "csv_path", type=output_path("TABLE"), help="Write the rows to this file.")
@click.option(
    "--plot", "plot_path", type=output_path("PLOT"), help="Draw azimuth and elevation over time (PNG, SVG, PDF)."
)
@click.option(
    "--map", "map_path", type=output_path("PLOT"), help="Draw a map of where sound came from (PNG, SVG, PDF)."
)
@click.option(
    "--step-s", type=Number(min=0.05, max=0.5), default=0.1, show_default=True, help="Seconds from row to row."
)
@click.option(
    "--marks",
    type=input_file(),
    help="Draw the marks of this clip: on the plot as brackets, on the map as rings. Only for a track that faces the "
    "lens, such as conform writes.",
)
@rig_options(moves=True, level=True, band=True)
@force_option("Replace files that exist.")
@format_option
@json_option
def directions(
    take: Path,
    clip: Path | None,
    csv_path: Path | None,
    plot_path: Path | None,
    map_path: Path | None,
    step_s: float,
    marks: Path | None,
    rig: RigChoice,
    force: bool,
    channel_format: FormatChoice,
    as_json: bool,
) -> None:
    """Measure where sound came from over time, in the microphone's own axes (azimuth positive = left).

    Of a finished track these are the picture's.
    """
    if marks and not (clip and (plot_path or map_path)):
        raise click.BadParameter(
            "marks are drawn on a plot or map, in a clip's time: give both", param_hint="'--marks'"
        )
    with Run(as_json=as_json) as run:
        from spatial.jobs.directions import directions_of_take
        from spatial.report import csv_output, json_output, text
        from spatial.report.plots import direction_plot as mapplot
        from spatial.report.plots import direction_plot as plots
        from spatial.report.plots import style

        # Before an hour of listening, not after it.
        if csv_path:
            csv_output.check_table(csv_path, force=force, inputs=run.inputs)
        for drawing in (plot_path, map_path):
            if drawing:
                style.check_plot(drawing, force=force, inputs=run.inputs)
        told = told_of(clip, [take], rig=rig, channel_format=channel_format)
        result = directions_of_take(
            take,
            clip_path=clip,
            step_s=step_s,
            marks_path=marks,
            rig=told.rig,
            channel_format=told.read_as,
            progress=run.progress,
        )
        if csv_path:
            csv_output.write_directions_csv(result, csv_path, force=force, inputs=run.inputs)
        if plot_path:
            plots.write_directions_plot(result, plot_path, marks=result.marks, force=force, inputs=run.inputs)
        if map_path:
            mapplot.write_directions_map(result, map_path, marks=result.marks, force=force, inputs=run.inputs)
        run.finish(
            lambda: [*text.directions_lines(result), *wrote(csv_path, plot_path, map_path)],
            lambda: json_output.dumps(json_output.directions_json(result)),
            result.findings,
        )
