import xml.etree.ElementTree as ET

from vessels import table

from boreline.profile.record import profile_from_table
from boreline.profile.uncertainty import SharedUncertainty
from boreline.sizing.landing_map import EdgeLimit
from boreline.sizing.map_figure import landing_map_svg
from boreline.sizing.planning import make_plan


def test_map_has_one_cell_per_pair_and_no_number_is_only_a_colour() -> None:
    profile = profile_from_table(table())
    document = make_plan(profile, SharedUncertainty(), n_draws=50, edge_limits=(EdgeLimit("edge-50", 50.0),)).as_json(
        profile
    )["landing_map"]
    for rule in ("edge-50", None):
        root = ET.fromstring(landing_map_svg(document, rule))
        cells = [node for node in root.iter() if node.tag.endswith("rect")]
        assert len(cells) == len(document["distal_mm"]) * len(document["proximal_mm"])
        assert all("length" in (cell[0].text or "") for cell in cells)


def test_missing_numbers_are_said_not_drawn_as_zero() -> None:
    one = {"distal_mm": [1.0], "proximal_mm": [9.0], "length_mm": [[8.0]], "probability": {"edge-50": [[None]]}}
    unknown = {name: [[None]] for name in ("device_length_mm", "smallest_mm", "largest_mm", "edge_burden_pct")}
    svg = landing_map_svg({**one, **unknown}, "edge-50")
    assert "none-none" in svg
    assert "not known" in svg
