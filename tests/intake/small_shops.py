"""Exports of six invented small shops, each untidy in a way of its own, with what is true of them."""

from __future__ import annotations

import datetime as dt
import json
import random
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

FIRST_DAY = dt.date(2025, 1, 6)
MECHANICS = ("Wren", "Ash", "Elm")


@dataclass(frozen=True)
class Answer:
    """What a person changes in a proposed map: `question` is in the line that asks, `old` becomes `new`."""

    question: str
    old: str
    new: str


@dataclass(frozen=True)
class SmallShop:
    """The files of one shop, its bleeds, and which of them the log can hold.

    `counts` says whether the shop's return of a bleed is one for air; `in_scope` whether a row is one bicycle brake.
    `second` is false where a second return of a bleed is not written down, `returns` where none is.
    """

    name: str
    write: Callable[[Path], list[str]]
    rows: int
    answers: tuple[Answer, ...] = ()
    counts: Callable[[Bleed], bool] = lambda _: True
    in_scope: Callable[[Bleed], bool] = lambda _: True
    second: bool = False
    returns: bool = True

    @property
    def bleeds(self) -> list[Bleed]:
        """The bleeds that can be read."""
        return [one for one in bleeds(self.name, self.rows) if self.in_scope(one)]

    @property
    def returns_written(self) -> int:
        """Returns in the exports."""
        days = [one.back if self.second else one.back[:1] for one in self.bleeds]
        return sum(map(len, days)) if self.returns else 0

    def came_back(self, last_day: dt.date, window: int) -> tuple[int, int]:
        """Bleeds followed for the whole window, and how many of them came back in it for air."""
        followed = [one for one in self.bleeds if (last_day - one.day).days >= window]
        back = [one for one in followed if one.back and self.counts(one) and (one.back[0] - one.day).days <= window]
        return len(followed), len(back)


@dataclass(frozen=True)
class Bleed:
    """One bleed and the days on which the bike came back."""

    number: int
    day: dt.date
    bike: str
    brake: str
    mechanic: str
    passes: int
    soft: bool
    back: tuple[dt.date, ...]


def bleeds(name: str, count: int, rate: float = 0.12) -> list[Bleed]:
    """Bleeds of different bikes, one in eight of which came back, one in four of those twice."""
    rng, all_bleeds = random.Random(name), []
    for number in range(count):
        day = FIRST_DAY + dt.timedelta(days=number)
        days = [day + dt.timedelta(days=rng.randint(3, 40))] if rng.random() < rate else []
        if days and rng.random() < 0.25:
            days.append(days[0] + dt.timedelta(days=rng.randint(5, 30)))
        all_bleeds.append(
            Bleed(
                4000 + number, day, f"{rng.choice('KLMN')}{100 + number}", rng.choice(("front", "rear")),
                rng.choice(MECHANICS), rng.randint(1, 3), rng.random() < 0.3, tuple(days),
            )
        )  # fmt: skip
    return all_bleeds


def _csv(path: Path, head: str, rows: list[str]) -> str:
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return str(path)


def _counter_book(folder: Path) -> list[str]:
    """One sheet; "Came back on" and "Why back" in the bleed's own row, "no" where nothing came."""
    reasons = ("spongy again", "lever to the bar", "oil on the hose")
    rows = [
        f"{one.day:%d/%m/%Y},{one.bike},{one.brake.title()},{one.mechanic},{one.passes},{'soft' if one.soft else 'OK'},"
        + (f"{one.back[0]:%d/%m/%Y},{reasons[one.number % 3]}" if one.back else "no,")
        for one in bleeds("counter book", 300)
    ]
    return [_csv(folder / "counter_book.csv", "Date,Bike,Brake,Mech,Passes,Lever feel,Came back on,Why back", rows)]


def _two_call_backs(folder: Path) -> list[str]:
    """A workbook with a title line; two call-backs in one row, each with its reason."""
    import xlsxwriter

    path = folder / "bleed_sheet.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet("2025")
        day = book.add_format({"num_format": "dd/mm/yyyy"})
        sheet.write(0, 0, "Brake bleeds 2025")
        heads = ("Job no", "Bike", "F/R", "Who", "Date", "1st call-back", "Why", "2nd call-back", "Why 2nd back")
        sheet.write_row(2, 0, heads)
        for row, one in enumerate(bleeds("two call-backs", 240), 3):
            sheet.write_row(row, 0, (one.number, one.bike, one.brake[0].upper(), one.mechanic))
            sheet.write_datetime(row, 4, dt.datetime.combine(one.day, dt.time()), day)
            for place, back in enumerate(one.back):
                sheet.write_datetime(row, 5 + 2 * place, dt.datetime.combine(back, dt.time()), day)
                sheet.write(row, 6 + 2 * place, "soft lever" if one.number % 2 else "leaking")
    return [str(path)]


