"""The bench sheet: every reading of the procedure has a place, and it prints on one page of A4."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from analysis.sheet import write_bench_sheet
from analysis.sheet.bench import sheet_label
from analysis.standard import Standard, built_in, read_standard
from schemas import field_entries
from schemas.log import Sessions

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")


def text_of(path: Path, standard: Standard) -> str:
    write_bench_sheet(path / "sheet.html", standard)
    return (path / "sheet.html").read_text("utf-8")


def own_standard(path: Path, steps: int) -> Standard:
    """A procedure with this number of steps."""
    text = "".join(
        f'[[step]]\nid = "s{i}"\ntitle = "step {i} & <more>"\nfield = "cycles"\nmin = {1 + i % 7}\n'
        for i in range(steps)
    )
    (path / "own.toml").write_text(text)
    return read_standard(path / "own.toml")


def test_every_step_is_on_the_sheet_in_order_with_its_target(tmp_path: Path) -> None:
    standard = built_in()
    text = text_of(tmp_path, standard)
    places = [text.index(f"{n}. {step.title.replace(chr(39), '&#39;')}") for n, step in enumerate(standard.steps, 1)]
    assert places == sorted(places)
    assert "75–80 mm" in text
    assert "65–85 % full" in text
    assert "1.2–2 N·m (or the brake&#39;s own limits)" in text
    assert "at least the number of pairs of pistons" in text
    assert "2 or more passes" in text
    assert "0 bubbles in the last pass" in text
    assert "________ bubbles" in text


def test_a_reading_that_a_step_is_compared_with_has_its_own_place(tmp_path: Path) -> None:
    text = text_of(tmp_path, built_in())
    assert "fluid left in the caliper syringe: <" in text
    assert "fluid left in the lever syringe: <" in text


def test_cautions_come_before_anything_to_fill_in(tmp_path: Path) -> None:
    text = text_of(tmp_path, built_in())
    assert text.index("Brakes are safety-critical parts") < text.index("Job details")
    assert "Never mix" in text


def test_markup_in_a_procedure_is_escaped(tmp_path: Path) -> None:
    assert "step 0 &amp; &lt;more&gt;" in text_of(tmp_path, own_standard(tmp_path, 3))


def test_it_asks_for_every_field_that_the_schema_puts_on_the_sheet(tmp_path: Path) -> None:
    before, after = _parts(text_of(tmp_path, own_standard(tmp_path, 1)))
    for entry in field_entries("sessions", Sessions):
        label = sheet_label(entry).replace("'", "&#39;")
        assert (f"<div>{label}:" in before) == (entry.sheet == "before"), entry.name
        assert (f"<div>{label}:" in after) == (entry.sheet == "after"), entry.name


def _parts(text: str) -> tuple[str, str]:
    """The parts before and after the steps."""
    before, _, rest = text.partition("Steps, in order")
    return before, rest.partition("After the bleed")[2]


@pytest.mark.skipif(BROWSER is None, reason="Chromium is not installed")
@pytest.mark.parametrize("steps", [0, 30])
def test_it_prints_on_one_page(tmp_path: Path, steps: int) -> None:
    text_of(tmp_path, own_standard(tmp_path, steps) if steps else built_in())
    printed = tmp_path / "sheet.pdf"
    words = ("--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer", f"--print-to-pdf={printed}")
    subprocess.run(
        [str(BROWSER), *words, (tmp_path / "sheet.html").as_uri()], check=True, timeout=120, capture_output=True
    )
    assert re.findall(rb"/Count (\d+)", printed.read_bytes()) == [b"1"]
