"""Findings about what the channels are to each other: hum, wind, gains, polarity, order.

Functions: field_findings.
"""

from collections.abc import Iterator, Sequence

import numpy as np

from spatial.conventions import CHANNEL_NAMES
from spatial.findings import Code, Finding, Severity
from spatial.health.channel_balance import Balance
from spatial.health.low_frequency import OWN_NOISE_RATIO
from spatial.health.meter import Health

_HUM_FIX_DB, _HUM_LOOK_DB = -20.0, -45.0
"""Below the channel's loud moments: hum is heard through speech, or in its rests."""
_HUM_LEAST_DBFS = -60.0
"""RMS of the hum: fainter, nobody will raise it until it is heard. It is chosen, without a source."""

_WIND_FIX_DB, _WIND_LOOK_DB = 3.0, -15.0
"""Level of wind against the loud moments of W from 300 to 3000 Hz: louder than the voices is to be mended, well heard
under them is to be looked at."""

_WIND_LEAST_DBFS = -50.0
"""RMS: below, it is the microphone's own noise in a quiet place."""
_WIND_SHARE = 0.1
"""Part of the looks with wind louder than the voices from which the take is to be mended; less of it can be cut
around."""

_GAIN_LOOK_DB, _GAIN_FIX_DB = 3.0, 6.0
"""3 dB on one axis turn a direction by up to 10 degrees, 6 dB by up to 20 (derived: the arc tangent of the gain)."""
_GAIN_LEAST_DB = 4.0
"""Axes of sound microphones are 0.75 to 1.25 times as sensitive as W (2.5 dB), and more by frequency."""
_GAIN_SURE = 3.0
"""Standard deviations that a gain must be from none. At less chance accuses channels."""

_GAIN_EVIDENCE = 9.0
"""Natural logarithm: 8000 to one."""

_ODD_RATIO_DB, _ODD_SCATTER_DB = 1.2, 2.0
"""How far from a normalisation, or how restless, X, Y, Z over W may not be in simulated rooms."""

_OFF_DB = 2.2
"""How far X, Y, Z over W may not be from what the format promises; a room's tones reach 1.8 in simulated rooms."""

_OMNI_PARTS = 0.38, 0.72
"""Omni part of the capsules that microphones are made of: 0.4 (between a hypercardioid and a supercardioid) to 0.7
(wide), and what rooms and sensitivities add (patterns: common practice, no source)."""

_NORMALISATIONS_DB = 10 * np.log10(np.array([1.0, 2.0, 3.0]))
"""X, Y, Z over W in SN3D, FuMa, N3D, dB (spatial.health.channel_balance)."""


def field_findings(health: Health, names: Sequence[str], name: str, *, weak: bool) -> Iterator[Finding]:
    """Findings; `weak`: a channel is dead or nearly silent, so that gains say nothing."""
    yield from _hum(health, names, name)
    balance = health.balance
    yield from _rumble(health, name, 0.0 if balance is None else balance.ratio_db)
    if balance is None or weak:
        return
    if balance.inverted is not None:
        yield _polarity(health, balance.inverted, names, name)
    elif balance.omni is not None:
        said = CHANNEL_NAMES[balance.omni]
        yield Finding(
            Code.SWAPPED_CHANNELS,
            Severity.FIX,
            f"{name}: not W but {said} hears equally from everywhere (its power is that of the other three together, "
            "as in every sound field): channels are swapped; check the order of the inputs, or name another --format",
            name,
        )
    else:
        found = list(_gain(balance, names, name, capsules=health.capsules))
        yield from found or _off_the_law(balance, name, capsules=health.capsules)


def _hum(health: Health, names: Sequence[str], name: str) -> Iterator[Finding]:
    loud = health.levels.loud
    hums = [hum for hum in health.hums if loud[hum.channel] > 0]
    if not hums:
        return
    worst = max(hums, key=lambda hum: hum.rms / float(loud[hum.channel]))
    under_db = 20 * np.log10(worst.rms / float(loud[worst.channel]))
    level_db = 20 * np.log10(worst.rms)
    severity = Severity.NOTE
    if level_db >= _HUM_LEAST_DBFS - 20.0 and under_db >= _HUM_LOOK_DB:
        severity = Severity.LOOK
    if level_db >= _HUM_LEAST_DBFS and under_db >= _HUM_FIX_DB and len(worst.lines) >= 2:
        severity = Severity.FIX
    lines = ", ".join(f"{number * round(worst.frequency_hz / 10) * 10:.0f}" for number in worst.lines)
    which = "all channels" if len(hums) == len(names) else ", ".join(names[hum.channel] for hum in hums)
    yield Finding(
        Code.HUM,
        severity,
        f"{name} hums at {lines} Hz on {which} (mains at {worst.frequency_hz:.2f} Hz; {level_db:.0f} dBFS, "
        f"{-under_db:.0f} dB under the loud moments; what is nearer than {-_HUM_LOOK_DB:.0f} dB is heard in rests): "
        + ("look for a bad cable, a charger or a lamp, and record again" if severity is Severity.FIX
           else "look for a charger, a dimmer or a cable beside mains; a mixer can filter it"),
        name,
    )  # fmt: skip


