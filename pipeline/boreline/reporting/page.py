"""`report.html`: one self-contained page. The answer comes first, every input of it below.

Assumes a complete result folder; pixels are optional (without them the page has no pictures and says so).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
import numpy as np
import pandas as pd
from markupsafe import Markup

from boreline._version import __version__
from boreline.flags import NOT_VESSEL, Flag, parse_flags
from boreline.memory import give_back
from boreline.model import CAUTION, Contours, FloatArray, Run, Structure
from boreline.reporting.answers import Answer, NamedSite, answers, named_sites, number
from boreline.reporting.axes import Abscissa, abscissa_of
from boreline.reporting.cautions import CAUTIONS
from boreline.reporting.comparison import Comparison, compare_runs
from boreline.reporting.cut import CutView, border_on_cut_px, load_cut, view_cut
from boreline.reporting.edits import Reader, read_readers
from boreline.reporting.figure import Figure, draw_figure
from boreline.reporting.findings import extent, operator_findings
from boreline.reporting.pictures import Picture, choose_frames, draw_pictures
from boreline.reporting.review_state import review_state
from boreline.reporting.vessel_picture import VesselView, view_vessel
from boreline.results import ResultFolder
from boreline.sizing.map_figure import landing_map_svg

_TEMPLATES = Path(__file__).with_name("template")
_HOVER_POINTS = 1500
_BESIDE_VESSEL = 700
"""Width of the profile's drawing when the vessel stands beside it."""


@dataclass(frozen=True, slots=True)
class RunView:
    """One run as the template sees it."""

    key: str
    title: str
    name: str
    record: Mapping[str, Any]
    fingerprint: str
    review: str
    reviewed_frames: int
    answers: tuple[Answer, ...]
    figure: Figure
    vessel: VesselView | None
    hover: str
    pictures: tuple[Picture, ...]
    rows: Mapping[int, Mapping[str, Any]]
    masked_px: int
    has_pixels: bool
    sites: tuple[NamedSite, ...]
    left_out: tuple[tuple[str, int, str], ...]
    coverage: Mapping[str, int]
    readers: tuple[Reader, ...]
    findings: tuple[tuple[str, str], ...]
    plan: Mapping[str, Any] | None
    maps: tuple[tuple[str | None, Markup], ...]
    assessment: Mapping[str, Any] | None


def write_report(folder: ResultFolder, run: Run | None, out: Path) -> Path:
    """Write the page of one run.

    Parameters
    ----------
    run
        For the pictures; None when the pixels are not at hand.
    out
        The HTML file.
    """
    return write_case_report([(folder, run)], out)


def write_case_report(
    runs: Sequence[tuple[ResultFolder, Run | None]], out: Path, *, fiducials: Sequence[tuple[float, float]] = ()
) -> Path:
    """Write one page for the runs of one vessel, earliest first, with a comparison when there are several.

    Parameters
    ----------
    fiducials
        Places (in the first run, in the last), mm, that the operator identified in both.
    """
    names = run_names([folder.record["phase"] for folder, _ in runs])
    views = [
        view_of(folder, run, key=f"run{i + 1}", name=name)
        for i, ((folder, run), name) in enumerate(zip(runs, names, strict=True))
    ]
    compared = None
    if len(views) > 1:
        tables = [folder.profile() for folder, _ in runs]
        compared = compare_runs(list(zip(names, tables, strict=True)), fiducials)
    out.write_text(render(views, compared), encoding="utf-8")
    return out


def run_names(phases: Sequence[str | None]) -> tuple[str, ...]:
    """Short names of the runs of one vessel: their phases, numbered where that is not enough."""
    return tuple(
        f"run {i + 1}" if not phase or phases.count(phase) > 1 else phase.replace("_", " ")
        for i, phase in enumerate(phases)
    )


def render(views: Sequence[RunView], compared: Comparison | str | None = None) -> str:
    """The page as text; `compared` is the comparison of several runs, or why there is none."""
    return _template().render(
        runs=views,
        vessel=next((name for view in views if (name := _vessel_name(view.record))), ""),
        compared=compared,
        comparable=isinstance(compared, Comparison),
        caution=CAUTION,
        cautions=CAUTIONS,
        version=__version__,
        style=Markup((_TEMPLATES / "report.css").read_text(encoding="utf-8")),
        script=Markup((_TEMPLATES / "report.js").read_text(encoding="utf-8")),
    )


