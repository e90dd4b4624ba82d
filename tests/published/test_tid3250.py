"""Our code table against DICOM PS3.16 as pydicom carries it, and our reports against the rows of TID 3250 and 3251.

Sources: PS3.16 context groups 3480 to 3497 (pydicom's copy); TID 3250 and 3251, PS3.16 A, read row by row; definitions
in PS3.16 Annex D.
"""

from __future__ import annotations

import pydicom
import pytest
from pydicom.dataset import Dataset
from pydicom.sr.codedict import codes as published
from result_folders import phantom_run, result_of_truth

from boreline.correction import LogWriter, log_path
from boreline.correction.edits import Attenuated, Dissection, Nodule, Protrusion
from boreline.reporting import codes
from boreline.reporting.codes import Concept
from boreline.workflow.export import export

SWAPPED_IN_PYDICOM = {"122383": "Stented Region", "122384": "Entire Pullback"}


def published_meanings() -> dict[tuple[str, str], set[str]]:
    meanings: dict[tuple[str, str], set[str]] = {}
    for scheme in ("DCM", "SCT"):
        collection = getattr(published, scheme)
        for keyword in collection.dir():
            code = getattr(collection, keyword)
            meanings.setdefault((code.value, scheme), set()).add(code.meaning)
    return meanings


def own_codes() -> list[Concept]:
    tables = [value for value in vars(codes).values() if isinstance(value, Concept)]
    tables += [*codes.VESSELS.values(), *codes.PHASES.values()]
    tables += [code for pair in codes.SEGMENTS.values() for code in pair]
    return sorted(set(tables))


def test_every_code_has_its_published_meaning() -> None:
    meanings = published_meanings()
    unknown = []
    for code in own_codes():
        if code.scheme in ("99BORELINE", "RFC5646", "UCUM") or code.value in SWAPPED_IN_PYDICOM:
            continue
        if (code.value, code.scheme) not in meanings:
            unknown.append(code)
            continue
        said = {meaning.lower().removesuffix(" (qualifier value)") for meaning in meanings[code.value, code.scheme]}
        assert code.meaning.lower() in said, code
    assert not unknown


def test_units_are_ucum_codes() -> None:
    """UCUM (ISO 80000 symbols): millimetre and its powers, percent, degree, and an annotated 1; meanings are free."""
    units = {code.value for code in own_codes() if code.scheme == "UCUM"}
    assert units == {"mm", "mm2", "mm3", "%", "deg", "{ratio}"}


@pytest.mark.parametrize(("value", "wrong"), list(SWAPPED_IN_PYDICOM.items()))
def test_two_meanings_are_still_swapped_in_pydicom_and_not_here(value: str, wrong: str) -> None:
    """When this fails, pydicom has been corrected and the exception can go."""
    assert wrong in published_meanings()[value, "DCM"]
    assert next(code for code in own_codes() if code.value == value).meaning != wrong


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Dataset:
    base = tmp_path_factory.mktemp("tid3250")
    key = base / "key"
    key.write_text("0123456789abcdef")
    folder = result_of_truth(phantom_run(base / "phantom", "stent", frames=40, size=192), base / "result")
    writer = LogWriter(log_path(folder.path, "a_quitte"), "a_quitte", folder.record["source"]["sop_instance_uid"])
    for edit in (
        Dissection(first=5, last=9, depth="media", side="distal"),
        Dissection(first=20, last=20, depth="intima", side="within"),
        Nodule(first=12, last=14),
        Attenuated(first=30, last=33),
        Protrusion(first=21, last=22),
    ):
        writer.append(edit)
    writer.close()
    done = export(folder.path, base / "out", key_file=key)
    return pydicom.dcmread(next(path for path in done.files if path.name.endswith("_sr.dcm")))


def name(item: Dataset) -> tuple[str, str] | None:
    sequence = item.get("ConceptNameCodeSequence")
    return (sequence[0].CodeValue, sequence[0].CodingSchemeDesignator) if sequence else None


