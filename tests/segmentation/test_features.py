"""Shared speckle: the one pass against the filters that it stands for."""

import cv2
import numpy as np
import pytest

from boreline.segmentation.features import _EDGE, _PAD, _SHIFTS, _TO_LEVELS, _WINDOW, N_RAYS, _best_mean_product

SAMPLES = 256


@pytest.mark.parametrize("strength", [3, 60, 2000])
def test_mean_products_are_those_of_one_filter_per_shift(strength):
    """Exactly, also where products leave sixteen bits. Reference: OpenCV's own product, box filter and maximum."""
    shape = N_RAYS + 2 * _PAD, SAMPLES + 2 * _EDGE
    rng = np.random.default_rng(strength)
    here, other = (np.rint(rng.normal(0, strength, shape)).clip(-32768, 32767).astype(np.int16) for _ in range(2))

    def moved(picture, depth, ray):
        rays, samples = picture.shape
        return picture[_EDGE - ray : rays - _EDGE - ray, _EDGE - depth : samples - _EDGE - depth]

    means = [
        cv2.blur(cv2.multiply(moved(here, 0, 0), moved(other, *shift), scale=_TO_LEVELS), _WINDOW) for shift in _SHIFTS
    ]
    expected = np.max(means, axis=0)[_PAD - _EDGE :][:N_RAYS]
    np.testing.assert_array_equal(_best_mean_product(here, other, _SHIFTS), expected)
