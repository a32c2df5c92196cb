"""The sync plot: whole files, every window where it belongs, and nothing invented where there is nothing to draw."""

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_hex
from matplotlib.figure import Figure

from spatial.errors import OutputError
from spatial.field import ChannelFormat
from spatial.findings import Finding, Severity
from spatial.jobs.sync.sync_result import SyncResult
from spatial.media.movies.clip import Clip
from spatial.media.movies.scratch import Scratch
from spatial.media.takes.take import Take
from spatial.report.plots.style import ACCENT, INK
from spatial.report.plots.sync_plot import write_sync_plot
from spatial.sync.alignment import SyncEstimate, SyncEvidence
from spatial.timebase import ClockLaw, ClockStep
from tests.pictures import check_whole, every_kind

NAN = float("nan")
CLIP = Clip(Path("scene.mov"), 60.0, None, None, None, None, None, None, None)
TAKE = Take(Path("take.wav"), 48_000, 4, 100 * 48_000, "WAV", "PCM_24", ChannelFormat.AMBIX)
TIMES = np.arange(1.0, 60.0, 2.0)


def evidence_along(law, off_s, weights=None, *, times=TIMES):
    """Windows that lie off_s from a law, and a peak of 30 over a runner-up of 6."""
    lags = 1e-3 * np.arange(-40.0, 40.25, 0.25)
    curve = 0.002 * np.sin(7e3 * lags)
    curve[160] = 0.3
    curve[40] = 0.06
    return SyncEvidence(
        times_s=times,
        lags_s=np.array([law.take_from_clip(t) - t for t in times]) + off_s,
        weights=np.ones(times.size) if weights is None else weights,
        places_s=np.zeros(times.size),
        signs=np.ones(2),
        score=30.0,
        rival=6.0,
        peak_lags_s=lags,
        peak_curve=curve,
        separation_m=np.zeros(3),
        separation_sd_m=np.ones(3),
    )


def result_of(law=ClockLaw(3.217, 12.3), off_s=0.0, weights=None, **changes):  # noqa: B008 frozen
    evidence = evidence_along(law, off_s, weights)
    steady = ClockLaw(law.offset_s + 30.0 * law.drift_ppm * 1e-6, steps=law.steps)
    estimate = SyncEstimate(True, "", law, 1e-4, 1.0, evidence, steady)
    return SyncResult(CLIP, TAKE, replace(estimate, **changes), ())


def unmatched(evidence=None, *, undecided=False):
    reason = "they do not seem to hear the same event (best likeness 4.6, 10 needed)"
    lost = SyncEstimate(False, reason, None, None, None, evidence, undecided=undecided)
    return SyncResult(CLIP, TAKE, lost, ())


@pytest.fixture
def draw(monkeypatch, tmp_path):
    """Write a plot and hand back its figure."""
    figures = []
    save = Figure.savefig

    def keep(figure, *arguments, **options):
        figures.append(figure)
        return save(figure, *arguments, **options)

    monkeypatch.setattr(Figure, "savefig", keep)

    def run(result):
        write_sync_plot(result, tmp_path / "plot.png", force=True)
        return figures[-1]

    return run


def title(figure):
    return figure.get_suptitle()


def words(axes):
    return [text.get_text() for text in axes.texts]


def dots(axes, label):
    """Places of the dots of one kind, shape (dots, 2)."""
    found = [np.asarray(drawn.get_offsets()) for drawn in axes.collections if drawn.get_label() == label]
    return np.concatenate(found) if found else np.zeros((0, 2))


# --- files --------------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("result", [result_of(), unmatched()], ids=["match", "no match"])
@every_kind
def test_the_file_is_whole_and_what_its_name_says(tmp_path, result, name):
    write_sync_plot(result, tmp_path / name)
    check_whole(tmp_path / name)


@pytest.mark.parametrize("name", ["plot.jpg", "plot", ".png"])
def test_another_suffix_is_refused(tmp_path, name):
    with pytest.raises(OutputError, match=r"end the name in \.png, \.svg, \.pdf"):
        write_sync_plot(result_of(), tmp_path / name)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_an_existing_file_needs_force(tmp_path):
    path = tmp_path / "plot.png"
    write_sync_plot(result_of(), path)
    first = path.read_bytes()
    with pytest.raises(OutputError, match="exists already"):
        write_sync_plot(result_of(), path)
    assert path.read_bytes() == first
    write_sync_plot(result_of(), path, force=True)
    assert path.read_bytes() == first
    path.write_bytes(first + b"changed")
    with pytest.raises(OutputError, match="not a plot just as soundplumb wrote it"):
        write_sync_plot(result_of(), path, force=True)
    assert path.read_bytes() == first + b"changed"


