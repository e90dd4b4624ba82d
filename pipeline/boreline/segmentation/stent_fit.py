"""One closed curve through the struts of each frame, smooth around the vessel and along the pullback.

Radii about the centre of the struts themselves, ``r(t) = sum_k c_k f_k(t)`` with the Fourier functions up to a low
order; struts of neighbouring frames count with a Gaussian weight, outliers hardly at all (Tukey's biweight,
iterated). The width of the Gaussian is chosen on the run itself: the width that best predicts struts left out.
The lumen is not asked: struts outshine the wall, so that a border often runs along their side lobes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from boreline.model import BoolArray, FloatArray

ORDER = 4
LEADING_EDGE_SD_MM = 0.012
"""Uncertainty of a clipped echo's leading edge that all struts share: a tenth of the axial resolution at 40 MHz."""
_ROUNDS = 8
_TUKEY = 4.7  # times the scale: 95 % efficiency on clean Gaussian data (standard value of robust regression)
_WIDTHS_FRAMES = (0.5, 1.0, 2.0, 4.0, 8.0)
_CENTRE_FRAMES, _CENTRE_ROUNDS, _NEIGHBOURS = 2.0, 5, 0.1
_ROUND = 0.02  # of a strut, times the square of the order: how much roundness is believed where no strut is seen
_WIDEST_SCALE_MM = 0.35
_LEAST_SCALE_MM = 0.015


@dataclass(frozen=True, slots=True)
class StentCurves:
    """The curves of the frames that were fitted.

    Attributes
    ----------
    coefficients
        Shape (n_frames, 2 * ORDER + 1), in mm: constant, cosines, sines; NaN where there are too few struts.
    covariance
        Shape (n_frames, 2 * ORDER + 1, 2 * ORDER + 1), in mm2.
    weights
        Shape (n_frames, n_candidates), 0..1: how far each candidate belongs to the curve.
    residual_mm
        Robust scatter of the struts that belong to the curves, one number for the run.
    scatter_mm
        Robust scatter of all candidates about curves made without them: small for a stent, large for dots strewn
        through a wall.
    width_frames
        The chosen Gaussian width.
    """

    coefficients: FloatArray
    covariance: FloatArray
    weights: FloatArray
    residual_mm: float
    scatter_mm: float
    width_frames: float

    def radii_mm(self, n_rays: int) -> FloatArray:
        """Radii on `n_rays` equally spaced rays, shape (n_frames, n_rays)."""
        radii: FloatArray = self.coefficients @ fourier(2 * np.pi * np.arange(n_rays) / n_rays).T
        return radii

    def radius_sd_mm(self, n_rays: int) -> FloatArray:
        """Standard uncertainty of the radii, shape (n_frames, n_rays)."""
        basis = fourier(2 * np.pi * np.arange(n_rays) / n_rays)
        variance: FloatArray = np.einsum("ri,fij,rj->fr", basis, self.covariance, basis, optimize=True)
        return np.sqrt(np.maximum(variance, 0.0) + LEADING_EDGE_SD_MM**2)

    def areas_mm2(self) -> tuple[FloatArray, FloatArray]:
        """Area inside each curve and its standard uncertainty, two arrays (n_frames,)."""
        c = self.coefficients
        halves = np.full(c.shape[1], 0.5)
        halves[0] = 1.0
        areas = np.pi * (c**2 @ halves)
        gradient = 2 * np.pi * c * halves
        random = np.einsum("fi,fij,fj->f", gradient, self.covariance, gradient)
        return areas, np.sqrt(random + (2 * np.pi * c[:, 0] * LEADING_EDGE_SD_MM) ** 2)


def fourier(angles: FloatArray) -> FloatArray:
    """The basis at `angles` in radians, shape angles.shape + (2 * ORDER + 1,)."""
    orders = np.arange(1, ORDER + 1) * np.asarray(angles)[..., None]
    return np.concatenate([np.ones((*np.shape(angles), 1)), np.cos(orders), np.sin(orders)], axis=-1)


def ring_centres_mm(x_mm: FloatArray, y_mm: FloatArray, used: BoolArray) -> FloatArray:
    """Centres of circles through the dots of each frame and its neighbours, shape (n_frames, 2), in mm.

    Algebraic circle fit (Kasa, IEEE Trans Instrum Meas 1976;25:8-14; from memory), dots off the circle set aside.

    Parameters
    ----------
    x_mm, y_mm, used
        Dots, shape (n_frames, n_candidates), about any place that is not far from the ring; which of them count.
    """
    if not used.any():
        return np.zeros((len(used), 2))
    x, y = np.where(used, x_mm, 0.0), np.where(used, y_mm, 0.0)
    basis = np.stack([2 * x, 2 * y, np.ones_like(x)], axis=-1)
    square = x**2 + y**2
    # Where dots are too few to tell a circle, its centre stays at the place that they are given about.
    stay = np.diag([0.2, 0.2, 0.0]) * float(square[used].mean()) + 1e-6 * np.eye(3)
    weights = used.astype(np.float64)
    circle = np.zeros((len(x), 3))
    for _ in range(_CENTRE_ROUNDS):
        normal, right = _normal(basis, square, weights)
        near, total = (
            m + _NEIGHBOURS * gaussian_filter1d(m, _CENTRE_FRAMES, axis=0, mode="nearest") for m in (normal, right)
        )
        circle = np.linalg.solve(near + stay, total[..., None])[..., 0]
        radius = np.sqrt(np.maximum(circle[:, 2] + circle[:, 0] ** 2 + circle[:, 1] ** 2, 0.0))
        misfit = np.hypot(x - circle[:, :1], y - circle[:, 1:2]) - radius[:, None]
        scale = max(1.4826 * float(np.median(np.abs(misfit[used]))), _LEAST_SCALE_MM)
        weights = used * np.maximum(1.0 - (misfit / (_TUKEY * scale)) ** 2, 0.0) ** 2
    return circle[:, :2]


