"""A blinded reading study: who reads what in which order, and how far the readings agree.

Each reader gets copies of all runs under neutral names, in an order of their own, without vessel, phase or anybody's
edits; some runs come twice. Readings are made with `boreline review`. Which reading is which run stands in `key.json`,
which readers must not see.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd

from boreline.benchmark.readings import agreement_table, find_readings, paired_frames
from boreline.correction import edited_result, log_path, replay
from boreline.errors import InputRefused
from boreline.model import JsonValue, Structure
from boreline.results import ResultFolder, new_folder
from boreline.workflow.apply_edits import UNEDITED_SCALE, baseline_of, up_to_date, write_edited

KEY = "key.json"
DISAGREE_BELOW = 0.9
"""Two readings of a frame whose Jaccard index is lower are listed for adjudication (own choice)."""
_LEFT_OUT = (
    "edits",
    "plan.json",
    "assessment.json",
    "report.html",
    "dicom",
    "marker.parquet",
    "path.parquet",
    ".lock",
    ".pending",
)
_UNTOLD = ("vessel", "phase", "batch", "coregistration", "operator")
DISAGREEMENTS = "disagreements.csv"
_DISAGREEMENT_COLUMNS = ("run", "frame", "structure", "first", "second", "first_mm2", "second_mm2", "jaccard")


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of one run by one reader; `round` is 1, 2 for a repeat, 0 for an adjudication."""

    reader: str
    name: str
    run: str
    round: int


@dataclass(frozen=True, slots=True)
class Collected:
    """What a study found.

    Attributes
    ----------
    agreement
        One row per kind (intra, inter), readers, structure, level and quantity.
    disagreements
        Frames for adjudication, worst first.
    unread
        Readings without a reviewed frame, as READER/NAME.
    """

    agreement: pd.DataFrame
    disagreements: pd.DataFrame
    unread: tuple[str, ...]


def prepare_study(
    source: Path, out: Path, readers: Sequence[str], *, repeated_share: float = 0.2, seed: int = 1
) -> tuple[Reading, ...]:
    """Lay out a study in the new folder `out`.

    Parameters
    ----------
    source
        A folder with result folders, for example the output of `boreline batch`.
    readers
        One or more names.
    repeated_share
        Share of the runs that each reader gets twice, 0 to 1; rounded, at least one run unless it is 0.
    seed
        Of orders and repeats.

    Raises
    ------
    InputRefused
        No result folder, no or impossible readers, or `out` exists.
    """
    if not readers or len(set(readers)) != len(readers):
        raise InputRefused("no reader is named, or one twice", tag="--reader", remedy="name each reader once")
    if not 0 <= repeated_share <= 1:
        raise InputRefused(
            f"{repeated_share:g} is no share from 0 to 1", tag="--repeats", remedy="give 0.2 for one run in five"
        )
    folders = find_readings(source)
    runs = {f"run {number}": folder for number, (_, folder) in enumerate(sorted(folders.items()), start=1)}
    for reader in readers:
        log_path(out, reader)  # refuses what could not be a folder's name
    readings = [
        reading
        for number, reader in enumerate(readers)
        for reading in _order(reader, sorted(runs), repeated_share, np.random.default_rng([seed, number]))
    ]
    with new_folder(out, replace=False) as target:
        for reading in readings:
            _copy_blinded(runs[reading.run], target / reading.reader / reading.name)
        _write_key(target, readings, {run: str(folder.path.resolve()) for run, folder in runs.items()}, seed)
    return tuple(readings)


