"""Which of a clip's sound tracks is taken for the camera's own sound, against what each was made of.

Run as `python -m tests.bench.soundtracks`; it writes tests/bench/results/soundtracks.md. Movies of 8 s with two to four
tracks, as PCM or AAC. The place: two voices that take turns, in level and time as a camera's two microphones hear them,
over the noise of the place 8 to 25 dB below. Beside it lies what cameras write too. A case is right where the track, or
the pair of tracks, or the channel that holds the place is the one that is read.
"""

import argparse
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

from spatial.conventions import FloatArray
from spatial.media.movies.clip import open_clip
from tests.media.test_sound_tracks import RATE, write_tracks

RESULTS = Path(__file__).parent / "results" / "soundtracks.md"
SECONDS = 8.0
SAMPLES = round(SECONDS * RATE)
Case = tuple[list[FloatArray], tuple[int, int | None, tuple[int, ...]]]
"""Tracks; and the right answer: track, track that is its right channel, channels that are used."""


def filtered(rng: np.random.Generator, slope: float, low_hz: float, high_hz: float) -> FloatArray:
    """Noise whose power falls with frequency to that power, of rms 1."""
    bins = np.fft.rfftfreq(SAMPLES, 1 / RATE)
    shape = np.where((bins > low_hz) & (bins < high_hz), np.maximum(bins, 1.0) ** (-slope / 2), 0.0)
    sound = np.fft.irfft(shape * np.fft.rfft(rng.standard_normal(SAMPLES)), SAMPLES)
    return np.asarray(sound / np.sqrt(np.mean(sound**2)))


