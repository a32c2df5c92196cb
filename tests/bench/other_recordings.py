"""How well lavaliers and booms are lined up with the main track, and told from an ambisonic take's own channels.

Each scene is a room, three performers by turns with a lavalier each (20 cm under the mouth), a boom over them, and an
ambisonic microphone; every recorder has a clock of its own. The right lag of a lavalier is that of its wearer: the
voice leaves the mouth, reaches the lavalier, and later the main microphone; lined up, both begin together. The right
lag of the boom is that of any of the three.
Development seeds 1 to 6; reported are others.
Run: python -m tests.bench.other_recordings [SCENES] [FIRST]
"""

import sys
from dataclasses import dataclass

import numpy as np
import soxr
from scipy.signal import oaconvolve

from demo_audio.boxes import power_while_sounding, record
from demo_audio.rooms import HALF_KERNEL, image_sources, path_response
from demo_audio.simulate import Performer, Rig, Room, add_at, simulate_shoot
from spatial.conventions import SPEED_OF_SOUND_M_S, FloatArray, W
from spatial.dsp.samples import ArraySamples
from spatial.rotation import YawPitchRoll
from spatial.sync.close_microphone import line_up
from spatial.sync.envelope import WORKING_RATE_HZ, EnvelopeBuilder
from spatial.sync.one_place import no_lag_ratio
from tests.scenes.stage import RATE
from tests.scenes.sync import KINDS, performers_by_turns

LENGTH_S, EARLY_S = 40.0, 5.0
"""Of the track; and how much longer each other recorder runs, before and after."""


@dataclass(frozen=True, slots=True, eq=False)
class CloseScene:
    """One scene; all sound but the field at WORKING_RATE_HZ."""

    kind: str
    rt60_s: float
    track: FloatArray
    """W, shape (1, samples)."""
    field: FloatArray
    """Shape (4, samples), 48 kHz."""
    others: list[tuple[str, FloatArray, list[float], float]]
    """Name, sound, right offsets in seconds (any of them), clock in ppm."""
    apart: FloatArray
    """The four other recordings as if they were the channels of one take, shape (4, samples), 48 kHz."""


def make_scene(seed: int) -> CloseScene:
    """A room, three performers by turns, three lavaliers and a boom."""
    rng = np.random.default_rng([seed, 41])
    kind = KINDS[int(rng.integers(len(KINDS)))]
    size = (rng.uniform(4.5, 9.0), rng.uniform(4.5, 9.0), rng.uniform(2.5, 3.8))
    room = Room(size, rng.uniform(0.3, 0.7))
    lens = (size[0] / 2 + rng.uniform(-0.5, 0.5), size[1] / 2 + rng.uniform(-0.5, 0.5), rng.uniform(1.3, 1.6))
    rig = Rig(lens, rng.uniform(-180, 180), (0.0, 0.0, -0.2), YawPitchRoll(0.0, 0.0, 0.0))
    total_s = LENGTH_S + 2 * EARLY_S
    performers = performers_by_turns(kind, rig, size, total_s, rng)
    shoot = simulate_shoot(room, rig, performers, duration_s=total_s, rng=rng)
    noise_dbfs = 10 * np.log10(power_while_sounding(shoot.field[:1], rate_hz=RATE)) - rng.uniform(10.0, 25.0)
    field = record(shoot.field, rate_hz=RATE, start_s=EARLY_S, duration_s=LENGTH_S, rng=rng, noise_dbfs=noise_dbfs)
    main = rig.place(rig.mic_offset_m)
    middle = np.mean([np.asarray(one.position_m) for one in performers], axis=0)
    places = [(one.who, np.asarray(one.position_m) + np.array([0.05, 0.0, -0.19]), [one]) for one in performers]
    places.append(("boom", np.array([middle[0], middle[1], min(middle[2] + 0.7, size[2] - 0.2)]), performers))
    others, sounds = [], []
    for name, place, closest in places:
        heard = _heard_at(room, performers, np.clip(place, 0.15, np.asarray(size) - 0.15), total_s, rng)
        start_s, ppm = rng.uniform(0.0, 2.0), rng.uniform(-60, 60)
        own_noise = 10 * np.log10(power_while_sounding(heard, rate_hz=RATE)) - 40.0
        sound = record(
            heard, rate_hz=RATE, start_s=start_s, duration_s=total_s - start_s - 0.1, rng=rng, clock_ppm=ppm,
            noise_dbfs=own_noise,
        )  # fmt: skip
        lags = []
        for one in closest:
            far, near = (float(np.linalg.norm(np.asarray(one.position_m) - at)) for at in (main, place))
            lags.append((EARLY_S - start_s - (far - near) / SPEED_OF_SOUND_M_S) * (1 + ppm * 1e-6))
        others.append((name, _working(sound), lags, ppm))
        sounds.append(sound[:, : round(30 * RATE)])
    return CloseScene(kind, room.rt60_s, _working(field[W : W + 1]), field, others, np.concatenate(sounds))


