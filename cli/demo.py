"""`soundplumb demo`."""

from pathlib import Path

import click

from cli.running import Run, json_option, work_folder
from cli.shared import pages_option


@click.command(short_help="See it work on a small shoot.")
@click.argument("folder", type=work_folder(), default=Path("soundplumb-demo"))
@pages_option
@click.option("--force", is_flag=True, help="Make an earlier demo's tracks and pages anew.")
@json_option
def demo(folder: Path, pages: bool, force: bool, as_json: bool) -> None:
    """Lay out a small shoot in FOLDER, run the whole job on it, and compare what is found with what is true."""
    with Run(as_json=as_json) as run:
        from spatial.jobs.demo import run_demo
        from spatial.report import day_report, demo_report, json_output, review_page

        result = run_demo(
            folder, write_pages=review_page.PAGE_WRITER if pages else None, force=force, progress=run.progress
        )
        plots = demo_report.write_plots(result, force=force)
        run.finish(
            lambda: demo_report.demo_lines(result, plots),
            lambda: json_output.dumps(demo_report.demo_json(result)),
            day_report.all_findings(result.day),
        )
