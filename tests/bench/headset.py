"""What coders do to a sound field in a movie: directions, delay and leakage, over rooms and sounds.

Run: python -m tests.bench.headset [COUNT] [FIRST]   (writes tests/bench/results/headset.md)

The default bit rates were looked at on seeds below 100; seeds from 100 on are reported.
"""

import sys
import tempfile
from collections import defaultdict
from fractions import Fraction
from pathlib import Path

import numpy as np

from demo_audio.simulate import Performer, Rig, Room, simulate_shoot
from demo_audio.write_movie import write_movie as write_film
from spatial.conventions import FloatArray
from spatial.media.movies.remux import OPUS_KBPS, MovieForm, SoundCoding, field_of_movie, write_movie
from spatial.verification.field_match import FieldComparison, FieldMatch
from tests.scenes.stage import claps, plucked, recorded_words, speech

FIRST_SEED, COUNT = 100, 20
LENGTH_S, RATE = 8.0, 48_000
KINDS = ("one voice", "two voices at once", "plucked strings", "claps", "voice, strings and noise")
FORMS = (
    MovieForm(".mov", SoundCoding.PCM, None),
    *(MovieForm(".mkv", SoundCoding.OPUS, kbps) for kbps in (128, 256, 512, 768)),
    MovieForm(".mp4", SoundCoding.OPUS, OPUS_KBPS),
    *(MovieForm(".mp4", SoundCoding.AAC, kbps) for kbps in (256, 512, 768)),
)


def make_field(seed: int) -> tuple[str, FloatArray]:
    """What a microphone picks up of performers in a room; rooms, places, levels and sounds differ by seed."""
    rng = np.random.default_rng(seed)
    kind = KINDS[seed % len(KINDS)]
    size = rng.uniform((4.0, 3.5, 2.5), (9.0, 8.0, 4.0))
    room = Room(tuple(size.tolist()), float(rng.uniform(0.25, 0.8)))
    rig = Rig(lens_m=tuple((size * (0.5, 0.5, 0.5)).tolist()), facing_azimuth_deg=float(rng.uniform(0, 360)))
    words = recorded_words()
    makers = {
        "one voice": [lambda: speech(words, LENGTH_S, rng)],
        "two voices at once": [lambda: speech(words, LENGTH_S, rng)] * 2,
        "plucked strings": [lambda: plucked(LENGTH_S, rng)],
        "claps": [lambda: claps(LENGTH_S, rng)],
        "voice, strings and noise": [lambda: speech(words, LENGTH_S, rng), lambda: plucked(LENGTH_S, rng)],
    }
    performers = [
        Performer(str(number), tuple((size * rng.uniform(0.12, 0.88, 3)).tolist()), make())
        for number, make in enumerate(makers[kind])
    ]
    snr_db = float(rng.uniform(5, 15)) if "noise" in kind else float(rng.uniform(20, 40))
    shoot = simulate_shoot(room, rig, performers, duration_s=LENGTH_S, rng=rng, diffuse_snr_db=snr_db)
    level = 10 ** (rng.uniform(-30, -3) / 20)
    return kind, (shoot.field * level / np.max(np.abs(shoot.field))).astype(np.float32)


def through(field: FloatArray, form: MovieForm, folder: Path) -> FieldMatch:
    """A field, written into a movie and decoded from it."""
    film = folder / "film.mov"
    if not film.exists():
        picture = np.zeros((32, 64, 3), dtype=np.uint8)
        write_film(film, frames=(picture for _ in range(round(25 * LENGTH_S))), frame_rate=Fraction(25))
    path = folder / f"out{form.suffix}"
    write_movie(film, [field], path, form=form)
    _, blocks = field_of_movie(path, duration_s=LENGTH_S)
    arrived = np.concatenate(list(blocks), axis=1)
    missing = field.shape[1] - arrived.shape[1]
    comparison = FieldComparison(RATE)
    comparison.add(field, np.pad(arrived, ((0, 0), (0, missing))))
    return comparison.result()


def main() -> None:
    """Measure and write the table."""
    count, first = (int(word) for word in (*sys.argv[1:], COUNT, FIRST_SEED)[:2])
    if len(sys.argv) == 2:
        count, first = int(sys.argv[1]), FIRST_SEED
    found: dict[str, list[FieldMatch]] = defaultdict(list)
    by_kind: dict[str, list[FieldMatch]] = defaultdict(list)
    with tempfile.TemporaryDirectory() as name:
        for seed in range(first, first + count):
            kind, field = make_field(seed)
            for form in FORMS:
                match = through(field, form, Path(name))
                found[f"{form.in_words} ({form.suffix})"].append(match)
                if form == MovieForm(".mkv", SoundCoding.OPUS, OPUS_KBPS):
                    by_kind[f"Opus, {OPUS_KBPS} kb/s: {kind}"].append(match)
            print(seed, kind, flush=True)
    lines = [
        "# What coders do to a sound field in a movie",
        "",
        f"`python -m tests.bench.headset {count} {first}`: {count} rooms of RT60 0.25 to 0.8 s, one or two performers, "
        f"{LENGTH_S:g} s each, peaks at -30 to -3 dBFS (seeds {first} to {first + count - 1}; the default bit rate was "
        "chosen on seeds below 100). Directions: broadband 300 Hz to 5 kHz in each tenth of a second in which half of "
        "the energy or more flows one way, decoded against written.",
        "",
        "| coder | tenths | median, deg | 95 %, deg | worst scene's 95 %, deg | delay not 0 | level, dB, at most "
        "| leakage, dB, worst |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for name, matches in (*found.items(), *by_kind.items()):
        turned = np.degrees(np.concatenate([match.turned_rad for match in matches]))
        scenes = [np.degrees(match.turned_by(0.95)) for match in matches if len(match.turned_rad)]
        delays = sum(match.delay_samples != 0 for match in matches)
        gain = max((abs(match.gain_db) for match in matches), default=0.0)
        leak = max(match.leakage_db for match in matches)
        lines.append(
            f"| {name} | {turned.size} | {np.median(turned):.2f} | {np.quantile(turned, 0.95):.2f} | {max(scenes):.2f} "
            f"| {delays} of {len(matches)} | {gain:.2f} | {leak:.0f} |"
        )
    path = Path(__file__).parent / "results" / "headset.md"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines))


if __name__ == "__main__":
    main()
