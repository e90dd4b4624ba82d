"""Coded concepts of the DICOM objects, as literal triples: value, coding scheme, meaning.

Source: DICOM PS3.16, context groups 3480 to 3497 and the codes of TID 3250 to 3255, 1204, 1002 and 300. pydicom's
tables carry the meanings of 122383 and 122384 swapped, which is why they are not used here.
"""

from __future__ import annotations

from typing import NamedTuple

from boreline.model import Phase, Structure, Vessel


class Concept(NamedTuple):
    """One code."""

    value: str
    scheme: str
    meaning: str


def _dcm(value: str, meaning: str) -> Concept:
    return Concept(value, "DCM", meaning)


def _sct(value: str, meaning: str) -> Concept:
    return Concept(value, "SCT", meaning)


# Structure of the report
IVUS_REPORT = _dcm("122325", "IVUS Report")
LANGUAGE = _dcm("121049", "Language of Content Item and Descendants")
ENGLISH = Concept("en", "RFC5646", "English")
OBSERVER_TYPE = _dcm("121005", "Observer Type")
PERSON = _dcm("121006", "Person")
PERSON_NAME = _dcm("121008", "Person Observer Name")
DEVICE = _dcm("121007", "Device")
DEVICE_UID = _dcm("121012", "Device Observer UID")
DEVICE_NAME = _dcm("121013", "Device Observer Name")
IMAGE_LIBRARY = _dcm("111028", "Image Library")
FINDINGS = _dcm("121070", "Findings")
FINDING_SITE = _sct("363698007", "Finding Site")
PHASE = _sct("129085009", "Cardiac catheterization procedure phase")
MEASUREMENT_GROUP = _dcm("125007", "Measurement Group")
TRACKING_ID = _dcm("112039", "Tracking Identifier")
SOURCE_OF_MEASUREMENT = _dcm("121112", "Source of Measurement")
DERIVATION = _dcm("121401", "Derivation")
COMMENT = _dcm("121106", "Comment")
RELATIVE_POSITION = _dcm("122337", "Relative position")
FIDUCIAL = _dcm("122340", "Fiducial feature")
DISTAL_END = Concept("distal-end", "99BORELINE", "Most distal position of the pullback inside the vessel")

# Qualitative findings
FINDING = _dcm("121071", "Finding")
LESION = _sct("52988006", "Lesion")
LESION_ID = _dcm("121151", "Lesion Identifier")
DISSECTION = _dcm("122387", "Dissection Classification")
INTIMAL_DISSECTION = _dcm("122398", "Intimal Dissection")
MEDIAL_DISSECTION = _dcm("122399", "Medial Dissection")
ADVENTITIAL_DISSECTION = _dcm("122397", "Adventitial Dissection")
INTRA_STENT_DISSECTION = _dcm("122388", "Intra-stent Dissection")
VASCULAR_CALCIFICATION = _sct("237897009", "Vascular Calcification")
CALCIFIED_NODULE = Concept("calcified-nodule", "99BORELINE", "Calcified nodule")
ATTENUATED_PLAQUE = Concept("attenuated", "99BORELINE", "Attenuated plaque")
TISSUE_PROTRUSION = Concept("protrusion", "99BORELINE", "Tissue protrusion through stent struts")

# Derivations and sites
MINIMUM = _sct("255605001", "Minimum")
MAXIMUM = _sct("56851009", "Maximum")
SITE_OF_LUMEN_MINIMUM = _dcm("122382", "Site of Lumen Minimum")
PROXIMAL_REFERENCE = _dcm("122380", "Proximal Reference")
DISTAL_REFERENCE = _dcm("122381", "Distal Reference")
ENTIRE_PULLBACK = _dcm("122383", "Entire Pullback")
STENTED_REGION = _dcm("122384", "Stented Region")
PROXIMAL_STENT_MARGIN = _dcm("122385", "Proximal Stent Margin")
DISTAL_STENT_MARGIN = _dcm("122386", "Distal Stent Margin")

