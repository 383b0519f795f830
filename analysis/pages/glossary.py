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
    ("hold", "a rule that calls a bike back at once, whatever the statistics say"),
    ("spared per 100", "comebacks fewer in 100 bleeds if nobody missed the step again"),
)
