"""Gaugings, verticals, points and findings."""

from __future__ import annotations

from schemas import words
from schemas.base import Count, Flag, HandedIn, Number, Recorded, Table, Text, Time, col

DISCHARGE_NAME = "water_volume_transport_in_river_channel"
STAGE_NAME = "water_surface_height_above_reference_datum"


class GaugingKey(Table):
    """Which gauging a row belongs to."""

    gauging_id: Text = col("archive id of the gauging", required=True, key=True)
    site: Text = col("code of the site", standard_name="platform_id", required=True)


class Label(Table):
    """Which gauging of its deposit a row belongs to."""

    gauging: Text = col("label of the gauging, unique in its deposit", required=True, key=True)


class GaugingHeader(Table):
    """What the field party says about a gauging."""

    site: Text = col("code of the site", standard_name="platform_id", required=True)
    started_at: Time = col("start of the gauging", standard_name="time", required=True)
    ended_at: Time = col("end of the gauging", standard_name="time", required=True)
    offset_given: Text = col("offset from UTC in which started_at was handed in")
    method: Text = col("how discharge was measured", required=True, isin=words.METHODS)
    instrument: Text = col("code of the meter")
    party: Text = col("code of the field party")
    visit: Text = col("label of the visit; repeats of one visit share it")
    check_of: Text = col("label or archive id of the gauging this one checks")
    corrects: Text = col("archive id of the gauging this one corrects")
    sheet_number: Text = col("number on the field sheet")
    section_method: Text = col("how panels are formed", isin=words.SECTION_METHODS)
    start_bank: Text = col("bank the party started from, facing downstream", isin=words.BANKS)
    control_condition: Text = col("condition of the control, in words")
    field_quality: Text = col("the party's own judgement of the gauging", isin=words.FIELD_QUALITIES)
    water_temperature_c: Number = col(
        "water temperature by an independent thermometer", units="degree_Celsius", ge=-5, le=60
    )
    meter_temperature_c: Number = col("water temperature by the meter", units="degree_Celsius", ge=-5, le=60)
    salinity_ppt: Number = col("salinity measured", units="1e-3", ge=0, le=300)
    meter_salinity_ppt: Number = col("salinity set in the meter", units="1e-3", ge=0, le=300)
    meter_sound_speed_m_s: Number = col("speed of sound the meter used", units="m s-1", ge=1300, le=1700)
    section_distance_m: Number = col(
        "distance along the channel from section to gauge, positive if the gauge is downstream",
        units="m",
        ge=-100_000,
        le=100_000,
    )
    reach_width_m: Number = col("mean width of the reach between section and gauge", units="m", gt=0, le=20_000)
    zero_flow_gauge_height_m: Number = col("gauge height at which flow stops", units="m", ge=-100, le=9000)
    zero_flow_uncertainty_m: Number = col("standard uncertainty of that height", units="m", ge=0, le=10)
    result_by: Text = col("what computed a discharge that was handed in")
    remarks: Text = col("the party's remarks")


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


class PointColumns(Table):
    """One velocity at one point of one vertical, or a vertical without any."""

    vertical: Count = col("number of the vertical, in the order walked", units="1", required=True, key=True, ge=1)
    position_m: Number = col("distance along the tag line", units="m", required=True, ge=-100_000, le=100_000)
    depth_m: Number = col("depth from water surface to bed", units="m", required=True, ge=0, le=200)
    kind: Text = col("kind of vertical", required=True, isin=words.KINDS)
    relative_depth: Number = col(
        "depth of the point as a fraction of the depth, from the surface (ice: of the effective depth, "
        "from the underside)",
        units="1",
        key=True,
        ge=0,
        le=1,
    )
    velocity_m_s: Number = col("velocity, positive downstream", units="m s-1", ge=-20, le=20)
    read_at: Time = col("when the velocity was read", standard_name="time")
    exposure_s: Number = col("time over which the velocity was averaged", units="s", gt=0, le=86_400)
    samples: Count = col("samples in the average", units="1", ge=1, le=10_000_000)
    velocity_sd_m_s: Number = col("standard deviation of single samples", units="m s-1", ge=0, le=20)
    velocity_se_m_s: Number = col("standard error of the mean", units="m s-1", ge=0, le=20)
    snr_db: Number = col("signal-to-noise ratio of the weakest receiver", units="dB", ge=-50, le=150)
    spikes: Count = col("samples rejected as spikes", units="1", ge=0, le=10_000_000)
    tilt_deg: Number = col("tilt of the probe", units="degree", ge=-180, le=180)
    flow_angle_deg: Number = col("angle between flow and the normal to the section", units="degree", ge=-90, le=90)
    angle_cosine: Number = col("cosine of that angle", units="1", ge=0, le=1)
    velocity_is_normal: Flag = col("whether the velocity is already the component normal to the section")
    method_coefficient: Number = col("factor from the one velocity to the vertical's mean", units="1", gt=0, le=2)
    edge_velocity_ratio: Number = col("velocity at a wall over the neighbour's mean", units="1", ge=0, le=2)
    ice_underside_m: Number = col("water surface to the underside of ice or slush", units="m", ge=0, le=50)
    ice_thickness_m: Number = col(
        "thickness of the ice, information only", units="m", standard_name="floating_ice_thickness", ge=0, le=50
    )
    revolutions: Number = col("revolutions of a rotating meter", units="1", ge=0, le=1_000_000)
    repeat: Count = col("number of the repeat at this point", units="1", required=True, key=True, ge=1)
    remarks: Text = col("remarks on the point")


