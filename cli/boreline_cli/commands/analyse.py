"""`boreline analyse`: one run, no operator."""

from __future__ import annotations

from typing import Annotated

import typer

from boreline_cli.options import (
    CalibrationFile,
    FrameRate,
    MmPerPixel,
    OneFramePerBeat,
    OutDir,
    PhaseOption,
    PullbackSpeed,
    RunPath,
    Threads,
    TrustRegion,
    VesselOption,
    WholeFramesOnly,
    parse_mm_per_px,
)
from boreline_cli.output import Json, print_json, print_line, progress_bar


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""

    @app.command()
    def analyse(
        run: RunPath,
        out: OutDir,
        vessel: VesselOption = None,
        phase: PhaseOption = None,
        mm_per_pixel: MmPerPixel = None,
        trust_region: TrustRegion = False,
        whole_frames_only: WholeFramesOnly = False,
        frame_rate: FrameRate = None,
        pullback_speed: PullbackSpeed = None,
        one_frame_per_beat: OneFramePerBeat = False,
        segmenter: Annotated[str | None, typer.Option("--segmenter", help="Name of another segmenter.")] = None,
        calibration: CalibrationFile = None,
        threads: Threads = 2,
        overwrite: Annotated[
            bool, typer.Option("--overwrite", help="Replace an existing result folder (never one with edits).")
        ] = False,
        as_json: Json = False,
    ) -> None:
        """Analyse one run: contours, areas along the vessel and a report.

        Example: boreline analyse run.dcm --out results/case1
        """
        from boreline.segmentation.protocol import DEFAULT_SEGMENTER
        from boreline.workflow.analyse import AnalyseOptions
        from boreline.workflow.analyse import analyse as analyse_run
        from boreline.workflow.summary import summary

        options = AnalyseOptions(
            mm_per_px=parse_mm_per_px(mm_per_pixel),
            trust_region=trust_region,
            whole_frames_only=whole_frames_only,
            frame_rate_hz=frame_rate,
            vessel=vessel,
            phase=phase,
            pullback_speed_mm_s=pullback_speed,
            one_frame_per_beat=one_frame_per_beat,
            segmenter=segmenter or DEFAULT_SEGMENTER,
            calibration_file=calibration,
            threads=threads,
            overwrite=overwrite,
        )
        with progress_bar("frames") as progress:
            folder = analyse_run(run, out, options, progress=progress)
        result = summary(folder)
        if as_json:
            print_json(result)
            return
        for line in result["lines"]:
            print_line(line)
