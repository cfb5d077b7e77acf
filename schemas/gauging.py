"""Gaugings: what is handed in of one, and what the archive keeps of it with its result."""

from __future__ import annotations

from stillwell.schemas import words
from stillwell.schemas.base import (
    AUXILIARY,
    LONGEST_ID,
    OF_GAUGING,
    OFFICE,
    QUALITY,
    TRAIL,
    WORDS,
    Count,
    Empty,
    Flag,
    HandedIn,
    Number,
    Recorded,
    Table,
    Text,
    Time,
    Variable,
    col,
)

DISCHARGE_NAME = "water_volume_transport_in_river_channel"
STAGE_NAME = "water_surface_height_above_reference_datum"


class GaugingKey(Table):
    """Which gauging a row belongs to."""

    gauging_id: Text = col(
        "archive id of the gauging",
        required=True,
        longest=LONGEST_ID,
        key=True,
        netcdf=Variable("gauging_index", tables=("verticals",), own=True),
        left_out=OF_GAUGING,
    )
    site: Text = col("code of the site", standard_name="platform_id", required=True, left_out=OF_GAUGING)


class Label(Table):
    """Which gauging of its deposit a row belongs to."""

    gauging: Text = col("label of the gauging, unique in its deposit", required=True, key=True)


class GaugingHeader(Table):
    """What the field party says about a gauging."""

    site: Text = col(
        "code of the site",
        standard_name="platform_id",
        required=True,
        names="site",
        netcdf=Variable("station_id", own=True),
    )
    started_at: Time = col(
        "start of the gauging", standard_name="time", required=True, netcdf=Variable("gauging_time_bounds", own=True)
    )
    ended_at: Time = col(
        "end of the gauging", standard_name="time", required=True, netcdf=Variable("gauging_time_bounds", own=True)
    )
    offset_given: Text = col(
        "offset from UTC in which started_at was handed in", roles=("filled",), left_out="times of the file are UTC"
    )
    method: Text = col(
        "how discharge was measured",
        required=True,
        isin=words.METHODS,
        netcdf=Variable("discharge_method"),
        empty=Empty(words.WITH_VERTICALS, "where there are points"),
    )
    instrument: Text = col("code of the meter", left_out=OFFICE, names="instrument")
    party: Text = col("code of the field party", left_out=OFFICE, roles=("person",), names="party")
    visit: Text = col("label of the visit; repeats of one visit share it", left_out=OFFICE)
    check_of: Text = col("label or archive id of the gauging this one checks", left_out=OFFICE)
    corrects: Text = col("archive id of the gauging this one corrects", left_out=OFFICE)
    sheet_number: Text = col("number on the field sheet", left_out=OFFICE)
    section_method: Text = col(
        "how panels are formed",
        isin=words.SECTION_METHODS,
        empty=Empty(words.MID_SECTION, "where there are points"),
        netcdf=Variable("section_method"),
    )
    start_bank: Text = col("bank the party started from, facing downstream", isin=words.BANKS, left_out=OFFICE)
    control_condition: Text = col(
        "condition of the control, in words", left_out=WORDS, text="words", roles=("private",)
    )
    field_quality: Text = col(
        "the party's own judgement of the gauging", isin=words.FIELD_QUALITIES, netcdf=Variable("field_quality")
    )
    water_temperature_c: Number = col(
        "water temperature by an independent thermometer",
        units="degree_Celsius",
        ge=-5,
        le=60,
        netcdf=Variable("water_temperature"),
    )
    meter_temperature_c: Number = col(
        "water temperature by the meter",
        units="degree_Celsius",
        ge=-5,
        le=60,
        left_out="what velocities were corrected by; those in the file are corrected",
    )
    salinity_ppt: Number = col(
        "salinity measured",
        units="1e-3",
        ge=0,
        le=300,
        left_out="what velocities were corrected by; those in the file are corrected",
    )
    meter_salinity_ppt: Number = col(
        "salinity set in the meter",
        units="1e-3",
        ge=0,
        le=300,
        left_out="what velocities were corrected by; those in the file are corrected",
    )
    meter_sound_speed_m_s: Number = col(
        "speed of sound the meter used",
        units="m s-1",
        ge=1300,
        le=1700,
        left_out="what velocities were corrected by; those in the file are corrected",
    )
    section_distance_m: Number = col(
        "distance along the channel from section to gauge, positive if the gauge is downstream",
        units="m",
        ge=-100_000,
        le=100_000,
        left_out="what storage was computed from",
    )
    reach_width_m: Number = col(
        "mean width of the reach between section and gauge",
        units="m",
        gt=0,
        le=20_000,
        left_out="what storage was computed from",
    )
    zero_flow_gauge_height_m: Number = col(
        "gauge height at which flow stops",
        units="m",
        ge=-100,
        le=9000,
        left_out="for the fit of a rating, not for the discharge",
    )
    zero_flow_uncertainty_m: Number = col(
        "standard uncertainty of that height",
        units="m",
        ge=0,
        le=10,
        left_out="for the fit of a rating, not for the discharge",
    )
    result_by: Text = col(
        "what computed a discharge that was handed in", left_out=WORDS, text="words", roles=("private",)
    )
    remarks: Text = col("the party's remarks", left_out=WORDS, text="words", roles=("private",))


