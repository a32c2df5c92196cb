"""What independent programs say of fields that are encoded, turned and weighed here; skipped in words where absent.

`ear` is ITU-R BS.2127's reference renderer. It pins old libraries, so it lives in an environment of its own, whose
Python the variable SOUNDPLUMB_EAR names. `spaudiopy` and `pyloudnorm` (the extra "opinions") run beside ours.
"""

import json
import os
import subprocess
import warnings

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from spatial.dsp.loudness import LoudnessMeter
from spatial.field import ChannelFormat, encode, internal_from, unit_vectors
from spatial.field import azimuth_elevation as angles_of
from spatial.rotation import turn_field

EAR = os.environ.get("SOUNDPLUMB_EAR")
DIRECTIONS = np.radians([[0, 0], [90, 0], [-90, 0], [180, 0], [30, 20], [-120, -45], [75, 60], [10, -85]])
TURNS = [Rotation.from_euler("ZYX", angles, degrees=True).as_matrix() for angles in ([70, 0, 0], [-20, 35, 110])]
_ASK = """
import json, sys
import numpy as np
from ear.core import hoa
told = json.load(sys.stdin)
norm = {"SN3D": hoa.norm_SN3D, "N3D": hoa.norm_N3D, "FuMa": hoa.norm_FuMa}[told["norm"]]
n, m = hoa.from_acn(np.arange(4))
rows = [hoa.sph_harm(n, m, azimuth, elevation, norm=norm).tolist() for azimuth, elevation in told["directions"]]
json.dump(rows, sys.stdout)
"""


def ear_gains(directions, norm="SN3D"):
    """Gains in ACN order that BS.2127's renderer gives plane waves, shape (directions, 4)."""
    told = json.dumps({"directions": np.asarray(directions).tolist(), "norm": norm})
    done = subprocess.run(
        [str(EAR), "-W", "ignore", "-c", _ASK], input=told, text=True, capture_output=True, check=True
    )
    return np.array(json.loads(done.stdout))


needs_ear = pytest.mark.skipif(EAR is None, reason="SOUNDPLUMB_EAR names no Python that has ITU-R BS.2127's `ear`")


@needs_ear
def test_the_reference_renderer_encodes_alike():
    ours = [encode(np.ones(1), *direction)[:, 0] for direction in DIRECTIONS]
    np.testing.assert_allclose(ours, ear_gains(DIRECTIONS), atol=1e-9)


@needs_ear
@pytest.mark.parametrize("turn", TURNS)
def test_a_turned_field_is_the_reference_renderers_of_the_turned_direction(turn):
    turned = [turn_field(encode(np.ones(1), *direction), turn)[:, 0] for direction in DIRECTIONS]
    there = np.stack(angles_of(unit_vectors(*DIRECTIONS.T) @ turn.T), axis=1)
    np.testing.assert_allclose(turned, ear_gains(there), atol=1e-6)


@needs_ear
def test_the_reference_renderer_has_n3d_and_fuma_as_they_are_read():
    for norm, read_as, order in (("N3D", ChannelFormat.N3D, [0, 1, 2, 3]), ("FuMa", ChannelFormat.FUMA, [0, 3, 1, 2])):
        recorded = ear_gains(DIRECTIONS, norm)[:, order].T
        np.testing.assert_allclose(internal_from(recorded, read_as).T, ear_gains(DIRECTIONS), atol=1e-6)


@pytest.fixture
def sph():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it looks for loudspeakers to play on
        return pytest.importorskip("spaudiopy", reason="the extra 'opinions' (spaudiopy) is not installed").sph


@pytest.mark.parametrize("angles", [(70, 0, 0), (0, 35, 0), (0, 0, 110), (-20, 35, 110)])
def test_spaudiopy_turns_by_the_inverse_of_what_is_asked(sph, angles):
    """Its matrix for yaw, pitch and roll is the inverse of scipy's "zyx"; its encoder needs an older scipy."""
    theirs = sph.sh_rotation_matrix(1, *np.radians(angles), sh_type="real")
    turn = Rotation.from_euler("zyx", angles, degrees=True).as_matrix()
    field = np.random.default_rng(2).standard_normal((4, 50))
    np.testing.assert_allclose(turn_field(field.astype(np.float32), turn), theirs.T @ field, atol=1e-5)


def test_pyloudnorm_weighs_alike():
    meter = pytest.importorskip("pyloudnorm", reason="the extra 'opinions' (pyloudnorm) is not installed")
    rng = np.random.default_rng(9)
    for level in (0.3, 0.01):
        sound = level * rng.standard_normal(5 * 48_000) * np.repeat(rng.uniform(0.05, 1.0, 50), 4_800)
        ours = LoudnessMeter(48_000)
        ours.add(sound[np.newaxis])
        assert ours.integrated_lufs == pytest.approx(meter.Meter(48_000).integrated_loudness(sound), abs=0.1)
