"""The result folder: every file of the contract is written and read here."""

from boreline.results.folder import (
    AUTOMATIC,
    EDITS,
    IMPORTED,
    ResultFolder,
    keep_automatic,
    put_json,
    put_profile,
    put_tables,
)
from boreline.results.record import StageStatus, axis_record, axis_uncertainty, json_ready, run_record
from boreline.results.source import write_source
from boreline.results.transaction import afterwards, change, new_folder

__all__ = [
    "AUTOMATIC",
    "EDITS",
    "IMPORTED",
    "ResultFolder",
    "StageStatus",
    "afterwards",
    "axis_record",
    "axis_uncertainty",
    "change",
    "json_ready",
    "keep_automatic",
    "new_folder",
    "put_json",
    "put_profile",
    "put_tables",
    "run_record",
    "write_source",
]
