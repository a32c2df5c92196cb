"""`soundplumb demo`."""

from pathlib import Path

import click

from cli.running import Run, input_file, json_option
from cli.shared import pages_option


@click.command(short_help="See it work on a small shoot.")
@click.argument("folder", type=input_file(), default=Path("soundplumb-demo"))
@pages_option
@click.option("--force", is_flag=True, help="Replace what an earlier demo left in the folder.")
@json_option
def demo(folder: Path, pages: bool, force: bool, as_json: bool) -> None:
    """Lay out a small shoot in FOLDER and run the whole job on it, found against true."""
    with Run(as_json=as_json) as run:
        from spatial.jobs.demo import run_demo
        from spatial.report import dayout, demoout, jsonout, reviewpage

        result = run_demo(
            folder, write_pages=reviewpage.PAGE_WRITER if pages else None, force=force, progress=run.progress
        )
        plots = demoout.write_plots(result)
        run.finish(
            lambda: demoout.demo_lines(result, plots),
            lambda: jsonout.dumps(demoout.demo_json(result)),
            dayout.all_findings(result.day),
        )