def prepare_adjudication(study: Path, adjudicator: str) -> tuple[Reading, ...]:
    """Lay out the runs with disagreements once more, for a further reader; `collect_study` comes first.

    Raises
    ------
    InputRefused
        Nothing was collected, nothing is disputed, or the reader takes part already.
    """
    readings, sources, seed = _read_key(study)
    if adjudicator in {reading.reader for reading in readings}:
        raise InputRefused(
            f"{adjudicator} reads in this study already", tag="--adjudicator", remedy="name a further reader"
        )
    log_path(study, adjudicator)
    try:
        disputed = sorted(set(pd.read_csv(study / DISAGREEMENTS)["run"]))
    except (OSError, ValueError):
        raise InputRefused("has no list of disagreements", file=study, remedy="add --collect first") from None
    if not disputed:
        raise InputRefused("holds no disagreement", file=study, remedy="no further reader is needed")
    order = np.random.default_rng([seed, len(readings)]).permutation(disputed).tolist()
    fresh = [Reading(adjudicator, _name(i), run, 0) for i, run in enumerate(order)]
    with new_folder(study / adjudicator, replace=False) as target:
        for reading in fresh:
            _copy_blinded(ResultFolder.open(Path(sources[reading.run])), target / reading.name)
    _write_key(study, [*readings, *fresh], sources, seed)
    return tuple(fresh)


def collect_study(study: Path, *, disagree_below: float = DISAGREE_BELOW) -> Collected:
    """Compare all readings so far and write `agreement.csv`, `pairs.csv` and `disagreements.csv` into the study.

    Only frames that both readings reviewed count.

    Raises
    ------
    InputRefused
        No study, or no two readings share a reviewed frame.
    """
    readings, _, _ = _read_key(study)
    folders = {reading: ResultFolder.open(study / reading.reader / reading.name) for reading in readings}
    for folder in folders.values():
        up_to_date(folder)
    unread = tuple(f"{r.reader}/{r.name}" for r, f in folders.items() if not _reviewed(f).any())
    parts: list[pd.DataFrame] = []
    disputes: list[tuple[object, ...]] = []
    for kind, who, first, second in _comparisons(readings):
        rows = list(paired_frames(first.run, folders[first], folders[second], reviewed_in=(0, 1)))
        if rows:
            parts.append(pd.DataFrame(rows).assign(kind=kind, readers=who))
        if kind == "inter":
            disputes += _disputed(rows, first, second, folders, disagree_below)
    if not parts:
        raise InputRefused("no frame was reviewed in two readings", file=study, remedy="read first: boreline review")
    pairs = pd.concat(parts, ignore_index=True)
    tables: list[pd.DataFrame] = []
    for (about, between), group in pairs.groupby(["kind", "readers"], sort=True):
        table = agreement_table(group)
        table.insert(0, "kind", str(about))
        table.insert(1, "readers", str(between))
        tables.append(table)
    agreement = pd.concat(tables, ignore_index=True)
    disagreements = pd.DataFrame(disputes, columns=list(_DISAGREEMENT_COLUMNS)).sort_values(
        "jaccard", ignore_index=True, na_position="first"
    )
    pairs.to_csv(study / "pairs.csv", index=False, lineterminator="\n")
    agreement.to_csv(study / "agreement.csv", index=False, lineterminator="\n")
    disagreements.to_csv(study / DISAGREEMENTS, index=False, lineterminator="\n")
    return Collected(agreement, disagreements, unread)


# ---------------------------------------------------------------------------------------------- laying out


