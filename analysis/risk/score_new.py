"""Fresh bleeds told by a saved model: nothing is learnt from them."""

from __future__ import annotations

import numpy as np
import polars as pl
from pandera.typing.polars import DataFrame

from analysis.intake import Log
from analysis.risk.reasons import predict_with_reasons
from analysis.risk.saved_model import SavedModel
from analysis.risk.second_checks import worklist
from schemas import empty, validate_table
from schemas.outputs import Risk


def score_new(saved: SavedModel, log: Log) -> DataFrame[Risk]:
    """The risk of every bleed of a log by a saved model, with reasons.

    What was known before a bleed comes from the model's own history, so that fresh rows can be told alone and the rows
    it learnt from get the risk it gave them.
    `out_of_time` marks bleeds begun after its last day; the worklist is of the log's last days,
    down to the risk from which a check pays at the procedure's own cost of a comeback.

    Parameters
    ----------
    saved
        A model that `read_model` opened.
    log
        Accepted bleeds; returns are not looked at.
    """
    features = saved.features_of(log)
    table, standard = features.table, saved.saved_standard()
    predictions, why = predict_with_reasons(saved.model, features, standard)
    risk = pl.DataFrame(
        {
            "session_id": table.get_column("session_id"),
            "risk": predictions.risk,
            "risk_lo": predictions.lo,
            "risk_hi": predictions.hi,
            "out_of_time": table.get_column("day") > saved.last_day,
            "in_sample_risk": predictions.risk,
            "day": table.get_column("day"),
            "out": np.ones(table.height, dtype=bool),
        }
    )
    least_risk = standard.second_check.break_even_risk(standard.usual_comeback_minutes)
    on_list = worklist(risk, standard.second_check, log.as_of, least_risk)
    risk = risk.with_columns(on_worklist=pl.Series(on_list, dtype=pl.Boolean))
    return validate_table(Risk, risk.hstack(why).select(empty(Risk).columns))
