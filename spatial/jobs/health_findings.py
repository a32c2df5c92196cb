"""What to think of a recording's measurements: findings in plain words.

Every finding says channel, time, size, the threshold with its reason, and what to do. "Fix" is kept for what spoils
the take and can be mended on set; what a mixer can repair, or what may be meant, is "look" or "note".
Functions: health_findings; lacks_height, has_height (of a field, by what sounds in it).
"""

from collections.abc import Iterator, Sequence

import numpy as np

from spatial.analysis.health import Health
from spatial.conventions import FloatArray
from spatial.findings import Finding, Severity
from spatial.jobs.health_field import field_findings
from spatial.jobs.health_losses import loss_findings

DEAD_DB = 60.0
"""Fix: a channel this far below the loudest carries nothing of the same field. The null of a real microphone, whose
capsules agree to half a decibel at best, is 30 to 40 dB deep (common practice, no source)."""

_DEAD_FLOOR_DB = 20.0
"""... and its quiet moments lie this far below the others': a silent direction still has the preamplifier's hiss."""

_SILENT = 1e-9
"""180 dB below full scale: less than any converter's last bit, and its square is still a number."""

_WEAK_DB = 40.0
_DEAD_CAPSULE_DB = 20.0
"""Capsules hear the same place: a cardioid's back is 10 to 20 dB down for one sound, never for the whole room."""

_HOT_DBFS = -1.0
"""EBU R 128: the highest true peak allowed is -1 dB re full scale."""
_LOW_DBFS = -40.0
"""Common practice, no source: the last 40 dB of a 24-bit converter's range are not worth recording into."""
_OFFSET_LOOK, _OFFSET_NOTE = 0.02, 0.002
"""-34 and -54 dBFS: the first takes room from the sound and thumps at every cut, the second is merely bad wiring."""
_NOISY_DBFS = -50.0
_NOISY_SNR_DB = 25.0
_STEADY_DB, _NO_LINES_DB = 3.5, 4.5
"""Noise keeps its level from one quiet moment to the next and has no lines; talk and music are otherwise."""


def health_findings(health: Health, names: Sequence[str], name: str, *, height_in: str | None = None) -> list[Finding]:
    """What is wrong with a take.

    Parameters
    ----------
    health : Health
    names : sequence of str
        What each recorded channel is called.
    name : str
        What the take is called.
    height_in : str, optional
        Another take of the same recorder that holds height: then a take without it lacks a channel.
    """
    if health.peaks.max() < _SILENT:
        silence = f"{name} is silent throughout: nothing to use; check what the recorder was armed to record"
        return [Finding("dead_channel", Severity.FIX, silence, name)]
    dead = _dead_channels(health)
    flat = lacks_height(health, names)
    # Many mixes and recorders of three channels have no height; with another channel dead, inputs are wrong.
    if flat and height_in is None:
        dead = dict.fromkeys(dead, Severity.LOOK)
    return [
        *_dead(health, dead, names, name, flat=flat, height_in=height_in),
        *_clipping(health, names, name),
        *loss_findings(health, names, name),
        *field_findings(health, names, name, weak=bool(dead)),
        *_levels(health, name),
        *_offset(health, names, name),
        *_padding(health, name),
        *_ceiling(health, name),
    ]


def _dead_channels(health: Health) -> dict[int, Severity]:
    """Channels that carry nothing of the field."""
    levels = health.levels
    loudest, found = float(levels.rms.max()), {}
    capsules = health.capsules
    for channel, rms in enumerate(levels.rms.tolist()):
        others = [other for other in range(len(levels.rms)) if other != channel]
        below = 20 * np.log10(max(rms, 1e-12) / loudest)
        floor = 20 * np.log10(
            max(float(levels.quiet[channel]), 1e-12) / max(float(np.median(levels.quiet[others])), 1e-12)
        )
        # A quiet 16-bit recording may round a silent direction to nothing.
        audible = float(np.max(levels.quiet[others])) > 10.0 * health.step
        still = float(rms**2 - levels.offset[channel] ** 2) <= (0.35 * health.step) ** 2
        beside = 20 * np.log10(max(rms, 1e-12) / max(float(np.median(levels.rms[others])), 1e-12))
        unheard = below < -DEAD_DB and floor < -_DEAD_FLOOR_DB
        if (still and audible) or unheard or (capsules and beside < -_DEAD_CAPSULE_DB):
            found[channel] = Severity.FIX
        elif below < -_WEAK_DB and (still or floor < -_DEAD_FLOOR_DB or below < -DEAD_DB):
            found[channel] = Severity.LOOK
    return found


def lacks_height(health: Health, names: Sequence[str]) -> bool:
    """Whether all channels of a field sound but Z."""
    if health.capsules or health.peaks.max() < _SILENT:
        return False
    dead = _dead_channels(health)
    return bool(dead) and all(names[channel].startswith("Z") for channel in dead)


def has_height(health: Health) -> bool:
    """Whether all channels of a field sound, Z too."""
    return not health.capsules and health.peaks.max() >= _SILENT and not _dead_channels(health)


