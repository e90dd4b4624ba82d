from types import SimpleNamespace

import numpy as np
import pytest

from boreline.model import Structure
from boreline.segmentation import confidence
from boreline.segmentation.features import N_RAYS

FRAMES = 40


def judged(
    *,
    wobble: float = 0.0,
    unseen: float = 0.0,
    edge_nats: float = 0.5,
    shared_nats: float = 0.4,
    on_membrane: float = 0.0,
    ring: float = 30.0,
    held_in: float = 4.0,
    halo_mm: float = 0.6,
    narrower: float = 0.0,
    astray: bool = False,
    radius_mm: float = 1.5,
    structure: Structure = Structure.LUMEN,
) -> tuple[float, float]:
    """Chance and relative uncertainty of a structure in the middle of a run of round vessels."""
    rays = (FRAMES, N_RAYS)
    lumen = np.full(rays, radius_mm)
    lumen[FRAMES // 2] += wobble * np.sin(9 * np.linspace(0, 2 * np.pi, N_RAYS, endpoint=False))
    seen = np.ones(rays, dtype=bool)
    seen[:, : round(unseen * N_RAYS)] = False
    membrane = lumen + 0.6
    membrane[:, : round(on_membrane * N_RAYS)] -= 0.55
    traced = SimpleNamespace(
        rise=np.full(rays, 30.0),
        ring=np.full(rays, ring),
        doubt=np.full((FRAMES, 2), 2.0),
        held_in=np.full(FRAMES, held_in),
        hidden=np.zeros(rays, dtype=bool),
        astray=np.full(FRAMES, astray),
    )
    learnt = SimpleNamespace(
        mm_per_sample=0.02,
        likeness=0.7,
        edge_nats=edge_nats,
        shared_nats=shared_nats,
        spread=40.0,
        ring=SimpleNamespace(end=halo_mm / 0.02),
        narrower=narrower,
    )
    found = confidence.judge(learnt, traced, lumen, membrane, seen, seen)  # type: ignore[arg-type]
    middle = FRAMES // 2
    border = lumen if structure is Structure.LUMEN else membrane
    area = np.pi * (border[middle] ** 2).mean()
    return float(found.chance[structure][middle]), float(found.area_sd_mm2[structure][middle] / area)


def test_one_coefficient_per_observation_and_none_rewards_trouble() -> None:
    stored = confidence.fitted()
    for purpose, sign in (("log_odds", 1.0), ("log_relative_area_sd", -1.0)):
        for structure in ("lumen", "eem"):
            numbers = stored[purpose][structure]
            assert len(numbers) == len(confidence.OBSERVATIONS)
            for name, number in zip(confidence.OBSERVATIONS[1:], numbers[1:], strict=True):
                if "under the halo" in name:  # not seen, but not far
                    continue
                assert number * sign * (1 if name.startswith(("divergence", "step", "votes")) else -1) >= 0, name


def test_the_stored_coefficients_name_the_same_observations() -> None:
    assert confidence.fitted()["observations"] == list(confidence.OBSERVATIONS)


@pytest.mark.parametrize(
    "trouble",
    [
        {"wobble": 0.1},
        {"unseen": 0.4},
        {"edge_nats": 0.05},
        {"shared_nats": 0.0},
        {"on_membrane": 0.5},
        {"held_in": 0.0},
        {"halo_mm": 1.0},
        {"narrower": 0.4},
    ],
)
def test_trouble_lowers_the_chance_and_widens_the_uncertainty(trouble: dict[str, float]) -> None:
    calm_chance, calm_sd = judged()
    chance, sd = judged(**trouble)
    assert chance < calm_chance
    assert sd > calm_sd


def test_a_faint_membrane_is_trouble_for_the_eem() -> None:
    calm_chance, calm_sd = judged(structure=Structure.EEM)
    chance, sd = judged(ring=5.0, structure=Structure.EEM)
    assert chance < calm_chance
    assert sd >= calm_sd


def test_both_are_shares_of_the_size_and_a_clear_run_is_sharp() -> None:
    chance, sd = judged()
    assert chance > 0.9
    assert sd < 0.04
    assert judged(radius_mm=1.5)[1] <= judged(radius_mm=0.8)[1]


def test_a_border_gone_astray_is_never_trusted() -> None:
    chance, sd = judged(astray=True)
    assert chance <= 0.25
    assert sd >= np.exp(-0.7)