# Measurements
LUMEN_AREA = _sct("397415007", "Vessel lumen cross-sectional area")
EEM_AREA = _dcm("122333", "EEM Cross-Sectional Area")
PLAQUE_AREA = _dcm("122334", "Plaque plus Media Cross-Sectional Area")
PLAQUE_BURDEN = _dcm("122354", "Plaque Burden")
STENT_AREA = _sct("408705002", "Stent Cross-Sectional Area")
LUMEN_DIAMETER = _sct("397413000", "Vessel lumen diameter")
EEM_DIAMETER = _dcm("122330", "EEM Diameter")
STENT_DIAMETER = _sct("408706001", "Stent Diameter")
CALCIUM_ARC = _dcm("122355", "Arc of Calcium")
LUMEN_ECCENTRICITY = _dcm("122343", "Lumen Eccentricity Index")
LUMEN_RATIO = _dcm("122350", "Lumen Diameter Ratio")
STENT_SYMMETRY = _dcm("122346", "Stent Symmetry Index")
STENT_RATIO = _dcm("122351", "Stent Diameter Ratio")
STENT_EXPANSION = _dcm("122347", "Stent Expansion Index")
LUMEN_VOLUME = _dcm("122372", "Lumen Volume")
EEM_VOLUME = _dcm("122371", "EEM Volume")
PLAQUE_VOLUME = _dcm("122376", "Total Plaque Volume")
VOLUME_LENGTH = _dcm("122336", "Vascular Volume measurement length")

# Units (UCUM)
MM = Concept("mm", "UCUM", "millimeter")
MM2 = Concept("mm2", "UCUM", "square millimeter")
MM3 = Concept("mm3", "UCUM", "cubic millimeter")
PERCENT = Concept("%", "UCUM", "percent")
DEGREE = Concept("deg", "UCUM", "degree")
RATIO = Concept("{ratio}", "UCUM", "ratio")

# Where and when
VESSELS = {
    Vessel.LAD: _sct("59438005", "Left Anterior Descending Coronary Artery"),
    Vessel.LCX: _sct("57396003", "Circumflex Coronary Artery"),
    Vessel.RCA: _sct("13647002", "Right Coronary Artery"),
    Vessel.LEFT_MAIN: _sct("3227004", "Left Main Coronary Artery"),
    Vessel.MARGINAL: _sct("22765000", "Marginal Coronary Artery"),
    Vessel.DIAGONAL: _sct("91750005", "1st Diagonal Coronary Artery"),
    Vessel.OTHER: _sct("41801008", "Coronary artery"),
}
BEFORE_INTERVENTION = _sct("128958005", "Cardiac catheterization pre-intervention phase")
AFTER_INTERVENTION = _sct("128960007", "Cardiac catheterization post-intervention phase")
PHASES = {
    Phase.BEFORE: BEFORE_INTERVENTION,
    Phase.IMPLANTED: AFTER_INTERVENTION,
    Phase.POST_DILATED: AFTER_INTERVENTION,
}
"""A prepared lesion and a follow-up have no term in context group 3480."""

# Segmentation
ANATOMICAL_STRUCTURE = _sct("91723000", "Anatomical Structure")
PHYSICAL_OBJECT = _sct("260787004", "Physical object")
SEGMENTS = {
    Structure.LUMEN: (ANATOMICAL_STRUCTURE, _sct("91747007", "Lumen of blood vessel")),
    Structure.EEM: (ANATOMICAL_STRUCTURE, _sct("414165007", "External Elastic Membrane")),
    Structure.STENT: (PHYSICAL_OBJECT, _sct("65818007", "Stent")),
}
DERIVED_BY_SEGMENTATION = _dcm("113076", "Segmentation")
SOURCE_FOR_PROCESSING = _dcm("121322", "Source image for image processing operation")
BASIC_PROFILE = _dcm("113100", "Basic Application Confidentiality Profile")
