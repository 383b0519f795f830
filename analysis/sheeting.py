"""For a shop with no log yet: a bench sheet and a workbook from its standard, in one folder."""

from __future__ import annotations

import json
from importlib import metadata
from pathlib import Path

from analysis.output import MADE_BY, MANIFEST, refuse_foreign, run_folder
from analysis.sheet import write_bench_sheet, write_workbook
from analysis.standard import built_in, read_standard

SHEET, BOOK = "bench_sheet.html", "bench_log.xlsx"


def write_sheets(out: Path, standard_path: str | None = None) -> str:
    """Write bench_sheet.html and bench_log.xlsx, and tell in words what to do with them.

    Raises
    ------
    CannotRun
        The standard or the folder.
    """
    refuse_foreign(out.absolute())
    standard = built_in() if standard_path is None else read_standard(standard_path)
    with run_folder(out) as folder:
        write_bench_sheet(folder / SHEET, standard)
        write_workbook(folder / BOOK, standard)
        told = {"made_by": MADE_BY, "version": metadata.version("rebleed"), "standard": standard.name}
        (folder / MANIFEST).write_text(json.dumps(told, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    return (
        f"Print: {out / SHEET} (one page a bleed).\n"
        f"Fill: {out / BOOK} (one row a bleed; lists and limits stand in the cells).\n"
        f"Then: rebleed check {out / BOOK}"
    )
