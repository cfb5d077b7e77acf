"""Closed lists of words, each once."""

WITH_VERTICALS = "wading verticals"
OBSERVED_ZERO = "observed zero"
METHODS = (
    WITH_VERTICALS,
    "other velocity-area",
    "moving-boat profiler",
    "volumetric",
    "tracer dilution",
    "structure formula",
    "slope-area",
    "float",
    OBSERVED_ZERO,
    "estimated",
    "unknown",
)
MID_SECTION = "mid-section"
MEAN_SECTION = "mean-section"
SECTION_METHODS = (MID_SECTION, MEAN_SECTION)
BANKS = ("left", "right")
"""Seen facing downstream (common practice, no source)."""
FIELD_QUALITIES = ("excellent", "good", "fair", "poor")
"""The party's own judgement of a gauging."""
WITHIN_PCT = ("2", "5", "8", "beyond")
"""Limits in percent that the standard uncertainty of a gauging lies within."""
KINDS = ("open", "edge", "dry", "ice")
INSTRUMENT_KINDS = ("acoustic point", "rotating element", "electromagnetic", "other")
PLACES = ("office", "field")
GAUGE_SOURCES = ("staff", "tape", "sensor", "surveyed mark")
ACCESS = ("open", "embargoed", "closed")
DECISIONS = ("approved", "provisional", "withdrawn", "included", "excluded")
STATUSES = ("provisional", "approved", "withdrawn")
CONDITIONS = ("ice", "backwater", "estimated")
MARKS = ("estimated", "below gauged", "above gauged", "ice", "backwater", "shift held", "no rating")
"""How a value of a discharge record came about, in the order of their bits."""
SEVERITIES = ("note", "suspect", "unusable")
OUTCOMES = ("taken", "partly taken", "returned")
GAUGE_HEIGHT_RULES = ("time-weighted", "discharge-weighted", "mean of both", "none")
COMPONENTS = (
    "number of verticals",
    "systematic",
    "width",
    "depth",
    "points in the vertical",
    "meter calibration",
    "exposure",
)
VERDICTS = ("healthy", "watch", "unfit")
PROFILE_METHODS = (
    "none",
    "one point 0.6",
    "one point 0.5",
    "one point 0.2",
    "surface",
    "two points",
    "three points",
    "five points",
    "six points",
    "velocity curve",
    "one point other",
    "other points",
)