@cache
def _template() -> jinja2.Template:
    """Compiled once in a process, which takes longer than to fill it in."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_TEMPLATES), autoescape=True, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["num"] = number
    environment.filters["words"] = lambda text: str(text).replace("_", " ")
    return environment.get_template("report.html")


def view_of(folder: ResultFolder, run: Run | None, *, key: str, name: str) -> RunView:
    """Everything that the page shows of one run."""
    record, frames, profile = folder.record, folder.frames(), folder.profile()
    plan, assessment = folder.read_json("plan.json"), folder.read_json("assessment.json")
    table = frames if profile is None else profile
    sites = named_sites(frames, plan)
    vessel = view_vessel(folder, sites)
    axis = abscissa_of(table) if vessel is None else abscissa_of(table, width=_BESIDE_VESSEL)
    marks = [(site.name, row) for site in sites if (row := _row_of(site, axis, profile)) is not None]
    chosen = choose_frames(frames, _names_by_frame(sites))
    contours, borders_px = _contours_to_draw(folder, chosen)
    pictures, masked = draw_pictures(chosen, run, contours, folder.region(), folder.calibration())
    reviewed = int(frames["reviewed"].fillna(value=False).sum())
    return RunView(
        key=key,
        title=_title(record),
        name=name,
        record=record,
        fingerprint=hashlib.sha256(record["source"]["sop_instance_uid"].encode()).hexdigest()[:16],
        review=review_state(reviewed, len(frames)),
        reviewed_frames=reviewed,
        answers=answers(record, frames, plan, assessment),
        figure=draw_figure(table, axis, frames, marks, _cut(folder, run, borders_px)),
        vessel=vessel,
        hover=_hover_data(table, axis, vessel),
        pictures=pictures,
        rows={p.frame: dict(zip(frames.columns, frames.iloc[p.frame - 1], strict=True)) for p in pictures},
        masked_px=masked,
        has_pixels=run is not None,
        sites=sites,
        left_out=_left_out(frames),
        coverage={
            "frames": len(frames),
            "lumen": int(frames["lumen_area_mm2"].notna().sum()),
            "eem": int(frames["eem_area_mm2"].notna().sum()),
            "stent": int(frames["stent_area_mm2"].notna().sum()),
        },
        readers=read_readers(folder),
        findings=tuple((finding.words, extent(finding)) for finding in operator_findings(record, frames)),
        plan=plan,
        maps=_landing_maps(plan),
        assessment=assessment,
    )


def _landing_maps(plan: Mapping[str, Any] | None) -> tuple[tuple[str | None, Markup], ...]:
    """The landing-site map of a plan once for each rule about the edges: its id and the drawing; once without any."""
    drawn = (plan or {}).get("landing_map")
    if not drawn or not drawn["distal_mm"] or not drawn["proximal_mm"]:
        return ()
    return tuple((rule, Markup(landing_map_svg(drawn, rule))) for rule in drawn["probability"] or (None,))


def _contours_to_draw(
    folder: ResultFolder, frames: Iterable[int]
) -> tuple[dict[Structure, Contours], dict[Structure, FloatArray]]:
    """The contours of some frames, and where lumen and EEM meet the longitudinal cut in all frames.

    One structure after the other, and little of each is kept: the contours of a long run are what takes memory.
    """
    region, calibration, centre_px = folder.region(), folder.calibration(), folder.record["centre_px"]
    contours: dict[Structure, Contours] = {}
    borders_px: dict[Structure, FloatArray] = {}
    for structure in Structure:
        whole = folder.contours(structure)
        contours[structure] = whole.only(frames)
        if structure in (Structure.LUMEN, Structure.EEM):
            borders_px[structure] = border_on_cut_px(whole, region, calibration, centre_px)
        del whole  # before the next is read
        give_back()
    return contours, borders_px


def _cut(folder: ResultFolder, run: Run | None, borders_px: Mapping[Structure, FloatArray]) -> CutView | None:
    image = load_cut(folder.path, run)
    return None if image is None else view_cut(image, borders_px, folder.region())


def _title(record: Mapping[str, Any]) -> str:
    phase = record["phase"] or "phase not stated"
    return f"{_vessel_name(record) or 'vessel not stated'}, {phase.replace('_', ' ')}"


def _vessel_name(record: Mapping[str, Any]) -> str:
    vessel = record["vessel"] or ""
    return {"lad": "LAD", "lcx": "LCX", "rca": "RCA"}.get(vessel, vessel.replace("_", " "))


def _names_by_frame(sites: Sequence[NamedSite]) -> dict[int, str]:
    names: dict[int, str] = {}
    for site in sites:
        names[site.frame] = f"{names[site.frame]}, {site.name}" if site.frame in names else site.name
    return names


def _row_of(site: NamedSite, axis: Abscissa, profile: pd.DataFrame | None) -> int | None:
    if profile is None:
        return site.frame
    if not np.isfinite(site.position_mm) or not np.isfinite(axis.values).any():
        return None
    return int(np.nanargmin(np.abs(axis.values - site.position_mm)))


def _left_out(frames: pd.DataFrame) -> tuple[tuple[str, int, str], ...]:
    """(flag, frames, meaning) of everything that limits what was measured: listed, never silently dropped."""
    cells = [parse_flags(cell) for cell in frames["flags"]]
    limiting = NOT_VESSEL | {Flag.BRANCH, Flag.EEM_HIDDEN, Flag.EEM_OUT_OF_VIEW, Flag.ROTATION_UNEVEN}
    counted = [(flag, sum(flag in cell for cell in cells)) for flag in Flag if flag in limiting]
    return tuple((flag.value, count, flag.meaning) for flag, count in counted if count)


def _hover_data(table: pd.DataFrame, axis: Abscissa, vessel: VesselView | None) -> str:
    """The curves for the read-out under the pointer, as JSON that is safe inside a script element."""
    places = {} if vessel is None else vessel.places
    step = max(1, len(table) // _HOVER_POINTS)

    def column(name: str, digits: int) -> list[float | None]:
        values = table[name].to_numpy(dtype=float)[::step]
        return [round(float(v), digits) if np.isfinite(v) else None for v in values]

    data = {
        "unit": axis.unit,
        "x": [round(float(v), 1) if np.isfinite(v) else None for v in axis.x(axis.values)[::step]],
        "at": [round(float(v), 2) if np.isfinite(v) else None for v in axis.values[::step]],
        "frame": table["frame"].to_list()[::step],
        "lumen": column("lumen_area_mm2", 2),
        "eem": column("eem_area_mm2", 2),
        "burden": column("plaque_burden_pct", 0),
        "stent": column("stent_area_mm2", 2),
        "vessel": [places.get(int(frame)) for frame in table["frame"].to_list()[::step]],
    }
    return Markup(json.dumps(data, separators=(",", ":")).replace("<", "\\u003c"))
