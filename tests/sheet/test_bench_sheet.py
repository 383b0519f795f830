"""The bench sheet: everything the shop's standard reads can be written on it, and it is one page of A4."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from analysis.sheet import write_bench_sheet
from analysis.standard import Standard, built_in, read_standard
from schemas import dictionary
from schemas.log import Sessions

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")


def text_of(path: Path, standard: Standard) -> str:
    write_bench_sheet(path / "sheet.html", standard)
    return (path / "sheet.html").read_text("utf-8")


def own_standard(path: Path, steps: int) -> Standard:
    """A shop's own, of so many steps."""
    told = "".join(
        f'[[step]]\nid = "s{i}"\ntitle = "step {i} & <more>"\nfield = "cycles"\nmin = {1 + i % 7}\n'
        for i in range(steps)
    )
    (path / "own.toml").write_text(told)
    return read_standard(path / "own.toml")


def test_every_step_stands_on_it_in_order_with_its_aim(tmp_path: Path) -> None:
    standard = built_in()
    text = text_of(tmp_path, standard)
    places = [text.index(f"{n}. {step.title.replace(chr(39), '&#39;')}") for n, step in enumerate(standard.steps, 1)]
    assert places == sorted(places)
    assert "75–80" in text
    assert "1.2 to 2, or the brake&#39;s own" in text


def test_a_reading_that_a_step_is_held_against_has_its_own_place(tmp_path: Path) -> None:
    text = text_of(tmp_path, built_in())
    assert "left in the caliper syringe at the end: <" in text
    assert "left in the lever syringe at the end: <" in text


def test_cautions_stand_before_anything_is_filled_in(tmp_path: Path) -> None:
    text = text_of(tmp_path, built_in())
    assert text.index("Brakes are safety parts") < text.index("What came in")
    assert "never mix" in text


def test_words_of_a_standard_are_words_not_markup(tmp_path: Path) -> None:
    assert "step 0 &amp; &lt;more&gt;" in text_of(tmp_path, own_standard(tmp_path, 3))


def test_it_asks_for_every_field_that_the_log_says_it_should(tmp_path: Path) -> None:
    before, after = _parts(text_of(tmp_path, own_standard(tmp_path, 1)))
    for entry in dictionary("sessions", Sessions):
        label = entry.description.partition(" (")[0].replace("'", "&#39;")
        assert (f"<div>{label}:" in before) == (entry.sheet == "before"), entry.name
        assert (f"<div>{label}:" in after) == (entry.sheet == "after"), entry.name


def _parts(text: str) -> tuple[str, str]:
    """What is filled before the steps, and after them."""
    before, _, rest = text.partition("The steps, in order")
    return before, rest.partition("What was seen afterwards")[2]


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
