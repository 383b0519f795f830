"""LibreOffice as somebody at a desk uses it: a workbook opened, texts typed into its cells, saved as a workbook again."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from typing import NamedTuple

OFFICE = shutil.which("soffice")
MODULE = """<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE script:module PUBLIC "-//OpenOffice.org//DTD OfficeDocument 1.0//EN" "module.dtd">
<script:module xmlns:script="http://openoffice.org/2000/script" script:name="Module1" script:language="StarBasic">
Sub TypeInto(book As String, typed As String, saved As String)
  Dim unseen(0) As New com.sun.star.beans.PropertyValue
  unseen(0).Name = "Hidden"
  unseen(0).Value = True
  doc = StarDesktop.loadComponentFromURL(ConvertToURL(book), "_blank", 0, unseen())
  lines = CreateUnoService("com.sun.star.io.TextInputStream")
  lines.setInputStream(CreateUnoService("com.sun.star.ucb.SimpleFileAccess").openFileRead(ConvertToURL(typed)))
  lines.setEncoding("UTF-8")
  Do While Not lines.isEOF()
    parts = Split(lines.readLine(), Chr(9))
    If UBound(parts) = 3 Then
      doc.Sheets.getByName(parts(0)).getCellByPosition(CInt(parts(1)), CInt(parts(2))).FormulaLocal = parts(3)
    End If
  Loop
  lines.closeInput()
  Dim kind(0) As New com.sun.star.beans.PropertyValue
  kind(0).Name = "FilterName"
  kind(0).Value = "Calc MS Excel 2007 XML"
  doc.storeToURL(ConvertToURL(saved), kind())
  doc.close(True)
End Sub
</script:module>
"""


class Typed(NamedTuple):
    """What is typed into one cell; column and row from 0."""

    sheet: str
    column: int
    row: int
    text: str


def type_into(book: Path, cells: list[Typed], saved: Path, desk: Path) -> None:
    """Open `book`, type every cell, save it as `saved`; `desk` is an empty folder for the office's own files."""
    typed = desk / "typed.tsv"
    typed.write_text("".join("\t".join(map(str, cell)) + "\n" for cell in cells), encoding="utf-8")
    _office(desk, "--terminate_after_init")
    module = desk / "profile" / "user" / "basic" / "Standard" / "Module1.xba"
    module.write_text(MODULE, encoding="utf-8")
    _office(desk, f'macro:///Standard.Module1.TypeInto("{book}","{typed}","{saved}")')


def _office(desk: Path, *words: str) -> None:
    profile = f"-env:UserInstallation={(desk / 'profile').as_uri()}"
    subprocess.run(
        [str(OFFICE), "--headless", "--norestore", profile, *words], check=True, timeout=300, capture_output=True
    )
