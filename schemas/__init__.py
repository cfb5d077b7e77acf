"""WHAT a table is: every column's type, unit, meaning and physical range, once."""

from stillwell.schemas import findings, gauging, points, registers, series
from stillwell.schemas.base import Table

DEPOSIT_TABLES: dict[str, type[Table]] = {
    "sites": registers.SitesDeposit,
    "datums": registers.DatumsDeposit,
    "instruments": registers.InstrumentsDeposit,
    "calibrations": registers.CalibrationsDeposit,
    "gaugings": gauging.GaugingsDeposit,
    "points": points.PointsDeposit,
    "samples": points.SamplesDeposit,
    "gauge_heights": registers.GaugeHeightsDeposit,
    "checks": registers.ChecksDeposit,
    "reviews": registers.ReviewsDeposit,
    "policies": registers.PoliciesDeposit,
    "withholdings": registers.WithholdingsDeposit,
    "stage": series.StageDeposit,
    "corrections": series.CorrectionsDeposit,
    "conditions": series.ConditionsDeposit,
    "ratings": series.RatingsDeposit,
    "rating_segments": series.RatingSegmentsDeposit,
    "shifts": series.ShiftsDeposit,
}
"""What somebody may hand in."""

ARCHIVE_TABLES: dict[str, type[Table]] = {
    "sites": registers.Sites,
    "datums": registers.Datums,
    "instruments": registers.Instruments,
    "calibrations": registers.Calibrations,
    "gaugings": gauging.Gaugings,
    "verticals": points.Verticals,
    "points": points.Points,
    "samples": points.Samples,
    "gauge_heights": registers.GaugeHeights,
    "checks": registers.Checks,
    "check_samples": registers.CheckSamples,
    "findings": findings.Findings,
    "uncertainty_budget": findings.UncertaintyBudget,
    "policies": registers.Policies,
    "reviews": registers.Reviews,
    "withholdings": registers.Withholdings,
    "stage": series.Stage,
    "corrections": series.Corrections,
    "conditions": series.Conditions,
    "ratings": series.Ratings,
    "rating_segments": series.RatingSegments,
    "shifts": series.Shifts,
    "discharge": series.Discharge,
    "daily": series.Daily,
    "series_doubts": series.SeriesDoubts,
    "deposits": registers.Deposits,
}
"""What stands in the archive."""

SERIES_TIME = {"stage": "time", "discharge": "time", "daily": "starts_at"}
"""Tables that hold a series of a site, with the column by whose year (UTC) their files are told apart."""

SCHEMA_VERSION = "2.0"
"""Major changes when a column is renamed, retyped or changes meaning; minor when one is added."""

__all__ = ["ARCHIVE_TABLES", "DEPOSIT_TABLES", "SCHEMA_VERSION", "SERIES_TIME", "Table"]
