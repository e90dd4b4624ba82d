"""Result folders made from a phantom's truth, so that tests of outputs need no segmenter."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from boreline.flags import parse_flags
from boreline.model import FloatArray, Phase, Segmentation, Structure, Vessel
from boreline.position import axis_from_pullback
from boreline.profile.frames import flag_standing_frames, frames_table, in_vessel, origin_in_vessel
from boreline.profile.grid import profile_table
from boreline.reading import read_run
from boreline.results import (
    AUTOMATIC,
    ResultFolder,
    StageStatus,
    new_folder,
    put_json,
    put_tables,
    run_record,
    write_source,
)
from boreline.results.tables import read_contours, read_sectors
from boreline_phantoms import scenes
from boreline_phantoms.writing import write_scene


def phantom_run(out: Path, name: str = "circle-3", *, frames: int = 24, size: int = 256, text: bool = False) -> Path:
    """`run.dcm` of a scene, with its truth beside it."""
    return write_scene(scenes.get(name).with_(frames=frames, size=size), out, text=text)


def result_of_truth(run_file: Path, out: Path, *, phase: Phase | None = Phase.BEFORE) -> ResultFolder:
    """The folder that a perfect segmenter would leave, by the same calls as the analyse job."""
    run = read_run(run_file, vessel=Vessel.LAD, phase=phase)
    truth = run_file.parent / "truth"
    table = pd.read_csv(truth / "frames.csv")
    n = run.n_frames

    def known(name: str, otherwise: float = np.nan) -> FloatArray:
        values = pd.to_numeric(table[name]).to_numpy(dtype=float)
        return values if np.isfinite(values).any() else np.full(n, otherwise)

    contours = {s: read_contours(truth / "contours.parquet", s, n) for s in Structure}
    rng = np.random.default_rng(7)
    segmentation = Segmentation(
        contours=contours,
        sectors=read_sectors(truth / "sectors.parquet"),
        confidence={s: np.where(contours[s].present, rng.uniform(0.5, 1.0, n), np.nan) for s in Structure},
        area_sd_mm2={s: np.where(contours[s].present, 0.12, np.nan) for s in Structure},
        eem_hidden_deg=known("eem_hidden_deg", 0.0),
        calcium_arc_deg=known("calcium_arc_deg", 0.0),
        malapposition_mm=known("malapposition_mm"),
        flags=tuple(parse_flags(cell) for cell in table["flags"].astype("string").fillna("")),
        correlation_frames=3.0,
        warnings=("made from the truth of a phantom",),
    )
    axis = axis_from_pullback(run, operator_speed_mm_s=None)
    segmentation = replace(segmentation, flags=flag_standing_frames(segmentation, run.pullback))
    axis = replace(axis, position_mm=origin_in_vessel(axis.position_mm, in_vessel(segmentation.flags)))
    data = frames_table(segmentation, run.calibration, run.timing, axis)
    profile = profile_table(data)
    record = run_record(
        run,
        segmentation,
        axis,
        segmenter="truth",
        segmenter_version="1",
        reading_options={"vessel": "lad", "phase": phase},
        parameters={"segmenter": "truth"},
        stages={"segmentation": (StageStatus.DONE, ""), "sizing": (StageStatus.NOT_RUN, "boreline plan DIR")},
        warnings=(*run.warnings, *segmentation.warnings, *axis.warnings),
    )
    with new_folder(out, replace=False) as target:
        put_tables(target, segmentation, data, profile)
        put_tables(target / AUTOMATIC, segmentation, data, None)
        put_json(target, "run.json", record)
        write_source(target, run_file)
    return ResultFolder.open(out)
