"""Boards in a real browser: any selection shows what a recount of the bleeds gives; lists, clicks and address agree."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

from analysis.boards import WORK, count_cells
from analysis.pages import prepare_pages
from analysis.report import Report
from analysis.rounds import worthwhile_second_checks
from analysis.stats import wilson
from schemas import empty
from schemas.outputs import EarlySigns
from tests.pages.browser import PATIENCE_S, complaints, opened_browser, resized
from tests.pages.predicted import predicted_pages, with_predictions
from tests.shops import report

SELECTIONS = 200
CHOOSE = """
const done = arguments[arguments.length - 1], form = document.getElementById("selection");
const view = document.getElementById("board").view, chosen = arguments[0];
const later = what => setTimeout(() => view.runAsync().then(what), 0);
form.dispatchEvent(new Event("reset"));
later(() => {
  for (const list of form.querySelectorAll("select")) list.value = chosen[list.name] || "";
  form.dispatchEvent(new Event("change", {bubbles: true}));
  later(() => {
  const marks = name => { let found = []; (function look(item) {
    if (item.marktype && item.name === name) found = found.concat(item.items); else (item.items || []).forEach(look);
  })(view.scenegraph().root); return found; };
  const months = marks("bars_marks").map(i => i.datum).map(d =>
    [d.month, d.bleeds, d.followed, d.comebacks, d.followed_14, d.comebacks_14, d.followed_30, d.comebacks_30]);
  done({words: document.getElementById("selection-words").textContent, months: months, hash: location.hash,
        listed: document.getElementById("bleeds-words").textContent});
  });
});
"""


@pytest.fixture(scope="module")
def audited() -> Report:
    return with_predictions(report())


@pytest.fixture(scope="module")
def folder() -> Path:
    return predicted_pages()


@pytest.fixture(scope="module")
def driver() -> Iterator:
    with opened_browser(1280, 800) as one:
        yield one


def opened(driver: Any, path: Path, address: str = "") -> None:
    driver.get("about:blank")
    driver.get(path.as_uri() + address)
    driver.set_script_timeout(PATIENCE_S)
    ready = "return document.body.dataset.selection !== undefined || Boolean(document.body.dataset.failed)"
    WebDriverWait(driver, PATIENCE_S, 0.05).until(lambda d: d.execute_script(ready))
    assert driver.execute_script("return document.body.dataset.failed") is None


def words(driver: Any) -> str:
    return str(driver.execute_script("return document.getElementById('selection-words').textContent"))


def bleeds_of(audited: Report) -> pl.DataFrame:
    """Every bleed with the names that a board shows."""
    return audited.data.bleeds.with_columns(pl.col(name).fill_null("not recorded") for name in WORK)


def random_choice(bleeds: pl.DataFrame, rng: random.Random) -> dict[str, str]:
    """Some of the lists of the form, set to names that occur."""
    chosen = {
        name: rng.choice(bleeds.get_column(name).unique().sort().to_list()) for name in WORK if rng.random() < 0.3
    }
    months = bleeds.get_column("month").unique().sort().to_list()
    if rng.random() < 0.5:
        first, last = sorted(rng.sample(range(len(months)), 2))
        chosen |= {"from": months[first], "to": months[last]}
    return chosen


def percent(share: float) -> str:
    """As the browser rounds: halves away from zero, on the exact value."""
    from decimal import ROUND_HALF_UP, Decimal

    return f"{Decimal(share).quantize(Decimal('0.1'), ROUND_HALF_UP)}"


def recount(bleeds: pl.DataFrame, chosen: dict[str, str], window: int) -> tuple[str, list[list[Any]]]:
    """The end of the sentence, and the counts of each month, straight from the bleeds."""
    work = bleeds.filter(pl.all_horizontal(pl.lit(True), *(pl.col(n) == v for n, v in chosen.items() if n in WORK)))
    counts = {"followed": pl.col("mature"), "comebacks": pl.col("mature") & pl.col("came_back")}
    for day in (14, 30):
        counts[f"followed_{day}"] = pl.col("observed_days") >= day
        counts[f"comebacks_{day}"] = (pl.col("observed_days") >= day) & (pl.col("return_days") <= day).fill_null(False)
    months = work.group_by("month").agg(pl.len(), *(e.sum().alias(n) for n, e in counts.items())).sort("month")
    own = work
    if "from" in chosen:
        own = work.filter(pl.col("month").is_between(pl.lit(chosen["from"]), pl.lit(chosen["to"])))
    followed = own.filter("mature")
    if own.is_empty():
        end = "No bleeds in this selection."
    elif followed.is_empty():
        end = f": {own.height:,} bleeds, none followed for {window} days yet"
    else:
        back, n = int(followed.get_column("came_back").sum()), followed.height
        limits = wilson(back, n)
        lo, hi = percent(100 * float(limits.lo)), percent(100 * float(limits.hi))
        open_bleeds = own.height - n
        still = f"; {open_bleeds:,} not yet followed" if chosen and open_bleeds else ""
        end = f": {percent(100 * (back / n))}% of {n:,} bleeds came back, {lo}–{hi}%{still}"
    return end, [list(row) for row in months.iter_rows()]


def test_200_random_selections_show_what_a_recount_gives(driver, folder, audited) -> None:
    opened(driver, folder / "lead.html")
    bleeds, rng = bleeds_of(audited), random.Random(5)
    for _ in range(SELECTIONS):
        chosen = random_choice(bleeds, rng)
        visible = driver.execute_async_script(CHOOSE, chosen)
        end, months = recount(bleeds, chosen, audited.window_days)
        assert visible["words"].endswith(end), (chosen, visible["words"], end)
        assert sorted(visible["months"]) == months, chosen
        for name in WORK:
            assert name not in chosen or chosen[name] in visible["words"] or own_empty(visible["words"])
    assert complaints(driver) == []


def own_empty(sentence: str) -> bool:
    return sentence == "No bleeds in this selection."


def test_cells_add_up_to_the_bleeds_and_keep_to_their_number(audited) -> None:
    cells, few = count_cells(audited), count_cells(audited, 300)
    assert 0 < few.table.height <= 300
    assert few.by_quarter
    assert few.merged
    for column in ("bleeds", "followed", "comebacks", "followed_30", "comebacks_14", "missed_1", "recorded_10"):
        assert cells.table.get_column(column).sum() == few.table.get_column(column).sum()
    for at, step in enumerate(cells.steps, 1):
        recorded = audited.data.missed.get_column(step).drop_nulls()
        assert cells.table.get_column(f"missed_{at}").sum() == recorded.sum()
        assert cells.table.get_column(f"recorded_{at}").sum() == len(recorded)


def test_a_click_a_list_and_the_address_hold_one_selection(driver, folder, audited) -> None:
    opened(driver, folder / "lead.html")
    shops = Select(driver.find_element(By.NAME, "shop"))
    name = audited.rates.filter(pl.col("kind") == "shop", pl.col("ratio_lo").is_not_null()).get_column("group")[0]
    mark = driver.find_element(By.CSS_SELECTOR, f"#board path[aria-label*='all bleeds: {name}']")
    ActionChains(driver).move_to_element(mark).click().perform()
    WebDriverWait(driver, PATIENCE_S).until(lambda d: words(d).startswith(name))
    assert shops.first_selected_option.text == name
    assert f"shop={name.replace(' ', '+')}" in driver.current_url
    assert f"shop={name.replace(' ', '+')}" in driver.find_element(By.LINK_TEXT, "trainer").get_attribute("href")
    shops.select_by_visible_text("all")
    WebDriverWait(driver, PATIENCE_S).until(lambda d: words(d).startswith("All bleeds"))
    assert "shop=" not in driver.current_url


def offered(driver: Any, name: str) -> list[str]:
    """The names that a list of the form offers."""
    return [option.text for option in Select(driver.find_element(By.NAME, name)).options[1:]]


def test_a_workshop_leaves_its_own_technicians_and_models_in_the_lists(driver, folder, audited) -> None:
    opened(driver, folder / "lead.html")
    bleeds = bleeds_of(audited)
    homes = bleeds.group_by("technician").agg(pl.col("shop").unique()).filter(pl.col("shop").list.len() == 1)
    who, (home,) = homes.sort("technician").row(0)
    other = next(name for name in bleeds.get_column("shop").unique().sort() if name != home)
    everyone = offered(driver, "technician")
    for shop in (home, other):
        Select(driver.find_element(By.NAME, "technician")).select_by_visible_text("all")
        Select(driver.find_element(By.NAME, "shop")).select_by_visible_text(shop)
        WebDriverWait(driver, PATIENCE_S).until(lambda d, shop=shop: words(d).startswith(f"{shop}: "))
        for name in ("technician", "brake_model"):
            there = bleeds.filter(pl.col("shop") == shop).get_column(name).unique().sort().to_list()
            assert offered(driver, name) == there
    assert who not in offered(driver, "technician")
    driver.find_element(By.CSS_SELECTOR, "#selection button").send_keys(Keys.ENTER)
    WebDriverWait(driver, PATIENCE_S).until(lambda _: offered(driver, "technician") == everyone)


def test_another_workshop_ends_the_choice_of_a_technician_who_is_not_there(driver, folder, audited) -> None:
    bleeds = bleeds_of(audited)
    homes = bleeds.group_by("technician").agg(pl.col("shop").unique()).filter(pl.col("shop").list.len() == 1)
    who, (home,) = homes.sort("technician").row(0)
    compared = audited.rates.filter(pl.col("kind") == "shop", pl.col("ratio_lo").is_not_null(), pl.col("group") != home)
    other = compared.get_column("group")[0]
    address = f"#technician={who}&shop={other.replace(' ', '+')}"
    opened(driver, folder / "lead.html", f"#technician={who}")
    Select(driver.find_element(By.NAME, "shop")).select_by_visible_text(other)
    WebDriverWait(driver, PATIENCE_S).until(lambda d: words(d).startswith(f"{other}: "))
    assert "technician=" not in driver.current_url
    opened(driver, folder / "lead.html", f"#technician={who}")
    mark = driver.find_element(By.CSS_SELECTOR, f"#board path[aria-label*='all bleeds: {other}']")
    ActionChains(driver).move_to_element(mark).click().perform()
    WebDriverWait(driver, PATIENCE_S).until(lambda d: words(d).startswith(f"{other}: "))
    opened(driver, folder / "lead.html", address)
    assert words(driver) == "No bleeds in this selection."
    assert Select(driver.find_element(By.NAME, "technician")).first_selected_option.text == who


def test_an_address_opens_its_selection_and_a_foreign_name_selects_nothing(driver, folder, audited) -> None:
    months = bleeds_of(audited).get_column("month").unique().sort().to_list()
    opened(driver, folder / "lead.html", f"#brake=rear&from={months[2]}&to={months[5]}")
    end, _ = recount(bleeds_of(audited), {"brake": "rear", "from": months[2], "to": months[5]}, audited.window_days)
    assert words(driver).startswith("rear brake, ")
    assert words(driver).endswith(end)
    opened(driver, folder / "lead.html", "#shop=%3Cimg%20src%3Dx%3E&from=x")
    assert words(driver).startswith("All bleeds: ")


def test_the_board_works_by_keyboard(driver, folder) -> None:
    opened(driver, folder / "lead.html")
    brake = driver.find_element(By.NAME, "brake")
    driver.execute_script("arguments[0].focus()", brake)
    brake.send_keys("r")
    WebDriverWait(driver, PATIENCE_S).until(lambda d: words(d).startswith("rear brake"))
    job = driver.find_element(By.CSS_SELECTOR, ".bleeds-list tbody button")
    job.send_keys(Keys.ENTER)
    assert f"Job {job.text}" in driver.find_element(By.ID, "bleed").text
    reset = driver.find_element(By.CSS_SELECTOR, "#selection button")
    reset.send_keys(Keys.ENTER)
    WebDriverWait(driver, PATIENCE_S).until(lambda d: words(d).startswith("All bleeds"))


def test_a_click_on_the_trainers_board_chooses_a_technician_and_a_step(driver, folder, audited) -> None:
    opened(driver, folder / "trainer.html", "#shop=elsewhere")
    recorded = (
        audited.technique.filter(pl.col("excess").is_not_null()).sort("recorded", descending=True).row(0, named=True)
    )
    step = next(one.missed_title for one in audited.standard.steps if one.id == recorded["step"])
    marks = driver.find_elements(By.CSS_SELECTOR, f"#board path[aria-label*='technician: {recorded['technician']};']")
    mark = next(one for one in marks if f"what went wrong: {step}" in str(one.get_attribute("aria-label")))
    ActionChains(driver).move_to_element(mark).click().perform()
    WebDriverWait(driver, PATIENCE_S).until(lambda d: words(d).startswith(f"{recorded['technician']}, {step}: "))
    bleeds = audited.data.bleeds.filter(pl.col("technician") == recorded["technician"]).select("session_id")
    entries = audited.data.missed.join(bleeds, on="session_id", how="semi").get_column(recorded["step"]).drop_nulls()
    missed, n = int(entries.sum()), len(entries)
    limits = wilson(missed, n)
    share, lo, hi = (percent(100 * float(x)) for x in (missed / n, limits.lo, limits.hi))
    assert words(driver).endswith(f"missed {share}% of {n:,} bleeds, {lo}–{hi}%")
    assert "shop=elsewhere" in driver.current_url


def words_of_board(driver: Any) -> str:
    """Every word of the chart."""
    return str(driver.execute_script("return document.getElementById('board').textContent"))


def test_a_technician_or_a_step_alone_shows_the_coaching(driver, folder, audited) -> None:
    titles = audited.standard.missed_titles
    coached = audited.log.coaching.sort("coached_on").row(0, named=True)
    day, title = f"coached {coached['coached_on']}", titles[coached["step"]]
    opened(driver, folder / "trainer.html", f"#technician={coached['technician']}")
    assert f"{title}, by quarter" in words_of_board(driver)
    assert day in words_of_board(driver)
    opened(driver, folder / "trainer.html", f"#step={title.replace(' ', '+')}")
    assert f"{coached['technician']} coached" in words_of_board(driver)
    assert day not in words_of_board(driver)


@pytest.mark.parametrize("width", [400, 1024])
def test_the_title_of_a_step_stays_in_words_where_it_is_set_in_lines(driver, folder, audited, width) -> None:
    title = max(audited.standard.missed_titles.values(), key=len)
    lines = """
    return [...document.querySelectorAll("#board .role-title-text text")].map(one =>
      [...one.querySelectorAll("tspan")].map(line => line.textContent).join(" "));
    """
    resized(driver, width)
    try:
        opened(driver, folder / "trainer.html", f"#step={title.replace(' ', '+')}")
        WebDriverWait(driver, PATIENCE_S).until(
            lambda d: f"{title}: difference from peers, points" in d.execute_script(lines)
        )
    finally:
        resized(driver, 1280, 800)


def test_the_matrix_marks_the_chosen_technician_and_the_step_shown(driver, folder, audited) -> None:
    bands = """
    return [...document.querySelectorAll("#board .mark-rule line")].filter(one => one.getAttribute("stroke-width") === "15")
      .map(one => Number(one.getAttribute("x2")) ? "row" : "column").sort();
    """
    opened(driver, folder / "trainer.html")
    assert driver.execute_script(bands) == ["row", "row"]
    who = audited.technique.filter(pl.col("excess").is_not_null()).get_column("technician")[0]
    Select(driver.find_element(By.NAME, "technician")).select_by_visible_text(who)
    WebDriverWait(driver, PATIENCE_S).until(lambda d: words(d).startswith(f"{who}, "))
    assert driver.execute_script(bands) == ["column", "column", "row", "row"]


def test_bleeds_of_the_selection_are_listed_sorted_and_found(driver, folder, audited) -> None:
    opened(driver, folder / "lead.html", "#brake=front")
    rows = driver.find_elements(By.CSS_SELECTOR, ".bleeds-list tbody tr")
    assert rows
    assert all(row.find_elements(By.CSS_SELECTOR, "td")[2].text == "front" for row in rows)
    driver.find_element(By.XPATH, "//table[@class='bleeds-list']//th/button[text()='bled on']").send_keys(Keys.ENTER)
    days = [
        row.find_elements(By.CSS_SELECTOR, "td")[6].text
        for row in driver.find_elements(By.CSS_SELECTOR, ".bleeds-list tbody tr")
    ]
    assert days == sorted(days)
    job = driver.find_element(By.CSS_SELECTOR, ".bleeds-list tbody button").text
    driver.find_element(By.ID, "bleeds-find").send_keys(job)
    matches = driver.find_elements(By.CSS_SELECTOR, ".bleeds-list tbody tr")
    assert [row.find_element(By.TAG_NAME, "button").text for row in matches] == [job]


def test_the_count_of_the_selection_is_that_of_its_bleeds_and_another_closes_the_bleed(driver, folder, audited) -> None:
    bleeds = bleeds_of(audited)
    opened(driver, folder / "lead.html", "#brake=front")
    listed = driver.execute_script("return document.getElementById('bleeds-words').textContent")
    assert f" of {bleeds.filter(pl.col('brake') == 'front').height:,} selected bleeds listed" in listed
    driver.find_element(By.CSS_SELECTOR, ".bleeds-list tbody button").send_keys(Keys.ENTER)
    assert "Job" in driver.find_element(By.ID, "bleed").text
    Select(driver.find_element(By.NAME, "brake")).select_by_visible_text("rear")
    WebDriverWait(driver, PATIENCE_S).until(lambda d: words(d).startswith("rear brake"))
    assert driver.find_element(By.ID, "bleed").text == ""


def test_second_checks_are_listed_to_do_and_found(driver, folder, audited) -> None:
    checks = worthwhile_second_checks(audited).get_column("session_id").to_list()
    assert checks
    opened(driver, folder / "lead.html")
    driver.find_element(By.ID, "bleeds-find").send_keys("second check")
    jobs = [button.text for button in driver.find_elements(By.CSS_SELECTOR, ".bleeds-list tbody button")]
    assert jobs == checks[: len(jobs)]
    assert len(jobs) == min(len(checks), 5)


def test_a_page_says_what_was_selected_elsewhere_and_does_not_apply_to_it(driver, folder) -> None:
    opened(driver, folder / "trainer.html", "#shop=elsewhere&from=2025-08")
    page = driver.find_element(By.CSS_SELECTOR, ".board").text
    assert "Selected elsewhere and not applied here: workshop elsewhere, period." in page
    opened(driver, folder / "trainer.html")
    assert "not applied here" not in driver.find_element(By.CSS_SELECTOR, ".board").text


def test_a_choice_drops_the_one_it_contradicts_and_a_link_to_a_section_keeps_the_selection(
    driver, folder, audited
) -> None:
    bleeds = bleeds_of(audited)
    homes = bleeds.group_by("technician").agg(pl.col("shop").unique()).filter(pl.col("shop").list.len() == 1)
    compared = audited.rates.filter(pl.col("kind") == "technician", pl.col("ratio_lo").is_not_null())
    who, (home,) = (
        homes.filter(pl.col("technician").is_in(compared.get_column("group").implode())).sort("technician").row(0)
    )
    other = next(name for name in bleeds.get_column("shop").unique().sort() if name != home)
    opened(driver, folder / "lead.html", f"#shop={other.replace(' ', '+')}")
    mark = driver.find_element(By.CSS_SELECTOR, f"#board path[aria-label*='all bleeds: {who}']")
    ActionChains(driver).move_to_element(mark).click().perform()
    WebDriverWait(driver, PATIENCE_S).until(lambda d: words(d).startswith(f"{who}: "))
    assert "shop=" not in driver.current_url
    driver.execute_script("location.hash = '#holds'")
    WebDriverWait(driver, PATIENCE_S).until(lambda d: f"technician={who}" in d.current_url)


def test_with_a_technician_chosen_every_chart_of_a_step_is_of_the_same(driver, folder, audited) -> None:
    titles = audited.standard.missed_titles
    for who in audited.technique.filter(pl.col("excess").is_not_null()).get_column("technician").unique().sort():
        opened(driver, folder / "trainer.html", f"#technician={who.replace(' ', '+')}")
        text = squeezed(words_of_board(driver))  # a title may be set in lines, without a space between them
        step = next(title for title in map(squeezed, titles.values()) if f"{title},byquarter" in text)
        text = text.replace(f"{step}:missedmoreoftenat", "")
        assert text.count(f"{step}:") == 2, "above the differences and above the curve or the note that there is none"


def squeezed(text: str) -> str:
    return text.replace(" ", "")


STEP_MONTHS = """
const look = (i, out) => { if (/^moved_._layer_1_marks/.test(i.name)) out.push(...i.items.map(x => x.datum));
  else (i.items || []).forEach(j => look(j, out)); return out; };
