"""`soundplumb sync`."""

from pathlib import Path

import click

from cli.formats import FormatChoice, format_option
from cli.running import Run, json_option, mic_offset_option, mic_offset_sd_option, output_path, wrote
from cli.shared import RigChoice, clip_and_takes, force_option, paired_option
from cli.shoot import told_of


@click.command(short_help="Which take, where, how the clocks drift.")
@clip_and_takes
@click.option(
    "--plot",
    "plot_path",
    metavar="FILE",
    type=output_path("PLOT"),
    help="Draw what the answer rests on (PNG, SVG, PDF): each window of the clip against the line of the two clocks, "
    "the peak of the match, and what the take covers.",
)
@force_option("Replace the plot if it exists.")
@mic_offset_option
@paired_option
@mic_offset_sd_option
@format_option
@json_option
def sync(
    clip: Path,
    takes: tuple[Path, ...],
    plot_path: Path | None,
    force: bool,
    mic_offset: tuple[float, ...],
    paired: bool,
    mic_offset_sd: float,
    channel_format: FormatChoice,
    as_json: bool,
) -> None:
    """Find which take belongs to a clip, where it starts, and how the clocks drift.

    If a take is already cut to the clip, sync also says whether it is early or late, in ms and frames.
    """
    with Run(as_json=as_json) as run:
        from spatial.jobs.sync.lip_sync_findings import with_lip_sync
        from spatial.jobs.sync.sync_clip import sync_clip
        from spatial.report import json_output, text

        if plot_path:
            from spatial.report.plots.style import check_plot

            # Before an hour of listening, not after it.
            check_plot(plot_path, force=force, inputs=run.inputs)
        told = told_of(
            *(clip, takes),
            rig=RigChoice(mic_offset, mic_offset_sd, None),
            channel_format=channel_format,
            paired=paired,
        )
        result = with_lip_sync(
            sync_clip(
                clip,
                takes,
                channel_format=told.read_as,
                mic_offset_m=told.rig.mic_offset_m,
                pairing=told.pairing,
                mic_offset_sd_m=told.rig.mic_offset_sd_m,
                progress=run.progress,
            )
        )
        if plot_path:
            from spatial.report.plots.sync_plot import write_sync_plot

            write_sync_plot(result, plot_path, force=force, inputs=run.inputs)
        run.finish(
            lambda: [*text.sync_lines(result), *wrote(plot_path)],
            lambda: json_output.dumps(json_output.sync_json(result)),
            result.findings,
            decided=result.estimate.matched,
        )
