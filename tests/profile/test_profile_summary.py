import json

import pytest
from vessels import table

from boreline.flags import Flag
from boreline.profile.record import profile_from_table
from boreline.profile.summary import exclusions, summarise_profile


def test_summary_is_plain_json_and_names_its_rules() -> None:
    vessel = table(taper=0.0)
    vessel.loc[vessel.position_mm.between(45.0, 48.0), "flags"] = Flag.BRANCH.value
    vessel.loc[vessel.position_mm.between(50.0, 54.0), "eem_area_mm2"] = float("nan")
    got = summarise_profile(profile_from_table(vessel))
    json.dumps(got, allow_nan=False)
    assert len(got["segments"]) == 2
    first, second = got["segments"]
    disc, trapezoid = first["volumes_disc"], first["volumes_trapezoid"]
    assert disc["lumen_mm3"] > trapezoid["lumen_mm3"]
    assert second["volumes_disc"]["total_atheroma_mm3"] is None  # a gap of 4 mm is not filled
    (lesion,) = got["stenoses"]
    assert lesion["against"]["distal"]["area_stenosis_pct"] == pytest.approx(70.0, abs=3)
    assert lesion["mla"]["position_mm"] == pytest.approx(30.0)
    assert got["most_diseased_10_mm"]["from_mm"] == pytest.approx(25.0, abs=0.2)


def test_exclusions_are_visible() -> None:
    vessel = table()
    vessel.loc[:9, "n_frames"] = 0
    vessel.loc[20:39, "eem_area_mm2"] = float("nan")
    vessel.loc[50:54, "lumen_area_mm2"] = float("nan")
    vessel.loc[60:69, "flags"] = "branch;lumen_doubtful"
    got = exclusions(profile_from_table(vessel))
    assert got["interpolated_between_frames_mm"] == pytest.approx(1.0)
    assert got["eem_not_measured_mm"] == pytest.approx(2.0)
    assert got["lumen_not_measured_mm"] == pytest.approx(0.5)
    assert got["branch_no_reference_mm"] == got["lumen_doubtful_mm"] == pytest.approx(1.0)
