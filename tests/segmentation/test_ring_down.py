"""The catheter's own echo, bright or dim, and pictures without any; made-up polar pictures."""

from __future__ import annotations

import numpy as np

from boreline.segmentation.ring_down import RingDown, ring_down

MM = 0.02
CORE, HALO_END = 16, 26


def _pictures(halo: float, steady: bool) -> list[np.ndarray]:
    """Black to sample `CORE`, a halo of some level to `HALO_END`, which hardly changes if `steady`; speckle of 150."""
    random = np.random.default_rng(2)
    depth = np.arange(256)
    fixed = random.normal(0.0, 25.0, (256, 256))
    out = []
    for _ in range(12):
        fresh = random.normal(0.0, 25.0, (256, 256))
        near = (depth < HALO_END) & steady
        level = np.where(depth < HALO_END, halo, 150.0) + np.where(near, 0.97 * fixed + 0.15 * fresh, fresh)
        out.append(np.where(depth < CORE, 0.0, np.clip(level, 0, 255)).astype(np.uint8))
    return out


def test_a_bright_halo_ends_where_it_fades():
    found = ring_down(_pictures(230.0, True), MM)
    assert found.start == CORE
    assert abs(found.end - HALO_END) <= 2


def test_a_halo_hardly_brighter_than_blood_is_known_by_its_frames_being_alike():
    found = ring_down(_pictures(170.0, True), MM)
    assert found.start == CORE
    assert abs(found.end - HALO_END) <= 2


def test_a_halo_in_black_blood_ends_where_it_fades_though_blood_changes_as_little():
    black = [np.where((np.arange(256) >= HALO_END) & (np.arange(256) < 130), 0, p) for p in _pictures(230.0, True)]
    found = ring_down([picture.astype(np.uint8) for picture in black], MM)
    assert found.start == CORE
    assert abs(found.end - HALO_END) <= 2


def test_a_black_disc_in_even_speckle_is_no_catheter():
    assert ring_down(_pictures(150.0, False), MM) == RingDown(0, 0)
    still = [np.repeat(np.where(np.arange(256) < 30, 0, 150).astype(np.uint8)[None], 256, axis=0)] * 8
    assert ring_down(still, MM) == RingDown(0, 0)