def value(item: Dataset) -> tuple[str, str]:
    return item.ConceptCodeSequence[0].CodeValue, item.ConceptCodeSequence[0].CodingSchemeDesignator


def children(item: Dataset, relation: str, kind: str, code: str) -> list[Dataset]:
    return [
        child
        for child in item.get("ContentSequence", [])
        if child.RelationshipType == relation and child.ValueType == kind and (name(child) or ("",))[0] == code
    ]


def test_rows_of_tid_3250(report: Dataset) -> None:
    """Row 1 container, row 2 language (mandatory), row 3 observer, rows 6 and 7 image library, row 8 TID 3251."""
    assert name(report) == ("122325", "DCM")
    assert report.ValueType == "CONTAINER"
    assert report.ContentTemplateSequence[0].TemplateIdentifier == "3250"
    assert len(children(report, "HAS CONCEPT MOD", "CODE", "121049")) == 1
    observer = children(report, "HAS OBS CONTEXT", "CODE", "121005")
    assert [value(item) for item in observer] == [("121007", "DCM")]
    assert len(children(report, "HAS OBS CONTEXT", "UIDREF", "121012")) == 1
    (library,) = children(report, "CONTAINS", "CONTAINER", "111028")
    assert [child.ValueType for child in library.ContentSequence] == ["IMAGE"]
    assert "ConceptNameCodeSequence" not in library.ContentSequence[0], "row 7: no purpose of reference"
    assert len(children(report, "CONTAINS", "CONTAINER", "121070")) == 1


def test_rows_of_tid_3251(report: Dataset) -> None:
    """Row 1 findings, row 2 finding site of CID 3604, row 5 phase of CID 3480 as acquisition context."""
    (findings,) = children(report, "CONTAINS", "CONTAINER", "121070")
    (site,) = children(findings, "HAS CONCEPT MOD", "CODE", "363698007")
    cid_3604 = {getattr(published.cid3604, keyword).value for keyword in published.cid3604.dir()}
    assert value(site)[0] in cid_3604
    (phase,) = children(findings, "HAS ACQ CONTEXT", "CODE", "129085009")
    assert value(phase)[0] in {getattr(published.cid3480, keyword).value for keyword in published.cid3480.dir()}
    sites = {
        value(child)[0]
        for group in children(findings, "CONTAINS", "CONTAINER", "125007")
        for child in children(group, "HAS CONCEPT MOD", "CODE", "363698007")
    }
    permitted = {
        getattr(group, keyword).value for group in (published.cid3486, published.cid3487) for keyword in group.dir()
    }
    assert sites
    assert sites <= permitted


def members(group: object) -> set[str]:
    return {getattr(group, keyword).value for keyword in group.dir()}  # type: ignore[attr-defined]


def test_rows_of_the_lesions(report: Dataset) -> None:
    """One lesion per finding: identifier 121151, dissections of CID 3492, other findings of CID 3491 or our own.

    Which rows TID 3252 and 3254 have in the standard is from memory; the context groups are pydicom's copies.
    """
    (findings,) = children(report, "CONTAINS", "CONTAINER", "121070")
    lesions = children(findings, "CONTAINS", "CONTAINER", "52988006")
    assert "52988006" in members(published.cid3487)
    numbers = [children(lesion, "HAS OBS CONTEXT", "TEXT", "121151")[0].TextValue for lesion in lesions]
    assert numbers == ["1", "2", "3", "4", "5"]
    classes = [[value(c)[0] for c in children(lesion, "CONTAINS", "CODE", "122387")] for lesion in lesions]
    assert classes == [["122399"], ["122398", "122388"], [], [], []]
    assert {code for those in classes for code in those} <= members(published.cid3492)
    others = [[value(c) for c in children(lesion, "CONTAINS", "CODE", "121071")] for lesion in lesions]
    assert others[2] == [("237897009", "SCT"), ("calcified-nodule", "99BORELINE")]
    assert [code for those in others[3:] for code in those] == [
        ("attenuated", "99BORELINE"),
        ("protrusion", "99BORELINE"),
    ]
    assert {code for those in others for code, scheme in those if scheme == "SCT"} <= members(published.cid3491)


