"""What headset says of the track under a film that has sound of its own: right tracks, wrong ones, late ones.

Run: python -m tests.bench.headset_track [COUNT] [FIRST]   (writes tests/bench/results/headset_track.md)

Nothing was chosen on any seed: the rules are those that hold takes against clips, and the limits of ITU-R BT.1359-1.
"""

import sys
import tempfile
from collections import Counter
from fractions import Fraction
from pathlib import Path

import numpy as np
import soundfile

from demo_audio.write_movie import write_movie
from spatial.conventions import FloatArray
from spatial.jobs.film_doubts import own_sound, track_findings
from spatial.media.movies.clip import open_clip
from spatial.media.takes.take import open_take
from tests.bench.headset import LENGTH_S, RATE, make_field
from tests.scenes.film import music

FIRST_SEED, COUNT = 300, 20
LATE_S = 0.5


def camera_sound(field: FloatArray, rng: np.random.Generator) -> FloatArray:
    """What the camera hears of a field: left and right, its gain riding by 12 dB, noise 25 dB below, shape (2, n)."""
    heard = np.stack([field[0] + 0.5 * field[1], field[0] - 0.5 * field[1]])
    ride = 10 ** (6 * np.sin(2 * np.pi * np.arange(heard.shape[1]) / RATE / 5.0 + rng.uniform(0, 6)) / 20)
    heard = heard * ride / max(float(np.max(np.abs(heard * ride))), 1e-9) * 0.3
    return np.asarray(heard + rng.standard_normal(heard.shape) * heard.std() * 10 ** (-25 / 20))


def films_of(field: FloatArray, rng: np.random.Generator) -> dict[str, FloatArray]:
    """The sounds that a film of this field may have of its own."""
    scratch = camera_sound(field, rng)
    bed = music(field.shape[1], rng)
    bed = np.stack([bed, bed]) if bed.ndim == 1 else bed[:2]
    bed = bed / max(float(np.max(np.abs(bed))), 1e-9) * 0.3
    mix = np.stack([field[0] + field[1], field[0] - field[1]])
    mix = mix / max(float(np.max(np.abs(mix))), 1e-9) * 0.3
    return {
        "the camera's": scratch,
        "a stereo mix, music 10 dB below": mix + bed * 10 ** (-10 / 20),
        "music alone": bed,
    }


def answer(film: Path, track: Path) -> str:
    """What is said of a film and a track, in a word."""
    clip, take = open_clip(film), open_take(track)
    own = own_sound(clip, take)
    graves = [finding.severity.value for finding in (*own.findings, *track_findings(clip, take, own))]
    return graves[0] if graves else "in step" if own.lip_sync is not None else "cannot tell"


def main() -> None:
    """Measure and write the table."""
    count, first = (int(word) for word in (*sys.argv[1:], *(COUNT, FIRST_SEED)[len(sys.argv) - 1 :]))
    found: dict[tuple[str, str], Counter[str]] = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _, other = make_field(first + count)
        for seed in range(first, first + count):
            rng = np.random.default_rng(seed)
            _, field = make_field(seed)
            late = np.concatenate([np.zeros((4, round(LATE_S * RATE))), field], axis=1)[:, : field.shape[1]]
            tracks = {"its own": field, f"its own, {LATE_S:g} s late": late, "another scene's": other}
            for what, sound in tracks.items():
                soundfile.write(folder / f"{what}.wav", sound.T, RATE, "PCM_24")
            picture = np.zeros((32, 64, 3), dtype=np.uint8)
            for of, sound in films_of(field, rng).items():
                film = folder / "film.mov"
                frames = (picture for _ in range(round(25 * LENGTH_S)))
                write_movie(film, frames=frames, frame_rate=Fraction(25), audio=sound)
                for what in tracks:
                    found.setdefault((of, what), Counter())[answer(film, folder / f"{what}.wav")] += 1
            other = field
            print(seed, flush=True)
    answers = ("in step", "cannot tell", "look", "fix")
    lines = [
        "# What headset says of the track under a film that has sound of its own",
        "",
        f"`python -m tests.bench.headset_track {count} {first}`: {count} rooms with voices, strings, claps and noise, "
        f"{LENGTH_S:g} s each (seeds {first} to {first + count - 1}); no sidecar names a clip.",
        "",
        f"| the film's own sound | the track | {' | '.join(answers)} |",
        "|---|---|---|---|---|---|",
        *(
            f"| {of} | {what} | {' | '.join(str(told[each]) for each in answers)} |"
            for (of, what), told in found.items()
        ),
    ]
    path = Path(__file__).parent / "results" / "headset_track.md"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines))


if __name__ == "__main__":
    main()