def _dead(
    health: Health,
    dead: dict[int, Severity],
    names: Sequence[str],
    name: str,
    *,
    flat: bool,
    height_in: str | None,
) -> Iterator[Finding]:
    moving = np.sqrt(np.maximum(health.levels.rms**2 - health.levels.offset**2, 0.0))
    for channel, severity in dead.items():
        rms, loudest = float(moving[channel]), float(moving.max())
        below = f"{20 * np.log10(loudest / rms):.0f} dB below the loudest" if rms > 0.01 * health.step else "no sound"
        if flat and height_in is not None and severity is Severity.FIX:
            text = (
                f"channel {names[channel]} of {name} is silent ({below}), and {height_in}, of the same recorder, has "
                "it: directions lack their height; check that input and record again"
            )
        elif flat and height_in is None:
            text = (
                f"{name} holds no height: channel {names[channel]} is silent ({below}), as in a mix or a recorder "
                "without it, and directions are told in the horizontal plane only; if the microphone has height, "
                "check that input"
            )
        elif severity is Severity.FIX:
            text = (
                f"channel {names[channel]} of {name} is dead ({below} from start to end; a live one is never more "
                f"than {DEAD_DB:.0f} dB down): directions cannot be told; check the recorder's inputs and record again"
            )
        else:
            text = (
                f"channel {names[channel]} of {name} is nearly silent ({below}): right if all sound came square to "
                "it; to be sure, speak from that side and inspect again"
            )
        yield Finding("dead_channel", severity, text, name)


def _clipping(health: Health, names: Sequence[str], name: str) -> Iterator[Finding]:
    cut = health.clippings
    if not cut:
        return
    runs, longest = sum(one.runs for one in cut), max(one.longest for one in cut)
    first_s = min(one.first for one in cut) / health.rate_hz
    ceiling = max(one.ceiling for one in cut)
    where = "at full scale" if ceiling > 0.999 else f"at {20 * np.log10(ceiling):.1f} dBFS, and turned down later"
    which = ", ".join(names[one.channel] for one in cut) if len(cut) < len(names) else "all channels"
    severe = runs >= 3 or longest >= 6
    yield Finding(
        "clipping",
        Severity.FIX if severe else Severity.LOOK,
        f"{name} is clipped in {runs} place{'s' if runs > 1 else ''}, first at {first_s:.2f} s, {where}, on {which} "
        f"(longest {longest} samples; three in a row cut flat at the highest value are no accident): "
        + (
            "turn the gain down and record again" if severe else "listen there; turn the gain down before the next take"
        ),
        name,
        take_time_s=first_s,
    )


def _levels(health: Health, name: str) -> Iterator[Finding]:
    peak_db = 20 * np.log10(float(health.peaks.max()))
    if peak_db > 0.05:
        text = f"{name} peaks at {peak_db:+.1f} dBFS, over full scale: turn it down before it is saved as PCM"
        yield Finding("level", Severity.LOOK, text, name)
    elif peak_db > _HOT_DBFS and not health.clippings:
        text = (
            f"{name} peaks at {peak_db:.1f} dBFS, within 1 dB of full scale (EBU R 128 allows -1): the next loud word "
            "will clip; turn the gain down"
        )
        yield Finding("level", Severity.NOTE, text, name)
    elif peak_db < _LOW_DBFS:
        text = (
            f"{name} never gets louder than {peak_db:.0f} dBFS: fine for room tone; if anybody performed, turn the "
            "gain up by 20 dB or more"
        )
        yield Finding("level", Severity.LOOK, text, name)
    quiet, loud = (20 * np.log10(max(float(level.max()), 1e-12)) for level in (health.levels.quiet, health.levels.loud))
    if quiet > _NOISY_DBFS and loud - quiet < _NOISY_SNR_DB and _is_noise(health):
        text = (
            f"{name} never gets quieter than {quiet:.0f} dBFS, {loud - quiet:.0f} dB below its loud moments: a noise "
            "that does not stop; find its source, or move closer"
        )
        yield Finding("noise_floor", Severity.LOOK, text, name)


def _is_noise(health: Health) -> bool:
    return health.levels.quiet_spread_db < _STEADY_DB and health.quiet_lines_db < _NO_LINES_DB


def _offset(health: Health, names: Sequence[str], name: str) -> Iterator[Finding]:
    levels = health.levels
    # The mean of a second of rumble is not zero either: an offset stands out of what the means scatter.
    size: FloatArray = np.abs(levels.offset)
    off = np.flatnonzero((size > _OFFSET_NOTE) & (size > 5.0 * levels.offset_sd))
    if off.size:
        worst = int(off[np.argmax(size[off])])
        grave = float(size[worst]) > _OFFSET_LOOK
        yield Finding(
            "dc_offset",
            Severity.LOOK if grave else Severity.NOTE,
            f"channel {names[worst]} of {name} does not swing about zero but about {100 * levels.offset[worst]:+.1f} % "
            f"of full scale (anything over {100 * _OFFSET_NOTE:.1f} % comes from a fault in a cable or converter): "
            + ("have the input looked at, and filter below 20 Hz" if grave else "filter below 20 Hz when mixing"),
            name,
        )


def _padding(health: Health, name: str) -> Iterator[Finding]:
    for length_s, where in ((health.levels.silent_start_s, "begins"), (health.levels.silent_end_s, "ends")):
        if length_s > 0.5:
            text = f"{name} {where} with {length_s:.1f} s of digital silence: no microphone was heard there"
            yield Finding("dropout", Severity.NOTE, text, name)


def _ceiling(health: Health, name: str) -> Iterator[Finding]:
    if health.ceiling is not None:
        yield Finding(
            "bandwidth",
            Severity.NOTE,
            f"{name} holds nothing above {health.ceiling.frequency_hz / 1000:.1f} kHz (it falls by "
            f"{health.ceiling.fall_db:.0f} dB at once; a microphone hisses on): it went through a lower sample rate or "
            "a lossy coder; ask for the recorder's own file",
            name,
        )
