"""`boreline plan`, `assess` and `rules` from the command line, on result folders written here."""

import json
from pathlib import Path

import pandas as pd
import pytest
from vessels import stented, table

from boreline.columns import PROFILE
from boreline.errors import InputRefused
from boreline.expansion.case_file import read_case
from boreline.model import CAUTION, Phase
from boreline_cli.main import main


def folder(path: Path, readings: pd.DataFrame | None, **record: object) -> Path:
    path.mkdir()
    uncertainty = {"calibration_relative_sd": 0.02, "axis_scale_relative_sd": 0.05, "area_correlation_frames": 2.0}
    (path / "run.json").write_text(json.dumps({"vessel": "lad", "uncertainty": uncertainty, **record}))
    if readings is not None:
        plaque = readings["eem_area_mm2"] - readings["lumen_area_mm2"]
        readings = readings.assign(
            plaque_area_mm2=plaque, plaque_burden_pct=100 * plaque / readings["eem_area_mm2"], revisited="false"
        )
        readings[list(PROFILE.names)].to_csv(path / "profile.csv", index=False)
    return path


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as stop:
        main([str(argument) for argument in arguments])
    return int(stop.value.code or 0)


def test_plan_prints_json_and_writes_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run_folder = folder(tmp_path / "run", table(noise=1.0), current_reader=None, axis={"lower_bound": True})
    assert run("plan", run_folder, "--json") == 0
    printed = json.loads(capsys.readouterr().out)
    assert json.loads((run_folder / "plan.json").read_text()) == printed
    assert printed["caution"] == CAUTION
    notes = " ".join(printed["notes"])
    assert "not reviewed" in notes
    assert "lower bounds" in notes
    assert {"edge-50", "edge-55", "edge-54.5"} == set(printed["landing_map"]["probability"])
    ids = {target["id"]: target for target in printed["targets"]}
    assert ids["mean-90"]["equivalent_diameter_mm"] > 2.5


def test_plan_for_people(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run_folder = folder(tmp_path / "run", table(noise=1.0), current_reader="anna")
    devices = tmp_path / "devices.csv"
    devices.write_text("diameter_mm,length_mm\n3.5,28\n4.0,28\n")
    assert run("plan", run_folder, "--distal", 15, "--proximal", 42, "--devices", devices, "--nodule") == 0
    out = capsys.readouterr().out
    assert "distal-eem" in out
    assert CAUTION in out
    assert "device length 28 mm" in out


def test_a_run_without_positions_is_refused_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run_folder = folder(tmp_path / "run", None)
    for command in ("plan", "assess"):
        assert run(command, run_folder) == 2
        err = capsys.readouterr().err
        assert err.count("\n") == 1
        assert "--pullback-speed" in err
    assert not (run_folder / "plan.json").exists()


def test_assess_with_everything(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = folder(tmp_path / "before", table(noise=1.0))
    after = folder(tmp_path / "after", stented(noise=1.0), uncertainty={})
    targets = tmp_path / "balloons.csv"
    targets.write_text("balloon_diameter_mm,target_area_mm2\n3.5,8.0\n")
    options = ["--stent-from", 20, "--stent-to", 40, "--balloon", 3.5, "--before", before]
    stated = ["--dissection-depth", "none", "--balloon-targets", targets]
    assert run("assess", after, *options, *stated, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert json.loads((after / "assessment.json").read_text()) == document
    verdicts = {rule["id"]: rule["verdict"] for rule in document["rules"]}
    assert verdicts["balloon-table"] == "not_met"
    assert verdicts["diss-3"] == "met"
    assert document["before_after"]["method"].startswith("dynamic alignment")
    assert any("not known" in note for note in document["notes"])
    same = document["before_after"]["same_site"]
    reference = same["proximal_reference"]
    assert reference["after"] == document["references"]["proximal"]
    assert reference["before"]["position_mm"] == pytest.approx(reference["after"]["position_mm"], abs=2.0)
    lumens = [same[f"{side}_reference"]["before"]["lumen_area_mm2"] for side in ("distal", "proximal")]
    assert same["expansion_against_same_site_pct"] == pytest.approx(200 * document["msa_read_mm2"] / sum(lumens))
    assert same["smallest_stent_area"]["lumen_gain_mm2"] is not None
    assert run("assess", after, *options) == 0
    out = capsys.readouterr().out
    assert CAUTION in out
    assert "information, no instruction" in out
    assert "Before and after" in out
    assert "at the same site" in out
    assert "same-site references before" in out


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (["--stent-from", 20], "both ends"),
        (["--balloon", 0], "sensible range"),
        (["--balloon", 40], "sensible range"),
        (["--dissection-depth", "deep"], "not one of"),
        (["--stent-from", 40, "--stent-to", 20], "distal"),
    ],
)
def test_nonsense_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[object], word: str
) -> None:
    after = folder(tmp_path / "after", stented())
    assert run("assess", after, *options) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert word in err
    assert not (after / "assessment.json").exists()


def test_rules_are_listed_and_applied(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("rules", "--json") == 0
    assert len(json.loads(capsys.readouterr().out)["rules"]) == 35
    assert run("rules") == 0
    assert "from memory, verify" in " ".join(capsys.readouterr().out.replace("│", " ").split())
    values = tmp_path / "values.toml"
    values.write_text("msa_mm2 = 5.6\nmsa_mm2_sd = 0.25\nstented_length_mm = 20\n")
    assert run("rules", "--evaluate", values, "--json") == 0
    document = json.loads(capsys.readouterr().out)
    rules = {rule["id"]: rule for rule in document["rules"]}
    assert document["caution"] == CAUTION
    assert rules["abs-5.5"]["verdict"] == "too_close_to_call"
    assert rules["abs-5.5"]["probability"] == pytest.approx(0.655, abs=1e-3)
    assert rules["dist-90"]["verdict"] == "not_assessable"
    assert run("rules", "--evaluate", values) == 0
    out = capsys.readouterr().out
    assert "too close" in out
    assert CAUTION in out


# ------------------------------------------------------------------------------------------------ case.toml


CASE = """
[[run]]
folder = "after"
phase = "implanted"

[[run]]
folder = "before"
phase = "before"

[[fiducial]]
before_mm = 10.0
after_mm = 10.0
"""


def test_a_case_lists_the_runs_in_order_and_its_fiducials_are_used(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder(tmp_path / "before", table())
    after = folder(tmp_path / "after", stented())
    path = tmp_path / "case.toml"
    path.write_text(CASE)
    case = read_case(path)
    assert [phase for phase, _ in case.runs] == [Phase.BEFORE, Phase.IMPLANTED]
    assert case.after == after
    assert run("assess", after, "--before", path, "--json") == 0
    assert json.loads(capsys.readouterr().out)["before_after"]["method"] == "fiducials set by the operator"


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ('phase = "implanted"', 'phase = "before"', "twice"),
        ('phase = "implanted"', 'phase = "later"', "not a case file"),
        ("before_mm = 10.0", "before_mm = nan", "not a case file"),
        ("[[run]]", "[[run", "no valid TOML"),
    ],
)
def test_bad_case_files_are_refused(tmp_path: Path, old: str, new: str, word: str) -> None:
    path = tmp_path / "case.toml"
    path.write_text(CASE.replace(old, new))
    with pytest.raises(InputRefused, match=word):
        read_case(path)
    with pytest.raises(InputRefused, match="cannot be read"):
        read_case(tmp_path / "absent.toml")
