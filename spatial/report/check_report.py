"""The check on set, as five lines and a verdict, and as JSON.

Functions: check_lines, check_json; five_lines (the lines alone).
"""

import numpy as np

from spatial.conventions import SDS_OF_95
from spatial.findings import Finding, Severity
from spatial.jobs.check.check_newest import Answer, CheckResult, Facing
from spatial.mount.prior import Hanging
from spatial.report.json_output import Json, findings_json
from spatial.report.words import ranked, sentence

_WORD = {Answer.YES: "yes", Answer.LOOK: "LOOK", Answer.NO: "NO", Answer.UNSURE: "?"}
_ABOUT = ("sound on both", "in step", "microphone", "left is left", "no faults")


def check_lines(result: CheckResult) -> list[str]:
    """Five lines and a verdict, for whoever stands in the dark."""
    width = max(len(about) for about in _ABOUT)
    lines = [f"{_WORD[answer]:<4}  {about:<{width}}  {text}" for about, answer, text in five_lines(result)]
    return [*lines, _verdict(result)]


def check_json(result: CheckResult) -> Json:
    """For `check`."""
    return {
        "clip": str(result.clip.path),
        "take": str(result.take.path),
        "ready": result.ready,
        "verdict": _verdict(result),
        "lines": [
            {"about": about.replace(" ", "_"), "answer": answer.value, "text": text}
            for about, answer, text in five_lines(result)
        ],
        "chosen_by": {"clip": result.clip_by.by, "take": result.take_by.by},
        "measured": _measured(result),
        "clip_heard_s": result.heard.heard_s if result.heard else 0.0,
        "take_checked_s": result.health_span_s[1] - result.health_span_s[0],
        "findings": findings_json(result.findings),
    }


def _measured(result: CheckResult) -> Json:
    """The numbers behind the lines; None where they are not known."""
    match = result.heard.sync if result.heard and result.heard.sync.estimate.matched else None
    angles, sd = result.facing.angles, result.facing.sd_rad
    return {
        "offset_s": match.law.offset_s if match else None,
        "offset_sd_s": match.estimate.offset_sd_s if match else None,
        "yaw_deg": np.degrees(angles.yaw_rad) if angles else None,
        "yaw_sd_deg": np.degrees(sd.yaw_rad) if angles and sd else None,
        "in_front": result.facing.in_front,
    }


def five_lines(result: CheckResult) -> list[tuple[str, Answer, str]]:
    """What is asked, what is answered, and on what grounds."""
    answers = (result.sound, result.in_step, result.facing.answer, result.facing.left, result.faults)
    texts = (_sound(result), _in_step(result), _microphone(result.facing), _left(result.facing), _faults(result))
    return list(zip(_ABOUT, answers, texts, strict=True))


def _sound(result: CheckResult) -> str:
    clip = "the clip has no sound"
    if result.heard is not None:
        silent = all(one.silent for one in result.heard.stretches)
        clip = "the clip is silent" if silent else f"the clip peaks at {_db(result.heard.clip_peak)} dBFS"
    peaks = [peak for peak in result.health.peak_dbfs if np.isfinite(peak)]
    take = f"the take at {max(peaks):.0f} dBFS" if peaks else "the take is silent"
    return f"{clip}, {take}"


def _in_step(result: CheckResult) -> str:
    heard = result.heard
    if heard is None or not heard.sync.estimate.matched:
        return "no moment of the clip was found in the take"
    sync = heard.sync
    offset_s, sd_s = sync.law.offset_s, sync.estimate.offset_sd_s or 0.0
    begins = f"the take started {abs(offset_s):.2f} s {'before' if offset_s >= 0 else 'after'} the clip"
    spread = f"±{SDS_OF_95 * 1e3 * sd_s:.1f} ms"
    covered_s = result.covered_s
    assert covered_s is not None
    whole = covered_s[0] < 0.1 and covered_s[1] > result.clip.duration_s - 0.1
    covers = "runs through all of it" if whole else f"covers {covered_s[0]:.0f} to {covered_s[1]:.0f} s of it"
    agreeing = sum(one.offset_s is not None for one in heard.stretches)
    places = "" if len(heard.stretches) == 1 else f", in step in {agreeing} of {len(heard.stretches)} stretches"
    return f"{begins} ({spread}), {covers}{places}"


