"""On a machine that has no usual font every label of every picture and live chart is whole."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.pages.browser import cut_labels, drawn_charts, opened_browser, resized
from tests.pages.predicted import predicted_pages

READERS = ("lead.html", "trainer.html", "analyst.html")
NO_FONTS = """<?xml version="1.0"?><!DOCTYPE fontconfig SYSTEM "fonts.dtd"><fontconfig><dir>{0}</dir><cachedir>{0}</cachedir></fontconfig>"""
WIDER = "document.head.insertAdjacentHTML('beforeend', '<style>.chart text { letter-spacing: 6px }</style>')"


@pytest.fixture(scope="module")
def driver(tmp_path_factory: pytest.TempPathFactory) -> Iterator:
    """A browser for which no font is installed: not Arial, Helvetica, Liberation or DejaVu, nor any other."""
    predicted_pages()  # made before the browser waits for them
    folder = tmp_path_factory.mktemp("fonts")
    (folder / "fonts.conf").write_text(NO_FONTS.format(folder))
    with opened_browser(variables={"FONTCONFIG_FILE": str(folder / "fonts.conf")}) as one:
        yield one


@pytest.mark.parametrize("file", READERS)
def test_no_label_of_a_picture_is_cut(driver, file: str) -> None:
    driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    driver.get((predicted_pages() / file).as_uri())
    driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    driver.execute_script("document.querySelectorAll('details').forEach(one => one.open = true)")
    assert driver.execute_script("return document.querySelectorAll('.chart svg').length") > 3
    assert cut_labels(driver) == []


@pytest.mark.parametrize("width", [400, 1280])
@pytest.mark.parametrize("file", READERS)
def test_no_label_of_a_live_chart_is_cut(driver, file: str, width: int) -> None:
    resized(driver, width)
    drawn_charts(driver, predicted_pages() / file)
    assert driver.execute_script("return [...document.fonts].some(one => one.status === 'loaded')")
    assert cut_labels(driver) == []
    driver.execute_script(WIDER)
    assert cut_labels(driver), "letters further apart reach beyond their chart"
