"""Shoots and films for the film benchmark: invented people who move and sound, filmed in takes that look alike, and
films cut from them, graded, scaled, coded again, with titles, dissolves and black.

Everything is drawn and simulated here, and what is true of each shot is written down as the film is cut.
"""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from demo_audio.simulate import Performer, Rig, Room, simulate_shoot
from demo_audio.write_movie import write_movie
from spatial.conventions import FloatArray
from spatial.field import azimuth_elevation, encode, unit_vectors
from spatial.media.movies.remux import MovieForm, SoundCoding
from spatial.media.movies.remux import write_movie as write_headset
from spatial.media.output import TrackWriter
from spatial.picture import parse_picture
from spatial.rotation import YawPitchRoll, matrix_from_ypr, turn_field
from spatial.timebase import samples_for_frames
from tests.scenes.stage import plucked, recorded_words, speech

EYE_PX = 96
RATE_HZ = 48_000


# --- people ---


@dataclass(frozen=True, slots=True, eq=False)
class Person:
    """Somebody who stands in the picture and moves."""

    azimuth_deg: float
    elevation_deg: float
    distance_m: float
    colour: tuple[int, int, int]
    sway: FloatArray
    """Degrees left and up of where they stand, shape (2, frames)."""
    arm: FloatArray
    """How an arm is held, radians, shape (frames,)."""
    mouth: FloatArray
    """How wide the mouth is open, 0 to 1, shape (frames,)."""


def slow_noise(frames: int, width: float, size: float, rng: np.random.Generator) -> FloatArray:
    """A wandering number: noise smoothed over `width` frames, with scatter `size`."""
    noise = gaussian_filter1d(rng.standard_normal(frames + 8 * int(width) + 8), width)[4 * int(width) :][:frames]
    return np.asarray(noise / max(noise.std(), 1e-9) * size)


def make_person(
    place: tuple[float, float, float], frames: int, rate: float, calm: float, rng: np.random.Generator
) -> Person:
    """Somebody at an azimuth, elevation (degrees) and distance; `calm` below 1 moves less."""
    away = 2.0 / place[2]
    sway = np.stack(
        [slow_noise(frames, 0.6 * rate, 1.2 * calm * away, rng), slow_noise(frames, 0.5 * rate, 0.4 * calm * away, rng)]
    )
    arm = slow_noise(frames, 0.35 * rate, 0.5 * calm, rng)
    talks = np.clip(slow_noise(frames, 0.9 * rate, 1.0, rng) + 0.3, 0, 1) > 0.1
    mouth = talks * np.abs(np.sin(np.cumsum(rng.uniform(0.2, 1.1, frames)))) * rng.uniform(0.4, 1.0, frames)
    colour = tuple(int(part) for part in rng.integers(40, 220, 3))
    return Person(*place, (colour[0], colour[1], colour[2]), sway, arm, mouth)


# --- places ---


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """Where clips are filmed: what stands still, and where the people stand."""

    wall: FloatArray
    """Equirect 180, one eye, shape (EYE_PX, EYE_PX, 3)."""
    stands: tuple[tuple[float, float, float], ...]


