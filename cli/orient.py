"""`soundplumb orient`."""

from dataclasses import replace
from pathlib import Path

import click

from cli.formats import FormatChoice, format_option
from cli.running import Run, input_file, json_option, output_path, printable, wrote
from cli.shared import (
    PriorChoice,
    RigChoice,
    force_option,
    paired_option,
    prior_options,
    repair_option,
    rig_options,
)
from cli.shoot import told_of
from cli.stopping import COULD_NOT
from cli.streams import say


@click.command(short_help="How the microphone sat.")
@click.argument("files", metavar="[CLIP] TAKE...", nargs=-1, required=True, type=input_file())
@click.option(
    "--marks", type=input_file(), help="CSV file of who is seen where and when, in clip time. Name CLIP and TAKE."
)
@click.option(
    "--claps",
    metavar="PLACE,PLACE,...",
    help="Where somebody clapped, in the order of the claps: front, left, back, right, above, below, front-left and "
    "the like. Name TAKE alone.",
)
@rig_options(moves=True, band=True)
@prior_options
@repair_option
@paired_option
@click.option(
    "--save-microphone",
    type=output_path("MICROPHONE"),
    help="Learn from the marks what this microphone does to directions, and write it to this file (.toml) if it helps.",
)
@force_option("Replace an earlier microphone file.")
@format_option
@json_option
def orient(
    files: tuple[Path, ...],
    marks: Path | None,
    claps: str | None,
    rig: RigChoice,
    prior: PriorChoice,
    repair: bool,
    paired: bool,
    save_microphone: Path | None,
    force: bool,
    channel_format: FormatChoice,
    as_json: bool,
) -> None:
    """Find how the microphone sat: where it faced, how it tilted, whether it hung upside down or is mirrored.

    There are three ways. With --marks: name a CLIP and its TAKE. Without marks: name a CLIP and its TAKE, add --upright
    or --upside-down, and the camera's own stereo sound tells the rest. With --claps, before the shoot: name a TAKE in
    which somebody clapped once at each place around the camera, 1 to 3 m away.
    """
    if marks is not None and claps is not None:
        raise click.UsageError("give --marks FILE (with CLIP and TAKE), or --claps front,left,back,right,above (TAKE)")
    if rig.moves is not None and claps is not None:
        raise click.UsageError("--moves is in a clip's time, and a clap walk has no clip: leave it out")
    if paired and claps is not None:
        raise click.UsageError("--paired is about a CLIP and its TAKE, and a clap walk has no clip: leave it out")
    if claps is None and len(files) < 2:
        raise click.UsageError(
            "name the CLIP, then its TAKE; a TAKE alone tells how it sat by --claps front,left,back,right,above"
        )
    if save_microphone is not None and marks is None and claps is None:
        raise click.UsageError("--save-microphone learns from known directions: give --marks FILE, or --claps")
    with Run(as_json=as_json) as run:
        from spatial.report import json_output, text

        if save_microphone is not None:
            from spatial.jobs.orient.learn_microphone import learn_microphone, may_be_saved

            # Before the listening, not after it.
            may_be_saved(save_microphone, force=force, inputs=run.inputs)
        told = told_of(
            *((None, files) if claps is not None else (files[0], files[1:])),
            rig=rig,
            prior=prior,
            channel_format=channel_format,
            paired=paired,
        )
        if claps is None:
            from spatial.jobs.orient.orient_clip import orient_clip
            from spatial.jobs.track_request import TrackRequest

            clip, *takes = files
            asked = TrackRequest(
                marks,
                rig=told.rig,
                prior=told.prior,
                repair=repair,
                read_as=told.read_as,
                pair=takes[0].name if told.pairing else None,
            )
            result = orient_clip(clip, takes, asked, progress=run.progress)
        else:
            from spatial.jobs.orient.from_claps import orient_claps

            names = claps.split(",")
            result = orient_claps(
                *(files, names),
                rig=told.rig,
                prior=told.prior,
                repair=repair,
                channel_format=told.read_as,
                progress=run.progress,
            )
        learned = None
        if save_microphone is not None and result.matrix is not None:
            learned = learn_microphone(result, told.rig)
            result = replace(result, findings=(*result.findings, learned.finding))
            learned.save(save_microphone, force=force, inputs=run.inputs)
        run.finish(
            lambda: [*text.orient_lines(result), *wrote(save_microphone if learned and learned.helped else None)],
            lambda: json_output.dumps(json_output.orient_json(result, learned)),
            result.findings,
        )
        if learned is not None and not learned.helped:
            say(f"soundplumb: {printable(str(save_microphone))} is not written; why, and what to do, stands above")
            raise SystemExit(COULD_NOT)
        if result.matrix is None:
            say(
                f"soundplumb: {'this clip and take' if result.evidence == 'scratch' else 'the ' + result.evidence} do "
                "not tell how the microphone sat; what to do stands above"
            )
            raise SystemExit(COULD_NOT)
