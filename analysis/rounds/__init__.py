"""From audit to audit: what to do now, what changed since the last audit, and whether its predictions held."""

from analysis.rounds.compare import with_round
from analysis.rounds.earlier import EarlierAudit, ShareFound, action_results, share_found
from analysis.rounds.to_do import RECENT_DAYS, TO_MEASURE, open_recalls, to_do_list, worth_checking

__all__ = [
    "RECENT_DAYS",
    "TO_MEASURE",
    "EarlierAudit",
    "ShareFound",
    "action_results",
    "open_recalls",
    "share_found",
    "to_do_list",
    "with_round",
    "worth_checking",
]
