"""Readings of the staff compared with what the sensors recorded, visit by visit; the unit of a sensor checked."""

from __future__ import annotations

import numpy as np
import pandas as pd

from stillwell.hydrometry.gauging.gauge_height import microseconds
from stillwell.hydrometry.stage.convert import UnitFinding, unit_finding
from stillwell.hydrometry.stage.corrections import Corrections, staff_against_sensor

COLUMNS = ("sensor", "read_at", "staff_m", "sensor_m", "difference_m", "correction_m", "left_m", "change_m")


def serving(readings: pd.DataFrame) -> pd.DataFrame:
    """Select the readings a sensor is compared with: of the reference gauge (blank name), else of the one read most.

    Parameters
    ----------
    readings : DataFrame
        Rows of ``gauge_heights`` of one site; what a sensor gave is left out.

    Returns
    -------
    DataFrame
        In order of time, one for each moment.
    """
    rows = readings[(readings["source"] != "sensor").fillna(True)]
    gauge = rows["gauge"].fillna("")
    counts = gauge.value_counts().sort_index()
    best = "" if "" in counts.index else (str(counts.idxmax()) if len(counts) else "")
    return rows[gauge == best].sort_values("read_at", kind="stable").drop_duplicates("read_at").reset_index(drop=True)


def visits_of(
    stage: pd.DataFrame, readings: pd.DataFrame, corrections: pd.DataFrame, bridged_s: float = 7200.0
) -> pd.DataFrame:
    """Hold every reading of the staff against each sensor that recorded around it.

    ``difference = staff - sensor`` as recorded; ``left = difference - correction`` in force, all in m.

    Parameters
    ----------
    stage : DataFrame
        Rows of ``stage`` of one site that stand.
    readings : DataFrame
        Rows of ``gauge_heights`` of that site; see ``serving``.
    corrections : DataFrame
        Rows of ``corrections`` of that site that stand.
    bridged_s : float
        Longest time between two values of a sensor that is bridged, s.

    Returns
    -------
    DataFrame
        ``COLUMNS``; a reading in a gap of a sensor has no row. ``change_m`` is what the sensor changed by between the
        two values around the reading: a steep one makes a poor comparison.
    """
    rows = serving(readings)
    read, staff = microseconds(rows["read_at"]), rows["gauge_height_m"].to_numpy(dtype="float64")
    parts = []
    for name, mine in stage.groupby(stage["sensor"].fillna(""), sort=True):
        ordered = mine.sort_values("time", kind="stable")
        time, value = microseconds(ordered["time"]), ordered["stage_m"].to_numpy(dtype="float64")
        pairs = staff_against_sensor(time, value, read, staff, bridged_s)
        acting = _corrections(corrections[corrections["sensor"].fillna("") == name]).at(pairs["read_us"].to_numpy())
        left = pairs["difference_m"] - acting
        parts.append(pairs.assign(sensor=name, correction_m=acting, left_m=left).dropna(subset=["difference_m"]))
    if not parts:
        kinds = {"sensor": "str", "read_at": "datetime64[us, UTC]"}
        return pd.DataFrame({name: pd.Series(dtype=kinds.get(name, "float64")) for name in COLUMNS})
    whole = pd.concat(parts, ignore_index=True)
    return whole.assign(read_at=pd.to_datetime(whole["read_us"], unit="us", utc=True))[list(COLUMNS)]


def _corrections(rows: pd.DataFrame) -> Corrections:
    return Corrections(
        microseconds(rows["from"]),
        microseconds(rows["to"]),
        rows["start_m"].to_numpy(dtype="float64"),
        rows["end_m"].to_numpy(dtype="float64"),
    )


def unit_findings(visits: pd.DataFrame) -> dict[str, UnitFinding]:
    """Check the unit of each sensor by its visits; see ``stage.convert.unit_finding``. Nothing is converted."""
    units = {}
    for name, mine in visits.groupby("sensor", sort=True):
        finding = unit_finding(mine["sensor_m"].to_numpy(), mine["staff_m"].to_numpy())
        if finding is not None:
            units[str(name)] = finding
    return units


def differing(visits: pd.DataFrame, limit_m: float) -> pd.DataFrame:
    """Select the visits at which the staff stood further than a limit from the sensor as recorded, or as corrected.

    Parameters
    ----------
    visits : DataFrame
        As of ``visits_of``.
    limit_m : float
        A reading between two values that lie further apart than this is not compared.

    Returns
    -------
    DataFrame
    """
    apart = np.maximum(visits["difference_m"].abs(), visits["left_m"].abs())
    return visits[(apart > limit_m) & (visits["change_m"].abs() <= limit_m)].reset_index(drop=True)
