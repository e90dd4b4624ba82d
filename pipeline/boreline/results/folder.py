"""The result folder of one run: every file of the contract is written and read here, and nowhere else.

DIR/run.json, frames.csv, profile.csv, contours.parquet, sectors.parquet      the current result
DIR/automatic/                                                                the untouched automatic result
DIR/edits/READER.jsonl                                                        operators' edits
DIR/plan.json, assessment.json, marker.parquet, path.parquet, report.html     later stages
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from boreline.columns import FRAMES, PROFILE
from boreline.errors import InputRefused
from boreline.flags import parse_flags
from boreline.model import (
    Axis,
    AxisSource,
    Calibration,
    CalibrationOrigin,
    Contours,
    JsonValue,
    Phase,
    Region,
    Run,
    Sectors,
    Segmentation,
    Structure,
    Vessel,
)
from boreline.reading import read_run
from boreline.results.record import json_ready
from boreline.results.source import find_source
from boreline.results.tables import (
    read_contours,
    read_csv,
    read_sectors,
    write_contours,
    write_csv,
    write_sectors,
)
from boreline.results.transaction import change, put_back, recover, remove

RUN = "run.json"
CONTOURS_FILE = "contours.parquet"
SECTORS_FILE = "sectors.parquet"
AUTOMATIC = "automatic"
EDITS = "edits"
IMPORTED = "imported"
"""The automatic result with imported contours in place; where it exists, edits build on it."""


@dataclass(frozen=True, slots=True)
class ResultFolder:
    """One run's results on disk. Reading methods read the file each time: nothing here goes stale."""

    path: Path

    @classmethod
    def open(cls, path: str | Path) -> ResultFolder:
        """The folder at `path`; a change that was cut off is finished or discarded first.

        Raises
        ------
        InputRefused
            It is no result folder.
        """
        path = Path(path)
        if not path.exists():
            put_back(path)
        if not (path / RUN).is_file():
            raise InputRefused(
                "is no result folder (no run.json)",
                file=path,
                remedy="make one with: boreline analyse RUN.dcm --out DIR",
            )
        recover(path)
        return cls(path)

    # ----------------------------------------------------------------------------------------- reading

    @property
    def record(self) -> dict[str, Any]:
        """The contents of `run.json`."""
        record = self.read_json(RUN)
        if record is None:
            raise InputRefused(
                "is missing", file=self.path / RUN, remedy="name what boreline analyse made, or run it again"
            )
        return record

    @property
    def n_frames(self) -> int:
        """Frames of the run."""
        return int(self.record["source"]["n_frames"])

    def read_json(self, name: str) -> dict[str, Any] | None:
        """The contents of a JSON file of the folder, None when it is absent."""
        path = self.path / name
        try:
            value = json.loads(path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as cause:
            raise InputRefused(f"is damaged: {cause}", file=path, remedy="run boreline analyse again") from None
        if not isinstance(value, dict):
            raise InputRefused("is damaged: no JSON object", file=path, remedy="run boreline analyse again")
        return value

    def frames(self, *, automatic: bool = False) -> pd.DataFrame:
        """`frames.csv`, typed; with `automatic` as it was before any edit."""
        return read_csv(FRAMES, self._at(FRAMES.file, automatic))

    def profile(self) -> pd.DataFrame | None:
        """`profile.csv`, typed; None for a run without positions."""
        path = self.path / PROFILE.file
        return read_csv(PROFILE, path) if path.exists() else None

    def contours(self, structure: Structure, *, automatic: bool = False) -> Contours:
        """The contours of one structure."""
        return read_contours(self._at(CONTOURS_FILE, automatic), structure, self.n_frames)

    def sectors(self, *, automatic: bool = False) -> Sectors:
        """Shadow, calcium, guidewire, branch and strut sectors."""
        return read_sectors(self._at(SECTORS_FILE, automatic))

    def segmentation(self, *, automatic: bool = False) -> Segmentation:
        """The whole segmentation, put together again from the tables."""
        frames = self.frames(automatic=automatic)
        record = self.record

        def column(name: str) -> np.ndarray[Any, np.dtype[np.float64]]:
            return frames[name].to_numpy(dtype=np.float64)

        return Segmentation(
            contours={s: self.contours(s, automatic=automatic) for s in Structure},
            sectors=self.sectors(automatic=automatic),
            confidence={
                Structure.LUMEN: column("confidence"),
                Structure.EEM: column("eem_confidence"),
                Structure.STENT: column("stent_confidence"),
            },
            area_sd_mm2={s: column(f"{s.value}_area_sd_mm2") for s in Structure},
            eem_hidden_deg=column("eem_hidden_deg"),
            calcium_arc_deg=column("calcium_arc_deg"),
            malapposition_mm=column("malapposition_mm"),
            flags=tuple(parse_flags(cell) for cell in frames["flags"]),
            correlation_frames=float(record["uncertainty"]["area_correlation_frames"]),
            learnt=record["segmenter"]["learnt"],
        )

    def axis(self) -> Axis:
        """Where the frames lie, from `frames.csv` and `run.json`."""
        stored = self.record["axis"]
        return Axis(
            self.frames()["position_mm"].to_numpy(dtype=np.float64),
            AxisSource(stored["source"]),
            stored["detail"],
            scale_relative_sd=stored["scale_relative_sd"],
            local_sd_mm=stored["local_sd_mm"],
            correlation_mm=stored["correlation_mm"],
            lower_bound=stored["lower_bound"],
        )

    def calibration(self) -> Calibration:
        """Millimetres per pixel as used."""
        stored = dict(self.record["calibration"])
        return Calibration(**{**stored, "origin": CalibrationOrigin(stored["origin"])})

    def region(self) -> Region:
        """The cross-section's rectangle."""
        return Region(**self.record["region"])

    def open_run(self, source: Path | None = None) -> Run:
        """The run itself, with the calibration that was used; `source` names the DICOM file when it moved."""
        options = dict(self.record["reading_options"])
        vessel, phase = options.pop("vessel", None), options.pop("phase", None)
        mm_per_px = options.pop("mm_per_px", None)
        run = read_run(
            find_source(self.path, source),
            mm_per_px=None if mm_per_px is None else (float(mm_per_px[0]), float(mm_per_px[1])),
            vessel=None if vessel is None else Vessel(vessel),
            phase=None if phase is None else Phase(phase),
            **options,
        )
        return replace(run, calibration=self.calibration())

    def has_edits(self) -> bool:
        """True when any operator left an edit."""
        return any(log.stat().st_size > 0 for log in (self.path / EDITS).glob("*.jsonl"))

    # ----------------------------------------------------------------------------------------- writing

    def write_json(self, name: str, value: Mapping[str, JsonValue]) -> None:
        """Replace one JSON file in one step."""
        with change(self.path) as staging:
            put_json(staging, name, value)

    def _at(self, name: str, automatic: bool) -> Path:
        if not automatic:
            return self.path / name
        imported = self.path / IMPORTED / name
        return imported if imported.exists() else self.path / AUTOMATIC / name


def put_json(target: Path, name: str, value: Mapping[str, JsonValue]) -> None:
    """Write one JSON file into a folder that is being put together (NaN becomes null)."""
    text = json.dumps(json_ready(value), indent=2, ensure_ascii=False, allow_nan=False)
    (target / name).write_text(text + "\n", encoding="utf-8")


def put_tables(target: Path, segmentation: Segmentation, frames: pd.DataFrame, profile: pd.DataFrame | None) -> None:
    """Write the tables of one result into a folder that is being put together."""
    target.mkdir(parents=True, exist_ok=True)
    write_csv(FRAMES, frames, target / FRAMES.file)
    if profile is not None:
        write_csv(PROFILE, profile, target / PROFILE.file)
    write_contours(segmentation.contours, target / CONTOURS_FILE)
    write_sectors(segmentation.sectors, target / SECTORS_FILE)


def put_profile(staging: Path, profile: pd.DataFrame | None) -> None:
    """Write the profile of a change, or take away the one that is there where none is known any more."""
    if profile is None:
        remove(staging, PROFILE.file)
    else:
        write_csv(PROFILE, profile, staging / PROFILE.file)


def keep_automatic(target: Path) -> None:
    """Copy the tables just put into a folder as its untouched automatic result."""
    (target / AUTOMATIC).mkdir()
    for name in (FRAMES.file, CONTOURS_FILE, SECTORS_FILE):
        shutil.copyfile(target / name, target / AUTOMATIC / name)
