"""The risk model as a scikit-learn classifier."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Self

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from sklearn.utils.validation import check_is_fitted

from analysis.risk.attributions import Attributions, attribute_risk
from analysis.risk.calibration import Calibration, logit
from analysis.risk.estimator_base import RiskClassifier, as_frame, check_input
from analysis.risk.features import DAY
from analysis.risk.hazard_model import FitSettings
from analysis.risk.model import Predictions, RiskModel
from analysis.risk.preprocessing import PRIOR_DF

FloatArray = NDArray[np.float64]


class RebleedClassifier(RiskClassifier):
    """Risk that a bleed comes back within the window and before the brake's next bleed.

    Combines a latent amount of trapped air, measured by the stand readings, with a time-to-return model whose ridge
    penalties are estimated by block. It learns from every day of follow-up, whether or not the window is over. Follow-up
    is used up to `window_days` after the last bleed in the training data, so that a model fitted to the past
    (`OutOfTimeSplit`) uses nothing later. Columns of `X` that are not features of this package are also used, and so are
    all columns of a plain numeric array: numbers scaled, text one-hot encoded, missing values flagged.

    Parameters
    ----------
    window_days
        Follow-up window in days.
    leak_steps
        IDs of steps whose miss causes a leak, which no stand reading shows.
    prior_df
        Weight of the prior variances of the coefficients, expressed as a number of exactly known coefficients; above 0.
    warm_start
        Whether to start from the coefficients of the last fit; the result does not depend on it.

    Attributes
    ----------
    model_
        The fitted `RiskModel`.
    classes_
        The two labels, the comeback's last; False and True if `y` is a follow-up.
    """

    def __init__(
        self,
        window_days: int = 90,
        *,
        leak_steps: Sequence[str] = (),
        prior_df: float = PRIOR_DF,
        warm_start: bool = False,
    ) -> None:
        self.window_days = window_days
        self.leak_steps = leak_steps
        self.prior_df = prior_df
        self.warm_start = warm_start

    def fit(self, X: pl.DataFrame | ArrayLike, y: ArrayLike) -> Self:
        """Fit the model.

        Parameters
        ----------
        X
            n bleeds: features of `BleedFeatures`, or numbers (NaN where missing).
        y
            Their follow-up (`risk_data`: days, event, observed_days), or two labels for a whole window.

        Raises
        ------
        ValueError
            No comeback, not two labels, fields of `y` missing, or parameters out of range.
        """
        if self.window_days < 1 or self.prior_df <= 0:
            raise ValueError(f"window_days={self.window_days}, prior_df={self.prior_df}: expected both above 0")
        start = getattr(self, "model_", None) if self.warm_start else None
        features = as_frame(check_input(self, X, reset=True))
        follow_up = self._follow_up(y, features.height)
        if DAY in features.columns:
            day = features.get_column(DAY).to_physical().to_numpy().astype(np.int64)
            follow_up = follow_up.censor_at(day.max() + self.window_days - day)
        settings = FitSettings(self.window_days, tuple(self.leak_steps), self.prior_df)
        self.model_ = RiskModel.fit(features, follow_up, settings, start)
        return self

    def recalibrate(self, calibration: Calibration) -> Self:
        """Replace the calibration of the fitted model without refitting it."""
        check_is_fitted(self)
        self.model_ = self.model_.with_calibration(calibration)
        return self

    def predictions(self, X: pl.DataFrame | ArrayLike) -> Predictions:
        """Risks of n bleeds with 95% intervals, and the log odds before calibration."""
        check_is_fitted(self)
        return self.model_.predict(as_frame(check_input(self, X, reset=False)))

    def risks(self, X: pl.DataFrame | ArrayLike) -> FloatArray:
        """Risk of each bleed (n)."""
        return self.predictions(X).risk

    def decision_function(self, X: pl.DataFrame | ArrayLike) -> FloatArray:
        """Log odds of a comeback within the window (n)."""
        return logit(self.predictions(X).risk)

    def predict_interval(self, X: pl.DataFrame | ArrayLike) -> FloatArray:
        """95% interval of each risk (n × 2), from the uncertainty of the fitted effects and of an unknown technician."""
        predicted = self.predictions(X)
        return np.column_stack([predicted.lo, predicted.hi])

    def explain(self, X: pl.DataFrame | ArrayLike) -> pl.DataFrame:
        """What each group of features adds to the risk of the average bleed.

        Returns
        -------
        pl.DataFrame
            n rows: reference_risk, and one column per group of features; each row adds up to the bleed's risk.
        """
        check_is_fitted(self)
        shares: Attributions = attribute_risk(self.model_, as_frame(check_input(self, X, reset=False)))
        added = pl.DataFrame(dict(zip(shares.feature_groups, shares.added.T, strict=True)))
        return added.select(pl.lit(shares.reference_risk).alias("reference_risk"), pl.all())
