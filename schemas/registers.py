"""Sites, datums, instruments, calibrations, gauge heights, checks and reviews: tables kept row for row."""

from __future__ import annotations

from stillwell.schemas import words
from stillwell.schemas.base import Count, HandedIn, Number, Recorded, Table, Text, Time, col


class SitesColumns(Table):
    """A place where stage is recorded and gaugings are made; key site, valid_from."""

    site: Text = col("code of the site", standard_name="platform_id", required=True, key=True, names="site")
    valid_from: Time = col("from when this description holds; blank means always", key=True)
    name: Text = col("name of the site", standard_name="platform_name", required=True, text="words")
    latitude: Number = col(
        "latitude of the gauge", units="degrees_north", standard_name="latitude", required=True, ge=-90, le=90
    )
    longitude: Number = col(
        "longitude of the gauge", units="degrees_east", standard_name="longitude", required=True, ge=-180, le=180
    )
    horizontal_datum: Text = col("horizontal datum of latitude and longitude", text="words")
    river: Text = col("name of the river", text="words")
    utc_offset: Text = col("offset of the site's standard time from UTC, as in -07:00", required=True)
    water_year_start_month: Count = col("month in which the water year starts", units="1", ge=1, le=12)
    catchment_km2: Number = col("catchment area at the gauge", units="km2", gt=0, le=8_000_000)
    continues: Text = col("code of an earlier site that this one continues", names="site")
    owner: Text = col("who owns the measurements", text="words")
    licence: Text = col("licence of the measurements, an SPDX identifier", text="words")
    access: Text = col("who may read the measurements", isin=words.ACCESS)
    public_from: Time = col("when an embargo ends")


class DatumsColumns(Table):
    """Height of a gauge's zero over time; key site, gauge, valid_from."""

    site: Text = col("code of the site", standard_name="platform_id", required=True, key=True, names="site")
    gauge: Text = col("name of the gauge", required=True, key=True, names="gauge")
    valid_from: Time = col("from when this zero holds", required=True, key=True)
    gauge_zero_m: Number = col(
        "altitude of the gauge's zero",
        units="m",
        standard_name="water_surface_reference_datum_altitude",
        ge=-500,
        le=9000,
    )
    vertical_datum: Text = col("vertical datum of gauge_zero_m", text="words")
    change_m: Number = col("change of the zero against the one before", units="m", required=True, ge=-100, le=100)
    reason: Text = col("why the zero changed", required=True, text="words", roles=("private",))
    by: Text = col("code of the person who decided", required=True, roles=("person",), names="person")


class InstrumentsColumns(Table):
    """A meter; key instrument, valid_from."""

    instrument: Text = col("code of the meter", required=True, key=True, names="instrument")
    valid_from: Time = col("from when this description holds; blank means always", key=True)
    kind: Text = col("how the meter senses velocity", required=True, isin=words.INSTRUMENT_KINDS)
    axes: Count = col("velocity components measured", units="1", ge=1, le=3)
    serial: Text = col("serial number", text="words")
    firmware: Text = col("firmware version", text="words")
    minimum_depth_m: Number = col("least depth the maker states", units="m", ge=0, le=10)
    snr_low_db: Number = col("signal-to-noise below which a point is doubted", units="dB", ge=0, le=100)
    snr_unusable_db: Number = col("signal-to-noise below which a point is unusable", units="dB", ge=0, le=100)


class CalibrationsColumns(Table):
    """Rating of a rotating meter, v = slope n + intercept over a range of n; key instrument, valid_from, from_rev_s."""

    instrument: Text = col("code of the meter", required=True, key=True, names="instrument")
    valid_from: Time = col("from when the calibration holds", required=True, key=True)
    from_rev_s: Number = col("least rate the row holds for", units="s-1", key=True, ge=0, le=100)
    to_rev_s: Number = col("greatest rate the row holds for", units="s-1", ge=0, le=100)
    slope: Number = col("metres per revolution", units="m", required=True, gt=0, le=10)
    intercept: Number = col("velocity at rate zero", units="m s-1", required=True, ge=-1, le=1)


