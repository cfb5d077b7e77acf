"""WHAT a table is: every column's type, unit, meaning and physical range, once."""

from schemas import gauging, registers
from schemas.base import Table

DEPOSIT_TABLES: dict[str, type[Table]] = {
    "sites": registers.SitesDeposit,
    "datums": registers.DatumsDeposit,
    "instruments": registers.InstrumentsDeposit,
    "calibrations": registers.CalibrationsDeposit,
    "gaugings": gauging.GaugingsDeposit,
    "points": gauging.PointsDeposit,
    "samples": gauging.SamplesDeposit,
    "gauge_heights": registers.GaugeHeightsDeposit,
    "checks": registers.ChecksDeposit,
    "reviews": registers.ReviewsDeposit,
    "policies": registers.PoliciesDeposit,
    "withholdings": registers.WithholdingsDeposit,
}
"""What somebody may hand in."""

ARCHIVE_TABLES: dict[str, type[Table]] = {
    "sites": registers.Sites,
    "datums": registers.Datums,
    "instruments": registers.Instruments,
    "calibrations": registers.Calibrations,
    "gaugings": gauging.Gaugings,
    "verticals": gauging.Verticals,
    "points": gauging.Points,
    "samples": gauging.Samples,
    "gauge_heights": registers.GaugeHeights,
    "checks": registers.Checks,
    "check_samples": registers.CheckSamples,
    "findings": gauging.Findings,
    "uncertainty_budget": gauging.UncertaintyBudget,
    "policies": registers.Policies,
    "reviews": registers.Reviews,
    "withholdings": registers.Withholdings,
    "deposits": registers.Deposits,
}
"""What stands in the archive."""

SCHEMA_VERSION = "1.1"
"""Major changes when a column is renamed, retyped or changes meaning; minor when one is added."""

__all__ = ["ARCHIVE_TABLES", "DEPOSIT_TABLES", "SCHEMA_VERSION", "Table"]
