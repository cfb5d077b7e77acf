"""Points, raw samples and verticals of a gauging."""

from __future__ import annotations

from stillwell.schemas import words
from stillwell.schemas.base import (
    OVER_EXPOSURE,
    QUALITY,
    REFERENCE,
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
from stillwell.schemas.gauging import GaugingKey, Label


class PointColumns(Table):
    """One velocity at one point of one vertical, or a vertical without any."""

    vertical: Count = col(
        "number of the vertical, in the order walked",
        units="1",
        required=True,
        key=True,
        ge=1,
        left_out="of the vertical, which has its own variables; row_size says which points are its",
    )
    position_m: Number = col(
        "distance along the tag line",
        units="m",
        required=True,
        ge=-100_000,
        le=100_000,
        left_out="of the vertical, which has its own variables; row_size says which points are its",
    )
    depth_m: Number = col(
        "depth from water surface to bed",
        units="m",
        required=True,
        ge=0,
        le=200,
        left_out="of the vertical, which has its own variables; row_size says which points are its",
    )
    kind: Text = col(
        "kind of vertical",
        required=True,
        isin=words.KINDS,
        left_out="of the vertical, which has its own variables; row_size says which points are its",
        empty=Empty("open"),
    )
    relative_depth: Number = col(
        "depth of the point as a fraction of the depth, from the surface (ice: of the effective depth, "
        "from the underside)",
        units="1",
        key=True,
        ge=0,
        le=1,
        netcdf=Variable("relative_depth"),
    )
    velocity_m_s: Number = col(
        "velocity, positive downstream", units="m s-1", ge=-20, le=20, netcdf=Variable("velocity", cells=OVER_EXPOSURE)
    )
    read_at: Time = col("when the velocity was read", standard_name="time", netcdf=Variable("time", own=True))
    exposure_s: Number = col(
        "time over which the velocity was averaged", units="s", gt=0, le=86_400, netcdf=Variable("exposure_time")
    )
    samples: Count = col("samples in the average", units="1", ge=1, le=10_000_000, netcdf=Variable("samples"))
    velocity_sd_m_s: Number = col(
        "standard deviation of single samples",
        units="m s-1",
        ge=0,
        le=20,
        netcdf=Variable("velocity_standard_deviation"),
    )
    velocity_se_m_s: Number = col(
        "standard error of the mean",
        units="m s-1",
        ge=0,
        le=20,
        netcdf=Variable("velocity_standard_error", content=QUALITY),
    )
    snr_db: Number = col(
        "signal-to-noise ratio of the weakest receiver",
        units="dB",
        ge=-50,
        le=150,
        netcdf=Variable("signal_to_noise", content=QUALITY),
    )
    spikes: Count = col("samples rejected as spikes", units="1", ge=0, le=10_000_000, netcdf=Variable("spikes"))
    tilt_deg: Number = col("tilt of the probe", units="degree", ge=-180, le=180, netcdf=Variable("tilt", since="1.4"))
    flow_angle_deg: Number = col(
        "angle between flow and the normal to the section", units="degree", ge=-90, le=90, netcdf=Variable("flow_angle")
    )
    angle_cosine: Number = col(
        "cosine of that angle",
        units="1",
        ge=0,
        le=1,
        left_out="what the normal velocity and the means of verticals were computed from; the file has those",
    )
    velocity_is_normal: Flag = col(
        "whether the velocity is already the component normal to the section",
        left_out="what the normal velocity and the means of verticals were computed from; the file has those",
    )
    method_coefficient: Number = col(
        "factor from the one velocity to the vertical's mean",
        units="1",
        gt=0,
        le=2,
        left_out="what the normal velocity and the means of verticals were computed from; the file has those",
    )
    edge_velocity_ratio: Number = col(
        "velocity at a wall over the neighbour's mean",
        units="1",
        ge=0,
        le=2,
        left_out="what the normal velocity and the means of verticals were computed from; the file has those",
    )
    ice_underside_m: Number = col(
        "water surface to the underside of ice or slush",
        units="m",
        ge=0,
        le=50,
        left_out="depths of the file are computed with it",
    )
    ice_thickness_m: Number = col(
        "thickness of the ice, information only",
        units="m",
        standard_name="floating_ice_thickness",
        ge=0,
        le=50,
        left_out="depths of the file are computed with it",
    )
    revolutions: Number = col(
        "revolutions of a rotating meter", units="1", ge=0, le=1_000_000, netcdf=Variable("revolutions")
    )
    repeat: Count = col(
        "number of the repeat at this point",
        units="1",
        required=True,
        key=True,
        ge=1,
        empty=Empty("1"),
        netcdf=Variable("repeat", content=REFERENCE),
    )
    remarks: Text = col("remarks on the point", left_out=WORDS, text="words", roles=("private",))


class PointsDeposit(HandedIn, PointColumns, Label):
    """`points` as handed in; key gauging, vertical, relative_depth, repeat."""


class PointDepth(Table):
    """Where a point lay under the surface, and the velocity computed with."""

    point_depth_m: Number = col(
        "depth of the point below the water surface",
        units="m",
        standard_name="depth",
        ge=0,
        le=200,
        netcdf=Variable("depth", own=True),
    )
    normal_velocity_m_s: Number = col(
        "velocity normal to the section, through the calibration where revolutions were read",
        units="m s-1",
        netcdf=Variable("normal_velocity", cells=OVER_EXPOSURE),
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

    vertical: Count = col(
        "number of the vertical, as handed in",
        units="1",
        required=True,
        key=True,
        ge=1,
        netcdf=Variable("vertical_id", own=True),
    )
    order_walked: Count = col(
        "place of the vertical in the order walked",
        units="1",
        required=True,
        ge=1,
        netcdf=Variable("order_walked", content=REFERENCE),
    )
    position_m: Number = col(
        "distance along the tag line", units="m", required=True, netcdf=Variable("distance_along_tag_line")
    )
    depth_m: Number = col(
        "depth from water surface to bed", units="m", required=True, ge=0, le=200, netcdf=Variable("water_depth")
    )
    kind: Text = col("kind of vertical", required=True, isin=words.KINDS, netcdf=Variable("vertical_kind"))
    profile_method: Text = col(
        "points the mean velocity was made from",
        required=True,
        isin=words.PROFILE_METHODS,
        netcdf=Variable("profile_method"),
    )
    mean_velocity_m_s: Number = col(
        "mean velocity in the vertical, normal to the section", units="m s-1", netcdf=Variable("vertical_mean_velocity")
    )
    cosine: Number = col(
        "cosine applied for the flow angle", units="1", ge=0, le=1, netcdf=Variable("flow_angle_cosine")
    )
    width_m: Number = col("width of the panel", units="m", ge=0, netcdf=Variable("panel_width"))
    area_m2: Number = col("area of the panel", units="m2", ge=0, netcdf=Variable("panel_area"))
    discharge_m3_s: Number = col("discharge of the panel", units="m3 s-1", netcdf=Variable("panel_discharge"))
    share_pct: Number = col(
        "share of the panel in the sum of all panels' magnitudes",
        units="percent",
        ge=0,
        le=100,
        netcdf=Variable("panel_share"),
    )
    channel: Count = col(
        "number of the channel, from the start of the tag line",
        units="1",
        ge=0,
        netcdf=Variable("channel", content=REFERENCE),
    )


class Verticals(Recorded, VerticalColumns, GaugingKey):
    """A vertical and its panel as computed; key gauging_id, vertical."""