return look(document.getElementById("board").view.scenegraph().root, []).map(d => [d.title, d.worse_shop]);
"""


@pytest.fixture(scope="module")
def change(audited, tmp_path_factory) -> tuple[Path, str, str]:
    """The lead's page where one workshop began to miss a step in its busiest month, with the workshop and the step."""
    bleeds = bleeds_of(audited)
    months = bleeds.group_by("technician", "month").agg(pl.len(), pl.col("shop").unique())
    alone = months.filter(pl.col("shop").n_unique().over("technician") == 1)
    _, month, _, (shop,) = alone.sort("len", "technician", "month", descending=True).row(0)
    step = count_cells(audited).steps[0]
    sign = {
        "shop": shop, "sign": "missed", "subject": step, "month": month, "before": 1, "before_of": 90, "since": 60, "since_of": 90,
        "worse": True, "p_value": 0.001,
    }  # fmt: skip
    changed = replace(audited, early_signs=pl.DataFrame([sign], schema=empty(EarlySigns).schema))
    page = tmp_path_factory.mktemp("change") / "lead.html"
    text = next(page.text for page in prepare_pages(changed)() if page.file == "lead.html")
    page.write_text(text, encoding="utf-8")
    return page, shop, audited.standard.missed_titles[step]


def test_a_change_in_a_workshop_is_marked_over_its_own_bleeds_and_denied_over_no_part_of_them(
    driver, change, audited
) -> None:
    page, home, step = change
    homes = bleeds_of(audited).group_by("technician").agg(pl.len(), pl.col("shop").unique())
    alone = homes.filter(pl.col("shop").list.len() == 1).sort("len", "technician", descending=True)
    there, away = (
        next(who for who, _, (shop,) in alone.iter_rows() if (shop == home) == at_home) for at_home in (True, False)
    )
    marks = {"": home, f"shop={home}": home, f"technician={there}": home, f"technician={away}": "", "brake=front": ""}
    for address, mark in marks.items():
        opened(driver, page, f"#{address.replace(' ', '+')}" if address else "")
        months = driver.execute_script(STEP_MONTHS)
        assert {shop for title, shop in months if title == step and shop} == ({mark} if mark else set()), address
        claimed = "nochangefound" in squeezed(words_of_board(driver))  # it may be set in two lines
        assert claimed == (not address or address.startswith("shop")), address


def test_a_chart_without_a_month_of_five_bleeds_says_so(driver, folder, audited) -> None:
    work = ["technician", "brake_model", "brake"]
    months = bleeds_of(audited).group_by(*work, "month").len().group_by(work).agg(pl.col("len").max())
    few = months.filter(pl.col("len") < 5).sort(work).row(0)
    address = "&".join(f"{name}={value.replace(' ', '+')}" for name, value in zip(work, few, strict=False))
    opened(driver, folder / "lead.html")
    assert "Fewer than 5 bleeds" not in words_of_board(driver)
    opened(driver, folder / "lead.html", f"#{address}")
    assert words_of_board(driver).count("Fewer than 5 bleeds") == 4
