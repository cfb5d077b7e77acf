"""What every table has in common: strict models, one time resolution, columns that carry their unit."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any

import pandas as pd
import pandera.pandas as pa

Text = str
Number = float
Count = pd.Int64Dtype
Flag = pd.BooleanDtype
Time = Annotated[pd.DatetimeTZDtype, "us", "UTC"]
"""An instant in UTC at microseconds: the only time resolution in the archive."""


def col(
    description: str,
    *,
    units: str | None = None,
    standard_name: str | None = None,
    required: bool = False,
    key: bool = False,
    ge: float | None = None,
    le: float | None = None,
    gt: float | None = None,
    isin: Iterable[str] | None = None,
    alias: str | None = None,
) -> Any:
    """Define one column: its meaning, UDUNITS unit, CF standard name, physical range or allowed words.

    Parameters
    ----------
    description : str
        What the column holds, in one phrase.
    units : str, optional
        UDUNITS spelling; absent for words, times and flags.
    standard_name : str, optional
        CF standard name, only where one exists.
    required : bool
        A row without it is returned.
    key : bool
        Part of the table's key.
    ge, le, gt : float, optional
        The physically possible range, in ``units``. Outside it a value is impossible, not merely doubtful.
    isin : iterable of str, optional
        The closed list of words.
    alias : str, optional
        Name of the column where it is a word of the language.

    Returns
    -------
    pandera Field
        Nullable unless required; everything above can be read back from its metadata.
    """
    metadata = {"units": units, "standard_name": standard_name, "key": key, "required": required}
    words = list(isin) if isin is not None else None
    return pa.Field(
        nullable=not required, description=description, metadata=metadata, ge=ge, le=le, gt=gt, isin=words, alias=alias
    )


class Table(pa.DataFrameModel):
    """Base of every table: exactly these columns, in this order."""

    class Config:
        """Columns are exact and in order."""

        strict = True
        ordered = True


class HandedIn(Table):
    """Where a row stood in what was handed in."""

    deposit: Text = col("sha256 of the deposit the row rests on", required=True)
    row_file: Text = col("file or sheet the row stood in, as handed in", required=True)
    row_line: Count = col("line of that file, the header being line 1", units="1", required=True, ge=1)


class Recorded(HandedIn):
    """The trail every archive row carries."""

    revision: Count = col("revision of the row's key, from 1", units="1", required=True, ge=1)
    recorded_at: Time = col("when the archive took the row (transaction time)", required=True)
