"""What `headset` made, for people on set and as JSON.

Functions: headset_lines, headset_json.
"""

import numpy as np

from spatial.conventions import DELIVERY_RATE_HZ
from spatial.findings import written_out
from spatial.jobs.headset import HeadsetResult
from spatial.media.movies.spherical import layout_in_words
from spatial.report.json_output import Json
from spatial.report.words import findings_lines

_CAUTION = (
    "  Before others see it: sudden movement and a horizon that is off make viewers sick. View it first yourself, "
    "seated, volume low."
)


_SAID_S = 0.001
"""Less is within what a film's own sound tells."""


def headset_lines(result: HeadsetResult) -> list[str]:
    """What was written, with its proof."""
    seconds = result.samples / DELIVERY_RATE_HZ
    held = "byte for byte those of the film" if result.packets_identical else "NOT those of the film"
    layout = "" if result.layout is None else f"; marked as {layout_in_words(result.layout)}"
    kept = "" if result.kept_track is None else "; the film's own sound is the second track"
    kept = "; the second track is what headphones play of it" if result.headphones else kept
    rate = result.track.rate_hz
    changed = "" if rate == DELIVERY_RATE_HZ else f", made from the track's {rate} Hz"
    picture = [] if result.packets is None else [f"  Picture: {result.packets} packets, {held}{layout}."]
    what = (
        result.track.path.name if result.packets is None else f"{result.film.path.name} with {result.track.path.name}"
    )
    return [
        f"{result.output.name} is {what}, {seconds:.3f} s",
        *picture,
        f"  Sound: first-order field, W Y Z X, SN3D, {result.form.in_words}{changed}{kept}.",
        *_proof_lines(result),
        *_own_sound_lines(result),
        *_loudness_lines(result),
        f"  Wrote {result.output}.",
        *findings_lines(result.findings),
        *([] if result.packets is None else [_CAUTION]),
    ]


def _loudness_lines(result: HeadsetResult) -> list[str]:
    if result.loudness_lufs is None:
        return []
    return [f"  Loudness of its W channel: {result.loudness_lufs:.1f} LUFS (EBU R 128)."]


def _own_sound_lines(result: HeadsetResult) -> list[str]:
    """What the track was held against beside itself: only the film's own sound knows what belongs to the picture."""
    own = result.own_sound
    if own is None:
        return []
    if own.lip_sync is None:
        return [f"  Whether it is the track of this film cannot be told: {own.why}."]
    early_s = own.lip_sync.early_s
    step = "in step with"
    if abs(early_s) >= _SAID_S:
        step = f"{abs(early_s) * 1e3:.0f} ms {'early' if early_s > 0 else 'late'} against"
    return [f"  The film's own sound is in the track, which is {step} it."]


def _proof_lines(result: HeadsetResult) -> list[str]:
    match, offset_s = result.match, result.offset_s
    if offset_s is None or match.delay_samples is None:
        return ["  Read back: silence."]
    late = "in step to the sample"
    if offset_s:
        late = f"{abs(offset_s) * 1e3:.2f} ms {'late' if offset_s > 0 else 'early'}"
    if match.exact:
        return [f"  The field in the movie is the track's, read back and decoded: {late}; every sample is the track's."]
    line = f"  The field in the movie is the track's, read back and decoded: {late}, level {match.gain_db:+.1f} dB"
    if np.isfinite(match.leakage_db):
        line += f", other channels {-match.leakage_db:.0f} dB down"
    if len(match.turned_rad):
        median, most = (np.degrees(match.turned_by(share)) for share in (0.5, 0.95))
        line += f"; directions off by {median:.1f}° in the median, {most:.1f}° in 95 of 100"
        line += f" ({len(match.turned_rad)} tenths of a second that have one)"
    return [line + "."]


def headset_json(result: HeadsetResult) -> Json:
    """For `headset`."""
    match = result.match
    return {
        "output": str(result.output),
        "film": str(result.film.path),
        "track": str(result.track.path),
        "sound": {
            "coding": result.form.coding.value,
            "bit_rate_kbps": result.form.kbps,
            "samples": result.samples,
            "kept_track": result.kept_track,
            "headphones": result.headphones,
            "loudness_lufs": result.loudness_lufs,
        },
        "picture": result.layout,
        "packets_identical": result.packets_identical,
        "proof": {
            "offset_s": result.offset_s,
            "offset_samples": match.delay_samples,
            "exact": match.exact,
            "gain_db": match.gain_db,
            "direction_error_median_deg": float(np.degrees(match.turned_by(0.5))),
            "direction_error_deg": float(np.degrees(match.turned_by(0.95))),
            "tenths": len(match.turned_rad),
            "leakage_db": match.leakage_db,
        },
        "own_sound": None
        if result.own_sound is None
        else {
            "found": result.own_sound.lip_sync is not None,
            "early_s": None if result.own_sound.lip_sync is None else result.own_sound.lip_sync.early_s,
            "why": result.own_sound.why,
        },
        "findings": [written_out(finding) for finding in result.findings],
    }