def test_a_lesion_says_where_it_is(report: Dataset) -> None:
    (findings,) = children(report, "CONTAINS", "CONTAINER", "121070")
    lesions = children(findings, "CONTAINS", "CONTAINER", "52988006")
    sites = [[value(c)[0] for c in children(lesion, "HAS CONCEPT MOD", "CODE", "363698007")] for lesion in lesions]
    assert sites == [["122386"], ["122384"], [], [], []]
    assert {code for those in sites for code in those} <= members(published.cid3487)
    code = children(lesions[0], "CONTAINS", "CODE", "122387")[0]
    (image,) = [item for item in code.ContentSequence if item.ValueType == "IMAGE"]
    assert image.RelationshipType == "INFERRED FROM"
    assert list(image.ReferencedSOPSequence[0].ReferencedFrameNumber) == [5, 6, 7, 8, 9]
    places = [
        float(item.MeasuredValueSequence[0].NumericValue) for item in children(lesions[0], "CONTAINS", "NUM", "122337")
    ]
    assert len(places) == 2
    assert places[0] > places[1], "positive distally: the first frame is the most distal"
    assert len(children(lesions[1], "CONTAINS", "NUM", "122337")) == 1


def test_a_lesion_names_its_observer_by_a_pseudonym(report: Dataset) -> None:
    """TID 1002 and 1003: observer type person, and a name."""
    (findings,) = children(report, "CONTAINS", "CONTAINER", "121070")
    for lesion in children(findings, "CONTAINS", "CONTAINER", "52988006"):
        assert [value(item)[0] for item in children(lesion, "HAS OBS CONTEXT", "CODE", "121005")] == ["121006"]
        (person,) = children(lesion, "HAS OBS CONTEXT", "PNAME", "121008")
        assert str(person.PersonName).startswith("R")
    assert "quitte" not in str(report)


def test_stent_symmetry_is_the_standards_and_not_the_papers(report: Dataset) -> None:
    """PS3.16 Annex D: Stent Symmetry Index = (max - min) / max; the ratio min / max is 122351."""
    found = {}
    (findings,) = children(report, "CONTAINS", "CONTAINER", "121070")
    for group in children(findings, "CONTAINS", "CONTAINER", "125007"):
        for item in group.ContentSequence:
            if item.ValueType == "NUM":
                derived = children(item, "HAS CONCEPT MOD", "CODE", "121401")
                key = ((name(item) or ("",))[0], value(derived[0])[0] if derived else "")
                found[key] = float(item.MeasuredValueSequence[0].NumericValue)
    low, high = found["408706001", "255605001"], found["408706001", "56851009"]
    assert found["122346", ""] == pytest.approx((high - low) / high, abs=2e-4)
    assert found["122351", ""] == pytest.approx(low / high, abs=2e-4)


def test_position_is_positive_distally(report: Dataset) -> None:
    """PS3.16: Relative position is positive distal of the fiducial feature, so ours (proximal of zero) are negative."""
    (findings,) = children(report, "CONTAINS", "CONTAINER", "121070")
    values = [
        float(item.MeasuredValueSequence[0].NumericValue)
        for group in children(findings, "CONTAINS", "CONTAINER", "125007")
        for item in children(group, "CONTAINS", "NUM", "122337")
    ]
    assert values
    assert all(v <= 0 for v in values)


def test_codes_are_unique_in_meaning(report: Dataset) -> None:
    """One value never appears with two meanings in a document."""
    seen: dict[tuple[str, str], set[str]] = {}
    for element in report.iterall():
        if element.VR == "SQ" and element.keyword.endswith("CodeSequence"):
            for item in element.value:
                seen.setdefault((item.CodeValue, item.CodingSchemeDesignator), set()).add(item.CodeMeaning)
    assert all(len(meanings) == 1 for meanings in seen.values())