class PointsDeposit(HandedIn, PointColumns, Label):
    """`points` as handed in; key gauging, vertical, relative_depth, repeat."""


class PointDepth(Table):
    """Where a point lay under the surface, and the velocity computed with."""

    point_depth_m: Number = col(
        "depth of the point below the water surface", units="m", standard_name="depth", ge=0, le=200
    )
    normal_velocity_m_s: Number = col(
        "velocity normal to the section, through the calibration where revolutions were read", units="m s-1"
    )


class Points(Recorded, PointDepth, PointColumns, GaugingKey):
    """`points` in the archive; key gauging_id, vertical, relative_depth, repeat."""


class SampleColumns(Table):
    """One raw sample of a velocity; key gauging, vertical, relative_depth, sample."""

    vertical: Count = col("number of the vertical, in the order walked", units="1", required=True, key=True, ge=1)
    relative_depth: Number = col(
        "depth of the point as a fraction of the depth, as in points", units="1", required=True, key=True, ge=0, le=1
    )
    sample: Count = col("number of the sample, in order of time", units="1", required=True, key=True, ge=1)
    velocity_x_m_s: Number = col("velocity along the meter's axis", units="m s-1", required=True, ge=-20, le=20)
    velocity_y_m_s: Number = col("velocity across it", units="m s-1", ge=-20, le=20)
    velocity_z_m_s: Number = col("velocity upwards", units="m s-1", ge=-20, le=20)
    snr_db: Number = col("signal-to-noise ratio of the weakest receiver", units="dB", ge=-50, le=150)
    correlation_pct: Number = col("correlation of the signal", units="percent", ge=0, le=100)


class SamplesDeposit(HandedIn, SampleColumns, Label):
    """`samples` as handed in; key gauging, vertical, relative_depth, sample."""


class Samples(Recorded, SampleColumns, GaugingKey):
    """A raw sample; key gauging_id, vertical, relative_depth, sample."""


class VerticalColumns(Table):
    """What was computed of one vertical and its panel."""

    vertical: Count = col("number of the vertical, as handed in", units="1", required=True, key=True, ge=1)
    order_walked: Count = col("place of the vertical in the order walked", units="1", required=True, ge=1)
    position_m: Number = col("distance along the tag line", units="m", required=True)
    depth_m: Number = col("depth from water surface to bed", units="m", required=True, ge=0, le=200)
    kind: Text = col("kind of vertical", required=True, isin=words.KINDS)
    profile_method: Text = col("points the mean velocity was made from", required=True, isin=words.PROFILE_METHODS)
    mean_velocity_m_s: Number = col("mean velocity in the vertical, normal to the section", units="m s-1")
    cosine: Number = col("cosine applied for the flow angle", units="1", ge=0, le=1)
    width_m: Number = col("width of the panel", units="m", ge=0)
    area_m2: Number = col("area of the panel", units="m2", ge=0)
    discharge_m3_s: Number = col("discharge of the panel", units="m3 s-1")
    share_pct: Number = col("share of the panel in the sum of all panels' magnitudes", units="percent", ge=0, le=100)
    channel: Count = col("number of the channel, from the start of the tag line", units="1", ge=0)


class Verticals(Recorded, VerticalColumns, GaugingKey):
    """A vertical and its panel as computed; key gauging_id, vertical."""


