"""From audit to audit: what to do now, what changed since the last audit, and whether its predictions held."""

from analysis.rounds.compare import compare_with_earlier_audit
from analysis.rounds.earlier import EarlierAudit, ShareFound, action_results, share_found
from analysis.rounds.to_do import (
    RECENT_DAYS,
    SAFETY_CHECKS,
    TO_MEASURE,
    open_recalls,
    to_do_list,
    unrecorded_safety_checks,
    worthwhile_second_checks,
)
