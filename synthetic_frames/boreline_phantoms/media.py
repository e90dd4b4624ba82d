"""An export as archives hand it out: a DICOMDIR, and files whose names say nothing (PS3.10 8, PS3.3 annex F)."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from pathlib import Path

from pydicom.fileset import FileSet

from boreline_phantoms.uids import stable_uid


def write_media(runs: Sequence[Path], folder: Path) -> list[Path]:
    """Copy DICOM files into an export folder and write its DICOMDIR.

    Returns
    -------
    list of Path
        Where each of `runs` lies now.
    """
    media = FileSet()
    media.ID = "SYNTHETIC"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library remarks that it copies
        uids = [str(media.add(run).SOPInstanceUID) for run in runs]
        media.UID = stable_uid("media", *uids)
        media.write(folder)
    media._stage["t"].cleanup()  # noqa: SLF001  # the library leaves its staging folder to a warning at exit
    places = {str(instance.SOPInstanceUID): folder / Path(*instance.FileID.split("\\")) for instance in media}
    return [places[uid] for uid in uids]