def _job_cards(folder: Path) -> list[str]:
    """Job cards: the old fluid in the shop's own words, notes of any kind, and whether the bike came back, no day."""
    rng = random.Random("cards")
    rows = [
        f"{one.number};{one.bike};{one.brake.title()} brake;{one.mechanic};{one.day:%d %b %Y};"
        f'{rng.choice(("tea", "clear", "black", ""))};"{rng.choice(("lever loose", "ok", "see card; new pads", ""))}";'
        f"{'Y' if one.back else 'N'}"
        for one in bleeds("job cards", 260)
    ]
    return [_csv(folder / "cards.csv", "Card;Bike;Brake;Mechanic;Day;Old fluid;Notes;Back again?", rows)]


def _phone_app(folder: Path) -> list[str]:
    """JSON lines of an app: stamps in milliseconds, nested remarks, the return as a day or null."""
    lines = []
    for one in bleeds("phone app", 280):
        stamp = int(dt.datetime.combine(one.day, dt.time(10), dt.UTC).timestamp() * 1000)
        row: dict[str, object] = {"jobId": f"a-{one.number}", "bikeTag": one.bike, "brakeSide": one.brake.upper()}
        row |= {"mechanic": one.mechanic, "startedAt": stamp, "bubblesAtEnd": one.number % 3, "tags": ["shop", "bleed"]}
        row |= {"cameBackOn": one.back[0].isoformat() if one.back else None}
        row |= {"comebackReason": "spongy" if one.back else None}
        lines.append(json.dumps(row))
    path = folder / "app.jsonl"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return [str(path)]


def _till(folder: Path) -> list[str]:
    """A till: "RO #" is a column of both exports, twice in one, and in the returns it is the number of the bleed."""
    all_bleeds = bleeds("till", 300)
    sales = [
        f"{one.number},{one.bike},{one.brake},{one.mechanic},{one.day:%m/%d/%Y},{one.passes},{one.number}"
        for one in all_bleeds
    ]
    returns = [
        f"{one.number},{day:%m/%d/%Y},{one.bike},{one.brake},soft lever,{5 + one.number % 20}.00"
        for one in all_bleeds
        for day in one.back
    ]
    return [
        _csv(folder / "sales.csv", "RO #,Bike,Brake,Tech,Date,Passes,RO #", sales),
        _csv(folder / "warranty.csv", "RO #,Date,Bike,Brake,Complaint,Parts $", returns),
    ]


def _motorcycles(folder: Path) -> list[str]:
    """A motorcycle shop: calipers left and right, clutches and both brakes at once among its brakes."""
    words = ("Front", "Rear", "front left", "Front right", "clutch", "both")
    rows = [
        f"{one.number},{one.bike},{words[one.number % 6]},{one.mechanic},{one.day.isoformat()},{'N' if one.soft else 'Y'}"
        for one in bleeds("motorcycles", 300)
    ]
    return [_csv(folder / "bikes.csv", "Job no,Reg,Brake,Tech,Date,Bite OK", rows)]


SMALL_SHOPS = (
    SmallShop(
        "counter book",
        _counter_book,
        300,
        answers=(
            Answer("hard_pull_firm", 'hard_pull_firm = "Lever feel"', "# as the bike came in:"),
            Answer("oil on the hose", '#   "oil on the hose" (13 cells)', 'leak = ["oil on the hose"]'),
            Answer("lever to the bar", '#   "lever to the bar" (12 cells)', 'long_travel = ["lever to the bar"]'),
        ),
        counts=lambda one: one.number % 3 != 2,
    ),
    SmallShop("two call-backs", _two_call_backs, 240, counts=lambda one: one.number % 2 == 1, second=True),
    SmallShop(
        "job cards",
        _job_cards,
        260,
        answers=(Answer("tea", 'dark = ["black"]', 'dark = ["black", "tea"]'),),
    ),
    SmallShop("phone app", _phone_app, 280),
    SmallShop("till", _till, 300, second=True),
    SmallShop("motorcycles", _motorcycles, 300, in_scope=lambda one: one.number % 6 < 2, returns=False),
)
