"""The demo's planted problems are visible on the boards within two clicks, in a real browser."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium.webdriver.common.by import By
from typer.testing import CliRunner

from analysis.cli import app
from tests.boards.test_selections import opened, words
from tests.pages.browser import MOST_WORDS, opened_browser, visible_words

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def audit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "demo"
    assert CliRunner().invoke(app, ["demo", "--out", str(folder)]).exit_code == 0
    return Path(folder) / "audit"


@pytest.fixture(scope="module")
def driver() -> Iterator:
    with opened_browser(1280, 800) as one:
        yield one


NEAR_THE_CHANGE = "change, (June|July|August|September|October) 2025"
"""The kit was no longer purged from July 2025."""


def visible(driver) -> str:
    """Every word of the board, and every label of its marks."""
    board = driver.find_element(By.ID, "board")
    labels = driver.execute_script(
        "return [...arguments[0].querySelectorAll('[aria-label]')].map(e => e.ariaLabel)", board
    )
    return "\n".join([str(board.get_attribute("textContent")), *labels])


@pytest.mark.parametrize(("file", "most"), MOST_WORDS.items())
def test_a_page_opens_with_few_words(driver, audit, file, most) -> None:
    assert 100 < visible_words(driver, audit / file) <= most


def test_the_lead_sees_who_differs_without_a_click(driver, audit) -> None:
    opened(driver, audit / "lead.html")
    observed = visible(driver)
    assert "for: all bleeds: Juniper; observed / expected: 2" in observed
    juniper = next(line for line in observed.splitlines() if "all bleeds: Juniper" in line)
    wren = next(line for line in observed.splitlines() if "all bleeds: Wren" in line)
    assert "signal: high" in juniper
    assert "signal: high" not in wren
    assert "Kit not purged" in observed


def test_one_click_on_velmoor_shows_the_change_and_its_step(driver, audit) -> None:
    opened(driver, audit / "lead.html", "#shop=Velmoor")
    observed = visible(driver)
    assert re.search(NEAR_THE_CHANGE, observed)
    first = driver.execute_script(
        "const look = (i, out) => { if (i.name === 'moved_1_layer_1_marks') out.push(...i.items.map(x => x.datum));"
        " else (i.items || []).forEach(j => look(j, out)); return out; };"
        "return look(document.getElementById('board').view.scenegraph().root, []).map(d => [d.title, d.month, d.share])"
    )
    assert {title for title, _, _ in first} == {"Kit not purged"}
    before = [share for _, month, share in first if month < "2025-07"]
    since = [share for _, month, share in first if month >= "2025-08"]
    assert max(before) < min(since)


def test_two_clicks_show_the_coaching_that_worked_and_the_one_that_did_not(driver, audit) -> None:
    opened(driver, audit / "trainer.html")
    observed = visible(driver)
    assert "Dace: entries copied from another bleed" in observed
    assert "Fennel: rounded readings" in observed
    for who, step, worked in (
        ("Alder", "Fewer than 2 push-pull passes", True),
        ("Cinder", "Fewer than 2 vacuum strokes at the lever", False),
    ):
        opened(driver, audit / "trainer.html", f"#technician={who}&step={step.replace(' ', '+')}")
        assert words(driver).startswith(f"{who}, {step}: ")
        assert "coached 2025-02-28" in visible(driver)
        quarters = driver.execute_script(
            "const look = (i, out) => { if (i.name === 'by_quarter_layer_3_marks') out.push(...i.items.map(x => x.datum));"
            " else (i.items || []).forEach(j => look(j, out)); return out; };"
            "return look(document.getElementById('board').view.scenegraph().root, []).map(d => [d.quarter, d.missed, d.recorded])"
        )
        before, after = (
            sum(m for q, m, _ in part) / sum(n for _, _, n in part)
            for part in ([x for x in quarters if x[0] < "2025 Q1"], [x for x in quarters if x[0] > "2025 Q1"])
        )
        assert (after < before / 2) == worked


def test_the_lead_sees_what_to_recall_what_moved_first_and_what_wears_out(driver, audit) -> None:
    opened(driver, audit / "lead.html")
    assert re.search(f"Velmoor: {NEAR_THE_CHANGE}", visible(driver))
    page = str(driver.execute_script("return document.body.textContent"))
    assert "Velmoor got worse in July 2025" in page
    assert "wrong fluid" in str(driver.find_element(By.ID, "bleeds-data").get_attribute("textContent"))
    assert "Schist 2 comes back later" in driver.find_element(By.CSS_SELECTOR, ".board .legend").text


def test_the_trainer_sees_which_steps_cost_and_which_do_not(driver, audit) -> None:
    opened(driver, audit / "trainer.html")
    costs = [line for line in visible(driver).splitlines() if "prevented per 100 bleeds" in line]
    for step in ("Kit not purged", "Fewer than 2 push-pull passes", "Stopped with bubbles showing"):
        assert any(step in line and "in words: leads to comebacks" in line for line in costs)
    for step in ("Lever reach outside its limits", "Caliper syringe overfilled or underfilled"):
        assert any(step in line and "in words: no clear cost" in line for line in costs)


MARKS = """
const counts = {};
(function look(item) {
  if (item.marktype && item.marktype !== "group" && item.role === "mark" && item.name)
    counts[item.name] = (counts[item.name] || 0) + item.items.length;
  (item.items || []).forEach(look);
})(document.getElementById("board").view.scenegraph().root);
return counts;
"""
SELECTIONS = {
    "lead.html": ("", "#shop=Velmoor", "#technician=Alder&brake_model=Marl+4&brake=front"),
    "trainer.html": ("", "#technician=Alder&step=Fewer+than+2+push-pull+passes", "#step=Kit+not+purged"),
    "analyst.html": ("", "#file=bench-book.xlsx%23Brakes"),
}


@pytest.mark.parametrize("page", sorted(SELECTIONS))
def test_every_layer_of_a_board_draws_something(driver, audit, page) -> None:
    """With no selection or one of these. No month is beyond its limits here, no workshop changed its way of working, and
    only the first of three steps moved.
    """
    counts: dict[str, int] = {}
    for address in SELECTIONS[page]:
        opened(driver, audit / page, address)
        for name, marks in driver.execute_script(MARKS).items():
            counts[name] = counts.get(name, 0) + marks
    absent = {f"moved_{place}_layer_3_layer_{at}_marks" for place in (2, 3) for at in (0, 1)}
    absent |= {f"concat_1_concat_0_concat_0_layer_0_layer_{at}_marks" for at in (2, 3)}
    assert len(counts) > 10
    assert {name for name, marks in counts.items() if not marks} <= absent
