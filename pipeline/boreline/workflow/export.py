"""A result folder for other systems: DICOM objects and exchange files, pseudonymous by default."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from boreline.errors import InputRefused
from boreline.model import Structure
from boreline.reporting.dicom_seg import write_segmentation
from boreline.reporting.dicom_sr import write_structured_report
from boreline.reporting.exchange import write_exchange
from boreline.reporting.findings import operator_findings
from boreline.reporting.identity import Identity, kept_identity, load_key, pseudonymous_identity, read_header
from boreline.reporting.measurements import measured_groups
from boreline.reporting.netcdf import write_netcdf
from boreline.reporting.review_state import review_state
from boreline.results import ResultFolder, change, new_folder
from boreline.results.source import find_source
from boreline.workflow.apply_edits import open_current

DICOM, EXCHANGE = "dicom", "exchange"
SEGMENTATION_FILE, REPORT_FILE, NETCDF_FILE = "contours_seg.dcm", "measurements_sr.dcm", "run.nc"


@dataclass(frozen=True, slots=True)
class Export:
    """What was written: paths, whether identity was kept, and lines for the operator."""

    folder: Path
    files: tuple[Path, ...]
    identity_kept: bool
    notes: tuple[str, ...]


def export(
    folder: Path,
    out: Path | None = None,
    *,
    source: Path | None = None,
    keep_identity: bool = False,
    key_file: Path | None = None,
    netcdf: bool = False,
) -> Export:
    """Write DICOM SEG and SR into ``dicom/`` and tables into ``exchange/``, inside the folder or into a new `out`.

    Parameters
    ----------
    source
        The run's DICOM file when it moved. Pseudonymous exports manage without: the patient's pseudonym then follows
        from the study, and the notes say so.
    keep_identity
        Write the DICOM objects into the source's own patient and study.
    key_file
        Secret key of the pseudonyms instead of the one in the user's configuration folder.
    netcdf
        Write ``exchange/run.nc`` as well.

    Raises
    ------
    InputRefused
        No result folder; `out` exists; the key cannot be used; identity is to be kept but the source is not there.
    """
    results = open_current(folder)
    if out is not None and out.exists():
        raise InputRefused("exists already", file=out, tag="--out", remedy="choose another folder")
    identity, ratio, notes = _identity(results, source, keep_identity=keep_identity, key_file=key_file)
    with change(results.path) if out is None else new_folder(out, replace=False) as target:
        written = _write(results, target, identity, ratio, netcdf=netcdf)
        names = [path.relative_to(target) for path in written]
    base = results.path if out is None else out
    return Export(base, tuple(base / name for name in names), identity.kept, tuple(notes))


def _identity(
    results: ResultFolder, source: Path | None, *, keep_identity: bool, key_file: Path | None
) -> tuple[Identity, float | None, list[str]]:
    key = load_key(key_file)
    stored = results.record["source"]
    notes = []
    try:
        path = find_source(results.path, source)
    except InputRefused:
        if keep_identity or source is not None:
            raise
        notes.append("the run's pixels are not at hand: the patient's pseudonym follows from the study")
        return pseudonymous_identity(stored, None, key), None, notes
    header = read_header(path)
    size = sum(p.stat().st_size for p in path.rglob("*") if p.is_file()) if path.is_dir() else path.stat().st_size
    samples = 1 if stored["photometric"].startswith(("MONOCHROME", "PALETTE")) else 3
    raw = stored["rows"] * stored["columns"] * stored["n_frames"] * samples * (1 + (stored["bits_stored"] > 8))
    if keep_identity:
        notes.append("the DICOM objects carry the source's patient and study: treat them as patient data")
        return kept_identity(stored, header, key), raw / size, notes
    return pseudonymous_identity(stored, header, key), raw / size, notes


def _write(results: ResultFolder, target: Path, identity: Identity, ratio: float | None, *, netcdf: bool) -> list[Path]:
    record, frames = results.record, results.frames()
    contours = {structure: results.contours(structure) for structure in Structure}
    review = review_state(int(np.sum(frames["reviewed"].fillna(value=False).to_numpy(dtype=bool))), len(frames))
    groups = measured_groups(
        frames,
        results.profile(),
        contours,
        results.calibration(),
        results.read_json("plan.json"),
        results.read_json("assessment.json"),
    )
    dicom, exchange = target / DICOM, target / EXCHANGE
    dicom.mkdir()
    exchange.mkdir()
    findings = operator_findings(record, frames)
    files = [
        write_structured_report(
            dicom / REPORT_FILE, groups, contours, record, identity, review=review, findings=findings
        )
    ]
    masks = write_segmentation(dicom / SEGMENTATION_FILE, contours, record, identity, compression_ratio=ratio)
    files += [*([masks] if masks else []), *write_exchange(results, exchange, identity, review=review)]
    if netcdf:
        files.append(write_netcdf(results, exchange / NETCDF_FILE, review=review))
    return files
