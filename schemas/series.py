"""Stage as recorded, its corrections, ratings with their shifts, and the records derived from them."""

from __future__ import annotations

from stillwell.schemas import words
from stillwell.schemas.base import (
    LONGEST_LIST,
    QUALITY,
    TRAIL,
    Count,
    HandedIn,
    Number,
    Recorded,
    Table,
    Text,
    Time,
    Variable,
    col,
)

STAGE = "water_surface_height_above_reference_datum"
DISCHARGE = "water_volume_transport_in_river_channel"


class StageColumns(Table):
    """A height of water recorded by a logger, as it gave it; key site, sensor, time."""

    site: Text = col(
        "code of the site",
        standard_name="platform_id",
        required=True,
        key=True,
        names="site",
        netcdf=Variable("station_id", own=True),
    )
    sensor: Text = col(
        "name of the sensor; blank means the site's only one",
        key=True,
        names="sensor",
        netcdf=Variable("station_id", own=True),
    )
    time: Time = col(
        "when it was recorded", standard_name="time", required=True, key=True, netcdf=Variable("time", own=True)
    )
    stage_m: Number = col(
        "stage above the gauge's zero as recorded, uncorrected",
        units="m",
        standard_name=STAGE,
        required=True,
        ge=-100,
        le=9000,
        netcdf=Variable("stage", cells="time: point"),
    )
    raw_value: Text = col(
        "figure the sensor gave, as written, where stage was made from it", netcdf=Variable("raw_value", own=True)
    )
    raw_unit: Text = col("unit of raw_value", netcdf=Variable("raw_value", own=True))
    mark: Text = col(
        "mark the logger gave the value", left_out="a word of the logger's maker, without a meaning of its own"
    )


class CorrectionsColumns(Table):
    """A correction of recorded stage, linear in time and added to it; key site, sensor, from."""

    site: Text = col("code of the site", standard_name="platform_id", required=True, key=True, names="site")
    sensor: Text = col("name of the sensor; blank means the site's only one", key=True, names="sensor")
    from_: Time = col("from when it holds", required=True, key=True, alias="from")
    to: Time = col("until when it holds, this moment not included", required=True)
    start_m: Number = col("what is added at its start", units="m", required=True, ge=-100, le=100)
    end_m: Number = col("what is added towards its end", units="m", required=True, ge=-100, le=100)
    reason: Text = col("why", required=True, text="words", roles=("private",))
    by: Text = col("code of the person who decided", required=True, roles=("person",), names="person")


class RatingsColumns(Table):
    """A rating adopted for a site; key rating."""

    rating: Text = col("name of the rating", required=True, key=True, names="rating")
    site: Text = col("code of the site", standard_name="platform_id", required=True, names="site")
    valid_from: Time = col("from when it holds, until the next rating of the site does", required=True)
    gauged_from_m: Number = col("lowest stage gauged", units="m", ge=-100, le=9000)
    gauged_to_m: Number = col("highest stage gauged", units="m", ge=-100, le=9000)
    standard_error_pct: Number = col("scatter of gaugings about it, standard", units="percent", ge=0, le=1000)
    freedom: Number = col("residual degrees of freedom", units="1", ge=0, le=1_000_000)
    covariance: Text = col(
        "covariance of ln C of the lowest segment, then every beta, e and break, JSON, row by row", longest=LONGEST_LIST
    )
    gaugings: Text = col("gaugings it was fitted to, each as archive id/revision, joined by '; '", longest=LONGEST_LIST)
    by: Text = col("code of the person who adopted it", required=True, roles=("person",), names="person")
    reason: Text = col("why", required=True, text="words", roles=("private",))


