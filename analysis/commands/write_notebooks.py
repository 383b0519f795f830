"""Write the notebooks of this project to a folder, pointed at the demo's exports."""

from __future__ import annotations

import json
from pathlib import Path

import analysis
from analysis.errors import UserError
from analysis.output import write_new_file

DEMO_FOLDER = "../rebleed-demo"
"""Where the notebooks look for the demo as they are kept here."""


def write_notebooks(folder: Path, demo: Path) -> list[Path]:
    """Write each notebook that is not there yet; those that are there, edited or not, stay as they are.

    Raises
    ------
    UserError
        The folder cannot be written.
    """
    files = [folder / source.name for source in notebooks()]
    for source, file in zip(notebooks(), files, strict=True):
        if not file.exists():
            write_new_file(file, _pointed_at(source.read_text("utf-8"), demo.absolute()))
    return files


def notebooks() -> list[Path]:
    """The notebooks of this installation: those of the source tree, or those that the wheel brings along."""
    top = Path(analysis.__file__).parents[1]
    place = next((folder for folder in (top / "notebooks", top / "rebleed" / "notebooks") if folder.is_dir()), None)
    if place is None:
        raise UserError("the notebooks", "are not part of this installation", "an installed wheel", "install it again")
    return sorted(place.glob("*.ipynb"))


def _pointed_at(text: str, demo: Path) -> str:
    """The notebook with the demo's folder in place of the one that it is kept with."""
    notebook = json.loads(text)
    for cell in notebook["cells"]:
        if "parameters" in cell["metadata"].get("tags", []):
            cell["source"] = "".join(cell["source"]).replace(DEMO_FOLDER, demo.as_posix())
    return json.dumps(notebook, indent=1, ensure_ascii=False) + "\n"
