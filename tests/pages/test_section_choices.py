"""Charts of the sections are whole after every choice, in a real browser."""

from __future__ import annotations

import pytest

from tests.pages.browser import cut_labels, drawn_charts, opened_browser
from tests.shops import run

LISTS = "return [...document.querySelectorAll('.chart:not([data-chart=board]) select')].map(one => one.options.length)"
CHOOSE = """
const [list, option, done] = arguments, one = document.querySelectorAll(".chart:not([data-chart=board]) select")[list];
one.selectedIndex = option;
["input", "change"].forEach(name => one.dispatchEvent(new Event(name, { bubbles: true })));
setTimeout(() => done(one.options[option].text), 150);
"""


@pytest.mark.parametrize("width", [1280, 400])
def test_no_choice_of_a_step_or_technician_is_cut(width: int) -> None:
    with opened_browser(width) as driver:
        drawn_charts(driver, run().out / "trainer.html")
        lists = driver.execute_script(LISTS)
        cut = {}
        for at, options in enumerate(lists):
            for option in range(options):
                name = driver.execute_async_script(CHOOSE, at, option)
                if labels := cut_labels(driver):
                    cut[name] = labels
    assert sum(lists) > 10
    assert cut == {}
