"""`soundplumb headset`."""

from pathlib import Path

import click

from cli.formats import FormatChoice, read_as, track_format_option
from cli.running import Layout, Run, input_file, json_option, output_path
from cli.shared import force_option
from cli.shoot import picture_of


@click.command(short_help="A movie for headset players, and its proof.")
@click.argument("film", type=input_file())
@click.argument("track", type=input_file())
@click.option(
    "-o",
    "--output",
    type=output_path(),
    required=True,
    help="Movie to write: NAME.mov holds the sound as PCM, NAME.mp4 and NAME.mkv as Opus. NAME.opus and NAME.wav are "
    "the sound alone, as long as the film.",
)
@click.option(
    "--picture",
    type=Layout(),
    metavar="LAYOUT",
    help="How the picture is laid out, for the player: equirect180 or equirect360, for both eyes with -sbs (left eye "
    "beside right) or -tb (left above right). By default what shoot.toml beside the film "
    "says of it, or the film itself.",
)
@click.option(
    "--sound",
    type=click.Choice(["pcm", "opus", "aac"]),
    help="How the sound field is coded. AAC turns directions; how far is measured and said.",
)
@click.option(
    "--bit-rate-kbps",
    type=click.IntRange(64, 1536),
    help="Kilobits a second for all four channels together, with Opus and AAC; 768 by default.",
)
@click.option("--keep-sound", is_flag=True, help="Keep the film's own sound as a second track, as it is.")
@click.option(
    "--headphones",
    is_flag=True,
    help="Make a second track in stereo from the field, for players that know no fields: what headphones play to "
    "somebody who looks straight ahead.",
)
@track_format_option
@force_option("Replace an earlier movie of this command.")
@json_option
def headset(
    film: Path,
    track: Path,
    output: Path,
    picture: str | None,
    sound: str | None,
    bit_rate_kbps: int | None,
    keep_sound: bool,
    headphones: bool,
    channel_format: FormatChoice,
    force: bool,
    as_json: bool,
) -> None:
    """Make a movie for headset players: the film's picture as it is, and the track beside it as a sound field.

    FILM is the finished film, TRACK its sound field from the first picture on. The movie is marked by open standards,
    read back, decoded and measured.
    """
    with Run(as_json=as_json) as run:
        from spatial.jobs.headset import make_headset_movie
        from spatial.media.movies.remux import form_of
        from spatial.report import headset_report, json_output

        if not form_of(output, coding=sound, kbps=bit_rate_kbps).sound_alone:
            picture = picture_of(film, picture)
        result = make_headset_movie(
            *(film, track, output),
            sound=sound,
            kbps=bit_rate_kbps,
            keep_sound=keep_sound,
            headphones=headphones,
            picture=picture,
            channel_format=read_as(channel_format),
            force=force,
            progress=run.progress,
        )
        run.finish(
            lambda: headset_report.headset_lines(result),
            lambda: json_output.dumps(headset_report.headset_json(result)),
            result.findings,
        )