def _rumble(health: Health, name: str, ratio_db: float) -> Iterator[Finding]:
    rumble = health.rumble
    # Another normalisation moves this ratio at all frequencies.
    nearest = float(_NORMALISATIONS_DB[np.argmin(np.abs(_NORMALISATIONS_DB - ratio_db))])
    ratio = rumble.ratio / 10 ** ((nearest if abs(ratio_db - nearest) < 1.0 else 0.0) / 10)
    unshared = ratio >= OWN_NOISE_RATIO
    if not unshared.any():
        return
    voice = max(health.voice_level, 1e-12)
    against_db = 20 * np.log10(np.maximum(rumble.level, 1e-12) / voice)
    loud = unshared & (rumble.level >= 10 ** (_WIND_LEAST_DBFS / 20))
    look = loud & (against_db >= _WIND_LOOK_DB)
    if look.sum() < 2:
        return
    share = float(np.mean(loud & (against_db >= _WIND_FIX_DB)))
    severity = Severity.FIX if share >= _WIND_SHARE else Severity.LOOK
    worst = int(np.argmax(np.where(look, rumble.level, 0.0)))
    yield Finding(
        Code.RUMBLE,
        severity,
        f"{name} holds wind or handling noise in {100 * np.mean(look):.0f} % of the time, worst at "
        f"{rumble.times_s[worst]:.0f} s ({against_db[worst]:+.0f} dB against the voices; below 120 Hz X, Y and Z hold "
        f"{10 * np.log10(ratio[worst]):.0f} dB more than W, where a sound field holds none): put on the wind shield, "
        "keep hands and cables off the mount"
        + (", and record again" if severity is Severity.FIX else "; filter below 80 Hz when mixing"),
        name,
        take_time_s=float(rumble.times_s[worst]),
    )


def _polarity(health: Health, channel: int, names: Sequence[str], name: str) -> Finding:
    which = names[channel] if health.capsules else "one of the microphone's capsules"
    return Finding(
        Code.POLARITY,
        Severity.FIX,
        f"{which} of {name} is the wrong way round: it swings against the three others, and in any sound field all "
        "four swing together; turn its polarity in the recorder and record again"
        + (", or turn its sign before converting" if health.capsules else ""),
        name,
    )


def _off_the_law(balance: Balance, name: str, *, capsules: bool) -> Iterator[Finding]:
    """That something is wrong with W against the others, where nothing tells what."""
    off_db = balance.ratio_db
    if abs(off_db) <= _OFF_DB:
        return
    # Capsules taken for cardioids, of omni part a, have (1 - a) / a times as much of X, Y and Z (derived).
    omni_part = 1.0 / (1.0 + 10 ** (off_db / 20))
    # Another pattern leaves all directions alike; where one capsule's gain would explain it, that is likelier.
    if capsules and balance.gain is None and _OMNI_PARTS[0] <= omni_part <= _OMNI_PARTS[1]:
        yield Finding(
            Code.CONVENTION_GUESS,
            Severity.NOTE,
            f"X, Y and Z of {name} hold together {abs(off_db):.1f} dB {'more' if off_db > 0 else 'less'} power than W, "
            f"as with capsules that are not quite what they are read as: if they are read as cardioids, "
            f"--capsule-omni-part {omni_part:.2f} is nearer; directions hardly change",
            name,
        )
        return
    other = "--capsule-omni-part" if capsules else "--format"
    yield Finding(
        Code.GAIN_MISMATCH,
        Severity.LOOK,
        f"X, Y and Z of {name} hold together {abs(off_db):.1f} dB {'more' if off_db > 0 else 'less'} power than W, "
        f"where a sound field holds as much in both (±{_OFF_DB:g} dB in rooms): a gain is off, channels are swapped, "
        f"or {other} is another; clap from several sides, inspect again, and compare the recorder's gains and inputs",
        name,
    )


def _gain(balance: Balance, names: Sequence[str], name: str, *, capsules: bool) -> Iterator[Finding]:
    gain = balance.gain
    if gain is None or abs(gain.gain_db) < _GAIN_LOOK_DB or abs(gain.gain_db) < _GAIN_SURE * gain.sd_db:
        return
    # As it stands the law may be kept as well as rooms allow: then the sound itself is the likelier reason.
    from_law_db = float(np.min(np.abs(balance.ratio_db - _NORMALISATIONS_DB)))
    odd = from_law_db > _ODD_RATIO_DB or balance.scatter_db > _ODD_SCATTER_DB
    if (gain.rival is not None and from_law_db < _GAIN_LOOK_DB) or (capsules and not odd):
        return
    severe = odd and gain.rival is None and abs(gain.gain_db) - 2.0 * gain.sd_db >= _GAIN_LEAST_DB
    severe = severe and abs(gain.gain_db) >= _GAIN_FIX_DB and gain.evidence >= _GAIN_EVIDENCE
    which = names[gain.channel] + ("" if gain.rival is None else f" (or {names[gain.rival]}: it cannot be told which)")
    yield Finding(
        Code.GAIN_MISMATCH,
        Severity.FIX if severe else Severity.LOOK,
        f"channel {which} of {name} is {abs(gain.gain_db):.0f} dB too {'loud' if gain.gain_db > 0 else 'quiet'} "
        f"against the others (±{gain.sd_db:.1f}; in a sound field the power of X, Y and Z together follows W; "
        f"{_GAIN_LOOK_DB:.0f} dB turn directions by up to 10°): "
        + (
            "set all gains alike and record again, or correct it"
            if severe
            else "the place may have done it too; compare the recorder's gains, clap from several sides, above too, "
            "and inspect that"
        ),
        name,
    )
