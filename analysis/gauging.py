"""A gauge study from a file of readings to a finished folder: what the command does, as a function."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from analysis.errors import CannotRun
from analysis.intake import GaugeReadings, read_readings
from analysis.output import (
    MANIFEST,
    NameSearch,
    OutputPlace,
    claim_folder,
    codes_for,
    csv_text,
    hidden_reasons,
    hidden_table,
    key_path,
    mark_text,
    read_key,
    write_key,
)
from analysis.pages import CAUTIONS, GaugeResult, gauge_page, gauge_summary
from analysis.plan import GaugeStudy, gauge_study
from schemas import checked
from schemas.log import Readings
from schemas.outputs import SetAside


@dataclass(frozen=True)
class GaugeOrder:
    """What was asked for; `tolerance` is the width of the tolerance, in the reading's unit."""

    readings: str
    out: Path
    map_path: str | None = None
    tolerance: float | None = None
    seed: int = 1
    hide_names: bool = False


@dataclass(frozen=True)
class Gauged:
    """What came of it: the study, and the words for the terminal."""

    study: GaugeStudy
    text: str


def gauge_readings(order: GaugeOrder) -> Gauged:
    """Read a study, take its spread apart, and write one folder: tables, gauge.html, manifest.

    Raises
    ------
    CannotRun
        The file, its map, a study too small to tell, a tolerance that is none, the folder.
    """
    if order.tolerance is not None and not 0 < order.tolerance < float("inf"):
        raise CannotRun(
            "--tolerance", f"is {order.tolerance:g}", "a width above 0", "give the upper limit less the lower"
        )
    with claim_folder(order.out, "gauge study", (order.readings, order.map_path)) as place:
        return _gauged(order, place)


def _gauged(order: GaugeOrder, place: OutputPlace) -> Gauged:
    read = read_readings(order.readings, order.map_path)
    _refuse_too_small(order.readings, read)
    read = _hidden(read, key_path(order.out)) if order.hide_names else read
    study = gauge_study(read.readings, np.random.default_rng(order.seed), tolerance=order.tolerance)
    told = GaugeResult(
        readings=read.readings,
        table=study.table,
        noise=study.noise,
        verdict=study.verdict,
        interaction_p=study.interaction_p,
        balanced=study.balanced,
        heading=read.heading,
        tolerance=order.tolerance,
        notes=(*_not_used(read), *read.warnings),
        names_hidden=order.hide_names,
    )
    with place.write() as folder:
        _write(folder, order, read, study, told)
    lines = [*_not_used(read), *gauge_summary(told), f"Read: {order.out / 'gauge.html'}", *CAUTIONS]
    return Gauged(study, "\n".join(lines))


def _write(folder: Path, order: GaugeOrder, read: GaugeReadings, study: GaugeStudy, told: GaugeResult) -> None:
    (folder / "tables").mkdir()
    for name, table in (("gauge", study.table), ("gauge_noise", study.noise), ("set_aside", read.set_aside)):
        (folder / "tables" / f"{name}.csv").write_text(csv_text(table), encoding="utf-8")
    page = gauge_page(told)
    (folder / page.file).write_text(page.text, encoding="utf-8")
    more: dict[str, Any] = {
        "rows": {
            "rows_read": read.rows_read,
            "accepted": read.readings.height,
            "set_aside": _rows(read, "row_set_aside"),
            "duplicates": _rows(read, "duplicate"),
        },
        "seed": order.seed,
        "tolerance": order.tolerance,
        "verdict": study.verdict,
        "distinct_categories": study.distinct_categories,
        "interaction_p": study.interaction_p,
        "balanced": study.balanced,
        "names_hidden": order.hide_names,
        "notes": list(told.notes),
    }
    (folder / MANIFEST).write_text(mark_text(inputs=read.sources, **more), encoding="utf-8")


def _refuse_too_small(where: str, read: GaugeReadings) -> None:
    items, people = read.readings.n_unique("item"), read.readings.n_unique("technician")
    pairs = read.readings.select("item", "technician").n_unique()
    if items < 2 or people < 2 or read.readings.height <= pairs:
        found = f"{read.readings.height} readings of {items} items by {people} technicians, in {pairs} pairs"
        if read.set_aside.height:
            found += f"; the first row not used: {read.set_aside.get_column('message')[0]}"
        raise CannotRun(
            where,
            f"is too small a study to tell the spread apart: {found}",
            "two items, two technicians, and some of them read twice; better ten brakes, three technicians, three times",
            "measure again",
        )


def _not_used(read: GaugeReadings) -> tuple[str, ...]:
    aside, copies = _rows(read, "row_set_aside"), _rows(read, "duplicate")
    if not aside and not copies:
        return ()
    first = read.set_aside.filter(pl.col("action") != "value_blanked").get_column("message")[0]
    return (
        f"{read.rows_read:,} rows read = {read.readings.height:,} accepted + {aside:,} set aside + {copies:,} copies "
        f"(the first reason: {first}; all of them: tables/set_aside.csv)",
    )


def _rows(read: GaugeReadings, action: str) -> int:
    return read.set_aside.filter(pl.col("action") == action).n_unique(["file", "row"])


def _hidden(read: GaugeReadings, path: Path) -> GaugeReadings:
    codes = codes_for(read.technicians, read_key(path), random.SystemRandom())
    write_key(path, codes)
    search = NameSearch(codes)
    return replace(
        read,
        readings=checked(Readings, hidden_table(read.readings, codes)),
        set_aside=checked(SetAside, hidden_reasons(read.set_aside, search)),
        sources=tuple(replace(source, file=search.hide(source.file)) for source in read.sources),
        warnings=tuple(search.hide_in_message(warning) for warning in read.warnings),
        heading=search.hide(read.heading),
        technicians=tuple(codes[name] for name in read.technicians),
    )
