"""Who stands where and what they do: the demo shoot written down.

The Withy Players, a small repertory circle of our own invention, rehearse "The Borrowed Moon" in the boathouse
at Eel Lock. All times are clip time, seconds; all angles and distances are as seen from the lens.
"""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from demo_audio.rooms import Point, Room
from demo_audio.sounds import Voice, concertina, hand_bell, hand_drum, lute, speech
from spatial.conventions import FloatArray
from spatial.rotation import YawPitchRoll

BOATHOUSE = Room((11.0, 7.0, 4.2), rt60_s=0.42)
TAMSIN = Voice("en-gb+Annie", 62, 165)
ODILE = Voice("en-gb+f4", 38, 152)

MakeSound = Callable[[np.random.Generator], FloatArray]


@dataclass(frozen=True, slots=True)
class Cue:
    """Something sounds from `start_s` on. A marked cue is one during which nobody else sounds."""

    start_s: float
    make: MakeSound
    marked: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One performer of a scene; `pose` and `sounds_with` are for the drawing."""

    who: str
    azimuth_deg: float
    elevation_deg: float
    distance_m: float
    pose: str
    sounds_with: str
    colour: tuple[int, int, int]
    cues: tuple[Cue, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One clip, its take, and everything true about them."""

    clip: str
    take: str
    layout: str
    width_px: int
    height_px: int
    frame_rate: Fraction
    frames: int
    lens_m: Point
    facing_azimuth_deg: float
    mic_offset_m: Point
    mount: YawPitchRoll
    take_lead_s: float
    """How long before the picture the recorder was started."""
    take_tail_s: float
    take_ppm: float
    marks_in_pixels: bool
    seed: int
    parts: tuple[Part, ...]

    @property
    def duration_s(self) -> float:
        """Length of the picture."""
        return float(self.frames / self.frame_rate)


def _says(voice: Voice, words: str) -> MakeSound:
    return lambda _rng: speech(voice, words)


def _squeezes(*notes: tuple[str, float]) -> MakeSound:
    return lambda rng: concertina(notes, rng=rng)


def _plucks(*notes: tuple[str, float]) -> MakeSound:
    return lambda rng: lute(notes, rng=rng)


def _drums(*strokes: tuple[float, float]) -> MakeSound:
    return lambda rng: hand_drum(strokes, rng=rng)


def _rings(*lengths_s: float) -> MakeSound:
    return lambda _rng: hand_bell(lengths_s)


LANTERN = Scene(
    clip="lantern.mp4",
    take="rec-0041.flac",
    layout="equirect180",
    width_px=480,
    height_px=480,
    frame_rate=Fraction(25),
    frames=410,
    lens_m=(2.6, 3.4, 1.55),
    facing_azimuth_deg=0.0,
    mic_offset_m=(-0.04, 0.0, 0.16),
    mount=YawPitchRoll.from_degrees(174.0, 4.0, -3.0),
    take_lead_s=3.0172,
    take_tail_s=1.0,
    take_ppm=11.0,
    marks_in_pixels=False,
    seed=41,
    parts=(
        Part(
            who="Odile",
            azimuth_deg=-56.0,
            elevation_deg=-8.0,
            distance_m=2.7,
            pose="seated",
            sounds_with="mouth",
            colour=(206, 142, 84),
            cues=(
                Cue(-2.3, _says(ODILE, "Are we recording?"), marked=False),
                Cue(0.6, _says(ODILE, "Lanterns up, please. Nine days to go, and no moon.")),
            ),
        ),
        Part(
            who="Tamsin",
            azimuth_deg=48.0,
            elevation_deg=27.0,
            distance_m=3.2,
            pose="ladder",
            sounds_with="mouth",
            colour=(122, 164, 120),
            cues=(
                Cue(5.2, _says(TAMSIN, "It is behind the spare oars. I can see it from up here.")),
                Cue(14.4, _says(TAMSIN, "Somebody hold the ladder!"), marked=False),
            ),
        ),
        Part(
            who="Bram",
            azimuth_deg=4.0,
            elevation_deg=-6.0,
            distance_m=3.5,
            pose="standing",
            sounds_with="concertina",
            colour=(150, 120, 168),
            cues=(
                Cue(
                    8.9,
                    _squeezes(
                        ("D4+A4", 0.5), ("E4", 0.25), ("F4", 0.25), ("G4+C4", 0.5), ("F4", 0.25), ("A4+D4", 0.65)
                    ),
                ),
                Cue(
                    14.0,
                    _squeezes(("A4+D4", 0.3), ("G4", 0.3), ("F4+A4", 0.3), ("E4", 0.3), ("D4+A4", 0.7)),
                    marked=False,
                ),
            ),
        ),
        Part(
            who="Juno",
            azimuth_deg=-24.0,
            elevation_deg=-3.0,
            distance_m=3.6,
            pose="standing",
            sounds_with="bell",
            colour=(108, 146, 186),
            cues=(Cue(11.7, _rings(0.8, 0.8)),),
        ),
    ),
)