def test_what_we_did_not_draw_is_not_replaced_even_with_force(tmp_path):
    path = tmp_path / "photo.png"
    path.write_bytes(b"mine")
    with pytest.raises(OutputError, match="not a plot that soundplumb wrote"):
        write_sync_plot(result_of(), path, force=True)
    assert path.read_bytes() == b"mine"


def test_an_input_is_never_written_over(tmp_path):
    path = tmp_path / "clip.png"
    path.write_bytes(b"mine")
    with pytest.raises(OutputError):
        write_sync_plot(result_of(), path, force=True, inputs=[path])
    assert path.read_bytes() == b"mine"


@pytest.mark.slow
def test_pyplot_is_left_alone():
    """It would keep every figure, and look for a screen."""
    code = "import sys, spatial.report.plots.sync_plot; print('matplotlib.pyplot' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


# --- the title ----------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    ("result", "said"),
    [
        (result_of(), "Sure: take.wav starts 3.2170 s before scene.mov (±0.20 ms), recorder 12.3 ppm fast"),
        (
            result_of(ClockLaw(-1.5, -80.0), offset_sd_s=0.014),
            "Sure: take.wav starts 1.5000 s after scene.mov (±27 ms), recorder 80.0 ppm slow",
        ),
        (
            result_of(ClockLaw(3.0, 0.5)),
            "Sure: take.wav starts 3.0000 s before scene.mov (±0.20 ms), no drift found (within 2.5 ppm)",
        ),
        (
            unmatched(),
            "No match: take.wav and scene.mov:\nthey do not seem to hear the same event (best likeness 4.6, 10 needed)",
        ),
    ],
)
def test_the_title_is_the_answer(draw, result, said):
    assert title(draw(result)) == said


@pytest.mark.slow
def test_the_title_is_no_surer_than_the_answer(draw):
    doubt = Finding("ambiguous_match", Severity.LOOK, "both fit", "scene.mov")
    assert title(draw(replace(result_of(), findings=(doubt,), doubts=(doubt,)))).startswith("Unsure: take.wav")
    assert title(draw(unmatched(undecided=True))).startswith("Cannot tell whether take.wav belongs to scene.mov:")


@pytest.mark.slow
@pytest.mark.parametrize("name", ["a$b_{c}$.wav", "two\nlines\x1b[2J.wav", "音.wav", "bad\udcff.wav"])
def test_any_file_name_can_be_drawn(draw, name):
    figure = draw(replace(result_of(), take=replace(TAKE, path=Path(name), parts=())))
    assert "\n" not in title(figure)
    assert "Sure: " in title(figure)


# --- the windows --------------------------------------------------------------------------------------------


def test_windows_lie_where_they_are_off_the_law(draw):
    """Later in the take is up; ms; on clip time."""
    off = np.zeros(TIMES.size)
    off[3], off[10] = 0.4e-3, -0.2e-3
    windows = draw(result_of(off_s=off)).axes[0]
    places = dots(windows, "window")
    assert places[:, 0] == pytest.approx(TIMES)
    assert places[:, 1] == pytest.approx(1e3 * off, abs=1e-6)
    assert "later" in windows.get_ylabel().split("→")[1]
    assert "30 of 30 agree" in windows.get_title(loc="left")


def test_windows_are_moved_from_sound_time_to_picture_time(draw):
    """The law counts from the first picture frame, windows from the first sound sample, phase_s later."""
    law, phase = ClockLaw(3.0, 500.0), 1.5e-5
    heard = Scratch("aac", 48_000, 2, phase, 0.0, 0.0)
    estimate = result_of(law).estimate
    estimate = replace(estimate, law=ClockLaw(law.take_from_clip(-phase), law.drift_ppm))
    windows = draw(SyncResult(replace(CLIP, scratch=heard), TAKE, estimate, ())).axes[0]
    assert dots(windows, "window")[:, 1] == pytest.approx(np.zeros(TIMES.size), abs=1e-6)


def test_what_a_place_in_the_room_adds_is_taken_off(draw):
    """Where the evidence says it: a performer off to one side is no error of the clock."""
    places = np.resize([0.3e-3, -0.2e-3], TIMES.size)
    result = result_of(off_s=places)
    told = {name: getattr(result.estimate.evidence, name) for name in SyncEvidence.__slots__}
    evidence = SyncEvidence(**{**told, "places_s": places})
    windows = draw(replace(result, estimate=replace(result.estimate, evidence=evidence))).axes[0]
    assert dots(windows, "window")[:, 1] == pytest.approx(np.zeros(TIMES.size), abs=1e-6)


