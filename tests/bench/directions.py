"""How well a performer's direction is found in rooms: four estimators on the same scenes, by condition.

Each scene is heard by an ideal microphone and by a real one (demo_audio.microphones).
Run: python -m tests.bench.directions [COUNT]   (writes tests/bench/results/directions_real.md)
The constants were chosen on seeds 5000 to 5063; the results are of seeds from 1000 on.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.ndimage import uniform_filter

from spatial.conventions import FloatArray
from spatial.direction.doa import MARK_FRAMES_S, Pulls, densest_direction, span_direction
from spatial.direction.intensity import BAND_HZ, FRAME_S, FieldBins, field_bins
from spatial.direction.microphone_error import ORDINARY
from spatial.dsp.stft import frame_spectrum
from spatial.field import angle_between, unit_vectors
from spatial.rotation import matrix_from_ypr
from tests.scenes.rooms import KINDS, make_scene, on_both_cores, rows_of
from tests.scenes.stage import RATE

FIRST_SEED = 1000
REGION_95 = 2.448
"""Radius of the 95 % region of two equal independent errors, in standard deviations (Rayleigh)."""

SPANS_S = (3.0, 1.0, 0.4)


@dataclass(frozen=True, slots=True)
class Turn:
    """One performer heard for one span; errors in degrees, NaN where unheard."""

    kind: str
    rt60_s: float
    snr_db: float
    distance_m: float
    span_s: float
    ours: float
    sd: float
    """As stated: with what is unknown of the microphone."""
    own_sd: float
    """Without it."""
    real: bool
    others: dict[str, float]


def plain_average(bins: FieldBins) -> FloatArray:
    """Mean intensity of the span: what everybody tries first."""
    return np.asarray(bins.intensity.sum(axis=(1, 2)))


def least_diffuse(bins: FieldBins) -> FloatArray:
    """Mean direction of the tenth of the bins that carry the most of their energy as flow."""
    length = np.linalg.norm(bins.intensity, axis=0)
    ruled = length / np.maximum(bins.energy, 1e-30)
    chosen = ruled >= np.quantile(ruled, 0.9)
    pointing = bins.intensity[:, chosen] / np.maximum(length[chosen], 1e-30)
    return np.asarray(np.sum(pointing * bins.energy[chosen] ** 0.25, axis=1))


def onset_average(bins: FieldBins) -> FloatArray:
    """Densest place of the bins at onsets that look like a single wave, none of them loose along its swing."""
    weight = bins.weights(0.13)
    unit = bins.pull / np.maximum(np.linalg.norm(bins.pull, axis=1, keepdims=True), 1e-12)
    return densest_direction(Pulls(unit, np.zeros_like(unit), weight))


def one_source_cells(field: FloatArray) -> FloatArray:
    """Densest place of cells whose local covariance has one large eigenvalue (direct-path dominance test).

    After Nadiri and Rafaely 2014, IEEE/ACM TASLP 22(10), from memory: covariance over 4 frames and 4 bins.
    """
    hop = round(FRAME_S * RATE / 2)
    spectrum = frame_spectrum(field, 2 * hop, hop)
    low, high = (round(edge * 2 * hop / RATE) for edge in BAND_HZ)
    cells = spectrum[[0, 3, 1, 2], :, low : high + 1]
    cross = cells[:, np.newaxis] * np.conj(cells[np.newaxis])
    size = (1, 1, 4, 4)
    cross = uniform_filter(cross.real, size)[..., ::2, ::2] + 1j * uniform_filter(cross.imag, size)[..., ::2, ::2]
    values, vectors = np.linalg.eigh(np.moveaxis(cross, (0, 1), (2, 3)))
    purity = values[..., -1] / np.maximum(values[..., -2], 1e-30)
    kept = purity >= np.quantile(purity, 0.95)
    first = vectors[kept][:, :, -1]
    pointing = np.real(first[:, 1:] * np.conj(first[:, :1]))
    pointing /= np.maximum(np.linalg.norm(pointing, axis=1, keepdims=True), 1e-12)
    return densest_direction(Pulls(pointing, np.zeros_like(pointing), np.ones(len(pointing))))


OTHERS: dict[str, Callable[[FieldBins], FloatArray]] = {
    "plain mean intensity": plain_average,
    "tenth least diffuse": least_diffuse,
    "onsets of single waves": onset_average,
}
CELLS = "cells of one source"


def measure(task: tuple[int, bool]) -> list[Turn]:
    """Every turn of a scene, in spans of several lengths, through a real microphone or the ideal one."""
    seed, real = task
    scene = make_scene(seed, rt60_s=(0.2, 0.8), diffuse_snr_db=(5.0, 25.0), turn_s=3.3, rounds=1, real=real)
    field = scene.shoot.field.astype(np.float32)
    bins = field_bins(field, RATE)
    marked = [field_bins(field, RATE, frame_s=frame_s) for frame_s in MARK_FRAMES_S]
    mount = matrix_from_ypr(scene.rig.mount)
    turns = []
    for number, start, _ in scene.turns:
        view = scene.shoot.truth[number].from_mic
        truth = unit_vectors(view.azimuth_rad, view.elevation_rad)

        def off(vector: FloatArray, truth: FloatArray = truth) -> float:
            return float(np.degrees(angle_between(mount @ vector / np.linalg.norm(vector), truth)))

        for span_s in SPANS_S:
            # Short spans from somewhere inside, where the room is already full of sound.
            begin = start if span_s == max(SPANS_S) else start + 0.9
            ours = span_direction(marked, begin, begin + span_s)
            others = {}
            if span_s == max(SPANS_S):
                own = bins.between(begin, begin + span_s)
                others = {name: off(estimate(own)) for name, estimate in OTHERS.items()}
                first, last = round(begin * RATE), round((begin + span_s) * RATE)
                others[CELLS] = off(one_source_cells(field[:, first:last]))
            error = off(ours.vector) if ours.heard else float("nan")
            unknown = ORDINARY.sd_rad(ours.vector[np.newaxis])[0]
            turns.append(
                Turn(
                    scene.kind,
                    scene.room.rt60_s,
                    scene.snr_db,
                    view.distance_m,
                    span_s,
                    error,
                    float(np.degrees(np.hypot(ours.sd_rad, unknown))),
                    float(np.degrees(ours.sd_rad)),
                    real,
                    others,
                )
            )
    return turns


def groups_of(turns: list[Turn]) -> dict[str, list[Turn]]:
    """By condition."""
    ordinary = "speech, RT60 0.3 to 0.7 s (the goal: 2, 6)"
    groups = {ordinary: [turn for turn in turns if turn.kind == "speech" and 0.3 <= turn.rt60_s <= 0.7]}
    groups |= {kind: [turn for turn in turns if turn.kind == kind] for kind in KINDS}
    for low, high in ((0.2, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.8)):
        groups[f"RT60 {low:g} to {high:g} s"] = [turn for turn in turns if low <= turn.rt60_s < high]
    for low, high in ((5, 10), (10, 15), (15, 25)):
        groups[f"noise {low} to {high} dB down"] = [turn for turn in turns if low <= turn.snr_db < high]
    for low, high in ((1.0, 1.5), (1.5, 2.0), (2.0, 3.1)):
        groups[f"{low:g} to {high:g} m"] = [turn for turn in turns if low <= turn.distance_m < high]
    return {"all": turns, **groups}


def calibration_rows(turns: list[Turn]) -> list[str]:
    """How often the stated regions hold the truth, by condition and length of span."""
    lines = ["", "| group | " + " | ".join(f"{span:g} s" for span in SPANS_S) + " |", "|---|" + "---|" * len(SPANS_S)]
    for name, members in groups_of(turns).items():
        cells = []
        for span in SPANS_S:
            own = [turn for turn in members if turn.span_s == span]
            heard = [turn for turn in own if np.isfinite(turn.ours)]
            held = 100 * np.mean([turn.ours < REGION_95 * turn.sd for turn in heard]) if heard else float("nan")
            wild = sum(turn.ours > 15 for turn in heard)
            cells.append(f"{held:.0f} % of {len(heard)}, {len(own) - len(heard)} unheard, {wild} off by over 15°")
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return lines


def own_rows(turns: list[Turn]) -> list[str]:
    """How often regions hold the truth that know nothing of the microphone, beside those that do, in spans of 3 s."""
    heard = [turn for turn in turns if turn.span_s == max(SPANS_S) and np.isfinite(turn.ours)]
    lines = ["", "| group | turns | held, scatter of the bins alone | held, as stated | median stated sd |"]
    lines.append("|---|---|---|---|---|")
    for name, own in groups_of(heard).items():
        if own:
            alone, stated = (
                100 * np.mean([turn.ours < REGION_95 * getattr(turn, part) for turn in own])
                for part in ("own_sd", "sd")
            )
            sd = np.median([turn.sd for turn in own])
            lines.append(f"| {name} | {len(own)} | {alone:.0f} % | {stated:.0f} % | {sd:.1f}° |")
    return lines


def of_microphone(turns: list[Turn]) -> list[str]:
    """The tables of one microphone."""
    whole = [turn for turn in turns if turn.span_s == max(SPANS_S)]
    heard = [turn for turn in whole if np.isfinite(turn.ours)]
    return [
        "| group | turns | median | 95 % | worst |",
        "|---|---|---|---|---|",
        *rows_of({f"{name}, ours": [turn.ours for turn in own] for name, own in groups_of(heard).items()}),
        *rows_of({f"all, {name}": [turn.others[name] for turn in whole] for name in (*OTHERS, CELLS)}),
        *rows_of(
            {
                f"{kind}, {name}": [turn.others[name] for turn in whole if turn.kind == kind]
                for kind in KINDS
                for name in (*OTHERS, CELLS)
            }
        ),
        "",
        "How often the stated 95 % regions hold the truth, in spans of three lengths (the short ones cut anywhere, "
        "so some fall into a rest):",
        *calibration_rows(turns),
        "",
        "What the microphone's own unknowns add to that, which no length of sound makes smaller:",
        *own_rows(turns),
        "",
    ]


def main(count: int) -> str:
    """The tables."""
    seeds = range(FIRST_SEED, FIRST_SEED + count)
    turns = [turn for scene in on_both_cores(measure, [(s, r) for s in seeds for r in (False, True)]) for turn in scene]
    lines = [
        "# Direction of one performer in simulated rooms",
        "",
        f"`python -m tests.bench.directions {count}`: {count} scenes (seeds {FIRST_SEED} to {FIRST_SEED + count - 1}; "
        "the constants were chosen on seeds 5000 to 5063), three performers each at 1 to 3 m, RT60 0.2 to 0.8 s, "
        "diffuse noise at 5 to 25 dB, a floor bounce always. Error: great-circle angle in the housing's axes, degrees, "
        "over 3 s.",
        "",
        "## The ideal microphone",
        "",
        *of_microphone([turn for turn in turns if not turn.real]),
        "## Real microphones, one for each scene (demo_audio.microphones)",
        "",
        *of_microphone([turn for turn in turns if turn.real]),
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    text = main(int(sys.argv[1]) if len(sys.argv) > 1 else 204)
    print(text)
    (Path(__file__).parent / "results" / "directions_real.md").write_text(text, encoding="utf-8")