class RatingSegmentsColumns(Table):
    """A segment of a rating, Q = coefficient (h - zero_stage_m)^exponent; key rating, segment."""

    rating: Text = col("name of the rating", required=True, key=True, names="rating")
    segment: Count = col("number of the segment, from the lowest", units="1", required=True, key=True, ge=1, le=4)
    from_m: Number = col("stage from which it holds", units="m", required=True, ge=-100, le=9000)
    to_m: Number = col("stage up to which it holds", units="m", ge=-100, le=9000)
    coefficient: Number = col("C, discharge at one metre of head", units="m3 s-1", required=True, gt=0)
    zero_stage_m: Number = col("e, stage of zero flow of its control", units="m", required=True, ge=-100, le=9000)
    exponent: Number = col("beta", units="1", required=True, gt=0, le=10)


class ShiftsColumns(Table):
    """A shift of a rating, Q = rating(h + shift), positive where water stands low for it; key rating, from, stage_m."""

    rating: Text = col("name of the rating", required=True, key=True, names="rating")
    from_: Time = col("moment it was found; linear in time between two", required=True, key=True, alias="from")
    stage_m: Number = col("stage it belongs to; blank: every stage", units="m", key=True, ge=-100, le=9000)
    shift_m: Number = col("what is added to stage before it is rated", units="m", required=True, ge=-50, le=50)
    uncertainty_m: Number = col("standard uncertainty of the shift", units="m", ge=0, le=50)
    by: Text = col("code of the person who decided", roles=("person",), names="person")
    reason: Text = col("why", text="words", roles=("private",))


class ConditionsColumns(Table):
    """A span in which something acted on the relation of stage and discharge; key site, from, condition."""

    site: Text = col("code of the site", standard_name="platform_id", required=True, key=True, names="site")
    from_: Time = col("from when", required=True, key=True, alias="from")
    to: Time = col("until when, this moment not included", required=True)
    condition: Text = col("what acted", required=True, key=True, isin=words.CONDITIONS)
    reason: Text = col("why it is believed", required=True, text="words", roles=("private",))
    by: Text = col("code of the person who decided", required=True, roles=("person",), names="person")


class StageDeposit(HandedIn, StageColumns):
    """`stage` as handed in."""


class Stage(Recorded, StageColumns):
    """`stage` in the archive."""


class CorrectionsDeposit(HandedIn, CorrectionsColumns):
    """`corrections` as handed in."""


class Corrections(Recorded, CorrectionsColumns):
    """`corrections` in the archive."""


class RatingsDeposit(HandedIn, RatingsColumns):
    """`ratings` as handed in."""


class Ratings(Recorded, RatingsColumns):
    """`ratings` in the archive."""


class RatingSegmentsDeposit(HandedIn, RatingSegmentsColumns):
    """`rating_segments` as handed in."""


class RatingSegments(Recorded, RatingSegmentsColumns):
    """`rating_segments` in the archive."""


class ShiftsDeposit(HandedIn, ShiftsColumns):
    """`shifts` as handed in."""


class Shifts(Recorded, ShiftsColumns):
    """`shifts` in the archive."""


class ConditionsDeposit(HandedIn, ConditionsColumns):
    """`conditions` as handed in."""


class Conditions(Recorded, ConditionsColumns):
    """`conditions` in the archive."""


class Derived(Table):
    """The trail of a derived row: it rests on what stood when it was derived, not on one deposit."""

    software_version: Text = col("version of the software that derived it", required=True, left_out=TRAIL)
    policy_digest: Text = col("sha256 of the office policy in force", required=True, left_out=TRAIL)
    revision: Count = col("revision of the row's key, from 1", units="1", required=True, ge=1, left_out=TRAIL)
    recorded_at: Time = col("when the archive took the row (transaction time)", required=True, left_out=TRAIL)