def test_outliers_are_hollow_and_far_ones_stand_at_the_edge(draw):
    off, weights = np.zeros(TIMES.size), np.ones(TIMES.size)
    off[2], off[5], off[9] = 0.5e-3, 3.0, -40e-3
    weights[[2, 5, 9]] = 0.0
    windows = draw(result_of(off_s=off, weights=weights)).axes[0]
    assert len(dots(windows, "window")) == TIMES.size - 3
    assert dots(windows, "outlier").tolist() == [[pytest.approx(TIMES[2]), pytest.approx(0.5)]]
    edge = dots(windows, "off the sheet")
    assert sorted(edge[:, 1].tolist()) == [-1.0, 1.0]  # at the edge, which they have not moved
    for drawn in windows.collections:
        if drawn.get_label() in ("outlier", "off the sheet"):
            assert drawn.get_facecolor().size == 0
    assert {text.get_text() for text in windows.get_legend().get_texts()} == {
        "fitted law, 95 % band", "window", "outlier", "off the sheet",
    }  # fmt: skip
    assert "27 of 30 agree" in windows.get_title(loc="left")


@pytest.mark.slow
@pytest.mark.parametrize(("scatter_s", "limit"), [(1e-5, 1.0), (0.9e-3, 1.0), (1.5e-3, 2.0), (30e-3, 50.0)])
def test_good_and_bad_do_not_look_alike(draw, scatter_s, limit):
    """The axis reaches 1 ms at least: a small scatter is seen to be small, and a large one is all shown."""
    off = scatter_s * np.resize([1.0, -1.0], TIMES.size)
    windows = draw(result_of(off_s=off)).axes[0]
    assert windows.get_yticks()[-1] == pytest.approx(limit)
    assert len(dots(windows, "window")) == TIMES.size


def test_heavier_windows_are_larger(draw):
    weights = np.linspace(0.5, 1.0, TIMES.size)
    windows = draw(result_of(weights=weights)).axes[0]
    [sizes] = [drawn.get_sizes() for drawn in windows.collections if drawn.get_label() == "window"]
    assert np.all(np.diff(sizes) > 0)


@pytest.mark.slow
def test_the_band_is_95_percent_and_narrowest_in_the_middle(draw):
    """At clip time 0 it is 1.96 times the offset's deviation; the middle is what the slope does not reach."""
    windows = draw(result_of(offset_sd_s=2e-4, drift_sd_ppm=5.0)).axes[0]
    edge = next(line for line in windows.lines if np.ptp(line.get_ydata()) > 0)
    half = np.abs(edge.get_ydata())
    assert half[0] == pytest.approx(1.96 * 0.2, rel=1e-6)
    middle = np.sqrt(0.2**2 - (30.0 * 5e-3) ** 2)
    assert half[100] == pytest.approx(1.96 * middle, rel=1e-6)
    assert half[-1] == pytest.approx(half[0], rel=1e-6)


@pytest.mark.slow
def test_the_law_that_is_used_is_drawn_where_it_is_not_the_fitted_one(draw):
    """0.5 ppm within 1 ppm is no drift: the line used falls from +15 to -15 microseconds against the fitted one."""
    windows = draw(result_of(ClockLaw(3.0, 0.5))).axes[0]
    [used] = [line for line in windows.lines if line.get_label() == "used: no drift"]
    assert used.get_linestyle() == "--"
    assert used.get_ydata()[[0, -1]] == pytest.approx([0.015, -0.015], rel=1e-6)
    assert not [line for line in draw(result_of()).axes[0].lines if line.get_label() == "used: no drift"]


@pytest.mark.slow
def test_steps_are_named_by_who_lost_what_and_the_windows_follow_them(draw):
    """Take time that jumps back is sound the recorder lost."""
    law = ClockLaw(3.0, 12.0, (ClockStep(20.0, -0.0234, 1e-5), ClockStep(45.0, 0.0051, 1e-5)))
    windows = draw(result_of(law)).axes[0]
    assert words(windows) == ["recorder lost 23.4 ms here", "camera lost 5.1 ms here"]
    verticals = [line.get_xdata()[0] for line in windows.lines if len(line.get_xdata()) == 2]
    assert verticals == [20.0, 45.0]
    assert dots(windows, "window")[:, 1] == pytest.approx(np.zeros(TIMES.size), abs=1e-6)
    assert windows.get_yticks()[-1] == 1.0


# --- peak and coverage --------------------------------------------------------------------------------------


def test_the_peak_has_the_strength_and_the_runner_up_a_ring(draw):
    peak = draw(result_of()).axes[2]
    curve = peak.lines[0]
    assert np.max(curve.get_ydata()) == pytest.approx(30.0)
    assert curve.get_xdata()[np.argmax(curve.get_ydata())] == pytest.approx(0.0)
    ring = next(line for line in peak.lines if line.get_marker() == "o")
    assert (ring.get_xdata()[0], ring.get_ydata()[0]) == pytest.approx((-30.0, 6.0))
    assert "next best place: 6" in words(peak)
    assert peak.get_title(loc="left") == "Likeness: strength 30, 8 needed"