def _microphone(facing: Facing) -> str:
    if facing.angles is not None and facing.sd_rad is not None:
        roll = abs(float(np.degrees(facing.angles.roll_rad)))
        hung = "upside down" if roll > 90.0 else "upright"
        spread = SDS_OF_95 * float(np.degrees(facing.sd_rad.yaw_rad))
        by = f"{facing.marks} marks" if facing.by == "marks" else "the camera's stereo sound"
        return f"faced {_faced(facing.angles.yaw_rad)} (±{spread:.0f}°), hung {hung}; by {by}"
    if facing.ways:
        ways = [f"{_faced(way.angles.yaw_rad)} if it hung {_way(way.hanging)}" for way in facing.ways]
        return f"faced {', or '.join(ways)}: say which (--upright, --upside-down)"
    return f"not known: {_short(facing.why)}"


def _left(facing: Facing) -> str:
    if facing.by == "marks" and facing.angles is not None:
        return "performers are heard on the side where they are marked"
    if facing.angles is not None and facing.in_front is not None:
        return f"{100 * facing.in_front:.0f} % of the sound is in front of the lens, sides as the camera hears them"
    if facing.ways and facing.in_front is not None:
        likely = max(facing.ways, key=lambda way: way.in_front)
        return f"if it hung {_way(likely.hanging)}: {100 * facing.in_front:.0f} % of the sound is then in front"
    return "not known: clap once at the left of the picture, or mark somebody there"


def _faults(result: CheckResult) -> str:
    start_s, stop_s = result.health_span_s
    looked = f"in {stop_s - start_s:.0f} s of the take's {result.take.duration_s:.0f} s"
    worst = ranked([*result.take.findings, *result.health.findings])
    if not worst or worst[0].severity is Severity.NOTE:
        return f"none {looked}"
    return f"{looked}: {worst[0].message}"


def _verdict(result: CheckResult) -> str:
    both = f"{result.clip.path.name} with {result.take.path.name}"
    found = ranked(result.findings)
    if result.ready is None:
        return f"CANNOT TELL  {both}: {_first(found, Severity.LOOK)}"
    if not result.ready:
        return f"NOT USABLE  {both}: {_first(found, Severity.FIX)}"
    look = [finding for finding in found if finding.severity is Severity.LOOK]
    if look:
        more = f" (and {len(look) - 1} more to look at, see --json)" if len(look) > 1 else ""
        return f"USABLE  {both}; look: {sentence(look[0].message)}{more}"
    return f"USABLE  {both}, the newest by {result.clip_by.by}; the clip was heard for {_part(result)}."


def _part(result: CheckResult) -> str:
    heard_s = result.heard.heard_s if result.heard else 0.0
    if heard_s > result.clip.duration_s - 1.0:
        return f"all its {heard_s:.0f} s"
    return f"{heard_s:.0f} of its {result.clip.duration_s:.0f} s"


def _first(found: list[Finding], severity: Severity) -> str:
    return next((sentence(finding.message) for finding in found if finding.severity is severity), "see --json.")


def _short(why: str) -> str:
    """The reason without what comes before it and what to do about it, which the next line says."""
    return why.replace("the camera's sound does not tell how the microphone sat: ", "").split("; give --marks")[0]


def _faced(yaw_rad: float) -> str:
    yaw_deg = float(np.degrees(yaw_rad))
    if abs(yaw_deg) < 0.5:
        return "with the lens"
    if abs(yaw_deg) > 179.5:
        return "straight back"
    return f"{abs(yaw_deg):.0f}° {'left' if yaw_deg > 0 else 'right'} of the lens"


def _way(hanging: Hanging) -> str:
    return "upright" if hanging is Hanging.UPRIGHT else "upside down"


def _db(peak: float) -> str:
    return f"{20 * np.log10(max(peak, 1e-9)):.0f}"