def voice(rng: np.random.Generator) -> FloatArray:
    """Syllables, four a second or so, with rests; of rms 1."""
    knots = rng.lognormal(0.0, 0.9, round(SECONDS * rng.uniform(6, 10))) * (rng.random(1) < 2)
    rests = np.repeat(rng.random(8) < 0.75, -(-len(knots) // 8))[: len(knots)]
    level = np.interp(np.arange(SAMPLES), np.linspace(0, SAMPLES, len(knots)), knots * rests)
    sound = filtered(rng, 1.5, 100, 7000) * level
    return np.asarray(sound / np.sqrt(np.mean(sound**2)))


class Place:
    """What there is to be heard, and what each microphone hears of it."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.voices = [voice(rng), voice(rng)]
        self.ambience_db = rng.uniform(-25, -8)
        self.level = 10 ** (rng.uniform(-38, -20) / 20)

    def stereo(self) -> FloatArray:
        """The camera's two microphones, up to 20 cm apart or crossed."""
        sound = np.zeros((2, SAMPLES))
        apart_s = self.rng.uniform(0, 6e-4)
        for one in self.voices:
            side = self.rng.uniform(-1, 1)
            sound[0] += (1 + 0.4 * side) * one
            sound[1] += (1 - 0.4 * side) * np.roll(one, round(side * apart_s * RATE))
        ambience = filtered(self.rng, 1.0, 40, 15_000)
        own = np.stack([filtered(self.rng, 1.0, 40, 15_000) for _ in range(2)])
        sound += 10 ** (self.ambience_db / 20) * (0.7 * ambience + 0.7 * own)
        return self.level * sound

    def mono(self) -> FloatArray:
        """Both microphones in one."""
        return np.asarray(self.stereo().mean(axis=0, keepdims=True))

    def close(self, number: int) -> FloatArray:
        """A clip-on microphone: one voice at once and loud, the other late and faint."""
        mine, others = (
            self.voices[number],
            np.roll(self.voices[1 - number], round(self.rng.uniform(0.005, 0.02) * RATE)),
        )
        sound = mine + 0.1 * others + 0.01 * self.rng.standard_normal(SAMPLES)
        return 10 ** (self.rng.uniform(-24, -14) / 20) * sound[np.newaxis]


def nothing(channels: int) -> FloatArray:
    """An input that is not connected."""
    return np.zeros((channels, SAMPLES))


def hiss(rng: np.random.Generator, channels: int) -> FloatArray:
    """An open input's noise."""
    sound = np.stack([filtered(rng, rng.uniform(0, 1), 20, 20_000) for _ in range(channels)])
    return np.asarray(10 ** (rng.uniform(-70, -45) / 20) * sound)


def timecode(rng: np.random.Generator) -> FloatArray:
    """Linear timecode (SMPTE 12M; from memory): a change at each bit's edge, and amid each 1."""
    bits = rng.integers(0, 2, round(SECONDS * 80 * 25))
    wave = np.cumprod(np.stack([-np.ones(len(bits)), np.where(bits, -1, 1)], axis=1).ravel())
    level = 10 ** (rng.uniform(-30, -6) / 20)
    return np.asarray(level * wave[np.newaxis, np.arange(SAMPLES) * len(wave) // SAMPLES])


def shuffled(rng: np.random.Generator, best: FloatArray, others: list[FloatArray]) -> Case:
    """The best track somewhere among the others."""
    at = int(rng.integers(0, len(others) + 1))
    return [*others[:at], best, *others[at:]], (at, None, ())


def pair_with(rng: np.random.Generator, sides: FloatArray, others: list[FloatArray]) -> Case:
    """Left and right as two tracks, in a row, somewhere among the others."""
    at = int(rng.integers(0, len(others) + 1))
    return [*others[:at], sides[:1], sides[1:], *others[at:]], (at, at + 1, ())


def one_channel(rng: np.random.Generator, place: Place) -> Case:
    """Timecode in one channel, the camera's microphone in the other."""
    at = int(rng.integers(0, 2))
    sides = [place.mono(), timecode(rng)]
    return [np.concatenate(sides[:: 1 - 2 * at]), hiss(rng, 2)], (0, None, (at,))


def copies(rng: np.random.Generator, place: Place) -> Case:
    """The same twice, once much quieter."""
    stereo = place.stereo()
    return shuffled(rng, stereo, [10 ** (rng.uniform(-26, -9) / 20) * stereo])


def mono_copies(rng: np.random.Generator, place: Place) -> Case:
    """The same in two tracks of one channel, one quieter: no left and right."""
    mono = place.mono()
    return [mono, 10 ** (rng.uniform(-11, 0) / 20) * mono], (-1, None, ())


def two_close(rng: np.random.Generator, place: Place) -> Case:
    """Two clip-on microphones and nothing else: no left and right. The first, or one that is 6 dB louder."""
    del rng
    tracks = [place.close(0), place.close(1)]
    return tracks, (-1, None, ())


KINDS: dict[str, Callable[[np.random.Generator, Place], Case]] = {
    "a silent first track, stereo": lambda _, place: ([nothing(2), place.stereo()], (1, None, ())),
    "timecode, stereo": lambda rng, place: shuffled(rng, place.stereo(), [timecode(rng)]),
    "timecode, mono": lambda rng, place: shuffled(rng, place.mono(), [timecode(rng)]),
    "timecode in one channel, an open input": one_channel,
    "an open input in stereo, mono": lambda rng, place: shuffled(rng, place.mono(), [hiss(rng, 2)]),
    "an open input in mono, stereo, silence": lambda rng, place: shuffled(
        rng, place.stereo(), [hiss(rng, 1), nothing(2)]
    ),
    "the same 9 to 26 dB quieter": copies,
    "a mono mix in two channels, stereo": lambda rng, place: shuffled(
        rng, place.stereo(), [np.repeat(place.mono(), 2, axis=0) * 3]
    ),
    "a clip-on microphone, stereo": lambda rng, place: shuffled(rng, place.stereo(), [place.close(0)]),
    "left, right": lambda rng, place: pair_with(rng, place.stereo(), []),
    "left, right, an open input in stereo": lambda rng, place: pair_with(rng, place.stereo(), [hiss(rng, 2)]),
    "left, right, a clip-on microphone": lambda rng, place: pair_with(rng, place.stereo(), [place.close(1)]),
    "left, right, timecode": lambda rng, place: pair_with(rng, place.stereo(), [timecode(rng)]),
    "two clip-on microphones": two_close,
    "one microphone in two tracks, one quieter": mono_copies,
}


def answer(path: Path) -> tuple[int, int | None, tuple[int, ...]]:
    """What is read of a clip."""
    scratch = open_clip(path).scratch
    assert scratch is not None
    return scratch.track, scratch.right.track if scratch.right else None, scratch.picked


def right(case: Case, found: tuple[int, int | None, tuple[int, ...]]) -> bool:
    """Whether that is the best there is."""
    return found[1:] == (None, ()) if case[1][0] < 0 else found == case[1]


def main() -> None:
    """Run all cases and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=12, help="cases of each kind")
    parser.add_argument("--seed", type=int, default=2000)
    asked = parser.parse_args()
    rows, total, wrong = [], 0, []
    for number, (name, make) in enumerate(KINDS.items()):
        good = 0
        for each in range(asked.each):
            rng = np.random.default_rng([asked.seed, number, each])
            case = make(rng, Place(rng))
            codec = ("pcm_s16le", "aac")[each % 2]
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "c.mov"
                write_tracks(path, [np.clip(track, -1, 1) for track in case[0]], codec)
                found = answer(path)
            good += right(case, found)
            total += 1
            if not right(case, found):
                wrong.append(f"{name}, case {each} ({codec}): {found} for {case[1]}")
                print(wrong[-1], flush=True)
        rows.append(f"| {name} | {good} of {asked.each} |")
        print(rows[-1], flush=True)
    text = [
        "# Which sound track of a clip is used",
        "",
        f"`python -m tests.bench.soundtracks --each {asked.each} --seed {asked.seed}`; seeds below 2000 were used",
        "while the rules were made. Half of the movies hold PCM, half AAC. Right: the track that holds the place in",
        "stereo, or else in mono; its channel; or the two tracks that are its left and right. Of two clip-on",
        "microphones, and of one microphone in two tracks: that they are not joined.",
        "",
        "| a clip with | right |",
        "|---|---|",
        *rows,
        "",
        f"In all {total - len(wrong)} of {total}.",
        *(["", "Wrong (track, right channel, channels; each from 0):", ""] if wrong else []),
        *(f"- {one}" for one in wrong),
    ]
    RESULTS.write_text("\n".join(text) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