class DischargeColumns(Table):
    """Discharge at a moment, from stage, rating and shift; key site, time."""

    site: Text = col(
        "code of the site",
        standard_name="platform_id",
        required=True,
        key=True,
        netcdf=Variable("station_id", own=True),
    )
    time: Time = col(
        "moment of the stage it was derived from",
        standard_name="time",
        required=True,
        key=True,
        netcdf=Variable("time", own=True),
    )
    sensor: Text = col("sensor the stage is from", left_out="a name; the table holds it value by value")
    stage_m: Number = col(
        "stage as corrected", units="m", standard_name=STAGE, netcdf=Variable("stage", cells="time: point")
    )
    shift_m: Number = col("shift added to it", units="m", netcdf=Variable("shift"))
    rating: Text = col("name of the rating used", left_out="a name; the table holds it value by value")
    discharge_m3_s: Number = col(
        "discharge", units="m3 s-1", standard_name=DISCHARGE, netcdf=Variable("discharge", cells="time: point")
    )
    uncertainty_m3_s: Number = col(
        "uncertainty of the discharge from rating, shift and stage, 95 % (k = 2)",
        units="m3 s-1",
        ge=0,
        netcdf=Variable("discharge_uncertainty", content=QUALITY),
        standard_name=f"{DISCHARGE} standard_error",
    )
    marks: Text = col(
        "how it came about, words of a closed list joined by semicolons", netcdf=Variable("marks", own=True)
    )


class Discharge(Derived, DischargeColumns):
    """`discharge` in the archive."""


class DailyColumns(Table):
    """Discharge of a standard day of the site; key site, day."""

    site: Text = col(
        "code of the site",
        standard_name="platform_id",
        required=True,
        key=True,
        netcdf=Variable("station_id", own=True),
    )
    day: Text = col("date of the site's standard time", required=True, key=True, netcdf=Variable("time", own=True))
    starts_at: Time = col(
        "start of the day", standard_name="time", required=True, netcdf=Variable("time_bounds", own=True)
    )
    ends_at: Time = col("end of the day, not included", required=True, netcdf=Variable("time_bounds", own=True))
    mean_m3_s: Number = col(
        "mean discharge; missing where too little is known",
        units="m3 s-1",
        standard_name=DISCHARGE,
        netcdf=Variable("discharge", cells="time: mean (integral over the known part of the standard day)"),
    )
    uncertainty_m3_s: Number = col(
        "uncertainty of the mean, 95 % (k = 2)",
        units="m3 s-1",
        ge=0,
        netcdf=Variable("discharge_uncertainty", content=QUALITY),
        standard_name=f"{DISCHARGE} standard_error",
    )
    minimum_m3_s: Number = col(
        "least discharge",
        units="m3 s-1",
        standard_name=DISCHARGE,
        netcdf=Variable("discharge_minimum", cells="time: minimum"),
    )
    maximum_m3_s: Number = col(
        "greatest discharge",
        units="m3 s-1",
        standard_name=DISCHARGE,
        netcdf=Variable("discharge_maximum", cells="time: maximum"),
    )
    share_known: Number = col(
        "share of the day that is known", units="1", ge=0, le=1, netcdf=Variable("share_known", content=QUALITY)
    )
    largest_gap_s: Number = col(
        "longest time between neighbouring values",
        units="s",
        ge=0,
        left_out="share_known says how much of the day is known; the table holds the rest",
    )
    values: Count = col(
        "values of the day",
        units="1",
        ge=0,
        left_out="share_known says how much of the day is known; the table holds the rest",
    )
    marks: Text = col(
        "marks of the day's values, words of a closed list joined by semicolons", netcdf=Variable("marks", own=True)
    )


class Daily(Derived, DailyColumns):
    """`daily` in the archive."""


class SeriesDoubtsColumns(Table):
    """A doubt about a span of recorded stage; key site, sensor, code, from."""

    site: Text = col("code of the site", standard_name="platform_id", required=True, key=True)
    sensor: Text = col("name of the sensor", key=True)
    code: Text = col("kind of doubt", required=True, key=True)
    from_: Time = col("start of the span", required=True, key=True, alias="from")
    to: Time = col("end of the span")
    severity: Text = col("how grave it is", required=True, isin=words.SEVERITIES)
    value: Number = col("figure found; its unit is in the message")
    message: Text = col("the doubt in a sentence", required=True, text="words")
    source: Text = col("where the limit or the rule comes from", required=True, text="words")


class SeriesDoubts(Derived, SeriesDoubtsColumns):
    """`series_doubts` in the archive."""
