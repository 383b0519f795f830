"""Intake: any export into one validated log, every row accounted for."""

from analysis.intake.log import Log, OwnField, RejectedRows, Source

__all__ = ["Log", "OwnField", "RejectedRows", "Source"]
