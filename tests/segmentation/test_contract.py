"""What every registered segmenter promises, on a short vessel with a blank frame in it."""

from dataclasses import replace

import numpy as np
import pytest

from boreline.flags import Flag
from boreline.geometry import contour_areas_mm2
from boreline.model import Frame, Structure
from boreline.reading import read_run
from boreline.segmentation.protocol import DEFAULT_SEGMENTER, load_segmenter, segmenter_names
from boreline_phantoms import scenes, write_scene

BLANK = 5


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("vessel") / "scene"
    write_scene(scenes.get("vessel").with_(frames=10, size=256), folder)
    whole = read_run(folder / "run.dcm")

    def with_a_blank(start, stop):
        for frame in whole.read_frames(start, stop):
            yield Frame(BLANK, np.zeros_like(frame.grey)) if frame.number == BLANK else frame

    return replace(whole, read_frames=with_a_blank)


@pytest.fixture(scope="module", params=segmenter_names())
def segmented(request, run):
    segmenter = load_segmenter(request.param)
    done = []
    return segmenter, segmenter.segment(run, progress=lambda *at: done.append(at)), done


def same(a, b):
    return all(
        np.array_equal(a.contours[s].xy_px, b.contours[s].xy_px)
        and np.array_equal(a.contours[s].seen, b.contours[s].seen)
        for s in Structure
    )


def test_one_entry_per_frame(run, segmented):
    _, found, _ = segmented
    assert found.n_frames == run.n_frames
    for structure in Structure:
        assert found.contours[structure].n_frames == run.n_frames
        assert found.confidence[structure].shape == (run.n_frames,)
        assert found.area_sd_mm2[structure].shape == (run.n_frames,)


def test_contours_have_many_vertices_inside_the_region(run, segmented):
    _, found, _ = segmented
    lumen = found.contours[Structure.LUMEN]
    assert lumen.present.sum() == run.n_frames - 1
    counts = np.diff(lumen.offsets)[lumen.present]
    assert counts.min() >= 128
    x, y = lumen.xy_px.T
    region = run.region
    assert x.min() >= region.x0 - 1
    assert x.max() <= region.x1 + 1
    assert y.min() >= region.y0 - 1
    assert y.max() <= region.y1 + 1


def test_a_blank_frame_is_empty_and_flagged(segmented):
    _, found, _ = segmented
    assert Flag.BLANK in found.flags[BLANK]
    assert not any(contours.present[BLANK] for contours in found.contours.values())
    assert np.isnan(found.confidence[Structure.LUMEN][BLANK])


def test_same_again_and_with_two_threads(run, segmented):
    segmenter, found, _ = segmented
    assert same(found, segmenter.segment(run, threads=2))


def test_progress_reaches_the_end(run, segmented):
    _, _, done = segmented
    assert done[-1] == (run.n_frames, run.n_frames)
    assert done == sorted(done)


def test_confidence_is_a_chance(segmented):
    _, found, _ = segmented
    for structure in Structure:
        known = found.confidence[structure]
        known = known[np.isfinite(known)]
        assert ((known >= 0) & (known <= 1)).all()


def test_the_default_is_registered_and_near_the_truth(run):
    truth = scenes.get("vessel").with_(frames=10, size=256).truth()
    found = load_segmenter(DEFAULT_SEGMENTER).segment(run)
    for structure, most_pct in ((Structure.LUMEN, 6.0), (Structure.EEM, 4.0)):
        area = contour_areas_mm2(found.contours[structure], run.calibration)
        true = truth.columns[f"{structure.value}_area_mm2"]
        off = 100 * (area / true - 1)
        assert np.nanmedian(np.abs(off)) < most_pct
