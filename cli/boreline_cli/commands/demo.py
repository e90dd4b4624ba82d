"""`boreline demo`: the whole job on a synthetic case."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from boreline_cli.output import print_line, progress_bar

DEFAULT_FOLDER = Path("boreline-demo")
BALLOON_MM = 3.5
"""Nominal diameter of the balloon in the synthetic case."""


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command()
    def demo(
        out: Annotated[Path, typer.Option("--out", metavar="DIR", help="A new folder for the case.")] = DEFAULT_FOLDER,
    ) -> None:
        """Do the whole job on a synthetic case: two runs of one vessel, before and after a stent.

        Example: boreline demo
        """
        import shutil

        from boreline.errors import InputRefused
        from boreline.model import CAUTION, Phase, Vessel
        from boreline.workflow.analyse import AnalyseOptions, analyse
        from boreline.workflow.assess import assess_folder
        from boreline.workflow.plan import plan_folder
        from boreline.workflow.report import report
        from boreline_phantoms.demo_case import CASE, demo_case
        from boreline_phantoms.media import write_media
        from boreline_phantoms.writing import write_scene

        marker = out / "made-by-boreline-demo"
        if out.exists() and not marker.exists():
            raise InputRefused("exists and was not made by boreline demo", file=out, remedy="choose another --out")
        shutil.rmtree(out, ignore_errors=True)
        out.mkdir(parents=True)
        marker.touch()
        phases = (Phase.BEFORE, Phase.IMPLANTED)
        drawn = []
        for scene, phase in zip(demo_case(), phases, strict=True):
            with progress_bar(f"drawing the run {phase.value}") as progress:
                drawn.append(write_scene(scene, out / "drawn" / phase.value, study=CASE, progress=progress))
        runs = write_media(drawn, out / "export")
        for copied in drawn:
            copied.unlink()
        folders = []
        for run, phase in zip(runs, phases, strict=True):
            with progress_bar(f"analysing the run {phase.value}") as progress:
                options = AnalyseOptions(vessel=Vessel.LAD, phase=phase, threads=2)
                folders.append(analyse(run, out / phase.value, options, progress=progress))
        before, implanted = (folder.path for folder in folders)
        planned = plan_folder(before)
        assessed = assess_folder(implanted, before=before, balloon_mm=BALLOON_MM)
        made = report([before, implanted], out=out / "report.html")
        sizes = sorted({method["diameter_mm"] for method in planned["methods"] if method["diameter_mm"] is not None})
        verdicts = [rule["verdict"] for rule in assessed["rules"]]
        print_line(f"lesion to cover: {planned['length_mm']:.1f} mm +/- {planned['length_sd_mm']:.1f} mm")
        print_line(f"device diameters by {len(planned['methods'])} published methods: {sizes[0]:g} to {sizes[-1]:g} mm")
        print_line(
            f"after implantation: smallest stent area {assessed['msa_read_mm2']:.2f} mm2; of {len(verdicts)} criteria "
            f"{verdicts.count('met')} met, {verdicts.count('not_met')} not met, "
            f"{verdicts.count('too_close_to_call')} too close to call"
        )
        print_line(CAUTION)
        print_line()
        print_line(f"report: {made.page}")
        print_line()
        print_line("What to type next on this case:")
        for command in (
            f"boreline inspect {out / 'export'}",
            f"boreline review {before} {implanted}",
            f"boreline plan {before}",
            f"boreline assess {implanted} --before {before} --balloon {BALLOON_MM:g}",
            f"boreline report {before} {implanted}",
            f"boreline export {before}",
        ):
            print_line(f"  {command}")
