"""The main job: one run in, a result folder out."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from pathlib import Path

from boreline.errors import InputRefused
from boreline.flags import Flag
from boreline.memory import give_back, share_freed_memory
from boreline.model import Axis, JsonValue, Phase, Run, Segmentation, Vessel
from boreline.position import axis_from_pullback
from boreline.position.acquisition import check_acquisition
from boreline.position.gating import ChangeSignal, GatingSource, gate
from boreline.profile.frames import flag_standing_frames, frames_table, in_vessel, origin_in_vessel
from boreline.profile.grid import profile_table
from boreline.reading import read_run
from boreline.reading.scale import ScaleEquation, apply_scale, read_scale
from boreline.reporting.cut import LongitudinalCut
from boreline.reporting.page import write_report
from boreline.results import (
    ResultFolder,
    StageStatus,
    keep_automatic,
    new_folder,
    put_json,
    put_tables,
    run_record,
    write_source,
)
from boreline.segmentation.protocol import DEFAULT_SEGMENTER, Progress, load_segmenter, no_progress
from boreline.workflow.watch import FaultCount, watched


@dataclass(frozen=True, slots=True)
class AnalyseOptions:
    """What an operator may state about a run; everything is recorded in `run.json`.

    Attributes
    ----------
    mm_per_px
        (x, y) millimetres per pixel, instead of the file's own calibration.
    trust_region
        Believe the ultrasound region where another spacing contradicts it.
    whole_frames_only
        Analyse the whole frames of a truncated file.
    frame_rate_hz
        Frames per second, where the file has no usable timing.
    pullback_speed_mm_s
        Speed of a pullback whose file states none.
    one_frame_per_beat
        A gated pullback without R waves holds one frame per heart beat, as the operator states.
    calibration_file
        A catheter's scale equation, applied on top of the calibration.
    scale_equation
        The equation itself, instead of what stands in the file (which then only names it).
    threads
        Worker threads of the segmenter; the result does not depend on it.
    overwrite
        Replace an existing result folder (never one with edits).
    """

    mm_per_px: tuple[float, float] | None = None
    trust_region: bool = False
    whole_frames_only: bool = False
    frame_rate_hz: float | None = None
    vessel: Vessel | None = None
    phase: Phase | None = None
    pullback_speed_mm_s: float | None = None
    one_frame_per_beat: bool = False
    segmenter: str = DEFAULT_SEGMENTER
    calibration_file: Path | None = None
    scale_equation: ScaleEquation | None = None
    threads: int = 1
    overwrite: bool = False

    def reading(self) -> dict[str, JsonValue]:
        """The options that `read_run` takes."""
        names = ("mm_per_px", "trust_region", "whole_frames_only", "frame_rate_hz", "vessel", "phase")
        return {name: getattr(self, name) for name in names}

    def recorded(self) -> dict[str, JsonValue]:
        """What `run.json` keeps: everything that can change a result."""
        values = {name: value for name, value in asdict(self).items() if name not in ("threads", "overwrite")}
        equation = self.equation()
        values["scale_equation"] = None if equation is None else asdict(equation)
        return {**values, "calibration_file": None if self.calibration_file is None else self.calibration_file.name}

    def equation(self) -> ScaleEquation | None:
        """The catheter's scale equation, read from its file where only that is given."""
        if self.scale_equation is not None or self.calibration_file is None:
            return self.scale_equation
        return read_scale(self.calibration_file)