def _order(reader: str, runs: Sequence[str], repeated_share: float, rng: np.random.Generator) -> Iterator[Reading]:
    """All runs in random order, repeats at least half the list after the first reading."""
    n = len(runs)
    n_repeats = max(1, round(repeated_share * n)) if repeated_share > 0 else 0
    first = rng.permutation(n)
    # Of the runs that come early, so that others lie between a run and its repeat.
    repeated = rng.choice(first[: max(n_repeats, (n + 1) // 2)], n_repeats, replace=False)
    places = [(float(place), runs[run], 1) for place, run in enumerate(first.tolist())]
    places += [
        (float(np.flatnonzero(first == run)[0]) + n / 2 + float(rng.uniform(0, n / 2)), runs[run], 2)
        for run in repeated.tolist()
    ]
    for i, (_, run, turn) in enumerate(sorted(places)):
        yield Reading(reader, _name(i), run, turn)


def _name(i: int) -> str:
    return f"reading-{i + 1:03d}"


def _copy_blinded(source: ResultFolder, target: Path) -> None:
    """The automatic result under another name, without what would tell which run it is."""
    shutil.copytree(source.path, target, ignore=shutil.ignore_patterns(*_LEFT_OUT))
    copy = ResultFolder.open(target)
    if source.has_edits():
        baseline = baseline_of(copy)
        replayed = replay(baseline, (), sop_uid=copy.record["source"]["sop_instance_uid"])
        edited = edited_result(baseline, replayed.state)
        write_edited(copy, baseline, edited, replayed, reader="nobody", edits_hash=None)
    record = {name: value for name, value in copy.record.items() if name not in (*_UNTOLD, UNEDITED_SCALE)}
    reading = {k: v for k, v in record["reading_options"].items() if k not in _UNTOLD}
    parameters = {k: v for k, v in record["parameters"].items() if k not in _UNTOLD}
    blinded: dict[str, JsonValue] = {
        **record,
        "vessel": None,
        "phase": None,
        "current_reader": None,
        "edits_hash": None,
        "reading_options": reading,
        "parameters": parameters,
    }
    copy.write_json("run.json", blinded)


def _write_key(study: Path, readings: Sequence[Reading], sources: Mapping[str, str], seed: int) -> None:
    document = {"seed": seed, "sources": dict(sources), "readings": [asdict(reading) for reading in readings]}
    draft = study / f"{KEY}.draft"
    draft.touch(mode=0o600)
    draft.write_text(json.dumps(document, indent=2) + "\n", encoding="utf-8")
    draft.replace(study / KEY)


def _read_key(study: Path) -> tuple[tuple[Reading, ...], dict[str, str], int]:
    try:
        document = json.loads((study / KEY).read_text(encoding="utf-8"))
        readings = tuple(Reading(**reading) for reading in document["readings"])
        return readings, dict(document["sources"]), int(document["seed"])
    except (OSError, ValueError, TypeError, KeyError):
        raise InputRefused(
            f"is no reading study: {KEY} is missing or damaged",
            file=study,
            remedy="name the folder that boreline benchmark study --out made",
        ) from None


# --------------------------------------------------------------------------------------------- collecting


def _comparisons(readings: Sequence[Reading]) -> Iterator[tuple[str, str, Reading, Reading]]:
    """(intra or inter, who, first reading, second reading), for every pair that answers one of the two questions."""
    for first, second in combinations(readings, 2):
        if first.run != second.run or 0 in (first.round, second.round):
            continue
        if first.reader == second.reader:
            earlier, later = sorted((first, second), key=lambda reading: reading.round)
            yield "intra", first.reader, earlier, later
        elif first.round == second.round == 1:
            yield "inter", f"{first.reader} - {second.reader}", first, second


def _reviewed(folder: ResultFolder) -> pd.Series[bool]:
    return folder.frames()["reviewed"].fillna(value=False).astype(bool)


def _disputed(
    rows: Sequence[Mapping[str, object]],
    first: Reading,
    second: Reading,
    folders: Mapping[Reading, ResultFolder],
    disagree_below: float,
) -> Iterator[tuple[object, ...]]:
    """Reviewed frames whose contours differ, or that only one of two readers could measure."""
    names = f"{first.reader}/{first.name}", f"{second.reader}/{second.name}"
    for row in rows:
        if float(str(row["jaccard"])) < disagree_below:
            figures = (row["first_mm2"], row["second_mm2"], row["jaccard"])
            yield (first.run, row["frame"], row["structure"], *names, *figures)
    tables = [folders[reading].frames() for reading in (first, second)]
    both = _reviewed(folders[first]) & _reviewed(folders[second])
    for structure in Structure:
        areas = [table[f"{structure.value}_area_mm2"] for table in tables]
        alone = both & (areas[0].notna() != areas[1].notna())
        for i in np.flatnonzero(alone.to_numpy()).tolist():
            yield (first.run, i + 1, structure.value, *names, areas[0].iloc[i], areas[1].iloc[i], float("nan"))
