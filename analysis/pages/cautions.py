"""The cautions that stand on every page, sheet, worklist and at the end of a run."""

CAUTIONS = (
    "Brakes are safety parts. These figures are statistics about work, not an inspection: a low risk is no clearance.",
    "Mineral oil and DOT fluid never mix. Used fluid goes to licensed disposal.",
    "The maker's instructions, local rules and a qualified mechanic come first, and every bleed ends with a hard pull.",
    "A flag or a signal on a name is a reason to talk, never a verdict.",
)
