"""One run as a NetCDF file (classic format, 64-bit offsets), for programs that read labelled arrays.

Metadata follow the CF conventions, version 1.8: units, long names, flags as bit masks (CF 3.5), and the contours of
each structure as a contiguous ragged array (CF 9.3.3): `lumen_row_size` says how many vertices each frame has.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.io import netcdf_file

from boreline._version import __version__
from boreline.columns import FRAMES, PROFILE, Column, Kind
from boreline.flags import Flag, parse_flags
from boreline.model import CAUTION, ORIGINS, Contours, Structure
from boreline.results import ResultFolder

_UNITS = {"": "1", "0..1": "1", "%": "percent", "deg": "degree", "px": "1"}
"""Units of our tables that UDUNITS, which CF uses, spells otherwise."""
_UNKNOWN = -1


def write_netcdf(folder: ResultFolder, out: Path, *, review: str) -> Path:
    """Write the frames, the profile (with the prefix `profile_`) and the contours of a run.

    Parameters
    ----------
    review
        How far an operator has looked at the run, in words.
    """
    record, profile = folder.record, folder.profile()
    with netcdf_file(str(out), "w", version=2) as file:
        file.Conventions = "CF-1.8"
        file.title = "Measurements of an intravascular ultrasound run"
        file.source = f"Boreline {__version__}, segmenter {record['segmenter']['name']}"
        file.comment = f"{CAUTION} {review}."
        file.mm_per_px_x, file.mm_per_px_y = (np.float64(record["calibration"][f"mm_per_px_{a}"]) for a in "xy")
        frames = folder.frames()
        file.createDimension("frame", len(frames))
        _put_table(file, frames, FRAMES.columns, "frame", "")
        if profile is not None:
            file.createDimension("position", len(profile))
            _put_table(file, profile, PROFILE.columns, "position", "profile_")
        for structure in Structure:
            _put_contours(file, folder.contours(structure))
    return out


def _put_table(
    file: netcdf_file, table: pd.DataFrame, columns: tuple[Column, ...], dimension: str, prefix: str
) -> None:
    for column in columns:
        about: dict[str, Any] = {"long_name": column.meaning}
        cells = table[column.name]
        values: np.ndarray[Any, Any]
        if column.name == "flags":
            values = np.array([_mask(cell) for cell in cells.fillna("")], dtype=np.int32)
            about["flag_masks"] = np.array([1 << i for i in range(len(Flag))], dtype=np.int32)
            about["flag_meanings"] = " ".join(flag.value for flag in Flag)
        elif column.kind is Kind.BOOLEAN:
            values = cells.astype("Int8").fillna(_UNKNOWN).to_numpy(dtype=np.int8)
            about |= _choices(("no", "yes"))
        elif column.kind is Kind.INTEGER:
            values = cells.to_numpy(dtype=np.int32)
            about["units"] = _UNITS.get(column.unit, column.unit)
        else:
            values = cells.to_numpy(dtype=np.float64)
            about |= {"units": _UNITS.get(column.unit, column.unit), "_FillValue": np.float64(np.nan)}
        _put(file, f"{prefix}{column.name}", values, dimension, about)


def _put_contours(file: netcdf_file, contours: Contours) -> None:
    name = contours.structure.value
    if not len(contours.xy_px):
        return
    dimension = f"{name}_vertex"
    file.createDimension(dimension, len(contours.xy_px))
    counted = {"long_name": f"vertices of the {name} contour in each frame", "sample_dimension": dimension}
    _put(file, f"{name}_row_size", np.diff(contours.offsets).astype(np.int32), "frame", counted)
    for axis, way in enumerate(("x", "y")):
        about = {"long_name": f"{way} of the {name} contour, pixel centres at whole numbers", "units": "1"}
        _put(file, f"{name}_{way}_px", contours.xy_px[:, axis], dimension, about)
    seen = {"long_name": f"the {name} border was seen here"} | _choices(("bridged", "seen"))
    _put(file, f"{name}_seen", contours.seen.astype(np.int8), dimension, seen)
    origin = {"long_name": f"who placed this vertex of the {name}"} | _choices(tuple(o.value for o in ORIGINS))
    _put(file, f"{name}_origin", contours.origin.astype(np.int8), dimension, origin)


def _choices(words: tuple[str, ...]) -> dict[str, Any]:
    return {
        "flag_values": np.arange(len(words), dtype=np.int8),
        "flag_meanings": " ".join(words),
        "_FillValue": np.int8(_UNKNOWN),
    }


def _mask(cell: str) -> int:
    present = parse_flags(cell)
    return sum(1 << i for i, flag in enumerate(Flag) if flag in present)


def _put(file: netcdf_file, name: str, values: np.ndarray[Any, Any], dimension: str, about: Mapping[str, Any]) -> None:
    variable = file.createVariable(name, values.dtype, (dimension,))
    variable[:] = values
    for key, value in about.items():
        setattr(variable, key, value)