class GaugeHeightsColumns(Table):
    """A reading of a gauge by a person or a sensor; key site, gauge, read_at."""

    site: Text = col("code of the site", standard_name="platform_id", required=True, key=True, names="site")
    gauge: Text = col("name of the gauge; blank means the reference gauge", key=True, names="gauge")
    read_at: Time = col("when it was read", standard_name="time", required=True, key=True)
    gauge_height_m: Number = col(
        "height of the water surface above the gauge's zero",
        units="m",
        standard_name="water_surface_height_above_reference_datum",
        required=True,
        ge=-100,
        le=9000,
    )
    source: Text = col("what was read", isin=words.GAUGE_SOURCES)
    uncertainty_m: Number = col("standard uncertainty of the reading", units="m", ge=0, le=10)
    observer: Text = col("code of the person who read it", roles=("person",), names="person")
    gauging: Text = col("label of the gauging it was read for")


class ChecksColumns(Table):
    """One receiver of one sample of a meter's diagnostic check; key check, sample, receiver."""

    check: Text = col("label of the check", required=True, key=True)
    instrument: Text = col("code of the meter", required=True, names="instrument")
    checked_at: Time = col("when the check was made", required=True)
    place: Text = col("where the check was made", required=True, isin=words.PLACES)
    gauging: Text = col("label of the gauging it was made for")
    sample: Count = col("number of the sample", units="1", required=True, key=True, ge=1, le=1_000_000)
    sample_s: Number = col("time since the first sample", units="s", ge=0, le=86_400)
    receiver: Count = col("number of the receiver", units="1", required=True, key=True, ge=1, le=16)
    snr_db: Number = col("signal-to-noise ratio", units="dB", ge=-50, le=150)
    noise_db: Number = col("noise level", units="dB", ge=-200, le=300)
    echo_db: Number = col("level of the boundary echo", units="dB", ge=-200, le=300)
    echo_range_m: Number = col("distance of the boundary echo", units="m", ge=0, le=100)
    water_temperature_c: Number = col("temperature by the meter", units="degree_Celsius", ge=-5, le=60)
    reference_temperature_c: Number = col("temperature by a thermometer", units="degree_Celsius", ge=-5, le=60)
    thermometer: Text = col("code of the thermometer", text="words", names="thermometer")
    firmware: Text = col("firmware version at the check", text="words")
    battery_v: Number = col("battery voltage", units="V", ge=0, le=100)


class ReviewsColumns(Table):
    """A person's decision on a record; key subject, decided_at."""

    subject: Text = col("archive id of the gauging decided on", required=True, key=True)
    decision: Text = col("what was decided", required=True, isin=words.DECISIONS)
    by: Text = col("code of the person who decided", required=True, roles=("person",), names="person")
    decided_at: Time = col("when it was decided", required=True, key=True)
    reason: Text = col("why", required=True, text="words", roles=("private",))


class WithholdingsColumns(Table):
    """A decision that sealed content be removed; key subject, decided_at."""

    subject: Text = col("sha256 of the deposit whose content is to go", required=True, key=True)
    by: Text = col("code of the person who decided", required=True, roles=("person",), names="person")
    decided_at: Time = col("when it was decided", required=True, key=True)
    reason: Text = col("why, and under which law", required=True, text="words", roles=("private",))


class SitesDeposit(HandedIn, SitesColumns):
    """`sites` as handed in."""


class Sites(Recorded, SitesColumns):
    """`sites` in the archive."""


class DatumsDeposit(HandedIn, DatumsColumns):
    """`datums` as handed in."""


class Datums(Recorded, DatumsColumns):
    """`datums` in the archive."""


class InstrumentsDeposit(HandedIn, InstrumentsColumns):
    """`instruments` as handed in."""


class Instruments(Recorded, InstrumentsColumns):
    """`instruments` in the archive."""


