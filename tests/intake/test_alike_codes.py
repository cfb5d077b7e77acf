"""Every code of a deposit that names something is held against the known ones."""

from __future__ import annotations

from types import SimpleNamespace

import pandas as pd
import pytest

from stillwell.intake.foreign_keys import refer
from stillwell.schemas import ARCHIVE_TABLES, DEPOSIT_TABLES
from stillwell.schemas.derive import columns
from stillwell.schemas.naming import OF_A_SITE, REGISTERS, naming
from stillwell.shared_types import NOTE_COLUMNS, PROBLEM_COLUMNS, RULES, Understood
from tests.making import frame

WIDE = {i: i + 0xFEE0 for i in range(0x21, 0x7F)}
"""Full width, another Unicode form of the same characters."""
USES = naming(DEPOSIT_TABLES)
ROW = {"site": "S1", "instrument": "M1", "rating": "R1", "gauging": "G1"}


def _id(use):
    return f"{use.table}.{use.column}"


def referred(rows, known=(), *, rules=RULES, deposits=("d" * 64,)):
    """Hold rows by table against an archive that knows site S1, meter M1, rating R1 and ``known`` of any other kind."""
    tables = {name: frame(name, []) for name in DEPOSIT_TABLES}
    for name, some in rows.items():
        fit = {c.name for c in columns(DEPOSIT_TABLES[name])}
        tables[name] = frame(name, [{k: v for k, v in ROW.items() if k in fit} | row for row in some])
    asked = []

    def codes(table, names, sites):
        asked.append((table, tuple(names), sites))
        return set(known)

    nothing = (pd.DataFrame(columns=list(names)) for names in (PROBLEM_COLUMNS, NOTE_COLUMNS))
    made = refer(
        Understood(tables, *nothing),
        sites={"S1"},
        instruments={"M1"},
        ratings={"R1"},
        calibrations=frame("calibrations", [], kept=True),
        segments=frame("rating_segments", [], kept=True),
        codes=codes,
        deposits=deposits,
        rules=rules,
    )
    twins = made.problems[made.problems["expected"].astype("str").str.contains("only by case or Unicode form")]
    return SimpleNamespace(tables=made.tables, asked=asked, twins=twins)


def _known(use):
    """Name a known code of the kind, and it as ``codes`` gives it."""
    code = {"site": "S1", "instrument": "M1", "rating": "R1"}.get(use.kind, "Code-1")
    return code, ("S1", code) if use.kind in OF_A_SITE else (code,)


@pytest.mark.parametrize("use", USES, ids=_id)
@pytest.mark.parametrize("change", [str.swapcase, lambda code: code.translate(WIDE)], ids=["case", "form"])
def test_a_code_that_differs_from_a_known_one_by_case_or_form_is_returned_and_names_it(use, change):
    """Whatever it names, the row of such a code is left out, and its problem says column, code and known code."""
    code, kept = _known(use)
    made = referred({use.table: [{use.column: change(code)}]}, [kept])
    problem = made.twins.squeeze()
    assert (problem["column"], problem["found"], problem["file"]) == (use.column, change(code), f"{use.table}.csv")
    assert f"the known code {code}," in problem["expected"]
    assert made.tables[use.table].empty


@pytest.mark.parametrize("use", USES, ids=_id)
def test_a_known_code_and_a_new_one_are_not_returned_as_alike(use):
    """A code as it is known, one of another letter and an empty cell differ from no code by case or form only."""
    code, kept = _known(use)
    made = referred({use.table: [{use.column: code}, {use.column: f"{code}x"}, {use.column: None}]}, [kept])
    assert made.twins.empty


@pytest.mark.parametrize(
    "use", [use for use in USES if not use.registered], ids=lambda use: f"{use.table}.{use.column}"
)
def test_of_two_codes_of_one_batch_the_first_holds(use):
    """Where the archive knows none of them, the later row is returned and names the code of the first."""
    made = referred({use.table: [{use.column: "b-1"}, {use.column: "B-1"}, {use.column: "b-1"}]})
    assert made.twins["found"].tolist() == ["B-1"]
    assert "the known code b-1," in made.twins["expected"].iloc[0]


def test_the_first_of_a_batch_is_the_first_handed_in():
    """Of two deposits the earlier one's code holds, whatever table it stands in."""
    rows = {
        "datums": [{"by": "jd", "deposit": "a"}],
        "gauge_heights": [{"observer": "JD", "deposit": "b"}],
    }
    first = referred(rows, deposits=("a", "b"))
    other = referred(rows, deposits=("b", "a"))
    assert (first.twins["found"].tolist(), other.twins["found"].tolist()) == (["JD"], ["jd"])


@pytest.mark.parametrize(
    "use", [use for use in USES if use.kind in OF_A_SITE], ids=lambda use: f"{use.table}.{use.column}"
)
def test_gauges_and_sensors_are_known_within_their_site(use):
    """`Main` of one site is another gauge or sensor than `main` of another, and only the batch's sites are read."""
    made = referred({use.table: [{use.column: "main"}]}, [("S2", "Main")])
    assert made.twins.empty
    assert {sites for _, _, sites in made.asked for sites in [tuple(sites)]} == {("S1",)}


def test_nothing_is_read_of_kinds_that_a_batch_does_not_use():
    """A batch with a party and no other code asks the archive for parties alone."""
    made = referred({"gaugings": [{"party": "P1"}]}, [("P1",)])
    assert made.asked == [("gaugings", ("party",), None)]
    assert referred({"stage": [{"sensor": None}]}).asked == []


def test_by_earlier_rules_fewer_codes_are_held_against_known_ones():
    """The second rules ask for sites, meters and ratings under their own names; the first ask for none."""
    rows = {use.table: [] for use in USES}
    for use in USES:
        label = {"gauging": use.column} if use.table == "gaugings" else {}
        rows[use.table].append({use.column: _known(use)[0].lower()} | label)
    asked = {rules: referred(rows, [("Code-1",), ("S1", "Code-1")], rules=rules).twins for rules in (1, 2, 3)}
    named = {rules: {(p.file, p.column) for p in twins.itertuples()} for rules, twins in asked.items()}
    assert named[1] == set()
    assert {column for _, column in named[2]} == {"site", "instrument", "rating"}
    assert named[3] == {(f"{use.table}.csv", use.column) for use in USES}


def _names_something(c):
    described = c.kind == "text" and not c.words and c.description.startswith(("code of ", "name of "))
    return "person" in c.roles or (described and (c.text == "code" or c.description.startswith("code of ")))


def test_every_code_of_a_deposit_that_names_something_says_what():
    """A column described as code or name of a thing, or that stands for a person, says in the schema what it names."""
    every = [(table, c) for table, model in DEPOSIT_TABLES.items() for c in columns(model)]
    codes = [(table, c.name) for table, c in every if _names_something(c)]
    assert codes
    assert sorted(codes) == sorted((use.table, use.column) for use in USES)
    named = {use.column for use in USES}
    assert [(table, c.name) for table, c in every if c.name in named and c.names is None] == []


def test_the_archive_names_what_deposits_name():
    """Tables of the archive say the same of the same columns, and each kind with a register has its own."""
    kept = naming(ARCHIVE_TABLES)
    assert {(use.column, use.kind) for use in kept} == {(use.column, use.kind) for use in USES}
    assert {use.kind for use in USES if use.registers} == set(REGISTERS)
    assert {use for use in USES if use.registers} <= set(kept)
