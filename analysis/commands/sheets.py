"""The `sheet` command: a bench sheet to print and a workbook to fill in, made from the procedure."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from analysis.output import MANIFEST, run_folder, run_manifest_text
from analysis.sheet import write_bench_sheet, write_workbook
from analysis.standard import built_in, own_fields, read_standard

SHEET, BOOK, MAP = "bench_sheet.html", "bench_log.xlsx", "bench_map.toml"


def write_sheets(out: Path, standard_path: str | None = None) -> str:
    """Write bench_sheet.html and bench_log.xlsx; return what to do with them as text.

    A procedure that reads fields of the workshop's own also gets bench_map.toml, which declares them.

    Raises
    ------
    UserError
        The procedure or the folder.
    """
    standard = built_in() if standard_path is None else read_standard(standard_path, None)
    own = own_fields(standard)
    with run_folder(out, "sheet", [standard_path]) as folder:
        write_bench_sheet(folder / SHEET, standard)
        write_workbook(folder / BOOK, standard)
        if own:
            (folder / MAP).write_text(_own_fields_map(own), encoding="utf-8")
        (folder / MANIFEST).write_text(run_manifest_text(standard=standard.name), encoding="utf-8")
    return (
        f"Print {out / SHEET}: one page per bleed.\n"
        f"Fill in {out / BOOK}: one row per bleed; each cell has its list or limits.\n"
        f"Then run: rebleed check {out / BOOK}" + (f" --map {out / MAP}" if own else "")
    )


def _own_fields_map(own_fields: Mapping[str, str]) -> str:
    sections = [f'[sessions.{name}]\nheading = "{name}"\ntype = "{kind}"\n' for name, kind in own_fields.items()]
    return "\n".join(["# Your own fields, for rebleed check and rebleed audit", *sections])
