import numpy as np

from boreline.segmentation.clearer_edge import at_clearer_edge
from boreline.segmentation.lumen import BloodModel, held_in, votes

N_RAYS, N_SAMPLES = 128, 200
EDGE = np.rint(80 + 12 * np.sin(2 * np.pi * np.arange(N_RAYS) / N_RAYS)).astype(np.int64)
HEARD = np.ones(N_RAYS)
LEVELS = np.arange(256, dtype=np.float32)
MODEL = BloodModel(by_grey=(60.0 - LEVELS) / 10.0, by_shared=np.zeros(256, dtype=np.float32))


def picture(blood: int, wall: int) -> np.ndarray:
    depth = np.arange(N_SAMPLES)
    speckle = np.random.default_rng(3).normal(0, 6, (N_RAYS, N_SAMPLES))
    levels = np.where(depth[None] < EDGE[:, None], blood, wall) + speckle
    return np.clip(levels, 0, 255).astype(np.uint8)


def moved(path: np.ndarray, grey: np.ndarray) -> np.ndarray:
    return at_clearer_edge(path, votes(grey, grey, MODEL), grey, HEARD, silent_to=20, spread=30.0)


def test_a_border_short_of_the_edge_is_moved_to_it() -> None:
    grey = picture(30, 110)
    assert np.abs(moved(EDGE - 7, grey) - EDGE).max() <= 1
    assert np.abs(moved(EDGE + 2, grey) - EDGE).max() <= 1


def test_without_an_edge_near_by_a_border_stays() -> None:
    for path, grey in ((EDGE - 40, picture(30, 110)), (EDGE, picture(70, 70))):
        assert (moved(path, grey) == path).mean() > 0.95


def test_rays_not_heard_follow_the_others_or_stay() -> None:
    grey = picture(30, 110)
    grey[40:52] = 10  # a shadow
    heard = np.where((np.arange(N_RAYS) >= 40) & (np.arange(N_RAYS) < 52), 0.0, 1.0)
    found = at_clearer_edge(EDGE - 5, votes(grey, grey, MODEL), grey, heard, silent_to=20, spread=30.0)
    assert np.abs(found - EDGE)[heard > 0].max() <= 1
    assert (np.abs(found - EDGE)[heard == 0] <= 6).all()


def test_behind_the_last_echo_of_a_ray_there_are_no_votes() -> None:
    grey = picture(30, 110)
    grey[10, 90:] = 0
    voted = votes(grey, grey, MODEL)
    assert (voted[10, 90:] == 0).all()
    assert (voted[10, :60] > 0).mean() > 0.9
    assert (voted[11, 110:] < 0).mean() > 0.9


def test_what_holds_a_border_in_is_the_wall_behind_it() -> None:
    grey = picture(30, 110)
    voted = votes(grey, grey, MODEL)
    at_wall = held_in(voted, EDGE.astype(np.float64), 1.08, HEARD)
    in_blood = held_in(voted, EDGE - 20.0, 1.08, HEARD)
    strongest = float(np.abs(voted).max())
    assert 4.0 * strongest < at_wall <= 8.0 * strongest
    assert in_blood < 0
    assert held_in(voted, EDGE.astype(np.float64), 1.08, np.zeros(N_RAYS)) == 0
