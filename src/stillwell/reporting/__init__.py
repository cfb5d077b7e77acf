"""Reports: the page of a gauging, a meter or a site, or of a season, as one self-contained file. Never writes."""

from stillwell.reporting.reports import gauging_report, meter_report, report, season_report, site_report

__all__ = ["gauging_report", "meter_report", "report", "season_report", "site_report"]
