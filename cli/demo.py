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
        from spatial.report import dayout, demoout, jsonout, reviewpage

        result = run_demo(
            folder, write_pages=reviewpage.PAGE_WRITER if pages else None, force=force, progress=run.progress
        )
        plots = demoout.write_plots(result, force=force)
        run.finish(
            lambda: demoout.demo_lines(result, plots),
            lambda: jsonout.dumps(demoout.demo_json(result)),
            dayout.all_findings(result.day),
        )