def make_place(rng: np.random.Generator) -> Place:
    """A room with a floor, a ceiling, furniture and textures."""
    size = EYE_PX
    image = np.empty((size, size, 3))
    horizon = int(size * rng.uniform(0.45, 0.6))
    image[:horizon] = rng.uniform(60, 200, 3)
    image[horizon:] = rng.uniform(40, 150, 3)
    image *= 1 + 0.25 * gaussian_filter(rng.standard_normal((size, size)), 12)[..., np.newaxis] * 12
    for _ in range(int(rng.integers(8, 20))):
        top, left = rng.integers(0, size - 12, 2)
        high, wide = rng.integers(6, size // 3, 2)
        image[top : top + high, left : left + wide] = rng.uniform(20, 235, 3)
    image += 6 * gaussian_filter(rng.standard_normal((size, size)), 1.0)[..., np.newaxis] * 3
    count = int(rng.integers(2, 5))
    azimuths = np.linspace(-50, 50, count) + rng.uniform(-8, 8, count)
    stands = tuple((float(az), float(rng.uniform(-8, 10)), float(rng.uniform(1.3, 3.5))) for az in azimuths)
    return Place(np.clip(image, 0, 255).astype(np.float32), stands)


@dataclass(frozen=True, slots=True, eq=False)
class ClipPlan:
    """One clip as it is to be filmed."""

    name: str
    place: Place
    people: tuple[Person, ...]
    frames: int
    rate: Fraction
    layout: str
    crossed: bool
    """Whether the right eye stands left of the left one."""
    seed: int


def draw_eye(plan: ClipPlan, number: int, eye: int) -> FloatArray:
    """One eye's equirect 180 picture of a frame, shape (EYE_PX, EYE_PX, 3)."""
    image = plan.place.wall.copy()
    size = EYE_PX
    for person in sorted(plan.people, key=lambda each: -each.distance_m):
        # The right eye has near things further left.
        parallax = (1 if eye else -1) * np.degrees(np.arctan(0.032 / person.distance_m))
        left = person.azimuth_deg + person.sway[0, number] + parallax
        up = person.elevation_deg + person.sway[1, number]
        x, y = (90 - left) / 180 * size, (90 - up) / 180 * size
        unit = np.degrees(1.0 / person.distance_m) / 180 * size  # pixels of a metre

        def oval(cx: float, cy: float, rx: float, ry: float, colour: Sequence[float]) -> None:
            x0, x1 = int(max(cx - rx - 1, 0)), int(min(cx + rx + 2, size))
            y0, y1 = int(max(cy - ry - 1, 0)), int(min(cy + ry + 2, size))
            if x0 >= x1 or y0 >= y1:
                return
            columns, rows = np.arange(x0, x1) + 0.5, np.arange(y0, y1)[:, np.newaxis] + 0.5
            away = np.sqrt(((columns - cx) / rx) ** 2 + ((rows - cy) / ry) ** 2)
            cover = np.clip((1 - away) * min(rx, ry) + 0.5, 0, 1)[..., np.newaxis]
            image[y0:y1, x0:x1] = (1 - cover) * image[y0:y1, x0:x1] + cover * np.asarray(colour, dtype=float)

        colour = person.colour
        oval(x, y + 0.65 * unit, 0.24 * unit, 0.5 * unit, colour)
        swing = person.arm[number]
        hand = x + 0.45 * unit * np.cos(swing), y + 0.45 * unit - 0.4 * unit * np.sin(swing)
        for part in (0.4, 0.6, 0.8, 1.0):
            oval(
                x + part * (hand[0] - x),
                y + 0.35 * unit + part * (hand[1] - y - 0.35 * unit),
                0.07 * unit + 0.3,
                0.07 * unit + 0.3,
                (225, 185, 160),
            )
        oval(x, y - 0.05 * unit, 0.13 * unit, 0.18 * unit, (225, 185, 160))
        oval(x, y + 0.02 * unit, 0.05 * unit + 0.2, (0.01 + 0.06 * person.mouth[number]) * unit + 0.2, (90, 35, 40))
    return image


def frames_of(plan: ClipPlan) -> Iterator[np.ndarray]:
    """A clip's frames as the camera writes them, uint8."""
    rng = np.random.default_rng(plan.seed)
    warp = None
    if plan.layout.startswith("fisheye"):
        eye = parse_picture(plan.layout.removesuffix("-sbs").removesuffix("-tb"), EYE_PX, EYE_PX)
        warp = nearest(fisheye_places(eye.field_of_view_rad))
    grain = (rng.standard_normal((4, EYE_PX, EYE_PX, 1)) * 1.5).astype(np.float32)
    eyes = 2 if plan.layout.endswith(("-sbs", "-tb")) else 1
    for number in range(plan.frames):
        views = []
        for eye in range(eyes):
            image = draw_eye(plan, number, 1 - eye if plan.crossed else eye)
            if warp is not None:
                image = warped(image, warp)
            views.append(image + grain[rng.integers(4)])
        axis = 0 if plan.layout.endswith("-tb") else 1
        yield np.clip(np.rint(np.concatenate(views, axis=axis)), 0, 255).astype(np.uint8)


def fisheye_places(view_rad: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Where each pixel of a fisheye is in an equirect 180 picture, and which are inside the circle."""
    steps = (np.arange(EYE_PX) + 0.5) / EYE_PX * 2 - 1
    right, down = np.meshgrid(steps, steps)
    radius = np.hypot(right, down)
    angle = radius * view_rad / 2
    about = np.arctan2(-down, -right)
    vectors = np.stack([np.cos(angle), np.sin(angle) * np.cos(about), np.sin(angle) * np.sin(about)], axis=-1)
    azimuth, elevation = azimuth_elevation(vectors)
    inside = (radius <= 1) & (np.abs(azimuth) <= np.pi / 2)
    return (0.5 - elevation / np.pi) * EYE_PX - 0.5, (0.5 - azimuth / np.pi) * EYE_PX - 0.5, inside.astype(float)


def nearest(places: tuple[FloatArray, FloatArray, FloatArray]) -> tuple[np.ndarray, np.ndarray]:
    """Index of the nearest pixel for each, and which show anything."""
    rows, columns, inside = places
    row = np.clip(np.rint(rows), 0, EYE_PX - 1).astype(int)
    column = np.clip(np.rint(columns), 0, EYE_PX - 1).astype(int)
    return (row * EYE_PX + column).ravel(), inside.ravel() > 0


def warped(image: np.ndarray, places: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """A picture read at other places; black outside."""
    index, inside = places
    out = image.reshape(-1, 3)[index]
    out[~inside] = 0
    return out.reshape(EYE_PX, EYE_PX, 3)


def turned_places(yaw_deg: float, pitch_deg: float, roll_deg: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Where each pixel of a picture that is turned a little is in the equirect 180 one it was made of."""
    from scipy.spatial.transform import Rotation

    steps = (np.arange(EYE_PX) + 0.5) / EYE_PX
    vectors = unit_vectors((0.5 - steps)[np.newaxis, :] * np.pi, (0.5 - steps)[:, np.newaxis] * np.pi)
    vectors = vectors @ Rotation.from_euler("ZYX", [yaw_deg, -pitch_deg, roll_deg], degrees=True).as_matrix().T
    azimuth, elevation = azimuth_elevation(vectors)
    return (0.5 - elevation / np.pi) * EYE_PX - 0.5, (0.5 - azimuth / np.pi) * EYE_PX - 0.5, np.ones((EYE_PX, EYE_PX))


def make_clips(
    folder: Path,
    rng: np.random.Generator,
    *,
    places: int = 3,
    takes: int = 3,
    seconds: tuple[float, float] = (15, 40),
    rate: Fraction = Fraction(25),
    layout: str = "equirect180-sbs",
    calm: float = 1.0,
    crossed: bool = False,
) -> list[ClipPlan]:
    """Write a shoot's clips, without sound: some places, some takes in each."""
    plans = []
    for number in range(places):
        place = make_place(rng)
        for take in range(takes):
            frames = round(float(rng.uniform(*seconds)) * float(rate))
            people = tuple(make_person(stand, frames, float(rate), calm, rng) for stand in place.stands)
            plan = ClipPlan(
                f"c{number}t{take}.mp4", place, people, frames, rate, layout, crossed, int(rng.integers(1 << 31))
            )
            plans.append(plan)
    for plan in plans:
        write_movie(
            folder / plan.name,
            frames=frames_of(plan),
            frame_rate=plan.rate,
            video_options={"preset": "veryfast", "crf": "14", "g": "25"},
        )
    return plans


# --- films ---


@dataclass(frozen=True, slots=True)
class TrueShot:
    """One shot as it was cut."""

    clip: int | None
    """None for black or a picture from elsewhere."""
    first: int
    """The clip's frame it starts with."""
    frames: int
    dissolve: int = 0
    """Film frames over which it fades in over the end of the shot before."""
    film_first: int = 0


@dataclass(frozen=True, slots=True)
class Look:
    """What is done to the picture of a film."""

    gain: float = 1.0
    gamma: float = 1.0
    lift: float = 0.0
    saturation: float = 1.0
    size_px: tuple[int, int] = (256, 128)
    crf: int = 20
    layout: str = "equirect180-sbs"
    turn_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    title: bool = False


def make_cut(
    plans: Sequence[ClipPlan],
    count: int,
    rng: np.random.Generator,
    *,
    dissolves: float = 0.15,
    black: float = 0.05,
    seconds: tuple[float, float] = (1.2, 8.0),
) -> list[TrueShot]:
    """A cut of so many shots: some from the same clip as the last, some of another take of the same place."""
    shots: list[TrueShot] = []
    film = 0
    while len(shots) < count:
        last = shots[-1] if shots else None
        if last is not None and last.clip is not None and rng.random() < black:
            frames = int(rng.integers(8, 30))
            shots.append(TrueShot(None, 0, frames, 0, film))
            film += frames
            continue
        clip = int(rng.integers(len(plans)))
        if last is not None and last.clip is not None and rng.random() < 0.35:
            clip = last.clip if rng.random() < 0.4 else clip
            same = [n for n, plan in enumerate(plans) if plan.place is plans[last.clip].place]
            clip = int(rng.choice(same))
        plan = plans[clip]
        frames = min(round(float(rng.uniform(*seconds)) * float(plan.rate)), plan.frames - 4)
        first = int(rng.integers(0, plan.frames - frames + 1))
        if last is not None and last.clip == clip and abs(last.first + last.frames - first) < 12:
            continue
        dissolve = 0
        if last is not None and last.clip is not None and rng.random() < dissolves and frames > 50:
            dissolve = int(rng.integers(8, 26))
            over = plans[last.clip].frames - (last.first + last.frames)
            dissolve = min(dissolve, over)
        shots.append(TrueShot(clip, first, frames, dissolve if dissolve > 2 else 0, film))
        film += frames
    return shots


def decoded(path: Path, first: int, stop: int) -> Iterator[np.ndarray]:
    """Frames of a clip, red, green, blue."""
    with av.open(str(path)) as source:
        stream = source.streams.video[0]
        rate = stream.average_rate
        source.seek(int(first / rate / stream.time_base), stream=stream)
        for frame in source.decode(stream):
            number = round(float(frame.pts * stream.time_base * rate))
            if number >= stop:
                return
            if number >= first:
                yield frame.to_ndarray(format="rgb24")


class Finisher:
    """Does to pictures what a film's finishing does."""

    def __init__(self, look: Look, layout: str, rng: np.random.Generator) -> None:
        self._look, self._layout = look, layout
        curve = look.lift + 255 * look.gain * (np.arange(256) / 255) ** look.gamma
        self._curve = np.clip(np.rint(curve), 0, 255).astype(np.uint8)
        self._title = rng.uniform(0.0, 0.6), float(rng.uniform(0.0, 0.6))
        self._places = None
        if layout.startswith("fisheye"):
            self._places = nearest(self._equirect_places(layout))
        if any(look.turn_deg):
            turn = nearest(turned_places(*look.turn_deg))
            there = (np.arange(EYE_PX**2), np.ones(EYE_PX**2, bool)) if self._places is None else self._places
            self._places = there[0][turn[0]], there[1][turn[0]]

    @staticmethod
    def _equirect_places(layout: str) -> tuple[FloatArray, FloatArray, FloatArray]:
        eye = parse_picture(layout.removesuffix("-sbs").removesuffix("-tb"), EYE_PX, EYE_PX)
        steps = (np.arange(EYE_PX) + 0.5) / EYE_PX
        vectors = unit_vectors((0.5 - steps)[np.newaxis, :] * np.pi, (0.5 - steps)[:, np.newaxis] * np.pi)
        angle = np.arctan2(np.hypot(vectors[..., 1], vectors[..., 2]), vectors[..., 0])
        about = np.arctan2(vectors[..., 2], vectors[..., 1])
        radius = angle / eye.field_of_view_rad * EYE_PX
        return (
            EYE_PX / 2 - radius * np.sin(about) - 0.5,
            EYE_PX / 2 - radius * np.cos(about) - 0.5,
            np.ones((EYE_PX, EYE_PX)),
        )

    def __call__(self, image: np.ndarray) -> np.ndarray:
        """A film's picture of a clip's, uint8, before it is scaled."""
        axis = 0 if self._layout.endswith("-tb") else 1
        eyes = np.split(image, 2, axis=axis) if self._layout.endswith(("-sbs", "-tb")) else [image]
        look = self._look
        out = []
        for eye in eyes:
            view = self._curve[eye]
            if look.saturation != 1.0:
                gray = view.mean(axis=2, dtype=np.float32)[..., np.newaxis]
                view = np.clip(gray + look.saturation * (view - gray), 0, 255).astype(np.uint8)
            if self._places is not None:
                view = warped(view, self._places)
            if look.title:
                top, left = (int(part * EYE_PX) for part in self._title)
                view[top : top + EYE_PX // 3 : 3, left : left + EYE_PX // 3 * 2] = 245
                view[top : top + EYE_PX // 3, left : left + EYE_PX // 3 * 2 : 4] = 245
            out.append(view)
        if len(out) == 1:
            out = out * 2
        if look.layout.endswith("-sbs"):
            return np.concatenate(out, axis=1)
        return np.concatenate(out, axis=0) if look.layout.endswith("-tb") else out[0]


def film_frames(
    folder: Path, plans: Sequence[ClipPlan], shots: Sequence[TrueShot], look: Look, rng: np.random.Generator
) -> Iterator[np.ndarray]:
    """The film's frames, finished but not scaled."""
    finisher = {plan.layout: Finisher(look, plan.layout, rng) for plan in plans}
    titled = [look.title and rng.random() < 0.4 for _ in shots]
    plain = {layout: Finisher(replace(look, title=False), layout, rng) for layout in finisher}

    def of(n: int, first: int, stop: int) -> Iterator[FloatArray]:
        shot = shots[n]
        plan = plans[shot.clip]
        make = (finisher if titled[n] else plain)[plan.layout]
        return (make(image) for image in decoded(folder / plan.name, first, stop))

    shape = None
    for n, shot in enumerate(shots):
        if shot.clip is None:
            for _ in range(shot.frames):
                yield np.zeros(shape, np.uint8)
            continue
        tail: Iterator[FloatArray] = iter(())
        if shot.dissolve:
            last = shots[n - 1]
            tail = of(n - 1, last.first + last.frames, last.first + last.frames + shot.dissolve)
        for number, image in enumerate(of(n, shot.first, shot.first + shot.frames)):
            old = next(tail, None)
            if old is not None:
                part = (number + 1) / (shot.dissolve + 1)
                image = np.rint(part * image + (1 - part) * old).astype(np.uint8)
            shape = image.shape
            yield image


def scaled(frames: Iterator[np.ndarray], size: tuple[int, int]) -> Iterator[np.ndarray]:
    """Frames at another size."""
    for image in frames:
        frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(image), format="rgb24")
        yield frame.reformat(width=size[0], height=size[1], interpolation="BICUBIC").to_ndarray(format="rgb24")


# --- sound ---

LAGS_S = {"lag 20 ms": 0.020, "lag 40 ms": 0.040, "lag 80 ms": 0.080}

FAULTS = (*LAGS_S, "slip", "order", "normalisation", "turned 90", "turned 180", "mirrored", "missing channel",
          "inverted channel", "another take")  # fmt: skip
"""Twelve things that go wrong on the last mile."""

NAMED_BY = {
    "lag 20 ms": {"lip_sync"},
    "lag 40 ms": {"lip_sync"},
    "lag 80 ms": {"lip_sync"},
    "slip": {"lip_sync"},
    "order": {"swapped_channels"},
    "normalisation": {"convention_guess", "gain_mismatch"},
    "turned 90": {"facing"},
    "turned 180": {"facing"},
    "mirrored": {"mirrored", "polarity"},
    "missing channel": {"dead_channel"},
    "inverted channel": {"polarity", "mirrored"},
    "another take": {"other_sound"},
}
"""By which codes each is named. One of X, Y and Z inverted is a mirror image: the same thing."""

_FADE = round(0.010 * RATE_HZ)


def make_track(plan: ClipPlan, rng: np.random.Generator) -> tuple[FloatArray, list[tuple[int, float, float]]]:
    """What the recorder on the rig picks up of a clip's people, who talk in turns; and who talks when.

    Returns
    -------
    field : ndarray, shape (4, samples)
    turns : list of (person, start_s, end_s)
    """
    seconds = plan.frames / float(plan.rate)
    words = recorded_words()
    room = Room((7.0, 6.0, 3.0), 0.35)
    rig = Rig(lens_m=(3.2, 3.1, 1.5), facing_azimuth_deg=20.0)
    samples = round((seconds + 1.0) * RATE_HZ)
    signals = np.zeros((len(plan.people), samples))
    turns, at_s, who = [], 0.0, int(rng.integers(len(plan.people)))
    while at_s < seconds:
        long_s = float(rng.uniform(1.5, 3.0))
        piece = speech(words, long_s, rng)
        first = round(at_s * RATE_HZ)
        cut = piece[: samples - first]
        signals[who, first : first + cut.size] += cut
        turns.append((who, at_s, min(at_s + long_s, seconds)))
        at_s += long_s
        who = (who + 1 + int(rng.integers(max(len(plan.people) - 1, 1)))) % len(plan.people)
    performers = []
    for number, person in enumerate(plan.people):
        towards = unit_vectors(np.radians(person.azimuth_deg), np.radians(person.elevation_deg))
        place = rig.place(person.distance_m * 0.8 * towards)
        performers.append(Performer(str(number), (float(place[0]), float(place[1]), float(place[2])), signals[number]))
    shoot = simulate_shoot(room, rig, performers, duration_s=seconds, rng=rng)
    wanted = samples_for_frames(plan.frames, plan.rate, RATE_HZ)
    sound = shoot.field[:, :wanted]
    sound = np.pad(sound, ((0, 0), (0, wanted - sound.shape[1])))
    noise = rng.standard_normal(sound.shape) * np.array([[1.0], [0.58], [0.58], [0.58]])
    return 0.2 * sound / np.max(np.abs(sound)) + 2e-4 * noise, turns


def write_track(folder: Path, plan: ClipPlan, sound: FloatArray) -> None:
    """A finished track with its sidecar, as `conform` leaves them."""
    (folder / "tracks").mkdir(exist_ok=True)
    path = folder / "tracks" / f"{Path(plan.name).stem}.wav"
    with TrackWriter(path) as track:
        track.write(sound)
    facts = {
        "output": {"path": str(path)},
        "clip": {"path": str(folder / plan.name), "frames": plan.frames},
        "applied": {"mount": {"matrix": np.eye(3).tolist()}},
    }
    path.with_suffix(".json").write_text(json.dumps(facts), encoding="utf-8")


def write_marks(folder: Path, plan: ClipPlan, turns: Sequence[tuple[int, float, float]]) -> None:
    """Who is seen talking where and when, beside the clip."""
    lines = ["who,start_s,end_s,azimuth_deg,elevation_deg,distance_m"]
    for who, start_s, end_s in turns:
        person = plan.people[who]
        if end_s - start_s > 1.0:
            lines.append(
                f"person {who},{start_s + 0.1:.2f},{end_s - 0.1:.2f},{person.azimuth_deg:.1f},"
                f"{person.elevation_deg:.1f},{0.8 * person.distance_m:.1f}"
            )
    (folder / f"{Path(plan.name).stem}.marks.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def music(samples: int, rng: np.random.Generator) -> FloatArray:
    """A stereo bed laid into the field from two sides, shape (4, samples)."""
    parts = [plucked(samples / RATE_HZ + 0.1, rng)[:samples] for _ in range(2)]
    return sum(encode(part, np.radians(side), 0.0) for part, side in zip(parts, (40.0, -40.0), strict=True))


def cut_sound(
    shots: Sequence[TrueShot],
    tracks: Sequence[FloatArray],
    plans: Sequence[ClipPlan],
    faults: Sequence[str],
    rng: np.random.Generator,
    *,
    music_db: float | None = None,
) -> FloatArray:
    """The film's field: each shot's own sound with its fault, cut hard with short fades, and a music bed under all."""
    rate = float(plans[0].rate)
    total = round((shots[-1].film_first + shots[-1].frames) / rate * RATE_HZ)
    out = np.zeros((4, total + _FADE))
    for n, (shot, fault) in enumerate(zip(shots, faults, strict=True)):
        if shot.clip is None:
            continue
        first = round(shot.film_first / rate * RATE_HZ)
        stop = min(round((shot.film_first + shot.frames) / rate * RATE_HZ), total)
        tail = shots[n + 1].dissolve if n + 1 < len(shots) else 0
        fade_out = round(tail / rate * RATE_HZ) if tail else _FADE
        source = tracks[shot.clip]
        if fault == "another take":
            place = plans[shot.clip].place
            source = tracks[next(k for k, plan in enumerate(plans) if plan.place is place and k != shot.clip)]
        start = round(shot.first / rate * RATE_HZ)
        # Early sound plays what belongs to a later moment of the picture.
        lag = LAGS_S.get(fault, 0.0) * (1 if rng.random() < 0.5 else -1)
        piece = _span(source, start + round(lag * RATE_HZ), stop - first + fade_out)
        if fault == "slip":
            half = piece.shape[1] // 2
            jump = round(float(rng.choice([-1, 1])) * 0.08 * RATE_HZ)
            piece[:, half:] = _span(source, start + jump, stop - first + fade_out)[:, half:]
        piece = faulty(piece, fault, rng) * 10 ** (rng.uniform(-3, 3) / 20)
        rise = round(shot.dissolve / rate * RATE_HZ) if shot.dissolve else _FADE
        piece[:, :rise] *= np.linspace(0, 1, rise)
        piece[:, -fade_out:] *= np.linspace(1, 0, fade_out)
        fits = min(piece.shape[1], out.shape[1] - first)
        out[:, first : first + fits] += piece[:, :fits]
    out = out[:, :total]
    if music_db is not None:
        bed = music(total, rng)
        level = 10 ** (music_db / 20) * np.std(out[0]) / max(float(np.std(bed[0])), 1e-9)
        out = out + level * bed
    return out / max(1.0, float(np.max(np.abs(out))) / 0.9)


def faulty(piece: FloatArray, fault: str, rng: np.random.Generator) -> FloatArray:
    """A shot's field with what goes wrong with its channels."""
    if fault == "order":
        return piece[[0, 3, 1, 2]]
    if fault == "normalisation":
        return piece * np.array([[1.0], [3**0.5], [3**0.5], [3**0.5]])
    if fault.startswith("turned"):
        yaw = 180.0 if fault == "turned 180" else float(rng.choice([-90.0, 90.0]))
        return turn_field(piece, matrix_from_ypr(YawPitchRoll.from_degrees(yaw, 0.0, 0.0)))
    if fault in ("mirrored", "inverted channel", "missing channel"):
        channel = 1 if fault == "mirrored" else int(rng.integers(1, 4))
        return piece * np.where(np.arange(4) == channel, 0.0 if fault == "missing channel" else -1.0, 1.0)[:, None]
    return piece


def write_film(path: Path, frames: Iterator[np.ndarray], rate: Fraction, sound: FloatArray, crf: int) -> None:
    """A film with its field in it, as `headset` writes one."""
    silent = path.with_name(f"{path.stem}-picture.mov")
    options = {"preset": "veryfast", "crf": str(crf)}
    write_movie(silent, frames=frames, frame_rate=rate, video_options=options)
    form = MovieForm(".mov", SoundCoding.PCM, None)
    write_headset(silent, [sound.astype(np.float32)], path, form=form)
    silent.unlink()


def _span(sound: FloatArray, first: int, count: int) -> FloatArray:
    """Samples from `first` on, zeros beyond either end."""
    out = np.zeros((4, count))
    low, high = max(first, 0), min(first + count, sound.shape[1])
    if low < high:
        out[:, low - first : high - first] = sound[:, low:high]
    return out
