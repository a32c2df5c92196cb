"""`soundplumb film`."""

from pathlib import Path

import click

from cli.formats import FormatChoice, read_as, track_format_option
from cli.running import Layout, Numbers, Run, input_file, json_option, output_path, work_folder, wrote
from cli.shared import RigChoice, ToleranceChoice, force_option, rig_options, tolerance_options
from cli.shoot import typed_options


@click.command(short_help="Proof of a finished film, shot by shot.")
@click.argument("film", type=input_file())
@click.argument("folder", type=work_folder())
@click.option("--sound", type=input_file(), help="The film's sound field, where it is a file of its own.")
@click.option(
    "--film-picture",
    type=Layout(),
    metavar="LAYOUT",
    help="How the film's picture is laid out; by default what it says itself, or what its pictures tell. --picture is "
    "that of the clips.",
)
@click.option(
    "--turned",
    type=Numbers("YAW", "PITCH", "ROLL", limit=360.0),
    help="How the field is meant to be turned against the tracks, in degrees, as where the picture was turned in the "
    "edit. Left, up and right side down are positive.",
)
@click.option("--page", type=output_path("PAGE"), help="Also write a page to look at, as film.html.")
@force_option("Replace an earlier page.")
@rig_options(band=True)
@tolerance_options
@track_format_option
@json_option
def film(
    film: Path,
    folder: Path,
    sound: Path | None,
    film_picture: str | None,
    turned: tuple[float, ...] | None,
    page: Path | None,
    force: bool,
    rig: RigChoice,
    tolerance: ToleranceChoice,
    channel_format: FormatChoice,
    as_json: bool,
) -> None:
    """Prove a finished film: for every shot which clip it is, and whether its sound is in step and turned right.

    FILM is the film as it left the edit, FOLDER the shoot's: clips in it, their finished tracks in FOLDER/tracks. The
    clip of each shot is found by its picture, and the film's sound is held against that clip's track.
    """
    with Run(as_json=as_json) as run:
        from spatial.jobs.film.prove_film import FilmRequest, prove_film, turn_of
        from spatial.media.output import whole_file
        from spatial.media.ownership import Kind, may_be_written
        from spatial.report import film_report, json_output

        if page:
            may_be_written(page, Kind.PAGE, force=force, inputs=run.inputs)
        if page and page.suffix.lower() not in (".html", ".htm"):
            raise click.UsageError(f"--page {page}: it is a page for a browser; name it {page.with_suffix('.html')}")
        request = FilmRequest(
            sound=sound,
            film_picture=film_picture,
            turned=turn_of(turned),
            rig=rig.told(),
            typed=typed_options(),
            tolerance=tolerance.told(),
            channel_format=read_as(channel_format),
        )
        result = prove_film(film, folder, request, progress=run.progress)
        if page:
            with whole_file(page, Kind.PAGE, force=force, inputs=run.inputs) as temporary:
                film_report.write_film_page(result, temporary, place=page)
        run.finish(
            lambda: [*film_report.film_lines(result), *wrote(page)],
            lambda: json_output.dumps(film_report.film_json(result)),
            result.findings,
            decided=result.decided,
        )
