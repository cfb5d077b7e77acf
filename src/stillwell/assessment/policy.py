"""The office's limits and choices: reading and checking a policy file."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from types import MappingProxyType
from typing import Any

from stillwell.assessment.health import LIMITS as HEALTH_LIMITS
from stillwell.errors import PolicyError
from stillwell.hydrometry.choices import EDGE_RULES, GAUGE_HEIGHT_MEANS, SOUND_SPEEDS, Choices

LIMITS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "verticals_widths_m": (0.0, 10_000.0),
        "verticals_fewest": (1.0, 1000.0),
        "check_days": (0.0, 3650.0),
        "check_samples": (1.0, 1e6),
        "check_rate_hz": (0.0, 1000.0),
        "check_snr_low_db": (0.0, 100.0),
        "check_snr_unusable_db": (0.0, 100.0),
        "check_spread_db": (0.0, 100.0),
        "check_drift_db": (0.0, 100.0),
        "check_receivers_apart_db": (0.0, 100.0),
        "check_temperature_c": (0.0, 30.0),
        "check_history": (1.0, 1000.0),
        "check_history_sigmas": (1.0, 100.0),
        "check_history_least_db": (0.0, 20.0),
        "check_history_least_c": (0.0, 5.0),
        "temperature_differs_c": (0.0, 30.0),
        "velocity_error_pct": (0.0, 100.0),
        "velocity_error_m_s": (0.0, 10.0),
        "spikes_pct": (0.0, 100.0),
        "sound_speed_pct": (0.0, 100.0),
        "tilt_deg": (0.0, 90.0),
        "coefficient_range": (0.0, 2.0),
        "profile_steep_factor": (1.0, 100.0),
        "two_points_from_m": (0.0, 100.0),
        "two_points_not_below_m": (0.0, 100.0),
        "spacing_pct": (0.0, 100.0),
        "uncertainty_large_pct": (0.0, 1000.0),
        "uncertainties_factor": (1.0, 100.0),
        "area_falls_pct": (0.0, 100.0),
        "gap_bridged_s": (0.0, 2_592_000.0),
        "day_share": (0.0, 1.0),
        "stage_uncertainty_m": (0.0, 10.0),
        "shift_uncertainty_m": (0.0, 10.0),
        "rating_uncertainty_pct": (0.0, 1000.0),
        "rating_exponent_range": (0.0, 10.0),
        "rating_departure_pct": (0.0, 1000.0),
        "rating_segment_fewest": (1.0, 1000.0),
        "extrapolation_factor": (1.0, 1000.0),
        "discharge_floor_m3_s": (0.0, 1000.0),
        "exposure_s": (0.0, 3600.0),
        "angle_deg": (0.0, 90.0),
        "wading_product_m2_s": (0.0, 10.0),
        "snr_low_db": (0.0, 100.0),
        "snr_unusable_db": (0.0, 100.0),
        "share_high_pct": (0.0, 100.0),
        "share_raised_pct": (0.0, 100.0),
        "depth_unlike_factor": (1.0, 100.0),
        "velocity_unlike_factor": (1.0, 100.0),
        "stage_change_m": (0.0, 100.0),
        "discharge_differs_pct": (0.0, 100.0),
        "mean_depth_differs_pct": (0.0, 100.0),
        "staff_differs_m": (0.0, 10.0),
        "max_over_mean_factor": (1.0, 1000.0),
    }
)
"""Every limit a policy may set, with the least and greatest value it may have."""

PAIRS = frozenset({"coefficient_range", "rating_exponent_range"})
"""Lists that hold a least and a greatest value."""

LISTS = PAIRS | {"verticals_widths_m", "verticals_fewest"}
"""Limits that are a list of numbers."""

RETIRED = MappingProxyType(
    {"quality_thresholds_pct": "the limits of within_pct are 2, 5 and 8 percent in every office"}
)
"""Limits of earlier versions, each with the reason why it is no limit now; policies stored before still name them."""

WORDS = MappingProxyType(
    {"edge_rule": EDGE_RULES, "gauge_height_mean": GAUGE_HEIGHT_MEANS, "sound_speed": SOUND_SPEEDS}
)
"""Choices that are one of some words."""

OFFICE = ("name", "identifier", "contact_role")


@dataclass(frozen=True)
class Limit:
    """One limit and where it comes from."""

    value: Any
    source: str


@dataclass(frozen=True)
class Policy:
    """What an office has decided."""

    office: Mapping[str, str]
    limits: Mapping[str, Limit]
    choices: Choices = field(default_factory=Choices)

    def value(self, name: str) -> float:
        """Return a limit that is one number."""
        return float(self.limits[name].value)

    def settings(self) -> Choices:
        """Return the choices, with the limits that computing needs."""
        return replace(self.choices, discharge_floor_m3_s=self.value("discharge_floor_m3_s"))

    def health_limits(self) -> dict[str, float]:
        """Return the limits that a check of a meter is compared with."""
        return {name: self.value(name) for name in HEALTH_LIMITS}

    def values(self, name: str) -> tuple[float, ...]:
        """Return a limit that is a list of numbers."""
        return tuple(float(v) for v in self.limits[name].value)


def policy_from(text: str, base: Policy | None = None) -> Policy:
    """Read a policy file.

    Parameters
    ----------
    text : str
        TOML with ``[office]``, ``[limits]`` and ``[choices]``.
    base : Policy, optional
        What holds where the text is silent; without it the text must say everything.

    Returns
    -------
    Policy

    Raises
    ------
    PolicyError
        If the text is not TOML, names something unknown, or gives a value of the wrong type, sign or range;
        the message names the line. Limits that are ``RETIRED`` are passed over, as in policies kept before.
    """
    try:
        document = tomllib.loads(text)
    except (ValueError, OverflowError, RecursionError) as error:
        msg = f"policy: expected TOML, found: {error}; the policy is not used"
        raise PolicyError(msg) from error
    _refuse_unknown(document, ("office", "limits", "choices"), text, "section")
    sections = {name: _section(document, name, text) for name in ("office", "limits", "choices")}
    office = _office(sections["office"], text)
    limits = {name: _limit(name, value, text) for name, value in sections["limits"].items() if name not in RETIRED}
    choices = _choices(sections["choices"], text, base.choices if base else Choices())
    if base is not None:
        return Policy({**base.office, **office}, {**base.limits, **limits}, choices)
    missing = [f"limits.{n}" for n in LIMITS if n not in limits] + [f"office.{n}" for n in OFFICE if n not in office]
    if missing:
        msg = f"policy: expected every limit and the office, found none for {', '.join(missing)}"
        raise PolicyError(msg)
    return Policy(office, limits, choices)


def refuse_retired(text: str) -> None:
    """Refuse a policy that sets a limit of an earlier version, which would be stored and do nothing.

    Parameters
    ----------
    text : str
        TOML that ``policy_from`` reads.

    Raises
    ------
    PolicyError
        Naming the limit, its line and why it is none any more.
    """
    limits = tomllib.loads(text).get("limits", {})
    for name, why in RETIRED.items():
        if name in limits:
            raise _refusal(text, name, f"no such limit: {why}", name)


def _section(document: Mapping[str, Any], name: str, text: str) -> Mapping[str, Any]:
    section = document.get(name, {})
    if not isinstance(section, Mapping):
        raise _refusal(text, name, "a section", section)
    return section


def _refuse_unknown(entries: Mapping[str, Any], known: tuple[str, ...], text: str, what: str) -> None:
    for name in entries:
        if name not in known:
            raise _refusal(text, name, f"a {what} of {', '.join(known)}", name)


def _office(entries: Mapping[str, Any], text: str) -> dict[str, str]:
    _refuse_unknown(entries, OFFICE, text, "word about the office")
    for name, value in entries.items():
        if not isinstance(value, str) or not value.strip():
            raise _refusal(text, name, "a text", value)
    return dict(entries)


def _limit(name: str, entry: Any, text: str) -> Limit:
    if name not in LIMITS:
        raise _refusal(text, name, f"a limit of {', '.join(LIMITS)}", name)
    if not isinstance(entry, Mapping) or set(entry) != {"value", "source"} or not isinstance(entry["source"], str):
        raise _refusal(text, name, '{ value = ..., source = "..." }', entry)
    value, (least, most) = entry["value"], LIMITS[name]
    if name in LISTS:
        if not isinstance(value, list) or not value or not all(_within(v, least, most) for v in value):
            raise _refusal(text, name, f"a list of numbers from {least:g} to {most:g}", value)
        if list(value) != sorted(value):
            raise _refusal(text, name, "numbers that do not fall", value)
        if name in PAIRS and len(value) != 2:
            raise _refusal(text, name, "a least and a greatest value", value)
        return Limit(tuple(value), entry["source"])
    if not _within(value, least, most):
        raise _refusal(text, name, f"a number from {least:g} to {most:g}", value)
    return Limit(float(value), entry["source"])


def _choices(entries: Mapping[str, Any], text: str, base: Choices) -> Choices:
    known = {f.name: getattr(base, f.name) for f in fields(Choices) if f.name not in LIMITS}
    _refuse_unknown(entries, tuple(known), text, "choice")
    values: dict[str, Any] = dict(known)
    for name, value in entries.items():
        if name in WORDS:
            if value not in WORDS[name]:
                raise _refusal(text, name, f"one of {', '.join(WORDS[name])}", value)
        elif isinstance(known[name], tuple):
            if not isinstance(value, list) or len(value) < 2 or not all(_within(v, 0, 1e6) for v in value):
                raise _refusal(text, name, "a list of two numbers or more, none below 0", value)
        elif not _within(value, 0, 1e6):
            raise _refusal(text, name, "a number that is not below 0", value)
        values[name] = tuple(float(v) for v in value) if isinstance(value, list) else value
    if len(values["wall_distances"]) != len(values["wall_ratios"]):
        raise _refusal(text, "wall_ratios", "as many ratios as distances", values["wall_ratios"])
    settled: dict[str, Any] = {n: float(v) if isinstance(v, int) else v for n, v in values.items()}
    return Choices(**settled)


def _within(value: Any, least: float, most: float) -> bool:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    # a whole number of any length compares, one too long to be a float has no isfinite
    return number and least <= value <= most


def _refusal(text: str, name: str, expected: str, value: Any) -> PolicyError:
    """Make the error that names what is wrong and on which line."""
    pattern = re.compile(rf"^\s*\[?\s*(\w+\.)*{re.escape(name)}\b")
    line = next((i for i, row in enumerate(text.splitlines(), 1) if pattern.match(row)), 1)
    try:
        shown = repr(value)
    except (RecursionError, ValueError):
        shown = "a value too deep or too long to be shown"
    return PolicyError(f"policy line {line}, {name}: expected {expected}, found {shown}; the policy is not used")