SLIPWAY = Scene(
    clip="slipway.mov",
    take="rec-0042.flac",
    layout="equirect180-sbs",
    width_px=960,
    height_px=480,
    frame_rate=Fraction(30_000, 1001),
    frames=495,
    lens_m=(5.6, 1.7, 1.6),
    facing_azimuth_deg=90.0,
    mic_offset_m=(0.03, 0.0, -0.30),
    mount=YawPitchRoll.from_degrees(8.0, -5.0, 176.0),
    take_lead_s=2.2631,
    take_tail_s=1.0,
    take_ppm=80.0,
    marks_in_pixels=True,
    seed=42,
    parts=(
        Part(
            who="Juno",
            azimuth_deg=-68.0,
            elevation_deg=-20.0,
            distance_m=2.4,
            pose="floor",
            sounds_with="drum",
            colour=(108, 146, 186),
            cues=(
                Cue(0.5, _drums((0.5, 1.0), (0.25, 0.5), (0.25, 0.6), (0.5, 1.0), (0.5, 0.7), (0.5, 1.0))),
                Cue(14.0, _drums((0.6, 0.8), (0.6, 0.6), (0.6, 0.8), (0.6, 0.6), (0.4, 0.8)), marked=False),
            ),
        ),
        Part(
            who="Perrin",
            azimuth_deg=30.0,
            elevation_deg=-20.0,
            distance_m=1.3,
            pose="seated",
            sounds_with="lute",
            colour=(196, 170, 92),
            cues=(
                Cue(-1.5, _plucks(("D4", 0.5)), marked=False),
                Cue(
                    7.2,
                    _plucks(("D4", 0.3), ("F4", 0.3), ("A4", 0.3), ("G4", 0.45), ("E4", 0.3), ("C4", 0.3), ("D4", 0.6)),
                ),
                Cue(14.0, _plucks(("A3", 0.6), ("C4", 0.6), ("D4", 0.5), ("C4", 0.3), ("A3", 0.3)), marked=False),
            ),
        ),
        Part(
            who="Tamsin",
            azimuth_deg=-27.0,
            elevation_deg=1.0,
            distance_m=3.1,
            pose="standing",
            sounds_with="mouth",
            colour=(122, 164, 120),
            cues=(
                Cue(10.9, _says(TAMSIN, "I came down to the water to give back what I borrowed.")),
                Cue(14.3, _says(TAMSIN, "One lamp for the lock!"), marked=False),
            ),
        ),
        Part(
            who="Odile",
            azimuth_deg=70.0,
            elevation_deg=15.0,
            distance_m=2.5,
            pose="bench",
            sounds_with="mouth",
            colour=(206, 142, 84),
            cues=(Cue(3.4, _says(ODILE, "Give it back slowly. The moon is older than the boat.")),),
        ),
    ),
)

SCENES = (LANTERN, SLIPWAY)