def test_no_match_shows_the_noise_where_there_is_some(draw):
    evidence = replace(
        evidence_along(ClockLaw(0.0), 0.0), times_s=np.zeros(0), lags_s=np.zeros(0), weights=np.zeros(0), score=5.0
    )
    windows, covered, peak = draw(unmatched(evidence)).axes
    assert words(windows) == ["There is no law to hold windows against."]
    assert words(covered) == ["where it lies is not known"]
    assert np.max(peak.lines[0].get_ydata()) == pytest.approx(5.0)
    assert peak.get_ylim()[1] > 8.0  # what would have been needed is on the sheet
    assert "best place" in peak.get_xlabel()


def test_no_match_without_evidence_says_so(draw):
    peak = draw(unmatched()).axes[2]
    assert "too little to draw" in peak.get_title(loc="left")
    assert peak.lines[:] == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("offset_s", "take_s", "said"),
    [
        (3.0, 100.0, ["◂ began 3.000 s before", "runs on for 37.000 s ▸"]),
        (-10.0, 100.0, ["10.00 s missing", "runs on for 50.000 s ▸"]),
        (3.0, 43.0, ["20.00 s missing", "◂ began 3.000 s before"]),
        (-10.0, 30.0, ["10.00 s missing", "20.00 s missing"]),
    ],
)
def test_what_is_covered_is_said(draw, offset_s, take_s, said):
    take = replace(TAKE, samples=round(take_s * 48_000), parts=())
    covered = draw(replace(result_of(ClockLaw(offset_s), drift_sd_ppm=1.0), take=take)).axes[1]
    assert words(covered) == said
    hatched = [bar.get_width() for bar in covered.patches if bar.get_hatch()]
    assert hatched == pytest.approx([float(text.split()[0]) for text in said if "missing" in text])


# --- odd numbers, and eyes that see no colour -----------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("windows", [0, 1, 400])
def test_any_number_of_windows(draw, windows):
    times = np.linspace(0.5, 59.5, windows)
    estimate = replace(result_of().estimate, evidence=evidence_along(ClockLaw(3.217, 12.3), 0.0, times=times))
    drawn = draw(replace(result_of(), estimate=estimate)).axes[0]
    assert len(dots(drawn, "window")) == windows


@pytest.mark.slow
@pytest.mark.parametrize("field", ["times_s", "lags_s", "weights", "peak_curve"])
def test_nan_in_the_evidence_is_left_out(draw, field):
    result = result_of()
    spoilt = np.array(getattr(result.estimate.evidence, field))
    spoilt[:2] = NAN
    evidence = replace(result.estimate.evidence, **{field: spoilt})
    windows, _, peak = draw(replace(result, estimate=replace(result.estimate, evidence=evidence))).axes
    assert len(dots(windows, "window")) == TIMES.size - (0 if field == "peak_curve" else 2)
    assert np.all(np.isfinite(peak.lines[0].get_ydata()))


@pytest.mark.slow
@pytest.mark.parametrize("sd", [None, NAN, float("inf")])
def test_a_law_of_unknown_certainty_has_no_band(draw, sd):
    figure = draw(result_of(offset_sd_s=sd, drift_sd_ppm=sd))
    labels = [text.get_text() for text in figure.axes[0].get_legend().get_texts()]
    assert "fitted law" in labels
    assert "nan" not in title(figure)
    assert "inf" not in title(figure)


@pytest.mark.slow
def test_an_empty_or_silent_curve_is_no_peak(draw):
    evidence = result_of().estimate.evidence
    for curve in (np.zeros(0), np.zeros(5), np.full(5, NAN)):
        spoilt = replace(evidence, peak_lags_s=1e-3 * np.arange(curve.size), peak_curve=curve)
        estimate = replace(result_of().estimate, evidence=spoilt)
        assert "too little" in draw(replace(result_of(), estimate=estimate)).axes[2].get_title(loc="left")


@pytest.mark.slow
def test_a_clip_of_no_length_is_drawn(draw):
    assert "No match" in title(draw(replace(unmatched(), clip=replace(CLIP, duration_s=0.0))))


def test_the_two_inks_differ_in_lightness():
    """For printers without colour and eyes that confuse red and green: by 20 of 100 in CIE lightness at least."""

    def lightness(colour):
        channels = np.array([int(to_hex(colour)[place : place + 2], 16) / 255 for place in (1, 3, 5)])
        linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
        return 116 * float(linear @ [0.2126, 0.7152, 0.0722]) ** (1 / 3) - 16

    assert abs(lightness(INK) - lightness(ACCENT)) > 20
