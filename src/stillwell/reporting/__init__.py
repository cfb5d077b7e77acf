"""Reports: one self-contained HTML page for a gauging, a meter, a site or a season. Reads an archive, never writes."""

from stillwell.reporting.gauging import gauging_report
from stillwell.reporting.meter import meter_report
from stillwell.reporting.season import season_report
from stillwell.reporting.site import site_report
from stillwell.reporting.subject import report

__all__ = ["gauging_report", "meter_report", "report", "season_report", "site_report"]