class HandedInResult(Table):
    """A result as handed in, comparable with ours and kept apart from it."""

    discharge_m3_s: Number = col("discharge", units="m3 s-1", standard_name=DISCHARGE_NAME, ge=-1_000_000, le=1_000_000)
    area_m2: Number = col("area of the wetted section", units="m2", ge=0, le=1_000_000)
    width_m: Number = col("width of the water surface", units="m", ge=0, le=100_000)
    mean_velocity_m_s: Number = col("mean velocity in the section", units="m s-1", ge=-20, le=20)
    mean_depth_m: Number = col("mean depth of the section", units="m", ge=0, le=10_000)
    max_depth_m: Number = col("greatest depth in the section", units="m", ge=0, le=10_000)
    max_velocity_m_s: Number = col("greatest velocity in the section", units="m s-1", ge=-10_000, le=10_000)
    uncertainty_pct: Number = col("uncertainty of the discharge, as handed in", units="percent", ge=0, le=1000)
    uncertainty_level: Number = col("coverage of that uncertainty", units="percent", ge=50, le=100)


class GaugingsDeposit(HandedIn, HandedInResult, GaugingHeader, Label):
    """`gaugings` as handed in; key gauging."""


class Result(Table):
    """What was computed of a gauging, and how it stands."""

    label: Text = col("label of the gauging in its deposit", required=True, left_out=OFFICE)
    recomputable: Flag = col(
        "whether the result follows from points in the archive", required=True, netcdf=Variable("recomputable")
    )
    discharge_m3_s: Number = col(
        "discharge",
        units="m3 s-1",
        standard_name=DISCHARGE_NAME,
        netcdf=Variable(
            "discharge", cells="time: mean (over the gauging, velocity-area method unless method says otherwise)"
        ),
    )
    handed_in_discharge_m3_s: Number = col(
        "discharge as handed in, for comparison", units="m3 s-1", netcdf=Variable("discharge_handed_in")
    )
    handed_in_area_m2: Number = col(
        "area as handed in", units="m2", ge=0, left_out="handed in for comparison; findings say where it differs"
    )
    handed_in_width_m: Number = col(
        "width as handed in", units="m", ge=0, left_out="handed in for comparison; findings say where it differs"
    )
    handed_in_mean_velocity_m_s: Number = col(
        "mean velocity as handed in", units="m s-1", left_out="handed in for comparison; findings say where it differs"
    )
    handed_in_mean_depth_m: Number = col(
        "mean depth as handed in", units="m", ge=0, left_out="handed in for comparison; findings say where it differs"
    )
    handed_in_max_depth_m: Number = col(
        "greatest depth as handed in",
        units="m",
        ge=0,
        left_out="handed in for comparison; findings say where it differs",
    )
    handed_in_max_velocity_m_s: Number = col(
        "greatest velocity as handed in",
        units="m s-1",
        left_out="handed in for comparison; findings say where it differs",
    )
    handed_in_uncertainty_pct: Number = col(
        "uncertainty of that discharge, as handed in",
        units="percent",
        ge=0,
        left_out="handed in for comparison; findings say where it differs",
    )
    handed_in_uncertainty_level: Number = col(
        "coverage of that uncertainty",
        units="percent",
        ge=50,
        le=100,
        left_out="handed in for comparison; findings say where it differs",
    )
    area_m2: Number = col("area of the wetted section", units="m2", ge=0, netcdf=Variable("section_area"))
    width_m: Number = col("width of the water surface", units="m", ge=0, netcdf=Variable("section_width"))
    mean_velocity_m_s: Number = col("discharge over area", units="m s-1", netcdf=Variable("section_mean_velocity"))
    mean_depth_m: Number = col("area over width", units="m", ge=0, netcdf=Variable("section_mean_depth"))
    max_depth_m: Number = col("greatest depth at a vertical", units="m", ge=0, netcdf=Variable("greatest_depth"))
    max_velocity_m_s: Number = col(
        "greatest velocity at a point, normal to the section", units="m s-1", netcdf=Variable("greatest_velocity")
    )
    verticals: Count = col(
        "number of verticals with water",
        units="1",
        standard_name="number_of_observations",
        ge=0,
        netcdf=Variable("number_of_verticals", content=AUXILIARY),
    )
    points: Count = col(
        "number of point velocities", units="1", ge=0, netcdf=Variable("number_of_points", content=AUXILIARY)
    )
    largest_share_pct: Number = col(
        "largest share of a panel", units="percent", ge=0, le=100, netcdf=Variable("largest_share", content=QUALITY)
    )
    gauge_height_m: Number = col(
        "gauge height used for the gauging",
        units="m",
        standard_name=STAGE_NAME,
        netcdf=Variable("gauge_height", cells="time: mean (over the gauging)"),
    )
    gauge_height_time_m: Number = col(
        "time-weighted mean gauge height", units="m", netcdf=Variable("gauge_height_time_weighted")
    )
    gauge_height_discharge_m: Number = col(
        "discharge-weighted mean gauge height", units="m", netcdf=Variable("gauge_height_discharge_weighted")
    )
    gauge_height_change_m: Number = col(
        "gauge height at the end minus at the start", units="m", netcdf=Variable("gauge_height_change")
    )
    gauge_height_rule: Text = col(
        "how the gauge height used was averaged",
        isin=words.GAUGE_HEIGHT_RULES,
        left_out="both means are in the file; the one used equals one of them, their mean or neither",
    )
    storage_m3_s: Number = col(
        "water going into storage between section and gauge", units="m3 s-1", netcdf=Variable("storage")
    )
    discharge_at_gauge_m3_s: Number = col(
        "discharge at the gauge, less what goes into storage", units="m3 s-1", netcdf=Variable("discharge_at_gauge")
    )
    uncertainty_table_m3_s: Number = col(
        "expanded uncertainty (95 %, k = 2) from the tables of ISO 748 as remembered",
        units="m3 s-1",
        standard_name=f"{DISCHARGE_NAME} standard_error",
        ge=0,
        netcdf=Variable("discharge_uncertainty_tables", content=QUALITY),
    )
    uncertainty_table_pct: Number = col(
        "the same in percent of the discharge",
        units="percent",
        ge=0,
        netcdf=Variable("discharge_uncertainty_tables_percent", content=QUALITY),
    )
    uncertainty_scatter_m3_s: Number = col(
        "expanded uncertainty (95 %, k = 2) from the scatter of depths and velocities",
        units="m3 s-1",
        standard_name=f"{DISCHARGE_NAME} standard_error",
        ge=0,
        netcdf=Variable("discharge_uncertainty_scatter", content=QUALITY),
    )
    uncertainty_scatter_pct: Number = col(
        "the same in percent of the discharge",
        units="percent",
        ge=0,
        netcdf=Variable("discharge_uncertainty_scatter_percent", content=QUALITY),
    )
    within_pct: Text = col(
        "least of 2, 5 and 8 percent that the larger standard uncertainty (k = 1) does not exceed, else beyond",
        isin=words.WITHIN_PCT,
        netcdf=Variable(
            "within_percent",
            since="2.0",
            meanings=("within_2_percent", "within_5_percent", "within_8_percent", "beyond_8_percent"),
        ),
    )
    check_before: Text = col("last check of the meter before the gauging", left_out=OFFICE)
    check_after: Text = col("first check of the meter after the gauging, when it was recorded", left_out=OFFICE)
    status: Text = col(
        "whether the record has been reviewed", required=True, isin=words.STATUSES, netcdf=Variable("discharge_status")
    )
    candidate: Flag = col(
        "waits beside an approved record for a review",
        required=True,
        left_out="the file holds what stands, never what waits for a review",
    )
    revision_reason: Text = col("why this revision exists", required=True, left_out=TRAIL, text="words")
    rows_digest: Text = col("sha256 of the canonical rows the revision was made from", required=True, left_out=TRAIL)
    points_digest: Text = col("sha256 of the points alone, empty without points", left_out=TRAIL)
    software_version: Text = col("version of the software that computed it", required=True, left_out=TRAIL)
    policy_digest: Text = col("sha256 of the office policy that held", required=True, left_out=TRAIL)


class GaugingId(Table):
    """Which gauging a result belongs to."""

    gauging_id: Text = col(
        "archive id of the gauging",
        required=True,
        longest=LONGEST_ID,
        key=True,
        netcdf=Variable("gauging_id", own=True),
    )


class Gaugings(Recorded, Result, GaugingHeader, GaugingId):
    """A gauging with its result; key gauging_id, revision."""
