"""Findings about sound that was lost on the way to the card.

Functions: loss_findings.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from spatial.analysis.clicks import STANDS_OUT
from spatial.analysis.health import Health
from spatial.analysis.holes import Hole
from spatial.findings import Finding, Severity

_TOGETHER = 8
"""Samples between the starts of one hole in different channels."""

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
            "dropout",
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
            "dropout",
            Severity.LOOK,
            f"{name} holds {gap.length / rate_hz:.1f} s of digital silence from {gap.start / rate_hz:.2f} s on "
            f"{_which([gap], names)}, cut in abruptly: if nobody muted it, sound was lost there",
            name,
            take_time_s=gap.start / rate_hz,
        )
    if faint:
        yield Finding(
            "dropout",
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
            "dropout",
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
            "dropout",
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
        if together and abs(hole.start - together[-1][0].start) <= _TOGETHER:
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
