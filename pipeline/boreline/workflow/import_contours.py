"""Contours from a DICOM Segmentation into a result folder: ours back from another group, or made elsewhere.

Imported contours become part of the baseline that edits build on: `imported/` holds the automatic result with the
imported contours in place, `automatic/` stays untouched.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from boreline.correction import readers
from boreline.errors import InputRefused
from boreline.flags import Flag
from boreline.model import ORIGINS, Contours, Origin, Segmentation, Structure, Timing
from boreline.profile.frames import frames_table, in_vessel, origin_in_vessel
from boreline.profile.grid import profile_table
from boreline.reporting.identity import derived_uid, load_key
from boreline.reporting.seg_import import ImportedContours, read_segmentation
from boreline.results import IMPORTED, ResultFolder, change, put_json, put_profile, put_tables

_CLEARED = {
    Structure.LUMEN: {Flag.LUMEN_DOUBTFUL},
    Structure.EEM: {Flag.EEM_DOUBTFUL, Flag.EEM_HIDDEN, Flag.EEM_OUT_OF_VIEW},
    Structure.STENT: set[Flag](),
}


@dataclass(frozen=True, slots=True)
class Import:
    """Frames that took an imported contour, by structure, and segments that were not understood."""

    n_frames: dict[str, int]
    ignored: tuple[str, ...]


def import_contours(folder: Path, file: Path, *, key_file: Path | None = None, any_source: bool = False) -> Import:
    """Replace the contours of the frames that `file` holds; all others stay.

    Confidence and area uncertainty of imported contours are not known and become empty.

    Parameters
    ----------
    key_file
        Secret key of the pseudonyms, to recognise a pseudonymous export of this run.
    any_source
        Take it although it does not refer to this run.

    Raises
    ------
    InputRefused
        No usable segmentation, another run, or the folder holds edits.
    """
    results = ResultFolder.open(folder)
    if readers(results.path):
        raise InputRefused(
            "holds an operator's edits, which were made on other contours",
            file=folder,
            remedy="import into a fresh analysis of the run",
        )
    source = results.record["source"]
    imported = read_segmentation(
        file, rows=int(source["rows"]), columns=int(source["columns"]), n_frames=results.n_frames
    )
    if not any_source:
        _refuse_other_run(imported, source["sop_instance_uid"], file, key_file)
    segmentation = _with_imported(results.segmentation(), imported)
    _write(results, segmentation, imported)
    return Import({s.value: len(p) for s, p in imported.polygons.items()}, imported.ignored)


def _refuse_other_run(imported: ImportedContours, uid: str, file: Path, key_file: Path | None) -> None:
    if imported.source_uids == {uid}:
        return
    if imported.source_uids == {derived_uid(load_key(key_file), "instance", uid)}:
        return
    raise InputRefused(
        "refers to another run, or to this one under a pseudonym of another site",
        file=file,
        tag="(0008,1155) ReferencedSOPInstanceUID",
        remedy="add --any-source if it is this run, or name the site's --key",
    )


def _with_imported(segmentation: Segmentation, imported: ImportedContours) -> Segmentation:
    contours, confidence = dict(segmentation.contours), dict(segmentation.confidence)
    area_sd, flags = dict(segmentation.area_sd_mm2), list(segmentation.flags)
    hidden = segmentation.eem_hidden_deg.copy()
    code = ORIGINS.index(Origin.IMPORTED)
    for structure, polygons in imported.polygons.items():
        frames = sorted(polygons)
        old = contours[structure]
        vertices = [polygons.get(f, old.polygon(f)) for f in range(old.n_frames)]
        new = [f in polygons for f in range(old.n_frames)]
        contours[structure] = Contours.from_polygons(
            structure,
            vertices,
            [
                np.ones(len(v), dtype=np.bool_) if n else old.seen_at(f)
                for f, (v, n) in enumerate(zip(vertices, new, strict=True))
            ],
            [
                np.full(len(v), code, dtype=np.uint8) if n else old.origin_at(f)
                for f, (v, n) in enumerate(zip(vertices, new, strict=True))
            ],
        )
        confidence[structure], area_sd[structure] = confidence[structure].copy(), area_sd[structure].copy()
        confidence[structure][frames] = np.nan
        area_sd[structure][frames] = np.nan
        if structure is Structure.EEM:
            hidden[frames] = np.nan
        for frame in frames:
            added = {Flag.IMPORTED} | ({Flag.STENT} if structure is Structure.STENT else set())
            flags[frame] = (flags[frame] - _CLEARED[structure]) | added
    return replace(
        segmentation,
        contours=contours,
        confidence=confidence,
        area_sd_mm2=area_sd,
        eem_hidden_deg=hidden,
        flags=tuple(flags),
    )


def _write(results: ResultFolder, segmentation: Segmentation, imported: ImportedContours) -> None:
    was, record = results.frames(), results.record
    axis = results.axis()
    axis = replace(axis, position_mm=origin_in_vessel(axis.position_mm, in_vessel(segmentation.flags)))
    times = was["time_s"].to_numpy(dtype=np.float64)
    timing = Timing(None if np.isnan(times).all() else times, record["timing"]["origin"])
    gated = None if was["gated"].isna().all() else was["gated"].fillna(value=False).to_numpy(dtype=np.bool_)
    frames = frames_table(segmentation, results.calibration(), timing, axis, gated=gated)
    profile = profile_table(frames)
    counts = {s.value: len(p) for s, p in imported.polygons.items()}
    with change(results.path) as staging:
        put_tables(staging, segmentation, frames, None)
        put_profile(staging, profile)
        put_tables(staging / IMPORTED, segmentation, frames, None)
        put_json(staging, "run.json", {**record, "imported_contours": counts})
