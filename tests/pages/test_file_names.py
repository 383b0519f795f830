"""Pages show inputs by the name their user knows, never by a path from the root."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from analysis.intake.bleed_log import Source
from analysis.pages.file_names import shorten_file_names
from analysis.report import Report
from tests.build import bleed, log_of
from tests.shops import report


def read_from(*files: str, warnings: tuple[str, ...] = ()) -> Report:
    log = log_of([bleed("S1", "2026-06-01")])
    log = replace(log, sources=tuple(Source(file, "", 1) for file in files), warnings=warnings)
    intake = report().intake.head(1).with_columns(file=pl.lit(files[0]))
    return shorten_file_names(replace(report(), log=log, intake=intake, set_aside=report().set_aside.clear()))


@pytest.mark.parametrize(
    ("path", "short"),
    [
        ("/home/someone/bench/book.xlsx#bleeds", "book.xlsx#bleeds"),
        ("bench/book.xlsx#bleeds", "bench/book.xlsx#bleeds"),
        ("C:\\bench\\bleeds.csv", "bleeds.csv"),
        ("postgresql://someone@host/base#bleeds", "postgresql://someone@host/base#bleeds"),
    ],
)
def test_a_path_from_the_root_is_shown_by_its_file_name_and_any_other_as_given(path: str, short: str) -> None:
    renamed = read_from(path)
    assert renamed.log.sources[0].file == short
    assert renamed.intake.get_column("file").to_list() == [short]


def test_two_files_of_one_name_keep_the_folder_above_them() -> None:
    renamed = read_from("/a/north/bleeds.csv", "/a/south/bleeds.csv", "/a/south/returns.csv")
    assert [one.file for one in renamed.log.sources] == ["north/bleeds.csv", "south/bleeds.csv", "returns.csv"]


def test_what_was_said_while_reading_names_no_folder_from_the_root() -> None:
    said = (
        "/a b/x/bleeds.csv: columns not used: 'a/b', 'c'",
        "/w/map.toml: the section sessions fits none",
        "1/2",
    )
    renamed = read_from("/a b/x/bleeds.csv", warnings=said)
    assert renamed.log.warnings == (
        "bleeds.csv: columns not used: 'a/b', 'c'", "map.toml: the section sessions fits none", "1/2"
    )  # fmt: skip
