"""What every table has in common: exact columns, one time resolution, columns that carry their unit.

Imports neither pandas nor pandera, so that a command that only prints an answer starts quickly;
``stillwell.schemas.validation`` makes a pandera schema of a model.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

Text = str
Number = float
Count = int
Flag = bool
Time = datetime
"""An instant in UTC at microseconds: the only time resolution in the archive."""

Kind = Literal["text", "number", "count", "flag", "time"]
KINDS: dict[str, Kind] = {"Text": "text", "Number": "number", "Count": "count", "Flag": "flag", "Time": "time"}
"""The kind of a column by its annotation, as it is written in the model."""

LONGEST_CODE = 500
"""Characters of a code or label: it becomes part of names and ids; the longest seen on field sheets are below 50."""
LONGEST_ID = 2000
"""Characters of an archive id, which is made of the codes of a site and a meter and of a time."""
LONGEST_CELL = 65_536
"""Characters of words to a person: a page of remarks is 3000, and a spreadsheet holds 32,767."""
LONGEST_LIST = 500_000
"""Characters of a list that a program writes: 5000 gaugings with their revisions at 100 characters each."""

TextKind = Literal["code", "words", "file"]
"""A code or label is compared and becomes part of names; words are for a person; a file is kept as it is."""
Thing = Literal["site", "instrument", "rating", "party", "person", "gauge", "sensor", "thermometer"]
"""What a code may name; ``stillwell.schemas.naming`` tells more of each."""
_LONGEST: dict[TextKind, int | None] = {"code": LONGEST_CODE, "words": LONGEST_CELL, "file": None}

REFERENCE, AUXILIARY, QUALITY = "referenceInformation", "auxiliaryInformation", "qualityInformation"
OVER_EXPOSURE = "time: mean (over exposure_time)"
TRAIL = "the trail of the row stays with the table; the history of the file names the deposits"
OF_GAUGING = "of the gauging, which has its own variables; an index points to it"
OFFICE = "a code, label or note of the office; the table holds it"
WORDS = "words to a person; the table holds them"


@dataclass(frozen=True)
class Variable:
    """The variable of a NetCDF file that a column becomes."""

    name: str
    cells: str = ""
    """CF cell methods."""
    content: str = "physicalMeasurement"
    """ACDD coverage content type."""
    tables: tuple[str, ...] = ()
    """The only tables in which the column becomes a variable, where several tables share it."""
    since: str = "1.0"
    """Schema version from which on files hold it; an earlier file without it is as it was written."""
    meanings: tuple[str, ...] = ()
    """What the numbers of its words mean, where the words alone do not say it."""
    own: bool = False
    """Coordinates, identifiers and flags that are made of more than the one column, by code of their own."""


@dataclass(frozen=True)
class Empty:
    """What intake takes an empty cell of a column for."""

    value: str
    where: str = ""
    """Where only some rows get it, which, in words."""


@dataclass(frozen=True)
class Column:
    """One column as its model defines it; see ``col``."""

    name: str
    kind: Kind
    description: str
    units: str | None
    standard_name: str | None
    required: bool
    key: bool
    minimum: float | None
    above: float | None
    maximum: float | None
    words: tuple[str, ...] | None
    """The closed list of words."""
    text: TextKind
    """Which characters it may hold; of columns of text without a closed list."""
    names: Thing | None
    """Which kind of thing its codes name."""
    longest: int | None
    """Characters of a cell of text; None for other columns."""
    roles: tuple[str, ...]
    empty: Empty | None
    netcdf: Variable | None
    left_out: str

    def variable(self, table: str) -> Variable | None:
        """Return the variable it becomes in the NetCDF of a table, None where it becomes none."""
        return self.netcdf if self.netcdf and (not self.netcdf.tables or table in self.netcdf.tables) else None

    @property
    def text_expected(self) -> str:
        """What a cell of text must be, in words for an error message."""
        if self.text == "words":
            return f"text of at most {self.longest} characters, none of them a control character or change of direction"
        return f"a code or label of at most {self.longest} characters, all of them visible and not dots alone"

    @property
    def expected(self) -> str:
        """What a value must be, in words for an error message."""
        unit = f" {self.units}" if self.units and self.units != "1" else ""
        if self.words:
            return "one of " + ", ".join(self.words)
        if self.minimum is not None and self.maximum is not None:
            return f"{self.minimum:g} to {self.maximum:g}{unit}"
        if self.above is not None and self.maximum is not None:
            return f"above {self.above:g} up to {self.maximum:g}{unit}"
        if self.minimum is not None:
            return f"{self.minimum:g}{unit} or more"
        if self.above is not None:
            return f"above {self.above:g}{unit}"
        nouns = {"text": "text", "number": "a number", "count": "a whole number", "flag": "true or false"}
        return nouns.get(self.kind, "a time with its offset") + unit


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
    text: TextKind = "code",
    names: Thing | None = None,
    longest: int | None = None,
    roles: tuple[str, ...] = (),
    empty: Empty | None = None,
    netcdf: Variable | None = None,
    left_out: str = "",
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
        The physically possible range, in ``units``. A value outside it is impossible, not merely suspect.
    isin : iterable of str, optional
        The closed list of words.
    alias : str, optional
        Name of the column where it is a word of the language.
    text : {"code", "words", "file"}
        Which characters a column of text may hold.
    names : str, optional
        Which kind of thing its codes name, in a table in which they are handed in; codes of one kind that differ only
        by case or Unicode form are one code. Absent for labels, ids and digests, and in tables that are computed.
    longest : int, optional
        Characters of a cell of text, where not the usual number for its kind.
    roles : tuple of str
        ``filled``: intake fills it, nobody hands it in. ``private``: it may name persons and is never published.
        ``person``: it names a person by a code.
    empty : Empty, optional
        What an empty cell is taken for.
    netcdf : Variable, optional
        The variable it becomes in the NetCDF of its table.
    left_out : str
        Why it, or the same column of another table, is in no NetCDF.

    Returns
    -------
    Column
        Its kind, and its name where there is no alias, come from the model: ``derive.columns`` fills them in.
    """
    return Column(
        name=alias or "",
        kind="text",
        description=description,
        units=units,
        standard_name=standard_name,
        required=required,
        key=key,
        minimum=ge,
        above=gt,
        maximum=le,
        words=tuple(isin) if isin is not None else None,
        text=text,
        names=names,
        longest=longest or _LONGEST[text],
        roles=roles,
        empty=empty,
        netcdf=netcdf,
        left_out=left_out,
    )


class Table:
    """Base of every table: exactly these columns, in this order. Models describe tables; nothing is made of them."""


class HandedIn(Table):
    """Where a row stood in what was handed in."""

    deposit: Text = col("sha256 of the deposit the row rests on", required=True, left_out=TRAIL, roles=("filled",))
    row_file: Text = col(
        "file or sheet the row stood in, as handed in",
        required=True,
        left_out=TRAIL,
        text="words",
        roles=("filled", "private"),
    )
    row_line: Count = col(
        "line of that file, the header being line 1", units="1", required=True, ge=1, left_out=TRAIL, roles=("filled",)
    )


class Recorded(HandedIn):
    """The trail every archive row carries."""

    revision: Count = col(
        "revision of the row's key, from 1",
        units="1",
        required=True,
        ge=1,
        netcdf=Variable("revision", content=REFERENCE, tables=("gaugings",)),
        left_out=TRAIL,
    )
    recorded_at: Time = col("when the archive took the row (transaction time)", required=True, left_out=TRAIL)
