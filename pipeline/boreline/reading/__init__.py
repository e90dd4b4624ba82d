"""DICOM in: ultrasound pullbacks as `Run`, X-ray runs beside them, and what a folder holds."""

from boreline.reading.discovery import Found as Found
from boreline.reading.discovery import discover as discover
from boreline.reading.run import LARGEST_FAULTY_SHARE as LARGEST_FAULTY_SHARE
from boreline.reading.run import read_run as read_run
from boreline.reading.xray import XrayFrame as XrayFrame
from boreline.reading.xray import XrayRun as XrayRun
from boreline.reading.xray import read_xray as read_xray