def _heard_at(
    room: Room, performers: list[Performer], place: FloatArray, total_s: float, rng: np.random.Generator
) -> FloatArray:
    out = np.zeros((1, round(total_s * RATE)))
    for one in performers:
        images = image_sources(room, one.position_m, tuple(place.tolist()), rng=rng)
        distances = np.linalg.norm(images.positions_m - place, axis=1)
        first, shift = divmod(one.start_s * RATE, 1.0)
        response = path_response(distances, images.gains[np.newaxis], images.late, shift=shift)
        add_at(out, oaconvolve(response, one.signal[np.newaxis], axes=1), int(first) - HALF_KERNEL)
    return out


def _working(sound: FloatArray) -> FloatArray:
    return np.asarray(soxr.resample(sound.T, RATE, WORKING_RATE_HZ, quality="HQ").T, dtype=np.float32)


def envelope(sound: FloatArray) -> FloatArray:
    """The envelope that sync works with."""
    builder = EnvelopeBuilder()
    builder.push(sound)
    return builder.finish()


def main(scenes: int, first: int) -> None:
    """Print the table, and a line for each miss."""
    errors: dict[str, list[float]] = {"lavalier": [], "boom": []}
    held: dict[str, list[bool]] = {"lavalier": [], "boom": []}
    drifts: list[float] = []
    lost = {"lavalier": 0, "boom": 0}
    false, tried, shares = 0, 0, ([], [])  # type: tuple[int, int, tuple[list[float], list[float]]]
    before: list[FloatArray] = []
    for seed in range(first, first + scenes):
        scene = make_scene(seed)
        track, powers = ArraySamples(scene.track, WORKING_RATE_HZ), envelope(scene.track)
        for name, sound, right_s, ppm in scene.others:
            what = "boom" if name == "boom" else "lavalier"
            told = line_up(track, ArraySamples(sound, WORKING_RATE_HZ), (powers, envelope(sound)))
            if told.law is None or told.sd_s is None:
                lost[what] += 1
                print(f"seed {seed} ({scene.kind}, RT60 {scene.rt60_s:.2f} s), {name}: not matched, {told.reason}")
                continue
            middle = LENGTH_S / 2
            at = told.law.take_from_clip(middle) - middle
            off = min((at - right - ppm * 1e-6 * middle for right in right_s), key=abs)
            errors[what].append(abs(off))
            held[what].append(abs(off) < 1.96 * told.sd_s)
            drifts.append(abs(told.law.drift_ppm - ppm))
            if abs(off) > 0.001:
                print(f"seed {seed} ({scene.kind}), {name}: off by {1e3 * off:.2f} ms, said ±{1.96e3 * told.sd_s:.2f}")
        for sound in before:
            tried += 1
            told = line_up(track, ArraySamples(sound, WORKING_RATE_HZ), (powers, envelope(sound)))
            false += told.law is not None
        before = [sound for _, sound, _, _ in scene.others]
        shares[0].append(no_lag_ratio(scene.field, RATE))
        shares[1].append(no_lag_ratio(scene.apart, RATE))
    print("\n| | matched | median, ms | 95 %, ms | worst, ms | interval holds |\n|---|---|---|---|---|---|")
    for what, found in errors.items():
        ms = 1e3 * np.array(found)
        counts = f"{len(found)} of {len(found) + lost[what]}"
        print(
            f"| {what} | {counts} | {np.median(ms):.2f} | {np.quantile(ms, 0.95):.2f} | {ms.max():.2f} | "
            f"{100 * np.mean(held[what]):.0f} % |"
        )
    drift = f"{np.median(drifts):.1f} ppm in the median, {np.max(drifts):.1f} at most"
    print(f"\nDrift off by {drift}, over {LENGTH_S:.0f} s.")
    print(f"Recordings of other scenes matched: {false} of {tried}.")
    own, apart = shares
    print(
        f"Agreement without a lag over that with one: one microphone's channels {min(own):.2f} to {max(own):.2f}, ",
        end="",
    )
    print(f"four recordings {min(apart):.2f} to {max(apart):.2f}.")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 12, int(sys.argv[2]) if len(sys.argv) > 2 else 1)
