"""The `gauge` command: a gauge study from a file of readings to a finished folder."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from analysis.errors import UserError
from analysis.intake import GaugeReadings, read_readings
from analysis.output import (
    MANIFEST,
    NameSearch,
    OutputPlace,
    claim_folder,
    codes_for_names,
    csv_text,
    hide_names_in_reasons,
    hide_names_in_table,
    key_path,
    read_key,
    run_manifest_text,
    write_key,
)
from analysis.pages import CAUTIONS, GaugeResult, gauge_page, gauge_summary
from analysis.plan import GaugeStudy, gauge_study
from schemas import validate_table
from schemas.log import Readings
from schemas.outputs import SetAside


@dataclass(frozen=True)
class GaugeOptions:
    """Options of a gauge study; `tolerance` is upper minus lower limit, in the unit of the reading."""

    readings: str
    out: Path
    map_path: str | None = None
    tolerance: float | None = None
    seed: int = 1
    hide_names: bool = False


@dataclass(frozen=True)
class GaugeRun:
    """The study and the text for the terminal."""

    study: GaugeStudy
    text: str


def run_gauge_study(options: GaugeOptions) -> GaugeRun:
    """Read the readings, estimate the variance components and write one folder: tables, gauge.html, manifest.

    Raises
    ------
    UserError
        The file, its map, too small a study, a tolerance that is not positive, the folder.
    """
    if options.tolerance is not None and not 0 < options.tolerance < float("inf"):
        raise UserError(
            "--tolerance",
            f"{options.tolerance:g} is out of range",
            "a width above 0",
            "give the upper limit minus the lower",
        )
    with claim_folder(options.out, "gauge study", (options.readings, options.map_path)) as place:
        return _gauge_run(options, place)


def _gauge_run(options: GaugeOptions, place: OutputPlace) -> GaugeRun:
    readings = read_readings(options.readings, options.map_path)
    _check_size(options.readings, readings)
    readings = _pseudonymise_readings(readings, key_path(options.out)) if options.hide_names else readings
    study = gauge_study(readings.readings, np.random.default_rng(options.seed), tolerance=options.tolerance)
    result = GaugeResult(
        readings=readings.readings,
        table=study.table,
        noise=study.noise,
        verdict=study.verdict,
        interaction_p=study.interaction_p,
        balanced=study.balanced,
        heading=readings.heading,
        tolerance=options.tolerance,
        notes=(*_rejected_rows_note(readings), *readings.warnings),
        names_hidden=options.hide_names,
    )
    with place.write() as folder:
        _write_folder(folder, options, readings, study, result)
    lines = [*_rejected_rows_note(readings), *gauge_summary(result), f"Open {options.out / 'gauge.html'}", *CAUTIONS]
    return GaugeRun(study, "\n".join(lines))


def _write_folder(
    folder: Path, options: GaugeOptions, readings: GaugeReadings, study: GaugeStudy, result: GaugeResult
) -> None:
    (folder / "tables").mkdir()
    for name, table in (("gauge", study.table), ("gauge_noise", study.noise), ("set_aside", readings.set_aside)):
        (folder / "tables" / f"{name}.csv").write_text(csv_text(table), encoding="utf-8")
    page = gauge_page(result)
    (folder / page.file).write_text(page.text, encoding="utf-8")
    more: dict[str, Any] = {
        "rows": {
            "rows_read": readings.rows_read,
            "accepted": readings.readings.height,
            "set_aside": _count_rows(readings, "row_set_aside"),
            "duplicates": _count_rows(readings, "duplicate"),
        },
        "seed": options.seed,
        "tolerance": options.tolerance,
        "verdict": study.verdict,
        "distinct_categories": study.distinct_categories,
        "interaction_p": study.interaction_p,
        "balanced": study.balanced,
        "names_hidden": options.hide_names,
        "notes": list(result.notes),
    }
    (folder / MANIFEST).write_text(run_manifest_text(inputs=readings.sources, **more), encoding="utf-8")


def _check_size(where: str, readings: GaugeReadings) -> None:
    items, people = readings.readings.n_unique("item"), readings.readings.n_unique("technician")
    pairs = readings.readings.select("item", "technician").n_unique()
    if items < 2 or people < 2 or readings.readings.height <= pairs:
        problem = (
            f"{_count_text(readings.readings.height, 'reading')} of {_count_text(items, 'item')} by "
            f"{_count_text(people, 'technician')}, {'none' if readings.readings.height <= pairs else 'some'} repeated"
        )
        if readings.set_aside.height:
            problem += f"; first rejected row: {readings.set_aside.get_column('message')[0]}"
        raise UserError(
            where,
            f"has too few readings for a gauge study: {problem}",
            "two items, two technicians and some repeated readings; ideally ten brakes, three technicians and three readings each",
            "take more readings",
        )


def _count_text(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def _rejected_rows_note(readings: GaugeReadings) -> tuple[str, ...]:
    rejected, duplicates = _count_rows(readings, "row_set_aside"), _count_rows(readings, "duplicate")
    if not rejected and not duplicates:
        return ()
    first = readings.set_aside.filter(pl.col("action") != "value_blanked").get_column("message")[0]
    return (
        f"{readings.rows_read:,} read = {readings.readings.height:,} accepted + {rejected:,} rejected + "
        f"{duplicates:,} duplicate (first reason: {first}; all reasons: tables/set_aside.csv)",
    )


def _count_rows(readings: GaugeReadings, action: str) -> int:
    return readings.set_aside.filter(pl.col("action") == action).n_unique(["file", "row"])


def _pseudonymise_readings(readings: GaugeReadings, path: Path) -> GaugeReadings:
    codes = codes_for_names(readings.technicians, read_key(path), random.SystemRandom())
    write_key(path, codes)
    search = NameSearch(codes)
    return replace(
        readings,
        readings=validate_table(Readings, hide_names_in_table(readings.readings, codes)),
        set_aside=validate_table(SetAside, hide_names_in_reasons(readings.set_aside, search)),
        sources=tuple(replace(source, file=search.hide(source.file)) for source in readings.sources),
        warnings=tuple(search.hide_in_message(warning) for warning in readings.warnings),
        heading=search.hide(readings.heading),
        technicians=tuple(codes[name] for name in readings.technicians),
    )