class Result(Table):
    """What was computed of a gauging, and how it stands."""

    label: Text = col("label of the gauging in its deposit", required=True)
    recomputable: Flag = col("whether the result follows from points in the archive", required=True)
    discharge_m3_s: Number = col("discharge", units="m3 s-1", standard_name=DISCHARGE_NAME)
    handed_in_discharge_m3_s: Number = col("discharge as handed in, for comparison", units="m3 s-1")
    handed_in_area_m2: Number = col("area as handed in", units="m2", ge=0)
    handed_in_width_m: Number = col("width as handed in", units="m", ge=0)
    handed_in_mean_velocity_m_s: Number = col("mean velocity as handed in", units="m s-1")
    handed_in_mean_depth_m: Number = col("mean depth as handed in", units="m", ge=0)
    handed_in_max_depth_m: Number = col("greatest depth as handed in", units="m", ge=0)
    handed_in_max_velocity_m_s: Number = col("greatest velocity as handed in", units="m s-1")
    handed_in_uncertainty_pct: Number = col("uncertainty of that discharge, as handed in", units="percent", ge=0)
    handed_in_uncertainty_level: Number = col("coverage of that uncertainty", units="percent", ge=50, le=100)
    area_m2: Number = col("area of the wetted section", units="m2", ge=0)
    width_m: Number = col("width of the water surface", units="m", ge=0)
    mean_velocity_m_s: Number = col("discharge over area", units="m s-1")
    mean_depth_m: Number = col("area over width", units="m", ge=0)
    max_depth_m: Number = col("greatest depth at a vertical", units="m", ge=0)
    max_velocity_m_s: Number = col("greatest velocity at a point, normal to the section", units="m s-1")
    verticals: Count = col("number of verticals with water", units="1", standard_name="number_of_observations", ge=0)
    points: Count = col("number of point velocities", units="1", ge=0)
    largest_share_pct: Number = col("largest share of a panel", units="percent", ge=0, le=100)
    gauge_height_m: Number = col("gauge height used for the gauging", units="m", standard_name=STAGE_NAME)
    gauge_height_time_m: Number = col("time-weighted mean gauge height", units="m")
    gauge_height_discharge_m: Number = col("discharge-weighted mean gauge height", units="m")
    gauge_height_change_m: Number = col("gauge height at the end minus at the start", units="m")
    gauge_height_rule: Text = col("how the gauge height used was averaged", isin=words.GAUGE_HEIGHT_RULES)
    storage_m3_s: Number = col("water going into storage between section and gauge", units="m3 s-1")
    discharge_at_gauge_m3_s: Number = col("discharge at the gauge, less what goes into storage", units="m3 s-1")
    uncertainty_table_m3_s: Number = col(
        "expanded uncertainty (95 %, k = 2) from the tables of ISO 748 as remembered",
        units="m3 s-1",
        standard_name=f"{DISCHARGE_NAME} standard_error",
        ge=0,
    )
    uncertainty_table_pct: Number = col("the same in percent of the discharge", units="percent", ge=0)
    uncertainty_scatter_m3_s: Number = col(
        "expanded uncertainty (95 %, k = 2) from the scatter of depths and velocities",
        units="m3 s-1",
        standard_name=f"{DISCHARGE_NAME} standard_error",
        ge=0,
    )
    uncertainty_scatter_pct: Number = col("the same in percent of the discharge", units="percent", ge=0)
    quality: Text = col(
        "our judgement: the larger standard uncertainty within the office's thresholds, lowered by findings",
        isin=words.FIELD_QUALITIES,
    )
    check_before: Text = col("last check of the meter before the gauging")
    check_after: Text = col("first check of the meter after the gauging, when it was recorded")
    status: Text = col("whether the record has been reviewed", required=True, isin=words.STATUSES)
    candidate: Flag = col("waits beside an approved record for a review", required=True)
    revision_reason: Text = col("why this revision exists", required=True)
    rows_digest: Text = col("sha256 of the canonical rows the revision was made from", required=True)
    points_digest: Text = col("sha256 of the points alone, empty without points")
    software_version: Text = col("version of the software that computed it", required=True)
    policy_digest: Text = col("sha256 of the office policy that held", required=True)


class GaugingId(Table):
    """Which gauging a result belongs to."""

    gauging_id: Text = col("archive id of the gauging", required=True, key=True)


class Gaugings(Recorded, Result, GaugingHeader, GaugingId):
    """A gauging with its result; key gauging_id, revision."""


class BudgetColumns(Table):
    """One part of the uncertainty of a gauging, from the tables of ISO 748 as remembered."""

    component: Text = col("what the part comes from", required=True, key=True, isin=words.COMPONENTS)
    standard_m3_s: Number = col("standard uncertainty (k = 1) the part alone would give", units="m3 s-1", ge=0)
    variance_pct: Number = col("share of the part in the whole variance", units="percent", ge=0, le=100)


class UncertaintyBudget(Recorded, BudgetColumns, GaugingKey):
    """A part of a gauging's uncertainty; key gauging_id, component."""


class FindingColumns(Table):
    """A doubt that travels with the number."""

    code: Text = col("what kind of finding", required=True, key=True)
    severity: Text = col("how grave", required=True, isin=words.SEVERITIES)
    table: Text = col("table the finding is about", required=True, key=True)
    key: Text = col("row the finding is about, in words", required=True, key=True)
    column: Text = col("column the finding is about", key=True)
    value: Number = col("what was found, in the column's unit")
    limit: Number = col("what was expected, in the column's unit")
    message: Text = col("the finding in one sentence", required=True)
    source: Text = col("where the limit comes from", required=True)


class Findings(Recorded, FindingColumns, GaugingKey):
    """A finding; key gauging_id, code, table, key, column."""
