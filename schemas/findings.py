"""Findings and the parts of the uncertainty of a gauging."""

from __future__ import annotations

from stillwell.schemas import words
from stillwell.schemas.base import Number, Recorded, Table, Text, Variable, col
from stillwell.schemas.gauging import GaugingKey


class BudgetColumns(Table):
    """One part of the uncertainty of a gauging, from the tables of ISO 748 as remembered."""

    component: Text = col("what the part comes from", required=True, key=True, isin=words.COMPONENTS)
    standard_m3_s: Number = col("standard uncertainty (k = 1) the part alone would give", units="m3 s-1", ge=0)
    variance_pct: Number = col("share of the part in the whole variance", units="percent", ge=0, le=100)


class UncertaintyBudget(Recorded, BudgetColumns, GaugingKey):
    """A part of a gauging's uncertainty; key gauging_id, component."""


class FindingColumns(Table):
    """A doubt that travels with the number."""

    code: Text = col("what kind of finding", required=True, key=True, netcdf=Variable("discharge_findings", own=True))
    severity: Text = col("how grave", required=True, isin=words.SEVERITIES, netcdf=Variable("discharge_qc", own=True))
    table: Text = col(
        "table the finding is about",
        required=True,
        key=True,
        left_out="the file names the codes; the table holds the sentence, the value and the limit",
    )
    key: Text = col(
        "row the finding is about, in words",
        required=True,
        key=True,
        left_out="the file names the codes; the table holds the sentence, the value and the limit",
        text="words",
    )
    column: Text = col(
        "column the finding is about",
        key=True,
        left_out="the file names the codes; the table holds the sentence, the value and the limit",
    )
    value: Number = col(
        "what was found, in the column's unit",
        left_out="the file names the codes; the table holds the sentence, the value and the limit",
    )
    limit: Number = col(
        "what was expected, in the column's unit",
        left_out="the file names the codes; the table holds the sentence, the value and the limit",
    )
    message: Text = col(
        "the finding in one sentence",
        required=True,
        left_out="the file names the codes; the table holds the sentence, the value and the limit",
        text="words",
    )
    source: Text = col(
        "where the limit comes from",
        required=True,
        left_out="the file names the codes; the table holds the sentence, the value and the limit",
        text="words",
    )


class Findings(Recorded, FindingColumns, GaugingKey):
    """A finding; key gauging_id, code, table, key, column."""
