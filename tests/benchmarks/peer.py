"""What a capable analyst would write in a day from general-purpose libraries: the peer an audit is raced against.

pandas for the data, pandera to validate, lifelines for follow-up, scikit-learn's default gradient-boosted trees and permutation
importance for risk and 'causes', statsmodels for a logistic table, altair for charts. Run by `tests.benchmarks`:
`python -m tests.benchmarks.peer EXPORTS OUT AS_OF` prints its stages as one line of JSON.
"""

from __future__ import annotations

import json
import sys
import time
import warnings
from pathlib import Path

BEGAN = time.perf_counter()
warnings.filterwarnings("ignore")

import altair as alt  # noqa: E402
import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
import pandera.pandas as pa  # noqa: E402
import statsmodels.api as sm  # noqa: E402
from lifelines import KaplanMeierFitter  # noqa: E402
from sklearn.ensemble import HistGradientBoostingClassifier  # noqa: E402
from sklearn.inspection import permutation_importance  # noqa: E402
from sklearn.metrics import log_loss, roc_auc_score  # noqa: E402
from statsmodels.stats.proportion import proportion_confint  # noqa: E402

WINDOW_DAYS = 90


class Laps:
    """Seconds of each stage since the one before."""

    def __init__(self, began: float) -> None:
        self.seconds: dict[str, float] = {}
        self._last = began

    def end(self, stage: str) -> None:
        now = time.perf_counter()
        self.seconds[stage], self._last = now - self._last, now


def validate(sessions: pd.DataFrame) -> int:
    """How many cells the schema refuses."""
    column, between = pa.Column, pa.Check.in_range
    schema = pa.DataFrameSchema(
        {
            "session_id": column(str, unique=True),
            "brake": column(str, pa.Check.isin(["front", "rear"])),
            "lever_reach_mm": column(float, between(40, 130), nullable=True),
            "cycles": column(float, between(0, 30), nullable=True),
            "bubbles_last": column(float, pa.Check.ge(0), nullable=True),
            "lever_travel_after_mm": column(float, between(0, 120), nullable=True),
            "minutes": column(float, between(2, 480), nullable=True),
            "settle_minutes": column(float, between(0, 1440), nullable=True),
        },
        coerce=True,
    )
    try:
        schema.validate(sessions, lazy=True)
    except pa.errors.SchemaErrors as errors:
        return len(errors.failure_cases)
    return 0


def linked(sessions: pd.DataFrame, returns: pd.DataFrame, as_of: pd.Timestamp) -> pd.DataFrame:
    """Each bleed with its first return: the id the shop wrote, else the bike's and brake's next return."""
    sessions = sessions.sort_values("started_at", kind="stable")
    returns = returns.sort_values("returned_at", kind="stable")
    labelled = returns.dropna(subset=["session_id"]).groupby("session_id").returned_at.first()
    rest = returns[returns.session_id.isna()].dropna(subset=["brake"])
    back = pd.merge_asof(
        rest[["bike_id", "brake", "returned_at"]],
        sessions[["bike_id", "brake", "started_at", "session_id"]],
        left_on="returned_at",
        right_on="started_at",
        by=["bike_id", "brake"],
    )
    guessed = back.dropna(subset=["session_id"]).groupby("session_id").returned_at.first()
    first = pd.concat([labelled, guessed]).groupby(level=0).min()
    sessions["returned_at"] = sessions.session_id.map(first)
    sessions["days"] = (sessions.returned_at - sessions.started_at).dt.total_seconds() / 86400
    sessions["follow"] = (as_of - sessions.started_at).dt.total_seconds() / 86400
    sessions["y"] = (sessions.days <= WINDOW_DAYS).astype(int)
    return sessions


def deviations(m: pd.DataFrame) -> pd.DataFrame:
    """Each step missed (1) or not (0); what was not recorded counts as done, as a quick script would have it."""
    return pd.DataFrame(
        {
            "reach": ~m.lever_reach_mm.between(75, 80) & m.lever_reach_mm.notna(),
            "pistons": m.pistons_seated.eq(False),
            "blocks": m.blocks_fitted < m.piston_pairs,
            "lever_fill": ~m.lever_syringe_fill.between(0.65, 0.85) & m.lever_syringe_fill.notna(),
            "purge": m.kit_purged.eq(False),
            "cycles": m.cycles < 2,
            "clear_finish": m.bubbles_last > 0,
            "lever_vacuum": m.lever_vacuum_strokes < 2,
            "settle": m.settle_minutes < 2,
            "end_balance": m.caliper_syringe_end_ml <= m.lever_syringe_end_ml,
            "seals": m.port_seals_checked.eq(False),
            "caliper_port": ~m.caliper_port_nm.between(1.2, 2.0) & m.caliper_port_nm.notna(),
        }
    ).astype(int)