def fit_stent_curves(angles: FloatArray, radii_mm: FloatArray, trust: FloatArray) -> StentCurves:
    """Fit one curve per frame; where no strut is seen it is round.

    Parameters
    ----------
    angles, radii_mm, trust
        Candidates, shape (n_frames, n_candidates): angle in radians and radius about the frame's centre, and a weight
        >= 0 (0 where there is no candidate).
    """
    basis = fourier(angles)
    orders = np.arange(1, ORDER + 1)
    prior = np.concatenate([[1e-6], _ROUND * orders**2, _ROUND * orders**2])
    usual_mm = float(np.median(radii_mm[trust > 0])) if (trust > 0).any() else 1.0
    prior_normal, prior_right = np.diag(prior), prior * np.eye(len(prior))[0] * usual_mm
    weights = trust.copy()
    residual = np.inf
    width, scatter = 2.0, np.inf
    for round_ in range(_ROUNDS):
        normal, right = _normal(basis, radii_mm, weights)
        if round_ == _ROUNDS // 2:
            width, scatter = _best_width(basis, radii_mm, trust, weights, normal, right, prior_normal, prior_right)
        coefficients, _ = _solve(normal, right, prior_normal, prior_right, width)
        misfit = radii_mm - np.einsum("fck,fk->fc", basis, coefficients)
        seen = weights > 0
        if not seen.any():
            break
        residual = max(1.4826 * float(_weighted_median(np.abs(misfit[seen]), trust[seen])), _LEAST_SCALE_MM)
        scale = max(residual, _WIDEST_SCALE_MM * 0.5**round_)  # a wide net first: malapposed struts are no outliers
        weights = trust * np.maximum(1.0 - (misfit / (_TUKEY * scale)) ** 2, 0.0) ** 2
    normal, right = _normal(basis, radii_mm, weights)
    coefficients, inverse = _solve(normal, right, prior_normal, prior_right, width)
    share = np.divide(weights, trust, out=np.zeros_like(weights), where=trust > 0)
    return StentCurves(coefficients, residual**2 * inverse, share, residual, scatter, width)


def _normal(basis: FloatArray, radii: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    weighted = basis * weights[..., None]
    return np.einsum("fci,fcj->fij", weighted, np.broadcast_to(basis, weighted.shape)), np.einsum(
        "fci,fc->fi", weighted, radii
    )


def _solve(
    normal: FloatArray, right: FloatArray, prior_normal: FloatArray, prior_right: FloatArray, width: float
) -> tuple[FloatArray, FloatArray]:
    """Coefficients and inverse normal matrices with Gaussian weights along the frames (not normalised: sums count)."""
    scale = width * np.sqrt(2 * np.pi)
    near = gaussian_filter1d(normal, width, axis=0, mode="constant") * scale + prior_normal
    inverse = np.linalg.inv(near + 1e-9 * np.eye(near.shape[-1]))
    total = gaussian_filter1d(right, width, axis=0, mode="constant") * scale + prior_right
    return np.einsum("fij,fj->fi", inverse, total), inverse


def _best_width(
    basis: FloatArray,
    radii: FloatArray,
    trust: FloatArray,
    weights: FloatArray,
    normal: FloatArray,
    right: FloatArray,
    prior_normal: FloatArray,
    prior_right: FloatArray,
) -> tuple[float, float]:
    """The width whose curves, made without a strut, fit that strut best; and how well they fit."""
    errors, scatters = [], []
    for width in _WIDTHS_FRAMES:
        coefficients, inverse = _solve(normal, right, prior_normal, prior_right, width)
        # What a strut itself contributes to the curve at its place: its leverage.
        pull = weights * np.einsum("fci,fij,fcj->fc", basis, inverse, basis, optimize=True)
        misfit = (radii - np.einsum("fck,fk->fc", basis, coefficients)) / np.maximum(1.0 - pull, 0.05)
        errors.append(float((weights * np.minimum(np.abs(misfit), 0.3)).sum()))
        scatters.append(1.4826 * _weighted_median(np.abs(misfit).ravel(), trust.ravel()))
    best = int(np.argmin(errors))
    return _WIDTHS_FRAMES[best], scatters[best]


def _weighted_median(values: FloatArray, weights: FloatArray) -> float:
    order = np.argsort(values)
    cumulated = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(cumulated, 0.5 * cumulated[-1])])