class CalibrationsDeposit(HandedIn, CalibrationsColumns):
    """`calibrations` as handed in."""


class Calibrations(Recorded, CalibrationsColumns):
    """`calibrations` in the archive."""


class GaugeHeightsDeposit(HandedIn, GaugeHeightsColumns):
    """`gauge_heights` as handed in."""


class GaugeHeights(Recorded, GaugeHeightsColumns):
    """`gauge_heights` in the archive."""


class ChecksDeposit(HandedIn, ChecksColumns):
    """`checks` as handed in: one row per sample and receiver."""


class CheckSamples(Recorded, ChecksColumns):
    """`check_samples` in the archive: the rows of `checks` as handed in."""


class CheckColumns(Table):
    """A meter's diagnostic check as a whole."""

    check: Text = col("label of the check", required=True, key=True)
    instrument: Text = col("code of the meter", required=True)
    checked_at: Time = col("when the check was made", required=True)
    place: Text = col("where the check was made", required=True, isin=words.PLACES)
    gauging: Text = col("label of the gauging it was made for")
    samples: Count = col("number of samples", units="1", required=True, ge=1)
    receivers: Count = col("number of receivers", units="1", required=True, ge=1)
    duration_s: Number = col("time from first to last sample", units="s", ge=0)
    snr_db: Number = col("lowest over the receivers of the mean signal-to-noise ratio", units="dB")
    water_temperature_c: Number = col("mean temperature by the meter", units="degree_Celsius")
    reference_temperature_c: Number = col("mean temperature by a thermometer", units="degree_Celsius")
    verdict: Text = col("whether the check found the meter healthy", required=True, isin=words.VERDICTS)
    reasons: Text = col("why, one sentence after the other; empty when healthy", text="words")


class Checks(Recorded, CheckColumns):
    """A check of a meter; key check."""


class PolicyColumns(Table):
    """The limits and choices of an office; key policy, since there is one at a time."""

    policy: Text = col("whose policy it is; always office", required=True, key=True)
    policy_digest: Text = col("sha256 of the text", required=True)
    text: Text = col("the file as handed in, TOML", required=True, text="file")


class PoliciesDeposit(HandedIn, PolicyColumns):
    """A policy file as handed in."""


class Policies(Recorded, PolicyColumns):
    """A policy of the office; key policy."""


class ReviewsDeposit(HandedIn, ReviewsColumns):
    """`reviews` as handed in."""


class Reviews(Recorded, ReviewsColumns):
    """`reviews` in the archive."""


class WithholdingsDeposit(HandedIn, WithholdingsColumns):
    """`withholdings` as handed in."""


class Withholdings(Recorded, WithholdingsColumns):
    """`withholdings` in the archive."""


class Deposits(Table):
    """What was handed in, when, and what became of it; key deposit, commit, since bytes may be looked at again."""

    deposit: Text = col("sha256 of the deposit", required=True, key=True)
    name: Text = col("name under which it was handed in", required=True, text="words")
    kind: Text = col("folder, zip, workbook or csv", required=True)
    files: Count = col("number of files", units="1", required=True, ge=0)
    size_bytes: Count = col("bytes in all files together", units="byte", required=True, ge=0)
    outcome: Text = col("what became of it", required=True, isin=words.OUTCOMES)
    gaugings_taken: Count = col("gaugings taken", units="1", required=True, ge=0)
    gaugings_unchanged: Count = col("gaugings that already stood so", units="1", required=True, ge=0)
    gaugings_returned: Count = col("gaugings returned", units="1", required=True, ge=0)
    problems: Count = col("reasons given for what was returned", units="1", required=True, ge=0)
    intake_map: Text = col("sha256 of the intake map it was read with, where one was used")
    by: Text = col("code of the person who handed it in", required=True, roles=("person",))
    commit: Count = col("number of the ledger entry", units="1", required=True, key=True, ge=1)
    recorded_at: Time = col("when the archive took it", required=True)
