"""A day as one page to print or to send: what is ready, what must be done, and what must be shot again.

Goal: who was not there reads in a minute how the day stands, worst first; the page needs no other file.
Functions: day_html; shoot_again (why a clip must be); day_writers (for the handover job).
"""

import base64
import io
from collections.abc import Callable, Sequence
from contextlib import suppress
from fractions import Fraction
from pathlib import Path

import matplotlib.image
import numpy as np

from spatial.conventions import SDS_OF_95
from spatial.errors import InputError, SoundplumbError
from spatial.findings import Finding, Severity, is_bad
from spatial.jobs.day.day_result import DayClip, DayResult, Status, worst_first
from spatial.jobs.handover.hand_over import DayWriters
from spatial.jobs.progress import Progress, silent
from spatial.jobs.rig import Rig
from spatial.media.cache import FeatureCache
from spatial.media.movies.clip import Clip
from spatial.media.movies.proxy import frame_at
from spatial.media.timeline_file import relative_url
from spatial.picture import parse_picture
from spatial.report.day_report import status_in_words, summary_line
from spatial.report.day_table import day_csv
from spatial.report.html import Markup, html_text
from spatial.report.mount_drawing import mount_drawing
from spatial.report.plots.style import legible
from spatial.report.words import clock, clock_time, ranked, sentence, start, turn
from spatial.timebase import DROP_FRAME_RATES, frame_from_timecode, timecode_from_frame
from spatial.verification.placement import Verdict

_THUMBNAIL_PX = 200
"""Height of a thumbnail: a page of 300 clips stays within some megabytes."""

_THUMBNAIL_KIND = "thumbnail 1"
_QUALITY = 80

_WHOLE_FRAME = "fisheye180"
"""A layout of one eye that fills the frame: a picture of which nothing is known is shown as it is."""


def day_writers(rig_for: Callable[[Path], Rig]) -> DayWriters:
    """Table and page, for the handover job; each clip's picture is laid out as its rig says."""

    def page(day: DayResult, folder: Path, progress: Progress) -> str:
        return day_html(day, folder, rig_for=rig_for, progress=progress)

    return DayWriters(day_csv, page)


def day_html(day: DayResult, folder: Path, *, rig_for: Callable[[Path], Rig], progress: Progress = silent) -> str:
    """The page.

    Parameters
    ----------
    day : DayResult
    folder : Path
        Where the page is going to lie: review pages are named by their way from there.
    rig_for : callable
        The rig of each clip.
    """
    cache = FeatureCache()
    cards = []
    for number, entry in enumerate(worst_first(day.clips)):
        progress(f"a picture of {entry.clip.name}", number / len(day.clips))
        cards.append(_card(entry, folder, _thumbnail(entry, rig_for(entry.clip), cache)))
    again = [
        {"name": legible(entry.clip.name), "why": [legible(sentence(said.message)) for said in reasons]}
        for entry in worst_first(day.clips)
        if (reasons := shoot_again(entry))
    ]
    return html_text(
        "day_sheet.html.j2",
        style=("page.css", "day_sheet.css"),
        title=f"Day sheet: {legible(day.folder.resolve().name)}",
        summary=summary_line(day),
        again=again,
        cards=cards,
        unused=[legible(path.name) for path in day.unused_takes],
        findings=_findings(day.findings),
    )


def shoot_again(entry: DayClip) -> list[Finding]:
    """Why a clip must be shot again: what spoils it or its take, or that it has none; nothing where that is not so."""
    if entry.busy:
        return []
    if entry.sync is None or entry.status is Status.NO_TAKE:
        return ranked(entry.findings)[:1]
    return [finding for finding in entry.health if finding.severity is Severity.FIX]


def _card(entry: DayClip, folder: Path, picture: str | None) -> dict[str, object]:
    return {
        "name": legible(entry.clip.name),
        "link": "" if entry.page is None else relative_url(entry.page, folder),
        "status": entry.status.value,
        "status_words": status_in_words(entry),
        "picture": picture,
        "facts": [(name, legible(value)) for name, value in _facts(entry)],
        "drawing": _drawing(entry),
        "findings": _findings(entry.findings),
    }


def _findings(findings: Sequence[Finding]) -> list[dict[str, str]]:
    return [
        {"severity": said.severity.value, "message": legible(sentence(said.message))}
        for said in ranked(findings)
        if said.severity is not Severity.NOTE
    ]