def rates(m: pd.DataFrame, everything: pd.DataFrame, out: Path) -> None:
    """Follow-up of all, and a table of rates for technicians, models and shops."""
    KaplanMeierFitter().fit(
        everything.days.fillna(everything.follow).clip(upper=everything.follow), everything.days.notna()
    )
    for name in ("technician", "brake_model", "shop"):
        table = m.groupby(name).y.agg(["sum", "count"])
        table["lo"], table["hi"] = proportion_confint(table["sum"], table["count"], method="wilson")
        table.to_csv(out / f"{name}.csv")


def features(m: pd.DataFrame, dev: pd.DataFrame) -> pd.DataFrame:
    words = pd.get_dummies(m[["brake", "hose_route", "job_reason", "brake_model", "technician"]], drop_first=True)
    numbers = m[["lever_travel_before_mm", "lever_travel_after_mm", "bubbles_first", "minutes"]]
    return pd.concat([dev, words.astype(float), numbers], axis=1).reset_index(drop=True)


def logistic(x: pd.DataFrame, y: np.ndarray) -> pd.Series:
    filled = x.fillna(x.median())
    design = sm.add_constant(filled.loc[:, filled.nunique() > 1].astype(float))
    try:
        return sm.Logit(y, design).fit(disp=0, maxiter=50).params
    except np.linalg.LinAlgError:
        return sm.Logit(y, design).fit_regularized(disp=0, alpha=1.0).params


def draw(m: pd.DataFrame, rank: pd.Series, out: Path) -> None:
    month = m.groupby(m.started_at.dt.to_period("M").astype(str)).y.mean().reset_index()
    bars = rank.rename("v").rename_axis("step").reset_index()
    charts = alt.vconcat(
        alt.Chart(month).mark_line().encode(x="started_at:O", y="y:Q"),
        alt.Chart(bars).mark_bar().encode(x="v:Q", y="step:N"),
    )
    charts.save(out / "report.html", inline=True)


def main(exports: Path, out: Path, as_of: pd.Timestamp) -> None:
    out.mkdir(parents=True, exist_ok=True)
    laps = Laps(BEGAN)
    laps.end("imports")
    sessions = pd.read_csv(exports / "sessions.csv", parse_dates=["started_at"])
    returns = pd.read_csv(exports / "comebacks.csv", parse_dates=["returned_at"])
    laps.end("read")
    validate(sessions)
    laps.end("validate")
    sessions = linked(sessions, returns, as_of)
    m = sessions[sessions.follow >= WINDOW_DAYS].copy()
    dev = deviations(m)
    laps.end("link")
    rates(m, sessions, out)
    laps.end("rates")
    x, y = features(m, dev), m.y.to_numpy()
    k = int(len(x) * 0.7)
    trees = HistGradientBoostingClassifier(random_state=0).fit(x[:k], y[:k])
    p = trees.predict_proba(x[k:])[:, 1]
    report = {"auc": roc_auc_score(y[k:], p), "logloss": log_loss(y[k:], p), "p": p.tolist()}
    laps.end("classifier")
    importances = permutation_importance(trees, x[k:], y[k:], scoring="roc_auc", n_repeats=5, random_state=0)
    rank = pd.Series(importances.importances_mean, x.columns)[list(dev.columns)].sort_values(ascending=False)
    laps.end("importance")
    naive = {d: (y[dev[d] == 1].mean() - y[dev[d] == 0].mean()) * dev[d].mean() * 100 for d in dev}
    odds = logistic(x, y)
    laps.end("logistic table")
    draw(m, rank, out)
    laps.end("charts")
    report |= {"importance": rank.to_dict(), "naive": naive, "logodds": odds.to_dict()}
    (out / "result.json").write_text(json.dumps(report), encoding="utf-8")
    print(json.dumps(laps.seconds))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), pd.Timestamp(sys.argv[3]))