def analyse(
    source: str | Path, out: str | Path, options: AnalyseOptions | None = None, *, progress: Progress = no_progress
) -> ResultFolder:
    """Segment a run, place its frames, build its profile and write the result folder with its report.

    From then on the threads that this process starts share one store of memory (`boreline.memory`).

    Raises
    ------
    InputRefused
        The run cannot be analysed or `out` cannot be written; nothing is left behind.
    """
    share_freed_memory()
    source, out = Path(source), Path(out)
    options = AnalyseOptions() if options is None else options
    refuse_existing(out, overwrite=options.overwrite)
    segmenter = load_segmenter(options.segmenter)
    run = _scaled(read_run(source, **options.reading()), options)
    faults, cut, change = FaultCount(run.n_frames), LongitudinalCut(run), ChangeSignal(run)
    axis = axis_from_pullback(
        run, operator_speed_mm_s=options.pullback_speed_mm_s, one_frame_per_beat=options.one_frame_per_beat
    )
    segmentation = segmenter.segment(
        watched(run, faults, cut.add, change.add), threads=options.threads, progress=progress
    )
    give_back()
    segmentation = replace(segmentation, flags=flag_standing_frames(segmentation, run.pullback))
    axis = replace(axis, position_mm=origin_in_vessel(axis.position_mm, in_vessel(segmentation.flags)))
    gating = gate(run, change=change.signal())
    gated = None if gating.source is GatingSource.NONE else gating.gated
    frames = frames_table(segmentation, run.calibration, run.timing, axis, gated=gated)
    profile = profile_table(frames)
    record = run_record(
        run,
        segmentation,
        axis,
        segmenter=segmenter.name,
        segmenter_version=segmenter.version,
        reading_options=options.reading(),
        parameters=options.recorded(),
        stages=_stages(run, axis, segmentation),
        warnings=(*run.warnings, *faults.warnings(), *segmentation.warnings, *axis.warnings),
    )
    record["gating"] = {
        "source": gating.source,
        "coherence": gating.coherence,
        "rate_per_min": gating.rate_per_min,
        "detail": gating.detail,
    }
    record["acquisition"] = [check.as_json() for check in check_acquisition(run)]
    give_back()
    with new_folder(out, replace=options.overwrite) as target:
        put_tables(target, segmentation, frames, profile)
        del segmentation, frames, profile  # the report reads them again, one after the other
        give_back()
        keep_automatic(target)
        put_json(target, "run.json", record)
        write_source(target, source)
        cut.save(target)
        give_back()
        write_report(ResultFolder(target), run, target / "report.html")
    return ResultFolder.open(out)


def _scaled(run: Run, options: AnalyseOptions) -> Run:
    equation = options.equation()
    if equation is None:
        return run
    name = options.calibration_file or Path(equation.catheter)
    return replace(run, calibration=apply_scale(run.calibration, equation, name))


def refuse_existing(out: Path, *, overwrite: bool) -> None:
    """Refuse an output folder that must not be replaced.

    Raises
    ------
    InputRefused
        It exists and `overwrite` is false, it holds an operator's edits, or it is no result folder.
    """
    if not out.exists():
        return
    if not overwrite:
        raise InputRefused("exists already", file=out, remedy="choose another --out or add --overwrite")
    if not (out / "run.json").is_file():
        raise InputRefused("is no result folder and will not be replaced", file=out, remedy="choose another --out")
    if ResultFolder(out).has_edits():
        raise InputRefused(
            "holds an operator's edits and will not be replaced",
            file=out,
            remedy="use boreline reanalyse DIR, which keeps them",
        )


def _stages(run: Run, axis: Axis, segmentation: Segmentation) -> dict[str, tuple[StageStatus, str]]:
    placed = (StageStatus.DONE, "") if axis.known else (StageStatus.NOT_POSSIBLE, axis.detail)
    decoded = run.n_frames - sum(Flag.DECODE_FAILED in flags for flags in segmentation.flags)
    return {
        "reading": (StageStatus.DONE, f"{decoded} of {run.n_frames} frames decoded"),
        "segmentation": (StageStatus.DONE, ""),
        "position": placed,
        "profile": placed,
        "sizing": (StageStatus.NOT_RUN, "boreline plan DIR"),
        "expansion": (StageStatus.NOT_RUN, "boreline assess DIR"),
    }
