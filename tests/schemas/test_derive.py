"""Descriptions are read off the models, never written twice."""

from __future__ import annotations

import pandas as pd
import pandera.errors
import pytest

from stillwell import schemas
from stillwell.schemas.base import Number, col
from stillwell.schemas.derive import attributes, columns, dictionary, key_names, table_schema
from stillwell.schemas.validation import pandera_schema

EVERY = [(f"deposit {n}", m) for n, m in schemas.DEPOSIT_TABLES.items()]
EVERY += [(f"archive {n}", m) for n, m in schemas.ARCHIVE_TABLES.items()]
DIMENSIONLESS = ("1", None)


@pytest.mark.parametrize(("name", "model"), EVERY)
def test_every_column_is_described_and_every_quantity_has_a_unit(name, model):
    """A column without a meaning, or a number without a unit, cannot enter a schema."""
    assert columns(model)
    for column in columns(model):
        assert column.description, (name, column.name)
        if column.kind == "number" and column.name not in ("value", "limit"):
            assert column.units, (name, column.name)


@pytest.mark.parametrize(("name", "model"), EVERY)
def test_the_unit_in_the_name_is_the_unit_of_the_column(name, model):
    """The suffix of a column's name and its unit never disagree."""
    suffixes = {
        "_m3_s": "m3 s-1",
        "_m_s": "m s-1",
        "_m2": "m2",
        "_km2": "km2",
        "_m": "m",
        "_s": "s",
        "_c": "degree_Celsius",
    }
    suffixes |= {"_pct": "percent", "_db": "dB", "_deg": "degree", "_ppt": "1e-3", "_v": "V", "_rev_s": "s-1"}
    assert columns(model)
    for column in columns(model):
        found = [s for s in suffixes if column.name.endswith(s)]
        if found and column.kind == "number":
            assert suffixes[max(found, key=len)] == column.units, (name, column.name)


@pytest.mark.parametrize(("name", "model"), EVERY)
def test_descriptions_agree_with_the_model(name, model):
    """Names, order, nullability and checks of the descriptions are those pandera enforces."""
    spec = pandera_schema(model).columns
    assert spec
    for described, (column_name, enforced) in zip(columns(model), spec.items(), strict=True):
        assert column_name == described.name
        assert enforced.nullable is not described.required
        assert enforced.description == described.description


def test_a_limit_changed_in_the_model_changes_every_description():
    """The expected text, the Table Schema and the dictionary follow the model's own field."""

    class Stricter(schemas.DEPOSIT_TABLES["points"]):
        """Points of a small brook."""

        depth_m: Number = col("depth of the brook", units="m", required=True, ge=0, le=3)

    column = next(c for c in columns(Stricter) if c.name == "depth_m")
    field = next(f for f in table_schema("points", Stricter, "9.9")["fields"] if f["name"] == "depth_m")

    assert column.expected == "0 to 3 m"
    assert field["constraints"]["maximum"] == 3
    assert attributes(column) == {"long_name": "depth of the brook", "units": "m"}
    assert "| 0 to 3 m; required |" in dictionary({"points": Stricter}, "x")


@pytest.mark.parametrize("name", schemas.ARCHIVE_TABLES)
def test_table_schema_names_every_column_and_the_key(name):
    """The open descriptor of a table lists the same columns and the same key."""
    model = schemas.ARCHIVE_TABLES[name]
    descriptor = table_schema(name, model, schemas.SCHEMA_VERSION)

    assert [c.name for c in columns(model)] == [f["name"] for f in descriptor["fields"]]
    assert key_names(model) == descriptor["primaryKey"]


def test_an_impossible_depth_is_refused_and_a_deep_one_is_not():
    """A physical range stops what cannot be, not what is rare."""
    model = pandera_schema(schemas.DEPOSIT_TABLES["points"]).columns["depth_m"]

    assert model.validate(pd.DataFrame({"depth_m": [0.0, 150.0]})) is not None
    with pytest.raises(pandera.errors.SchemaError):
        model.validate(pd.DataFrame({"depth_m": [-0.01]}))
