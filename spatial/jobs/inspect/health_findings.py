"""What a recording's measurements mean: findings in plain words, those of lost sound among them.

Every finding names channel, time, size, the threshold with its reason, and what to do. "Fix" is kept for what spoils
the take and can be mended on set; what a mixer can repair, or what may be meant, is "look" or "note".
Functions: health_findings; lacks_height, has_height (of a field, by what sounds in it); loss_findings (sound that was
lost on the way to the card).
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from spatial.conventions import FloatArray
from spatial.findings import Code, Finding, Severity
from spatial.health.dropouts import STANDS_OUT, TOGETHER, Hole
from spatial.health.meter import Health
from spatial.jobs.inspect.field_findings import field_findings

# --- losses ---

_PAUSE_S = 1.0
"""Zeros for longer may be meant: somebody cut a file together, or muted it. Shorter ones are a loss."""

_FAINT_DBFS, _FAINT_DB = -66.0, 6.0
"""RMS of all channels beside a hole: fainter, and so far below the recording's loud moments, it is what a fade ends in.
Whoever loses data loses some amid sound that is heard; a recording that is as faint throughout is judged as it is."""

_MANY_CLICKS = 3
"""One or two may be a spark of static or a relay on set."""

_BUFFERS = (*(1 << power for power in range(5, 15)), 480, 960, 441, 882, 1152)
"""Lengths that buffers usually have, samples (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class _Gap:
    """A hole in one channel or in several at once."""

    start: int
    length: int
    channels: tuple[int, ...]
    power: float
    """Of the sound beside it, mean over these channels."""


def loss_findings(health: Health, names: Sequence[str], name: str) -> Iterator[Finding]:
    """Holes, repeated buffers and clicks."""
    rate_hz = health.rate_hz
    every = _gaps(health.holes)
    faint = [gap for gap in every if _is_faint(gap, health)]
    gaps = [gap for gap in every if gap not in faint]
    short = [gap for gap in gaps if gap.length <= _PAUSE_S * rate_hz]
    long = [gap for gap in gaps if gap.length > _PAUSE_S * rate_hz]
    if short:
        longest = max(short, key=lambda gap: gap.length)
        yield Finding(
            Code.DROPOUT,
            Severity.FIX,
            f"{name} has {_count(len(short), 'hole')} of exact zeros amid sound on {_which(short, names)}, "
            f"{_at(gap.start / rate_hz for gap in short)} (longest {1e3 * longest.length / rate_hz:.1f} ms; 16 zeros "
            "in a row beside a jump are no sound): the card or the link lost data; use another card or cable and "
            "record again",
            name,
            take_time_s=short[0].start / rate_hz,
        )
    for gap in long[:3]:
        yield Finding(
            Code.DROPOUT,
            Severity.LOOK,
            f"{name} holds {gap.length / rate_hz:.1f} s of digital silence from {gap.start / rate_hz:.2f} s on "
            f"{_which([gap], names)}, cut in abruptly: if nobody muted it, sound was lost there",
            name,
            take_time_s=gap.start / rate_hz,
        )
    if faint:
        yield Finding(
            Code.DROPOUT,
            Severity.NOTE,
            f"{name} falls silent to exact zeros in {_count(len(faint), 'place')}, "
            f"{_at(gap.start / rate_hz for gap in faint)}, where it is fainter than {_FAINT_DBFS:.0f} dBFS anyway: a "
            "fade ends so, and nobody hears it",
            name,
            take_time_s=faint[0].start / rate_hz,
        )
    repeats = health.repeats
    if repeats:
        yield Finding(
            Code.DROPOUT,
            Severity.FIX,
            f"{name} repeats itself sample by sample in {_count(len(repeats), 'place')}, "
            f"{_at(one.start / rate_hz for one in repeats)} ({repeats[0].length} samples that came "
            f"{repeats[0].lag} samples before; sound never does that): a buffer was written twice; use a faster card "
            "and record again",
            name,
            take_time_s=repeats[0].start / rate_hz,
        )
    clicks = [click for click in health.clicks if len(click.channels) > 1 or not health.capsules]
    if clicks:
        severe = sum(len(click.channels) > 1 for click in clicks) >= _MANY_CLICKS
        pattern = _pattern(np.array([click.sample for click in clicks]))
        yield Finding(
            Code.DROPOUT,
            Severity.FIX if severe else Severity.LOOK,
            f"{name} jumps from one sample to the next in {_count(len(clicks), 'place')}, "
            f"{_at(click.sample / rate_hz for click in clicks)}{pattern} ({STANDS_OUT:.0f} times sharper than anything "
            "within 5 ms; claps reach half of that): "
            + (
                "samples were lost; use a faster card and record again"
                if severe
                else "listen there for a click; samples may have been lost"
            ),
            name,
            take_time_s=clicks[0].sample / rate_hz,
        )


def _is_faint(gap: _Gap, health: Health) -> bool:
    """Whether a hole lies where a fade may have ended."""
    loud = float(np.mean(health.levels.loud[list(gap.channels)] ** 2))
    return gap.power < 10 ** (_FAINT_DBFS / 10) and gap.power < 10 ** (-_FAINT_DB / 10) * loud


def _gaps(holes: Iterable[Hole]) -> list[_Gap]:
    together: list[list[Hole]] = []
    for hole in holes:
        if together and abs(hole.start - together[-1][0].start) <= TOGETHER:
            together[-1].append(hole)
        else:
            together.append([hole])
    return [
        _Gap(
            start=own[0].start,
            length=max(hole.length for hole in own),
            channels=tuple(sorted({hole.channel for hole in own})),
            power=float(np.mean([hole.level**2 for hole in own])),
        )
        for own in together
    ]


def _which(gaps: Iterable[_Gap], names: Sequence[str]) -> str:
    channels = sorted({channel for gap in gaps for channel in gap.channels})
    return "all channels" if len(channels) == len(names) else ", ".join(names[channel] for channel in channels)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _at(times_s: Iterable[float]) -> str:
    times = list(times_s)
    said = ", ".join(f"{time:.2f}" for time in times[:3])
    return f"at {said} s" + (" and on" if len(times) > 3 else "")


def _pattern(samples: np.ndarray) -> str:
    """What buffers say who end where the clicks are."""
    if samples.size < _MANY_CLICKS:
        return ""
    for length in sorted(_BUFFERS, reverse=True):
        if np.all(np.abs((np.diff(samples) + length // 2) % length - length // 2) <= 2):
            return f", a multiple of {length} samples apart as buffers are"
    return ""


# --- findings ---

DEAD_DB = 60.0
"""Fix: a channel this far below the loudest carries nothing of the same field. The null of a real microphone, whose
capsules agree to half a decibel at best, is 30 to 40 dB deep (common practice, no source)."""

_DEAD_FLOOR_DB = 20.0
"""How far the quiet moments of such a channel lie below the others', too: a silent direction still has the
preamplifier's hiss."""

_SILENT = 1e-9
"""180 dB below full scale: less than any converter's last bit, and its square is still a number."""

_WEAK_DB = 40.0
"""How far below the loudest a channel is weak: about as deep as the null of a real microphone (see DEAD_DB), so that
something else must be odd about it too."""

_DEAD_CAPSULE_DB = 20.0
"""Capsules hear the same place: a cardioid's back is 10 to 20 dB down for one sound, never for the whole room."""

_HOT_DBFS = -1.0
"""EBU R 128: the highest true peak allowed is -1 dB re full scale."""
_LOW_DBFS = -40.0
"""Common practice, no source: the last 40 dB of a 24-bit converter's range are not worth recording into."""
_OFFSET_LOOK, _OFFSET_NOTE = 0.02, 0.002
"""-34 and -54 dBFS: the first takes room from the sound and thumps at every cut, the second is merely bad wiring."""
_NOISY_DBFS = -50.0
"""Quiet moments louder than this, and less than _NOISY_SNR_DB below the loud ones, are noisy if they are noise at all.
Both are chosen, without a source: quieter noise is masked by what is said."""

_NOISY_SNR_DB = 25.0
"""See _NOISY_DBFS."""

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
        return [Finding(Code.DEAD_CHANNEL, Severity.FIX, silence, name)]
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
        yield Finding(Code.DEAD_CHANNEL, severity, text, name)


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
        Code.CLIPPING,
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
        yield Finding(Code.LEVEL, Severity.LOOK, text, name)
    elif peak_db > _HOT_DBFS and not health.clippings:
        text = (
            f"{name} peaks at {peak_db:.1f} dBFS, within 1 dB of full scale (EBU R 128 allows -1): the next loud word "
            "will clip; turn the gain down"
        )
        yield Finding(Code.LEVEL, Severity.NOTE, text, name)
    elif peak_db < _LOW_DBFS:
        text = (
            f"{name} never gets louder than {peak_db:.0f} dBFS: fine for room tone; if anybody performed, turn the "
            "gain up by 20 dB or more"
        )
        yield Finding(Code.LEVEL, Severity.LOOK, text, name)
    quiet, loud = (20 * np.log10(max(float(level.max()), 1e-12)) for level in (health.levels.quiet, health.levels.loud))
    if quiet > _NOISY_DBFS and loud - quiet < _NOISY_SNR_DB and _is_noise(health):
        text = (
            f"{name} never gets quieter than {quiet:.0f} dBFS, {loud - quiet:.0f} dB below its loud moments: a noise "
            "that does not stop; find its source, or move closer"
        )
        yield Finding(Code.NOISE_FLOOR, Severity.LOOK, text, name)


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
            Code.DC_OFFSET,
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
            yield Finding(Code.DROPOUT, Severity.NOTE, text, name)


def _ceiling(health: Health, name: str) -> Iterator[Finding]:
    if health.ceiling is not None:
        yield Finding(
            Code.BANDWIDTH,
            Severity.NOTE,
            f"{name} holds nothing above {health.ceiling.frequency_hz / 1000:.1f} kHz (it falls by "
            f"{health.ceiling.fall_db:.0f} dB at once; a microphone hisses on): it went through a lower sample rate or "
            "a lossy coder; ask for the recorder's own file",
            name,
        )
