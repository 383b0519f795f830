"""The proof: many simulated workshops audited like any other and held against what is true of them."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.followup import Covered
from analysis.intake import read_log
from analysis.output import csv_text, mark_text, refuse_foreign, run_folder
from analysis.prepared import Prepared, prepared
from analysis.rates import rates
from analysis.standard import built_in
from analysis.stats import exact_binomial_limits
from analysis.steps import step_costs
from schemas import checked, empty
from schemas.outputs import Prove
from synthetic import Made, family, made, write_made

WITH_EFFECTS = (
    "base", "signs say nothing", "effects bypass the signs", "first 30 days only", "strong confounding",
    "30% not recorded", "repeats", "loglinear",
)  # fmt: skip
WITHOUT_EFFECT = ("no step matters", "loglinear, no step matters")
EQUAL_PEOPLE = "equal people"
FIRST_SEED = 50_000


@dataclass(frozen=True)
class World:
    """One simulated workshop to audit: its family, bleeds and seed."""

    family: str
    sessions: int
    seed: int

    @property
    def name(self) -> str:
        return f"{self.family.replace(' ', '-').replace(',', '').replace('%', '')}-{self.sessions}-{self.seed}"


@dataclass(frozen=True)
class Held:
    """What came of one world: for every step told, estimate, limits, truth, rank; which were called; people signalled."""

    family: str
    sessions: int
    estimate: list[float]
    lo: list[float]
    hi: list[float]
    truth: list[float]
    called: list[bool]
    people_signalled: int


def proof_worlds(workshops: int, sessions: int) -> list[World]:
    """`workshops` seeds of every family, seeds fixed in advance."""
    families = (*WITH_EFFECTS, *WITHOUT_EFFECT, EQUAL_PEOPLE)
    return [World(name, sessions, FIRST_SEED + i) for name in families for i in range(workshops)]


def held(world: World) -> Held:
    """Make one workshop, audit it, and set its estimates beside the truth."""
    log = made(family(world.family, world.sessions), world.seed)
    ready = _ready(log)
    rng = np.random.default_rng(world.seed)
    table = step_costs(ready, rng).table.filter(pl.col("preventable_per_100").is_not_null())
    told = table.join(log.truth_steps.select("step", truth="preventable_per_100"), on="step", how="inner").sort("step")
    signalled = 0
    if world.family == EQUAL_PEOPLE:
        people = rates(ready, rng).filter(pl.col("kind") == "technician")
        signalled = people.filter(pl.col("signal").is_in(["high", "low"])).height
    return Held(
        family=world.family,
        sessions=world.sessions,
        estimate=told.get_column("preventable_per_100").to_list(),
        lo=told.get_column("lo").to_list(),
        hi=told.get_column("hi").to_list(),
        truth=told.get_column("truth").to_list(),
        called=(told.get_column("verdict") == "costs_comebacks").to_list(),
        people_signalled=signalled,
    )


def proof(worlds: list[Held]) -> DataFrame[Prove]:
    """Coverage, order, error and false alarms over the worlds, with binomial (or bootstrap-free normal) limits."""
    rows = []
    for sessions in sorted({one.sessions for one in worlds}):
        mine = [one for one in worlds if one.sessions == sessions and one.estimate]
        effects = [one for one in mine if one.family in WITH_EFFECTS]
        null = [one for one in mine if one.family in WITHOUT_EFFECT]
        equal = [one for one in mine if one.family == EQUAL_PEOPLE]
        for name in WITH_EFFECTS:
            own = [one for one in effects if one.family == name]
            inside = [ok for one in own for ok in _inside(one)]
            rows.append(_share(f"intervals that hold the truth: {name}", sessions, len(own), inside, "at least 93%"))
        first = [_inside(one)[int(np.argmax(one.estimate))] for one in effects]
        rows.append(
            _share("the first-ranked step's interval holds the truth", sessions, len(effects), first, "at least 90%")
        )
        rows.append(
            _mean(
                "Kendall's tau with the true order",
                sessions,
                [_tau(one) for one in effects],
                "0.80; 0.86; 0.93 at 1,000; 3,000; 20,000",
            )
        )
        top = [_top(one) for one in effects]
        rows.append(_share("the three costliest among the true top four", sessions, len(effects), top, "80%; 95%; 97%"))
        error = [float(np.mean((np.array(o.estimate) - o.truth) ** 2)) for o in effects]
        rows.append(_mean("mean squared error per 100", sessions, error, "0.048; 0.018; 0.003"))
        alarm = [any(one.called) for one in null]
        rows.append(_share("no step matters, any is called", sessions, len(null), alarm, "at most 5%"))
        people = [one.people_signalled > 0 for one in equal]
        rows.append(_share("people equal, any gets a signal", sessions, len(equal), people, "at most 5%"))
    return checked(Prove, pl.DataFrame(rows, schema=empty(Prove).schema))


def run_proof(
    out: Path, workshops: int, sessions: int, cluster: str | None, told: Callable[[str], None]
) -> DataFrame[Prove]:
    """Audit every world, over processes or an existing Dask cluster, and write tables/prove.csv.

    Worlds already held by a run that was cut short are taken from beside `out`.

    Raises
    ------
    CannotRun
        The folder cannot be written, or the cluster cannot be reached.
    """
    refuse_foreign(out.absolute())
    cache = out.absolute().with_name(f".{out.name}.worlds")
    cache.mkdir(parents=True, exist_ok=True)
    worlds = proof_worlds(workshops, sessions)
    left = [world for world in worlds if not (cache / f"{world.name}.json").exists()]
    for number, (world, one) in enumerate(_spread(left, cluster), 1):
        (cache / f"{world.name}.json").write_text(json.dumps(asdict(one)), encoding="utf-8")
        told(f"{number} of {len(left)} workshops held against the truth")
    results = [Held(**json.loads((cache / f"{world.name}.json").read_text("utf-8"))) for world in worlds]
    table = proof(results)
    with run_folder(out) as folder:
        (folder / "tables").mkdir()
        (folder / "tables" / "prove.csv").write_text(csv_text(table), encoding="utf-8")
        (folder / "manifest.json").write_text(mark_text("proof"), encoding="utf-8")
    for world in worlds:
        (cache / f"{world.name}.json").unlink(missing_ok=True)
    cache.rmdir()
    return table


def _spread(worlds: list[World], cluster: str | None) -> Iterator[tuple[World, Held]]:
    """Worlds audited side by side, each told as it ends."""
    import joblib

    if cluster is None:
        run = joblib.Parallel(n_jobs=-1, return_as="generator", inner_max_num_threads=1)
        yield from zip(worlds, run(joblib.delayed(held)(world) for world in worlds), strict=True)
        return
    from analysis.cluster import connected

    with connected(cluster) as client:
        futures = client.map(held, worlds, pure=False)
        yield from zip(worlds, client.gather(futures), strict=True)


def _ready(log: Made) -> Prepared:
    with tempfile.TemporaryDirectory() as folder:
        write_made(log, Path(folder))
        read = read_log([folder])
    standard = built_in()
    return prepared(read, standard, standard.window_days, Covered())


def _inside(one: Held) -> list[bool]:
    return [lo <= t <= hi for lo, t, hi in zip(one.lo, one.truth, one.hi, strict=True)]


def _tau(one: Held) -> float:
    from scipy import stats

    return float(stats.kendalltau(one.estimate, one.truth).statistic)


def _top(one: Held) -> bool:
    return set(np.argsort(one.estimate)[-3:]) <= set(np.argsort(one.truth)[-4:])


def _share(measure: str, sessions: int, worlds: int, true: list[bool], aim: str) -> dict[str, object]:
    row: dict[str, object] = {"measure": measure, "sessions": sessions, "worlds": worlds, "aim": aim}
    if true:
        limits = exact_binomial_limits(sum(true), len(true))
        row |= {"value": float(np.mean(true)), "lo": float(limits.lo), "hi": float(limits.hi)}
    return row


def _mean(measure: str, sessions: int, values: list[float], aim: str) -> dict[str, object]:
    row: dict[str, object] = {"measure": measure, "sessions": sessions, "worlds": len(values), "aim": aim}
    known = [value for value in values if np.isfinite(value)]
    if known:
        sd = float(np.std(known)) / max(len(known) - 1, 1) ** 0.5
        middle = float(np.mean(known))
        row |= {"value": middle, "lo": middle - 1.96 * sd, "hi": middle + 1.96 * sd}
    return row
