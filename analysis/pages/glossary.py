"""The words behind the figures, as a mechanic would have them explained."""

GLOSSARY = (
    ("bleed", "one bleed of one brake, front or rear"),
    (
        "comeback",
        "a brake that returned within the window with a soft lever, a long travel or air, not worn parts or pads",
    ),
    ("window", "how many days a bleed is followed before it may be called good"),
    ("followed", "bled at least a window before the last day of the log, so that its success or failure is known"),
    ("interval", "the range in which the true figure lies, 95 times in 100"),
    ("expected", "how many would have come back from the same mix of work in everybody's hands"),
    ("shrunk rate", "a rate pulled toward what is expected, the more the thinner its evidence"),
    ("signal", "more or fewer than chance explains, after counting how many comparisons were made"),
    ("points", "percentage points: 36% against 20% is 16 points more"),
    ("raw difference", "what a spreadsheet would say, before the work is made the same"),
    ("q", "how likely a mark as strong is false, after counting how many were looked at; at most 0.05 counts"),
    (
        "shape",
        "below 1 returns come early and thin out, as faults of workmanship do; above 1 they come late, as wear does",
    ),
    (
        "E-value",
        "how strong an unseen cause would have to be, with the step and with the return, to explain the figure away",
    ),
    (
        "risk",
        "how likely a bleed is to come back within the window, as a model learnt from earlier bleeds; no inspection",
    ),
    ("out of time", "told by a model that knew only what was known before the bleed"),
    ("log loss", "how far told risks lie from what happened; lower is better"),
    ("calibration slope", "1 where risks lie as far apart as they should; below 1 they are too bold"),
    ("drift", "risks that were right in one quarter and are not in another"),
    ("net benefit", "comebacks met by checks less the checks made in vain, weighed by what each costs"),
    ("hold", "a rule that calls a bike back at once, whatever the statistics say"),
    ("spared per 100", "comebacks fewer in 100 bleeds if nobody missed the step again"),
)