def _facts(entry: DayClip) -> list[tuple[str, str]]:
    """What is known of a clip, in the words of the crew."""
    sync, made = entry.sync, entry.conform
    if sync is None:
        return []
    facts = [("Timecode", span) for span in [_timecodes(sync.clip)] if span]
    facts.append(("Length", _length(sync.clip)))
    law = sync.true_estimate.law
    if not sync.estimate.matched or law is None:
        return facts
    facts.append(("Take", sync.take.path.name))
    facts.append(("Take starts", start(law.offset_s, sync.true_estimate.offset_sd_s)))
    pace = clock(law.drift_ppm, sync.true_estimate.drift_sd_ppm)
    facts.append(("Recorder’s clock", pace if sync.estimate.drift_significant else "agrees with the camera’s"))
    if made is None:
        if entry.older is None:
            return [*facts, ("Microphone", "not known yet")]
        return [*facts, ("Microphone", f"{turn(entry.older.mount_angles)} (by an older track)")]
    sd = made.mount_sd_rad
    spread = ""
    if sd is not None:
        reach = [float(np.degrees(SDS_OF_95 * part)) for part in (sd.yaw_rad, sd.pitch_rad, sd.roll_rad)]
        spread = f" (±{reach[0]:.0f}° facing, ±{reach[1]:.0f}° tip, ±{reach[2]:.0f}° roll, 95 %)"
    facts.append(("Microphone", turn(made.mount_angles) + spread))
    verdicts = [check.verdict for _, check in made.proof.marks]
    proved = f"{verdicts.count(Verdict.IN_PLACE)} of {len(verdicts)}" if verdicts else "no marks to prove it"
    if is_bad(entry.findings):
        proved += ", but see what must be mended"
    return [*facts, ("In place", proved), ("Track", made.output.name)]


def _timecodes(clip: Clip) -> str:
    """First and last timecode of a clip; empty where it has none."""
    if clip.start_timecode is None or clip.frame_rate is None or clip.frames is None:
        return ""
    with suppress(InputError):
        drop = ";" in clip.start_timecode and clip.frame_rate in DROP_FRAME_RATES
        last = frame_from_timecode(clip.start_timecode, clip.frame_rate) + clip.frames - 1
        return f"{clip.start_timecode} to {timecode_from_frame(last, clip.frame_rate, drop=drop)}"
    return clip.start_timecode


def _length(clip: Clip) -> str:
    rate = "" if clip.frame_rate is None else f", {_rate(clip.frame_rate)} pictures a second"
    return f"{clock_time(clip.duration_s)}{rate}"


def _rate(rate: Fraction) -> str:
    return str(rate.numerator) if rate.denominator == 1 else f"{float(rate):.3f}".rstrip("0").rstrip(".")


def _drawing(entry: DayClip) -> Markup | None:
    made = entry.conform
    if made is None:
        return None
    sd = made.mount_sd_rad
    reach = None if sd is None or not np.isfinite(sd.yaw_rad) else SDS_OF_95 * sd.yaw_rad
    words = f"The microphone: {turn(made.mount_angles)}"
    return mount_drawing(made.mount, made.rig.mic_offset_m, words=words, facing_reach_rad=reach)


def _thumbnail(entry: DayClip, rig: Rig, cache: FeatureCache) -> str | None:
    """A small picture as a data URL, from a third of the way through; None where none can be shown."""
    if entry.sync is None or entry.sync.clip.width_px is None:
        return None
    kind = f"{_THUMBNAIL_KIND} {rig.picture}"
    with suppress(SoundplumbError, OSError):
        held = cache.load(entry.clip, kind)
        if held is None or "jpeg" not in held:
            held = {"jpeg": np.frombuffer(_jpeg(entry.sync.clip, rig), dtype=np.uint8)}
            cache.store(entry.clip, kind, held)
        return "data:image/jpeg;base64," + base64.b64encode(held["jpeg"].tobytes()).decode()
    return None


def _jpeg(clip: Clip, rig: Rig) -> bytes:
    assert clip.width_px is not None
    assert clip.height_px is not None
    picture = parse_picture(rig.picture or _WHOLE_FRAME, clip.width_px, clip.height_px)
    frame = frame_at(clip.path, picture, clip.duration_s / 3, height_px=_THUMBNAIL_PX)
    out = io.BytesIO()
    matplotlib.image.imsave(out, frame, format="jpg", pil_kwargs={"quality": _QUALITY})
    return out.getvalue()
