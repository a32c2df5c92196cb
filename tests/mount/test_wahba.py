"""Fits of many hypotheses at once: against scipy, against simulation, and what the evidence means."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from spatial.mount import wahba
from spatial.mount.wahba import fit_rotations, subsets_without


def unit(vectors):
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def test_each_hypothesis_agrees_with_scipy_align_vectors(rng):
    """scipy.spatial.transform.Rotation.align_vectors: rotation and rssd, hypothesis by hypothesis."""
    wanted = unit(rng.standard_normal((5, 3)))
    heard = unit(wanted @ Rotation.random(rng=rng).as_matrix() + 0.1 * rng.standard_normal((5, 3)))
    sd = rng.uniform(0.02, 0.1, 5)
    used = subsets_without(5, 2)
    fits = fit_rotations(wanted[np.newaxis], heard[np.newaxis], sd, used)
    for matrix, misfit, kept in zip(fits.matrices, fits.misfits, used, strict=True):
        theirs, rssd = Rotation.align_vectors(wanted[kept], heard[kept], weights=1 / sd[kept] ** 2)
        np.testing.assert_allclose(matrix, theirs.as_matrix(), atol=1e-6)
        # Their loss takes chords, ours arcs: for errors of a tenth of a radian they differ by under 1 %.
        assert misfit * (2 * kept.sum() - 3) == pytest.approx(rssd**2, rel=0.01)


def test_covariance_agrees_with_scipys_sensitivity(rng):
    """scipy's sensitivity matrix is the covariance for a mean weight of 1 (align_vectors, return_sensitivity)."""
    wanted = unit(rng.standard_normal((4, 3)))
    fits = fit_rotations(wanted[np.newaxis], wanted[np.newaxis], np.full(4, 0.01), np.ones((1, 4), bool))
    _, _, sensitivity = Rotation.align_vectors(wanted, wanted, return_sensitivity=True)
    # Nothing left over: the scatter found narrows the answer by what is believed of it.
    narrowed = wahba.SCATTER_FREEDOM / (wahba.SCATTER_FREEDOM + 5)
    theirs = sensitivity * 0.01**2 * narrowed
    np.testing.assert_allclose(fits.covariances[0], theirs, rtol=0.01, atol=1e-7)


@pytest.mark.slow
@pytest.mark.parametrize(("sd", "apart_deg"), [(0.05, 90.0), (0.1, 60.0)])
def test_evidence_is_the_mean_likelihood_over_all_rotations(rng, monkeypatch, sd, apart_deg):
    """MacKay 2003 (ch. 28, from memory): Laplace's method, against the integral itself by two million rotations."""
    monkeypatch.setattr(wahba, "SCATTER_FREEDOM", 1e9)
    apart = np.radians(apart_deg)
    wanted = np.array([[1.0, 0.0, 0.0], [np.cos(apart), np.sin(apart), 0.0], [0.0, 0.0, 1.0]])
    heard = unit(wanted + 0.7 * sd * rng.standard_normal((3, 3)))
    fits = fit_rotations(wanted[np.newaxis], heard[np.newaxis], np.full(3, sd), np.ones((1, 3), bool))
    total, draws = 0.0, 2_000_000
    for _ in range(10):
        turned = Rotation.random(draws // 10, rng=rng).as_matrix() @ heard.T
        angles = np.arccos(np.clip(np.einsum("rin,ni->rn", turned, wanted), -1, 1))
        total += float(np.sum(np.exp(-0.5 * np.sum((angles / sd) ** 2, axis=1) - 3 * np.log(2 * np.pi * sd**2))))
    # Some hundred rotations of two million come near: the integral is known to about a tenth.
    assert fits.log_evidence[0] == pytest.approx(np.log(total / draws), abs=0.35)


def test_a_row_that_is_not_used_came_from_anywhere():
    wanted = np.eye(3)
    used = np.array([[True, True, True], [True, True, False]])
    bent = np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, -1.0]])
    fits = fit_rotations(wanted[np.newaxis], bent[np.newaxis], np.full(3, 0.03), used)
    assert fits.log_evidence[1] > fits.log_evidence[0] + 20
    straight = fit_rotations(wanted[np.newaxis], wanted[np.newaxis], np.full(3, 0.03), used)
    assert straight.log_evidence[0] > straight.log_evidence[1] + 3


def test_subsets_keep_at_least_one_row():
    assert len(subsets_without(6, 3)) == 1 + 6 + 15 + 20
    assert subsets_without(1, 3).tolist() == [[True]]
    assert all(kept.any() for kept in subsets_without(3, 3))
