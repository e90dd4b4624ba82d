"""`boreline demo`: the whole job on a synthetic case."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from boreline_cli.output import print_line, progress_bar

DEFAULT_FOLDER = Path("boreline-demo")


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
        from boreline.model import CAUTION, Phase
        from boreline.workflow.analyse import AnalyseOptions, analyse
        from boreline_phantoms.demo_case import demo_case
        from boreline_phantoms.writing import write_scene

        marker = out / "made-by-boreline-demo"
        if out.exists() and not marker.exists():
            raise InputRefused("exists and was not made by boreline demo", file=out, remedy="choose another --out")
        shutil.rmtree(out, ignore_errors=True)
        out.mkdir(parents=True)
        marker.touch()
        folders = []
        for scene, phase in zip(demo_case(), (Phase.BEFORE, Phase.IMPLANTED), strict=True):
            with progress_bar(f"drawing the run {phase.value}") as progress:
                run = write_scene(scene, out / "runs" / phase.value, progress=progress)
            with progress_bar(f"analysing the run {phase.value}") as progress:
                options = AnalyseOptions(phase=phase, threads=2)
                folders.append(analyse(run, out / phase.value, options, progress=progress))
        before, implanted = (folder.path for folder in folders)
        print_line(f"report before treatment:    {before / 'report.html'}")
        print_line(f"report after implantation:  {implanted / 'report.html'}")
        print_line()
        print_line("What to type next on this case:")
        for command in (
            f"boreline inspect {out / 'runs'}",
            f"boreline review {before}",
            f"boreline export {before}",
        ):
            print_line(f"  {command}")
        print_line()
        print_line(CAUTION)
